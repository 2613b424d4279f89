//! Rules of onboarding codes: QR text and manual codes.

use crate::verdict::{Rule, Severity};

const fn error(name: &'static str, clause: &'static str, required: &'static str, advice: &'static str) -> Rule {
    Rule { name, clause, severity: Severity::Error, required, advice }
}

/// In the order of the code itself: its text, then its fields, then what follows them.
pub(crate) const TABLE: &[Rule] = &[
    error(
        "code.prefix",
        "Core Spec 5.1.3.1",
        "QR text begins with MT: in upper case, once, before the first payload.",
        "A phone does not recognise a symbol without this prefix. Make the code again.",
    ),
    error(
        "code.alphabet",
        "Core Spec 5.1.3.1, 5.1.4.1",
        "QR text is Base-38 after its prefix: 0-9, A-Z, - and . in groups that encode whole bytes; \
         a manual code is decimal digits, with optional hyphens and spaces between them.",
        "Look for a misread or mistyped character, such as O for 0 or a small letter, and read the code again.",
    ),
    error(
        "code.length",
        "Core Spec 5.1.3.1, 5.1.4.1",
        "A payload has 11 bytes before any further data, which is 19 characters of QR text; \
         a manual code has 11 digits, or 21 if its first digit means that vendor and product follow.",
        "Something was cut off, left out or added; read the whole code again.",
    ),
    error(
        "code.version",
        "Core Spec 5.1.1.1, 5.1.4.1",
        "The version is 0, and a manual code begins with 0 to 7.",
        "No release of the standard has another version, so phones refuse it. Make the code again.",
    ),
    error(
        "code.padding",
        "Core Spec 5.1.3.1",
        "The four bits after the passcode are 0.",
        "The payload was packed wrongly; make the code again from its values.",
    ),
    error(
        "code.passcode",
        "Core Spec 5.1.7",
        "The passcode is 1 to 99999998, and none of 11111111, 22222222 to 88888888, 12345678 and 87654321.",
        "Anybody can guess it, so phones refuse it. Generate another passcode from a secure random source.",
    ),
    error(
        "code.discriminator",
        "Core Spec 5.1.1.5, 5.1.4.1",
        "The discriminator is 0 to 4095; in a manual code, digits 2 to 6 are at most 65535.",
        "The phone looks for a device by this number; make the code again with one of twelve bits.",
    ),
    error(
        "code.vendor-id",
        "Core Spec 2.5.2, 5.1.1.2",
        "The vendor ID is 0001 to FFF4; 0000, for \"not stated\", only if the product is not stated either, \
         and never in a manual code of 21 digits.",
        "Use the vendor ID that the alliance assigned, or FFF1 to FFF4 for tests.",
    ),
    error(
        "code.product-id",
        "Core Spec 2.5.3, 5.1.1.2, 5.1.4.1",
        "The product ID is at most FFFF; 0000, for \"not stated\", never in a manual code of 21 digits.",
        "Give the product's own ID: a phone uses it to look up what the owner has to do first.",
    ),
    error(
        "code.flow",
        "Core Spec 5.1.1.3",
        "The commissioning flow is 0 (standard), 1 (user intent) or 2 (custom).",
        "3 is reserved and phones may refuse it; make the code again.",
    ),
    error(
        "code.reach",
        "Core Spec 5.1.1.4",
        "Of the eight bits for how the device is reached, only bits 0 to 4 are in use: soft access point, \
         Bluetooth LE, IP network, Wi-Fi public action frame, NFC.",
        "Bits 5 to 7 are reserved. Make the code again with the ways that the device supports.",
    ),
    error(
        "code.check-digit",
        "Core Spec 5.1.4.1; J. Verhoeff, Error Detecting Decimal Codes, 1969",
        "The last digit is the Verhoeff check digit of those before it.",
        "At least one digit was mistyped or two were swapped; type the code again from the label.",
    ),
    error(
        "code.extra",
        "Core Spec 5.1.5, Appendix A",
        "After the 11 bytes of a payload there is at most one complete TLV element, a structure without a tag: a serial \
         number of 1 to 32 bytes, an iteration count of 1000 to 100000, a salt of 16 to 32 bytes, a number of devices \
         of 1 to 255, a timeout of 1 to 65535 s, and the maker's own values under 0x80 to 0xFF.",
        "The further data was cut off or is something else; make the code again, with or without it.",
    ),
];

pub(crate) const PREFIX: &Rule = &TABLE[0];
pub(crate) const ALPHABET: &Rule = &TABLE[1];
pub(crate) const LENGTH: &Rule = &TABLE[2];
pub(crate) const VERSION: &Rule = &TABLE[3];
pub(crate) const PADDING: &Rule = &TABLE[4];
pub(crate) const PASSCODE: &Rule = &TABLE[5];
pub(crate) const DISCRIMINATOR: &Rule = &TABLE[6];
pub(crate) const VENDOR_ID: &Rule = &TABLE[7];
pub(crate) const PRODUCT_ID: &Rule = &TABLE[8];
pub(crate) const FLOW: &Rule = &TABLE[9];
pub(crate) const REACH: &Rule = &TABLE[10];
pub(crate) const CHECK_DIGIT: &Rule = &TABLE[11];
pub(crate) const EXTRA: &Rule = &TABLE[12];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_names_point_at_their_rows() {
        for (rule, name) in [
            (PREFIX, "code.prefix"),
            (ALPHABET, "code.alphabet"),
            (LENGTH, "code.length"),
            (VERSION, "code.version"),
            (PADDING, "code.padding"),
            (PASSCODE, "code.passcode"),
            (DISCRIMINATOR, "code.discriminator"),
            (VENDOR_ID, "code.vendor-id"),
            (PRODUCT_ID, "code.product-id"),
            (FLOW, "code.flow"),
            (REACH, "code.reach"),
            (CHECK_DIGIT, "code.check-digit"),
            (EXTRA, "code.extra"),
        ] {
            assert_eq!(rule.name, name);
        }
        assert_eq!(TABLE.len(), 13);
    }
}
