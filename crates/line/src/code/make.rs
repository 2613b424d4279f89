//! Making a code from its values.

use std::path::Path;

use base::advice::{Advise, Kind};
use base::files::{Pending, Readers, WriteError};
use serde::Serialize;
use standard::ids::{IdError, ProductId, VendorId};
use standard::onboarding::{
    Discriminator, Flow, MAX_QR_CHARACTERS, ManualCode, Passcode, Payload, PayloadError, Reach, ValueError,
};
use standard::verdict::{Rule, rule};

use super::optional::{OptionalError, OptionalView, TypedOptional};
use super::symbol;

/// What a person types to have a code made.
#[derive(Clone, Copy)]
pub struct TypedCode<'a> {
    /// Four hex digits; `0000` for "not stated".
    pub vendor: &'a str,
    /// Four hex digits; `0000` for "not stated".
    pub product: &'a str,
    /// Decimal, or hex after `0x`.
    pub discriminator: &'a str,
    pub passcode: &'a str,
    pub reach: &'a str,
    pub flow: &'a str,
    /// Whether the manual code has 21 digits even where 11 are enough.
    pub long: bool,
    /// Optional data by name.
    pub optional: TypedOptional<'a>,
    /// Optional data as TLV in hex, in the place of names; empty for none.
    pub extra: &'a str,
}

/// Why no code was made. Nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum CodeError {
    /// Not a vendor's ID.
    #[error("{0} (rule code.vendor-id)")]
    Vendor(IdError),
    /// Not a product's ID.
    #[error("{0} (rule code.product-id)")]
    Product(IdError),
    /// A value that breaks a rule.
    #[error("{0} (rule {name})", name = .0.rule().name)]
    Value(ValueError),
    /// Values that do not go together.
    #[error("{0} (rule {name})", name = .0.rule().name)]
    Payload(PayloadError),
    /// Further data that is not hex.
    #[error("the further data is not hex: {0} (rule code.extra)")]
    ExtraHex(hex::FromHexError),
    /// Optional data that is not as it is typed.
    #[error("{0} (rule code.extra)")]
    Optional(#[from] OptionalError),
    /// A text that can't stand in one QR code with others.
    #[error("code {number} {why}")]
    Joined {
        /// Counted from 1.
        number: usize,
        /// What is wrong with it, without any of it.
        why: String,
    },
    /// More text than a symbol holds.
    #[error("the text has {0} characters; a QR symbol at level M holds at most {MAX_QR_CHARACTERS}")]
    Symbol(usize),
    /// A symbol that another reader does not read.
    #[error("the symbol {0}")]
    NotReadBack(String),
    /// A picture of the symbol could not be made.
    #[error("the picture can't be made: {0}")]
    Picture(String),
    /// A file could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
}

impl CodeError {
    /// The rule that was broken, where it was one.
    pub fn rule(&self) -> Option<&'static Rule> {
        match self {
            Self::Vendor(_) => rule("code.vendor-id"),
            Self::Product(_) => rule("code.product-id"),
            Self::Value(error) => Some(error.rule()),
            Self::Payload(error) => Some(error.rule()),
            Self::ExtraHex(_) | Self::Optional(_) => rule("code.extra"),
            Self::Joined { .. } | Self::Symbol(_) | Self::NotReadBack(_) | Self::Picture(_) | Self::Write(_) => None,
        }
    }
}

impl Advise for CodeError {
    fn kind(&self) -> Kind {
        match self {
            Self::Write(error) => error.kind(),
            Self::Picture(_) | Self::NotReadBack(_) => Kind::Surroundings,
            _ => Kind::Usage,
        }
    }

    fn advice(&self) -> Option<String> {
        let advice = match self {
            Self::Vendor(_) => "Give the vendor ID that the alliance assigned, as 1A2B, or FFF1 to FFF4 for tests.",
            Self::Product(_) => "Give the product's ID as four hexadecimal digits, 0001 to FFFF.",
            Self::Value(ValueError::PasscodeForbidden) => {
                "Anybody can guess it, so phones refuse it; generate another one from a secure random source."
            }
            Self::Value(ValueError::PasscodeText | ValueError::PasscodeRange) => {
                "Give a passcode of 1 to 99999998, as decimal digits."
            }
            Self::Value(ValueError::Discriminator(_)) => "Give a discriminator of 0 to 4095, or 0x000 to 0xFFF.",
            Self::Value(ValueError::Flow(_)) => "Give one of standard, user-intent, custom.",
            Self::Value(ValueError::Reach(_) | ValueError::ReachEmpty) => {
                "Give at least one of soft-ap, ble, ip, wifi-paf, nfc, with commas between them."
            }
            Self::Payload(PayloadError::VendorNotTold) => "Give the vendor ID, or 0000 for both.",
            Self::Payload(PayloadError::IdsNeeded) => {
                "Give both IDs: a flow that is not standard, or --long, makes a manual code that carries them."
            }
            Self::Payload(PayloadError::Optional(_)) => "Give a value within its bounds, or leave it out.",
            Self::Optional(error) => error.advice(),
            Self::Joined { .. } => "Give the QR texts of different units, each as MT:… and each sound by itself.",
            Self::Payload(_) | Self::ExtraHex(_) => {
                "Give one TLV structure without a tag, in hex, or leave the further data out."
            }
            Self::Symbol(_) => "Put fewer codes into one symbol, or shorten their optional data.",
            Self::Picture(_) | Self::NotReadBack(_) => {
                "Report this with the values that were given, except the passcode."
            }
            Self::Write(error) => return error.advice(),
        };
        Some(advice.to_owned())
    }
}

