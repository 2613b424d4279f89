//! ZIP, tar and what is packed around a tar, opened in memory or from a file, entry by entry.

use std::fs;
use std::io::{self, Cursor, Read, Seek, SeekFrom};
use std::path::Path;

use zeroize::Zeroizing;
use zip::ZipArchive;
use zip::result::ZipError;

use super::packed::{self, Packing, refused};
use super::{Budget, Content, Entry, IntakeError, ReadError, fill};

pub(super) type Each<'a> = dyn FnMut(Entry) -> Result<(), IntakeError> + 'a;
pub(super) type Password<'a> = Option<&'a Zeroizing<Vec<u8>>>;

const ZIP: &str = "a ZIP archive";
const TAR: &str = "a tar archive";

fn is_zip(start: &[u8]) -> bool {
    start.starts_with(b"PK\x03\x04") || start.starts_with(b"PK\x05\x06") || start.starts_with(b"PK\x07\x08")
}

pub(super) fn is_tar(start: &[u8]) -> bool {
    start.get(257..262).is_some_and(|magic| magic == b"ustar")
}

/// What is recognised so that it is not passed over as a note, and can't be opened here.
fn closed(start: &[u8]) -> Option<&'static str> {
    match start {
        [b'7', b'z', 0xBC, 0xAF, 0x27, 0x1C, ..] => Some("a 7z archive"),
        [b'R', b'a', b'r', b'!', 0x1A, 0x07, ..] => Some("a RAR archive"),
        [b'B', b'Z', b'h', b'1'..=b'9', 0x31, 0x41, 0x59, 0x26, 0x53, 0x59, ..] => Some("a bzip2 file"),
        _ => None,
    }
}

/// Whether a file that begins like this is opened rather than taken as it is.
pub fn is_archive(start: &[u8]) -> bool {
    is_zip(start) || is_tar(start) || Packing::of(start).is_some() || closed(start).is_some()
}

fn refuse_closed(name: &str, start: &[u8]) -> Result<(), IntakeError> {
    closed(start).map_or(Ok(()), |kind| Err(IntakeError::Closed { name: name.to_owned(), kind }))
}

/// Opens an archive that is a file of its own.
pub(super) fn open_file(
    path: &Path,
    name: &str,
    start: &[u8],
    budget: &mut Budget,
    password: Password<'_>,
    each: &mut Each<'_>,
) -> Result<(), IntakeError> {
    refuse_closed(name, start)?;
    let io = |source| IntakeError::Io { path: path.to_owned(), source };
    let file = fs::File::open(path).map_err(io)?;
    unpack(name, start, Window::new(file), 0, budget, password, each)
}

/// Opens an archive by what it begins with.
fn unpack<R: Read + Seek>(
    name: &str,
    start: &[u8],
    reader: R,
    depth: u8,
    budget: &mut Budget,
    password: Password<'_>,
    each: &mut Each<'_>,
) -> Result<(), IntakeError> {
    if is_zip(start) {
        return zip(name, reader, depth, budget, password, each);
    }
    match Packing::of(start) {
        Some(packing) => packed::expand(packing, name, reader, depth, budget, password, each),
        None => tar(name, reader, depth, budget, password, each),
    }
}

/// A file read through a window that seeking does not throw away: a ZIP's reader seeks
/// to each entry's header and then to its data, mostly a few octets on.
pub(super) struct Window<R> {
    inner: R,
    /// Octets of the file, from `begin` on.
    octets: Vec<u8>,
    begin: u64,
    at: u64,
}

/// Octets read at a time.
const WINDOW: usize = 128 << 10;

impl<R: Read + Seek> Window<R> {
    pub(super) fn new(inner: R) -> Self {
        Self { inner, octets: Vec::new(), begin: 0, at: 0 }
    }
}

