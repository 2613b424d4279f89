//! The line: intentions, proofs, failures, and stations that die.

use book::ids::{AttemptNumber, DeclarationName, FirmwareVersion};
use book::{
    AttemptResult, Begin, BeginError, Blame, BookError, ChipState, CredentialState, DeclarationOrigin, Finish,
    FinishError, LabelEvent, NewDeclaration, NewProof, Next, Outcome, Purpose, RevokeError, ScrapChipError, SerialWish,
    Subject, Touch, UnitError, UnitState,
};

use crate::support::*;

pub fn a_unit_passes_with_its_proof(engine: &Engine<'_>) {
    let site = engine.site().stocked(3);
    let unit = serial("TV-000001");
    let begun = site.begin(1, SerialWish::Exactly(&unit), &on("S1", 10)).expect("begun");
    assert_eq!((begun.unit.state, begun.attempt, begun.resumed), (UnitState::Open, AttemptNumber(1), false));
    assert_eq!(begun.chip.state, ChipState::Held);
    assert_eq!(begun.credential.state, CredentialState::Reserved);
    assert_eq!((&begun.credential.certificate, &begun.authority.facts), (&certificate(1), &pai()));
    assert_eq!((&begun.product.facts, &begun.unit.onboarding), (&product(), &Some(onboarding())));
    assert_eq!(site.book.open_attempts().expect("asks").len(), 1);
    assert_eq!(site.again().open_attempts().expect("asks").len(), 1, "another process sees the intention");

    let finished = site.pass(1, &unit, begun.attempt, &on("S1", 12)).expect("passed");
    assert_eq!(finished.unit.state, UnitState::Passed);
    assert!(site.book.open_attempts().expect("asks").is_empty());

    let story = site.book.story(&unit).expect("asks").expect("there");
    assert_eq!(story.unit, finished.unit);
    assert_eq!((story.origin.chip.state, story.origin.chip.position), (ChipState::Provisioned, 2));
    assert_eq!(story.origin.reel.facts.reel, reel_id("REEL-A"));
    assert_eq!(story.origin.delivery.as_ref().expect("delivered").delivery.as_str(), "D-1");
    assert_eq!(story.origin.credential.as_ref().expect("has one").state, CredentialState::Installed);
    let issuers: Vec<_> = story.origin.authorities.iter().map(|a| a.facts.name.to_string()).collect();
    assert_eq!(issuers, ["Quarry Lane PAI 1", "Quarry Lane PAA"]);
    assert_eq!(story.attempts.len(), 1);
    let attempt = &story.attempts[0];
    assert_eq!((attempt.attempt.result, attempt.attempt.ended), (AttemptResult::Passed, Some(at(12))));
    assert_eq!(attempt.steps, steps());
    let kept = story.proof.expect("a proof");
    assert_eq!((kept.attempt, &kept.facts), (AttemptNumber(1), &proof(1)));
    assert_eq!(site.book.proof(&unit).expect("asks").expect("there"), kept);
    let acts: Vec<_> = story.entries.iter().map(|e| e.act.as_str()).collect();
    assert_eq!(acts, ["attempt.begin", "attempt.pass"]);
    assert_eq!(site.book.unit(&unit).expect("asks").expect("there").attempts, 1);
    assert_eq!(site.book.unit_of_chip(&chip(1).chip_id).expect("asks").expect("there").serial, unit);
    assert_eq!(site.book.chip_story(&chip(2).chip_id).expect("asks").expect("there").product.facts, product());
    assert_eq!(site.book.story(&serial("TV-9")).expect("asks"), None);
    assert_eq!(site.book.chip_story(&chip(9).chip_id).expect("asks"), None);
    assert!(site.book.verify(None).expect("verifies").intact());
}

