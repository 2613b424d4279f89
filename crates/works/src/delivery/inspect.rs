//! Receiving inspection: every certificate by every rule, matched to the chips
//! of a reel, before anything is stored.
//!
//! Three passes, none of which holds a delivery in memory. Reading takes entries
//! apart on all cores and spools the DACs (`spool`), noting for each only where it
//! lies, whose key it has and a hash of its serial number: authorities may come
//! anywhere in an archive, and doubles show only at the end. Matching finds what
//! comes twice. Judging takes the DACs from the spool, sorted by key, on all cores.
//! What is found is told in the delivery's order all the same (`findings`).
//!
//! Pure but for the file it opens and the spool: what the site holds already comes
//! in as an [`Expectation`]. What may be kept is in [`Inspection`]; whether it is
//! kept is the caller's to decide.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::hash::{BuildHasher as _, RandomState};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{self, SyncSender};
use std::thread;

use rayon::prelude::*;
use standard::certificate::{Certificate, Profile};
use standard::detect::{DetectError, Item};
use standard::ids::{ProductId, VendorId};
use standard::verdict::catalogue::chain::TEST_IDENTITY;
use standard::verdict::catalogue::intake::{
    DELIVERY_AUTHORITY, DELIVERY_DOUBLE, DELIVERY_FORMAT, DELIVERY_GAP, DELIVERY_KEY_REUSE, DELIVERY_PASSWORD,
    DELIVERY_PATH, DELIVERY_PRODUCT, DELIVERY_SERIAL, DELIVERY_SIZE, DELIVERY_STRANGER,
};
use standard::verdict::{Context, Finding, Pool, Severity};
use zeroize::Zeroizing;

use super::chips::{Chips, Slot};
pub use super::findings::DeliveryFinding;
use super::findings::{About, Findings};
use super::spool::{Spool, Writer};
use crate::bundle::detect_all;
use crate::course::{Course, Phase, Stopped};
use crate::intake::{self, Entry, IntakeError, Limits};
use crate::revocation::Known as Revoked;
use crate::trouble::Trouble;

/// Entries handed on at a time while reading, and octets after which fewer are.
const ENTRIES: usize = 256;
const OCTETS: usize = 2 << 20;
/// DACs that a core takes at a time, and how many of these are judged between two looks.
const STRETCH: usize = 32;
const STRETCHES: usize = 256;

/// A DAC whose key is none of the reel's.
const STRANGER: Slot = Slot::MAX;

/// Stages of the inspection, in which findings are told.
mod stage {
    pub const READING: u8 = 0;
    pub const NOTHING: u8 = 1;
    pub const AUTHORITIES: u8 = 2;
    pub const STRANGERS: u8 = 3;
    pub const DOUBLES: u8 = 4;
    pub const REPEATS: u8 = 5;
    pub const JUDGED: u8 = 6;
    pub const GAP: u8 = 7;
}

/// What the site says of a key or serial number that a delivery brings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Known {
    /// The issuer has used this serial number in another credential here.
    Serial {
        /// The delivery that brought it.
        delivery: String,
    },
    /// The key has a credential already.
    Key {
        /// Its serial number in hex.
        serial: String,
    },
}

/// Ids of the chips at these places of the reel, in this order.
pub type ChipIds<'a> = &'a (dyn Fn(&[u32]) -> Result<Vec<String>, Trouble> + Sync);

/// What a delivery should hold.
pub struct Expectation<'a> {
    /// Chips of the reel.
    pub chips: &'a Chips,
    /// Their ids, for telling.
    pub chip_ids: ChipIds<'a>,
    /// Vendor ID that the DACs carry.
    pub vendor: VendorId,
    /// Product ID that the DACs carry.
    pub product: ProductId,
    /// Whether the product is for sale rather than for testing.
    pub production: bool,
    /// PAAs trusted here, and whether each was adopted for production.
    pub anchors: &'a [(Arc<Certificate>, bool)],
    /// PAIs known here.
    pub pais: &'a [Arc<Certificate>],
    /// What the site knows to be revoked.
    pub revoked: &'a Revoked,
    /// What the site holds already of this certificate's key or serial number; told
    /// whether the key is that of a chip of the reel without a credential.
    pub known: &'a (dyn Fn(&Certificate, bool) -> Option<Known> + Sync),
}