impl<R: Read + Seek> Read for Window<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let inside = |w: &Self| {
            let from = usize::try_from(w.at.checked_sub(w.begin)?).ok()?;
            (from < w.octets.len()).then_some(from)
        };
        if inside(self).is_none() {
            self.inner.seek(SeekFrom::Start(self.at))?;
            self.octets.resize(WINDOW, 0);
            self.begin = self.at;
            match self.inner.read(&mut self.octets) {
                Ok(count) => self.octets.truncate(count),
                Err(error) => {
                    self.octets.clear();
                    return Err(error);
                }
            }
        }
        let Some(from) = inside(self) else { return Ok(0) };
        let count = buffer.len().min(self.octets.len() - from);
        buffer[..count].copy_from_slice(&self.octets[from..from + count]);
        self.at += count as u64;
        Ok(count)
    }
}

impl<R: Read + Seek> Seek for Window<R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
            SeekFrom::End(_) => Some(self.inner.seek(to)?),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}

/// Gives an entry to the caller, or opens it where it is an archive itself.
pub(super) fn offer(
    name: &str,
    mut content: Content,
    depth: u8,
    budget: &mut Budget,
    password: Password<'_>,
    each: &mut Each<'_>,
) -> Result<(), IntakeError> {
    let disk = |source| IntakeError::temporary(name, source);
    let start = content.start().map_err(disk)?;
    if !is_archive(&start) {
        let octets = content.into_octets().map_err(disk)?;
        return each(Entry { name: name.to_owned(), octets, within: budget.within });
    }
    refuse_closed(name, &start)?;
    let depth = depth + 1;
    if depth > budget.limits.depth {
        let what = format!("is nested more than {} archives deep", budget.limits.depth);
        return Err(IntakeError::Size { name: name.to_owned(), what });
    }
    let around = budget.enter(name, content.sha256().map_err(disk)?);
    unpack(name, &start, content.reader().map_err(disk)?, depth, budget, password, each)?;
    budget.within = around;
    Ok(())
}

/// Refuses names that lead anywhere but below.
fn check_name(name: &str) -> Result<(), IntakeError> {
    let refuse = |what| Err(IntakeError::Path { name: name.chars().take(200).collect(), what });
    let drive = name.as_bytes().get(1) == Some(&b':') && name.as_bytes()[0].is_ascii_alphabetic();
    if name.starts_with('/') || name.starts_with('\\') || drive {
        return refuse("is an absolute path");
    }
    if name.split(['/', '\\']).any(|part| part == "..") {
        return refuse("leads out of the archive");
    }
    if name.contains('\0') {
        return refuse("contains a NUL character");
    }
    Ok(())
}

/// What a ZIP's last record says (APPNOTE 4.3.14 to 4.3.16).
struct End {
    /// Entries of the archive.
    listed: Option<u64>,
    /// Octets behind the record and its comment.
    behind: u64,
}

fn end_of<R: Read + Seek>(reader: &mut R) -> Option<End> {
    /// Octets of the last record and of the longest comment after it.
    const END: u64 = 22 + 65_535;
    let all = reader.seek(SeekFrom::End(0)).ok()?;
    reader.seek(SeekFrom::Start(all.saturating_sub(END))).ok()?;
    let mut tail = Vec::new();
    reader.by_ref().take(END).read_to_end(&mut tail).ok()?;
    let at = memchr::memmem::rfind(&tail, b"PK\x05\x06")?;
    let number = |from: usize| Some(u16::from_le_bytes(tail.get(at + from..at + from + 2)?.try_into().ok()?));
    let (count, comment) = (number(10)?, number(20)?);
    let behind = (tail.len() - at).saturating_sub(22 + usize::from(comment)) as u64;
    let listed = if count == u16::MAX { many(reader, &tail, at) } else { Some(u64::from(count)) };
    Some(End { listed, behind })
}

/// How many entries there are where the last record, at this place of a file's end, has no room for the number.
fn many<R: Read + Seek>(reader: &mut R, tail: &[u8], at: usize) -> Option<u64> {
    // Of more entries another record tells, and where that is stands before the last.
    let locator = at.checked_sub(20).and_then(|from| tail.get(from..at)).filter(|l| l.starts_with(b"PK\x06\x07"))?;
    let place = u64::from_le_bytes(locator.get(8..16)?.try_into().ok()?);
    reader.seek(SeekFrom::Start(place)).ok()?;
    let mut record = [0; 40];
    reader.read_exact(&mut record).ok()?;
    let count = record.get(32..40).filter(|_| record.starts_with(b"PK\x06\x06"))?;
    Some(u64::from_le_bytes(count.try_into().ok()?))
}

