//! What all simulated chips of a folder have in common.
//!
//! `DIR/bench.json`; a folder without one has the default part and times.

use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::timing::Timing;
use crate::{ChipError, ObjectName};

const FILE: &str = "bench.json";
const FORMAT: &str = "touchmark simulated bench 1";
const LARGEST: u64 = 64 * 1024;

/// The part, its times, and whether they are really waited for.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bench {
    /// What the part can do.
    pub part: Part,
    /// How long it takes.
    pub timing: Timing,
    /// Whether calls really take that long. If not, they only say so
    /// ([`crate::Chip::unseen_time`]), and a reel takes seconds.
    pub real_time: bool,
}

/// The file: its format, and a bench.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    format: String,
    bench: Bench,
}

/// A part as a data sheet describes it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Part {
    pub name: String,
    /// Octets over all objects, counted in whole pages.
    pub room: usize,
    /// The most octets of one object.
    pub object_limit: usize,
    /// Names it has a place for; none given: any name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub objects: Option<Vec<String>>,
    /// Whether its bus is protected.
    pub protected_bus: bool,
    /// Whether it can be locked.
    pub can_lock: bool,
}

impl Default for Part {
    fn default() -> Self {
        Self {
            name: "QL-S1".into(),
            room: 16_384,
            object_limit: 4_096,
            objects: None,
            protected_bus: false,
            can_lock: true,
        }
    }
}

impl Bench {
    /// The most octets that a part may have room for.
    pub const MOST_ROOM: usize = 1_000_000;

    /// Reads the folder's bench; the default where it has none.
    ///
    /// # Errors
    ///
    /// [`ChipError::Damaged`] where the file is no such thing or its figures can't be.
    pub fn read(folder: &Path) -> Result<Self, ChipError> {
        let path = folder.join(FILE);
        let failed = |source| ChipError::File { path: path.clone(), source };
        let mut text = Vec::new();
        match File::open(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Self::default()),
            opened => opened.and_then(|file| file.take(LARGEST).read_to_end(&mut text)).map_err(failed)?,
        };
        let damaged = |why: String| ChipError::Damaged { path: path.clone(), why };
        let Written { format, bench } = serde_json::from_slice(&text).map_err(|e| damaged(e.to_string()))?;
        if format != FORMAT {
            return Err(damaged("it has another format".into()));
        }
        bench.fault().map_or(Ok(bench), |why| Err(damaged(why)))
    }

    /// Why it can't be, if so.
    pub(crate) fn fault(&self) -> Option<String> {
        let part = &self.part;
        if part.name.is_empty() || part.name.len() > 100 || part.name.chars().any(char::is_control) {
            Some("a part's name needs 1 to 100 printable characters".into())
        } else if part.room > Self::MOST_ROOM || part.object_limit > part.room {
            Some(format!("room is at most {} bytes, and one object may not be larger than all of it", Self::MOST_ROOM))
        } else if let Some(name) = part.objects.iter().flatten().find(|name| ObjectName::new(name).is_err()) {
            Some(format!("{name:?} is not an object name"))
        } else {
            self.timing.fault().map(str::to_owned)
        }
    }

    /// Writes the folder's bench.
    pub(crate) fn write(&self, folder: &Path) -> io::Result<()> {
        let written = Written { format: FORMAT.into(), bench: self.clone() };
        fs::write(Self::path(folder), serde_json::to_vec_pretty(&written)?)
    }

    /// Where it lies.
    pub(crate) fn path(folder: &Path) -> PathBuf {
        folder.join(FILE)
    }
}
