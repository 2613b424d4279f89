//! Files that appear whole or not at all, several of them together.

use std::fs::{self, Permissions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use tempfile::NamedTempFile;

use crate::advice::{Advise, Kind};

/// What every file that is not in its place yet begins with.
pub(crate) const PREFIX: &str = ".touchmark-";

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
#[error("{path} can't be written: {source}", path = path.display())]
pub struct WriteError {
    path: PathBuf,
    source: io::Error,
}

impl Advise for WriteError {
    fn kind(&self) -> Kind {
        Kind::Surroundings
    }

    fn advice(&self) -> Option<String> {
        Some("Check the directory, its permissions and the free space, then try again.".into())
    }
}

/// Writes one file, whole or not at all, for whoever the process's own mask allows.
///
/// # Errors
///
/// [`WriteError`]; what was there is as it was.
pub fn put(path: &Path, octets: &[u8]) -> Result<(), WriteError> {
    let mut pending = Pending::default();
    pending.add(path, octets, Readers::Usual)?;
    pending.place()
}

/// Puts one file in its place, whole or not at all, without waiting for the disk: for what is written anew all the time.
///
/// # Errors
///
/// What the file system said; what was there is as it was.
pub(crate) fn replace(path: &Path, octets: &[u8]) -> io::Result<()> {
    let mut file = beside(path, Readers::Usual)?;
    file.write_all(octets)?;
    file.persist(path).map(drop).map_err(|error| error.error)
}

/// How long what a killed process left half done lies before it is taken away.
const LEFT: Duration = Duration::from_secs(86_400);

/// Takes away what processes that were killed a day ago or earlier left in a directory: it has our own prefix, and
/// nobody who still works on it takes so long.
pub(crate) fn sweep(directory: &Path) {
    let Ok(entries) = fs::read_dir(directory) else { return };
    for entry in entries.flatten().filter(|entry| entry.file_name().to_string_lossy().starts_with(PREFIX)) {
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
    /// Writes a file beside its place.
    ///
    /// # Errors
    ///
    /// [`WriteError`]; dropping `self` leaves nothing behind.
    pub fn add(&mut self, path: &Path, octets: &[u8], readers: Readers) -> Result<(), WriteError> {
        let failed = |source| WriteError { path: path.to_owned(), source };
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
            placed.map_err(|source| WriteError { path, source })?;
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
