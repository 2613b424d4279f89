//! Serial numbers that the book counts, for all stations together.

use super::refused::BeginError;
use crate::engine::params;
use crate::error::BookError;
use crate::ids::UnitSerial;
use crate::transaction::Tx;

/// How many taken numbers a series may have in a row before it is given up.
const TAKEN: u32 = 100_000;

/// The next free number of a series. Its row is locked until the transaction ends.
pub(crate) fn following(tx: &mut Tx<'_>, first: &UnitSerial) -> Result<UnitSerial, BeginError> {
    let text = first.as_str();
    let ends = || BeginError::SeriesEnds { start: first.clone() };
    let digits = text.len() - text.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    // 18 digits always fit into the column.
    let (prefix, number) = text.split_at(text.len() - digits.min(18));
    let digits = number.len();
    let begins: i64 = number.parse().map_err(|_| ends())?;
    let limit = 10i64.checked_pow(u32::try_from(digits).unwrap_or(u32::MAX)).ok_or_else(ends)?;
    let width = digits as i64;
    tx.run(
        "INSERT INTO serial_series (prefix, digits, following) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
        params![prefix, width, begins],
    )?;
    let following = tx
        .one(
            "SELECT following FROM serial_series s WHERE prefix = $1 AND digits = $2 {lock:s}",
            params![prefix, width],
        )?
        .ok_or_else(|| BookError::damaged("a series of serial numbers is gone"))?
        .int(0)?;
    let from = following.max(begins);
    for number in from..limit.min(from.saturating_add(TAKEN.into())) {
        let serial = UnitSerial::kept(format!("{prefix}{number:0digits$}"));
        if tx.one("SELECT 1 FROM unit WHERE serial = $1", params![serial.as_str()])?.is_none() {
            tx.run(
                "UPDATE serial_series SET following = $1 WHERE prefix = $2 AND digits = $3",
                params![number + 1, prefix, width],
            )?;
            return Ok(serial);
        }
    }
    Err(ends())
}
