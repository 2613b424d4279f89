//! The certificates that may issue others, and who issued whom.
//!
//! A [`Pool`] is built once and then asked for any number of chains, from any
//! number of threads. An issuer is looked for by key identifier and by name;
//! several candidates are tried and the best match taken, so that a chain with
//! one wrong link shows as that wrong link and not as no chain.

use std::collections::HashMap;
use std::sync::Arc;

use aws_lc_rs::signature::{ECDSA_P256_SHA384_ASN1, ECDSA_P256_SHA512_ASN1, UnparsedPublicKey, VerificationAlgorithm};

use crate::certificate::{Certificate, Profile, SignatureAlgorithm};
use crate::key::{PublicKey, Verifier};
use crate::moment::Moment;
use crate::name::Name;
use crate::oid;

/// Candidates tried for one issuer. Chains in the field have one or two; more
/// of the same name or key identifier is an attack on our time.
pub(super) const MAX_CANDIDATES: usize = 16;

/// Whether two values match.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matching {
    /// The same octets.
    Same,
    /// The same by RFC 5280 §7.1: types of string, case or white space differ.
    Folded,
    /// Different.
    Different,
    /// One side has none.
    Absent,
}

/// What is known of a signature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignatureState {
    /// The issuer's.
    Good,
    /// Not the issuer's.
    Bad,
    /// Can't be checked: the issuer's key is none, or the algorithm unknown.
    Unchecked,
}

/// A step from a certificate to its issuer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Link {
    /// Index of the issuer in the pool.
    pub issuer: usize,
    /// Issuer's name against its subject.
    pub name: Matching,
    /// Authority key identifier against its subject key identifier.
    pub key_id: Matching,
    pub signature: SignatureState,
}

impl Link {
    fn score(&self) -> u8 {
        let name = match self.name {
            Matching::Same => 2,
            Matching::Folded => 1,
            _ => 0,
        };
        let key_id = if self.key_id == Matching::Same { 3 } else { 0 };
        let signature = if self.signature == SignatureState::Good { 6 } else { 0 };
        name + key_id + signature
    }
}

/// A certificate that may issue others.
#[derive(Debug)]
pub struct Authority {
    pub certificate: Arc<Certificate>,
    /// PAI or PAA; a DAC only where something claims to be issued by it.
    pub profile: Profile,
    /// Whether it is one of the trusted PAAs: the same subject and key.
    pub trusted: bool,
    /// Its own issuer; `None` for a PAA and where it is not at hand.
    pub up: Option<Link>,
    verifier: Option<Verifier>,
}

impl Authority {
    fn is_valid_at(&self, moment: Moment) -> bool {
        let (from, to) = (self.certificate.not_before.moment, self.certificate.not_after.moment);
        // A date that can't be read is told by the certificate's own rule.
        from.is_none_or(|from| from <= moment) && to.is_none_or(|to| moment <= to)
    }
}

/// Certificates that may issue others, indexed.
#[derive(Debug, Default)]
pub struct Pool {
    authorities: Vec<Authority>,
    by_key_id: HashMap<Vec<u8>, Vec<usize>>,
    by_subject: HashMap<Vec<u8>, Vec<usize>>,
    by_folded: HashMap<String, Vec<usize>>,
}

/// Anything signed by an authority that names it.
pub(super) struct Signed<'a> {
    pub der: &'a [u8],
    pub issuer: &'a Name,
    pub authority_key_id: Option<&'a [u8]>,
    pub algorithms: [&'a SignatureAlgorithm; 2],
    pub signed_part: &'a [u8],
    pub signature: &'a [u8],
}

impl<'a> From<&'a Certificate> for Signed<'a> {
    fn from(c: &'a Certificate) -> Self {
        Self {
            der: c.der(),
            issuer: &c.issuer,
            authority_key_id: c.authority_key_id(),
            algorithms: [&c.outer_algorithm, &c.inner_algorithm],
            signed_part: c.signed_part(),
            signature: c.signature(),
        }
    }
}

