//! `examine` and `specimen write` as a user calls them.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::called::{json, touchmark};

fn specimens(directory: &Path) -> Vec<Value> {
    let out = touchmark(directory, &["specimen", "write", "--out", "set", "--vendor", "FFF2", "--product", "8A21"]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let index: Value = serde_json::from_slice(&fs::read(directory.join("set/index.json")).unwrap()).unwrap();
    index["specimens"].as_array().unwrap().clone()
}

/// The index's own arguments find just what it says, for every set.
#[test]
fn each_specimen_is_found_out() {
    let directory = tempfile::tempdir().unwrap();
    let sets = specimens(directory.path());
    assert!(sets.len() > 100);
    let mut wrong = Vec::new();
    for set in &sets {
        let mut arguments: Vec<&str> = vec!["--json"];
        arguments.extend(set["arguments"].as_array().unwrap().iter().map(|a| a.as_str().unwrap()));
        let out = touchmark(&directory.path().join("set"), &arguments);
        let answer = json(&out);
        let Some(findings) = answer["findings"].as_array() else {
            wrong.push(format!("{}: {answer}", set["folder"]));
            continue;
        };
        let errors: BTreeSet<&str> =
            findings.iter().filter(|f| f["severity"] == "error").map(|f| f["rule"].as_str().unwrap()).collect();
        let mut expected: BTreeSet<&str> =
            set["also"].as_array().unwrap().iter().map(|a| a.as_str().unwrap()).collect();
        if set["severity"] == "error" {
            expected.extend(set["rule"].as_str());
        } else if let Some(rule) = set["rule"].as_str() {
            assert!(findings.iter().any(|f| f["rule"] == rule && f["severity"] == set["severity"]), "{set}");
        }
        let exit = if set["verdict"] == "rejected" { 1 } else { 0 };
        if errors != expected || out.status.code() != Some(exit) || answer["verdict"] != set["verdict"] {
            wrong.push(format!(
                "{}: expected {expected:?}, found {errors:?}, exit {:?}",
                set["folder"],
                out.status.code()
            ));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The same sets with no roles to lean on: every certificate as a plain file,
/// nothing trusted. What was meant to be a PAI must still be taken for one.
#[test]
fn roles_are_told_without_trust() {
    let directory = tempfile::tempdir().unwrap();
    let mut wrong = Vec::new();
    for set in specimens(directory.path()) {
        let rule = set["rule"].as_str().unwrap_or_default();
        if !["dac.", "pai.", "paa."].iter().any(|kind| rule.starts_with(kind)) {
            continue;
        }
        let folder = format!("set/{}", set["folder"].as_str().unwrap());
        let files: Vec<_> = ["dac.der", "pai.der", "paa.der"].map(|f| format!("{folder}/{f}")).into();
        let mut arguments = vec!["--json", "examine"];
        arguments.extend(files.iter().map(String::as_str));
        let answer = json(&touchmark(directory.path(), &arguments));
        let kinds: Vec<_> =
            answer["subjects"].as_array().unwrap().iter().map(|s| s["kind"].as_str().unwrap()).collect();
        let found = answer["findings"].as_array().unwrap().iter().any(|f| f["rule"] == rule);
        if kinds != ["dac", "pai", "paa"] || !found {
            wrong.push(format!("{folder}: {kinds:?}, {rule} found: {found}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn unreadable_input_is_one_error_and_exit_2() {
    let directory = tempfile::tempdir().unwrap();
    let at = |name: &str| directory.path().join(name);
    specimens(directory.path());
    let dac = fs::read(at("set/valid/dac.der")).unwrap();
    fs::write(at("empty"), []).unwrap();
    fs::write(at("blank"), "\n \n").unwrap();
    fs::write(at("truncated.der"), &dac[..dac.len() - 9]).unwrap();
    fs::write(at("text"), "a note").unwrap();
    fs::write(at("random"), (0..4096u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect::<Vec<_>>())
        .unwrap();
    fs::write(at("deep.der"), std::iter::repeat_n([0x30, 0x80], 10_000).flatten().collect::<Vec<u8>>()).unwrap();
    fs::write(at("bad.pem"), "-----BEGIN CERTIFICATE-----\n!!!\n-----END CERTIFICATE-----\n").unwrap();
    fs::write(at("open.pem"), "-----BEGIN CERTIFICATE-----\nMIIB\n").unwrap();
    fs::write(at("other.pem"), "-----BEGIN PARAMETERS-----\nMIIB\n-----END PARAMETERS-----\n").unwrap();
    fs::write(at("half.json"), "{\"elements\":").unwrap();
    fs::create_dir(at("nothing")).unwrap();
    fs::File::create(at("huge")).unwrap().set_len(101 << 20).unwrap();
    for name in [
        "empty",
        "blank",
        "truncated.der",
        "text",
        "random",
        "deep.der",
        "bad.pem",
        "open.pem",
        "other.pem",
        "half.json",
        "nothing",
        "huge",
        "not-there",
        "set/valid/dac-key.pem",
    ] {
        let out = touchmark(directory.path(), &["--json", "examine", name]);
        assert_eq!(out.status.code(), Some(2), "{name}: {}", String::from_utf8_lossy(&out.stdout));
        let error = &json(&out)["error"];
        let message = error["message"].as_str().unwrap();
        assert!(message.contains(name) && error["advice"].is_string(), "{name}: {error}");
        let words = touchmark(directory.path(), &["examine", name]);
        assert_eq!(words.status.code(), Some(2), "{name}");
        assert!(words.stdout.is_empty() && !words.stderr.is_empty(), "{name}");
        assert!(!String::from_utf8_lossy(&words.stderr).contains("panicked"), "{name}");
    }
    // One good file beside it changes nothing: no half answer.
    let out = touchmark(directory.path(), &["--json", "examine", "set/valid/dac.der", "truncated.der"]);
    assert_eq!(out.status.code(), Some(2));
}

#[test]
fn wrong_calls_answer_in_json_too() {
    let directory = tempfile::tempdir().unwrap();
    for arguments in [
        &["--json"][..],
        &["--json", "examine"],
        &["--json", "examine", "x", "--as", "spoon"],
        &["--json", "examine", "x", "--vendor", "FFF5"],
        &["--json", "no-such-command"],
    ] {
        let out = touchmark(directory.path(), arguments);
        assert_eq!(out.status.code(), Some(2), "{arguments:?}");
        assert!(json(&out)["error"]["message"].is_string(), "{arguments:?}");
    }
}

/// What the parser tells a terminal over several lines is all in the one message.
#[test]
fn wrong_calls_name_what_is_missing_and_whose_help_says_more() {
    let directory = tempfile::tempdir().unwrap();
    for (arguments, said, help) in [
        (&["examine"][..], &["required", "<FILE>"][..], "touchmark examine"),
        (&["examine", "x", "--as", "banana"], &["'banana'", "'--as <KIND>'", "dac, pai, paa"], "touchmark examine"),
        (&["examine", "x", "--trus", "y"], &["'--trus'", "'--trust'"], "touchmark examine"),
        (&["examin"], &["'examin'", "'examine'"], "touchmark"),
        (&["product", "add", "P"], &["--vendor <VID>, --product <PID>, ", "--reach"], "touchmark product add"),
        (&["code"], &["subcommand: make, read"], "touchmark code"),
        (
            &["--site", "examine", "--by=code", "unit", "list", "--limit", "x"],
            &["'--limit <N>'"],
            "touchmark unit list",
        ),
        (&[], &["subcommand: rehearse, examine, "], "touchmark"),
    ] {
        let out = touchmark(directory.path(), &[&["--json"], arguments].concat());
        assert_eq!(out.status.code(), Some(2), "{arguments:?}");
        let error = json(&out)["error"].clone();
        let message = error["message"].as_str().unwrap();
        assert!(said.iter().all(|s| message.contains(s)) && !message.contains('\n'), "{arguments:?}: {message}");
        assert!(!message.contains("Usage") && !message.contains("--help"), "{arguments:?}: {message}");
        assert_eq!(error["advice"], format!("See `{help} --help`."), "{arguments:?}");
    }
}

#[test]
fn a_note_in_a_directory_is_passed_over_and_named() {
    let directory = tempfile::tempdir().unwrap();
    specimens(directory.path());
    fs::write(directory.path().join("set/valid/README.txt"), "a note").unwrap();
    let out = touchmark(directory.path(), &["--json", "examine", "set/valid"]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stdout));
    let answer = json(&out);
    let subjects = answer["subjects"].as_array().unwrap();
    assert!(subjects.iter().any(|s| s["name"] == "README.txt" && s["kind"] == "unknown"), "{subjects:?}");
    assert_eq!(answer["anchored"], false);
}

#[test]
fn every_rule_is_listed_with_its_clause() {
    let directory = tempfile::tempdir().unwrap();
    let answer = json(&touchmark(directory.path(), &["--json", "examine", "--rules"]));
    let rules = answer["rules"].as_array().unwrap();
    let names: BTreeSet<_> = rules.iter().map(|r| r["rule"].as_str().unwrap()).collect();
    // The names promised to programs that read our answers.
    let certificate = "encoding size version serial signature-algorithm public-key validity subject vendor-id product-id \
                       issuer basic-constraints key-usage subject-key-id authority-key-id extensions";
    let promised = [
        ("dac", certificate),
        ("pai", certificate),
        ("paa", certificate),
        (
            "chain",
            "length complete issuer-name key-id signature validity vendor-id product-id anchor revoked test-identity",
        ),
        (
            "declaration",
            "encoding structure signer signature elements format-version vendor-id product-list device-type \
             certificate-id security certification-type origin authority-list dac-vendor dac-product authority",
        ),
        ("exchange", "elements nonce signature size declaration"),
        (
            "code",
            "prefix alphabet length version padding passcode discriminator vendor-id product-id flow reach check-digit extra",
        ),
        ("verifier", "iterations salt point mismatch"),
        ("request", "encoding signature public-key subject"),
        ("revocation", "encoding signature issuer number dates"),
    ];
    for (kind, rules) in promised {
        for rule in rules.split_whitespace() {
            assert!(names.contains(format!("{kind}.{rule}").as_str()), "{kind}.{rule}");
        }
    }
    assert!(
        rules.iter().all(|r| !r["clause"].as_str().unwrap().is_empty() && !r["advice"].as_str().unwrap().is_empty())
    );
}
