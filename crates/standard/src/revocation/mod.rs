//! Certificate revocation lists.
//!
//! Covers Core Spec 6.2.4 over RFC 5280 §5: version 2, ecdsa-with-SHA256, an
//! authorityKeyIdentifier and a cRLNumber. Lists may be long: entries are kept
//! as spans of the octets read. Whose certificates an entry is about stands in
//! [`Entry::named`]; [`crate::verdict::HeldList`] holds certificates against it.

mod build;
mod reason;
mod scope;

use std::collections::HashMap;

pub use build::ListBuilder;
pub use reason::Reason;
pub use scope::Scope;
pub(crate) use scope::names_list_issuer;

use crate::asn1::{self, Departure, Span, Unreadable, Walk, tag};
use crate::certificate::{AuthorityKeyId, Extensions, SignatureAlgorithm};
use crate::moment::WrittenTime;
use crate::name::Name;
use crate::oid;

/// Authorities that the entries of one list may name: beyond any real list, and a bound on memory.
const MAX_NAMED: usize = 4096;
/// Kinds of critical entry extensions that are kept.
const MAX_CRITICAL: usize = 16;

/// One revoked certificate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    serial: Span,
    pub date: WrittenTime,
    /// reasonCode's number, where given.
    pub reason: Option<u8>,
    /// Whom it is about: a place in [`RevocationList::named`], by its own certificateIssuer or that of the nearest
    /// entry before it (RFC 5280 §5.3.3). `None` where none named anybody: then it is about the list's issuer.
    pub named: Option<u32>,
}

impl Entry {
    /// Whether it takes a certificate off the list again (RFC 5280 §5.3.1).
    pub fn removes(&self) -> bool {
        self.reason == Some(Reason::RemoveFromCrl as u8)
    }
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
    pub issuer: Name,
    pub this_update: WrittenTime,
    pub next_update: Option<WrittenTime>,
    pub entries: Vec<Entry>,
    /// The directoryNames of each certificateIssuer, once for all entries that have the same.
    pub named: Vec<Vec<Name>>,
    /// Kinds of critical entry extensions that this program does not know, and how many entries carry each.
    pub critical: Vec<(Span, u64)>,
    /// The first certificateIssuer that can't be read.
    pub unreadable_issuer: Option<String>,
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
        let mut about = Named::default();
        if fields.peek() == Some(tag::SEQUENCE) {
            let list = fields.next()?;
            let mut members = fields.enter(&list)?;
            while !members.is_done() {
                let member = members.expect(tag::SEQUENCE, "a revoked certificate was expected")?;
                let mut entry = members.enter(&member)?;
                let serial = entry.integer("a serial number was expected")?;
                let date = entry.next()?;
                let extensions = if entry.is_done() { Extensions::default() } else { Extensions::read(&mut entry)? };
                entry.finish("bytes after a revoked certificate")?;
                let reason = extensions.get(der, oid::REASON_CODE).and_then(|e| match e.value.of(der) {
                    [0x0A, 1, number] => Some(*number),
                    _ => None,
                });
                about.read(der, &extensions)?;
                entries.push(Entry { serial, date: time(&date), reason, named: about.current });
            }
        }
        let mut extensions = Extensions::default();
        if fields.peek() == Some(0xA0) {
            let wrapper = fields.next()?;
            let mut inner = fields.enter(&wrapper)?;
            extensions = Extensions::read(&mut inner)?;
            inner.finish("bytes after the extensions")?;
        }
        fields.finish("bytes after the signed part's last field")?;
        let outer_algorithm = SignatureAlgorithm::read(&mut parts)?;
        let signature = parts.signature()?;
        parts.finish("bytes after the signature")?;
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
            named: about.named,
            critical: about.critical,
            unreadable_issuer: about.unreadable,
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

    /// issuingDistributionPoint, where there is one.
    ///
    /// # Errors
    ///
    /// What is wrong with it, in words.
    pub fn scope(&self) -> Result<Option<Scope>, String> {
        let extension = self.extensions.get(&self.der, oid::ISSUING_DISTRIBUTION_POINT);
        extension.map(|extension| Scope::read(&self.der, extension)).transpose()
    }

    /// Whether it may list certificates of other authorities than its issuer (RFC 5280 §5.2.5).
    pub fn is_indirect(&self) -> bool {
        self.scope().is_ok_and(|scope| scope.is_some_and(|scope| scope.indirect))
    }

    /// Whether it holds changes since another list alone (RFC 5280 §5.2.4).
    pub fn is_delta(&self) -> bool {
        self.extensions.get(&self.der, oid::DELTA_CRL_INDICATOR).is_some()
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

/// Whom entries name, as they are read one after the other.
#[derive(Default)]
struct Named {
    /// Place of what the next entry inherits.
    current: Option<u32>,
    named: Vec<Vec<Name>>,
    places: HashMap<Vec<u8>, Option<u32>>,
    critical: Vec<(Span, u64)>,
    unreadable: Option<String>,
}

impl Named {
    fn read(&mut self, der: &[u8], extensions: &Extensions) -> Result<(), Unreadable> {
        for extension in &extensions.0 {
            let kind = extension.kind.of(der);
            if kind == oid::CERTIFICATE_ISSUER {
                let octets = extension.value.of(der);
                if let Some(place) = self.places.get(octets) {
                    self.current = *place;
                    continue;
                }
                if self.places.len() == MAX_NAMED {
                    let at = extension.value.start as usize;
                    return Err(Unreadable { at, what: "entries of more than 4096 authorities" });
                }
                self.current = match scope::certificate_issuer(der, extension) {
                    Ok(names) => {
                        self.named.push(names);
                        u32::try_from(self.named.len() - 1).ok()
                    }
                    // Better one certificate too many is refused than one too few.
                    Err(fault) => {
                        self.unreadable.get_or_insert(fault);
                        None
                    }
                };
                self.places.insert(octets.to_vec(), self.current);
            } else if extension.critical {
                if let Some((_, count)) = self.critical.iter_mut().find(|(known, _)| known.of(der) == kind) {
                    *count += 1;
                } else if self.critical.len() < MAX_CRITICAL {
                    self.critical.push((extension.kind, 1));
                }
            }
        }
        Ok(())
    }
}
