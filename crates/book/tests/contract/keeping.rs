//! Backups, restores and moves.

use std::cell::{Cell, RefCell};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use book::ids::UnitSerial;
use book::{Book, BookError, CopyWatch, Location, OpenOptions, SerialWish, Stage, UnitState};
use serde_json::json;

use crate::server::Server;
use crate::support::*;

const WATCHED: CopyWatch<'static> = &|_, done, total| {
    assert!(done <= total, "{done} of {total}");
    true
};

/// Stopped anywhere, nothing is left behind, and what is repeated begins anew.
pub fn a_copy_that_is_stopped(engine: &Engine<'_>) {
    let site = engine.site().stocked(1_500);
    site.provision(0, "S1");
    let saved = site.place.folder.path().join("saved.sqlite");
    for stop in [Stage::Copying, Stage::Comparing] {
        let stages = RefCell::new(Vec::new());
        let watch = |stage, _, _| {
            stages.borrow_mut().push(stage);
            stage != stop
        };
        // A file is copied page by page, and nothing of it compared.
        let whole = matches!((engine, stop), (Engine::Sqlite, Stage::Comparing));
        let stopped = site.book.backup(&saved, &watch);
        assert_eq!(matches!(stopped, Err(BookError::Stopped)), !whole, "{stopped:?}");
        assert_eq!(std::fs::remove_file(&saved).is_ok(), whole);
        let there = engine.place();
        let stopped = site.book.copy_to(&there.location, None, &watch).map(drop);
        assert!(matches!(stopped, Err(BookError::Stopped)), "{stopped:?}");
        let stopped = site.book.move_to(&there.location, None, &watch).map(drop);
        assert!(matches!(stopped, Err(BookError::Stopped)), "{stopped:?}");
        assert_eq!(stages.borrow().last(), Some(&stop));
        assert_eq!(site.book.moved_to().expect("asks"), None);
        site.provision(if stop == Stage::Copying { 1 } else { 2 }, "S1");
        // The place is as empty as before. Verifying goes on to its end.
        let late = Cell::new(false);
        let (book, copied) = site
            .book
            .copy_to(&there.location, None, &|stage, _, _| {
                late.set(late.get() || stage == Stage::Verifying);
                stage != Stage::Verifying
            })
            .expect("copied");
        assert!(copied.verification.intact() && late.get());
        assert_eq!(book.head().expect("a head"), site.book.head().expect("a head"));
    }
    assert!(
        site.place
            .folder
            .path()
            .read_dir()
            .expect("a folder")
            .flatten()
            .all(|f| !f.file_name().to_string_lossy().contains("partial"))
    );
}

