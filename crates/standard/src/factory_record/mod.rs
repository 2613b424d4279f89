//! The factory record: what one unit's firmware reads of itself.
//!
//! One CBOR map (RFC 8949) in deterministic encoding (§4.2), so that equal
//! records are equal octet for octet; its CDDL schema (RFC 8610) stands in
//! `docs/factory-record.md`. Written as it is, as an image of a flash region
//! ([`FactoryRecord::image`]) or as Intel HEX ([`FactoryRecord::intel_hex`]);
//! [`read_any`] takes all three back. Bounds of texts are those that Core Spec
//! 11.1 (Basic Information) sets for the attributes that firmware fills with
//! them. Private keys have no place in it: they stay in the chip.
//!
//! Reading is strict: a field that is missing, unknown, twice, out of bounds
//! or not in its one encoding is refused, and so is anything after the map.

mod cbor;
mod files;

#[cfg(test)]
mod tests;

use std::fmt;

use time::Date;
use zeroize::{Zeroize, Zeroizing};

use crate::ids::{IdError, ProductId, VendorId};
use crate::onboarding::{Discriminator, Passcode, ValueError};
use crate::passcode_verifier::{Iterations, PasscodeVerifier, Salt, VerifierError};

pub use files::{Carrier, read_any};

/// The most octets that a record has: its longest fields come to less.
pub const MAX_OCTETS: usize = 4096;

/// The form that this module writes and reads, field 0 of the map.
pub const FORM: u8 = 1;

/// What a unit's firmware needs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FactoryRecord {
    /// Serial number, 1 to 32 octets of UTF-8.
    pub serial_number: String,
    pub vendor_id: VendorId,
    /// Vendor name, 1 to 32 octets of UTF-8.
    pub vendor_name: String,
    pub product_id: ProductId,
    /// Product name, 1 to 32 octets of UTF-8.
    pub product_name: String,
    pub hardware_version: u16,
    /// The same as people say it, 1 to 64 octets of UTF-8.
    pub hardware_version_text: Option<String>,
    /// Manufacturing date, of the years 0 to 9999.
    pub manufactured: Date,
    pub discriminator: Discriminator,
    pub salt: Salt,
    /// The verifier's iteration count.
    pub iterations: Iterations,
    pub verifier: PasscodeVerifier,
    /// What the rotating id is derived from.
    pub rotating_id: RotatingId,
    /// Device attestation certificate in DER, for parts whose secure element does not hold it.
    pub dac: Option<Vec<u8>>,
    /// Its intermediate in DER, likewise.
    pub pai: Option<Vec<u8>>,
    pub declaration: Option<Vec<u8>>,
    /// Passcode. Only for devices that show it themselves: all others need not
    /// hold it (Core Spec 3.10), so nothing puts it in unasked.
    pub passcode: Option<Passcode>,
}

/// The unique value of the rotating device id (Core Spec 5.4.2.4.5), 16 to 64
/// octets: a secret between the device and its owner's phone.
#[derive(Clone, PartialEq, Eq)]
pub struct RotatingId(Vec<u8>);

impl RotatingId {
    /// The fewest octets.
    pub const MIN: usize = 16;
    /// The most octets: a bound of this project.
    pub const MAX: usize = 64;

    /// Takes a value of 16 to 64 octets.
    ///
    /// # Errors
    ///
    /// [`RecordError::Size`] for any other size.
    pub fn new(octets: &[u8]) -> Result<Self, RecordError> {
        within(Field::RotatingId, octets.len())?;
        Ok(Self(octets.to_vec()))
    }

    /// The octets.
    pub fn octets(&self) -> &[u8] {
        &self.0
    }
}

impl Drop for RotatingId {
    fn drop(&mut self) {
        self.0.zeroize();
    }
}

impl fmt::Debug for RotatingId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "RotatingId({} bytes, hidden)", self.0.len())
    }
}

/// The fields of the map, by their keys.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Field {
    /// Form of the record.
    Form = 0,
    /// Serial number.
    SerialNumber = 1,
    /// Vendor ID.
    VendorId = 2,
    /// Vendor name.
    VendorName = 3,
    /// Product ID.
    ProductId = 4,
    /// Product name.
    ProductName = 5,
    /// Hardware version.
    HardwareVersion = 6,
    /// Hardware version as text.
    HardwareVersionText = 7,
    /// Manufacturing date.
    Manufactured = 8,
    /// Discriminator.
    Discriminator = 9,
    /// Salt.
    Salt = 10,
    /// Iteration count.
    Iterations = 11,
    /// Verifier.
    Verifier = 12,
    /// Rotating-id unique value.
    RotatingId = 13,
    /// Device attestation certificate.
    Dac = 14,
    /// Product attestation intermediate.
    Pai = 15,
    /// Certification declaration.
    Declaration = 16,
    /// Passcode.
    Passcode = 17,
}

