//! What a station learns while it runs: certificates revoked, lists adopted, trust changed.
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::fs;
use std::path::{Path, PathBuf};

use answer::revocation;
use answer::revocation::{Ask, Issue};
use base::Trouble;
use base::course::Course;
use chip::{ChipSource, ObjectName, OpenOptions};
use line::chips::{Bench, FaultLevel, WhichChips};
use line::provision::{Numbers, Provision, Provisioned, Said, UnitResult, provision};
use line::{chips, unit};
use receive::{delivery, reel};
use site::access::Standing;
use site::keys::Typed;
use site::trust::NewSet;
use site::{NewBook, Site, Who, authority, declaration, product, trust};
use standard::certificate::{Builder, Certificate, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::revocation::{ListBuilder, Reason};
use tempfile::TempDir;
use time::OffsetDateTime;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data").join(name)
}

/// An authority with its keys in the test's hands: a PAA, and a PAI below it.
struct House {
    name: &'static str,
    paa: SoftwareKey,
    pai: SoftwareKey,
}

impl House {
    fn new(name: &'static str) -> Self {
        Self { name, paa: SoftwareKey::generate().unwrap(), pai: SoftwareKey::generate().unwrap() }
    }

    fn paa_name(&self) -> Vec<u8> {
        NameBuilder::new().common_name(&format!("{} PAA", self.name)).build()
    }

    fn pai_name(&self) -> Vec<u8> {
        NameBuilder::new().common_name(&format!("{} PAI", self.name)).vendor(vendor()).build()
    }

    fn root(&self) -> Vec<u8> {
        let (name, id) = (self.paa_name(), self.paa.public_key().key_id());
        let key = self.paa.public_key();
        Builder::new(Profile::Paa, &[0x11; 8], (&name, &id), &name, &key, times()).sign(&self.paa).unwrap()
    }

    fn intermediate(&self) -> Vec<u8> {
        let (name, id) = (self.paa_name(), self.paa.public_key().key_id());
        let key = self.pai.public_key();
        Builder::new(Profile::Pai, &[0x22; 8], (&name, &id), &self.pai_name(), &key, times()).sign(&self.paa).unwrap()
    }

    fn dac(&self, serial: u8, key: &PublicKey) -> Vec<u8> {
        let product = ProductId::new(0x8A21).unwrap();
        let subject =
            NameBuilder::new().common_name(&format!("DAC {serial}")).vendor(vendor()).product(product).build();
        let (name, id) = (self.pai_name(), self.pai.public_key().key_id());
        Builder::new(Profile::Dac, &[serial; 8], (&name, &id), &subject, key, times()).sign(&self.pai).unwrap()
    }

    /// A list of the PAI.
    fn list(&self, number: u8, entries: &[(u8, Reason)]) -> Vec<u8> {
        let serials: Vec<[u8; 8]> = entries.iter().map(|(serial, _)| [*serial; 8]).collect();
        let entries: Vec<_> = serials.iter().zip(entries).map(|(s, (_, reason))| (&s[..], now(), *reason)).collect();
        let (name, id) = (self.pai_name(), self.pai.public_key().key_id());
        let dates = (now(), now().plus(86_400));
        ListBuilder::new((&name, &id), dates, &[number], &entries).sign(&self.pai).unwrap()
    }
}

fn vendor() -> VendorId {
    VendorId::new(0xFFF2).unwrap()
}

fn now() -> Moment {
    Moment::from_unix(OffsetDateTime::now_utc().unix_timestamp())
}

fn times() -> (Moment, Moment) {
    (now().plus(-86_400), NO_END)
}

/// A site with a reel of three simulated chips; each has a credential of the house that is named for it.
struct Place {
    folder: TempDir,
    site: Site,
    who: Who,
    /// Chips in the order in which a station takes them.
    chips: Vec<chip::ChipId>,
}

