//! Which units something touches, asked through the program.

use std::fs;

use at_site::engine::Engine;
use at_site::{Site, text};
use serde_json::{Value, json};

use crate::at_site;

fn units(answer: &Value) -> Vec<&str> {
    let units = answer["units"].as_array().expect("units");
    assert_eq!(answer["count"], units.len() as u64, "{answer}");
    units.iter().filter_map(|u| u["unit"].as_str()).collect()
}

on_both_engines! { what_touches_which_units }

fn what_touches_which_units(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.add("b");
    for (which, reel, station) in [("a", "A", "line-1"), ("b", "B", "line-2")] {
        site.receive_reel(which);
        site.receive_delivery(which);
        let source = site.simulate(which);
        let mut run = vec!["provision", "--reel", reel, "--station", station, "--chips", &source, "--units", "4"];
        if which == "b" {
            run.extend(["--firmware", "2.0.1"]);
        }
        assert_eq!(site.done(reel, &run)["passed"], 4, "{reel}");
    }
    // A list that is cut says so, and how to go on.
    assert!(site.done("all", &["unit", "list"]).get("more").is_none());
    assert_eq!(site.done("some", &["unit", "list", "--limit", "3"])["more"], true);
    assert!(site.words(&["unit", "list", "--limit", "3"]).contains("--after A-00003"));
    let story = site.done("unit show", &["unit", "show", "A-00002"]);
    let of = |path: &str| story.pointer(path).and_then(Value::as_str).expect("told").to_owned();
    let (serial, pai) = (of("/credential/serial"), of("/credential/issuer"));
    let (chip, key, delivery) = (of("/chip/chip_id"), of("/chip/public_key"), of("/delivery/delivery"));
    let all_a = ["A-00001", "A-00002", "A-00003", "A-00004"];
    let ask = |case: &str, typed: &[&str]| site.done(case, &[&["impact"], typed].concat());

    for (case, typed) in [
        ("credential", vec!["--credential", &serial]),
        ("key", vec!["--key", &key]),
        ("chips", vec!["--chips", &format!("{chip}..{chip}")]),
        ("credential and reel", vec!["--credential", &serial, "--reel", "A"]),
    ] {
        assert_eq!(units(&ask(case, &typed)), ["A-00002"], "{case}");
    }
    for (case, typed) in [
        ("reel", vec!["--reel", "A"]),
        ("delivery", vec!["--delivery", &delivery]),
        ("station", vec!["--station", "line-1"]),
        ("authority", vec!["--authority", &pai]),
        ("the same by its other name", vec!["--pai", &pai]),
        ("root", vec!["--authority", "PAA a"]),
        ("product", vec!["--product", "Tern Vent"]),
        ("period", vec!["--reel", "A", "--from", "2020-01-01"]),
    ] {
        assert_eq!(units(&ask(case, &typed)), all_a, "{case}");
    }
    assert_eq!(units(&ask("before", &["--to", "2020-01-01T00:00:00Z"])), Vec::<&str>::new());
    assert_eq!(units(&ask("other reel", &["--credential", &serial, "--reel", "B"])), Vec::<&str>::new());
    for (typed, count, recorded, not_recorded) in [
        (vec!["--firmware", "2.0.1"], 4, 4, 4),
        (vec!["--firmware", "2.0"], 0, 4, 4),
        (vec!["--firmware", "2.0.1", "--reel", "A"], 0, 0, 4),
        (vec!["--firmware", "2.0.1", "--station", "line-2", "--state", "passed"], 4, 4, 0),
    ] {
        let told = ask("firmware", &typed);
        assert_eq!(told["count"], count, "{typed:?}: {told}");
        let known = json!({ "recorded": recorded, "not_recorded": not_recorded });
        assert_eq!(told["firmware"], known, "{typed:?}: of how many nothing can be said");
    }
    let b = site.done("unit show", &["unit", "show", "B-00001"]);
    assert_eq!(b["attempts"][0]["firmware"], "2.0.1", "{b}");
    assert!(story["attempts"][0]["firmware"].is_null());

    // What would stop: four sold units, and the stock of the reel.
    let would = &ask("pai", &["--authority", &pai])["would_stop"];
    assert_eq!(would["units_refused"], 4, "{would}");
    assert_eq!(would["authorities"], json!([pai]), "{would}");
    let received = site.reconcile("all")["credentials"]["received"].as_u64().expect("a number");
    let stock: u64 = would["stock"].as_array().expect("stock").iter().filter_map(|s| s["available"].as_u64()).sum();
    assert!(stock > 0 && stock < received, "{would}");
    assert_eq!(would["credentials"]["installed"], 4, "{would}");
    assert!(ask("part", &["--authority", &pai, "--reel", "A"])["would_stop"].is_null(), "nothing is said of a part");
    let by_certificate = site.dir.path().join("evidence");
    site.done("unit write", &["unit", "write", "A-00002", "--out", text(&by_certificate)]);
    for (file, found) in [("dac.der", &all_a[1..2]), ("pai.der", &all_a[..]), ("paa.der", &all_a[..])] {
        let path = by_certificate.join("A-00002").join(file);
        assert_eq!(units(&ask(file, &["--certificate", text(&path)])), found, "{file}");
        assert_eq!(units(&ask(file, &["--key", text(&path)])), found, "{file}");
    }

    // As files: whole, and never over what is there.
    let (csv, document) = (site.dir.path().join("units.csv"), site.dir.path().join("units.json"));
    let written = ask("csv", &["--reel", "A", "--out", text(&csv)]);
    assert_eq!((&written["count"], &written["file"]), (&json!(4), &json!(text(&csv))));
    let rows = fs::read_to_string(&csv).expect("a file");
    let first: Vec<_> = rows.lines().next().expect("a heading").split(',').collect();
    assert_eq!((rows.lines().count(), first[0], first[6]), (5, "unit", "credential"));
    assert!(rows.contains(&format!("A-00002,passed,Tern Vent,test,A,{chip},{serial},installed,")), "{rows}");
    ask("json", &["--reel", "A", "--out", text(&document)]);
    let told: Value = serde_json::from_str(&fs::read_to_string(&document).expect("a file")).expect("JSON");
    assert_eq!(units(&told), all_a);
    let again = site.call("again", &["impact", "--reel", "A", "--out", text(&csv)]);
    assert_eq!(again.exit, Some(2), "{}", again.said);

    // What is not here is an error, never "nothing is touched".
    for typed in [
        &["--reel", "Z"][..],
        &["--delivery", "D-9"],
        &["--station", "ZZ"],
        &["--authority", "Nobody"],
        &["--credential", "00ff00ff"],
        &["--credential", "no hex"],
        &["--chips", "01"],
        &["--chips", "02..01"],
        &["--key", "aabb"],
        &["--from", "yesterday"],
        &["--from", "2026-03-02", "--to", "2026-03-01"],
        &["--state", "sold"],
        &[],
    ] {
        let refused = site.call("refused", &[&["impact"], typed].concat());
        assert_eq!(refused.exit, Some(2), "{typed:?}: {}", refused.said);
        assert!(refused.json["error"]["advice"].is_string(), "{typed:?}: {}", refused.said);
    }
    // Nor "all accounted for": a typo is told as one.
    let shown = site.call("show", &["reel", "show", "ZZ"]);
    for typed in [&["reconcile", "--reel", "ZZ"][..], &["unit", "list", "--reel", "ZZ"]] {
        let refused = site.call("refused", typed);
        assert_eq!((refused.exit, &refused.json), (Some(2), &shown.json), "{typed:?}: {}", refused.said);
    }
}
