//! Keeping a site: its book verified and moved between engines, the whole of it backed up and restored.
//!
//! [`backup()`] makes one file of the site, [`restore()`] puts it back, on a machine that has nothing else;
//! `archive` is the file's form, `contents` what belongs to a site.

mod archive;
mod backup;
mod contents;
mod restore;

use std::cell::Cell;
use std::fs;
use std::path::{Path, PathBuf};
use std::str::FromStr as _;

pub use archive::{LeftOut, SiteKeyState};
pub use backup::{How, Saved, backup, site_key_state};
use base::course::{Course, Phase, or_stopped};
use base::files::put_own;
use base::trouble::Trouble;
use book::ids::SiteId;
use book::{Book, DamageKind, Location, OpenOptions, SignedHead, Stage, Subject, Verification};
pub use contents::{MissingKey, missing_keys};
pub use restore::{Restored, Source, restore};
use serde::Serialize;
use serde_json::json;
use site::checkpoint::{Kept, State, Witnessed};
use site::{FILE, Site, Who, checkpoint, head, location};
use standard::key::PublicKey;
use time::OffsetDateTime;
use toml_edit::DocumentMut;

use crate::account;

book::words! {
    /// What verifying says of a book.
    Soundness {
        /// It stands as it was written.
        Intact = "intact",
        /// Something of it does not.
        Damaged = "damaged",
    }
}

/// One thing that is not as the log says.
#[derive(Debug, Clone, Serialize)]
pub struct DamageView {
    /// `altered`, `removed`, `added`, `moved`, `lost`.
    pub kind: DamageKind,
    pub table: String,
    pub key: String,
    /// The entry that tells of it.
    pub entry: Option<i64>,
    pub found: String,
}

/// What verifying the book said.
#[derive(Debug, Clone, Serialize)]
pub struct Verified {
    /// Whether it stands as it was written.
    pub verdict: Soundness,
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
    /// Where the checkpoint is kept.
    pub checkpoints: Vec<Kept>,
    pub witnesses: Vec<Witnessed>,
    /// What is said of a book that was restored.
    pub restored: Option<String>,
    /// Files with signed heads that were held against it.
    #[serde(skip)]
    pub heads: usize,
    /// Keys that the site uses and that are not here. The book is as whole without them.
    pub missing_keys: Vec<MissingKey>,
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
            verdict: if said.intact() { Soundness::Intact } else { Soundness::Damaged },
            book: book.location().to_string(),
            entries: said.entries,
            root: hex::encode(said.root),
            rows: said.rows,
            signed_heads: said.signed_heads,
            damaged: said.total,
            damages: said.damages.iter().map(view).collect(),
            checkpoints: Vec::new(),
            witnesses: Vec::new(),
            restored: None,
            heads: 0,
            missing_keys: Vec::new(),
        }
    }

    /// Whether nothing is wrong but that entries at the end are gone: the book is an older copy of itself.
    pub fn is_an_older_copy(&self) -> bool {
        let is_lost = |d: &DamageView| d.kind == DamageKind::Removed && d.table == "entry" && d.entry.is_none();
        self.damaged > 0 && self.damaged == self.damages.len() as u64 && self.damages.iter().all(is_lost)
    }

    /// Whether nothing is wrong but what a restore lost, which was known then.
    pub fn is_as_restored(&self) -> bool {
        let is_lost = |d: &DamageView| d.kind == DamageKind::Lost;
        self.damaged > 0 && self.damaged == self.damages.len() as u64 && self.damages.iter().all(is_lost)
    }

    /// Whether nothing that was kept outside the book was held against it, so that its end may be missing unseen.
    pub fn is_unchecked(&self) -> bool {
        self.heads == 0
            && !self.checkpoints.is_empty()
            && !self.checkpoints.iter().any(|kept| matches!(kept.state, State::Good | State::Behind))
            && !self.witnesses.iter().any(|said| said.trouble.is_none())
    }

    /// Whether all is as it was written.
    pub fn is_intact(&self) -> bool {
        self.damaged == 0
    }
}

/// The public key that checks signed heads: from the site's files, else the one that the log itself names. A key
/// that is missing is no damage of the book.
fn log_key(dir: &Path, book: &Book) -> Result<Option<PublicKey>, Trouble> {
    match head::public_key(dir)? {
        Some(key) => Ok(Some(key)),
        None => head::named_by_log(book),
    }
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
    let mut verified =
        verify_book(&site.book, log_key(&site.dir, &site.book)?, &kept, course).map_err(beyond_verifying)?;
    verified.missing_keys = missing_keys(site)?;
    verified.heads = kept.len();
    verified.restored = account::restored(site)?;
    verified.checkpoints = checkpoint::kept(site)?;
    verified.witnesses = checkpoint::witnessed(site)?;
    if let Some(older) = site.book.older() {
        verified.verdict = Soundness::Damaged;
        verified.damaged += 1;
        let kind =
            if older.is_shorter() || older.is_of_another_copy() { DamageKind::Removed } else { DamageKind::Altered };
        verified.damages.push(DamageView {
            kind,
            table: "entry".into(),
            key: older.mark.head.size.saturating_sub(1).to_string(),
            entry: None,
            found: checkpoint::words(&older),
        });
    }
    Ok(verified)
}

