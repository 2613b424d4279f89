//! The file that a backup is: a tar archive that anybody can open.
//!
//! Its first member, `manifest.json`, says which site and book it is of and lists
//! every other member with its length and SHA-256. `book.sqlite` is the record
//! book as one SQLite file, whatever engine the site uses; `site/…` are the site's
//! own files under the names that they have in its directory. Names are those of
//! POSIX.1-1988 ustar, so that no reader needs an extension; a member of 8 GiB or
//! more has its length in base 256, as GNU tar writes and reads it.

use std::collections::HashSet;
use std::fs::{self, File};
use std::io::{self, BufReader, Read, Write};
use std::path::{Component, Path, PathBuf};

use aws_lc_rs::digest::{Context, SHA256};
use base::course::{Course, Stopped};
use base::trouble::Trouble;
use serde::{Deserialize, Serialize};
use tar::{EntryType, Header};

pub(super) const MANIFEST: &str = "manifest.json";
pub(super) const BOOK: &str = "book.sqlite";
/// What the names of the site's files begin with.
pub(super) const SITE: &str = "site/";
const FORMAT: &str = "touchmark backup 1";
/// Bytes of a manifest: some 150 for each file, so room for more files than a directory holds with ease.
const LARGEST_MANIFEST: u64 = 64 << 20;
/// What a SQLite file begins with (its file format, section 1.2).
const SQLITE: &[u8; 16] = b"SQLite format 3\0";

/// What a backup says of itself.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Manifest {
    pub format: String,
    /// Version of the program that made it.
    pub program: String,
    /// When, RFC 3339 UTC.
    pub made: String,
    pub by: String,
    pub site_id: String,
    pub site_name: String,
    pub book: BookFacts,
    pub site_key: SiteKeyState,
    /// What belongs to the site and is not in the backup.
    pub left_out: Vec<LeftOut>,
    /// Keys and files that the site names and that were not found.
    pub missing: Vec<String>,
    pub files: Vec<FileFacts>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct BookFacts {
    /// Where it was, without a password.
    pub location: String,
    pub entries: u64,
    /// Hash of their tree, in hex.
    pub root: String,
}

/// How the site key lies in a backup.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SiteKeyState {
    /// Wrapped by a passphrase.
    Sealed,
    /// As it is: whoever has the backup has every passcode.
    Open,
    /// It was not there.
    Missing,
}

/// Something of the site that a backup does not hold.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// What: a path, or a token's key.
    pub what: String,
    /// Why, and what to do instead.
    pub why: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FileFacts {
    pub name: String,
    pub octets: u64,
    pub sha256: String,
}

/// Where a member's bytes come from.
pub(super) enum Content {
    File(PathBuf),
    /// A text made for the backup.
    Text(zeroize::Zeroizing<Vec<u8>>),
}

impl Content {
    fn open(&self) -> io::Result<Box<dyn Read + '_>> {
        Ok(match self {
            Self::File(path) => Box::new(BufReader::with_capacity(1 << 16, File::open(path)?)),
            Self::Text(text) => Box::new(text.as_slice()),
        })
    }
}

impl Manifest {
    pub(super) fn format() -> String {
        FORMAT.to_owned()
    }

    /// Whether what it lists can be put under a directory without leaving it, each once.
    fn is_sane(&self) -> bool {
        let mut seen = HashSet::new();
        let plain =
            |name: &str| !name.is_empty() && Path::new(name).components().all(|c| matches!(c, Component::Normal(_)));
        self.format == FORMAT
            && self.files.iter().all(|f| {
                let fine = f.name == BOOK || f.name.strip_prefix(SITE).is_some_and(plain);
                fine && !f.name.contains(['\0', '\\']) && seen.insert(f.name.as_str())
            })
            && seen.contains(BOOK)
    }
}

/// Reads, counts and digests; stops where the course is stopped.
struct Counted<'c, R> {
    inner: R,
    course: &'c Course,
    context: Context,
    octets: u64,
}

impl<'c, R: Read> Counted<'c, R> {
    fn new(inner: R, course: &'c Course) -> Self {
        Self { inner, course, context: Context::new(&SHA256), octets: 0 }
    }

