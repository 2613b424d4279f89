//! Keeping the record book: verified, backed up, restored, moved between engines.

use std::cell::Cell;
use std::fs;
use std::path::{Path, PathBuf};
use std::str::FromStr as _;

use book::ids::SiteId;
use book::{Book, DamageKind, Location, OpenOptions, SignedHead, Stage, Subject, Verification};
use serde::Serialize;
use serde_json::json;
use standard::key::PublicKey;
use time::OffsetDateTime;
use toml_edit::DocumentMut;

use crate::course::{Course, Phase, or_stopped};
use crate::files::{Pending, Readers};
use crate::head;
use crate::site::{FILE, Settings, Site, Who, location};
use crate::trouble::Trouble;

/// One thing that is not as the log says.
#[derive(Debug, Clone, Serialize)]
pub struct DamageView {
    /// `altered`, `removed`, `added`, `moved`.
    pub kind: DamageKind,
    /// The table.
    pub table: String,
    /// The row's key.
    pub key: String,
    /// The entry that tells of it.
    pub entry: Option<i64>,
    /// What was found.
    pub found: String,
}

/// What verifying the book said.
#[derive(Debug, Clone, Serialize)]
pub struct Verified {
    /// `intact` or `damaged`.
    pub verdict: &'static str,
    /// Where the book is, without a password.
    pub book: String,
    /// Entries in the log.
    pub entries: u64,
    /// Hash of their tree.
    pub root: String,
    /// Rows held against the log.
    pub rows: u64,
    /// Signed heads held against it.
    pub signed_heads: u64,
    /// How much is not as it should be.
    pub damaged: u64,
    /// The first thousand of it.
    pub damages: Vec<DamageView>,
}

impl Verified {
    fn of(book: &Book, said: &Verification) -> Self {
        let view = |d: &book::Damage| DamageView {
            kind: d.kind,
            table: d.table.clone(),
            key: d.key.clone(),
            entry: d.entry.map(|s| s.0),
            found: d.found.clone(),
        };
        Self {
            verdict: if said.intact() { "intact" } else { "damaged" },
            book: book.location().to_string(),
            entries: said.entries,
            root: hex::encode(said.root),
            rows: said.rows,
            signed_heads: said.signed_heads,
            damaged: said.total,
            damages: said.damages.iter().map(view).collect(),
        }
    }

    /// Whether all is as it was written.
    pub fn is_intact(&self) -> bool {
        self.damaged == 0
    }
}

/// What tells whether a head was signed by this site: with no key on file, no
/// head can have been.
fn checks(key: Option<PublicKey>) -> impl Fn(&SignedHead) -> bool {
    move |signed| key.is_some_and(|key| head::is_ours(&key, signed))
}

/// Recomputes the log and all that it vouches for, while stations run.
///
/// - `kept`: files with signed heads that were kept outside the book.
/// - `course`: counts entries and rows; it can be stopped at any moment.
///
/// # Errors
///
/// [`Trouble`] where a file can't be read or the book gives no answer. Damage is
/// no error but told.
pub fn verify(site: &Site, kept: &[PathBuf], course: &Course) -> Result<Verified, Trouble> {
    let kept = kept.iter().map(|path| head::read(path)).collect::<Result<Vec<_>, _>>()?;
    verify_book(&site.book, head::public_key(site)?, &kept, course)
}

/// Tells a course what the book tells of its own progress.
struct Teller<'c> {
    course: &'c Course,
    /// The phase, how many things it has, and how many of them were told.
    told: Cell<(Phase, u64, u64)>,
}

impl<'c> Teller<'c> {
    fn new(course: &'c Course) -> Self {
        Self { course, told: Cell::new((Phase::Starting, 0, 0)) }
    }

    fn tell(&self, phase: Phase, done: u64, total: u64) -> bool {
        let (before, of, told) = self.told.replace((phase, total, done));
        // What is tried again begins anew.
        if before == phase && of == total && told <= done {
            self.course.advance(done - told);
        } else {
            self.course.phase(phase, Some(total));
            self.course.advance(done);
        }
        self.course.go_on().is_ok()
    }

