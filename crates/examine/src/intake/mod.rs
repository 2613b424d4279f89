//! Opening what others send: files, directories and archives, entry by entry.
//!
//! Everything that comes from outside is untrusted. Nothing is extracted to
//! disk; no name is ever used as a path; sizes, counts, ratios and nesting are
//! bounded before anything is expanded. Covers plain files, directories, ZIP
//! (with password), tar, gzip, xz and Zstandard, nested in one another, all
//! known by their content. What is known and not opened (7z, RAR, bzip2) is named.

mod archive;
mod content;
mod digest;
mod packed;
mod secret;

use std::fs;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use aws_lc_rs::digest::{self as hashes, SHA256};
use base::advice::{Advise, Kind};
use base::course::Stopped;
use walkdir::WalkDir;
use zeroize::Zeroizing;

use content::Content;

pub use archive::is_archive;
pub use digest::digest;
pub use secret::{Secrets, bare_base64, is_secret, secrets, without_keys};

/// Whether a file's name promises a certificate or a key: one that holds none came broken, and is no note.
pub fn promises_key(name: &str) -> bool {
    let extension = std::path::Path::new(name).extension().and_then(|e| e.to_str()).unwrap_or_default();
    ["pem", "der", "crt", "cer", "cert", "pub", "spki", "p7b", "p7c"].iter().any(|e| extension.eq_ignore_ascii_case(e))
}

/// What archives and desktops leave beside the files that matter.
pub fn is_clutter(name: &str) -> bool {
    let file = name.rsplit(['/', '\\']).next().unwrap_or(name);
    file.starts_with("._")
        || matches!(file, ".DS_Store" | "Thumbs.db" | "desktop.ini")
        || name.split(['/', '\\']).any(|part| part == "__MACOSX")
}

/// Bounds on what is opened. The numbers are ours: a reel's delivery is some
/// hundred thousand certificates of 600 octets, a manifest some tens of MiB.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Octets of one entry, expanded.
    pub entry: u64,
    /// Octets of all entries, expanded.
    pub total: u64,
    pub entries: u64,
    /// Expanded octets for each packed one; deflate reaches 1,032 only on a single octet repeated.
    pub ratio: u64,
    pub depth: u8,
}

impl Default for Limits {
    fn default() -> Self {
        Self { entry: 256 << 20, total: 4 << 30, entries: 2_500_000, ratio: 100, depth: 3 }
    }
}

/// One entry: its name as the sender gave it, and its octets.
#[derive(Debug)]
pub struct Entry {
    /// `delivery.zip/dacs/0001.der` without the outermost file's name.
    pub name: String,
    pub octets: Vec<u8>,
    /// The archive that it lies in, by its number in what [`open`] gives, from 1; 0 in the outermost.
    pub within: u32,
}

/// An archive that lay in what was opened, and was opened in turn.
#[derive(Debug)]
pub struct Opened {
    /// Its name as the sender gave it.
    pub name: String,
    /// SHA-256 of the archive itself.
    pub sha256: [u8; 32],
    /// The archive that it lies in, as [`Entry::within`].
    pub within: u32,
}

