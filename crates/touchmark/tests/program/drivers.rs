//! Drivers of chips, as their authors and stations meet them: `chip check` names what a broken one
//! breaks; a sound one provisions; one that dies or hangs costs a station one attempt and no more.

use std::fs;
use std::path::Path;

use at_site::engine::Engine;
use at_site::{Site, assert_sound, text};
use serde_json::{Value, json};

use crate::{at_site, python};

on_both_engines! {
    a_sound_driver_is_checked_and_provisions,
    a_driver_that_fails_costs_one_attempt,
    a_driver_that_keeps_failing_costs_no_chip,
    a_driver_that_cheats_passes_no_unit,
}

/// A source of the example driver's chips, with `fault` as `tests/outside/broken_drivers.py` has it.
fn source(python: &Path, fault: &str, chips: &Path) -> String {
    let script = python::root().join("tests/outside/broken_drivers.py");
    format!("command:'{}' -B '{}' {fault} '{}'", python.display(), script.display(), chips.display())
}

/// The example driver itself, and `count` new chips in `chips`; their ids and keys.
fn example(site: &Site, python: &Path, chips: &Path, count: usize) -> (String, Vec<Value>) {
    let script = python::root().join("examples/chip_driver.py");
    let example = format!("command:'{}' -B '{}' '{}'", python.display(), script.display(), chips.display());
    site.done("make", &["chip", "list", "--chips", &format!("{example} --make {count}")]);
    let listed = site.done("list", &["chip", "list", "--chips", &example]);
    let listed = listed["chips"].as_array().expect("chips").clone();
    assert_eq!(listed.len(), count);
    (example, listed)
}

/// A site whose reel R is the example driver's chips, with credentials.
fn at_work(engine: &Engine, python: &Path, chips: &Path, count: usize) -> (Site, String) {
    let site = Site::on(engine, "a");
    let (example, listed) = example(&site, python, chips, count);
    let word = |chip: &Value, name: &str| chip[name].as_str().expect("a text").to_owned();
    let rows: Vec<_> = listed.iter().map(|c| format!("{},{}\n", word(c, "chip_id"), word(c, "public_key"))).collect();
    let manifest = site.dir.path().join("manifest.csv");
    fs::write(&manifest, format!("chip_id,public_key\n{}", rows.concat())).expect("a manifest");
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "R", "--product", "Tern Vent"]);
    assert_eq!(site.issue("R")["issued"], count);
    (site, example)
}

fn a_sound_driver_is_checked_and_provisions(engine: &Engine) {
    let Some(python) = python::interpreter() else { return };
    let chips = tempfile::tempdir().expect("a directory");
    let (site, sound) = at_work(engine, &python, chips.path(), 3);
    let checked = site.done("check", &["chip", "check", "--chips", &sound]);
    assert_eq!(checked["kept"], true, "{checked}");
    let run = ["provision", "--reel", "R", "--station", "S1", "--chips", &sound];
    let done = site.done("provision", &run);
    assert_eq!((&done["passed"], &done["failed"]), (&json!(3), &json!(0)), "{done}");
    let again = site.call("again", &run).json;
    assert_eq!((&again["passed"], &again["verified"]), (&json!(0), &json!(3)), "{again}");
    assert_sound("a driver's chips", &site.reconcile("a driver's chips"));

    // One more chip, not of the reel, is checked to the end: locked for ever.
    let (spare, listed) = example(&site, &python, &chips.path().join("spare"), 1);
    let checked = site.done("lock", &["chip", "check", "--chips", &spare, "--lock"]);
    let outcomes = checked["promises"].as_array().expect("promises");
    let held = outcomes.iter().filter(|promise| promise["outcome"] == "held").count();
    assert_eq!(held, outcomes.len() - 1, "all but one, of names: {checked}");
    assert_eq!(checked["chip_id"], listed[0]["chip_id"]);
}

/// The first promise that breaks, and how, through the program.
fn breaks(fault: &str, promise: &str, why: &str) {
    let Some(python) = python::interpreter() else { return };
    let chips = tempfile::tempdir().expect("a directory");
    let site = Site::new("a");
    example(&site, &python, chips.path(), 2);
    let source = source(&python, fault, chips.path());
    let answer = site.call(fault, &["chip", "check", "--chips", &source, "--lock"]);
    assert_eq!((answer.exit, &answer.json["kept"]), (Some(1), &json!(false)), "{fault}: {}", answer.said);
    let promises = answer.json["promises"].as_array().expect("promises");
    let first = promises.iter().find(|tried| tried["outcome"] == "broken").expect("one is broken");
    assert_eq!(first["promise"], promise, "{fault}: {first}");
    assert!(first["detail"].as_str().is_some_and(|how| how.contains(why)), "{fault}: {first}");
}

macro_rules! broken_drivers {
    ($($test:ident: $fault:literal breaks $promise:literal, $why:literal;)*) => {$(
        #[test]
        fn $test() {
            breaks($fault, $promise, $why);
        }
    )*};
}

