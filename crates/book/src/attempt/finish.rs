//! The end of an attempt: a pass with its proof, a failure with its cause, or
//! an interruption that a station tells of itself.

use serde_json::json;

use super::{Attempt, Step};
use crate::Book;
use crate::by::{By, micros};
use crate::chip::{self, Chip};
use crate::credential::Credential;
use crate::engine::{Ask, P, Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{AttemptNumber, Sequence, StationName, UnitSerial};
use crate::log::{Change, Draft, Subject, places, rows};
use crate::product::canonical;
use crate::proof::{NewProof, sha256, told};
use crate::transaction::Tx;
use crate::unit::{self, Unit, again};
use crate::words::{AttemptResult, ChipState, CredentialState, Next};

/// How an attempt ended.
#[derive(Debug, Clone, Copy)]
pub enum Outcome<'a> {
    /// Proven: the chip is provisioned, the credential installed, the unit passed.
    Passed(&'a NewProof),
    /// Failed.
    Failed {
        cause: &'a str,
        detail: &'a str,
        /// What follows: with [`Next::Scrap`] unit and chip are scrapped and the
        /// credential spent; otherwise the chip stays held and the credential reserved.
        next: Next,
    },
    /// Stopped by the operator or for lack of power. The unit stays open.
    Interrupted { detail: &'a str },
}

/// What a station says at an attempt's end.
#[derive(Debug, Clone, Copy)]
pub struct Finish<'a> {
    pub unit: &'a UnitSerial,
    /// The attempt, as [`Book::begin_attempt`] gave it.
    pub attempt: AttemptNumber,
    /// What was done, in order.
    pub steps: &'a [Step],
    pub outcome: Outcome<'a>,
    /// Who, at which station, when.
    pub by: &'a By,
}

/// What the book says to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// The unit as it is now.
    pub unit: Unit,
    pub entry: Sequence,
}

/// Why an attempt was not ended. Nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum FinishError {
    /// No such attempt was begun.
    #[error("unit {unit} has no attempt {attempt}")]
    Unknown { unit: UnitSerial, attempt: AttemptNumber },
    /// It was ended before: by this station, or by one that took the unit over.
    #[error("attempt {} of unit {} has ended: {}", .there.number, .there.unit, .there.result)]
    Ended {
        /// The attempt as it stands.
        there: Box<Attempt>,
    },
    /// It is another station's.
    #[error("attempt {} of unit {} is on station {}", .there.number, .there.unit, .there.station)]
    OtherStation {
        /// The attempt as it stands.
        there: Box<Attempt>,
        /// The station that wanted to end it.
        station: Option<StationName>,
    },
    /// The DAC read back is not the one that was to be written.
    #[error("the DAC read back from the chip of unit {unit} is not its credential's certificate")]
    OtherCertificate { unit: UnitSerial },
    /// The nonce is in another proof.
    #[error("the nonce of the proof of unit {unit} was used before, for unit {other}")]
    NonceUsed { unit: UnitSerial, other: UnitSerial },
    /// The credential was withdrawn while the attempt ran.
    #[error("the credential of unit {unit} was revoked during the attempt: {reason}")]
    CredentialRevoked { unit: UnitSerial, reason: String },
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl FinishError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } => Blame::Usage,
            Self::Book(error) => error.blame(),
            _ => Blame::Refused,
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Unknown { .. } => "Put the chip on the station again.".into(),
            Self::Ended { there } => {
                format!("See the story of unit {}; put the chip on again if it has not passed.", there.unit)
            }
            Self::OtherStation { there, .. } => format!("Continue at station {}.", there.station),
            Self::OtherCertificate { .. } => "End the attempt as failed: the write had no effect.".into(),
            Self::NonceUsed { .. } => "End the attempt as failed and check the station's source of randomness.".into(),
            Self::CredentialRevoked { .. } => "End the attempt as failed and scrap the unit.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}

