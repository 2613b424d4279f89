//! Certificate revocation lists.
//!
//! Covers Core Spec 6.2.4 over RFC 5280 §5: version 2, ecdsa-with-SHA256, an
//! authorityKeyIdentifier and a cRLNumber. Lists may be long: entries are kept
//! as spans of the octets read.

use std::collections::HashMap;

use crate::asn1::{self, Departure, Span, Unreadable, Walk, integer, sequence, tag};
use crate::certificate::{AuthorityKeyId, ExtensionDer, Extensions, SignatureAlgorithm, sign_tbs};
use crate::key::{SignError, Signer};
use crate::moment::{Moment, WrittenTime};
use crate::name::Name;
use crate::oid;

/// Why a certificate was revoked (RFC 5280 §5.3.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Reason {
    /// No reason told; left out of the list.
    Unspecified = 0,
    /// The subject's private key is known or suspected to be known to others.
    KeyCompromise = 1,
    /// The authority's is.
    CaCompromise = 2,
    /// The name or another field is no longer right.
    AffiliationChanged = 3,
    /// Another certificate has taken its place.
    Superseded = 4,
    /// No longer needed for what it was issued for.
    CessationOfOperation = 5,
    /// On hold; may come back.
    CertificateHold = 6,
    /// Comes back from a hold.
    RemoveFromCrl = 8,
    /// A privilege in it was withdrawn.
    PrivilegeWithdrawn = 9,
    /// An attribute authority's key is known to others.
    AaCompromise = 10,
}

impl Reason {
    /// All reasons with their names in RFC 5280 §5.3.1.
    pub const ALL: &[(Self, &str)] = &[
        (Self::Unspecified, "unspecified"),
        (Self::KeyCompromise, "keyCompromise"),
        (Self::CaCompromise, "cACompromise"),
        (Self::AffiliationChanged, "affiliationChanged"),
        (Self::Superseded, "superseded"),
        (Self::CessationOfOperation, "cessationOfOperation"),
        (Self::CertificateHold, "certificateHold"),
        (Self::RemoveFromCrl, "removeFromCRL"),
        (Self::PrivilegeWithdrawn, "privilegeWithdrawn"),
        (Self::AaCompromise, "aACompromise"),
    ];

    /// The reason of this number.
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.iter().find(|(reason, _)| *reason as u8 == number).map(|(reason, _)| *reason)
    }

    /// The reason of this name, as RFC 5280 writes it or in small letters with hyphens.
    pub fn from_name(name: &str) -> Option<Self> {
        let plain = |text: &str| text.chars().filter(|c| *c != '-').collect::<String>().to_ascii_lowercase();
        Self::ALL.iter().find(|(_, known)| plain(known) == plain(name)).map(|(reason, _)| *reason)
    }

    /// The name in RFC 5280 §5.3.1; numbers that it does not give have none.
    pub fn name_of(number: u8) -> Option<&'static str> {
        Self::ALL.iter().find(|(reason, _)| *reason as u8 == number).map(|(_, name)| *name)
    }
}

/// One revoked certificate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    serial: Span,
    /// When.
    pub date: WrittenTime,
    /// reasonCode's number, where given.
    pub reason: Option<u8>,
    /// Whether the entry names its own certificateIssuer (RFC 5280 §5.3.3).
    pub names_issuer: bool,
}

/// A revocation list taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RevocationList {
    der: Vec<u8>,
    /// Places where the encoding is not DER.
    pub departures: Vec<Departure>,
    /// Octets after the list.
    pub trailing: usize,
    tbs: Span,
    /// Contents of the version's INTEGER; `None` where it is left out (version 1).
    pub version: Option<Span>,
    /// Algorithm named inside the signed part.
    pub inner_algorithm: SignatureAlgorithm,
    /// Issuer.
    pub issuer: Name,
    /// thisUpdate.
    pub this_update: WrittenTime,
    /// nextUpdate, where given.
    pub next_update: Option<WrittenTime>,
    /// Revoked certificates.
    pub entries: Vec<Entry>,
    /// The list's own extensions.
    pub extensions: Extensions,
    /// Algorithm named beside the signature.
    pub outer_algorithm: SignatureAlgorithm,
    signature: Span,
}

