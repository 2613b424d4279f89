//! Reading: entries taken apart on all cores, DACs put into the spool.

use std::collections::HashSet;
use std::hash::{BuildHasher as _, RandomState};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{self, SyncSender};
use std::thread;

use base::course::{Course, Stopped};
use base::findings::{About, Findings};
use base::trouble::Trouble;
use examine::bundle::detect_all;
use examine::intake::{self, Entry, IntakeError, Limits, Secrets};
use rayon::prelude::*;
use standard::certificate::Certificate;
use standard::detect::{DetectError, Item};
use standard::key::PublicKey;
use standard::verdict::Finding;
use standard::verdict::catalogue::intake::{DELIVERY_FORMAT, DELIVERY_LIST, DELIVERY_PRIVATE_KEY};
use zeroize::Zeroizing;

use super::super::chips::{Chips, Slot};
use super::super::spool::{Facts, Spool, Writer};
use super::checksums::{Checked, Checksums, List, Spoiled};
use super::{Expectation, STRANGER, of_authority, stage};
use crate::reel::manifest;

/// Entries handed on at a time while reading, and octets after which fewer are.
const ENTRIES: usize = 256;
const OCTETS: usize = 2 << 20;

/// A delivery as it was read.
pub(super) struct Read {
    pub(super) spool: Spool,
    /// Whose key each DAC has.
    pub(super) slots: Vec<Slot>,
    /// A hash of each DAC's issuer and serial number.
    pub(super) serials: Vec<u64>,
    pub(super) authorities: Vec<(String, Arc<Certificate>)>,
    /// Certificates that can't be taken apart.
    pub(super) broken: usize,
    /// What a chip maker's manifest or the like among the entries is, with its name: the first of them.
    pub(super) manifest: Option<(String, &'static str)>,
    /// What came of lists of checksums.
    pub(super) checked: Option<Checked>,
    pub(super) spoiled: Spoiled,
    /// Chips whose private key came along.
    pub(super) exposed: HashSet<Slot>,
    /// Something else that came in the place of a delivery, and what it is.
    pub(super) strange: Option<(String, &'static str)>,
    pub(super) findings: Findings,
}

pub(super) enum Unread {
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
    Dac {
        name: String,
        certificate: Arc<Certificate>,
        slot: Slot,
        serial: u64,
    },
    Authority {
        name: String,
        certificate: Arc<Certificate>,
    },
    Broken {
        name: String,
        why: String,
    },
    Format {
        name: String,
        why: String,
    },
    /// A private key.
    Private {
        name: String,
        whose: Whose,
    },
    Manifest {
        name: String,
        what: &'static str,
    },
    /// Something else that is often saved in the place of a delivery.
    Strange {
        name: String,
        what: &'static str,
    },
    /// A revocation list.
    List {
        name: String,
        issuer: String,
    },
}

/// Whose private key it is.
enum Whose {
    /// A chip of the reel.
    Chip(Slot),
    /// Of another key pair, by its public half.
    Other(Box<PublicKey>),
    /// It does not open.
    Unread,
}

/// An entry taken apart.
struct Taken {
    name: String,
    within: u32,
    sha256: [u8; 32],
    list: Option<List>,
    came: Vec<Came>,
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
pub(super) fn read(
    path: &Path,
    password: Option<&Zeroizing<Vec<u8>>>,
    expectation: &Expectation<'_>,
    course: &Course,
) -> Result<Read, Unread> {
    let chips = expectation.chips;
    let (to, from) = mpsc::sync_channel(4);
    thread::scope(|scope| {
        let opening = scope.spawn(move || {
            let mut basket = Basket { entries: Vec::new(), octets: 0, to: &to };
            let opened = intake::open(path, Limits::default(), password, &mut |entry| {
                course.advance(1);
                course.go_on()?;
                Ok(basket.add(entry)?)
            });
            opened.and_then(|opened| Ok(basket.send().map(|()| opened)?))
        });
        let hasher = RandomState::new();
        let mut writer = Writer::new()?;
        let (mut slots, mut serials, mut authorities) = (Vec::new(), Vec::new(), Vec::new());
        let (mut findings, mut broken, mut entry) = (Findings::default(), 0, 0_u64);
        let (mut checksums, mut manifest, mut exposed) = (Checksums::default(), None, HashSet::new());
        let mut strange = None;
        // Whether a private key came whose chip can't be known: it may be any of them.
        let mut unknown = Vec::new();
        for entries in from {
            let taken: Vec<Taken> =
                entries.into_par_iter().with_min_len(8).map(|entry| take_apart(entry, chips, &hasher)).collect();
            for Taken { name, within, sha256, list, came } in taken {
                let (dacs, above) = (count(&slots), authorities.len());
                for (part, item) in (0..).zip(came) {
                    let turn = (stage::READING, entry, part);
                    match item {
                        Came::Dac { name, certificate, slot, serial } => {
                            writer.add(&name, certificate.der(), Facts::of(&certificate))?;
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
                        Came::Private { name, whose: Whose::Chip(slot) } => {
                            exposed.insert(slot);
                            let about = About::Place(chips.place(slot));
                            let finding = Finding::new(&DELIVERY_PRIVATE_KEY, "the private key of a chip");
                            findings.tell(turn, || name, about, finding);
                        }
                        Came::Private { name, whose: Whose::Other(key) } => unknown.push((turn, name, Some(key))),
                        Came::Private { name, whose: Whose::Unread } => unknown.push((turn, name, None)),
                        Came::List { name, issuer } => {
                            let finding = Finding::new(&DELIVERY_LIST, format!("a revocation list of {issuer}"));
                            findings.tell(turn, || name, About::Nothing, finding);
                        }
                        Came::Manifest { name, what } => manifest = manifest.or(Some((name, what))),
                        Came::Strange { name, what } => strange = strange.or(Some((name, what))),
                    }
                }
                checksums.add(name, &sha256, within, (dacs..count(&slots), above..authorities.len()), list);
                entry += 1;
            }
        }
        let opened = match opening.join() {
            Ok(opened) => opened.map_err(Unread::Intake)?,
            Err(panic) => std::panic::resume_unwind(panic),
        };
        let (checked, mut spoiled) = checksums.check(opened, &mut findings);
        if !unknown.is_empty() {
            spoiled.spoil_all();
        }
        let came = authorities.iter().map(|(_, c)| c);
        let above: Vec<_> = came.chain(expectation.pais).chain(expectation.anchors.iter().map(|(c, _)| c)).collect();
        for (turn, name, key) in unknown {
            let (about, finding) = of_no_chip(key.as_deref(), &above);
            findings.tell(turn, || name, about, finding);
        }
        drop(above);
        let mut place = 0..;
        authorities.retain(|_| !spoiled.has_authority(place.next().unwrap_or_default()));
        let spool = writer.finish()?;
        Ok(Read { spool, slots, serials, authorities, broken, manifest, checked, spoiled, exposed, strange, findings })
    })
}

/// How many there are; more than can be inspected are refused when they are matched.
fn count(slots: &[Slot]) -> u32 {
    u32::try_from(slots.len()).unwrap_or(u32::MAX)
}

fn take_apart(entry: Entry, chips: &Chips, hasher: &RandomState) -> Taken {
    let list = List::read(&entry.name, entry.within, &entry.octets);
    // Its first digit may look like the beginning of something else.
    let came = if list.is_some() { Vec::new() } else { things(&entry, chips, hasher) };
    Taken { sha256: intake::sha256(&entry.octets), within: entry.within, name: entry.name, list, came }
}

fn things(entry: &Entry, chips: &Chips, hasher: &RandomState) -> Vec<Came> {
    let detected = match detect_all(&entry.octets) {
        Err(DetectError::Unknown) => {
            intake::bare_base64(&entry.octets).map_or(Err(DetectError::Unknown), |der| detect_all(&der))
        }
        detected => detected,
    };
    let items = match detected {
        Ok(items) => items,
        Err(why) => return odd(entry, &why, chips, hasher),
    };
    if let [Item::PublicKey(_)] = items.as_slice() {
        return vec![Came::Manifest { name: entry.name.clone(), what: "the public key of a chip" }];
    }
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
        Item::BrokenCertificate(broken) => Some(Came::Broken { name: name(index), why: broken.why.to_string() }),
        Item::List(list) => Some(Came::List { name: name(index), issuer: list.issuer.display(list.der()) }),
        // Requests and declarations may lie beside; they are received elsewhere.
        _ => None,
    });
    sorted.collect()
}

/// What an entry is that holds nothing of a delivery.
fn odd(entry: &Entry, why: &DetectError, chips: &Chips, hasher: &RandomState) -> Vec<Came> {
    if let Some(secrets) = intake::secrets(&entry.octets) {
        let mut came = exposed(entry, &secrets, chips);
        // A chain often lies in one file with its key.
        if let Some(octets) = intake::without_keys(&entry.octets) {
            let rest = Entry { name: entry.name.clone(), within: entry.within, octets };
            came.extend(things(&rest, chips, hasher));
        }
        return came;
    }
    let name = || entry.name.clone();
    // Its name may be that of a certificate, as of what one desktop keeps beside each file.
    if intake::is_clutter(&entry.name) {
        return Vec::new();
    }
    match why {
        DetectError::Unknown | DetectError::Broken("JSON", _) if manifest::resembles(&entry.octets) => {
            vec![Came::Manifest { name: name(), what: "a table of chips and their public keys" }]
        }
        DetectError::Unknown | DetectError::Empty if intake::promises_key(&entry.name) => {
            vec![Came::Format { name: name(), why: why.to_string() }]
        }
        // Notes, digests and the like.
        DetectError::Unknown | DetectError::Empty | DetectError::Broken("JSON" | "a factory record", _) => {
            strange(&entry.octets).map(|what| Came::Strange { name: name(), what }).into_iter().collect()
        }
        why => vec![Came::Format { name: name(), why: why.to_string() }],
    }
}

/// What is often saved in the place of a delivery.
fn strange(octets: &[u8]) -> Option<&'static str> {
    const HEAD: usize = 4 << 10;
    let head = octets[..octets.len().min(HEAD)].to_ascii_lowercase();
    let has = |what: &str| memchr::memmem::find(&head, what.as_bytes()).is_some();
    match () {
        () if has("<!doctype html") || has("<html") => Some("a web page, such as one that asks who you are"),
        // Internet Message Format (RFC 5322), with files in it (RFC 2046).
        () if has("mime-version:") && has("content-type: multipart/") => {
            Some("a saved mail: save what is attached to it, and receive that")
        }
        () => None,
    }
}

/// What came with private keys.
fn exposed(entry: &Entry, secrets: &Secrets, chips: &Chips) -> Vec<Came> {
    let whose = |key: &PublicKey| chips.find(key.point()).map_or_else(|| Whose::Other(Box::new(*key)), Whose::Chip);
    let whose = secrets.keys.iter().map(whose).chain(secrets.unread.then_some(Whose::Unread));
    whose.map(|whose| Came::Private { name: entry.name.clone(), whose }).collect()
}

/// What is said of a private key that is of no chip here: it may be the authority's own, or any chip's.
fn of_no_chip(key: Option<&PublicKey>, above: &[&Arc<Certificate>]) -> (About, Finding) {
    let none = "no certificate of this delivery is kept";
    let Some(key) = key else {
        let found = format!("a private key that does not open, and may be any chip's or the authority's own: {none}");
        return (About::Nothing, Finding::new(&DELIVERY_PRIVATE_KEY, found));
    };
    match above.iter().find(|c| c.public_key() == Some(key)) {
        Some(authority) => {
            let found =
                format!("the authority's own private key, of {}: {none}", authority.subject.display(authority.der()));
            let id = hex::encode(key.key_id());
            let finding = Finding::new(&DELIVERY_PRIVATE_KEY, found).advising(of_authority(&id));
            (About::Authority(id), finding)
        }
        None => {
            let found = format!(
                "a private key that is of no chip of the reel, and may be the authority's own: {none} (key identifier {})",
                hex::encode(key.key_id())
            );
            (About::Nothing, Finding::new(&DELIVERY_PRIVATE_KEY, found))
        }
    }
}

fn is_authority(certificate: &Certificate) -> bool {
    let usage = certificate.key_usage();
    let constrained = certificate.basic_constraints().is_some_and(|b| b.ca);
    let ca = constrained
        || usage.is_some_and(|u| u.has(standard::certificate::KeyUsage::KEY_CERT_SIGN))
            && certificate.subject.identity.products.is_empty();
    ca && (constrained || certificate.subject.identity.product().is_none())
}
