//! SHA-256 of what came, which tells the same delivery or manifest again.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use aws_lc_rs::digest::{Context as Digest, SHA256};
use base::trouble::Trouble;

/// SHA-256 of a file or of a directory's files, names and contents in order.
///
/// # Errors
///
/// [`Trouble`] where one can't be read.
pub fn digest(path: &Path) -> Result<[u8; 32], Trouble> {
    let mut digest = Digest::new(&SHA256);
    let mut feed = |file: &Path| -> Result<(), Trouble> {
        let read = File::open(file).and_then(|mut from| feed(&mut digest, &mut from));
        read.map_err(|e| Trouble::file(file, e))
    };
    if path.is_dir() {
        for entry in walkdir::WalkDir::new(path).sort_by_file_name().into_iter().flatten() {
            if entry.file_type().is_file() {
                feed(entry.path())?;
            }
        }
    } else {
        feed(path)?;
    }
    Ok(finished(digest))
}

/// SHA-256 of all that comes.
pub(super) fn digest_of(from: &mut dyn Read) -> io::Result<[u8; 32]> {
    let mut digest = Digest::new(&SHA256);
    feed(&mut digest, from)?;
    Ok(finished(digest))
}

fn feed(digest: &mut Digest, from: &mut dyn Read) -> io::Result<()> {
    let mut chunk = vec![0; 1 << 16];
    loop {
        match from.read(&mut chunk)? {
            0 => return Ok(()),
            count => digest.update(&chunk[..count]),
        }
    }
}

fn finished(digest: Digest) -> [u8; 32] {
    let mut out = [0; 32];
    out.copy_from_slice(digest.finish().as_ref());
    out
}