pub fn backup_while_a_station_writes_and_restore(engine: &Engine<'_>) {
    let site = engine.site().stocked(300);
    let done = AtomicBool::new(false);
    let file = site.place.folder.path().join("saved.sqlite");
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for n in 0..300 {
                site.provision(n, "S1");
                if done.load(Ordering::Relaxed) {
                    break;
                }
            }
        });
        std::thread::sleep(std::time::Duration::from_millis(30));
        site.book.backup(&file, WATCHED).expect("saved");
        done.store(true, Ordering::Relaxed);
    });
    let again = site.book.backup(&file, WATCHED).expect_err("it is there");
    assert!(matches!(again, BookError::Exists { .. }), "{again}");
    let place = engine.place();
    let (restored, copied) = Book::restore(&file, &place.location, &options(&place), None, WATCHED).expect("restored");
    assert!(copied.verification.intact(), "{:?}", copied.verification.damages);
    assert_eq!(restored.site(), site.book.site());
    // It is the book as of one moment: the log of that time is the beginning of today's.
    let then = restored.head().expect("a head");
    let proven = site.book.consistency(then.size, None).expect("a proof");
    assert_eq!(proven.old_root, then.root);
    // It knows that it was restored, and gives no serial number out until somebody says where a series goes on.
    assert_eq!(restored.restoration().expect("asks").map(|r| r.entries), Some(then.size));
    assert_eq!(site.book.restoration().expect("asks"), None);
    // Its life is numbered above any that is known outside, so that no two logs have one name.
    assert_eq!(restored.mark().expect("a mark").life, 1);
    restored.note_restore(&json!({ "from": "saved.sqlite" }), Some(4), &by()).expect("said");
    assert_eq!(restored.mark().expect("a mark").life, 5);
    let [low, next, other] = ["TV-0001", "TV-0100", "TV-00001"].map(|text| UnitSerial::new(text).expect("a number"));
    assert!(!restored.is_series_confirmed(&low).expect("asks") && site.book.is_series_confirmed(&low).expect("asks"));
    // A unit that it adopts counts, whoever gave its number.
    let adopted = UnitSerial::new("TV-0077").expect("a number");
    let blank = (0..300).find(|n| restored.unit_of_chip(&chip(*n).chip_id).expect("asks").is_none()).expect("a chip");
    let site_of = Site { book: restored, place };
    site_of.begin(blank, SerialWish::Exactly(&adopted), &on("S2", 9_000)).expect("begun");
    let Site { book: restored, place } = site_of;
    let after = UnitSerial::new("TV-0078").expect("a number");
    assert_eq!(restored.series_stand(&low).expect("asks").next.as_ref(), Some(&after));
    restored.confirm_series(&next, &by()).expect("said");
    assert!(restored.is_series_confirmed(&low).expect("asks") && !restored.is_series_confirmed(&other).expect("asks"));
    assert_eq!(restored.series_stand(&low).expect("asks").next.as_ref(), Some(&next));
    assert!(restored.next_of_all_series().expect("asks").contains(&next));
    let account = restored.reconcile(None).expect("asks");
    assert_eq!((account.credentials.unaccounted, account.double_use, account.unproven_passes), (0, 0, 0));
    assert!(std::fs::read_dir(site.place.folder.path()).expect("a folder").flatten().all(|f| {
        let name = f.file_name().to_string_lossy().into_owned();
        !name.contains("partial") && !name.starts_with("saved.sqlite-")
    }));
    // Work goes on in the restored one.
    let next = (0..300).find(|n| restored.unit_of_chip(&chip(*n).chip_id).expect("asks").is_none());
    if let Some(n) = next {
        let site = Site { book: restored, place };
        let unit = site.provision(n, "S2");
        assert_eq!(site.book.unit(&unit).expect("asks").expect("there").state, UnitState::Passed);
    }
    let nothing = site.place.folder.path().join("nothing");
    let missing = Book::restore(&nothing, &engine.place().location, &options(&site.place), None, WATCHED);
    assert!(matches!(missing, Err(BookError::Missing { .. })));
}

pub fn a_copy_is_the_same_book(engine: &Engine<'_>) {
    let site = engine.site().stocked(20);
    for n in 0..5 {
        site.provision(n, "S1");
    }
    let there = engine.place();
    // From this engine to a file, and back to this engine.
    let file = Location::file(site.place.folder.path().join("moved.sqlite"));
    let (moved, copied) = site.book.copy_to(&file, None, WATCHED).expect("copied");
    assert!(copied.verification.intact());
    assert_eq!((copied.rows["unit"], copied.rows["chip"], copied.rows["entry"]), (5, 20, 15));
    let (back, copied) = moved.copy_to(&there.location, None, WATCHED).expect("copied back");
    assert!(copied.verification.intact());
    assert_eq!(back.head().expect("a head"), site.book.head().expect("a head"));
    let story = |book: &Book| book.story(&serial("TV-000003")).expect("asks").expect("there");
    assert_eq!(story(&back), story(&site.book));
    let occupied = site.book.copy_to(&there.location, None, WATCHED).expect_err("a book is there");
    assert!(matches!(occupied, BookError::Exists { .. }), "{occupied}");
    // The guards are up again.
    let refused = engine.raw(&there).attempt("DELETE FROM proof");
    assert!(refused.is_err());
    let site = Site { book: back, place: there };
    site.provision(9, "S2");
    assert!(site.book.verify(None).expect("verifies").intact());
}

