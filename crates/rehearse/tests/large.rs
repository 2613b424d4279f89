//! Deliveries so long that storing begins before the last DAC is judged.
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;

use answer::keeping;
use base::course::Course;
use book::ids::{DeliveryId, ReelId};
use custody::{Passphrase, WorkFactor};
use receive::{delivery, reel};
use site::product::Description;
use site::{NewBook, Site, Who, authority, product};
use standard::certificate::{Builder, Certificate, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer, SoftwareKey};
use standard::moment::NO_END;
use standard::name::NameBuilder;
use tempfile::TempDir;

/// More than the judges take between two looks.
const CHIPS: usize = 9_000;

struct Place {
    folder: TempDir,
    site: Site,
    who: Who,
    /// Sorted, as they are judged and stored.
    keys: Vec<PublicKey>,
}

fn place() -> Place {
    let folder = TempDir::new().unwrap();
    let who = Who::new("Ada").unwrap();
    let (site, _) = Site::create(&folder.path().join("site"), NewBook::default(), "line 2", None, &who).unwrap();
    let unlock = Passphrase::new("nothing to hide".to_owned()).unwrap();
    for (name, role, issuer) in
        [("P", book::Role::Paa, None), ("I", book::Role::Pai, Some("P")), ("J", book::Role::Pai, Some("P"))]
    {
        let raise = authority::Raise {
            name,
            role,
            vendor: Some(VendorId::new(0xFFF2).unwrap()),
            product: None,
            issuer,
            years: None,
            key: None,
            unlock: &unlock,
            work: WorkFactor::WORTHLESS,
        };
        authority::raise(&site, &raise, &who).unwrap();
    }
    let description: Description =
        toml::from_str("vendor = \"FFF2\"\nproduct = \"8A21\"\ndevice_type = 514\nreach = \"ble\"").unwrap();
    product::add(&site, "Tern Vent", &description, &who).unwrap();
    let mut keys: Vec<PublicKey> = (0..CHIPS).map(|_| SoftwareKey::generate().unwrap().public_key()).collect();
    keys.sort_unstable_by(|a, b| a.point().cmp(b.point()));
    let mut manifest = String::from("chip_id,public_key\n");
    for (number, key) in keys.iter().enumerate().rev() {
        manifest.push_str(&format!("01A0{number:012X},{}\n", hex::encode(key.point())));
    }
    let path = folder.path().join("manifest.csv");
    fs::write(&path, manifest).unwrap();
    let map = reel::Options::default();
    reel::receive(&site, &path, "R", "Tern Vent", &map, &who, &Course::new()).unwrap();
    Place { folder, site, who, keys }
}

impl Place {
    /// A delivery in which `issuer` says whose DAC the key of a number gets, and `spoil` changes one.
    fn zip(&self, name: &str, issuer: impl Fn(usize) -> &'static str, spoil: impl Fn(usize, &mut Vec<u8>)) {
        let unlock = Passphrase::new("nothing to hide".to_owned()).unwrap();
        let mut zip = zip::ZipWriter::new(File::create(self.folder.path().join(name)).unwrap());
        let options = zip::write::SimpleFileOptions::default();
        let pais = ["I", "J"].map(|name| {
            let authority = authority::get(&self.site, name).unwrap();
            let signer = authority::signer(&self.site, &authority, &unlock).unwrap();
            (name, signer, Certificate::read(&authority.facts.certificate).unwrap())
        });
        for (number, key) in self.keys.iter().enumerate() {
            let (_, signer, pai) = pais.iter().find(|(name, ..)| *name == issuer(number)).unwrap();
            let subject = NameBuilder::new()
                .common_name(&format!("Tern Vent {number}"))
                .vendor(VendorId::new(0xFFF2).unwrap())
                .product(ProductId::new(0x8A21).unwrap())
                .build();
            let mut serial = [0x42; 12];
            serial[8..].copy_from_slice(&u32::try_from(number).unwrap().to_be_bytes());
            let from = pai.not_before.moment.unwrap();
            let id = pai.subject_key_id().unwrap();
            let mut der = Builder::new(Profile::Dac, &serial, (pai.subject_der(), id), &subject, key, (from, NO_END))
                .sign(signer.as_ref())
                .unwrap();
            spoil(number, &mut der);
            zip.start_file(format!("{number:05}.der"), options).unwrap();
            zip.write_all(&der).unwrap();
        }
        zip.finish().unwrap();
    }

    fn receive(&self, name: &str, accept_part: bool) -> delivery::Received {
        let path: &Path = &self.folder.path().join(name);
        delivery::receive(&self.site, path, "R", accept_part, None, &self.who, &Course::new()).unwrap()
    }

    fn is_intact(&self) -> bool {
        keeping::verify(&self.site, &[], &Course::new()).unwrap().is_intact()
    }
}

#[test]
fn a_pai_that_comes_last_begins_the_storing_anew() {
    let place = place();
    place.zip("two.zip", |number| if number < CHIPS - 3 { "I" } else { "J" }, |_, _| ());
    let received = place.receive("two.zip", false);
    assert_eq!((received.verdict.word(), received.certificates.accepted), ("accepted", CHIPS));
    let issuers = place.site.book.issuers_of(&ReelId::new("R").unwrap()).unwrap();
    assert_eq!(issuers.iter().map(|name| name.as_str()).collect::<Vec<_>>(), ["I", "J"]);
    let id = DeliveryId::new(received.delivery.as_deref().unwrap()).unwrap();
    let last = place.site.book.credentials(&id, CHIPS as i64 - 1, 10).unwrap().items;
    assert_eq!(last.len(), 1);
    assert_eq!(last[0].public_key, place.keys[CHIPS - 1].point());
    assert!(place.is_intact());
    assert_eq!(place.receive("two.zip", false).verdict.word(), "already-received");
}

#[test]
fn a_fault_in_the_last_one_undoes_what_was_begun() {
    let place = place();
    let spoil = |number: usize, der: &mut Vec<u8>| {
        if number == CHIPS - 2
            && let Some(last) = der.last_mut()
        {
            *last ^= 1;
        }
    };
    place.zip("spoilt.zip", |_| "I", spoil);
    let before = place.site.book.head().unwrap();
    let refused = place.receive("spoilt.zip", false);
    assert_eq!(
        (refused.verdict.word(), refused.certificates.accepted, refused.certificates.read),
        ("refused", 0, CHIPS)
    );
    let said: Vec<_> =
        refused.findings.iter().map(|f| (&*f.finding.rule, f.finding.subject.as_str(), f.count)).collect();
    assert_eq!(said[0], ("chain.signature", "08998.der", 1), "{said:?}");
    assert_eq!(refused.findings[0].chip_id.as_deref(), Some("01A0000000002326"));
    assert_eq!(refused.chips.without, ["01A0000000002326"]);
    assert!(place.site.book.deliveries(None).unwrap().is_empty());
    assert_eq!(place.site.book.head().unwrap(), before);

    let part = place.receive("spoilt.zip", true);
    assert_eq!((part.verdict.word(), part.certificates.accepted), ("accepted-in-part", CHIPS - 1));
    let kept = place.site.book.deliveries(None).unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].verdict.word(), kept[0].certificates_accepted), ("accepted-in-part", CHIPS as i64 - 1));
    let report = kept[0].report.to_string();
    assert!(report.contains("chain.signature"), "the report is that of the end: {report}");
    assert!(place.is_intact());
}
