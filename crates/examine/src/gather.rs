//! Reading files and directories, bounded, on all cores.

use std::borrow::Cow;
use std::collections::HashSet;
use std::ffi::{OsStr, OsString};
use std::fs;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use base::course::{Course, Phase};
use rayon::prelude::*;
use standard::certificate::Certificate;
use standard::detect::{DetectError, Item, detect};
use walkdir::WalkDir;

use super::{Examine, ExamineError, Input};
use crate::bundle::{self, Unread};
use crate::intake;

/// Octets of one file: a bundle of a hundred thousand certificates in PEM fits.
const MAX_FILE: u64 = 96 << 20;
/// Files that a core reads at most before it looks whether another wants some.
const CHUNK: usize = 64;
/// Octets of room that are kept from one file to the next.
const ROOM: usize = 1 << 20;
/// Files in one call.
const MAX_FILES: usize = 2_000_000;

/// A file could not be read as anything.
#[derive(Debug, thiserror::Error)]
pub enum GatherError {
    /// Not there, no right to it, or the disk failed.
    #[error("{name} can't be read: {source}")]
    Io { name: String, source: io::Error },
    /// Larger than anything this program examines.
    #[error("{name} has {octets} bytes; the limit is {MAX_FILE}")]
    TooLarge { name: String, octets: u64 },
    /// Neither a file nor a directory.
    #[error("{name} is neither a file nor a directory")]
    Special { name: String },
    /// Nothing that this program reads.
    #[error("{name}: {why}")]
    Detect { name: String, why: DetectError },
    /// A directory without anything in it.
    #[error("{name} contains no file")]
    Nothing { name: String },
    /// Nothing but files that are none of ours.
    #[error("{name} contains nothing that can be examined")]
    NothingOfOurs {
        /// The file or directory.
        name: String,
    },
    /// Many files in one.
    #[error("{name} is an archive")]
    Archive { name: String },
    /// Too many files.
    #[error("more than {MAX_FILES} files were given")]
    TooMany,
    /// Too many things in them.
    #[error("the files hold more than {0} certificates, requests, lists and declarations")]
    TooManyThings(usize),
}

impl GatherError {
    pub(super) fn advice(&self) -> Option<String> {
        let text = match self {
            Self::Io { source, .. } => match source.kind() {
                io::ErrorKind::NotFound => "Check the path.",
                io::ErrorKind::PermissionDenied => "Get permission to read it.",
                _ => "Check the disk, then try again.",
            },
            Self::TooLarge { .. } => "Check that it is the right file; a bundle can be given in parts.",
            Self::Special { .. } => "Give a file or a directory.",
            Self::Detect { why: DetectError::PrivateKey, .. } => {
                "Keep private keys away from files that are passed around; give the certificate instead."
            }
            Self::Detect { why: DetectError::Empty, .. } => "Download it again; the copy was cut off.",
            Self::Detect { why: DetectError::Unknown, .. } => {
                "Give certificates, requests, lists or declarations in DER or PEM, or an exchange in JSON."
            }
            Self::Detect { why: DetectError::Broken(..), .. } => "Download it again; the copy was cut off or changed.",
            Self::Nothing { .. } | Self::NothingOfOurs { .. } => "Check the path.",
            Self::Archive { .. } => {
                "Unpack it and give the directory. A delivery is examined as a whole by `touchmark delivery receive`."
            }
            Self::Detect { why: DetectError::TooMany, .. } | Self::TooMany | Self::TooManyThings(_) => {
                "Give them in parts."
            }
        };
        Some(text.into())
    }
}

/// A certificate that was read, as its octets alone: taken apart it takes three times the room,
/// and a bundle has a hundred thousand.
#[derive(Debug)]
pub(super) struct Octets(Box<[u8]>);

impl Octets {
    pub(super) fn of(certificate: &Certificate) -> Self {
        Self(certificate.der().into())
    }

    /// The certificate; it was read before, so it can be read again.
    pub(super) fn read(&self) -> Option<Arc<Certificate>> {
        Certificate::read(&self.0).ok().map(Arc::new)
    }
}

/// What was found.
#[derive(Debug)]
pub(super) enum Held {
    Certificate(Octets),
    Other(Item),
}

