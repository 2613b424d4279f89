//! A unit of the site, of a record or of a specimen, played on the network for homes to meet.

use std::num::NonZeroUsize;
use std::path::Path;

use base::trouble::Trouble;
use chip::{Chip, ChipId, ChipSource, ObjectName};
use custody::Passphrase;
pub use meet::discovery::{Announcement, Announcing, announce};
use meet::home::Device;
use meet::unit::specimen::Set;
use meet::unit::{Attester, Played, Signs};
pub use meet::unit::{Complaint, Fault, StandIn, bind, serve};
use serde::Serialize;
use site::{Site, product};
use standard::factory_record::{FactoryRecord, read_any};
use standard::ids::{ProductId, VendorId};
use standard::onboarding::{Discriminator, Flow, Passcode, Payload, Reach};
use standard::passcode_verifier::Iterations;

use crate::onboarding::{Onboarding, draw_batch};
use crate::record;

/// Chips of a source that are looked through.
const MOST_CHIPS: usize = 1000;
/// What a stand-in's firmware is, where nobody says.
const FIRMWARE: &str = "1.0.0";
/// Iterations of a specimen's verifier: as few as a unit may have, since its passcode protects nothing.
const SPECIMEN_ITERATIONS: u32 = Iterations::MIN;

/// A unit ready to be played.
pub struct Ready {
    pub played: Played,
    pub label: Label,
    pub device_type: Option<u32>,
}

/// What stands on the label of a stand-in.
#[derive(Debug, Clone, Serialize)]
pub struct Label {
    /// None where nobody here knows the passcode.
    pub qr: Option<String>,
    pub manual: Option<String>,
    pub discriminator: u16,
    #[serde(skip)]
    pub vendor_id: u16,
    #[serde(skip)]
    pub product_id: u16,
}

/// A chip that signs for a stand-in.
struct ChipSigns(Box<dyn Chip>);

impl Signs for ChipSigns {
    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], String> {
        self.0.sign(message).map_err(|e| e.to_string())
    }
}

/// A unit of the site with its chip; with the fault `label` another unit's chip of the same source.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit, its chip is not found, or its passcode was erased.
pub fn of_unit(
    site: &Site,
    serial: &str,
    source: &mut dyn ChipSource,
    passphrase: Option<&Passphrase>,
    fault: Option<Fault>,
    firmware: Option<&str>,
) -> Result<Ready, Trouble> {
    let story = crate::unit::story(site, serial)?;
    let unit = &story.unit;
    let product = product::get(site, unit.product.as_str())?;
    let odd = |e: &dyn std::fmt::Display| {
        Trouble::refused(format!("unit {} can't be played: {e}", unit.serial), "Give another unit.")
    };
    let ids = (
        VendorId::new(product.facts.vendor_id).map_err(|e| odd(&e))?,
        ProductId::new(product.facts.product_id).map_err(|e| odd(&e))?,
    );
    let mut kept = product::kept(&product)?;
    // A record needs a name that a unit need not report otherwise.
    kept.vendor_name.get_or_insert_with(|| product.facts.name.to_string());
    let made = record::of_unit(unit, ids, &kept, site.key(passphrase)?).map_err(|e| odd(&e))?;
    let payload = crate::unit::payload(site, unit, passphrase)?;
    let own = ChipId::new(unit.chip_id.as_str()).map_err(|e| odd(&e))?;
    let mut chip = if fault == Some(Fault::Label) { other_chip(source, &own)? } else { source.open(&own)? };
    let object = |chip: &mut dyn Chip, name: ObjectName| chip.read(&name).ok().flatten();
    let declaration = object(chip.as_mut(), ObjectName::DECLARATION)
        .or_else(|| story.proof.as_ref().and_then(|proof| proof.facts.declaration.clone()));
    let proof = story.proof.as_ref().filter(|_| fault != Some(Fault::Label)).map(|proof| &proof.facts);
    let dac = object(chip.as_mut(), ObjectName::DAC).or_else(|| proof.map(|p| p.dac.clone()));
    let pai = object(chip.as_mut(), ObjectName::PAI).or_else(|| story.proof.as_ref().map(|p| p.facts.pai.clone()));
    let lacks = |what: &str| {
        Trouble::refused(format!("the chip of unit {} has no {what}", unit.serial), "Provision the unit first.")
    };
    let recorded = story.attempts.iter().rev().find_map(|a| a.facts.firmware.as_ref()).map(|v| v.as_str().to_owned());
    Ok(Ready {
        played: Played {
            device: device(&made, firmware.or(recorded.as_deref())),
            verifier: made.verifier,
            salt: made.salt,
            iterations: made.iterations,
            dac: dac.ok_or_else(|| lacks("DAC"))?,
            pai: pai.ok_or_else(|| lacks("intermediate"))?,
            attester: Attester::new(declaration.ok_or_else(|| lacks("declaration"))?, Box::new(ChipSigns(chip))),
        },
        label: label(&payload, (ids.0.get(), ids.1.get()))?,
        device_type: Some(product.facts.device_type),
    })
}