impl Expectation<'_> {
    fn chip_id(&self, place: u32) -> Result<String, Trouble> {
        Ok((self.chip_ids)(&[place])?.pop().unwrap_or_default())
    }

    fn ids(&self, slots: &[Slot]) -> Result<Vec<String>, Trouble> {
        let places: Vec<u32> = slots.iter().map(|slot| self.chips.place(*slot)).collect();
        (self.chip_ids)(&places)
    }

    /// Ids of the chips that need a credential, without those that `has` names.
    pub(super) fn without(&self, has: impl Fn(Slot) -> bool) -> Result<Vec<String>, Trouble> {
        let slots: Vec<Slot> = self.chips.slots().filter(|slot| !self.chips.is_served(*slot) && !has(*slot)).collect();
        let mut ids = self.ids(&slots)?;
        ids.sort_unstable();
        Ok(ids)
    }
}

/// A DAC that may be kept, and whose it is.
#[derive(Debug)]
pub struct Accepted {
    /// Its chip's place on the reel.
    pub place: u32,
    /// The certificate.
    pub dac: Certificate,
    /// Index in [`Inspection::pais`].
    pub pai: usize,
}

/// What the inspection found.
#[derive(Debug, Default)]
pub struct Inspection {
    /// DACs read.
    pub read: usize,
    /// How many may be kept.
    pub accepted: usize,
    /// PAIs above the accepted ones.
    pub pais: Vec<Arc<Certificate>>,
    /// Chips on the reel.
    pub on_reel: usize,
    /// Chips that would be left without a credential, in order.
    pub without: Vec<String>,
    /// What is wrong or worth knowing.
    pub findings: Vec<DeliveryFinding>,
    pub(super) spool: Option<Arc<Spool>>,
    /// Those that may be kept, sorted by key.
    pub(super) kept: Vec<Kept>,
}

/// A DAC that may be kept: where it lies in the spool, whose it is, which PAI is above it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Kept {
    pub(super) number: u32,
    pub(super) slot: Slot,
    pub(super) pai: u16,
}

/// What one stretch of judging gave, for whoever begins to store before the last DAC is judged.
pub struct Stretch<'a> {
    pub(super) spool: &'a Arc<Spool>,
    pub(super) kept: &'a [Kept],
    /// PAIs above those kept so far; later stretches add to them.
    pub(super) pais: &'a [Arc<Certificate>],
    /// Certificates read in all.
    pub(super) read: usize,
    /// DACs judged so far.
    pub(super) judged: usize,
    /// DACs to be judged in all.
    pub(super) total: usize,
    /// Whether anything so far keeps the delivery from being stored whole.
    pub(super) errors: bool,
}

impl Inspection {
    /// Whether it may be stored whole.
    pub fn is_clean(&self) -> bool {
        self.findings.iter().all(|f| f.finding.severity != Severity::Error)
    }

    /// Some of the DACs that may be kept: `count` of them after the first `from`, sorted by key.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where the temporary file can't be read.
    pub fn kept(&self, chips: &Chips, from: usize, count: usize) -> Result<Vec<Accepted>, Trouble> {
        let Some(spool) = &self.spool else { return Ok(Vec::new()) };
        let end = from.saturating_add(count).min(self.kept.len());
        fetch(spool, chips, self.kept.get(from..end).unwrap_or_default())
    }
}