impl Book {
    /// Ends an attempt, in one transaction: steps, result, states, proof and entry.
    ///
    /// # Errors
    ///
    /// [`FinishError`]; nothing was changed. After [`BookError::Unanswered`] the
    /// attempt may have ended: [`Book::begin_attempt`] on the same chip tells.
    pub fn finish_attempt(&self, finish: &Finish<'_>) -> Result<Finished, FinishError> {
        let kept = match finish.outcome {
            Outcome::Passed(proof) => octets_of(proof),
            _ => Vec::new(),
        };
        let finished = self.write(|tx| {
            let Locked { chip, there, credential, nonce, proven, sequence } = locked(tx, finish)?;
            let unit = match finish.outcome {
                Outcome::Passed(proof) => {
                    check(finish, proof, &credential, nonce)?;
                    let new: Vec<_> = kept.iter().filter(|(digest, _)| !self.known.has_octets(digest)).collect();
                    pass(tx, finish, proof, (&chip, proven), &new, sequence)?
                }
                Outcome::Failed { cause, next, .. } => fail(tx, finish, &chip, cause, next, sequence)?,
                Outcome::Interrupted { .. } => {
                    tx.changes(&ending(finish, sequence))?;
                    again(tx, finish.unit)?
                }
            };
            let entry = end(tx, finish, &there)?;
            Ok::<_, FinishError>(Finished { unit, entry })
        })?;
        self.known.committed_octets(kept.into_iter().map(|(digest, _)| digest));
        Ok(finished)
    }
}

/// What a proof brings that stands once in the book for many units.
fn octets_of(proof: &NewProof) -> Vec<([u8; 32], &[u8])> {
    let all = [Some(&proof.pai), proof.declaration.as_ref()];
    all.into_iter().flatten().map(|octets| (sha256(octets), octets.as_slice())).collect()
}

/// What an attempt's end finds: the chip's row locked, the log's head taken.
struct Locked {
    chip: Chip,
    /// The attempt as it stands, open and this station's.
    there: Attempt,
    credential: Credential,
    /// The unit that has the proof's nonce already.
    nonce: Option<UnitSerial>,
    /// Whether the unit was proven before: another board, or this one before it went back to the line.
    proven: bool,
    /// The next entry's sequence number.
    sequence: i64,
}

/// Looks all up on one way to the server and back.
fn locked(tx: &mut Tx<'_>, finish: &Finish<'_>) -> Result<Locked, FinishError> {
    let unknown = || FinishError::Unknown { unit: finish.unit.clone(), attempt: finish.attempt };
    let chip = format!(
        "SELECT {} FROM chip c WHERE c.chip_id = (SELECT u.chip_id FROM unit u WHERE u.serial = $1) {{lock:c}}",
        Chip::COLUMNS
    );
    let attempt = format!(
        "SELECT {}, {} FROM attempt a JOIN unit u ON u.serial = a.unit JOIN chip c ON c.chip_id = u.chip_id \
         JOIN credential k ON k.public_key = c.public_key WHERE a.unit = $1 AND a.number = $2",
        Attempt::COLUMNS,
        Credential::COLUMNS
    );
    let asks = vec![
        Ask::new(chip, params![finish.unit.as_str()]),
        Ask::new(attempt, params![finish.unit.as_str(), finish.attempt.0]),
    ];
    // From the head on nobody else brings a proof, so a nonce that is new then stays so.
    let after = match finish.outcome {
        Outcome::Passed(proof) => {
            let used =
                "SELECT unit FROM proof WHERE nonce = $1 UNION ALL SELECT unit FROM later_proof WHERE nonce = $1";
            let first = "SELECT count(*) FROM proof WHERE unit = $1";
            vec![Ask::new(used, params![&proof.nonce]), Ask::new(first, params![finish.unit.as_str()])]
        }
        Outcome::Failed { .. } | Outcome::Interrupted { .. } => Vec::new(),
    };
    let (answers, sequence) = tx.several_at_head(asks, after)?;
    let mut answers = answers.into_iter().map(|rows| rows.into_iter().next());
    let chip = Chip::read(&answers.next().flatten().ok_or_else(unknown)?)?;
    let row = answers.next().flatten().ok_or_else(unknown)?;
    let (there, credential) = (Attempt::read(&row)?, Credential::read(&row, Attempt::WIDTH)?);
    if there.result != AttemptResult::Open {
        return Err(FinishError::Ended { there: Box::new(there) });
    }
    if finish.by.station.as_ref() != Some(&there.station) {
        return Err(FinishError::OtherStation { there: Box::new(there), station: finish.by.station.clone() });
    }
    let nonce = answers.next().flatten().map(|row| row.text(0)).transpose()?.map(UnitSerial::kept);
    let proven = answers.next().flatten().map(|row| row.int(0)).transpose()?.is_some_and(|count| count > 0);
    Ok(Locked { chip, there, credential, nonce, proven, sequence })
}