/// Another chip of the source that has a certificate.
fn other_chip(source: &mut dyn ChipSource, own: &ChipId) -> Result<Box<dyn Chip>, Trouble> {
    for id in source.present()?.into_iter().filter(|id| id != own).take(MOST_CHIPS) {
        let mut chip = source.open(&id)?;
        if matches!(chip.read(&ObjectName::DAC), Ok(Some(_))) {
            return Ok(chip);
        }
    }
    let advice = "Give a source with the chips of two units that were provisioned.";
    Err(Trouble::usage("no other chip with a certificate is present", advice))
}

/// A factory record, and the chip that holds its key; without `chip` the only one present.
///
/// # Errors
///
/// [`Trouble`] where the record can't be read, or certificates and declaration are in neither.
pub fn of_record(
    path: &Path,
    source: &mut dyn ChipSource,
    chip: Option<&ChipId>,
    firmware: Option<&str>,
) -> Result<Ready, Trouble> {
    let octets = std::fs::read(path).map_err(|e| Trouble::file(path, e))?;
    let read = read_any(&octets).map_err(|e| {
        Trouble::usage(format!("{}: {e}", path.display()), "Give a record in CBOR, an image or Intel HEX.")
    });
    let (record, _) = read?;
    let id = match chip {
        Some(id) => id.clone(),
        None => match source.present()?.as_slice() {
            [only] => only.clone(),
            all => {
                return Err(Trouble::usage(
                    format!("{} chips are present", all.len()),
                    "Name the record's with --chip.",
                ));
            }
        },
    };
    let mut chip = source.open(&id)?;
    let mut object = |own: &Option<Vec<u8>>, name: ObjectName| {
        let found = own.clone().or_else(|| chip.read(&name).ok().flatten());
        found.ok_or_else(|| {
            Trouble::refused(
                format!("neither the record nor chip {id} has the {}", name.as_str()),
                "Provision the chip, or give a record that contains it.",
            )
        })
    };
    let dac = object(&record.dac, ObjectName::DAC)?;
    let pai = object(&record.pai, ObjectName::PAI)?;
    let declaration = object(&record.declaration, ObjectName::DECLARATION)?;
    let ids = (record.vendor_id, record.product_id);
    let label = match &record.passcode {
        Some(passcode) => own_label(ids, record.discriminator, passcode.clone())?,
        None => Label {
            qr: None,
            manual: None,
            discriminator: record.discriminator.get(),
            vendor_id: ids.0.get(),
            product_id: ids.1.get(),
        },
    };
    Ok(Ready {
        played: Played {
            device: device(&record, firmware),
            verifier: record.verifier,
            salt: record.salt,
            iterations: record.iterations,
            dac,
            pai,
            attester: Attester::new(declaration, Box::new(ChipSigns(chip))),
        },
        label,
        device_type: None,
    })
}

