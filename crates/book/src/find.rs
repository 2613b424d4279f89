//! Finding a unit by whatever is at hand: a label's text, a chip's id, a
//! certificate's serial number, or the beginning of one.

use crate::Book;
use crate::engine::{Connection, P, Row, params};
use crate::error::BookError;
use crate::ids::{ChipId, ReelId, UnitSerial};
use crate::words::{ChipState, UnitState};

/// Something that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The chip.
    pub chip: ChipId,
    /// Its reel.
    pub reel: ReelId,
    /// Where the chip stands.
    pub chip_state: ChipState,
    /// Its unit, if it has one, and where that stands.
    pub unit: Option<(UnitSerial, UnitState)>,
    /// Serial number of its credential, if it has one.
    pub credential: Option<Vec<u8>>,
}

impl Found {
    const SELECT: &'static str = "SELECT c.chip_id, c.reel, c.state, u.serial, u.state, k.serial FROM ";

    fn read(row: &Row) -> Result<Self, BookError> {
        let unit = match row.maybe(3, Row::text)? {
            Some(serial) => Some((UnitSerial::kept(serial), UnitState::read(row, 4)?)),
            None => None,
        };
        Ok(Self {
            chip: ChipId::kept(row.text(0)?),
            reel: ReelId::kept(row.text(1)?),
            chip_state: ChipState::read(row, 2)?,
            unit,
            credential: row.maybe(5, Row::bytes)?,
        })
    }
}

/// The first text that no text with this beginning comes after.
fn beyond(text: &str) -> String {
    format!("{text}{}", char::MAX)
}

/// The first octets after all that begin with these; `None` where there are none after.
fn octets_beyond(octets: &[u8]) -> Option<Vec<u8>> {
    let last = octets.iter().rposition(|&b| b != 0xFF)?;
    let mut beyond = octets[..=last].to_vec();
    beyond[last] += 1;
    Some(beyond)
}

fn ask(c: &mut Connection, from: &str, params: &[P<'_>], out: &mut Vec<Found>) -> Result<(), BookError> {
    for row in c.all(&format!("{}{from}", Found::SELECT), params)? {
        let found = Found::read(&row)?;
        if !out.contains(&found) {
            out.push(found);
        }
    }
    Ok(())
}

impl Book {
    /// What `text` may mean, at most `limit` of each: the beginning of a unit's
    /// serial number, of a chip id, or of a credential's serial number in hex.
    /// Units come first. Each is looked up in an index of its own.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn find(&self, text: &str, limit: u32) -> Result<Vec<Found>, BookError> {
        let text = text.trim();
        if text.is_empty() {
            return Ok(Vec::new());
        }
        let limit = i64::from(limit);
        self.snapshot(|c| {
            let mut out = Vec::new();
            ask(
                c,
                "unit u JOIN chip c ON c.chip_id = u.chip_id LEFT JOIN credential k ON k.public_key = c.public_key \
                 WHERE u.serial >= $1 AND u.serial < $2 ORDER BY u.serial LIMIT $3",
                params![text, &beyond(text), limit],
                &mut out,
            )?;
            let digits: String = text.chars().filter(|c| !matches!(c, ':' | ' ')).collect();
            if !digits.bytes().all(|b| b.is_ascii_hexdigit()) {
                return Ok(out);
            }
            let upper = digits.to_ascii_uppercase();
            ask(
                c,
                "chip c LEFT JOIN unit u ON u.chip_id = c.chip_id LEFT JOIN credential k ON k.public_key = c.public_key \
                 WHERE c.chip_id >= $1 AND c.chip_id < $2 ORDER BY c.chip_id LIMIT $3",
                params![&upper, &beyond(&upper), limit],
                &mut out,
            )?;
            // A digit left over is not looked for: half an octet has no place in the index.
            let octets = hex::decode(&digits[..digits.len() / 2 * 2]).unwrap_or_default();
            if octets.is_empty() {
                return Ok(out);
            }
            let from = "credential k JOIN chip c ON c.public_key = k.public_key LEFT JOIN unit u ON u.chip_id = c.chip_id";
            match octets_beyond(&octets) {
                Some(beyond) => ask(
                    c,
                    &format!("{from} WHERE k.serial >= $1 AND k.serial < $2 ORDER BY k.serial LIMIT $3"),
                    params![&octets, &beyond, limit],
                    &mut out,
                )?,
                None => ask(
                    c,
                    &format!("{from} WHERE k.serial >= $1 ORDER BY k.serial LIMIT $2"),
                    params![&octets, limit],
                    &mut out,
                )?,
            }
            Ok(out)
        })
    }
}
