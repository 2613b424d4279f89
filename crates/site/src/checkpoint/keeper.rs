//! Where checkpoints lie: beside the keys, and in further files that the settings name.

use std::cmp::Ordering;
use std::fs::File;
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use base::files;
use book::Mark;
use custody::{NoteKey, SiteKey};

use super::note::{self, Checkpoint, LARGEST, Note, Verifier};
use crate::{Settings, Site};

/// The file beside the keys.
pub const FILE: &str = "checkpoint";
const KEY: &str = "checkpoint.key";
/// Said where this user may not look.
const HIDDEN: &str = "this user may not read it";

/// A checkpoint as it lies somewhere.
#[derive(Debug, Clone)]
pub struct Found {
    pub place: PathBuf,
    /// What it says; none where there is none yet.
    pub mark: Option<Mark>,
    /// Why it can't be read.
    pub trouble: Option<String>,
    /// Whether this user may not look.
    pub hidden: bool,
}

/// Writes checkpoints and reads them back.
#[derive(Debug)]
pub struct Keeper {
    site_id: String,
    key_file: PathBuf,
    /// The file beside the keys first.
    places: Vec<PathBuf>,
    key: OnceLock<NoteKey>,
}

impl Keeper {
    pub fn of(dir: &Path, settings: &Settings) -> Self {
        let keys = Site::keys_in(dir);
        let own = std::iter::once(keys.join(FILE));
        let others = settings.checkpoint.keepers.iter().map(|place| dir.join(place));
        Self {
            site_id: settings.site.id.clone(),
            key_file: keys.join(KEY),
            places: own.chain(others).collect(),
            key: OnceLock::new(),
        }
    }

    /// The log's name: a log that goes on after a loss is another log to those who keep its checkpoints.
    pub fn origin(&self, life: u64) -> String {
        let again = if life == 0 { String::new() } else { format!("/{life}") };
        format!("touchmark/{}{again}", self.site_id)
    }

    /// The life that a log's name says.
    fn life(&self, origin: &str) -> Option<u64> {
        match origin.strip_prefix("touchmark/")?.strip_prefix(&self.site_id)? {
            "" => Some(0),
            again => again.strip_prefix('/')?.parse().ok().filter(|life| *life > 0),
        }
    }

    /// Opens the key that signs, where there is one.
    pub fn unlock(&self, site: &SiteKey) {
        // Without it checkpoints are kept all the same, unsigned.
        if let Ok(key) = NoteKey::open(&self.key_file, site) {
            let _ = self.key.set(key);
        }
    }

    /// Makes the key at first use; whether it was made now.
    pub(crate) fn make_key(&self, site: &SiteKey) -> Result<bool, custody::CustodyError> {
        if self.key.get().is_some() {
            return Ok(false);
        }
        match NoteKey::create(&self.key_file, site) {
            Ok(key) => {
                let _ = self.key.set(key);
                Ok(true)
            }
            // Another process was quicker; its key is the site's.
            Err(custody::CustodyError::Exists { .. }) => {
                self.key.set(NoteKey::open(&self.key_file, site)?).unwrap_or_default();
                Ok(false)
            }
            Err(error) => Err(error),
        }
    }

    /// Who signs this log's checkpoints, as witnesses are told; none where no key was made yet.
    pub fn verifier(&self, life: u64) -> Option<Verifier> {
        NoteKey::public_key(&self.key_file).ok().map(|key| Verifier::of_log(&self.origin(life), key))
    }

    /// The note of a mark: signed where the site key is open.
    pub fn note(&self, mark: &Mark) -> Note {
        let checkpoint = Checkpoint { origin: self.origin(mark.life), head: mark.head };
        match self.key.get() {
            Some(key) => note::sign(&checkpoint, key),
            None => Note { text: checkpoint.to_string(), signatures: Vec::new() },
        }
    }

    fn read_at(&self, place: &Path) -> Result<Option<Mark>, String> {
        let mut octets = Vec::new();
        match File::open(place) {
            Ok(file) => file.take(LARGEST as u64 + 1).read_to_end(&mut octets).map_err(|e| e.to_string())?,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(e) if e.kind() == io::ErrorKind::PermissionDenied => return Err(HIDDEN.into()),
            Err(e) => return Err(e.to_string()),
        };
        // A power cut leaves an empty file on some disks.
        if octets.is_empty() {
            return Ok(None);
        }
        let note = Note::read(&octets).map_err(|e| e.to_string())?;
        let read = Checkpoint::read(&note.text).map_err(|e| e.to_string())?;
        let life = self.life(&read.origin).ok_or_else(|| format!("it is a checkpoint of {}", read.origin))?;
        let signed = note.signatures.iter().any(|signature| signature.name == read.origin);
        if signed && self.verifier(life).is_some_and(|verifier| verifier.verifies(&note).is_none()) {
            return Err("its signature is not this site's".into());
        }
        Ok(Some(Mark { life, head: read.head }))
    }

    /// What lies in each place.
    pub fn found(&self) -> Vec<Found> {
        let found = |place: &PathBuf| {
            let (mark, trouble) = match self.read_at(place) {
                Ok(mark) => (mark, None),
                Err(trouble) => (None, Some(trouble)),
            };
            let hidden = trouble.as_deref() == Some(HIDDEN);
            Found { place: place.clone(), mark, trouble, hidden }
        };
        self.places.iter().map(found).collect()
    }

    /// Keeps a mark in each place that has an older one, or none. What can't be written is told by whoever looks at
    /// the places next. One that can't be read stays: it may be all that is known of a book that went back. So does one
    /// elsewhere that is of before a restore: the copy that it is of may be in use.
    pub fn keep(&self, mark: &Mark) {
        let note = self.note(mark).to_string();
        for (n, place) in self.places.iter().enumerate() {
            let stays = |there: Mark| match there.life.cmp(&mark.life) {
                Ordering::Less => n > 0,
                Ordering::Equal => there.head.size >= mark.head.size,
                Ordering::Greater => true,
            };
            if self.read_at(place).is_ok_and(|there| !there.is_some_and(stays)) {
                let _ = files::replace(place, note.as_bytes());
            }
        }
    }

    /// Keeps a mark whatever lies there: once a loss is accepted.
    pub fn put(&self, mark: &Mark) {
        let note = self.note(mark).to_string();
        for place in &self.places {
            let _ = files::replace(place, note.as_bytes());
        }
    }
}
