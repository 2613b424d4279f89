//! What a code from outside tells, field by field, and the rules for it.

use std::fmt;

use super::Payload;
use super::optional::OptionalData;
use super::payload::{self, OCTETS, Place};
use super::values::{Discriminator, Flow, Passcode, Reach, ValueError};
use crate::ids::{ProductId, VendorId};
use crate::verdict::catalogue::code;
use crate::verdict::{Finding, Severity};

/// The fields that could be read, valid or not. `Debug` hides the passcode.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Fields {
    /// Version, 3 bits; not told by a manual code that begins with 0 to 7.
    pub version: Option<u8>,
    /// Vendor ID; 0 for "not stated".
    pub vendor_id: Option<u16>,
    /// Product ID; 0 for "not stated".
    pub product_id: Option<u16>,
    /// Commissioning flow, 2 bits; a manual code of 11 digits is for flow 0 alone.
    pub flow: Option<u8>,
    /// How the device is reached, 8 bits.
    pub reach: Option<u8>,
    /// Discriminator, 12 bits.
    pub discriminator: Option<u16>,
    /// Its high four bits, where a manual code tells no more.
    pub short_discriminator: Option<u8>,
    pub passcode: Option<u32>,
    /// The four bits after the passcode.
    pub padding: Option<u8>,
    /// What follows the payload's 11 octets; `None` where nothing does.
    pub extra: Option<Vec<u8>>,
}

impl fmt::Debug for Fields {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Fields")
            .field("version", &self.version)
            .field("vendor_id", &self.vendor_id)
            .field("product_id", &self.product_id)
            .field("flow", &self.flow)
            .field("reach", &self.reach)
            .field("discriminator", &self.discriminator)
            .field("short_discriminator", &self.short_discriminator)
            .field("passcode", &self.passcode.map(|_| "hidden"))
            .finish_non_exhaustive()
    }
}

impl Fields {
    /// The fields of a packed payload, of which some octets may be unknown.
    pub(super) fn unpack(octets: &[Option<u8>]) -> Self {
        let mut packed = [0; 16];
        for (packed, octet) in packed.iter_mut().zip(octets.iter().take(OCTETS)) {
            *packed = octet.unwrap_or(0);
        }
        let packed = u128::from_le_bytes(packed);
        let field = |place: Place| {
            let spanned = octets.get(place.from / 8..=(place.from + place.bits - 1) / 8)?;
            let known = spanned.iter().all(Option::is_some);
            known.then_some((packed >> place.from) as u32 & ((1 << place.bits) - 1))
        };
        let small = |place| field(place).map(|value| value as u8);
        let middle = |place| field(place).map(|value| value as u16);
        Self {
            version: small(payload::VERSION),
            vendor_id: middle(payload::VENDOR_ID),
            product_id: middle(payload::PRODUCT_ID),
            flow: small(payload::FLOW),
            reach: small(payload::REACH),
            discriminator: middle(payload::DISCRIMINATOR),
            short_discriminator: None,
            passcode: field(payload::PASSCODE),
            padding: small(payload::PADDING),
            extra: octets
                .get(OCTETS..)
                .filter(|rest| !rest.is_empty())
                .and_then(|rest| rest.iter().copied().collect::<Option<Vec<u8>>>()),
        }
    }

    /// The payload, where every field of it was told and is valid.
    pub fn payload(&self) -> Option<Payload> {
        if (self.version?, self.padding?) != (0, 0) {
            return None;
        }
        let vendor = match self.vendor_id? {
            0 => None,
            told => Some(VendorId::new(told).ok()?),
        };
        let payload = Payload::new(
            (vendor, ProductId::new(self.product_id?).ok()),
            Flow::from_bits(self.flow?)?,
            Reach::from_bits(self.reach?)?,
            Discriminator::new(self.discriminator?).ok()?,
            Passcode::new(self.passcode?).ok()?,
        );
        payload.ok()?.with_extra(self.extra.clone().unwrap_or_default()).ok()
    }

    /// What follows the payload's 11 octets, by name; `None` where nothing does, or it is no structure.
    pub fn optional(&self) -> Option<OptionalData> {
        let extra = self.extra.as_deref()?;
        payload::is_structure(extra).ok().filter(|is| *is).map(|_| OptionalData::read(extra).0)
    }