pub fn units_are_checked_again(engine: &Engine<'_>) {
    let site = engine.site().stocked(3);
    let units = [site.provision(0, "S1"), site.provision(1, "S1")];
    assert!(site.book.last_checks().expect("asks").is_empty());
    for (unit, result) in [(0, "failed"), (1, "failed"), (0, "passed")] {
        let body = serde_json::json!({ "result": result });
        site.book.note("unit.verify", &book::Subject::Unit(units[unit].clone()), &body, &by()).expect("noted");
    }
    let checks = site.book.last_checks().expect("asks");
    let told: Vec<_> =
        checks.iter().map(|c| (c.subject.1.as_str(), c.body().expect("a body")["result"].clone())).collect();
    assert_eq!(told, [(units[0].as_str(), "passed".into()), (units[1].as_str(), "failed".into())]);
}

pub fn why_a_chip_must_not_be_touched(engine: &Engine<'_>) {
    let site = engine.site().stocked(6).reel("REEL-B", 50..52);
    let before = site.book.head().expect("a head");
    let refuse =
        |n: u32, unit: &str| site.begin(n, SerialWish::Exactly(&serial(unit)), &on("S2", 20)).expect_err("refused");
    assert!(matches!(refuse(99, "U1"), BeginError::ChipUnknown { .. }));
    assert!(matches!(refuse(50, "U1"), BeginError::NoCredential { .. }));
    let (chip_id, unit, at_s2) = (chip(50).chip_id, serial("U1"), on("S2", 20));
    let mut begin =
        Begin { reel: Some(&reel_id("REEL-A")), ..Begin::new(&chip_id, SerialWish::Exactly(&unit), &at_s2) };
    assert!(matches!(site.book.begin_attempt(&begin), Err(BeginError::OtherReel { .. })));
    let (chip_id, nobody) = (chip(0).chip_id, by());
    (begin.chip, begin.by) = (&chip_id, &nobody);
    assert!(matches!(site.book.begin_attempt(&begin), Err(BeginError::NoStation)));
    begin.by = &at_s2;
    begin.onboard = &|_| Err("no randomness".into());
    assert!(matches!(site.book.begin_attempt(&begin), Err(BeginError::Onboarding(_))));
    begin.onboard = &|_| Ok(None);
    let missing = DeclarationName::new("nothing").expect("a name");
    begin.declaration = Some(&missing);
    assert!(matches!(site.book.begin_attempt(&begin), Err(BeginError::Declaration { .. })));
    let sold = NewDeclaration {
        name: DeclarationName::new("for sale").expect("a name"),
        origin: DeclarationOrigin::Adopted,
        purpose: Purpose::Production,
        content: b"declaration".to_vec(),
        vendor_id: 0x1234,
        product_ids: vec![1],
        certification_type: 2,
        signer: None,
    };
    site.book.add_declaration(&sold, &by()).expect("added");
    begin.declaration = Some(&sold.name);
    let mixed = site.book.begin_attempt(&begin).expect_err("a test product");
    assert!(matches!(&mixed, BeginError::Declaration { why, .. } if why.contains("production")), "{mixed}");
    assert_eq!(site.book.chip(&chip(0).chip_id).expect("asks").expect("there").state, ChipState::Blank);
    assert_eq!(site.book.head().expect("a head").size, before.size + 1, "refusals leave no entry");

    let passed = site.provision(1, "S1");
    let known = refuse(1, passed.as_str());
    assert!(matches!(&known, BeginError::AlreadyProvisioned { unit } if unit.serial == passed), "{known}");
    assert!(known.to_string().contains("passed") && known.advice().contains(passed.as_str()), "{known}");
    assert_eq!(known.blame(), Blame::Refused);
    assert!(matches!(refuse(0, passed.as_str()), BeginError::SerialTaken { owner, .. } if owner == chip(1).chip_id));

    site.begin(2, SerialWish::Exactly(&serial("U2")), &on("S1", 30)).expect("begun");
    let elsewhere = refuse(2, "U2");
    let BeginError::Elsewhere { station, since, .. } = &elsewhere else { panic!("{elsewhere}") };
    assert_eq!((station.as_str(), *since), ("S1", at(30)));
    let other = site.begin(2, SerialWish::Exactly(&serial("U3")), &on("S1", 31)).expect_err("it has a unit");
    assert!(matches!(other, BeginError::ChipHasUnit { .. }), "{other}");

    site.book.scrap_chip(&chip(3).chip_id, "bent lead", &by()).expect("scrapped");
    let scrapped = refuse(3, "U4");
    assert!(
        matches!(&scrapped, BeginError::ChipScrapped { unit: None, reason, .. } if reason == "bent lead"),
        "{scrapped}"
    );
    let revoked = credential(4);
    site.book.revoke(&[(revoked.issuer_key_id, revoked.serial)], "key compromise", &by()).expect("revoked");
    assert!(matches!(refuse(4, "U5"), BeginError::CredentialRevoked { .. }));
}

