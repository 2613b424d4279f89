//! The main job from the command line, on reels and deliveries that others made.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

use at_site::engine::Engine;
use at_site::{Answer, Site, assert_sound, data, text};
use serde_json::{Value, json};

use crate::at_site;

on_both_engines! {
    reels_are_provisioned_to_the_last_chip,
    every_faulty_delivery_is_refused_whole,
    the_good_part_of_a_short_delivery_is_kept_on_request,
    a_stranger_is_never_kept,
    the_same_in_another_form_adds_nothing,
    many_of_one_kind_are_said_once,
    a_station_goes_on_behind_what_is_used_up,
    every_faulty_manifest_is_refused_whole,
    a_bomb_is_refused_before_it_expands,
}

/// Provisions a reel that is received, to the last chip; then once more, which must write nothing.
fn to_the_last_chip(site: &Site, which: &str, reel: &str, chips: u64) {
    let source = site.simulate(which);
    let run = ["provision", "--reel", reel, "--station", "line-1", "--chips", &source];
    let done = site.done(&format!("provision {reel}"), &run);
    assert_eq!((&done["passed"], &done["failed"]), (&json!(chips), &json!(0)), "reel {reel}: {done}");
    let units = done["units"].as_array().expect("units");
    let serials: BTreeSet<_> = units.iter().map(|u| u["unit"].as_str().expect("a serial number")).collect();
    let ids: BTreeSet<_> = units.iter().map(|u| u["chip_id"].as_str().expect("a chip id")).collect();
    assert_eq!((serials.len() as u64, ids.len() as u64), (chips, chips), "reel {reel}: units and chips are distinct");
    for unit in units {
        assert_eq!((&unit["result"], &unit["cause"], &unit["advice"]), (&json!("passed"), &Value::Null, &Value::Null));
    }
    let account = site.done(&format!("reconcile {reel}"), &["reconcile", "--reel", reel]);
    assert_sound(reel, &account);
    assert_eq!(account["units"]["passed"], chips, "reel {reel}: {account}");
    assert_eq!(account["chips"]["provisioned"], chips, "reel {reel}: {account}");
    assert_eq!(account["credentials"]["installed"], chips, "reel {reel}: {account}");

    let before = (held(&site.dir.path().join(format!("chips-{which}"))), site.reconcile("before the second run"));
    // Verified, and yet no unit was made: whoever counts on one by the exit code is not misled.
    let answer = site.call(&format!("provision {reel} again"), &run);
    assert_eq!(answer.exit, Some(1), "reel {reel} again: {}", answer.said);
    let again = answer.json;
    assert_eq!((&again["passed"], &again["failed"]), (&json!(0), &json!(0)), "reel {reel} again: {again}");
    assert_eq!(again["ended"], "nothing-to-do", "reel {reel} again: {again}");
    assert_eq!(again["verified"], chips, "reel {reel} again");
    let after = (held(&site.dir.path().join(format!("chips-{which}"))), site.reconcile("after the second run"));
    assert!(before.0 == after.0, "reel {reel}: the second run wrote to a chip");
    let but_log = |account: &Value| {
        let mut account = account.clone();
        account["log"].take();
        account
    };
    assert_eq!(but_log(&before.1), but_log(&after.1), "reel {reel}: the second run changed the record");
    // Each verification is an entry, and nothing else is.
    let entries = |account: &Value| account["log"]["entries"].as_u64().expect("a count");
    assert_eq!(entries(&after.1), entries(&before.1) + chips, "reel {reel}");
    assert_eq!(after.1["log"]["intact"], true, "reel {reel}");
}

/// Every simulated chip's file, octet for octet.
fn held(chips: &Path) -> Vec<(String, Vec<u8>)> {
    let mut all: Vec<_> = fs::read_dir(chips)
        .expect("chips")
        .map(|entry| entry.expect("an entry"))
        .filter(|entry| entry.path().extension().is_some_and(|e| e == "chip"))
        .map(|entry| (entry.file_name().to_string_lossy().into_owned(), fs::read(entry.path()).expect("a chip")))
        .collect();
    all.sort();
    assert!(!all.is_empty(), "no chips in {}", chips.display());
    all
}

