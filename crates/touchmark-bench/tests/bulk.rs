//! The measurements of reels and deliveries, with sizes so small that the figures say
//! nothing: that they run to their end, and that what they measure was done.

#![cfg(test)]

use std::process::Command;

use serde_json::Value;

/// Runs a measurement; the answer in JSON.
fn measured(arguments: &[&str]) -> Value {
    let run = Command::new(env!("CARGO_BIN_EXE_touchmark-bench")).arg("--json").args(arguments).output().expect("runs");
    assert!(run.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&run.stderr));
    serde_json::from_slice(&run.stdout).expect("one JSON document")
}

fn rows(answer: &Value) -> Vec<&Value> {
    let rows: Vec<&Value> = answer["measured"].as_array().expect("rows").iter().collect();
    assert!(!rows.is_empty());
    rows
}

#[test]
fn deliveries_are_issued_and_received() {
    let answer = measured(&["deliveries", "--dacs", "300"]);
    assert_eq!(rows(&answer).len(), 2);
    for row in rows(&answer) {
        for key in ["per_second", "reference_per_second", "ratio", "peak_mib", "peak_mib_of_a_tenth"] {
            assert!(row[key].as_f64().is_some_and(|n| n > 0.0), "{key} of {row}");
        }
    }
}

#[test]
fn reels_are_received() {
    let answer = measured(&["reels", "--chips", "500"]);
    assert!(rows(&answer)[0]["per_second"].as_f64().is_some_and(|n| n > 0.0), "{answer}");
    assert!(answer["seconds"].as_f64().is_some_and(|n| n > 0.0), "{answer}");
}

#[test]
fn directories_and_bundles_are_examined() {
    assert_eq!(rows(&measured(&["examining", "--dacs", "200"])).len(), 2);
}

#[test]
fn ours_is_held_against_work_by_hand() {
    let answer = measured(&["by-hand", "--dacs", "5"]);
    for row in rows(&answer) {
        assert!(row["shell_loop_multiple"].as_f64().is_some_and(|n| n > 0.0), "{row}");
        assert!(row["python_multiple"].as_f64().is_some_and(|n| n > 0.0), "{row}");
    }
}
