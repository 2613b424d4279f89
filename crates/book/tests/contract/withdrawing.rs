//! What is taken back while nothing depends on it, and what is corrected.

use book::ids::{DeclarationName, FirmwareVersion, ProductName};
use book::{
    Begin, Book, DamageKind, DeclarationOrigin, DependsError, NewAuthority, NewDeclaration, NewProduct, NewReel,
    Purpose, SerialWish, StationSetup, Stored, Subject,
};
use serde_json::json;

use crate::support::*;

fn intact(book: &Book, case: &str) {
    let verified = book.verify(None).expect("verifies");
    assert!(verified.intact(), "{case}: {:#?}", verified.damages);
}

fn refused(error: &DependsError, words: &[&str]) {
    let said = format!("{error} {}", error.advice());
    assert!(matches!(error, DependsError::Depends { .. }), "{said}");
    for word in words {
        assert!(said.contains(word), "{word} in {said}");
    }
}

fn sold() -> NewProduct {
    NewProduct {
        name: ProductName::new("Tern Damper").expect("a name"),
        purpose: Purpose::Production,
        vendor_id: 0x5A10,
        ..product()
    }
}

/// A reel, its order, its station and its delivery, all under the wrong product and purpose; taken back.
fn taken_back(engine: &Engine<'_>) -> Site {
    let site = engine.site().stocked(5);
    let book = &site.book;
    book.record_order(&reel_id("REEL-A"), "order.csv", &[1; 32], &book::Places::of(1..=5), &by()).expect("recorded");
    let setup = StationSetup {
        station: on("S1", 0).station.expect("a station"),
        reel: reel_id("REEL-A"),
        source: "simulated:chips".into(),
        serial_start: None,
        takt_ms: 0,
        per_hour: 0,
        check_label: false,
        firmware: Some(FirmwareVersion::new("1.0").expect("a version")),
    };
    book.set_station(&setup, &by()).expect("set up");

    refused(&book.withdraw_reel(&reel_id("REEL-A"), &by()).expect_err("a delivery"), &["1 delivery (D-1)", "depends"]);
    refused(&book.withdraw_authority(&pai().name, &by()).expect_err("a delivery"), &["1 delivery (D-1)"]);
    refused(&book.withdraw_authority(&paa().name, &by()).expect_err("a PAI"), &["1 authority (Quarry Lane PAI 1)"]);
    let head = book.head().expect("a head");
    let nothing = book.withdraw_reel(&reel_id("NONE"), &by()).expect_err("no such reel");
    assert!(matches!(nothing, DependsError::Unknown { .. }), "{nothing}");
    assert_eq!(book.head().expect("a head"), head, "what was refused left no entry");

    let done = book.withdraw_delivery(&delivery("D-1", "REEL-A").delivery, &by()).expect("withdrawn");
    assert_eq!((done.reel.as_str(), done.certificates), ("REEL-A", 5));
    assert_eq!(done.authorities, ["Quarry Lane PAI 1"], "the PAI that came with it");
    intact(book, "without the delivery");
    let done = book.withdraw_reel(&reel_id("REEL-A"), &by()).expect("withdrawn");
    assert_eq!((done.product.as_str(), done.chips), ("Tern Vent", 5));
    assert_eq!((done.orders, done.stations), (vec!["order.csv".to_owned()], vec!["S1".to_owned()]));
    intact(book, "without the reel");
    book.withdraw_authority(&paa().name, &by()).expect("withdrawn");
    intact(book, "without the root");
    assert_eq!(book.authorities().expect("asks"), []);
    assert_eq!(book.reels().expect("asks"), []);
    assert_eq!(book.chip(&chip(0).chip_id).expect("asks"), None);
    site
}

/// The same again, right this time: ids, keys, names, certificates and digests are free.
fn received_right(site: &Site) {
    let book = &site.book;
    book.add_product(&sold(), &by()).expect("a product");
    book.add_authority(&NewAuthority { purpose: Purpose::Production, ..paa() }, &by()).expect("adopted again");
    let reel = NewReel { product: sold().name, ..new_reel("REEL-A") };
    book.receive_reel(&reel, (0..5).map(chip).map(fine), &by()).expect("received again");
    let mut new = delivery("D-1", "REEL-A");
    new.authorities = vec![NewAuthority { purpose: Purpose::Production, ..pai() }];
    let stored = book.store_delivery(&new, (0..5).map(credential).map(fine), &by()).expect("stored again");
    assert!(matches!(stored, Stored::New { accepted: 5, .. }), "{stored:?}");
}

