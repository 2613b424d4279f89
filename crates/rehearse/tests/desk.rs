//! A station as its screen shows it, and who may stand before it.
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use answer::keeping;
use answer::lookup::{Noun, look_up};
use base::Advise;
use base::course::Course;
use book::ids::{ChipId, DeclarationName, StationName, UnitSerial};
use book::{Begin, By, SerialWish};
use examine::explain;
use line::chips::{Bench, FaultLevel, WhichChips};
use line::desk::{Desks, LabelPhase, Phase, Scanned, View};
use line::floor::{self, Fate, SetStation};
use line::{chips, unit};
use receive::{delivery, reel};
use site::access::{Gate, Role, Wish};
use site::{Site, Who, access, authority, clock, declaration, ledger, product, repeat};
use tempfile::TempDir;
use time::{Duration, OffsetDateTime};

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data").join(name)
}

struct Place {
    _folder: TempDir,
    dir: PathBuf,
    who: Who,
}

/// A site with reel A and its delivery, and a station for it.
fn place(serial_start: Option<&str>) -> Place {
    let folder = TempDir::new().unwrap();
    let dir = folder.path().join("site");
    let who = Who::new("Ada").unwrap();
    let (site, _) = Site::create(&dir, site::NewBook::default(), "line 2", None, &who).unwrap();
    authority::adopt(&site, &[data("authority/paa-a.pem")], None, None, &mut authority::nobody, &who).unwrap();
    let (cd, signer) = (data("reel-a/declaration.der"), data("reel-a/declaration-signer.pem"));
    declaration::adopt(&site, &cd, &signer, None, &who).unwrap();
    let description: product::Description =
        toml::from_str("vendor = \"FFF2\"\nproduct = \"8A21\"\ndevice_type = 514\nreach = \"ble\"").unwrap();
    product::add(&site, "Tern Vent", &description, &who).unwrap();
    let map = reel::Options::default();
    reel::receive(&site, &data("reel-a/manifest.csv"), "A", "Tern Vent", &map, &who, &Course::new()).unwrap();
    delivery::receive(&site, &data("reel-a/delivery.zip"), "A", false, None, &who, &Course::new()).unwrap();
    let keys = data("reel-a/simulated-keys.ndjson");
    let which = WhichChips::Keys(&keys);
    chips::simulate(&dir.join("chips"), &which, Some(1), FaultLevel::None, Bench::default(), None).unwrap();
    let setup = SetStation {
        reel: "A".into(),
        source: "simulated:chips".into(),
        serial_start: serial_start.map(str::to_owned),
        takt_seconds: Some(12.0),
        per_hour: 250,
        check_label: true,
        firmware: Some("1.4.0".into()),
    };
    floor::set_station(&site, "S1", &setup, &who).unwrap();
    Place { _folder: folder, dir, who }
}

impl Place {
    /// The stations as a server that has just started has them, with all that they tell.
    fn desks(&self) -> (Desks, Arc<Site>, Arc<Mutex<Vec<View>>>) {
        let site = Arc::new(Site::open(&self.dir).unwrap());
        let told = Arc::new(Mutex::new(Vec::new()));
        let tell = Arc::clone(&told);
        let desks = Desks::new(Arc::clone(&site), None, Box::new(move |v| tell.lock().unwrap().push(v.clone())));
        (desks, site, told)
    }

    fn work(&self, desks: &Desks, typed: &str) -> View {
        match desks.scan("S1", typed, &self.who).unwrap() {
            Scanned::Unit(job) => drop(desks.work(*job)),
            Scanned::Label(_) => {}
        }
        desks.view("S1", &self.who).unwrap()
    }
}

fn code(site: &Site, serial: &str, who: &Who) -> String {
    let told = unit::show(site, serial, Some(None), who).unwrap();
    told.onboarding.unwrap().qr.unwrap()
}