impl Held {
    fn of(item: Item) -> Self {
        match item {
            Item::Certificate(c) => Self::Certificate(Octets::of(&c)),
            other => Self::Other(other),
        }
    }

    /// Taken apart.
    pub(super) fn item(self) -> Option<Item> {
        match self {
            Self::Certificate(octets) => octets.read().map(Item::Certificate),
            Self::Other(item) => Some(item),
        }
    }
}

/// One thing found in a file.
#[derive(Debug)]
pub(super) struct Found {
    /// The file as named in the answer; `#2` and on for further things in it.
    pub name: Box<str>,
    /// The thing; `None` for a file in a directory that is none of ours.
    pub item: Option<Held>,
    /// The file; `None` for a certificate: there are many, and nobody asks.
    pub path: Option<Box<Path>>,
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
        for input in paths {
            expand(input, &mut files)?;
        }
        if may_repeat(paths) {
            // What is given twice is one thing.
            let mut seen = HashSet::new();
            files.retain(|file: &Listed| seen.insert(file.path.clone()));
        }
        expanded.push(files);
    }
    let total = expanded.iter().map(Vec::len).sum::<usize>() as u64;
    course.phase(Phase::Reading, Some(total));
    let room = Room { most: request.most.unwrap_or(MAX_FILES), taken: AtomicUsize::new(0) };
    let names = Names::of(&expanded);
    let mut read = expanded.into_iter().map(|files| read_all(files, &names, &room, course));
    let mut next = || read.next().unwrap_or_else(|| Ok(Vec::new()));
    let gathered = Gathered { subjects: next()?, trust: next()?, signers: next()?, revocations: next()? };
    // An acceptance of nothing at all would be taken for one of what was meant.
    match request.files.first() {
        Some(first) if gathered.subjects.iter().all(|s| s.item.is_none()) => {
            Err(GatherError::NothingOfOurs { name: first.path.display().to_string() }.into())
        }
        _ => Ok(gathered),
    }
}

/// A file to be read, and whether it was found in a directory.
struct Listed {
    path: PathBuf,
    /// What is in it, where that was read already.
    octets: Option<Arc<[u8]>>,
    by_directory: bool,
}

/// Whether one file may be listed twice: not where one path was given, nor where no
/// directory stands above another path. Many paths are not looked through for it.
fn may_repeat(paths: &[Input]) -> bool {
    const FEW: usize = 16;
    let is_below = |(at, one): (usize, &Input)| {
        paths.iter().enumerate().any(|(other, above)| other != at && one.path.starts_with(&above.path))
    };
    paths.len() > FEW || paths.iter().enumerate().any(is_below)
}

fn expand(input: &Input, files: &mut Vec<Listed>) -> Result<(), GatherError> {
    let Input { path, octets } = input;
    if octets.is_some() {
        files.push(Listed { path: path.clone(), octets: octets.clone(), by_directory: false });
        return Ok(());
    }
    let io = |source| GatherError::Io { name: path.display().to_string(), source };
    let meta = fs::metadata(path).map_err(io)?;
    if meta.is_file() {
        files.push(Listed { path: path.clone(), octets: None, by_directory: false });
    } else if meta.is_dir() {
        let before = files.len();
        // Links are not followed: a directory that was given is all that was given.
        for entry in WalkDir::new(path) {
            let entry = entry.map_err(|error| first_error(path, error))?;
            if entry.file_type().is_file() {
                files.push(Listed { path: entry.into_path(), octets: None, by_directory: true });
            }
            if files.len() > MAX_FILES {
                return Err(GatherError::TooMany);
            }
        }
        // In a stable order, whatever the disk's is: by names, and what is in a directory together.
        files[before..].par_sort_unstable_by(|one, other| one.path.cmp(&other.path));
        if files.len() == before {
            return Err(GatherError::Nothing { name: path.display().to_string() });
        }
    } else {
        return Err(GatherError::Special { name: path.display().to_string() });
    }
    Ok(())
}

/// The first error of a walk by names, so that the same call gives the same one.
fn first_error(path: &Path, met: walkdir::Error) -> GatherError {
    let error = WalkDir::new(path).sort_by_file_name().into_iter().find_map(Result::err).unwrap_or(met);
    GatherError::Io { name: error.path().unwrap_or(path).display().to_string(), source: error.into() }
}