pub fn what_nothing_depends_on_is_withdrawn(engine: &Engine<'_>) {
    let site = taken_back(engine);
    received_right(&site);
    intact(&site.book, "received again");
    // The log says what was withdrawn.
    let entries = site.book.entries_about(&Subject::Reel(reel_id("REEL-A"))).expect("asks");
    let withdrawal = entries.iter().find(|e| e.act == "reel.withdraw").expect("an entry").body().expect("a body");
    assert_eq!((&withdrawal["product"], &withdrawal["chips"]), (&json!("Tern Vent"), &json!(5)), "{withdrawal}");
    assert_eq!(withdrawal["source"]["sha256"], hex(&new_reel("REEL-A").source_digest), "{withdrawal}");
    // From the first unit on it stays, here and under the hands of anybody with the database.
    let unit = site.provision(0, "S1");
    let unit = unit.as_str();
    let delivered = delivery("D-1", "REEL-A").delivery;
    refused(&site.book.withdraw_delivery(&delivered, &by()).expect_err("a unit"), &["1 unit", unit]);
    let reel = site.book.withdraw_reel(&reel_id("REEL-A"), &by()).expect_err("a unit");
    refused(&reel, &["1 delivery", "1 unit", unit, "It stays in the book"]);
    assert!(!reel.advice().contains("Withdraw delivery"), "{}", reel.advice());
    let paa = site.book.withdraw_authority(&paa().name, &by()).expect_err("a unit");
    refused(&paa, &["1 authority", "1 unit", unit, "It stays in the book"]);
    let mut raw = engine.raw(&site.place);
    for sql in [
        "DELETE FROM reel",
        "DELETE FROM chip WHERE state = 'blank'",
        "DELETE FROM credential WHERE state = 'available'",
        "DELETE FROM delivery_authority",
        "DELETE FROM delivery",
        "DELETE FROM authority",
        "DELETE FROM withdrawn",
        "UPDATE withdrawn SET entry = entry + 100",
    ] {
        let failed = raw.attempt(sql).expect_err(sql);
        assert!(failed.contains("removed from the book") || failed.contains("stands"), "{sql}: {failed}");
    }
    intact(&site.book, "with a unit");
    let copied = site.book.copy_to(&engine.place().location, None, &|_, _, _| true);
    let verification = copied.expect("copied").1.verification;
    assert!(verification.intact(), "a copy: {:#?}", verification.damages);
}

pub fn a_withdrawal_hides_no_damage(engine: &Engine<'_>) {
    let site = taken_back(engine);
    received_right(&site);
    let withdrawn = site.book.entries_about(&Subject::Reel(reel_id("REEL-A"))).expect("asks");
    let withdrawn = withdrawn.iter().find(|e| e.act == "reel.withdraw").expect("an entry").sequence.0;
    let Site { book, place: original } = site;
    drop(book);
    let changes = [
        ("DELETE FROM chip WHERE position = 2".to_owned(), DamageKind::Removed, "chip"),
        (
            "DELETE FROM credential; DELETE FROM delivery_authority; DELETE FROM delivery".into(),
            DamageKind::Removed,
            "delivery",
        ),
        // Put away as if it had been withdrawn.
        (
            format!(
                "INSERT INTO withdrawn VALUES ('Quarry Lane PAA', 'authority', {}); DELETE FROM authority WHERE role = 'paa'",
                withdrawn + 6
            ),
            DamageKind::Added,
            "withdrawn",
        ),
        ("DELETE FROM withdrawn WHERE row_table = 'order_written'".into(), DamageKind::Removed, "withdrawn"),
        ("DELETE FROM withdrawn WHERE row_table = 'order_written'".into(), DamageKind::Removed, "order_written"),
        // A withdrawn row put back.
        (format!("UPDATE reel SET entry = {}", withdrawn - 1), DamageKind::Altered, "reel"),
        (
            "INSERT INTO station_setup (station, reel, source, takt_ms, per_hour, check_label, changed, entry) \
             SELECT 'S1', 'REEL-A', 'simulated:chips', 0, 0, 0, received, 6 FROM reel"
                .into(),
            DamageKind::Added,
            "station_setup",
        ),
    ];
    for (sql, kind, table) in changes {
        let place = engine.twin(&original);
        engine.raw(&place).force(&sql);
        let found = open(&place).verify(None).expect("verifies").damages;
        assert!(found.iter().any(|d| d.kind == kind && d.table == table), "{sql}\nwanted {kind:?} {table}: {found:#?}");
        engine.remove(place);
    }
}

