//! DACs between reading and judging: in a temporary file without a name, so that a
//! delivery of any size needs no memory and a crash leaves nothing behind.
//!
//! A record is what storing takes, beside the entry's name, so that a certificate
//! is taken apart once for judging and not again for the book.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::FileExt;

use standard::certificate::Certificate;

use crate::trouble::Trouble;

fn disk(source: io::Error) -> Trouble {
    Trouble::surroundings(
        format!("the delivery can't be kept while it is inspected: {source}"),
        "Make room for temporary files (TMPDIR), then try again. Nothing was stored.",
    )
}

/// The file, being written.
pub(super) struct Writer {
    file: BufWriter<File>,
    at: u64,
    ends: Vec<u64>,
    record: Vec<u8>,
}

/// The file, written.
#[derive(Debug)]
pub(super) struct Spool {
    file: File,
    /// Where each record ends.
    ends: Vec<u64>,
}

/// A DAC as it came.
#[derive(Debug)]
pub(super) struct Record {
    octets: Vec<u8>,
    name: usize,
}

impl Record {
    /// The entry's name.
    pub(super) fn name(&self) -> String {
        String::from_utf8_lossy(&self.octets[2..self.name]).into_owned()
    }

    /// The certificate, DER.
    pub(super) fn der(&self) -> &[u8] {
        &self.octets[self.name..]
    }

    /// The certificate. It was read before, so it can be read again.
    pub(super) fn certificate(&self) -> Result<Certificate, Trouble> {
        Certificate::read(self.der()).map_err(|why| {
            Trouble::surroundings(
                format!("{} changed in the temporary directory while it was inspected: {why}", self.name()),
                "Look at the disk, then try again. Nothing was stored.",
            )
        })
    }
}

impl Writer {
    pub(super) fn new() -> Result<Self, Trouble> {
        let file = BufWriter::with_capacity(1 << 18, tempfile::tempfile().map_err(disk)?);
        Ok(Self { file, at: 0, ends: Vec::new(), record: Vec::new() })
    }

    /// Adds a DAC: the next record.
    pub(super) fn add(&mut self, name: &str, der: &[u8]) -> Result<(), Trouble> {
        // A name is bounded by the archives that hold it; what goes beyond is cut for telling.
        let mut end = name.len().min(usize::from(u16::MAX));
        while !name.is_char_boundary(end) {
            end -= 1;
        }
        self.record.clear();
        self.record.extend_from_slice(&u16::try_from(end).unwrap_or(u16::MAX).to_le_bytes());
        self.record.extend_from_slice(&name.as_bytes()[..end]);
        self.record.extend_from_slice(der);
        self.file.write_all(&self.record).map_err(disk)?;
        self.at += self.record.len() as u64;
        self.ends.push(self.at);
        Ok(())
    }

    pub(super) fn finish(self) -> Result<Spool, Trouble> {
        let file = self.file.into_inner().map_err(|error| disk(error.into_error()))?;
        Ok(Spool { file, ends: self.ends })
    }
}

impl Spool {
    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    /// The record of this number, from 0. Threads may ask at the same time.
    pub(super) fn get(&self, number: u32) -> Result<Record, Trouble> {
        let number = number as usize;
        let begin = number.checked_sub(1).map_or(Some(0), |before| self.ends.get(before).copied());
        let (Some(begin), Some(end)) = (begin, self.ends.get(number).copied()) else {
            return Err(disk(io::ErrorKind::UnexpectedEof.into()));
        };
        let mut octets = vec![0; usize::try_from(end - begin).unwrap_or(0)];
        self.file.read_exact_at(&mut octets, begin).map_err(disk)?;
        let name = match octets.as_slice() {
            [low, high, ..] => 2 + usize::from(u16::from_le_bytes([*low, *high])),
            _ => return Err(disk(io::ErrorKind::UnexpectedEof.into())),
        };
        if name > octets.len() {
            return Err(disk(io::ErrorKind::UnexpectedEof.into()));
        }
        Ok(Record { octets, name })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn records_come_back_in_any_order() {
        let mut writer = Writer::new().expect("a temporary file");
        let long = "ü".repeat(40_000);
        for (name, der) in [("a.der", &b"one"[..]), ("", b""), (&long, b"three")] {
            writer.add(name, der).expect("room");
        }
        let spool = writer.finish().expect("written");
        assert_eq!(spool.len(), 3);
        let told = |n| spool.get(n).map(|r| (r.name(), r.der().to_vec())).ok();
        assert_eq!(told(2), Some(("ü".repeat(32_767), b"three".to_vec())));
        assert_eq!(told(0), Some(("a.der".into(), b"one".to_vec())));
        assert_eq!(told(1), Some((String::new(), Vec::new())));
        assert_eq!(told(3), None);
    }
}
