//! Which certificate plays which part.
//!
//! A certificate that is wrong in one place must still be taken for what it
//! was meant to be, or its fault would be named wrongly. So several signs are
//! weighed: what it issues, what it may do, what its name tells.

use std::borrow::Borrow;
use std::collections::HashSet;
use std::hash::Hash;
use std::path::Path;
use std::sync::Arc;

use rayon::prelude::*;
use standard::certificate::{Certificate, KeyUsage, Profile};
use standard::declaration::Declaration;
use standard::detect::Item;
use standard::exchange::Proof;
use standard::factory_record::FactoryRecord;
use standard::request::Request;
use standard::revocation::RevocationList;
use standard::verdict::SignerKey;

use super::gather::{Found, Gathered, Held, Octets};
use super::{Examine, ExamineError, Kind};

/// Certificates looked at in one go.
const CHUNK: usize = 512;

/// One thing to judge, with its part. Small, since there may be a hundred thousand.
pub(super) enum Part {
    /// A DAC is taken apart where it is judged.
    Dac(Octets),
    Certificate(Arc<Certificate>, Kind),
    /// What can't be taken apart: the rule that it breaks says where.
    Broken(Profile, Box<str>),
    Declaration(Box<Declaration>),
    Request(Box<Request>),
    List(Box<RevocationList>),
    Exchange(Box<Proof>),
    /// A key alone: nothing to judge.
    Key,
    /// A unit's factory record, read whole and in its one form.
    Record(Box<FactoryRecord>),
    Unknown,
}

impl Part {
    /// Taken apart, where it is a DAC.
    pub(super) fn apart(self) -> Self {
        match self {
            Self::Dac(octets) => octets.read().map_or(Self::Unknown, |dac| Self::Certificate(dac, Kind::Dac)),
            other => other,
        }
    }

    /// The certificate, where it is a DAC's.
    pub(super) fn dac(&self) -> Option<Arc<Certificate>> {
        if let Self::Dac(octets) = self { octets.read() } else { None }
    }
}

pub(super) struct Player {
    pub name: Box<str>,
    pub part: Part,
}

/// Things with the names of their files.
type Named<T> = Vec<(Box<str>, T)>;

/// Everything with its part.
pub(super) struct Cast {
    pub players: Vec<Player>,
    /// Authority key identifiers that certificates among the players have.
    pub authority_ids: HashSet<Vec<u8>>,
    /// Trusted PAAs with the names of their files.
    pub trust: Named<Arc<Certificate>>,
    pub signers: Vec<SignerKey>,
    /// Lists given beside the subjects.
    pub lists: Named<Box<RevocationList>>,
    /// Certificates that may be list signers.
    pub list_signers: Vec<Arc<Certificate>>,
}

