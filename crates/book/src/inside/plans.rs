//! Nothing that a station or a page of the line asks reads a large table from end to end: each
//! statement's plan is looked at, as the engine tells it.

use serde_json::Value as Json;

use crate::attempt::facts::AttemptFacts;
use crate::engine::Connection;
use crate::ids::FirmwareVersion;
use crate::schema::tables::TABLES;
use crate::server::Server;
use crate::support::{Engine, at, by, chip, on, open, proof, serial, steps};
use crate::{Begin, BeginError, Book, BookError, Finish, Outcome, SerialWish};

fn large() -> impl Iterator<Item = &'static str> {
    TABLES.iter().filter(|table| table.grows).map(|table| table.name)
}

/// All that stations and pages ask, and the acts of a line, on one connection.
fn all_that_is_asked(book: &Book) {
    let unit = serial("TV-000001");
    for n in 0..3 {
        let begin = |n: u32| {
            book.begin_attempt(&Begin {
                facts: AttemptFacts {
                    firmware: FirmwareVersion::new("1.4.0").ok(),
                    panel: Some(crate::OnPanel { panel: crate::ids::PanelName::new("P-7").expect("a name"), place: 1 }),
                },
                take_over: true,
                onboard: &|_| Ok(Some(crate::support::onboarding())),
                ..Begin::new(&chip(n).chip_id, SerialWish::CountFrom(&unit), &on("S1", 0))
            })
        };
        begin(n).expect("begun");
        let begun = begin(n).expect("begun again");
        let outcome = Outcome::Passed(&proof(n));
        let finish =
            Finish { unit: &begun.unit.serial, attempt: begun.attempt, steps: &steps(), outcome, by: &on("S1", 1) };
        book.finish_attempt(&finish).expect("passed");
        assert!(matches!(begin(n), Err(BeginError::AlreadyProvisioned { .. })));
    }
    book.story(&unit).expect("asks").expect("there");
    book.chip_story(&chip(9).chip_id).expect("asks").expect("there");
    book.find("TV-0", 10).expect("asks");
    book.find("01A0", 10).expect("asks");
    book.find("zebra", 10).expect("asks");
    book.code_candidates(3840, Some(&unit), 10).expect("asks");
    book.replaced_candidates(3840, Some(&unit), 10).expect("asks");
    let pack = crate::ids::PackName::new("C-1").expect("a name");
    let (named, pallet) = (crate::PackedIn { kind: crate::PackKind::Carton, name: pack.clone() }, Some(&pack));
    let shipped = crate::PackedIn { kind: crate::PackKind::Shipment, name: pack.clone() };
    let units = std::slice::from_ref(&unit);
    let packing = crate::Packing { carton: &pack, units, pallet, shipment: pallet, mixed: false };
    book.pack(&packing, &by()).expect("packed");
    book.story(&unit).expect("asks").expect("there");
    book.carton(&pack).expect("asks");
    book.packs_named("C-1", 2).expect("asks");
    book.cartons(Some(&shipped), None, 10).expect("asks");
    for packed in [Some(named), Some(shipped)] {
        book.units(&crate::UnitFilter { packed: packed.clone(), ..Default::default() }, None, 10).expect("asks");
        let state = Some(crate::UnitState::Passed);
        book.count_units(&crate::UnitFilter { packed: packed.clone(), state, ..Default::default() }).expect("asks");
        book.touched(&crate::Touch { packed, ..Default::default() }, &mut |_| Ok::<_, BookError>(())).expect("asks");
    }
    book.record_label(&unit, crate::LabelEvent::Printed, &by()).expect("recorded");
    let (report, der, signed) = (Json::Null, crate::support::certificate(0), [5; 64]);
    let signed = crate::SignedExchange {
        nonce: [5; 32],
        challenge: vec![5; 16],
        elements: signed.to_vec(),
        signature: signed.to_vec(),
    };
    let met = crate::NewMeeting {
        verdict: crate::MeetingVerdict::Rejected,
        cause: Some("meet.label"),
        place: None,
        dac: Some((&der, Some(&chip(0).public_key))),
        pai: Some(b"pai"),
        exchange: Some(&signed),
        report: &report,
        took_ms: 1,
        met: at(0),
    };
    book.keep_meeting(&unit, &met, &by()).expect("kept");
    book.story(&unit).expect("asks").expect("there");
    book.return_unit(&unit, "rattles", &by()).expect("returned");
    book.refurbish_unit(&unit, "sold again", &[], &by()).expect("refurbished");
    let (first, next, again) = (chip(0).chip_id, chip(3).chip_id, on("S1", 0));
    let begun = book.begin_attempt(&Begin::new(&first, SerialWish::Nothing, &again)).expect("begun");
    let proof = crate::NewProof { nonce: proof(100).nonce, ..proof(0) };
    let outcome = Outcome::Passed(&proof);
    let finish = Finish { unit: &unit, attempt: begun.attempt, steps: &steps(), outcome, by: &again };
    book.finish_attempt(&finish).expect("passed");
    let board = Begin { waiting: true, ..Begin::new(&next, SerialWish::CountFrom(&unit), &again) };
    book.swap_board(&unit, "dead", false, false, &by()).expect("swapped");
    assert!(book.begin_attempt(&board).expect("begun").board);
    book.scrapped_before(&chip(1).chip_id).expect("asks");
    book.pending(&unit).expect("asks");
    book.chips_back(&crate::support::reel_id("REEL-A")).expect("asks");
    book.earlier_codes(&unit).expect("asks");
    book.scrap_unit(&unit, "burnt", true, &by()).expect("scrapped");
    book.units(&Default::default(), Some(&unit), 10).expect("asks");
    let reel = Some(crate::support::reel_id("REEL-A"));
    book.units(&crate::UnitFilter { reel, from: Some(at(0)), ..Default::default() }, None, 10).expect("asks");
    let delivery = Some(crate::support::delivery("D-1", "REEL-A").delivery);
    book.units(&crate::UnitFilter { delivery, ..Default::default() }, None, 10).expect("asks");
    for touch in crate::support::touches() {
        book.touched(&touch, &mut |_| Ok::<_, BookError>(())).expect("asks");
    }
    let firmware = FirmwareVersion::new("1.4.0").ok();
    let reel = Some(crate::support::reel_id("REEL-A"));
    for touch in [
        crate::Touch { firmware: firmware.clone(), ..Default::default() },
        crate::Touch { firmware, reel, ..Default::default() },
    ] {
        book.touched(&touch, &mut |_| Ok::<_, BookError>(())).expect("asks");
        // Of how many units of a whole site it is known is no question of the line, and counts them all.
        if touch.reel.is_some() {
            book.firmware_known(&touch).expect("asks");
        }
    }
    book.issued_by(&crate::support::paa().name).expect("asks");
    book.passcodes_kept(None, 10).expect("asks");
    book.stock().expect("asks");
    book.pace(at(0)).expect("asks");
    book.entries(None, 10).expect("asks");
    // What the line's page, a station's page and a reel's page ask.
    let station = crate::ids::StationName::new("S1").expect("a name");
    book.stations().expect("asks");
    book.station(&station).expect("asks");
    book.last_attempt(&station, at(0)).expect("asks");
    let mut verdicts = 0;
    let size = book.verdicts_from(at(0), &mut |_| verdicts += 1).expect("asks");
    assert!(verdicts > 0);
    assert_eq!(book.verdicts_since(size - 1, &mut |_| {}).expect("asks"), Some(size));
    assert!(book.short_reels().expect("asks").is_empty());
    let tape = crate::support::reel_id("REEL-A");
    book.tape(&tape, 1, 10).expect("asks");
    book.count_reel(&tape).expect("asks");
    book.count_chips(&tape).expect("asks");
    book.chips(&tape, 0, 10).expect("asks");
    book.chips_without(&tape, 0, 10).expect("asks");
    book.open_attempts().expect("asks");
    let today = crate::UnitFilter {
        product: Some(crate::support::product().name),
        state: Some(crate::UnitState::Passed),
        from: Some(at(0)),
        ..Default::default()
    };
    book.count_units(&today).expect("asks");
    let product = Some(crate::support::product().name);
    let of_reel = crate::UnitFilter {
        reel: Some(tape.clone()),
        product,
        state: Some(crate::UnitState::Passed),
        ..Default::default()
    };
    let of_chips = Some((chip(0).chip_id, chip(9).chip_id));
    for touch in [
        crate::Touch { reel: of_reel.reel.clone(), state: of_reel.state, ..Default::default() },
        crate::Touch { chips: of_chips, state: of_reel.state, product: of_reel.product.clone(), ..Default::default() },
    ] {
        book.touched(&touch, &mut |_| Ok::<_, BookError>(())).expect("asks");
    }
    book.count_units(&of_reel).expect("asks");
    book.units(&of_reel, None, 10).expect("asks");
    book.tally_attempts(&today, crate::Stretch { micros: 3_600_000_000, ahead: 0 }).expect("asks");
    book.tally_causes(&today, crate::Stretch { micros: 3_600_000_000, ahead: 0 }).expect("asks");
    book.tally_steps(&today).expect("asks");
    book.vouched("proof", unit.as_str()).expect("asks");
    book.inclusion(crate::ids::Sequence(4), None).expect("asks").expect("there");
    book.last_signed_head().expect("asks");
}

