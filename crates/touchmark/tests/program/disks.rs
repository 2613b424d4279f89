//! Disks and books that take nothing: one that may only be read, one that is full.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::{Command, Output};

use at_site::engine::Engine;
use at_site::{Answer, Site, text};
use serde_json::Value;

use crate::at_site;

/// A site with a provisioned unit.
fn worked(engine: &Engine) -> Site {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = site.simulate("a");
    let typed = ["provision", "--reel", "A", "--station", "S1", "--chips", &chips, "--units", "3"];
    site.done("provision", &[&typed[..], &["--serial-start", "TV-000001"]].concat());
    site
}

fn answer(done: &Output) -> Answer {
    let (out, err) = (String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    let json = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{e} in {out}\n{err}"));
    Answer { exit: done.status.code(), json, said: format!("{out}\n{err}") }
}

/// The call, made by a user who owns nothing: root may write whatever its mode says.
fn as_nobody(site: &Site, typed: &[&str]) -> Answer {
    let call = site.command(typed);
    let root = fs::read_to_string("/proc/self/status").is_ok_and(|s| s.lines().any(|l| l.starts_with("Uid:\t0\t")));
    let mut command = if root {
        let mut command = Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups"]).arg(call.get_program());
        command
    } else {
        Command::new(call.get_program())
    };
    command.args(call.get_args()).env_remove("TOUCHMARK_PASSPHRASE").current_dir("/");
    command.env("TOUCHMARK_SITE", site.dir.path().join("site"));
    answer(&command.output().expect("setpriv runs (Debian: util-linux)"))
}

fn mode(path: &Path, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).expect("a mode");
}

const READS: &[&[&str]] = &[
    &["unit", "list"],
    &["unit", "show", "TV-000002"],
    &["reconcile"],
    &["report"],
    &["watch"],
    &["reel", "list"],
    &["impact", "--reel", "A"],
    &["book", "verify"],
];

/// What both answers have, without the entries that grow meanwhile.
fn same(case: &str, read: &Value, before: &Value) {
    for key in ["units", "chips", "credentials", "verdict", "proof", "account", "reels"] {
        assert_eq!(read.get(key), before.get(key), "{case}: {key}");
    }
}

/// An auditor reads a book that he may not write: everything that only reads answers as it did, and whatever would
/// write an entry says why it can't.
fn a_book_that_may_only_be_read(engine: &Engine) {
    let site = worked(engine);
    let (home, settings) = (site.dir.path().join("site"), site.dir.path().join("site/touchmark.toml"));
    let before: Vec<Value> = READS.iter().map(|typed| site.done(typed[0], typed)).collect();
    let call =
        |typed: &[&str]| if engine.server.is_some() { site.call(typed[0], typed) } else { as_nobody(&site, typed) };
    if engine.server.is_some() {
        let text = fs::read_to_string(&settings).expect("read");
        let place =
            text.lines().find(|l| l.starts_with("location")).expect("a place").split('"').nth(1).expect("a place");
        let only = format!("{place}&options=-c%20default_transaction_read_only%3Don");
        fs::write(&settings, text.replace(place, &only)).expect("written");
    } else {
        mode(site.dir.path(), 0o755);
        mode(&home.join("book.sqlite"), 0o444);
        mode(&home, 0o555);
    }
    for (typed, before) in READS.iter().zip(&before) {
        let read = call(typed);
        assert_eq!(read.exit, Some(0), "{typed:?}: {}", read.said);
        same(typed[0], &read.json, before);
    }
    let writes: &[&[&str]] = &[
        &["unit", "scrap", "TV-000002", "--reason", "a test"],
        &["product", "add", "Late", "--vendor", "FFF2", "--product", "8A23", "--device-type", "1", "--reach", "ble"],
    ];
    for typed in writes {
        let refused = call(typed);
        assert_eq!(refused.exit, Some(3), "{typed:?}: {}", refused.said);
        let message = refused.json["error"]["message"].as_str().unwrap_or_default();
        assert!(message.contains("can only be read here"), "{typed:?}: {}", refused.said);
        assert!(
            refused.json["error"]["advice"].as_str().is_some_and(|a| a.contains("may be written")),
            "{}",
            refused.said
        );
    }
    mode(&home, 0o755);
}

