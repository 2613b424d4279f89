//! Optional data of a QR payload, as people type it and as it is shown.

use std::collections::BTreeMap;

use serde::Serialize;
use standard::onboarding::{OptionalData, Plain};

/// Optional data as typed; what is `None` is left out.
#[derive(Debug, Clone, Copy, Default)]
pub struct TypedOptional<'a> {
    pub serial_number: Option<&'a str>,
    /// Serial number as an unsigned integer, in the place of a text.
    pub serial_integer: Option<&'a str>,
    pub iterations: Option<&'a str>,
    pub salt: Option<&'a str>,
    /// How many devices the payload stands for.
    pub devices: Option<&'a str>,
    pub timeout: Option<&'a str>,
    /// The maker's own values: `0x80=text`, `0x81=42`, `0x82=text:42`.
    pub maker: &'a [String],
}

/// Optional data that is not as it is typed.
#[derive(Debug, thiserror::Error)]
pub enum OptionalError {
    /// Not a number.
    #[error("{what} is not a whole number of 0 or more")]
    Number { what: &'static str },
    /// Not hex.
    #[error("the salt is not hex: {0}")]
    Salt(hex::FromHexError),
    /// Not a tag and a value.
    #[error("maker's value {number} is not a tag of 0x80 to 0xFF, then =, then a value")]
    Maker {
        /// Counted from 1.
        number: usize,
    },
    /// A tag given twice.
    #[error("the maker's tag 0x{0:02X} is given twice")]
    Twice(u8),
}

impl OptionalError {
    pub(super) const fn advice(&self) -> &'static str {
        match self {
            Self::Number { .. } => "Give decimal digits, or hex digits after 0x.",
            Self::Salt(_) => "Give 16 to 32 bytes as hex digits.",
            Self::Maker { .. } => "Give it as 0x80=some text or 0x81=42; 0x82=text:42 makes digits a text.",
            Self::Twice(_) => "Give each tag once.",
        }
    }
}

impl TypedOptional<'_> {
    /// What is typed, by name; bounds are judged when it is written.
    pub(super) fn read(&self) -> Result<OptionalData, OptionalError> {
        let mut maker = BTreeMap::new();
        for (index, typed) in self.maker.iter().enumerate() {
            let (tag, value) = maker_value(typed).ok_or(OptionalError::Maker { number: index + 1 })?;
            if maker.insert(tag, value).is_some() {
                return Err(OptionalError::Twice(tag));
            }
        }
        Ok(OptionalData {
            serial_number: match (self.serial_number, number(self.serial_integer, "the serial number")?) {
                (Some(text), _) => Some(Plain::Text(text.to_owned())),
                (None, integer) => integer.map(|number| Plain::Number(number.into())),
            },
            iterations: number(self.iterations, "the iteration count")?,
            salt: self.salt.map(hex::decode).transpose().map_err(OptionalError::Salt)?,
            devices: number(self.devices, "the number of devices")?,
            timeout: number(self.timeout, "the timeout")?,
            maker,
        })
    }
}

/// A number, decimal or `0x` and hex digits, without a sign.
fn number(typed: Option<&str>, what: &'static str) -> Result<Option<u64>, OptionalError> {
    let Some(typed) = typed else { return Ok(None) };
    let hex = typed.strip_prefix("0x").or_else(|| typed.strip_prefix("0X"));
    let (digits, radix) = hex.map_or((typed, 10), |digits| (digits, 16));
    let plain = digits.chars().all(|c| c.is_digit(radix));
    let number = u64::from_str_radix(digits, radix).ok().filter(|_| plain);
    number.map(Some).ok_or(OptionalError::Number { what })
}

/// `0x80=value`: decimal digits are an integer, anything else and all that follows `text:` is text.
fn maker_value(typed: &str) -> Option<(u8, Plain)> {
    let (tag, value) = typed.split_once('=')?;
    let tag = number(Some(tag), "").ok()??;
    let tag = u8::try_from(tag).ok().filter(|tag| *tag >= 0x80)?;
    let digits = value.strip_prefix('-').unwrap_or(value);
    let value = match value.strip_prefix("text:") {
        Some(text) => Plain::Text(text.to_owned()),
        None if !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()) => {
            Plain::Number(value.parse::<u64>().map(i128::from).or_else(|_| value.parse::<i64>().map(i128::from)).ok()?)
        }
        None => Plain::Text(value.to_owned()),
    };
    Some((tag, value))
}

/// A text or an integer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(untagged)]
pub enum PlainView {
    /// Text.
    Text(String),
    /// Integer.
    Number(i128),
}

impl PlainView {
    fn of(plain: &Plain) -> Self {
        match plain {
            Plain::Text(text) => Self::Text(text.clone()),
            Plain::Number(number) => Self::Number(*number),
        }
    }
}

impl std::fmt::Display for PlainView {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Text(text) => f.write_str(text),
            Self::Number(number) => number.fmt(f),
        }
    }
}

/// Optional data by name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct OptionalView {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial_number: Option<PlainView>,
    /// Iteration count of the passcode verifier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub iterations: Option<u64>,
    /// Salt of the passcode verifier in hex.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub salt: Option<String>,
    /// How many devices the payload stands for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub devices: Option<u64>,
    /// How long the device can be commissioned, seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timeout: Option<u64>,
    /// The maker's own values, by tags as `0x80`.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub maker_tags: BTreeMap<String, PlainView>,
}

impl OptionalView {
    pub(super) fn of(data: &OptionalData) -> Self {
        Self {
            serial_number: data.serial_number.as_ref().map(PlainView::of),
            iterations: data.iterations,
            salt: data.salt.as_ref().map(hex::encode),
            devices: data.devices,
            timeout: data.timeout,
            maker_tags: data.maker.iter().map(|(tag, value)| (format!("0x{tag:02X}"), PlainView::of(value))).collect(),
        }
    }

    /// Names and values as people read them.
    pub fn rows(&self) -> Vec<(String, String)> {
        let row = |name: &str, value: Option<String>| value.map(|value| (name.to_owned(), value));
        let own = self.maker_tags.iter().map(|(tag, value)| Some((format!("maker's tag {tag}"), value.to_string())));
        [
            row("serial number", self.serial_number.as_ref().map(ToString::to_string)),
            row("iterations", self.iterations.map(|n| n.to_string())),
            row("salt", self.salt.clone()),
            row("devices", self.devices.map(|n| n.to_string())),
            row("timeout", self.timeout.map(|n| format!("{n} s"))),
        ]
        .into_iter()
        .chain(own)
        .flatten()
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn makers_values_as_they_are_typed() {
        let text = |text: &str| Some(Plain::Text(text.into()));
        for (typed, tag, value) in [
            ("0x80=batch 7", 0x80, text("batch 7")),
            ("128=", 0x80, text("")),
            ("0xFF=42", 0xFF, Some(Plain::Number(42))),
            ("0x81=-42", 0x81, Some(Plain::Number(-42))),
            ("0x81=18446744073709551615", 0x81, Some(Plain::Number(u64::MAX.into()))),
            ("0x82=text:42", 0x82, text("42")),
            ("0x82=a=b", 0x82, text("a=b")),
            ("0x81=18446744073709551616", 0x81, None),
            ("0x7F=1", 0x7F, None),
            ("0x100=1", 0, None),
            ("80", 0, None),
            ("+128=1", 0, None),
        ] {
            assert_eq!(maker_value(typed), value.map(|value| (tag, value)), "{typed}");
        }
    }
}
