//! A payload that is valid by construction, packed and as text.
//!
//! Covers Core Spec 5.1.1 to 5.1.3. Bits count from the least significant of
//! the first octet.

use super::manual::ManualCode;
use super::optional::{OptionalData, OptionalFault};
use super::values::{Discriminator, Flow, Passcode, Reach};
use super::{base38, qr};
use crate::ids::{ProductId, VendorId};
use crate::tlv::{self, Container, Tag, TlvError};
use crate::verdict::catalogue::code;
use crate::verdict::{Rule, Severity};

/// Octets of a packed payload before any further data.
pub(super) const OCTETS: usize = 11;

/// Where a field lies: its lowest bit and how many there are.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) from: usize,
    pub(super) bits: usize,
}

const fn place(from: usize, bits: usize) -> Place {
    Place { from, bits }
}

pub(super) const VERSION: Place = place(0, 3);
pub(super) const VENDOR_ID: Place = place(3, 16);
pub(super) const PRODUCT_ID: Place = place(19, 16);
pub(super) const FLOW: Place = place(35, 2);
pub(super) const REACH: Place = place(37, 8);
pub(super) const DISCRIMINATOR: Place = place(45, 12);
pub(super) const PASSCODE: Place = place(57, 27);
pub(super) const PADDING: Place = place(84, 4);

/// What an onboarding code tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Payload {
    vendor: Option<VendorId>,
    product: Option<ProductId>,
    pub flow: Flow,
    /// Ways in which a phone finds the device.
    pub reach: Reach,
    pub discriminator: Discriminator,
    pub passcode: Passcode,
    extra: Vec<u8>,
}

/// Why values make no payload, or no manual code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PayloadError {
    /// A product ID means nothing without its vendor.
    #[error("the vendor ID is not stated (0000), but the product ID is")]
    VendorNotTold,
    /// A manual code of 21 digits carries both IDs.
    #[error("a manual code of 21 digits needs the vendor ID and the product ID, but one is not stated (0000)")]
    IdsNeeded,
    /// Further data that is not one TLV structure.
    #[error("the further data is not TLV: {0}")]
    Extra(TlvError),
    /// Further data that is another element than a structure without a tag.
    #[error("the further data is not a structure without a tag")]
    ExtraKind,
    /// Optional data with a value that is out of its bounds.
    #[error("{0}")]
    Optional(#[from] OptionalFault),
    /// Further data that no QR symbol holds.
    #[error("the further data has {0} bytes, more than a QR symbol holds")]
    ExtraSize(usize),
}

impl PayloadError {
    /// The rule that the values break.
    pub fn rule(&self) -> &'static Rule {
        match self {
            Self::VendorNotTold => code::VENDOR_ID,
            Self::IdsNeeded => code::PRODUCT_ID,
            Self::Extra(_) | Self::ExtraKind | Self::Optional(_) | Self::ExtraSize(_) => code::EXTRA,
        }
    }
}

impl Payload {
    /// Octets of further data that still fit a symbol of version 40 at level M
    /// (3391 alphanumeric characters, ISO/IEC 18004 table 7).
    pub const MAX_EXTRA: usize = 2021;

    /// A payload with vendor and product, where told.
    ///
    /// # Errors
    ///
    /// [`PayloadError::VendorNotTold`] for a product without its vendor.
    pub fn new(
        (vendor, product): (Option<VendorId>, Option<ProductId>),
        flow: Flow,
        reach: Reach,
        discriminator: Discriminator,
        passcode: Passcode,
    ) -> Result<Self, PayloadError> {
        if vendor.is_none() && product.is_some() {
            return Err(PayloadError::VendorNotTold);
        }
        Ok(Self { vendor, product, flow, reach, discriminator, passcode, extra: Vec::new() })
    }

