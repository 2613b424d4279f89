//! Units that outlive their boards, and reels that are divided.

use std::sync::{Barrier, Mutex};

use book::{
    Begin, BeginError, Begun, By, ChipState, CredentialState, DependsError, DivideError, LabelEvent, Next, Onboarding,
    Pending, SerialWish, Touch, Unit, UnitError, UnitState,
};

use crate::support::*;

fn other_code() -> Onboarding {
    Onboarding { discriminator: 77, salt: vec![0x22; 32], verifier: vec![0x33; 97], ..onboarding() }
}

/// Begins with a new code drawn beforehand, as a station does; units that wait go first.
fn begin(site: &Site, n: u32, wish: SerialWish<'_>, by: &By) -> Result<Begun, BeginError> {
    let onboard = &|_: &_| Ok(Some(other_code()));
    site.book.begin_attempt(&Begin { onboard, waiting: true, ..Begin::new(&chip(n).chip_id, wish, by) })
}

fn whole(site: &Site) {
    let verified = site.book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.double_use, account.unproven_passes), (0, 0), "{account:?}");
    assert_eq!((account.credentials.unaccounted, account.chips.unaccounted), (0, 0), "{account:?}");
}

fn unit(site: &Site, text: &str) -> Unit {
    site.book.unit(&serial(text)).expect("asks").expect("there")
}

pub fn a_unit_outlives_its_board(engine: &Engine<'_>) {
    let site = engine.site().stocked(10);
    let one = site.provision(0, "S1");
    site.provision(1, "S1");
    site.book.record_label(&one, LabelEvent::Printed, &by()).expect("printed");
    let before = unit(&site, "TV-000000");
    let (waits, pending) =
        site.book.swap_board(&one, "final test: no radio", false, false, &on("T", 10)).expect("swapped");
    assert_eq!(
        (waits.state, waits.reason.as_deref(), pending),
        (UnitState::Open, None, Pending { board: true, code: false })
    );
    assert_eq!(site.book.pending(&one).expect("asks"), pending);
    let head = site.book.head().expect("a head");
    let (same, _) = site.book.swap_board(&one, "asked again", false, false, &by()).expect("waits already");
    assert_eq!((same, site.book.head().expect("a head")), (waits, head), "asking again changes nothing");
    let refused = site.book.swap_board(&one, "and a code", true, false, &by()).expect_err("waits with its code");
    assert!(matches!(refused, UnitError::Waits { .. }), "{refused}");
    whole(&site);
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.units.passed, account.units.open, account.chips.scrapped), (1, 1, 1));
    assert_eq!((account.credentials.spent, account.credentials.installed), (1, 1));
    // The old chip is nobody's any more; whoever finds it learns whose it was.
    assert!(matches!(begin(&site, 0, SerialWish::Exactly(&one), &on("S1", 20)), Err(BeginError::ChipScrapped { .. })));
    assert_eq!(site.book.scrapped_before(&chip(0).chip_id).expect("asks").and_then(|s| s.unit), Some(one.clone()));

    let first = serial("TV-000000");
    let begun = begin(&site, 2, SerialWish::CountFrom(&first), &on("S2", 30)).expect("its next board");
    assert_eq!((&begun.unit.serial, begun.board, begun.resumed, begun.new_code), (&one, true, false, false));
    assert_eq!((&begun.unit.onboarding, begun.attempt.0), (&before.onboarding, 2));
    assert!(matches!(
        begin(&site, 3, SerialWish::Exactly(&one), &on("S3", 31)),
        Err(BeginError::SerialTaken { owner, .. }) if owner == chip(2).chip_id
    ));
    site.pass(2, &one, begun.attempt, &on("S2", 32)).expect("passed");
    whole(&site);
    let next = begin(&site, 3, SerialWish::CountFrom(&first), &on("S3", 33)).expect("a new unit");
    assert_eq!((next.board, next.unit.serial.as_str()), (false, "TV-000002"), "no unit waits");

    let story = site.book.story(&one).expect("asks").expect("there");
    let boards: Vec<_> = story.boards.iter().map(|b| (b.origin.chip.chip_id.clone(), b.from, b.to)).collect();
    assert_eq!(boards, [(chip(0).chip_id, at(0), Some(at(10))), (chip(2).chip_id, at(30), None),]);
    let proven: Vec<_> =
        story.boards.iter().map(|b| b.proofs.iter().map(|p| p.attempt.0).collect::<Vec<_>>()).collect();
    assert_eq!(proven, [[1], [2]]);
    assert_eq!(story.proof.as_ref(), story.boards[1].proofs.last());
    let states: Vec<_> = story.boards.iter().map(|b| b.origin.credential.as_ref().map(|c| c.state)).collect();
    assert_eq!(states, [Some(CredentialState::Spent), Some(CredentialState::Installed)]);

    // Either board is found by its chip and its certificate, and a key of the first one still names the unit.
    for n in [0, 2] {
        for text in [chip(n).chip_id.to_string(), hex(&credential(n).serial)] {
            let found = site.book.find(&text, 5).expect("asks");
            assert!(
                found.iter().any(|f| f.chip == chip(n).chip_id && f.unit.as_ref().is_some_and(|u| u.0 == one)),
                "{text}"
            );
        }
        for touch in [
            Touch { credential: Some(credential(n).serial), ..Touch::default() },
            Touch { key: Some(chip(n).public_key.to_vec()), ..Touch::default() },
        ] {
            let mut units = Vec::new();
            site.book
                .touched(&touch, &mut |t| {
                    units.push((t.unit, t.chip_id));
                    Ok::<_, book::BookError>(())
                })
                .expect("asks");
            assert_eq!(units, [(one.clone(), chip(n).chip_id)]);
        }
    }
    let revoked = site.book.revoke(&[(credential(0).issuer_key_id, credential(0).serial)], "key leaked", &by());
    assert_eq!(revoked.expect("revoked"), 1);
    let story = site.book.story(&one).expect("asks").expect("there");
    assert_eq!(story.boards[0].origin.credential.as_ref().map(|c| c.state), Some(CredentialState::Revoked));
    assert_eq!(story.entries.last().map(|e| e.act.as_str()), Some("credential.revoke"));
    whole(&site);
}

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|b| format!("{b:02x}")).collect()
}

