//! Whose code a scanned text is, among all units of this site.
//!
//! The book keeps passcodes sealed, so it finds units by their discriminator, and each one's passcode
//! is opened and compared. A QR code tells the whole discriminator, one of 4096; a manual code only
//! its high four bits, so that one unit in sixteen is looked at.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use base::sentence::sentence;
use base::trouble::Trouble;
use book::ids::{ProductName, UnitSerial};
use custody::Passphrase;
use site::{Site, product};
use standard::onboarding::{Fields, Reading, read};
use standard::verdict::{Severity, Verdict};
use zeroize::Zeroizing;

use crate::unit::passcode_label;

/// Units looked up at a time.
const PAGE: u32 = 1000;
/// Payloads of one text that are looked for: as many as a symbol holds.
const MOST_PAYLOADS: usize = 169;

/// Takes off what scanners add around a text.
pub(super) fn tidy(scanned: &str) -> &str {
    let text = scanned.trim_matches(|c: char| c.is_whitespace() || c.is_control() || c == '\u{FEFF}');
    // ISO/IEC 15424: `]`, a letter for the symbology, a digit for how it was read.
    match text.as_bytes() {
        [b']', letter, digit, ..] if letter.is_ascii_alphabetic() && digit.is_ascii_digit() => &text[3..],
        _ => text,
    }
}

/// Whether a text is meant as an onboarding code rather than a serial number.
pub fn looks_like_code(text: &str) -> bool {
    let text = tidy(text);
    let digits = text.chars().filter(char::is_ascii_digit).count();
    let manual = text.chars().all(|c| c.is_ascii_digit() || matches!(c, '-' | ' ')) && matches!(digits, 11 | 21);
    is_payload(text) || manual
}

/// Whether a text begins as the content of a QR code does (Core Spec 5.1.3.1), and is no serial number.
pub fn is_payload(text: &str) -> bool {
    text.trim_start().get(..3).is_some_and(|t| t.eq_ignore_ascii_case("MT:"))
}

/// What is wrong with a text that is meant as a code, as a sentence; `None` where it is a sound one, or none at all.
pub fn code_fault(scanned: &str) -> Option<String> {
    if !looks_like_code(scanned) {
        return None;
    }
    let text = Zeroizing::new(tidy(scanned).to_ascii_uppercase());
    let reading = read(&text);
    let fault = reading.findings.iter().find(|f| f.finding.severity == Severity::Error)?;
    Some(sentence(&fault.finding.found))
}

/// The units whose code a text is, at most `most`; none where it is no sound code. QR text is taken
/// in any letter case.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer, or the site key does not open.
pub fn owners(
    site: &Site,
    scanned: &str,
    passphrase: Option<&Passphrase>,
    most: usize,
) -> Result<Vec<UnitSerial>, Trouble> {
    with_code(site, scanned, passphrase, most, false)
}

/// The units that had this code until it was replaced; as [`owners`] otherwise.
///
/// # Errors
///
/// As [`owners`].
pub fn earlier_owners(
    site: &Site,
    scanned: &str,
    passphrase: Option<&Passphrase>,
    most: usize,
) -> Result<Vec<UnitSerial>, Trouble> {
    with_code(site, scanned, passphrase, most, true)
}

fn with_code(
    site: &Site,
    scanned: &str,
    passphrase: Option<&Passphrase>,
    most: usize,
    replaced: bool,
) -> Result<Vec<UnitSerial>, Trouble> {
    if !looks_like_code(scanned) {
        return Ok(Vec::new());
    }
    let text = Zeroizing::new(tidy(scanned).to_ascii_uppercase());
    let reading = read(&text);
    let mut found = Vec::new();
    for fields in sound(&reading).iter().take(MOST_PAYLOADS) {
        let Some((passcode, discriminators)) = wanted(fields) else { continue };
        let mut looked = Looked { site, passphrase, passcode, fields, replaced, products: BTreeMap::new() };
        for discriminator in discriminators {
            looked.under(discriminator, most, &mut found)?;
            if found.len() >= most {
                return Ok(found);
            }
        }
    }
    Ok(found)
}

/// The payloads of a text that breaks no rule; a code with one digit wrong may be another unit's.
fn sound(reading: &Reading) -> &[Fields] {
    if reading.verdict() == Verdict::Accepted { &reading.payloads } else { &[] }
}

fn wanted(fields: &Fields) -> Option<(Zeroizing<u32>, RangeInclusive<u16>)> {
    let passcode = Zeroizing::new(fields.passcode?);
    let discriminators = match (fields.discriminator, fields.short_discriminator) {
        (Some(all), _) => all..=all,
        (None, Some(short)) => u16::from(short) << 8..=(u16::from(short) << 8 | 0xFF),
        (None, None) => return None,
    };
    Some((passcode, discriminators))
}

struct Looked<'a> {
    site: &'a Site,
    passphrase: Option<&'a Passphrase>,
    passcode: Zeroizing<u32>,
    fields: &'a Fields,
    /// Whether codes are looked through that were replaced.
    replaced: bool,
    /// Vendor and product ID of each product met.
    products: BTreeMap<ProductName, (u16, u16)>,
}

impl Looked<'_> {
    fn under(&mut self, discriminator: u16, most: usize, found: &mut Vec<UnitSerial>) -> Result<(), Trouble> {
        let key = self.site.key(self.passphrase)?;
        let little = Zeroizing::new(self.passcode.to_le_bytes());
        let mut after = None;
        loop {
            let book = &self.site.book;
            let page = match self.replaced {
                true => book.replaced_candidates(discriminator, after.as_ref(), PAGE)?,
                false => book.code_candidates(discriminator, after.as_ref(), PAGE)?,
            };
            for candidate in page.items {
                // One that does not open is for `book verify` to report; it must not hide the others.
                let Ok(octets) = key.unseal(&passcode_label(candidate.unit.as_str()), &candidate.passcode) else {
                    continue;
                };
                if octets.as_slice() == little.as_slice()
                    && self.is_of(&candidate.product)?
                    && !found.contains(&candidate.unit)
                {
                    found.push(candidate.unit);
                    if found.len() >= most {
                        return Ok(());
                    }
                }
            }
            match page.next {
                Some(next) => after = Some(next),
                None => return Ok(()),
            }
        }
    }

    /// Whether the code's vendor and product, where it tells them, are the product's.
    fn is_of(&mut self, name: &ProductName) -> Result<bool, Trouble> {
        let ids = match self.products.get(name) {
            Some(ids) => *ids,
            None => {
                let facts = product::get(self.site, name.as_str())?.facts;
                *self.products.entry(name.clone()).or_insert((facts.vendor_id, facts.product_id))
            }
        };
        let agrees = |told: Option<u16>, ours: u16| told.is_none_or(|told| told == 0 || told == ours);
        Ok(agrees(self.fields.vendor_id, ids.0) && agrees(self.fields.product_id, ids.1))
    }
}

#[cfg(test)]
mod tests {
    use super::looks_like_code;

    #[test]
    fn codes_are_told_from_serial_numbers() {
        for code in
            ["MT:Y.K9042C00KA0648G00", "mt:Y.K9042C00KA0648G00", "]Q1MT:Y.K9", "3497-011-2332", "34970112332\r\n"]
        {
            assert!(looks_like_code(code), "{code}");
        }
        for serial in ["TV-000017", "000017", "3497011233", "MT-000017", "01A0", ""] {
            assert!(!looks_like_code(serial), "{serial}");
        }
    }
}
