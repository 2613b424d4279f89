//! What can only be tested from inside: other versions of the schema, the plans
//! of queries, and a disk that is full at a chosen moment.

use crate::engine::{Connection, params};
use crate::ids::FirmwareVersion;
use crate::schema::{MIGRATIONS, Migration};
use crate::server::Server;
use crate::support::{Engine, Site, at, by, chip, on, open, options, proof, serial, site_id};
use crate::{Begin, BeginError, Book, BookError, ChipState, Finish, Location, OpenOptions, Outcome, SerialWish};

/// A schema to come: one table more.
const NEXT: Migration = Migration {
    version: MIGRATIONS[MIGRATIONS.len() - 1].version + 1,
    name: "a table more",
    statements: |_| "CREATE TABLE more (a TEXT);".into(),
};

/// One that fails half-way.
const BROKEN: Migration =
    Migration { statements: |_| "CREATE TABLE more (a TEXT); CREATE TABLE unit (a TEXT);".into(), ..NEXT };

fn saved_as(number: &str) -> String {
    format!("book-before-v{}{number}.sqlite", NEXT.version)
}

fn upgraded(engine: &Engine<'_>) {
    let site = engine.site().stocked(5);
    site.provision(0, "S1");
    let place = &site.place;
    let backups = || -> Vec<String> {
        let names = std::fs::read_dir(place.folder.path()).expect("a folder").flatten();
        let mut names: Vec<_> = names.map(|f| f.file_name().to_string_lossy().into_owned()).collect();
        names.retain(|name| name.contains("before"));
        names.sort();
        names
    };
    let migrations = |last: Migration| [MIGRATIONS, &[last]].concat();
    let failed = Book::open_with(&place.location, &options(place), &migrations(BROKEN)).expect_err("a broken step");
    assert!(matches!(failed, BookError::Database { .. }), "{failed}");
    site.provision(1, "S1");
    let (first, second) = (saved_as(""), saved_as("-2"));
    assert_eq!(backups(), [first.as_str()]);
    let nowhere = OpenOptions { backups: place.folder.path().join("missing"), ..options(place) };
    if place.location.as_file().is_none() {
        let refused = Book::open_with(&place.location, &nowhere, &migrations(NEXT)).expect_err("no backup, no upgrade");
        assert!(matches!(refused, BookError::NoBackup { .. }), "{refused}");
    }
    let book = Book::open_with(&place.location, &options(place), &migrations(NEXT)).expect("upgraded");
    assert_eq!(book.read(|c| c.number("SELECT count(*) FROM more", &[])).expect("the new table"), 0);
    assert_eq!(backups(), [second.as_str(), first.as_str()], "an older backup stays");
    Book::open_with(&place.location, &options(place), &migrations(NEXT)).expect("opens as it is");
    assert_eq!(backups().len(), 2, "no backup without an upgrade");
    // The program of before refuses it, and can go on with the backup.
    let newer = Book::open(&place.location, &options(place)).expect_err("too new");
    let (next, now) = (NEXT.version, NEXT.version - 1);
    assert!(matches!(newer, BookError::Newer { found, known, .. } if (found, known) == (next, now)), "{newer}");
    let saved = Location::file(place.folder.path().join(second));
    let saved = Book::open(&saved, &options(place)).expect("a book of the older version");
    assert_eq!(saved.head().expect("a head"), book.head().expect("a head"));
    let verified = saved.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
}

#[test]
fn an_older_book_is_upgraded_after_a_backup() {
    upgraded(&Engine::Sqlite);
    if let Some(server) = Server::start() {
        upgraded(&Engine::Postgresql(&server));
    }
}

