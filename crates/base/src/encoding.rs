//! The text of a file from outside, whatever encoding it came in.

use std::borrow::Cow;

use encoding_rs::{Encoding, UTF_16BE, UTF_16LE, WINDOWS_1252};

/// Octets of a line, a row of a table or a value in JSON, in every text from outside. The longest that real ones hold
/// is a key or a certificate in PEM beside a few columns, some 3 KiB; a spreadsheet's cell takes 32,767 characters.
pub const LONGEST: usize = 64 << 10;

/// The first line that has more octets than a line may have.
pub fn long_line(text: &str) -> Option<usize> {
    text.split('\n').position(|line| line.len() > LONGEST).map(|before| before + 1)
}

/// What is said of a line, row or value that is too long.
pub fn too_long(what: &str) -> String {
    format!("{what} of more than {LONGEST} bytes")
}

/// What to do about it.
pub const TOO_LONG_ADVICE: &str =
    "No chip, unit or key needs so much: ask the sender for the file as it was written, one record a line.";

/// A text, and how it was encoded where that is worth saying.
#[derive(Debug)]
pub struct Text<'a> {
    pub text: Cow<'a, str>,
    pub note: Option<String>,
}

/// Why there is no text, and on which line.
#[derive(Debug, PartialEq, Eq)]
pub struct NoText {
    pub line: usize,
    pub why: &'static str,
}

/// Reads octets as text: UTF-8, UTF-16 of either order, else Windows-1252. Chip ids and keys are ASCII, which all
/// three hold alike, so nothing that counts depends on the guess.
pub fn read(octets: &[u8]) -> Result<Text<'_>, NoText> {
    if let Some((encoding, order, mark)) = utf_16(octets) {
        return wide(&octets[mark..], encoding, order);
    }
    let octets = octets.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(octets);
    let foreign = match std::str::from_utf8(octets) {
        Ok(text) => return Ok(Text { text: text.into(), note: None }).and_then(plain),
        Err(error) => error.valid_up_to(),
    };
    let line = 1 + newlines(&octets[..foreign]);
    let text = WINDOWS_1252.decode_without_bom_handling(octets).0;
    let note = format!("the file is not UTF-8; line {line} was read as Windows-1252");
    plain(Text { text, note: Some(note) })
}

fn newlines(octets: &[u8]) -> usize {
    octets.iter().filter(|o| **o == b'\n').count()
}

/// UTF-16 by its byte order mark, or by a first character that is ASCII and two octets wide.
fn utf_16(octets: &[u8]) -> Option<(&'static Encoding, &'static str, usize)> {
    const LITTLE: &str = "little endian";
    const BIG: &str = "big endian";
    match octets {
        [0xFF, 0xFE, ..] => Some((UTF_16LE, LITTLE, 2)),
        [0xFE, 0xFF, ..] => Some((UTF_16BE, BIG, 2)),
        [1..=0x7F, 0, 1..=0x7F, 0, ..] => Some((UTF_16LE, LITTLE, 0)),
        [0, 1..=0x7F, 0, 1..=0x7F, ..] => Some((UTF_16BE, BIG, 0)),
        _ => None,
    }
}

fn wide<'a>(octets: &'a [u8], encoding: &'static Encoding, order: &str) -> Result<Text<'a>, NoText> {
    let (text, broken) = encoding.decode_without_bom_handling(octets);
    if broken {
        // A replacement character that the file itself holds stands for no fault, but then another does.
        let upto = text.find(char::REPLACEMENT_CHARACTER).unwrap_or(text.len());
        let why = if octets.len() % 2 == 1 {
            "it is UTF-16, and ends in the middle of a character: the file is cut off"
        } else {
            "it is UTF-16, with half of a surrogate pair: the file is damaged"
        };
        return Err(NoText { line: 1 + newlines(&text.as_bytes()[..upto]), why });
    }
    plain(Text { text, note: Some(format!("the file is UTF-16, {order}; it was read as such")) })
}

/// Refuses what is no text but happens to decode.
fn plain(text: Text<'_>) -> Result<Text<'_>, NoText> {
    let odd = |c: char| c.is_ascii_control() && !matches!(c, '\t' | '\r' | '\n' | '\x0C' | '\x1A');
    match text.text.find(odd) {
        Some(at) => {
            let line = 1 + newlines(&text.text.as_bytes()[..at]);
            Err(NoText { line, why: "it is not text: it holds control characters" })
        }
        None => Ok(text),
    }
}

/// Whether it is a number in scientific notation, as `1.23457E+17`: what a spreadsheet makes of a long id.
pub fn is_rounded(text: &str) -> bool {
    let text = text.trim();
    let Some((mantissa, exponent)) = text.split_once(['E', 'e']) else { return false };
    let digits = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit());
    let fraction = mantissa.split_once(['.', ',']);
    let whole = fraction.map_or(digits(mantissa), |(whole, rest)| digits(whole) && digits(rest));
    // Without a point and a plus it may be a chip id of hexadecimal digits.
    whole
        && match exponent.strip_prefix('+') {
            Some(exponent) => digits(exponent),
            None => fraction.is_some() && digits(exponent.trim_start_matches('-')),
        }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Made by Python: `text.encode(…)`.
    #[test]
    fn encodings_are_told_apart_by_what_stands_in_them() {
        let cases: [(&[u8], &str, &str); 7] = [
            (b"\xef\xbb\xbfchip_id\n\xc3\xbc", "chip_id\n\u{fc}", ""),
            (b"\xff\xfec\0h\0\n\0\xfc\0", "ch\n\u{fc}", "UTF-16, little"),
            (b"\xfe\xff\0c\0h\0\n\0\xfc", "ch\n\u{fc}", "UTF-16, big"),
            (b"c\0h\0\n\0\xac\x20", "ch\n\u{20ac}", "UTF-16, little"),
            (b"\0c\0h\0\n\x20\xac", "ch\n\u{20ac}", "UTF-16, big"),
            (b"ch\nStra\xdfe \x80", "ch\nStra\u{df}e \u{20ac}", "line 2 was read as Windows-1252"),
            (b"", "", ""),
        ];
        for (octets, text, note) in cases {
            let read = read(octets).expect("a text");
            assert_eq!(read.text, text, "{octets:x?}");
            assert!(read.note.as_deref().unwrap_or_default().contains(note), "{:?}", read.note);
            assert_eq!(read.note.is_none(), note.is_empty(), "{:?}", read.note);
        }
    }

    #[test]
    fn what_is_cut_off_or_no_text_is_said_with_its_line() {
        let cases: [(&[u8], usize, &str); 6] = [
            (b"\xff\xfea\0\n\0b", 2, "cut off"),
            (b"\xff\xfea\0\n\0\x00\xd8b\0", 2, "surrogate"),
            (b"\xfe\xff\0a\xdc\0", 1, "surrogate"),
            (b"\x89PNG\r\n\x1a\n\0\0\0", 3, "not text"),
            (b"chip_id\n\0\0\0", 2, "not text"),
            (b"\xff\xfe\0\0a\0\0\0", 1, "not text"),
        ];
        for (octets, line, why) in cases {
            let no = read(octets).expect_err("no text");
            assert!(no.line == line && no.why.contains(why), "{octets:x?}: {no:?}");
        }
    }

    #[test]
    fn a_line_that_is_too_long_is_found_by_its_number() {
        let fits = "a".repeat(LONGEST);
        assert_eq!(long_line(&format!("one\n{fits}\r")), Some(2));
        assert_eq!(long_line(&format!("one\n{fits}\nthree\n")), None);
        assert_eq!(long_line(""), None);
    }
}
