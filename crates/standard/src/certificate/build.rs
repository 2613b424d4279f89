//! Building certificates.
//!
//! A [`Builder`] holds the fields of the signed part, each already in DER, so
//! that one code path makes both what the standard asks and what a specimen
//! must get wrong. [`Builder::new`] fills them as the standard wants them.

use super::public_key::spki_der;
use crate::asn1::{self, bit_string, boolean, context, integer, octet_string, sequence, tag};
use crate::key::{PublicKey, SignError, Signer};
use crate::moment::Moment;
use crate::oid;

/// Which of the three certificates (Core Spec 6.2.2.3 to 6.2.2.5).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Profile {
    /// Device attestation certificate.
    Dac,
    /// Product attestation intermediate.
    Pai,
    /// Product attestation authority.
    Paa,
}

impl Profile {
    /// The word in JSON and on screens.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Dac => "dac",
            Self::Pai => "pai",
            Self::Paa => "paa",
        }
    }
}

/// Extensions in DER.
#[derive(Debug, Clone, Copy)]
pub struct ExtensionDer;

impl ExtensionDer {
    /// Any extension; the mark of criticality is left out where false.
    pub fn any(kind: &[u8], critical: bool, value: &[u8]) -> Vec<u8> {
        let mark = if critical { boolean(true) } else { Vec::new() };
        sequence(&[&asn1::oid(kind), &mark, &octet_string(value)])
    }

    /// basicConstraints, critical (RFC 5280 §4.2.1.9).
    pub fn basic_constraints(ca: bool, path_length: Option<u8>) -> Vec<u8> {
        let flag = if ca { boolean(true) } else { Vec::new() };
        let length = path_length.map(|n| integer(&[n])).unwrap_or_default();
        Self::any(oid::BASIC_CONSTRAINTS, true, &sequence(&[&flag, &length]))
    }

    /// keyUsage, critical, from the bits of [`super::KeyUsage`] (RFC 5280 §4.2.1.3).
    pub fn key_usage(bits: u16) -> Vec<u8> {
        Self::any(oid::KEY_USAGE, true, &Self::named_bits(bits))
    }

    /// A BIT STRING of named bits without trailing zeros (X.690 §11.2.2).
    pub fn named_bits(bits: u16) -> Vec<u8> {
        let wire = bits.reverse_bits();
        let octets = wire.to_be_bytes();
        let content: &[u8] = match (octets[0], octets[1]) {
            (0, 0) => &[],
            (_, 0) => &octets[..1],
            _ => &octets,
        };
        let unused = content.last().map_or(0, |o| o.trailing_zeros() as u8);
        asn1::tlv(tag::BIT_STRING, &[&[unused], content].concat())
    }

    /// subjectKeyIdentifier (RFC 5280 §4.2.1.2).
    pub fn subject_key_id(id: &[u8]) -> Vec<u8> {
        Self::any(oid::SUBJECT_KEY_ID, false, &octet_string(id))
    }

    /// authorityKeyIdentifier with a keyIdentifier (RFC 5280 §4.2.1.1).
    pub fn authority_key_id(id: &[u8]) -> Vec<u8> {
        Self::any(oid::AUTHORITY_KEY_ID, false, &sequence(&[&context(0, false, id)]))
    }
}

/// ecdsa-with-SHA256 without parameters, as an `AlgorithmIdentifier`.
pub(crate) fn ecdsa_sha256() -> Vec<u8> {
    sequence(&[&asn1::oid(oid::ECDSA_SHA256)])
}

/// The fields of a certificate, each in DER.
#[derive(Debug, Clone)]
pub struct Builder {
    /// `[0] EXPLICIT INTEGER`; empty for version 1.
    pub version: Vec<u8>,
    pub serial: Vec<u8>,
    /// `AlgorithmIdentifier` inside the signed part.
    pub inner_algorithm: Vec<u8>,
    pub issuer: Vec<u8>,
    pub validity: Vec<u8>,
    pub subject: Vec<u8>,
    /// `SubjectPublicKeyInfo`.
    pub key: Vec<u8>,
    pub extensions: Vec<Vec<u8>>,
    /// `AlgorithmIdentifier` beside the signature.
    pub outer_algorithm: Vec<u8>,
}