fn delivery_received_once(site: &Site, which: &str, chips: u64) {
    let received = site.receive_delivery(which);
    assert_eq!(received["verdict"], "accepted", "delivery {which}: {received}");
    let counts = json!({ "read": chips, "accepted": chips, "refused": 0, "good": chips, "faulty": 0, "missing": 0 });
    assert_eq!(received["certificates"], counts, "delivery {which}");
    assert_eq!(received["chips"], json!({ "on_reel": chips, "matched": chips, "without": [] }), "delivery {which}");
    let before = site.reconcile("before the same delivery again");
    let again = site.receive_delivery(which);
    assert_eq!(again["verdict"], "already-received", "delivery {which} again: {again}");
    assert_eq!(again["delivery"], received["delivery"], "delivery {which} again");
    assert_eq!(site.reconcile("after it"), before, "delivery {which} again added something");
}

fn reels_are_provisioned_to_the_last_chip(engine: &Engine) {
    let reels: [(&str, &str, u64); 2] = [("a", "A", 400), ("b", "B", 300)];
    let site = Site::on(engine, reels[0].0);
    for (number, (which, reel, chips)) in reels.iter().enumerate() {
        if number > 0 {
            site.add(which);
        }
        let received = site.receive_reel(which);
        assert_eq!(received["chips"], json!({ "read": chips, "received": chips }), "reel {reel}: {received}");
        delivery_received_once(&site, which, *chips);
        to_the_last_chip(&site, which, reel, *chips);
    }
    let all: u64 = reels.iter().map(|reel| reel.2).sum();
    let account = site.reconcile("in the end");
    assert_sound("in the end", &account);
    assert_eq!((&account["units"]["passed"], &account["credentials"]["installed"]), (&json!(all), &json!(all)));
}

/// The words a fault of `faults.json` must be told with.
fn assert_says(case: &str, fault: &Value, said: &str) {
    let said = said.to_lowercase();
    let words = |v: &Value| -> Vec<String> {
        let list = v.as_array().expect("a list").iter();
        list.map(|w| w.as_str().expect("a word").to_owned()).collect()
    };
    for word in words(&fault["says_all"]) {
        assert!(said.contains(&word), "{case} does not say {word:?}: {said}");
    }
    for any in fault["says_any"].as_array().expect("lists") {
        assert!(words(any).iter().any(|word| said.contains(word)), "{case} says none of {any}: {said}");
    }
}

/// The exit code is one of those that the fault may have, and the words are there.
fn assert_refused_as_told(case: &str, fault: &Value, answer: &Answer) {
    let exits = fault["exit"].as_array().expect("exits");
    let wanted = exits.contains(&json!(answer.exit));
    assert!(wanted, "{case}: exit {:?}, {exits:?} wanted: {}", answer.exit, answer.said);
    assert_says(case, fault, &answer.said);
}

fn faults(kind: &str) -> Vec<Value> {
    let text = fs::read_to_string(data("faulty/faults.json")).expect("faults.json");
    let all: Vec<Value> = serde_json::from_str(&text).expect("a list");
    let of_kind: Vec<_> = all.into_iter().filter(|f| f["kind"] == kind).collect();
    assert!(of_kind.len() >= 5, "faults.json has too few of kind {kind}");
    of_kind
}

