//! The values in a payload, each valid by construction.
//!
//! Covers Core Spec 5.1.1.3 to 5.1.1.6 and 5.1.7. What a person types is read
//! by `FromStr`; an error names the rule that it breaks, never the passcode.

use std::fmt;
use std::str::FromStr;

use zeroize::{Zeroize, Zeroizing};

use crate::verdict::Rule;
use crate::verdict::catalogue::code;

/// The passcode of one device: 1 to 99999998 and not one that anybody guesses.
///
/// A secret: wiped when dropped, and not shown by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct Passcode(u32);

/// The largest passcode (Core Spec 5.1.7).
const PASSCODE_MAX: u32 = 99_999_998;

/// 12345678 and 87654321, beside those of one digit eight times over.
const PASSCODE_RUNS: [u32; 2] = [12_345_678, 87_654_321];

/// Why a value may not stand in a payload.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ValueError {
    /// Not a decimal number of at most eight digits.
    #[error("the passcode is not a number of at most eight decimal digits")]
    PasscodeText,
    /// 0, or above 99999998.
    #[error("the passcode is out of range: 1 to 99999998")]
    PasscodeRange,
    /// One digit eight times over, 12345678 or 87654321.
    #[error("the passcode is one that no device may have: one digit eight times over, 12345678 and 87654321")]
    PasscodeForbidden,
    /// Above 4095, or no number.
    #[error("discriminator {0:?} is not a number of 0 to 4095")]
    Discriminator(String),
    /// No flow has this name.
    #[error("flow {0:?} is not one of standard, user-intent, custom")]
    Flow(String),
    /// No way to reach a device has this name.
    #[error("reach {0:?} is not one of soft-ap, ble, ip, wifi-paf, nfc")]
    Reach(String),
    /// Nothing in the list.
    #[error("no way to reach the device is named, of soft-ap, ble, ip, wifi-paf, nfc")]
    ReachEmpty,
}

impl ValueError {
    /// The rule that the value breaks.
    pub fn rule(&self) -> &'static Rule {
        match self {
            Self::PasscodeText | Self::PasscodeRange | Self::PasscodeForbidden => code::PASSCODE,
            Self::Discriminator(_) => code::DISCRIMINATOR,
            Self::Flow(_) => code::FLOW,
            Self::Reach(_) | Self::ReachEmpty => code::REACH,
        }
    }
}

impl Passcode {
    /// Takes a passcode that a device may have.
    ///
    /// # Errors
    ///
    /// [`ValueError::PasscodeRange`] and [`ValueError::PasscodeForbidden`] (Core Spec 5.1.7).
    pub fn new(value: u32) -> Result<Self, ValueError> {
        match value {
            0 | 99_999_999.. => Err(ValueError::PasscodeRange),
            _ if value.is_multiple_of(11_111_111) || PASSCODE_RUNS.contains(&value) => {
                Err(ValueError::PasscodeForbidden)
            }
            1..=PASSCODE_MAX => Ok(Self(value)),
        }
    }

    /// The number.
    pub fn get(&self) -> u32 {
        self.0
    }

    /// The password of Core Spec 3.10: four octets, little-endian.
    pub fn password(&self) -> Zeroizing<[u8; 4]> {
        Zeroizing::new(self.0.to_le_bytes())
    }
}

impl Drop for Passcode {
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl fmt::Debug for Passcode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Passcode(hidden)")
    }
}

impl FromStr for Passcode {
    type Err = ValueError;
    fn from_str(text: &str) -> Result<Self, ValueError> {
        if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
            return Err(ValueError::PasscodeText);
        }
        // Digits alone that do not fit are a number out of range.
        Self::new(text.parse().map_err(|_| ValueError::PasscodeRange)?)
    }
}

/// Twelve bits by which a phone finds the device; not a secret.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Discriminator(u16);

impl Discriminator {
    /// How many there are.
    pub const COUNT: u16 = 1 << 12;

    /// Takes a discriminator.
    ///
    /// # Errors
    ///
    /// [`ValueError::Discriminator`] above 4095.
    pub fn new(value: u16) -> Result<Self, ValueError> {
        if value < Self::COUNT { Ok(Self(value)) } else { Err(ValueError::Discriminator(value.to_string())) }
    }

    /// The number, 0 to 4095.
    pub const fn get(self) -> u16 {
        self.0
    }

    /// The high four bits, all that a manual code tells.
    pub const fn short(self) -> u8 {
        (self.0 >> 8) as u8
    }
}

impl fmt::Display for Discriminator {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl FromStr for Discriminator {
    type Err = ValueError;
    fn from_str(text: &str) -> Result<Self, ValueError> {
        let refused = || ValueError::Discriminator(text.chars().take(20).collect());
        let hex = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
        let (digits, radix) = hex.map_or((text, 10), |digits| (digits, 16));
        if !digits.chars().all(|c| c.is_digit(radix)) {
            return Err(refused()); // A sign, which the number's own reader would take
        }
        Self::new(u16::from_str_radix(digits, radix).map_err(|_| refused())?).map_err(|_| refused())
    }
}

/// What the owner has to do before commissioning (Core Spec 5.1.1.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Flow {
    /// Power on; nothing else.
    Standard,
    /// Something on the device itself, such as a button.
    UserIntent,
    /// Something that the vendor explains.
    Custom,
}

impl Flow {
    const ALL: [Self; 3] = [Self::Standard, Self::UserIntent, Self::Custom];

