//! Specimens of the rules on onboarding codes and passcode verifiers: texts,
//! each with the call that finds it out.

use crate::onboarding::{Passcode, base38_encode, verhoeff};
use crate::passcode_verifier::{Iterations, PasscodeVerifier, Salt};

/// A text that breaks one rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextSpecimen {
    /// Rule that is broken.
    pub rule: &'static str,
    /// What is wrong, as a sentence.
    pub what: &'static str,
    /// Arguments of `touchmark` that find just that.
    pub arguments: Vec<String>,
}

/// Fields of a packed payload, as they stand, sound or not (Core Spec 5.1.3.1).
struct Bits {
    version: u128,
    vendor: u128,
    flow: u128,
    reach: u128,
    passcode: u128,
    padding: u128,
}

/// Passcode and discriminator of the standard's worked example.
const PASSCODE: u32 = 20_202_021;
const DISCRIMINATOR: u128 = 3840;

impl Default for Bits {
    fn default() -> Self {
        Self { version: 0, vendor: 0xFFF1, flow: 0, reach: 2, passcode: PASSCODE.into(), padding: 0 }
    }
}

impl Bits {
    fn text(&self, extra: &[u8]) -> String {
        let bits = self.version
            | self.vendor << 3
            | 0x8000 << 19
            | self.flow << 35
            | self.reach << 37
            | DISCRIMINATOR << 45
            | self.passcode << 57
            | self.padding << 84;
        let octets = [&bits.to_le_bytes()[..11], extra].concat();
        format!("MT:{}", base38_encode(&octets))
    }
}

/// A manual code of these digits with its right check digit.
fn manual(digits: &str) -> String {
    let values: Vec<u8> = digits.bytes().map(|b| b - b'0').collect();
    format!("{digits}{}", verhoeff::check_digit(&values))
}

fn code(rule: &'static str, what: &'static str, text: String) -> TextSpecimen {
    TextSpecimen { rule, what, arguments: vec!["code".into(), "read".into(), text] }
}

/// Every rule's text, in the catalogue's order.
pub fn texts() -> Vec<TextSpecimen> {
    let good = Bits::default().text(&[]);
    let lower = good.replacen("MT:", "mt:", 1);
    let odd = good.replacen('Y', "!", 1);
    let short = good[..good.len() - 3].to_owned();
    // The worked manual code is 34970112332; its last digit is the check digit.
    let wrong = "34970112333".to_owned();
    let mut all = vec![
        code("code.prefix", "The prefix is in lower case.", lower),
        code("code.alphabet", "A character is not in Base-38.", odd),
        code("code.length", "The last characters are missing.", short),
        code("code.version", "The version is 1.", Bits { version: 1, ..Bits::default() }.text(&[])),
        code("code.padding", "A padding bit is set.", Bits { padding: 1, ..Bits::default() }.text(&[])),
        code("code.passcode", "The passcode is 11111111.", Bits { passcode: 11_111_111, ..Bits::default() }.text(&[])),
        code("code.discriminator", "Digits 2 to 6 are above 65535.", manual("3655401233")),
        code("code.vendor-id", "The vendor ID is FFF5.", Bits { vendor: 0xFFF5, ..Bits::default() }.text(&[])),
        code("code.product-id", "A manual code of 21 digits has product ID 0000.", manual("74970112336552100000")),
        code("code.flow", "The commissioning flow is 3.", Bits { flow: 3, ..Bits::default() }.text(&[])),
        code(
            "code.reach",
            "A reserved bit of the ways to reach the device is set.",
            Bits { reach: 0x82, ..Bits::default() }.text(&[]),
        ),
        code("code.check-digit", "The check digit is wrong.", wrong),
        code("code.extra", "The data after the payload is not TLV.", Bits::default().text(&[0x1F, 0x1F])),
    ];
    all.extend(verifiers());
    all
}

fn verifiers() -> Vec<TextSpecimen> {
    const SALT: [u8; 32] = [0x53; 32];
    let check = |rule, what, salt: &[u8], iterations: u32, verifier: &[u8]| TextSpecimen {
        rule,
        what,
        arguments: [
            "verifier",
            "check",
            "--passcode",
            &PASSCODE.to_string(),
            "--salt",
            &hex::encode(salt),
            "--iterations",
            &iterations.to_string(),
            "--verifier",
            &hex::encode(verifier),
        ]
        .map(str::to_owned)
        .into(),
    };
    let derive = |passcode: u32| -> Option<Vec<u8>> {
        let salt = Salt::new(&SALT).ok()?;
        let verifier = PasscodeVerifier::derive(&Passcode::new(passcode).ok()?, &salt, Iterations::new(1000).ok()?);
        verifier.ok().map(|v| v.octets().to_vec())
    };
    // The values are within every bound, so both derivations succeed.
    let (Some(good), Some(other)) = (derive(PASSCODE), derive(PASSCODE + 1)) else { return Vec::new() };
    let mut off = good.clone();
    off[96] ^= 1;
    vec![
        check("verifier.iterations", "999 iterations.", &SALT, 999, &good),
        check("verifier.salt", "A salt of 15 bytes.", &SALT[..15], 1000, &good),
        check("verifier.point", "L is not a point on the curve.", &SALT, 1000, &off),
        check("verifier.mismatch", "The verifier belongs to another passcode.", &SALT, 1000, &other),
    ]
}
