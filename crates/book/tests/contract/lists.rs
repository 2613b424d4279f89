//! Finding, lists, counts and the account.

use book::{
    BookError, CredentialState, Found, Next, ScrapChipError, SerialWish, Stretch, Touch, UnitFilter, UnitState, Verdict,
};

use crate::support::*;

pub fn finding(engine: &Engine<'_>) {
    let site = engine.site().stocked(30);
    let unit = site.provision(5, "S1");
    let units = |text: &str| -> Vec<String> {
        let found: Vec<Found> = site.book.find(text, 20).expect("asks");
        found.into_iter().map(|f| f.unit.map_or(format!("chip {}", f.chip), |(serial, _)| serial.to_string())).collect()
    };
    assert_eq!(units(unit.as_str()), ["TV-000005"]);
    assert_eq!(units("TV-0"), ["TV-000005"]);
    assert_eq!(units(chip(5).chip_id.as_str()), ["TV-000005"]);
    assert_eq!(units(&chip(6).chip_id.as_str().to_lowercase()), [format!("chip {}", chip(6).chip_id)]);
    assert_eq!(units("3000000005"), ["TV-000005"], "the credential's serial number");
    assert_eq!(units(" 30:00:00:00:05 "), ["TV-000005"]);
    assert_eq!(units("01A0").len(), 20, "no more than asked for");
    assert!(units("zebra").is_empty());
    assert!(units("ff").is_empty());
    assert!(units("").is_empty());
    assert_eq!(units("tv-000005"), ["TV-000005"], "in any letter case");
    let other = site.provision(6, "S1");
    assert_eq!(units("00005"), ["TV-000005"], "the end of a serial number");
    assert_eq!(units("v-000005"), ["TV-000005"], "the end in any letter case");
    assert_eq!(units("-00000"), [""; 0], "neither a beginning nor an end");
    assert!(units("005").is_empty(), "three characters are too few for an end");
    for pattern in ["%00005", "_00005", "!00005", "TV_000005"] {
        assert!(units(pattern).is_empty(), "{pattern} stands for itself");
    }
    let both: Vec<_> = site.book.find("TV-00000", 20).expect("asks").into_iter().filter_map(|f| f.unit).collect();
    assert_eq!(both.iter().map(|(serial, _)| serial).collect::<Vec<_>>(), [&unit, &other]);

    let discriminator = site.book.unit(&unit).expect("asks").and_then(|u| u.onboarding).expect("a code").discriminator;
    let candidates = site.book.code_candidates(discriminator, None, 10).expect("asks").items;
    let ours = candidates.iter().find(|c| c.unit == unit).expect("among them");
    let kept = site.book.unit(&unit).expect("asks").and_then(|u| u.onboarding).and_then(|o| o.passcode);
    assert_eq!(Some(&ours.passcode), kept.as_ref());
    assert!(site.book.code_candidates(discriminator, Some(&other), 10).expect("asks").items.is_empty());
    let found = site.book.find("TV-000005", 1).expect("asks").remove(0);
    assert_eq!((found.unit.expect("a unit").1, found.credential), (UnitState::Passed, Some(credential(5).serial)));
}

