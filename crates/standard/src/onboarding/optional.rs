//! Optional data of a QR payload: named values after its eleven octets.
//!
//! Covers Core Spec 5.1.5, whose tags and bounds stand here from memory: one TLV
//! structure without a tag. Context tags 0x00 to 0x04 have a meaning of their
//! own, 0x80 to 0xFF are the maker's, and those between are kept for later
//! releases. Reading gives every value that can be read and a fault for each
//! that is not as it must be; writing refuses what reading would call an error.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::RangeInclusive;

use crate::passcode_verifier::{Iterations, Salt};
use crate::tlv::{Container, Reader, Tag, TlvError, Value, Writer};
use crate::verdict::Severity;

const SERIAL_NUMBER: u8 = 0x00;
const ITERATIONS: u8 = 0x01;
const SALT: u8 = 0x02;
const DEVICES: u8 = 0x03;
const TIMEOUT: u8 = 0x04;

/// Longest serial number, octets of UTF-8.
const LONGEST_SERIAL: usize = 32;

/// A value with a name of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Named {
    /// Serial number.
    SerialNumber,
    /// Iteration count of the passcode verifier.
    Iterations,
    /// Salt of the passcode verifier.
    Salt,
    /// How many devices the payload stands for.
    Devices,
    /// How long the device can be commissioned.
    Timeout,
}

impl Named {
    const ALL: [Self; 5] = [Self::SerialNumber, Self::Iterations, Self::Salt, Self::Devices, Self::Timeout];

    const fn tag(self) -> u8 {
        match self {
            Self::SerialNumber => SERIAL_NUMBER,
            Self::Iterations => ITERATIONS,
            Self::Salt => SALT,
            Self::Devices => DEVICES,
            Self::Timeout => TIMEOUT,
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::SerialNumber => "the serial number",
            Self::Iterations => "the iteration count",
            Self::Salt => "the salt",
            Self::Devices => "the number of devices",
            Self::Timeout => "the commissioning timeout",
        }
    }

    /// Bounds of a number, or of a text's or octet string's length.
    const fn bounds(self) -> RangeInclusive<u64> {
        match self {
            Self::SerialNumber => 1..=LONGEST_SERIAL as u64,
            Self::Iterations => Iterations::MIN as u64..=Iterations::MAX as u64,
            Self::Salt => Salt::MIN as u64..=Salt::MAX as u64,
            Self::Devices => 1..=u8::MAX as u64,
            Self::Timeout => 1..=u16::MAX as u64,
        }
    }

    const fn kind(self) -> &'static str {
        match self {
            Self::SerialNumber => "a UTF-8 string or an unsigned integer",
            Self::Salt => "an octet string",
            _ => "an unsigned integer",
        }
    }
}

impl fmt::Display for Named {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

/// A serial number or a maker's own value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Plain {
    /// UTF-8 string.
    Text(String),
    /// Integer of 64 bits, signed or not.
    Number(i128),
}

impl Plain {
    fn of(value: Value<'_>) -> Option<Self> {
        match value {
            Value::Utf8(text) => Some(Self::Text(text.to_owned())),
            Value::Unsigned(number) => Some(Self::Number(number.into())),
            Value::Signed(number) => Some(Self::Number(number.into())),
            _ => None,
        }
    }

    fn write(&self, writer: &mut Writer, tag: u8) -> Result<(), OptionalFault> {
        let tag_of = Tag::Context(tag);
        match self {
            Self::Text(text) => writer.utf8(tag_of, text),
            Self::Number(number) => match (u64::try_from(*number), i64::try_from(*number)) {
                (Ok(unsigned), _) => writer.unsigned(tag_of, unsigned),
                (Err(_), Ok(signed)) => writer.signed(tag_of, signed),
                (Err(_), Err(_)) => return Err(OptionalFault::TooWide(tag)),
            },
        };
        Ok(())
    }
}

