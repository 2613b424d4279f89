//! What can only be tested from inside: other versions of the schema, the plans
//! of queries, and a disk that is full at a chosen moment.

mod plans;

use crate::engine::{Connection, params};
use crate::ids::{Actor, AuthorityName, FirmwareVersion};
use crate::schema::{MIGRATIONS, Migration, for_engine};
use crate::server::Server;
use crate::support::{Engine, Site, by, chip, on, open, options, serial, site_id};
use crate::touched::units_of_authority;
use crate::{
    AccountRole, Begin, BeginError, Book, BookError, By, ChipState, CompanySubject, LabelEvent, Location, NewAccount,
    OpenOptions, Places, SerialWish, SignedInBy, Touch,
};

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

/// The book that a program of an older version left, after what it did with it. This program asks also for tables of
/// versions 9 to 12, which the older one has none of: they are lent to it meanwhile, empty, and so is their index.
fn of_version(engine: &Engine<'_>, version: usize, did: impl FnOnce(Site) -> Site) -> Site {
    let place = engine.place();
    let book = Book::create_with(&place.location, &site_id(), "Tern & Hollow, line 2", &by(), &MIGRATIONS[..version]);
    for tables in [
        include_str!("../schema/version9.sql"),
        include_str!("../schema/version10.sql"),
        include_str!("../schema/version11.sql"),
        include_str!("../schema/version12.sql"),
    ] {
        let tables = for_engine(tables, matches!(engine, Engine::Postgresql(_)));
        engine.raw(&place).attempt(&tables).expect("lent");
    }
    let Site { book: old, place } = did(Site { book: book.expect("a book"), place });
    drop(old);
    let mut raw = engine.raw(&place);
    let lent = ["packed", "carton", "attempt_panel", "enrolled", "enrolment", "meeting"];
    for table in lent.into_iter().chain(["later_proof", "earlier_code", "renewal", "reel_split"]) {
        raw.attempt(&format!("DROP TABLE {table}")).expect("given back");
    }
    raw.attempt("DROP INDEX unit_to_finish").expect("given back");
    drop(raw);
    Site { book: open(&place), place }
}

