//! Vendor and product identifiers.
//!
//! Covers Core Spec 2.5.2 and 2.5.3 as this project needs them: which values
//! are assigned, which are for testing, which no device may carry. How they
//! stand in a certificate's name is [`crate::name`]'s business.

use std::fmt;
use std::str::FromStr;

/// Vendor ID: 16 bits, given out by the alliance.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct VendorId(u16);

/// Product ID: 16 bits, chosen by the vendor.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ProductId(u16);

/// Why a number or a text is no identifier.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum IdError {
    /// Not four hexadecimal digits.
    #[error("{0:?} is not four hexadecimal digits such as FFF2 or 0xFFF2")]
    NotHex(String),
    /// 0x0000 and 0xFFF5 to 0xFFFF are never a device's vendor ID.
    #[error("vendor ID {0:04X} can't be a device's: 0001 to FFF0 are assigned, FFF1 to FFF4 are for testing")]
    VendorRange(u16),
    /// 0x0000 means "not stated" and stands only in an onboarding payload.
    #[error("product ID 0000 means \"not stated\"; a device has 0001 to FFFF")]
    ProductZero,
}

impl VendorId {
    /// A vendor ID that a device may carry.
    ///
    /// # Errors
    ///
    /// [`IdError::VendorRange`] for 0x0000 and 0xFFF5 to 0xFFFF.
    pub const fn new(value: u16) -> Result<Self, IdError> {
        match value {
            0 | 0xFFF5..=0xFFFF => Err(IdError::VendorRange(value)),
            _ => Ok(Self(value)),
        }
    }

    /// The 16-bit value.
    pub const fn get(self) -> u16 {
        self.0
    }

    /// Whether it is one of 0xFFF1 to 0xFFF4, which are for testing only.
    pub const fn is_test(self) -> bool {
        matches!(self.0, 0xFFF1..=0xFFF4)
    }
}

impl ProductId {
    /// A product ID that a device may carry.
    ///
    /// # Errors
    ///
    /// [`IdError::ProductZero`] for 0x0000.
    pub const fn new(value: u16) -> Result<Self, IdError> {
        if value == 0 { Err(IdError::ProductZero) } else { Ok(Self(value)) }
    }

    /// The 16-bit value.
    pub const fn get(self) -> u16 {
        self.0
    }
}

/// Reads what a person types: `FFF2` or `0xFFF2`, case as they like.
fn typed(text: &str) -> Result<u16, IdError> {
    let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")).unwrap_or(text);
    if digits.len() != 4 || !digits.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(IdError::NotHex(text.chars().take(40).collect()));
    }
    u16::from_str_radix(digits, 16).map_err(|_| IdError::NotHex(text.to_owned()))
}

impl FromStr for VendorId {
    type Err = IdError;
    fn from_str(text: &str) -> Result<Self, IdError> {
        Self::new(typed(text)?)
    }
}

impl FromStr for ProductId {
    type Err = IdError;
    fn from_str(text: &str) -> Result<Self, IdError> {
        Self::new(typed(text)?)
    }
}

macro_rules! shown_in_hex {
    ($($type:ident),*) => {$(
        impl fmt::Display for $type {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{:04X}", self.0)
            }
        }
        impl fmt::Debug for $type {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($type), "({:04X})"), self.0)
            }
        }
    )*};
}
shown_in_hex!(VendorId, ProductId);

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: STANDARD.md 1 (Core Spec 2.5.2, from memory).
    #[test]
    fn vendor_ranges() {
        for (value, allowed, test) in [
            (0x0000, false, false),
            (0x0001, true, false),
            (0xFFF0, true, false),
            (0xFFF1, true, true),
            (0xFFF4, true, true),
            (0xFFF5, false, false),
            (0xFFFF, false, false),
        ] {
            let read = VendorId::new(value);
            assert_eq!(read.is_ok(), allowed, "{value:04X}");
            assert_eq!(read.is_ok_and(VendorId::is_test), test, "{value:04X}");
        }
    }

    #[test]
    fn typed_forms() {
        for text in ["FFF2", "0xFFF2", "0xfff2", "fff2"] {
            assert_eq!(text.parse::<VendorId>().map(VendorId::get), Ok(0xFFF2), "{text}");
        }
        for text in ["", "FF2", "0xFF2", "FFF2 ", "+FF2", "65522", "0x0x", "ＦＦＦ２"] {
            assert!(text.parse::<VendorId>().is_err(), "{text}");
        }
        assert_eq!("0000".parse::<ProductId>(), Err(IdError::ProductZero));
    }
}