    /// The flow of this number; 3 is reserved.
    pub fn from_bits(bits: u8) -> Option<Self> {
        Self::ALL.get(usize::from(bits)).copied()
    }

    /// The number, 0 to 2.
    pub const fn bits(self) -> u8 {
        self as u8
    }

    /// The word on the command line and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Standard => "standard",
            Self::UserIntent => "user-intent",
            Self::Custom => "custom",
        }
    }
}

impl fmt::Display for Flow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

impl FromStr for Flow {
    type Err = ValueError;
    fn from_str(text: &str) -> Result<Self, ValueError> {
        Self::ALL
            .into_iter()
            .find(|flow| flow.word() == text)
            .ok_or_else(|| ValueError::Flow(text.chars().take(20).collect()))
    }
}

/// The ways in which a phone finds the device (Core Spec 5.1.1.4), as a set of bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Reach(u8);

impl Reach {
    /// Bit by bit, from the lowest.
    const WORDS: [&str; 5] = ["soft-ap", "ble", "ip", "wifi-paf", "nfc"];

    /// Bits that are given out.
    pub const KNOWN: u8 = 0b1_1111;

    /// Takes a set of bits; `None` where a reserved one is set.
    pub const fn from_bits(bits: u8) -> Option<Self> {
        if bits & !Self::KNOWN == 0 { Some(Self(bits)) } else { None }
    }

    /// The bits.
    pub const fn bits(self) -> u8 {
        self.0
    }

    /// What to know before codes with these bits are made: bit 0, the soft access point, is reserved
    /// in the released versions of the standard (from memory).
    pub const fn warning(self) -> Option<&'static str> {
        if self.0 & 1 == 0 {
            return None;
        }
        Some(
            "soft-ap is reserved in the released versions of the standard, and phones do not look for such a device. \
             Use ble, ip, wifi-paf or nfc.",
        )
    }

    /// The words of the ways that `bits` names, from the lowest bit; reserved bits have none.
    pub fn words_of(bits: u8) -> impl Iterator<Item = &'static str> {
        Self::WORDS.into_iter().enumerate().filter(move |(bit, _)| bits >> bit & 1 == 1).map(|(_, word)| word)
    }
}

impl FromStr for Reach {
    type Err = ValueError;
    /// Comma-separated words, as `ble,ip`; in any order, twice does no harm.
    fn from_str(text: &str) -> Result<Self, ValueError> {
        let words: Vec<&str> = text.split(',').map(str::trim).filter(|word| !word.is_empty()).collect();
        if words.is_empty() {
            return Err(ValueError::ReachEmpty);
        }
        words.into_iter().try_fold(Self(0), |reach, word| {
            let bit = Self::WORDS.iter().position(|known| *known == word);
            let bit = bit.ok_or_else(|| ValueError::Reach(word.chars().take(20).collect()))?;
            Ok(Self(reach.0 | 1 << bit))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Core Spec 5.1.7, from memory.
    #[test]
    fn forbidden_passcodes() {
        let mut forbidden: Vec<u32> = (1..=8).map(|digit| digit * 11_111_111).collect();
        forbidden.extend([12_345_678, 87_654_321]);
        for value in forbidden {
            assert_eq!(Passcode::new(value), Err(ValueError::PasscodeForbidden), "{value}");
        }
        for value in [0, 99_999_999, 100_000_000, u32::MAX] {
            assert_eq!(Passcode::new(value), Err(ValueError::PasscodeRange), "{value}");
        }
        for value in [1, 99_999_998, 20_202_021, 11_111_110, 11_111_112, 12_345_679, 1_111_111] {
            assert_eq!(Passcode::new(value).map(|p| p.get()), Ok(value));
        }
    }

    #[test]
    fn typed_passcodes() {
        assert_eq!("00000001".parse::<Passcode>().map(|p| p.get()), Ok(1));
        for text in ["", "-1", "+1", "1 ", "2020202l", "２"] {
            assert_eq!(text.parse::<Passcode>(), Err(ValueError::PasscodeText), "{text}");
        }
        for text in ["0", "99999999", "99999999999999999999"] {
            assert_eq!(text.parse::<Passcode>(), Err(ValueError::PasscodeRange), "{text}");
        }
        assert_eq!(format!("{:?}", Passcode::new(20_202_021)), "Ok(Passcode(hidden))");
    }

    #[test]
    fn typed_values() {
        for (text, value) in [("0", Some(0)), ("4095", Some(4095)), ("0xF00", Some(3840)), ("4096", None)] {
            assert_eq!(text.parse::<Discriminator>().ok().map(Discriminator::get), value, "{text}");
        }
        for text in ["", "0x", "-1", "+1", "65536", "F00"] {
            assert!(text.parse::<Discriminator>().is_err(), "{text}");
        }
        assert_eq!("nfc, ble,ble".parse::<Reach>().map(Reach::bits), Ok(0b1_0010));
        assert_eq!(Reach::words_of(0b1111_1010).collect::<Vec<_>>(), ["ble", "wifi-paf", "nfc"]);
        assert_eq!(" , ".parse::<Reach>(), Err(ValueError::ReachEmpty));
        assert!("bluetooth".parse::<Reach>().is_err());
        assert_eq!("user-intent".parse(), Ok(Flow::UserIntent));
        assert!("Standard".parse::<Flow>().is_err());
    }
}