fn every_faulty_delivery_is_refused_whole(engine: &Engine) {
    // Each is refused, so each finds the same fresh site as the one before it.
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let before = site.reconcile("before");
    assert_eq!(before["credentials"]["received"], 0);
    for fault in faults("delivery") {
        let case = fault["file"].as_str().expect("a file");
        let file = data("faulty").join(case);
        let answer = site.call(case, &["delivery", "receive", text(&file), "--reel", "A"]);
        assert_refused_as_told(case, &fault, &answer);
        if answer.exit == Some(1) {
            assert_eq!(answer.json["verdict"], "refused", "{case}: {}", answer.said);
            assert_eq!(answer.json["certificates"]["accepted"], 0, "{case}: {}", answer.said);
        }
        assert_eq!(site.reconcile(case), before, "{case} was refused and yet stored something");
        assert_eq!(site.done(case, &["delivery", "list"])["deliveries"], json!([]), "{case} is listed");
    }
    for escaped in ["/var/tmp/touchmark-evil.pem", "../evil.pem", "../../evil.pem", "evil.pem"] {
        assert!(!site.dir.path().join(escaped).exists(), "{escaped} was written");
    }
    // After all of them the good one is received as if nothing had been.
    assert_eq!(site.receive_delivery("a")["certificates"]["accepted"], 400);
}

fn the_good_part_of_a_short_delivery_is_kept_on_request(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let file = data("faulty/three-chips-without.tar.gz");
    let received = site.done("in part", &["delivery", "receive", text(&file), "--reel", "A", "--accept-part"]);
    assert_eq!(received["verdict"], "accepted-in-part", "{received}");
    assert_eq!(received["certificates"]["accepted"], 397, "{received}");
    let without = received["chips"]["without"].as_array().expect("chips");
    let without: BTreeSet<_> = without.iter().filter_map(Value::as_str).collect();
    let wanted = BTreeSet::from(["514C0417136005D806", "514C04170A094A7DBB", "514C04171752167F11"]);
    assert_eq!(without, wanted, "{received}");
    let account = site.reconcile("in part");
    assert_sound("in part", &account);
    assert_eq!(account["credentials"]["available"], 397, "{account}");
}

fn a_stranger_is_never_kept(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let file = data("faulty/dac-not-on-reel.tar.gz");
    let received = site.done("in part", &["delivery", "receive", text(&file), "--reel", "A", "--accept-part"]);
    let counts = json!({ "read": 401, "accepted": 400, "refused": 1, "good": 400, "faulty": 1, "missing": 0 });
    assert_eq!(received["certificates"], counts, "{received}");
    let found = site.call("find", &["unit", "find", "3303b84edadfc5228c2aab26d60b59c7"]);
    assert_eq!((found.exit, &found.json["found"]), (Some(1), &json!([])), "{}", found.said);
    assert_sound("in part", &site.reconcile("in part"));
}

