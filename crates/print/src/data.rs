//! What stands on one label: the unit's words and codes, by place name.
//!
//! The QR text and the manual code hold the passcode, so they are wiped after
//! use and `Debug` hides them. Nothing here knows how either is made.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt;

use zeroize::Zeroizing;

use crate::error::LabelError;

/// Longest value that a place takes, in characters. A label of the largest size
/// that a template may have can't show more in letters that anybody reads.
pub const LONGEST_VALUE: usize = 256;

/// Longest text that the symbol takes: alphanumeric capacity of version 40-M
/// (ISO/IEC 18004, table 7, from memory).
pub const LONGEST_QR: usize = 3391;

/// The words of the mark on every label of a test product.
pub const TEST_MARK: &str = "TEST – NOT FOR SALE";

/// Place names with a meaning of their own; all others are free values.
pub const PLACES: &[&str] = &["manual", "product", "pid", "serial", "test", "unit", "vendor", "vid"];

/// One unit's label, as strings.
#[derive(Clone, Default)]
pub struct LabelData {
    /// The unit, as the records name it: `{unit}`.
    pub unit: String,
    /// Text of the QR symbol, `MT:…`: the `qr` place.
    pub qr: Zeroizing<String>,
    /// Manual code, 11 or 21 digits, with or without hyphens: `{manual}`, grouped.
    pub manual: Zeroizing<String>,
    /// Serial number: `{serial}`.
    pub serial: String,
    /// Product name: `{product}`.
    pub product: String,
    /// Vendor name: `{vendor}`.
    pub vendor: String,
    /// Vendor id, four upper-case hex digits: `{vid}`.
    pub vid: String,
    /// Product id, four upper-case hex digits: `{pid}`.
    pub pid: String,
    /// A test product: the label must carry [`TEST_MARK`].
    pub test: bool,
    /// Free values by place name.
    pub values: BTreeMap<String, String>,
}

impl fmt::Debug for LabelData {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("LabelData")
            .field("unit", &self.unit)
            .field("qr", &"(hidden)")
            .field("manual", &"(hidden)")
            .field("serial", &self.serial)
            .field("product", &self.product)
            .field("vendor", &self.vendor)
            .field("test", &self.test)
            .finish_non_exhaustive()
    }
}

impl LabelData {
    /// What stands at `{place}`; `None` where this unit has nothing for it.
    ///
    /// `{test}` is [`TEST_MARK`] on a test product and empty otherwise, so it
    /// always has a value.
    pub fn value(&self, place: &str) -> Option<Cow<'_, str>> {
        let plain = match place {
            "unit" => &self.unit,
            "serial" => &self.serial,
            "product" => &self.product,
            "vendor" => &self.vendor,
            "vid" => &self.vid,
            "pid" => &self.pid,
            "manual" => return (!self.manual.is_empty()).then(|| Cow::Owned(grouped(&self.manual))),
            "test" => return Some(Cow::Borrowed(if self.test { TEST_MARK } else { "" })),
            free => return self.values.get(free).filter(|v| !v.is_empty()).map(|v| Cow::Borrowed(v.as_str())),
        };
        (!plain.is_empty()).then_some(Cow::Borrowed(plain.as_str()))
    }

    /// Checks what no template could print.
    ///
    /// # Errors
    ///
    /// [`LabelError::Value`] for a value that is too long or holds a character
    /// without a shape (controls, marks that turn the writing direction);
    /// [`LabelError::NoCode`] without QR text.
    pub fn check(&self) -> Result<(), LabelError> {
        if self.qr.is_empty() {
            return Err(LabelError::NoCode);
        }
        if self.qr.chars().count() > LONGEST_QR {
            return Err(LabelError::Value {
                place: "qr".into(),
                why: format!("is longer than {LONGEST_QR} characters"),
            });
        }
        let named: [(&str, &str); 7] = [
            ("unit", &self.unit),
            ("manual", &self.manual),
            ("serial", &self.serial),
            ("product", &self.product),
            ("vendor", &self.vendor),
            ("vid", &self.vid),
            ("pid", &self.pid),
        ];
        let free = self.values.iter().map(|(name, value)| (name.as_str(), value.as_str()));
        for (place, value) in named.into_iter().chain(free) {
            if value.chars().count() > LONGEST_VALUE {
                let why = format!("is longer than {LONGEST_VALUE} characters");
                return Err(LabelError::Value { place: place.into(), why });
            }
            if let Some(c) = value.chars().find(|c| is_shapeless(*c)) {
                let why = format!("contains the character U+{:04X}, which can't be printed", u32::from(c));
                return Err(LabelError::Value { place: place.into(), why });
            }
        }
        Ok(())
    }
}