fn check(
    finish: &Finish<'_>,
    proof: &NewProof,
    credential: &Credential,
    nonce: Option<UnitSerial>,
) -> Result<(), FinishError> {
    let unit = finish.unit.clone();
    if proof.dac != credential.certificate {
        return Err(FinishError::OtherCertificate { unit });
    }
    if credential.state == CredentialState::Revoked {
        return Err(FinishError::CredentialRevoked { unit, reason: credential.reason.clone().unwrap_or_default() });
    }
    match nonce {
        Some(other) => Err(FinishError::NonceUsed { unit, other }),
        None => Ok(()),
    }
}

/// The proof first: what follows is refused by the database without it.
fn pass(
    tx: &mut Tx<'_>,
    finish: &Finish<'_>,
    proof: &NewProof,
    (chip, proven): (&Chip, bool),
    new: &[&([u8; 32], &[u8])],
    sequence: i64,
) -> Result<Unit, FinishError> {
    let (objects, report) = (canonical(&told(&proof.objects))?, canonical(&proof.report)?);
    let (dac, pai) = (sha256(&proof.dac), sha256(&proof.pai));
    let declaration = proof.declaration.as_ref().map(|d| sha256(d));
    let mut changes = Vec::with_capacity(new.len() + 6);
    for (digest, octets) in new {
        let sql = "INSERT INTO octets (digest, content) VALUES ($1, $2) ON CONFLICT DO NOTHING";
        changes.push(Change::unnoted(sql, params![digest, *octets]));
    }
    changes.push(Change::row(
        if proven { &rows::LATER_PROOF } else { &rows::PROOF },
        params![
            finish.unit.as_str(),
            finish.attempt.0,
            &chip.public_key,
            &proof.nonce,
            &proof.challenge,
            &proof.elements,
            &proof.signature,
            &dac,
            &pai,
            declaration.as_ref(),
            &objects,
            "accepted",
            &report,
            micros(proof.at),
            sequence,
        ],
    ));
    // A board that was proven before keeps its state.
    if chip.state == ChipState::Held {
        changes.extend([
            Change::of(
                &rows::CHIP,
                "UPDATE chip SET state = 'provisioned', entry = $1 WHERE chip_id = $2 AND state = 'held'",
                params![sequence, chip.chip_id.as_str()],
            ),
            Change::of(
                &rows::CREDENTIAL,
                "UPDATE credential SET state = 'installed', entry = $1 WHERE public_key = $2 AND state = 'reserved'",
                params![sequence, &chip.public_key],
            ),
        ]);
    }
    changes.push(Change::of(
        &rows::UNIT,
        "UPDATE unit SET state = 'passed', proven = serial, changed = $1, entry = $2 \
         WHERE serial = $3 AND state = 'open'",
        params![finish.by.micros(), sequence, finish.unit.as_str()],
    ));
    let unit = changes.len() - 1;
    changes.extend(ending(finish, sequence));
    let mut answers = tx.changes(&changes)?;
    let row = answers.swap_remove(unit).into_iter().next();
    let row = row.ok_or_else(|| BookError::damaged(format!("unit {} is missing", finish.unit)))?;
    Ok(unit::changed(&row, sequence)?)
}

