//! `touchmark rehearse`: nothing is unaccounted for, whatever the faults and the seed.

use std::path::Path;
use std::process::{Command, Stdio};

use at_site::engine::Engine;
use at_site::{Site, assert_sound, text};
use serde_json::Value;

use crate::at_site;

on_both_engines! {
    without_faults_every_unit_passes,
    usual_faults_leave_nothing_unaccounted,
    harsh_faults_leave_nothing_unaccounted,
    a_persons_own_product_is_rehearsed,
}

const UNITS: u64 = 40;

fn rehearse(engine: &Engine, faults: &str, seed: &str, out: &Path) -> Value {
    let case = format!("--faults {faults} --seed {seed}");
    let done = Command::new(env!("CARGO_BIN_EXE_touchmark"))
        .args(["--json", "rehearse", "--units", &UNITS.to_string(), "--faults", faults, "--seed", seed, "--out"])
        .arg(out)
        .args(["--book", &engine.place()])
        .env_remove("TOUCHMARK_SITE")
        .stdin(Stdio::null())
        .output()
        .expect("the program starts");
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success(), "{case}: {:?}: {}{said}", done.status, String::from_utf8_lossy(&done.stdout));
    let answer: Value = serde_json::from_slice(&done.stdout).unwrap_or_else(|e| panic!("{case}: {e}: {said}"));

    let (units, credentials) = (&answer["units"], &answer["credentials"]);
    let number = |v: &Value| v.as_u64().unwrap_or_else(|| panic!("{case}: no number in {answer}"));
    for zero in [&credentials["unaccounted"], &answer["double_use"], &answer["unproven_passes"]] {
        assert_eq!(number(zero), 0, "{case}: {answer}");
    }
    assert_eq!(number(&units["started"]), UNITS, "{case}: {answer}");
    assert_eq!(number(&units["passed"]) + number(&units["failed"]), UNITS, "{case}: {answer}");
    assert_eq!(number(&credentials["installed"]), number(&units["passed"]), "{case}: {answer}");
    assert_eq!(
        number(&credentials["received"]),
        ["installed", "spent", "available"].iter().map(|k| number(&credentials[*k])).sum::<u64>(),
        "{case}: {answer}"
    );
    for (name, file) in answer["files"].as_object().expect("files") {
        let file = file.as_str().unwrap_or_else(|| panic!("{case}: {name} is missing of {answer}"));
        assert!(Path::new(file).exists(), "{case}: {name} {file}");
    }
    for file in ["labels.pdf", "report.html", "evidence"] {
        assert!(out.join(file).exists(), "{case}: {file}");
    }
    let evidence = std::fs::read_dir(out.join("evidence")).expect("evidence").flatten();
    let proven = evidence.filter(|e| e.path().is_dir()).count() as u64;
    assert_eq!(proven, number(&units["passed"]), "{case}: folders of evidence");
    answer
}

/// Three seeds at a level; the first twice, which must come out alike.
fn at_level(engine: &Engine, faults: &str) -> Vec<Value> {
    let directory = tempfile::tempdir().expect("a directory");
    let out = |name: &str| directory.path().join(name);
    let done: Vec<_> = ["1", "2", "3141592653"].iter().map(|seed| rehearse(engine, faults, seed, &out(seed))).collect();
    let again = rehearse(engine, faults, "1", &out("again"));
    assert_eq!(again["units"], done[0]["units"], "--faults {faults} --seed 1, twice");
    assert_eq!(again["credentials"], done[0]["credentials"], "--faults {faults} --seed 1, twice");
    done
}

fn without_faults_every_unit_passes(engine: &Engine) {
    for done in at_level(engine, "none") {
        assert_eq!(done["units"]["passed"], UNITS, "{done}");
    }
}

fn usual_faults_leave_nothing_unaccounted(engine: &Engine) {
    at_level(engine, "usual");
}

fn harsh_faults_leave_nothing_unaccounted(engine: &Engine) {
    let failed: u64 = at_level(engine, "harsh").iter().filter_map(|done| done["units"]["failed"].as_u64()).sum();
    assert!(failed > 0, "harsh faults that fail no unit try nothing");
}

/// With the settings of the person's own product, on a real vendor ID; its site is only read.
fn a_persons_own_product_is_rehearsed(engine: &Engine) {
    let site = Site::bare(&engine.place());
    let (dir, objects) = (site.dir.path(), site.dir.path().join("site/objects"));
    std::fs::create_dir_all(objects.join("keys")).expect("a folder");
    std::fs::write(objects.join("anchor.der"), "anchor").expect("a file");
    let described = "vendor = '1234'\nproduct = '8A21'\ndevice_type = 514\nreach = 'ble,ip'\nflow = 'custom'\n\
                     vendor_name = 'Tern & Hollow'\nproduct_name = 'Tern Vent Plus'\nfactory_record = true\nlock = false\n\
                     [[object]]\nname = 'trust-anchor'\nfile = 'objects/anchor.der'\n\
                     [[object]]\nname = 'access-key'\nper_unit = 'objects/keys'\n";
    std::fs::write(dir.join("product.toml"), described).expect("a file");
    let file = dir.join("product.toml");
    let add = ["product", "add", "Vent", "--from", text(&file), "--serial-series", "HL-000001"];
    let added = site.done("add", &add);
    assert_eq!((&added["purpose"], &added["serial_series"]), (&"production".into(), &"HL-000001".into()), "{added}");
    let before = site.reconcile("before");

    let out = dir.join("rehearsal");
    let run = ["rehearse", "--product", "Vent", "--units", "4", "--faults", "none", "--out", text(&out)];
    let done = site.done("rehearse", &run);
    assert_eq!((&done["product"], &done["units"]["passed"]), (&"Vent".into(), &4.into()), "{done}");
    assert_eq!(site.reconcile("after"), before, "the person's own site is only read");

    let there = |words: &[&str]| site.done(words[0], &[words, &["--site", text(&out)]].concat());
    let shown = there(&["product", "show", "Vent"]);
    let kept = ["vendor_id", "product_id", "flow", "vendor_name", "product_name", "purpose"].map(|key| &shown[key]);
    assert_eq!(kept, ["1234", "8A21", "custom", "Tern & Hollow", "Tern Vent Plus", "test"], "{shown}");
    assert_eq!((&shown["factory_record"], &shown["lock"]), (&true.into(), &false.into()), "{shown}");
    let story = there(&["unit", "show", "HL-000001"]);
    let names: Vec<_> = story["proof"]["objects"].as_array().expect("objects").iter().map(|o| &o["name"]).collect();
    assert_eq!(names, ["dac", "pai", "declaration", "factory-record", "trust-anchor", "access-key"], "{story}");
    assert_eq!((&story["state"], &story["purpose"]), (&"passed".into(), &"test".into()), "{story}");
    assert_sound("rehearsed", &there(&["reconcile"]));
    assert_eq!(site.call("no such", &["rehearse", "--product", "None"]).exit, Some(2));
}