impl Field {
    const ALL: [Self; 18] = [
        Self::Form,
        Self::SerialNumber,
        Self::VendorId,
        Self::VendorName,
        Self::ProductId,
        Self::ProductName,
        Self::HardwareVersion,
        Self::HardwareVersionText,
        Self::Manufactured,
        Self::Discriminator,
        Self::Salt,
        Self::Iterations,
        Self::Verifier,
        Self::RotatingId,
        Self::Dac,
        Self::Pai,
        Self::Declaration,
        Self::Passcode,
    ];

    /// Its key in the map.
    pub const fn key(self) -> u8 {
        self as u8
    }

    /// Its words.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Form => "the record's form",
            Self::SerialNumber => "the serial number",
            Self::VendorId => "the vendor ID",
            Self::VendorName => "the vendor name",
            Self::ProductId => "the product ID",
            Self::ProductName => "the product name",
            Self::HardwareVersion => "the hardware version",
            Self::HardwareVersionText => "the hardware version as text",
            Self::Manufactured => "the manufacturing date",
            Self::Discriminator => "the discriminator",
            Self::Salt => "the salt",
            Self::Iterations => "the iteration count",
            Self::Verifier => "the verifier",
            Self::RotatingId => "the rotating id's unique value",
            Self::Dac => "the DAC",
            Self::Pai => "the PAI",
            Self::Declaration => "the declaration",
            Self::Passcode => "the passcode",
        }
    }

    /// How many octets it may have, where it has a size.
    const fn sizes(self) -> (usize, usize) {
        match self {
            // Core Spec 11.1.5, attributes VendorName, ProductName, SerialNumber.
            Self::SerialNumber | Self::VendorName | Self::ProductName => (1, 32),
            // HardwareVersionString.
            Self::HardwareVersionText => (1, 64),
            Self::RotatingId => (RotatingId::MIN, RotatingId::MAX),
            // Core Spec 6.1.3 for certificates; a declaration of 100 products has less than 1024.
            Self::Dac | Self::Pai => (1, 600),
            Self::Declaration => (1, 1024),
            _ => (0, usize::MAX),
        }
    }
}

