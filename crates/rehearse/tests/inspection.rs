//! Receiving inspection on reels and deliveries that were made without this
//! program. Source: `tests/data`, proved by its own `verify_data.py`.

#![cfg(test)]

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use base::course::Course;
use base::findings::SharedFinding;
use receive::delivery::chips::Chips;
use receive::delivery::exposed::Exposed;
use receive::delivery::inspect::{Expectation, Inspection, inspect};
use receive::reel::manifest::{ColumnMap, Manifest, read};
use serde_json::Value;
use standard::certificate::{Builder, Certificate, Profile};
use standard::detect::{Item, detect};
use standard::ids::{ProductId, VendorId};
use standard::key::{Signer, SoftwareKey};
use standard::moment::NO_END;
use standard::name::NameBuilder;

fn data(name: &str) -> PathBuf {
    PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data")).join(name)
}

fn anchor(name: &str) -> Arc<Certificate> {
    match detect(&fs::read(data(name)).unwrap()).unwrap().remove(0) {
        Item::Certificate(c) => c,
        other => panic!("{other:?}"),
    }
}

fn points(manifest: &Manifest) -> Chips {
    Chips::of((1..).zip(&manifest.chips).map(|(place, c)| (*c.key.point(), place, false)))
}

fn inspected(delivery: &str, manifest: &Manifest, paa: &str, product: u16) -> Result<Inspection, String> {
    inspected_at("2026-03-01T12:00:00Z", &data(delivery), manifest, anchor(paa), product)
}

/// A delivery as it arrives at that time.
fn inspected_at(
    now: &str,
    delivery: &Path,
    manifest: &Manifest,
    paa: Arc<Certificate>,
    product: u16,
) -> Result<Inspection, String> {
    let anchors = [(paa, false)];
    let expectation = Expectation {
        chips: &points(manifest),
        chip_ids: &|places| Ok(places.iter().map(|p| manifest.chips[*p as usize - 1].chip_id.clone()).collect()),
        vendor: VendorId::new(0xFFF2).unwrap(),
        product: ProductId::new(product).unwrap(),
        production: false,
        anchors: &anchors,
        pais: &[],
        revoked: &site::revoked::Known::default(),
        exposed: &Exposed::default(),
        elsewhere: &|_| None,
        now: now.parse().unwrap(),
        known: &|_, _| None,
    };
    inspect(delivery, None, &expectation, &Course::new(), &mut |_| ()).map_err(|e| e.to_string())
}

/// What is accepted all the same, and said: certificates that have not begun when they arrive.
#[test]
fn dacs_that_are_not_valid_on_arrival_are_reported() {
    let reel = reel_a();
    let at =
        |now| inspected_at(now, &data("reel-a/delivery.zip"), &reel, anchor("authority/paa-a.pem"), 0x8A21).unwrap();
    let early = at("2001-01-01T00:00:00Z");
    assert_eq!(early.accepted, 400);
    let told: Vec<_> = early.findings.iter().map(|f| (f.finding.rule.name, f.finding.severity.word())).collect();
    assert!(told.contains(&("dac.not-current", "warning")), "{told:?}");
}

/// Whoever holds such a chip could issue certificates.
#[test]
fn a_chip_with_its_issuer_s_key_is_refused_on_arrival() {
    let keys = [SoftwareKey::generate().unwrap(), SoftwareKey::generate().unwrap()];
    let vendor = VendorId::new(0xFFF2).unwrap();
    let names = [
        NameBuilder::new().common_name("Desk PAA").build(),
        NameBuilder::new().common_name("Desk PAI").vendor(vendor).build(),
        NameBuilder::new().common_name("Desk DAC").vendor(vendor).product(ProductId::new(0x8A21).unwrap()).build(),
    ];
    let times = ("2026-01-01T00:00:00Z".parse().unwrap(), NO_END);
    let make = |profile, serial: u8, issuer: usize, subject: usize, key: usize| {
        let id = keys[issuer].public_key().key_id();
        let key = keys[key].public_key();
        let builder = Builder::new(profile, &[serial; 8], (&names[issuer], &id), &names[subject], &key, times);
        builder.sign(&keys[issuer]).unwrap()
    };
    let paa = Arc::new(Certificate::read(&make(Profile::Paa, 0x11, 0, 0, 0)).unwrap());
    for key in [1, 0] {
        let folder = tempfile::tempdir().unwrap();
        fs::write(folder.path().join("pai.der"), make(Profile::Pai, 0x22, 0, 1, 1)).unwrap();
        fs::write(folder.path().join("dac.der"), make(Profile::Dac, 0x33, 1, 2, key)).unwrap();
        let row = format!("chip_id,public_key\nAB01,{}\n", hex::encode(keys[key].public_key().point()));
        let beside = tempfile::tempdir().unwrap();
        let file = beside.path().join("manifest.csv");
        fs::write(&file, row).unwrap();
        let manifest = read(&file, &ColumnMap::default(), &Course::new()).unwrap();
        let refused = inspected_at("2026-03-01T12:00:00Z", folder.path(), &manifest, Arc::clone(&paa), 0x8A21).unwrap();
        let told: Vec<_> = refused.findings.iter().map(|f| (f.finding.rule.name, f.finding.severity.word())).collect();
        assert!(told.contains(&("chain.same-key", "error")), "{key}: {told:?}");
        assert_eq!(refused.accepted, 0, "{key}");
    }
}

