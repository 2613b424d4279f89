//! Finding a unit by what is read from it: its serial number in any letter case, a chip's id, a
//! certificate's serial number, the beginning of one of these, or the end of a serial number.

use crate::Book;
use crate::engine::{Connection, P, Row, params};
use crate::error::BookError;
use crate::ids::{ChipId, ProductName, ReelId, UnitSerial};
use crate::list::Page;
use crate::words::{ChipState, UnitState};

/// Something that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    pub chip: ChipId,
    pub reel: ReelId,
    /// Where the chip stands.
    pub chip_state: ChipState,
    /// The unit that has it, or had it before its board was swapped, and where that stands.
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

/// Shortest end of a serial number that is looked for, characters.
pub const SHORTEST_TAIL: usize = 4;

/// A pattern for all that ends with `tail`, with `!` before what a pattern would read otherwise.
fn ends_with(tail: &str) -> String {
    let escaped = tail.chars().flat_map(|c| matches!(c, '%' | '_' | '!').then_some('!').into_iter().chain([c]));
    std::iter::once('%').chain(escaped).collect()
}

/// A unit whose code may be one that was scanned: its passcode as the caller sealed it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CodeCandidate {
    pub unit: UnitSerial,
    pub product: ProductName,
    pub passcode: Vec<u8>,
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
    /// serial number in any letter case, of a chip id, or of a credential's serial number in hex;
    /// and where none of them is the text itself, the end of a serial number, of at least
    /// [`SHORTEST_TAIL`] characters. Units come first.
    ///
    /// Beginnings have an index each. Ends have none: for them serial numbers are read in their
    /// order until `limit` are found.
    pub fn find(&self, text: &str, limit: u32) -> Result<Vec<Found>, BookError> {
        let text = text.trim();
        if text.is_empty() {
            return Ok(Vec::new());
        }
        let limit = i64::from(limit);
        let any_case = text.to_ascii_uppercase();
        let digits: String = text.chars().filter(|c| !matches!(c, ':' | ' ')).collect();
        self.snapshot(|c| {
            let mut out = Vec::new();
            ask(
                c,
                &format!(
                    "{OF_UNITS} WHERE upper(u.serial) >= $1 AND upper(u.serial) < $2 ORDER BY upper(u.serial) LIMIT $3"
                ),
                params![&any_case, &beyond(&any_case), limit],
                &mut out,
            )?;
            by_hex(c, &digits, limit, &mut out)?;
            let is_it = |found: &Found| {
                found.unit.as_ref().is_some_and(|(serial, _)| serial.as_str().eq_ignore_ascii_case(text))
                    || found.chip.as_str().eq_ignore_ascii_case(&digits)
                    || found.credential.as_ref().is_some_and(|serial| hex::encode(serial).eq_ignore_ascii_case(&digits))
            };
            if text.chars().count() >= SHORTEST_TAIL && !out.iter().any(is_it) {
                ask(
                    c,
                    &format!("{OF_UNITS} WHERE upper(u.serial) LIKE $1 ESCAPE '!' ORDER BY u.serial LIMIT $2"),
                    params![&ends_with(&any_case), limit],
                    &mut out,
                )?;
            }
            Ok(out)
        })
    }

    /// Units with a passcode under one discriminator, in the order of their serial numbers, after
    /// one of them. An index finds them.
    pub fn code_candidates(
        &self,
        discriminator: u16,
        after: Option<&UnitSerial>,
        limit: u32,
    ) -> Result<Page<CodeCandidate, UnitSerial>, BookError> {
        let sql = "SELECT u.serial, u.product, u.passcode FROM unit u \
                   WHERE u.discriminator = $1 AND u.passcode IS NOT NULL AND u.serial > $2 ORDER BY u.serial LIMIT $3";
        self.candidates(sql, discriminator, after, limit)
    }

    /// The same of units that had such a code before it was replaced; a unit that had several of them comes once, with
    /// the last.
    pub fn replaced_candidates(
        &self,
        discriminator: u16,
        after: Option<&UnitSerial>,
        limit: u32,
    ) -> Result<Page<CodeCandidate, UnitSerial>, BookError> {
        let sql = "SELECT e.unit, u.product, e.passcode FROM earlier_code e JOIN unit u ON u.serial = e.unit \
                   WHERE e.discriminator = $1 AND e.passcode IS NOT NULL AND e.unit > $2 AND NOT EXISTS \
                   (SELECT 1 FROM earlier_code l WHERE l.unit = e.unit AND l.discriminator = e.discriminator \
                   AND l.number > e.number) ORDER BY e.unit LIMIT $3";
        self.candidates(sql, discriminator, after, limit)
    }

    fn candidates(
        &self,
        sql: &str,
        discriminator: u16,
        after: Option<&UnitSerial>,
        limit: u32,
    ) -> Result<Page<CodeCandidate, UnitSerial>, BookError> {
        let after = after.map_or("", UnitSerial::as_str);
        let rows = self.read(|c| c.all(sql, params![i64::from(discriminator), after, i64::from(limit) + 1]))?;
        let found = rows.iter().map(|row| {
            Ok(CodeCandidate {
                unit: UnitSerial::kept(row.text(0)?),
                product: ProductName::kept(row.text(1)?),
                passcode: row.bytes(2)?,
            })
        });
        Page::cut(found.collect::<Result<_, BookError>>()?, limit, |found| found.unit.clone())
    }
}

