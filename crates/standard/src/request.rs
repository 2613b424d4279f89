//! Certification requests (PKCS #10).
//!
//! Covers RFC 2986. A request proves that whoever made it holds the private
//! key; names and extensions in it are wishes that an authority may grant.

use crate::asn1::{self, Departure, Span, Unreadable, Walk, integer, sequence, tag};
use crate::certificate::{KeyField, SignatureAlgorithm, sign_tbs, spki_der};
use crate::key::{SignError, Signer};
use crate::name::Name;
use crate::oid;

/// A certification request taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    der: Vec<u8>,
    /// Places where the encoding is not DER.
    pub departures: Vec<Departure>,
    /// Octets after the request.
    pub trailing: usize,
    info: Span,
    version: Span,
    pub subject: Name,
    pub key: KeyField,
    pub algorithm: SignatureAlgorithm,
    signature: Span,
}

impl Request {
    /// Takes a request apart; `der` is one `CertificationRequest` of up to 64 KiB.
    ///
    /// # Errors
    ///
    /// [`Unreadable`] where the octets do not have a request's shape.
    pub fn read(der: &[u8]) -> Result<Self, Unreadable> {
        if der.len() > 1 << 16 {
            return Err(Unreadable { at: 0, what: "a request of more than 64 KiB" });
        }
        let mut departures = Vec::new();
        let mut walk = Walk::new(der, &mut departures);
        let outer = walk.expect(tag::SEQUENCE, "a certification request was expected")?;
        let trailing = der.len() - walk.position();
        let mut parts = walk.enter(&outer)?;
        let info = parts.expect(tag::SEQUENCE, "a request's signed part was expected")?;
        let mut fields = parts.enter(&info)?;
        let version = fields.integer("a version number was expected")?;
        let subject = Name::read(der, &mut fields)?;
        let key = KeyField::read(der, &mut fields)?;
        if !fields.is_done() {
            let attributes = fields.expect(0xA0, "a request's attributes were expected")?;
            fields.sweep(&attributes)?;
        }
        fields.finish("bytes after a request's attributes")?;
        let algorithm = SignatureAlgorithm::read(&mut parts)?;
        let signature = parts.signature()?;
        parts.finish("bytes after the signature")?;
        Ok(Self {
            der: der.to_vec(),
            departures,
            trailing,
            info: info.full,
            version,
            subject,
            key,
            algorithm,
            signature,
        })
    }

    /// All octets as they were read.
    pub fn der(&self) -> &[u8] {
        &self.der
    }

    /// The version: 0 for version 1, the only one there is (RFC 2986 §4.1).
    pub fn version(&self) -> &[u8] {
        self.version.of(&self.der)
    }

    /// Whether the request is signed by the key it carries.
    pub fn is_signed(&self) -> bool {
        self.key.key.as_ref().is_ok_and(|key| key.verifies(self.info.of(&self.der), self.signature.of(&self.der)))
    }

    /// Whether the algorithm is ecdsa-with-SHA256 without parameters.
    pub fn is_ecdsa_sha256(&self) -> bool {
        self.algorithm.is_ecdsa_sha256(&self.der)
    }
}

/// A request for the signer's own key.
///
/// - `subject`: the name in DER.
/// - Returns one DER `CertificationRequest` with no attributes (RFC 2986 §4.1).
///
/// # Errors
///
/// [`SignError`] where the signer gave no signature.
pub fn build(subject: &[u8], signer: &dyn Signer) -> Result<Vec<u8>, SignError> {
    let info = sequence(&[&integer(&[0]), subject, &spki_der(&signer.public_key()), &asn1::context(0, true, &[])]);
    sign_tbs(&info, &sequence(&[&asn1::oid(oid::ECDSA_SHA256)]), signer)
}
