//! `SubjectPublicKeyInfo` as this standard allows it.
//!
//! Covers RFC 5480 §2.1.1 and §2.2: id-ecPublicKey, the named curve
//! prime256v1, an uncompressed point. Certificates, requests and manifests
//! share this reading.

use crate::asn1::{self, Departure, Span, Unreadable, Walk, tag};
use crate::key::PublicKey;
use crate::oid;

/// Everything before the point in the one legal encoding: 26 octets.
const PREFIX: [u8; 26] = [
    0x30, 0x59, 0x30, 0x13, 0x06, 0x07, 0x2A, 0x86, 0x48, 0xCE, 0x3D, 0x02, 0x01, 0x06, 0x08, 0x2A, 0x86, 0x48, 0xCE,
    0x3D, 0x03, 0x01, 0x07, 0x03, 0x42, 0x00,
];

/// A public key field: where it stands, and the key or why there is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyField {
    /// The whole `SubjectPublicKeyInfo`.
    pub span: Span,
    /// The key's bits without the count of unused ones; what a key identifier is made of.
    pub bits: Span,
    /// The key, or what is against it.
    pub key: Result<PublicKey, String>,
}

impl KeyField {
    /// Reads the next `SubjectPublicKeyInfo` of a walk over `data`.
    ///
    /// # Errors
    ///
    /// Where it is no `SEQUENCE { SEQUENCE { OID, ANY OPTIONAL }, BIT STRING }`.
    pub fn read(data: &[u8], walk: &mut Walk<'_, '_>) -> Result<Self, Unreadable> {
        let outer = walk.expect(tag::SEQUENCE, "a public key was expected")?;
        let octets = outer.full.of(data);
        if octets.len() == 91 && octets.starts_with(&PREFIX) {
            let bits = Span { start: outer.full.start + 26, end: outer.full.end };
            return Ok(Self {
                span: outer.full,
                bits,
                key: PublicKey::from_point(bits.of(data)).map_err(|e| e.to_string()),
            });
        }
        let mut parts = walk.enter(&outer)?;
        let algorithm = parts.expect(tag::SEQUENCE, "a public key's algorithm was expected")?;
        let fault = {
            let mut inner = parts.enter(&algorithm)?;
            let kind = inner.expect(tag::OID, "a public key's algorithm was expected")?;
            let parameters = if inner.is_done() { None } else { Some(inner.next()?) };
            if kind.content.of(data) != oid::EC_PUBLIC_KEY {
                Some(format!("a key of algorithm {}", oid::named(kind.content.of(data))))
            } else {
                match parameters {
                    Some(p) if p.tag == tag::OID && p.content.of(data) == oid::PRIME256V1 => None,
                    Some(p) if p.tag == tag::OID => Some(format!("the curve {}", oid::named(p.content.of(data)))),
                    Some(p) if p.tag == tag::SEQUENCE => Some("a curve spelled out instead of named".into()),
                    Some(_) => Some("parameters that name no curve".into()),
                    None => Some("no curve".into()),
                }
            }
        };
        let bits = parts.expect(tag::BIT_STRING, "a public key's bits were expected")?;
        parts.finish("bytes after a public key")?;
        let point = Span { start: (bits.content.start + 1).min(bits.content.end), end: bits.content.end };
        let key = match (fault, bits.content.of(data).first()) {
            (Some(fault), _) => Err(fault),
            (None, Some(0)) => PublicKey::from_point(point.of(data)).map_err(|e| e.to_string()),
            (None, Some(unused)) => Err(format!("a point with {unused} unused bits")),
            (None, None) => Err("a BIT STRING without contents".into()),
        };
        Ok(Self { span: outer.full, bits: point, key })
    }

    /// Reads a `SubjectPublicKeyInfo` that stands alone.
    ///
    /// # Errors
    ///
    /// What is against it, in words.
    pub fn key_from_spki(der: &[u8]) -> Result<PublicKey, String> {
        let mut departures: Vec<Departure> = Vec::new();
        let mut walk = Walk::new(der, &mut departures);
        let field = Self::read(der, &mut walk).map_err(|e| e.to_string())?;
        walk.finish("bytes after a public key").map_err(|e| e.to_string())?;
        field.key
    }
}

/// `SubjectPublicKeyInfo` in DER, 91 octets.
pub fn spki_der(key: &PublicKey) -> Vec<u8> {
    let mut out = PREFIX.to_vec();
    out.extend_from_slice(key.point());
    debug_assert!(asn1::whole_tlv(&out).is_some());
    out
}