pub fn a_move_leaves_nothing_behind(engine: &Engine<'_>) {
    let site = engine.site().stocked(20);
    for n in 0..4 {
        site.provision(n, "S1");
    }
    let file = Location::file(site.place.folder.path().join("moved.sqlite"));
    // One whose copy would not verify stays where it is, and in use.
    let other = engine.site().stocked(2);
    other.provision(0, "S1");
    engine.raw(&other.place).force("UPDATE unit SET changed = changed + 1");
    let aside = Location::file(site.place.folder.path().join("refused.sqlite"));
    let refused = other.book.move_to(&aside, None, WATCHED).expect_err("it is damaged");
    assert!(matches!(refused, BookError::Damaged { .. }), "{refused}");
    assert_eq!(other.book.moved_to().expect("asks"), None);
    other.provision(1, "S1");
    // Stations that work during the move: each unit is in the new book, or was refused by the old one.
    let stop = AtomicBool::new(false);
    let (moved, copied) = std::thread::scope(|scope| {
        let station = scope.spawn(|| {
            let mut done = Vec::new();
            for n in 4..20 {
                let unit = serial(&format!("TV-{n:06}"));
                match site.begin(n, book::SerialWish::IfNew(&unit), &on("S1", 10)) {
                    Ok(begun) => done.push(begun.unit.serial),
                    Err(book::BeginError::Book(BookError::Moved { to })) => {
                        assert!(to.ends_with("moved.sqlite"), "{to}");
                        break;
                    }
                    Err(other) => panic!("{other}"),
                }
                if stop.load(Ordering::Relaxed) {
                    std::thread::yield_now();
                }
            }
            done
        });
        let (moved, copied) = site.book.move_to(&file, None, WATCHED).expect("moved");
        stop.store(true, Ordering::Relaxed);
        for unit in station.join().expect("the station ends") {
            assert!(moved.unit(&unit).expect("asks").is_some(), "{unit} was left behind");
        }
        (moved, copied)
    });
    assert!(copied.verification.intact(), "{:?}", copied.verification.damages);
    assert_eq!(site.book.head().expect("a head"), moved.head().expect("a head"));
    let unit = serial("TV-000019");
    let late = site.begin(19, book::SerialWish::IfNew(&unit), &on("S1", 11));
    assert!(matches!(late, Err(book::BeginError::Book(BookError::Moved { .. }))), "{late:?}");
    assert!(site.book.moved_to().expect("asks").is_some_and(|to| to.ends_with("moved.sqlite")));
    // Reading the old one goes on, and it is whole.
    assert!(site.book.verify(None).expect("verifies").intact());
    assert_eq!(moved.moved_to().expect("asks"), None);
    // And home again, to an empty place.
    let back = engine.place();
    let (home, copied) = moved.move_to(&back.location, None, WATCHED).expect("moved back");
    assert!(copied.verification.intact());
    let site = Site { book: home, place: back };
    let begun = (4..20).find(|n| site.book.unit_of_chip(&chip(*n).chip_id).expect("asks").is_none());
    if let Some(n) = begun {
        site.provision(n, "S1");
    }
    assert!(site.book.verify(None).expect("verifies").intact());
}

/// The server goes away and comes back: what was refused is told, what is safe is tried again.
#[test]
fn a_server_that_comes_and_goes() {
    let Some(server) = Server::start() else { return };
    let engine = Engine::Postgresql(&server);
    let site = engine.site().stocked(40);
    let database = site.place.database.clone().expect("a database");
    // Connections cut while a station works: it notices nothing.
    std::thread::scope(|scope| {
        let work = scope.spawn(|| {
            for n in 0..20 {
                site.provision(n, "S1");
            }
        });
        while !work.is_finished() {
            server.cut(&database);
            std::thread::sleep(std::time::Duration::from_millis(150));
        }
    });
    // Gone: told as such, and nothing is changed.
    server.stop("immediate");
    let waits = Arc::new(Mutex::new(Vec::new()));
    let told = Arc::clone(&waits);
    site.book.tell_waits(Box::new(move |most| told.lock().expect("a list").push(most)));
    let unit = serial("TV-000020");
    let [short, long] = [1, 60].map(Duration::from_secs);
    book::patiently(short, || {
        let away = site.begin(20, book::SerialWish::IfNew(&unit), &on("S1", 20)).expect_err("no server");
        assert!(matches!(away, book::BeginError::Book(BookError::Away { .. })), "{away}");
        assert!(matches!(site.book.unit(&unit), Err(BookError::Away { .. })));
    });
    assert_eq!(*waits.lock().expect("a list"), [short, short]);
    // A station waits longer than anything else does.
    std::thread::scope(|scope| {
        scope.spawn(|| {
            std::thread::sleep(Duration::from_secs(9));
            server.launch();
        });
        assert!(book::patiently(long, || site.book.unit(&unit)).expect("it came back").is_none());
    });
    assert_eq!(*waits.lock().expect("a list"), [short, short, long]);
    for n in 20..40 {
        site.provision(n, "S1");
    }
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.units.passed, account.double_use, account.unproven_passes), (40, 0, 0));
    assert_eq!(site.book.head().expect("a head").size, 5 + 80, "no act was done twice");
    let verified = site.book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
}

