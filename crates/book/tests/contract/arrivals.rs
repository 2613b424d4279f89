//! Reels and deliveries.

use book::ids::{AuthorityName, DeliveryId};
use book::{
    ChipState, CredentialState, DeliveryError, DeliveryVerdict, NewAuthority, NewChip, NewCredential, NewDelivery,
    NewProduct, NewReel, Places, Purpose, ReceiveError, Same, Stored, Trouble,
};

use crate::support::*;

pub fn a_reel_is_received_whole(engine: &Engine<'_>) {
    let site = engine.site().prepared().reel("REEL-A", 0..2500);
    let book = &site.book;
    let reel = book.reel(&reel_id("REEL-A")).expect("asks").expect("there");
    assert_eq!((reel.chips, reel.purpose), (2500, Purpose::Test));
    assert_eq!(reel.facts, new_reel("REEL-A"));
    let first = book.chip(&chip(0).chip_id).expect("asks").expect("there");
    assert_eq!((first.position, first.state), (1, ChipState::Blank));
    assert_eq!(book.chip_with_key(&chip(2499).public_key).expect("asks").expect("there").position, 2500);
    assert_eq!(book.chip(&chip(2500).chip_id).expect("asks"), None);
    // Pages follow the manifest's order.
    let (mut after, mut seen) = (0, Vec::new());
    loop {
        let page = book.chips(&reel_id("REEL-A"), after, 999).expect("asks");
        seen.extend(page.items.iter().map(|c| c.chip_id.clone()));
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    assert_eq!(seen, (0..2500).map(|n| chip(n).chip_id).collect::<Vec<_>>());
    let again = book.receive_reel(&new_reel("REEL-A"), [fine(chip(9000))], &by()).expect_err("known");
    assert!(matches!(&again, ReceiveError::ReelKnown { there, same: true } if there.chips == 2500), "{again}");
    let other = NewReel { source_digest: [0; 32], ..new_reel("REEL-A") };
    let again = book.receive_reel(&other, [fine(chip(9000))], &by()).expect_err("known");
    assert!(matches!(again, ReceiveError::ReelKnown { same: false, .. }), "{again}");
    let nothing = book.receive_reel(&new_reel("REEL-B"), [], &by()).expect_err("no chips");
    assert!(matches!(nothing, ReceiveError::Empty), "{nothing}");
    assert_eq!(book.reels().expect("asks").len(), 1);
    assert!(book.verify(None).expect("verifies").intact());
}

pub fn a_reel_with_known_chips_is_refused(engine: &Engine<'_>) {
    let site = engine.site().prepared().reel("REEL-A", 0..10);
    let other_key = NewChip { public_key: chip(901).public_key, ..chip(3) };
    let other_id = NewChip { chip_id: chip(902).chip_id, ..chip(4) };
    let manifest = [
        chip(100),
        chip(5),
        other_key,
        other_id,
        chip(101),
        chip(100),
        NewChip { chip_id: chip(777).chip_id, ..chip(101) },
    ];
    let refused = site.book.receive_reel(&new_reel("REEL-B"), manifest.map(fine), &by()).expect_err("known chips");
    let ReceiveError::Duplicates { total, first } = refused else { panic!("{refused}") };
    assert_eq!(total, 5);
    let told: Vec<_> =
        first.iter().map(|d| (d.position, d.same, d.held_by.reel.to_string(), d.held_by.position)).collect();
    assert_eq!(
        told,
        [
            (2, Same::Both, "REEL-A".into(), 6),
            (3, Same::ChipId, "REEL-A".into(), 4),
            (4, Same::PublicKey, "REEL-A".into(), 5),
            (6, Same::Both, "REEL-B".into(), 1),
            (7, Same::PublicKey, "REEL-B".into(), 5),
        ]
    );
    assert_eq!(site.book.reel(&reel_id("REEL-B")).expect("asks"), None, "nothing of it was stored");
    assert_eq!(site.book.chip(&chip(100).chip_id).expect("asks"), None);
}

pub fn a_reel_that_stops_leaves_nothing(engine: &Engine<'_>) {
    let site = engine.site().prepared();
    let before = site.book.head().expect("a head");
    let broken = (0..1500).map(|n| if n == 1400 { Err("line 1401 is cut".into()) } else { fine(chip(n)) });
    let stopped = site.book.receive_reel(&new_reel("REEL-A"), broken, &by()).expect_err("stops");
    let ReceiveError::Stopped(why) = stopped else { panic!("{stopped}") };
    assert_eq!(why.to_string(), "line 1401 is cut");
    let unknown = NewReel { product: book::ids::ProductName::new("Nothing").expect("a name"), ..new_reel("REEL-A") };
    let unknown = site.book.receive_reel(&unknown, [fine(chip(0))], &by()).expect_err("no product");
    assert!(matches!(unknown, ReceiveError::NoProduct { .. }), "{unknown}");
    assert_eq!(site.book.head().expect("a head"), before);
    assert_eq!(site.book.chip(&chip(0).chip_id).expect("asks"), None);
    // The same reel comes in once it is whole.
    site.reel("REEL-A", 0..1500);
}

pub fn a_delivery_binds_credentials_to_chips(engine: &Engine<'_>) {
    let site = engine.site().prepared().reel("REEL-A", 0..1200);
    let book = &site.book;
    let new = NewDelivery { certificates_read: 1101, ..delivery("D-1", "REEL-A") };
    let shuffled = (0..1100u32).map(|n| fine(credential((n * 7) % 1100)));
    let stored = book.store_delivery(&new, shuffled, &by()).expect("stored");
    assert!(matches!(stored, Stored::New { accepted: 1100, .. }), "{stored:?}");
    let read = book.delivery(&new.delivery).expect("asks").expect("there");
    assert_eq!((read.certificates_read, read.certificates_accepted), (1101, 1100));
    assert_eq!(read.report, new.report);
    let seven = book.credential_for_key(&chip(7).public_key).expect("asks").expect("there");
    assert_eq!((seven.position, &seven.certificate), (2, &certificate(7)));
    let by_serial = book.credential(&seven.issuer_key_id, &seven.serial).expect("asks").expect("there");
    assert_eq!(by_serial, seven);
    let page = book.credentials(&new.delivery, 1098, 1).expect("asks");
    assert_eq!((page.items[0].position, page.next), (1099, Some(1099)));
    assert_eq!(book.credentials(&new.delivery, 1099, 5).expect("asks").next, None);
    let without = book.chips_without(&reel_id("REEL-A"), 0, 1000).expect("asks");
    assert_eq!(without.items.iter().map(|c| c.position).collect::<Vec<_>>(), (1101..=1200).collect::<Vec<_>>());
    let short = book.short_reels().expect("asks");
    let told: Vec<_> = short.iter().map(|s| (&s.reel, &s.product, s.without)).collect();
    assert_eq!(told, [(&reel_id("REEL-A"), &product().name, 100)]);
    // The same content again, under any name.
    let renamed = NewDelivery { delivery: DeliveryId::new("D-again").expect("an id"), ..new.clone() };
    let again = book.store_delivery(&renamed, [fine(credential(0))], &by()).expect("recognised");
    assert!(matches!(&again, Stored::Already(there) if there.delivery == new.delivery), "{again:?}");
    assert_eq!(book.delivery_with(&new.reel, &new.content_digest).expect("asks").expect("there"), read);
    let taken = NewDelivery { content_digest: [0xEE; 32], ..new };
    let taken = book.store_delivery(&taken, [fine(credential(1100))], &by()).expect_err("the name is taken");
    assert!(matches!(taken, DeliveryError::NameTaken { .. }), "{taken}");
    // The rest comes in a second delivery, whose PAI is known by now.
    let site = site.delivered("D-2", "REEL-A", 1100..1200);
    assert_eq!(site.book.deliveries(Some(&reel_id("REEL-A"))).expect("asks").len(), 2);
    assert!(site.book.short_reels().expect("asks").is_empty());
    assert_eq!(site.book.deliveries(None).expect("asks").len(), 2);
    assert!(site.book.verify(None).expect("verifies").intact());
}

/// What matching a delivery asks of a reel: every key with its standing, and the ids of some places.
pub fn keys_of_a_reel(engine: &Engine<'_>) {
    let site = engine.site().prepared().reel("REEL-A", 0..30).reel("REEL-B", 30..35);
    let (book, reel) = (&site.book, reel_id("REEL-A"));
    let keys = |book: &book::Book| {
        let mut all = Vec::new();
        let each = |key| {
            all.push(key);
            Ok::<_, book::BookError>(())
        };
        book.chip_keys(&reel, each).expect("asks");
        all
    };
    let before = keys(book);
    assert_eq!(before.iter().map(|k| k.position).collect::<Vec<_>>(), (1..=30).collect::<Vec<_>>());
    assert!(before.iter().zip(0..).all(|(k, n)| k.public_key == chip(n).public_key && !k.served && !k.scrapped));
    book.scrap_chip(&chip(4).chip_id, "bent lead", &by()).expect("scrapped");
    let site = site.delivered("D-1", "REEL-A", 10..12);
    let after = keys(&site.book);
    let where_so =
        |so: fn(&book::ChipKey) -> bool| -> Vec<i64> { after.iter().filter(|k| so(k)).map(|k| k.position).collect() };
    assert_eq!((where_so(|k| k.served), where_so(|k| k.scrapped)), (vec![11, 12], vec![5]));
    let stop = site.book.chip_keys(&reel, |_| Err(book::BookError::Stopped)).expect_err("the caller's word");
    assert!(matches!(stop, book::BookError::Stopped), "{stop}");

    let mut some = site.book.chips_at(&reel, &[30, 2, 31, 0, 2]).expect("asks");
    some.sort_unstable_by_key(|(place, ..)| *place);
    let wanted = [1, 29].map(|n| (i64::from(n) + 1, chip(n).chip_id, chip(n).public_key));
    assert_eq!(some, wanted, "places without a chip are left out, and another reel's too");
    assert!(site.book.chips_at(&reel, &[]).expect("asks").is_empty());
}

/// Verdict and report come last; whoever gives them may still stop it, and nothing is left then.
pub fn a_delivery_is_settled_last(engine: &Engine<'_>) {
    let site = engine.site().prepared().reel("REEL-A", 0..20);
    let (book, new) = (&site.book, delivery("D-1", "REEL-A"));
    let all = || (0..20).map(|n| fine(credential(n)));
    let before = book.head().expect("a head");
    let stopped = book.store_delivery_settled(&new, all(), || Err("thought better of it".into()), &by());
    assert!(matches!(stopped, Err(DeliveryError::Stopped(_))), "{stopped:?}");
    assert_eq!((book.head().expect("a head"), book.delivery(&new.delivery).expect("asks")), (before, None));
    assert_eq!(book.credential_for_key(&chip(7).public_key).expect("asks"), None);

    let report = serde_json::json!({ "findings": ["a short one"] });
    let settle = || Ok((DeliveryVerdict::AcceptedInPart, report.clone()));
    let stored = book.store_delivery_settled(&new, all(), settle, &by()).expect("stored");
    assert!(matches!(stored, Stored::New { accepted: 20, .. }), "{stored:?}");
    let read = book.delivery(&new.delivery).expect("asks").expect("there");
    assert_eq!((read.verdict, read.report), (DeliveryVerdict::AcceptedInPart, report));
    assert!(book.verify(None).expect("verifies").intact());
}

pub fn a_delivery_with_problems_is_refused(engine: &Engine<'_>) {
    let site = engine.site().stocked(10).reel("REEL-B", 10..20);
    let before = site.book.head().expect("a head");
    let same_serial = NewCredential { serial: credential(2).serial, ..credential(13) };
    site.book.scrap_chip(&chip(14).chip_id, "bent lead", &by()).expect("scrapped");
    let delivered =
        [credential(10), credential(999), credential(3), credential(10), same_serial, credential(14), credential(11)];
    let refused =
        site.book.store_delivery(&delivery("D-2", "REEL-B"), delivered.map(fine), &by()).expect_err("refused");
    let DeliveryError::Problems { total, mut first } = refused else { panic!("{refused}") };
    assert_eq!(total, 4);
    first.sort_by_key(|p| p.position);
    let told: Vec<_> = first.into_iter().map(|p| (p.position, p.trouble)).collect();
    let (chip_id, one) = (|n| chip(n).chip_id, |text| DeliveryId::new(text).expect("an id"));
    assert_eq!(
        told,
        [
            (2, Trouble::Stranger),
            (3, Trouble::OtherReel { chip: chip_id(3), reel: reel_id("REEL-A") }),
            (4, Trouble::ChipHasOne { chip: chip_id(10), delivery: one("D-2"), serial: credential(10).serial }),
            (5, Trouble::SerialUsed { chip: chip_id(2), delivery: one("D-1") }),
        ]
    );
    let broken = [fine(credential(10)), Err("entry 2 of the archive is cut".into())];
    let stopped = site.book.store_delivery(&delivery("D-3", "REEL-B"), broken, &by()).expect_err("stops");
    assert!(matches!(stopped, DeliveryError::Stopped(_)), "{stopped}");
    let lost =
        site.book.store_delivery(&delivery("D-3", "REEL-Z"), [fine(credential(10))], &by()).expect_err("no reel");
    assert!(matches!(lost, DeliveryError::NoReel { .. }), "{lost}");
    assert_eq!(site.book.credential_for_key(&chip(10).public_key).expect("asks"), None);
    assert_eq!(site.book.head().expect("a head").size, before.size + 1, "only the scrapped chip has an entry");
    // What comes for a chip that was scrapped meanwhile is kept, and spent: in a delivery for some chips, and for all.
    for (id, numbers) in [("D-4", 14..15), ("D-5", 10..14)] {
        let delivered = delivery(id, "REEL-B");
        let stored = site.book.store_delivery(&delivered, numbers.clone().map(credential).map(fine), &by());
        let Ok(Stored::New { accepted, spent, .. }) = stored else { panic!("{stored:?}") };
        let gone: Vec<_> = numbers.clone().filter(|n| *n == 14).map(|n| chip(n).chip_id).collect();
        assert_eq!((accepted, spent), (i64::from(numbers.end - numbers.start), gone), "{id}");
    }
    let kept = site.book.credential_for_key(&chip(14).public_key).expect("asks").expect("kept");
    assert_eq!((kept.state, kept.reason.as_deref()), (CredentialState::Spent, Some("bent lead")));
    let whole = site.book.verify(None).expect("verifies");
    assert!(whole.intact(), "{:?}", whole.damages);
}

pub fn test_and_production_never_mix(engine: &Engine<'_>) {
    let site = engine.site().prepared();
    let sold = NewProduct {
        name: book::ids::ProductName::new("Tern Vent Pro").expect("a name"),
        purpose: Purpose::Production,
        vendor_id: 0x1234,
        ..product()
    };
    site.book.add_product(&sold, &by()).expect("a product");
    let reel = NewReel { product: sold.name.clone(), ..new_reel("REEL-P") };
    site.book.receive_reel(&reel, (0..3).map(chip).map(fine), &by()).expect("a reel");
    let mixed = site.book.store_delivery(&delivery("D-1", "REEL-P"), [fine(credential(0))], &by()).expect_err("mixed");
    assert!(matches!(mixed, DeliveryError::Mixed { theirs: Purpose::Test, ours: Purpose::Production, .. }), "{mixed}");
    // The database holds it too, whatever the code says.
    let refused = engine.raw(&site.place).attempt(
        "INSERT INTO reel (reel_id, product, purpose, source_name, source_digest, chips, received, entry) \
         SELECT 'REEL-X', product, 'test', source_name, source_digest, 0, received, -1 FROM reel",
    );
    assert!(refused.is_err());
    let fits = NewAuthority { purpose: Purpose::Production, issuer: None, ..pai() };
    let production = NewDelivery { authorities: vec![fits], ..delivery("D-1", "REEL-P") };
    let stranger = NewCredential { authority: AuthorityName::new("Nobody").expect("a name"), ..credential(0) };
    let stranger = site.book.store_delivery(&production, [fine(stranger)], &by()).expect_err("no such authority");
    assert!(matches!(stranger, DeliveryError::NoAuthority { .. }), "{stranger}");
    let stored = site.book.store_delivery(&production, [fine(credential(0))], &by()).expect("stored");
    assert!(matches!(stored, Stored::New { accepted: 1, .. }));
    // A PAI is known by its certificate, whatever it is called.
    let renamed =
        NewAuthority { name: AuthorityName::new("Other name").expect("a name"), ..production.authorities[0].clone() };
    let renamed = NewDelivery { authorities: vec![renamed], ..delivery("D-2", "REEL-P") };
    let renamed = site.book.store_delivery(&renamed, [fine(credential(1))], &by()).expect_err("known by another name");
    assert!(matches!(renamed, DeliveryError::Authority(_)), "{renamed}");
}

pub fn orders(engine: &Engine<'_>) {
    let site = engine.site().prepared().reel("REEL-A", 0..5);
    site.book.record_order(&reel_id("REEL-A"), "order.csv", &[1; 32], &Places::of(1..=5), &by()).expect("recorded");
    site.book
        .record_order(&reel_id("REEL-A"), "order.json", &[2; 32], &Places::of([2, 3, 5]), &by())
        .expect("recorded");
    let orders = site.book.orders(&reel_id("REEL-A")).expect("asks");
    let told: Vec<_> = orders.iter().map(|o| (o.file_name.as_str(), o.chips)).collect();
    assert_eq!(told, [("order.csv", 5), ("order.json", 3)]);
    assert_eq!(orders[1].places, Some(Places::of([2, 3, 5])));
    let named = site.book.orders_named(&orders[1].file_name.to_uppercase()).expect("asks");
    assert!(named.iter().all(|(reel, _)| *reel == reel_id("REEL-A")) && named.iter().any(|(_, o)| *o == orders[1]));
    assert!(site.book.orders_named("nothing.csv").expect("asks").is_empty());
    assert!(site.book.record_order(&reel_id("REEL-Z"), "order.csv", &[1; 32], &Places::of(1..=5), &by()).is_err());
    // The numbers of orders that went with their reel are not used again.
    site.book.withdraw_reel(&reel_id("REEL-A"), &by()).expect("withdrawn");
    let site = site.reel("REEL-A", 0..5);
    site.book.record_order(&reel_id("REEL-A"), "new.csv", &[3; 32], &Places::of(1..=5), &by()).expect("recorded");
    assert_eq!(site.book.orders(&reel_id("REEL-A")).expect("asks")[0].number, 3);
    assert!(site.book.verify(None).expect("verifies").intact());
}