/// Why a thing from outside was not opened.
#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    /// Not there, no right to it, or the disk failed.
    #[error("{path} can't be read: {source}")]
    Io { path: PathBuf, source: io::Error },
    /// A temporary file could not be written or read.
    #[error("a temporary file for {name} can't be written or read: {source}")]
    Temporary { name: String, source: io::Error },
    /// It begins like an archive and can't be read as one.
    #[error("{name} can't be read as {kind}: {why}")]
    Damaged {
        name: String,
        /// `a ZIP archive`.
        kind: &'static str,
        why: String,
    },
    /// Entries of one name, of which a reader keeps one.
    #[error("{name} has {entries} entries, and {names} names: some names come twice")]
    Doubled { name: String, entries: u64, names: u64 },
    /// Something outside the archive's own structure, which no listing shows.
    #[error("{name} is {kind}, and {} {place} it that belong to no entry", bytes(.octets))]
    Outside {
        name: String,
        /// How much; none where it was not counted.
        octets: Option<u64>,
        /// `behind`, `in front of`.
        place: &'static str,
        /// `a ZIP archive`.
        kind: &'static str,
    },
    /// An archive of a kind that is not opened here.
    #[error("{name} is {kind}, which touchmark does not open")]
    Closed {
        name: String,
        /// `a 7z archive`.
        kind: &'static str,
    },
    /// A name that leads out of the archive.
    #[error("the entry {name:?} {what}")]
    Path {
        /// The entry, as it calls itself.
        name: String,
        /// What is wrong with the name.
        what: &'static str,
    },
    /// A link: what it leads to may lie anywhere.
    #[error("{name} is a link, and links are not followed")]
    Link { name: String },
    /// Larger than anything that belongs here.
    #[error("{name} {what}")]
    Size {
        name: String,
        /// Which bound, with the numbers.
        what: String,
    },
    /// Encrypted, and no password or the wrong one.
    #[error("{name} is protected by a password, and {what}")]
    Password {
        name: String,
        /// `none was given` or `the given password does not open it`.
        what: &'static str,
    },
    /// Whoever took the entries was told to stop.
    #[error(transparent)]
    Stopped(#[from] Stopped),
}

/// `349 bytes are`.
fn bytes(octets: &Option<u64>) -> String {
    match octets {
        Some(1) => "1 byte is".into(),
        Some(octets) => format!("{octets} bytes are"),
        None => "there are bytes".into(),
    }
}

impl IntakeError {
    fn temporary(name: &str, source: io::Error) -> Self {
        Self::Temporary { name: name.to_owned(), source }
    }

    /// The inspection rule that it falls under, where the input could be judged.
    pub fn rule(&self) -> Option<&'static str> {
        match self {
            Self::Path { .. } | Self::Link { .. } => Some("path"),
            Self::Size { .. } => Some("size"),
            Self::Password { .. } => Some("password"),
            Self::Io { .. }
            | Self::Temporary { .. }
            | Self::Damaged { .. }
            | Self::Doubled { .. }
            | Self::Outside { .. }
            | Self::Closed { .. }
            | Self::Stopped(_) => None,
        }
    }
}

impl Advise for IntakeError {
    fn kind(&self) -> Kind {
        match self {
            Self::Path { .. } | Self::Link { .. } | Self::Size { .. } => Kind::Refused,
            Self::Temporary { .. } => Kind::Surroundings,
            Self::Io { .. }
            | Self::Damaged { .. }
            | Self::Doubled { .. }
            | Self::Outside { .. }
            | Self::Closed { .. }
            | Self::Password { .. } => Kind::Usage,
            Self::Stopped(stopped) => stopped.kind(),
        }
    }

    fn advice(&self) -> Option<String> {
        Some(
            match self {
                Self::Io { .. } => "Check the path and its permissions.",
                Self::Temporary { .. } => "Make room on the disk that holds the site, then try again. Nothing was stored.",
                Self::Damaged { .. } => "Download it again; the copy was cut off or changed. Nothing was stored.",
                Self::Doubled { .. } => "Ask the sender for an archive in which each entry has a name of its own, or unpack it and give the directory. Nothing was stored.",
                Self::Outside { .. } => "Look at what it is: a program that unpacks the archive does not show it, and it may be a key. Ask the sender for the archive alone. Nothing was stored.",
                Self::Closed { .. } => "Unpack it and receive the folder, or ask the sender for a ZIP or tar.gz archive. Nothing was stored.",
                Self::Path { .. } => "No honest archive contains such a name. Do not open it with another program; ask the sender. Nothing was stored.",
                Self::Link { .. } => "Put the file itself in its place (`cp --dereference`, `tar --dereference --hard-dereference`, `zip` without `--symlinks`). Nothing was stored.",
                Self::Size { .. } => "Nothing was expanded or stored. Ask the sender what it is; a very large delivery can be sent in parts.",
                Self::Stopped(stopped) => return stopped.advice(),
                Self::Password { .. } => "Give the password with --password-file, or in TOUCHMARK_DELIVERY_PASSWORD. Nothing was stored.",
            }
            .into(),
        )
    }
}