impl Place {
    fn new(houses: [&House; 3]) -> Self {
        let folder = TempDir::new().unwrap();
        let who = Who::new("Ada").unwrap();
        let (site, _) = Site::create(&folder.path().join("site"), NewBook::default(), "line 2", None, &who).unwrap();
        let file = |name: &str, octets: &[u8]| {
            let path = folder.path().join(name);
            fs::write(&path, octets).unwrap();
            path
        };
        for (n, house) in houses.iter().enumerate() {
            if houses[..n].iter().any(|h| h.name == house.name) {
                continue;
            }
            let files = [file("paa.der", &house.root()), file("pai.der", &house.intermediate())];
            let adopted = authority::adopt(&site, &files, None, None, &mut authority::nobody, &who).unwrap();
            assert_eq!(adopted.authorities.len(), 2);
        }
        let (signed, signer) = (data("reel-a/declaration.der"), data("reel-a/declaration-signer.pem"));
        declaration::adopt(&site, &signed, &signer, None, &who).unwrap();
        let description: product::Description =
            toml::from_str("vendor = \"FFF2\"\nproduct = \"8A21\"\ndevice_type = 514\nreach = \"ble\"").unwrap();
        product::add(&site, "Tern Vent", &description, &who).unwrap();
        let manifest = folder.path().join("manifest.csv");
        let which = WhichChips::Count(3);
        let chips_at = folder.path().join("chips");
        chips::simulate(&chips_at, &which, Some(7), FaultLevel::None, Bench::default(), Some(&manifest)).unwrap();
        let map = reel::Options::default();
        reel::receive(&site, &manifest, "R1", "Tern Vent", &map, &who, &Course::new()).unwrap();
        let delivered = folder.path().join("delivery");
        fs::create_dir(&delivered).unwrap();
        let mut place = Self { folder, site, who, chips: Vec::new() };
        place.chips = place.source().present().unwrap();
        for (n, (house, id)) in houses.iter().zip(&place.chips).enumerate() {
            let known = place.site.book.chip(&book::ids::ChipId::new(id.as_str()).unwrap()).unwrap().unwrap();
            let key = PublicKey::from_point(&known.public_key).unwrap();
            let serial = 0x31 + u8::try_from(n).unwrap();
            fs::write(delivered.join(format!("dac-{n}.der")), house.dac(serial, &key)).unwrap();
            fs::write(delivered.join(format!("pai-{}.der", house.name)), house.intermediate()).unwrap();
        }
        let received =
            delivery::receive(&place.site, &delivered, "R1", false, None, &place.who, &Course::new()).unwrap();
        assert_eq!(received.verdict.word(), "accepted", "{received:?}");
        place
    }

    fn source(&self) -> Box<dyn ChipSource> {
        let source = format!("simulated:{}", self.folder.path().join("chips").display());
        source.parse::<chip::Source>().unwrap().open(OpenOptions::default()).unwrap()
    }

    /// A run over all chips; `between` is called after each unit.
    fn run(&self, between: &mut dyn FnMut(&UnitResult)) -> Result<Provisioned, Trouble> {
        let request = Provision::new("R1", "S1", Numbers::CountFrom("TV-1"));
        let mut told = |said: Said<'_>| {
            if let Said::Unit(unit) = said {
                between(unit);
            }
        };
        provision(&self.site, request, self.source().as_mut(), &self.who, &Course::new(), &mut told)
    }

    /// Whether a chip holds nothing at all.
    fn is_empty(&self, n: usize) -> bool {
        let mut source = self.source();
        let mut chip = source.open(&self.chips[n]).unwrap();
        [ObjectName::DAC, ObjectName::PAI, ObjectName::DECLARATION].iter().all(|o| chip.read(o).unwrap().is_none())
    }

    fn revoke(&self, ask: &Ask<'_>) {
        let unlock = Typed::new(String::new()).unwrap();
        let issue = Issue { out: None, days: None, url: None, label: None, unlock: &unlock };
        let done = revocation::revoke(&self.site, ask, &issue, &self.who, Standing::SignedIn).unwrap();
        assert_eq!(done.state, "confirmed");
    }

    fn adopt(&self, list: &[u8]) -> revocation::Adopted {
        let path = self.folder.path().join("list.crl");
        fs::write(&path, list).unwrap();
        revocation::adopt(&self.site, &path, &[], &self.who).unwrap()
    }

    fn credential(&self, n: usize) -> book::Credential {
        let id = book::ids::ChipId::new(self.chips[n].as_str()).unwrap();
        self.site.book.chip_story(&id).unwrap().unwrap().credential.unwrap()
    }

    fn is_whole(&self) {
        let verified = self.site.book.verify(None).unwrap();
        assert!(verified.intact(), "{:?}", verified.damages);
    }
}

