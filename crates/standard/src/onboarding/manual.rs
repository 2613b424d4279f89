//! Manual codes: digits that an owner types.
//!
//! Covers Core Spec 5.1.4: 11 digits, or 21 with vendor and product, the last
//! of them a check digit ([`super::verhoeff`]).

use std::fmt;

use zeroize::{Zeroize, Zeroizing};

use super::values::Passcode;
use super::verhoeff;
use crate::ids::{ProductId, VendorId};

/// Digits of the short form.
pub(super) const SHORT: usize = 11;
/// Digits of the long form.
pub(super) const LONG: usize = 21;

/// A manual code, 11 or 21 digits. Holds the passcode, so it is wiped when
/// dropped and not shown by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct ManualCode(String);

impl ManualCode {
    /// The code of a short discriminator (0 to 15) and a passcode, with vendor
    /// and product in the long form.
    pub(super) fn new(short: u8, passcode: &Passcode, ids: Option<(VendorId, ProductId)>) -> Self {
        let number = Zeroizing::new(passcode.get());
        let first = (if ids.is_some() { 4 } else { 0 }) + (short >> 2);
        let chunk = u32::from(short & 3) << 14 | *number & 0x3FFF;
        let mut text = format!("{first}{chunk:05}{:04}", *number >> 14);
        if let Some((vendor, product)) = ids {
            text.push_str(&format!("{:05}{:05}", vendor.get(), product.get()));
        }
        let digits: Zeroizing<Vec<u8>> = Zeroizing::new(text.bytes().map(|b| b - b'0').collect());
        text.push(char::from(b'0' + verhoeff::check_digit(&digits)));
        Self(text)
    }

    /// The digits alone.
    pub fn digits(&self) -> &str {
        &self.0
    }

    /// Grouped for print, with hyphens: 4, 3 and 4 digits; 21 digits as 4, 3, 4,
    /// 4, 3 and 3.
    pub fn printed(&self) -> String {
        group(&self.0)
    }

    /// Whether it has 21 digits.
    pub fn is_long(&self) -> bool {
        self.0.len() == LONG
    }
}

impl Drop for ManualCode {
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl fmt::Debug for ManualCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "ManualCode({} digits, hidden)", self.0.len())
    }
}

/// Groups 11 or 21 digits for print; any other text stays as it is.
pub fn group(digits: &str) -> String {
    let sizes: &[usize] = match digits.len() {
        SHORT => &[4, 3, 4],
        LONG => &[4, 3, 4, 4, 3, 3],
        _ => return digits.to_owned(),
    };
    let mut rest = digits;
    let mut groups = Vec::with_capacity(sizes.len());
    for size in sizes {
        let Some((head, tail)) = rest.split_at_checked(*size) else { return digits.to_owned() };
        groups.push(head);
        rest = tail;
    }
    groups.join("-")
}
