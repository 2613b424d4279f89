//! The names by which things stand in the book.
//!
//! Each is a newtype, so that a reel is never taken for a delivery. All are
//! bounded and printable: they stand on labels, in messages and in file names.

use std::fmt;
use std::str::FromStr;

/// Why a text is no identifier.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text:?} is not a valid {what}: {why}")]
pub struct IdError {
    /// What it should have been.
    pub what: &'static str,
    /// The text, cut at 60 characters.
    pub text: String,
    /// What is wrong with it.
    pub why: &'static str,
}

/// Longest name in octets; file names of common systems hold 255, and a name
/// is only part of one.
const NAME_OCTETS: usize = 100;
/// Longest chip id or serial number in characters; a scanner's line still holds it.
const CODE_CHARACTERS: usize = 64;

fn refused(what: &'static str, text: &str, why: &'static str) -> IdError {
    IdError { what, text: text.chars().take(60).collect(), why }
}

/// A character with which one name can look like another: directional formatting (UAX #9 §2) and what has no width.
fn turns(c: char) -> bool {
    matches!(c, '\u{61C}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}')
}

/// A name that people choose: any printable text.
fn name(what: &'static str, text: &str) -> Result<String, IdError> {
    let why = if text.is_empty() {
        "it is empty"
    } else if text.len() > NAME_OCTETS {
        "it is longer than 100 bytes"
    } else if text.trim() != text {
        "it begins or ends with a space"
    } else if text.chars().any(char::is_control) {
        "it has a control character"
    } else if text.chars().any(turns) {
        "it has a character that changes the direction of writing or takes no room"
    } else {
        return Ok(text.to_owned());
    };
    Err(refused(what, text, why))
}

/// A chip id: hex digits, kept and shown in upper case.
fn hex_digits(what: &'static str, text: &str) -> Result<String, IdError> {
    let why = if text.is_empty() {
        "it is empty"
    } else if text.len() > CODE_CHARACTERS {
        "it has more than 64 digits"
    } else if !text.bytes().all(|b| b.is_ascii_hexdigit()) {
        "a chip id has hex digits only"
    } else {
        return Ok(text.to_ascii_uppercase());
    };
    Err(refused(what, text, why))
}

/// A unit's serial number: it names a folder and stands in a bar code.
fn code(what: &'static str, text: &str) -> Result<String, IdError> {
    let allowed = |b: u8| b.is_ascii_alphanumeric() || b"-_.:+#=@".contains(&b);
    let why = if text.is_empty() {
        "it is empty"
    } else if text.len() > CODE_CHARACTERS {
        "it has more than 64 characters"
    } else if !text.bytes().all(allowed) {
        "a serial number has letters, digits and - _ . : + # = @ only"
    } else if !text.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric()) {
        "a serial number begins with a letter or a digit"
    } else {
        return Ok(text.to_owned());
    };
    Err(refused(what, text, why))
}

macro_rules! text_ids {
    ($($(#[$doc:meta])* $name:ident, $what:literal, $check:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
        #[serde(transparent)]
        pub struct $name(String);

        impl $name {
            /// Takes a text as it was typed, scanned or read from a file.
            ///
            /// # Errors
            ///
            /// [`IdError`] says what is wrong with it.
            pub fn new(text: &str) -> Result<Self, IdError> {
                $check($what, text).map(Self)
            }

            /// The text as it stands in the book.
            pub fn as_str(&self) -> &str {
                &self.0
            }

            /// Takes a text that the book itself gave back.
            #[allow(dead_code, reason = "not every name is read back")]
            pub(crate) fn kept(text: String) -> Self {
                Self(text)
            }
        }

        impl FromStr for $name {
            type Err = IdError;
            fn from_str(text: &str) -> Result<Self, IdError> {
                Self::new(text)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($name), "({})"), self.0)
            }
        }
    )*};
}

text_ids! {
    /// A site, for as long as it lives.
    SiteId, "site id", name;
    /// A product.
    ProductName, "product name", name;
    /// An authority, PAA or PAI.
    AuthorityName, "authority name", name;
    /// A declaration.
    DeclarationName, "declaration name", name;
    /// A reel.
    ReelId, "reel id", name;
    /// A delivery.
    DeliveryId, "delivery id", name;
    /// A trust set.
    TrustSetName, "trust set", name;
    /// A station.
    StationName, "station name", name;
    /// Whoever acts: a person, or a program in a person's name.
    Actor, "actor", name;
    /// A panel of boards.
    PanelName, "panel name", name;
    /// A carton, a pallet or a shipment.
    PackName, "name of a carton, pallet or shipment", name;
    /// A version of a product's firmware, as its makers write it: any printable text.
    FirmwareVersion, "firmware version", name;
    /// A chip: hex digits in upper case.
    ChipId, "chip id", hex_digits;
    /// A unit, by its serial number.
    UnitSerial, "serial number", code;
}

impl Actor {
    /// Whether two names are one person's: letter case and white space tell nobody apart.
    pub fn is_same_person(&self, other: &Self) -> bool {
        folded(&self.0) == folded(&other.0)
    }
}

/// Text without white space, its case folded as Unicode does (each character to upper and then to lower case, so that
/// `ß` is `SS` and both sigmas are one).
fn folded(text: &str) -> String {
    let letters = text.chars().filter(|c| !c.is_whitespace());
    letters.flat_map(char::to_uppercase).flat_map(char::to_lowercase).collect()
}

/// Which attempt of a unit; the first is 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(transparent)]
pub struct AttemptNumber(pub i64);

impl fmt::Display for AttemptNumber {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

/// An entry's place in the log, which is its leaf's index in the tree; the first is 0.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(transparent)]
pub struct Sequence(pub i64);

impl fmt::Display for Sequence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_differ_in_case_or_blanks_are_one_person() {
        let name = |text| Actor::new(text).expect("a name");
        for other in ["ada stone", "ADA STONE", "AdaStone", "Ada  Stone", "Ada\u{a0}Stone"] {
            assert!(name("Ada Stone").is_same_person(&name(other)), "{other}");
        }
        assert!(name("Strauß").is_same_person(&name("STRAUSS")));
        assert!(name("Νίκος").is_same_person(&name("ΝΊΚΟΣ")));
        assert!(!name("Ada Stone").is_same_person(&name("Ada Stones")));
    }

    #[test]
    fn what_is_taken_and_what_is_not() {
        assert_eq!(ChipId::new("00ab12").expect("hex").as_str(), "00AB12");
        assert!(ReelId::new("REEL A/2026").is_ok());
        assert!(UnitSerial::new("TV-000001").is_ok());
        for text in ["", "a/b", "../x", ".x", "-x", "a b", "é", &"x".repeat(65)] {
            assert!(UnitSerial::new(text).is_err(), "{text}");
        }
        for text in ["", "xyz", "0x12", &"0".repeat(65)] {
            assert!(ChipId::new(text).is_err(), "{text}");
        }
        for text in ["", " a", "a ", "a\nb", &"x".repeat(101)] {
            assert!(ReelId::new(text).is_err(), "{text:?}");
        }
    }
}