/// What is spent of the limits so far.
struct Budget {
    limits: Limits,
    octets: u64,
    entries: u64,
    opened: Vec<Opened>,
    /// The archive that is being read, as [`Entry::within`].
    within: u32,
}

impl Budget {
    /// Notes that an archive is opened; what is read from now on lies in it. Gives the one around it.
    fn enter(&mut self, name: &str, sha256: [u8; 32]) -> u32 {
        let around = self.within;
        self.opened.push(Opened { name: name.to_owned(), sha256, within: around });
        // Far fewer than entries, which are bounded.
        self.within = u32::try_from(self.opened.len()).unwrap_or(u32::MAX);
        around
    }

    fn entry(&mut self, name: &str) -> Result<(), IntakeError> {
        self.entries += 1;
        if self.entries > self.limits.entries {
            let what = format!("exceeds the limit of {} entries", self.limits.entries);
            return Err(IntakeError::Size { name: name.to_owned(), what });
        }
        Ok(())
    }

    /// Octets that the next entry may still have.
    fn room(&self) -> u64 {
        self.limits.entry.min(self.limits.total.saturating_sub(self.octets))
    }

    fn spend(&mut self, octets: u64) {
        self.octets += octets;
    }

    /// Reads one entry whole, and refuses it as soon as it goes beyond a bound.
    ///
    /// - `packed`: octets that it takes in its archive, where known.
    fn read(&mut self, name: &str, reader: &mut dyn Read, packed: Option<u64>) -> Result<Content, ReadError> {
        let room = self.room();
        let mut content = Content::new();
        let mut chunk = vec![0; 64 << 10];
        loop {
            let count = match reader.read(&mut chunk) {
                Ok(0) => break,
                Ok(count) => count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(ReadError::Io(error)),
            };
            let have = content.len() + count as u64;
            if have > room {
                let what = format!("expands beyond {room} bytes");
                return Err(ReadError::Refused(IntakeError::Size { name: name.to_owned(), what }));
            }
            if let Some(packed) = packed {
                self.ratio(name, have, packed).map_err(ReadError::Refused)?;
            }
            content.add(&chunk[..count]).map_err(|e| ReadError::Refused(IntakeError::temporary(name, e)))?;
        }
        self.spend(content.len());
        Ok(content)
    }

    /// Small entries may be as dense as they like; a large one that is all one octet is an attack.
    fn ratio(&self, name: &str, expanded: u64, packed: u64) -> Result<(), IntakeError> {
        const SMALL: u64 = 8 << 20;
        if expanded > SMALL && expanded / packed.max(1) > self.limits.ratio {
            let what = format!("expands to more than {} times its {packed} bytes", self.limits.ratio);
            return Err(IntakeError::Size { name: name.to_owned(), what });
        }
        Ok(())
    }
}

enum ReadError {
    Io(io::Error),
    Refused(IntakeError),
}

impl ReadError {
    fn named(self, name: &str, kind: &'static str) -> IntakeError {
        match self {
            Self::Refused(error) => error,
            Self::Io(error) => IntakeError::Damaged { name: name.to_owned(), kind, why: error.to_string() },
        }
    }
}

