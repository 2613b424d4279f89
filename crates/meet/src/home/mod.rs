//! A home that meets a unit, up to attestation.
//!
//! The order is the standard's: open, arm the fail-safe, read, take the
//! certificates, attestation, a certification request; then disarm, which undoes
//! all, and close. Whatever fails after the session opened, disarming and
//! closing are still tried, and [`Met::left`] says how the unit was left.

mod ask;
mod open;
mod talk;

use std::time::{Duration, Instant};

use standard::interaction::cluster::credentials::Which;
use standard::onboarding::Passcode;
use standard::session::{Intervals, StatusReport, general, opcode, protocol, secure_channel};
use standard::verdict::Finding;
use standard::verdict::catalogue::meet as rules;

use crate::random;
use crate::transport::Transport;
use talk::{Failed, Talk};

/// For how long the fail-safe is armed: a meeting takes a few seconds, and a unit that the home lost is itself again after
/// that.
const ARMED_S: u16 = 60;

/// What a unit's firmware says of itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Device {
    pub vendor_id: Option<u16>,
    pub product_id: Option<u16>,
    pub vendor_name: Option<String>,
    pub product_name: Option<String>,
    pub serial_number: Option<String>,
    pub hardware_version: Option<u16>,
    pub software_version: Option<u32>,
    pub software_version_string: Option<String>,
}

/// What a session's opening says of the unit's verifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Session {
    pub iterations: u32,
    pub salt_bytes: usize,
    /// How often the home sent a message again.
    pub retransmissions: u32,
}

/// What the DAC's key signed: a nonce of the home's, and a challenge that nobody chose.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signed {
    pub nonce: [u8; 32],
    pub challenge: [u8; 16],
    pub elements: Vec<u8>,
    pub signature: Vec<u8>,
}

/// One step of a meeting, and how long it took.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    pub name: &'static str,
    pub milliseconds: u64,
}

/// How a unit was left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Left {
    /// It disarmed, or never had a session.
    AsFound,
    /// It may be armed still, for a minute at the longest.
    Uncertain,
}

/// What came of a meeting; nothing is judged yet but the meeting itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Met {
    pub session: Option<Session>,
    pub device: Option<Device>,
    /// The device attestation certificate, as sent.
    pub dac: Option<Vec<u8>>,
    /// Its intermediate, as sent.
    pub pai: Option<Vec<u8>>,
    pub attestation: Option<Signed>,
    /// The certification request, in its elements.
    pub request: Option<Signed>,
    /// What the meeting itself showed, `meet.*`.
    pub findings: Vec<Finding>,
    pub steps: Vec<Step>,
    pub left: Left,
    /// Whether a session was opened and every question had an answer, right or wrong: only then can it be accepted.
    pub complete: bool,
}

/// Takes the steps as they end.
pub type Watch<'a> = &'a dyn Fn(&Step);

/// Steps of a meeting, timed.
struct Steps<'a> {
    steps: Vec<Step>,
    watch: Watch<'a>,
}

impl Steps<'_> {
    fn time<T>(&mut self, name: &'static str, work: impl FnOnce() -> T) -> T {
        let begun = Instant::now();
        let done = work();
        let milliseconds = u64::try_from(begun.elapsed().as_millis()).unwrap_or(u64::MAX);
        let step = Step { name, milliseconds };
        (self.watch)(&step);
        self.steps.push(step);
        done
    }
}

/// Meets the unit at the other end of `transport`.
///
/// - `passcode`: the label's. It is tried once; again only where the unit never answered.
/// - `patience`: how long an answer may take.
/// - `intervals`: how often the unit listens, as it announced.
pub fn meet(
    transport: &mut dyn Transport,
    passcode: &Passcode,
    patience: Duration,
    intervals: Intervals,
    watch: Watch<'_>,
) -> Met {
    let mut talk = Talk::new(transport, patience, intervals);
    let mut steps = Steps { steps: Vec::new(), watch };
    let opened = steps.time("open", || open::open(&mut talk, passcode));
    let mut met = Met {
        session: None,
        device: None,
        dac: None,
        pai: None,
        attestation: None,
        request: None,
        findings: opened.finding.into_iter().collect(),
        steps: Vec::new(),
        left: Left::AsFound,
        complete: false,
    };
    if let Some(challenge) = opened.challenge {
        met.complete = questions(&mut talk, &mut met, challenge, &mut steps);
    }
    if talk.is_secure() {
        met.left = leave(&mut talk, &mut met.findings, &mut steps);
    }
    if let Some(counter) = talk.counter_again {
        met.findings.push(Finding::new(&rules::COUNTER, format!("counter {counter} over two messages")));
    }
    met.session = opened.parameters.map(|told| Session {
        iterations: told.iterations,
        salt_bytes: told.salt_bytes,
        retransmissions: talk.retransmissions,
    });
    met.steps = steps.steps;
    met
}