    /// Judges what both forms tell; `long` for a manual code of 21 digits.
    pub(super) fn judge(&self, long: bool) -> Vec<Finding> {
        [
            self.version.and_then(judge_version),
            self.padding.and_then(judge_padding),
            self.passcode.and_then(judge_passcode),
            self.judge_vendor(long),
            self.judge_product(long),
            self.flow.and_then(judge_flow),
            self.reach.and_then(judge_reach),
        ]
        .into_iter()
        .flatten()
        .chain(self.extra.as_deref().map(judge_extra).unwrap_or_default())
        .collect()
    }

    fn judge_vendor(&self, long: bool) -> Option<Finding> {
        match self.vendor_id? {
            // Alone it says "not stated"; beside a product, or where it is needed, it can't.
            0 if !long && matches!(self.product_id, Some(0) | None) => None,
            0 => Some(Finding::new(code::VENDOR_ID, "vendor 0000, which names no vendor")),
            value => VendorId::new(value).err().map(|error| Finding::new(code::VENDOR_ID, error.to_string())),
        }
    }

    fn judge_product(&self, long: bool) -> Option<Finding> {
        let untold = self.product_id? == 0;
        if untold && long {
            return Some(Finding::new(code::PRODUCT_ID, "product 0000, which names no product"));
        }
        let needed = matches!(self.flow, Some(1 | 2)) && self.vendor_id.is_some_and(|vendor| vendor != 0);
        (untold && needed).then(|| {
            Finding::new(code::PRODUCT_ID, "product 0000, which names no product, with a flow that is not standard")
                .weighing(Severity::Warning)
        })
    }
}

fn judge_version(version: u8) -> Option<Finding> {
    (version != 0).then(|| Finding::new(code::VERSION, format!("version {version}")))
}

fn judge_padding(padding: u8) -> Option<Finding> {
    (padding != 0).then(|| Finding::new(code::PADDING, format!("bits {padding:04b}")))
}

/// A passcode that breaks the rule opens nothing, so the finding may say it.
fn judge_passcode(passcode: u32) -> Option<Finding> {
    match Passcode::new(passcode) {
        Ok(_) => None,
        Err(ValueError::PasscodeForbidden) => {
            Some(Finding::new(code::PASSCODE, format!("passcode {passcode:08}, one of those that are never used")))
        }
        Err(_) => Some(Finding::new(code::PASSCODE, format!("passcode {passcode:08}, out of range"))),
    }
}

fn judge_flow(flow: u8) -> Option<Finding> {
    Flow::from_bits(flow).is_none().then(|| Finding::new(code::FLOW, format!("flow {flow}")))
}

fn judge_reach(reach: u8) -> Option<Finding> {
    if reach & !Reach::KNOWN != 0 {
        return Some(Finding::new(code::REACH, format!("bits {reach:08b}")));
    }
    if let Some(warning) = Reach::from_bits(reach).and_then(Reach::warning) {
        let found = "bit 0, the soft access point, is set";
        return Some(Finding::new(code::REACH, found).weighing(Severity::Warning).advising(warning));
    }
    (reach == 0).then(|| {
        Finding::new(code::REACH, "no bit set: no way to reach the device is given")
            .weighing(Severity::Warning)
            .advising(
                "A phone may search everywhere or nowhere. Make the code again with the ways that the device supports.",
            )
    })
}

fn judge_extra(extra: &[u8]) -> Vec<Finding> {
    let size = if extra.len() == 1 { "1 byte".into() } else { format!("{} bytes", extra.len()) };
    match payload::is_structure(extra) {
        Ok(true) => {
            let (_, faults) = OptionalData::read(extra);
            faults
                .iter()
                .map(|fault| {
                    let finding = Finding::new(code::EXTRA, fault.to_string()).weighing(fault.severity());
                    match fault.severity() {
                        Severity::Note => {
                            finding.advising("Nothing needs to be done: a phone skips what it does not know.")
                        }
                        _ => finding.advising("Make the code again with a value within its bounds, or without it."),
                    }
                })
                .collect()
        }
        Ok(false) => vec![
            Finding::new(code::EXTRA, format!("{size} of TLV, but not a structure without a tag"))
                .weighing(Severity::Warning),
        ],
        Err(error) => vec![Finding::new(code::EXTRA, format!("{size} that can't be read as TLV: {error}"))],
    }
}
