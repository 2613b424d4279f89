//! The firmware that a unit carries, as its station was told: kept with the attempt.
//!
//! A unit that was flashed anew between two attempts has one for each; the last
//! that was told is what it carries.

use crate::engine::{Connection, params};
use crate::error::BookError;
use crate::ids::{AttemptNumber, FirmwareVersion, UnitSerial};
use crate::log::{Change, rows};

/// Keeps what was told with an attempt. Its entry says so too.
pub(crate) fn put<'a>(unit: &'a UnitSerial, attempt: i64, version: &'a FirmwareVersion, entry: i64) -> Change<'a> {
    Change::row(&rows::ATTEMPT_FIRMWARE, params![unit.as_str(), attempt, version.as_str(), entry])
}

/// What was told of a unit's attempts, by their numbers.
pub(crate) fn read(c: &mut Connection, unit: &str) -> Result<Vec<(AttemptNumber, FirmwareVersion)>, BookError> {
    c.all("SELECT attempt, version FROM attempt_firmware WHERE unit = $1 ORDER BY attempt", params![unit])?
        .iter()
        .map(|row| Ok((AttemptNumber(row.int(0)?), FirmwareVersion::kept(row.text(1)?))))
        .collect()
}