#[test]
fn a_unit_passes_and_its_label_is_scanned() {
    let place = place(None);
    let (desks, site, told) = place.desks();
    assert_eq!(desks.view("S1", &place.who).unwrap().phase, Phase::Ready);
    let nothing = desks.scan("S1", " ", &place.who).map(drop).unwrap_err();
    assert!(nothing.to_string().contains("nothing was scanned"), "{nothing}");
    let passed = place.work(&desks, "TV-1\r\n");
    assert_eq!((passed.phase, passed.label, passed.unit.as_deref()), (Phase::Passed, LabelPhase::Due, Some("TV-1")));
    assert_eq!((passed.count.passed, passed.count.first_pass_percent()), (1, Some(100.0)));
    let told = told.lock().unwrap().clone();
    let steps: Vec<_> = told.iter().filter_map(|v| v.steps.last()).map(|s| (s.name.clone(), s.state)).collect();
    assert!(steps.contains(&("prove".into(), "running")) && steps.contains(&("prove".into(), "done")), "{steps:?}");
    assert!(told.windows(2).all(|w| w[0].number < w[1].number), "each change is newer than the one before");

    // The next unit waits for this one's label; a label of another is told.
    let wrong = place.work(&desks, "MT:Y.K9042C00KA0648G00");
    assert_eq!((wrong.phase, wrong.label), (Phase::Passed, LabelPhase::Mismatched));
    let waits = desks.scan("S1", "", &place.who).map(drop).unwrap_err();
    assert!(waits.to_string().contains("label"), "{waits}");
    assert!(String::from_utf8(desks.label("S1", &place.who).unwrap()).unwrap().contains("<svg"));
    assert_eq!(desks.label_printed("S1", &place.who).unwrap().label, LabelPhase::Printed);
    assert_eq!(place.work(&desks, &code(&site, "TV-1", &place.who)).label, LabelPhase::Checked);
    let acts: Vec<_> = unit::story(&site, "TV-1").unwrap().entries.into_iter().map(|e| e.act).collect();
    let expected = [
        "attempt.begin",
        "attempt.pass",
        "label.check",
        "passcode.reveal",
        "label.print",
        "passcode.reveal",
        "label.check",
    ];
    assert_eq!(acts, expected, "each showing of the passcode is an entry");

    // Left for later, the next one comes; and a serial number that was used goes on with its own chip.
    assert_eq!(place.work(&desks, "TV-2").phase, Phase::Passed);
    assert_eq!(desks.label_later("S1", &place.who).unwrap().label, LabelPhase::Later);
    let code = code(&site, "TV-1", &place.who);
    let scanned = desks.scan("S1", &code, &place.who).map(drop).unwrap_err();
    assert!(scanned.to_string().contains("QR code of a label"), "{scanned}");
    let again = place.work(&desks, "TV-1");
    assert!(again.already && again.phase == Phase::Passed, "{again:?}");
    assert_eq!(again.label, LabelPhase::None);
}

#[test]
fn after_a_restart_it_stands_where_it_stood() {
    let place = place(Some("TV-000001"));
    let (desks, site, _) = place.desks();
    let before = place.work(&desks, "");
    assert_eq!(before.unit.as_deref(), Some("TV-000001"));
    drop(desks);
    let (desks, _, _) = place.desks();
    let after = desks.view("S1", &place.who).unwrap();
    assert_eq!((after.phase, &after.unit, after.label), (before.phase, &before.unit, LabelPhase::Due));
    assert_eq!(after.steps.len(), before.steps.len());
    drop(desks);

    // The program died in the middle of a unit: the intention is in the book, the chip is as it was.
    let free = site.book.chips(&book::ids::ReelId::new("A").unwrap(), 0, 400).unwrap().items;
    let chip: &ChipId = free.iter().find(|c| c.state == book::ChipState::Blank).map(|c| &c.chip_id).unwrap();
    let declared: DeclarationName = site.book.declarations().unwrap()[0].facts.name.clone();
    let serial = UnitSerial::new("TV-000001").unwrap();
    site.book
        .begin_attempt(&Begin {
            declaration: Some(&declared),
            ..Begin::new(
                chip,
                SerialWish::CountFrom(&serial),
                &By::station(place.who.actor.clone(), StationName::new("S1").unwrap(), OffsetDateTime::now_utc()),
            )
        })
        .unwrap();
    let (desks, site, _) = place.desks();
    let left = desks.view("S1", &place.who).unwrap();
    assert_eq!((left.phase, left.unit.as_deref()), (Phase::Interrupted, Some("TV-000002")));
    assert!(left.next.contains("Leave the unit in place"), "{}", left.next);
    let on = place.work(&desks, "");
    assert_eq!((on.phase, on.unit.as_deref(), on.attempt), (Phase::Passed, Some("TV-000002"), Some(2)));
    assert_eq!(on.label, LabelPhase::None, "a unit without onboarding data has no label");
    let counted = answer::account::reconcile(&site, None).unwrap();
    assert!(counted.is_balanced(), "{counted:?}");
    assert_eq!((counted.counts.units.passed, counted.counts.double_use), (2, 0));
}

