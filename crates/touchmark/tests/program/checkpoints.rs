//! A book that went back in time: a copy put back, entries lost with a damaged write-ahead log. Whoever opens it finds
//! that from the checkpoint outside it, and nothing is written until somebody accepts the loss.

use std::fs;
use std::io::{BufRead as _, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};

use crate::at_site::engine::Engine;
use crate::at_site::{Answer, Site, assert_sound, copied, text};
use crate::keeping::provision;
use crate::python;

on_both_engines! { a_copy_put_back_stops_the_line }

/// A site with reel A and its certificates, four chips, and one unit.
fn worked(engine: &Engine) -> (Site, String) {
    let site = Site::on(engine, "a");
    let settings = site.dir.path().join("site/touchmark.toml");
    let text_of = fs::read_to_string(&settings).expect("settings");
    let with = text_of.replace("[checkpoint]", "[checkpoint]\nkeepers = ['../second.checkpoint']");
    assert_ne!(with, text_of);
    fs::write(&settings, with).expect("settings");
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, 4, &[])));
    provision(&site, &chips, "1");
    (site, chips)
}

fn is_older(answer: &Answer, what: &str) {
    assert!(answer.said.contains("older than its checkpoint"), "{what}: {}", answer.said);
}

/// What the station, the account, verifying and the watch say of it, with the units that it still has.
fn stops(site: &Site, chips: &str, units: usize) {
    let verified = site.call("verify", &["book", "verify"]);
    assert_eq!((verified.exit, &verified.json["verdict"]), (Some(1), &json!("damaged")), "{}", verified.said);
    is_older(&verified, "verify");
    let account = site.call("reconcile", &["reconcile"]);
    assert_eq!((account.exit, &account.json["log"]["intact"]), (Some(1), &json!(false)), "{}", account.said);
    is_older(&site.call("watch", &["watch"]), "watch");
    let run = ["provision", "--reel", "A", "--station", "S2", "--chips", chips, "--serial-start", "TV-000009"];
    let refused = site.call("provision", &run);
    assert_eq!(refused.exit, Some(3), "{}", refused.said);
    is_older(&refused, "provision");
    assert!(refused.said.contains("accept-loss"), "{}", refused.said);
    is_older(&site.call("product", &["product", "update", "Tern Vent", "--vendor-name", "T"]), "product update");
    let head = site.dir.path().join("older.head");
    is_older(&site.call("head", &["book", "head", "--out", text(&head)]), "head");
    assert!(!head.exists());
    let out = site.dir.path().join("older.backup");
    is_older(&site.call("backup", &["book", "backup", "--out", text(&out)]), "backup");
    assert!(!out.exists());
    assert_eq!(account.json["log"]["older"], json!(true), "{}", account.said);
    // It can be read all the same, and each answer says of what book it is.
    let listed = site.call("list", &["unit", "list"]);
    assert_eq!(listed.json["units"].as_array().map(Vec::len), Some(units));
    let touched = site.call("impact", &["impact", "--reel", "A"]);
    let csv = site.dir.path().join("touched.csv");
    let out = site.call("impact", &["impact", "--reel", "A", "--out", text(&csv)]);
    fs::remove_file(&csv).expect("written");
    for answer in [&listed, &touched, &out, &site.call("reels", &["reel", "list"]), &site.call("report", &["report"])] {
        assert_eq!(answer.exit, Some(0), "{}", answer.said);
        is_older(answer, "read");
        assert!(answer.json["book_older"].as_str().is_some_and(|t| t.contains("were made")), "{}", answer.said);
    }
}

fn a_copy_put_back_stops_the_line(engine: &Engine) {
    let (site, chips) = worked(engine);
    let home = site.dir.path().join("site");
    let (book, kept) = (home.join("book.sqlite"), site.dir.path().join("copy.sqlite"));
    match &engine.server {
        Some(server) => drop(server.database_like("older", "book0")),
        None => drop(fs::copy(&book, &kept).expect("a copy")),
    }
    provision(&site, &chips, "2");
    let mark = fs::read_to_string(home.join("keys/checkpoint")).expect("a checkpoint");
    assert_eq!(fs::read_to_string(site.dir.path().join("second.checkpoint")).expect("the second"), mark);
    let entries: u64 = mark.lines().nth(1).and_then(|line| line.parse().ok()).expect("a size");
    match &engine.server {
        Some(server) => names_another(&site, &server.book_url("book0"), &server.book_url("older")),
        None => drop(fs::copy(&kept, &book).expect("put back")),
    }
    stops(&site, &chips, 1);
    // The one beside the keys is gone, and the second is not.
    fs::remove_file(home.join("keys/checkpoint")).expect("gone");
    stops(&site, &chips, 1);
    let unsaid = site.call("no reason", &["book", "accept-loss", "--reason", " "]);
    assert_eq!(unsaid.exit, Some(2), "{}", unsaid.said);
    stops(&site, &chips, 1);

    goes_on(&site, &chips, entries);
}