/// A book of version 4 and its units; what its log says of them holds after the upgrade too.
fn from_version_4(engine: &Engine<'_>) {
    let mut left = None;
    let site = of_version(engine, 4, |site| {
        let site = site.stocked(5);
        site.provision(0, "S1");
        let begun = site.begin(1, SerialWish::IfNew(&serial("TV-000001")), &on("S1", 5)).expect("begun");
        left = Some((begun, site.book.head().expect("a head")));
        site
    });
    let (left, head) = left.expect("left");
    assert_eq!(site.book.head().expect("a head"), head, "an upgrade is no entry");
    let verified = site.book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
    // What was open goes on, and can tell its firmware from now on.
    assert_eq!(left.unit.attempts, 1);
    let version = FirmwareVersion::new("1.4.0").expect("a version");
    let begin = |n: u32| Begin {
        onboard: &|_| Ok(Some(crate::support::onboarding())),
        facts: crate::AttemptFacts { firmware: Some(version.clone()), ..Default::default() },
        ..Begin::new(
            Box::leak(Box::new(chip(n).chip_id)),
            SerialWish::IfNew(Box::leak(Box::new(serial(&format!("TV-{n:06}"))))),
            Box::leak(Box::new(on("S1", 9))),
        )
    };
    for n in 1..3 {
        let begun = site.book.begin_attempt(&begin(n)).expect("begun");
        site.pass(n, &begun.unit.serial, begun.attempt, &on("S1", 10)).expect("passed");
    }
    let told = |unit: &str| {
        let story = site.book.story(&serial(unit)).expect("asks").expect("there");
        story.attempts.iter().map(|a| a.facts.firmware.as_ref().map(ToString::to_string)).collect::<Vec<_>>()
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

/// A book of version 5: what was received then can be withdrawn now, and what its units depend on can't.
fn from_version_5(engine: &Engine<'_>) {
    let site = of_version(engine, 5, |site| {
        let site = site.stocked(3).reel("REEL-B", 10..13);
        site.provision(0, "S1");
        site
    });
    let withdrawn = site.book.withdraw_reel(&crate::support::reel_id("REEL-B"), &by()).expect("withdrawn");
    assert_eq!(withdrawn.chips, 3);
    site.book.withdraw_reel(&crate::support::reel_id("REEL-A"), &by()).expect_err("it has units");
    let mut raw = engine.raw(&site.place);
    for sql in
        ["DELETE FROM reel", "DELETE FROM chip", "UPDATE product SET reach = 'ip'", "UPDATE product SET name = 'x'"]
    {
        raw.attempt(sql).expect_err(sql);
    }
    drop(raw);
    let site = site.reel("REEL-B", 10..13);
    let verified = site.book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
}

#[test]
fn a_book_of_version_5_lets_go_of_what_nothing_depends_on() {
    from_version_5(&Engine::Sqlite);
    if let Some(server) = Server::start() {
        from_version_5(&Engine::Postgresql(&server));
    }
}

/// A book of version 6 with somebody signed in: the account stays, sessions begin anew, and the company can come in.
fn from_version_6(engine: &Engine<'_>) {
    let place = engine.place();
    let book = Book::create_with(&place.location, &site_id(), "Tern & Hollow, line 2", &by(), &MIGRATIONS[..6]);
    let old = book.expect("a book");
    let ada = Actor::new("ada").expect("a name");
    let account = NewAccount {
        name: ada.clone(),
        role: AccountRole::Engineer,
        password: Some("$argon2id$…".into()),
        badge: None,
    };
    let acting = By::person(ada.clone(), by().at);
    let later = by().at + time::Duration::hours(1);
    old.add_account(&account, true, &acting).expect("added");
    old.begin_session(&[1; 32], SignedInBy::Password, later, &acting).expect("begun");
    assert!(old.session(&[1; 32], by().at).expect("asks").is_some());
    drop(old);
    let book = open(&place);
    assert!(book.session(&[1; 32], by().at).expect("asks").is_none());
    let kept = book.account(&ada).expect("asks").expect("there");
    assert!(!kept.company && kept.password == account.password);
    let subject = CompanySubject { issuer: "https://id.example".into(), subject: "1".into() };
    let company = book.admit_company(&subject, &ada, AccountRole::Engineer, by().at).expect("admitted");
    assert_eq!(company.name.as_str(), "ada (2)");
    let acting = By::person(company.name, by().at);
    book.begin_session(&[2; 32], SignedInBy::Company, later, &acting).expect("begun");
    assert!(book.verify(None).expect("verifies").intact());
}

#[test]
fn a_book_of_version_6_keeps_its_accounts() {
    from_version_6(&Engine::Sqlite);
    if let Some(server) = Server::start() {
        from_version_6(&Engine::Postgresql(&server));
    }
}

/// A book of version 8: its units go back to the line, its reels are divided, and what its log says of them still holds.
fn from_version_8(engine: &Engine<'_>) {
    let site = of_version(engine, 8, |site| {
        let site = site.stocked(8);
        (0..3).for_each(|n| drop(site.provision(n, "S1")));
        site.book.return_unit(&serial("TV-000001"), "rattles", &by()).expect("returned");
        site
    });
    let (first, second) = (serial("TV-000000"), serial("TV-000001"));
    site.book.swap_board(&first, "dead flash", false, false, &by()).expect("swapped");
    site.book.refurbish_unit(&second, "for another owner", &["all fabrics"], &by()).expect("refurbished");
    let before = site.book.unit(&first).expect("asks").expect("there");
    let begun = site.begin(4, SerialWish::IfNew(&first), &on("S1", 20)).expect("its next board");
    assert_eq!((begun.board, begun.new_code, &begun.unit.onboarding), (true, false, &before.onboarding));
    site.pass(4, &first, begun.attempt, &on("S1", 21)).expect("passed");
    let begun = site.begin(1, SerialWish::Nothing, &on("S1", 22)).expect("proven again");
    assert_eq!((begun.resumed, begun.new_code), (true, true));
    site.prove(1, 101, &second, begun.attempt, &on("S1", 23)).expect("passed");
    let part = site.book.split_reel(&crate::support::reel_id("REEL-A"), (6, 8), &crate::support::reel_id("B"), &by());
    assert_eq!(part.expect("split").certificates, 3);
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.units.passed, account.units.open, account.chips.scrapped), (3, 0, 1), "{account:?}");
    assert_eq!((account.credentials.spent, account.credentials.unaccounted, account.double_use), (1, 0, 0));
    assert_eq!(account.unproven_passes, 0);
    let verified = site.book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
}