/// A book that can't even be verified: who is verifying is not sent to verify.
#[must_use]
pub fn beyond_verifying(trouble: Trouble) -> Trouble {
    if trouble.is_of_a_damaged_book() { trouble.advised(BEYOND) } else { trouble }
}

const BEYOND: &str = "It can't be verified in this state. Stop the stations, keep the book unchanged for the \
                      investigation, and restore a backup into a new directory: `touchmark book restore BACKUP --site DIR`.";

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
    let check = key.map(|key| move |signed: &SignedHead| head::is_ours(&key, signed));
    let check = check.as_ref().map(|check| check as book::CheckHead<'_>);
    Ok(Verified::of(book, &or_stopped(book.verify_watched(check, kept, &watch))?))
}

fn open(place: &Location, site: &Site) -> Result<Book, Trouble> {
    let options = OpenOptions {
        backups: site.dir.clone(),
        site: Some(SiteId::new(&site.settings.site.id)?),
        at: OffsetDateTime::now_utc(),
    };
    Ok(Book::open(place, &options)?)
}

/// A book that was moved.
#[derive(Debug, Serialize)]
pub struct Placed {
    /// Where it is now, without a password.
    pub book: String,
    /// Where it came from.
    pub from: String,
    pub rows: u64,
    /// What verifying it there said.
    pub verified: Verified,
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
    if is_same(&place, site.book.location()) {
        return Err(Trouble::usage(
            format!("the book is at {place} already"),
            "Give another location. Nothing was changed.",
        ));
    }
    let told = json!({ "from": from, "to": place.to_string() });
    site.book.note("book.move", &Subject::Site, &told, &who.by())?;
    let moved = moved(site, &place, who, course);
    if let Err(why) = &moved {
        // The entry above can't be taken back, so another one says that nothing came of it.
        let told = json!({ "to": place.to_string(), "why": why.to_string() });
        let _ = site.book.note("book.abandon-move", &Subject::Site, &told, &who.by());
    }
    let (book, copied) = moved?;
    name_location(&site.dir, to, None)?;
    Ok(Placed {
        book: book.location().to_string(),
        from,
        rows: copied.rows.values().sum(),
        verified: Verified::of(&book, &copied.verification),
    })
}

/// Whether two locations are one, however they are written.
fn is_same(one: &Location, other: &Location) -> bool {
    let path =
        |location: &Location| location.as_file().map(|file| fs::canonicalize(file).unwrap_or_else(|_| file.into()));
    match (path(one), path(other)) {
        (Some(one), Some(other)) => one == other,
        (None, None) => one.to_string() == other.to_string(),
        _ => false,
    }
}

fn moved(site: &Site, place: &Location, who: &Who, course: &Course) -> Result<(book::Book, book::Copied), Trouble> {
    head::mark(site, who);
    let key = log_key(&site.dir, &site.book)?;
    let check = key.map(|key| move |signed: &SignedHead| head::is_ours(&key, signed));
    let teller = Teller::new(course);
    let watch = |stage, done, total| teller.copying(stage, done, total);
    or_stopped(site.book.move_to(place, check.as_ref().map(|check| check as book::CheckHead<'_>), &watch))
}

/// Writes another location, and its server's password file where there is one, into the settings, and leaves the
/// rest of the file as it is.
fn name_location(dir: &Path, to: &str, password_file: Option<&Path>) -> Result<(), Trouble> {
    let path = dir.join(FILE);
    let text = fs::read_to_string(&path).map_err(|e| Trouble::file(&path, e))?;
    let by_hand = |e: &dyn std::fmt::Display| {
        Trouble::surroundings(
            format!("The settings in {} can't be changed: {e}.", path.display()),
            format!("The book is in its new location. Set book.location to {to:?} in the file by hand."),
        )
    };
    let mut settings = DocumentMut::from_str(&text).map_err(|e| by_hand(&e.message()))?;
    settings["book"]["location"] = toml_edit::value(to);
    if let Some(file) = password_file.and_then(Path::to_str) {
        settings["book"]["password_file"] = toml_edit::value(file);
    }
    put_own(&path, settings.to_string().as_bytes()).map_err(|e| by_hand(&e))
}