pub fn a_failed_unit_comes_again(engine: &Engine<'_>) {
    let site = engine.site().stocked(2);
    let unit = serial("U0");
    let wish = SerialWish::IfNew(&unit);
    let first = site.begin(0, wish, &on("S1", 0)).expect("begun");
    let failed = site.fail(&unit, first.attempt, Next::Retry, &on("S1", 1)).expect("failed");
    assert_eq!(failed.unit.state, UnitState::Failed);
    let held = site.book.credential_for_key(&chip(0).public_key).expect("asks").expect("there");
    assert_eq!(held.state, CredentialState::Reserved, "a retry keeps its reservation");
    // On another station, with another serial number at hand: the unit goes on as it is.
    let second = site.begin(0, SerialWish::IfNew(&serial("U1")), &on("S2", 2)).expect("begun again");
    assert_eq!((second.unit.serial.clone(), second.attempt, second.resumed), (unit.clone(), AttemptNumber(2), true));
    assert_eq!(second.credential.certificate, first.credential.certificate);
    let previous = second.previous.expect("the failure is told");
    assert_eq!((previous.cause.as_deref(), previous.next), (Some("read-back.differs"), Some(Next::Retry)));
    site.fail(&unit, second.attempt, Next::Rework, &on("S2", 3)).expect("failed");
    let third = site.begin(0, wish, &on("S1", 4)).expect("back from repair");
    let passed = site.pass(0, &unit, third.attempt, &on("S1", 5)).expect("passed");
    assert_eq!((passed.unit.state, passed.unit.attempts), (UnitState::Passed, 3));
    let story = site.book.story(&unit).expect("asks").expect("there");
    let results: Vec<_> = story.attempts.iter().map(|a| a.attempt.result).collect();
    assert_eq!(results, [AttemptResult::Failed, AttemptResult::Failed, AttemptResult::Passed]);
    assert!(story.attempts.iter().all(|a| a.steps.len() == 3));
    assert!(site.book.verify(None).expect("verifies").intact());
}

pub fn a_scrapped_unit_takes_chip_and_credential_along(engine: &Engine<'_>) {
    let site = engine.site().stocked(2);
    let unit = serial("U0");
    let begun = site.begin(0, SerialWish::IfNew(&unit), &on("S1", 0)).expect("begun");
    let scrapped = site.fail(&unit, begun.attempt, Next::Scrap, &on("S1", 1)).expect("scrapped").unit;
    assert_eq!((scrapped.state, scrapped.reason.as_deref()), (UnitState::Scrapped, Some("read-back.differs")));
    let story = site.book.story(&unit).expect("asks").expect("there");
    assert_eq!(story.origin.chip.state, ChipState::Scrapped);
    assert_eq!(story.origin.credential.expect("has one").state, CredentialState::Spent);
    let refused = site.begin(0, SerialWish::IfNew(&serial("U9")), &on("S1", 2)).expect_err("scrapped");
    assert!(matches!(&refused, BeginError::ChipScrapped { unit: Some(u), .. } if *u == unit), "{refused}");
    assert!(site.book.verify(None).expect("verifies").intact());
}