/// How many things are taken, and how many may be.
struct Room {
    most: usize,
    taken: AtomicUsize,
}

fn read_all(files: Vec<Listed>, names: &Names, room: &Room, course: &Course) -> Result<Vec<Found>, ExamineError> {
    // Small files many at a time, a few large ones each by itself.
    let chunk = (files.len() / (8 * rayon::current_num_threads())).clamp(1, CHUNK);
    let read: Vec<Result<Vec<Found>, ExamineError>> = files
        .into_par_iter()
        .chunks(chunk)
        .map(|files| {
            let (mut octets, mut found) = (Vec::new(), Vec::with_capacity(files.len()));
            for file in files {
                course.go_on()?;
                let before = found.len();
                read_one(file, names, course, &mut octets, &mut found)?;
                let count = found.len() - before;
                if room.taken.fetch_add(count, Ordering::Relaxed) + count > room.most {
                    return Err(GatherError::TooManyThings(room.most).into());
                }
                course.advance(1);
            }
            Ok(found)
        })
        .collect();
    let count = read.iter().flatten().map(Vec::len).sum();
    // The first in the order given, so that the same call gives the same error.
    let mut all = Vec::with_capacity(count);
    for found in read {
        all.append(&mut found?);
    }
    Ok(all)
}

/// File names that stand for more than one path in this call.
struct Names(HashSet<OsString>);

impl Names {
    fn of(lists: &[Vec<Listed>]) -> Self {
        let files = lists.par_iter().flatten();
        let mut named: Vec<(&OsStr, &Path)> =
            files.filter_map(|file| Some((file.path.file_name()?, file.path.as_path()))).collect();
        named.par_sort_unstable();
        let several = named.windows(2).filter(|pair| pair[0].0 == pair[1].0 && pair[0].1 != pair[1].1);
        Self(several.map(|pair| pair[0].0.to_owned()).collect())
    }

    /// The file's name where that tells it apart, else its path.
    fn name(&self, path: &Path) -> String {
        match path.file_name().filter(|name| self.0.is_empty() || !self.0.contains(*name)) {
            Some(name) => name.to_string_lossy().into_owned(),
            None => path.display().to_string(),
        }
    }
}

/// A file, or what was read of one.
trait Openable: Read + Seek {}

impl<T: Read + Seek> Openable for T {}

/// Reads a file and tells what is in it.
///
/// - `octets`: emptied and filled; others are read into the same room.
/// - `found`: what is in it is added here.
fn read_one(
    file: Listed,
    names: &Names,
    course: &Course,
    octets: &mut Vec<u8>,
    found: &mut Vec<Found>,
) -> Result<(), ExamineError> {
    let Listed { path, octets: held, by_directory } = file;
    let io = |source| GatherError::Io { name: path.display().to_string(), source };
    let too_large = |octets| GatherError::TooLarge { name: path.display().to_string(), octets };
    let mut handle: Box<dyn Openable> = match held {
        Some(held) => Box::new(io::Cursor::new(held)),
        None => Box::new(fs::File::open(&path).map_err(io)?),
    };
    let size = handle.seek(SeekFrom::End(0)).map_err(io)?;
    handle.rewind().map_err(io)?;
    if size > MAX_FILE {
        return Err(too_large(size).into());
    }
    let name = names.name(&path);
    if bundle::is_large(size)
        && let Some(items) = bundle::read(&mut handle, MAX_FILE, course, Held::of).map_err(|unread| match unread {
            Unread::Io(source) => ExamineError::from(io(source)),
            Unread::Stopped(stopped) => stopped.into(),
        })?
    {
        let found_here = |(index, item)| of_file(numbered(&name, index), &path, Some(item));
        let mut all: Vec<Found> = items.into_par_iter().enumerate().map(found_here).collect();
        found.append(&mut all);
        return Ok(());
    }
    // An archive is known by its beginning, and not read to its end for that.
    let mut start = [0; 512];
    let have = intake::fill(&mut handle, &mut start).map_err(io)?;
    if intake::is_archive(&start[..have]) {
        return Err(GatherError::Archive { name: path.display().to_string() }.into());
    }
    octets.clear();
    octets.shrink_to(ROOM);
    // With room to see its end; it may grow while it is read.
    octets.reserve(usize::try_from(size).unwrap_or(0) + 64);
    octets.extend_from_slice(&start[..have]);
    handle.take(MAX_FILE + 1 - have as u64).read_to_end(octets).map_err(io)?;
    if octets.len() as u64 > MAX_FILE {
        return Err(too_large(octets.len() as u64).into());
    }
    let (noted, by_directory) = (by_directory, by_directory && !intake::promises_key(&name));
    match detect(octets) {
        Ok(items) => {
            let found_here = |(index, item)| of_file(numbered(&name, index), &path, Some(item));
            found.extend(items.into_iter().map(Held::of).enumerate().map(found_here));
        }
        // A directory may hold a note, digests, a key for the bench: they are named and passed over.
        Err(DetectError::PrivateKey) if noted => {
            found.push(of_file(name, &path, None));
        }
        Err(DetectError::Unknown | DetectError::Empty) if by_directory => {
            found.push(of_file(name, &path, None));
        }
        // JSON of any other kind is no business of ours either.
        Err(DetectError::Broken("JSON" | "a factory record", _)) if by_directory => {
            found.push(of_file(name, &path, None));
        }
        Err(why) => return Err(GatherError::Detect { name: path.display().to_string(), why }.into()),
    }
    Ok(())
}