pub(super) fn cast(request: &Examine, gathered: Gathered) -> Result<Cast, ExamineError> {
    let count = gathered.subjects.len();
    if request.kind.is_some() && count != 1 {
        return Err(ExamineError::AsWithMany(count));
    }
    let is_list = |found: &Found| matches!(found.item, Some(Held::Other(Item::List(_))));
    // Signers alone revoke nothing: it would read as "nothing of this is revoked".
    if let Some(last) = gathered.revocations.last()
        && !gathered.revocations.iter().chain(&gathered.subjects).any(is_list)
    {
        let name = last.path.as_ref().map_or_else(|| last.name.to_string(), |path| path.display().to_string());
        return Err(ExamineError::NothingOfUse { name, wanted: "revocation list" });
    }
    let trust = trusted(gathered.trust)?;
    let (signers, mut list_signers, lists) = beside(gathered.signers, gathered.revocations)?;
    let mut beside_lists: Vec<(usize, Vec<Arc<Certificate>>)> = Vec::new();
    for (index, found) in gathered.subjects.iter().enumerate() {
        if let (Some(Held::Other(Item::List(list))), Some(path)) = (&found.item, &found.path) {
            beside_lists.push((index, neighbours(path, list)));
        }
    }
    let pointed = gathered.subjects.par_chunks(CHUNK).map(Pointed::at_by).reduce(Pointed::default, Pointed::and);
    let trusted_keys: HashSet<&[u8]> = trust.iter().map(|(_, c)| c.part(c.key.bits)).collect();
    let is_trusted = |c: &Certificate| trust.iter().any(|(_, paa)| paa.subject_der() == c.subject_der());
    let has_issuers_key = |c: &Certificate| {
        let one = named_key(c.issuer_der(), c);
        pointed.named_keys.contains(&one) || trust.iter().any(|(_, paa)| named_key(paa.subject_der(), paa) == one)
    };
    let weighed = |c: &Certificate| {
        let is_in = |ids: &HashSet<Vec<u8>>| c.subject_key_id().is_some_and(|id| has(ids, id));
        let signs = Signs {
            issues: is_in(&pointed.issuer_ids) || has(&pointed.issuer_names, c.subject_der()),
            above: is_in(&pointed.issuers_of_authorities),
            below: c.authority_key_id().is_some_and(|id| has(&pointed.intermediates, id)),
            signs: is_in(&pointed.signer_ids),
            trusted: has(&trusted_keys, c.part(c.key.bits)) && (c.is_self_issued() || is_trusted(c)),
            has_issuers_key: looks_like_authority(c) && !c.is_self_issued() && has_issuers_key(c),
        };
        part_of(c, &signs)
    };
    let players: Result<Vec<Player>, ExamineError> = gathered
        .subjects
        .into_par_iter()
        .with_min_len(CHUNK)
        .map(|Found { name, item, .. }| {
            let part = part(request, &name, item, weighed)?;
            Ok(Player { name, part })
        })
        .collect();
    // There is one error at most: what can be wrong here is said of one thing alone, above.
    let players = players?;
    // In the order given: whoever was named first, is the signer that a list is held against.
    let mut beside_lists = beside_lists.into_iter().peekable();
    for (index, player) in players.iter().enumerate() {
        if let Part::Certificate(c, Kind::ListSigner) = &player.part {
            list_signers.push(Arc::clone(c));
        }
        if let Some((_, beside)) = beside_lists.next_if(|(list, _)| *list == index) {
            list_signers.extend(beside);
        }
    }
    Ok(Cast { players, authority_ids: pointed.authority_ids, trust, signers, lists, list_signers })
}

/// What certificates and declarations point at.
#[derive(Default)]
struct Pointed {
    /// Key identifiers of issuers other than the certificate itself.
    issuer_ids: HashSet<Vec<u8>>,
    issuer_names: HashSet<Vec<u8>>,
    issuers_of_authorities: HashSet<Vec<u8>>,
    /// Key identifiers of authorities that are no roots.
    intermediates: HashSet<Vec<u8>>,
    /// Key identifiers of whoever signs declarations.
    signer_ids: HashSet<Vec<u8>>,
    /// Authority key identifiers of all.
    authority_ids: HashSet<Vec<u8>>,
    /// Names and keys of authorities, as [`named_key`] joins them.
    named_keys: HashSet<Vec<u8>>,
}

/// A name, and the key of a certificate behind it.
fn named_key(name: &[u8], c: &Certificate) -> Vec<u8> {
    [name, c.part(c.key.bits)].concat()
}

impl Pointed {
    fn at_by(found: &[Found]) -> Self {
        let mut at = Self::default();
        for item in found.iter().filter_map(|found| found.item.as_ref()) {
            match item {
                Held::Certificate(octets) => octets.read().iter().for_each(|c| at.by_certificate(c)),
                Held::Other(Item::Declaration(d)) => at.signer_ids.extend(d.signer_key_id().map(<[u8]>::to_vec)),
                Held::Other(_) => {}
            }
        }
        at
    }

