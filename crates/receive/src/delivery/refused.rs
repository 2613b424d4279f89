//! Deliveries that were refused: nothing of them is in the book, and what was wrong with each is kept beside it, in
//! the site's directory, until a hundred newer ones came.

use std::borrow::Cow;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use base::files::{Pending, Readers};
use base::finding_view::InspectionFinding;
use base::trouble::Trouble;
use book::ids::DeliveryId;
use serde::{Deserialize, Serialize};
use site::{Site, Who, file_stem};
use standard::verdict::catalogue::intake::DELIVERY_PRIVATE_KEY;

use super::complaint::{Faults, Touched};
use super::{Counts, Received};

/// The folder in the site's directory.
pub const REFUSED: &str = "refused";
/// How many are kept.
const KEPT: usize = 100;
/// Octets of one, at most.
const LARGEST: u64 = 64 << 20;

/// A delivery that was refused, as it is kept.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Refused<'a> {
    pub(super) delivery: String,
    pub(super) reel: String,
    pub(super) source: String,
    pub(super) sha256: String,
    pub(super) refused: String,
    pub(super) by: String,
    pub(super) certificates: Counts,
    pub(super) findings: Cow<'a, [InspectionFinding]>,
    pub(super) faults: Cow<'a, Faults>,
}

fn folder(site: &Site) -> PathBuf {
    site.dir.join(REFUSED)
}

fn file(site: &Site, id: &str) -> PathBuf {
    folder(site).join(format!("{}.json", file_stem(id)))
}

fn read(path: &Path) -> Option<Refused<'static>> {
    let small = fs::metadata(path).ok()?.len() <= LARGEST;
    small.then(|| serde_json::from_slice(&fs::read(path).ok()?).ok()).flatten()
}

/// The one of that id.
pub(super) fn find(site: &Site, id: &str) -> Option<Refused<'static>> {
    DeliveryId::new(id).ok()?;
    read(&file(site, id))
}

/// Files of all of them, the newest first.
fn files(site: &Site) -> Vec<PathBuf> {
    let mut found: Vec<(SystemTime, PathBuf)> = fs::read_dir(folder(site))
        .into_iter()
        .flatten()
        .flatten()
        .filter(|entry| entry.path().extension().is_some_and(|e| e == "json"))
        .filter_map(|entry| Some((entry.metadata().ok()?.modified().ok()?, entry.path())))
        .collect();
    found.sort_unstable_by(|a, b| b.cmp(a));
    found.into_iter().map(|(_, path)| path).collect()
}

/// All of them, the newest first, each read when it is its turn: one may have many faults.
pub(super) fn all(site: &Site) -> impl DoubleEndedIterator<Item = Refused<'static>> {
    files(site).into_iter().filter_map(|path| read(&path))
}

/// Keeps what was wrong, and gives it an id; the same file refused for the same reasons keeps the one it has.
///
/// # Errors
///
/// [`Trouble`] where the site's directory can't be written.
pub(super) fn keep(site: &Site, received: &Received, digest: &[u8; 32], who: &Who) -> Result<String, Trouble> {
    let folder = folder(site);
    fs::create_dir_all(&folder).map_err(|e| Trouble::file(&folder, e))?;
    let mut refused = Refused {
        delivery: String::new(),
        reel: received.reel.clone(),
        source: received.source.clone(),
        sha256: hex::encode(digest),
        refused: base::times::time_text((who.clock)()),
        by: who.actor.to_string(),
        certificates: received.certificates,
        findings: Cow::Borrowed(&received.findings),
        faults: Cow::Borrowed(&received.faults),
    };
    let there = files(site);
    let same = |r: &Refused| r.reel == refused.reel && r.sha256 == refused.sha256 && r.findings == refused.findings;
    if let Some(before) = there.iter().filter_map(|path| read(path)).find(same) {
        return Ok(before.delivery);
    }
    let taken = site.book.deliveries(None)?;
    for number in 1.. {
        let id = format!("{}-refused-{number}", refused.reel);
        let path = file(site, &id);
        if path.exists() || taken.iter().any(|d| d.delivery.as_str() == id) {
            continue;
        }
        DeliveryId::new(&id)?;
        refused.delivery = id;
        let mut pending = Pending::default();
        let report = |out: &mut dyn Write| Ok(serde_json::to_writer(out, &refused)?);
        pending.add_by(&path, Readers::Usual, report).map_err(Trouble::of)?;
        pending.place().map_err(Trouble::of)?;
        break;
    }
    // A key that was seen once stays exposed.
    let of_no_key =
        |path: &&PathBuf| read(path).is_none_or(|r| r.faults.of(DELIVERY_PRIVATE_KEY.name) == Touched::default());
    for old in there.iter().skip(KEPT - 1).filter(of_no_key) {
        let _ = fs::remove_file(old);
    }
    Ok(refused.delivery)
}
