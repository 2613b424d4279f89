//! What an entry holds while it is not known whether it is an archive.

use std::fs::File;
use std::io::{self, Cursor, Read, Seek, SeekFrom, Write};

use super::digest::digest_of;

/// Octets that are kept in memory; what is larger lies in a file without a name.
const SMALL: usize = 8 << 20;

/// An entry's content. A large one lies on disk until somebody wants all of it, so that archives within archives take
/// no memory, and what expands is never copied from one room to a larger one.
pub(super) enum Content {
    Memory(Vec<u8>),
    Disk(File, u64),
}

/// A content that can be read anywhere.
pub(super) trait Readable: Read + Seek {}
impl<T: Read + Seek> Readable for T {}

impl Content {
    pub(super) fn new() -> Self {
        Self::Memory(Vec::new())
    }

    pub(super) fn len(&self) -> u64 {
        match self {
            Self::Memory(octets) => octets.len() as u64,
            Self::Disk(_, length) => *length,
        }
    }

    /// Adds octets behind those that it has.
    pub(super) fn add(&mut self, more: &[u8]) -> io::Result<()> {
        match self {
            Self::Memory(octets) if octets.len() + more.len() <= SMALL => octets.extend_from_slice(more),
            Self::Memory(octets) => {
                let mut file = tempfile::tempfile()?;
                file.write_all(octets)?;
                file.write_all(more)?;
                *self = Self::Disk(file, (octets.len() + more.len()) as u64);
            }
            Self::Disk(file, length) => {
                file.write_all(more)?;
                *length += more.len() as u64;
            }
        }
        Ok(())
    }

    /// What it begins with.
    pub(super) fn start(&mut self) -> io::Result<Vec<u8>> {
        const START: usize = 512;
        Ok(match self {
            Self::Memory(octets) => octets[..octets.len().min(START)].to_vec(),
            Self::Disk(file, _) => {
                file.rewind()?;
                let mut start = vec![0; START];
                let have = super::fill(file, &mut start)?;
                start.truncate(have);
                start
            }
        })
    }

    /// All of it.
    pub(super) fn into_octets(self) -> io::Result<Vec<u8>> {
        match self {
            Self::Memory(octets) => Ok(octets),
            Self::Disk(mut file, length) => {
                file.rewind()?;
                let mut octets = vec![0; usize::try_from(length).map_err(io::Error::other)?];
                file.read_exact(&mut octets)?;
                Ok(octets)
            }
        }
    }

    /// SHA-256 of all of it.
    pub(super) fn sha256(&mut self) -> io::Result<[u8; 32]> {
        digest_of(&mut self.reader()?)
    }

    /// All of it, to be read from its beginning.
    pub(super) fn reader(&mut self) -> io::Result<Box<dyn Readable + '_>> {
        Ok(match self {
            Self::Memory(octets) => Box::new(Cursor::new(octets)),
            Self::Disk(file, _) => {
                file.seek(SeekFrom::Start(0))?;
                Box::new(super::archive::Window::new(file))
            }
        })
    }
}
