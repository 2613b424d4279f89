//! Making simulated chips, and the manifest that their maker would send.

use std::collections::{HashMap, HashSet};
use std::fmt;
use std::fs;
use std::io::{self, BufRead, Read, Write};
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::Deserialize;
use standard::key::{PublicKey, Signer, SoftwareKey};
use zeroize::Zeroizing;

use super::bench::Bench;
use super::draw::Well;
use super::faults::{FaultKind, FaultLevel};
use super::file::{self, Content};
use crate::{ChipError, ChipId};

/// Chips made at once, at most.
const MOST: usize = 1_000_000;
/// Octets of one line of a keys file, at most.
const LONGEST_LINE: u64 = 64 * 1024;

/// What to make.
#[derive(Debug)]
pub struct Recipe {
    pub keys: Keys,
    /// Decides keys that are drawn, and faults.
    pub seed: u64,
    /// How many chips have faults.
    pub faults: FaultLevel,
    /// The part and its times, for all chips of the folder.
    pub bench: Bench,
}

/// Which chips to make.
#[derive(Debug)]
pub enum Keys {
    /// That many, ids and keys from the seed: worth nothing, and the same again.
    Drawn(usize),
    /// Those of a file; see [`read_keys`].
    Given(Vec<GivenKey>),
}

/// A chip's id and private value, as a file gave them.
pub struct GivenKey {
    chip: ChipId,
    private: Zeroizing<[u8; 32]>,
}

impl fmt::Debug for GivenKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "GivenKey(of chip {})", self.chip)
    }
}

/// What a manifest tells of a chip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MadeChip {
    pub id: ChipId,
    pub public_key: PublicKey,
}

/// Why no chip was made. Nothing was left behind.
#[derive(Debug, thiserror::Error)]
pub enum MakeError {
    /// Not between 1 and a million.
    #[error("{0} chips can't be made at once; the limits are 1 and {MOST}")]
    Count(usize),
    /// A line of the keys file is not what it should be.
    #[error("line {line} of the keys: {why}")]
    Line {
        /// Counted from 1.
        line: usize,
        /// What is wrong with it; never the key.
        why: String,
    },
    /// Two chips are one.
    #[error("chip {chip} has the {what} of chip {other}")]
    Double { chip: ChipId, what: &'static str, other: ChipId },
    /// The folder has such a chip.
    #[error("chip {chip} is already in {}", .folder.display())]
    Exists { chip: ChipId, folder: PathBuf },
    /// The manifest's file is there already.
    #[error("{} already exists", .path.display())]
    ManifestExists { path: PathBuf },
    /// The part's or the times' figures can't be.
    #[error("such a part can't exist: {0}")]
    Bench(String),
    /// The folder's chips are of another part, or take other times.
    #[error("{} has simulated chips of another part or other times", .folder.display())]
    OtherBench { folder: PathBuf },
    /// A file can't be read or written.
    #[error("{} can't be used: {source}", .path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A file of the folder is not what it should be.
    #[error(transparent)]
    Chip(#[from] ChipError),
}

impl MakeError {
    /// Whether what was asked for is at fault, and not the surroundings.
    pub const fn is_usage(&self) -> bool {
        !matches!(self, Self::File { .. } | Self::Chip(_))
    }

    /// What to do next.
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Count(_) => "Make fewer, or several folders.",
            Self::Line { .. } => {
                "Each line is one JSON object with chip_id (hex) and private_key (64 hex digits); nothing was made."
            }
            Self::Double { .. } => "A chip id and a key belong to one chip; remove the second one from the file.",
            Self::Exists { .. } | Self::OtherBench { .. } => "Choose an empty folder.",
            Self::ManifestExists { .. } => "Choose another name for the manifest; nothing was made.",
            Self::Bench(_) => "Correct the figures.",
            Self::File { source, .. } if source.kind() == io::ErrorKind::NotFound => {
                "Check the path: it, or its folder, does not exist."
            }
            Self::File { .. } => "Check that the folder is yours, and the disk's free space.",
            Self::Chip(error) => error.advice(),
        }
    }
}