pub fn a_station_that_died(engine: &Engine<'_>) {
    let site = engine.site().stocked(3);
    let unit = serial("U0");
    let wish = SerialWish::IfNew(&unit);
    site.begin(0, wish, &on("S1", 0)).expect("begun");
    // The same station, started again, goes on by itself.
    let second = site.begin(0, wish, &on("S1", 60)).expect("goes on");
    assert!(second.resumed);
    let previous = second.previous.expect("told");
    assert_eq!((previous.number, previous.result), (AttemptNumber(1), AttemptResult::Interrupted));
    // Another one must be told to.
    assert!(matches!(site.begin(0, wish, &on("S2", 61)), Err(BeginError::Elsewhere { .. })));
    let third = site.begin_with(0, wish, true, &on("S2", 62)).expect("taken over");
    assert_eq!((third.attempt, third.unit.serial.clone()), (AttemptNumber(3), unit.clone()));
    // The first one, back from the dead, can't end what it no longer has.
    let late = site.pass(0, &unit, second.attempt, &on("S1", 63)).expect_err("taken over");
    assert!(matches!(&late, FinishError::Ended { there } if there.result == AttemptResult::Interrupted), "{late}");
    // A station can also say itself that it was interrupted.
    let told = Finish {
        unit: &unit,
        attempt: third.attempt,
        steps: &steps()[..1],
        outcome: Outcome::Interrupted { detail: "stopped by the operator" },
        by: &on("S2", 64),
    };
    assert_eq!(site.book.finish_attempt(&told).expect("ended").unit.state, UnitState::Open);
    // By a clock that jumped back an hour.
    let fourth = site.begin(0, wish, &on("S3", -3600)).expect("nothing is open");
    site.pass(0, &unit, fourth.attempt, &on("S3", -3599)).expect("passed");
    assert!(site.book.verify(None).expect("verifies").intact());
}

pub fn why_an_attempt_is_not_ended(engine: &Engine<'_>) {
    let site = engine.site().stocked(4);
    site.provision(3, "S1");
    let unit = serial("U0");
    let attempt = site.begin(0, SerialWish::IfNew(&unit), &on("S1", 0)).expect("begun").attempt;
    let before = site.book.head().expect("a head");
    let unknown = site.pass(0, &serial("U7"), attempt, &on("S1", 1)).expect_err("no such unit");
    assert!(matches!(unknown, FinishError::Unknown { .. }), "{unknown}");
    let unknown = site.pass(0, &unit, AttemptNumber(2), &on("S1", 1)).expect_err("no such attempt");
    assert!(matches!(unknown, FinishError::Unknown { .. }), "{unknown}");
    let other = site.pass(0, &unit, attempt, &on("S2", 1)).expect_err("another station's");
    assert!(matches!(&other, FinishError::OtherStation { there, .. } if there.station.as_str() == "S1"), "{other}");
    let pass_with = |proof: &NewProof| {
        let by = on("S1", 1);
        site.book.finish_attempt(&Finish { unit: &unit, attempt, steps: &[], outcome: Outcome::Passed(proof), by: &by })
    };
    let swapped = pass_with(&NewProof { dac: certificate(1), ..proof(0) }).expect_err("another chip's certificate");
    assert!(matches!(swapped, FinishError::OtherCertificate { .. }), "{swapped}");
    let replayed = pass_with(&NewProof { nonce: proof(3).nonce, ..proof(0) }).expect_err("a nonce used twice");
    assert!(matches!(&replayed, FinishError::NonceUsed { other, .. } if other.as_str() == "TV-000003"), "{replayed}");
    assert_eq!(site.book.head().expect("a head"), before, "nothing was changed");
    assert_eq!(site.book.unit(&unit).expect("asks").expect("there").state, UnitState::Open);
    let own = credential(0);
    site.book.revoke(&[(own.issuer_key_id, own.serial)], "key compromise", &by()).expect("revoked");
    let revoked = pass_with(&proof(0)).expect_err("revoked meanwhile");
    assert!(matches!(revoked, FinishError::CredentialRevoked { .. }), "{revoked}");
    site.fail(&unit, attempt, Next::Scrap, &on("S1", 2)).expect("scrapped");
    let kept = site.book.credential_for_key(&chip(0).public_key).expect("asks").expect("there");
    assert_eq!(kept.state, CredentialState::Revoked, "what was revoked stays so");
    let ended = site.pass(0, &unit, attempt, &on("S1", 3)).expect_err("ended");
    assert!(matches!(&ended, FinishError::Ended { there } if there.result == AttemptResult::Failed), "{ended}");
    assert!(site.book.verify(None).expect("verifies").intact());
}

