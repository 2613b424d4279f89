//! Attempts that ended with a verdict, told one by one: all since a moment, or those
//! that came in since the log was so long. Whoever counts a day asks for the first once,
//! and for the second from then on, however long the day is.

use time::OffsetDateTime;

use crate::Book;
use crate::by::{micros, moment};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{ProductName, StationName, UnitSerial};

/// An attempt that passed or failed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verdict {
    pub unit: UnitSerial,
    pub product: ProductName,
    pub station: StationName,
    /// Whether it was the unit's first attempt.
    pub first: bool,
    /// When it ended, by the station's clock.
    pub ended: OffsetDateTime,
    /// Microseconds from the beginning to the end of the last step, as the station timed them, with what a
    /// simulated chip says that it took; by the clock where there was no step, and 0 where that was set back.
    pub taken_us: i64,
    /// The cause, where it failed.
    pub cause: Option<String>,
}

const COLUMNS: &str = "t.unit, u.product, t.station, CASE WHEN t.number = 1 THEN 1 ELSE 0 END, t.ended, \
                       coalesce((SELECT max(s.started + s.duration) FROM step s WHERE s.unit = t.unit AND \
                       s.attempt = t.number), CASE WHEN t.ended > t.started THEN t.ended - t.started ELSE 0 END), \
                       CASE WHEN t.result = 'failed' THEN t.cause END";

/// More entries than these are not looked through for the verdicts among them.
const FAR: u64 = 50_000;

impl Verdict {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            unit: UnitSerial::kept(row.text(0)?),
            product: ProductName::kept(row.text(1)?),
            station: StationName::kept(row.text(2)?),
            first: row.int(3)? == 1,
            ended: moment(row.int(4)?)?,
            taken_us: row.int(5)?,
            cause: row.maybe(6, Row::text)?,
        })
    }

    /// Whether it passed.
    pub fn passed(&self) -> bool {
        self.cause.is_none()
    }
}

fn size(c: &mut Connection) -> Result<u64, BookError> {
    Ok(u64::try_from(c.number("SELECT size FROM log_head WHERE one = 1", &[])?).unwrap_or(0))
}

impl Book {
    /// Tells all verdicts of attempts that ended at `from` or later, and gives back how long
    /// the log was then.
    pub fn verdicts_from(&self, from: OffsetDateTime, tell: &mut dyn FnMut(Verdict)) -> Result<u64, BookError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM attempt t CROSS JOIN unit u \
             WHERE t.ended >= $1 AND t.result IN ('passed', 'failed') AND u.serial = t.unit"
        );
        self.snapshot(|c| {
            let size = size(c)?;
            c.each(&sql, params![micros(from)], &mut |row| {
                tell(Verdict::read(&row)?);
                Ok(())
            })?;
            Ok(size)
        })
    }

    /// Tells the verdicts that came in since the log had `since` entries, in their order and
    /// whenever they ended, and gives back how long the log is; `None`, and nothing told, where the
    /// log is shorter than that, or so much longer that counting anew is quicker.
    pub fn verdicts_since(&self, since: u64, tell: &mut dyn FnMut(Verdict)) -> Result<Option<u64>, BookError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM entry e CROSS JOIN attempt t CROSS JOIN unit u \
             WHERE e.sequence >= $1 AND e.sequence < $2 AND e.subject_kind = 'unit' AND e.act IN ('attempt.pass', 'attempt.fail') \
             AND t.unit = e.subject AND t.entry = e.sequence AND u.serial = t.unit ORDER BY e.sequence"
        );
        self.snapshot(|c| {
            let size = size(c)?;
            if size < since || size - since > FAR {
                return Ok(None);
            }
            if size > since {
                let [since, size] = [since, size].map(|n| i64::try_from(n).unwrap_or(i64::MAX));
                c.each(&sql, params![since, size], &mut |row| {
                    tell(Verdict::read(&row)?);
                    Ok(())
                })?;
            }
            Ok(Some(size))
        })
    }
}
