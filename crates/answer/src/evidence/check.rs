//! Checking a pack with nothing but its key.
//!
//! The file is untrusted: nothing is extracted, nothing is expanded (entries are
//! stored; a compressed one is not one of ours), and sizes are bounded by the
//! file's own before anything is read.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::fs::{self, File};
use std::io::{self, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use base::trouble::Trouble;
use serde::Serialize;
use standard::detect::{Item, detect};
use standard::key::PublicKey;
use zip::{CompressionMethod, ZipArchive};

use super::inner::{self, Faults, MANIFEST, MANIFEST_SIGNATURE};
use super::pack::{SEAL, Writer, is_sealed, sha256};
use super::told::Manifest;

/// Files in a pack: four a unit and some.
const MOST_FILES: usize = 1_500_000;
/// Octets of one file of a pack; the page of a full pack has some 100 MiB.
const MOST_OCTETS: u64 = 512 << 20;
/// Faults told one by one.
const TOLD: usize = 200;

/// A part of a pack that is not as it was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Altered {
    /// The file in the pack; `(archive)` for what belongs to none.
    pub file: String,
    /// What is wrong with it.
    pub what: String,
}

/// What checking said.
#[derive(Debug, Serialize)]
pub struct Checked {
    /// `whole` or `altered`.
    pub verdict: &'static str,
    /// The site's name and id, as the pack says.
    pub site: Option<String>,
    /// When it was made.
    pub made: Option<String>,
    pub what: Option<String>,
    /// Whether units of test products are in it.
    pub test: Option<bool>,
    pub units: u64,
    /// Units whose proof holds.
    pub proven: u64,
    /// Entries in the log that its head covers.
    pub entries: Option<u64>,
    /// Hash of that log.
    pub root: Option<String>,
    /// When the head was signed.
    pub signed: Option<String>,
    /// Roots that chains end at, by key identifier, with how many units each. Whether
    /// to trust one is the reader's to say.
    pub roots: BTreeMap<String, u64>,
    /// What is not as it was made; the first two hundred.
    pub altered: Vec<Altered>,
}

fn key(path: &Path) -> Result<PublicKey, Trouble> {
    let octets = fs::read(path).map_err(|e| Trouble::file(path, e))?;
    let none = || {
        Trouble::usage(
            format!("{} contains no public key", path.display()),
            "Give the site's public key: the file that was made beside the pack, or keys/log.pem of the site.",
        )
    };
    match detect(&octets).map_err(|_| none())?.into_iter().next() {
        Some(Item::PublicKey(key)) => Ok(*key),
        Some(Item::Certificate(c)) => c.public_key().copied().ok_or_else(none),
        _ => Err(none()),
    }
}

/// One file of the archive, as its directory has it.
struct Listed {
    name: String,
    size: u64,
    header: u64,
    data: u64,
}

type Archive = ZipArchive<BufReader<File>>;

fn list(archive: &mut Archive, octets: u64, faults: &mut Faults) -> Vec<Listed> {
    let mut out = Vec::new();
    let mut seen = BTreeSet::new();
    let mut total = 0u64;
    for index in 0..archive.len().min(MOST_FILES) {
        let mut fault = |name: &str, why: String| faults.push((name.to_owned(), why));
        let file = match archive.by_index_raw(index) {
            Ok(file) => file,
            Err(e) => {
                fault("(archive)", format!("file {} of its directory can't be read: {e}", index + 1));
                continue;
            }
        };
        let name = file.name().map(|n| n.into_owned()).unwrap_or_else(|_| "(archive)".into());
        let (size, header) = (file.size(), file.header_start());
        if file.compression() != CompressionMethod::Stored || file.encrypted() || file.compressed_size() != size {
            fault(&name, "it is compressed or encrypted, which no file of a pack is".into());
            continue;
        }
        total = total.saturating_add(size);
        if size > MOST_OCTETS || total > octets {
            fault(&name, format!("it claims {size} bytes, more than the archive has"));
            continue;
        }
        let Some(data) = file.data_start() else {
            fault(&name, "its header can't be read".into());
            continue;
        };
        if !seen.insert(name.clone()) {
            fault(&name, "it appears twice".into());
            continue;
        }
        out.push(Listed { name, size, header, data });
    }
    if archive.len() > MOST_FILES {
        faults.push(("(archive)".into(), format!("it has more than {MOST_FILES} files")));
    }
    out
}