pub fn serial_numbers_are_counted(engine: &Engine<'_>) {
    let site = engine.site().stocked(8);
    let begun = |n: u32, start: &str| site.begin(n, SerialWish::CountFrom(&serial(start)), &on("S1", n.into()));
    let given = |n: u32, start: &str| begun(n, start).expect("begun").unit.serial.to_string();
    assert_eq!(given(0, "TV-0098"), "TV-0098");
    assert_eq!(given(1, "TV-0001"), "TV-0099", "one series, whatever number a station begins with");
    site.begin(2, SerialWish::Exactly(&serial("TV-0100")), &on("S1", 2)).expect("begun");
    assert_eq!(given(3, "TV-0098"), "TV-0101", "a number given by hand is stepped over");
    assert_eq!(given(4, "TV-2000"), "TV-2000");
    assert_eq!(given(5, "AB9"), "AB9");
    let ends = begun(6, "AB9").expect_err("one digit, and it is used up");
    assert!(matches!(ends, BeginError::SeriesEnds { .. }), "{ends}");
    assert!(matches!(begun(6, "NO-DIGITS-"), Err(BeginError::SeriesEnds { .. })));
    assert_eq!(site.book.chip(&chip(6).chip_id).expect("asks").expect("there").state, ChipState::Blank);
    assert_eq!(given(6, "000000000000000000007"), "000000000000000000007", "more digits than a number holds");
}

