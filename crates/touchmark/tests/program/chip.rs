//! `touchmark chip`, as a user and a program call it.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::called::{self, touchmark};

/// Exit code and the one JSON document.
fn json(folder: &Path, arguments: &[&str]) -> (i32, Value) {
    let output = touchmark(folder, &[&["--json"], arguments].concat());
    (output.status.code().unwrap(), called::json(&output))
}

#[test]
fn simulate_list_check() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let simulate = ["chip", "simulate", "--out", "chips", "--count", "3", "--seed", "5", "--manifest", "reel.csv"];
    let (code, made) = json(at, &simulate);
    assert_eq!((code, &made["chips"], &made["seed"]), (0, &3.into(), &5.into()));
    let manifest = fs::read_to_string(at.join("reel.csv")).unwrap();
    assert_eq!(manifest.lines().count(), 4);
    assert!(manifest.starts_with("chip_id,public_key\n514C"));

    let (code, listed) = json(at, &["chip", "list", "--chips", "simulated:chips"]);
    assert_eq!(code, 0);
    for chip in listed["chips"].as_array().unwrap() {
        let row = format!("{},{}\n", chip["chip_id"].as_str().unwrap(), chip["public_key"].as_str().unwrap());
        assert!(manifest.contains(&row), "{row}");
        assert_eq!(chip["state"], "blank");
    }
    let (_, ids) = json(at, &["chip", "list", "--ids", "--chips", "simulated:chips"]);
    assert_eq!(ids["chips"][2]["chip_id"], listed["chips"][2]["chip_id"]);
    assert!(ids["chips"][2].get("state").is_none());

    let first = listed["chips"][0]["chip_id"].as_str().unwrap();
    let check = ["chip", "check", "--chips", "simulated:chips", "--chip", &first.to_lowercase(), "--lock"];
    let (code, checked) = json(at, &check);
    assert_eq!((code, checked["kept"].as_bool()), (0, Some(true)), "{checked}");
    let words = touchmark(at, &["chip", "list", "--chips", "simulated:chips"]);
    let words = String::from_utf8(words.stdout).unwrap();
    assert!(words.contains("locked") && words.ends_with("3 chips in simulated:chips\n"), "{words}");

    // The locked one is passed over for a blank one.
    let (_, checked) = json(at, &["chip", "check", "--chips", "simulated:chips"]);
    assert_ne!(checked["chip_id"], first);

    // Made again, they are there already; nothing is written.
    let (code, refused) =
        json(at, &["chip", "simulate", "--out", "chips", "--count", "3", "--seed", "5", "--manifest", "again.csv"]);
    assert_eq!((code, refused["error"]["kind"].as_str()), (2, Some("usage")));
    assert!(!at.join("again.csv").exists());
}

#[test]
fn a_broken_promise_exits_1() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    json(at, &["chip", "simulate", "--out", "chips", "--count", "1", "--seed", "5", "--sign-us", "30000000"]);
    let (code, checked) = json(at, &["chip", "check", "--chips", "simulated:chips"]);
    assert_eq!((code, checked["kept"].as_bool()), (1, Some(false)));
    let broken: Vec<_> = checked["promises"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|p| p["outcome"] == "broken")
        .map(|p| &p["promise"])
        .collect();
    assert_eq!(broken, ["in-time"]);
}

#[test]
fn what_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    fs::create_dir(at.join("empty")).unwrap();
    fs::write(at.join("keys.ndjson"), "{\"chip_id\":\"01\",\"private_key\":\"secret-here\"}\n").unwrap();
    fs::write(at.join("taken.csv"), "x").unwrap();
    for arguments in [
        &["chip", "list", "--chips", "usb:1"][..],
        &["chip", "list", "--chips", "simulated:none"],
        &["chip", "check", "--chips", "simulated:empty"],
        &["chip", "list", "--chips", "pkcs11:token=x?pin-value=secret-here"],
        &["chip", "simulate", "--out", "chips"],
        &["chip", "simulate", "--out", "chips", "--count", "0"],
        &["chip", "simulate", "--out", "chips", "--count", "1", "--keys", "keys.ndjson"],
        &["chip", "simulate", "--out", "chips", "--keys", "keys.ndjson"],
        &["chip", "simulate", "--out", "chips", "--keys", "none.ndjson"],
        &["chip", "simulate", "--out", "chips", "--count", "1", "--bus-hz", "0"],
        &["chip", "simulate", "--out", "chips", "--count", "1", "--manifest", "taken.csv"],
    ] {
        let (code, refused) = json(at, arguments);
        assert_eq!((code, refused["error"]["kind"].as_str()), (2, Some("usage")), "{arguments:?}: {refused}");
        assert!(!refused.to_string().contains("secret-here"), "{arguments:?}");
        assert!(!at.join("chips").exists(), "{arguments:?}");
    }
}
