//! DACs between reading and judging: in a temporary file without a name, so that a
//! delivery of any size needs no memory and a crash leaves nothing behind.
//!
//! A record is what storing takes, beside the entry's name, so that a certificate
//! is taken apart once for judging and not again for the book.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::ops::Range;
use std::os::unix::fs::FileExt;

use base::trouble::Trouble;
use standard::certificate::Certificate;
use standard::moment::Moment;

fn disk(source: io::Error) -> Trouble {
    Trouble::temporary(source)
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

/// What storing takes of a certificate, beside its octets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Facts<'a> {
    /// The point of its key; zeroes where that is none of P-256.
    pub(super) public_key: [u8; 65],
    /// Its authorityKeyIdentifier, or nothing.
    pub(super) issuer_key_id: &'a [u8],
    /// Content octets of its serial number.
    pub(super) serial: &'a [u8],
    /// notAfter, as far as it can be read.
    pub(super) not_after: Option<Moment>,
}

impl<'a> Facts<'a> {
    pub(super) fn of(certificate: &'a Certificate) -> Self {
        Self {
            public_key: certificate.public_key().map_or([0; 65], |key| *key.point()),
            issuer_key_id: certificate.authority_key_id().unwrap_or_default(),
            serial: certificate.serial(),
            not_after: certificate.not_after.moment,
        }
    }
}

/// A DAC as it came: lengths of what follows, its key and its notAfter, then its name, its issuer's
/// key identifier, its serial number and all its octets.
#[derive(Debug)]
pub(super) struct Record {
    octets: Vec<u8>,
    name: Range<usize>,
    issuer_key_id: Range<usize>,
    serial: Range<usize>,
}

/// Octets before the name: three lengths of four, the point, seconds since 1970.
const HEAD: usize = 3 * 4 + 65 + 8;
/// notAfter where there is none that can be read.
const UNREAD: i64 = i64::MIN;

impl Record {
    fn write(out: &mut Vec<u8>, name: &str, der: &[u8], facts: Facts<'_>) {
        out.clear();
        for part in [name.as_bytes(), facts.issuer_key_id, facts.serial] {
            // No certificate is read whose parts are longer.
            out.extend_from_slice(&u32::try_from(part.len()).unwrap_or(u32::MAX).to_le_bytes());
        }
        out.extend_from_slice(&facts.public_key);
        out.extend_from_slice(&facts.not_after.map_or(UNREAD, Moment::unix).to_le_bytes());
        for part in [name.as_bytes(), facts.issuer_key_id, facts.serial, der] {
            out.extend_from_slice(part);
        }
    }

    fn read(octets: Vec<u8>) -> Option<Self> {
        let (mut at, mut ranges) = (HEAD, [0..0, 0..0, 0..0]);
        for (range, length) in ranges.iter_mut().zip(octets.get(..HEAD)?.chunks_exact(4)) {
            let end = at + usize::try_from(u32::from_le_bytes(length.try_into().ok()?)).ok()?;
            *range = at..end;
            at = end;
        }
        let [name, issuer_key_id, serial] = ranges;
        (at <= octets.len()).then_some(Self { octets, name, issuer_key_id, serial })
    }

    /// The entry's name.
    pub(super) fn name(&self) -> String {
        String::from_utf8_lossy(&self.octets[self.name.clone()]).into_owned()
    }

    /// The certificate, DER.
    pub(super) fn der(&self) -> &[u8] {
        &self.octets[self.serial.end..]
    }

    /// What storing takes, without taking the certificate apart once more.
    pub(super) fn facts(&self) -> Facts<'_> {
        let (mut public_key, mut seconds) = ([0; 65], [0; 8]);
        public_key.copy_from_slice(&self.octets[12..77]);
        seconds.copy_from_slice(&self.octets[77..HEAD]);
        let seconds = i64::from_le_bytes(seconds);
        Facts {
            public_key,
            issuer_key_id: &self.octets[self.issuer_key_id.clone()],
            serial: &self.octets[self.serial.clone()],
            not_after: (seconds != UNREAD).then(|| Moment::from_unix(seconds)),
        }
    }

    /// The certificate. It was read before, so it can be read again.
    pub(super) fn certificate(&self) -> Result<Certificate, Trouble> {
        Certificate::read(self.der()).map_err(|why| {
            Trouble::surroundings(
                format!("{} changed in the temporary directory during inspection: {why}", self.name()),
                "Check the disk, then try again. Nothing was stored.",
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
    pub(super) fn add(&mut self, name: &str, der: &[u8], facts: Facts<'_>) -> Result<(), Trouble> {
        // A name is bounded by the archives that hold it; what goes beyond is cut for telling.
        let mut end = name.len().min(usize::from(u16::MAX));
        while !name.is_char_boundary(end) {
            end -= 1;
        }
        Record::write(&mut self.record, &name[..end], der, facts);
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
        Record::read(octets).ok_or_else(|| disk(io::ErrorKind::UnexpectedEof.into()))
    }
}

#[cfg(test)]
mod tests {
    use standard::moment::NO_END;

    use super::*;

    #[test]
    fn records_come_back_in_any_order() {
        let mut writer = Writer::new().expect("a temporary file");
        let long = "ü".repeat(40_000);
        let facts = |serial, not_after| Facts { public_key: [7; 65], issuer_key_id: b"issuer", serial, not_after };
        let all = [
            ("a.der", &b"one"[..], facts(b"1", Some(Moment::from_unix(-5)))),
            ("", b"", Facts { issuer_key_id: b"", ..facts(b"", None) }),
            (&long, b"three", facts(b"three", Some(NO_END))),
        ];
        for (name, der, facts) in all {
            writer.add(name, der, facts).expect("room");
        }
        let spool = writer.finish().expect("written");
        assert_eq!(spool.len(), 3);
        let told = |n| spool.get(n).map(|r| (r.name(), r.der().to_vec())).ok();
        assert_eq!(told(2), Some(("ü".repeat(32_767), b"three".to_vec())));
        assert_eq!(told(0), Some(("a.der".into(), b"one".to_vec())));
        assert_eq!(told(1), Some((String::new(), Vec::new())));
        assert_eq!(told(3), None);
        for (number, (.., facts)) in (0..).zip(all) {
            assert_eq!(spool.get(number).expect("a record").facts(), facts, "{number}");
        }
    }
}