/// DACs from the spool, on all cores.
pub(super) fn fetch(spool: &Spool, chips: &Chips, some: &[Kept]) -> Result<Vec<Accepted>, Trouble> {
    some.par_iter()
        .with_min_len(STRETCH)
        .map(|kept| {
            let dac = spool.get(kept.number)?.certificate()?;
            Ok(Accepted { place: chips.place(kept.slot), dac, pai: usize::from(kept.pai) })
        })
        .collect()
}

/// Opens and inspects a delivery.
///
/// - `each`: told of each stretch that was judged, in order.
///
/// # Errors
///
/// [`Trouble`] where it can't be read at all, or was stopped; what can be judged
/// (an entry's name, sizes, a password) becomes a finding.
pub fn inspect(
    path: &Path,
    password: Option<&Zeroizing<Vec<u8>>>,
    expectation: &Expectation<'_>,
    course: &Course,
    each: &mut dyn FnMut(Stretch<'_>),
) -> Result<Inspection, Trouble> {
    course.phase(Phase::Reading, None);
    let on_reel = expectation.chips.len();
    let mut read = match read(path, password, expectation.chips, course) {
        Ok(read) => read,
        Err(Unread::Trouble(trouble)) => return Err(trouble),
        Err(Unread::Intake(error)) => {
            let rule = match error.rule() {
                Some("path") => &DELIVERY_PATH,
                Some("size") => &DELIVERY_SIZE,
                Some(_) => &DELIVERY_PASSWORD,
                None => return Err(error.into()),
            };
            // Whatever was read before it is not looked at.
            let mut findings = Findings::default();
            let finding = Finding::new(rule, error.to_string());
            findings.tell((stage::READING, 0, 0), || "delivery".into(), About::Nothing, finding);
            let findings = findings.told(&|place| expectation.chip_id(place))?;
            return Ok(Inspection { on_reel, findings, ..Inspection::default() });
        }
    };
    let matched = matching(&mut read, expectation, course)?;
    judge(read, matched, expectation, course, each)
}

/// A delivery as it was read.
struct Read {
    spool: Spool,
    /// Whose key each DAC has.
    slots: Vec<Slot>,
    /// A hash of each DAC's issuer and serial number.
    serials: Vec<u64>,
    authorities: Vec<(String, Certificate)>,
    /// Certificates that can't be taken apart.
    broken: usize,
    findings: Findings,
}

enum Unread {
    Intake(IntakeError),
    Trouble(Trouble),
}

impl From<Trouble> for Unread {
    fn from(trouble: Trouble) -> Self {
        Self::Trouble(trouble)
    }
}

/// One thing of an entry.
enum Came {
    Dac { name: String, certificate: Certificate, slot: Slot, serial: u64 },
    Authority { name: String, certificate: Certificate },
    Broken { name: String, why: String },
    Format { name: String, why: String },
}

/// Entries on their way from the archive, some at a time.
struct Basket<'a> {
    entries: Vec<Entry>,
    octets: usize,
    to: &'a SyncSender<Vec<Entry>>,
}

impl Basket<'_> {
    /// Where nobody takes the entries any more, whoever did says why.
    fn send(&mut self) -> Result<(), Stopped> {
        self.octets = 0;
        self.to.send(std::mem::take(&mut self.entries)).map_err(|_| Stopped)
    }

    fn add(&mut self, entry: Entry) -> Result<(), Stopped> {
        self.octets += entry.octets.len();
        self.entries.push(entry);
        if self.entries.len() >= ENTRIES || self.octets >= OCTETS { self.send() } else { Ok(()) }
    }
}