impl fmt::Display for Field {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

/// Why there is no factory record.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// A text or octets of a size that the field can't have.
    #[error("{field} has {found} bytes; it needs {min} to {max}")]
    Size { field: Field, found: usize, min: usize, max: usize },
    /// A number of more bits than the field has.
    #[error("{field} is {found}, above 65535")]
    Number { field: Field, found: u32 },
    /// A text with control characters, which no screen shows.
    #[error("{0} contains a control character")]
    Control(Field),
    /// Not `YYYYMMDD`, or no day of the calendar.
    #[error("the manufacturing date is not a day written as YYYYMMDD")]
    Date,
    /// More octets than a record has.
    #[error("{0} bytes, more than the {MAX_OCTETS} that a record may have")]
    TooLarge(usize),
    /// Not CBOR, or another CBOR item than the field has.
    #[error("at byte {at}: {why}")]
    Cbor {
        at: usize,
        /// What the decoder says.
        why: String,
    },
    /// A form that a later release writes.
    #[error("the record has form {0}, but this program reads form {FORM}")]
    Form(u8),
    /// A key that the schema does not have.
    #[error("key {0}, which no field has")]
    UnknownKey(u64),
    /// A key that does not come after the one before it.
    #[error("key {0} out of order or twice")]
    KeyOrder(u64),
    /// A field that every record has.
    #[error("{0} is missing")]
    Missing(Field),
    /// The same record has another encoding, which is the one allowed.
    #[error("the encoding is not the deterministic one of RFC 8949 §4.2, from byte {0} on")]
    NotDeterministic(usize),
    /// Something follows the map.
    #[error("something follows the record, from byte {0} on")]
    Trailing(usize),
    /// A vendor or product ID that no device has.
    #[error(transparent)]
    Id(#[from] IdError),
    /// A passcode or discriminator that no device has.
    #[error(transparent)]
    Value(#[from] ValueError),
    /// A salt, iteration count or verifier that no device has.
    #[error(transparent)]
    Verifier(#[from] VerifierError),
    /// A flash region that the record does not fit.
    #[error("the record has {needs} bytes, but the region has {region}")]
    Region { needs: usize, region: usize },
    /// A region beyond what this program writes.
    #[error("a region of {0} bytes is beyond {MAX_REGION}", MAX_REGION = files::MAX_REGION)]
    RegionTooLarge(usize),
    /// An address from which the record runs past 32 bits.
    #[error("from address 0x{0:08X} the record would run past 0xFFFFFFFF")]
    Address(u32),
    /// Not Intel HEX.
    #[error("line {line} of the Intel HEX: {why}")]
    IntelHex {
        /// From 1.
        line: usize,
        why: String,
    },
}

/// Whether a text can stand in a field, whole: its size in octets, and no control character.
///
/// # Errors
///
/// [`RecordError::Size`] and [`RecordError::Control`].
pub fn fits(field: Field, text: &str) -> Result<(), RecordError> {
    within(field, text.len())?;
    if text.chars().any(char::is_control) { Err(RecordError::Control(field)) } else { Ok(()) }
}

/// Whether a field may have so many octets.
fn within(field: Field, found: usize) -> Result<(), RecordError> {
    let (min, max) = field.sizes();
    if (min..=max).contains(&found) { Ok(()) } else { Err(RecordError::Size { field, found, min, max }) }
}

/// Bits in which a copy that was damaged differs at most; records of two units differ in hundreds.
const FLIPPED: u32 = 8;

impl FactoryRecord {
    /// Whether the unit's number and verifier are those of `other` but for a few bits, as where a memory or a connection
    /// turned them. Two verifiers for different passcodes or salts differ in half of their 776 bits.
    pub fn is_damaged_copy_of(&self, other: &Self) -> bool {
        let bits = |one: &[u8], other: &[u8]| {
            let apart = one.iter().zip(other).map(|(a, b)| (a ^ b).count_ones()).sum::<u32>();
            if one.len() == other.len() { apart } else { u32::MAX }
        };
        let verifiers = (self.verifier.octets(), other.verifier.octets());
        bits(self.serial_number.as_bytes(), other.serial_number.as_bytes())
            .saturating_add(bits(&*verifiers.0, &*verifiers.1))
            <= FLIPPED
    }

    /// The record in its one encoding.
    ///
    /// # Errors
    ///
    /// [`RecordError::Size`], [`RecordError::Control`] and [`RecordError::Date`]
    /// for a field out of its bounds.
    pub fn encode(&self) -> Result<Zeroizing<Vec<u8>>, RecordError> {
        self.check()?;
        let octets = cbor::encode(self)?;
        if octets.len() > MAX_OCTETS {
            return Err(RecordError::TooLarge(octets.len()));
        }
        Ok(octets)
    }

    /// Reads a record's octets, and nothing after them.
    ///
    /// # Errors
    ///
    /// [`RecordError`], the first fault.
    pub fn read(octets: &[u8]) -> Result<Self, RecordError> {
        let (record, end) = cbor::decode(octets)?;
        if end == octets.len() { Ok(record) } else { Err(RecordError::Trailing(end)) }
    }

    /// Checks what the fields' types leave open.
    fn check(&self) -> Result<(), RecordError> {
        let texts = [
            (Field::SerialNumber, Some(&self.serial_number)),
            (Field::VendorName, Some(&self.vendor_name)),
            (Field::ProductName, Some(&self.product_name)),
            (Field::HardwareVersionText, self.hardware_version_text.as_ref()),
        ];
        for (field, text) in texts {
            text.map_or(Ok(()), |text| fits(field, text))?;
        }
        let octets = [(Field::Dac, &self.dac), (Field::Pai, &self.pai), (Field::Declaration, &self.declaration)];
        for (field, octets) in octets {
            octets.as_ref().map_or(Ok(()), |octets| within(field, octets.len()))?;
        }
        if (0..=9999).contains(&self.manufactured.year()) { Ok(()) } else { Err(RecordError::Date) }
    }
}

/// A day as `YYYYMMDD`, the form of the attribute `ManufacturingDate`.
pub fn date_text(date: Date) -> String {
    format!("{:04}{:02}{:02}", date.year(), u8::from(date.month()), date.day())
}

/// Reads a day written as `YYYYMMDD`.
///
/// # Errors
///
/// [`RecordError::Date`].
pub fn read_date(text: &str) -> Result<Date, RecordError> {
    if text.len() != 8 || !text.bytes().all(|b| b.is_ascii_digit()) {
        return Err(RecordError::Date);
    }
    let number = |range| text.get(range).and_then(|digits: &str| digits.parse::<u16>().ok()).unwrap_or(0);
    let month = u8::try_from(number(4..6)).ok().and_then(|month| time::Month::try_from(month).ok());
    let day = u8::try_from(number(6..8)).unwrap_or(0);
    let date = month.and_then(|month| Date::from_calendar_date(i32::from(number(0..4)), month, day).ok());
    date.ok_or(RecordError::Date)
}