pub fn products_are_corrected_until_something_depends_on_them(engine: &Engine<'_>) {
    let site = engine.site().prepared();
    let book = &site.book;
    let update = |new: &NewProduct, free| book.update_product(new, free, &json!([{ "setting": "x" }]), &by());
    let named = |text: &str| NewProduct { settings: json!({ "product_name": text }), ..product() };
    assert_eq!(update(&product(), false).expect("as it is"), None);
    assert!(update(&sold(), false).is_err_and(|e| matches!(e, DependsError::Unknown { .. })));
    let other = NewProduct { vendor_id: 0x5A10, product_id: 7, purpose: Purpose::Production, ..named("Tern Vent 2") };
    assert!(update(&other, false).expect("changed").is_some());
    assert_eq!(book.product(&product().name).expect("asks").expect("there").facts, other);
    update(&product(), false).expect("changed back");
    let site = site.reel("REEL-A", 0..3).delivered("D-1", "REEL-A", 0..3);
    let book = &site.book;
    let update = |new: &NewProduct, free| book.update_product(new, free, &json!([]), &by());
    refused(&update(&other, false).expect_err("a reel"), &["Tern Vent", "1 reel (REEL-A)", "Withdraw reel REEL-A"]);
    let before = book.knowledge().expect("asks");
    update(&named("Tern Vent"), false).expect("no unit yet");
    assert_ne!(book.knowledge().expect("asks"), before, "stations notice");
    // A station that was at work before sees what holds now.
    let begun = site.begin(0, book::SerialWish::IfNew(&serial("TV-1")), &on("S1", 1)).expect("begun");
    assert_eq!(begun.product.facts, named("Tern Vent"));
    refused(&update(&named("Other"), false).expect_err("a unit"), &["1 unit (TV-1)"]);
    let further = NewProduct { reach: "ip".into(), ..named("Tern Vent") };
    refused(&update(&further, true).expect_err("a unit"), &["1 unit (TV-1)"]);
    update(&named("Free"), true).expect("what units do not depend on");
    intact(book, "corrected");
    let mut raw = engine.raw(&site.place);
    for sql in [
        "UPDATE product SET settings = '{}'",
        "UPDATE product SET product_id = 9, entry = entry + 100",
        "UPDATE product SET reach = 'nfc', entry = entry + 100",
        "UPDATE product SET name = 'x', entry = entry + 100",
        "DELETE FROM product",
    ] {
        raw.attempt(sql).expect_err(sql);
    }
}

pub fn declarations_are_withdrawn_until_a_unit_has_one(engine: &Engine<'_>) {
    let site = engine.site().stocked(2);
    let book = &site.book;
    let new = NewDeclaration {
        name: DeclarationName::new("Vent, draft").expect("a name"),
        origin: DeclarationOrigin::Adopted,
        purpose: Purpose::Test,
        content: b"declaration".to_vec(),
        vendor_id: product().vendor_id,
        product_ids: vec![product().product_id],
        certification_type: 0,
        signer: None,
    };
    let nothing = book.withdraw_declaration(&new.name, &by()).expect_err("not there yet");
    assert!(matches!(nothing, DependsError::Unknown { .. }), "{nothing}");
    book.add_declaration(&new, &by()).expect("added");
    let before = book.knowledge().expect("asks");
    let done = book.withdraw_declaration(&new.name, &by()).expect("withdrawn");
    assert_eq!((done.purpose, book.declarations().expect("asks")), (Purpose::Test, vec![]));
    assert_ne!(book.knowledge().expect("asks"), before, "stations notice");
    intact(book, "without the declaration");
    let entries = book.entries_about(&Subject::Declaration(new.name.clone())).expect("asks");
    let body = entries.iter().find(|e| e.act == "declaration.withdraw").expect("an entry").body().expect("a body");
    assert_eq!(body["vendor_id"], format!("{:04X}", new.vendor_id), "{body}");

    // Name and content are free again, until a unit has it.
    book.add_declaration(&new, &by()).expect("added again");
    let (unit, at_s1, id) = (serial("TV-000001"), on("S1", 1), chip(0).chip_id);
    book.begin_attempt(&Begin {
        onboard: &|_| Ok(Some(onboarding())),
        declaration: Some(&new.name),
        ..Begin::new(&id, SerialWish::IfNew(&unit), &at_s1)
    })
    .expect("begun");
    refused(&book.withdraw_declaration(&new.name, &by()).expect_err("a unit"), &["1 unit (TV-000001)", "stays"]);
    engine.raw(&site.place).attempt("DELETE FROM declaration").expect_err("it stays");
    intact(book, "with a unit");
}

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|b| format!("{b:02x}")).collect()
}
