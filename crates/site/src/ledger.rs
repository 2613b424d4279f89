//! The log as people look at it: entries, the place of one, and whether all is whole.

use base::trouble::Trouble;
use book::Subject;
use book::ids::Sequence;
use book::log::tree::check_inclusion;
use print::chart::many;
use serde::Serialize;
use serde_json::Value;

use crate::Site;
use crate::clock::local;

/// An entry as it is told.
#[derive(Debug, Clone, Serialize)]
pub struct EntryView {
    /// Its place; the first is 0.
    pub sequence: i64,
    /// By the site's clock.
    pub at: String,
    pub act: String,
    pub actor: String,
    pub station: Option<String>,
    /// What it is about.
    pub kind: String,
    pub subject: String,
}

fn view(site: &Site, entry: book::Entry) -> EntryView {
    EntryView {
        sequence: entry.sequence.0,
        at: local(site, entry.at),
        act: entry.act,
        actor: entry.actor.to_string(),
        station: entry.station.map(|s| s.to_string()),
        kind: entry.subject.0,
        subject: entry.subject.1,
    }
}

/// The log, newest first: entries before one, and what to ask for the next page with.
pub fn entries(site: &Site, before: Option<i64>, limit: u32) -> Result<(Vec<EntryView>, Option<i64>), Trouble> {
    let page = site.book.entries(before.map(Sequence), limit)?;
    Ok((page.items.into_iter().map(|e| view(site, e)).collect(), page.next.map(|s| s.0)))
}

/// What the log says of something that is not there because it was withdrawn, to follow its name
/// in a sentence; empty where it never was.
pub fn withdrawn(site: &Site, subject: &Subject) -> Result<String, Trouble> {
    let entries = site.book.entries_about(subject)?;
    let Some(entry) = entries.into_iter().rev().find(|e| e.act.ends_with(".withdraw")) else {
        return Ok(String::new());
    };
    let body = entry.body()?;
    let text = |key: &str| body.pointer(key).and_then(Value::as_str).unwrap_or_default().to_owned();
    let count = |key: &str| body[key].as_u64().unwrap_or_default();
    let what = match subject {
        Subject::Reel(_) => {
            format!("{} for {} from {}", many(count("chips"), "chip"), text("/product"), text("/source/name"))
        }
        Subject::Delivery(_) => format!("{} from {}", many(count("accepted"), "certificate"), text("/source/name")),
        _ => format!("for {}", text("/purpose")),
    };
    let (at, by) = (local(site, entry.at), entry.actor);
    Ok(format!(": it was withdrawn on {at} by {by} ({what}; entry {} of the log)", entry.sequence))
}

/// Where an entry stands in the log, and that it is really there.
#[derive(Debug, Clone, Serialize)]
pub struct Place {
    pub sequence: i64,
    /// Entries in the log now.
    pub size: u64,
    /// Hash of their tree.
    pub root: String,
    /// Hashes from the entry up to the root.
    pub path: Vec<String>,
    /// Whether entry, path and root fit together (RFC 9162 2.1.3.2).
    pub fits: bool,
}

/// The place of an entry.
pub fn place(site: &Site, sequence: i64) -> Result<Option<Place>, Trouble> {
    let Some(found) = site.book.inclusion(Sequence(sequence), None)? else { return Ok(None) };
    let index = u64::try_from(sequence).unwrap_or(u64::MAX);
    Ok(Some(Place {
        sequence,
        size: found.size,
        root: hex::encode(found.root),
        fits: check_inclusion(found.entry.leaf.as_bytes(), index, found.size, &found.root, &found.path),
        path: found.path.iter().map(hex::encode).collect(),
    }))
}
