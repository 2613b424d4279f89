//! Files that appear whole or not at all, several of them together.

use std::fs::{self, Permissions};
use std::io::{self, BufWriter, Read as _, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use tempfile::NamedTempFile;

use crate::advice::{Advise, Kind};

/// What every file that is not in its place yet begins with.
pub const PREFIX: &str = ".touchmark-";

/// Who may read what is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Readers {
    /// Its owner alone: the file holds secrets of a device.
    Owner,
    /// Whoever the process's own mask allows.
    Usual,
}

/// A file could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The file system said no.
    #[error("{path} can't be written: {source}", path = path.display())]
    File { path: PathBuf, source: io::Error },
    /// It is a site's book, settings or key.
    #[error("{path} belongs to a site: it is not written over", path = .0.display())]
    OfSite(PathBuf),
}

impl Advise for WriteError {
    fn kind(&self) -> Kind {
        match self {
            Self::File { .. } => Kind::Surroundings,
            Self::OfSite(_) => Kind::Usage,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(
            match self {
                Self::File { .. } => "Check the directory, its permissions and the free space, then try again.",
                Self::OfSite(_) => "Give another name. Nothing was written.",
            }
            .into(),
        )
    }
}

/// Refuses what a wrong name for an output would destroy: the settings, the book and the keys of a site.
///
/// # Errors
///
/// [`WriteError::OfSite`].
pub fn spare(path: &Path) -> Result<(), WriteError> {
    let Ok(real) = path.canonicalize() else { return Ok(()) };
    let is = |path: &Path, name: &str| path.file_name().is_some_and(|n| n == name);
    let (in_keys, of_site) = match real.parent() {
        Some(keys) if is(keys, "keys") => (keys.parent().is_some_and(|dir| dir.join(SETTINGS).exists()), false),
        _ => (false, is(&real, SETTINGS)),
    };
    let mut start = [0; DATABASE.len()];
    let mut opened = || fs::File::open(&real)?.read_exact(&mut start);
    // What lies beside a database belongs to it.
    let beside = real.to_str().and_then(|text| text.strip_suffix("-wal").or_else(|| text.strip_suffix("-shm")));
    let beside = beside.is_some_and(|database| Path::new(database).exists());
    if real.is_file() && (in_keys || of_site || beside || (opened().is_ok() && start == *DATABASE)) {
        return Err(WriteError::OfSite(path.to_owned()));
    }
    Ok(())
}

/// The settings of a site.
const SETTINGS: &str = "touchmark.toml";
/// What a book in a file begins with (SQLite's database file format, 1.3.1).
const DATABASE: &[u8; 16] = b"SQLite format 3\0";

/// Writes one file, whole or not at all, for whoever the process's own mask allows.
///
/// # Errors
///
/// [`WriteError`]; what was there is as it was.
pub fn put(path: &Path, octets: &[u8]) -> Result<(), WriteError> {
    spare(path)?;
    put_own(path, octets)
}

/// Writes a file of the site itself.
pub fn put_own(path: &Path, octets: &[u8]) -> Result<(), WriteError> {
    let mut pending = Pending::default();
    pending.write(path, octets, Readers::Usual)?;
    pending.place()
}

/// Writes a file of the site itself that its owner alone may read.
pub fn put_secret(path: &Path, octets: &[u8]) -> Result<(), WriteError> {
    let mut pending = Pending::default();
    pending.write(path, octets, Readers::Owner)?;
    pending.place()
}

/// Puts one file in its place, whole or not at all, without waiting for the disk: for what is written anew all the time.
///
/// # Errors
///
/// What the file system said; what was there is as it was.
pub fn replace(path: &Path, octets: &[u8]) -> io::Result<()> {
    let mut file = beside(path, Readers::Usual)?;
    file.write_all(octets)?;
    file.persist(path).map(drop).map_err(|error| error.error)
}

/// How long what a killed process left half done lies before it is taken away.
const LEFT: Duration = Duration::from_secs(86_400);

/// The directory of a site in which files lie that are worked on.
const WORK: &str = "tmp";

/// Has this process keep what it works on in the site's own place, readable by its owner alone, and takes away what
/// processes that were killed left there. Where nothing can be written, it stays with the system's own place.
pub fn work_in(site: &Path) {
    let place = site.join(WORK);
    let made = fs::create_dir(&place).or_else(|e| if place.is_dir() { Ok(()) } else { Err(e) });
    #[cfg(unix)]
    let made = made.and_then(|()| {
        use std::os::unix::fs::PermissionsExt;
        // A link would lead elsewhere.
        if !fs::symlink_metadata(&place)?.is_dir() {
            return Err(io::ErrorKind::NotADirectory.into());
        }
        fs::set_permissions(&place, Permissions::from_mode(0o700))
    });
    if made.is_ok() {
        sweep_all(&place, |_| true);
        // It fails where it was said before: then it is the same.
        let _ = tempfile::env::override_temp_dir(&place);
    }
}

/// Takes away what processes that were killed a day ago or earlier left in a directory: it has our own prefix, and
/// nobody who still works on it takes so long.
pub fn sweep(directory: &Path) {
    sweep_all(directory, |name| name.starts_with(PREFIX));
}

fn sweep_all(directory: &Path, ours: impl Fn(&str) -> bool) {
    let Ok(entries) = fs::read_dir(directory) else { return };
    for entry in entries.flatten().filter(|entry| ours(&entry.file_name().to_string_lossy())) {
        let old = entry.metadata().and_then(|m| m.modified()).ok().and_then(|at| at.elapsed().ok());
        if old.is_some_and(|age| age > LEFT) {
            let path = entry.path();
            // What can't be taken away is tried again the next time.
            let _ = if path.is_dir() { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
        }
    }
}

/// A file under another name in the directory of `path`.
fn beside(path: &Path, readers: Readers) -> io::Result<NamedTempFile> {
    let directory = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX);
    let usual;
    if readers == Readers::Usual {
        usual = usual_permissions();
        usual.into_iter().for_each(|permissions| {
            builder.permissions(permissions);
        });
    }
    builder.tempfile_in(directory)
}

/// Files that are written, but under other names yet.
#[derive(Debug, Default)]
pub struct Pending(Vec<(PathBuf, Written)>);

#[derive(Debug)]
enum Written {
    Beside(NamedTempFile),
    /// A device or a pipe, which nothing can take the place of.
    Through(Vec<u8>),
}

impl Pending {
    /// Writes a file beside its place, which is none of a site's own.
    ///
    /// # Errors
    ///
    /// [`WriteError`]; dropping `self` leaves nothing behind.
    pub fn add(&mut self, path: &Path, octets: &[u8], readers: Readers) -> Result<(), WriteError> {
        spare(path)?;
        self.write(path, octets, readers)
    }