fn zip<R: Read + Seek>(
    name: &str,
    mut reader: R,
    depth: u8,
    budget: &mut Budget,
    password: Password<'_>,
    each: &mut Each<'_>,
) -> Result<(), IntakeError> {
    let damaged =
        |why: &dyn std::fmt::Display| IntakeError::Damaged { name: name.to_owned(), kind: ZIP, why: why.to_string() };
    let end = end_of(&mut reader);
    let mut archive = ZipArchive::new(reader).map_err(|e| damaged(&e))?;
    // Its reader keeps one entry of a name, and another may be the one that counts.
    let names = archive.len() as u64;
    if let Some(entries) = end.as_ref().and_then(|end| end.listed).filter(|listed| *listed > names) {
        return Err(IntakeError::Doubled { name: name.to_owned(), entries, names });
    }
    // What its directory does not list, nobody would look at: a key as well as nothing.
    let outside = |octets, place| IntakeError::Outside { name: name.to_owned(), octets, place, kind: ZIP };
    match (archive.offset(), end.map_or(0, |end| end.behind)) {
        (0, 0) => {}
        (0, behind) => return Err(outside(Some(behind), "behind")),
        (before, _) => return Err(outside(Some(before), "in front of")),
    }
    // All names and sizes first: nothing is expanded from an archive that holds a bad one.
    for index in 0..archive.len() {
        let entry = archive.by_index_raw(index).map_err(|e| damaged(&e))?;
        let inner = entry.name().map_err(|e| damaged(&e))?.into_owned();
        check_name(&inner)?;
        if entry.is_symlink() {
            return Err(IntakeError::Link { name: inner });
        }
        if entry.size() > budget.room() {
            let what = format!("claims to expand to {} bytes; the limit is {}", entry.size(), budget.room());
            return Err(IntakeError::Size { name: inner, what });
        }
        budget.ratio(&inner, entry.size(), entry.compressed_size())?;
    }
    for index in 0..archive.len() {
        let raw = archive.by_index_raw(index).map_err(|e| damaged(&e))?;
        let (inner, encrypted, is_dir) =
            (raw.name().map_err(|e| damaged(&e))?.into_owned(), raw.encrypted(), raw.is_dir());
        drop(raw);
        if is_dir {
            continue;
        }
        budget.entry(&inner)?;
        let locked = |what| IntakeError::Password { name: inner.clone(), what };
        let opened = match (encrypted, password) {
            (false, _) => archive.by_index(index),
            (true, None) => return Err(locked("none was given")),
            (true, Some(password)) => archive.by_index_decrypt(index, password),
        };
        let mut entry = match opened {
            Ok(entry) => entry,
            Err(ZipError::InvalidPassword) => return Err(locked("the given password does not open it")),
            Err(error) => return Err(damaged(&format!("{inner}: {error}"))),
        };
        let packed = entry.compressed_size();
        let content = match budget.read(&inner, &mut entry, Some(packed)) {
            Ok(content) => content,
            // With old encryption a wrong password shows only as garbage.
            Err(ReadError::Io(_)) if encrypted => return Err(locked("the given password does not open it")),
            Err(error) => return Err(error.named(&format!("{name}, entry {inner}"), ZIP)),
        };
        drop(entry);
        offer(&inner, content, depth, budget, password, each)?;
    }
    Ok(())
}

pub(super) fn tar<R: Read>(
    name: &str,
    reader: R,
    depth: u8,
    budget: &mut Budget,
    password: Password<'_>,
    each: &mut Each<'_>,
) -> Result<(), IntakeError> {
    let damaged = |e: io::Error| refused(ReadError::Io(e), name, TAR);
    let mut source: Box<dyn Read + '_> = Box::new(reader);
    loop {
        source = one_tar(name, source, depth, budget, password, each)?;
        // Archives are joined by putting them one behind the other; a reader that stops at the first end hides the rest.
        let Some(block) = not_padding(&mut source).map_err(damaged)? else { return Ok(()) };
        if !is_tar(&block) {
            return Err(IntakeError::Outside { name: name.to_owned(), octets: None, place: "behind", kind: TAR });
        }
        source = Box::new(Cursor::new(block).chain(source));
    }
}