/// The name of a file's first thing, its second, and so on.
fn numbered(name: &str, index: usize) -> Cow<'_, str> {
    if index == 0 { name.into() } else { format!("{name}#{}", index + 1).into() }
}

fn of_file(name: impl Into<Box<str>>, path: &Path, item: Option<Held>) -> Found {
    let path = (!matches!(item, Some(Held::Certificate(_)))).then(|| Box::from(path));
    Found { name: name.into(), item, path }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made::certificates;

    /// A directory with these files, all of them with the same octets.
    fn folder(names: &[&str], octets: &[u8]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().expect("a directory");
        for name in names {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().expect("a parent")).expect("made");
            fs::write(path, octets).expect("written");
        }
        folder
    }

    #[test]
    fn a_directory_s_order_is_that_of_a_walk_by_names() {
        let names = ["b", "a.der", "a/z", "a/b/y", "a/b.der", "a-b", "a0/1", "A", "é", "a b/c"];
        let folder = folder(&names, b"");
        let mut files = Vec::new();
        expand(&Input::at([folder.path()])[0], &mut files).expect("listed");
        let listed: Vec<PathBuf> = files.into_iter().map(|file| file.path).collect();
        let walk = WalkDir::new(folder.path()).sort_by_file_name().into_iter().map(|entry| entry.expect("an entry"));
        let by_names: Vec<PathBuf> =
            walk.filter(|entry| entry.file_type().is_file()).map(walkdir::DirEntry::into_path).collect();
        assert_eq!((listed.len(), &listed), (names.len(), &by_names));
    }

    #[test]
    fn what_is_given_twice_is_read_once_however_it_is_given() {
        let folder = folder(&["in/a", "in/deep/b", "c", "inner/a"], &certificates(1)[0]);
        let read = |paths: &[&str]| -> Vec<String> {
            let files = Input::at(paths.iter().map(|path| folder.path().join(path)));
            let gathered = gather(&Examine { files, ..Examine::default() }, &Course::new()).expect("certificates");
            let shown = |found: Found| found.name.rsplit("/in").next().unwrap_or_default().to_owned();
            gathered.subjects.into_iter().map(shown).collect()
        };
        assert_eq!(read(&["in"]), ["a", "b"]);
        for paths in [&["in", "in/a"][..], &["in", "in"], &["in", "in/deep", "in/deep/b"], &["in", "./in"]] {
            assert_eq!(read(paths), ["a", "b"], "{paths:?}");
        }
        assert_eq!(read(&["in/deep", "c", "in", "c"]), ["b", "c", "a"]);
        assert_eq!(read(&["c", "in/../c"]).len(), 2, "two ways, each as it was given");
        // A name that only begins alike is no directory above; and one name for two files tells neither apart.
        assert_eq!(read(&["in", "inner"]), ["/a", "b", "ner/a"]);
        let many: Vec<&str> = std::iter::repeat_n("c", 20).collect();
        assert_eq!(read(&many), ["c"]);
    }
}