pub fn lists_and_pages(engine: &Engine<'_>) {
    let site = engine.site().stocked(12).reel("REEL-B", 20..30).delivered("D-2", "REEL-B", 20..30);
    for n in 0..9 {
        site.provision(n, if n < 4 { "S1" } else { "S2" });
    }
    for n in 20..23 {
        site.provision(n, "S2");
    }
    let open = serial("TV-000009");
    site.begin(9, SerialWish::IfNew(&open), &on("S3", 500)).expect("begun");
    let all = UnitFilter::default();
    let (mut after, mut seen) = (None, Vec::new());
    loop {
        let page = site.book.units(&all, after.as_ref(), 5).expect("asks");
        assert!(page.items.len() <= 5);
        seen.extend(page.items.into_iter().map(|u| u.serial));
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    assert_eq!(seen.len(), 13);
    assert!(seen.is_sorted());
    let count = |filter: &UnitFilter| {
        let page = site.book.units(filter, None, 100).expect("asks");
        assert_eq!(site.book.count_units(filter).expect("asks"), page.items.len() as i64);
        page.items.len()
    };
    assert_eq!(count(&UnitFilter { reel: Some(reel_id("REEL-B")), ..all.clone() }), 3);
    assert_eq!(count(&UnitFilter { state: Some(UnitState::Open), ..all.clone() }), 1);
    assert_eq!(count(&UnitFilter { product: Some(product().name), ..all.clone() }), 13);
    assert_eq!(count(&UnitFilter { delivery: Some(delivery("D-2", "REEL-B").delivery), ..all.clone() }), 3);
    assert_eq!(count(&UnitFilter { authority: Some(pai().name), ..all.clone() }), 13);
    assert_eq!(count(&UnitFilter { authority: Some(paa().name), ..all.clone() }), 13);
    let s2 = UnitFilter { station: on("S2", 0).station, ..all.clone() };
    assert_eq!(count(&s2), 8);
    assert_eq!(count(&UnitFilter { reel: Some(reel_id("REEL-B")), ..s2.clone() }), 3);
    assert_eq!(count(&UnitFilter { from: Some(at(6)), to: Some(at(9)), ..s2 }), 3);
    assert_eq!(count(&UnitFilter { from: Some(at(9)), ..all }), 4);
}

pub fn counts(engine: &Engine<'_>) {
    let site = engine.site().stocked(8).reel("REEL-B", 20..25);
    for n in 0..3 {
        site.provision(n, "S1");
    }
    for (n, next) in [(3, Next::Retry), (4, Next::Scrap)] {
        let unit = serial(&format!("U{n}"));
        let begun = site.begin(n, SerialWish::IfNew(&unit), &on("S2", 86_400)).expect("begun");
        site.fail(&unit, begun.attempt, next, &on("S2", 86_405)).expect("failed");
    }
    let again = site.begin(3, SerialWish::IfNew(&serial("U3")), &on("S2", 86_500)).expect("begun");
    site.fail(&again.unit.serial, again.attempt, Next::Retry, &on("S2", 86_501)).expect("failed");
    let told = |verdicts: &[Verdict]| -> Vec<String> {
        let told = |v: &Verdict| {
            let (first, cause) = (if v.first { "first" } else { "again" }, v.cause.as_deref().unwrap_or("passed"));
            format!("{} {} {first} {cause} {}", v.unit, v.station, v.taken_us)
        };
        verdicts.iter().map(told).collect()
    };
    let all = |from| {
        let mut verdicts = Vec::new();
        let size = site.book.verdicts_from(from, &mut |v| verdicts.push(v)).expect("asks");
        verdicts.sort_by_key(|v| (v.ended, v.unit.clone()));
        (size, told(&verdicts))
    };
    let since = |size| {
        let mut verdicts = Vec::new();
        let size = site.book.verdicts_since(size, &mut |v| verdicts.push(v)).expect("asks");
        (size, told(&verdicts))
    };
    let (size, verdicts) = all(at(-100));
    let failed = [
        "U3 S2 first read-back.differs 91200",
        "U4 S2 first read-back.differs 91200",
        "U3 S2 again read-back.differs 91200",
    ];
    let passed =
        ["TV-000000 S1 first passed 91200", "TV-000001 S1 first passed 91200", "TV-000002 S1 first passed 91200"];
    assert_eq!(verdicts, [&passed[..], &failed[..]].concat());
    assert_eq!(all(at(86_405)), (size, failed.map(str::to_owned).to_vec()));
    // From an empty log on, each once and in the log's order; nothing twice.
    assert_eq!(since(0), (Some(size), verdicts));
    assert_eq!(since(size), (Some(size), Vec::new()));
    // A station whose clock is behind tells of the past: by the log it is new.
    let late = site.begin(5, SerialWish::IfNew(&serial("U5")), &on("S1", -500)).expect("begun");
    assert_eq!(since(size), (Some(size + 1), Vec::new()), "an open attempt is no verdict");
    site.pass(5, &serial("U5"), late.attempt, &on("S1", -499)).expect("passed");
    assert_eq!(since(size).1, ["U5 S1 first passed 91200"]);
    assert_eq!(since(size + 100), (None, Vec::new()), "another book");
    let reel = site.book.count_reel(&reel_id("REEL-A")).expect("asks").expect("there");
    let chips = reel.chips;
    assert_eq!((chips.received, chips.blank, chips.held, chips.provisioned, chips.scrapped), (8, 2, 1, 4, 1));
    assert_eq!((reel.without, reel.credentials.available, reel.units.failed), (0, 2, 1));
    let other = site.book.count_reel(&reel_id("REEL-B")).expect("asks").expect("there");
    assert_eq!((other.without, other.credentials.received), (5, 0));
    assert_eq!(site.book.count_reel(&reel_id("REEL-Z")).expect("asks"), None);
    let chips = |reel: &str| site.book.count_chips(&reel_id(reel)).expect("asks");
    assert_eq!(chips("REEL-A"), Some((reel.chips, 0)));
    assert_eq!(chips("REEL-B"), Some((other.chips, 5)));
    assert_eq!(chips("REEL-Z"), None);
}

pub fn tallies(engine: &Engine<'_>) {
    let site = engine.site().stocked(8).reel("REEL-B", 20..25).delivered("D-2", "REEL-B", 20..25);
    for n in 0..3 {
        site.provision(n, "S1");
    }
    let unit = serial("U3");
    let begun = site.begin(3, SerialWish::IfNew(&unit), &on("S2", 3_598)).expect("begun");
    site.fail(&unit, begun.attempt, Next::Retry, &on("S2", 3_599)).expect("failed");
    let begun = site.begin(3, SerialWish::IfNew(&unit), &on("S2", 3_599)).expect("begun");
    site.pass(3, &unit, begun.attempt, &on("S2", 3_600)).expect("passed");
    site.provision(20, "S2");
    // Never ended: not in any tally.
    site.begin(5, SerialWish::IfNew(&serial("U5")), &on("S3", 50)).expect("begun");
    let hour = Stretch { micros: 3_600_000_000, ahead: 0 };
    let all = UnitFilter::default();
    let tell = |filter: &UnitFilter, stretch: Stretch| -> Vec<String> {
        let tallies = site.book.tally_attempts(filter, stretch).expect("asks");
        let told = tallies.into_iter().map(|t| {
            let first = if t.first { "first" } else { "again" };
            let (hour, us) = (t.begins.hour(), t.total_us);
            format!("{hour} {} {} {first} {} {} {us}", t.station, t.reel, t.result, t.attempts)
        });
        told.collect()
    };
    let told = [
        "6 S1 REEL-A first passed 3 3000000",
        "6 S2 REEL-A first failed 1 1000000",
        "6 S2 REEL-B first passed 1 1000000",
        "7 S2 REEL-A again passed 1 1000000",
    ];
    assert_eq!(tell(&all, hour), told);
    // Of a zone that is half an hour ahead, stretches begin at half past.
    let ahead = Stretch { ahead: 1_800_000_000, ..hour };
    let shifted = site.book.tally_attempts(&all, ahead).expect("asks");
    assert!(shifted.iter().all(|t| t.begins == at(-1_800) || t.begins == at(1_800)), "{shifted:?}");
    let s2 = UnitFilter { station: on("S2", 0).station, reel: Some(reel_id("REEL-A")), ..all.clone() };
    assert_eq!(tell(&s2, hour), [told[1], told[3]]);
    let early = UnitFilter { to: Some(at(3_599)), product: Some(product().name), ..all.clone() };
    assert_eq!(tell(&early, hour), [told[0], told[2]]);
    let of_delivery = UnitFilter { delivery: Some(delivery("D-2", "REEL-B").delivery), ..all.clone() };
    assert_eq!(tell(&of_delivery, hour), [told[2]]);

    let causes = site.book.tally_causes(&all, hour).expect("asks");
    assert_eq!(causes.len(), 1);
    let cause = &causes[0];
    assert_eq!((cause.cause.as_str(), cause.next, cause.failures), ("read-back.differs", Next::Retry, 1));
    assert_eq!((cause.station.as_str(), cause.reel.as_str(), cause.begins), ("S2", "REEL-A", at(0)));
    let bins = site.book.tally_steps(&s2).expect("asks");
    let told: Vec<_> =
        bins.iter().map(|b| (b.name.as_str(), b.done, b.from_us, b.times, b.total_us, b.longest_us)).collect();
    let row = |name| (name, true, 1_200, 2, 2_400, 1_200);
    assert_eq!(told, [row("identify"), row("read back"), row("write DAC")]);
    // Whoever watches is told of every row, and may end it.
    let rows = std::cell::Cell::new(0);
    let count = |more| {
        rows.set(rows.get() + more);
        true
    };
    let watched = site.book.tallies(&s2, &count);
    assert_eq!((watched.attempts(hour).expect("asks").len(), rows.take()), (2, 2));
    assert_eq!((watched.causes(hour).expect("asks").len(), rows.take()), (1, 1));
    let steps = bins.iter().map(|b| b.times.unsigned_abs()).sum::<u64>();
    assert_eq!((watched.steps().expect("asks").len(), rows.take()), (bins.len(), steps));
    assert_eq!(watched.sampled_steps().expect("asks"), (2, steps), "a few attempts are all there are");
    let stopped = |said: Result<(), BookError>| assert!(matches!(said, Err(BookError::Stopped)), "{said:?}");
    let nobody = site.book.tallies(&all, &|_| false);
    stopped(nobody.attempts(hour).map(drop));
    stopped(nobody.causes(hour).map(drop));
    stopped(nobody.steps().map(drop));
    assert_eq!(site.book.attempts_between(&all).expect("asks"), Some((at(1), at(3_600))));
    let nothing = UnitFilter { from: Some(at(9_999)), ..all };
    assert_eq!(site.book.attempts_between(&nothing).expect("asks"), None);
    assert!(site.book.tally_steps(&nothing).expect("asks").is_empty());
}

pub fn reconciling(engine: &Engine<'_>) {
    let site = engine.site().stocked(10).reel("REEL-B", 20..25);
    for n in 0..4 {
        site.provision(n, "S1");
    }
    let open = serial("U4");
    site.begin(4, SerialWish::IfNew(&open), &on("S1", 1)).expect("begun");
    for (n, next) in [(5, Next::Rework), (6, Next::Scrap)] {
        let unit = serial(&format!("U{n}"));
        let begun = site.begin(n, SerialWish::IfNew(&unit), &on("S1", 2)).expect("begun");
        site.fail(&unit, begun.attempt, next, &on("S1", 3)).expect("failed");
    }
    let revoked = credential(7);
    site.book.revoke(&[(revoked.issuer_key_id, revoked.serial)], "lost", &by()).expect("revoked");
    assert!(matches!(site.book.scrap_chip(&chip(6).chip_id, "x", &by()), Err(ScrapChipError::HasUnit { .. })));
    site.book.scrap_chip(&chip(20).chip_id, "bent lead", &by()).expect("scrapped");
    site.book.return_unit(&serial("TV-000003"), "rattles", &by()).expect("returned");
    let told = serde_json::to_value(site.book.reconcile(None).expect("asks")).expect("JSON");
    assert_eq!(
        told,
        serde_json::json!({
            "chips": { "received": 15, "blank": 7, "held": 2, "provisioned": 4, "scrapped": 2, "unaccounted": 0 },
            "credentials": {
                "received": 10, "available": 2, "reserved": 2, "installed": 4, "spent": 1, "revoked": 1, "unaccounted": 0,
            },
            "units": { "passed": 3, "failed": 1, "scrapped": 1, "open": 1, "returned": 1 },
            "double_use": 0,
            "unproven_passes": 0,
        })
    );
    let one = site.book.reconcile(Some(&reel_id("REEL-B"))).expect("asks");
    assert_eq!((one.chips.received, one.chips.blank, one.credentials.received), (5, 4, 0));
}

/// What the constraints forbid, done behind the book's back: the account tells.
pub fn reconciling_is_honest(engine: &Engine<'_>) {
    let site = engine.site().stocked(10);
    for n in 0..3 {
        site.provision(n, "S1");
    }
    let clean = site.book.reconcile(None).expect("asks");
    assert_eq!((clean.credentials.unaccounted, clean.double_use, clean.unproven_passes), (0, 0, 0));
    let mut raw = engine.raw(&site.place);
    raw.force("DELETE FROM proof WHERE unit = 'TV-000000'");
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.unproven_passes, account.credentials.unaccounted), (1, 1));
    assert_eq!(account.credentials.installed, 2, "an installed credential without a proof is not one");
    let key = raw.octets(&chip(1).public_key);
    raw.force(&format!("UPDATE proof SET public_key = {} WHERE unit = 'TV-000002'", raw.octets(&chip(9).public_key)));
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.double_use, account.unproven_passes), (1, 2));
    raw.force(&format!("DELETE FROM credential WHERE public_key = {key}"));
    raw.force("DELETE FROM chip WHERE position = 8");
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.credentials.unaccounted, account.chips.unaccounted), (4, 1));
}