/// Reads all entries: one thread opens the archive, all take its certificates apart.
fn read(path: &Path, password: Option<&Zeroizing<Vec<u8>>>, chips: &Chips, course: &Course) -> Result<Read, Unread> {
    let (to, from) = mpsc::sync_channel(4);
    thread::scope(|scope| {
        let opening = scope.spawn(move || {
            let mut basket = Basket { entries: Vec::new(), octets: 0, to: &to };
            let opened = intake::open(path, Limits::default(), password, &mut |entry| {
                course.advance(1);
                course.go_on()?;
                Ok(basket.add(entry)?)
            });
            opened.and_then(|()| Ok(basket.send()?))
        });
        let hasher = RandomState::new();
        let mut writer = Writer::new()?;
        let (mut slots, mut serials, mut authorities) = (Vec::new(), Vec::new(), Vec::new());
        let (mut findings, mut broken, mut entry) = (Findings::default(), 0, 0_u64);
        for entries in from {
            let came: Vec<Vec<Came>> =
                entries.into_par_iter().with_min_len(8).map(|entry| take_apart(&entry, chips, &hasher)).collect();
            for items in came {
                for (part, item) in (0..).zip(items) {
                    let turn = (stage::READING, entry, part);
                    match item {
                        Came::Dac { name, certificate, slot, serial } => {
                            writer.add(&name, certificate.der())?;
                            slots.push(slot);
                            serials.push(serial);
                        }
                        Came::Authority { name, certificate } => authorities.push((name, certificate)),
                        Came::Broken { name, why } => {
                            if let Some(rule) = standard::verdict::rule("dac.encoding") {
                                broken += 1;
                                findings.tell(turn, || name, About::Nothing, Finding::new(rule, why));
                            }
                        }
                        Came::Format { name, why } => {
                            findings.tell(turn, || name, About::Nothing, Finding::new(&DELIVERY_FORMAT, why));
                        }
                    }
                }
                entry += 1;
            }
        }
        match opening.join() {
            Ok(opened) => opened.map_err(Unread::Intake)?,
            Err(panic) => std::panic::resume_unwind(panic),
        }
        Ok(Read { spool: writer.finish()?, slots, serials, authorities, broken, findings })
    })
}

fn take_apart(entry: &Entry, chips: &Chips, hasher: &RandomState) -> Vec<Came> {
    let items = match detect_all(&entry.octets) {
        Ok(items) => items,
        // Notes, digests and the like.
        Err(DetectError::Unknown | DetectError::Empty) => return Vec::new(),
        Err(DetectError::Broken("JSON" | "a factory record", _)) => return Vec::new(),
        Err(why) => return vec![Came::Format { name: entry.name.clone(), why: why.to_string() }],
    };
    let several = items.len() > 1;
    let name = |index: usize| if several { format!("{}#{}", entry.name, index + 1) } else { entry.name.clone() };
    let sorted = items.into_iter().enumerate().filter_map(|(index, item)| match item {
        Item::Certificate(certificate) if is_authority(&certificate) => {
            Some(Came::Authority { name: name(index), certificate })
        }
        Item::Certificate(certificate) => {
            let slot = certificate.public_key().and_then(|key| chips.find(key.point())).unwrap_or(STRANGER);
            let serial = hasher.hash_one((certificate.issuer_der(), certificate.serial()));
            Some(Came::Dac { name: name(index), certificate, slot, serial })
        }
        Item::BrokenCertificate(_, why) => Some(Came::Broken { name: name(index), why: why.to_string() }),
        // Lists, requests and declarations may lie beside; they are received elsewhere.
        _ => None,
    });
    sorted.collect()
}

fn is_authority(certificate: &Certificate) -> bool {
    let usage = certificate.key_usage();
    let constrained = certificate.basic_constraints().is_some_and(|b| b.ca);
    let ca = constrained
        || usage.is_some_and(|u| u.has(standard::certificate::KeyUsage::KEY_CERT_SIGN))
            && certificate.subject.identity.products.is_empty();
    ca && (constrained || certificate.subject.identity.product().is_none())
}

/// What comes once, and what does not.
struct Matched {
    /// Numbers of the DACs, sorted by key; strangers last.
    order: Vec<u32>,
    /// Whether a DAC shares its chip or its serial number with another, by number.
    shared: Vec<bool>,
}