    /// The same with further data: one TLV structure without a tag, or nothing (Core Spec 5.1.5).
    ///
    /// # Errors
    ///
    /// [`PayloadError::Extra`], [`PayloadError::ExtraKind`], [`PayloadError::ExtraSize`], and
    /// [`PayloadError::Optional`] for a value that a reader would call an error.
    pub fn with_extra(mut self, extra: Vec<u8>) -> Result<Self, PayloadError> {
        if extra.len() > Self::MAX_EXTRA {
            return Err(PayloadError::ExtraSize(extra.len()));
        }
        if !extra.is_empty() && !is_structure(&extra).map_err(PayloadError::Extra)? {
            return Err(PayloadError::ExtraKind);
        }
        if !extra.is_empty() {
            let (_, faults) = OptionalData::read(&extra);
            if let Some(fault) = faults.into_iter().find(|fault| fault.severity() == Severity::Error) {
                return Err(fault.into());
            }
        }
        self.extra = extra;
        Ok(self)
    }

    /// The same with optional data by name.
    ///
    /// # Errors
    ///
    /// [`PayloadError::Optional`] and [`PayloadError::ExtraSize`].
    pub fn with_optional(self, data: &OptionalData) -> Result<Self, PayloadError> {
        self.with_extra(data.encode()?)
    }

    /// Vendor ID; `None` for "not stated".
    pub fn vendor(&self) -> Option<VendorId> {
        self.vendor
    }

    /// Product ID; `None` for "not stated".
    pub fn product(&self) -> Option<ProductId> {
        self.product
    }

    /// Further data, TLV; empty where there is none.
    pub fn extra(&self) -> &[u8] {
        &self.extra
    }

    /// What the further data says, by name; `None` where there is none.
    pub fn optional(&self) -> Option<OptionalData> {
        (!self.extra.is_empty()).then(|| OptionalData::read(&self.extra).0)
    }

    /// The packed payload: 11 octets, then the further data.
    pub fn pack(&self) -> Vec<u8> {
        let put = |value: u32, place: Place| u128::from(value) << place.from;
        let bits = put(self.vendor.map_or(0, VendorId::get).into(), VENDOR_ID)
            | put(self.product.map_or(0, ProductId::get).into(), PRODUCT_ID)
            | put(self.flow.bits().into(), FLOW)
            | put(self.reach.bits().into(), REACH)
            | put(self.discriminator.get().into(), DISCRIMINATOR)
            | put(self.passcode.get(), PASSCODE);
        let mut octets = bits.to_le_bytes()[..OCTETS].to_vec();
        octets.extend_from_slice(&self.extra);
        octets
    }

    /// The text of a QR code with this payload alone.
    pub fn qr_text(&self) -> String {
        join(std::slice::from_ref(self))
    }

    /// Whether the manual code must have 21 digits.
    pub fn needs_long(&self) -> bool {
        self.flow != Flow::Standard
    }

    /// The manual code: 21 digits where the flow is not standard or `long` asks for it, else 11.
    ///
    /// # Errors
    ///
    /// [`PayloadError::IdsNeeded`] for 21 digits without vendor and product.
    pub fn manual_code(&self, long: bool) -> Result<ManualCode, PayloadError> {
        let ids = match (long || self.needs_long(), self.vendor, self.product) {
            (false, _, _) => None,
            (true, Some(vendor), Some(product)) => Some((vendor, product)),
            (true, _, _) => return Err(PayloadError::IdsNeeded),
        };
        Ok(ManualCode::new(self.discriminator.short(), &self.passcode, ids))
    }
}

/// Most characters of QR text: what version 40 holds at level M in alphanumeric mode
/// (ISO/IEC 18004 table 7).
pub const MAX_QR_CHARACTERS: usize = 3391;

/// The text of one QR code with all these payloads, in order.
pub fn join(payloads: &[Payload]) -> String {
    let texts: Vec<String> = payloads.iter().map(|payload| base38::encode(&payload.pack())).collect();
    format!("{}{}", qr::PREFIX, texts.join(qr::SEPARATOR))
}

/// Whether further data, one whole element, is a structure without a tag.
pub(super) fn is_structure(extra: &[u8]) -> Result<bool, TlvError> {
    tlv::whole(extra)?;
    let first = tlv::Reader::new(extra).next()?;
    Ok(first.is_some_and(|e| e.tag == Tag::Anonymous && e.value == tlv::Value::Open(Container::Structure)))
}