    fn told(self) -> (u64, String) {
        (self.octets, hex::encode(self.context.finish().as_ref()))
    }
}

impl<R: Read> Read for Counted<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.course.go_on().map_err(io::Error::other)?;
        let read = self.inner.read(buffer)?;
        self.context.update(&buffer[..read]);
        self.octets += read as u64;
        Ok(read)
    }
}

/// A failure of reading or writing `path`; a stop comes through as that.
pub(super) fn failed(path: &Path) -> impl Fn(io::Error) -> Trouble + '_ {
    move |e| match e.downcast::<Stopped>() {
        Ok(stopped) => stopped.into(),
        Err(e) => Trouble::file(path, e),
    }
}

/// Length and digest of what a member will hold; `None` where its name is too long for the archive.
pub(super) fn facts(name: &str, content: &Content, course: &Course) -> io::Result<Option<FileFacts>> {
    if Header::new_ustar().set_path(name).is_err() {
        return Ok(None);
    }
    let mut reader = Counted::new(content.open()?, course);
    io::copy(&mut reader, &mut io::sink())?;
    let (octets, sha256) = reader.told();
    Ok(Some(FileFacts { name: name.to_owned(), octets, sha256 }))
}

/// Writes the archive: the manifest, then what it lists, in its order.
pub(super) fn write(
    out: &mut dyn Write,
    to: &Path,
    manifest: &Manifest,
    contents: &[Content],
    at: i64,
    course: &Course,
) -> Result<(), Trouble> {
    let mut tar = tar::Builder::new(out);
    let header = |name: &str, octets: u64| -> io::Result<Header> {
        let mut header = Header::new_ustar();
        header.set_path(name)?;
        header.set_size(octets);
        header.set_mode(0o600);
        header.set_mtime(u64::try_from(at).unwrap_or(0));
        header.set_entry_type(EntryType::Regular);
        header.set_cksum();
        Ok(header)
    };
    let mut text = serde_json::to_vec_pretty(manifest)
        .map_err(|e| Trouble::surroundings(format!("The manifest can't be written: {e}."), "Report this."))?;
    text.push(b'\n');
    header(MANIFEST, text.len() as u64).and_then(|header| tar.append(&header, text.as_slice())).map_err(failed(to))?;
    for (facts, content) in manifest.files.iter().zip(contents) {
        let source = match content {
            Content::File(path) => path.as_path(),
            Content::Text(_) => to,
        };
        let reader = content.open().map_err(failed(source))?;
        // Never more than the header says; what grew meanwhile shows in the digest.
        let mut reader = Counted::new(reader.take(facts.octets), course);
        header(&facts.name, facts.octets).and_then(|header| tar.append(&header, &mut reader)).map_err(failed(to))?;
        if reader.told() != (facts.octets, facts.sha256.clone()) {
            return Err(Trouble::surroundings(
                format!("{} changed while it was being backed up.", source.display()),
                "Run the backup again; no file was written.",
            ));
        }
    }
    tar.finish().map_err(failed(to))
}

/// What a file offered as a backup is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// The whole site.
    Site,
    /// A book alone, as earlier versions made it.
    BookAlone,
}

/// Looks at the beginning of a file.
pub(super) fn form(path: &Path) -> Result<Form, Trouble> {
    let mut start = Vec::with_capacity(512);
    let file = File::open(path).map_err(|e| Trouble::file(path, e))?;
    file.take(512).read_to_end(&mut start).map_err(|e| Trouble::file(path, e))?;
    if start.starts_with(SQLITE) {
        Ok(Form::BookAlone)
    } else if start.starts_with(MANIFEST.as_bytes()) && start.get(257..262).is_some_and(|m| m == b"ustar") {
        Ok(Form::Site)
    } else {
        Err(Trouble::usage(
            format!("{} is not a backup of this program.", path.display()),
            "Give a file that `touchmark book backup --out FILE` wrote.",
        ))
    }
}

fn damaged(path: &Path, what: &str) -> Trouble {
    Trouble::refused(
        format!("The backup {} is damaged: {what}.", path.display()),
        "Nothing was restored. Copy the file again from where it is kept, or take another backup.",
    )
}

