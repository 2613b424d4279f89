//! Matching: what comes twice, what is no chip's, and which chips are left without.

use std::collections::{HashMap, HashSet};

use rayon::prelude::ParallelSliceMut as _;
use standard::verdict::catalogue::intake::{DELIVERY_DOUBLE, DELIVERY_SERIAL};
use standard::verdict::{Finding, Severity};

use super::super::chips::Slot;
use super::super::spool::Spool;
use super::reading::Read;
use super::{Expectation, STRANGER, stage};
use crate::course::Course;
use crate::findings::About;
use crate::trouble::Trouble;

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
pub(super) fn named(spool: &Spool, list: &[u32]) -> Result<(String, Vec<String>), Trouble> {
    let (mut entries, mut serials) = (Vec::new(), Vec::new());
    for number in list {
        let record = spool.get(*number)?;
        entries.push(record.name());
        serials.push(record.certificate()?.serial_hex());
    }
    Ok((entries.join(", "), serials))
}