/// A role of the server that has been granted SELECT and nothing else.
#[test]
fn a_role_that_may_only_select() {
    let Some(engine) = Engine::postgresql() else { return };
    let site = worked(&engine);
    let settings = site.dir.path().join("site/touchmark.toml");
    let told = fs::read_to_string(&settings).expect("read");
    let place = told.lines().find(|l| l.starts_with("location")).expect("a place").split('"').nth(1).expect("a place");
    let mut client = postgres::Client::connect(place, postgres::NoTls).expect("the server answers");
    client
        .batch_execute("CREATE ROLE auditor LOGIN; GRANT SELECT ON ALL TABLES IN SCHEMA public TO auditor")
        .expect("a role");
    fs::write(&settings, told.replace("postgres@", "auditor@")).expect("written");
    for typed in READS {
        let read = site.call(typed[0], typed);
        assert_eq!(read.exit, Some(0), "{typed:?}: {}", read.said);
    }
    let refused = site.call("scrap", &["unit", "scrap", "TV-000002", "--reason", "a test"]);
    assert_eq!(refused.exit, Some(3), "{}", refused.said);
    assert!(refused.said.contains("can only be read here"), "{}", refused.said);
}

/// A copy without its last changes settled can't be read where nothing may be written: reading it without them would
/// show a book as it was.
#[test]
fn a_copy_in_the_middle_of_its_changes_is_not_read_without_them() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = worked(&engine);
    let home = site.dir.path().join("site");
    let leave = "import os, sqlite3, sys\n\
        c = sqlite3.connect(sys.argv[1])\nc.execute('PRAGMA wal_autocheckpoint = 0')\n\
        c.execute('PRAGMA user_version = ' + str(c.execute('PRAGMA user_version').fetchone()[0]))\nc.commit()\nos._exit(0)";
    let done = Command::new("python3").args(["-c", leave, text(&home.join("book.sqlite"))]).status();
    assert!(done.expect("python3 runs").success());
    assert!(fs::metadata(home.join("book.sqlite-wal")).is_ok_and(|f| f.len() > 0), "no changes were left");
    fs::remove_file(home.join("book.sqlite-shm")).expect("removed");
    for (path, wanted) in [("", 0o755), ("site/book.sqlite", 0o444), ("site/book.sqlite-wal", 0o444), ("site", 0o555)] {
        mode(&site.dir.path().join(path), wanted);
    }
    let refused = as_nobody(&site, &["unit", "list"]);
    mode(&home, 0o755);
    assert_eq!(refused.exit, Some(3), "{}", refused.said);
    assert!(refused.said.contains("-wal") && refused.said.contains("Copy the book"), "{}", refused.said);
    site.done("unit list", &["unit", "list"]);
}

fn is_full(case: &str, answer: &Answer) {
    assert_eq!(answer.exit, Some(3), "{case}: {}", answer.said);
    let error = &answer.json["error"];
    assert_eq!(error["advice"], book::FULL_DISK, "{case}: {error}");
    assert!(error["message"].as_str().is_some_and(|m| m.starts_with("The disk")), "{case}: {error}");
}

