//! Matching: what comes twice, what is no chip's, and which chips are left without.

use std::collections::{HashMap, HashSet};

use base::course::Course;
use base::findings::{About, Fault};
use base::trouble::Trouble;
use rayon::prelude::ParallelSliceMut as _;
use standard::verdict::catalogue::intake::{DELIVERY_DOUBLE, DELIVERY_SERIAL};
use standard::verdict::{Finding, Severity};

use super::super::chips::Slot;
use super::super::spool::Spool;
use super::reading::Read;
use super::{Expectation, STRANGER, stage};

/// What comes once, and what does not.
pub(super) struct Matched {
    /// Numbers of the DACs, sorted by key; strangers last. Of copies, the first.
    pub(super) order: Vec<u32>,
    /// Whether a DAC shares its chip or its serial number with another, by number.
    pub(super) shared: Vec<bool>,
}

/// Lists of neighbours that are alike.
fn runs<'a>(sorted: &'a [u32], alike: impl Fn(u32, u32) -> bool + 'a) -> impl Iterator<Item = &'a [u32]> {
    sorted.chunk_by(move |a, b| alike(*a, *b)).filter(|run| run.len() > 1)
}

/// Finds DACs for one chip, and DACs of one serial number.
pub(super) fn matching(read: &mut Read, expectation: &Expectation<'_>, course: &Course) -> Result<Matched, Trouble> {
    let count = u32::try_from(read.spool.len())
        .map_err(|_| Trouble::refused("more DACs than can be inspected at once", "Ask for the delivery in parts."))?;
    let mut shared = vec![false; read.spool.len()];
    let mut order: Vec<u32> = (0..count).collect();

    let serials = std::mem::take(&mut read.serials);
    let serial_of = |number: u32| serials.get(number as usize).copied().unwrap_or_default();
    order.par_sort_unstable_by_key(|number| (serial_of(*number), *number));
    let mut repeats: Vec<Vec<u32>> = Vec::new();
    let mut copies = HashSet::new();
    for run in runs(&order, |a, b| serial_of(a) == serial_of(b)) {
        course.go_on()?;
        // Alike in a hash; now by what stands in them.
        let mut same: HashMap<Vec<u8>, Vec<u32>> = HashMap::new();
        for number in run {
            same.entry(read.spool.get(*number)?.der().to_vec()).or_default().push(*number);
        }
        let mut exact: HashMap<(Vec<u8>, Vec<u8>), Vec<u32>> = HashMap::new();
        for all in same.into_values() {
            // One file for all and one file for each is a usual way to pack them; one that came as it was listed counts.
            let one = all.iter().find(|number| !read.spoiled.has(**number)).unwrap_or(&all[0]);
            copies.extend(all.iter().filter(|number| *number != one));
            let c = read.spool.get(*one)?.certificate()?;
            exact.entry((c.issuer_der().to_vec(), c.serial().to_vec())).or_default().push(*one);
        }
        exact.values_mut().for_each(|list| list.sort_unstable());
        repeats.extend(exact.into_values().filter(|list| list.len() > 1));
    }
    drop(serials);
    repeats.sort_unstable();
    if let Some(first) = copies.iter().min() {
        let name = read.spool.get(*first)?.name();
        let found = format!("{} DACs come twice, byte for byte; each counts once", copies.len());
        let finding = Finding::new(&DELIVERY_DOUBLE, found).weighing(Severity::Note);
        let finding = finding.advising("There is nothing to do.");
        read.findings.tell((stage::DOUBLES, 0, 0), || name, About::Nothing, finding);
        order.retain(|number| !copies.contains(number));
    }

    let slot_of = |number: u32| read.slots.get(number as usize).copied().unwrap_or(STRANGER);
    order.par_sort_unstable_by_key(|number| (slot_of(*number), *number));
    let mut doubles: Vec<(String, &[u32])> = Vec::new();
    for run in runs(&order, |a, b| slot_of(a) == slot_of(b)) {
        if slot_of(run[0]) != STRANGER {
            doubles.push((expectation.chip_id(expectation.chips.place(slot_of(run[0])))?, run));
        }
    }
    doubles.sort_unstable();

    for (turn, (chip, list)) in (1..).zip(&doubles) {
        course.go_on()?;
        let entries = named(&read.spool, list)?;
        let serials = few(entries.iter().map(|(_, serial)| serial.as_str()), " and ");
        let found = format!("chip {chip}: {} DACs, serials {serials}", list.len());
        let finding = Finding::new(&DELIVERY_DOUBLE, found);
        let each = entries.iter().map(|entry| fault(entry, Some(chip.clone()), &finding));
        let about = About::Id(chip.clone());
        read.findings.tell_of_each((stage::DOUBLES, turn, 0), joined(&entries), about, finding.clone(), each);
    }
    for (turn, list) in (0..).zip(&repeats) {
        course.go_on()?;
        let entries = named(&read.spool, list)?;
        let chips = list.iter().map(|number| Ok(expectation.ids(&known(slot_of(*number)))?.pop()));
        let chips = chips.collect::<Result<Vec<Option<String>>, Trouble>>()?;
        let serial = entries.first().map(|(_, serial)| serial.clone()).unwrap_or_default();
        let of = few(chips.iter().flatten().map(String::as_str), " and ");
        let found = format!("serial {serial} on {} DACs, for chips {of}", list.len());
        let finding = Finding::new(&DELIVERY_SERIAL, found);
        let each = entries.iter().zip(&chips).map(|(entry, chip)| fault(entry, chip.clone(), &finding));
        let turn = (stage::REPEATS, turn, 0);
        read.findings.tell_of_each(turn, joined(&entries), About::Nothing, finding.clone(), each);
    }
    let lists = doubles.iter().flat_map(|(_, list)| list.iter()).chain(repeats.iter().flatten());
    for number in lists {
        shared[*number as usize] = true;
    }
    drop(doubles);
    Ok(Matched { order, shared })
}

/// A slot that a chip of the reel has.
fn known(slot: Slot) -> Vec<Slot> {
    Vec::from_iter((slot != STRANGER).then_some(slot))
}

/// What is wrong, on one of the entries that share it.
fn fault((name, serial): &(String, String), chip_id: Option<String>, finding: &Finding) -> Fault {
    Fault { subject: name.clone(), serial: Some(serial.clone()), chip_id, authority: None, finding: finding.clone() }
}

fn joined(entries: &[(String, String)]) -> String {
    few(entries.iter().map(|(name, _)| name.as_str()), ", ")
}

/// The first few, and how many more there are: what is said of all is kept for each, and would grow with their square.
fn few<'n>(mut all: impl Iterator<Item = &'n str>, between: &str) -> String {
    const NAMED: usize = 10;
    let first: Vec<&str> = all.by_ref().take(NAMED).collect();
    match all.count() {
        0 => first.join(between),
        more => format!("{} and {more} more", first.join(between)),
    }
}

/// Name of each entry, and the serial number in it.
fn named(spool: &Spool, list: &[u32]) -> Result<Vec<(String, String)>, Trouble> {
    let one = |number: &u32| {
        let record = spool.get(*number)?;
        Ok((record.name(), record.certificate()?.serial_hex()))
    };
    list.iter().map(one).collect()
}
