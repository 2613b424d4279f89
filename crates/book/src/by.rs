//! Who acts, where and when: what every change of the book is signed with.

use time::format_description::well_known::Rfc3339;
use time::{OffsetDateTime, UtcOffset};

use crate::error::BookError;
use crate::ids::{Actor, StationName};

/// Who acts, at which station if at one, and when by the caller's clock.
///
/// The order of the log is its sequence numbers, never its times: a station's
/// clock may jump.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct By {
    /// The person, or the program in a person's name.
    pub actor: Actor,
    /// The station, for acts on the line.
    pub station: Option<StationName>,
    /// The moment; kept in whole microseconds of UTC.
    pub at: OffsetDateTime,
}

impl By {
    /// An act away from the line.
    pub fn person(actor: Actor, at: OffsetDateTime) -> Self {
        Self { actor, station: None, at }
    }

    /// An act at a station.
    pub fn station(actor: Actor, station: StationName, at: OffsetDateTime) -> Self {
        Self { actor, station: Some(station), at }
    }

    pub(crate) fn micros(&self) -> i64 {
        micros(self.at)
    }
}

/// Microseconds since 1970 in UTC; years 0 to 9999 fit with room to spare.
pub(crate) fn micros(at: OffsetDateTime) -> i64 {
    i64::try_from(at.unix_timestamp_nanos().div_euclid(1000)).unwrap_or(i64::MAX)
}

pub(crate) fn moment(micros: i64) -> Result<OffsetDateTime, BookError> {
    OffsetDateTime::from_unix_timestamp_nanos(i128::from(micros) * 1000)
        .map_err(|_| BookError::damaged(format!("{micros} microseconds since 1970 is not a valid time")))
}

/// A moment in an error's words: RFC 3339 in UTC, whole seconds.
pub(crate) fn told(at: OffsetDateTime) -> String {
    let whole = at.unix_timestamp().saturating_mul(1_000_000);
    rfc3339(whole).unwrap_or_else(|_| at.to_string())
}

/// RFC 3339 in UTC, to the microsecond.
pub(crate) fn rfc3339(micros: i64) -> Result<String, BookError> {
    moment(micros)?
        .to_offset(UtcOffset::UTC)
        .format(&Rfc3339)
        .map_err(|e| BookError::damaged(format!("{micros} microseconds since 1970: {e}")))
}
