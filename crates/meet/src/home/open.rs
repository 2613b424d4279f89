//! Opening a session with the passcode (Core Spec 4.14.1).

use std::time::Duration;

use standard::onboarding::Passcode;
use standard::pase::messages::{self, ParamRequest, ParamResponse};
use standard::pase::{PaseError, Prover, context};
use standard::passcode_verifier::{Iterations, PasscodeSecret, Salt, VerifierError};
use standard::session::{Message, StatusReport, general, opcode, protocol, secure_channel};
use standard::verdict::Finding;
use standard::verdict::catalogue::meet as rules;

use super::talk::{Failed, Talk, Turn, status_of, unexpected};
use crate::random;

/// How long a unit is told that the home stops.
const FAREWELL: Duration = Duration::from_millis(1500);

const CHANNEL: u32 = protocol::SECURE_CHANNEL;

/// What the unit's verifier was derived with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Parameters {
    pub iterations: u32,
    pub salt_bytes: usize,
}

/// How far the opening came.
#[derive(Debug)]
pub struct Opened {
    /// As soon as the unit said them.
    pub parameters: Option<Parameters>,
    /// The session's challenge; none where no session came of it.
    pub challenge: Option<[u8; 16]>,
    /// What stopped it.
    pub finding: Option<Finding>,
}

impl Opened {
    fn stopped(parameters: Option<Parameters>, finding: Finding) -> Self {
        Self { parameters, challenge: None, finding: Some(finding) }
    }
}

/// Tries the passcode once. Again, once, only where the unit never answered at all: no passcode was tried then.
pub fn open(talk: &mut Talk<'_>, passcode: &Passcode) -> Opened {
    match attempt(talk, passcode) {
        Err(Failed::Silent { acknowledged: false }) => {
            attempt(talk, passcode).unwrap_or_else(|failed| Opened::stopped(None, failed.finding("open")))
        }
        Err(failed) => Opened::stopped(None, failed.finding("open")),
        Ok(opened) => opened,
    }
}

/// One try. Fails where the first question has no answer; all else is told in [`Opened`].
fn attempt(talk: &mut Talk<'_>, passcode: &Passcode) -> Result<Opened, Failed> {
    let request = ParamRequest {
        random: random::octets(),
        session: random::session_id(),
        passcode_id: 0,
        has_parameters: false,
        intervals: None,
    };
    let asked = request.encode();
    let mut turn = talk.begin();
    let mut response = Vec::new();
    let answer = talk.ask(&mut turn, (CHANNEL, opcode::PBKDF_REQUEST, &asked), &mut |message| {
        response = message.payload.to_vec();
        parameters(message, &request)
    });
    let (answer, salt, iterations) = match answer {
        Ok(answer) => answer,
        Err(Failed::Silent { acknowledged: true }) => {
            let found = "an acknowledgement and no answer to the first question";
            return Ok(Opened::stopped(None, Finding::new(&rules::WINDOW_CLOSED, found)));
        }
        Err(Failed::Refused(finding)) => {
            stop(talk, &mut turn, &finding)?;
            return Ok(Opened::stopped(None, *finding));
        }
        Err(failed) => return Err(failed),
    };
    let told = Some(Parameters { iterations: iterations.get(), salt_bytes: salt.octets().len() });
    if let Some(intervals) = answer.intervals {
        talk.listens(intervals);
    }
    // Deriving takes longer than an acknowledgement may wait.
    talk.acknowledge(&mut turn)?;
    let secret = PasscodeSecret::derive(passcode, &salt, iterations);
    let bound = context(&asked, &response);
    let Ok(prover) = Prover::new(&secret, &random::octets(), bound) else {
        return Ok(Opened::stopped(told, Finding::new(&rules::POINT, "a value from which no point comes")));
    };
    drop(secret);
    let share = messages::pake1(prover.share());
    let confirmed = talk.ask(&mut turn, (CHANNEL, opcode::PAKE_1, &share), &mut |message| confirmed(message, &prover));
    let (confirmation, keys) = match confirmed {
        Ok(confirmed) => confirmed,
        Err(Failed::Refused(finding)) => {
            stop(talk, &mut turn, &finding)?;
            return Ok(Opened::stopped(told, *finding));
        }
        Err(failed) => return Ok(Opened::stopped(told, failed.finding("open"))),
    };
    let proof = messages::pake3(&confirmation);
    let established = talk.ask(&mut turn, (CHANNEL, opcode::PAKE_3, &proof), &mut established);
    let challenge = keys.challenge;
    // The unit may believe in the session even where its word was lost or bent: so it can be disarmed.
    let refused = match established {
        Ok(()) => {
            talk.acknowledge(&mut turn)?;
            None
        }
        Err(failed) => {
            talk.acknowledge(&mut turn)?;
            Some(failed.finding("open"))
        }
    };
    talk.secure(keys, request.session, answer.session);
    let challenge = refused.is_none().then_some(challenge);
    Ok(Opened { parameters: told, challenge, finding: refused })
}