type Members = tar::Archive<BufReader<File>>;

fn open(path: &Path) -> Result<Members, Trouble> {
    let file = File::open(path).map_err(|e| Trouble::file(path, e))?;
    Ok(tar::Archive::new(BufReader::with_capacity(1 << 16, file)))
}

/// Reads the manifest alone.
pub(super) fn manifest(path: &Path) -> Result<Manifest, Trouble> {
    let mut archive = open(path)?;
    let unreadable = |e: io::Error| damaged(path, &format!("its beginning can't be read ({e})"));
    // Raw: no member may make another one's name, however long.
    let first = archive.entries().map_err(unreadable)?.raw(true).next();
    let first = first.ok_or_else(|| damaged(path, "it holds nothing"))?.map_err(unreadable)?;
    if first.path_bytes().as_ref() != MANIFEST.as_bytes() || first.size() > LARGEST_MANIFEST {
        return Err(damaged(path, "it does not begin with a manifest"));
    }
    let size = first.size();
    let mut text = Vec::new();
    first.take(LARGEST_MANIFEST).read_to_end(&mut text).map_err(unreadable)?;
    if text.len() as u64 != size {
        return Err(damaged(path, "it ends early"));
    }
    let said: serde_json::Value =
        serde_json::from_slice(&text).map_err(|_| damaged(path, "its manifest is not JSON"))?;
    if said["format"].as_str().is_some_and(|f| f != FORMAT && f.starts_with("touchmark backup ")) {
        return Err(Trouble::usage(
            format!("{} was made by a later version of this program.", path.display()),
            "Restore it with that version, or a later one.",
        ));
    }
    let manifest: Manifest =
        serde_json::from_value(said).map_err(|_| damaged(path, "its manifest does not say what it must"))?;
    if manifest.is_sane() { Ok(manifest) } else { Err(damaged(path, "its manifest lists what no backup holds")) }
}

/// Puts every member into `folder`, readable for its owner alone, and holds each against the manifest.
pub(super) fn extract(path: &Path, manifest: &Manifest, folder: &Path, course: &Course) -> Result<(), Trouble> {
    let mut archive = open(path)?;
    let broken = |e: io::Error| match e.downcast::<Stopped>() {
        Ok(stopped) => Trouble::from(stopped),
        Err(e) => damaged(path, &format!("it can't be read to its end ({e})")),
    };
    let mut entries = archive.entries().map_err(broken)?.raw(true).skip(1);
    for facts in &manifest.files {
        let entry = entries.next().ok_or_else(|| damaged(path, "it ends early"))?.map_err(broken)?;
        let regular = entry.header().entry_type() == EntryType::Regular;
        if !regular || entry.path_bytes().as_ref() != facts.name.as_bytes() || entry.size() != facts.octets {
            return Err(damaged(path, &format!("{} is not where its manifest says", facts.name)));
        }
        let target = folder.join(&facts.name);
        if let Some(parent) = target.parent() {
            private_folder(parent)?;
        }
        let mut out = private_file(&target).map_err(|e| Trouble::file(&target, e))?;
        let mut reader = Counted::new(entry, course);
        let mut buffer = zeroize::Zeroizing::new(vec![0; 1 << 16]);
        loop {
            let read = reader.read(&mut buffer).map_err(broken)?;
            if read == 0 {
                break;
            }
            out.write_all(&buffer[..read]).map_err(|e| Trouble::file(&target, e))?;
        }
        out.sync_all().map_err(|e| Trouble::file(&target, e))?;
        if reader.told() != (facts.octets, facts.sha256.clone()) {
            return Err(damaged(path, &format!("{} is not as its manifest says", facts.name)));
        }
    }
    match entries.next() {
        None => Ok(()),
        Some(_) => Err(damaged(path, "it holds more than its manifest says")),
    }
}

fn private_file(path: &Path) -> io::Result<File> {
    let mut options = fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

/// Makes a folder and those above it where they are missing, for their owner alone.
pub(super) fn private_folder(path: &Path) -> Result<(), Trouble> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(path).map_err(|e| Trouble::file(path, e))
}