/// A book of version 4 and its units; what its log says of them holds after the upgrade too.
fn from_version_4(engine: &Engine<'_>) {
    let place = engine.place();
    let book = Book::create_with(&place.location, &site_id(), "Tern & Hollow, line 2", &by(), &MIGRATIONS[..4]);
    let site = Site { book: book.expect("a book"), place }.stocked(5);
    site.provision(0, "S1");
    let left = site.begin(1, SerialWish::IfNew(&serial("TV-000001")), &on("S1", 5)).expect("begun");
    let head = site.book.head().expect("a head");
    let Site { book: old, place } = site;
    drop(old);
    let site = Site { book: open(&place), place };
    assert_eq!(site.book.head().expect("a head"), head, "an upgrade is no entry");
    let verified = site.book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
    // What was open goes on, and can tell its firmware from now on.
    assert_eq!(left.unit.attempts, 1);
    let version = FirmwareVersion::new("1.4.0").expect("a version");
    let begin = |n: u32| Begin {
        chip: Box::leak(Box::new(chip(n).chip_id)),
        reel: None,
        serial: SerialWish::IfNew(Box::leak(Box::new(serial(&format!("TV-{n:06}"))))),
        onboard: &|_| Ok(Some(crate::support::onboarding())),
        declaration: None,
        firmware: Some(&version),
        take_over: false,
        by: Box::leak(Box::new(on("S1", 9))),
    };
    for n in 1..3 {
        let begun = site.book.begin_attempt(&begin(n)).expect("begun");
        site.pass(n, &begun.unit.serial, begun.attempt, &on("S1", 10)).expect("passed");
    }
    let told = |unit: &str| {
        let story = site.book.story(&serial(unit)).expect("asks").expect("there");
        story.attempts.iter().map(|a| a.firmware.as_ref().map(ToString::to_string)).collect::<Vec<_>>()
    };
    assert_eq!(told("TV-000000"), [None]);
    assert_eq!(told("TV-000001"), [None, Some("1.4.0".into())]);
    assert!(site.book.verify(None).expect("verifies").intact());
}

#[test]
fn a_book_of_version_4_is_upgraded_and_stays_whole() {
    from_version_4(&Engine::Sqlite);
    if let Some(server) = Server::start() {
        from_version_4(&Engine::Postgresql(&server));
    }
}

/// Tables that grow with the units made.
const LARGE: &[&str] = &[
    "chip",
    "credential",
    "unit",
    "attempt",
    "step",
    "proof",
    "label",
    "entry",
    "log_node",
    "octets",
    "attempt_firmware",
];

/// Nothing that a station or a unit's page asks reads a large table from end to end.
#[test]
fn no_question_of_the_line_reads_a_whole_table() {
    let site = Engine::Sqlite.site().stocked(40);
    // Another connection than the one that received the reel.
    let book = open(&site.place);
    let unit = serial("TV-000001");
    for n in 0..3 {
        let begin = |n: u32| {
            book.begin_attempt(&Begin {
                chip: &chip(n).chip_id,
                reel: None,
                serial: SerialWish::CountFrom(&unit),
                onboard: &|_| Ok(None),
                declaration: None,
                firmware: None,
                take_over: true,
                by: &on("S1", 0),
            })
        };
        begin(n).expect("begun");
        let begun = begin(n).expect("begun again");
        let outcome = Outcome::Passed(&proof(n));
        let finish = Finish { unit: &begun.unit.serial, attempt: begun.attempt, steps: &[], outcome, by: &on("S1", 1) };
        book.finish_attempt(&finish).expect("passed");
        assert!(matches!(begin(n), Err(BeginError::AlreadyProvisioned { .. })));
    }
    book.story(&unit).expect("asks").expect("there");
    book.chip_story(&chip(9).chip_id).expect("asks").expect("there");
    book.find("TV-0", 10).expect("asks");
    book.find("01A0", 10).expect("asks");
    book.record_label(&unit, crate::LabelEvent::Printed, &by()).expect("recorded");
    book.return_unit(&unit, "rattles", &by()).expect("returned");
    book.scrap_unit(&unit, "burnt", false, &by()).expect("scrapped");
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
    book.tally_attempts(&today, crate::Stretch { micros: 3_600_000_000, ahead: 0 }).expect("asks");
    book.tally_causes(&today, crate::Stretch { micros: 3_600_000_000, ahead: 0 }).expect("asks");
    book.tally_steps(&today).expect("asks");
    book.vouched("proof", unit.as_str()).expect("asks");
    book.inclusion(crate::ids::Sequence(4), None).expect("asks").expect("there");
    book.last_signed_head().expect("asks");
    let mut looked_at = 0;
    book.read(|c| {
        let statements = c.as_sqlite().expect("SQLite").statements();
        for statement in statements {
            // SQLite plans a search for units that wait for their proof, and makes it
            // only where links are broken already: `OP_FkIfZero`.
            if statement.starts_with("INSERT INTO proof") {
                continue;
            }
            // Placeholders stand for any value; a plan does not depend on it here.
            let Ok(mut prepared) =
                c.as_sqlite().expect("SQLite").raw.prepare(&format!("EXPLAIN QUERY PLAN {statement}"))
            else {
                continue;
            };
            let mut rows = prepared.raw_query();
            while let Some(row) = rows.next().expect("a plan") {
                let step: String = row.get(3).expect("a text");
                looked_at += 1;
                let scans = |table: &&&str| {
                    step.starts_with("SCAN") && !step.contains("USING") && step.split(' ').any(|w| w == **table)
                };
                assert!(LARGE.iter().find(scans).is_none(), "{step}\n{statement}");
                let aliases = ["c", "k", "u", "a", "p", "s", "t", "h"];
                let walks = step
                    .strip_prefix("SCAN ")
                    .is_some_and(|t| aliases.contains(&t.split(' ').next().unwrap_or_default()));
                let ordered = statement.contains("ORDER BY") && statement.contains("LIMIT");
                // A site has a handful of stations.
                let few = statement.contains("FROM station_setup s");
                assert!(!walks || ordered || few, "{step}\n{statement}");
            }
        }
        Ok(())
    })
    .expect("plans");
    assert!(looked_at > 120, "{looked_at} steps");
}

