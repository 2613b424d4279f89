//! `touchmark rehearse`: nothing is unaccounted for, whatever the faults and the seed.

#![cfg(test)]

#[macro_use]
mod at_site;

use std::path::Path;
use std::process::{Command, Stdio};

use at_site::engine::Engine;
use serde_json::Value;

on_both_engines! {
    without_faults_every_unit_passes,
    usual_faults_leave_nothing_unaccounted,
    harsh_faults_leave_nothing_unaccounted,
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