/// Puts another book into the settings.
fn names_another(site: &Site, now: &str, then: &str) {
    let settings = site.dir.path().join("site/touchmark.toml");
    let named = fs::read_to_string(&settings).expect("settings").replace(now, then);
    assert!(named.contains(then), "{named}");
    fs::write(&settings, named).expect("settings");
}

/// Once the loss is accepted, each chip that knows more than the book is said to, and none of the lost numbers is used.
fn goes_on(site: &Site, chips: &str, entries: u64) {
    let accepted = site.done("accepted", &["book", "accept-loss", "--reason", "a disk failed"]);
    assert_eq!((&accepted["were"], &accepted["series_to_confirm"]), (&json!(entries), &json!(["TV-000002"])));
    assert_eq!(site.done("intact", &["book", "verify"])["verdict"], "intact");
    let again = site.call("again", &["book", "accept-loss", "--reason", "twice"]);
    assert!(again.exit == Some(1) && again.said.contains("nothing is lost"), "{}", again.said);

    // As after a restore: no number is used twice, and chips that know more than the book stop the station.
    let run = ["provision", "--reel", "A", "--station", "S2", "--chips", chips];
    let counted = site.call("counted", &run);
    assert!(counted.exit == Some(1) && counted.said.contains("a loss was accepted"), "{}", counted.said);
    let named = site.call("named", &[&run[..], &["--serial-start", "TV-000004"]].concat());
    let units = named.json["units"].as_array().expect("units");
    assert_eq!(units.iter().filter(|unit| unit["cause"] == "book-older").count(), 2, "{}", named.said);
    assert_sound("in the end", &site.reconcile("in the end"));
}

