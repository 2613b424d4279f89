//! Reading: entries taken apart on all cores, DACs put into the spool.

use std::collections::HashSet;
use std::hash::{BuildHasher as _, RandomState};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{self, SyncSender};
use std::thread;

use aws_lc_rs::signature::{ECDSA_P256_SHA256_ASN1_SIGNING, EcdsaKeyPair, KeyPair as _};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use memchr::memmem;
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
use super::{STRANGER, stage};
use crate::bundle::detect_all;
use crate::course::{Course, Stopped};
use crate::findings::{About, Findings};
use crate::intake::{self, Entry, IntakeError, Limits};
use crate::reel::manifest;
use crate::trouble::Trouble;

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
    /// A private key, and the chip of the reel that it is of.
    Private {
        name: String,
        chip: Option<Slot>,
        /// Whether it could not be read, so that it may be of any chip.
        unread: bool,
    },
    Manifest {
        name: String,
        what: &'static str,
    },
    /// A revocation list.
    List {
        name: String,
        issuer: String,
    },
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
    chips: &Chips,
    course: &Course,
) -> Result<Read, Unread> {
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
        // Whether a private key came whose chip can't be known: it may be any of them.
        let mut unknown = false;
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
                        Came::Private { name, chip, unread } => {
                            exposed.extend(chip);
                            unknown |= unread;
                            let about = chip.map_or(About::Nothing, |slot| About::Place(chips.place(slot)));
                            let whose = if chip.is_some() { "the private key of a chip" } else { "a private key" };
                            findings.tell(turn, || name, about, Finding::new(&DELIVERY_PRIVATE_KEY, whose));
                        }
                        Came::List { name, issuer } => {
                            let finding = Finding::new(&DELIVERY_LIST, format!("a revocation list of {issuer}"));
                            findings.tell(turn, || name, About::Nothing, finding);
                        }
                        Came::Manifest { name, what } => manifest = manifest.or(Some((name, what))),
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
        if unknown {
            spoiled.spoil_all();
        }
        let mut place = 0..;
        authorities.retain(|_| !spoiled.has_authority(place.next().unwrap_or_default()));
        let spool = writer.finish()?;
        Ok(Read { spool, slots, serials, authorities, broken, manifest, checked, spoiled, exposed, findings })
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
    let manifest = |what| vec![Came::Manifest { name: entry.name.clone(), what }];
    let in_text = intake::private_fields(&entry.octets);
    if !in_text.is_empty() {
        return exposed(entry, &in_text, chips);
    }
    let items = match detect_all(&entry.octets) {
        Ok(items) => items,
        Err(DetectError::Unknown | DetectError::Broken("JSON", _)) if manifest::resembles(&entry.octets) => {
            return manifest("a table of chips and their public keys");
        }
        Err(why @ (DetectError::Unknown | DetectError::Empty)) if intake::promises_key(&entry.name) => {
            return vec![Came::Format { name: entry.name.clone(), why: why.to_string() }];
        }
        // Notes, digests and the like.
        Err(DetectError::Unknown | DetectError::Empty) => return Vec::new(),
        Err(DetectError::Broken("JSON" | "a factory record", _)) => return Vec::new(),
        Err(DetectError::PrivateKey) => return exposed(entry, &private_keys(&entry.octets), chips),
        Err(why) => return vec![Came::Format { name: entry.name.clone(), why: why.to_string() }],
    };
    if let [Item::PublicKey(_)] = items.as_slice() {
        return manifest("the public key of a chip");
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

/// What came with private keys, of which these are the public halves so far as they could be read.
fn exposed(entry: &Entry, keys: &[PublicKey], chips: &Chips) -> Vec<Came> {
    let known: Vec<_> = keys.iter().filter_map(|key| chips.find(key.point())).map(Some).collect();
    let whose = if known.is_empty() { vec![None] } else { known };
    let unread = keys.is_empty();
    whose.into_iter().map(|chip| Came::Private { name: entry.name.clone(), chip, unread }).collect()
}

/// Public halves of the private keys in a text, so far as they are open and of the curve that chips have.
fn private_keys(octets: &[u8]) -> Vec<PublicKey> {
    const BEGIN: &[u8] = b"-----BEGIN ";
    let (mut keys, mut rest) = (Vec::new(), octets);
    let public = |der: &[u8]| {
        let pair = EcdsaKeyPair::from_private_key_der(&ECDSA_P256_SHA256_ASN1_SIGNING, der).ok()?;
        PublicKey::from_point(pair.public_key().as_ref()).ok()
    };
    keys.extend(public(octets));
    while let Some(at) = memmem::find(rest, BEGIN) {
        let block = &rest[at..];
        rest = &block[BEGIN.len()..];
        let end = memmem::find(rest, BEGIN).map_or(block.len(), |next| BEGIN.len() + next);
        let Ok(text) = std::str::from_utf8(&block[..end]) else { continue };
        let body = text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with("-----"));
        let digits = Zeroizing::new(body.collect::<String>());
        let Ok(der) = STANDARD.decode(digits.as_bytes()).map(Zeroizing::new) else { continue };
        keys.extend(public(&der));
    }
    keys
}

fn is_authority(certificate: &Certificate) -> bool {
    let usage = certificate.key_usage();
    let constrained = certificate.basic_constraints().is_some_and(|b| b.ca);
    let ca = constrained
        || usage.is_some_and(|u| u.has(standard::certificate::KeyUsage::KEY_CERT_SIGN))
            && certificate.subject.identity.products.is_empty();
    ca && (constrained || certificate.subject.identity.product().is_none())
}
