//! What is made up is what the acts would have left.

use time::OffsetDateTime;

use super::line::{ACTOR, CAUSE, Chip, DETAIL, Fate, Stretch, delivery_name, reel_name};
use super::tables::step_rows;
use super::{Ground, Wish, fill, ground};
use crate::by::moment;
use crate::ids::{Actor, ChipId, DeliveryId, ReelId, StationName, UnitSerial};
use crate::proof::sha256;
use crate::support::{self, at, open};
use crate::{
    Begin, Book, By, DeliveryOrigin, DeliveryVerdict, Finish, LabelEvent, Location, NewChip, NewCredential,
    NewDeclaration, NewDelivery, NewProof, NewReel, Onboarding, Outcome, SerialWish, Step,
};

fn wish(units: u64, per_reel: u64) -> Wish {
    Wish {
        units,
        per_reel,
        in_stock: 1,
        per_hour: 720,
        end: at(0),
        cache_kib: 8192,
        threads: 2,
        product: support::product().name,
        authority: support::pai().name,
        declaration: declaration().name,
    }
}

fn declaration() -> NewDeclaration {
    NewDeclaration {
        name: crate::ids::DeclarationName::new("Declaration 1").expect("a name"),
        origin: crate::DeclarationOrigin::Made,
        purpose: support::product().purpose,
        content: vec![0xCD; 240],
        vendor_id: 0xFFF1,
        product_ids: vec![0x8000],
        certification_type: 0,
        signer: None,
    }
}

/// An empty site with what a made-up line needs; the same octet for octet each time.
fn site() -> support::Place {
    let place = support::Engine::Sqlite.place();
    let book = Book::create(&place.location, &support::site_id(), "made up", &support::by()).expect("a book");
    book.add_product(&support::product(), &support::by()).expect("a product");
    book.add_authority(&support::paa(), &support::by()).expect("a PAA");
    book.add_authority(&support::pai(), &support::by()).expect("a PAI");
    book.add_declaration(&declaration(), &support::by()).expect("a declaration");
    place
}

fn grounds(location: &Location, wish: Wish) -> Ground {
    ground(&mut location.connect(false).expect("opens"), wish).expect("a ground").0
}

fn who(actor: &str, station: Option<&str>, micros: i64) -> By {
    let at = moment(micros).expect("a time");
    By { actor: Actor::new(actor).expect("a name"), station: station.map(|s| StationName::new(s).expect("a name")), at }
}

fn arrive(book: &Book, g: &Ground, reel: u64) {
    let numbers = || reel * g.wish.per_reel..(reel + 1) * g.wish.per_reel;
    let id = ReelId::new(&reel_name(reel)).expect("a name");
    let by = who("engineer", None, g.arrived(reel));
    let new = NewReel {
        reel: id.clone(),
        product: g.wish.product.clone(),
        source_name: "manifest.csv".into(),
        source_digest: sha256(reel_name(reel).as_bytes()),
    };
    let chips = numbers()
        .map(Chip::of)
        .map(|chip| Ok(NewChip { chip_id: ChipId::new(&chip.chip_id).expect("an id"), public_key: chip.public_key }));
    book.receive_reel(&new, chips, &by).expect("received");
    let new = NewDelivery {
        delivery: DeliveryId::new(&delivery_name(reel)).expect("a name"),
        reel: id,
        origin: DeliveryOrigin::Received,
        source_name: "delivery.zip".into(),
        content_digest: sha256(delivery_name(reel).as_bytes()),
        verdict: DeliveryVerdict::Accepted,
        certificates_read: i64::try_from(g.wish.per_reel).expect("few"),
        report: serde_json::json!({}),
        authorities: vec![support::pai()],
    };
    let credentials = numbers().map(Chip::of).map(|chip| {
        Ok(NewCredential {
            certificate: chip.certificate(),
            public_key: chip.public_key,
            authority: g.wish.authority.clone(),
            issuer_key_id: g.issuer_key_id.clone(),
            serial: chip.serial.to_vec(),
            not_after: None,
        })
    });
    book.store_delivery(&new, credentials, &by).expect("stored");
}

