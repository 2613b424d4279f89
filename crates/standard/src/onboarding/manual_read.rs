//! Reading manual codes.
//!
//! Covers Core Spec 5.1.4. Where the check digit is wrong, the digits are not
//! those that were meant: every other fault is then only a note, and the codes
//! that a single slip would explain are named instead.

use super::fields::Fields;
use super::manual::{LONG, SHORT};
use super::read::{Form, Reading, Slip, SlipKind, name_characters};
use super::verhoeff;
use crate::verdict::catalogue::code;
use crate::verdict::{Finding, Severity};

/// What may stand between digits.
const BETWEEN: [char; 2] = [' ', '-'];

/// Characters of a QR payload without its prefix; no manual code has so many digits.
const QR_CHARACTERS: usize = 19;

/// Whether a text is meant as a manual code: digits and what may stand between
/// them, or nearly so.
pub(super) fn looks_like(text: &str) -> bool {
    if text.contains([':', '*']) {
        return false;
    }
    let (mut digits, mut others, mut between) = (0_usize, 0_usize, 0_usize);
    for c in text.chars() {
        match c {
            c if BETWEEN.contains(&c) => between += 1,
            c if c.is_numeric() => digits += 1,
            _ => others += 1,
        }
    }
    match others {
        0 => digits + between > 0,
        // One payload whose prefix was left out has letters among its characters.
        _ if digits + others + between == QR_CHARACTERS => false,
        _ if (SHORT - 2..=SHORT + 2).contains(&(digits + others)) => digits > others,
        _ => digits >= 3 * others,
    }
}

/// Reads a manual code of bounded length.
pub(super) fn read(text: &str) -> Reading {
    let mut reading = Reading::of(Form::Manual);
    let mut places: Vec<Option<u8>> = Vec::new();
    let mut bad = Vec::new();
    for (at, c) in text.chars().enumerate().filter(|(_, c)| !BETWEEN.contains(c)) {
        let digit = c.to_digit(10).map(|digit| digit as u8);
        if digit.is_none() {
            bad.push((at, c));
        }
        places.push(digit);
    }
    if !bad.is_empty() {
        reading.add(None, outside_alphabet(&bad, &restored(&places)));
    }
    // A foreign character may stand in the place of a digit or have come between.
    let is_whole = |count: usize| count == SHORT || count == LONG;
    let all = places.len();
    if !is_whole(all) && is_whole(all - bad.len()) {
        places.retain(Option::is_some);
    }
    if !is_whole(places.len()) {
        reading.add(None, wrong_length(format!("{all} digits")));
        return reading;
    }

    let known: Option<Vec<u8>> = places.iter().copied().collect();
    reading.digits = known.as_deref().map(text_of);
    let (fields, mut findings) = judge(&places);
    match known {
        Some(digits) if !verhoeff::holds(&digits) => {
            reading.could_be = slips(&digits);
            reading.add(None, wrong_check_digit(&digits, &reading.could_be));
            if !reading.could_be.is_empty() {
                findings = findings.into_iter().map(|finding| finding.weighing(Severity::Note)).collect();
            }
        }
        Some(_) => {}
        None => reading.could_be = restored(&places),
    }
    reading.payloads.push(fields);
    findings.into_iter().for_each(|finding| reading.add(None, finding));
    reading
}

/// What 11 or 21 digits tell and which rules they break, but for the check digit.
fn judge(places: &[Option<u8>]) -> (Fields, Vec<Finding>) {
    let number = |range: std::ops::Range<usize>| {
        places.get(range)?.iter().try_fold(0_u32, |sum, digit| Some(sum * 10 + u32::from((*digit)?)))
    };
    let long = places.len() == LONG;
    let mut fields = Fields { flow: (!long).then_some(0), ..Fields::default() };
    let mut findings = Vec::new();

    let first = number(0..1);
    match first {
        Some(8..) => {
            let found = "the first digit is 8 or 9, which is reserved for later versions";
            findings.push(Finding::new(code::VERSION, found));
        }
        Some(digit) if (digit & 4 != 0) != long => {
            let (says, has) = if long { (SHORT, LONG) } else { (LONG, SHORT) };
            let found = format!("the first digit, {digit}, means {says} digits, but there are {has}");
            findings.push(wrong_length(found));
        }
        _ => {}
    }

    let chunk = number(1..6);
    if let Some(value) = chunk.filter(|value| *value > 0xFFFF) {
        findings.push(Finding::new(code::DISCRIMINATOR, format!("digits 2 to 6 are {value:05}")));
    }
    let chunk = chunk.filter(|value| *value <= 0xFFFF);
    if let (Some(first @ 0..8), Some(chunk)) = (first, chunk) {
        fields.short_discriminator = Some(((first & 3) << 2 | chunk >> 14) as u8);
    }
    if let (Some(chunk), Some(high)) = (chunk, number(6..10)) {
        fields.passcode = Some(high << 14 | chunk & 0x3FFF);
    }
    if long {
        let mut id = |range, rule, what: &str| {
            let value = number(range)?;
            let read = u16::try_from(value).ok();
            if read.is_none() {
                findings.push(Finding::new(rule, format!("{what} {value:05}, above 65535")));
            }
            read
        };
        fields.vendor_id = id(10..15, code::VENDOR_ID, "vendor");
        fields.product_id = id(15..20, code::PRODUCT_ID, "product");
    }
    findings.extend(fields.judge(long));
    (fields, findings)
}

