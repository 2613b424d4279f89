//! `touchmark plan`: the contract of its answer, its refusals, its pages, and scipy's opinion.

use std::path::Path;
use std::process::Output;

use serde_json::Value;

use crate::called::{json, touchmark};
use crate::python;

fn call(typed: &[&str]) -> Output {
    touchmark(&std::env::temp_dir(), typed)
}

fn plan(typed: &[&str]) -> Value {
    let done = call(&[&["--json", "plan"], typed].concat());
    assert!(done.status.success(), "{typed:?}: {}", String::from_utf8_lossy(&done.stdout));
    json(&done)
}

#[test]
fn the_usual_question() {
    let typed = ["--good", "50000", "--yield", "0.985", "--takt", "12", "--unit-seconds", "30", "--shift-hours", "7.5"];
    let told = plan(&typed);
    // By scipy.stats.binom: 50,807 give 95.02 %, 50,806 give 94.65 %.
    assert_eq!((told["chips"].as_u64(), told["credentials"].as_u64()), (Some(50_807), Some(50_807)));
    assert_eq!(told["stations"], 3, "30 s of work at a takt of 12 s");
    let hours = told["hours"].as_f64().expect("hours");
    assert!((hours - 50_807.0 * 12.0 / 3600.0).abs() < 1e-6, "{hours}");
    assert_eq!(told["line"]["shifts"], 23);
    assert_eq!(plan(&typed), told, "the same seed");
    let words = call(&[&["plan"], &typed[..]].concat());
    let words = String::from_utf8_lossy(&words.stdout).into_owned();
    for word in ["50,807", "stations", "matters most", "Assumed"] {
        assert!(words.contains(word), "{word} in {words}");
    }
}

#[test]
fn orders_lead_times_and_the_stock() {
    let told = plan(&[
        "--good",
        "20000",
        "--step",
        "solder=0.995",
        "--step",
        "provision=0.99",
        "--takt",
        "10",
        "--reel-chips",
        "3000",
        "--chip-days",
        "28",
        "--credential-days",
        "7",
        "--credential-lot",
        "25000",
        "--stock",
        "9000",
        "--spares",
        "50",
    ]);
    let missing = told["chips"].as_u64().expect("chips") + 50 - 9_000;
    let reels = missing.div_ceil(3_000);
    assert_eq!(told["order"]["reels"], reels);
    assert_eq!(told["order"]["chips"], reels * 3_000);
    assert_eq!(told["order"]["credentials"], (reels * 3_000).max(25_000));
    // 2,880 chips a working day, 25 working days in five weeks: more than all that is wanted.
    assert_eq!(told["stock"]["reorder_at"], told["chips"]);
    assert_eq!(told["stock"]["days_until_reorder"], 0.0);
    assert_eq!(told["stock"]["order_days_before_start"], 35.0);
}

/// The simulated line and the closed form, over lines of many shapes, within 5 %.
#[test]
fn the_simulated_line_agrees() {
    for typed in [
        "--takt 12 --unit-seconds 30",
        "--takt 12 --unit-seconds 30 --variation 0.3",
        "--takt 12 --unit-seconds 30 --attempts 1.1 --variation 0.3",
        "--takt 12 --unit-seconds 30 --availability 0.9 --variation 0.2",
        "--unit-seconds 30",
        "--unit-seconds 30 --stations 4 --variation 0.3 --attempts 1.05",
        "--takt 2 --unit-seconds 30 --stations 5 --variation 0.2",
        "--takt 6",
    ] {
        for good in ["40", "3000", "500000"] {
            let arguments: Vec<&str> =
                ["--good", good, "--yield", "0.97"].into_iter().chain(typed.split(' ')).collect();
            let told = plan(&arguments);
            let simulated = &told["simulated"];
            let apart = simulated["difference"].as_f64().expect("a difference");
            assert!(apart.abs() <= 0.05, "{arguments:?}: {simulated}");
            let (made, chips) = (simulated["good"].as_f64(), told["chips"].as_f64());
            let expected = chips.expect("chips") * 0.97;
            assert!((made.expect("good") - expected).abs() <= 0.05 * expected, "{arguments:?}: {simulated}");
        }
    }
}