pub fn what_is_touched(engine: &Engine<'_>) {
    let site = engine.site().stocked(12).reel("REEL-B", 20..30).delivered("D-2", "REEL-B", 20..30);
    let touched = |touch: &Touch| -> Vec<String> {
        let mut units = Vec::new();
        let count = site
            .book
            .touched(touch, &mut |t| {
                units.push(t.unit.to_string());
                Ok::<_, BookError>(())
            })
            .expect("asks");
        assert_eq!(count, units.len() as u64);
        assert!(units.is_sorted(), "{units:?}");
        units
    };
    for touch in touches() {
        assert!(touched(&touch).is_empty(), "no unit yet: {touch:?}");
    }
    for n in 0..4 {
        site.provision(n, if n < 3 { "S1" } else { "S2" });
    }
    for n in 20..22 {
        site.provision(n, "S2");
    }
    // One that is still open has no end.
    site.begin(9, SerialWish::IfNew(&serial("TV-000009")), &on("S3", 500)).expect("begun");
    for touch in touches() {
        assert!(touched(&touch).contains(&"TV-000001".to_owned()), "{touch:?}");
    }
    let all = Touch::default();
    assert_eq!(touched(&all).len(), 7);
    assert_eq!(touched(&Touch { authorities: vec![paa().name], ..all.clone() }).len(), 7);
    assert_eq!(touched(&Touch { delivery: Some(delivery("D-2", "REEL-B").delivery), ..all.clone() }).len(), 2);
    assert_eq!(touched(&Touch { chips: Some((chip(1).chip_id, chip(3).chip_id)), ..all.clone() }).len(), 3);
    let s2 = Touch { station: on("S2", 0).station, ..all.clone() };
    assert_eq!(touched(&s2), ["TV-000003", "TV-000020", "TV-000021"]);
    assert_eq!(touched(&Touch { reel: Some(reel_id("REEL-B")), ..s2.clone() }).len(), 2);
    assert_eq!(touched(&Touch { from: Some(at(400)), to: Some(at(600)), ..all.clone() }), ["TV-000009"]);
    assert_eq!(touched(&Touch { from: Some(at(501)), ..all.clone() }), Vec::<String>::new());
    assert_eq!(touched(&Touch { state: Some(UnitState::Open), ..all.clone() }), ["TV-000009"]);
    let nobody = book::ids::AuthorityName::new("Nobody").expect("a name");
    assert!(touched(&Touch { authorities: vec![nobody], ..all.clone() }).is_empty());
    let other = Touch { issuer_key_id: Some(vec![9; 20]), credential: Some(credential(1).serial), ..all.clone() };
    assert!(touched(&other).is_empty(), "another issuer's serial");
    // A reader that stops has its error back.
    let mut seen = 0;
    let stopped = site.book.touched(&all, &mut |_| {
        seen += 1;
        Err(BookError::Missing { place: "enough".into() })
    });
    assert!(matches!(stopped, Err(BookError::Missing { .. })), "{stopped:?}");
    assert_eq!(seen, 1);
    let issued = site.book.issued_by(&paa().name).expect("asks");
    let told: Vec<_> = issued.iter().map(|i| (i.delivery.as_str(), i.reel.as_str(), i.state, i.count)).collect();
    assert_eq!(
        told,
        [
            ("D-1", "REEL-A", CredentialState::Available, 7),
            ("D-1", "REEL-A", CredentialState::Installed, 4),
            ("D-1", "REEL-A", CredentialState::Reserved, 1),
            ("D-2", "REEL-B", CredentialState::Available, 8),
            ("D-2", "REEL-B", CredentialState::Installed, 2),
        ]
    );
    assert_eq!(issued, site.book.issued_by(&pai().name).expect("asks"));
    assert_eq!(site.book.issuers_of(&reel_id("REEL-B")).expect("asks"), [pai().name]);
    assert!(site.book.issuers_of(&reel_id("REEL-Z")).expect("asks").is_empty());
}

