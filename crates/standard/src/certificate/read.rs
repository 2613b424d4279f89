//! Taking a certificate apart.

use super::extensions::{self, AuthorityKeyId, BasicConstraints, Extensions, KeyUsage};
use super::public_key::KeyField;
use crate::asn1::{Departure, Span, Unreadable, Walk, tag};
use crate::key::PublicKey;
use crate::moment::{Moment, WrittenTime};
use crate::name::Name;
use crate::oid;

/// A signature's algorithm as named in a certificate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SignatureAlgorithm {
    /// The whole `AlgorithmIdentifier`.
    pub span: Span,
    /// The object identifier's contents.
    pub kind: Span,
    /// Whether parameters are present.
    pub parameters: bool,
}

impl SignatureAlgorithm {
    /// Reads the next `AlgorithmIdentifier` of a walk.
    ///
    /// # Errors
    ///
    /// Where it is no `SEQUENCE { OID, ANY OPTIONAL }`.
    pub fn read(walk: &mut Walk<'_, '_>) -> Result<Self, Unreadable> {
        let outer = walk.expect(tag::SEQUENCE, "a signature algorithm was expected")?;
        let mut parts = walk.enter(&outer)?;
        let kind = parts.expect(tag::OID, "a signature algorithm's identifier was expected")?;
        let parameters = !parts.is_done();
        if parameters {
            let value = parts.next()?;
            parts.sweep(&value)?;
            parts.finish("bytes after a signature algorithm's parameters")?;
        }
        Ok(Self { span: outer.full, kind: kind.content, parameters })
    }

    /// Whether it is ecdsa-with-SHA256 without parameters (RFC 5758 §3.2).
    pub fn is_ecdsa_sha256(&self, data: &[u8]) -> bool {
        !self.parameters && self.kind.of(data) == oid::ECDSA_SHA256
    }

    /// The algorithm in words.
    pub fn words(&self, data: &[u8]) -> String {
        let parameters = if self.parameters { " with parameters" } else { "" };
        format!("{}{parameters}", oid::named(self.kind.of(data)))
    }
}

/// A certificate taken apart. Every part is there, good or bad.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Certificate {
    der: Vec<u8>,
    /// Places where the encoding is not DER.
    pub departures: Vec<Departure>,
    /// Octets after the certificate.
    pub trailing: usize,
    tbs: Span,
    /// Contents of the version's INTEGER; `None` where it is left out (version 1).
    pub version: Option<Span>,
    serial: Span,
    /// Algorithm named inside the signed part.
    pub inner_algorithm: SignatureAlgorithm,
    pub issuer: Name,
    pub not_before: WrittenTime,
    pub not_after: WrittenTime,
    pub subject: Name,
    pub key: KeyField,
    /// Whether an issuerUniqueID or subjectUniqueID is present.
    pub unique_ids: bool,
    pub extensions: Extensions,
    /// Algorithm named beside the signature.
    pub outer_algorithm: SignatureAlgorithm,
    signature: Span,
    subject_key_id: Option<Span>,
    authority_key_id: Option<Span>,
}

