//! Files that hold keys: made once, whole, for their owner alone; read bounded.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::Path;

use tempfile::NamedTempFile;
use zeroize::Zeroizing;

use crate::CustodyError;

/// No key file made here has a quarter of this.
const LARGEST: u64 = 16 * 1024;

/// Makes a file that was not there, mode 0600, on disk when this returns.
///
/// A crash leaves the whole file or none; at most a temporary file beside it,
/// whose name begins with a dot and whose mode is 0600 as well. A link at
/// `path` counts as something that is there, wherever it leads.
pub(crate) fn create(path: &Path, content: &[u8]) -> Result<(), CustodyError> {
    let failed = |source: io::Error| match source.kind() {
        io::ErrorKind::AlreadyExists => CustodyError::Exists { path: path.to_owned() },
        _ => CustodyError::Unwritable { path: path.to_owned(), source },
    };
    if fs::symlink_metadata(path).is_ok() {
        return Err(CustodyError::Exists { path: path.to_owned() });
    }
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let mut file = NamedTempFile::new_in(folder).map_err(failed)?;
    file.write_all(content).map_err(failed)?;
    file.as_file().sync_all().map_err(failed)?;
    // Fails where another process was quicker: the name is taken, not replaced.
    file.persist_noclobber(path).map_err(|e| failed(e.error))?;
    // The name itself must outlive a power cut.
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed)
}

/// The whole file.
pub(crate) fn read(path: &Path, expected: &'static str) -> Result<Zeroizing<Vec<u8>>, CustodyError> {
    let failed = |source: io::Error| match source.kind() {
        io::ErrorKind::NotFound => CustodyError::Missing { path: path.to_owned() },
        _ => CustodyError::Unreadable { path: path.to_owned(), source },
    };
    let not_one = |why: &str| CustodyError::NotOne { path: path.to_owned(), expected, why: why.to_owned() };
    let file = File::open(path).map_err(failed)?;
    if file.metadata().map_err(failed)?.is_dir() {
        return Err(not_one("it is a directory"));
    }
    let mut content = Zeroizing::new(Vec::with_capacity(4096));
    file.take(LARGEST + 1).read_to_end(&mut content).map_err(failed)?;
    if content.len() as u64 > LARGEST {
        return Err(not_one("it is too large"));
    }
    Ok(content)
}

/// Permission bits, where group or others may read or write the file.
#[cfg(unix)]
pub(crate) fn open_to_others(path: &Path) -> Option<u32> {
    use std::os::unix::fs::MetadataExt;
    let mode = fs::metadata(path).ok()?.mode();
    (mode & 0o066 != 0).then_some(mode & 0o7777)
}

#[cfg(not(unix))]
pub(crate) fn open_to_others(_: &Path) -> Option<u32> {
    None
}