#[test]
fn a_full_disk_changes_nothing() {
    let site = Engine::Sqlite.site().stocked(40);
    let book = open(&site.place);
    let limit =
        |pages: &str| book.read(|c: &mut Connection| c.number(&format!("PRAGMA max_page_count = {pages}"), &[]));
    let pages = book.read(|c| c.number("PRAGMA page_count", &[])).expect("a number");
    limit(&pages.to_string()).expect("no page more");
    let before = book.head().expect("a head");
    let begin = |n: u32| {
        book.begin_attempt(&Begin {
            chip: &chip(n).chip_id,
            reel: None,
            serial: SerialWish::IfNew(&serial(&format!("U{n}"))),
            onboard: &|_| Ok(Some(crate::support::onboarding())),
            declaration: None,
            firmware: None,
            take_over: false,
            by: &on("S1", 0),
        })
    };
    let mut begun = 0;
    let full = loop {
        match begin(begun) {
            Ok(_) => begun += 1,
            Err(error) => break error,
        }
    };
    assert!(matches!(full, BeginError::Book(BookError::Full { .. })), "{full}");
    let at_fault = book.chip(&chip(begun).chip_id).expect("asks").expect("there");
    assert_eq!(at_fault.state, ChipState::Blank);
    assert_eq!(book.head().expect("a head").size, before.size + u64::from(begun));
    limit("1073741823").expect("room again");
    begin(begun).expect("the chip, put back, goes on");
    assert!(book.verify(None).expect("verifies").intact());
}

#[test]
fn a_commit_whose_answer_was_lost_is_recognised() {
    let site = Engine::Sqlite.site();
    let entry = site.book.note("test", &crate::Subject::Site, &serde_json::json!({}), &by()).expect("noted");
    let hash = site
        .book
        .read(|c| c.one("SELECT hash FROM entry WHERE sequence = $1", params![entry.0])?.expect("there").array(0))
        .expect("a hash");
    assert!(site.book.was_committed(Some((entry.0, hash))).expect("asks"));
    assert!(!site.book.was_committed(Some((entry.0, [0; 32]))).expect("asks"), "another's entry in its place");
    assert!(!site.book.was_committed(Some((entry.0 + 1, hash))).expect("asks"));
    assert!(!site.book.was_committed(None).expect("asks"), "an act without an entry is repeated");
    assert_eq!(site.book.site().site_id, site_id());
}