    fn write(&mut self, path: &Path, octets: &[u8], readers: Readers) -> Result<(), WriteError> {
        let failed = |source| WriteError::File { path: path.to_owned(), source };
        if fs::metadata(path).is_ok_and(|there| !there.is_file() && !there.is_dir()) {
            self.0.push((path.to_owned(), Written::Through(octets.to_vec())));
            return Ok(());
        }
        if path.is_dir() {
            return Err(failed(io::Error::from(io::ErrorKind::IsADirectory)));
        }
        let mut file = beside(path, readers).map_err(failed)?;
        file.write_all(octets).and_then(|()| file.as_file().sync_all()).map_err(failed)?;
        self.0.push((path.to_owned(), Written::Beside(file)));
        Ok(())
    }

    /// The same for a file whose octets are made as they are written: many of them need not be in memory at once.
    ///
    /// # Errors
    ///
    /// [`WriteError`]; dropping `self` leaves nothing behind.
    pub fn add_by(
        &mut self,
        path: &Path,
        readers: Readers,
        make: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> Result<(), WriteError> {
        spare(path)?;
        let failed = |source| WriteError::File { path: path.to_owned(), source };
        let mut file = beside(path, readers).map_err(failed)?;
        let mut out = BufWriter::new(&mut file);
        make(&mut out).and_then(|()| out.flush()).map_err(failed)?;
        drop(out);
        file.as_file().sync_all().map_err(failed)?;
        self.0.push((path.to_owned(), Written::Beside(file)));
        Ok(())
    }

    /// Puts all of them in their places.
    ///
    /// # Errors
    ///
    /// [`WriteError`] for the first that could not be; those before it stay.
    pub fn place(self) -> Result<(), WriteError> {
        for (path, written) in self.0 {
            let placed = match written {
                Written::Beside(file) => file.persist(&path).map(|_| ()).map_err(|error| error.error),
                Written::Through(octets) => fs::write(&path, octets),
            };
            placed.map_err(|source| WriteError::File { path, source })?;
        }
        Ok(())
    }
}

/// Readable and writable by all, less what the process's mask takes away.
#[cfg(unix)]
fn usual_permissions() -> Option<Permissions> {
    use std::os::unix::fs::PermissionsExt;
    Some(Permissions::from_mode(0o666))
}

#[cfg(not(unix))]
fn usual_permissions() -> Option<Permissions> {
    None
}