const NOTHING: Ask<'_> =
    Ask { units: &[], credentials: &[], authorities: &[], reason: Reason::KeyCompromise, note: None };

#[test]
fn a_pai_revoked_while_a_station_runs_stops_the_next_unit() {
    let house = House::new("Desk");
    let place = Place::new([&house, &house, &house]);
    let mut seen = 0;
    let pais = ["Desk PAI".to_owned()];
    let done = place.run(&mut |_| {
        seen += 1;
        if seen == 1 {
            place.revoke(&Ask { authorities: &pais, ..NOTHING });
        }
    });
    let done = done.unwrap();
    let told: Vec<_> = done.units.iter().map(|u| (u.result.word(), u.cause.as_deref())).collect();
    assert_eq!(told, [("passed", None), ("failed", Some("revoked")), ("failed", Some("revoked"))]);
    let detail = done.units[1].detail.clone().unwrap();
    assert!(detail.contains("PAI") && detail.contains("nothing was written"), "{detail}");
    assert!(!place.is_empty(0) && place.is_empty(1) && place.is_empty(2), "nothing was written into the next chips");
    place.is_whole();
}

#[test]
fn a_dac_revoked_while_a_station_runs_is_not_begun() {
    let house = House::new("Desk");
    let place = Place::new([&house, &house, &house]);
    let mut seen = 0;
    let serials = [hex::encode([0x32; 8])];
    let done = place.run(&mut |_| {
        seen += 1;
        if seen == 1 {
            place.revoke(&Ask { credentials: &serials, ..NOTHING });
        }
    });
    let done = done.unwrap();
    let told: Vec<_> = done.units.iter().map(|u| (u.result.word(), u.cause.as_deref(), u.attempts)).collect();
    assert_eq!(told, [("passed", None, 1), ("failed", Some("credential-revoked"), 0), ("passed", None, 1)]);
    assert!(place.is_empty(1));
    assert_eq!(place.site.book.open_attempts().unwrap(), [], "no unit was begun for it");
    place.is_whole();
}

/// An outside authority's list, adopted while a station runs: refused there, and told in every story.
#[test]
fn an_adopted_list_revokes_here_too() {
    let house = House::new("Desk");
    let place = Place::new([&house, &house, &house]);
    let first = house.list(1, &[(0x31, Reason::KeyCompromise), (0x32, Reason::Superseded), (0x77, Reason::Superseded)]);
    let mut seen = 0;
    let done = place.run(&mut |_| {
        seen += 1;
        if seen == 1 {
            let adopted = place.adopt(&first);
            assert_eq!((adopted.verdict, adopted.known_here.len(), adopted.revoked_now), ("accepted", 2, 2));
            assert_eq!(adopted.known_here[0].unit.as_deref(), Some("TV-1"));
        }
    });
    let done = done.unwrap();
    let told: Vec<_> = done.units.iter().map(|u| (u.result.word(), u.cause.as_deref())).collect();
    assert_eq!(told, [("passed", None), ("failed", Some("credential-revoked")), ("passed", None)]);
    assert!(place.is_empty(1));
    let again = place.adopt(&first);
    assert_eq!((again.verdict, again.revoked_now), ("already-kept", 0), "nothing twice");
    let shown = unit::show(&place.site, "TV-1", None, &place.who).unwrap();
    let credential = shown.credential.unwrap();
    assert_eq!((shown.state.word(), credential.state.word()), ("passed", "revoked"));
    assert_eq!(credential.reason.as_deref(), Some("keyCompromise, by list 01 of Desk PAI"));
    assert_eq!(shown.entries.last().unwrap().act, "credential.revoke", "its story tells of it");
    let account = place.site.book.reconcile(None).unwrap();
    assert_eq!((account.credentials.revoked, account.credentials.installed, account.credentials.available), (2, 1, 0));
    let question = answer::impact::Wanted { reel: Some("R1"), ..Default::default() };
    let mut states = Vec::new();
    answer::impact::impact(&place.site, &question, &mut |u| {
        states.push((u.unit, u.credential_state.word()));
        Ok(())
    })
    .unwrap();
    assert_eq!(states, [("TV-1".to_owned(), "revoked"), ("TV-2".to_owned(), "installed")]);

    // On hold: refused for as long as it is listed, and never marked for good.
    let held = house.list(2, &[(0x31, Reason::KeyCompromise), (0x33, Reason::CertificateHold)]);
    let adopted = place.adopt(&held);
    assert_eq!((adopted.known_here.len(), adopted.revoked_now), (2, 0));
    assert_eq!(place.credential(2).state, book::CredentialState::Installed);
    place.is_whole();
}