fn provision(book: &Book, g: &Ground, u: &super::line::Unit) {
    let chip = u.chip();
    let (chip_id, serial) = (ChipId::new(&chip.chip_id).expect("an id"), UnitSerial::new(&u.serial).expect("a serial"));
    for attempt in 1..=u.fate.attempts() {
        let (began, ended) = u.times(attempt);
        let station = u.station();
        let begun = book
            .begin_attempt(&Begin {
                onboard: &|_| {
                    Ok(Some(Onboarding {
                        discriminator: u16::try_from(u.number % 4096).expect("12 bits"),
                        salt: u.octets::<32>(3).to_vec(),
                        iterations: 10_000,
                        verifier: u.octets::<97>(4).to_vec(),
                        passcode: Some(u.octets::<48>(5).to_vec()),
                    }))
                },
                declaration: Some(&g.wish.declaration),
                ..Begin::new(&chip_id, SerialWish::IfNew(&serial), &who(ACTOR, Some(&station), began))
            })
            .expect("begun");
        let steps: Vec<Step> = step_rows(u, attempt)
            .iter()
            .map(|row| Step {
                name: row.text(3).expect("a name"),
                started_us: row.int(4).expect("a time"),
                duration_us: row.int(5).expect("a time"),
                result: row.text(6).expect("a result"),
                detail: row.maybe(7, crate::engine::Row::text).expect("a text"),
            })
            .collect();
        let proof = NewProof {
            nonce: u.octets::<32>(6),
            challenge: u.octets::<16>(7).to_vec(),
            elements: u.octets::<320>(8).to_vec(),
            signature: u.octets::<64>(9).to_vec(),
            dac: begun.credential.certificate.clone(),
            pai: g.pai.clone(),
            declaration: Some(g.declaration.clone()),
            objects: Vec::new(),
            report: serde_json::json!({ "findings": [] }),
            at: moment(ended).expect("a time"),
        };
        let failed = |next| Outcome::Failed { cause: CAUSE, detail: DETAIL, next };
        let outcome = match u.fate {
            Fate::Scrapped => failed(crate::Next::Scrap),
            Fate::PassesLater if attempt == 1 => failed(crate::Next::Retry),
            _ => Outcome::Passed(&proof),
        };
        let by = who(ACTOR, Some(&station), ended);
        let finish = Finish { unit: &serial, attempt: begun.attempt, steps: &steps, outcome, by: &by };
        book.finish_attempt(&finish).expect("finished");
    }
    if u.labelled() {
        let by = who(ACTOR, None, u.last_end() + 1_000_000);
        book.record_label(&serial, LabelEvent::Printed, &by).expect("recorded");
    }
}

/// The same line by the acts and made up: one log, entry for entry.
#[test]
fn it_is_what_the_acts_leave() {
    let (made, acted) = (site(), site());
    // As far as the first unit that is scrapped.
    let wished = wish(501, 300);
    let told = fill(&made.location, wished.clone(), &mut |_, _| {}).expect("filled");
    let g = grounds(&acted.location, wished);
    let book = open(&acted);
    for stretch in g.stretches(100) {
        let Stretch { reel, arrives, .. } = stretch;
        if arrives {
            arrive(&book, &g, reel);
        }
        for unit in g.units(&stretch) {
            provision(&book, &g, &unit);
        }
    }
    let made = open(&made);
    assert_eq!(made.head().expect("a head"), book.head().expect("a head"));
    assert_eq!(i64::try_from(made.head().expect("a head").size), Ok(told.entries));
    assert_eq!(made.reconcile(None).expect("an account"), book.reconcile(None).expect("an account"));
    let serial = UnitSerial::new("TV-00000007").expect("a serial");
    assert_eq!(made.story(&serial).expect("asks"), book.story(&serial).expect("asks"));
}

/// It verifies, adds up, is guarded, and goes on as any book does.
#[test]
fn it_verifies_and_goes_on() {
    let place = site();
    fill(&place.location, wish(700, 250), &mut |_, _| {}).expect("filled");
    let book = open(&place);
    let verified = book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
    let account = book.reconcile(None).expect("an account");
    assert_eq!((account.chips.received, account.chips.unaccounted), (1000, 0));
    assert_eq!((account.credentials.available, account.credentials.unaccounted), (300, 0));
    assert_eq!((account.units.passed, account.units.scrapped), (699, 1));
    assert_eq!((account.double_use, account.unproven_passes), (0, 0));
    let refused = book.read(|c| c.run("DELETE FROM unit", &[]));
    assert!(refused.is_err(), "its triggers are back");
    let journal = book.read(|c| c.one("PRAGMA journal_mode", &[])).expect("asks").expect("a mode");
    assert_eq!(journal.text(0).expect("a text"), "wal");
    let stock = Chip::of(720);
    let begun = book
        .begin_attempt(&Begin::new(
            &ChipId::new(&stock.chip_id).expect("an id"),
            SerialWish::IfNew(&UnitSerial::new("TV-NEXT").expect("a serial")),
            &By { at: OffsetDateTime::now_utc(), ..who(ACTOR, Some("S1"), 0) },
        ))
        .expect("a chip in stock begins");
    assert_eq!(begun.unit.attempts, 1);
    assert!(book.verify(None).expect("verifies").intact());
    let again = fill(&place.location, wish(10, 10), &mut |_, _| {});
    assert!(again.is_err(), "a book with reels is not filled");
}
