//! Reading files and directories, bounded, on all cores.

use std::ffi::OsString;
use std::fs;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use standard::detect::{DetectError, Item};
use walkdir::WalkDir;

use super::{Examine, ExamineError};
use crate::bundle::detect_all;
use crate::course::{Course, Phase};

/// Octets of one file: a bundle of a hundred thousand certificates in PEM fits.
const MAX_FILE: u64 = 96 << 20;
/// Files in one call.
const MAX_FILES: usize = 2_000_000;

/// A file could not be read as anything.
#[derive(Debug, thiserror::Error)]
pub enum GatherError {
    /// Not there, no right to it, or the disk failed.
    #[error("{name} can't be read: {source}")]
    Io {
        /// The file.
        name: String,
        /// Why.
        source: io::Error,
    },
    /// Larger than anything this program examines.
    #[error("{name} has {octets} octets; nothing larger than {MAX_FILE} is examined")]
    TooLarge {
        /// The file.
        name: String,
        /// Its size.
        octets: u64,
    },
    /// Neither a file nor a directory.
    #[error("{name} is neither a file nor a directory")]
    Special {
        /// The path.
        name: String,
    },
    /// Nothing that this program reads.
    #[error("{name}: {why}")]
    Detect {
        /// The file.
        name: String,
        /// Why.
        why: DetectError,
    },
    /// A directory without anything in it.
    #[error("{name} holds no file")]
    Nothing {
        /// The directory.
        name: String,
    },
    /// Nothing but files that are none of ours.
    #[error("{name} holds nothing that can be examined")]
    NothingOfOurs {
        /// The file or directory.
        name: String,
    },
    /// Too many files.
    #[error("more than {MAX_FILES} files were given")]
    TooMany,
}

impl GatherError {
    pub(super) fn advice(&self) -> Option<String> {
        let text = match self {
            Self::Io { source, .. } => match source.kind() {
                io::ErrorKind::NotFound => "Look at the path.",
                io::ErrorKind::PermissionDenied => "Ask for the right to read it.",
                _ => "Look at the disk, then try again.",
            },
            Self::TooLarge { .. } => "Look whether it is the right file; a bundle can be given in parts.",
            Self::Special { .. } => "Give a file or a directory.",
            Self::Detect { why: DetectError::PrivateKey, .. } => {
                "Keep private keys away from files that are passed around; give the certificate instead."
            }
            Self::Detect { why: DetectError::Empty, .. } => "Fetch it again; the copy was cut off.",
            Self::Detect { why: DetectError::Unknown, .. } => {
                "Give certificates, requests, lists or declarations in DER or PEM, or an exchange in JSON."
            }
            Self::Detect { why: DetectError::Broken(..), .. } => "Fetch it again; the copy was cut off or changed.",
            Self::Nothing { .. } | Self::NothingOfOurs { .. } => "Look at the path.",
            Self::TooMany => "Give them in parts.",
        };
        Some(text.into())
    }
}

/// One thing found in a file.
#[derive(Debug)]
pub(super) struct Found {
    /// The file as named in the answer; `#2` and on for further things in it.
    pub name: String,
    /// The thing; `None` for a file in a directory that is none of ours.
    pub item: Option<Item>,
    /// The file.
    pub path: PathBuf,
}

/// Everything found.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    pub subjects: Vec<Found>,
    pub trust: Vec<Found>,
    pub signers: Vec<Found>,
    pub revocations: Vec<Found>,
}

pub(super) fn gather(request: &Examine, course: &Course) -> Result<Gathered, ExamineError> {
    let lists = [&request.files, &request.trust, &request.signers, &request.revocations];
    let mut expanded = Vec::new();
    for paths in lists {
        let mut files = Vec::new();
        for path in paths {
            expand(path, &mut files)?;
        }
        // What is given twice is one thing.
        let mut seen = std::collections::HashSet::new();
        files.retain(|file: &Listed| seen.insert(file.path.clone()));
        expanded.push(files);
    }
    let total = expanded.iter().map(Vec::len).sum::<usize>() as u64;
    course.phase(Phase::Reading, Some(total));
    let names = Names::of(&expanded);
    let mut read = expanded.into_iter().map(|files| read_all(files, &names, course));
    let mut next = || read.next().unwrap_or_else(|| Ok(Vec::new()));
    let gathered = Gathered { subjects: next()?, trust: next()?, signers: next()?, revocations: next()? };
    // An acceptance of nothing at all would be taken for one of what was meant.
    match request.files.first() {
        Some(first) if gathered.subjects.iter().all(|s| s.item.is_none()) => {
            Err(GatherError::NothingOfOurs { name: first.display().to_string() }.into())
        }
        _ => Ok(gathered),
    }
}

