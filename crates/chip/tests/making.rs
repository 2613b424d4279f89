//! Making simulated chips: from a seed or from keys, all or none.

#![cfg(test)]

use std::fs;

use chip::ChipSource;
use chip::simulated::{Bench, FaultKind, FaultLevel, MakeError, Recipe, Timing, make, read_keys, write_manifest};

mod bench;

use bench::{Folder, recipe};

#[test]
fn the_same_seed_makes_the_same_chips() {
    let (a, b) = (Folder::new(&recipe(20)), Folder::new(&recipe(20)));
    assert_eq!(a.chips, b.chips);
    let other = Folder::new(&Recipe { seed: 43, ..recipe(20) });
    assert!(a.chips.iter().all(|chip| !other.chips.contains(chip)));
    // More chips of one seed begin with the same ones.
    assert_eq!(Folder::new(&recipe(30)).chips[..20], a.chips[..]);
    let present = a.source().present().unwrap();
    assert_eq!(present.len(), 20);
    assert!(present.is_sorted());
}

#[test]
fn faults_lie_in_the_files() {
    let folder = Folder::new(&Recipe { faults: FaultLevel::Harsh, ..recipe(200) });
    for chip in &folder.chips {
        let text = fs::read_to_string(folder.path().join(format!("{}.chip", chip.id))).unwrap();
        let plan = FaultLevel::Harsh.plan(42, &chip.id);
        for fault in &plan {
            let found = match fault.kind {
                FaultKind::LockedAlready => text.contains("\"locked\":true"),
                kind => text.contains(&format!("\"{}\"", kind.word())),
            };
            assert!(found, "{} {fault:?}", chip.id);
        }
        assert!(!plan.is_empty() || text.contains("\"faults\":[]"));
    }
}

#[test]
fn making_is_all_or_nothing() {
    let folder = Folder::new(&recipe(3));
    let before = fs::read_dir(folder.path()).unwrap().count();
    let again = make(folder.path(), &recipe(5));
    assert!(matches!(again, Err(MakeError::Exists { .. })), "{again:?}");
    let other_part = Recipe { seed: 1, bench: Bench { real_time: true, ..Bench::default() }, ..recipe(5) };
    assert!(matches!(make(folder.path(), &other_part), Err(MakeError::OtherBench { .. })));
    let no_pages = Bench { timing: Timing { page_octets: 0, ..Timing::default() }, ..Bench::default() };
    assert!(matches!(make(folder.path(), &Recipe { bench: no_pages, ..recipe(1) }), Err(MakeError::Bench(_))));
    assert!(matches!(make(folder.path(), &recipe(0)), Err(MakeError::Count(0))));
    assert!(matches!(make(folder.path(), &recipe(1_000_001)), Err(MakeError::Count(_))));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), before);
    // Others beside those that are there.
    make(folder.path(), &Recipe { seed: 1, ..recipe(2) }).unwrap();
    assert_eq!(folder.source().present().unwrap().len(), 5);
}

/// RFC 6979 A.2.5 prints the private value and the point of a P-256 key.
#[test]
fn keys_from_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let keys = folder.path().join("keys.ndjson");
    let private = "C9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721";
    fs::write(&keys, format!("\u{feff}{{\"chip_id\":\"0a1b\",\"private_key\":\"{private}\",\"lot\":7}}\r\n\n"))
        .unwrap();
    let chips = folder.path().join("chips");
    let made = make(&chips, &Recipe { keys: read_keys(&keys).unwrap(), ..recipe(0) }).unwrap();
    assert_eq!(made[0].id.as_str(), "0A1B");
    let point = "0460fed4ba255a9d31c961eb74c6356d68c049b8923b61fa6ce669622e60f29fb67903fe1008b8bc99a41ae9e95628bc64f2f1b20c2d7e9f5177a3c294d4462299";
    assert_eq!(hex::encode(made[0].public_key.point()), point);

    let manifest = folder.path().join("manifest.csv");
    write_manifest(&manifest, &made).unwrap();
    assert_eq!(fs::read_to_string(&manifest).unwrap(), format!("chip_id,public_key\n0A1B,{point}\n"));
    assert!(matches!(write_manifest(&manifest, &made), Err(MakeError::ManifestExists { .. })));
}

#[test]
fn keys_that_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let keys = folder.path().join("keys.ndjson");
    let line = |id: &str, key: &str| format!("{{\"chip_id\":\"{id}\",\"private_key\":\"{key}\"}}\n");
    let (one, two) = (format!("{:064x}", 1), format!("{:064x}", 2));
    // FIPS 186-5 (SP 800-186 3.2.1.3): the order of P-256.
    let order = "ffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632551";
    for (name, text, at) in [
        ("no JSON", format!("{}{}", line("01", &one), "chip_id,private_key\n"), 2),
        ("no key", "{\"chip_id\":\"01\"}\n".into(), 1),
        ("no hex", line("01", "zz"), 1),
        ("short", line("01", "01"), 1),
        ("zero", line("01", &"0".repeat(64)), 1),
        ("the order", line("01", order), 1),
        ("an id twice", format!("{}{}", line("0a", &one), line("0A", &two)), 2),
        ("no id", line("chip 1", &one), 1),
        ("a long line", format!("{}\n", "x".repeat(70_000)), 1),
    ] {
        fs::write(&keys, text).unwrap();
        let refused = read_keys(&keys).unwrap_err();
        assert!(matches!(refused, MakeError::Line { line, .. } if line == at), "{name}: {refused:?}");
    }
    fs::write(&keys, "\n\n").unwrap();
    assert!(matches!(read_keys(&keys), Err(MakeError::Count(0))));
    // One key in two chips: they could not be told apart.
    fs::write(&keys, format!("{}{}", line("01", &one), line("02", &one))).unwrap();
    let double = make(&folder.path().join("chips"), &Recipe { keys: read_keys(&keys).unwrap(), ..recipe(0) });
    assert!(matches!(double, Err(MakeError::Double { what: "key", .. })), "{double:?}");
    assert!(!folder.path().join("chips").exists());
    assert!(matches!(read_keys(&folder.path().join("none")), Err(MakeError::File { .. })));
}
