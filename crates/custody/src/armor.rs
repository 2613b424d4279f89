//! One PEM block under a heading of `name: value` lines.
//!
//! RFC 7468 §2 lets text stand before a block, and readers skip it. The heading
//! always holds `sha256`, the digest of the block's octets, so that damage is
//! seen before a passphrase is blamed.

use std::path::{Path, PathBuf};

use aws_lc_rs::digest::{SHA256, digest};
use pem_rfc7468::LineEnding;
use zeroize::Zeroizing;

use crate::{CustodyError, file};

/// What was found in a file.
pub(crate) struct Armored {
    path: PathBuf,
    expected: &'static str,
    pub(crate) label: String,
    heading: String,
    pub(crate) octets: Zeroizing<Vec<u8>>,
    /// Whether a checksum vouches for the block.
    pub(crate) sealed: bool,
}

/// The text of a file: `heading` lines, the checksum, the block.
pub(crate) fn write(label: &str, heading: &str, octets: &[u8]) -> Result<Zeroizing<String>, CustodyError> {
    let block = pem_rfc7468::encode_string(label, LineEnding::LF, octets)
        .map(Zeroizing::new)
        .map_err(|_| CustodyError::Library { doing: "encoding PEM" })?;
    Ok(Zeroizing::new(format!("{heading}sha256: {}\n{}", sum(octets), *block)))
}

/// Reads a file whose block has one of `labels`.
pub(crate) fn read(path: &Path, expected: &'static str, labels: &[&str]) -> Result<Armored, CustodyError> {
    let not_one = |why: &str| CustodyError::NotOne { path: path.to_owned(), expected, why: why.to_owned() };
    let damaged = |why: &str| CustodyError::Damaged { path: path.to_owned(), why: why.to_owned() };
    let content = file::read(path, expected)?;
    let text = std::str::from_utf8(&content).map_err(|_| not_one("it is not text"))?;
    let at = begins(text).ok_or_else(|| {
        let ours = text.lines().any(|line| line.starts_with("sha256: "));
        if ours { damaged("it ends early") } else { not_one("it has no PEM block") }
    })?;
    let (heading, block) = text.split_at(at);
    if !labels.iter().any(|label| block.starts_with(&format!("-----BEGIN {label}-----"))) {
        return Err(not_one(&format!("its PEM block is not a {}", labels.join(" or "))));
    }
    let (label, octets) = pem_rfc7468::decode_vec(block.as_bytes()).map_err(|e| damaged(&e.to_string()))?;
    let octets = Zeroizing::new(octets);
    let found = Armored {
        path: path.to_owned(),
        expected,
        label: label.to_owned(),
        heading: heading.to_owned(),
        sealed: heading.lines().any(|line| line.starts_with("sha256:")),
        octets,
    };
    match found.line("sha256") {
        Some(told) if told != sum(&found.octets) => {
            Err(damaged("its block does not match the checksum in its heading"))
        }
        _ => Ok(found),
    }
}

impl Armored {
    /// The value of a heading line.
    pub(crate) fn line(&self, name: &str) -> Option<&str> {
        self.heading.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(": "))
    }

    pub(crate) fn not_one(&self, why: &str) -> CustodyError {
        CustodyError::NotOne { path: self.path.clone(), expected: self.expected, why: why.to_owned() }
    }

    pub(crate) fn damaged(&self, why: &str) -> CustodyError {
        CustodyError::Damaged { path: self.path.clone(), why: why.to_owned() }
    }

    /// The error for a block that its passphrase did not open.
    pub(crate) fn closed(&self) -> CustodyError {
        match self.sealed {
            true => CustodyError::WrongPassphrase { path: self.path.clone() },
            false => CustodyError::DoesNotOpen { path: self.path.clone() },
        }
    }
}

fn sum(octets: &[u8]) -> String {
    hex::encode(digest(&SHA256, octets))
}

fn begins(text: &str) -> Option<usize> {
    const BEGIN: &str = "-----BEGIN ";
    if text.starts_with(BEGIN) { Some(0) } else { text.find(&format!("\n{BEGIN}")).map(|at| at + 1) }
}