/// Files read on demand, straight from where the directory says they are.
struct Files<'a> {
    file: std::cell::RefCell<&'a mut File>,
    at: HashMap<&'a str, (u64, u64)>,
}

impl Files<'_> {
    fn read(&self, name: &str) -> Option<Vec<u8>> {
        let (start, size) = *self.at.get(name)?;
        let mut file = self.file.borrow_mut();
        file.seek(SeekFrom::Start(start)).ok()?;
        let mut out = Vec::with_capacity(usize::try_from(size).ok()?);
        Read::take(&mut **file, size).read_to_end(&mut out).ok()?;
        (out.len() as u64 == size).then_some(out)
    }
}

/// Files against the manifest: altered, missing, added.
fn digests(files: &Files<'_>, manifest: &Manifest, faults: &mut Faults) {
    let mut wanted = BTreeSet::from([MANIFEST, MANIFEST_SIGNATURE]);
    for told in &manifest.files {
        wanted.insert(&told.name);
        match files.read(&told.name) {
            None => faults.push((told.name.clone(), "it is missing, or cut short".into())),
            Some(octets) if octets.len() as u64 != told.size || sha256(&octets) != told.sha256 => {
                faults.push((told.name.clone(), "its contents differ from the manifest".into()));
            }
            Some(_) => {}
        }
    }
    let mut added: Vec<_> = files.at.keys().filter(|name| !wanted.contains(**name)).collect();
    added.sort_unstable();
    faults.extend(
        added.into_iter().map(|name| ((*name).to_owned(), "it was added: the manifest has no such file".into())),
    );
}

/// Where the archive itself differs from what its files make: headers, order, directory, comment.
fn structure(files: &Files<'_>, listed: &[Listed], manifest: &Manifest, octets: u64) -> io::Result<(String, String)> {
    let mut again = Writer::new(io::BufWriter::new(tempfile::tempfile()?));
    let names = manifest.files.iter().map(|f| f.name.as_str()).chain([MANIFEST, MANIFEST_SIGNATURE]);
    for name in names {
        again.add(name, &files.read(name).unwrap_or_default())?;
    }
    let mut again = again.finish()?.into_inner().map_err(io::IntoInnerError::into_error)?;
    let made = again.metadata()?.len();
    again.rewind()?;
    let mut file = files.file.borrow_mut();
    file.rewind()?;
    let (mut left, mut right) = (BufReader::new(&mut **file), BufReader::new(again));
    let body = octets.min(made).saturating_sub(SEAL);
    let mut at = 0;
    while at < body {
        let mut pair = [[0; 1 << 12]; 2];
        let wanted = usize::try_from((body - at).min(1 << 12)).unwrap_or(1);
        left.read_exact(&mut pair[0][..wanted])?;
        right.read_exact(&mut pair[1][..wanted])?;
        if let Some(differs) = (0..wanted).find(|n| pair[0][*n] != pair[1][*n]) {
            at += differs as u64;
            let inside = listed.iter().find(|l| (l.header..l.data + l.size).contains(&at));
            return Ok(match inside {
                Some(l) => (l.name.clone(), format!("byte {at} of the archive, in this file's header, was altered")),
                None => ("(archive)".into(), format!("byte {at}, in the archive's directory of files, was altered")),
            });
        }
        at += wanted as u64;
    }
    if octets != made {
        return Ok(("(archive)".into(), format!("it has {octets} bytes, but its files add up to {made}")));
    }
    Ok((
        "(archive)".into(),
        "the seal at its end does not match the key: the pack was altered, or the key is another site's".into(),
    ))
}