fn of_sqlite(c: &mut Connection) -> usize {
    let mut looked_at = 0;
    let sqlite = c.as_sqlite().expect("SQLite");
    for statement in sqlite.statements() {
        // SQLite plans a search for units that wait for their proof, and makes it
        // only where links are broken already: `OP_FkIfZero`.
        if statement.starts_with("INSERT INTO proof") {
            continue;
        }
        // Placeholders stand for any value; a plan does not depend on it here.
        let Ok(mut prepared) = sqlite.raw.prepare(&format!("EXPLAIN QUERY PLAN {statement}")) else {
            continue;
        };
        let mut rows = prepared.raw_query();
        while let Some(row) = rows.next().expect("a plan") {
            let step: String = row.get(3).expect("a text");
            looked_at += 1;
            // Of a reel and a state, the reel names fewer.
            let few = statement.contains("u.reel = ") || statement.contains("u.chip_id >= ");
            assert!(
                !few || !["unit_by_state", "unit_by_product"].iter().any(|i| step.contains(i)),
                "{step}\n{statement}"
            );
            let scans = |table: &&str| {
                step.starts_with("SCAN") && !step.contains("USING") && step.split(' ').any(|w| w == *table)
            };
            assert!(large().find(scans).is_none(), "{step}\n{statement}");
            let aliases = ["c", "k", "u", "a", "p", "s", "t", "h"];
            let walks =
                step.strip_prefix("SCAN ").is_some_and(|t| aliases.contains(&t.split(' ').next().unwrap_or_default()));
            // Whoever asks what the PAI of most units touches is told of most units.
            let most = statement.contains("FROM unit u CROSS JOIN chip h") && statement.contains("k.authority IN");
            let ordered = statement.contains("ORDER BY") && statement.contains("LIMIT");
            // A site has a handful of stations.
            let few = statement.contains("FROM station_setup s");
            assert!(!walks || ordered || few || most, "{step}\n{statement}");
        }
    }
    looked_at
}

