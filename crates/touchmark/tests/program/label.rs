//! `touchmark label` from the command line: answers, exit codes, and what is on disk.

use crate::called::{json, touchmark};

/// Worked values, common practice in the trade.
const QR: &str = "MT:Y.K9042C00KA0648G00";
const MANUAL: &str = "3497-011-2332";

#[test]
fn one_unit_by_its_codes_and_many_from_a_file() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let one = ["--unit", "TV-1", "--qr", QR, "--manual", MANUAL, "--product", "Tern Vent", "--vendor", "Tern & Hollow"];
    let print = ["--json", "label", "print", "--template", "carton", "--out", "one.pdf"];
    let output = touchmark(at, &[&print[..], &one[..]].concat());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let answer = json(&output);
    assert_eq!((&answer["labels"], &answer["decoded"], &answer["pages"]), (&1.into(), &1.into(), &1.into()));
    assert_eq!((&answer["file"], &answer["format"], &answer["test"]), (&"one.pdf".into(), &"pdf".into(), &1.into()));
    assert!(answer["module_mm"].as_f64().unwrap() > 0.3 && answer["decoding_share"].as_f64().is_some());

    std::fs::write(at.join("units.csv"), format!("unit,qr,manual,product,vendor\nTV-1,{QR},{MANUAL},Tern Vent,Tern\n"))
        .unwrap();
    let output = touchmark(at, &["label", "print", "--units", "units.csv", "--sheet", "a4", "--out", "sheet.pdf"]);
    let words = String::from_utf8(output.stdout).unwrap();
    assert!(words.starts_with("1 label on 1 page in sheet.pdf\n") && words.contains("TEST – NOT FOR SALE"), "{words}");
}

#[test]
fn a_refused_label_writes_nothing_and_says_what_to_do() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let row = format!("unit,qr,manual,product,vendor\nTV-1,{QR},34970112340,Tern Vent,Tern\n");
    std::fs::write(at.join("units.csv"), row).unwrap();
    std::fs::write(at.join("bad.svg"), "<svg xmlns='http://www.w3.org/2000/svg' onload='x()'/>").unwrap();
    let order = |more: &[&str]| touchmark(at, &[&["--json", "label", "print", "--units", "units.csv"], more].concat());
    for (code, kind, more) in [
        (1, "refused", vec!["--out", "a.pdf"]),
        (2, "usage", vec!["--out", "a.pdf", "--template", "bad.svg"]),
        (2, "usage", vec!["--out", "a.pdf", "--sheet", "a5x"]),
        (2, "usage", vec!["--out", "a"]),
        (2, "usage", vec![]),
    ] {
        let output = order(&more);
        let answer = json(&output);
        assert_eq!((output.status.code(), &answer["error"]["kind"]), (Some(code), &kind.into()), "{more:?}");
        assert!(answer["error"]["advice"].is_string(), "{more:?}: {answer}");
    }
    let left: Vec<_> = std::fs::read_dir(at).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left.len(), 2, "{left:?}");
}

#[test]
fn a_scan_is_checked_against_its_unit() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let rows = format!("unit,qr,manual\nTV-1,{QR},{MANUAL}\nTV-2,MT:Y.K90CEK010O0648G00,34970212338\n");
    std::fs::write(at.join("units.csv"), rows).unwrap();
    let check = |scanned: &str, unit: &str| {
        touchmark(at, &["--json", "label", "check", scanned, "--units", "units.csv", "--unit", unit])
    };
    assert_eq!(check(QR, "TV-1").status.code(), Some(0));
    assert_eq!(check("34970112332\r\n", "TV-1").status.code(), Some(0));
    let other = check(QR, "TV-2");
    assert_eq!((other.status.code(), &json(&other)["belongs_to"]), (Some(1), &"TV-1".into()));
    assert!(!String::from_utf8_lossy(&other.stdout).contains(&QR[3..]));
    let lower = check(&QR.to_lowercase(), "TV-1");
    assert_eq!((lower.status.code(), &json(&lower)["cause"]), (Some(1), &"letter-case".into()));
    assert_eq!(check(QR, "TV-3").status.code(), Some(2));
    assert_eq!(check(" ", "TV-1").status.code(), Some(2));
    let by_codes = touchmark(at, &["label", "check", QR, "--unit", "TV-1", "--qr", QR, "--manual", MANUAL]);
    assert_eq!(by_codes.status.code(), Some(0));
    assert_eq!(String::from_utf8_lossy(&by_codes.stdout), "match: this is the label of unit TV-1, by its QR code\n");
}