/// Controls, and characters that change others instead of standing for themselves.
fn is_shapeless(c: char) -> bool {
    c.is_control()
        || matches!(u32::from(c), 0x200B..=0x200F | 0x2028..=0x202E | 0x2060..=0x206F | 0xFEFF | 0xFFF0..=0xFFFF)
        || (u32::from(c) & 0xFFFE) == 0xFFFE
}

/// A manual code as people read it aloud: 4-3-4, and 4-3-4-5-5 in the long form.
///
/// Anything but 11 or 21 digits comes back as it was.
///
/// ```
/// assert_eq!(print::data::grouped("34970112332"), "3497-011-2332");
/// ```
pub fn grouped(code: &str) -> String {
    let digits: String = code.chars().filter(|c| !matches!(c, '-' | ' ')).collect();
    if !digits.bytes().all(|b| b.is_ascii_digit()) {
        return code.to_owned();
    }
    let groups: &[usize] = match digits.len() {
        11 => &[4, 3, 4],
        21 => &[4, 3, 4, 5, 5],
        _ => return code.to_owned(),
    };
    let mut grouped = String::with_capacity(digits.len() + groups.len());
    let mut rest = digits.as_str();
    for (i, length) in groups.iter().enumerate() {
        let (group, tail) = rest.split_at(*length);
        if i > 0 {
            grouped.push('-');
        }
        grouped.push_str(group);
        rest = tail;
    }
    grouped
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_grouped_as_they_are_read_aloud() {
        assert_eq!(grouped("34970112332"), "3497-011-2332");
        assert_eq!(grouped("3497-011-2332"), "3497-011-2332");
        assert_eq!(grouped("641295075300001000018"), "6412-950-7530-00010-00018");
        assert_eq!(grouped("123"), "123");
        assert_eq!(grouped("３４９７０１１２３３２"), "３４９７０１１２３３２");
    }

    #[test]
    fn debug_hides_the_codes() {
        let data = LabelData {
            qr: Zeroizing::new("MT:SECRET".into()),
            manual: Zeroizing::new("34970112332".into()),
            ..LabelData::default()
        };
        let shown = format!("{data:?}");
        assert!(!shown.contains("SECRET") && !shown.contains("3497"), "{shown}");
    }

    #[test]
    fn values_without_a_shape_are_refused() {
        let good = LabelData { qr: Zeroizing::new("MT:A".into()), ..LabelData::default() };
        assert!(good.check().is_ok());
        for (name, value) in [
            ("bell", "a\u{7}b".to_owned()),
            ("line feed", "a\nb".into()),
            ("C1 control", "\u{85}".into()),
            ("right-to-left override", "a\u{202E}b".into()),
            ("not a character", "\u{FFFF}".into()),
            ("10 kB", "x".repeat(10_000)),
        ] {
            let data = LabelData { serial: value, ..good.clone() };
            assert!(matches!(data.check(), Err(LabelError::Value { .. })), "{name}");
        }
        assert!(matches!(LabelData::default().check(), Err(LabelError::NoCode)));
    }
}
