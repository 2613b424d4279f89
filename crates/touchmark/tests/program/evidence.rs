//! Evidence packs: whole ones hold for us and for a checker that is not ours, and no octet
//! of one can change without its being found.

use std::fs;
use std::path::Path;
use std::process::Command;

use answer::evidence::{Checked, check};
use at_site::engine::Engine;
use at_site::rehearsed::Rehearsed;
use at_site::text;
use serde_json::json;

use crate::{at_site, python};

on_both_engines! {
    packs_hold_and_nothing_in_them_can_change,
}

/// The names in an archive's local headers, with where their octets begin and how many there are.
fn files(pack: &[u8]) -> Vec<(String, usize, usize)> {
    let number = |at: usize, octets: usize| pack[at..at + octets].iter().rev().fold(0, |n, o| n << 8 | usize::from(*o));
    let (mut at, mut out) = (0, Vec::new());
    while pack[at..].starts_with(b"PK\x03\x04") {
        let (size, name) = (number(at + 18, 4), number(at + 26, 2));
        assert_eq!(number(at + 28, 2), 0, "no extra field");
        let data = at + 30 + name;
        out.push((String::from_utf8(pack[at + 30..data].to_vec()).expect("a name"), data, size));
        at = data + size;
    }
    out
}

fn altered(checked: &Checked) -> Vec<&str> {
    checked.altered.iter().map(|a| a.file.as_str()).collect()
}

fn is_whole_for_python(python: &Path, pack: &Path, key: &Path) -> bool {
    let script = python::root().join("examples/check_evidence.py");
    let done = Command::new(python).arg("-B").arg(script).args([pack, key]).output().expect("the interpreter starts");
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success() || said.starts_with("altered"), "{said}");
    assert!(!said.contains("Traceback"), "{said}");
    done.status.success()
}

fn packs_hold_and_nothing_in_them_can_change(engine: &Engine) {
    let site = Rehearsed::on(engine, 3);
    // The rehearsal left one.
    let evidence = site.site().join("evidence");
    let (_, left) = site.call(&[
        "evidence",
        "check",
        text(&evidence.join("pack.zip")),
        "--key",
        text(&evidence.join("pack-key.pem")),
    ]);
    assert_eq!((&left["verdict"], &left["units"], &left["proven"]), (&json!("whole"), &json!(3), &json!(3)), "{left}");

    let (pack, key) = (site.file("pack.zip"), site.file("pack-key.pem"));
    let made = site.done(&["evidence", "export", "TV-000001", "TV-000002", "--out", text(&pack)]);
    assert_eq!((&made["key"], &made["units"]), (&json!(text(&key)), &json!(2)), "{made}");
    let whole = site.done(&["evidence", "check", text(&pack), "--key", text(&key)]);
    assert_eq!(
        (&whole["verdict"], &whole["proven"], &whole["test"]),
        (&json!("whole"), &json!(2), &json!(true)),
        "{whole}"
    );
    assert_eq!((&whole["entries"], &whole["root"]), (&made["entries"], &made["root"]));
    for (case, typed, units) in
        [("reel", vec!["--reel", "R1"], 3), ("period", vec!["--from", "2020-01-01"], 3), ("all", vec!["--all"], 3)]
    {
        let out = site.file(&format!("{case}.zip"));
        let made = site.done(&[&["evidence", "export"], &typed[..], &["--out", text(&out)]].concat());
        assert_eq!(made["units"], units, "{case}: {made}");
        let key = made["key"].as_str().expect("a key").to_owned();
        assert_eq!(site.done(&["evidence", "check", text(&out), "--key", &key])["verdict"], "whole", "{case}");
    }
    for typed in [&["TV-000099"][..], &["--reel", "Z"], &["--to", "2020-01-01"], &[]] {
        let out = site.file("none.zip");
        let (exit, answer) = site.call(&[&["evidence", "export"], typed, &["--out", text(&out)]].concat());
        assert_eq!((exit, out.exists()), (Some(2), false), "{typed:?}: {answer}");
    }
    let (exit, _) = site.call(&["evidence", "export", "TV-000001", "--out", text(&pack)]);
    assert_eq!(exit, Some(2), "never over what is there");

    let octets = fs::read(&pack).expect("a pack");
    no_passcode(&site, &octets);
    every_octet_counts(&site, &octets, &key);
    a_lost_key_is_not_replaced(&site);
    another_site_s_key_is_refused(&site, engine);
    other_than_octets(engine, &site, &octets, &key);
    let account = site.done(&["reconcile"]);
    assert_eq!(account["log"]["intact"], true, "{account}");
}