impl Builder {
    /// A certificate as the standard wants it.
    ///
    /// - `serial`: 1 to 20 octets, big-endian, positive; drawn at random by
    ///   the caller (RFC 5280 §4.1.2.2; at least 64 bits by common practice).
    /// - `issuer`, `subject`: names in DER, as [`crate::name::NameBuilder`] makes them.
    /// - `issuer_key_id`: the issuer's subjectKeyIdentifier; for a PAA its own.
    /// - `not_after`: [`crate::moment::NO_END`] for no well-defined end.
    pub fn new(
        profile: Profile,
        serial: &[u8],
        (issuer, issuer_key_id): (&[u8], &[u8]),
        subject: &[u8],
        key: &PublicKey,
        (not_before, not_after): (Moment, Moment),
    ) -> Self {
        let (constraints, usage) = match profile {
            Profile::Dac => (ExtensionDer::basic_constraints(false, None), super::KeyUsage::DIGITAL_SIGNATURE),
            Profile::Pai => {
                let usage = super::KeyUsage::KEY_CERT_SIGN | super::KeyUsage::CRL_SIGN;
                (ExtensionDer::basic_constraints(true, Some(0)), usage)
            }
            Profile::Paa => {
                let usage = super::KeyUsage::KEY_CERT_SIGN | super::KeyUsage::CRL_SIGN;
                (ExtensionDer::basic_constraints(true, Some(1)), usage)
            }
        };
        Self {
            version: context(0, true, &integer(&[2])),
            serial: integer(serial),
            inner_algorithm: ecdsa_sha256(),
            issuer: issuer.to_vec(),
            validity: sequence(&[&not_before.to_der(), &not_after.to_der()]),
            subject: subject.to_vec(),
            key: spki_der(key),
            extensions: vec![
                constraints,
                ExtensionDer::key_usage(usage),
                ExtensionDer::subject_key_id(&key.key_id()),
                ExtensionDer::authority_key_id(issuer_key_id),
            ],
            outer_algorithm: ecdsa_sha256(),
        }
    }

    /// The signed part.
    pub fn tbs(&self) -> Vec<u8> {
        let extensions = if self.extensions.is_empty() {
            Vec::new()
        } else {
            context(3, true, &asn1::tlv(tag::SEQUENCE, &self.extensions.concat()))
        };
        sequence(&[
            &self.version,
            &self.serial,
            &self.inner_algorithm,
            &self.issuer,
            &self.validity,
            &self.subject,
            &self.key,
            &extensions,
        ])
    }

    /// Signs, and returns the certificate in DER.
    ///
    /// # Errors
    ///
    /// [`SignError`] where the signer gave no signature.
    pub fn sign(&self, signer: &dyn Signer) -> Result<Vec<u8>, SignError> {
        sign_tbs(&self.tbs(), &self.outer_algorithm, signer)
    }
}

/// Puts a signature to any signed part: certificate, request or list.
///
/// # Errors
///
/// [`SignError`] where the signer gave no signature.
pub fn sign_tbs(tbs: &[u8], algorithm: &[u8], signer: &dyn Signer) -> Result<Vec<u8>, SignError> {
    let signature = signer.sign(tbs)?;
    Ok(sequence(&[tbs, algorithm, &bit_string(&signature)]))
}

/// The same certificate with another key in it, signed anew: names, extensions and lengths stay.
///
/// - Returns DER; `None` where the certificate holds no P-256 key.
///
/// # Errors
///
/// [`SignError`] where the signer gave no signature.
pub fn rekeyed(c: &super::Certificate, key: &PublicKey, signer: &dyn Signer) -> Result<Option<Vec<u8>>, SignError> {
    let mut tbs = c.signed_part().to_vec();
    let Some(old) = c.public_key().map(PublicKey::point) else { return Ok(None) };
    let Some(at) = memchr::memmem::find(&tbs, old) else { return Ok(None) };
    tbs[at..at + old.len()].copy_from_slice(key.point());
    sign_tbs(&tbs, &ecdsa_sha256(), signer).map(Some)
}
