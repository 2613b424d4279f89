//! Rules on one certificate, for each of the three kinds.
//!
//! Source: Core Spec 6.2.2.3 (DAC), 6.2.2.4 (PAI), 6.2.2.5 (PAA), each over the
//! clause of RFC 5280 that it profiles.

use super::super::certificate as check;
use super::super::{Report, Rule, Severity};
use crate::certificate::{Certificate, Profile};

super::rules! {
    PRESENT:
    NOT_CURRENT = "dac.not-current", Warning, "RFC 5280 §4.1.2.5";
        "The DAC is valid now.";
        "Verifiers judge it at its notBefore and take it. Ask the authority whether these dates are meant before it goes into a unit.";
}

/// One row: the rule as it reads for each kind, and the check behind all three.
pub struct CertificateRule {
    pub dac: Rule,
    pub pai: Rule,
    pub paa: Rule,
    /// Adds a finding for each breach.
    pub check: fn(&Certificate, Profile, &'static Rule, &mut Report),
}

impl CertificateRule {
    /// The rule as it reads for that kind.
    pub fn of(&'static self, profile: Profile) -> &'static Rule {
        match profile {
            Profile::Dac => &self.dac,
            Profile::Pai => &self.pai,
            Profile::Paa => &self.paa,
        }
    }
}

macro_rules! certificate_rules {
    ($($name:literal, $rfc:literal, $check:path; [$dac:expr, $pai:expr, $paa:expr]; $advice:literal;)*) => {
        /// The table, in the order in which the fields stand in a certificate.
        pub static TABLE: &[CertificateRule] = &[$(CertificateRule {
            dac: Rule {
                name: concat!("dac.", $name), clause: concat!("Core Spec 6.2.2.3; ", $rfc),
                severity: Severity::Error, required: $dac, advice: $advice,
            },
            pai: Rule {
                name: concat!("pai.", $name), clause: concat!("Core Spec 6.2.2.4; ", $rfc),
                severity: Severity::Error, required: $pai, advice: $advice,
            },
            paa: Rule {
                name: concat!("paa.", $name), clause: concat!("Core Spec 6.2.2.5; ", $rfc),
                severity: Severity::Error, required: $paa, advice: $advice,
            },
            check: $check,
        }),*];
    };
}

const ENCODING: &str = "One certificate in DER and nothing after it.";
const SIZE: &str = "At most 600 bytes in DER.";
const VERSION: &str = "Version 3, written as the number 2.";
const SERIAL: &str = "The serial number is positive and takes at most 20 content bytes.";
const ALGORITHM: &str = "ecdsa-with-SHA256 without parameters, with the same name inside and outside the signed part.";
const KEY: &str = "An id-ecPublicKey on prime256v1: an uncompressed point of the curve, 65 bytes.";
const VALIDITY: &str = "notBefore and notAfter in UTC with seconds: UTCTime through 2049, GeneralizedTime from 2050; notBefore not after notAfter.";
const SUBJECT: &str = "A subject that is not empty and whose strings can be read.";
const CA_USAGE: &str =
    "keyUsage is present, critical, and has keyCertSign and cRLSign; digitalSignature may be set, nothing else.";
const EXTENSIONS: &str =
    "No extension twice, no unknown critical one, and none critical except basicConstraints and keyUsage.";

certificate_rules! {
    "encoding", "RFC 5280 §4.1", check::encoding;
    [ENCODING, ENCODING, ENCODING];
    "A strict reader refuses it. Ask the issuer for the original DER. If this is the original, its software writes BER.";

    "size", "Core Spec 6.1.3", check::size;
    [SIZE, SIZE, SIZE];
    "Devices reserve 600 bytes. Ask for a certificate with shorter names and without optional extensions.";

    "version", "RFC 5280 §4.1.2.1", check::version;
    [VERSION, VERSION, VERSION];
    "Extensions exist only in version 3. Have it issued again.";

    "serial", "RFC 5280 §4.1.2.2", check::serial;
    [SERIAL, SERIAL, SERIAL];
    "Readers need not handle other numbers, and a revocation list could not name it. Have it issued again.";

    "signature-algorithm", "RFC 5280 §4.1.1.2, RFC 5758 §3.2", check::signature_algorithm;
    [ALGORITHM, ALGORITHM, ALGORITHM];
    "Verifiers of this standard accept no other algorithm. Have it signed again with SHA-256 by a P-256 key.";

    "public-key", "RFC 5480 §2.1.1, §2.2", check::public_key;
    [KEY, KEY, KEY];
    "The key can't be used for attestation. Check which key was sent to the authority: it must be the chip's.";

    "validity", "RFC 5280 §4.1.2.5", check::validity;
    [VALIDITY, VALIDITY, VALIDITY];
    "Readers interpret it differently. Have it issued again with times in the required form.";

    "subject", "RFC 5280 §4.1.2.6", check::subject;
    [SUBJECT, SUBJECT, SUBJECT];
    "Have it issued again with a proper name.";

    "vendor-id", "Core Spec 6.2.2.2", check::vendor_id;
    [
        "The subject has exactly one vendor ID, as four upper-case hex digits.",
        "The subject has exactly one vendor ID, as four upper-case hex digits.",
        "The subject has at most one vendor ID, as four upper-case hex digits."
    ];
    "Have it issued again with the vendor ID as attribute 1.3.6.1.4.1.37244.2.1 or, if the authority can't do that, as \"Mvid:\" and four digits in the commonName.";

    "product-id", "Core Spec 6.2.2.2", check::product_id;
    [
        "The subject has exactly one product ID, as four upper-case hex digits.",
        "The subject has at most one product ID, as four upper-case hex digits.",
        "The subject has no product ID."
    ];
    "Have it issued again with the product ID as attribute 1.3.6.1.4.1.37244.2.2 or, if the authority can't do that, as \"Mpid:\" and four digits in the commonName. A PAA has none.";

    "issuer", "RFC 5280 §4.1.2.4", check::issuer;
    [
        "The issuer's name is its PAI's subject: not empty, with exactly one vendor ID and at most one product ID.",
        "The issuer's name is its PAA's subject: not empty, with at most one vendor ID.",
        "The issuer's name equals the subject: a PAA is self-signed."
    ];
    "Verifiers follow the issuer's name. Ask the authority under which certificate it issued this one.";

    "basic-constraints", "RFC 5280 §4.2.1.9", check::basic_constraints;
    [
        "basicConstraints is present, critical, and an empty sequence: no cA, no pathLenConstraint.",
        "basicConstraints is present, critical, with cA set and pathLenConstraint 0.",
        "basicConstraints is present, critical, with cA set and pathLenConstraint absent or 1."
    ];
    "It controls who may issue further certificates, so verifiers refuse a chain in which it is wrong. Have it issued again.";

    "key-usage", "RFC 5280 §4.2.1.3", check::key_usage;
    ["keyUsage is present, critical, and has digitalSignature and nothing else.", CA_USAGE, CA_USAGE];
    "It controls what the key may do, so verifiers refuse a chain in which it is wrong. Have it issued again.";

    "subject-key-id", "RFC 5280 §4.2.1.2", check::subject_key_id;
    [
        "subjectKeyIdentifier is present, not critical, 20 bytes.",
        "subjectKeyIdentifier is present, not critical, 20 bytes.",
        "subjectKeyIdentifier is present, not critical, 20 bytes."
    ];
    "Chains, lists and declarations refer to keys by this identifier. Have it issued again.";

    "authority-key-id", "RFC 5280 §4.2.1.1", check::authority_key_id;
    [
        "authorityKeyIdentifier is present, not critical, and gives a key identifier.",
        "authorityKeyIdentifier is present, not critical, and gives a key identifier.",
        "authorityKeyIdentifier is present, not critical, and equals the PAA's own subjectKeyIdentifier."
    ];
    "Chains are linked by this identifier. Have it issued again.";

    "extensions", "RFC 5280 §4.2", check::extensions;
    [EXTENSIONS, EXTENSIONS, EXTENSIONS];
    "A verifier must refuse an unknown extension that is marked critical. Have it issued again without it.";
}