/// Neither the passcode nor what it could be found from. Entries are stored, so looking is enough.
fn no_passcode(site: &Rehearsed, octets: &[u8]) {
    let has = |needle: &[u8]| octets.windows(needle.len()).any(|w| w == needle);
    assert!(has(b"TV-000001") && has(b"\"passcode\": \"hidden\""), "looking finds what is there");
    for unit in ["TV-000001", "TV-000002"] {
        let told = site.done(&["unit", "show", unit, "--reveal"]);
        let onboarding = &told["onboarding"];
        let passcode = onboarding["passcode"].as_str().expect("a passcode");
        let number: u32 = passcode.parse().expect("a number");
        for text in
            [passcode, onboarding["qr"].as_str().expect("a code"), onboarding["manual"].as_str().expect("a code")]
        {
            assert!(!has(text.as_bytes()), "{unit}: {text}");
        }
        assert!(!has(format!("\"passcode\": {number}").as_bytes()), "{unit}");
    }
    for word in ["verifier", "salt", "rotating", "pkcs11:", "file:keys"] {
        assert!(!has(word.as_bytes()), "{word}");
    }
}

/// Another key that signs heads would make all that was signed before look altered.
fn a_lost_key_is_not_replaced(site: &Rehearsed) {
    let (key, away) = (site.site().join("keys/log.key"), site.file("log.key"));
    fs::rename(&key, &away).expect("moved");
    let entries = || site.done(&["reconcile"])["log"]["entries"].clone();
    let before = entries();
    for typed in [&["evidence", "export", "--all", "--out", text(&site.file("lost.zip"))][..], &["book", "head"]] {
        let (exit, answer) = site.call(typed);
        assert_eq!((exit, key.exists()), (Some(3), false), "{typed:?}: {answer}");
        assert!(answer["error"]["message"].as_str().is_some_and(|m| m.contains("keys/log.key")), "{answer}");
    }
    assert_eq!(entries(), before);
    fs::rename(&away, &key).expect("moved back");
    assert_eq!(site.done(&["book", "verify"])["verdict"], "intact");
}

/// Nothing is sealed with another site's key, which could not be opened once the right one is back.
fn another_site_s_key_is_refused(site: &Rehearsed, engine: &Engine) {
    let other = Rehearsed::empty(engine);
    let (key, away) = (site.site().join("keys/site.key"), site.file("site.key"));
    fs::rename(&key, &away).expect("moved");
    fs::copy(other.site().join("keys/site.key"), &key).expect("copied");
    let source = format!("simulated:{}", text(&site.site().join("chips")));
    for typed in [
        &["provision", "--reel", "R1", "--station", "S", "--chips", &source][..],
        &["evidence", "export", "--all", "--out", text(&site.file("other.zip"))],
    ] {
        let (exit, answer) = site.call(typed);
        assert_eq!(exit, Some(3), "{typed:?}: {answer}");
        assert!(answer["error"]["message"].as_str().is_some_and(|m| m.contains("not this site's key")), "{answer}");
    }
    fs::rename(&away, &key).expect("moved back");
}