/// Every file that is written, on a device that is always full (full(4)).
#[test]
fn a_full_disk_gets_one_advice() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = worked(&engine);
    let full = "/dev/full";
    for typed in [
        &["book", "head", "--out", full][..],
        &["report", "--html", full],
        &["report", "--pdf", full],
        &["plan", "--good", "10", "--yield", "0.9", "--html", full],
        &[
            "code",
            "make",
            "--vendor",
            "FFF2",
            "--product",
            "8A21",
            "--discriminator",
            "5",
            "--passcode",
            "20202",
            "--reach",
            "ble",
            "--svg",
            full,
        ],
    ] {
        is_full(&typed.join(" "), &site.call(typed[0], typed));
    }
    let out = fs::File::options().write(true).open(full).expect("a device");
    let done = site.command(&["unit", "list"]).stdout(out).output().expect("the program starts");
    assert_eq!(done.status.code(), Some(3));
}

/// A small disk of memory; unmounted when dropped.
struct Disk(tempfile::TempDir);

impl Disk {
    /// `None`, with a notice, where this process may not mount.
    #[allow(clippy::print_stderr, reason = "a skipped test must say so")]
    fn new(size: &str) -> Option<Self> {
        let folder = tempfile::tempdir().expect("a directory");
        let mut mount = Command::new("mount");
        mount.args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"]).arg(folder.path());
        if mount.output().is_ok_and(|done| done.status.success()) {
            return Some(Self(folder));
        }
        eprintln!("this process may not mount a disk of memory: a full disk is tried with /dev/full alone");
        None
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("--lazy").arg(self.0.path()).status();
    }
}

/// Backups, restores, packs, orders, labels and the book itself on a disk that fills.
#[test]
fn a_disk_that_fills_gets_one_advice_and_leaves_nothing() {
    let Some(disk) = Disk::new("300k") else { return };
    let Some(engine) = Engine::sqlite() else { return };
    let site = worked(&engine);
    site.add("b");
    site.receive_reel("b");
    let saved = site.dir.path().join("site.backup");
    site.done("backup", &["book", "backup", "--out", text(&saved)]);
    let there = |name: &str| disk.0.path().join(name);
    fs::write(there("filler"), vec![0; 270 << 10]).expect("room");
    let (backup, home, pack) = (there("backup"), there("home"), there("pack.zip"));
    let (order, label, units, new) = (there("order.csv"), there("label.pdf"), there("units"), there("new"));
    for typed in [
        &["book", "backup", "--out", text(&backup)][..],
        &["--site", text(&home), "book", "restore", text(&saved)],
        &["evidence", "export", "--all", "--out", text(&pack)],
        &["order", "write", "--reel", "B", "--out", text(&order)],
        &["label", "print", "--unit", "TV-000001", "--out", text(&label)],
        &["unit", "write", "--all", "--out", text(&units)],
        &["site", "new", text(&new)],
    ] {
        is_full(&typed.join(" "), &site.call(typed[0], typed));
    }
    for path in [backup, home, pack, order, label] {
        assert!(!path.exists(), "{}", path.display());
    }
    site.done("verify", &["book", "verify"]);
}

/// A server without room says so by SQLSTATE 53100 (PostgreSQL 15 documentation, appendix A).
#[test]
fn a_server_without_room_gets_the_same_advice() {
    let Some(engine) = Engine::postgresql() else { return };
    let site = worked(&engine);
    let told = fs::read_to_string(site.dir.path().join("site/touchmark.toml")).expect("read");
    let place = told.lines().find(|l| l.starts_with("location")).expect("a place").split('"').nth(1).expect("a place");
    let mut client = postgres::Client::connect(place, postgres::NoTls).expect("the server answers");
    let trigger = "CREATE FUNCTION full_disk() RETURNS trigger LANGUAGE plpgsql AS \
        $$ BEGIN RAISE EXCEPTION 'could not extend file' USING ERRCODE = '53100'; END $$; \
        CREATE TRIGGER full_disk BEFORE INSERT ON entry FOR EACH ROW EXECUTE FUNCTION full_disk()";
    client.batch_execute(trigger).expect("a trigger");
    is_full("scrap", &site.call("scrap", &["unit", "scrap", "TV-000002", "--reason", "a test"]));
}

on_both_engines! { a_book_that_may_only_be_read }
