//! The end of an attempt: a pass with its proof, a failure with its cause, or
//! an interruption that a station tells of itself.

use serde_json::json;

use super::{Attempt, Step};
use crate::Book;
use crate::by::{By, micros};
use crate::chip::{self, Chip};
use crate::credential::Credential;
use crate::engine::{Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{AttemptNumber, Sequence, StationName, UnitSerial};
use crate::log::{Draft, Subject, rows};
use crate::product::canonical;
use crate::proof::{NewProof, sha256, told};
use crate::transaction::Tx;
use crate::unit::{self, Unit, again};
use crate::words::{AttemptResult, CredentialState, Next};

/// How an attempt ended.
#[derive(Debug, Clone, Copy)]
pub enum Outcome<'a> {
    /// Proven: the chip is provisioned, the credential installed, the unit passed.
    Passed(&'a NewProof),
    /// Failed.
    Failed {
        /// The failure's name.
        cause: &'a str,
        /// More on it.
        detail: &'a str,
        /// What follows: with [`Next::Scrap`] unit and chip are scrapped and the
        /// credential spent; otherwise the chip stays held and the credential reserved.
        next: Next,
    },
    /// Stopped by the operator or for lack of power. The unit stays open.
    Interrupted {
        /// Why.
        detail: &'a str,
    },
}

/// What a station says at an attempt's end.
#[derive(Debug, Clone, Copy)]
pub struct Finish<'a> {
    /// The unit.
    pub unit: &'a UnitSerial,
    /// The attempt, as [`Book::begin_attempt`] gave it.
    pub attempt: AttemptNumber,
    /// What was done, in order.
    pub steps: &'a [Step],
    /// How it ended.
    pub outcome: Outcome<'a>,
    /// Who, at which station, when.
    pub by: &'a By,
}

/// What the book says to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// The unit as it is now.
    pub unit: Unit,
    /// The entry.
    pub entry: Sequence,
}

