//! Checkpoints: how far the book has come, kept outside it, so that a book that went back in time is found.
//!
//! After each act the log's head is written beside the keys and into the further places that the settings name, as a
//! signed note (`note`). Whoever opens the site holds the book against them: one that does not go on from there can be
//! read and verified, and no act changes it, until it is restored or the loss is accepted.

mod keeper;
pub mod note;
mod witness;

use std::fs;
use std::sync::Arc;

use base::files;
use base::trouble::Trouble;
use book::{BookError, Mark, Older, Subject};
pub use keeper::{FILE, Found, Keeper};
use serde::Serialize;
use serde_json::json;
pub use witness::Witnessed;

use crate::{Site, Who, WitnessSettings, head};

/// The last checkpoint that a witness countersigned, beside the keys.
pub const COSIGNED: &str = "checkpoint.cosigned";

/// Has the book held against what is kept, and each commit kept from now on.
pub fn guard(book: &book::Book, keeper: &Arc<Keeper>, checked: bool) -> Result<(), Trouble> {
    let marks: Vec<Mark> =
        if checked { keeper.found().into_iter().filter_map(|found| found.mark).collect() } else { Vec::new() };
    let telling = Arc::clone(keeper);
    match book.guard(&marks, Box::new(move |mark| telling.keep(mark))) {
        // What is damaged is told by verifying, for which the book must open.
        Ok(_) | Err(BookError::Damaged { .. }) => Ok(()),
        Err(error) => Err(error.into()),
    }
}

/// What is said of a book that does not go on from its checkpoint, as a sentence.
pub fn words(older: &Older) -> String {
    BookError::Older(*older).to_string()
}

/// A checkpoint in one of its places, as it is told.
#[derive(Debug, Clone, Serialize)]
pub struct Kept {
    pub place: String,
    /// Entries that it covers; none where there is none.
    pub entries: Option<u64>,
    /// Why it can't be read, or how far it is behind.
    pub trouble: Option<String>,
    #[serde(skip)]
    pub state: State,
}

/// How a checkpoint is found in its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// It is as far as the book.
    Good,
    /// There is none: entries that are missing at the book's end would not show.
    Missing,
    /// It makes no sense, or its signature is another's. It stays as it is, and no newer one is written over it.
    Unreadable,
    /// It is behind the book.
    Behind,
    /// It knows more than the book, or is of another copy of it.
    Ahead,
    /// It is of before the book was restored, and was kept elsewhere: it may be that of a copy that is in use.
    Before,
    /// This user may not look, which is no trouble of the checkpoint.
    Hidden,
}

/// The checkpoint in each of its places, held against the book.
pub fn kept(site: &Site) -> Result<Vec<Kept>, Trouble> {
    let now = site.book.mark()?;
    // Others who write to a book on a server keep the checkpoint on their own machines.
    let alone = site.book.location().as_file().is_some();
    let kept = |found: Found| -> Result<Kept, Trouble> {
        let entries = found.mark.map(|mark| mark.head.size);
        let (state, trouble) = match (found.mark, found.trouble) {
            (_, Some(why)) if found.hidden => (State::Hidden, Some(why)),
            (_, Some(why)) => (State::Unreadable, Some(format!("it can't be read: {why}"))),
            (Some(mark), None) if mark.life < now.life => {
                let what = format!(
                    "it is of before the book was restored, with {} entries, and is not written over: a copy that is in use \
                     may keep it",
                    mark.head.size
                );
                (State::Before, Some(what))
            }
            (Some(mark), None) if let Some(older) = site.book.older_than(&mark)? => (State::Ahead, Some(words(&older))),
            (Some(mark), None) if alone && mark.life == now.life && mark.head.size < now.head.size => {
                (State::Behind, Some(format!("it covers {} of the book's {} entries", mark.head.size, now.head.size)))
            }
            (None, None) => (State::Missing, Some("there is none".to_owned())),
            (Some(_), None) => (State::Good, None),
        };
        Ok(Kept { place: found.place.display().to_string(), entries, trouble, state })
    };
    site.keeper.found().into_iter().map(kept).collect()
}

/// What a station is warned of before it begins: places where no checkpoint can be read.
pub fn unchecked(site: &Site) -> Result<Vec<String>, Trouble> {
    let all = kept(site)?;
    let blind = all.into_iter().filter(|kept| matches!(kept.state, State::Missing | State::Unreadable));
    Ok(blind
        .map(|kept| {
            let trouble = kept.trouble.unwrap_or_default();
            format!("The checkpoint {} was not compared with the book: {trouble}.", kept.place)
        })
        .collect())
}

/// The last life of the book that any place knows of.
pub fn highest_life(site: &Site) -> Option<u64> {
    site.keeper.found().into_iter().filter_map(|found| found.mark).map(|mark| mark.life).max()
}