/// Checks a signature by the algorithms named, in order; where two are named
/// and differ, either may have been the one used.
pub(super) fn signature_state(
    signed: &Signed<'_>,
    key: Option<&PublicKey>,
    ready: Option<&Verifier>,
) -> SignatureState {
    let Some(key) = key else { return SignatureState::Unchecked };
    let sha256 = || match ready {
        Some(ready) => ready.verifies(signed.signed_part, signed.signature),
        None => key.verifies(signed.signed_part, signed.signature),
    };
    // The right algorithm first, whatever is named: a wrong name is told by
    // `signature-algorithm`, and is no reason to call the signature another's.
    if sha256() {
        return SignatureState::Good;
    }
    let mut checked = false;
    for algorithm in signed.algorithms {
        let method: &'static dyn VerificationAlgorithm = match algorithm.kind.of(signed.der) {
            kind if kind == oid::ECDSA_SHA256 => {
                checked = true;
                continue;
            }
            kind if kind == oid::ECDSA_SHA384 => &ECDSA_P256_SHA384_ASN1,
            kind if kind == oid::ECDSA_SHA512 => &ECDSA_P256_SHA512_ASN1,
            _ => continue,
        };
        if UnparsedPublicKey::new(method, key.point()).verify(signed.signed_part, signed.signature).is_ok() {
            return SignatureState::Good;
        }
        checked = true;
    }
    if checked { SignatureState::Bad } else { SignatureState::Unchecked }
}

/// Whether two certificates are of one authority: the same name and the same key.
fn is_same(one: &Certificate, other: &Certificate) -> bool {
    one.subject_der() == other.subject_der() && one.public_key().is_some() && one.public_key() == other.public_key()
}

/// Whether a certificate is signed by the key it carries.
pub(super) fn self_signature(c: &Certificate) -> SignatureState {
    signature_state(&Signed::from(c), c.public_key(), None)
}

impl Pool {
    /// Indexes the certificates and links each to its issuer.
    ///
    /// - `members`: certificate, what it is, whether it is a trusted PAA.
    ///   A certificate equal in subject and key to a trusted one is trusted too.
    pub fn new(members: Vec<(Arc<Certificate>, Profile, bool)>) -> Self {
        let mut pool = Self::default();
        let anchors: Vec<_> = members.iter().filter(|m| m.2).map(|m| Arc::clone(&m.0)).collect();
        for (certificate, profile, trusted) in members {
            let trusted = trusted
                || (profile == Profile::Paa
                    && anchors.iter().any(|a| {
                        a.subject_der() == certificate.subject_der()
                            && a.public_key().is_some()
                            && a.public_key() == certificate.public_key()
                    }));
            let index = pool.authorities.len();
            if let Some(id) = certificate.subject_key_id() {
                pool.by_key_id.entry(id.to_vec()).or_default().push(index);
            }
            pool.by_subject.entry(certificate.subject_der().to_vec()).or_default().push(index);
            pool.by_folded.entry(certificate.subject.folded(certificate.der())).or_default().push(index);
            let verifier = certificate.public_key().map(PublicKey::verifier);
            pool.authorities.push(Authority { certificate, profile, trusted, up: None, verifier });
        }
        let links: Vec<_> = pool
            .authorities
            .iter()
            .map(|a| if a.profile == Profile::Paa { None } else { pool.link(&a.certificate) })
            .collect();
        for (authority, link) in pool.authorities.iter_mut().zip(links) {
            authority.up = link;
        }
        pool
    }

    /// The members, in the order given.
    pub fn authorities(&self) -> &[Authority] {
        &self.authorities
    }

    /// The best candidate for a certificate's issuer.
    pub fn link(&self, certificate: &Certificate) -> Option<Link> {
        self.link_at(certificate, certificate.not_before.moment)
    }

    /// The best candidate for a certificate's issuer; among equals, such as a
    /// PAI that was issued again for the same key, one valid at `moment`.
    pub fn link_at(&self, certificate: &Certificate, moment: Option<Moment>) -> Option<Link> {
        self.link_signed(&Signed::from(certificate), moment)
    }

    /// Whether two members are one authority: the same name and the same key,
    /// in however many certificates.
    pub fn is_same_authority(&self, one: usize, other: usize) -> bool {
        one == other || is_same(&self.authorities[one].certificate, &self.authorities[other].certificate)
    }

    /// Members with this certificate's name and key.
    pub(super) fn same_as(&self, certificate: &Certificate) -> impl Iterator<Item = usize> {
        let named = self.by_subject.get(certificate.subject_der()).into_iter().flatten().copied();
        named.filter(|index| is_same(&self.authorities[*index].certificate, certificate))
    }