    fn copying(&self, stage: Stage, done: u64, total: u64) -> bool {
        match stage {
            Stage::Copying => self.tell(Phase::Copying, done, total),
            Stage::Comparing => self.tell(Phase::Comparing, done, total),
            Stage::Verifying => {
                // The copy is there: what is asked now comes too late.
                if self.told.get().0 != Phase::Verifying {
                    let _ = self.course.commit();
                }
                self.tell(Phase::Verifying, done, total)
            }
        }
    }
}

fn verify_book(book: &Book, key: Option<PublicKey>, kept: &[SignedHead], course: &Course) -> Result<Verified, Trouble> {
    course.phase(Phase::Verifying, None);
    let teller = Teller::new(course);
    let watch = |done: u64, total: u64| teller.tell(Phase::Verifying, done, total);
    Ok(Verified::of(book, &or_stopped(book.verify_watched(Some(&checks(key)), kept, &watch))?))
}

/// A backup that was made.
#[derive(Debug, Serialize)]
pub struct Saved {
    /// The file.
    pub backup: String,
    /// Its octets.
    pub octets: u64,
    /// Entries in its log.
    pub entries: u64,
    /// Hash of their tree: the backup is the book as of there.
    pub root: String,
    /// What verifying the file said, where that was asked for.
    pub verified: Option<Verified>,
}

/// Saves the book as one SQLite file while stations run, whatever its engine.
///
/// The file is there whole or not at all. That it was made is an entry, which
/// is in the book and, coming after, not in the backup.
///
/// - `course`: where the copying is stopped there is no file; where the verifying is, it stays, unverified.
///
/// # Errors
///
/// [`Trouble`] where the file is there already or can't be written.
pub fn backup(site: &Site, to: &Path, and_verify: bool, who: &Who, course: &Course) -> Result<Saved, Trouble> {
    let teller = Teller::new(course);
    or_stopped(site.book.backup(to, &|stage, done, total| teller.copying(stage, done, total)))?;
    let saved = open(&Location::file(to), site)?;
    let at = saved.head()?;
    let verified = if and_verify { Some(verify_book(&saved, head::public_key(site)?, &[], course)?) } else { None };
    drop(saved);
    let told = json!({
        "file": to.file_name().map(|n| n.to_string_lossy()),
        "entries": at.size, "root": hex::encode(at.root), "verified": verified.as_ref().map(|v| v.verdict),
    });
    site.book.note("book.backup", &Subject::Site, &told, &who.by())?;
    head::mark(site, who);
    Ok(Saved {
        backup: to.display().to_string(),
        octets: fs::metadata(to).map_err(|e| Trouble::file(to, e))?.len(),
        entries: at.size,
        root: hex::encode(at.root),
        verified,
    })
}

fn open(place: &Location, site: &Site) -> Result<Book, Trouble> {
    let options = OpenOptions {
        backups: site.dir.clone(),
        site: Some(SiteId::new(&site.settings.site.id)?),
        at: OffsetDateTime::now_utc(),
    };
    Ok(Book::open(place, &options)?)
}

/// A book that was put somewhere.
#[derive(Debug, Serialize)]
pub struct Placed {
    /// Where it is now, without a password.
    pub book: String,
    /// Where it came from.
    pub from: String,
    /// Rows copied.
    pub rows: u64,
    /// What verifying it there said.
    pub verified: Verified,
}

