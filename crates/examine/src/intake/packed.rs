//! One stream packed by gzip (RFC 1952), xz or Zstandard (RFC 8878): a tar archive, or a file alone.

use std::cell::Cell;
use std::io::{self, BufRead, BufReader, Cursor, Read};
use std::rc::Rc;

use flate2::bufread::GzDecoder;
use lzma_rust2::XzReader;
use ruzstd::decoding::errors::{FrameDecoderError, ReadFrameHeaderError};
use ruzstd::decoding::{BlockDecodingStrategy, FrameDecoder};

use super::archive::{Each, Password, is_tar, offer, tar};
use super::{Budget, IntakeError, ReadError, fill};

/// Memory that an expansion may ask for, in MiB: `xz -9` takes 65, `zstd --long` 128.
const WINDOW_MIB: u32 = 136;

/// How a stream is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Packing {
    Gzip,
    Xz,
    Zstandard,
}

impl Packing {
    /// By the first octets.
    pub(super) fn of(start: &[u8]) -> Option<Self> {
        match start {
            [0x1F, 0x8B, ..] => Some(Self::Gzip),
            [0xFD, b'7', b'z', b'X', b'Z', 0, ..] => Some(Self::Xz),
            // A frame, or one to be skipped (RFC 8878 §3.1).
            [0x28, 0xB5, 0x2F, 0xFD, ..] | [0x50..=0x5F, 0x2A, 0x4D, 0x18, ..] => Some(Self::Zstandard),
            _ => None,
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::Gzip => "a gzip file",
            Self::Xz => "an xz file",
            Self::Zstandard => "a Zstandard file",
        }
    }

    const fn suffix(self) -> &'static str {
        match self {
            Self::Gzip => ".gz",
            Self::Xz => ".xz",
            Self::Zstandard => ".zst",
        }
    }

    fn reader<'r>(self, packed: impl Read + 'r) -> Box<dyn Read + 'r> {
        match self {
            Self::Gzip => Box::new(Members(Some(GzDecoder::new(BufReader::new(packed))))),
            Self::Xz => Box::new(XzReader::new_mem_limit(BufReader::new(packed), true, WINDOW_MIB << 10)),
            Self::Zstandard => Box::new(Frames::new(BufReader::new(packed))),
        }
    }
}

/// Expands a stream, and offers what is in it.
pub(super) fn expand<R: Read>(
    packing: Packing,
    name: &str,
    reader: R,
    depth: u8,
    budget: &mut Budget,
    password: Password<'_>,
    each: &mut Each<'_>,
) -> Result<(), IntakeError> {
    let passed = Passed::default();
    let mut expanded = packing.reader(Counted { inner: reader, count: Passed::clone(&passed) });
    let mut start = [0; 512];
    let have = fill(&mut expanded, &mut start).map_err(|error| refused(ReadError::Io(error), name, packing.words()))?;
    let whole = Cursor::new(start[..have].to_vec()).chain(expanded);
    let mut watched = Watched { inner: whole, expanded: 0, passed, ratio: budget.limits.ratio };
    if is_tar(&start[..have]) {
        // It is read to the end of its packing, whose check is there.
        return tar(name, &mut watched, depth, budget, password, each);
    }
    let inner = name.strip_suffix(packing.suffix()).unwrap_or(name).to_owned();
    budget.entry(&inner)?;
    let content = budget.read(&inner, &mut watched, None).map_err(|e| refused(e, &inner, packing.words()))?;
    drop(watched);
    offer(&inner, content, depth, budget, password, each)
}

/// Members of gzip, one after the other (RFC 1952, 2.2), with zeros behind them, as tapes have. Anything else behind
/// them is refused: nobody would look at it.
struct Members<R>(Option<GzDecoder<R>>);

impl<R: BufRead> Read for Members<R> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        while let Some(member) = &mut self.0 {
            let count = member.read(into)?;
            if count > 0 || into.is_empty() {
                return Ok(count);
            }
            let Some(mut source) = self.0.take().map(GzDecoder::into_inner) else { break };
            loop {
                let ahead = source.fill_buf()?;
                let zeros = ahead.iter().take_while(|octet| **octet == 0).count();
                match ahead.get(zeros) {
                    None if zeros == 0 => return Ok(0),
                    None => source.consume(zeros),
                    Some(0x1F) => {
                        source.consume(zeros);
                        self.0 = Some(GzDecoder::new(source));
                        break;
                    }
                    Some(_) => return Err(io::Error::other("bytes behind its end are no part of it")),
                }
            }
        }
        Ok(0)
    }
}

/// Frames of Zstandard, one after the other; the library reads one.
struct Frames<R> {
    source: R,
    decoder: FrameDecoder,
    within: bool,
}

impl<R: BufRead> Frames<R> {
    fn new(source: R) -> Self {
        let mut decoder = FrameDecoder::new();
        decoder.set_max_window_size(u64::from(WINDOW_MIB) << 20);
        Self { source, decoder, within: false }
    }

