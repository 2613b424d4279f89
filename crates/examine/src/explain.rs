//! What a certificate and a declaration say, field by field, in plain words,
//! each with the clause that asks for it.

use serde::Serialize;
use standard::certificate::{Certificate, Profile};
use standard::declaration::Declaration;
use standard::moment::NO_END;

/// One field.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Field {
    /// Its name, as the trade says it.
    pub name: &'static str,
    pub value: String,
    pub means: &'static str,
    /// The clause that asks for it.
    pub clause: &'static str,
}

fn field(name: &'static str, value: impl Into<String>, means: &'static str, clause: &'static str) -> Field {
    Field { name, value: value.into(), means, clause }
}

/// A certificate's fields; none where it can't be read.
pub fn certificate(der: &[u8], profile: Profile) -> Vec<Field> {
    let Ok(c) = Certificate::read(der) else { return Vec::new() };
    let (subject, usage) = match profile {
        Profile::Paa => ("The root, which signs intermediates.", "It may sign certificates and revocation lists."),
        Profile::Pai => {
            ("The intermediate, which signs devices' certificates.", "It may sign certificates and revocation lists.")
        }
        Profile::Dac => ("This device and no other.", "The device may sign to prove itself, and nothing else."),
    };
    let none = || "none".to_owned();
    let mut out = vec![
        field("Subject", c.subject.display(c.der()), subject, "Core Spec 6.2.2"),
        field(
            "Vendor ID",
            c.subject.identity.vendor().map_or_else(none, |v| v.to_string()),
            "The maker, as the alliance numbers it; FFF1 to FFF4 are for tests.",
            "Core Spec 6.2.2.2",
        ),
        field(
            "Product ID",
            c.subject.identity.product().map_or_else(none, |p| p.to_string()),
            "The product, as its maker numbers it.",
            "Core Spec 6.2.2.2",
        ),
        field(
            "Issuer",
            c.issuer.display(c.der()),
            "Who signed it; must equal that certificate's subject, byte for byte.",
            "RFC 5280 4.1.2.4",
        ),
        field("Serial number", c.serial_hex(), "Unique for its issuer, at most 20 bytes.", "RFC 5280 4.1.2.2"),
        field(
            "Valid from",
            c.not_before.moment.map_or_else(|| "unreadable".into(), |m| m.to_string()),
            "A verifier judges the chain at this moment of the device's certificate.",
            "Core Spec 6.2.3.1",
        ),
        field(
            "Valid until",
            match c.not_after.moment {
                Some(m) if m == NO_END => "no expiry".into(),
                Some(m) => m.to_string(),
                None => "unreadable".into(),
            },
            "A device's identity usually outlives its authority's certificate.",
            "RFC 5280 4.1.2.5",
        ),
        field(
            "Signature algorithm",
            c.outer_algorithm.words(c.der()),
            "ECDSA with SHA-256, the same name inside and outside.",
            "Core Spec 6.2.2",
        ),
        field(
            "Public key",
            c.public_key().map_or_else(|| "unreadable".into(), |k| hex::encode(k.point())),
            "A point on P-256; the private key never leaves its chip.",
            "RFC 5480 2.2",
        ),
    ];
    if let Some(b) = c.basic_constraints() {
        let value = match (b.ca, b.path_length) {
            (false, _) => "no authority".to_owned(),
            (true, None) => "an authority".to_owned(),
            (true, Some(n)) => format!("an authority with at most {n} more below it before the device"),
        };
        out.push(field("Basic constraints", value, "Whether it may issue, and how deep.", "RFC 5280 4.2.1.9"));
    }
    if let Some(u) = c.key_usage() {
        out.push(field("Key usage", u.words(), usage, "RFC 5280 4.2.1.3"));
    }
    out.push(field(
        "Subject key identifier",
        c.subject_key_id().map_or_else(none, hex::encode),
        "Identifies this key when the chain is linked.",
        "RFC 5280 4.2.1.2",
    ));
    out.push(field(
        "Authority key identifier",
        c.authority_key_id().map_or_else(none, hex::encode),
        "Identifies the issuer's key; must be its subject key identifier.",
        "RFC 5280 4.2.1.1",
    ));
    out.push(field("Size", format!("{} bytes", c.der().len()), "At most 600 bytes.", "Core Spec 6.1.3"));
    out
}

/// A declaration's fields; none where it can't be read.
pub fn declaration(der: &[u8]) -> Vec<Field> {
    let Ok(d) = Declaration::read(der) else { return Vec::new() };
    let Ok(content) = &d.fields else { return Vec::new() };
    let hex4 = |v: Option<u64>| v.map_or_else(|| "none".to_owned(), |v| format!("{v:04X}"));
    let products = content.product_id_array.as_deref().unwrap_or_default();
    let products: Vec<String> = products.iter().map(|p| format!("{p:04X}")).collect();
    let kind = match content.certification_type {
        Some(0) => "0, development and test",
        Some(1) => "1, provisional",
        Some(2) => "2, official",
        _ => "unknown",
    };
    vec![
        field("Vendor ID", hex4(content.vendor_id), "Must be the device's.", "Core Spec 6.3.1"),
        field("Product IDs", products.join(" "), "The device's product must be among them.", "Core Spec 6.3.1"),
        field(
            "Certification type",
            kind,
            "Type 0 is for the desk and must not be shipped; the alliance issues 1 and 2.",
            "Core Spec 6.3.1",
        ),
        field(
            "Certificate ID",
            content.certificate_id.clone().unwrap_or_else(|| "none".into()),
            "The alliance's number for the certification.",
            "Core Spec 6.3.1",
        ),
        field(
            "Device type",
            content.device_type_id.map_or_else(|| "none".into(), |t| format!("0x{t:04X}")),
            "What kind of device it is.",
            "Core Spec 6.3.1",
        ),
        field(
            "Signer",
            d.signer_key_id().map_or_else(|| "none".into(), hex::encode),
            "Key identifier of the signer; the verifier must trust it.",
            "RFC 5652 5.3",
        ),
    ]
}