/// The same delivery from another archive or a folder, and a whole one behind its part; the same chips from
/// another file.
fn the_same_in_another_form_adds_nothing(engine: &Engine) {
    let site = Site::on(engine, "a");
    let chips = |file: &str| {
        let file = data(file);
        site.done(
            file.to_str().expect("a path"),
            &["reel", "receive", text(&file), "--reel", "A", "--product", "Tern Vent"],
        )
    };
    assert_eq!(chips("faulty/manifest-spreadsheet.csv")["verdict"], "accepted");
    let before = site.reconcile("one reel");
    assert_eq!(chips("reel-a/manifest.csv")["verdict"], "already-received");
    assert_eq!(site.reconcile("the same reel"), before);
    let other = data("reel-b/manifest.ndjson");
    let typed = [
        "reel",
        "receive",
        text(&other),
        "--reel",
        "A",
        "--product",
        "Tern Vent",
        "--map",
        "chip_id=uid,public_key=spki",
    ];
    let refused = site.call("another reel", &typed);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    assert!(refused.said.contains("with other chips"), "{}", refused.said);

    let part = data("faulty/three-chips-without.tar.gz");
    let kept = site.done("in part", &["delivery", "receive", text(&part), "--reel", "A", "--accept-part"]);
    assert_eq!(kept["certificates"]["accepted"], 397, "{kept}");
    let again = site.done("the part again", &["delivery", "receive", text(&part), "--reel", "A", "--accept-part"]);
    assert_eq!((&again["verdict"], &again["delivery"]), (&json!("already-received"), &kept["delivery"]), "{again}");
    assert_eq!((&again["chips"]["matched"], &again["chips"]["without"]), (&json!(397), &kept["chips"]["without"]));
    // As files in a folder it is the same part.
    let parts = site.dir.path().join("parts");
    fs::create_dir(&parts).expect("a folder");
    let unpacked = Command::new("tar").args(["-xzf", text(&part), "-C", text(&parts)]).status().expect("tar runs");
    assert!(unpacked.success());
    let again = site.done("the part unpacked", &["delivery", "receive", text(&parts), "--reel", "A"]);
    assert_eq!((&again["verdict"], &again["delivery"]), (&json!("already-received"), &kept["delivery"]), "{again}");
    assert_eq!((&again["chips"]["matched"], &again["chips"]["without"]), (&json!(397), &kept["chips"]["without"]));
    // The whole one brings what was missing, and nothing else.
    let whole = site.receive_delivery("a");
    assert_eq!((&whole["verdict"], &whole["chips"]["without"]), (&json!("accepted"), &json!([])), "{whole}");
    let counts = |accepted, already| {
        json!({
            "read": 400, "accepted": accepted, "already": already, "refused": 0, "good": 400, "faulty": 0, "missing": 0
        })
    };
    assert_eq!(whole["certificates"], counts(3, 397), "{whole}");
    let notes: Vec<_> = whole["findings"].as_array().expect("findings").iter().map(|f| &f["severity"]).collect();
    assert!(notes.iter().all(|severity| *severity == "note"), "{whole}");
    let before = site.reconcile("all are here");
    assert_sound("all are here", &before);
    assert_eq!(before["credentials"]["available"], 400, "{before}");

    let folder = site.dir.path().join("unpacked");
    fs::create_dir(&folder).expect("a folder");
    let mut archive =
        zip::ZipArchive::new(fs::File::open(data("reel-a/delivery.zip")).expect("a file")).expect("a ZIP");
    archive.extract(&folder).expect("unpacked");
    let unpacked = site.done("unpacked", &["delivery", "receive", text(&folder), "--reel", "A"]);
    assert_eq!(unpacked["verdict"], "already-received", "{unpacked}");
    assert_eq!(unpacked["certificates"], counts(0, 400), "{unpacked}");
    assert_eq!(site.reconcile("the same again"), before);
}

/// What has one cause is one finding with a count, though each names another chip.
fn many_of_one_kind_are_said_once(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let said = |case: &str, typed: &[&str]| -> Vec<(String, u64)> {
        let answer = site.call(case, typed);
        assert_eq!(answer.exit, Some(1), "{case}: {}", answer.said);
        let findings = answer.json["findings"].as_array().expect("findings").iter();
        let errors = findings.filter(|f| f["severity"] == "error");
        errors.map(|f| (f["rule"].as_str().unwrap_or_default().to_owned(), f["count"].as_u64().unwrap_or(0))).collect()
    };
    let other = data("reel-b/delivery.tar.gz");
    let strangers = said("another reel's", &["delivery", "receive", text(&other), "--reel", "A"]);
    assert_eq!(strangers.iter().find(|(rule, _)| rule == "delivery.stranger").map(|(_, count)| *count), Some(300));
    assert!(strangers.len() <= 12, "{strangers:?}");
    let manifest = data("reel-a/manifest.csv");
    let doubles =
        said("as another reel", &["reel", "receive", text(&manifest), "--reel", "Z", "--product", "Tern Vent"]);
    assert_eq!(doubles, [("reel.duplicate-chip".to_owned(), 400)]);
}

