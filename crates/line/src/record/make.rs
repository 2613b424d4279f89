//! Making a record and writing its files.

use std::path::{Path, PathBuf};

use base::files::{Pending, Readers};
use der::asn1::AnyRef;
use der::{Decode, Tag, Tagged};
use serde::Serialize;
use standard::certificate::Certificate;
use standard::declaration::Declaration;
use standard::factory_record::{FactoryRecord, RotatingId, read_date};
use standard::ids::{ProductId, VendorId};
use standard::onboarding::{Discriminator, Passcode};
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt, VerifierError};

use super::error::RecordActError;
use super::input::{Number, RecordInput, read_file};
use super::show::ShownRecord;
use crate::onboarding::fresh_rotating_id;
use crate::verifier::{VerifierActError, fresh_salt, from_hex, read_verifier};

/// The files to write.
#[derive(Debug, Default, Clone)]
pub struct RecordFiles {
    pub cbor: Option<PathBuf>,
    /// An image of a flash region.
    pub image: Option<ImageFile>,
    pub hex: Option<HexFile>,
}

/// An image of a flash region.
#[derive(Debug, Clone)]
pub struct ImageFile {
    pub path: PathBuf,
    /// Octets of the region.
    pub region: usize,
}

/// Intel HEX.
#[derive(Debug, Clone)]
pub struct HexFile {
    pub path: PathBuf,
    /// Address of the record's first octet.
    pub address: u32,
}

/// What was made.
#[derive(Serialize)]
pub struct MadeRecord {
    /// The record, without its secrets.
    pub record: ShownRecord,
    /// Octets of the record.
    pub octets: usize,
    pub files: Vec<String>,
}

/// Makes a record and writes all its files, readable by their owner alone.
///
/// # Errors
///
/// [`RecordActError`], with nothing written.
pub fn make(input: &RecordInput, files: &RecordFiles) -> Result<MadeRecord, RecordActError> {
    let record = record(input)?;
    goes_together(&record)?;
    let octets = record.encode()?;
    let mut pending = Pending::default();
    let mut names = Vec::new();
    let mut add = |path: &Path, octets: &[u8]| {
        names.push(path.display().to_string());
        pending.add(path, octets, Readers::Owner)
    };
    if let Some(path) = &files.cbor {
        add(path, &octets)?;
    }
    if let Some(ImageFile { path, region }) = &files.image {
        add(path, &record.image(*region)?)?;
    }
    if let Some(HexFile { path, address }) = &files.hex {
        add(path, record.intel_hex(*address)?.as_bytes())?;
    }
    if names.is_empty() {
        return Err(RecordActError::NoFile);
    }
    pending.place()?;
    Ok(MadeRecord { record: ShownRecord::of(&record, false), octets: octets.len(), files: names })
}

/// Refuses certificates and a declaration that no device of the record's product has: it would fail when it is first
/// commissioned.
fn goes_together(record: &FactoryRecord) -> Result<(), RecordActError> {
    let no = |what: &str| Err(RecordActError::Together(what.to_owned()));
    let read = |der: &Option<Vec<u8>>| der.as_ref().and_then(|der| Certificate::read(der).ok());
    let (dac, pai) = (read(&record.dac), read(&record.pai));
    let is_authority = |c: &Certificate| c.basic_constraints().is_some_and(|b| b.ca);
    let declared = record.declaration.as_ref().and_then(|octets| Declaration::read(octets).ok());
    let declared = declared.and_then(|declaration| declaration.fields.ok());
    let mut wanted = (Some(u64::from(record.vendor_id.get())), Some(u64::from(record.product_id.get())));
    if let Some(declared) = &declared {
        let products = declared.product_id_array.as_deref().unwrap_or_default();
        if declared.vendor_id != wanted.0 || !wanted.1.is_some_and(|product| products.contains(&product)) {
            return no("the declaration is of another product than the record");
        }
        if declared.dac_origin_vendor_id.is_some() {
            wanted = (declared.dac_origin_vendor_id, declared.dac_origin_product_id);
        }
    }
    if let Some(pai) = &pai
        && (!is_authority(pai) || pai.is_self_issued())
    {
        return no("the certificate given as PAI is none");
    }
    let Some(dac) = &dac else { return Ok(()) };
    if is_authority(dac) {
        return no("the certificate given as DAC is an authority's");
    }
    let identity = &dac.subject.identity;
    let says = (identity.vendor().map(|v| u64::from(v.get())), identity.product().map(|p| u64::from(p.get())));
    if says != wanted {
        return no("the DAC is of another vendor or product ID than the record");
    }
    let issued = |pai: &Certificate| {
        pai.subject_der() == dac.issuer_der()
            && dac.authority_key_id().is_none_or(|id| Some(id) == pai.subject_key_id())
    };
    if pai.as_ref().is_some_and(|pai| !issued(pai)) {
        return no("the DAC was not issued by the PAI");
    }
    Ok(())
}