/// Two sites in one database, each in a schema of its own.
#[test]
fn a_schema_of_its_own() {
    let Some(server) = Server::start() else { return };
    let url = server.database("shared");
    let mut client = postgres::Client::connect(&url, postgres::NoTls).expect("the server answers");
    client.batch_execute("CREATE SCHEMA north; CREATE SCHEMA south; CREATE ROLE line LOGIN").expect("schemas");
    client.batch_execute("GRANT ALL ON SCHEMA north, south TO line").expect("granted");
    let books = ["north", "south"].map(|schema| {
        let url = format!("{url}&options=-c%20search_path%3D{schema}").replace("postgres@", "line@");
        let location = Location::parse(&url, std::path::Path::new(".")).expect("an address");
        let book = Book::create(&location, &site_id(), schema, &by()).expect("made by a role without privileges");
        (location, book)
    });
    for (location, book) in &books {
        let again = Book::create(location, &site_id(), "x", &by()).expect_err("there already");
        assert!(matches!(again, BookError::Exists { .. }), "{again}");
        book.add_product(&product(), &by()).expect("added");
        assert!(book.verify(None).expect("verifies").intact());
    }
    assert_eq!(books[1].1.site().name, "south");
}

/// What `sslmode` and its files ask for is what is done, against OpenSSL's certificates.
#[test]
fn tls_as_the_address_asks() {
    let Some(server) = Server::start_over_tls() else { return };
    server.database("book");
    let mut client = postgres::Client::connect(&server.url("postgres"), postgres::NoTls).expect("the server answers");
    client.batch_execute("CREATE ROLE line LOGIN; GRANT ALL ON DATABASE book TO line").expect("a role");
    let book = server.book_url("book");
    let at = |url: &str| Location::parse(url, std::path::Path::new(".")).expect("an address");
    drop(Book::create(&at(&book), &site_id(), "over TLS", &by()).expect("the chain and the name are right"));
    let file = |name: &str| server.file(name).display().to_string();
    let by_number = book.replace("@localhost", "@127.0.0.1");
    let certified = book.replace("postgres@", "line@");
    let with = format!("{certified}&sslcert={}&sslkey={}", file("line.pem"), file("line.key"));
    let backups = tempfile::tempdir().expect("a folder");
    let options = OpenOptions { backups: backups.path().to_owned(), site: None, at: crate::support::at(0) };
    let open = |url: &str| Book::open(&at(url), &options);
    let refused = |url: &str, why: &str| {
        let error = open(url).map(drop).expect_err(url);
        let told = std::iter::successors(Some(&error as &dyn std::error::Error), |e| e.source())
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(": ");
        assert!(told.contains(why), "{url}: {told}");
    };
    drop(open(&by_number.replace("verify-full", "require")).expect("the chain alone is checked"));
    let (unchecked, _) = by_number.split_once("&sslrootcert").expect("a root");
    drop(open(&unchecked.replace("verify-full", "require")).expect("nothing is checked"));
    refused(&by_number, "certificate not valid for name");
    refused(&book.replace("root.pem", "line.pem"), "certificate");
    refused(&by_number.replace("verify-full", "require").replace("root.pem", "line.pem"), "certificate");
    refused(&book.replace("root.pem", "none.pem"), "none.pem");
    // `prefer`, and nothing said, are plain text on this machine; this server wants TLS from its network.
    let (plain, _) = book.split_once('?').expect("parameters");
    refused(plain, "no encryption");
    refused(&certified, "client certificate");
    // The certificate lets the role in; it may read nothing there, so that it sees no book.
    refused(&with, "there is no record book");
}