pub fn a_unit_is_refurbished(engine: &Engine<'_>) {
    let site = engine.site().stocked(6);
    let one = site.provision(0, "S1");
    site.book.record_label(&one, LabelEvent::Printed, &on("L", 5)).expect("printed");
    site.book.return_unit(&one, "moved house", &on("T", 6)).expect("returned");
    let before = unit(&site, "TV-000000");
    let (waits, pending) =
        site.book.refurbish_unit(&one, "sold again", &["fabrics"], &on("T", 7)).expect("refurbished");
    assert_eq!(
        (waits.state, &waits.onboarding, pending),
        (UnitState::Open, &before.onboarding, Pending { board: false, code: true })
    );
    let head = site.book.head().expect("a head");
    assert!(site.book.replaced_candidates(77, None, 10).expect("asks").items.is_empty(), "not before the next");
    site.book.refurbish_unit(&one, "asked again", &[], &by()).expect("waits already");
    assert_eq!(site.book.head().expect("a head"), head);
    whole(&site);
    assert_eq!(site.book.chips_back(&reel_id("REEL-A")).expect("asks"), [chip(0).chip_id]);
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.units.passed, account.units.open, account.credentials.installed), (0, 1, 1));

    // The same chip is proven again; an attempt that fails leaves it to the next, with the code that it drew.
    let begun = begin(&site, 0, SerialWish::Nothing, &on("S1", 10)).expect("begun");
    assert_eq!((begun.resumed, begun.new_code, begun.unit.onboarding.clone()), (true, true, Some(other_code())));
    site.fail(&one, begun.attempt, Next::Retry, &on("S1", 11)).expect("failed");
    whole(&site);
    let begun = begin(&site, 0, SerialWish::Exactly(&one), &on("S1", 12)).expect("begun");
    assert_eq!((begun.new_code, begun.unit.onboarding.clone()), (false, Some(other_code())));
    let used = site.pass(0, &one, begun.attempt, &on("S1", 13)).expect_err("the nonce of its first proof");
    assert!(matches!(used, book::FinishError::NonceUsed { .. }), "{used}");
    site.prove(0, 100, &one, begun.attempt, &on("S1", 14)).expect("passed");
    whole(&site);
    assert!(matches!(
        begin(&site, 0, SerialWish::Exactly(&one), &on("S1", 15)),
        Err(BeginError::AlreadyProvisioned { .. })
    ));
    let story = site.book.story(&one).expect("asks").expect("there");
    assert_eq!((story.boards.len(), story.boards[0].to, story.boards[0].proofs.len()), (1, None, 2));
    assert_eq!(story.proof.as_ref().map(|p| p.attempt.0), Some(3));
    assert_eq!(story.earlier_codes.len(), 1);
    assert_eq!(Some(&story.earlier_codes[0].onboarding), before.onboarding.as_ref());
    assert_eq!(site.book.earlier_codes(&one).expect("asks"), story.earlier_codes);
    let kept = site.book.passcodes_kept(None, 10).expect("asks").items;
    assert_eq!(kept[0].printed, None, "the label of its new code was never printed");
    // What is erased is erased of both.
    site.book.erase_passcode(&one, &serde_json::json!({}), &by()).expect("erased").expect("an entry");
    assert_eq!(site.book.erase_passcode(&one, &serde_json::json!({}), &by()).expect("asks"), None);
    let story = site.book.story(&one).expect("asks").expect("there");
    assert!(
        story.earlier_codes[0].onboarding.passcode.is_none()
            && story.unit.onboarding.is_some_and(|o| o.passcode.is_none())
    );
    whole(&site);
    // Its board may still be swapped, with a code once more.
    site.book.swap_board(&one, "dead", true, false, &by()).expect("swapped");
    let begun = begin(&site, 1, SerialWish::IfNew(&one), &on("S1", 20)).expect("begun");
    assert_eq!((begun.board, begun.new_code), (true, true));
    site.prove(1, 1, &one, begun.attempt, &on("S1", 21)).expect("passed");
    assert_eq!(site.book.story(&one).expect("asks").expect("there").earlier_codes.len(), 2);
    whole(&site);
}

