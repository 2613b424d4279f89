//! One holder for a chip, by an operating-system lock that dies with its process.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use crate::{ChipError, ChipId};

/// The right to use a chip; let go when dropped or when the process dies.
#[derive(Debug)]
pub(crate) struct Hold {
    file: File,
    path: PathBuf,
}

impl Drop for Hold {
    fn drop(&mut self) {
        // Removed while it is locked: whoever has opened it by now finds out,
        // once the lock is theirs, that it is no longer the file of that name.
        if cfg!(unix) {
            let _ = fs::remove_file(&self.path);
        }
        let _ = self.file.unlock();
    }
}

/// Takes hold of a chip by a lock file in `folder`, which is made if need be.
pub(crate) fn hold(folder: &Path, chip: &ChipId) -> Result<Hold, ChipError> {
    let path = folder.join(chip.as_str());
    let failed = |source| ChipError::File { path: path.clone(), source };
    fs::create_dir_all(folder).map_err(failed)?;
    // Each round lost means that another holder came and went in between.
    for _ in 0..100 {
        let mut options = OpenOptions::new();
        options.write(true).create(true).truncate(false);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let file = options.open(&path).map_err(failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(ChipError::Held { chip: chip.clone() }),
            Err(TryLockError::Error(source)) => return Err(failed(source)),
        }
        if is_of_that_name(&file, &path).map_err(failed)? {
            return Ok(Hold { file, path });
        }
    }
    Err(ChipError::Held { chip: chip.clone() })
}

#[cfg(unix)]
fn is_of_that_name(file: &File, path: &Path) -> io::Result<bool> {
    use std::os::unix::fs::MetadataExt;
    let ours = file.metadata()?;
    match fs::symlink_metadata(path) {
        Ok(named) => Ok((named.dev(), named.ino()) == (ours.dev(), ours.ino())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(error),
    }
}

#[cfg(not(unix))]
fn is_of_that_name(_: &File, _: &Path) -> io::Result<bool> {
    // Lock files are not removed here, so there is only ever one of a name.
    Ok(true)
}

/// Where the locks of this machine's real chips lie: a chip's id is its own all
/// over the world, so one name serves whatever source it is reached through.
pub(crate) fn of_this_machine() -> PathBuf {
    std::env::temp_dir().join("touchmark-held")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU32, Ordering};
    use std::thread;

    /// Many that come and go at once: never two at a time, and none left behind.
    #[test]
    fn one_at_a_time() {
        let folder = tempfile::tempdir().unwrap();
        let chip = ChipId::new("FEED").unwrap();
        let (inside, held) = (AtomicU32::new(0), AtomicU32::new(0));
        thread::scope(|scope| {
            for _ in 0..8 {
                scope.spawn(|| {
                    for _ in 0..500 {
                        match hold(folder.path(), &chip) {
                            Ok(hold) => {
                                assert_eq!(inside.fetch_add(1, Ordering::SeqCst), 0, "two hold it");
                                thread::yield_now();
                                inside.fetch_sub(1, Ordering::SeqCst);
                                held.fetch_add(1, Ordering::SeqCst);
                                drop(hold);
                            }
                            Err(ChipError::Held { .. }) => thread::yield_now(),
                            Err(other) => panic!("{other}"),
                        }
                    }
                });
            }
        });
        assert!(held.load(Ordering::SeqCst) > 100);
        if cfg!(unix) {
            assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
        }
    }
}