/// Lists of neighbours that are alike.
fn runs<'a>(sorted: &'a [u32], alike: impl Fn(u32, u32) -> bool + 'a) -> impl Iterator<Item = &'a [u32]> {
    sorted.chunk_by(move |a, b| alike(*a, *b)).filter(|run| run.len() > 1)
}

/// Finds DACs for one chip, and DACs of one serial number.
fn matching(read: &mut Read, expectation: &Expectation<'_>, course: &Course) -> Result<Matched, Trouble> {
    let count = u32::try_from(read.spool.len())
        .map_err(|_| Trouble::refused("more DACs than can be inspected at once", "Ask for the delivery in parts."))?;
    let mut shared = vec![false; read.spool.len()];
    let mut order: Vec<u32> = (0..count).collect();

    let serials = std::mem::take(&mut read.serials);
    let serial_of = |number: u32| serials.get(number as usize).copied().unwrap_or_default();
    order.par_sort_unstable_by_key(|number| (serial_of(*number), *number));
    let mut repeats: Vec<Vec<u32>> = Vec::new();
    for run in runs(&order, |a, b| serial_of(a) == serial_of(b)) {
        course.go_on()?;
        // Alike in a hash; now by what stands in them.
        let mut exact: HashMap<(Vec<u8>, Vec<u8>), Vec<u32>> = HashMap::new();
        for number in run {
            let c = read.spool.get(*number)?.certificate()?;
            exact.entry((c.issuer_der().to_vec(), c.serial().to_vec())).or_default().push(*number);
        }
        repeats.extend(exact.into_values().filter(|list| list.len() > 1));
    }
    drop(serials);
    repeats.sort_unstable();

    let slot_of = |number: u32| read.slots.get(number as usize).copied().unwrap_or(STRANGER);
    order.par_sort_unstable_by_key(|number| (slot_of(*number), *number));
    let mut doubles: Vec<(String, &[u32])> = Vec::new();
    for run in runs(&order, |a, b| slot_of(a) == slot_of(b)) {
        if slot_of(run[0]) != STRANGER {
            doubles.push((expectation.chip_id(expectation.chips.place(slot_of(run[0])))?, run));
        }
    }
    doubles.sort_unstable();

    for (turn, (chip, list)) in (0..).zip(&doubles) {
        course.go_on()?;
        let (entries, serials) = named(&read.spool, list)?;
        let found = format!("chip {chip}: {} DACs, serials {}", list.len(), serials.join(" and "));
        let finding = Finding::new(&DELIVERY_DOUBLE, found);
        read.findings.tell((stage::DOUBLES, turn, 0), || entries, About::Id(chip.clone()), finding);
    }
    for (turn, list) in (0..).zip(&repeats) {
        course.go_on()?;
        let (entries, serials) = named(&read.spool, list)?;
        let slots: Vec<Slot> = list.iter().map(|n| slot_of(*n)).filter(|slot| *slot != STRANGER).collect();
        let (chips, serial) = (expectation.ids(&slots)?, serials.first().cloned().unwrap_or_default());
        let found = format!("serial {serial} on {} DACs, for chips {}", list.len(), chips.join(" and "));
        read.findings.tell(
            (stage::REPEATS, turn, 0),
            || entries,
            About::Nothing,
            Finding::new(&DELIVERY_SERIAL, found),
        );
    }
    let lists = doubles.iter().flat_map(|(_, list)| list.iter()).chain(repeats.iter().flatten());
    for number in lists {
        shared[*number as usize] = true;
    }
    drop(doubles);
    Ok(Matched { order, shared })
}

/// Names of the entries, and the serial numbers in them.
fn named(spool: &Spool, list: &[u32]) -> Result<(String, Vec<String>), Trouble> {
    let (mut entries, mut serials) = (Vec::new(), Vec::new());
    for number in list {
        let record = spool.get(*number)?;
        entries.push(record.name());
        serials.push(record.certificate()?.serial_hex());
    }
    Ok((entries.join(", "), serials))
}

