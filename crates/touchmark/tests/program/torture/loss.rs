//! Books that lose entries: a copy put back, a write-ahead log that was damaged. What is lost is told before the next
//! unit; then the whole book is put right again, and the campaign goes on.

use std::path::{Path, PathBuf};
use std::{fs, thread};

use serde_json::Value;

use super::campaign::Factory;
use super::luck::Luck;
use super::station::Station;
use crate::at_site::copied;
use crate::at_site::engine::server::{LogEnd, Server};

/// How a book loses what it held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    CopyPutBack,
    LogDamaged,
}

/// What came of losses.
#[derive(Debug, Default)]
pub struct Losses {
    /// Times that entries were missing, or the book could not be read at all.
    told: u32,
    entries: u64,
    /// Times that nothing was missing in the end.
    whole: u32,
    /// Times that only what had been committed and not yet noted outside was missing, and how many entries.
    unnoted: u32,
    unnoted_entries: u64,
}

impl std::fmt::Display for Losses {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { told, entries, whole, unnoted, unnoted_entries } = self;
        write!(f, "{told} losses told ({entries} entries), {whole} times nothing was lost")?;
        if *unnoted > 0 {
            write!(f, ", {unnoted} times {unnoted_entries} entries of the moment of a kill alone")?;
        }
        Ok(())
    }
}

/// A copy of a book.
struct Kept {
    entries: u64,
    /// Where its server's log ends.
    log: Option<LogEnd>,
}

/// The book's file and its write-ahead log.
pub fn files(book: &Path) -> [PathBuf; 2] {
    [book.to_owned(), book.with_extension("sqlite-wal")]
}

