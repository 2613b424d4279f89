//! QR text: a prefix, then payloads in Base-38.
//!
//! Covers Core Spec 5.1.3.1. Reading goes on past a fault where the rest can
//! still be told: characters outside the alphabet make the octets of their
//! group unknown, and only what lies in other groups is read.

use super::base38::{decode_group, octets_in, octets_in_group, value};
use super::fields::Fields;
use super::payload::OCTETS;
use super::read::{Form, Reading, name_characters};
use crate::verdict::Finding;
use crate::verdict::catalogue::code;

/// What QR text begins with.
pub(super) const PREFIX: &str = "MT:";
/// What stands between payloads.
pub(super) const SEPARATOR: &str = "*";

/// Characters of a payload without further data.
const CHARACTERS: usize = 19;
/// Characters in a whole group.
const GROUP: usize = 5;

/// Reads QR text of bounded length.
pub(super) fn read(text: &str) -> Reading {
    let mut reading = Reading::of(Form::Qr);
    if text.is_empty() {
        reading.add(None, wrong_length("no text at all".into()));
        return reading;
    }
    let body = text.strip_prefix(PREFIX).unwrap_or_else(|| {
        let start: String = text.chars().take(PREFIX.len()).collect();
        reading.add(None, Finding::new(code::PREFIX, format!("{start:?} at the start")));
        without_wrong_prefix(text)
    });
    for (index, part) in body.split(SEPARATOR).enumerate() {
        let part = match part.get(..PREFIX.len()) {
            Some(start) if index > 0 && start.eq_ignore_ascii_case(PREFIX) => {
                reading.add(Some(index), Finding::new(code::PREFIX, "the prefix again, before a later payload"));
                &part[PREFIX.len()..]
            }
            _ => part,
        };
        let (fields, findings) = read_payload(part);
        reading.payloads.push(fields);
        findings.into_iter().for_each(|finding| reading.add(Some(index), finding));
    }
    reading
}

/// What probably follows a prefix that is missing or wrong: what stands after
/// a colon near the start, else as much as one payload has.
fn without_wrong_prefix(text: &str) -> &str {
    let colon = text.char_indices().take(2 * PREFIX.len()).find(|(_, c)| *c == ':');
    if let Some((at, _)) = colon {
        return &text[at + 1..];
    }
    let first = text.split(SEPARATOR).next().unwrap_or(text).chars().count();
    let skip = first.checked_sub(CHARACTERS).filter(|skip| *skip <= PREFIX.len()).unwrap_or(0);
    text.char_indices().nth(skip).map_or(text, |(at, _)| &text[at..])
}

/// One character of a payload: its value, or that it has none.
struct Character {
    value: Option<u8>,
    inside: bool,
}

fn read_payload(text: &str) -> (Fields, Vec<Finding>) {
    let mut findings = Vec::new();
    let mut characters: Vec<Character> = text
        .chars()
        // A small letter is outside the alphabet, yet there is no doubt what it stands for.
        .map(|c| Character { value: value(c.to_ascii_uppercase()), inside: value(c).is_some() })
        .collect();
    let bad: Vec<(usize, char)> = text.chars().enumerate().filter(|(i, _)| !characters[*i].inside).collect();
    if !bad.is_empty() {
        findings.push(outside_alphabet(name_characters(&bad)));
    }

    // A foreign character may stand in the place of another or have come between.
    let is_whole = |count: usize| octets_in(count).is_some_and(|octets| octets >= OCTETS);
    let all = characters.len();
    let ours = characters.iter().filter(|c| c.value.is_some()).count();
    if all != CHARACTERS && (ours == CHARACTERS || !is_whole(all) && is_whole(ours)) {
        characters.retain(|c| c.value.is_some());
    }
    let whole = is_whole(characters.len());
    if !whole {
        findings.push(wrong_length(describe_length(all)));
    }

    let (octets, overflow) = decode(&characters, whole);
    let fields = Fields::unpack(&octets);
    // What was cut or shifted tells nothing of how the code was made.
    if whole {
        findings.extend(overflow.map(|place| {
            let found = format!("the group at {} stands for more than its bytes hold", place + 1);
            outside_alphabet(found)
        }));
        findings.extend(fields.judge(false));
    }
    (fields, findings)
}

/// The octets, where their groups can be told, and the place of the first
/// group that stands for none. Of a text that is not `whole`, only the groups
/// before its fault can be trusted.
fn decode(characters: &[Character], whole: bool) -> (Vec<Option<u8>>, Option<usize>) {
    let trusted = if whole { characters.len() } else { characters.len().min(CHARACTERS) / GROUP * GROUP };
    let mut octets = Vec::with_capacity(trusted);
    let mut overflow = None;
    for (index, group) in characters[..trusted].chunks(GROUP).enumerate() {
        let known: Option<Vec<u8>> = group.iter().map(|c| c.value).collect();
        match known.as_deref().map(decode_group) {
            Some(Some(decoded)) => octets.extend(decoded.map(Some)),
            undecoded => {
                if undecoded.is_some() {
                    overflow = overflow.or(Some(index * GROUP));
                }
                octets.extend(std::iter::repeat_n(None, octets_in_group(group.len()).unwrap_or(0)));
            }
        }
    }
    (octets, overflow)
}

fn outside_alphabet(found: String) -> Finding {
    Finding::new(code::ALPHABET, found)
        .requiring("After its prefix, QR text is Base-38: 0-9, A-Z, - and . in groups that encode whole bytes.")
}

fn wrong_length(found: String) -> Finding {
    Finding::new(code::LENGTH, found)
        .requiring("A payload has 11 bytes, which are 19 characters, and more only where further data follows.")
}

fn describe_length(characters: usize) -> String {
    match octets_in(characters) {
        _ if characters == 0 => "no payload".into(),
        Some(octets) => format!("{characters} characters, which are {octets} bytes"),
        None => format!("{characters} characters, which are no whole number of bytes"),
    }
}