/// What may stand after the eleven octets; empty for nothing. Values read from
/// outside may be out of bounds: then there is a fault for each.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct OptionalData {
    /// Serial number: 1 to 32 octets of UTF-8, or an unsigned integer.
    pub serial_number: Option<Plain>,
    /// Iteration count of the passcode verifier, 1,000 to 100,000.
    pub iterations: Option<u64>,
    /// Salt of the passcode verifier, 16 to 32 octets.
    pub salt: Option<Vec<u8>>,
    /// How many devices the payload stands for, 1 to 255.
    pub devices: Option<u64>,
    /// How long the device can be commissioned, seconds, 1 to 65,535.
    pub timeout: Option<u64>,
    /// The maker's own values by their tags, 0x80 to 0xFF.
    pub maker: BTreeMap<u8, Plain>,
}

/// What is wrong with optional data.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OptionalFault {
    /// A number that the value can't have.
    #[error("{name} is {found}; it must be {} to {}", .name.bounds().start(), .name.bounds().end())]
    Number { name: Named, found: u64 },
    /// Too short or too long.
    #[error("{name} has {found} bytes; it must have {} to {}", .name.bounds().start(), .name.bounds().end())]
    Length { name: Named, found: u64 },
    /// Another kind of element than the value has.
    #[error("{name} is {found}; it must be {}", .name.kind())]
    Kind { name: Named, found: &'static str },
    /// One tag for two values.
    #[error("tag 0x{0:02X} is there twice")]
    Twice(u8),
    /// A tag below 0x80 where the maker's own was meant.
    #[error("tag 0x{0:02X} is not one of the maker's own, 0x80 to 0xFF")]
    NotMakers(u8),
    /// A number beyond 64 bits.
    #[error("the value of tag 0x{0:02X} does not fit 64 bits")]
    TooWide(u8),
    /// A maker's value that is neither text nor a whole number.
    #[error("the maker's tag 0x{tag:02X} holds {found}, not a UTF-8 string or an integer")]
    MakerKind { tag: u8, found: &'static str },
    /// An element that no clause names.
    #[error("an element with the tag {0}, which is not context-specific")]
    ForeignTag(Tag),
    /// A tag that a later release may give a meaning.
    #[error("tag 0x{0:02X}, which is reserved: a later release may use it")]
    Reserved(u8),
    /// An encoding that ends early or is broken.
    #[error("the optional data can't be read as TLV: {0}")]
    Tlv(#[from] TlvError),
}

impl OptionalFault {
    /// A phone may refuse the code for an error; for a warning it may skip the value; a note is
    /// for who reads the code.
    pub const fn severity(&self) -> Severity {
        match self {
            Self::Reserved(_) => Severity::Note,
            Self::ForeignTag(_) | Self::MakerKind { .. } => Severity::Warning,
            _ => Severity::Error,
        }
    }
}

impl OptionalData {
    /// A serial number alone, for products whose QR codes show it.
    pub fn of_serial(serial: &str) -> Self {
        Self { serial_number: Some(Plain::Text(serial.to_owned())), ..Self::default() }
    }

    /// Whether there is nothing to carry.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// The TLV structure, tags ascending; no octets for nothing.
    ///
    /// # Errors
    ///
    /// [`OptionalFault`], the first value out of its bounds.
    pub fn encode(&self) -> Result<Vec<u8>, OptionalFault> {
        if let Some(fault) = self.out_of_bounds().into_iter().next() {
            return Err(fault);
        }
        if self.is_empty() {
            return Ok(Vec::new());
        }
        let mut writer = Writer::new();
        writer.open(Tag::Anonymous, Container::Structure);
        if let Some(serial) = &self.serial_number {
            serial.write(&mut writer, SERIAL_NUMBER)?;
        }
        if let Some(count) = self.iterations {
            writer.unsigned(Tag::Context(ITERATIONS), count);
        }
        if let Some(salt) = &self.salt {
            writer.octets(Tag::Context(SALT), salt);
        }
        for (tag, number) in [(DEVICES, self.devices), (TIMEOUT, self.timeout)] {
            if let Some(number) = number {
                writer.unsigned(Tag::Context(tag), number);
            }
        }
        for (tag, value) in &self.maker {
            value.write(&mut writer, *tag)?;
        }
        writer.close();
        Ok(writer.finish())
    }

    /// Reads a structure without a tag: every value that is there, and what is wrong.
    pub fn read(encoded: &[u8]) -> (Self, Vec<OptionalFault>) {
        let (mut data, mut faults) = (Self::default(), Vec::new());
        if let Err(error) = data.take_all(encoded, &mut faults) {
            faults.push(error.into());
        }
        faults.extend(data.out_of_bounds());
        (data, faults)
    }

    fn take_all(&mut self, encoded: &[u8], faults: &mut Vec<OptionalFault>) -> Result<(), TlvError> {
        let mut reader = Reader::new(encoded);
        reader.next()?; // The structure itself
        let mut seen = [false; 256];
        while let Some(element) = reader.next()? {
            if let Value::Open(_) = element.value {
                reader.skip_container()?;
            }
            match element.tag {
                _ if element.value == Value::Close => break,
                Tag::Context(tag) if std::mem::replace(&mut seen[usize::from(tag)], true) => {
                    faults.push(OptionalFault::Twice(tag));
                }
                Tag::Context(tag) => faults.extend(self.take(tag, element.value).err()),
                other => faults.push(OptionalFault::ForeignTag(other)),
            }
        }
        Ok(())
    }

    fn take(&mut self, tag: u8, value: Value<'_>) -> Result<(), OptionalFault> {
        let Some(name) = Named::ALL.into_iter().find(|name| name.tag() == tag) else {
            if tag < 0x80 {
                return Err(OptionalFault::Reserved(tag));
            }
            let plain = Plain::of(value).ok_or(OptionalFault::MakerKind { tag, found: value.kind() })?;
            self.maker.insert(tag, plain);
            return Ok(());
        };
        let slot = match name {
            Named::Iterations => &mut self.iterations,
            Named::Devices => &mut self.devices,
            Named::Timeout => &mut self.timeout,
            Named::SerialNumber => match (Plain::of(value), value) {
                (Some(plain), Value::Utf8(_) | Value::Unsigned(_)) => {
                    self.serial_number = Some(plain);
                    return Ok(());
                }
                _ => return Err(OptionalFault::Kind { name, found: value.kind() }),
            },
            Named::Salt => match value {
                Value::Octets(octets) => {
                    self.salt = Some(octets.to_vec());
                    return Ok(());
                }
                _ => return Err(OptionalFault::Kind { name, found: value.kind() }),
            },
        };
        match value {
            Value::Unsigned(number) => *slot = Some(number),
            _ => return Err(OptionalFault::Kind { name, found: value.kind() }),
        }
        Ok(())
    }

    /// Values that are of their kind and not within their bounds.
    fn out_of_bounds(&self) -> Vec<OptionalFault> {
        let mut faults = Vec::new();
        let lengths = [
            (
                Named::SerialNumber,
                match &self.serial_number {
                    Some(Plain::Text(text)) => Some(text.len()),
                    _ => None,
                },
            ),
            (Named::Salt, self.salt.as_ref().map(Vec::len)),
        ];
        for (name, length) in lengths {
            let found = length.map(|length| length as u64);
            faults.extend(
                found.filter(|n| !name.bounds().contains(n)).map(|found| OptionalFault::Length { name, found }),
            );
        }
        if let Some(Plain::Number(number)) = self.serial_number
            && u64::try_from(number).is_err()
        {
            faults.push(OptionalFault::TooWide(SERIAL_NUMBER));
        }
        let numbers =
            [(Named::Iterations, self.iterations), (Named::Devices, self.devices), (Named::Timeout, self.timeout)];
        for (name, number) in numbers {
            faults.extend(
                number.filter(|n| !name.bounds().contains(n)).map(|found| OptionalFault::Number { name, found }),
            );
        }
        faults.extend(self.maker.keys().filter(|tag| **tag < 0x80).map(|tag| OptionalFault::NotMakers(*tag)));
        faults
    }
}