/// Opens `path` and calls `each` for every entry in it, archives opened in turn.
///
/// A directory's entries come in the order of their names; an archive's in
/// its own. Links are not followed and are refused in archives. Gives the
/// archives that were opened on the way, without the outermost.
///
/// # Errors
///
/// [`IntakeError`] at the first thing wrong; the caller has then been given
/// some entries and must not keep them.
pub fn open(
    path: &Path,
    limits: Limits,
    password: Option<&Zeroizing<Vec<u8>>>,
    each: &mut dyn FnMut(Entry) -> Result<(), IntakeError>,
) -> Result<Vec<Opened>, IntakeError> {
    let io = |path: &Path| {
        let path = path.to_owned();
        move |source| IntakeError::Io { path, source }
    };
    let mut budget = Budget { limits, octets: 0, entries: 0, opened: Vec::new(), within: 0 };
    let meta = fs::metadata(path).map_err(io(path))?;
    if meta.is_dir() {
        for found in WalkDir::new(path).sort_by_file_name() {
            let found = found.map_err(|error| {
                let path = error.path().unwrap_or(path).to_owned();
                IntakeError::Io { path, source: error.into() }
            })?;
            let name = found.path().strip_prefix(path).unwrap_or(found.path()).display().to_string();
            // One that was left out in silence would be a chip, or a certificate, that nobody misses.
            if found.path_is_symlink() {
                return Err(IntakeError::Link { name });
            }
            if !found.file_type().is_file() {
                continue;
            }
            budget.entry(&name)?;
            let content = whole(found.path(), &mut budget)?;
            archive::offer(&name, content, 0, &mut budget, password, each)?;
        }
        return Ok(budget.opened);
    }
    let name = path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
    budget.entry(&name)?;
    // The outermost file is not yet an entry: an archive may be larger than any entry in it.
    let mut file = fs::File::open(path).map_err(io(path))?;
    let mut magic = [0; 512];
    let have = fill(&mut file, &mut magic).map_err(io(path))?;
    if archive::is_archive(&magic[..have]) {
        archive::open_file(path, &name, &magic[..have], &mut budget, password, each)?;
    } else {
        let content = whole(path, &mut budget)?;
        let octets = content.into_octets().map_err(|e| IntakeError::temporary(&name, e))?;
        each(Entry { name, octets, within: 0 })?;
    }
    Ok(budget.opened)
}

/// SHA-256 (FIPS 180-4).
pub fn sha256(octets: &[u8]) -> [u8; 32] {
    let mut out = [0; 32];
    out.copy_from_slice(hashes::digest(&SHA256, octets).as_ref());
    out
}

/// Reads until the buffer is full or nothing more comes; how much that is.
pub fn fill(reader: &mut impl Read, buffer: &mut [u8]) -> io::Result<usize> {
    let mut have = 0;
    while have < buffer.len() {
        match reader.read(&mut buffer[have..]) {
            Ok(0) => break,
            Ok(count) => have += count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(have)
}

/// A file's content. It is no larger than its entry may be, and is not copied to another one.
fn whole(path: &Path, budget: &mut Budget) -> Result<Content, IntakeError> {
    let io = |source| IntakeError::Io { path: path.to_owned(), source };
    let file = fs::File::open(path).map_err(io)?;
    let (room, length) = (budget.room(), file.metadata().map_err(io)?.len());
    // With room to see its end; it may grow while it is read.
    let mut octets = Vec::with_capacity(usize::try_from(length.min(room)).unwrap_or(0) + 1);
    file.take(room + 1).read_to_end(&mut octets).map_err(io)?;
    if octets.len() as u64 > room {
        let what = format!("has more than {room} bytes");
        return Err(IntakeError::Size { name: path.display().to_string(), what });
    }
    budget.spend(octets.len() as u64);
    Ok(Content::Memory(octets))
}

impl From<IntakeError> for base::Trouble {
    fn from(error: IntakeError) -> Self {
        Self::of(error)
    }
}

/// Whether an entry of this name is a list of checksums.
pub fn is_checksum_list(name: &str) -> bool {
    let file = name.rsplit(['/', '\\']).next().unwrap_or(name).to_ascii_lowercase();
    let stem = file.strip_suffix(".txt").or_else(|| file.strip_suffix(".csv")).unwrap_or(&file);
    let named = matches!(stem, "sha256sums" | "sha256sum" | "sha256" | "sha-256" | "checksums" | "checksum")
        // Those of other digests, and wrapped ones, are named as lists that can't be read.
        || matches!(stem, "md5sums" | "md5sum" | "sha1sums" | "sha1sum" | "sha512sums" | "sha512sum")
        || file.starts_with("sha256sums.");
    named || [".sha256", ".sha256sum", ".sha256.txt"].iter().any(|ending| file.ends_with(ending))
}