/// A code as it was made.
#[derive(Serialize)]
pub struct MadeCode {
    pub qr: String,
    /// Manual code, digits alone.
    pub manual: String,
    /// Manual code as it is printed.
    pub manual_printed: String,
    /// Vendor ID; `0000` for "not stated".
    pub vendor_id: String,
    /// Product ID; `0000` for "not stated".
    pub product_id: String,
    /// Whether the vendor ID is one for tests.
    pub test: bool,
    pub flow: &'static str,
    /// How the device is reached.
    pub reach: Vec<&'static str>,
    pub discriminator: u16,
    pub passcode: u32,
    /// Optional data by name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub optional: Option<OptionalView>,
    /// Optional data as TLV in hex.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub extra: String,
    /// What to know before the code is used.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<&'static str>,
}

impl MadeCode {
    fn of(payload: &Payload, manual: &ManualCode) -> Self {
        Self {
            qr: payload.qr_text(),
            manual: manual.digits().to_owned(),
            manual_printed: manual.printed(),
            vendor_id: format!("{:04X}", payload.vendor().map_or(0, VendorId::get)),
            product_id: format!("{:04X}", payload.product().map_or(0, ProductId::get)),
            test: payload.vendor().is_some_and(VendorId::is_test),
            flow: payload.flow.word(),
            reach: Reach::words_of(payload.reach.bits()).collect(),
            discriminator: payload.discriminator.get(),
            passcode: payload.passcode.get(),
            optional: payload.optional().as_ref().map(OptionalView::of),
            extra: hex::encode(payload.extra()),
            warnings: payload.reach.warning().into_iter().collect(),
        }
    }
}

/// Makes a code and, where asked, the pictures of its symbol.
///
/// # Errors
///
/// [`CodeError`], with nothing written.
pub fn make(typed: &TypedCode<'_>, svg: Option<&Path>, png: Option<&Path>) -> Result<MadeCode, CodeError> {
    let payload = payload(typed)?;
    let manual = payload.manual_code(typed.long).map_err(CodeError::Payload)?;
    let made = MadeCode::of(&payload, &manual);
    draw(&made.qr, svg, png)?;
    Ok(made)
}

/// Pixels of a module in a PNG.
const PIXELS: u32 = 8;

/// Draws the symbol of a text and reads it back, then writes the pictures that are asked for.
pub(super) fn draw(qr: &str, svg: Option<&Path>, png: Option<&Path>) -> Result<(), CodeError> {
    if svg.is_none() && png.is_none() {
        return Ok(());
    }
    let symbol = symbol(qr)?;
    symbol.prove(qr).map_err(CodeError::NotReadBack)?;
    let mut pending = Pending::default();
    if let Some(path) = svg {
        pending.add(path, symbol.to_svg().as_bytes(), Readers::Usual)?;
    }
    if let Some(path) = png {
        let picture = symbol.to_png(PIXELS).map_err(|error| CodeError::Picture(error.to_string()))?;
        pending.add(path, &picture, Readers::Usual)?;
    }
    Ok(pending.place()?)
}

fn payload(typed: &TypedCode<'_>) -> Result<Payload, CodeError> {
    let vendor = match typed.vendor.parse::<VendorId>() {
        Ok(vendor) => Some(vendor),
        Err(IdError::VendorRange(0)) => None,
        Err(error) => return Err(CodeError::Vendor(error)),
    };
    let product = match typed.product.parse::<ProductId>() {
        Ok(product) => Some(product),
        Err(IdError::ProductZero) => None,
        Err(error) => return Err(CodeError::Product(error)),
    };
    let payload = Payload::new(
        (vendor, product),
        typed.flow.parse::<Flow>().map_err(CodeError::Value)?,
        typed.reach.parse::<Reach>().map_err(CodeError::Value)?,
        typed.discriminator.parse::<Discriminator>().map_err(CodeError::Value)?,
        typed.passcode.parse::<Passcode>().map_err(CodeError::Value)?,
    );
    let extra = hex::decode(typed.extra).map_err(CodeError::ExtraHex)?;
    let payload = payload.and_then(|payload| payload.with_extra(extra)).map_err(CodeError::Payload)?;
    let optional = typed.optional.read()?;
    if optional.is_empty() { Ok(payload) } else { payload.with_optional(&optional).map_err(CodeError::Payload) }
}
