//! A chip is exchanged in its socket while a station works, at any moment of the work: the station
//! notices, the unit passes at the next attempt, and its own chip is the one that is locked.

use std::collections::BTreeSet;

use at_site::engine::Engine;
use at_site::{Site, assert_sound, text};
use chip::simulated::{Fault, FaultKind, SimulatedSource};
use chip::{ChipSource, Source};

use crate::at_site;

/// More calls than a unit takes, so that every one of them meets the exchange once.
const CALLS: u32 = 40;

on_both_engines! { exchanged_at_any_moment }

fn exchanged_at_any_moment(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let folder = site.simulate_part("a", 0, CALLS as usize, &[]);
    let mut chips = SimulatedSource::open(&folder, None).expect("chips");
    for (at, id) in (1..=CALLS).zip(chips.present().expect("chips")) {
        chips.plant(&id, Fault { kind: FaultKind::Swapped, at, left: Some(1), draw: u64::from(at) }).expect("planted");
    }
    let source = Source::Simulated(folder.clone()).to_string();
    let run = ["provision", "--reel", "A", "--station", "S1", "--attempts", "3", "--chips", &source];
    let done = site.call("provision", &run);
    let units = done.json["units"].as_array().expect("units");
    let struck = units.iter().filter(|unit| unit["attempts"] != 1).count();
    assert!(struck >= 10, "{struck} exchanges were met: {}", done.said);
    assert_eq!((done.exit, units.len()), (Some(0), CALLS as usize), "{}", done.said);
    assert!(units.iter().all(|unit| unit["result"] == "passed"), "{}", done.said);
    assert_sound("exchanged", &site.reconcile("exchanged"));

    // What waits still, beyond the calls of a unit, does not strike a list's few.
    let listed = site.done("list", &["chip", "list", "--chips", &format!("simulated:{}", text(&folder))]);
    let states: BTreeSet<_> =
        listed["chips"].as_array().expect("chips").iter().map(|c| c["state"].to_string()).collect();
    assert_eq!(states, BTreeSet::from(["\"locked\"".to_owned()]), "{listed}");
}