fn fail(
    tx: &mut Tx<'_>,
    finish: &Finish<'_>,
    chip: &Chip,
    cause: &str,
    next: Next,
    sequence: i64,
) -> Result<Unit, BookError> {
    let (state, reason) = match next {
        Next::Retry | Next::Rework => ("failed", None),
        Next::Scrap => {
            chip::scrap(tx, chip, cause)?;
            ("scrapped", Some(cause))
        }
    };
    let mut changes = vec![Change::of(
        &rows::UNIT,
        "UPDATE unit SET state = $1, reason = $2, changed = $3, entry = $4 WHERE serial = $5 AND state = 'open'",
        params![state, reason, finish.by.micros(), sequence, finish.unit.as_str()],
    )];
    changes.extend(ending(finish, sequence));
    let row = tx.changes(&changes)?.swap_remove(0).into_iter().next();
    unit::changed(&row.ok_or_else(|| BookError::damaged(format!("unit {} is missing", finish.unit)))?, sequence)
}

/// What an outcome says of the attempt: result, cause, detail, what is next.
fn said<'a>(outcome: Outcome<'a>) -> (AttemptResult, Option<&'a str>, Option<&'a str>, Option<Next>) {
    match outcome {
        Outcome::Passed(_) => (AttemptResult::Passed, None, None, None),
        Outcome::Failed { cause, detail, next } => (AttemptResult::Failed, Some(cause), Some(detail), Some(next)),
        Outcome::Interrupted { detail } => (AttemptResult::Interrupted, None, Some(detail), None),
    }
}

/// Steps that go into one statement: both engines bound a statement's values.
const STEPS: usize = 500;

/// The end of the attempt's own row, and its steps.
fn ending<'a>(finish: &'a Finish<'_>, sequence: i64) -> Vec<Change<'a>> {
    let (result, cause, detail, next) = said(finish.outcome);
    let mut changes = vec![Change::of(
        &rows::ATTEMPT,
        "UPDATE attempt SET ended = $1, result = $2, cause = $3, detail = $4, next = $5, entry = $6 \
         WHERE unit = $7 AND number = $8",
        params![
            finish.by.micros(),
            result.word(),
            cause,
            detail,
            next.map(Next::word),
            sequence,
            finish.unit.as_str(),
            finish.attempt.0,
        ],
    )];
    for some in step_values(finish).chunks(STEPS * rows::STEP.width()) {
        let places = places(some.len() / rows::STEP.width(), rows::STEP.width());
        changes.push(Change::unnoted(format!("INSERT INTO step ({}) VALUES {places}", rows::STEP.columns), some));
    }
    changes
}

/// The values of all steps, laid one after the other.
fn step_values<'a>(finish: &'a Finish<'_>) -> Vec<P<'a>> {
    let mut values = Vec::with_capacity(finish.steps.len() * rows::STEP.width());
    for (number, step) in (1..).zip(finish.steps) {
        values.extend([
            P::Text(finish.unit.as_str()),
            P::Int(finish.attempt.0),
            P::Int(number),
            P::Text(&step.name),
            P::Int(step.started_us),
            P::Int(step.duration_us),
            P::Text(&step.result),
            P::from(step.detail.as_deref()),
        ]);
    }
    values
}

/// The entry, which vouches for the steps too.
fn end(tx: &mut Tx<'_>, finish: &Finish<'_>, there: &Attempt) -> Result<Sequence, BookError> {
    let (result, cause, detail, next) = said(finish.outcome);
    let steps: Vec<Row> = step_values(finish)
        .chunks(rows::STEP.width())
        .map(|row| Row(row.iter().map(|p| p.to_value()).collect()))
        .collect();
    if !steps.is_empty() {
        tx.mention(&rows::STEP, format!("{}/{}", finish.unit, finish.attempt), &steps);
    }
    let act = match result {
        AttemptResult::Passed => "attempt.pass",
        AttemptResult::Failed => "attempt.fail",
        AttemptResult::Interrupted | AttemptResult::Open => "attempt.interrupt",
    };
    let body = json!({
        "attempt": there.number, "cause": cause, "detail": detail, "next": next, "steps": finish.steps.len(),
    });
    tx.append(Draft::new(act, Subject::Unit(finish.unit.clone()), body), finish.by)
}