/// A flip anywhere is found; one inside a file names the file.
fn every_octet_counts(site: &Rehearsed, octets: &[u8], key: &Path) {
    let path = site.file("flipped.zip");
    let flipped = |at: usize, bit: u8| {
        let mut changed = octets.to_vec();
        changed[at] ^= bit;
        fs::write(&path, &changed).expect("written");
        check(&path, key).expect("an answer")
    };
    let all = files(octets);
    assert!(all.len() > 12, "{all:?}");
    for (name, data, size) in &all {
        for at in [*data, data + size / 2, data + size - 1] {
            let told = flipped(at, 0x20);
            let named = if name == "manifest.sig" { "manifest.json" } else { name };
            assert_eq!((told.verdict, altered(&told)), ("altered", vec![named]), "octet {at} of {name}");
        }
        // Its header: name, dates, sizes, flags.
        for at in data - 30 - name.len()..*data {
            assert_eq!(flipped(at, 1).verdict, "altered", "octet {at}, in the header of {name}");
        }
    }
    // The directory of files, the end record, the comment and the seal, octet by octet.
    let (_, data, size) = all.last().expect("a file");
    for at in data + size..octets.len() {
        let told = flipped(at, if at % 2 == 0 { 0x20 } else { 1 });
        assert_eq!(told.verdict, "altered", "octet {at} of {}", octets.len());
    }
    // The other spelling of the same signature, (r, n - s), which verifies as well (SP 800-186 §3.2.1.3 for n).
    let start = octets.len() - 64;
    let s = hex::decode(&octets[start..]).expect("the seal ends in s");
    let n = hex::decode("FFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551").expect("hex");
    let (mut other, mut borrow) = ([0u8; 32], 0i16);
    for at in (0..32).rev() {
        let left = i16::from(n[at]) - i16::from(s[at]) - borrow;
        borrow = i16::from(left < 0);
        other[at] = left.rem_euclid(256) as u8;
    }
    let mut respelt = octets.to_vec();
    respelt[start..].copy_from_slice(hex::encode(other).as_bytes());
    fs::write(&path, &respelt).expect("written");
    assert_eq!(check(&path, key).expect("an answer").verdict, "altered", "a seal has one spelling");
    // And all over it.
    for at in (0..octets.len()).step_by(211) {
        assert_eq!(flipped(at, 0x80).verdict, "altered", "octet {at}");
    }
    if let Some(python) = python::interpreter() {
        fs::write(&path, octets).expect("written");
        assert!(is_whole_for_python(&python, &path, key), "whole for the other checker");
        for at in (0..octets.len()).step_by(octets.len() / 24).chain(octets.len() - 140..octets.len() - 120) {
            flipped(at, 0x20);
            assert!(!is_whole_for_python(&python, &path, key), "octet {at}, for the other checker");
        }
    }
}

/// What else can be done to an archive.
fn other_than_octets(engine: &Engine, site: &Rehearsed, octets: &[u8], key: &Path) {
    let path = site.file("changed.zip");
    let python = python::interpreter();
    let found = |case: &str, changed: &[u8], named: Option<&str>| {
        fs::write(&path, changed).expect("written");
        let told = check(&path, key).unwrap_or_else(|e| panic!("{case}: {e}"));
        assert_eq!(told.verdict, "altered", "{case}: {:?}", told.altered);
        if let Some(named) = named {
            assert!(altered(&told).contains(&named), "{case}: {:?}", told.altered);
        }
        if let Some(python) = &python {
            assert!(!is_whole_for_python(python, &path, key), "{case}, for the other checker");
        }
    };
    found("an octet behind it", &[octets, &[0]].concat(), None);
    found("an octet before it", &[&[0], octets].concat(), None);
    found("cut off", &octets[..octets.len() - 1], None);
    found("cut in half", &octets[..octets.len() / 2], None);
    found("its seal alone", &octets[octets.len() - 128..], None);
    found("empty", &[], None);
    found("no archive", &[7; 4096], None);
    // By a common tool: files added, twice, compressed, taken out; sizes that are lies.
    if let Some(python) = &python {
        for (case, named) in [
            ("added", Some("units/TV-000009/record.json")),
            ("twice", Some("units/TV-000001/record.json")),
            ("compressed", None),
            ("removed", Some("units/TV-000002/proof.json")),
            ("swapped", Some("units/TV-000001/dac.der")),
            ("bomb", None),
            ("comment", None),
            ("counts", None),
        ] {
            fs::write(site.file("whole.zip"), octets).expect("written");
            let script = python::root().join("tests/outside/packs.py");
            let done = Command::new(python)
                .arg("-B")
                .arg(script)
                .args([Path::new(case), &site.file("whole.zip"), &site.file("made.zip")])
                .output()
                .expect("the interpreter starts");
            assert!(done.status.success(), "{case}: {}", String::from_utf8_lossy(&done.stderr));
            found(case, &fs::read(site.file("made.zip")).expect("made"), named);
        }
    }
    // Another site's key; a key that is none; a pack that is none.
    let other = Rehearsed::on(engine, 1);
    fs::write(&path, octets).expect("written");
    let told = check(&path, &other.file("site/keys/log.pem")).expect("an answer");
    assert_eq!(told.verdict, "altered");
    let (exit, answer) = site.call(&["evidence", "check", text(&path), "--key", text(&path)]);
    assert_eq!(exit, Some(2), "{answer}");
    let (exit, answer) = site.call(&["evidence", "check", text(&site.file("nothing.zip")), "--key", text(key)]);
    assert_eq!(exit, Some(2), "{answer}");
    fs::write(&path, &octets[1..]).expect("written");
    let (exit, answer) = site.call(&["evidence", "check", text(&path), "--key", text(key)]);
    assert_eq!((exit, &answer["verdict"]), (Some(1), &json!("altered")), "{answer}");
}
