//! One holder for a chip, by an operating-system lock that dies with its process.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

use crate::{ChipError, ChipId};

/// The right to use a chip; let go when dropped or when the process dies.
#[derive(Debug)]
pub(crate) struct Hold(File);

impl Drop for Hold {
    fn drop(&mut self) {
        // Closing would do; this says so, and does it now.
        let _ = self.0.unlock();
    }
}

/// Takes hold of a chip by a lock file in `folder`, which is made if need be.
pub(crate) fn hold(folder: &Path, chip: &ChipId) -> Result<Hold, ChipError> {
    let path = folder.join(chip.as_str());
    let failed = |source| ChipError::File { path: path.clone(), source };
    fs::create_dir_all(folder).map_err(failed)?;
    // The lock files stay: removing one could let two processes lock two files of one name.
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let file = options.open(&path).map_err(failed)?;
    match file.try_lock() {
        Ok(()) => Ok(Hold(file)),
        Err(TryLockError::WouldBlock) => Err(ChipError::Held { chip: chip.clone() }),
        Err(TryLockError::Error(source)) => Err(failed(source)),
    }
}

/// Where the locks of this machine's real chips lie: a chip's id is its own all
/// over the world, so one name serves whatever source it is reached through.
pub(crate) fn of_this_machine() -> PathBuf {
    std::env::temp_dir().join("touchmark-held")
}
