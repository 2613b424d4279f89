//! Object identifiers, as the contents octets that stand in DER.

use const_oid::ObjectIdentifier;
use const_oid::db::DB;

macro_rules! oids {
    ($($(#[$doc:meta])* $name:ident = $text:literal;)*) => {$(
        $(#[$doc])*
        pub const $name: &[u8] = {
            const OID: ObjectIdentifier = ObjectIdentifier::new_unwrap($text);
            OID.as_bytes()
        };
    )*};
}

oids! {
    /// Vendor ID in a distinguished name (Core Spec 6.2.2.2).
    VENDOR_ID = "1.3.6.1.4.1.37244.2.1";
    /// Product ID in a distinguished name (Core Spec 6.2.2.2).
    PRODUCT_ID = "1.3.6.1.4.1.37244.2.2";
    /// commonName (RFC 4519 §2.3).
    COMMON_NAME = "2.5.4.3";
    /// organizationName (RFC 4519 §2.19).
    ORGANIZATION = "2.5.4.10";
    /// id-ecPublicKey (RFC 5480 §2.1.1).
    EC_PUBLIC_KEY = "1.2.840.10045.2.1";
    /// secp256r1, also called prime256v1 (RFC 5480 §2.1.1.1).
    PRIME256V1 = "1.2.840.10045.3.1.7";
    /// ecdsa-with-SHA256 (RFC 5758 §3.2).
    ECDSA_SHA256 = "1.2.840.10045.4.3.2";
    /// ecdsa-with-SHA384 (RFC 5758 §3.2).
    ECDSA_SHA384 = "1.2.840.10045.4.3.3";
    /// ecdsa-with-SHA512 (RFC 5758 §3.2).
    ECDSA_SHA512 = "1.2.840.10045.4.3.4";
    /// subjectKeyIdentifier (RFC 5280 §4.2.1.2).
    SUBJECT_KEY_ID = "2.5.29.14";
    /// keyUsage (RFC 5280 §4.2.1.3).
    KEY_USAGE = "2.5.29.15";
    /// subjectAltName (RFC 5280 §4.2.1.6).
    SUBJECT_ALT_NAME = "2.5.29.17";
    /// basicConstraints (RFC 5280 §4.2.1.9).
    BASIC_CONSTRAINTS = "2.5.29.19";
    /// cRLNumber (RFC 5280 §5.2.3).
    CRL_NUMBER = "2.5.29.20";
    /// reasonCode (RFC 5280 §5.3.1).
    REASON_CODE = "2.5.29.21";
    /// deltaCRLIndicator (RFC 5280 §5.2.4).
    DELTA_CRL_INDICATOR = "2.5.29.27";
    /// issuingDistributionPoint (RFC 5280 §5.2.5).
    ISSUING_DISTRIBUTION_POINT = "2.5.29.28";
    /// certificateIssuer (RFC 5280 §5.3.3).
    CERTIFICATE_ISSUER = "2.5.29.29";
    /// cRLDistributionPoints (RFC 5280 §4.2.1.13).
    CRL_DISTRIBUTION_POINTS = "2.5.29.31";
    /// certificatePolicies (RFC 5280 §4.2.1.4).
    CERTIFICATE_POLICIES = "2.5.29.32";
    /// authorityKeyIdentifier (RFC 5280 §4.2.1.1).
    AUTHORITY_KEY_ID = "2.5.29.35";
    /// extKeyUsage (RFC 5280 §4.2.1.12).
    EXTENDED_KEY_USAGE = "2.5.29.37";
    /// authorityInfoAccess (RFC 5280 §4.2.2.1).
    AUTHORITY_INFO_ACCESS = "1.3.6.1.5.5.7.1.1";
    /// id-data (RFC 5652 §4).
    ID_DATA = "1.2.840.113549.1.7.1";
    /// id-signedData (RFC 5652 §5.1).
    ID_SIGNED_DATA = "1.2.840.113549.1.7.2";
}

/// A name where one is known, else the dotted form; for findings.
pub fn named(content: &[u8]) -> String {
    match content {
        _ if content == VENDOR_ID => return "VID".into(),
        _ if content == PRODUCT_ID => return "PID".into(),
        _ => {}
    }
    match ObjectIdentifier::from_bytes(content) {
        Ok(oid) => DB.by_oid(&oid).map_or_else(|| oid.to_string(), str::to_owned),
        Err(_) => format!("no object identifier ({})", hex::encode(&content[..content.len().min(16)])),
    }
}