fn reel_a() -> Manifest {
    read(&data("reel-a/manifest.csv"), &ColumnMap::default(), &Course::new()).unwrap()
}

#[test]
fn good_reels_and_deliveries_are_accepted_to_the_last_chip() {
    let a = reel_a();
    assert!(a.findings.is_empty() && a.chips.len() == 400);
    let delivery = inspected("reel-a/delivery.zip", &a, "authority/paa-a.pem", 0x8A21).unwrap();
    assert!(delivery.is_clean(), "{:#?}", delivery.findings);
    assert_eq!((delivery.accepted, delivery.without.len(), delivery.pais.len()), (400, 0, 1));

    let map = "chip_id=uid,public_key=spki".parse().unwrap();
    let b = read(&data("reel-b/manifest.ndjson"), &map, &Course::new()).unwrap();
    assert!(b.findings.is_empty() && b.chips.len() == 300);
    let delivery = inspected("reel-b/delivery.tar.gz", &b, "authority/paa-b.pem", 0x8A22).unwrap();
    assert!(delivery.is_clean(), "{:#?}", delivery.findings);
    assert_eq!((delivery.accepted, delivery.without.len()), (300, 0));
    // The other reel's root is no root of these.
    let foreign = inspected("reel-b/delivery.tar.gz", &b, "authority/paa-a.pem", 0x8A22).unwrap();
    assert!(!foreign.is_clean() && foreign.accepted == 0);
}

fn words(f: &SharedFinding) -> String {
    format!("{} {} {} {} {:?}", f.subject, f.finding.rule.name, f.finding.required, f.finding.found, f.chip_id)
}

/// Every item leads to what `faults.json` says, and says what it asks for.
#[test]
fn each_fault_is_named() {
    let faults: Vec<Value> = serde_json::from_slice(&fs::read(data("faulty/faults.json")).unwrap()).unwrap();
    assert!(faults.len() >= 17);
    let manifest = reel_a();
    let mut wrong = Vec::new();
    for fault in &faults {
        let file = format!("faulty/{}", fault["file"].as_str().unwrap());
        let fine = fault["fine"].as_bool().unwrap();
        let (clean, said): (bool, Vec<String>) = if fault["kind"] == "manifest" {
            match read(&data(&file), &ColumnMap::default(), &Course::new()) {
                Ok(m) => {
                    let say = m.findings.iter().map(|f| format!("{} {}", f.subject, f.finding.found)).collect();
                    (m.is_clean(), say)
                }
                Err(error) => (false, vec![error.to_string()]),
            }
        } else {
            match inspected(&file, &manifest, "authority/paa-a.pem", 0x8A21) {
                Ok(i) => (i.is_clean(), i.findings.iter().map(words).collect()),
                Err(error) => (false, vec![error]),
            }
        };
        let text = said.join("\n").to_lowercase();
        let all = fault["says_all"].as_array().unwrap().iter().all(|t| text.contains(t.as_str().unwrap()));
        let any = fault["says_any"]
            .as_array()
            .unwrap()
            .iter()
            .all(|options| options.as_array().unwrap().iter().any(|t| text.contains(t.as_str().unwrap())));
        if clean != fine || !all || !any {
            wrong.push(format!("{file}: clean {clean}, all {all}, any {any}\n{}", &text[..text.len().min(600)]));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

/// With the good part asked for, a doubtful chip gets neither of its two.
#[test]
fn the_good_part_never_holds_a_doubtful_one() {
    let manifest = reel_a();
    for (file, kept) in [
        ("faulty/dac-not-on-reel.tar.gz", 400),
        ("faulty/two-dacs-one-chip.tar.gz", 399),
        ("faulty/three-chips-without.tar.gz", 397),
        ("faulty/other-product-id.tar.gz", 399),
        ("faulty/broken-signature.tar.gz", 399),
        ("faulty/repeated-serial.tar.gz", 398),
        ("faulty/pai-missing.tar.gz", 0),
        ("faulty/pai-without-path-length.tar.gz", 0),
    ] {
        let inspection = inspected(file, &manifest, "authority/paa-a.pem", 0x8A21).unwrap();
        assert_eq!(inspection.accepted, kept, "{file}");
        assert_eq!(inspection.without.len(), 400 - kept, "{file}");
        let keys = inspection.kept_keys().unwrap();
        assert!(keys.is_sorted(), "{file}");
        let on_reel: HashSet<[u8; 65]> = manifest.chips.iter().map(|c| *c.key.point()).collect();
        let chips: HashSet<[u8; 65]> = keys.into_iter().filter(|key| on_reel.contains(key)).collect();
        assert_eq!(chips.len(), kept, "{file}");
    }
}
