//! The archive itself: stored entries in a fixed form, and the seal at its end.
//!
//! The archive's comment ends in 128 hex digits: r and s of an ECDSA signature on
//! P-256 with SHA-256 over [`statement`], which names the SHA-256 of every octet
//! before those digits. Headers, comment and order are under it like the files.

use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::Path;

use aws_lc_rs::digest::{Context, SHA256};
use standard::key::{PublicKey, Signer};
use standard::signature::{der_from_raw, lower, raw_from_der};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

use super::told::FileTold;

/// Octets of the seal: 64 in hex.
pub(super) const SEAL: u64 = 128;
/// What the archive's comment begins with.
const WORDS: &str = "touchmark evidence 1 ";

/// What is signed for the whole archive.
///
/// - `body`: SHA-256 of all octets before the seal.
pub(super) fn statement(body: &[u8]) -> String {
    format!("{WORDS}{}", hex::encode(body))
}

/// SHA-256 of the first `octets` of a file.
///
/// - `pass`: asked after each 64 KiB whether to go on; what it returns ends the reading.
pub(super) fn digest_of(file: &mut File, octets: u64, pass: &dyn Fn() -> io::Result<()>) -> io::Result<Vec<u8>> {
    file.rewind()?;
    let mut left = BufReader::with_capacity(1 << 16, file).take(octets);
    let mut context = Context::new(&SHA256);
    let mut buffer = vec![0; 1 << 16];
    loop {
        let read = left.read(&mut buffer)?;
        if read == 0 {
            return Ok(context.finish().as_ref().to_vec());
        }
        context.update(&buffer[..read]);
        pass()?;
    }
}

pub(super) fn sha256(octets: &[u8]) -> String {
    hex::encode(aws_lc_rs::digest::digest(&SHA256, octets))
}

/// Writes a pack's archive.
pub(super) struct Writer<W: Write + Seek> {
    zip: ZipWriter<W>,
    pub(super) files: Vec<FileTold>,
}

impl<W: Write + Seek> Writer<W> {
    pub(super) fn new(out: W) -> Self {
        Self { zip: ZipWriter::new(out), files: Vec::new() }
    }

    /// Adds a file: not compressed, so that what is in it can be looked for with any tool.
    pub(super) fn add(&mut self, name: &str, octets: &[u8]) -> io::Result<()> {
        let options = SimpleFileOptions::default()
            .compression_method(CompressionMethod::Stored)
            .last_modified_time(DateTime::default())
            .unix_permissions(0o644);
        self.zip.start_file(name, options)?;
        self.zip.write_all(octets)?;
        self.files.push(FileTold { name: name.to_owned(), size: octets.len() as u64, sha256: sha256(octets) });
        Ok(())
    }

    /// Ends the archive, with zeros where the seal goes.
    pub(super) fn finish(mut self) -> io::Result<W> {
        self.zip.set_comment(format!("{WORDS}{}", "0".repeat(SEAL as usize)))?;
        Ok(self.zip.finish()?)
    }
}

/// Puts the seal on a finished archive.
///
/// - `pass`: as of [`digest_of`].
pub(super) fn seal(file: &mut File, signer: &dyn Signer, pass: &dyn Fn() -> io::Result<()>) -> io::Result<()> {
    let end = file.metadata()?.len() - SEAL;
    let body = digest_of(file, end, pass)?;
    let signature = signer.sign(statement(&body).as_bytes()).map_err(io::Error::other)?;
    let raw = raw_from_der(&signature)
        .map(|raw| lower(&raw))
        .ok_or_else(|| io::Error::other("the key made no signature on P-256"))?;
    file.seek(SeekFrom::Start(end))?;
    file.write_all(hex::encode(raw).as_bytes())?;
    file.sync_all()
}

/// Whether a file ends in a seal of this key over all that stands before it.
pub(super) fn is_sealed(file: &mut File, key: &PublicKey) -> io::Result<bool> {
    let size = file.metadata()?.len();
    let Some(end) = size.checked_sub(SEAL) else { return Ok(false) };
    let body = digest_of(file, end, &|| Ok(()))?;
    let mut seal = [0; SEAL as usize];
    file.seek(SeekFrom::Start(end))?;
    file.read_exact(&mut seal)?;
    let Some(raw) = hex::decode(seal).ok().and_then(|raw| <[u8; 64]>::try_from(raw).ok()) else { return Ok(false) };
    // Hex has two spellings of a to f, and a signature two of s; the seal has one of each.
    let spelt = hex::encode(raw).as_bytes() == seal && lower(&raw) == raw;
    let signature = der_from_raw(&raw).unwrap_or_default();
    Ok(spelt && key.verifies(statement(&body).as_bytes(), &signature))
}

/// Opens a file in `dir` that has no name yet.
pub(super) fn unnamed(dir: &Path) -> io::Result<BufWriter<tempfile::NamedTempFile>> {
    Ok(BufWriter::with_capacity(1 << 16, tempfile::Builder::new().prefix(".touchmark-").tempfile_in(dir)?))
}
