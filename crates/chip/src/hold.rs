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
    shared(folder).map_err(|source| ChipError::File { path: folder.to_owned(), source })?;
    // Each round lost means that another holder came and went in between.
    for _ in 0..100 {
        let mut options = OpenOptions::new();
        options.write(true).create(true).truncate(false);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::custom_flags(&mut options, NO_LINKS);
        let file = options.open(&path).map_err(failed)?;
        #[cfg(unix)]
        for_the_group(&file).map_err(failed)?;
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

/// Refuses to open what is a link.
#[cfg(unix)]
const NO_LINKS: i32 = rustix::fs::OFlags::NOFOLLOW.bits().cast_signed();

/// A lock file is opened by whoever may use the folder, whatever its maker's mask says.
#[cfg(unix)]
fn for_the_group(file: &File) -> io::Result<()> {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    let ours = file.metadata()?.uid() == rustix::process::geteuid().as_raw();
    if ours { file.set_permissions(fs::Permissions::from_mode(0o660)) } else { Ok(()) }
}

/// Makes the folder of the locks, or makes sure that it is what it should be: a folder of root, of this user or of
/// one of this user's groups, in which nobody else can put a lock in another one's place.
#[cfg(unix)]
fn shared(folder: &Path) -> io::Result<()> {
    use std::os::unix::fs::{DirBuilderExt, MetadataExt, PermissionsExt};
    match fs::DirBuilder::new().mode(0o700).create(folder) {
        // The group's letter goes on to what is made in it.
        Ok(()) => return fs::set_permissions(folder, fs::Permissions::from_mode(0o2770)),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
        Err(error) if error.kind() == io::ErrorKind::NotFound => return fs::create_dir_all(folder),
        Err(error) => return Err(error),
    }
    let found = fs::symlink_metadata(folder)?;
    let user = rustix::process::geteuid().as_raw();
    let own = found.uid() == 0 || found.uid() == user;
    let of_group = || {
        found.gid() == rustix::process::getegid().as_raw()
            || rustix::process::getgroups().is_ok_and(|all| all.iter().any(|g| g.as_raw() == found.gid()))
    };
    let why = if !found.is_dir() {
        "it is not a folder"
    } else if found.mode() & 0o002 != 0 {
        "anybody can write to it"
    } else if own || of_group() {
        return Ok(());
    } else {
        "it belongs to another user"
    };
    Err(io::Error::new(io::ErrorKind::PermissionDenied, format!("the place of the chips' locks can't be used: {why}")))
}

#[cfg(not(unix))]
fn shared(folder: &Path) -> io::Result<()> {
    fs::create_dir_all(folder)
}

/// Where the locks of this machine's real chips lie: a chip's id is its own all over the world, so one name serves
/// whatever source it is reached through. The place depends on the machine alone, never on who asks or on their
/// environment: two users who had a place each would not keep out of each other's chips.
#[cfg(unix)]
pub(crate) fn of_this_machine() -> PathBuf {
    use std::os::unix::fs::MetadataExt;
    let locks = Path::new("/run/lock");
    let everybodys = fs::symlink_metadata(locks).is_ok_and(|m| m.is_dir() && m.mode() & 0o1777 == 0o1777);
    if everybodys { locks.join("touchmark") } else { Path::new("/tmp").join("touchmark-held") }
}

#[cfg(not(unix))]
pub(crate) fn of_this_machine() -> PathBuf {
    std::env::temp_dir().join("touchmark-held")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU32, Ordering};
    use std::thread;

    /// A link in a lock's place, and a folder that anybody can write to.
    #[cfg(unix)]
    #[test]
    fn links_and_open_folders_are_refused() {
        use std::os::unix::fs::PermissionsExt;
        let place = tempfile::tempdir().unwrap();
        let chip = ChipId::new("FEED").unwrap();
        let (held, precious) = (place.path().join("held"), place.path().join("precious"));
        fs::write(&precious, "kept").unwrap();
        drop(hold(&held, &chip).expect("a folder of one's own"));
        assert_eq!(fs::metadata(&held).unwrap().permissions().mode() & 0o7777, 0o2770);
        std::os::unix::fs::symlink(&precious, held.join("FEED")).unwrap();
        assert!(matches!(hold(&held, &chip), Err(ChipError::File { .. })), "a link as a lock");
        assert_eq!(fs::read_to_string(&precious).unwrap(), "kept");
        fs::remove_file(held.join("FEED")).unwrap();
        fs::set_permissions(&held, fs::Permissions::from_mode(0o777)).unwrap();
        assert!(matches!(hold(&held, &chip), Err(ChipError::File { .. })), "anybody's folder");
        fs::set_permissions(&held, fs::Permissions::from_mode(0o2770)).unwrap();
        std::os::unix::fs::symlink(&held, place.path().join("link")).unwrap();
        assert!(matches!(hold(&place.path().join("link"), &chip), Err(ChipError::File { .. })), "a link as the folder");
    }

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