    fn by_certificate(&mut self, c: &Certificate) {
        let own = c.subject_key_id();
        let is_authority = looks_like_authority(c);
        if is_authority {
            self.named_keys.insert(named_key(c.subject_der(), c));
        }
        if let Some(id) = c.authority_key_id() {
            note(&mut self.authority_ids, id);
            if Some(id) != own {
                note(&mut self.issuer_ids, id);
                if is_authority {
                    note(&mut self.issuers_of_authorities, id);
                }
            }
        }
        if !c.is_self_issued() {
            note(&mut self.issuer_names, c.issuer_der());
            if is_authority {
                self.intermediates.extend(own.map(<[u8]>::to_vec));
            }
        }
    }

    fn and(mut self, other: Self) -> Self {
        self.issuer_ids.extend(other.issuer_ids);
        self.issuer_names.extend(other.issuer_names);
        self.issuers_of_authorities.extend(other.issuers_of_authorities);
        self.intermediates.extend(other.intermediates);
        self.signer_ids.extend(other.signer_ids);
        self.authority_ids.extend(other.authority_ids);
        self.named_keys.extend(other.named_keys);
        self
    }
}

/// Adds octets that most others have told already.
fn note(set: &mut HashSet<Vec<u8>>, octets: &[u8]) {
    if !has(set, octets) {
        set.insert(octets.to_vec());
    }
}

/// Whether a set holds these octets. Mostly there are so few authorities that comparing is
/// quicker than hashing.
pub(super) fn has<T: Borrow<[u8]> + Eq + Hash>(set: &HashSet<T>, octets: &[u8]) -> bool {
    const FEW: usize = 8;
    if set.len() <= FEW { set.iter().any(|held| held.borrow() == octets) } else { set.contains(octets) }
}

fn part(
    request: &Examine,
    name: &str,
    item: Option<Held>,
    weighed: impl Fn(&Certificate) -> Kind,
) -> Result<Part, ExamineError> {
    let is = |found, kind, part| check(request, name, found, kind, part);
    match item.and_then(Held::item) {
        None => Ok(Part::Unknown),
        Some(Item::Certificate(c)) => match request.kind.unwrap_or_else(|| weighed(&c)) {
            Kind::Dac => Ok(Part::Dac(Octets::of(&c))),
            kind @ (Kind::Pai | Kind::Paa | Kind::DeclarationSigner | Kind::ListSigner) => {
                Ok(Part::Certificate(c, kind))
            }
            asked => Err(not_that(name, "a certificate", asked)),
        },
        Some(Item::BrokenCertificate(broken)) => {
            let profile = match request.kind {
                Some(Kind::Pai) => Profile::Pai,
                Some(Kind::Paa) => Profile::Paa,
                Some(Kind::Dac) => Profile::Dac,
                Some(asked) => return Err(not_that(name, "a certificate", asked)),
                None => profile_by_octets(&broken.octets),
            };
            Ok(Part::Broken(profile, broken.why.to_string().into()))
        }
        Some(Item::Declaration(d)) => is("a declaration", Kind::Declaration, Part::Declaration(d)),
        Some(Item::Request(r)) => is("a certification request", Kind::Request, Part::Request(r)),
        Some(Item::List(l)) => is("a revocation list", Kind::RevocationList, Part::List(l)),
        Some(Item::Exchange(p)) => is("an exchange", Kind::Exchange, Part::Exchange(p)),
        Some(Item::FactoryRecord(r)) => is("a factory record", Kind::FactoryRecord, Part::Record(r)),
        Some(Item::PublicKey(_)) => is("a public key", Kind::DeclarationSigner, Part::Key),
    }
}

fn check(request: &Examine, name: &str, found: &'static str, is: Kind, part: Part) -> Result<Part, ExamineError> {
    match request.kind {
        Some(asked) if asked != is => Err(not_that(name, found, asked)),
        _ => Ok(part),
    }
}

fn not_that(name: &str, found: &'static str, asked: Kind) -> ExamineError {
    ExamineError::NotThat { name: name.to_owned(), found, asked: asked.word() }
}