/// Why an attempt was not ended. Nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum FinishError {
    /// No such attempt was begun.
    #[error("unit {unit} has no attempt {attempt}")]
    Unknown {
        /// The unit.
        unit: UnitSerial,
        /// The attempt.
        attempt: AttemptNumber,
    },
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
    OtherCertificate {
        /// The unit.
        unit: UnitSerial,
    },
    /// The nonce is in another proof.
    #[error("the nonce of the proof of unit {unit} was used before, for unit {other}")]
    NonceUsed {
        /// The unit.
        unit: UnitSerial,
        /// The other one.
        other: UnitSerial,
    },
    /// The credential was withdrawn while the attempt ran.
    #[error("the credential of unit {unit} was revoked during the attempt: {reason}")]
    CredentialRevoked {
        /// The unit.
        unit: UnitSerial,
        /// Why.
        reason: String,
    },
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
            Self::OtherStation { there, .. } => format!("Go on at station {}.", there.station),
            Self::OtherCertificate { .. } => "End the attempt as failed: the write did not take.".into(),
            Self::NonceUsed { .. } => "End the attempt as failed and see to the station's source of randomness.".into(),
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
            let (chip, there, credential) = locked(tx, finish)?;
            let unit = match finish.outcome {
                Outcome::Passed(proof) => {
                    check(finish, proof, &credential)?;
                    let new: Vec<_> = kept.iter().filter(|(digest, _)| !self.known.has_octets(digest)).collect();
                    for (digest, octets) in new {
                        tx.run(
                            "INSERT INTO octets (digest, content) VALUES ($1, $2) ON CONFLICT DO NOTHING",
                            params![digest, *octets],
                        )?;
                    }
                    pass(tx, finish, proof, &chip)?
                }
                Outcome::Failed { cause, next, .. } => fail(tx, finish, &chip, cause, next)?,
                Outcome::Interrupted { .. } => again(tx, finish.unit)?,
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

/// The chip's row locked; the attempt as it stands, open and this station's; the credential.
fn locked(tx: &mut Tx<'_>, finish: &Finish<'_>) -> Result<(Chip, Attempt, Credential), FinishError> {
    let unknown = || FinishError::Unknown { unit: finish.unit.clone(), attempt: finish.attempt };
    let sql = format!(
        "SELECT {} FROM chip c WHERE c.chip_id = (SELECT u.chip_id FROM unit u WHERE u.serial = $1) {{lock:c}}",
        Chip::COLUMNS
    );
    let chip = Chip::read(&tx.one(&sql, params![finish.unit.as_str()])?.ok_or_else(unknown)?)?;
    let sql = format!(
        "SELECT {}, {} FROM attempt a JOIN credential k ON k.public_key = $3 WHERE a.unit = $1 AND a.number = $2",
        Attempt::COLUMNS,
        Credential::COLUMNS
    );
    let row = tx.one(&sql, params![finish.unit.as_str(), finish.attempt.0, &chip.public_key])?.ok_or_else(unknown)?;
    let (there, credential) = (Attempt::read(&row)?, Credential::read(&row, Attempt::WIDTH)?);
    if there.result != AttemptResult::Open {
        return Err(FinishError::Ended { there: Box::new(there) });
    }
    if finish.by.station.as_ref() != Some(&there.station) {
        return Err(FinishError::OtherStation { there: Box::new(there), station: finish.by.station.clone() });
    }
    Ok((chip, there, credential))
}

fn check(finish: &Finish<'_>, proof: &NewProof, credential: &Credential) -> Result<(), FinishError> {
    let unit = finish.unit.clone();
    if proof.dac != credential.certificate {
        return Err(FinishError::OtherCertificate { unit });
    }
    if credential.state == CredentialState::Revoked {
        return Err(FinishError::CredentialRevoked { unit, reason: credential.reason.clone().unwrap_or_default() });
    }
    Ok(())
}

/// The proof first: what follows is refused by the database without it.
fn pass(tx: &mut Tx<'_>, finish: &Finish<'_>, proof: &NewProof, chip: &Chip) -> Result<Unit, FinishError> {
    let sequence = tx.next_sequence()?;
    let (objects, report) = (canonical(&told(&proof.objects))?, canonical(&proof.report)?);
    let declaration = proof.declaration.as_ref().map(|d| sha256(d));
    let stored = tx.change(
        &rows::PROOF,
        "INSERT INTO proof (unit, attempt, public_key, nonce, challenge, elements, signature, dac, pai, declaration, \
         objects, verdict, report, proven, entry) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, 'accepted', $12, $13, $14) ON CONFLICT DO NOTHING",
        params![
            finish.unit.as_str(),
            finish.attempt.0,
            &chip.public_key,
            &proof.nonce,
            &proof.challenge,
            &proof.elements,
            &proof.signature,
            &sha256(&proof.dac),
            &sha256(&proof.pai),
            declaration.as_ref(),
            &objects,
            &report,
            micros(proof.at),
            sequence,
        ],
    )?;
    if stored.is_none() {
        // An open unit has no proof, so what is there already is the nonce.
        let row = tx.one("SELECT unit FROM proof WHERE nonce = $1", params![&proof.nonce])?;
        let row = row.ok_or_else(|| BookError::damaged(format!("unit {} is open and has a proof", finish.unit)))?;
        return Err(FinishError::NonceUsed { unit: finish.unit.clone(), other: UnitSerial::kept(row.text(0)?) });
    }
    tx.change_one(
        &rows::CHIP,
        "UPDATE chip SET state = 'provisioned', entry = $1 WHERE chip_id = $2 AND state = 'held'",
        params![sequence, chip.chip_id.as_str()],
    )?;
    tx.change_one(
        &rows::CREDENTIAL,
        "UPDATE credential SET state = 'installed', entry = $1 WHERE public_key = $2 AND state = 'reserved'",
        params![sequence, &chip.public_key],
    )?;
    let row = tx.change_one(
        &rows::UNIT,
        "UPDATE unit SET state = 'passed', proven = serial, changed = $1, entry = $2 WHERE serial = $3 AND state = 'open'",
        params![finish.by.micros(), sequence, finish.unit.as_str()],
    )?;
    Ok(unit::changed(&row, sequence)?)
}

fn fail(tx: &mut Tx<'_>, finish: &Finish<'_>, chip: &Chip, cause: &str, next: Next) -> Result<Unit, BookError> {
    let sequence = tx.next_sequence()?;
    let (state, reason) = match next {
        Next::Retry | Next::Rework => ("failed", None),
        Next::Scrap => {
            chip::scrap(tx, chip, cause)?;
            ("scrapped", Some(cause))
        }
    };
    let row = tx.change_one(
        &rows::UNIT,
        "UPDATE unit SET state = $1, reason = $2, changed = $3, entry = $4 WHERE serial = $5 AND state = 'open'",
        params![state, reason, finish.by.micros(), sequence, finish.unit.as_str()],
    )?;
    unit::changed(&row, sequence)
}

/// Steps, the attempt's own row, and the entry.
fn end(tx: &mut Tx<'_>, finish: &Finish<'_>, there: &Attempt) -> Result<Sequence, BookError> {
    let sequence = tx.next_sequence()?;
    let (result, act, cause, detail, next) = match finish.outcome {
        Outcome::Passed(_) => (AttemptResult::Passed, "attempt.pass", None, None, None),
        Outcome::Failed { cause, detail, next } => {
            (AttemptResult::Failed, "attempt.fail", Some(cause), Some(detail), Some(next))
        }
        Outcome::Interrupted { detail } => (AttemptResult::Interrupted, "attempt.interrupt", None, Some(detail), None),
    };
    tx.change_one(
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
    )?;
    let kept = put_steps(tx, finish)?;
    if !kept.is_empty() {
        tx.mention(&rows::STEP, format!("{}/{}", finish.unit, finish.attempt), &kept);
    }
    let body = json!({
        "attempt": there.number, "cause": cause, "detail": detail, "next": next, "steps": finish.steps.len(),
    });
    tx.append(Draft::new(act, Subject::Unit(finish.unit.clone()), body), finish.by)
}

/// All steps in one statement; the rows as they stand, for the digest.
fn put_steps(tx: &mut Tx<'_>, finish: &Finish<'_>) -> Result<Vec<Row>, BookError> {
    use crate::engine::{Into, P, Value};
    let mut values = Vec::with_capacity(finish.steps.len() * 8);
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
    let columns = ["unit", "attempt", "number", "name", "started", "duration", "result", "detail"];
    if !values.is_empty() {
        let into = Into { table: "step", columns: &columns, numbered: Some(2) };
        if !tx.insert_rows(&into, &values)?.is_empty() {
            return Err(BookError::damaged(format!("attempt {} of unit {} had steps", finish.attempt, finish.unit)));
        }
    }
    let owned = |p: &P<'_>| match *p {
        P::Null => Value::Null,
        P::Int(n) => Value::Int(n),
        P::Text(t) => Value::Text(t.to_owned()),
        P::Bytes(b) => Value::Bytes(b.to_vec()),
    };
    Ok(values.chunks(columns.len()).map(|row| Row(row.iter().map(owned).collect())).collect())
}
