//! Reading a code: what it tells, and the verdict on it.

use base::finding_view::FindingView;
use serde::Serialize;
use standard::ids::VendorId;
use standard::onboarding::{self, Fields, Flow, Form, Payload, Reach, Reading};

use super::optional::OptionalView;

/// What one payload tells, as far as it does.
#[derive(Default, Serialize)]
pub struct ToldCode {
    /// QR text with this payload alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub qr: Option<String>,
    /// Manual code, digits alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub manual: Option<String>,
    /// Vendor ID; `0000` for "not stated".
    #[serde(skip_serializing_if = "Option::is_none")]
    pub vendor_id: Option<String>,
    /// Product ID; `0000` for "not stated".
    #[serde(skip_serializing_if = "Option::is_none")]
    pub product_id: Option<String>,
    /// Whether the vendor ID is one for tests.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub test: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flow: Option<&'static str>,
    /// How the device is reached.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reach: Option<Vec<&'static str>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub discriminator: Option<u16>,
    /// Its high four bits, all that a manual code tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub short_discriminator: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub passcode: Option<u32>,
    /// Optional data by name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub optional: Option<OptionalView>,
    /// Optional data as TLV in hex.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub extra: Option<String>,
}

impl ToldCode {
    fn of(fields: &Fields) -> Self {
        let payload = fields.payload();
        let manual = payload.as_ref().and_then(|payload| payload.manual_code(false).ok());
        Self {
            qr: payload.as_ref().map(Payload::qr_text),
            manual: manual.map(|manual| manual.digits().to_owned()),
            vendor_id: fields.vendor_id.map(|id| format!("{id:04X}")),
            product_id: fields.product_id.map(|id| format!("{id:04X}")),
            test: fields.vendor_id.map(|id| VendorId::new(id).is_ok_and(VendorId::is_test)),
            flow: fields.flow.and_then(Flow::from_bits).map(Flow::word),
            reach: fields.reach.map(|bits| Reach::words_of(bits).collect()),
            discriminator: fields.discriminator,
            short_discriminator: fields.short_discriminator,
            passcode: fields.passcode,
            optional: fields.optional().as_ref().map(OptionalView::of),
            extra: fields.extra.as_ref().map(hex::encode),
        }
    }
}

/// A code that a single slip would explain.
#[derive(Serialize)]
pub struct ToldSlip {
    pub manual: String,
    /// What went wrong, if this was meant.
    pub slip: String,
}

/// What was read, and the verdict.
#[derive(Serialize)]
pub struct ReadCode {
    /// `qr` or `manual`.
    pub form: &'static str,
    /// What the code tells; of several payloads only its text.
    #[serde(flatten)]
    pub told: ToldCode,
    /// What each payload tells, where there are several.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub payloads: Vec<ToldCode>,
    /// Manual codes that a single slip would explain.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub could_be: Vec<ToldSlip>,
    /// `accepted` or `rejected`.
    pub verdict: &'static str,
    pub findings: Vec<FindingView>,
}

/// Reads the text of a QR code or a manual code; any text will do.
pub fn read(text: &str) -> ReadCode {
    let reading = onboarding::read(text);
    let mut told: Vec<ToldCode> = reading.payloads.iter().map(ToldCode::of).collect();
    let several = told.len() > 1;
    let mut whole = if several { ToldCode::default() } else { told.pop().unwrap_or_default() };
    match reading.form {
        Form::Qr => whole.qr = Some(text.trim_matches(['\r', '\n', '\t']).to_owned()),
        Form::Manual => whole.manual = reading.digits.clone(),
    }
    let subject = |payload: Option<usize>| match payload {
        Some(index) if several => format!("payload {}", index + 1),
        _ => "code".to_owned(),
    };
    ReadCode {
        form: match reading.form {
            Form::Qr => "qr",
            Form::Manual => "manual",
        },
        told: whole,
        payloads: told,
        could_be: slips(&reading),
        verdict: reading.verdict().word(),
        findings: reading.findings.iter().map(|l| FindingView::of(subject(l.payload), &l.finding)).collect(),
    }
}

fn slips(reading: &Reading) -> Vec<ToldSlip> {
    let told = |slip: &onboarding::Slip| ToldSlip { manual: slip.digits.clone(), slip: slip.kind.to_string() };
    reading.could_be.iter().map(told).collect()
}