/// Reads chips' ids and private keys, one JSON object a line: `chip_id` (hex)
/// and `private_key` (32 octets in hex); other members are passed over.
///
/// # Errors
///
/// [`MakeError::Line`], [`MakeError::Double`] for an id given twice,
/// [`MakeError::Count`] for none or more than a million.
pub fn read_keys(path: &Path) -> Result<Keys, MakeError> {
    #[derive(Deserialize)]
    struct Line {
        chip_id: String,
        private_key: Zeroizing<String>,
    }
    let failed = |source| MakeError::File { path: path.to_owned(), source };
    let mut file = io::BufReader::new(fs::File::open(path).map_err(failed)?);
    let mut given: Vec<GivenKey> = Vec::new();
    let mut seen = HashSet::new();
    let mut text = Zeroizing::new(Vec::new());
    for number in 1.. {
        text.clear();
        let read = file.by_ref().take(LONGEST_LINE + 1).read_until(b'\n', &mut text).map_err(failed)?;
        let line = |why: &str| MakeError::Line { line: number, why: why.to_owned() };
        if read as u64 > LONGEST_LINE {
            return Err(line("it is too long"));
        }
        if read == 0 {
            break;
        }
        if text.trim_ascii().is_empty() {
            continue;
        }
        // The parser's own message could quote what stands in the line.
        let found: Line = serde_json::from_slice(text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&text))
            .map_err(|e| line(&format!("not a JSON object with chip_id and private_key (column {})", e.column())))?;
        let chip = ChipId::new(&found.chip_id).map_err(|e| line(&e.to_string()))?;
        let mut private = Zeroizing::new([0; 32]);
        hex::decode_to_slice(found.private_key.trim(), &mut *private)
            .map_err(|_| line("its private_key is not 64 hexadecimal digits"))?;
        SoftwareKey::from_private(&private).map_err(|e| line(&e.to_string()))?;
        if !seen.insert(chip.clone()) {
            return Err(line(&format!("chip {chip} is on an earlier line too")));
        }
        given.push(GivenKey { chip, private });
        if given.len() > MOST {
            return Err(MakeError::Count(given.len()));
        }
    }
    if given.is_empty() { Err(MakeError::Count(0)) } else { Ok(Keys::Given(given)) }
}

/// A chip about to be made.
struct Draft {
    chip: MadeChip,
    private: Zeroizing<[u8; 32]>,
}

/// Makes the chips in `folder`, which is made if need be, all or none.
///
/// # Errors
///
/// [`MakeError`]; chips of the same folder and ids are never replaced.
pub fn make(folder: &Path, recipe: &Recipe) -> Result<Vec<MadeChip>, MakeError> {
    if let Some(why) = recipe.bench.fault() {
        return Err(MakeError::Bench(why));
    }
    let drafts = drafts(recipe)?;
    no_doubles(&drafts)?;
    for Draft { chip, .. } in &drafts {
        if file::path(folder, &chip.id).exists() {
            return Err(MakeError::Exists { chip: chip.id.clone(), folder: folder.to_owned() });
        }
    }
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| MakeError::File { path, source }
    };
    fs::create_dir_all(folder).map_err(failed(folder))?;
    let bench = Bench::path(folder);
    let bench_is_new = !bench.exists();
    if bench_is_new {
        recipe.bench.write(folder).map_err(failed(&bench))?;
    } else if Bench::read(folder)? != recipe.bench {
        return Err(MakeError::OtherBench { folder: folder.to_owned() });
    }
    let made = drafts.par_iter().try_for_each(|draft| write(folder, draft, recipe));
    if let Err(error) = made {
        // None of these was there before, so taking them away loses nothing.
        for Draft { chip, .. } in &drafts {
            let _ = fs::remove_file(file::path(folder, &chip.id));
        }
        if bench_is_new {
            let _ = fs::remove_file(&bench);
        }
        return Err(error);
    }
    Ok(drafts.into_iter().map(|draft| draft.chip).collect())
}