/// Octets of a block of a tar.
const BLOCK: usize = 512;

/// The first block that is not zeros alone; none where only zeros come.
fn not_padding(mut source: &mut dyn Read) -> io::Result<Option<Vec<u8>>> {
    loop {
        let mut block = vec![0; BLOCK];
        let have = fill(&mut source, &mut block)?;
        block.truncate(have);
        if have == 0 {
            return Ok(None);
        }
        if block.iter().any(|octet| *octet != 0) {
            return Ok(Some(block));
        }
    }
}

/// Offers what is in a tar as far as its end; gives back what is behind it.
fn one_tar<'r>(
    name: &str,
    reader: Box<dyn Read + 'r>,
    depth: u8,
    budget: &mut Budget,
    password: Password<'_>,
    each: &mut Each<'_>,
) -> Result<Box<dyn Read + 'r>, IntakeError> {
    let damaged = |e: io::Error| refused(ReadError::Io(e), name, TAR);
    let mut archive = tar::Archive::new(reader);
    for entry in archive.entries().map_err(damaged)? {
        let mut entry = entry.map_err(damaged)?;
        let inner = String::from_utf8_lossy(&entry.path_bytes()).into_owned();
        check_name(&inner)?;
        let kind = entry.header().entry_type();
        if kind.is_symlink() || kind.is_hard_link() {
            return Err(IntakeError::Link { name: inner });
        }
        if !kind.is_file() && !kind.is_contiguous() {
            continue;
        }
        budget.entry(&inner)?;
        if entry.size() > budget.room() {
            let what = format!("claims to have {} bytes; the limit is {}", entry.size(), budget.room());
            return Err(IntakeError::Size { name: inner, what });
        }
        let content =
            budget.read(&inner, &mut entry, None).map_err(|e| refused(e, &format!("{name}, entry {inner}"), TAR))?;
        offer(&inner, content, depth, budget, password, each)?;
    }
    Ok(archive.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_reads_as_the_file_does() {
        let file: Vec<u8> = (0..400_000_u32).map(|n| (n % 251) as u8).collect();
        let (mut plain, mut window) = (Cursor::new(file.clone()), Window::new(Cursor::new(file)));
        let moves = [
            SeekFrom::Start(10),
            SeekFrom::Current(100),
            SeekFrom::Current(-60),
            SeekFrom::End(-9),
            SeekFrom::Start(131_070),
            SeekFrom::Current(-131_100 + 40),
            SeekFrom::End(5),
            SeekFrom::Start(0),
        ];
        for to in moves {
            for length in [1, 30, 200_000] {
                let (mut a, mut b) = (vec![0; length], vec![0; length]);
                assert_eq!(plain.seek(to).ok(), window.seek(to).ok(), "{to:?}");
                let read = |from: &mut dyn Read, to: &mut Vec<u8>| {
                    let mut have = 0;
                    while have < to.len() {
                        match from.read(&mut to[have..]) {
                            Ok(0) | Err(_) => break,
                            Ok(count) => have += count,
                        }
                    }
                    have
                };
                assert_eq!((read(&mut plain, &mut a), a), (read(&mut window, &mut b), b), "{to:?} {length}");
            }
        }
        assert!(window.seek(SeekFrom::Current(-1_000_000)).is_err());
    }

    #[test]
    fn names_that_lead_out_are_refused() {
        for name in ["dacs/0001.der", "a b/ü.pem", "..der", "a/..b/c", "PAI.pem"] {
            assert!(check_name(name).is_ok(), "{name}");
        }
        for name in
            ["../evil", "a/../../evil", "/etc/passwd", "\\server\\share", "C:evil", "a\\..\\evil", "..", "a/..", "a\0b"]
        {
            assert!(check_name(name).is_err(), "{name}");
        }
    }
}
