//! Writers at the same moment, and writers that die.

use std::collections::HashSet;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};
use std::sync::{Barrier, Mutex};

use book::{BeginError, ReceiveError, SerialWish, UnitState};

use crate::support::*;

pub fn two_stations_one_chip(engine: &Engine<'_>) {
    let site = engine.site().stocked(12);
    // Each station through a connection pool of its own, as processes have.
    let books = [site.again(), site.again()];
    for n in 0..12 {
        let (start, results) = (Barrier::new(2), Mutex::new(Vec::new()));
        std::thread::scope(|scope| {
            for (book, station) in books.iter().zip(["S1", "S2"]) {
                let (start, results) = (&start, &results);
                scope.spawn(move || {
                    let (chip, unit, by) = (chip(n).chip_id, serial(&format!("{station}-{n}")), on(station, n.into()));
                    start.wait();
                    let result = book.begin_attempt(&book::Begin::new(&chip, SerialWish::IfNew(&unit), &by));
                    results.lock().expect("no panic").push(result);
                });
            }
        });
        let results = results.into_inner().expect("no panic");
        let won = results.iter().filter(|r| r.is_ok()).count();
        let told = results.iter().filter(|r| matches!(r, Err(BeginError::Elsewhere { .. }))).count();
        assert_eq!((won, told), (1, 1), "{results:?}");
    }
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.units.open, account.credentials.reserved, account.double_use), (12, 12, 0));
    assert!(site.book.verify(None).expect("verifies").intact());
}

pub fn many_stations_many_chips(engine: &Engine<'_>) {
    let site = engine.site().stocked(60);
    let given = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for station in 0..4u32 {
            let (site, given) = (&site, &given);
            scope.spawn(move || {
                let name = format!("S{station}");
                for n in (0..60).filter(|n| n % 4 == station) {
                    let wish = serial("TV-000001");
                    let begun = site.begin(n, SerialWish::CountFrom(&wish), &on(&name, n.into())).expect("begun");
                    site.pass(n, &begun.unit.serial, begun.attempt, &on(&name, n.into())).expect("passed");
                    given.lock().expect("no panic").push(begun.unit.serial);
                }
            });
        }
    });
    let mut given = given.into_inner().expect("no panic");
    given.sort();
    let wanted: Vec<_> = (1..=60).map(|n| serial(&format!("TV-{n:06}"))).collect();
    assert_eq!(given, wanted, "no number twice, none left out");
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!((account.units.passed, account.credentials.installed, account.unproven_passes), (60, 60, 0));
    assert_eq!(site.book.head().expect("a head").size, 5 + 120);
    let verified = site.book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
}

pub fn two_writers_of_one_reel(engine: &Engine<'_>) {
    let site = engine.site().prepared();
    let books = [site.again(), site.again()];
    let start = Barrier::new(2);
    let results: Vec<_> = std::thread::scope(|scope| {
        let running: Vec<_> = books
            .iter()
            .zip(["REEL-A", "REEL-B"])
            .map(|(book, id)| {
                let start = &start;
                scope.spawn(move || {
                    start.wait();
                    book.receive_reel(&new_reel(id), (0..3000).map(chip).map(fine), &by())
                })
            })
            .collect();
        running.into_iter().map(|r| r.join().expect("no panic")).collect()
    });
    let won = results.iter().filter(|r| r.is_ok()).count();
    let told = results.iter().filter(|r| matches!(r, Err(ReceiveError::Duplicates { total: 3000, .. }))).count();
    assert_eq!((won, told), (1, 1), "{results:?}");
    assert_eq!(site.book.reels().expect("asks").len(), 1);
    assert!(site.book.verify(None).expect("verifies").intact());
}

/// The example that writes until it is killed.
fn station_program() -> std::path::PathBuf {
    let test = std::env::current_exe().expect("a path");
    let profile = test.parent().and_then(|deps| deps.parent()).expect("target/PROFILE/deps/contract-…");
    let program = profile.join("examples").join("station");
    assert!(program.exists(), "{} is built along with the tests: cargo build -p book --examples", program.display());
    program
}

fn provisioning(book: &str, station: &str) -> Command {
    let mut command = Command::new(station_program());
    command.args([book, "provision", station, "REEL-A"]).stdout(Stdio::piped());
    command
}

/// How often the process is killed.
const ROUNDS: u64 = 120;

/// A process that provisions is killed, again and again, at moments that move
/// through an act; the next one takes over what it left.
pub fn a_writer_killed_in_mid_write(engine: &Engine<'_>) {
    let units = 400;
    let site = engine.site().stocked(units);
    let mut passed = HashSet::new();
    for round in 0..ROUNDS {
        let mut station = provisioning(&engine_url(engine, &site), &format!("S{round}")).spawn().expect("starts");
        let out = BufReader::new(station.stdout.take().expect("a pipe"));
        let mut lines = out.lines();
        // Wait until it is at work, then a little longer, differently each time.
        if let Some(Ok(line)) = lines.next() {
            passed.insert(line);
            std::thread::sleep(std::time::Duration::from_micros(137 * (round % 61)));
        }
        station.kill().expect("killed: SIGKILL");
        // What it had said before it died must be in the book.
        passed.extend(lines.map_while(Result::ok).filter(|line| line.starts_with("passed ")));
        station.wait().expect("gone");
        let account = site.book.reconcile(None).expect("asks");
        assert_eq!(
            (account.double_use, account.unproven_passes, account.credentials.unaccounted, account.chips.unaccounted),
            (0, 0, 0, 0),
            "after round {round}"
        );
        assert!(account.units.open <= 1, "one attempt at most was under way");
    }
    // The last one is let be.
    let rest = provisioning(&engine_url(engine, &site), "S-last").output().expect("runs");
    assert!(rest.status.success(), "{}", String::from_utf8_lossy(&rest.stderr));
    let account = site.book.reconcile(None).expect("asks");
    assert_eq!(account.units.passed, i64::from(units));
    assert_eq!(account.credentials.installed, i64::from(units));
    for line in &passed {
        let Some(unit) = line.strip_prefix("passed ") else { continue };
        let kept = site.book.unit(&serial(unit)).expect("asks").expect("what was told is kept");
        assert_eq!(kept.state, UnitState::Passed);
    }
    assert!(passed.len() > 20, "it was killed at work, not before");
    let verified = site.book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
}

fn engine_url(engine: &Engine<'_>, site: &Site) -> String {
    match engine {
        Engine::Sqlite => format!("sqlite:{}", site.place.location),
        Engine::Postgresql(server) => server.book_url(site.place.database.as_deref().expect("a database")),
    }
}
