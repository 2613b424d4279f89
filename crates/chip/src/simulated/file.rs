//! The file of one simulated chip, and holding it.
//!
//! `DIR/<CHIPID>.chip`, mode 0600 because the chip's private key lies in it. The
//! first line is the chip, each further line a change to it, all JSON:
//!
//! ```json
//! {"format": "touchmark simulated chip 1", "chip_id": "514C04170836025A3D", "part": "QL-S1",
//!  "private_key": "…64 hex digits…", "locked": false, "objects": {"dac": {"octets": "…hex…"}},
//!  "faults": [{"kind": "torn-write", "at": 2, "left": 1, "draw": 9}]}
//! {"object": ["pai", {"octets": "…hex…", "torn": true, "told": true}]}
//! {"faults": []}
//! {"locked": true}
//! ```
//!
//! A change is appended in one write. The death of the process at any moment
//! leaves it there or not; a last line without its ending was cut, and does not
//! count. Opening a chip with many changes, or a cut one, first puts a file
//! with the sum of them in its place. Nothing is synced to disk, so the death of
//! the *machine* may take the last changes with it; a simulated chip is no place
//! to keep anything. Who holds the chip has an operating-system lock on
//! `DIR/.held/<CHIPID>`, which dies with the process.

use std::collections::BTreeMap;
use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use zeroize::Zeroizing;

use super::faults::Fault;
use crate::hold::{self, Hold};
use crate::{ChipError, ChipId, ObjectName};

const FORMAT: &str = "touchmark simulated chip 1";
const SUFFIX: &str = "chip";
const HELD: &str = ".held";
/// Far more than the largest bench's room in hex.
const LARGEST: u64 = 4 * 1024 * 1024;

/// What lies in the file.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Content {
    format: String,
    chip_id: String,
    pub(crate) part: String,
    private_key: Zeroizing<String>,
    pub(crate) locked: bool,
    objects: BTreeMap<String, Object>,
    pub(crate) faults: Vec<Fault>,
}

/// One object.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Object {
    #[serde(with = "hex::serde")]
    pub(crate) octets: Vec<u8>,
    /// Its last write was cut short.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub(crate) torn: bool,
    /// The chip knows that it is torn, and says so when it is read.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub(crate) told: bool,
}

/// One change.
#[derive(Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Change {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    object: Option<(String, Object)>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    locked: Option<bool>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    faults: Option<Vec<Fault>>,
}

impl Change {
    /// An object in place of what is there.
    pub(crate) fn object(name: &ObjectName, object: Object) -> Self {
        Self { object: Some((name.as_str().to_owned(), object)), ..Self::default() }
    }

    /// Locked for ever.
    pub(crate) fn locked() -> Self {
        Self { locked: Some(true), ..Self::default() }
    }

    /// The faults that are left.
    pub(crate) fn faults(faults: Vec<Fault>) -> Self {
        Self { faults: Some(faults), ..Self::default() }
    }
}

impl Object {
    pub(crate) fn whole(octets: &[u8]) -> Self {
        Self { octets: octets.to_vec(), torn: false, told: false }
    }
}

impl Content {
    /// A fresh chip.
    pub(crate) fn new(chip: &ChipId, part: &str, private_key: &[u8; 32], faults: Vec<Fault>, locked: bool) -> Self {
        Self {
            format: FORMAT.to_owned(),
            chip_id: chip.to_string(),
            part: part.to_owned(),
            private_key: Zeroizing::new(hex::encode(private_key)),
            locked,
            objects: BTreeMap::new(),
            faults,
        }
    }

    /// The private value, 32 octets.
    pub(crate) fn private_key(&self) -> Option<Zeroizing<[u8; 32]>> {
        let mut octets = Zeroizing::new([0; 32]);
        hex::decode_to_slice(&*self.private_key, &mut *octets).ok().map(|()| octets)
    }

    pub(crate) fn object(&self, name: &ObjectName) -> Option<&Object> {
        self.objects.get(name.as_str())
    }

    /// Changes what the chip holds.
    pub(crate) fn apply(&mut self, change: Change) {
        if let Some((name, object)) = change.object {
            // Without octets it is removed.
            if object.octets.is_empty() && !object.torn {
                self.objects.remove(&name);
            } else {
                self.objects.insert(name, object);
            }
        }
        self.locked = change.locked.unwrap_or(self.locked);
        if let Some(faults) = change.faults {
            self.faults = faults;
        }
    }

    pub(crate) fn lengths(&self) -> impl Iterator<Item = usize> {
        self.objects.values().map(|object| object.octets.len())
    }

    pub(crate) fn is_blank(&self) -> bool {
        self.objects.is_empty()
    }
}

impl fmt::Debug for Content {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Content(of chip {}, {} objects)", self.chip_id, self.objects.len())
    }
}