pub fn what_goes_back_to_the_line_and_what_does_not(engine: &Engine<'_>) {
    let site = engine.site().stocked(12);
    let [passed, scrapped, revoked] = [0, 1, 2].map(|n| site.provision(n, "S1"));
    let refused = |done: Result<(Unit, Pending), UnitError>| match done.expect_err("refused") {
        UnitError::State { state, .. } => state.word(),
        UnitError::OnStation { .. } => "on-station",
        UnitError::Revoked { .. } => "revoked",
        UnitError::Unknown { .. } => "unknown",
        other => panic!("{other}"),
    };
    site.book.scrap_unit(&scrapped, "burnt", false, &by()).expect("scrapped");
    site.book.revoke(&[(credential(2).issuer_key_id, credential(2).serial)], "leaked", &by()).expect("revoked");
    let book = &site.book;
    assert_eq!(refused(book.swap_board(&scrapped, "r", false, false, &by())), "scrapped");
    assert_eq!(refused(book.refurbish_unit(&scrapped, "r", &[], &by())), "scrapped");
    assert_eq!(refused(book.refurbish_unit(&revoked, "r", &[], &by())), "revoked");
    assert_eq!(refused(book.swap_board(&serial("TV-9"), "r", false, false, &by())), "unknown");
    // A revoked certificate stays so when its board goes.
    book.swap_board(&revoked, "its key leaked", false, false, &by()).expect("swapped");
    let story = book.story(&revoked).expect("asks").expect("there");
    assert_eq!(story.boards[0].origin.credential.as_ref().map(|c| c.state), Some(CredentialState::Revoked));
    assert_eq!(refused(book.refurbish_unit(&revoked, "r", &[], &by())), "open");
    // A station at work keeps its unit, unless somebody takes it over; its attempt ends without effect then.
    let at_work = serial("U1");
    let begun = site.begin(3, SerialWish::Exactly(&at_work), &on("S1", 5)).expect("begun");
    assert_eq!(refused(book.swap_board(&at_work, "r", false, false, &by())), "on-station");
    assert_eq!(refused(book.refurbish_unit(&at_work, "r", &[], &by())), "open");
    book.swap_board(&at_work, "smoke", true, true, &by()).expect("swapped");
    let ended = site.pass(3, &at_work, begun.attempt, &on("S1", 6)).expect_err("taken over");
    assert!(matches!(ended, book::FinishError::Ended { .. }), "{ended}");
    whole(&site);
    let begun = begin(&site, 4, SerialWish::Exactly(&at_work), &on("S1", 7)).expect("begun");
    assert_eq!((begun.board, begun.new_code, begun.attempt.0), (true, true, 2));
    // Its first proof, though not its first board.
    site.pass(4, &at_work, begun.attempt, &on("S1", 8)).expect("passed");
    // A board that a station gave up: the unit goes on with the next.
    let bad = serial("U2");
    let begun = site.begin(5, SerialWish::Exactly(&bad), &on("S1", 9)).expect("begun");
    site.fail(&bad, begun.attempt, Next::Scrap, &on("S1", 10)).expect("failed");
    book.swap_board(&bad, "its chip is a copy", false, false, &by()).expect("swapped");
    // A unit that waits can be given up; it stays so.
    let gone = book.scrap_unit(&bad, "housing cracked", false, &by()).expect("scrapped");
    assert_eq!(gone.state, UnitState::Scrapped);
    let taken = begin(&site, 6, SerialWish::Exactly(&bad), &on("S1", 11)).expect_err("scrapped");
    assert!(matches!(taken, BeginError::SerialTaken { .. }), "{taken}");
    // The unit that waits longest goes first, and only where no number was given that is another's.
    book.swap_board(&passed, "r", false, false, &by()).expect("swapped");
    let named = serial("TV-000500");
    let plain = |n: u32| site.begin(n, SerialWish::CountFrom(&named), &on("S1", 12)).expect("begun");
    assert_eq!(plain(6).unit.serial, named, "a station that was not told so leaves those that wait");
    for (n, unit) in [(7, &revoked), (8, &passed)] {
        let begun = begin(&site, n, SerialWish::CountFrom(&named), &on("S1", 13)).expect("begun");
        assert_eq!((begun.board, &begun.unit.serial), (true, unit));
        site.pass(n, unit, begun.attempt, &on("S1", 14)).expect("passed");
    }
    whole(&site);
    // The database holds all that by itself.
    let mut raw = engine.raw(&site.place);
    let id = |n: u32| chip(n).chip_id.to_string();
    for sql in [
        "UPDATE renewal SET reason = 'another'".to_owned(),
        "DELETE FROM renewal".into(),
        "UPDATE later_proof SET challenge = nonce".into(),
        "DELETE FROM earlier_code".into(),
        "UPDATE earlier_code SET discriminator = 1".into(),
        format!("UPDATE unit SET chip_id = '{}', attempts = attempts + 1, state = 'open' WHERE serial = 'U1'", id(10)),
        "UPDATE unit SET state = 'open', proven = NULL WHERE serial = 'U1'".into(),
        "UPDATE unit SET state = 'open', reason = NULL WHERE serial = 'TV-000001'".into(),
        "UPDATE unit SET proven = NULL WHERE serial = 'U1'".into(),
        "UPDATE unit SET verifier = zeroblob(97)".replace("zeroblob(97)", &raw.octets(&[5; 97])),
        format!(
            "INSERT INTO renewal (unit, number, kind, chip_id, attempts, new_code, was, reason, at, actor, entry) \
             VALUES ('U1', 9, 'swap', '{}', 2, 0, 'passed', 'r', 0, 'x', 0)",
            id(4)
        ),
    ] {
        assert!(raw.attempt(&sql).is_err(), "not refused: {sql}");
    }
    whole(&site);
}

