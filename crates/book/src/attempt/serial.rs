//! Serial numbers that the book counts, for all stations together.

use super::refused::BeginError;
use crate::engine::{Ask, Connection, P, Row, params};
use crate::error::BookError;
use crate::ids::UnitSerial;
use crate::series::SeriesStand;
use crate::transaction::Tx;

/// How many taken numbers a series may have in a row before it is given up.
const TAKEN: u32 = 100_000;

/// What the numbers of a series have in common.
pub(crate) struct Pattern<'a> {
    first: &'a UnitSerial,
    prefix: &'a str,
    /// Digits at the end of each.
    digits: usize,
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

/// Which chip has the unit of this serial number, and how that is written: numbers that differ in their letter case
/// alone are one, since a label's reader takes them for one.
const OWNER: &str = "SELECT chip_id, serial FROM unit WHERE upper(serial) = upper($1)";

/// Asks for [`OWNER`].
pub(crate) fn owner(serial: &str) -> Ask<'_> {
    Ask::new(OWNER, params![serial])
}

/// What names the series of a serial number: the text before the digits at its end, and how many there are.
pub(crate) fn series_key(serial: &str) -> (&str, i64) {
    let digits = serial.len() - serial.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    // 18 digits always fit into the column.
    let digits = digits.min(18);
    (serial.split_at(serial.len() - digits).0, i64::try_from(digits).unwrap_or(0))
}

impl<'a> Pattern<'a> {
    /// The series that begins with `first`.
    pub(crate) fn of(first: &'a UnitSerial) -> Result<Self, BeginError> {
        let text = first.as_str();
        let ends = || BeginError::SeriesEnds { start: first.clone() };
        let (prefix, _) = series_key(text);
        let number = &text[prefix.len()..];
        let digits = number.len();
        let begins: i64 = number.parse().map_err(|_| ends())?;
        let limit = 10i64.checked_pow(u32::try_from(digits).unwrap_or(u32::MAX)).ok_or_else(ends)?;
        Ok(Self { first, prefix, digits, begins, limit })
    }

    /// Whether a serial number is one of this series: the same text before as many digits.
    pub(crate) fn covers(&self, serial: &str) -> bool {
        let end = serial.strip_prefix(self.prefix).unwrap_or_default();
        end.len() == self.digits && end.bytes().all(|b| b.is_ascii_digit())
    }

    /// The number after the highest that a unit has, whoever gave that; 0 where none has one.
    fn after_highest(&self, c: &mut Connection) -> Result<i64, BookError> {
        // Those of another length lie between the two ends as well, and those that are no numbers.
        let sql = "SELECT serial FROM unit WHERE serial BETWEEN $1 AND $2 AND length(serial) = $3 ORDER BY serial DESC LIMIT 1000";
        let (low, high) = (self.number(0), self.number(self.limit - 1));
        let length = i64::try_from(low.as_str().len()).unwrap_or(i64::MAX);
        let rows = c.all(sql, params![low.as_str(), high.as_str(), length])?;
        let texts = rows.iter().map(|row| row.text(0)).collect::<Result<Vec<_>, _>>()?;
        let highest = texts.iter().find(|serial| self.covers(serial));
        Ok(highest.and_then(|serial| serial[self.prefix.len()..].parse::<i64>().ok()).map_or(0, |number| number + 1))
    }

    /// How far the series has come, without taking anything of it.
    ///
    /// - `all`: count units whose number was not counted here too, as those that a restored book adopts.
    pub(crate) fn stand(&self, c: &mut Connection, all: bool) -> Result<SeriesStand, BookError> {
        let following = "SELECT following FROM serial_series WHERE prefix = $1 AND digits = $2";
        let row = c.one(following, &[P::Text(self.prefix), P::Int(self.width())])?;
        let begun = row.is_some();
        let mut from = row.map_or(Ok(self.begins), |row| row.int(0))?.max(self.begins);
        if all {
            from = from.max(self.after_highest(c)?);
        }
        for number in from..self.limit.min(from.saturating_add(TAKEN.into())) {
            let serial = self.number(number);
            if c.one(OWNER, params![serial.as_str()])?.is_none() {
                return Ok(SeriesStand { next: Some(serial), begun });
            }
        }
        Ok(SeriesStand { next: None, begun })
    }

    fn number(&self, number: i64) -> UnitSerial {
        let Self { prefix, digits, .. } = self;
        UnitSerial::kept(format!("{prefix}{number:0digits$}"))
    }

    fn width(&self) -> i64 {
        i64::try_from(self.digits).unwrap_or(i64::MAX)
    }

    fn made(&self) -> Ask<'a> {
        Ask::new(
            "INSERT INTO serial_series (prefix, digits, following) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
            &[P::Text(self.prefix), P::Int(self.width()), P::Int(self.begins)],
        )
    }

    /// Makes the series where there is none, and locks it: two statements, the second answers.
    pub(crate) fn lock(&self) -> [Ask<'a>; 2] {
        [
            self.made(),
            Ask::new(
                "SELECT following FROM serial_series s WHERE prefix = $1 AND digits = $2 {lock:s}",
                &[P::Text(self.prefix), P::Int(self.width())],
            ),
        ]
    }

    /// Has the series go on with its first number, if it has not come so far.
    pub(crate) fn move_forward(&self) -> [Ask<'a>; 2] {
        [
            self.made(),
            Ask::new(
                "UPDATE serial_series SET following = $3 WHERE prefix = $1 AND digits = $2 AND following < $3",
                &[P::Text(self.prefix), P::Int(self.width()), P::Int(self.begins)],
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
        let Pattern { first, prefix, limit, .. } = self.pattern;
        for number in self.following..limit.min(self.following.saturating_add(TAKEN.into())) {
            let serial = self.pattern.number(number);
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
