//! Attempts: one pass of a unit over a station, made of timed steps.

pub(crate) mod begin;
pub(crate) mod facts;
pub(crate) mod finish;
pub(crate) mod refused;
pub(crate) mod serial;

use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, moment};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{Actor, AttemptNumber, DeclarationName, Sequence, StationName, UnitSerial};
use crate::log::rows;
use crate::transaction::Tx;
use crate::words::{AttemptResult, Next};

/// An attempt as it stands in the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attempt {
    pub unit: UnitSerial,
    /// Which of its attempts.
    pub number: AttemptNumber,
    pub station: StationName,
    pub actor: Actor,
    /// The declaration that was to be written.
    pub declaration: Option<DeclarationName>,
    pub started: OffsetDateTime,
    pub ended: Option<OffsetDateTime>,
    /// How it stands or ended.
    pub result: AttemptResult,
    pub cause: Option<String>,
    /// More on the failure or the interruption.
    pub detail: Option<String>,
    /// What follows a failure.
    pub next: Option<Next>,
    /// The last entry that tells of it.
    pub entry: Sequence,
}

impl Attempt {
    pub(crate) const COLUMNS: &'static str = "a.unit, a.number, a.station, a.actor, a.declaration, a.started, \
                                              a.ended, a.result, a.cause, a.detail, a.next, a.entry";

    /// How many those are.
    pub(crate) const WIDTH: usize = 12;

    /// Reads [`Attempt::COLUMNS`] from the first column on.
    pub(crate) fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            unit: UnitSerial::kept(row.text(0)?),
            number: AttemptNumber(row.int(1)?),
            station: StationName::kept(row.text(2)?),
            actor: Actor::kept(row.text(3)?),
            declaration: row.maybe(4, Row::text)?.map(DeclarationName::kept),
            started: moment(row.int(5)?)?,
            ended: row.maybe(6, Row::int)?.map(moment).transpose()?,
            result: AttemptResult::read(row, 7)?,
            cause: row.maybe(8, Row::text)?,
            detail: row.maybe(9, Row::text)?,
            next: row.maybe(10, Next::read_from)?,
            entry: Sequence(row.int(11)?),
        })
    }
}

impl Next {
    fn read_from(row: &Row, column: usize) -> Result<Self, BookError> {
        Self::read(row, column)
    }
}

/// One timed step of an attempt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// What was done: identify, write, read back…
    pub name: String,
    /// Microseconds from the attempt's beginning.
    pub started_us: i64,
    /// Microseconds that it took.
    pub duration_us: i64,
    /// How it ended, as the caller writes it: `done`, or a failure's name.
    pub result: String,
    /// More, where there is more to say.
    pub detail: Option<String>,
}

/// The open attempt of a unit.
pub(crate) fn open(tx: &mut Tx<'_>, unit: &UnitSerial) -> Result<Option<Attempt>, BookError> {
    let sql = format!("SELECT {} FROM attempt a WHERE a.unit = $1 AND a.ended IS NULL", Attempt::COLUMNS);
    tx.one(&sql, params![unit.as_str()])?.as_ref().map(Attempt::read).transpose()
}

/// Closes an attempt that its station never ended. The caller holds the chip's
/// row and has taken the log's head.
pub(crate) fn interrupt(tx: &mut Tx<'_>, attempt: &Attempt, detail: &str, by: &By) -> Result<(), BookError> {
    let sequence = tx.next_sequence()?;
    tx.change_one(
        &rows::ATTEMPT,
        "UPDATE attempt SET ended = $1, result = 'interrupted', detail = $2, entry = $3 WHERE unit = $4 AND number = $5",
        params![by.micros(), detail, sequence, attempt.unit.as_str(), attempt.number.0],
    )
    .map(drop)
}

pub(crate) fn read_attempts(c: &mut Connection, unit: &str) -> Result<Vec<Attempt>, BookError> {
    let sql = format!("SELECT {} FROM attempt a WHERE a.unit = $1 ORDER BY a.number", Attempt::COLUMNS);
    c.all(&sql, params![unit])?.iter().map(Attempt::read).collect()
}

pub(crate) fn read_steps(c: &mut Connection, unit: &str, number: AttemptNumber) -> Result<Vec<Step>, BookError> {
    let sql =
        "SELECT name, started, duration, result, detail FROM step WHERE unit = $1 AND attempt = $2 ORDER BY number";
    c.all(sql, params![unit, number.0])?
        .iter()
        .map(|row| {
            Ok(Step {
                name: row.text(0)?,
                started_us: row.int(1)?,
                duration_us: row.int(2)?,
                result: row.text(3)?,
                detail: row.maybe(4, Row::text)?,
            })
        })
        .collect()
}

impl Book {
    /// Attempts that no station has ended: under way, or left by one that died.
    pub fn open_attempts(&self) -> Result<Vec<Attempt>, BookError> {
        let sql = format!("SELECT {} FROM attempt a WHERE a.ended IS NULL ORDER BY a.unit", Attempt::COLUMNS);
        self.read(|c| c.all(&sql, &[]))?.iter().map(Attempt::read).collect()
    }
}