/// The serial number of the unit that has the chip `c`, or had it before its board was swapped, as SQL.
pub(crate) const HAS_OR_HAD: &str = "coalesce((SELECT h.serial FROM unit h WHERE h.chip_id = c.chip_id), \
     (SELECT r.unit FROM renewal r WHERE r.chip_id = c.chip_id AND r.kind = 'swap'))";

const OF_UNITS: &str =
    "unit u JOIN chip c ON c.chip_id = u.chip_id LEFT JOIN credential k ON k.public_key = c.public_key";

/// Chips and credentials whose id or serial number begins with these hex digits.
fn by_hex(c: &mut Connection, digits: &str, limit: i64, out: &mut Vec<Found>) -> Result<(), BookError> {
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Ok(());
    }
    let upper = digits.to_ascii_uppercase();
    ask(
        c,
        &format!(
            "chip c LEFT JOIN unit u ON u.serial = {HAS_OR_HAD} LEFT JOIN credential k ON k.public_key = c.public_key \
             WHERE c.chip_id >= $1 AND c.chip_id < $2 ORDER BY c.chip_id LIMIT $3"
        ),
        params![&upper, &beyond(&upper), limit],
        out,
    )?;
    // A digit left over is not looked for: half an octet has no place in the index.
    let octets = hex::decode(&digits[..digits.len() / 2 * 2]).unwrap_or_default();
    if octets.is_empty() {
        return Ok(());
    }
    by_credential(c, &octets, limit, out)?;
    // Many programs write a number without the octet of zeros that X.690 §8.3.2 puts before a first bit that is set.
    if octets[0] >= 0x80 { by_credential(c, &[&[0], octets.as_slice()].concat(), limit, out) } else { Ok(()) }
}

fn by_credential(c: &mut Connection, octets: &[u8], limit: i64, out: &mut Vec<Found>) -> Result<(), BookError> {
    let from =
        format!("credential k JOIN chip c ON c.public_key = k.public_key LEFT JOIN unit u ON u.serial = {HAS_OR_HAD}");
    match octets_beyond(octets) {
        Some(beyond) => ask(
            c,
            &format!("{from} WHERE k.serial >= $1 AND k.serial < $2 ORDER BY k.serial LIMIT $3"),
            params![octets, &beyond, limit],
            out,
        ),
        None => ask(c, &format!("{from} WHERE k.serial >= $1 ORDER BY k.serial LIMIT $2"), params![octets, limit], out),
    }
}