/// A specimen set, with a passcode drawn here.
///
/// # Errors
///
/// [`Trouble`] where the directory is no set of a device.
pub fn of_specimen(dir: &Path, firmware: Option<&str>) -> Result<Ready, Trouble> {
    let set = Set::read(dir).map_err(|e| {
        Trouble::usage(e.to_string(), "Give one set of `touchmark specimen write` that has a DAC or a declaration.")
    })?;
    let odd = |e: &dyn std::fmt::Display| Trouble::surroundings(e.to_string(), "Try again.");
    let iterations = Iterations::new(SPECIMEN_ITERATIONS).map_err(|e| odd(&e))?;
    let mut drawn = draw_batch(1, NonZeroUsize::MIN, iterations, [], |_| ()).map_err(Trouble::of)?;
    let Some(Onboarding { discriminator, derivation, verifier, .. }) = drawn.pop() else {
        return Err(odd(&"no onboarding data was drawn"));
    };
    let test = |id: Option<u16>, usual: u16| id.unwrap_or(usual);
    let (vendor, product) = (test(set.vendor_id, 0xFFF1), test(set.product_id, 0x8001));
    let odd = |e: &dyn std::fmt::Display| Trouble::usage(e.to_string(), "Give another set.");
    let ids = (VendorId::new(vendor).map_err(|e| odd(&e))?, ProductId::new(product).map_err(|e| odd(&e))?);
    Ok(Ready {
        played: Played {
            verifier,
            salt: derivation.salt,
            iterations,
            device: Device {
                vendor_id: Some(vendor),
                product_id: Some(product),
                vendor_name: Some("Specimen".into()),
                product_name: Some("Specimen".into()),
                serial_number: None,
                hardware_version: Some(1),
                software_version: Some(number(firmware)),
                software_version_string: Some(firmware.unwrap_or(FIRMWARE).into()),
            },
            dac: set.dac,
            pai: set.pai,
            attester: set.attester,
        },
        label: own_label(ids, discriminator, derivation.passcode)?,
        device_type: None,
    })
}

fn device(record: &FactoryRecord, firmware: Option<&str>) -> Device {
    Device {
        vendor_id: Some(record.vendor_id.get()),
        product_id: Some(record.product_id.get()),
        vendor_name: Some(record.vendor_name.clone()),
        product_name: Some(record.product_name.clone()),
        serial_number: Some(record.serial_number.clone()),
        hardware_version: Some(record.hardware_version),
        software_version: Some(number(firmware)),
        software_version_string: Some(firmware.unwrap_or(FIRMWARE).chars().take(64).collect()),
    }
}

/// A version as the number that firmware has beside its text: the text itself where it is one.
fn number(firmware: Option<&str>) -> u32 {
    firmware.and_then(|text| text.parse().ok()).unwrap_or(1)
}

fn own_label(ids: (VendorId, ProductId), discriminator: Discriminator, passcode: Passcode) -> Result<Label, Trouble> {
    let odd = |e: &dyn std::fmt::Display| Trouble::surroundings(e.to_string(), "Give another unit.");
    let reach: Reach = "ip".parse().map_err(|e| odd(&e))?;
    let payload = Payload::new((Some(ids.0), Some(ids.1)), Flow::Standard, reach, discriminator, passcode);
    label(&payload.map_err(|e| odd(&e))?, (ids.0.get(), ids.1.get()))
}

fn label(payload: &Payload, (vendor_id, product_id): (u16, u16)) -> Result<Label, Trouble> {
    let manual = payload.manual_code(payload.needs_long()).map_err(|e| Trouble::surroundings(e.to_string(), ""))?;
    Ok(Label {
        qr: Some(payload.qr_text()),
        manual: Some(manual.digits().to_owned()),
        discriminator: payload.discriminator.get(),
        vendor_id,
        product_id,
    })
}