/// Tells the unit that it goes no further (one that said so itself needs no telling).
fn stop(talk: &mut Talk<'_>, turn: &mut Turn, finding: &Finding) -> Result<(), Failed> {
    let by_unit = [rules::BUSY.name, rules::WINDOW_CLOSED.name].contains(&finding.rule.name);
    if by_unit {
        talk.acknowledge(turn)?;
        return Ok(());
    }
    let report = StatusReport::secure_channel(general::FAILURE, secure_channel::INVALID_PARAMETER).encode();
    talk.tell(turn, (CHANNEL, opcode::STATUS_REPORT, &report), FAREWELL)?;
    Ok(())
}

fn reply(found: impl ToString) -> Finding {
    Finding::new(&rules::REPLY, found.to_string())
}

/// Busy, or how else a unit says that it does not go on.
fn refusal(report: &StatusReport, otherwise: impl FnOnce(String) -> Finding) -> Finding {
    match report.busy() {
        Some(wait) => {
            let wait = wait.map_or_else(String::new, |ms| format!(", and asks to wait {ms} ms"));
            Finding::new(&rules::BUSY, format!("the unit is busy: {report}{wait}"))
        }
        None => otherwise(format!("a status report: {report}")),
    }
}

fn parameters(message: &Message<'_>, request: &ParamRequest) -> Result<(ParamResponse, Salt, Iterations), Finding> {
    if let Some(report) = status_of(message) {
        return Err(refusal(&report?, |found| Finding::new(&rules::WINDOW_CLOSED, found)));
    }
    if !message.is(CHANNEL, opcode::PBKDF_RESPONSE) {
        return Err(unexpected(message, "PBKDFParamResponse"));
    }
    let response = ParamResponse::read(message.payload).map_err(|e| reply(format!("PBKDFParamResponse: {e}")))?;
    if response.initiator_random != request.random {
        return Err(reply("PBKDFParamResponse: element 1 initiatorRandom is not the home's"));
    }
    if response.session == 0 {
        return Err(reply("PBKDFParamResponse: element 3 responderSessionId is 0"));
    }
    let told = response.parameters.clone();
    let told = told.ok_or_else(|| reply("PBKDFParamResponse: element 4 pbkdf_parameters is missing"))?;
    let bounds = |e: VerifierError| Finding::new(&rules::VERIFIER_PARAMETERS, e.to_string());
    let iterations = Iterations::new(told.iterations).map_err(bounds)?;
    let salt = Salt::new(&told.salt).map_err(bounds)?;
    Ok((response, salt, iterations))
}

type Confirmed = ([u8; 32], standard::pase::SessionKeys);

fn confirmed(message: &Message<'_>, prover: &Prover) -> Result<Confirmed, Finding> {
    if let Some(report) = status_of(message) {
        return Err(refusal(&report?, |found| reply(format!("{found}, in answer to Pake1"))));
    }
    if !message.is(CHANNEL, opcode::PAKE_2) {
        return Err(unexpected(message, "Pake2"));
    }
    let (share, confirmation) = messages::read_pake2(message.payload).map_err(|e| reply(format!("Pake2: {e}")))?;
    prover.confirm(&share, &confirmation).map_err(|error| match error {
        PaseError::Confirmation => {
            Finding::new(&rules::PASSCODE, "the unit's confirmation is that of another passcode")
        }
        PaseError::Share(_) | PaseError::Infinity => Finding::new(&rules::POINT, error.to_string()),
    })
}

fn established(message: &Message<'_>) -> Result<(), Finding> {
    let Some(report) = status_of(message) else { return Err(unexpected(message, "a status report")) };
    let report = report?;
    if report.is(general::SUCCESS, secure_channel::SESSION_ESTABLISHED) {
        return Ok(());
    }
    Err(refusal(&report, |found| reply(format!("{found}, in answer to Pake3"))))
}