impl Certificate {
    /// Takes a certificate apart.
    ///
    /// - `der`: the octets of one `Certificate` (RFC 5280 §4.1), up to 1 MiB.
    ///
    /// # Errors
    ///
    /// [`Unreadable`] where the octets do not have a certificate's shape. What
    /// has the shape but is wrong is read, for the rules to show.
    pub fn read(der: &[u8]) -> Result<Self, Unreadable> {
        if der.len() > 1 << 20 {
            return Err(Unreadable { at: 0, what: "a certificate of more than 1 MiB" });
        }
        let mut departures = Vec::new();
        let mut walk = Walk::new(der, &mut departures);
        let outer = walk.expect(tag::SEQUENCE, "a certificate was expected")?;
        let trailing = der.len() - walk.position();
        let mut parts = walk.enter(&outer)?;

        let tbs = parts.expect(tag::SEQUENCE, "a certificate's signed part was expected")?;
        let mut fields = parts.enter(&tbs)?;
        let mut version = None;
        if fields.peek() == Some(0xA0) {
            let wrapper = fields.next()?;
            let mut inner = fields.enter(&wrapper)?;
            let number = inner.integer("a version number was expected")?;
            inner.finish("bytes after the version number")?;
            if number.of(der) == [0] {
                inner.depart(wrapper.full.start as usize, "a version that only repeats the default");
            }
            version = Some(number);
        }
        let serial = fields.integer("a serial number was expected")?;
        let inner_algorithm = SignatureAlgorithm::read(&mut fields)?;
        let issuer = Name::read(der, &mut fields)?;
        let validity = fields.expect(tag::SEQUENCE, "a validity was expected")?;
        let (not_before, not_after) = {
            let mut times = fields.enter(&validity)?;
            let (from, to) = (times.next()?, times.next()?);
            times.finish("bytes after notAfter")?;
            (WrittenTime::read(from.tag, from.content.of(der)), WrittenTime::read(to.tag, to.content.of(der)))
        };
        let subject = Name::read(der, &mut fields)?;
        let key = KeyField::read(der, &mut fields)?;
        let mut unique_ids = false;
        while matches!(fields.peek(), Some(0x81 | 0x82)) {
            fields.next()?;
            unique_ids = true;
        }
        let mut extensions = Extensions::default();
        if fields.peek() == Some(0xA3) {
            let wrapper = fields.next()?;
            let mut inner = fields.enter(&wrapper)?;
            extensions = Extensions::read(&mut inner)?;
            inner.finish("bytes after the extensions")?;
        }
        fields.finish("bytes after the signed part's last field")?;

        let outer_algorithm = SignatureAlgorithm::read(&mut parts)?;
        let signature = parts.signature()?;
        parts.finish("bytes after the signature")?;
        // Within known extensions, departures are told by the rule of that extension.
        let subject_key_id =
            extensions.get(der, oid::SUBJECT_KEY_ID).and_then(|e| extensions::read_subject_key_id(der, e).ok());
        let authority_key_id = extensions
            .get(der, oid::AUTHORITY_KEY_ID)
            .and_then(|e| AuthorityKeyId::read(der, e).ok())
            .and_then(|a| a.key_id);
        Ok(Self {
            der: der.to_vec(),
            departures,
            trailing,
            tbs: tbs.full,
            version,
            serial,
            inner_algorithm,
            issuer,
            not_before,
            not_after,
            subject,
            key,
            unique_ids,
            extensions,
            outer_algorithm,
            signature,
            subject_key_id,
            authority_key_id,
        })
    }

    /// All octets as they were read.
    pub fn der(&self) -> &[u8] {
        &self.der
    }

    /// The octets of a part.
    pub fn part(&self, span: Span) -> &[u8] {
        span.of(&self.der)
    }

    /// The signed part.
    pub fn signed_part(&self) -> &[u8] {
        self.tbs.of(&self.der)
    }

    /// The signature's octets.
    pub fn signature(&self) -> &[u8] {
        self.signature.of(&self.der)
    }

    /// The serial number: content octets of its DER INTEGER.
    pub fn serial(&self) -> &[u8] {
        self.serial.of(&self.der)
    }

    /// The serial number as lower-case hex of its content octets.
    pub fn serial_hex(&self) -> String {
        hex::encode(self.serial())
    }

    /// Why it is not valid at a time, as words that follow "it": `ended on …`; `None` where it is
    /// (RFC 5280 §4.1.2.5).
    pub fn not_valid_at(&self, time: Moment) -> Option<String> {
        match (self.not_before.moment, self.not_after.moment) {
            (Some(from), _) if time < from => Some(format!("begins on {from}")),
            (_, Some(to)) if to < time => Some(format!("ended on {to}")),
            _ => None,
        }
    }

    /// The public key, where it is one of P-256.
    pub fn public_key(&self) -> Option<&PublicKey> {
        self.key.key.as_ref().ok()
    }

    /// subjectKeyIdentifier, where readable.
    pub fn subject_key_id(&self) -> Option<&[u8]> {
        self.subject_key_id.map(|s| s.of(&self.der))
    }

    /// authorityKeyIdentifier's keyIdentifier, where readable.
    pub fn authority_key_id(&self) -> Option<&[u8]> {
        self.authority_key_id.map(|s| s.of(&self.der))
    }

    /// The issuer's name in DER.
    pub fn issuer_der(&self) -> &[u8] {
        self.issuer.span.of(&self.der)
    }

    /// The subject's name in DER.
    pub fn subject_der(&self) -> &[u8] {
        self.subject.span.of(&self.der)
    }

    /// Whether issuer and subject are the same octets.
    pub fn is_self_issued(&self) -> bool {
        self.issuer_der() == self.subject_der()
    }

    /// basicConstraints, where present and readable.
    pub fn basic_constraints(&self) -> Option<BasicConstraints> {
        self.extensions.get(&self.der, oid::BASIC_CONSTRAINTS).and_then(|e| BasicConstraints::read(&self.der, e).ok())
    }

    /// keyUsage, where present and readable.
    pub fn key_usage(&self) -> Option<KeyUsage> {
        self.extensions.get(&self.der, oid::KEY_USAGE).and_then(|e| KeyUsage::read(&self.der, e).ok())
    }
}