/// Has the witnesses of the settings countersign the checkpoint of the book as it is now. What they signed is kept
/// beside the keys. A witness that knows more of the book refuses its writers from then on.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer; a witness that can't be asked is told.
pub fn witnessed(site: &Site) -> Result<Vec<Witnessed>, Trouble> {
    if site.settings.checkpoint.witness.is_empty() {
        return Ok(Vec::new());
    }
    // One that a passphrase protects is opened by who has it; one that is missing is told where keys are.
    let opens = custody::SiteKey::is_wrapped(&site.keys().join("site.key")).is_ok_and(|wrapped| !wrapped);
    if opens && !site.key_is_open() {
        let _ = site.key(None);
    }
    let mark = site.book.mark()?;
    let note = site.keeper.note(&mark);
    if note.signatures.is_empty() {
        let untold = |settings: &WitnessSettings| Witnessed {
            witness: settings.url.clone(),
            entries: None,
            at: None,
            trouble: Some("it was not asked, since the site key was not opened".into()),
        };
        return Ok(site.settings.checkpoint.witness.iter().map(untold).collect());
    }
    let (all, cosigned) = witness::ask_all(site, &mark, note);
    if all.iter().any(|said| said.trouble.is_none()) {
        let path = site.keys().join(COSIGNED);
        files::replace(&path, cosigned.to_string().as_bytes()).map_err(|e| Trouble::file(&path, e))?;
    }
    Ok(all)
}

/// The checkpoint of the book as it is now, and where it is kept.
#[derive(Debug, Serialize)]
pub struct Shown {
    /// The signed note (C2SP `tlog-checkpoint`).
    pub checkpoint: String,
    /// Entries that it covers.
    pub entries: u64,
    /// The log's root hash.
    pub root: String,
    /// Who signs it, in the form that witnesses are given (C2SP `signed-note`).
    pub key: Option<String>,
    /// The places where it is kept.
    pub kept: Vec<Kept>,
    pub witnesses: Vec<Witnessed>,
}

/// Signs the checkpoint of the book as it is now.
///
/// # Errors
///
/// [`Trouble`] where the site key is wrapped and was not opened, or the book gave no answer.
pub fn show(site: &Site) -> Result<Shown, Trouble> {
    let mark = site.book.mark()?;
    Ok(Shown {
        checkpoint: site.keeper.note(&mark).to_string(),
        entries: mark.head.size,
        root: hex::encode(mark.head.root),
        key: site.keeper.verifier(mark.life).map(|verifier| verifier.to_string()),
        kept: kept(site)?,
        witnesses: witnessed(site)?,
    })
}

/// Makes the key that signs checkpoints at first use; that it was made is an entry.
pub(crate) fn make_key(site: &Site, key: &custody::SiteKey, who: &Who) -> Result<(), Trouble> {
    if site.keeper.make_key(key)? {
        let verifier = site.keeper.verifier(0).map(|verifier| verifier.to_string());
        site.book.note("checkpoint.key", &Subject::Site, &json!({ "key": verifier }), &who.by())?;
    }
    Ok(())
}

/// What a checkpoint knows of a book that is restored from an older backup.
#[derive(Debug, Clone, Serialize)]
pub struct KnownOf {
    /// The file; one beside the keys was moved there.
    pub place: String,
    /// Entries that had been made.
    pub entries: u64,
}

/// Before a restored book begins its checkpoints: those that know of more entries than it has. The one beside the keys
/// is moved aside, and none is written over: a restore for trial must not stop the site that goes on.
pub fn set_aside(site: &Site) -> Result<Vec<KnownOf>, Trouble> {
    let has = site.book.mark()?.head.size;
    let own = site.keys().join(FILE);
    let mut known = Vec::new();
    for found in site.keeper.found() {
        let Some(mark) = found.mark.filter(|mark| mark.head.size > has) else { continue };
        let mut place = found.place;
        if place == own {
            place = site.keys().join(format!("{FILE}.before-{}", mark.head.size));
            fs::rename(&own, &place).map_err(|e| Trouble::file(&own, e))?;
        }
        known.push(KnownOf { place: place.display().to_string(), entries: mark.head.size });
    }
    Ok(known)
}

/// A loss that was accepted.
#[derive(Debug, Serialize)]
pub struct Accepted {
    /// Entries that the book has without the one that says so.
    pub entries: u64,
    /// Entries that were made before.
    pub were: u64,
    /// The entry that says so.
    pub entry: i64,
    /// The next number of each series of serial numbers by this book, to be confirmed before it is counted in again.
    pub series_to_confirm: Vec<String>,
}

/// Lets the book go on from where it is, though entries are lost.
///
/// # Errors
///
/// [`Trouble`] where nothing is lost, no reason is given, or the book gave no answer.
pub fn accept_loss(site: &Site, reason: &str, who: &Who) -> Result<Accepted, Trouble> {
    if reason.trim().is_empty() {
        return Err(Trouble::usage("there is no reason", "Say what happened: it is kept with the record."));
    }
    let lost = site.book.older();
    let entry = site.book.accept_loss(reason, &who.by())?;
    let (Some(lost), Some(entry)) = (lost, entry) else {
        return Err(Trouble::refused(
            "the book goes on from its checkpoint, so nothing is lost",
            "There is nothing to accept. Nothing was changed.",
        ));
    };
    site.keeper.put(&site.book.mark()?);
    head::mark(site, who);
    Ok(Accepted {
        entries: u64::try_from(entry.0).unwrap_or(0),
        were: lost.mark.head.size,
        entry: entry.0,
        series_to_confirm: site.book.next_of_all_series()?.iter().map(ToString::to_string).collect(),
    })
}