pub fn two_stations_and_one_unit_that_waits(engine: &Engine<'_>) {
    let site = engine.site().stocked(24);
    let books = [site.again(), site.again(), site.again()];
    for round in 0..4u32 {
        let one = site.provision(round * 6, "S1");
        site.book.swap_board(&one, "dead", false, false, &by()).expect("swapped");
        let (start, results) = (Barrier::new(3), Mutex::new(Vec::new()));
        std::thread::scope(|scope| {
            for (book, n) in books.iter().take(2).zip(1..) {
                let (start, results, one) = (&start, &results, &one);
                scope.spawn(move || {
                    let (chip, by) = (chip(round * 6 + n).chip_id, on(&format!("S{n}"), 9));
                    start.wait();
                    let begun = book.begin_attempt(&Begin::new(&chip, SerialWish::Exactly(one), &by));
                    results.lock().expect("no panic").push(begun);
                });
            }
            // While somebody gives it up.
            let (start, one, book) = (&start, &one, &books[2]);
            scope.spawn(move || {
                start.wait();
                match book.scrap_unit(one, "lost", false, &by()) {
                    Ok(_) | Err(UnitError::OnStation { .. }) => {}
                    Err(other) => panic!("{other}"),
                }
            });
        });
        let results = results.into_inner().expect("no panic");
        let won = results.iter().filter(|r| r.is_ok()).count();
        let scrapped = unit(&site, one.as_str()).state == UnitState::Scrapped;
        assert_eq!(won, usize::from(!scrapped), "{results:?}");
        let held = (1..3).filter(|n| {
            site.book.chip(&chip(round * 6 + n).chip_id).expect("asks").is_some_and(|c| c.state == ChipState::Held)
        });
        assert_eq!(held.count(), won, "no chip is held for nobody");
        whole(&site);
    }
}