#[test]
fn stations_take_only_sources_that_are_named() {
    let place = place(None);
    let site = Site::open(&place.dir).unwrap();
    let setup = |source: &str| SetStation { reel: "A".into(), source: source.into(), ..SetStation::default() };
    for source in
        ["command:/bin/sh", "simulated:/etc", "simulated:../other", "pkcs11:token=x?module-path=/tmp/evil.so", ""]
    {
        let refused = floor::set_station(&site, "S1", &setup(source), &place.who).unwrap_err();
        assert_eq!(refused.kind(), base::Kind::Refused, "{source}: {refused}");
    }
    assert_eq!(floor::sources(&site).unwrap(), ["simulated:chips"]);
    let odd = SetStation { serial_start: Some("TV".into()), ..setup("simulated:chips") };
    assert!(floor::set_station(&site, "S1", &odd, &place.who).is_err(), "nothing to count");
}

#[test]
fn the_floor_counts_and_the_tape_tells_fates() {
    let place = place(Some("TV-000001"));
    let (desks, site, _) = place.desks();
    for _ in 0..3 {
        assert_eq!(place.work(&desks, "").phase, Phase::Passed);
        desks.label_later("S1", &place.who).unwrap();
    }
    answer::scrap::unit(&site, "TV-000002", "burnt", false, None, &place.who).unwrap();
    let tape = floor::tape(&site, "A", None, 1_200).unwrap();
    assert_eq!((tape.chips, tape.per_cell, tape.cells.len()), (400, 1, 400));
    assert_eq!(tape.fates, [(Fate::Scrapped, 1), (Fate::Blank, 397), (Fate::Passed, 2)]);
    let coarse = floor::tape(&site, "A", None, 10).unwrap();
    assert_eq!((coarse.per_cell, coarse.cells.len()), (40, 10));
    let scrapped: usize = coarse.cells.iter().filter(|c| c.fate == Fate::Scrapped).map(|c| c.count).sum();
    assert_eq!(scrapped, 1, "the worst of a stretch is what shows");
    let part = floor::tape(&site, "A", Some((390, 9_999)), 100).unwrap();
    assert_eq!((part.from, part.to, part.cells.len()), (390, 400, 11));
    let line = floor::line(&site, OffsetDateTime::now_utc()).unwrap();
    assert_eq!((line.plan, line.stations[0].1.passed, line.hours.len()), (250, 3, 12));
    assert_eq!(line.hours.iter().map(|h| h.passed).sum::<i64>(), 3);
    let stock = &line.stock[0];
    assert_eq!((stock.available, stock.passed_today, stock.test), (397, 3, true), "whatever became of them");
    assert!(stock.hours_left.unwrap() > 0.0);
    // What comes in later is counted too, whoever looks; a day later the shift is another one.
    assert_eq!(place.work(&desks, "").phase, Phase::Passed);
    desks.label_later("S1", &place.who).unwrap();
    let other = Site::open(&place.dir).unwrap();
    for site in [&site, &other] {
        let line = floor::line(site, OffsetDateTime::now_utc()).unwrap();
        assert_eq!((line.stations[0].1.passed, line.stations[0].1.first, line.stock[0].passed_today), (4, 4, 4));
        let later = floor::line(site, OffsetDateTime::now_utc() + Duration::days(1)).unwrap();
        assert_eq!((later.stations[0].1.passed, later.stock[0].passed_today), (0, 0));
        // A clock that is set back again begins anew.
        let line = floor::line(site, OffsetDateTime::now_utc()).unwrap();
        assert_eq!(line.stations[0].1.passed, 4);
    }
    let choices = reel::choices(&site).unwrap();
    assert_eq!((choices[0].reel.as_str(), choices[0].chips, choices[0].without_credential), ("A", 400, 0));
    let (newest, more) = reel::newest(&site, 0, 1).unwrap();
    assert_eq!((newest[0].provisioned, newest[0].scrapped, more), (3, 1, false));
    assert!(reel::newest(&site, 1, 1).unwrap().0.is_empty());
    let (deliveries, more) = delivery::newest(&site, Some("A"), 0, 1).unwrap();
    assert_eq!((deliveries[0].reel.as_str(), more), ("A", false));

    // What its certificates say, and where its proof stands in the log.
    let story = unit::story(&site, "TV-000001").unwrap();
    let dac = explain::certificate(&story.origin.credential.unwrap().certificate, standard::certificate::Profile::Dac);
    assert!(
        dac.iter().any(|f| f.name == "Vendor ID" && f.value == "FFF2" && f.clause == "Core Spec 6.2.2.2"),
        "{dac:?}"
    );
    let declared = explain::declaration(story.proof.as_ref().unwrap().facts.declaration.as_ref().unwrap());
    assert!(declared.iter().any(|f| f.name == "Product IDs" && f.value == "8A21"), "{declared:?}");
    let stands = ledger::place(&site, story.proof.unwrap().entry.0).unwrap().unwrap();
    assert!(stands.fits && stands.size > 10);
    // Verifying changes nothing, so it is no entry.
    let before = ledger::entries(&site, None, 1).unwrap().0[0].sequence;
    assert!(keeping::verify(&site, &[], &Course::new()).unwrap().is_intact());
    let (newest, next) = ledger::entries(&site, None, 5).unwrap();
    assert_eq!((newest.len(), newest[0].sequence, next), (5, before, Some(newest[4].sequence)));
}