pub fn stock_and_pace(engine: &Engine<'_>) {
    let site = engine.site().stocked(6).reel("REEL-B", 20..30).delivered("D-2", "REEL-B", 20..28);
    let stock = || -> Vec<(String, i64)> {
        let all = site.book.stock().expect("asks");
        assert!(all.iter().all(|s| s.product == product().name && s.first_end.is_none()), "{all:?}");
        all.into_iter().map(|s| (s.reel.to_string(), s.available)).collect()
    };
    assert_eq!(stock(), [("REEL-A".into(), 6), ("REEL-B".into(), 8)]);
    assert!(site.book.pace(at(-100)).expect("asks").is_empty());
    for n in 0..3 {
        site.provision(n, "S1");
    }
    let unit = serial("U4");
    let begun = site.begin(4, SerialWish::IfNew(&unit), &on("S1", 50)).expect("begun");
    site.fail(&unit, begun.attempt, Next::Retry, &on("S1", 60)).expect("failed");
    let again = site.begin(4, SerialWish::IfNew(&unit), &on("S1", 70)).expect("begun");
    site.fail(&unit, again.attempt, Next::Scrap, &on("S1", 80)).expect("failed");
    assert_eq!(stock(), [("REEL-A".into(), 2), ("REEL-B".into(), 8)]);
    let pace = site.book.pace(at(2)).expect("asks");
    assert_eq!(pace.len(), 1, "a second attempt is no second unit: {pace:?}");
    assert_eq!((pace[0].units, pace[0].since, &pace[0].product), (3, at(2), &product().name));
    for n in [3, 5] {
        site.provision(n, "S1");
    }
    assert_eq!(stock(), [("REEL-B".into(), 8)], "a reel that ran out is left out");
}
