//! What comes in: a place on the disk, or what somebody has in hand already.

use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A file or directory; or the octets of a file that was read, under its name. What is stored after an examination is
/// held, so that it is the very thing that was examined.
#[derive(Debug, Clone)]
pub struct Input {
    pub(crate) path: PathBuf,
    pub(crate) octets: Option<Arc<[u8]>>,
}

impl Input {
    /// Octets in hand.
    pub fn held(name: impl Into<PathBuf>, octets: impl Into<Arc<[u8]>>) -> Self {
        Self { path: name.into(), octets: Some(octets.into()) }
    }

    /// Each of these paths.
    pub fn at<P: Into<PathBuf>>(paths: impl IntoIterator<Item = P>) -> Vec<Self> {
        paths.into_iter().map(|path| Self { path: path.into(), octets: None }).collect()
    }

    /// Where it is, or its name.
    pub fn path(&self) -> &Path {
        &self.path
    }
}