#[test]
fn shifts_go_by_the_sites_clock() {
    let place = place(None);
    let mut site = Site::open(&place.dir).unwrap();
    site.settings.pages.offset = "+05:30".into();
    let at = time::macros::datetime!(2026-03-02 00:10 UTC);
    // 05:40 there: the night shift that began at 22:00 the day before.
    assert_eq!(clock::shift_start(&site, at).unwrap(), time::macros::datetime!(2026-03-01 22:00 +05:30));
    assert_eq!(
        clock::shift_start(&site, at + Duration::minutes(20)).unwrap(),
        time::macros::datetime!(2026-03-02 06:00 +05:30)
    );
    assert_eq!(clock::local(&site, at), "2026-03-02 05:40:00 +05:30");
    site.settings.pages.offset = "Paris".into();
    assert!(clock::shift_start(&site, at).is_err());
}

#[test]
fn who_may_come_in() {
    let folder = TempDir::new().unwrap();
    let who = Who::new("Ada").unwrap();
    let (site, _) = Site::create(&folder.path().join("site"), site::NewBook::default(), "line 2", None, &who).unwrap();
    let now = OffsetDateTime::now_utc;
    assert!(access::first(&site, "Ada", "short", now).is_err());
    assert!(access::first(&site, "Adalbert", "adalbert is the password", now).is_err(), "a name is no password");
    let first = access::first(&site, "Ada", "a tern on a hollow post", now).unwrap();
    assert!(access::first(&site, "Eve", "a tern on a hollow post", now).is_err(), "there is one by now");
    let session = access::session(&site, &first.token, now()).unwrap().unwrap();
    assert_eq!((session.account.as_str(), session.role), ("Ada", Role::Engineer));
    let badge = Wish { name: "Olga", role: "operator", badge: Some("BADGE-4711-7C2F-19AB"), ..Wish::default() };
    access::add(&site, &badge, &who).unwrap();
    let auditor = Wish { name: "Otto", role: "auditor", badge: Some("BADGE-4712-7C2F-19AB"), ..Wish::default() };
    assert!(access::add(&site, &auditor, &who).is_err(), "badges are for operators");
    assert!(access::add(&site, &Wish { badge: Some("4711"), name: "Ole", ..badge }, &who).is_err(), "too short");
    assert!(access::add(&site, &Wish { badge: None, name: "Ole", ..badge }, &who).is_err(), "no way to sign in");

    let gate = Gate::default();
    let by_badge = access::sign_in_by_badge(&site, &gate, " BADGE-4711-7C2F-19AB\r\n", "peer", now).unwrap();
    assert_eq!(by_badge.session.account.as_str(), "Olga");
    assert!(access::sign_in_by_badge(&site, &gate, "BADGE-4713-7C2F-19AB", "peer", now).is_err());
    let wrong = access::sign_in(&site, &gate, "Ada", "not the password at all", "peer", now).map(drop).unwrap_err();
    let unknown =
        access::sign_in(&site, &gate, "my pass phrase", "not the password at all", "peer", now).map(drop).unwrap_err();
    assert_eq!(wrong.to_string(), unknown.to_string(), "who has an account is not told");
    access::sign_in(&site, &gate, "Ada", "a tern on a hollow post", "peer", now).unwrap();
    access::change_own(&site, &gate, "a tern on a hollow post", "two terns on a hollow post", &who).unwrap();
    assert!(access::session(&site, &first.token, now()).unwrap().is_none(), "a new password ends all sessions");
    let refused: Vec<_> =
        ledger::entries(&site, None, 50).unwrap().0.into_iter().filter(|e| e.act == "session.refused").collect();
    assert_eq!(refused.len(), 3, "each refusal is an entry");
    // Nothing that opens anything stands in the book.
    let octets = std::fs::read(folder.path().join("site/book.sqlite")).unwrap();
    let wal = std::fs::read(folder.path().join("site/book.sqlite-wal")).unwrap_or_default();
    for secret in
        ["BADGE-4711-7C2F-19AB", "hollow post", "my pass phrase", first.token.as_str(), by_badge.token.as_str()]
    {
        let found = [&octets, &wal].iter().any(|o| o.windows(secret.len()).any(|w| w == secret.as_bytes()));
        assert!(!found, "a secret stands in the clear");
    }
    let taken = |request: &str| repeat::take(&site, "mes", "k", request, now()).unwrap();
    assert_eq!(taken("one"), repeat::Taken::First);
    repeat::keep(&site, "mes", "k", 200, "{}").unwrap();
    assert_eq!((taken("one"), taken("two")), (repeat::Taken::Answered(200, "{}".into()), repeat::Taken::Other));
}