fn text_of(digits: &[u8]) -> String {
    digits.iter().map(|digit| char::from(b'0' + digit)).collect()
}

/// Whether a code is whole: its check digit holds and it breaks no rule.
fn is_sound(digits: &[u8]) -> bool {
    verhoeff::holds(digits) && {
        let places: Vec<Option<u8>> = digits.iter().copied().map(Some).collect();
        judge(&places).1.iter().all(|finding| finding.severity != Severity::Error)
    }
}

/// Sound codes from which one digit or one swap of neighbours leads to `digits`.
fn slips(digits: &[u8]) -> Vec<Slip> {
    let mut slips = Vec::new();
    let mut tried = digits.to_vec();
    for (at, found) in digits.iter().enumerate() {
        for meant in (0..10).filter(|meant| meant != found) {
            tried[at] = meant;
            if is_sound(&tried) {
                let kind = SlipKind::Digit { place: at + 1, meant, found: Some(*found) };
                slips.push(Slip { digits: text_of(&tried), kind });
            }
        }
        tried[at] = *found;
    }
    for at in 1..digits.len() {
        tried.swap(at - 1, at);
        if tried != digits && is_sound(&tried) {
            slips.push(Slip { digits: text_of(&tried), kind: SlipKind::Swap { place: at } });
        }
        tried.swap(at - 1, at);
    }
    slips
}

/// The sound code that stands there but for one character that is no digit.
fn restored(places: &[Option<u8>]) -> Vec<Slip> {
    if places.len() != SHORT && places.len() != LONG {
        return Vec::new();
    }
    let mut unknown = places.iter().enumerate().filter(|(_, place)| place.is_none());
    let (Some((at, _)), None) = (unknown.next(), unknown.next()) else { return Vec::new() };
    let mut tried: Vec<u8> = places.iter().map(|place| place.unwrap_or(0)).collect();
    (0..10)
        .filter_map(|meant| {
            tried[at] = meant;
            let kind = SlipKind::Digit { place: at + 1, meant, found: None };
            is_sound(&tried).then(|| Slip { digits: text_of(&tried), kind })
        })
        .collect()
}

fn outside_alphabet(bad: &[(usize, char)], could_be: &[Slip]) -> Finding {
    let finding = Finding::new(code::ALPHABET, name_characters(bad))
        .requiring("A manual code is decimal digits 0-9, with optional hyphens and spaces between them.");
    match could_be {
        [slip] => finding.advising(format!(
            "Only one digit fits there: {} if {}. Compare it with the label.",
            slip.digits, slip.kind
        )),
        _ => finding,
    }
}

fn wrong_length(found: String) -> Finding {
    Finding::new(code::LENGTH, found).requiring(
        "A manual code has 11 digits, or 21 if its first digit, 4 to 7, means that vendor and product follow.",
    )
}

fn wrong_check_digit(digits: &[u8], could_be: &[Slip]) -> Finding {
    let (found, before) = digits.split_last().map_or((0, &[][..]), |(last, before)| (*last, before));
    let right = verhoeff::check_digit(before);
    let finding = Finding::new(code::CHECK_DIGIT, format!("check digit {found}, where {right} would be right"));
    if could_be.is_empty() {
        return finding
            .advising("No single slip explains it: more than one digit is wrong. Type the code again from the label.");
    }
    let named: Vec<String> = could_be.iter().map(|slip| format!("{} if {}", slip.digits, slip.kind)).collect();
    finding
        .advising(format!("Type the code again from the label. A single slip would explain it: {}.", named.join("; ")))
}