/// What some cores found.
#[derive(Default)]
struct Part {
    findings: Findings,
    /// Authorities that a DAC here stands under.
    above: BTreeSet<usize>,
    /// Number, slot and PAI in the pool.
    kept: Vec<(u32, Slot, u32)>,
}

impl Part {
    fn join(mut self, other: Self) -> Self {
        self.findings.merge(other.findings);
        self.above.extend(other.above);
        self.kept.extend(other.kept);
        self
    }
}

/// The pool of all authorities, with the name of each.
fn pool(authorities: Vec<(String, Certificate)>, expectation: &Expectation<'_>) -> (Pool, Vec<String>) {
    let anchor = |c: &Certificate| expectation.anchors.iter().any(|(a, _)| a.der() == c.der());
    let mut members: Vec<(Arc<Certificate>, Profile, bool)> =
        expectation.anchors.iter().map(|(c, _)| (Arc::clone(c), Profile::Paa, true)).collect();
    let mut names: Vec<String> = members.iter().map(|_| "site".to_owned()).collect();
    for pai in expectation.pais {
        members.push((Arc::clone(pai), Profile::Pai, false));
        names.push("site".into());
    }
    for (name, certificate) in authorities {
        // A copy of a trusted PAA, or a PAI that is known, adds nothing.
        if anchor(&certificate) || members.iter().any(|(m, ..)| m.der() == certificate.der()) {
            continue;
        }
        let root = certificate.is_self_issued()
            || certificate.authority_key_id().is_some()
                && certificate.authority_key_id() == certificate.subject_key_id();
        members.push((Arc::new(certificate), if root { Profile::Paa } else { Profile::Pai }, false));
        names.push(name);
    }
    (Pool::new(members), names)
}

/// Findings on each authority, and those that nothing may stand under.
fn authorities(pool: &Pool, context: &Context, expectation: &Expectation<'_>) -> (Vec<Vec<Finding>>, HashSet<usize>) {
    let mut faulty: HashSet<usize> = HashSet::new();
    let mut told = Vec::new();
    for (index, authority) in pool.authorities().iter().enumerate() {
        let mut findings = pool.judge_authority(index, context).findings;
        if findings.iter().any(|f| f.severity == Severity::Error) {
            faulty.insert(index);
        }
        // What the site itself holds was judged when it was adopted; its notes are not news.
        if expectation.anchors.iter().any(|(a, _)| a.der() == authority.certificate.der()) {
            findings.retain(|f| f.severity == Severity::Error);
        }
        let for_sale = |(a, production): &(Arc<Certificate>, bool)| {
            *production && a.subject_der() == authority.certificate.subject_der()
        };
        if authority.trusted && expectation.production && !expectation.anchors.iter().any(for_sale) {
            faulty.insert(index);
            let title = authority.certificate.subject.display(authority.certificate.der());
            findings.push(Finding::new(&DELIVERY_AUTHORITY, format!("{title}, adopted for testing")));
        }
        told.push(findings);
    }
    (told, faulty)
}