/// A product's series counts at a station that has none of its own; the screen says which number comes next.
#[test]
fn a_station_counts_in_its_products_series() {
    let place = place(None);
    let (desks, site, _) = place.desks();
    assert!(!desks.view("S1", &place.who).unwrap().counted);
    let change = product::Change { serial_series: Some(Some("HL-000001".into())), ..product::Change::default() };
    product::update(&site, "Tern Vent", &change, &place.who).unwrap();
    let ready = desks.view("S1", &place.who).unwrap();
    assert!(ready.counted && ready.serials.is_some_and(|words| words.contains("HL-000001")));
    let refused = desks.scan("S1", "TV-7", &place.who).map(drop).unwrap_err();
    assert!(refused.to_string().contains("TV-7"), "{refused}");
    let passed = place.work(&desks, "");
    assert_eq!((passed.phase, passed.unit.as_deref()), (Phase::Passed, Some("HL-000001")));
    assert!(passed.serials.is_some_and(|words| words.contains("HL-000002")));
    assert_eq!(floor::stations(&site).unwrap()[0].product_series.as_deref(), Some("HL-000001"));
}

/// What is read from a unit, and every name of the site, leads to one thing.
#[test]
fn everything_is_found_in_one_box() {
    let place = place(Some("TV-000001"));
    let (desks, site, _) = place.desks();
    let view = place.work(&desks, "");
    let (unit, chip) = (view.unit.unwrap(), view.chip_id.unwrap());
    let story = unit::story(&site, &unit).unwrap();
    let credential = hex::encode(&story.origin.credential.as_ref().unwrap().serial);
    let paa = site::authority::list(&site).unwrap().into_iter().find(|a| a.role == "paa").unwrap().name;
    let declaration = site.book.declarations().unwrap()[0].facts.name.to_string();
    let delivery = site.book.deliveries(None).unwrap()[0].delivery.to_string();
    for (text, noun, name) in [
        (code(&site, &unit, &place.who), Noun::Unit, &*unit),
        (unit.to_lowercase(), Noun::Unit, &*unit),
        (format!(" {} ", chip.to_lowercase()), Noun::Unit, &*unit),
        (credential, Noun::Unit, &*unit),
        ("s1".into(), Noun::Station, "S1"),
        ("a".into(), Noun::Reel, "A"),
        (delivery.clone(), Noun::Delivery, &*delivery),
        (paa.to_uppercase(), Noun::Authority, &*paa),
        (declaration.clone(), Noun::Declaration, &*declaration),
        ("tern vent".into(), Noun::Product, "Tern Vent"),
        ("DAC.KEY-USAGE".into(), Noun::Rule, "dac.key-usage"),
    ] {
        let found = look_up(&site, &text, None).unwrap();
        let named: Vec<_> = found.hits.iter().map(|h| (h.noun, &*h.name)).collect();
        assert_eq!(named, [(noun, name)], "{text}");
    }
    // The end of a serial number, and a word that several rules have.
    let tail = look_up(&site, &unit[unit.len() - 4..], None).unwrap();
    assert!(tail.hits.iter().any(|h| h.noun == Noun::Unit && h.name == unit), "{tail:?}");
    assert!(look_up(&site, "key-usage", None).unwrap().hits.len() > 1);
    assert!(look_up(&site, "zebra", None).unwrap().hits.is_empty());
    let blank = site.book.chips(&book::ids::ReelId::new("A").unwrap(), 0, 400).unwrap().items;
    let blank = blank.iter().find(|c| c.state == book::ChipState::Blank).unwrap();
    let found = look_up(&site, blank.chip_id.as_str(), None).unwrap().hits;
    assert_eq!((found[0].noun, found[0].place), (Noun::Chip, Some(blank.position)), "{found:?}");
}