/// A scrapped chip and the numbers that were given do not stop the next call.
fn a_station_goes_on_behind_what_is_used_up(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let source = format!("simulated:{}", text(&site.simulate_part("a", 0, 3, &[])));
    let list = site.dir.path().join("numbers");
    fs::write(&list, "HOUSING-7\nHOUSING-3\nHOUSING-9\n").expect("written");
    let next = |case: &str| {
        let typed = [
            "provision",
            "--reel",
            "A",
            "--station",
            "S",
            "--chips",
            &source,
            "--units",
            "1",
            "--serials",
            text(&list),
        ];
        let answer = site.call(case, &typed);
        let units = answer.json["units"].as_array().expect("units").iter();
        let passed: Vec<String> = units
            .filter(|u| u["result"] == "passed")
            .map(|u| u["unit"].as_str().unwrap_or_default().to_owned())
            .collect();
        (answer.exit, passed)
    };
    assert_eq!(next("first"), (Some(0), vec!["HOUSING-7".to_owned()]));
    site.done("scrap", &["unit", "scrap", "HOUSING-7", "--reason", "dropped"]);
    // The scrapped chip is told each time, since it lies there, and the next number goes to the next chip.
    assert_eq!(next("second"), (Some(1), vec!["HOUSING-3".to_owned()]));
    assert_eq!(next("third"), (Some(1), vec!["HOUSING-9".to_owned()]));
    assert_sound("three numbers", &site.reconcile("three numbers"));
}

fn every_faulty_manifest_is_refused_whole(engine: &Engine) {
    let site = Site::on(engine, "a");
    let before = site.reconcile("before");
    let (refused, fine): (Vec<_>, Vec<_>) = faults("manifest").into_iter().partition(|f| f["fine"] == false);
    for fault in refused {
        let case = fault["file"].as_str().expect("a file");
        let file = data("faulty").join(case);
        let answer = site.call(case, &["reel", "receive", text(&file), "--reel", "A", "--product", "Tern Vent"]);
        assert_refused_as_told(case, &fault, &answer);
        assert_eq!(site.reconcile(case), before, "{case} was refused and yet stored something");
    }
    assert!(!fine.is_empty(), "faults.json has a manifest without fault");
    for fault in fine {
        let case = fault["file"].as_str().expect("a file");
        let file = data("faulty").join(case);
        let received = site.done(case, &["reel", "receive", text(&file), "--reel", "A", "--product", "Tern Vent"]);
        assert_eq!(received["chips"]["received"], 400, "{case}: {received}");
    }
    assert_eq!(site.reconcile("after")["chips"]["blank"], 400);
}

/// Under 256 MiB, as GNU time measures it; where that is missing, under a limit of addresses
/// (`ulimit -v`), which is stricter than one of memory.
fn a_bomb_is_refused_before_it_expands(engine: &Engine) {
    const MOST_KIB: u64 = 256 * 1024;
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let bomb = data("faulty/bomb.zip");
    let measured = site.dir.path().join("peak");
    let gnu_time = Path::new("/usr/bin/time").is_file();
    let mut command = if gnu_time {
        let mut time = Command::new("/usr/bin/time");
        time.args(["-f", "%M", "-o", text(&measured), env!("CARGO_BIN_EXE_touchmark")]);
        time
    } else {
        let mut shell = Command::new("sh");
        let limited = format!("ulimit -v {} && exec \"$0\" \"$@\"", MOST_KIB + 256 * 1024);
        shell.args(["-c", &limited, env!("CARGO_BIN_EXE_touchmark")]);
        shell
    };
    let done = command
        .args(["--json", "delivery", "receive", text(&bomb), "--reel", "A"])
        .env("TOUCHMARK_SITE", site.dir.path().join("site"))
        .output()
        .expect("the program starts");
    let said = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
    assert!(matches!(done.status.code(), Some(1 | 2)), "{:?}: {said}", done.status);
    assert!(said.contains("5EC94571"), "the entry is not named: {said}");
    if gnu_time {
        // Before the number GNU time writes a line about a status that is not 0.
        let peak = fs::read_to_string(&measured).expect("a measure");
        let peak: u64 = peak.lines().last().expect("a line").trim().parse().expect("KiB");
        assert!(peak < MOST_KIB, "{peak} KiB at the peak");
    }
}