/// A file to be read, and whether it was found in a directory.
struct Listed {
    path: PathBuf,
    by_directory: bool,
}

fn expand(path: &Path, files: &mut Vec<Listed>) -> Result<(), GatherError> {
    let io = |source| GatherError::Io { name: path.display().to_string(), source };
    let meta = fs::metadata(path).map_err(io)?;
    if meta.is_file() {
        files.push(Listed { path: path.to_owned(), by_directory: false });
    } else if meta.is_dir() {
        let before = files.len();
        // Links are not followed: a directory that was given is all that was given.
        for entry in WalkDir::new(path).sort_by_file_name() {
            let entry = entry.map_err(|error| {
                let name = error.path().unwrap_or(path).display().to_string();
                GatherError::Io { name, source: error.into() }
            })?;
            if entry.file_type().is_file() {
                files.push(Listed { path: entry.into_path(), by_directory: true });
            }
            if files.len() > MAX_FILES {
                return Err(GatherError::TooMany);
            }
        }
        if files.len() == before {
            return Err(GatherError::Nothing { name: path.display().to_string() });
        }
    } else {
        return Err(GatherError::Special { name: path.display().to_string() });
    }
    Ok(())
}

fn read_all(files: Vec<Listed>, names: &Names, course: &Course) -> Result<Vec<Found>, ExamineError> {
    let found: Vec<Result<Vec<Found>, ExamineError>> = files
        .into_par_iter()
        .map(|file| {
            course.go_on()?;
            let read = read_one(&file, &names.name(&file.path))?;
            course.advance(1);
            Ok(read)
        })
        .collect();
    // The first in the order given, so that the same call gives the same error.
    let mut all = Vec::new();
    for part in found {
        all.extend(part?);
    }
    Ok(all)
}

/// File names that stand for more than one path in this call.
struct Names(std::collections::HashSet<OsString>);

impl Names {
    fn of(lists: &[Vec<Listed>]) -> Self {
        let mut paths = std::collections::HashMap::new();
        let mut several = std::collections::HashSet::new();
        for path in lists.iter().flatten().map(|file| &file.path) {
            let Some(name) = path.file_name() else { continue };
            if *paths.entry(name).or_insert(path) != path {
                several.insert(name.to_owned());
            }
        }
        Self(several)
    }

    /// The file's name where that tells it apart, else its path.
    fn name(&self, path: &Path) -> String {
        match path.file_name().filter(|name| !self.0.contains(*name)) {
            Some(name) => name.to_string_lossy().into_owned(),
            None => path.display().to_string(),
        }
    }
}

fn read_one(file: &Listed, name: &str) -> Result<Vec<Found>, GatherError> {
    let path = &file.path;
    let io = |source| GatherError::Io { name: path.display().to_string(), source };
    let handle = fs::File::open(path).map_err(io)?;
    let size = handle.metadata().map_err(io)?.len();
    if size > MAX_FILE {
        return Err(GatherError::TooLarge { name: path.display().to_string(), octets: size });
    }
    let mut octets = Vec::with_capacity(usize::try_from(size).unwrap_or(0));
    // The file may grow while it is read.
    handle.take(MAX_FILE + 1).read_to_end(&mut octets).map_err(io)?;
    if octets.len() as u64 > MAX_FILE {
        return Err(GatherError::TooLarge { name: path.display().to_string(), octets: octets.len() as u64 });
    }
    match detect_all(&octets) {
        Ok(items) => Ok(items
            .into_iter()
            .enumerate()
            .map(|(index, item)| Found {
                name: if index == 0 { name.to_owned() } else { format!("{name}#{}", index + 1) },
                item: Some(item),
                path: path.clone(),
            })
            .collect()),
        // A directory may hold a note, digests, a key for the bench: they are named and passed over.
        Err(DetectError::Unknown | DetectError::PrivateKey | DetectError::Empty) if file.by_directory => {
            Ok(vec![Found { name: name.to_owned(), item: None, path: path.clone() }])
        }
        // JSON of any other kind is no business of ours either.
        Err(DetectError::Broken("JSON" | "a factory record", _)) if file.by_directory => {
            Ok(vec![Found { name: name.to_owned(), item: None, path: path.clone() }])
        }
        Err(why) => Err(GatherError::Detect { name: path.display().to_string(), why }),
    }
}