    /// Begins the next frame; false at the end.
    fn begin(&mut self) -> io::Result<bool> {
        while !self.source.fill_buf()?.is_empty() {
            match self.decoder.init(&mut self.source) {
                Ok(()) => {
                    self.within = true;
                    return Ok(true);
                }
                Err(FrameDecoderError::ReadFrameHeaderError(ReadFrameHeaderError::SkipFrame { length, .. })) => {
                    let length = u64::from(length);
                    if io::copy(&mut self.source.by_ref().take(length), &mut io::sink())? < length {
                        return Err(io::ErrorKind::UnexpectedEof.into());
                    }
                }
                Err(error @ FrameDecoderError::WindowSizeTooBig { .. }) => {
                    return Err(io::Error::new(io::ErrorKind::OutOfMemory, error));
                }
                Err(error) => return Err(io::Error::other(error)),
            }
        }
        Ok(false)
    }
}

impl<R: BufRead> Read for Frames<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            if !self.within && !self.begin()? {
                return Ok(0);
            }
            if self.decoder.can_collect() > 0 {
                return self.decoder.read(buffer);
            }
            if self.decoder.is_finished() {
                let told = self.decoder.get_checksum_from_data();
                if told.is_some() && told != self.decoder.get_calculated_checksum() {
                    return Err(io::Error::new(io::ErrorKind::InvalidData, "its checksum is another"));
                }
                self.within = false;
                continue;
            }
            let one = BlockDecodingStrategy::UptoBlocks(1);
            self.decoder.decode_blocks(&mut self.source, one).map_err(io::Error::other)?;
        }
    }
}

type Passed = Rc<Cell<u64>>;

/// Counts octets that pass, so that an expansion can be held against what it was packed in.
struct Counted<R> {
    inner: R,
    count: Passed,
}

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(buffer)?;
        self.count.set(self.count.get() + count as u64);
        Ok(count)
    }
}

/// Stops an expansion that goes far beyond what it was packed in.
struct Watched<R> {
    inner: R,
    expanded: u64,
    passed: Passed,
    ratio: u64,
}

/// Marks the error that [`Watched`] stops with.
const BOMB: &str = "expands far beyond its packed size";

impl<R: Read> Read for Watched<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(buffer)?;
        self.expanded += count as u64;
        let small = self.expanded < 8 << 20;
        if !small && self.expanded / self.passed.get().max(1) > self.ratio {
            return Err(io::Error::other(BOMB));
        }
        Ok(count)
    }
}

/// An expansion that failed, as a bound that was exceeded where it is one.
pub(super) fn refused(error: ReadError, name: &str, kind: &'static str) -> IntakeError {
    let size = |what: String| IntakeError::Size { name: name.to_owned(), what };
    match error {
        ReadError::Io(e) if e.to_string().contains(BOMB) => size(BOMB.into()),
        ReadError::Io(e) if e.kind() == io::ErrorKind::OutOfMemory => {
            size(format!("needs more than {WINDOW_MIB} MiB of memory to be expanded"))
        }
        other => other.named(name, kind),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const XZ: &str = "fd377a585a0000016922de360200210116000000742fe5a30100036f6e650a009fa817f8000118046be9f0a59042990d\
                      010000000001595a";

    fn read(packing: Packing, octets: &[u8]) -> io::Result<Vec<u8>> {
        let mut out = Vec::new();
        packing.reader(octets).read_to_end(&mut out).map(|_| out)
    }

    /// `printf 'one\n' | zstd` and `printf 'two\n' | zstd`, by zstd 1.5; between them a frame to be skipped (RFC 8878 §3.1.2).
    #[test]
    fn frames_follow_one_another_and_are_held_against_their_checksums() {
        let octets = |text: &str| hex::decode(text).expect("hex");
        let (one, two) = (octets("28b52ffd04582100006f6e650adf166809"), octets("28b52ffd045821000074776f0a0f2d04f9"));
        let skipped = octets("512a4d1803000000616263");
        let all = [one.as_slice(), &skipped, &two].concat();
        assert_eq!(read(Packing::Zstandard, &all).expect("two frames"), b"one\ntwo\n");
        for cut in [1, 4, 9, one.len() + 5, one.len() + 10, all.len() - 1] {
            assert!(read(Packing::Zstandard, &all[..cut]).is_err(), "cut at {cut}");
        }
        let mut altered = all.clone();
        altered[10] ^= 1;
        assert!(read(Packing::Zstandard, &altered).expect_err("altered").to_string().contains("checksum"));
        // A window of 256 MiB (RFC 8878 §3.1.1.1.2: exponent 18 over 1 KiB), and nothing in the frame.
        let wide = octets("28b52ffd0090010000");
        assert_eq!(read(Packing::Zstandard, &wide).expect_err("too wide").kind(), io::ErrorKind::OutOfMemory);
    }

    /// `printf 'one\n' | xz --check=crc32` by xz 5.4. A block that asks for a dictionary of 1.5 GiB is the same with
    /// another property octet (the .xz file format, 5.3.1: 37 stands for 3 << 29) and the header's own check made anew.
    #[test]
    fn xz_is_refused_before_it_takes_the_memory_that_it_asks_for() {
        let mut file = hex::decode(XZ).expect("hex");
        assert_eq!(read(Packing::Xz, &file).expect("a file"), b"one\n");
        assert!(read(Packing::Xz, &file[..file.len() - 3]).is_err());
        let dictionary = 12 + 4;
        assert_eq!(file[12..dictionary], [2, 0, 0x21, 1]);
        file[dictionary] = 37;
        let mut crc = flate2::Crc::new();
        crc.update(&file[12..20]);
        file[20..24].copy_from_slice(&crc.sum().to_le_bytes());
        assert_eq!(read(Packing::Xz, &file).expect_err("too much").kind(), io::ErrorKind::OutOfMemory);
    }
}
