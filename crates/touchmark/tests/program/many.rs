//! Several stations at once: processes of their own on one reel and one book.

use std::collections::BTreeSet;
use std::process::{Child, Stdio};

use at_site::engine::Engine;
use at_site::{Site, assert_sound, text};
use serde_json::Value;

use crate::at_site;

on_both_engines! {
    four_stations_with_chips_of_their_own,
    stations_that_see_the_same_chips,
    two_stations_of_one_name,
}

/// Starts a station; its answer is read by [`answers`].
fn start(site: &Site, station: &str, chips: &str) -> Child {
    let run = ["provision", "--reel", "A", "--station", station, "--chips", chips];
    site.command(&run).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("a station starts")
}

/// Exit code and answer of each station, once all have ended.
fn answers(stations: Vec<Child>) -> Vec<(Option<i32>, Value)> {
    let ended = stations.into_iter().map(|station| {
        let done = station.wait_with_output().expect("a station ends");
        let said = String::from_utf8_lossy(&done.stdout);
        let answer = serde_json::from_str(&said)
            .unwrap_or_else(|e| panic!("{e}: {said}{}", String::from_utf8_lossy(&done.stderr)));
        (done.status.code(), answer)
    });
    ended.collect()
}

fn number(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("{value} is no number"))
}

fn ready(engine: &Engine) -> Site {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    site.receive_delivery("a");
    site
}

/// All chips once more, by one station: each passes or has passed, and the account is even.
fn to_the_end(site: &Site, chips: &str, count: u64) {
    let run = ["provision", "--reel", "A", "--station", "S9", "--take-over", "--chips", chips];
    let done = site.call("to the end", &run).json;
    assert_eq!((number(&done["failed"]), number(&done["refused"])), (0, 0), "{done}");
    assert_eq!(number(&done["passed"]) + number(&done["verified"]), count, "{done}");
    let account = site.reconcile("to the end");
    assert_sound("to the end", &account);
    assert_eq!((number(&account["units"]["passed"]), number(&account["chips"]["provisioned"])), (count, count));
    assert_eq!((number(&account["credentials"]["reserved"]), number(&account["chips"]["held"])), (0, 0), "{account}");
    let units = site.done("units", &["unit", "list", "--limit", "1000"]);
    let units = units["units"].as_array().expect("units");
    let ids: BTreeSet<_> = units.iter().map(|unit| unit["chip_id"].to_string()).collect();
    assert_eq!((units.len() as u64, ids.len() as u64), (count, count), "one unit a chip");
}

fn four_stations_with_chips_of_their_own(engine: &Engine) {
    const EACH: usize = 12;
    let site = ready(engine);
    let folders: Vec<_> = (0..4).map(|n| site.simulate_part("a", n * EACH, (n + 1) * EACH, &[])).collect();
    let source = |n: usize| format!("simulated:{}", text(&folders[n]));
    let stations = (0..4).map(|n| start(&site, &format!("S{n}"), &source(n))).collect();
    let mut serials = BTreeSet::new();
    for (exit, answer) in answers(stations) {
        assert_eq!((exit, number(&answer["passed"])), (Some(0), EACH as u64), "{answer}");
        let units = answer["units"].as_array().expect("units");
        serials.extend(units.iter().map(|unit| unit["unit"].as_str().expect("a serial").to_owned()));
    }
    // The book counts for all stations: no serial number twice, none left out.
    assert_eq!(serials.len(), 4 * EACH);
    assert_eq!(serials.last().map(String::as_str), Some("A-00048"), "{serials:?}");
    let account = site.reconcile("four stations");
    assert_sound("four stations", &account);
    assert_eq!(number(&account["units"]["passed"]), 4 * EACH as u64);
}

/// Three stations on one fixture: whoever comes second finds the chip at another station, or done.
fn stations_that_see_the_same_chips(engine: &Engine) {
    const CHIPS: usize = 30;
    let site = ready(engine);
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, CHIPS, &[])));
    let stations = ["S1", "S2", "S3"].map(|station| start(&site, station, &chips));
    let answers = answers(stations.into());
    for (exit, answer) in &answers {
        let units = answer["units"].as_array().unwrap_or_else(|| panic!("a station stopped: {answer}"));
        assert_eq!(units.len(), CHIPS, "each chip was tried: {answer}");
        for failed in units.iter().filter(|unit| unit["result"] == "failed") {
            let cause = failed["cause"].as_str();
            assert!(matches!(cause, Some("elsewhere" | "held")), "{failed}");
            assert!(failed["advice"].is_string(), "{failed}");
        }
        assert!(matches!(exit, Some(0 | 1)), "{answer}");
    }
    let passed: u64 = answers.iter().map(|(_, answer)| number(&answer["passed"])).sum();
    let account = site.reconcile("the same chips");
    assert_sound("the same chips", &account);
    assert_eq!(number(&account["units"]["passed"]), passed, "nothing passed twice: {account}");
    assert_eq!(number(&account["chips"]["scrapped"]), 0, "a chip at another station has no fault: {account}");
    to_the_end(&site, &chips, CHIPS as u64);
}

/// A mistake that is easily made: the second takes each attempt of the first for one that a crash
/// cut short. The first loses it, says so and goes on.
fn two_stations_of_one_name(engine: &Engine) {
    const CHIPS: usize = 30;
    let site = ready(engine);
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, CHIPS, &[])));
    let stations = [start(&site, "S1", &chips), start(&site, "S1", &chips)];
    for (exit, answer) in answers(stations.into()) {
        assert!(answer["units"].is_array() && matches!(exit, Some(0 | 1)), "a station stopped: {answer}");
        for failed in answer["units"].as_array().into_iter().flatten().filter(|unit| unit["result"] == "failed") {
            let cause = failed["cause"].as_str();
            assert!(matches!(cause, Some("held" | "taken-over")), "{failed}");
        }
    }
    let account = site.reconcile("one name");
    assert_sound("one name", &account);
    assert_eq!(number(&account["chips"]["scrapped"]), 0, "{account}");
    to_the_end(&site, &chips, CHIPS as u64);
}
