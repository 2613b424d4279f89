//! Chips loaded with the keys of reels that others made: the manifest comes out
//! as the one that they sent.

#![cfg(test)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use chip::simulated::{Bench, FaultLevel, Recipe, SimulatedSource, make, read_keys, write_manifest};
use chip::{ChipSource, ObjectName};

fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data")
}

#[test]
fn reel_a_gives_its_manifest() {
    let data = data();
    let folder = tempfile::tempdir().unwrap();
    let keys = read_keys(&data.join("reel-a/simulated-keys.ndjson")).unwrap();
    let recipe = Recipe { keys, seed: 0, faults: FaultLevel::None, bench: Bench::default() };
    let made = make(folder.path(), &recipe).unwrap();
    assert_eq!(made.len(), 400);
    let manifest = folder.path().join("manifest.csv");
    write_manifest(&manifest, &made).unwrap();
    let lines = |path: &Path| {
        let text = fs::read_to_string(path).unwrap();
        let mut lines: Vec<_> = text.lines().map(str::to_owned).collect();
        lines.sort();
        lines
    };
    assert_eq!(lines(&manifest), lines(&data.join("reel-a/manifest.csv")));
}

#[test]
fn reel_b_chips_sign_with_the_keys_of_its_manifest() {
    let data = data();
    let folder = tempfile::tempdir().unwrap();
    let keys = read_keys(&data.join("reel-b/simulated-keys.ndjson")).unwrap();
    let recipe = Recipe { keys, seed: 0, faults: FaultLevel::None, bench: Bench::default() };
    make(folder.path(), &recipe).unwrap();
    // Members of a line: uid, spki (base64 of a SubjectPublicKeyInfo, which ends in the point).
    let manifest = fs::read_to_string(data.join("reel-b/manifest.ndjson")).unwrap();
    let told: BTreeMap<String, String> = manifest
        .lines()
        .map(|line| {
            let line: serde_json::Value = serde_json::from_str(line).unwrap();
            (line["uid"].as_str().unwrap().to_uppercase(), line["spki"].as_str().unwrap().to_owned())
        })
        .collect();
    let mut source = SimulatedSource::open(folder.path(), None).unwrap();
    let present = source.present().unwrap();
    assert_eq!(present.iter().map(|id| id.as_str()).collect::<Vec<_>>(), told.keys().collect::<Vec<_>>());
    for id in present.iter().take(20) {
        let mut chip = source.open(id).unwrap();
        let key = chip.public_key().unwrap();
        // RFC 5480: a SubjectPublicKeyInfo ends in the point.
        assert!(spki(&told[id.as_str()]).ends_with(key.point()), "{id}");
        assert!(key.verifies_raw(b"nonce", &chip.sign(b"nonce").unwrap()));
        chip.write(&ObjectName::DAC, b"x").unwrap();
    }
}

/// Octets of a base64 text, by way of a PEM block (RFC 7468).
fn spki(base64: &str) -> Vec<u8> {
    let lines: Vec<_> = base64.as_bytes().chunks(64).map(|line| std::str::from_utf8(line).unwrap()).collect();
    let pem = format!("-----BEGIN PUBLIC KEY-----\n{}\n-----END PUBLIC KEY-----\n", lines.join("\n"));
    pem_rfc7468::decode_vec(pem.as_bytes()).unwrap().1
}