pub fn units_away_from_the_line(engine: &Engine<'_>) {
    let site = engine.site().stocked(5);
    let (passed, book) = (site.provision(0, "S1"), &site.book);
    book.record_label(&passed, LabelEvent::Printed, &by()).expect("recorded");
    book.record_label(&passed, LabelEvent::Checked, &on("S9", 5)).expect("recorded");
    let story = book.story(&passed).expect("asks").expect("there");
    let labels: Vec<_> = story.labels.iter().map(|l| (l.event, l.actor.to_string())).collect();
    assert_eq!(labels, [(LabelEvent::Printed, "engineer".into()), (LabelEvent::Checked, "operator".into())]);
    let why = serde_json::json!({ "rule": "retention" });
    assert!(book.erase_passcode(&passed, &why, &by()).expect("erased").is_some());
    assert!(book.erase_passcode(&passed, &why, &by()).expect("as it was").is_none());
    let left = book.unit(&passed).expect("asks").expect("there").onboarding.expect("the rest stays");
    assert_eq!((left.passcode, left.verifier), (None, onboarding().verifier));
    book.note("passcode.reveal", &Subject::Unit(passed.clone()), &serde_json::json!({}), &by()).expect("noted");
    let returned = book.return_unit(&passed, "rattles", &by()).expect("returned");
    assert_eq!((returned.state, returned.reason.as_deref()), (UnitState::Returned, Some("rattles")));
    let again = book.return_unit(&passed, "rattles", &by()).expect_err("it is back");
    assert!(matches!(again, UnitError::State { state: UnitState::Returned, .. }), "{again}");
    let begun = site.begin(0, SerialWish::IfNew(&passed), &on("S1", 9)).expect_err("not written again");
    assert!(begun.to_string().contains("returned by the customer"), "{begun}");
    let gone = book.scrap_unit(&passed, "burnt", false, &by()).expect("scrapped");
    assert_eq!(gone.state, UnitState::Scrapped);
    assert_eq!(book.scrap_unit(&passed, "other words", false, &by()).expect("as it was").reason, gone.reason);

    let open = serial("U1");
    site.begin(1, SerialWish::IfNew(&open), &on("S1", 20)).expect("begun");
    let busy = book.scrap_unit(&open, "dropped", false, &by()).expect_err("on a station");
    assert!(matches!(&busy, UnitError::OnStation { station, .. } if station.as_str() == "S1"), "{busy}");
    let wrong = book.return_unit(&open, "x", &by()).expect_err("never passed");
    assert!(matches!(wrong, UnitError::State { .. }), "{wrong}");
    book.scrap_unit(&open, "dropped", true, &by()).expect("scrapped");
    let story = book.story(&open).expect("asks").expect("there");
    assert_eq!(story.attempts[0].attempt.result, AttemptResult::Interrupted);
    assert_eq!(story.origin.credential.expect("has one").state, CredentialState::Spent);
    let unknown = book.record_label(&serial("U7"), LabelEvent::Printed, &by()).expect_err("no such unit");
    assert!(matches!(unknown, UnitError::Unknown { .. }), "{unknown}");
    let labels = || book.story(&passed).expect("asks").expect("there").labels.len();
    let before = (labels(), book.head().expect("asks").size);
    let one_unknown = [passed.clone(), serial("U7")];
    let unknown = book.record_labels(&one_unknown, LabelEvent::Printed, &by()).expect_err("one is not there");
    assert!(matches!(unknown, UnitError::Unknown { .. }), "{unknown}");
    assert_eq!((labels(), book.head().expect("asks").size), before, "none of them, then");
    book.record_labels(&[open.clone(), passed.clone()], LabelEvent::Printed, &by()).expect("recorded");
    assert_eq!((labels(), book.head().expect("asks").size), (before.0 + 1, before.1 + 2), "an entry each");

    let refused = book.scrap_chip(&chip(0).chip_id, "x", &by()).expect_err("a unit's");
    assert!(matches!(refused, ScrapChipError::HasUnit { .. }), "{refused}");
    assert!(matches!(book.scrap_chip(&chip(77).chip_id, "x", &by()), Err(ScrapChipError::Unknown { .. })));
    book.scrap_chip(&chip(2).chip_id, "bent lead", &by()).expect("scrapped");
    book.scrap_chip(&chip(2).chip_id, "bent lead", &by()).expect("as it was");
    let (two, three) = (credential(2), credential(3));
    let both = [(two.issuer_key_id.clone(), two.serial), (three.issuer_key_id, three.serial)];
    assert_eq!(book.revoke(&both, "lost", &by()).expect("revoked"), 2, "spent ones too");
    assert_eq!(book.revoke(&both, "lost", &by()).expect("as it was"), 0);
    let missing = [both[0].clone(), (vec![1], vec![2])];
    assert!(matches!(book.revoke(&missing, "lost", &by()), Err(RevokeError::Unknown { .. })));
    assert!(book.verify(None).expect("verifies").intact());
}

pub fn passcodes_are_erased(engine: &Engine<'_>) {
    let site = engine.site().stocked(6);
    let book = &site.book;
    let units: Vec<_> = (0..4).map(|n| site.provision(n, "S1")).collect();
    book.record_label(&units[1], LabelEvent::Printed, &on("S9", 50)).expect("recorded");
    book.record_label(&units[1], LabelEvent::Printed, &on("S9", 60)).expect("recorded");
    book.record_label(&units[1], LabelEvent::Checked, &on("S9", 70)).expect("recorded");
    let page = book.passcodes_kept(None, 3).expect("asks");
    let told: Vec<_> = page.items.iter().map(|k| (k.unit.clone(), k.state, k.printed)).collect();
    let kept = |n: usize, printed| (units[n].clone(), UnitState::Passed, printed);
    assert_eq!(told, [kept(0, None), kept(1, Some(at(60))), kept(2, None)]);
    let rest = book.passcodes_kept(page.next.as_ref(), 3).expect("asks");
    assert_eq!((rest.items.len(), rest.next), (1, None));
    // One that is on the line needs it still.
    let open = serial("U5");
    site.begin(5, SerialWish::IfNew(&open), &on("S1", 80)).expect("begun");
    let why = serde_json::json!({ "rule": "retention", "days": 30 });
    let refused = book.erase_passcode(&open, &why, &by()).expect_err("open");
    assert!(matches!(refused, UnitError::State { state: UnitState::Open, .. }), "{refused}");
    assert!(matches!(book.erase_passcode(&serial("U9"), &why, &by()), Err(UnitError::Unknown { .. })));
    book.scrap_unit(&open, "bent", true, &by()).expect("scrapped");
    for unit in units.iter().chain([&open]) {
        let sequence = book.erase_passcode(unit, &why, &by()).expect("erased").expect("an entry");
        let entry = book.entry(sequence).expect("asks").expect("there");
        assert_eq!((entry.act.as_str(), entry.subject.1.as_str()), ("passcode.erase", unit.as_str()));
        assert_eq!(entry.body().expect("JSON")["days"], 30);
    }
    assert_eq!(book.passcodes_kept(None, 10).expect("asks").items, []);
    book.forget_old_rows().expect("forgotten");
    if let Some(file) = site.place.location.as_file() {
        // Not in the file either, nor in its journal.
        let sealed = onboarding().passcode.expect("a passcode");
        let journal = file.with_file_name(format!("{}-wal", file.file_name().expect("a name").to_string_lossy()));
        for path in [file.to_owned(), journal] {
            let octets = std::fs::read(&path).unwrap_or_default();
            assert!(!octets.windows(sealed.len()).any(|w| w == sealed), "{}", path.display());
        }
    }
    let verified = book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
}