    /// Members of this name, as [`Name::folded`] has it.
    pub(super) fn named(&self, folded: &str) -> &[usize] {
        self.by_folded.get(folded).map_or(&[], Vec::as_slice)
    }

    /// Whether a member stands below an authority of this certificate's name and key.
    pub(super) fn is_below(&self, index: usize, certificate: &Certificate) -> bool {
        let above = self.walk(self.authorities[index].up);
        above.iter().any(|above| is_same(&self.authorities[*above].certificate, certificate))
    }

    /// Whether this member, or another certificate of the same authority, is valid at `moment`.
    pub(super) fn is_valid_at(&self, index: usize, moment: Moment) -> bool {
        let authority = &self.authorities[index];
        let others = || self.by_subject.get(authority.certificate.subject_der());
        authority.is_valid_at(moment)
            || others().into_iter().flatten().take(MAX_CANDIDATES).any(|other| {
                let other_is = &self.authorities[*other];
                other_is.profile == authority.profile
                    && other_is.trusted == authority.trusted
                    && self.is_same_authority(index, *other)
                    && other_is.is_valid_at(moment)
            })
    }

    /// Whether the chain from this member upward is valid throughout at
    /// `moment`, and whether it ends at a trusted PAA.
    fn worth(&self, index: usize, moment: Option<Moment>) -> (bool, bool) {
        let mut valid = true;
        let mut at = index;
        // As long as any chain that is walked.
        for _ in 0..8 {
            let authority = &self.authorities[at];
            valid &= moment.is_none_or(|m| authority.is_valid_at(m));
            match authority.up {
                Some(link) => at = link.issuer,
                None => break,
            }
        }
        (valid, self.authorities[at].trusted)
    }

    pub(super) fn link_signed(&self, signed: &Signed<'_>, moment: Option<Moment>) -> Option<Link> {
        let by_id = signed.authority_key_id.and_then(|id| self.by_key_id.get(id));
        let by_name = self.by_subject.get(signed.issuer.span.of(signed.der));
        // The usual case first: one candidate that everything points at.
        if let (Some([index]), Some(names)) = (by_id.map(Vec::as_slice), by_name)
            && names.contains(index)
        {
            let link = self.step(signed, *index);
            if link.signature == SignatureState::Good {
                return Some(link);
            }
        }
        let mut candidates: Vec<usize> = Vec::new();
        let mut add = |indices: Option<&Vec<usize>>| {
            for index in indices.into_iter().flatten() {
                if candidates.len() < MAX_CANDIDATES && !candidates.contains(index) {
                    candidates.push(*index);
                }
            }
        };
        add(by_id);
        add(by_name);
        add(self.by_folded.get(&signed.issuer.folded(signed.der)));
        let told_nothing = candidates.is_empty();
        if told_nothing {
            candidates.extend((0..self.authorities.len()).take(MAX_CANDIDATES));
        }
        candidates
            .into_iter()
            .filter(|index| self.authorities[*index].certificate.der() != signed.der)
            .map(|index| self.step(signed, index))
            // Where neither name nor identifier points at it, only a good signature links.
            .filter(|link| !told_nothing || link.signature == SignatureState::Good)
            .max_by_key(|link| {
                // Among equals the first given.
                (link.score(), self.worth(link.issuer, moment), usize::MAX - link.issuer)
            })
    }

    fn step(&self, signed: &Signed<'_>, index: usize) -> Link {
        let issuer = &self.authorities[index];
        let c = &issuer.certificate;
        let name = if signed.issuer.span.of(signed.der) == c.subject_der() {
            Matching::Same
        } else if signed.issuer.folded(signed.der) == c.subject.folded(c.der()) {
            Matching::Folded
        } else {
            Matching::Different
        };
        let key_id = match (signed.authority_key_id, c.subject_key_id()) {
            (Some(id), Some(own)) if id == own => Matching::Same,
            (Some(_), Some(_)) => Matching::Different,
            _ => Matching::Absent,
        };
        let signature = signature_state(signed, c.public_key(), issuer.verifier.as_ref());
        Link { issuer: index, name, key_id, signature }
    }
}