/// Puts a saved book in the place of the one that was lost, on either engine.
///
/// The place must be empty: the one that `touchmark.toml` names, or another, which
/// the settings then name. It is verified there before the settings change.
///
/// - `dir`: the site's directory. Its own book need not open.
/// - `course`: it can be stopped until the copy is there; nothing is left of it then.
///
/// # Errors
///
/// [`Trouble`] where a book is there already, the backup is another site's, or
/// does not verify; the settings are unchanged then.
pub fn restore(dir: &Path, backup: &Path, to: Option<&str>, who: &Who, course: &Course) -> Result<Placed, Trouble> {
    let settings = Settings::read(dir)?;
    let text = to.unwrap_or(&settings.book.location).to_owned();
    let place = location(settings.book.password_file.as_deref(), &text, dir)?;
    let options =
        OpenOptions { backups: dir.to_owned(), site: Some(SiteId::new(&settings.site.id)?), at: (who.clock)() };
    let (key, teller) = (head::public_key_in(dir)?, Teller::new(course));
    let watch = |stage, done, total| teller.copying(stage, done, total);
    let (book, copied) = or_stopped(Book::restore(backup, &place, &options, Some(&checks(key)), &watch))?;
    let site = Site::with(dir, settings, book);
    let verified = Verified::of(&site.book, &copied.verification);
    if !verified.is_intact() {
        let first =
            verified.damages.first().map(|d| format!(": {} {} {}", d.table, d.key, d.found)).unwrap_or_default();
        return Err(Trouble::refused(
            format!("the backup {} is not as its log says{first}", backup.display()),
            format!(
                "Take another backup. What was restored to {} stays there to be looked at; the site does not use it.",
                site.book.location()
            ),
        ));
    }
    if to.is_some() {
        name_location(dir, &text)?;
    }
    let told = json!({ "from": backup.file_name().map(|n| n.to_string_lossy()), "entries": verified.entries, "root": verified.root });
    site.book.note("book.restore", &Subject::Site, &told, &who.by())?;
    head::mark(&site, who);
    Ok(Placed {
        book: site.book.location().to_string(),
        from: backup.display().to_string(),
        rows: copied.rows.values().sum(),
        verified,
    })
}

/// Moves the site's book to another place, on either engine, and has the settings name it.
///
/// Durable steps, in order: the copy, compared entry by entry and verified; the
/// mark in the old book that closes it; the settings. Stations that still have the
/// old book open are refused from the second step on, with the new place.
///
/// - `course`: it can be stopped until the copy is there; nothing is left of it then.
///
/// # Errors
///
/// [`Trouble`] where the place is not empty or the copy does not verify: the
/// old book stays in use.
pub fn move_to(site: &Site, to: &str, who: &Who, course: &Course) -> Result<Placed, Trouble> {
    let place = location(site.settings.book.password_file.as_deref(), to, &site.dir)?;
    let from = site.book.location().to_string();
    let told = json!({ "from": from, "to": place.to_string() });
    site.book.note("book.move", &Subject::Site, &told, &who.by())?;
    head::mark(site, who);
    let key = head::public_key(site)?;
    let teller = Teller::new(course);
    let watch = |stage, done, total| teller.copying(stage, done, total);
    let (book, copied) = or_stopped(site.book.move_to(&place, Some(&checks(key)), &watch))?;
    name_location(&site.dir, to)?;
    Ok(Placed {
        book: book.location().to_string(),
        from,
        rows: copied.rows.values().sum(),
        verified: Verified::of(&book, &copied.verification),
    })
}

/// Writes another location into the settings, and leaves the rest of the file as it is.
fn name_location(dir: &Path, to: &str) -> Result<(), Trouble> {
    let path = dir.join(FILE);
    let text = fs::read_to_string(&path).map_err(|e| Trouble::file(&path, e))?;
    let by_hand = |e: &dyn std::fmt::Display| {
        Trouble::surroundings(
            format!("the settings in {} can't be changed: {e}", path.display()),
            format!("The book is in its new place. Set book.location to {to:?} in the file by hand."),
        )
    };
    let mut settings = DocumentMut::from_str(&text).map_err(|e| by_hand(&e.message()))?;
    settings["book"]["location"] = toml_edit::value(to);
    let mut pending = Pending::default();
    let octets = settings.to_string();
    pending.add(&path, octets.as_bytes(), Readers::Usual).and_then(|()| pending.place()).map_err(|e| by_hand(&e))
}