/// The firmware that a station was told stands with the attempt; the last one told is what a unit carries.
pub fn firmware_of_units(engine: &Engine<'_>) {
    let site = engine.site().stocked(6);
    let version = |text: &str| FirmwareVersion::new(text).expect("a version");
    let begin = |n: u32, firmware: Option<&str>, at: i64| {
        let firmware = firmware.map(version);
        site.book
            .begin_attempt(&Begin {
                onboard: &|_| Ok(Some(onboarding())),
                facts: book::AttemptFacts { firmware: firmware.clone(), ..Default::default() },
                ..Begin::new(&chip(n).chip_id, SerialWish::IfNew(&serial(&format!("TV-{n:06}"))), &on("S1", at))
            })
            .expect("begun")
    };
    let pass = |n: u32, firmware: Option<&str>| {
        let begun = begin(n, firmware, 1);
        site.pass(n, &begun.unit.serial, begun.attempt, &on("S1", 2)).expect("passed");
    };
    pass(0, Some("1.0"));
    pass(1, Some("1.1"));
    pass(2, None);
    // Flashed anew between two attempts: what was told last counts.
    begin(3, Some("1.0"), 1);
    pass(3, Some("1.1"));
    // Told once, and not again: still what is known.
    begin(4, Some("1.0"), 1);
    pass(4, None);
    let carry = |touch: &Touch| {
        let mut units = Vec::new();
        let each = &mut |t: book::Touched| {
            units.push((t.unit.to_string(), t.firmware.map(|f| f.to_string())));
            Ok::<_, BookError>(())
        };
        site.book.touched(touch, each).expect("asks");
        units
    };
    let of = |text: &str| Touch { firmware: Some(version(text)), ..Touch::default() };
    let told = |unit: &str, text: &str| (unit.to_owned(), Some(text.to_owned()));
    assert_eq!(carry(&of("1.0")), [told("TV-000000", "1.0"), told("TV-000004", "1.0")]);
    assert_eq!(carry(&of("1.1")), [told("TV-000001", "1.1"), told("TV-000003", "1.1")]);
    assert_eq!(carry(&of("2.0")), []);
    let on_reel = Touch { reel: Some(reel_id("REEL-A")), ..of("1.1") };
    assert_eq!(carry(&on_reel).len(), 2);
    assert_eq!(carry(&Touch { reel: Some(reel_id("REEL-A")), ..Touch::default() })[2], ("TV-000002".into(), None));
    for touch in [of("1.0"), on_reel] {
        let known = site.book.firmware_known(&touch).expect("asks");
        assert_eq!((known.recorded, known.not_recorded), (4, 1), "{touch:?}");
    }
    assert!(site.book.verify(None).expect("verifies").intact());
}