fn drafts(recipe: &Recipe) -> Result<Vec<Draft>, MakeError> {
    match &recipe.keys {
        Keys::Drawn(count) if !(1..=MOST).contains(count) => Err(MakeError::Count(*count)),
        Keys::Drawn(count) => (0..*count).into_par_iter().map(|n| drawn(recipe.seed, n)).collect(),
        Keys::Given(given) => given
            .par_iter()
            .enumerate()
            .map(|(n, GivenKey { chip, private })| {
                let key = SoftwareKey::from_private(private)
                    .map_err(|e| MakeError::Line { line: n + 1, why: e.to_string() })?;
                let chip = MadeChip { id: chip.clone(), public_key: key.public_key() };
                Ok(Draft { chip, private: private.clone() })
            })
            .collect(),
    }
}

/// The `n`th chip of a seed. Its id begins as those of the invented maker do.
fn drawn(seed: u64, n: usize) -> Result<Draft, MakeError> {
    let well = Well::new(seed, &format!("chip {n}"));
    let id = ChipId::new(&format!("514C{}", hex::encode(*well.octets::<7>("id"))));
    let id = id.map_err(|e| MakeError::Bench(e.to_string()))?;
    let key = well.key("key");
    Ok(Draft { chip: MadeChip { id, public_key: key.key.public_key() }, private: key.private })
}

fn no_doubles(drafts: &[Draft]) -> Result<(), MakeError> {
    let (mut ids, mut keys) = (HashSet::new(), HashMap::new());
    for Draft { chip, .. } in drafts {
        let double = |what, other: &ChipId| MakeError::Double { chip: chip.id.clone(), what, other: other.clone() };
        if !ids.insert(&chip.id) {
            return Err(double("id", &chip.id));
        }
        if let Some(other) = keys.insert(chip.public_key, &chip.id) {
            return Err(double("key", other));
        }
    }
    Ok(())
}

fn write(folder: &Path, draft: &Draft, recipe: &Recipe) -> Result<(), MakeError> {
    let mut faults = recipe.faults.plan(recipe.seed, &draft.chip.id);
    let before = faults.len();
    faults.retain(|fault| fault.kind != FaultKind::LockedAlready);
    let locked = faults.len() < before;
    let content = Content::new(&draft.chip.id, &recipe.bench.part.name, &draft.private, faults, locked);
    Ok(file::write(folder, &draft.chip.id, &content)?)
}

/// Refuses a manifest's path where something stands already; asked before
/// chips are made.
///
/// # Errors
///
/// [`MakeError::ManifestExists`].
pub fn manifest_is_free(path: &Path) -> Result<(), MakeError> {
    match fs::symlink_metadata(path) {
        Ok(_) => Err(MakeError::ManifestExists { path: path.to_owned() }),
        Err(_) => Ok(()),
    }
}

/// Writes the manifest: CSV with the header `chip_id,public_key`, the key as an
/// uncompressed point in hex. Whole or not at all; replaces nothing.
///
/// # Errors
///
/// [`MakeError::ManifestExists`], [`MakeError::File`].
pub fn write_manifest(path: &Path, chips: &[MadeChip]) -> Result<(), MakeError> {
    manifest_is_free(path)?;
    let failed = |source: io::Error| match source.kind() {
        io::ErrorKind::AlreadyExists => MakeError::ManifestExists { path: path.to_owned() },
        _ => MakeError::File { path: path.to_owned(), source },
    };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    // A manifest is no secret: it goes from maker to maker.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o644));
    let mut file = builder.tempfile_in(folder).map_err(failed)?;
    let mut text = String::with_capacity(32 + chips.len() * 160);
    text.push_str("chip_id,public_key\n");
    for chip in chips {
        text.extend([chip.id.as_str(), ",", &hex::encode(chip.public_key.point()), "\n"]);
    }
    file.write_all(text.as_bytes()).and_then(|()| file.as_file().sync_all()).map_err(failed)?;
    file.persist_noclobber(path).map(drop).map_err(|e| failed(e.error))
}