broken_drivers! {
    late: "LateSignature" breaks "identity", "did not answer while signing";
    wrong_order: "WrongOrder" breaks "opens", "instead of call";
    oversize: "OversizeLine" breaks "absent-object", "a line of more than";
    garbage: "Garbage" breaks "identity", "not a JSON-RPC response: asking the chip";
    dies_amid_write: "DiesAmidWrite" breaks "write-read", "was removed";
    hangs: "SilentAtStart" breaks "present", "no answer to hello";
    hangs_amid_write: "HangsAmidWrite" breaks "write-read", "did not answer while writing";
    ends_at_start: "EndsAtStart" breaks "present", "the tool is not installed";
    lies_about_write: "LiesAboutWrite" breaks "write-read", "read with 0";
    signs_with_another_key: "OtherKey" breaks "signature", "does not belong to its key";
    forgets_objects: "Forgets" breaks "keeps", "read with 0";
    lists_twice: "ListsTwice" breaks "present", "twice";
    takes_oversize: "TakesOversize" breaks "limits", "but accepted 3001";
    miscounts_room: "MiscountsRoom" breaks "room", "reports that 12000 are left";
    unlocks: "Unlocks" breaks "lock", "does not report so after opening it again";
    another_chip: "OtherChip" breaks "identity", "0BAD answers";
}

/// Dead, hung or garbling amid a write: that unit fails and says what to do, the next chips go on,
/// and the same chip passes once the driver is well. Nothing hangs, nothing is corrupt.
fn a_driver_that_fails_costs_one_attempt(engine: &Engine) {
    let Some(python) = python::interpreter() else { return };
    // What the book's engine has to do with it is tried once.
    let troubles = if engine.server.is_some() { 1 } else { 3 };
    for (trouble, cause, next, advice) in [
        ("die", "gone", "retry", "Put it in again."),
        ("hang", "no-answer", "retry", "Take it out and put it in again."),
        ("garble", "driver", "rework", "Stop and call the engineer."),
    ]
    .into_iter()
    .take(troubles)
    {
        let chips = tempfile::tempdir().expect("a directory");
        let (site, _) = at_work(engine, &python, chips.path(), 3);
        let source = source(&python, "Sometimes", chips.path());
        fs::write(chips.path().join("trouble"), trouble).expect("told");
        let run = ["provision", "--reel", "R", "--station", "S1", "--attempts", "1", "--chips", &source];
        let failed = site.call(trouble, &run);
        assert_eq!(failed.exit, Some(1), "{trouble}: {}", failed.said);
        let units = failed.json["units"].as_array().expect("units");
        let results: Vec<_> = units.iter().filter_map(|unit| unit["result"].as_str()).collect();
        assert_eq!(results, ["failed", "passed", "passed"], "{trouble}: {}", failed.said);
        assert_eq!((&units[0]["cause"], &units[0]["next"]), (&json!(cause), &json!(next)), "{trouble}: {}", units[0]);
        assert!(units[0]["advice"].as_str().is_some_and(|told| told.contains(advice)), "{trouble}: {}", units[0]);
        assert_sound(trouble, &site.reconcile(trouble));

        let mended = site.done(trouble, &run);
        assert_eq!((&mended["passed"], &mended["verified"]), (&json!(1), &json!(2)), "{trouble}: {mended}");
        assert_eq!(mended["units"][0]["unit"], units[0]["unit"], "{trouble}: the same unit");
        assert_sound(trouble, &site.reconcile(trouble));
    }
}

/// More often than a chip's own failures are borne: the chip is not given up for its driver's sake.
fn a_driver_that_keeps_failing_costs_no_chip(engine: &Engine) {
    let Some(python) = python::interpreter() else { return };
    let chips = tempfile::tempdir().expect("a directory");
    let (site, _) = at_work(engine, &python, chips.path(), 1);
    let source = source(&python, "Sometimes", chips.path());
    let run = ["provision", "--reel", "R", "--station", "S1", "--attempts", "1", "--chips", &source];
    for trouble in ["die", "garble", "die", "garble", "die"] {
        fs::write(chips.path().join("trouble"), trouble).expect("told");
        let failed = site.call(trouble, &run);
        assert_eq!((failed.exit, &failed.json["failed"]), (Some(1), &json!(1)), "{trouble}: {}", failed.said);
        assert_ne!(failed.json["units"][0]["next"], "scrap", "{trouble}: {}", failed.said);
    }
    assert_eq!(site.done("mended", &run)["passed"], 1);
    assert_sound("mended", &site.reconcile("mended"));
}

/// What a driver only says: writes that are gone once the chip is let go, a lock that does nothing or does not last, a
/// signature that was recorded. Each fails by a cause of its own, and the chip passes with a driver that is sound.
fn a_driver_that_cheats_passes_no_unit(engine: &Engine) {
    let Some(python) = python::interpreter() else { return };
    for (cheat, cause) in [
        ("Forgets", "not-kept"),
        ("LocksNothing", "lock-ignored"),
        ("Unlocks", "lock-ignored"),
        ("Replays", "replayed-signature"),
    ] {
        let chips = tempfile::tempdir().expect("a directory");
        let (site, sound) = at_work(engine, &python, chips.path(), 1);
        let cheating = source(&python, cheat, chips.path());
        let run = ["provision", "--reel", "R", "--station", "S1", "--chips"];
        let refused = site.call(cheat, &[&run[..], &[&cheating]].concat());
        assert_eq!((refused.exit, &refused.json["passed"]), (Some(1), &json!(0)), "{cheat}: {}", refused.said);
        let unit = &refused.json["units"][0];
        assert_eq!((&unit["cause"], &unit["next"]), (&json!(cause), &json!("rework")), "{cheat}: {unit}");
        let well = site.done(cheat, &[&run[..], &[&sound]].concat());
        assert_eq!((&well["passed"], &well["units"][0]["unit"]), (&json!(1), &unit["unit"]), "{cheat}: {well}");
        assert_sound(cheat, &site.reconcile(cheat));
    }
}
