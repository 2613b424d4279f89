//! Inputs as files, for readers that take a path.

use std::fs::File;
use std::io::{Seek as _, Write as _};
use std::os::fd::AsRawFd as _;
use std::path::{Path, PathBuf};

/// A file without a name that holds an input, and a path that opens it; nothing is left behind, whatever becomes of us.
pub struct Held {
    _file: File,
    path: PathBuf,
}

impl Held {
    pub fn of(octets: &[u8]) -> Self {
        let mut file = tempfile::tempfile().expect("a temporary file");
        file.write_all(octets).expect("room");
        file.rewind().expect("a beginning");
        let path = PathBuf::from(format!("/proc/self/fd/{}", file.as_raw_fd()));
        Self { _file: file, path }
    }

    pub fn path(&self) -> &Path {
        &self.path
    }
}
