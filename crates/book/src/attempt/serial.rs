//! Serial numbers that the book counts, for all stations together.

use super::refused::BeginError;
use crate::engine::{Ask, P, Row, params};
use crate::error::BookError;
use crate::ids::UnitSerial;
use crate::transaction::Tx;

/// How many taken numbers a series may have in a row before it is given up.
const TAKEN: u32 = 100_000;

/// What the numbers of a series have in common.
pub(crate) struct Pattern<'a> {
    first: &'a UnitSerial,
    prefix: &'a str,
    /// Digits at the end of each.
    digits: usize,
    /// The first number.
    begins: i64,
    /// The number that none may reach.
    limit: i64,
}

/// A series whose row is locked until the transaction ends.
pub(crate) struct Series<'a> {
    pattern: Pattern<'a>,
    /// The number that is next.
    following: i64,
}

/// Which chip has the unit of this serial number.
pub(crate) fn owner(serial: &str) -> Ask<'_> {
    Ask::new("SELECT chip_id FROM unit WHERE serial = $1", params![serial])
}

impl<'a> Pattern<'a> {
    /// The series that begins with `first`.
    pub(crate) fn of(first: &'a UnitSerial) -> Result<Self, BeginError> {
        let text = first.as_str();
        let ends = || BeginError::SeriesEnds { start: first.clone() };
        let digits = text.len() - text.trim_end_matches(|c: char| c.is_ascii_digit()).len();
        // 18 digits always fit into the column.
        let (prefix, number) = text.split_at(text.len() - digits.min(18));
        let digits = number.len();
        let begins: i64 = number.parse().map_err(|_| ends())?;
        let limit = 10i64.checked_pow(u32::try_from(digits).unwrap_or(u32::MAX)).ok_or_else(ends)?;
        Ok(Self { first, prefix, digits, begins, limit })
    }

    fn width(&self) -> i64 {
        i64::try_from(self.digits).unwrap_or(i64::MAX)
    }

    /// Makes the series where there is none, and locks it: two statements, the second answers.
    pub(crate) fn lock(&self) -> [Ask<'a>; 2] {
        [
            Ask::new(
                "INSERT INTO serial_series (prefix, digits, following) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
                &[P::Text(self.prefix), P::Int(self.width()), P::Int(self.begins)],
            ),
            Ask::new(
                "SELECT following FROM serial_series s WHERE prefix = $1 AND digits = $2 {lock:s}",
                &[P::Text(self.prefix), P::Int(self.width())],
            ),
        ]
    }

    /// With what the second of [`Pattern::lock`] answered.
    pub(crate) fn locked(self, answer: Option<Row>) -> Result<Series<'a>, BookError> {
        let following = answer.ok_or_else(|| BookError::damaged("a series of serial numbers is missing"))?.int(0)?;
        Ok(Series { following: following.max(self.begins), pattern: self })
    }
}

impl Series<'_> {
    /// The next free number, taken; and, with the log's head taken too, the next
    /// entry's sequence number.
    pub(crate) fn following(&self, tx: &mut Tx<'_>) -> Result<(UnitSerial, i64), BeginError> {
        let Pattern { first, prefix, digits, limit, .. } = self.pattern;
        for number in self.following..limit.min(self.following.saturating_add(TAKEN.into())) {
            let serial = UnitSerial::kept(format!("{prefix}{number:0digits$}"));
            let taken = Ask::new(
                "UPDATE serial_series SET following = $1 WHERE prefix = $2 AND digits = $3",
                &[P::Int(number + 1), P::Text(prefix), P::Int(self.pattern.width())],
            );
            let (answers, sequence) = if number == self.following {
                tx.several_at_head(vec![taken], vec![owner(serial.as_str())])?
            } else {
                (tx.several(&[owner(serial.as_str()), taken])?, tx.next_sequence()?)
            };
            if answers.iter().all(Vec::is_empty) {
                return Ok((serial, sequence));
            }
        }
        Err(BeginError::SeriesEnds { start: first.clone() })
    }
}
