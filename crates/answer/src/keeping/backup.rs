//! A backup: one file of the whole site, made while stations run.

use std::fs::{self, File};
use std::io::{BufWriter, Write as _};
use std::path::Path;

use base::course::{Course, Phase, or_stopped};
use base::files::{self, PREFIX};
use base::times::time_text;
use base::trouble::Trouble;
use book::{Location, Subject};
use custody::{Passphrase, SiteKey, WorkFactor};
use serde::Serialize;
use serde_json::json;
use site::{Site, Who, head};
use zeroize::Zeroizing;

use super::archive::{self, BookFacts, Content, LeftOut, Manifest, SITE, SiteKeyState};
use super::contents::Contents;
use super::{Teller, Verified, log_key, open, verify_book};

/// A backup that was made.
#[derive(Debug, Serialize)]
pub struct Saved {
    pub backup: String,
    pub octets: u64,
    /// Entries in the log that it holds.
    pub entries: u64,
    /// The last of them, as entries are numbered everywhere.
    pub entry: i64,
    /// Hash of their tree: the backup is the book as of there.
    pub root: String,
    /// Files of the site in it, beside the book.
    pub files: u64,
    /// How the site key lies in it.
    pub site_key: SiteKeyState,
    /// What belongs to the site and is not in it.
    pub left_out: Vec<LeftOut>,
    /// Keys and files that the site names and that were not found.
    pub missing: Vec<String>,
    /// What verifying the saved book said, where that was asked for.
    pub verified: Option<Verified>,
}

/// How a backup is made.
#[derive(Debug, Default)]
pub struct How<'a> {
    /// Also verify the saved book.
    pub verify: bool,
    /// Wrap the site key under this passphrase in the backup, where it lies open here.
    pub seal: Option<(&'a Passphrase, WorkFactor)>,
}

/// Whether a backup made now would hold the site key open.
///
/// # Errors
///
/// [`Trouble`] where the key file can't be read.
pub fn site_key_state(site: &Site) -> Result<SiteKeyState, Trouble> {
    let path = site.keys().join("site.key");
    match SiteKey::is_wrapped(&path) {
        Ok(true) => Ok(SiteKeyState::Sealed),
        Ok(false) => Ok(SiteKeyState::Open),
        Err(custody::CustodyError::Missing { .. }) => Ok(SiteKeyState::Missing),
        Err(error) => Err(error.into()),
    }
}

/// Saves the whole site as one file while stations run, whatever the book's engine.
///
/// The file is there whole or not at all, for its owner alone. That it was made is an entry, which is in the book
/// and, coming after, not in the backup. Needs room for the book twice beside the file.
///
/// - `course`: it can be stopped until the file takes its name; nothing is left of it then.
///
/// # Errors
///
/// [`Trouble`] where the file is there already or can't be written.
pub fn backup(site: &Site, to: &Path, how: &How<'_>, who: &Who, course: &Course) -> Result<Saved, Trouble> {
    if to.symlink_metadata().is_ok() {
        return Err(Trouble::file(to, std::io::ErrorKind::AlreadyExists.into()));
    }
    site.book.goes_on()?;
    let folder = to.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let here = |e| Trouble::file(folder, e);
    files::sweep(folder);
    let work = tempfile::Builder::new().prefix(PREFIX).tempdir_in(folder).map_err(here)?;
    let copy = work.path().join(archive::BOOK);
    let teller = Teller::new(course);
    or_stopped(site.book.backup(&copy, &|stage, done, total| teller.copying(stage, done, total)))?;
    let saved = open(&Location::file(&copy), site)?;
    let at = saved.head()?;
    let verified = if how.verify { Some(verify_book(&saved, log_key(&site.dir, &saved)?, &[], course)?) } else { None };
    drop(saved);
    // People look for it in the file that they asked for, not where it was copied on the way.
    let verified = verified.map(|v| Verified { book: to.display().to_string(), ..v });

    let contents = Contents::of(site)?;
    let mut site_key = site_key_state(site)?;
    let mut left_out = contents.left_out;
    let mut sources = vec![(archive::BOOK.to_owned(), Content::File(copy))];
    for (name, file) in contents.files {
        let content = match (&how.seal, site_key) {
            (Some((passphrase, cost)), SiteKeyState::Open) if name == "keys/site.key" => {
                let text = SiteKey::wrapped_copy(&file, passphrase, *cost)?;
                site_key = SiteKeyState::Sealed;
                Content::Text(Zeroizing::new(text.as_bytes().to_vec()))
            }
            _ => Content::File(file),
        };
        sources.push((format!("{SITE}{name}"), content));
    }
    course.phase(Phase::Packing, None);
    let (mut files, mut members) = (Vec::new(), Vec::new());
    for (name, content) in sources {
        match archive::facts(&name, &content, course).map_err(archive::failed(to))? {
            Some(facts) => {
                files.push(facts);
                members.push(content);
            }
            None => {
                let what = name.trim_start_matches(SITE).to_owned();
                left_out
                    .push(LeftOut { what, why: "Its name is too long for a tar archive. Copy it yourself.".into() });
            }
        }
    }
    let manifest = Manifest {
        format: Manifest::format(),
        program: env!("CARGO_PKG_VERSION").to_owned(),
        made: time_text((who.clock)()),
        by: who.actor.to_string(),
        site_id: site.settings.site.id.clone(),
        site_name: site.settings.site.name.clone(),
        book: BookFacts { location: site.book.location().to_string(), entries: at.size, root: hex::encode(at.root) },
        site_key,
        left_out: left_out.clone(),
        missing: contents.missing.clone(),
        files,
    };
    let file = tempfile::Builder::new().prefix(PREFIX).tempfile_in(folder).map_err(here)?;
    let octets = {
        let mut out = BufWriter::with_capacity(1 << 16, file.as_file());
        archive::write(&mut out, to, &manifest, &members, (who.clock)().unix_timestamp(), course)?;
        out.flush().map_err(|e| Trouble::file(to, e))?;
        file.as_file().sync_all().map_err(|e| Trouble::file(to, e))?;
        file.as_file().metadata().map_err(|e| Trouble::file(to, e))?.len()
    };
    course.commit()?;
    file.persist_noclobber(to).map_err(|e| Trouble::file(to, e.error))?;
    File::open(folder).and_then(|f| f.sync_all()).map_err(here)?;
    fs::remove_dir_all(work.path()).map_err(here)?;
    let told = json!({
        "file": to.file_name().map(|n| n.to_string_lossy()),
        "entries": at.size, "root": hex::encode(at.root), "verified": verified.as_ref().map(|v| v.verdict),
        "files": members.len() - 1, "site_key": site_key,
    });
    site.book.note("book.backup", &Subject::Site, &told, &who.by())?;
    head::mark(site, who);
    Ok(Saved {
        backup: to.display().to_string(),
        octets,
        entries: at.size,
        entry: i64::try_from(at.size).unwrap_or(i64::MAX) - 1,
        root: hex::encode(at.root),
        files: members.len() as u64 - 1,
        site_key,
        left_out,
        missing: contents.missing,
        verified,
    })
}