fn judge(
    read: Read,
    matched: Matched,
    expectation: &Expectation<'_>,
    course: &Course,
    each: &mut dyn FnMut(Stretch<'_>),
) -> Result<Inspection, Trouble> {
    let Read { spool, slots, authorities: came, broken, mut findings, .. } = read;
    let (spool, total) = (Arc::new(spool), slots.len());
    course.phase(Phase::Judging, u64::try_from(total).ok());
    if total == 0 && findings.is_empty() {
        let finding = Finding::new(&DELIVERY_FORMAT, "no DAC in it");
        findings.tell((stage::NOTHING, 0, 0), || "delivery".into(), About::Nothing, finding);
    }
    let (pool, names) = pool(came, expectation);
    let context = Context { trust_given: true, revoked: expectation.revoked.against(&pool), ..Context::default() };
    let (of_authorities, faulty) = authorities(&pool, &context, expectation);
    let court = Court { spool: &spool, slots: &slots, pool: &pool, context: &context, faulty: &faulty, expectation };
    let short = is_short(&matched, &slots, expectation.chips);
    let (mut kept, mut pais, mut pool_pais) = (Vec::<Kept>::new(), Vec::new(), Vec::<u32>::new());
    let (mut above, mut judged) = (BTreeSet::new(), 0);
    for stretch in matched.order.chunks(STRETCHES * STRETCH) {
        let part = stretch
            .par_chunks(STRETCH)
            .map(|some| {
                course.go_on()?;
                let mut part = Part::default();
                for number in some {
                    court.judge(*number, matched.shared[*number as usize], &mut part)?;
                }
                course.advance(some.len() as u64);
                Ok::<_, Trouble>(part)
            })
            .try_reduce(Part::default, |a, b| Ok(a.join(b)))?;
        findings.merge(part.findings);
        above.extend(part.above);
        let before = kept.len();
        for (number, slot, pai) in part.kept {
            let place = pool_pais.iter().position(|p| *p == pai).unwrap_or_else(|| {
                pool_pais.push(pai);
                pais.push(Arc::clone(&pool.authorities()[pai as usize].certificate));
                pais.len() - 1
            });
            let pai = u16::try_from(place).map_err(|_| {
                Trouble::refused("more PAIs than a delivery can have", "Ask for the delivery in parts.")
            })?;
            kept.push(Kept { number, slot, pai });
        }
        judged += stretch.len();
        let errors = short || findings.has_errors() || above.iter().any(|index| faulty.contains(index));
        let read = total + broken;
        each(Stretch { spool: &spool, kept: &kept[before..], pais: &pais, read, judged, total, errors });
    }
    course.go_on()?;
    // Authorities that a DAC here stands under, once each.
    for index in above {
        for (which, finding) in (0..).zip(&of_authorities[index]) {
            let turn = (stage::AUTHORITIES, index as u64, which);
            findings.tell(turn, || names[index].clone(), About::Nothing, finding.clone());
        }
    }
    // Parts come together in the order in which they were cut, which is that of the keys.
    let holds = |slot: Slot| kept.binary_search_by_key(&slot, |kept| kept.slot).is_ok();
    let without = expectation.without(holds)?;
    gap(&matched.order, &slots, &without, expectation, &mut findings)?;
    Ok(Inspection {
        read: total + broken,
        accepted: kept.len(),
        pais,
        on_reel: expectation.chips.len(),
        without,
        findings: findings.told(&|place| expectation.chip_id(place))?,
        spool: Some(spool),
        kept,
    })
}

/// Whether some chip is left without a credential whatever judging says.
fn is_short(matched: &Matched, slots: &[Slot], chips: &Chips) -> bool {
    let mut coming = matched.order.iter().filter(|n| !matched.shared[**n as usize]).map(|n| slots[*n as usize]);
    let mut next = coming.next();
    chips.slots().filter(|slot| !chips.is_served(*slot)).any(|slot| {
        while next.is_some_and(|came| came < slot) {
            next = coming.next();
        }
        next != Some(slot)
    })
}

/// What each DAC is judged with.
struct Court<'a> {
    spool: &'a Spool,
    slots: &'a [Slot],
    pool: &'a Pool,
    context: &'a Context,
    faulty: &'a HashSet<usize>,
    expectation: &'a Expectation<'a>,
}

