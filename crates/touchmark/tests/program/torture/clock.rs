//! A clock that jumps, for the stations alone: libfaketime (Debian: faketime).

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

/// Where the hands are set.
pub struct Clock {
    library: PathBuf,
    hands: PathBuf,
}

impl Clock {
    /// `None`, with a notice, where the library is not installed (never in CI).
    pub fn new(folder: &Path) -> Option<Self> {
        let places =
            ["/usr/lib/x86_64-linux-gnu", "/usr/lib/aarch64-linux-gnu", "/usr/lib64", "/usr/lib", "/usr/local/lib"];
        let library = places.iter().map(|place| Path::new(place).join("faketime/libfaketimeMT.so.1"));
        let Some(library) = library.into_iter().find(|file| file.exists()) else {
            assert_ne!(std::env::var("CI").as_deref(), Ok("true"), "CI must have libfaketime (Debian: faketime)");
            eprintln!("SKIPPED: no jumping clocks, for libfaketime is not installed (Debian: faketime)");
            return None;
        };
        let clock = Self { library, hands: folder.join("hands") };
        clock.set("+0");
        Some(clock)
    }

    /// Sets it apart from the true time, as `-3d` or `+2h`; stations that run see it at once.
    pub fn set(&self, apart: &str) {
        let new = self.hands.with_extension("new");
        fs::write(&new, format!("{apart}\n")).expect("hands");
        fs::rename(&new, &self.hands).expect("hands");
    }

    /// What a station finds in its environment.
    pub fn environment(&self) -> Vec<(&'static str, OsString)> {
        vec![
            ("LD_PRELOAD", self.library.clone().into()),
            ("FAKETIME_TIMESTAMP_FILE", self.hands.clone().into()),
            ("FAKETIME_NO_CACHE", "1".into()),
            // How long things take stays true: only the calendar jumps.
            ("FAKETIME_DONT_FAKE_MONOTONIC", "1".into()),
        ]
    }
}

/// What the library of a process that was killed leaves in shared memory is named after its id.
impl Drop for Clock {
    fn drop(&mut self) {
        for left in fs::read_dir("/dev/shm").into_iter().flatten().flatten() {
            let name = left.file_name().to_string_lossy().into_owned();
            let id = name.strip_prefix("faketime_shm_").or_else(|| name.strip_prefix("sem.faketime_sem_"));
            if id.is_some_and(|id| !Path::new("/proc").join(id).exists()) {
                let _ = fs::remove_file(left.path());
            }
        }
    }
}