#[test]
fn a_trust_set_that_changes_while_a_station_runs_counts_at_once() {
    let house = House::new("Desk");
    let place = Place::new([&house, &house, &house]);
    let (signers, types) = ([data("reel-a/declaration-signer.pem")], [0, 1, 2]);
    let roots = ["Desk PAA".to_owned()];
    let set =
        NewSet { authorities: &roots, signers: &signers, types: &types, test_identities: true, ..NewSet::default() };
    trust::put(&place.site, "Shops", &set, &place.who).unwrap();
    trust::name_for_product(&place.site, "Tern Vent", &["Shops".to_owned()], &place.who).unwrap();
    let mut seen = 0;
    let stopped = place.run(&mut |_| {
        seen += 1;
        if seen == 1 {
            let strict = NewSet { test_identities: false, ..set.clone() };
            trust::put(&place.site, "Shops", &strict, &place.who).unwrap();
        }
    });
    let stopped = stopped.unwrap_err();
    let said = stopped.to_string();
    assert!(said.contains("trust set Shops") && said.contains("chain.test-identity"), "{said}");
    assert_eq!(seen, 1);
    assert!(place.is_empty(1) && place.is_empty(2));
    let unit = book::ids::UnitSerial::new("TV-2").unwrap();
    assert_eq!(place.site.book.unit(&unit).unwrap(), None, "the next unit was not begun");
    place.is_whole();
}

/// A reel with credentials of two houses, of which a set trusts one: each unit is judged by itself.
#[test]
fn a_set_that_trusts_one_of_two_houses_refuses_the_other_s_unit() {
    let (desk, other) = (House::new("Desk"), House::new("Yard"));
    let place = Place::new([&desk, &other, &desk]);
    let (signers, types) = ([data("reel-a/declaration-signer.pem")], [0, 1, 2]);
    let roots = ["Desk PAA".to_owned()];
    let set =
        NewSet { authorities: &roots, signers: &signers, types: &types, test_identities: true, ..NewSet::default() };
    trust::put(&place.site, "Shops", &set, &place.who).unwrap();
    trust::name_for_product(&place.site, "Tern Vent", &["Shops".to_owned()], &place.who).unwrap();
    let done = place.run(&mut |_| {}).unwrap();
    let told: Vec<_> =
        done.units.iter().map(|u| (u.result.word(), u.cause.as_deref(), u.next.map(site::words::Next::word))).collect();
    assert_eq!(told, [("passed", None, None), ("failed", Some("trust-set"), Some("rework")), ("passed", None, None)]);
    let detail = done.units[1].detail.clone().unwrap();
    assert!(detail.contains("Shops") && detail.contains("chain."), "{detail}");
    let state = place.site.book.unit(&book::ids::UnitSerial::new("TV-2").unwrap()).unwrap().unwrap().state;
    assert_eq!(state, book::UnitState::Failed);
    assert_eq!(Certificate::read(&place.credential(1).certificate).unwrap().serial(), [0x32; 8]);
    place.is_whole();
}
