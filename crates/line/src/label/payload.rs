//! What the codes on a label say of the unit, as far as labels must know it.
//!
//! Core Spec 5.1.3 (packed payload, Base-38) and 5.1.4 (manual code): which
//! vendor and product, and whether QR text and manual code are of one unit. A
//! label with the manual code of another unit locks its owner out, and one of a
//! test product without its mark ends in a shop. Reading and judging the codes is
//! the work of `standard`: a code that breaks a rule gets no label.

use standard::onboarding::{Form, Reading, read};
use standard::verdict::Severity;
use zeroize::Zeroize;

/// One payload, unpacked. No `Debug`: it holds the passcode.
#[derive(Clone, PartialEq, Eq)]
pub(super) struct Payload {
    pub vendor_id: u16,
    pub product_id: u16,
    pub flow: u8,
    pub reach: u8,
    pub discriminator: u16,
    pub passcode: u32,
}

impl Drop for Payload {
    fn drop(&mut self) {
        self.passcode.zeroize();
    }
}

/// What a manual code tells.
pub(super) struct Manual {
    pub short_discriminator: u8,
    pub passcode: u32,
    pub vendor_id: Option<u16>,
    pub product_id: Option<u16>,
}

impl Drop for Manual {
    fn drop(&mut self) {
        self.passcode.zeroize();
    }
}

/// The first rule that a code breaks, without any of the code.
fn broken(reading: &Reading) -> Option<String> {
    let finding = reading.findings.iter().map(|l| &l.finding).find(|f| f.severity == Severity::Error)?;
    Some(format!("breaks {}: {}", finding.rule.name, finding.rule.required))
}

/// Unpacks each payload of a QR text; the error never holds any of it.
pub(super) fn unpack(qr: &str) -> Result<Vec<Payload>, String> {
    if let Some(why) = broken(&read(qr)) {
        return Err(why);
    }
    scanned(qr).ok_or_else(|| "is not QR text".into())
}

/// What a scanned QR text tells, though it may break a rule: enough to say how
/// it differs from another.
pub(super) fn scanned(qr: &str) -> Option<Vec<Payload>> {
    let reading = read(qr);
    if reading.form != Form::Qr || reading.payloads.iter().any(|f| f.passcode.is_none()) {
        return None;
    }
    let payload = |f: &standard::onboarding::Fields| Payload {
        vendor_id: f.vendor_id.unwrap_or(0),
        product_id: f.product_id.unwrap_or(0),
        flow: f.flow.unwrap_or(0),
        reach: f.reach.unwrap_or(0),
        discriminator: f.discriminator.unwrap_or(0),
        passcode: f.passcode.unwrap_or(0),
    };
    Some(reading.payloads.iter().map(payload).collect()).filter(|all: &Vec<Payload>| !all.is_empty())
}

/// The digits of a manual code: hyphens and blanks between them are for people.
pub(super) fn digits(manual: &str) -> zeroize::Zeroizing<String> {
    zeroize::Zeroizing::new(manual.chars().filter(|c| !matches!(c, '-' | ' ')).collect())
}

/// Takes a manual code apart; the error never holds any of it.
pub(super) fn take_apart(manual: &str) -> Result<Manual, String> {
    if let Some(why) = broken(&read(manual)) {
        return Err(why);
    }
    typed(manual).ok_or_else(|| "is not a manual code".into())
}

/// What a typed manual code tells, though it may break a rule.
pub(super) fn typed(manual: &str) -> Option<Manual> {
    let reading = read(manual);
    if reading.form != Form::Manual {
        return None;
    }
    match reading.payloads.first().map(|f| (f.short_discriminator, f.passcode, f)) {
        Some((Some(short_discriminator), Some(passcode), f)) => {
            Some(Manual { short_discriminator, passcode, vendor_id: f.vendor_id, product_id: f.product_id })
        }
        _ => None,
    }
}

/// Names what sets `b` apart from `a`.
pub(super) fn differences(a: &Payload, b: &Payload) -> Vec<&'static str> {
    let rows = [
        ("vendor id", a.vendor_id == b.vendor_id),
        ("product id", a.product_id == b.product_id),
        ("flow", a.flow == b.flow),
        ("reach", a.reach == b.reach),
        ("discriminator", a.discriminator == b.discriminator),
        ("passcode", a.passcode == b.passcode),
    ];
    rows.into_iter().filter(|(_, same)| !same).map(|(name, _)| name).collect()
}

/// [`differences`] between a payload and a manual code.
pub(super) fn differences_of_manual(payload: &Payload, manual: &Manual) -> Vec<&'static str> {
    let rows = [
        ("vendor id", manual.vendor_id.is_none_or(|id| id == payload.vendor_id)),
        ("product id", manual.product_id.is_none_or(|id| id == payload.product_id)),
        ("discriminator", u16::from(manual.short_discriminator) == payload.discriminator >> 8),
        ("passcode", manual.passcode == payload.passcode),
    ];
    rows.into_iter().filter(|(_, same)| !same).map(|(name, _)| name).collect()
}

/// Whether an id is one of the four test vendors, Core Spec 2.5.2.1.
pub(super) fn is_test_vendor(vendor_id: u16) -> bool {
    (0xFFF1..=0xFFF4).contains(&vendor_id)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked values, common practice in the trade: VID 0xFFF1, PID 0x8000, standard flow,
    /// Bluetooth LE, discriminator 3840, passcode 20202021.
    #[test]
    fn the_worked_values_are_read() {
        let payloads = unpack("MT:Y.K9042C00KA0648G00").unwrap_or_else(|why| panic!("{why}"));
        let [p] = payloads.as_slice() else { panic!("one payload") };
        assert_eq!((p.vendor_id, p.product_id, p.flow, p.reach), (0xFFF1, 0x8000, 0, 2));
        assert_eq!((p.discriminator, p.passcode), (3840, 20_202_021));
        let manual = take_apart("3497-011-2332").unwrap_or_else(|why| panic!("{why}"));
        assert_eq!((manual.short_discriminator, manual.passcode), (15, 20_202_021));
        assert!(differences_of_manual(p, &manual).is_empty());
        let other = take_apart(&other_code()).unwrap_or_else(|why| panic!("{why}"));
        assert_eq!(differences_of_manual(p, &other), ["passcode"]);
    }

    /// The worked code with another passcode, check digit and all.
    fn other_code() -> String {
        let digits = [3, 4, 9, 7, 0, 2, 1, 2, 3, 3];
        let check = standard::onboarding::verhoeff::check_digit(&digits);
        digits.iter().chain([&check]).map(ToString::to_string).collect()
    }

    #[test]
    fn what_is_no_code_is_refused() {
        for (text, why) in [
            ("Y.K9042C00KA0648G00", "code.prefix"),
            ("MT:Y.K9042C00KA0648G0", "code.length"),
            ("MT:Y.K9042C00KA0648G0_", "code."),
            ("MT:y.k9042c00ka0648g00", "code.alphabet"),
            ("MT:Y.K90", "code.length"),
            ("MT:", "code.length"),
        ] {
            let error = unpack(text).err().unwrap_or_else(|| panic!("{text} is read"));
            assert!(error.contains(why), "{text}: {error}");
        }
        for text in ["", "3497011233", "349701123321", "3497011233x", "74970112332", "349701123320123456789"] {
            assert!(take_apart(text).is_err(), "{text}");
        }
    }
}