fn record(input: &RecordInput) -> Result<FactoryRecord, RecordActError> {
    let passcode = input.passcode.as_ref().map(|typed| typed.0.parse::<Passcode>()).transpose()?;
    let Keys { salt, iterations, verifier } = keys(input, passcode.as_ref())?;
    let rotating_id = match &input.rotating_id {
        Some(typed) => RotatingId::new(&zeroize::Zeroizing::new(from_hex("rotating id", typed)?))?,
        None => fresh_rotating_id()?,
    };
    if input.with_passcode && passcode.is_none() {
        return Err(RecordActError::NoPasscode);
    }
    Ok(FactoryRecord {
        serial_number: given(&input.serial_number, "the serial number", "serial-number")?.clone(),
        vendor_id: given(&input.vendor_id, "the vendor ID", "vendor-id")?
            .parse::<VendorId>()
            .map_err(|error| RecordActError::Id(error, "code.vendor-id"))?,
        vendor_name: given(&input.vendor_name, "the vendor name", "vendor-name")?.clone(),
        product_id: given(&input.product_id, "the product ID", "product-id")?
            .parse::<ProductId>()
            .map_err(|error| RecordActError::Id(error, "code.product-id"))?,
        product_name: given(&input.product_name, "the product name", "product-name")?.clone(),
        hardware_version: number(
            given(&input.hardware_version, "the hardware version", "hardware-version")?,
            "the hardware version",
        )?,
        hardware_version_text: input.hardware_version_text.clone(),
        manufactured: read_date(
            &given(&input.manufactured, "the manufacturing date", "manufactured")?.replace('-', ""),
        )?,
        discriminator: given(&input.discriminator, "the discriminator", "discriminator")?.0.parse::<Discriminator>()?,
        salt,
        iterations,
        verifier,
        rotating_id,
        dac: input.dac.as_deref().map(|path| read_der(path, "certificate", &["CERTIFICATE"])).transpose()?,
        pai: input.pai.as_deref().map(|path| read_der(path, "certificate", &["CERTIFICATE"])).transpose()?,
        declaration: input
            .declaration
            .as_deref()
            .map(|path| read_der(path, "declaration", &["CMS", "PKCS7"]))
            .transpose()?,
        passcode: passcode.filter(|_| input.with_passcode),
    })
}

struct Keys {
    salt: Salt,
    iterations: Iterations,
    verifier: PasscodeVerifier,
}

/// The verifier as given, or derived from the passcode; where both are there,
/// they must fit.
fn keys(input: &RecordInput, passcode: Option<&Passcode>) -> Result<Keys, RecordActError> {
    let broken = |error: VerifierError| RecordActError::Verifier(VerifierActError::Verifier(error));
    let iterations = given(&input.iterations, "the iteration count", "iterations")?;
    let iterations: Iterations = iterations.0.parse().map_err(broken)?;
    let salt = input.salt.as_deref().map(|typed| Salt::new(&from_hex("salt", typed)?).map_err(VerifierActError::from));
    let salt = salt.transpose()?;
    let verifier = match &input.verifier {
        Some(typed) => Some(PasscodeVerifier::from_octets(&read_verifier(typed)?).map_err(broken)?),
        None => None,
    };
    match (verifier, passcode) {
        (Some(verifier), passcode) => {
            let salt = salt.ok_or(RecordActError::NoSalt)?;
            if let Some(passcode) = passcode
                && PasscodeVerifier::derive(passcode, &salt, iterations).map_err(broken)? != verifier
            {
                return Err(RecordActError::Mismatch);
            }
            Ok(Keys { salt, iterations, verifier })
        }
        (None, Some(passcode)) => {
            let salt = salt.map_or_else(fresh_salt, Ok)?;
            let verifier = PasscodeVerifier::derive(passcode, &salt, iterations).map_err(broken)?;
            Ok(Keys { salt, iterations, verifier })
        }
        (None, None) => Err(RecordActError::NoVerifier),
    }
}

fn given<'a, T>(value: &'a Option<T>, what: &'static str, option: &'static str) -> Result<&'a T, RecordActError> {
    value.as_ref().ok_or(RecordActError::Missing { what, option })
}

/// A number of 16 bits, decimal or hex after `0x`.
fn number(typed: &Number, what: &'static str) -> Result<u16, RecordActError> {
    let hex = typed.0.strip_prefix("0x").or_else(|| typed.0.strip_prefix("0X"));
    let (digits, radix) = hex.map_or((typed.0.as_str(), 10), |digits| (digits, 16));
    let plain = digits.chars().all(|c| c.is_digit(radix));
    let number = u16::from_str_radix(digits, radix).ok().filter(|_| plain);
    number.ok_or(RecordActError::Number { what, max: u16::MAX.into() })
}

/// A DER file, or the one block of a PEM file; what is in it is for `examine` to judge.
fn read_der(path: &Path, what: &'static str, labels: &[&str]) -> Result<Vec<u8>, RecordActError> {
    const LIMIT: u64 = 16 << 10;
    let octets = read_file(path, LIMIT)?;
    let wrong = || RecordActError::Encoding { path: path.to_owned(), what };
    let der = if octets.first() == Some(&0x30) {
        octets.to_vec()
    } else {
        let (label, der) = pem_rfc7468::decode_vec(&octets).map_err(|_| wrong())?;
        labels.contains(&label).then_some(der).ok_or_else(wrong)?
    };
    // One SEQUENCE from end to end.
    let whole = AnyRef::from_der(&der).is_ok_and(|any| any.tag() == Tag::Sequence);
    if whole { Ok(der) } else { Err(wrong()) }
}