/// A primary that fails, and a standby in its place that had not heard of the last units: what is lost shows, and is said
/// chip by chip.
#[test]
fn a_standby_without_the_last_entries_stops_the_line() {
    let Some(engine) = Engine::postgresql() else { return };
    let primary = engine.server.as_ref().expect("a server");
    let (site, chips) = worked(&engine);
    let standby = primary.standby();
    while !standby.has_followed(primary) {
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    standby.hear_no_more();
    provision(&site, &chips, "2");
    let mark = fs::read_to_string(site.dir.path().join("site/keys/checkpoint")).expect("a checkpoint");
    let entries: u64 = mark.lines().nth(1).and_then(|line| line.parse().ok()).expect("a size");
    primary.kill();
    standby.promote();
    names_another(&site, &primary.book_url("book0"), &standby.book_url("book0"));
    stops(&site, &chips, 1);
    goes_on(&site, &chips, entries);
}

/// One bit turned in the write-ahead log: SQLite leaves out all that comes after it, and whatever is lost by that is
/// told.
#[test]
fn entries_lost_with_a_damaged_write_ahead_log_are_told() {
    let Some(engine) = Engine::sqlite() else { return };
    let (site, chips) = worked(&engine);
    let home = site.dir.path().join("site");
    // As long as somebody reads the book, its log is not taken up into the file.
    let reader = rusqlite::Connection::open(home.join("book.sqlite")).expect("opens");
    let entries = |c: &rusqlite::Connection| {
        c.query_row("SELECT size FROM log_head", [], |row| row.get::<_, i64>(0)).expect("a size")
    };
    entries(&reader);
    provision(&site, &chips, "2");
    let made = entries(&reader);
    let wal = fs::read(home.join("book.sqlite-wal")).expect("a write-ahead log");
    assert!(wal.len() > 20_000, "{} bytes", wal.len());
    let (mut told, mut whole) = (0, 0);
    for part in 1..16 {
        let copy = site.dir.path().join(format!("damaged-{part}"));
        copied(&home, &copy);
        let mut octets = wal.clone();
        octets[wal.len() / 16 * part] ^= 0x10;
        fs::write(copy.join("book.sqlite-wal"), octets).expect("written");
        let _ = fs::remove_file(copy.join("book.sqlite-shm"));
        let verified = site.call("verify", &["book", "verify", "--site", text(&copy)]);
        let lost = verified.json["entries"].as_i64().is_none_or(|there| there < made);
        assert_eq!(lost, verified.exit != Some(0), "{part}: {}", verified.said);
        (told, whole) = (told + usize::from(lost), whole + usize::from(!lost));
    }
    assert!(told > 5, "{told} told, {whole} whole");
}

/// A checkpoint that makes no sense is told and stays as it is; one that is missing is told too.
#[test]
fn a_checkpoint_that_makes_no_sense_is_not_written_over() {
    let Some(engine) = Engine::sqlite() else { return };
    let (site, chips) = worked(&engine);
    let places = [site.dir.path().join("site/keys/checkpoint"), site.dir.path().join("second.checkpoint")];
    assert!(!site.words(&["book", "verify"]).contains("would not show"));
    for place in &places {
        fs::write(place, "no checkpoint\n").expect("written");
    }
    let run = [
        "provision",
        "--reel",
        "A",
        "--station",
        "S1",
        "--chips",
        &chips,
        "--serial-start",
        "TV-000001",
        "--units",
        "1",
    ];
    let worked = site.done("provision", &run);
    let warned = |what: &str| {
        let all = worked["warnings"].as_array().expect("warnings");
        all.iter().filter(|w| w.as_str().is_some_and(|w| w.contains(what))).count()
    };
    assert_eq!(warned("was not compared with the book: it can't be read"), 2, "{worked}");
    for place in &places {
        assert_eq!(fs::read_to_string(place).expect("still there"), "no checkpoint\n");
    }
    let said = |what: &str| {
        let verified = site.words(&["book", "verify"]);
        assert!(verified.contains(what) && verified.contains("would not show"), "{verified}");
        let watched = site.call("watch", &["watch"]).json.to_string();
        assert!(watched.contains(what) && watched.contains("book verify --head"), "{watched}");
    };
    said("it can't be read");
    for place in &places {
        fs::remove_file(place).expect("gone");
    }
    said("there is none");
    site.done("an act", &["product", "update", "Tern Vent", "--vendor-name", "T"]);
    assert!(places.iter().all(|place| place.exists()), "the next act writes it");
}

/// A backup that is restored elsewhere for trial leaves the site alone that goes on; a restored site says what its
/// checkpoints know of that the backup has not.
#[test]
fn a_restore_for_trial_stops_nobody() {
    let Some(engine) = Engine::sqlite() else { return };
    let (site, chips) = worked(&engine);
    let second = site.dir.path().join("second.checkpoint");
    let saved = site.dir.path().join("site.backup");
    site.done("backup", &["book", "backup", "--out", text(&saved)]);
    provision(&site, &chips, "1");
    let kept = fs::read_to_string(&second).expect("a checkpoint");
    let entries: u64 = kept.lines().nth(1).and_then(|line| line.parse().ok()).expect("a size");
    // Beside the site, so that the second checkpoint is in the same place.
    let trial = site.dir.path().join("trial");
    let restored = site.done("restore", &["book", "restore", text(&saved), "--site", text(&trial)]);
    assert_eq!(restored["checkpoints"][0]["entries"], json!(entries), "{restored}");
    let at_trial = |typed: &[&str]| site.call("trial", &[typed, &["--site", text(&trial)]].concat());
    assert_eq!(at_trial(&["product", "update", "Tern Vent", "--vendor-name", "T"]).exit, Some(0));
    assert_eq!(fs::read_to_string(&second).expect("a checkpoint"), kept, "it is the site's that goes on");
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
    provision(&site, &chips, "1");
    let watched = at_trial(&["watch"]);
    assert!(watched.said.contains("of before the book was restored"), "{}", watched.said);
    assert_eq!(at_trial(&["book", "verify"]).exit, Some(0));
    let account = at_trial(&["reconcile"]);
    assert!(account.json["notes"].to_string().contains("restored from a backup"), "{}", account.said);

    // A checkpoint of that other copy is told as one, with its place; once it is gone, work goes on.
    fs::copy(trial.join("keys/checkpoint"), &second).expect("copied");
    let verified = site.call("verify", &["book", "verify"]);
    assert!(verified.exit == Some(1) && verified.said.contains("another copy of it"), "{}", verified.said);
    let places = verified.json["checkpoints"].as_array().expect("places");
    let said: Vec<_> = places.iter().map(|place| place["trouble"].is_null()).collect();
    assert_eq!(said, [true, false], "{}", verified.said);
    fs::remove_file(&second).expect("gone");
    site.done("update", &["product", "update", "Tern Vent", "--vendor-name", "T"]);

    // In the place of a book that was lost, the checkpoint beside the keys says how much was lost, and stays.
    let home = site.dir.path().join("site");
    for file in ["book.sqlite", "book.sqlite-wal", "book.sqlite-shm"] {
        let _ = fs::remove_file(home.join(file));
    }
    let now = fs::read_to_string(home.join("keys/checkpoint")).expect("a checkpoint");
    let back = site.call("restore", &["book", "restore", text(&saved)]);
    assert_eq!(back.exit, Some(0), "{}", back.said);
    let known = back.json["checkpoints"].as_array().expect("checkpoints");
    assert_eq!(known.len(), 2, "{}", back.said);
    let aside = known[0]["place"].as_str().expect("a place");
    assert_eq!(fs::read_to_string(aside).expect("moved aside"), now);
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}

/// The note in another hand's eyes: Python's `cryptography` checks the signature of C2SP `signed-note`, and that the
/// root is the one of RFC 9162 over the entries.
#[test]
fn another_hand_checks_the_checkpoint() {
    let Some(python) = python::interpreter() else { return };
    let Some(engine) = Engine::sqlite() else { return };
    let (site, _) = worked(&engine);
    let note: PathBuf = site.dir.path().join("note");
    let shown: Value = site.done("shown", &["book", "checkpoint", "--out", text(&note)]);
    assert_eq!(fs::read_to_string(&note).expect("a note"), shown["checkpoint"].as_str().expect("a note"));
    let key = site.dir.path().join("key");
    fs::write(&key, shown["key"].as_str().expect("a key")).expect("written");
    python::run(&python, "checkpoint.py", &[&note, &key, &site.dir.path().join("site/book.sqlite")]);
}

/// A process that goes with the test.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A witness of another hand countersigns each checkpoint that goes on from the one before, and what it knows outlives
/// all that lies on this machine.
#[test]
fn a_witness_elsewhere_finds_a_copy_put_back() {
    let Some(python) = python::interpreter() else { return };
    let Some(engine) = Engine::sqlite() else { return };
    let (site, chips) = worked(&engine);
    let home = site.dir.path().join("site");
    let key = site.dir.path().join("key");
    let shown = site.done("shown", &["book", "checkpoint"]);
    fs::write(&key, shown["key"].as_str().expect("a key")).expect("written");
    let script = crate::at_site::data("../outside/witness.py");
    let witness = Command::new(python).arg(script).arg(&key).stdout(Stdio::piped()).spawn().expect("Python starts");
    let mut witness = Running(witness);
    let mut first = String::new();
    BufReader::new(witness.0.stdout.take().expect("a pipe")).read_line(&mut first).expect("a line");
    let (port, verifier) = first.trim().split_once(' ').expect("a port and a key");
    let settings = home.join("touchmark.toml");
    let named = fs::read_to_string(&settings).expect("settings");
    let with = format!("{named}\n[[checkpoint.witness]]\nurl = 'http://127.0.0.1:{port}/line/'\nkey = '{verifier}'\n");
    fs::write(&settings, with).expect("settings");

    let sizes: Vec<u64> = (0..3)
        .map(|n| {
            let label = site.dir.path().join(format!("{n}.svg"));
            site.done("an entry", &["label", "print", "--unit", "TV-000001", "--out", text(&label)]);
            let shown = site.done("shown", &["book", "checkpoint"]);
            assert_eq!(shown["witnesses"][0]["trouble"], Value::Null, "{shown}");
            shown["witnesses"][0]["entries"].as_u64().expect("a size")
        })
        .collect();
    assert!(sizes.is_sorted() && sizes[0] < sizes[2], "{sizes:?}");
    let cosigned = fs::read_to_string(home.join("keys/checkpoint.cosigned")).expect("kept");
    assert_eq!(cosigned.lines().filter(|line| line.starts_with("\u{2014} ")).count(), 2, "{cosigned}");

    // The book goes back, and all that this machine kept of it goes too.
    let kept = site.dir.path().join("copy.sqlite");
    fs::copy(home.join("book.sqlite"), &kept).expect("a copy");
    provision(&site, &chips, "2");
    site.done("witnessed", &["book", "verify"]);
    fs::copy(&kept, home.join("book.sqlite")).expect("put back");
    for lost in ["keys/checkpoint", "keys/checkpoint.cosigned", "../second.checkpoint"] {
        fs::remove_file(home.join(lost)).expect("gone");
    }
    let run = ["provision", "--reel", "A", "--station", "S2", "--chips", &chips, "--serial-start", "TV-000009"];
    let refused = site.call("provision", &run);
    assert_eq!(refused.exit, Some(3), "{}", refused.said);
    is_older(&refused, "provision");
    let verified = site.call("verify", &["book", "verify"]);
    assert_eq!(verified.exit, Some(1), "{}", verified.said);
    is_older(&verified, "verify");
    drop(witness);
    let untold = site.call("watch", &["watch"]);
    assert!(untold.said.contains("did not countersign"), "{}", untold.said);
}