impl RevocationList {
    /// Takes a list apart; `der` is one `CertificateList`.
    ///
    /// # Errors
    ///
    /// [`Unreadable`] where the octets do not have a list's shape.
    pub fn read(der: &[u8]) -> Result<Self, Unreadable> {
        let mut departures = Vec::new();
        let mut walk = Walk::new(der, &mut departures);
        let outer = walk.expect(tag::SEQUENCE, "a revocation list was expected")?;
        let trailing = der.len() - walk.position();
        let mut parts = walk.enter(&outer)?;
        let tbs = parts.expect(tag::SEQUENCE, "a list's signed part was expected")?;
        let mut fields = parts.enter(&tbs)?;
        let version = match fields.peek() {
            Some(tag::INTEGER) => Some(fields.integer("a version number was expected")?),
            _ => None,
        };
        let inner_algorithm = SignatureAlgorithm::read(&mut fields)?;
        let issuer = Name::read(der, &mut fields)?;
        let time = |tlv: &asn1::Tlv| WrittenTime::read(tlv.tag, tlv.content.of(der));
        let this = fields.next()?;
        if !matches!(this.tag, tag::UTC_TIME | tag::GENERALIZED_TIME) {
            return Err(Unreadable { at: this.full.start as usize, what: "thisUpdate was expected" });
        }
        let this_update = time(&this);
        let next_update = match fields.peek() {
            Some(tag::UTC_TIME | tag::GENERALIZED_TIME) => Some(time(&fields.next()?)),
            _ => None,
        };
        let mut entries = Vec::new();
        if fields.peek() == Some(tag::SEQUENCE) {
            let list = fields.next()?;
            let mut members = fields.enter(&list)?;
            while !members.is_done() {
                let member = members.expect(tag::SEQUENCE, "a revoked certificate was expected")?;
                let mut entry = members.enter(&member)?;
                let serial = entry.integer("a serial number was expected")?;
                let date = entry.next()?;
                let extensions = if entry.is_done() { Extensions::default() } else { Extensions::read(&mut entry)? };
                entry.finish("octets after a revoked certificate")?;
                let reason = extensions.get(der, oid::REASON_CODE).and_then(|e| match e.value.of(der) {
                    [0x0A, 1, number] => Some(*number),
                    _ => None,
                });
                let names_issuer = extensions.get(der, oid::CERTIFICATE_ISSUER).is_some();
                entries.push(Entry { serial, date: time(&date), reason, names_issuer });
            }
        }
        let mut extensions = Extensions::default();
        if fields.peek() == Some(0xA0) {
            let wrapper = fields.next()?;
            let mut inner = fields.enter(&wrapper)?;
            extensions = Extensions::read(&mut inner)?;
            inner.finish("octets after the extensions")?;
        }
        fields.finish("octets after the signed part's last field")?;
        let outer_algorithm = SignatureAlgorithm::read(&mut parts)?;
        let signature = parts.signature()?;
        parts.finish("octets after the signature")?;
        Ok(Self {
            der: der.to_vec(),
            departures,
            trailing,
            tbs: tbs.full,
            version,
            inner_algorithm,
            issuer,
            this_update,
            next_update,
            entries,
            extensions,
            outer_algorithm,
            signature,
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

    /// The issuer's name in DER.
    pub fn issuer_der(&self) -> &[u8] {
        self.issuer.span.of(&self.der)
    }

    /// An entry's serial number: content octets of its INTEGER.
    pub fn serial(&self, entry: &Entry) -> &[u8] {
        entry.serial.of(&self.der)
    }

    /// authorityKeyIdentifier's keyIdentifier, where present and readable.
    pub fn authority_key_id(&self) -> Option<&[u8]> {
        let extension = self.extensions.get(&self.der, oid::AUTHORITY_KEY_ID)?;
        AuthorityKeyId::read(&self.der, extension).ok()?.key_id.map(|s| s.of(&self.der))
    }

    /// What it revokes: content octets of each serial number, with when and why in words.
    pub fn revoked(&self) -> HashMap<Vec<u8>, String> {
        self.entries
            .iter()
            // An entry that names its own issuer is not about this authority's certificates.
            .filter(|entry| !entry.names_issuer && entry.reason != Some(Reason::RemoveFromCrl as u8))
            .map(|entry| {
                let when = entry.date.moment.map_or_else(|| "at an unreadable time".into(), |m| m.to_string());
                let why = entry.reason.and_then(Reason::name_of).map(|r| format!(", {r}")).unwrap_or_default();
                (self.serial(entry).to_vec(), format!("{when}{why}"))
            })
            .collect()
    }

    /// cRLNumber's content octets, where present and an INTEGER.
    pub fn number(&self) -> Option<&[u8]> {
        let extension = self.extensions.get(&self.der, oid::CRL_NUMBER)?;
        let mut departures = Vec::new();
        let mut walk = Walk::within(&self.der, extension.value, &mut departures);
        let number = walk.integer("a number was expected").ok()?;
        (walk.is_done() && departures.is_empty()).then(|| number.of(&self.der))
    }
}

/// The fields of a list, each in DER, as [`crate::certificate::Builder`] has them for certificates.
#[derive(Debug, Clone)]
pub struct ListBuilder {
    /// INTEGER 1; empty for version 1.
    pub version: Vec<u8>,
    /// `AlgorithmIdentifier` inside the signed part.
    pub inner_algorithm: Vec<u8>,
    /// Name.
    pub issuer: Vec<u8>,
    /// Time.
    pub this_update: Vec<u8>,
    /// Time; empty to leave it out.
    pub next_update: Vec<u8>,
    /// Entries, in order.
    pub entries: Vec<Vec<u8>>,
    /// Extensions, in order.
    pub extensions: Vec<Vec<u8>>,
}

impl ListBuilder {
    /// A list as the standard wants it.
    ///
    /// - `number`: cRLNumber, up to 20 octets (RFC 5280 §5.2.3).
    /// - `entries`: serial number (content octets), date, reason.
    pub fn new(
        (issuer, issuer_key_id): (&[u8], &[u8]),
        (this_update, next_update): (Moment, Moment),
        number: &[u8],
        entries: &[(&[u8], Moment, Reason)],
    ) -> Self {
        let entries = entries
            .iter()
            .map(|(serial, date, reason)| {
                let extension = match reason {
                    // RFC 5280 §5.3.1: left out rather than said to be unspecified.
                    Reason::Unspecified => Vec::new(),
                    reason => {
                        let code = asn1::tlv(0x0A, &[*reason as u8]);
                        sequence(&[&ExtensionDer::any(oid::REASON_CODE, false, &code)])
                    }
                };
                sequence(&[&asn1::tlv(tag::INTEGER, serial), &date.to_der(), &extension])
            })
            .collect();
        Self {
            version: integer(&[1]),
            inner_algorithm: sequence(&[&asn1::oid(oid::ECDSA_SHA256)]),
            issuer: issuer.to_vec(),
            this_update: this_update.to_der(),
            next_update: next_update.to_der(),
            entries,
            extensions: vec![
                ExtensionDer::authority_key_id(issuer_key_id),
                ExtensionDer::any(oid::CRL_NUMBER, false, &integer(number)),
            ],
        }
    }

    /// Signs, and returns the list in DER.
    ///
    /// # Errors
    ///
    /// [`SignError`] where the signer gave no signature.
    pub fn sign(&self, signer: &dyn Signer) -> Result<Vec<u8>, SignError> {
        // An empty list is left out, not written empty (RFC 5280 §5.1.2.6).
        let entries =
            if self.entries.is_empty() { Vec::new() } else { asn1::tlv(tag::SEQUENCE, &self.entries.concat()) };
        let extensions = if self.extensions.is_empty() {
            Vec::new()
        } else {
            asn1::context(0, true, &asn1::tlv(tag::SEQUENCE, &self.extensions.concat()))
        };
        let tbs = sequence(&[
            &self.version,
            &self.inner_algorithm,
            &self.issuer,
            &self.this_update,
            &self.next_update,
            &entries,
            &extensions,
        ]);
        sign_tbs(&tbs, &self.inner_algorithm, signer)
    }
}
