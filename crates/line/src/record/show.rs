//! Showing a record that was written.

use std::path::Path;

use base::trouble::Trouble;
use book::Purpose;
use book::ids::UnitSerial;
use serde::Serialize;
use site::Site;
use standard::factory_record::{Carrier, FactoryRecord, read_any};

use super::error::RecordActError;
use super::input::read_file;

/// The largest file that carries a record.
const MAX_FILE: u64 = 16 << 20;

/// A record as people and programs are shown it.
#[derive(Serialize)]
pub struct ShownRecord {
    pub serial_number: String,
    pub vendor_id: String,
    pub vendor_name: String,
    pub product_id: String,
    pub product_name: String,
    /// Whether it is known to be of a test product.
    pub test: bool,
    /// `test` or `production`; none where neither the vendor ID nor a book says. The record itself does not.
    pub purpose: Option<&'static str>,
    /// What says so: `vendor-id`, or `book`.
    pub purpose_from: Option<&'static str>,
    pub hardware_version: u16,
    /// Hardware version as text.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hardware_version_text: Option<String>,
    /// Manufacturing date, `2026-11-25`.
    pub manufactured: String,
    pub discriminator: u16,
    pub salt: String,
    pub iterations: u32,
    /// Verifier in hex; only where secrets are asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verifier: Option<String>,
    /// Rotating-id unique value in hex; only where secrets are asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rotating_id: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dac: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pai: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub declaration: Option<String>,
    /// Whether the record holds the passcode.
    pub holds_passcode: bool,
    /// Passcode; only where secrets are asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub passcode: Option<u32>,
    /// `cbor`, `image` or `intel-hex`; of a record read from a file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub carrier: Option<&'static str>,
    /// Octets of the region, of an image.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub region: Option<usize>,
    /// Address of the first octet, of Intel HEX.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
}

impl ShownRecord {
    /// The record, with its secrets where `reveal` says so.
    pub fn of(record: &FactoryRecord, reveal: bool) -> Self {
        Self {
            serial_number: record.serial_number.clone(),
            vendor_id: record.vendor_id.to_string(),
            vendor_name: record.vendor_name.clone(),
            product_id: record.product_id.to_string(),
            product_name: record.product_name.clone(),
            test: record.vendor_id.is_test(),
            purpose: record.vendor_id.is_test().then_some("test"),
            purpose_from: record.vendor_id.is_test().then_some("vendor-id"),
            hardware_version: record.hardware_version,
            hardware_version_text: record.hardware_version_text.clone(),
            manufactured: record.manufactured.to_string(),
            discriminator: record.discriminator.get(),
            salt: hex::encode(record.salt.octets()),
            iterations: record.iterations.get(),
            verifier: reveal.then(|| hex::encode(record.verifier.octets().as_slice())),
            rotating_id: reveal.then(|| hex::encode(record.rotating_id.octets())),
            dac: record.dac.as_ref().map(hex::encode),
            pai: record.pai.as_ref().map(hex::encode),
            declaration: record.declaration.as_ref().map(hex::encode),
            holds_passcode: record.passcode.is_some(),
            passcode: record.passcode.as_ref().filter(|_| reveal).map(|passcode| passcode.get()),
            carrier: None,
            region: None,
            address: None,
        }
    }

    /// The same with what the book of a site says: the purpose of the unit's product, else of the products with these
    /// identifiers where they have one purpose.
    pub fn with_book(mut self, site: &Site) -> Result<Self, Trouble> {
        let is_its = |facts: &book::NewProduct| {
            (format!("{:04X}", facts.vendor_id), format!("{:04X}", facts.product_id))
                == (self.vendor_id.clone(), self.product_id.clone())
        };
        let unit =
            UnitSerial::new(&self.serial_number).ok().map(|serial| site.book.unit(&serial)).transpose()?.flatten();
        let mut purposes: Vec<_> = site
            .book
            .products()?
            .into_iter()
            .filter(|product| is_its(&product.facts))
            .filter(|product| unit.as_ref().is_none_or(|unit| unit.product == product.facts.name))
            .map(|product| product.facts.purpose)
            .collect();
        purposes.dedup();
        if let ([purpose], None) = (purposes.as_slice(), self.purpose) {
            self.test = *purpose == Purpose::Test;
            (self.purpose, self.purpose_from) = (Some(purpose.word()), Some("book"));
        }
        Ok(self)
    }
}

/// Reads the record in a file of any of its forms.
///
/// # Errors
///
/// [`RecordActError::Read`], [`RecordActError::TooLarge`] and [`RecordActError::NoRecord`].
pub fn show(path: &Path, reveal: bool) -> Result<ShownRecord, RecordActError> {
    let octets = read_file(path, MAX_FILE)?;
    let (record, carrier) =
        read_any(&octets).map_err(|source| RecordActError::NoRecord { path: path.to_owned(), source })?;
    let mut shown = ShownRecord::of(&record, reveal);
    match carrier {
        Carrier::Cbor => shown.carrier = Some("cbor"),
        Carrier::Image { region } => {
            shown.carrier = Some("image");
            shown.region = Some(region);
        }
        Carrier::IntelHex { address } => {
            shown.carrier = Some("intel-hex");
            shown.address = Some(format!("0x{address:08X}"));
        }
    }
    Ok(shown)
}