/// Work of one step: asks, and adds what is wrong with the answers.
type Work<'w> = &'w mut dyn FnMut(&mut Talk<'_>, &mut Vec<Finding>) -> Result<(), Failed>;

/// Asks everything, and goes on after a wrong answer; after none it stops. Says whether all had an answer.
fn questions(talk: &mut Talk<'_>, met: &mut Met, challenge: [u8; 16], steps: &mut Steps<'_>) -> bool {
    let mut findings = Vec::new();
    let mut go = |name: &'static str, work: Work<'_>| match steps.time(name, || work(talk, &mut findings)) {
        Ok(()) => true,
        Err(failed) => {
            let goes_on = matches!(failed, Failed::Refused(_));
            findings.push(failed.finding(name));
            goes_on
        }
    };
    let complete = go("arm", &mut |talk, findings| {
        let (error, words) = ask::arm(talk, ARMED_S)?;
        if error != 0 {
            findings.push(Finding::new(&rules::REPLY, format!("ArmFailSafe: {words}")));
        }
        Ok(())
    }) && go("read", &mut |talk, findings| {
        met.device = Some(ask::basic_information(talk, findings)?);
        Ok(())
    }) && go("certificates", &mut |talk, findings| {
        for (which, slot) in [(Which::Dac, &mut met.dac), (Which::Pai, &mut met.pai)] {
            match ask::certificate(talk, which) {
                Ok(der) => *slot = Some(der),
                Err(Failed::Refused(finding)) => findings.push(*finding),
                Err(failed) => return Err(failed),
            }
        }
        Ok(())
    }) && go("attest", &mut |talk, _| {
        let nonce = random::octets();
        let (elements, signature) = ask::attestation(talk, &nonce)?;
        met.attestation = Some(Signed { nonce, challenge, elements, signature });
        Ok(())
    }) && go("request", &mut |talk, _| {
        let nonce = random::octets();
        let (elements, signature) = ask::request(talk, &nonce)?;
        met.request = Some(Signed { nonce, challenge, elements, signature });
        Ok(())
    });
    met.findings.append(&mut findings);
    complete
}

/// Disarms and closes; both are tried whatever happened before.
fn leave(talk: &mut Talk<'_>, findings: &mut Vec<Finding>, steps: &mut Steps<'_>) -> Left {
    let disarmed = steps.time("disarm", || ask::arm(talk, 0));
    let left = match disarmed {
        Ok((0, _)) => Left::AsFound,
        Ok((_, words)) => {
            findings.push(Finding::new(&rules::LEFT_ARMED, format!("ArmFailSafe of 0 seconds: {words}")));
            Left::Uncertain
        }
        Err(Failed::Refused(finding)) => {
            findings.push(Finding::new(&rules::LEFT_ARMED, finding.found));
            Left::Uncertain
        }
        Err(_) => {
            // A unit may end its session as it disarms, and a network may lose the word: no fault of the unit's.
            let finding = Finding::new(&rules::LEFT_ARMED, "no answer to ArmFailSafe of 0 seconds");
            findings.push(finding.weighing(standard::verdict::Severity::Warning));
            Left::Uncertain
        }
    };
    steps.time("close", || {
        let report = StatusReport::secure_channel(general::SUCCESS, secure_channel::CLOSE_SESSION).encode();
        let mut turn = talk.begin();
        // Nobody answers it, and a unit that did not hear it ends the session by itself.
        let _ = talk.say(&mut turn, (protocol::SECURE_CHANNEL, opcode::STATUS_REPORT, &report));
    });
    left
}