fn trusted(found: Vec<Found>) -> Result<Named<Arc<Certificate>>, ExamineError> {
    let mut trust = Vec::new();
    let mut named = Vec::new();
    for Found { name, item, path } in found {
        named.extend(path.map(|path| path.display().to_string()));
        if let Some(Item::Certificate(c)) = item.and_then(Held::item) {
            trust.push((name, c));
        }
    }
    match named.pop() {
        Some(name) if trust.is_empty() => Err(ExamineError::NothingOfUse { name, wanted: "PAA certificate" }),
        _ => Ok(trust),
    }
}

type Beside = (Vec<SignerKey>, Vec<Arc<Certificate>>, Named<Box<RevocationList>>);

fn beside(signers: Vec<Found>, revocations: Vec<Found>) -> Result<Beside, ExamineError> {
    let mut keys = Vec::new();
    for Found { item, path, .. } in signers {
        match item.and_then(Held::item) {
            Some(Item::Certificate(c)) => keys.extend(signer_key(&c, true)),
            Some(Item::PublicKey(key)) => {
                keys.push(SignerKey { key_id: key.key_id().to_vec(), key: *key, trusted: true })
            }
            None => {}
            Some(_) => {
                return Err(of_no_use(path, "certificate or public key"));
            }
        }
    }
    let (mut appointed, mut lists) = (Vec::new(), Vec::new());
    for Found { name, item, path } in revocations {
        match item.and_then(Held::item) {
            Some(Item::Certificate(c)) => appointed.push(c),
            Some(Item::List(list)) => {
                // An appointed signer's certificate may lie beside its list.
                if let Some(path) = path.filter(|_| list.issuer.attributes > 0) {
                    appointed.extend(neighbours(&path, &list));
                }
                lists.push((name, list));
            }
            None => {}
            Some(_) => {
                return Err(of_no_use(path, "revocation list"));
            }
        }
    }
    Ok((keys, appointed, lists))
}

/// For what is no certificate, so that its path is told.
fn of_no_use(path: Option<Box<Path>>, wanted: &'static str) -> ExamineError {
    ExamineError::NothingOfUse { name: path.map(|path| path.display().to_string()).unwrap_or_default(), wanted }
}

/// Certificates in a list's directory whose subject is the list's issuer.
/// Best effort: what can't be read there was not asked for.
fn neighbours(list_path: &Path, list: &RevocationList) -> Vec<Arc<Certificate>> {
    const MOST: usize = 256;
    let Some(entries) = list_path
        .parent()
        .and_then(|dir| std::fs::read_dir(if dir.as_os_str().is_empty() { Path::new(".") } else { dir }).ok())
    else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for entry in entries.flatten().take(MOST) {
        let small = entry.metadata().is_ok_and(|m| m.is_file() && m.len() <= 1 << 16);
        let Some(octets) = (if small { std::fs::read(entry.path()).ok() } else { None }) else { continue };
        for item in standard::detect::detect(&octets).unwrap_or_default() {
            if let Item::Certificate(c) = item
                && c.subject_der() == list.issuer_der()
            {
                found.push(c);
            }
        }
    }
    found
}

pub(super) fn signer_key(c: &Certificate, trusted: bool) -> Option<SignerKey> {
    let key = *c.public_key()?;
    let key_id = c.subject_key_id().map_or_else(|| key.key_id().to_vec(), <[u8]>::to_vec);
    Some(SignerKey { key_id, key, trusted })
}

/// What surrounds a certificate.
struct Signs {
    /// Another certificate points at it as its issuer.
    issues: bool,
    above: bool,
    /// Its issuer is at hand and is no root.
    below: bool,
    /// A declaration names it as its signer.
    signs: bool,
    /// Its key is a trusted PAA's, and not its issuer's alone.
    trusted: bool,
    /// Its issuer is at hand and has the same key.
    has_issuers_key: bool,
}

