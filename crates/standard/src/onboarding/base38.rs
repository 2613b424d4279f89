//! Base-38, the text form of a packed payload.
//!
//! Covers Core Spec 5.1.3.1: each three octets, read little-endian, give five
//! characters, the least significant first; two left over give four, one gives
//! two.

/// The digits 0 to 37.
const ALPHABET: &[u8; 38] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-.";

/// The value of a character; `None` outside the alphabet.
pub(super) fn value(character: char) -> Option<u8> {
    let at = ALPHABET.iter().position(|known| char::from(*known) == character)?;
    u8::try_from(at).ok()
}

/// Octets that a group of so many characters stands for; `None` where no group has so many.
pub(super) const fn octets_in_group(characters: usize) -> Option<usize> {
    match characters {
        5 => Some(3),
        4 => Some(2),
        2 => Some(1),
        _ => None,
    }
}

/// Octets that so many characters stand for; `None` where some are left over.
pub(super) const fn octets_in(characters: usize) -> Option<usize> {
    let whole = characters / 5 * 3;
    match characters % 5 {
        0 => Some(whole),
        rest => match octets_in_group(rest) {
            Some(octets) => Some(whole + octets),
            None => None,
        },
    }
}

/// The octets of one group, which has 5, 4 or 2 values; `None` for any other
/// number of them, or where they stand for more than their octets hold.
pub(super) fn decode_group(values: &[u8]) -> Option<impl Iterator<Item = u8> + use<>> {
    let octets = octets_in_group(values.len())?;
    let number = values.iter().rev().fold(0_u32, |sum, value| sum * 38 + u32::from(*value));
    (number >> (8 * octets) == 0).then(|| number.to_le_bytes().into_iter().take(octets))
}

/// Encodes octets.
pub fn encode(octets: &[u8]) -> String {
    let mut text = String::with_capacity(octets.len().div_ceil(3) * 5);
    for group in octets.chunks(3) {
        let mut number = group.iter().rev().fold(0_u32, |sum, octet| sum << 8 | u32::from(*octet));
        for _ in 0..[0, 2, 4, 5][group.len()] {
            text.push(char::from(ALPHABET[(number % 38) as usize]));
            number /= 38;
        }
    }
    text
}

/// Decodes text; `None` where it is not Base-38 from end to end.
pub fn decode(text: &str) -> Option<Vec<u8>> {
    let values: Vec<u8> = text.chars().map(value).collect::<Option<_>>()?;
    let mut octets = Vec::with_capacity(octets_in(values.len())?);
    for group in values.chunks(5) {
        octets.extend(decode_group(group)?);
    }
    Some(octets)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Edges of each group, computed from Core Spec 5.1.3.1's definition.
    #[test]
    fn edges() {
        for (octets, text) in [
            (&[][..], ""),
            (&[0], "00"),
            (&[10], "A0"),
            (&[0xFF], "R6"),
            (&[0xFF, 0xFF], "NE71"),
            (&[0xFF, 0xFF, 0xFF], "PLS18"),
            (&[0, 0, 0, 1], "0000010"),
        ] {
            assert_eq!(encode(octets), text, "{octets:?}");
            assert_eq!(decode(text).as_deref(), Some(octets), "{text}");
        }
        for text in ["0", "000", "000000", "S6", "OE71", "QLS18", ".....", "a0", "0 ", "０0"] {
            assert_eq!(decode(text), None, "{text}");
        }
    }
}