#[test]
fn impossible_numbers_are_wrong_usage() {
    for typed in [
        "--good 0 --yield 0.9",
        "--good 10",
        "--good 10 --yield 0",
        "--good 10 --yield -0.5",
        "--good 10 --yield 98.5",
        "--good 10 --yield nan",
        "--good 10 --yield inf",
        "--good 10 --yield 0.9 --confidence 1",
        "--good 10 --yield 0.9 --confidence 0",
        "--good 10 --yield 0.9 --takt 0",
        "--good 10 --yield 0.9 --takt -3",
        "--good 10 --yield 0.9 --unit-seconds 0",
        "--good 10 --yield 0.9 --shift-hours 25",
        "--good 10 --yield 0.9 --shift-hours 9 --shifts-per-day 3",
        "--good 10 --yield 0.9 --availability 0",
        "--good 10 --yield 0.9 --step solder",
        "--good 10 --yield 0.9 --step solder=2",
        "--good 10 --yield 0.9 --attempts 0.5",
        "--good 10 --yield 0.9 --stations 0",
        "--good 10 --yield 0.9 --reel-chips 0",
        "--good 10 --yield 0.9 --bus-hz 12345",
        "--good 10 --yield 0.9 --protected-bus",
        "--good 10 --past-good 3 --past-lost 1",
        "--good 10000000 --yield 0.000000001",
        "--good ten --yield 0.9",
    ] {
        let done = call(&["--json", "plan"].into_iter().chain(typed.split(' ')).collect::<Vec<_>>());
        assert_eq!(done.status.code(), Some(2), "{typed}");
        let told: Value = serde_json::from_slice(&done.stdout).expect("JSON");
        assert_eq!(told["error"]["kind"], "usage", "{typed}");
        assert!(told["error"]["advice"].as_str().is_some_and(|a| !a.is_empty()), "{typed}: {told}");
    }
}

#[test]
fn pages_are_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let (html, pdf) = (folder.path().join("plan.html"), folder.path().join("plan.pdf"));
    let text = |path: &Path| path.to_str().expect("a path").to_owned();
    for paper in ["a4", "letter"] {
        plan(&["--good", "5000", "--yield", "0.98", "--html", &text(&html), "--pdf", &text(&pdf), "--paper", paper]);
        let page = std::fs::read_to_string(&html).expect("a page");
        assert!(page.contains("5,000 good units") && page.matches("<svg").count() >= 5 && !page.contains("NaN"));
        let octets = std::fs::read(&pdf).expect("a PDF");
        assert!(octets.starts_with(b"%PDF-1.7"));
        let count = octets.windows(9).filter(|w| *w == b"/MediaBox").count();
        assert_eq!(count, 1, "one page on {paper}");
        if let Some(interpreter) = python::interpreter() {
            let words =
                [pdf.as_path(), Path::new(paper), Path::new("5,000 good units"), Path::new("What matters most")];
            let said = python::run(&interpreter, "pages.py", &words);
            assert!(said.contains("1 pages read"), "{said}");
        }
    }
    let nowhere = folder.path().join("missing/plan.pdf");
    let done = call(&["--json", "plan", "--good", "5", "--yield", "0.9", "--pdf", &text(&nowhere)]);
    assert_eq!(done.status.code(), Some(2), "{}", String::from_utf8_lossy(&done.stdout));
}

/// Binomial, negative binomial, beta-binomial and Wilson by scipy.
#[test]
fn scipy_says_the_same() {
    let Some(interpreter) = python::interpreter() else { return };
    let said = python::run(&interpreter, "plans.py", &[Path::new(env!("CARGO_BIN_EXE_touchmark"))]);
    assert!(said.contains("all agree"), "{said}");
}