fn looks_like_authority(c: &Certificate) -> bool {
    c.basic_constraints().is_some_and(|b| b.ca) || c.key_usage().is_some_and(|u| u.has(KeyUsage::KEY_CERT_SIGN))
}

/// Weighs the signs. What a certificate may do counts two, what its name
/// tells one, what others make of it most.
fn part_of(c: &Certificate, signs: &Signs) -> Kind {
    if signs.trusted {
        return Kind::Paa;
    }
    let usage = c.key_usage().map(|u| u.0);
    let constraints = c.basic_constraints();
    let identity = &c.subject.identity;
    let told_product = !identity.products.is_empty();
    let told_vendor = !identity.vendors.is_empty();
    let self_issued = c.is_self_issued();
    let weigh = |sign: bool, weight: i32| if sign { weight } else { 0 };

    let authority = weigh(signs.issues, 4)
        + weigh(constraints.is_some_and(|b| b.ca), 2)
        + weigh(usage.is_some_and(|u| u & KeyUsage::KEY_CERT_SIGN != 0), 2)
        + weigh(!told_product && told_vendor, 1)
        + weigh(self_issued && usage.is_some_and(|u| u & KeyUsage::KEY_CERT_SIGN != 0), 1)
        - weigh(signs.below && !signs.issues, 3)
        - weigh(constraints.is_some_and(|b| !b.ca), 2)
        - weigh(usage == Some(KeyUsage::DIGITAL_SIGNATURE), 2)
        - weigh(told_product, 1);
    if signs.signs && authority <= 0 {
        return Kind::DeclarationSigner;
    }
    let can_sign_lists = usage.is_some_and(|u| u & KeyUsage::CRL_SIGN != 0 && u & KeyUsage::KEY_CERT_SIGN == 0);
    let is_no_ca = constraints.is_none_or(|b| !b.ca);
    if can_sign_lists && is_no_ca && !told_product && !signs.issues {
        return Kind::ListSigner;
    }
    // Whatever a PAI issued, or names an issuer with a vendor as PAIs have, was meant to be a DAC.
    let under_pai = signs.below || !c.issuer.identity.vendors.is_empty() && !self_issued;
    if authority <= 0 && !told_product && !told_vendor && is_no_ca && !under_pai {
        return Kind::DeclarationSigner;
    }
    if authority <= 0 {
        return Kind::Dac;
    }
    // A root is its own issuer, by name, by key identifier or by signature.
    let own_id = c.authority_key_id().is_some() && c.authority_key_id() == c.subject_key_id();
    let own_signature = || c.public_key().is_some_and(|key| key.verifies(c.signed_part(), c.signature()));
    let points_elsewhere = c.authority_key_id().is_some() && c.authority_key_id() != c.subject_key_id();
    let root = match (self_issued, own_id) {
        _ if signs.has_issuers_key => false,
        (true, _) => !points_elsewhere || own_signature() || signs.above,
        (false, true) => true,
        (false, false) => own_signature(),
    };
    if root { Kind::Paa } else { Kind::Pai }
}

/// A guess at what a broken certificate was meant to be: authorities carry
/// `cA TRUE` in basicConstraints, and a PAI a pathLenConstraint of 0.
fn profile_by_octets(octets: &[u8]) -> Profile {
    let has = |needle: &[u8]| octets.windows(needle.len()).any(|w| w == needle);
    if has(&[0x30, 0x06, 0x01, 0x01, 0xFF, 0x02, 0x01, 0x00]) {
        Profile::Pai
    } else if has(&[0x55, 0x1D, 0x13, 0x01, 0x01, 0xFF, 0x04, 0x05, 0x30, 0x03, 0x01, 0x01, 0xFF])
        || has(&[0x30, 0x06, 0x01, 0x01, 0xFF, 0x02, 0x01, 0x01])
    {
        Profile::Paa
    } else {
        Profile::Dac
    }
}