#[test]
fn a_book_of_version_8_gives_its_units_other_boards() {
    from_version_8(&Engine::Sqlite);
    if let Some(server) = Server::start() {
        from_version_8(&Engine::Postgresql(&server));
    }
}

/// No link to nowhere escapes, whether it is the entries that tell or the file: every column that points at
/// another table is made to point at nothing, one after the other.
#[test]
fn a_link_to_nowhere_is_found() {
    let engine = Engine::Sqlite;
    let site = engine.site().stocked(4);
    for n in 0..2 {
        site.provision(n, "S1");
    }
    site.book.record_label(&serial("TV-000001"), LabelEvent::Printed, &by()).expect("recorded");
    site.book
        .record_order(&crate::support::reel_id("REEL-A"), "order.csv", &[1; 32], &Places::of(1..=4), &by())
        .expect("recorded");
    let links = "SELECT t.name, l.\"from\", i.type FROM sqlite_schema t, pragma_foreign_key_list(t.name) l, \
                 pragma_table_info(t.name) i WHERE t.type = 'table' AND i.name = l.\"from\" ORDER BY 1, 2";
    let links = site.book.read(|c| c.all(links, &[])).expect("asks");
    let links: Vec<_> = links.iter().map(|row| [0, 1, 2].map(|n| row.text(n).expect("a text"))).collect();
    let used = |[table, column, _]: &[String; 3]| {
        let there = format!("SELECT count(*) FROM {table} WHERE {column} IS NOT NULL");
        site.book.read(|c| c.number(&there, &[])).expect("asks") > 0
    };
    let used: Vec<_> = links.iter().filter(|link| used(link)).collect();
    assert!(used.len() > 20, "{} of {}", used.len(), links.len());
    let Site { book, place: original } = site;
    drop(book);
    for [table, column, kind] in used {
        let nowhere = match kind.as_str() {
            "INTEGER" => "987654321",
            "BLOB" => "zeroblob(32)",
            _ => "'nowhere'",
        };
        let place = engine.twin(&original);
        engine.raw(&place).force(&format!(
            "UPDATE {table} SET {column} = {nowhere} WHERE {column} = (SELECT {column} FROM {table} WHERE {column} IS NOT NULL)"
        ));
        assert!(!open(&place).verify(None).expect("verifies").intact(), "{table}.{column}");
    }
    // No entry vouches for who is signed in just now.
    let place = engine.twin(&original);
    engine.raw(&place).force("INSERT INTO session VALUES (zeroblob(32), 'nobody', 'password', 1, 2)");
    let found = open(&place).verify(None).expect("verifies").damages;
    assert!(found.iter().any(|d| d.table == "session"), "{found:?}");
}

/// The units of a PAI are the same, whether its credentials lead or the units do.
fn found_from_either_end(engine: &Engine<'_>) {
    let site = engine.site().stocked(5);
    for n in 0..3 {
        site.provision(n, "S1");
    }
    let touch = |name: &str| Touch { authorities: AuthorityName::new(name).into_iter().collect(), ..Touch::default() };
    let (pai, paa, other) = (crate::support::pai().name, crate::support::paa().name, "Nobody's PAI");
    for (name, units) in [(pai.as_str(), 3), (paa.as_str(), 3), (other, 0)] {
        let [by_unit, by_credential] =
            [true, false].map(|most| units_of_authority(&site.book, &touch(name), most).expect("asks"));
        assert_eq!((by_unit.len(), &by_unit), (units, &by_credential), "{name}");
    }
}

#[test]
fn the_units_of_a_pai_are_found_from_either_end() {
    found_from_either_end(&Engine::Sqlite);
    if let Some(server) = Server::start() {
        found_from_either_end(&Engine::Postgresql(&server));
    }
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
            onboard: &|_| Ok(Some(crate::support::onboarding())),
            ..Begin::new(&chip(n).chip_id, SerialWish::IfNew(&serial(&format!("U{n}"))), &on("S1", 0))
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