pub fn a_reel_is_divided(engine: &Engine<'_>) {
    let site = engine.site().prepared().reel("REEL-A", 0..20).delivered("D-1", "REEL-A", 0..15);
    let (a, b, c) = (reel_id("REEL-A"), reel_id("REEL-B"), reel_id("REEL-C"));
    site.provision(0, "S1");
    let split =
        |from: &str, first, last, to: &str| site.book.split_reel(&reel_id(from), (first, last), &reel_id(to), &by());
    for (done, what) in [
        (split("REEL-X", 1, 2, "REEL-B"), "no-reel"),
        (split("REEL-A", 3, 2, "REEL-B"), "no-section"),
        (split("REEL-A", 0, 2, "REEL-B"), "no-section"),
        (split("REEL-A", 19, 21, "REEL-B"), "no-chip"),
        (split("REEL-A", 1, 20, "REEL-B"), "whole"),
        (split("REEL-A", 1, 3, "REEL-B"), "used"),
        (split("REEL-A", 5, 6, "reel-a"), "taken"),
    ] {
        let found = match done.expect_err(what) {
            DivideError::NoReel { .. } => "no-reel",
            DivideError::NoSection { .. } => "no-section",
            DivideError::NoChip { place: 21, .. } => "no-chip",
            DivideError::Whole { .. } => "whole",
            DivideError::Used { used: 1, place: 1, .. } => "used",
            DivideError::Taken { .. } => "taken",
            other => panic!("{other}"),
        };
        assert_eq!(found, what);
    }
    let part = split("REEL-A", 11, 18, "REEL-B").expect("split");
    assert_eq!((part.places, part.certificates), ((11, 18), 5));
    assert_eq!(site.book.reel_part(&b).expect("asks"), Some(part));
    // A part of the part.
    assert_eq!(split("REEL-B", 3, 6, "REEL-C").expect("split").certificates, 3);
    assert!(matches!(split("REEL-A", 9, 12, "REEL-D"), Err(DivideError::NoChip { place: 11, .. })));
    let ids = |reel: &book::ids::ReelId| {
        let chips = site.book.chips(reel, 0, 100).expect("asks").items;
        chips.iter().map(|c| (c.position, c.chip_id.clone())).collect::<Vec<_>>()
    };
    let lay = |places: &[(i64, u32)]| places.iter().map(|(p, n)| (*p, chip(*n).chip_id)).collect::<Vec<_>>();
    assert_eq!(ids(&b), lay(&[(1, 10), (2, 11), (7, 16), (8, 17)]));
    assert_eq!(ids(&c), lay(&[(1, 12), (2, 13), (3, 14), (4, 15)]));
    let count = |reel: &_| {
        let n = site.book.count_reel(reel).expect("asks").expect("there");
        (
            n.chips.received,
            n.chips.blank,
            n.without,
            n.credentials.received,
            n.credentials.available,
            n.credentials.unaccounted,
        )
    };
    assert_eq!(count(&a), (12, 11, 2, 10, 9, 0));
    assert_eq!(count(&b), (4, 4, 2, 2, 2, 0));
    assert_eq!(count(&c), (4, 4, 1, 3, 3, 0));
    let short: Vec<_> = site.book.short_reels().expect("asks").into_iter().map(|s| (s.reel, s.without)).collect();
    assert_eq!(short, [(a.clone(), 2), (b.clone(), 2), (c.clone(), 1)]);
    let stock: Vec<_> = site.book.stock().expect("asks").into_iter().map(|s| (s.reel, s.available)).collect();
    assert_eq!(stock, [(a.clone(), 9), (b.clone(), 2), (c.clone(), 3)]);
    assert_eq!(site.book.issuers_of(&c).expect("asks"), [pai().name]);
    whole(&site);

    // Another product with the same identity takes a part; one with another identity takes what has no certificate.
    let twin = book::NewProduct { name: book::ids::ProductName::new("Tern Vent Mini").expect("a name"), ..product() };
    let other = book::NewProduct {
        name: book::ids::ProductName::new("Tern Lamp").expect("a name"),
        product_id: 0x8009,
        ..product()
    };
    for new in [&twin, &other] {
        site.book.add_product(new, &by()).expect("added");
    }
    let assign = |reel: &_, to: &book::NewProduct| site.book.assign_reel(reel, &to.name, &by());
    assert!(matches!(assign(&c, &other), Err(DivideError::Identity { .. })));
    assert!(matches!(assign(&a, &twin), Err(DivideError::Used { used: 1, .. })));
    assert_eq!(assign(&c, &twin).expect("assigned").map(|(was, _)| was), Some(product().name));
    assert_eq!(assign(&c, &twin).expect("asked again"), None);
    let empty = site.book.split_reel(&a, (19, 20), &reel_id("REEL-E"), &by()).expect("split");
    assert_eq!(empty.certificates, 0);
    assign(&empty.reel, &other).expect("assigned").expect("changed");
    whole(&site);
    let begun = site.begin(12, SerialWish::Exactly(&serial("M-1")), &on("S1", 40)).expect("begun");
    assert_eq!(begun.unit.product, twin.name);
    site.pass(12, &begun.unit.serial, begun.attempt, &on("S1", 41)).expect("passed");
    assert!(matches!(assign(&c, &product()), Err(DivideError::Used { .. })));
    // What came with a delivery or a reel no longer goes with it alone.
    for done in [
        site.book.withdraw_reel(&b, &by()).map(drop),
        site.book.withdraw_reel(&empty.reel, &by()).map(drop),
        site.book.withdraw_delivery(&delivery("D-1", "REEL-A").delivery, &by()).map(drop),
    ] {
        assert!(matches!(done, Err(DependsError::Depends { .. })), "{done:?}");
    }
    // Certificates that were ordered and have not come are waited for.
    let asked = book::Places::of([7]);
    site.book.record_order(&b, "b.csv", &[1; 32], &asked, &by()).expect("recorded");
    assert!(matches!(split("REEL-B", 7, 7, "REEL-F"), Err(DivideError::Ordered { .. })));
    split("REEL-B", 8, 8, "REEL-F").expect("that one was not ordered");
    whole(&site);
    let mut raw = engine.raw(&site.place);
    for sql in [
        "UPDATE chip SET reel = 'REEL-B', position = 90 WHERE reel = 'REEL-A' AND position = 5",
        "UPDATE reel SET product = 'Tern Lamp' WHERE reel_id = 'REEL-B'",
        "UPDATE reel SET chips = chips + 1, entry = entry + 100 WHERE reel_id = 'REEL-B'",
        "UPDATE reel_split SET shift = 0",
        "DELETE FROM reel_split",
    ] {
        assert!(raw.attempt(sql).is_err(), "not refused: {sql}");
    }
    // Who moves a chip behind the book's back is found.
    raw.force("UPDATE chip SET position = 99 WHERE reel = 'REEL-C' AND position = 4");
    drop(raw);
    assert!(!site.book.verify(None).expect("verifies").intact());
}