/// Where a chip's file is.
pub(crate) fn path(folder: &Path, chip: &ChipId) -> PathBuf {
    folder.join(format!("{chip}.{SUFFIX}"))
}

/// The chip whose file has that name.
pub(crate) fn chip_of(name: &Path) -> Option<ChipId> {
    if name.extension()? != SUFFIX {
        return None;
    }
    let stem = name.file_stem()?.to_str()?;
    ChipId::new(stem).ok().filter(|chip| chip.as_str() == stem)
}

/// Changes after which a file is made anew when it is opened.
const MOST_CHANGES: usize = 50;

/// A chip's file as it was read.
pub(crate) struct Found {
    pub(crate) content: Content,
    /// Whether it should be made anew before a change is appended.
    stale: bool,
}

/// Reads a chip's file; `None` where there is none.
pub(crate) fn read(folder: &Path, chip: &ChipId) -> Result<Option<Found>, ChipError> {
    let path = path(folder, chip);
    let failed = |source| ChipError::File { path: path.clone(), source };
    let damaged = |why: String| ChipError::Damaged { path: path.clone(), why };
    let file = match File::open(&path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        opened => opened.map_err(failed)?,
    };
    let mut text = Zeroizing::new(Vec::with_capacity(16 * 1024));
    file.take(LARGEST + 1).read_to_end(&mut text).map_err(failed)?;
    if text.len() as u64 > LARGEST {
        return Err(damaged(format!("it has more than {LARGEST} bytes")));
    }
    // The parser's own message could quote what stands there.
    let unfit = |line: usize, e: &serde_json::Error| {
        damaged(format!("line {line}, column {} does not fit the format", e.column()))
    };
    let mut lines = text.split_inclusive(|octet| *octet == b'\n').enumerate();
    let (_, first) = lines.next().ok_or_else(|| damaged("it is empty".into()))?;
    let mut content: Content = serde_json::from_slice(first).map_err(|e| unfit(1, &e))?;
    if content.format != FORMAT {
        return Err(damaged("it has another format".into()));
    }
    if content.chip_id != chip.as_str() {
        return Err(damaged("its name is that of another chip than it holds".into()));
    }
    if content.part.is_empty() || content.private_key().is_none() {
        return Err(damaged("its part or its key is missing".into()));
    }
    let mut stale = !first.ends_with(b"\n");
    for (number, line) in lines {
        if !line.ends_with(b"\n") {
            stale = true;
            break;
        }
        content.apply(serde_json::from_slice(line).map_err(|e| unfit(number + 1, &e))?);
        stale |= number >= MOST_CHANGES;
    }
    if let Some(name) = content.objects.keys().find(|name| ObjectName::new(name).is_err()) {
        return Err(damaged(format!("{name:?} is not an object name")));
    }
    Ok(Some(Found { content, stale }))
}

/// Puts a chip's file in place, in one step.
pub(crate) fn write(folder: &Path, chip: &ChipId, content: &Content) -> Result<(), ChipError> {
    let path = path(folder, chip);
    let new = folder.join(format!(".{chip}.new"));
    let text = line(content).map_err(|source| ChipError::File { path: path.clone(), source })?;
    // One name for all tries: a killed process leaves one such file at most,
    // and only the chip's holder gets here.
    let written = private_file(&new).and_then(|mut file| file.write_all(&text)).and_then(|()| fs::rename(&new, &path));
    written.map_err(|source| ChipError::File { path, source })
}

/// A chip's file, open for changes.
#[derive(Debug)]
pub(crate) struct Changes {
    file: File,
    path: PathBuf,
}

impl Changes {
    /// Opens the file that was found, made anew if it is stale.
    pub(crate) fn open(folder: &Path, chip: &ChipId, found: &Found) -> Result<Self, ChipError> {
        if found.stale {
            write(folder, chip, &found.content)?;
        }
        let path = path(folder, chip);
        let file = OpenOptions::new().append(true).open(&path);
        let file = file.map_err(|source| ChipError::File { path: path.clone(), source })?;
        Ok(Self { file, path })
    }

    /// Appends a change. After an error the file's last line may be cut:
    /// nothing more may be appended before it is read again.
    pub(crate) fn append(&mut self, change: &Change) -> Result<(), ChipError> {
        let written = line(change).and_then(|text| self.file.write_all(&text));
        written.map_err(|source| ChipError::File { path: self.path.clone(), source })
    }
}

fn line(value: &impl Serialize) -> io::Result<Zeroizing<Vec<u8>>> {
    let mut text = Zeroizing::new(serde_json::to_vec(value)?);
    text.push(b'\n');
    Ok(text)
}

/// Creates or empties a file that its owner alone may read.
fn private_file(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

/// Takes hold of a chip.
pub(crate) fn hold(folder: &Path, chip: &ChipId) -> Result<Hold, ChipError> {
    hold::hold(&folder.join(HELD), chip)
}
