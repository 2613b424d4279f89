//! Every measurement runs, in a small form, and says what it must: its figures are
//! there, its ratios are ratios of them, and what it measured was done. How fast that
//! was is nobody's business here.

use std::path::Path;
use std::process::Command;

use serde_json::Value;

/// Runs a measurement; its answer as JSON.
fn measured(arguments: &[&str]) -> Value {
    let output = Command::new(env!("CARGO_BIN_EXE_touchmark-bench")).arg("--json").args(arguments).output();
    let output = output.expect("the program starts");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments:?} ended with {}: {said}", output.status);
    serde_json::from_slice(&output.stdout).expect("one JSON document")
}

/// What it says in words.
fn in_words(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_touchmark-bench")).args(arguments).output();
    let output = output.expect("the program starts");
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

fn number(value: &Value) -> f64 {
    let number = value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    assert!(number.is_finite() && number >= 0.0, "{number}");
    number
}

/// A ratio is that of its two figures.
fn ratio(ratio: &Value, of: &Value, to: &Value) {
    let (ratio, expected) = (number(ratio), number(of) / number(to));
    assert!((ratio - expected).abs() <= expected.abs() * 1e-6 + 1e-9, "{ratio} is not {expected}");
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

#[test]
fn judging() {
    let rows = measured(&["judging", "--dacs", "40", "--rounds", "1"]);
    let rows = rows["measured"].as_array().expect("rows");
    assert!(rows.len() >= 3, "{rows:?}");
    for row in rows {
        assert!(number(&row["ratio"]) > 0.0, "{row}");
    }
}

#[test]
fn verifiers() {
    let told = measured(&["verifiers", "--rounds", "1", "--iterations", "1000", "--derivations", "2"]);
    assert!(number(&told["ratio_to_openssl_per_core"]) > 0.0, "{told}");
}

#[test]
fn labels() {
    let told = measured(&["labels", "--labels", "40", "--dpi", "150"]);
    assert_eq!(number(&told["full"]["labels"]), 40.0);
    assert_eq!(told["full"]["decoded"], told["full"]["labels"], "every symbol was read back");
    ratio(&told["peak_ratio"], &told["full"]["peak_kib"], &told["tenth"]["peak_kib"]);
}

/// SQLite, and PostgreSQL where it is installed; in continuous integration both.
fn engines() -> &'static [&'static str] {
    let both = std::env::var_os("CI").is_some() || std::path::Path::new("/usr/lib/postgresql").exists();
    if both { &["sqlite", "postgresql"] } else { &["sqlite"] }
}

#[test]
fn stations() {
    let dir = tempfile::tempdir().expect("a directory");
    let told = measured(&[
        "stations",
        "--stations",
        "1,2",
        "--units",
        "4",
        "--real-units",
        "1",
        "--engines",
        &engines().join(","),
        "--dir",
        text(dir.path()),
    ]);
    let rows = told["rows"].as_array().expect("rows");
    assert_eq!(rows.len(), 4 * engines().len());
    for row in rows {
        assert!(number(&row["units"]) >= 1.0 && number(&row["host_ms_per_unit"]) > 0.0, "{row}");
    }
}

/// Books made, read, read whole, worked on, and drawn.
#[test]
fn books() {
    let dir = tempfile::tempdir().expect("a directory");
    let (small, large) = (dir.path().join("small"), dir.path().join("large"));
    for (site, units) in [(&small, 60), (&large, 600)] {
        let units = units.to_string();
        let made = measured(&["book", "make", "--units", &units, "--per-reel", "50", "--dir", text(site)]);
        assert_eq!(made["units"].to_string(), units);
        assert!(number(&made["filled"]["entries"]) > number(&made["units"]) * 2.0, "{made}");
    }
    let reads = measured(&["book", "reads", "--small", text(&small), "--large", text(&large), "--questions", "5"]);
    assert_eq!((number(&reads["small_units"]), number(&reads["large_units"])), (60.0, 600.0));
    for row in reads["rows"].as_array().expect("rows") {
        ratio(&row["ratio"], &row["large"]["median_ms"], &row["small"]["median_ms"]);
        assert!(number(&row["large"]["p99_ms"]) >= number(&row["large"]["first_ms"]), "{row}");
    }
    let wide = measured(&["book", "wide", "--site", text(&large)]);
    let units = |what: &str| {
        let rows = wide["rows"].as_array().expect("rows");
        number(&rows.iter().find(|row| row["what"] == what).unwrap_or_else(|| panic!("{what}"))["units"])
    };
    assert_eq!(units("impact: a reel"), 50.0);
    assert_eq!(units("impact: a certificate"), 1.0);
    assert_eq!(units("impact: the PAI"), 600.0);
    // One unit of a thousand is scrapped: the one of number 500.
    assert_eq!(units("impact: all that passed"), 599.0);
    assert_eq!(units("report: the whole site"), 600.0);
    let host = measured(&[
        "book",
        "host",
        "--large",
        text(&large),
        "--warm",
        "--dir",
        text(dir.path()),
        "--units",
        "3",
        "--rounds",
        "2",
    ]);
    ratio(&host["ratio"], &host["large_ms"], &host["empty_ms"]);
    // Verified with the units that a station added, too.
    let whole = measured(&["book", "whole", "--site", text(&large), "--rounds", "1"]);
    assert_eq!(number(&whole["units"]), 606.0);
    ratio(&whole["verify_ratio"], &whole["verify_seconds"], &whole["all_rows_seconds"]);
    ratio(&whole["reconcile_ratio"], &whole["reconcile_seconds"], &whole["all_rows_seconds"]);
    assert!(in_words(&["book", "whole", "--site", text(&small), "--rounds", "1"]).contains("ratio"));
}

#[test]
fn growth_and_its_picture() {
    let dir = tempfile::tempdir().expect("a directory");
    let (figures, svg) = (dir.path().join("growth"), dir.path().join("scaling.svg"));
    let sizes = ["--sizes", "20,200", "--questions", "3", "--units", "2"];
    let told = measured(&[&["book", "growth", "--dir", text(&figures)], sizes.as_slice()].concat());
    let rows = told["sizes"].as_array().expect("sizes");
    assert_eq!(rows.iter().map(|r| number(&r["units"])).collect::<Vec<_>>(), [20.0, 200.0]);
    assert!(!figures.join("units-200").exists(), "a book is taken away once it is measured");
    measured(&["book", "picture", "--dir", text(&figures), "--svg", text(&svg)]);
    let drawn = std::fs::read_to_string(&svg).expect("a picture");
    for word in ["story", "host", "verify", "reconcile", "KB a unit", "prefers-color-scheme:dark"] {
        assert!(drawn.contains(word), "{word}");
    }
    assert!(!drawn.contains("NaN"), "{drawn}");
}