impl Factory<'_> {
    /// Loses entries, sees that it is told, and puts the book right.
    pub fn lose(&mut self, loss: Loss, luck: &mut Luck) {
        self.everything_killed();
        let [older, whole] = ["older", "whole"].map(|name| self.site.dir.path().join(name));
        if loss == Loss::CopyPutBack {
            self.kept(&older);
            self.launched();
            self.served.resume();
            self.start_all();
            thread::sleep(luck.milliseconds(400, 1500));
            self.everything_killed();
        }
        let Kept { entries: committed, log } = self.kept(&whole);
        let noted = self.noted();
        let readable = match loss {
            Loss::CopyPutBack => {
                self.put_back(&older);
                true
            }
            Loss::LogDamaged => self.damaged(log.as_ref(), luck),
        };
        let lost = if readable { self.told(noted, committed) } else { Some(committed) };
        match lost {
            Some(entries) => {
                self.losses.told += 1;
                self.losses.entries += entries;
            }
            None => self.losses.whole += 1,
        }
        self.put_back(&whole);
        let verified = self.site.call("put right", &["book", "verify"]);
        assert!(verified.exit == Some(0) && entries(&verified.json) >= Some(committed), "{}", verified.said);
        for copy in [older, whole] {
            let _ = fs::remove_dir_all(copy);
        }
        self.served.resume();
    }

    fn everything_killed(&mut self) {
        self.served.stop();
        self.stations.iter_mut().for_each(Station::kill);
    }

    fn launched(&self) {
        self.engine.server.iter().for_each(Server::launch);
    }

    /// Entries that the checkpoint outside the book knows of.
    fn noted(&self) -> u64 {
        let note = fs::read_to_string(self.site.dir.path().join("site/keys/checkpoint")).expect("a checkpoint");
        note.lines().nth(1).and_then(|line| line.parse().ok()).expect("a size")
    }

    /// Copies the book as it lies there; its server is dead then, as its stations are.
    fn kept(&self, to: &Path) -> Kept {
        let _ = fs::remove_dir_all(to);
        match &self.engine.server {
            Some(server) => {
                server.cut(self.database());
                let mut client = postgres::Client::connect(&server.url(self.database()), postgres::NoTls)
                    .expect("the server answers");
                let size: i64 = client.query_one("SELECT size FROM log_head", &[]).expect("a size").get(0);
                drop(client);
                let log = server.log_end();
                server.kill();
                server.keep(to);
                Kept { entries: size.unsigned_abs(), log: Some(log) }
            }
            None => {
                fs::create_dir(to).expect("a folder");
                let there = files(&self.book.clone());
                there.iter().filter(|file| file.exists()).for_each(|file| copied(file, to));
                // Counted in a copy of the copy: whoever opens it changes it.
                let look = to.join("look");
                fs::create_dir(&look).expect("a folder");
                there.iter().filter_map(|file| file.file_name()).for_each(|name| {
                    let _ = fs::copy(to.join(name), look.join(name));
                });
                let book = rusqlite::Connection::open(look.join(there[0].file_name().expect("a name"))).expect("opens");
                let size = book.query_row("SELECT size FROM log_head", [], |row| row.get::<_, i64>(0)).expect("a size");
                Kept { entries: size.unsigned_abs(), log: None }
            }
        }
    }

    fn put_back(&self, from: &Path) {
        match &self.engine.server {
            Some(server) => {
                server.kill();
                server.put_back(from);
                server.launch();
            }
            None => {
                let book = self.book.clone();
                for file in files(&book).iter().chain([&book.with_extension("sqlite-shm")]) {
                    let _ = fs::remove_file(file);
                }
                for file in &files(&book) {
                    let kept = from.join(file.file_name().expect("a name"));
                    if kept.exists() {
                        copied(&kept, file);
                    }
                }
            }
        }
    }

    /// Turns a bit in the write-ahead log. Whether the book can be read at all.
    fn damaged(&self, log: Option<&LogEnd>, luck: &mut Luck) -> bool {
        match self.engine.server.as_ref().zip(log) {
            Some((server, log)) => {
                server.damage_log(log, luck.below(1000) as usize);
                server.try_launch().is_ok()
            }
            None => {
                let book = self.book.clone();
                let [_, log] = files(&book);
                let mut octets = fs::read(&log).unwrap_or_default();
                if !octets.is_empty() {
                    let at = luck.below(octets.len() as u64) as usize;
                    octets[at] ^= 1 << luck.below(8);
                    fs::write(&log, octets).expect("written");
                    let _ = fs::remove_file(book.with_extension("sqlite-shm"));
                }
                true
            }
        }
    }

    /// What is missing is told, and nothing is written on top of it. How many entries; none where nothing is missing.
    fn told(&mut self, noted: u64, committed: u64) -> Option<u64> {
        let verified = self.site.call("after a loss", &["book", "verify"]);
        let there = entries(&verified.json);
        let case = format!("{there:?} of {committed} entries, {noted} noted: {}", verified.said);
        if verified.exit == Some(0) {
            let there = there.expect("a count");
            assert!(there >= noted, "a loss that nobody tells: {case}");
            if there < committed {
                // Each of those that were killed may have been between its commit and its note.
                assert!(committed - there <= self.stations.len() as u64 + 2, "{case}");
                self.losses.unnoted += 1;
                self.losses.unnoted_entries += committed - there;
            }
            return None;
        }
        assert!(there.is_none_or(|there| there < committed), "told, and nothing is missing: {case}");
        // No station works on it.
        let station = &self.stations[0];
        let run = ["provision", "--reel", "A", "--station", &station.name, "--take-over", "--chips", &station.chips];
        let stopped = self.site.call("a station after a loss", &run);
        let passed = |unit: &Value| unit["result"] == "passed" && unit["already"] == false;
        let worked = stopped.json["units"].as_array().is_some_and(|units| units.iter().any(passed));
        assert!(!matches!(stopped.exit, Some(0)) && !worked, "{case}: {}", stopped.said);
        let advice = &stopped.json["error"]["advice"];
        assert!(advice.as_str().is_some_and(|advice| !advice.is_empty()), "{case}: {}", stopped.said);
        Some(committed - there.unwrap_or(0))
    }
}

fn entries(verified: &Value) -> Option<u64> {
    verified["entries"].as_u64()
}