impl Court<'_> {
    fn judge(&self, number: u32, shared: bool, part: &mut Part) -> Result<(), Trouble> {
        let record = self.spool.get(number)?;
        let dac = record.certificate()?;
        let slot = self.slots.get(number as usize).copied().unwrap_or(STRANGER);
        let chips = self.expectation.chips;
        let about = || if slot == STRANGER { About::Nothing } else { About::Place(chips.place(slot)) };
        let turn = u64::from(number);
        let mut keep = slot != STRANGER && !shared;
        if slot == STRANGER
            && let Some(key) = dac.public_key()
        {
            let found = format!("serial {}, for the key {}", dac.serial_hex(), hex::encode(key.key_id()));
            let finding = Finding::new(&DELIVERY_STRANGER, found);
            part.findings.tell((stage::STRANGERS, turn, 0), || record.name(), About::Nothing, finding);
        }
        if let Some(known) = (self.expectation.known)(&dac, slot != STRANGER && !chips.is_served(slot)) {
            keep = false;
            let finding = match known {
                Known::Serial { delivery } => Finding::new(
                    &DELIVERY_SERIAL,
                    format!("serial {}, which came with delivery {delivery} already", dac.serial_hex()),
                ),
                Known::Key { serial } => Finding::new(
                    &DELIVERY_KEY_REUSE,
                    format!("serial {}, beside serial {serial} here already", dac.serial_hex()),
                ),
            };
            part.findings.tell((stage::STRANGERS, turn, 1), || record.name(), about(), finding);
        }
        let mut judged = self.pool.judge_dac(&dac, self.context);
        against_product(&dac, self.expectation, &mut judged.findings);
        let errors = judged.findings.iter().any(|f| f.severity == Severity::Error);
        let under_fault = judged.chain.iter().any(|above| self.faulty.contains(above));
        for (which, finding) in (0..).zip(judged.findings) {
            part.findings.tell((stage::JUDGED, turn, which), || record.name(), about(), finding);
        }
        if keep
            && !errors
            && !under_fault
            && judged.anchored
            && let Some(pai) = judged.chain.first().and_then(|pai| u32::try_from(*pai).ok())
        {
            part.kept.push((number, slot, pai));
        }
        part.above.extend(judged.chain);
        Ok(())
    }
}

/// Chips that no DAC came for.
fn gap(
    order: &[u32],
    slots: &[Slot],
    without: &[String],
    expectation: &Expectation<'_>,
    findings: &mut Findings,
) -> Result<(), Trouble> {
    let came: Vec<Slot> = order.iter().map(|n| slots[*n as usize]).take_while(|slot| *slot != STRANGER).collect();
    // Where nothing could be read at all, that is the trouble, and not each chip's.
    if without.is_empty() || came.is_empty() {
        return Ok(());
    }
    let none_came = expectation.without(|slot| came.binary_search(&slot).is_ok())?;
    let (about, found) = match none_came.as_slice() {
        [] => return Ok(()),
        [only] => (About::Id(only.clone()), only.clone()),
        many => (About::Nothing, list(many)),
    };
    let found = format!("{} of {} chips have none: {found}", none_came.len(), expectation.chips.len());
    findings.tell((stage::GAP, 0, 0), || "delivery".into(), about, Finding::new(&DELIVERY_GAP, found));
    Ok(())
}

/// The DAC against the product it is for.
fn against_product(dac: &Certificate, expectation: &Expectation<'_>, findings: &mut Vec<Finding>) {
    let identity = &dac.subject.identity;
    let (vendor, product) = (identity.vendor(), identity.product());
    if let (Some(vendor), Some(product)) = (vendor, product)
        && (vendor != expectation.vendor || product != expectation.product)
    {
        let required = format!("{} {}, the product's.", expectation.vendor, expectation.product);
        findings.push(Finding::new(&DELIVERY_PRODUCT, format!("{vendor} {product}")).requiring(required));
    }
    if expectation.production {
        for finding in findings.iter_mut().filter(|f| std::ptr::eq(f.rule, &TEST_IDENTITY)) {
            finding.severity = Severity::Error;
        }
    }
}

fn list(chips: &[String]) -> String {
    const SHOWN: usize = 20;
    let mut words: Vec<&str> = chips.iter().take(SHOWN).map(String::as_str).collect();
    let more = format!("{} more", chips.len().saturating_sub(SHOWN));
    if chips.len() > SHOWN {
        words.push(&more);
    }
    words.join(", ")
}
