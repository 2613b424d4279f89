//! Reading: entries taken apart on all cores, DACs put into the spool.

use std::hash::{BuildHasher as _, RandomState};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{self, SyncSender};
use std::thread;

use rayon::prelude::*;
use standard::certificate::Certificate;
use standard::detect::{DetectError, Item};
use standard::verdict::Finding;
use standard::verdict::catalogue::intake::DELIVERY_FORMAT;
use zeroize::Zeroizing;

use super::super::chips::{Chips, Slot};
use super::super::spool::{Facts, Spool, Writer};
use super::{STRANGER, stage};
use crate::bundle::detect_all;
use crate::course::{Course, Stopped};
use crate::findings::{About, Findings};
use crate::intake::{self, Entry, IntakeError, Limits};
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
    Dac { name: String, certificate: Arc<Certificate>, slot: Slot, serial: u64 },
    Authority { name: String, certificate: Arc<Certificate> },
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
        Item::BrokenCertificate(broken) => Some(Came::Broken { name: name(index), why: broken.why.to_string() }),
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
