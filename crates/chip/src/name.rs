//! Names: of a chip, and of the objects that it holds.

use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

/// A chip's id: 1 to 64 hexadecimal digits, kept and shown in upper case.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ChipId(String);

/// Why a text is no name.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NameError {
    /// Not 1 to 64 hexadecimal digits.
    #[error("{0:?} is not a chip id, which has 1 to 64 hexadecimal digits")]
    ChipId(String),
    /// Not 1 to 32 of a-z, 0-9 and hyphen, beginning with a letter.
    #[error(
        "{0:?} is not an object name, which has 1 to 32 characters of a-z, 0-9 and hyphen and begins with a letter"
    )]
    Object(String),
}

impl ChipId {
    /// The most digits.
    pub const LONGEST: usize = 64;

    /// Takes hexadecimal digits in any case.
    ///
    /// # Errors
    ///
    /// [`NameError::ChipId`] for anything else, blanks included.
    pub fn new(digits: &str) -> Result<Self, NameError> {
        if (1..=Self::LONGEST).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_hexdigit()) {
            Ok(Self(digits.to_ascii_uppercase()))
        } else {
            Err(NameError::ChipId(digits.chars().take(80).collect()))
        }
    }

    /// The digits, upper case.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// In groups of four, as people read it aloud: `514C 0417 0836 025A 3D`.
    pub fn grouped(&self) -> String {
        let mut text = String::with_capacity(self.0.len() * 5 / 4);
        for (n, digit) in self.0.chars().enumerate() {
            if n > 0 && n % 4 == 0 {
                text.push(' ');
            }
            text.push(digit);
        }
        text
    }
}

impl FromStr for ChipId {
    type Err = NameError;
    fn from_str(text: &str) -> Result<Self, NameError> {
        Self::new(text)
    }
}

impl fmt::Display for ChipId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for ChipId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ChipId({})", self.0)
    }
}

/// What an object in a chip is called. Four are fixed; a product may have more
/// (a trust anchor, an access key, a settings blob).
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ObjectName(Cow<'static, str>);

impl ObjectName {
    /// The device attestation certificate, DER.
    pub const DAC: Self = Self(Cow::Borrowed("dac"));
    /// The product attestation intermediate's certificate, DER.
    pub const PAI: Self = Self(Cow::Borrowed("pai"));
    /// The certification declaration, DER.
    pub const DECLARATION: Self = Self(Cow::Borrowed("declaration"));
    /// The unit's factory record, CBOR.
    pub const FACTORY_RECORD: Self = Self(Cow::Borrowed("factory-record"));
    /// The most characters.
    pub const LONGEST: usize = 32;

    /// Takes 1 to 32 of `a-z`, `0-9` and hyphen, beginning with a letter.
    ///
    /// # Errors
    ///
    /// [`NameError::Object`] for anything else.
    pub fn new(name: &str) -> Result<Self, NameError> {
        let fits = (1..=Self::LONGEST).contains(&name.len())
            && name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
            && name.as_bytes()[0].is_ascii_lowercase();
        if fits {
            Ok(Self(Cow::Owned(name.to_owned())))
        } else {
            Err(NameError::Object(name.chars().take(80).collect()))
        }
    }

    /// The name.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for ObjectName {
    type Err = NameError;
    fn from_str(text: &str) -> Result<Self, NameError> {
        Self::new(text)
    }
}

impl fmt::Display for ObjectName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for ObjectName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ObjectName({})", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chip_ids_are_upper_case_hex() {
        for (typed, kept) in [("514c04170836025a3d", "514C04170836025A3D"), ("A", "A"), ("0x", "")] {
            match ChipId::new(typed) {
                Ok(id) => assert_eq!(id.as_str(), kept),
                Err(_) => assert!(kept.is_empty(), "{typed}"),
            }
        }
        for typed in ["", "514C 0417", "../../etc", "５１４Ｃ", "g", &"A".repeat(65)] {
            assert!(ChipId::new(typed).is_err(), "{typed}");
        }
        assert_eq!(ChipId::new("514C04170836025A3D").unwrap().grouped(), "514C 0417 0836 025A 3D");
        assert_eq!(ChipId::new("514C0417").unwrap().grouped(), "514C 0417");
    }

    #[test]
    fn object_names() {
        for name in [ObjectName::DAC, ObjectName::PAI, ObjectName::DECLARATION, ObjectName::FACTORY_RECORD] {
            assert_eq!(ObjectName::new(name.as_str()), Ok(name));
        }
        for name in ["", "DAC", "-dac", "1st", "dac.der", "a/b", "a b", &"a".repeat(33)] {
            assert!(ObjectName::new(name).is_err(), "{name}");
        }
    }
}