/// Indexes of a part that stays small however many units there are: attempts that nobody ended,
/// credentials in stock, passcodes not yet erased.
const SMALL: &[&str] = &["attempt_one_open", "credential_available", "unit_with_passcode"];

/// Where a plan reads a table from end to end, however few its rows: by its own order, or by an
/// index without a condition on it.
fn read_whole(plan: &Json, out: &mut Vec<String>, steps: &mut usize) {
    *steps += 1;
    let of = |name: &str| plan.get(name).and_then(Json::as_str);
    let whole = match of("Node Type") {
        Some("Seq Scan") => true,
        Some("Index Scan" | "Index Only Scan" | "Bitmap Index Scan") => {
            of("Index Cond").is_none() && !of("Index Name").is_some_and(|name| SMALL.contains(&name))
        }
        _ => false,
    };
    if let Some(table) = of("Relation Name").filter(|table| whole && large().any(|t| t == *table)) {
        out.push(table.to_owned());
    }
    for below in plan.get("Plans").and_then(Json::as_array).into_iter().flatten() {
        read_whole(below, out, steps);
    }
}

/// The plans that a server makes where each large table has millions of rows. It holds the rows of a page
/// that it was told of against the pages that there are, so it is told of ten million on one.
fn of_postgresql(c: &mut Connection) -> usize {
    let server = c.as_postgresql().expect("PostgreSQL");
    let tables = large().map(|table| format!("'{table}'")).collect::<Vec<_>>().join(", ");
    let indexes = format!(
        "SELECT indexrelid FROM pg_index WHERE indrelid IN (SELECT oid FROM pg_class WHERE relname IN ({tables}))"
    );
    let large = format!(
        "SET plan_cache_mode = force_generic_plan; UPDATE pg_class SET reltuples = 10000000, relpages = 1 \
         WHERE relname IN ({tables}) OR oid IN ({indexes})"
    );
    server.batch(&large).expect("told");
    let (mut looked_at, mut bad) = (0, Vec::new());
    for statement in server.statements() {
        let values = (1..100).take_while(|n| statement.contains(&format!("${n}"))).map(|_| "NULL");
        let values = values.collect::<Vec<_>>().join(", ");
        let call = if values.is_empty() { "asked".to_owned() } else { format!("asked ({values})") };
        server.batch(&format!("PREPARE asked AS {statement}")).expect("prepared");
        let plan = server.told(&format!("EXPLAIN (FORMAT JSON) EXECUTE {call}"));
        server.batch("DEALLOCATE asked").expect("forgotten");
        let plan: Json = serde_json::from_str(&plan.expect("a plan")).expect("JSON");
        let mut whole = Vec::new();
        read_whole(&plan[0]["Plan"], &mut whole, &mut looked_at);
        // A page begins anywhere, and ends after as many as it shows.
        let ordered = statement.contains("ORDER BY") && statement.contains("LIMIT");
        let most = statement.contains("FROM unit u CROSS JOIN chip h") && statement.contains("k.authority IN");
        if !(whole.is_empty() || ordered || most) {
            bad.push(format!("{whole:?}\n{statement}\n{plan:#}"));
        }
    }
    assert!(bad.is_empty(), "{}", bad.join("\n\n"));
    looked_at
}

#[test]
fn no_question_of_the_line_reads_a_whole_table() {
    fn looked_at(engine: &Engine<'_>, plans: impl Fn(&mut Connection) -> usize) -> usize {
        let site = engine.site().stocked(40);
        // Another connection than the one that received the reel.
        let book = open(&site.place);
        all_that_is_asked(&book);
        book.read(|c| Ok(plans(c))).expect("plans")
    }
    let steps = looked_at(&Engine::Sqlite, of_sqlite);
    assert!(steps > 120, "{steps} steps");
    if let Some(server) = Server::start() {
        let steps = looked_at(&Engine::Postgresql(&server), of_postgresql);
        assert!(steps > 120, "{steps} steps");
    }
}
