//! Cartons, and scrapping with what becomes of the certificate.

use book::ids::{PackName, UnitSerial};
use book::{
    Asking, Book, CredentialState, DisposalError, PackError, PackKind, PackedIn, Packing, RequestState,
    RevocationError, Touch, UnitFilter, UnitState, Wanted,
};

use crate::support::*;

fn name(text: &str) -> PackName {
    PackName::new(text).expect("a name")
}

fn plain<'a>(carton: &'a PackName, units: &'a [UnitSerial]) -> Packing<'a> {
    Packing { carton, units, pallet: None, shipment: None, mixed: false }
}

fn intact(book: &Book) {
    let verified = book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
}

pub fn units_are_packed_and_taken_out(engine: &Engine<'_>) {
    let site = engine.site().stocked(8);
    let units: Vec<_> = (0..4).map(|n| site.provision(n, "S1")).collect();
    let (book, first, second) = (&site.book, name("C-1"), name("C-2"));
    let none = book.pack(&plain(&first, &[]), &by()).expect_err("nothing to make it of");
    assert!(matches!(none, PackError::NoCarton { .. }), "{none}");
    let (carton, added) = book.pack(&plain(&first, &units[..2]), &by()).expect("packed");
    assert_eq!((carton.units, added.as_slice()), (2, &units[..2]));
    let head = book.head().expect("a head");
    assert!(book.pack(&plain(&first, &units[..1]), &by()).expect("as it was").1.is_empty());
    assert_eq!(book.head().expect("a head"), head, "nothing changed, no entry");

    // All or none: the first unit that can't be packed keeps the others out.
    let elsewhere = book.pack(&plain(&second, &[units[2].clone(), units[0].clone()]), &by()).expect_err("is in C-1");
    assert!(matches!(&elsewhere, PackError::Elsewhere { carton, .. } if *carton == first), "{elsewhere}");
    assert_eq!(book.carton(&second).expect("asks"), None);
    book.return_unit(&units[3], "rattles", &by()).expect("returned");
    let back = book.pack(&plain(&second, &units[2..]), &by()).expect_err("came back");
    assert!(matches!(back, PackError::State { state: UnitState::Returned, .. }), "{back}");
    let similar = book.pack(&plain(&name("c-1"), &units[2..3]), &by()).expect_err("like C-1");
    assert!(matches!(similar, PackError::Similar { .. }), "{similar}");
    assert_eq!(book.carton(&name("c-1")).expect("asks").map(|c| c.carton), Some(first.clone()));
    let shipment = name("SHIP 9");
    let shipped = Packing { shipment: Some(&shipment), pallet: Some(&second), ..plain(&first, &[]) };
    assert_eq!(book.pack(&shipped, &by()).expect("shipped").0.shipment, Some(shipment.clone()));

    let of = PackedIn { kind: PackKind::Shipment, name: shipment.clone() };
    assert_eq!(book.cartons(Some(&of), None, 10).expect("asks").items.len(), 1);
    assert_eq!(book.packs_named("ship 9", 2).expect("asks"), std::slice::from_ref(&of));
    let filter = UnitFilter { packed: Some(of.clone()), ..UnitFilter::default() };
    assert_eq!(book.count_units(&filter).expect("asks"), 2);
    let mut touched = Vec::new();
    let touch = Touch { packed: Some(of), ..Touch::default() };
    book.touched(&touch, &mut |t| {
        touched.push(t.unit);
        Ok::<_, book::BookError>(())
    })
    .expect("asks");
    assert_eq!(touched, units[..2]);

    // What came back stays where it was packed, until it is taken out.
    book.return_unit(&units[0], "rattles too", &by()).expect("returned");
    let packed = book.story(&units[0]).expect("asks").expect("there").packed.expect("is packed");
    assert_eq!((packed.carton, packed.pallet, packed.shipment), (first.clone(), Some(second), Some(shipment)));
    assert_eq!(book.unpack(&first, &units[..1], &by()).expect("taken out").units, 1);
    let twice = book.unpack(&first, &units[..1], &by()).expect_err("is not in it");
    assert!(matches!(twice, PackError::NotIn { .. }), "{twice}");
    assert_eq!(book.story(&units[0]).expect("asks").expect("there").packed, None);
    intact(book);
}

pub fn scrapped_with_what_becomes_of_the_certificate(engine: &Engine<'_>) {
    let site = engine.site().stocked(8);
    let (one, book) = (site.provision(0, "S1"), &site.book);
    let (issuer, dac) = (pai().name, |n: u32| [Wanted { pai: false, serial: credential(n).serial }]);
    let state = |n: u32| book.credential_for_key(&chip(n).public_key).expect("asks").expect("there").state;

    // Neither half where the other can't be.
    let unknown = [Wanted { pai: false, serial: vec![0x77; 8] }];
    let asking = Asking { issuer: &issuer, reason: 5, note: Some("burnt"), wanted: &unknown };
    let refused = book.scrap_unit_asking(&one, "burnt", false, Some(&asking), &by()).expect_err("no such certificate");
    assert!(matches!(refused, DisposalError::Revocation(RevocationError::NoCertificate { .. })), "{refused}");
    assert_eq!(book.unit(&one).expect("asks").expect("there").state, UnitState::Passed);
    assert_eq!(book.scrapped_before(&chip(0).chip_id).expect("asks"), None);

    let wanted = dac(0);
    let asking = Asking { wanted: &wanted, ..asking };
    let (unit, request) = book.scrap_unit_asking(&one, "burnt", false, Some(&asking), &by()).expect("scrapped");
    let request = request.expect("asked for");
    assert_eq!((unit.state, request.state, request.reason), (UnitState::Scrapped, RequestState::Waiting, 5));
    assert_eq!(state(0), CredentialState::Spent);
    let before = book.scrapped_before(&chip(0).chip_id).expect("asks").expect("scrapped");
    assert_eq!((before.unit, before.swapped, before.reason.as_str()), (Some(one), false, "burnt"));

    // Chips that no unit has: all of them, or none.
    let chips = [chip(4).chip_id, chip(3).chip_id];
    let missing = [chips[0].clone(), chip(77).chip_id];
    assert!(book.scrap_chips_asking(&missing, "bent", None, &by()).is_err());
    assert_eq!(state(4), CredentialState::Available);
    assert_eq!(book.scrap_chips_asking(&chips, "bent", None, &by()).expect("scrapped"), None);
    assert_eq!((state(3), state(4)), (CredentialState::Spent, CredentialState::Spent));
    assert_eq!(book.scrapped_before(&chips[0]).expect("asks").expect("scrapped").unit, None);
    book.confirm_revocation(request.number, &by()).expect("confirmed");
    assert_eq!(state(0), CredentialState::Revoked);
    intact(book);
}