/// All that a pack says, held against itself and the key.
fn contents(files: &Files<'_>, manifest: &Manifest, key: &PublicKey, out: &mut Checked, faults: &mut Faults) {
    let read = |name: &str| files.read(name).unwrap_or_default();
    let Some((head, root)) = inner::heads(&read("head.json"), &read("heads.json"), &manifest.site_id, key, faults)
    else {
        return;
    };
    (out.entries, out.root, out.signed) = (Some(head.entries), Some(head.root.clone()), Some(head.at.clone()));
    inner::log("log.json", &read("log.json"), head.entries, &root, faults);
    let units = manifest.files.iter().filter_map(|f| f.name.strip_prefix("units/")?.strip_suffix("/record.json"));
    for unit in units {
        out.units += 1;
        let name = format!("units/{unit}/log.json");
        let Some(log) = inner::log(&name, &read(&name), head.entries, &root, faults) else { continue };
        let home = format!("units/{unit}/");
        for file in manifest.files.iter().filter(|f| f.name.starts_with(&home)) {
            let Some(met) = file.name.strip_prefix(&home).filter(|name| name.starts_with("meeting-")) else { continue };
            if let Err(why) = inner::meeting(unit, met, &read(&file.name), &log, &|name| files.read(name)) {
                faults.push((file.name.clone(), why));
            }
        }
        let name = format!("units/{unit}/proof.json");
        let Some(octets) = files.read(&name) else { continue };
        match inner::proof(unit, &octets, &log, &|name| files.read(name), &mut out.roots) {
            Ok(()) => out.proven += 1,
            Err(why) => faults.push((name, why)),
        }
    }
    if out.units != manifest.units {
        faults.push((MANIFEST.into(), format!("it lists {} units, but {} are present", manifest.units, out.units)));
    }
}

fn look(file: &mut File, key: &PublicKey, out: &mut Checked, faults: &mut Faults) -> io::Result<()> {
    let octets = file.metadata()?.len();
    let sealed = is_sealed(file, key)?;
    file.rewind()?;
    let mut archive = match ZipArchive::new(BufReader::new(file.try_clone()?)) {
        Ok(archive) => archive,
        Err(e) => {
            faults.push(("(archive)".into(), format!("its directory of files can't be read: {e}")));
            return Ok(());
        }
    };
    let listed = list(&mut archive, octets, faults);
    drop(archive);
    let at = listed.iter().map(|l| (l.name.as_str(), (l.data, l.size))).collect();
    let files = Files { file: std::cell::RefCell::new(file), at };
    let read = |name: &str| files.read(name).unwrap_or_default();
    let Some(manifest) = inner::manifest(&read(MANIFEST), &read(MANIFEST_SIGNATURE), key) else {
        let why = "it or its signature manifest.sig was altered, or the key is another site's";
        faults.push((MANIFEST.into(), why.into()));
        return Ok(());
    };
    out.site = Some(format!("{} ({})", manifest.site, manifest.site_id));
    (out.made, out.what, out.test) = (Some(manifest.made.clone()), Some(manifest.what.clone()), Some(manifest.test));
    digests(&files, &manifest, faults);
    if faults.is_empty() && !sealed {
        faults.push(structure(&files, &listed, &manifest, octets)?);
    }
    if faults.is_empty() {
        contents(&files, &manifest, key, out, faults);
    }
    Ok(())
}

/// Checks a pack. Needs no site.
///
/// # Errors
///
/// [`Trouble`] where the file or the key can't be read at all; a pack that is not
/// whole is an answer that names what was altered.
pub fn check(pack: &Path, key_file: &Path) -> Result<Checked, Trouble> {
    let key = key(key_file)?;
    let mut file = File::open(pack).map_err(|e| Trouble::file(pack, e))?;
    if !file.metadata().map_err(|e| Trouble::file(pack, e))?.is_file() {
        return Err(Trouble::usage(format!("{} is not a file", pack.display()), "Give the pack's ZIP file."));
    }
    let mut out = Checked {
        verdict: "altered",
        site: None,
        made: None,
        what: None,
        test: None,
        units: 0,
        proven: 0,
        entries: None,
        root: None,
        signed: None,
        roots: BTreeMap::new(),
        altered: Vec::new(),
    };
    let mut faults = Faults::new();
    look(&mut file, &key, &mut out, &mut faults).map_err(|e| Trouble::file(pack, e))?;
    if faults.is_empty() {
        out.verdict = "whole";
    }
    out.altered = faults.into_iter().take(TOLD).map(|(file, what)| Altered { file, what }).collect();
    Ok(out)
}
