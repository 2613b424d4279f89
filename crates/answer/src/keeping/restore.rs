//! A backup put back: into a new directory on a machine that has nothing else, or what is missing into a site
//! that is there. Nothing that is there is ever overwritten.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use base::course::{Course, Phase, or_stopped};
use base::times::time_text;
use base::trouble::Trouble;
use book::ids::SiteId;
use book::{Book, BookError, Location, OpenOptions, SignedHead, Subject};
use serde::Serialize;
use serde_json::json;
use site::checkpoint::KnownOf;
use site::{FILE, Settings, Site, Who, checkpoint, clock, head, location};

use super::archive::{self, Form, LeftOut, Manifest, SITE, SiteKeyState};
use super::{Teller, Verified, log_key, missing_keys, name_location, verify_book};

/// Where a book in a file goes where the settings' own place can't be meant.
const IN_SITE: &str = "sqlite:book.sqlite";

/// What to restore, and where its book goes.
#[derive(Debug, Clone, Copy)]
pub struct Source<'a> {
    pub file: &'a Path,
    /// `sqlite:FILE` or `postgres://…`, which the settings then name. Without it: where the settings of a site that is
    /// there say; in a new directory a file in it.
    pub book: Option<&'a str>,
    /// File with the password of the book's server.
    pub password_file: Option<&'a Path>,
}

/// A site that was restored.
#[derive(Debug, Serialize)]
pub struct Restored {
    pub site: String,
    pub site_id: String,
    pub name: String,
    /// Whether there was no site before.
    pub new: bool,
    /// Where its book is now, without a password.
    pub book: String,
    pub from: String,
    /// Whether a book was there already that has all that the backup's has: it is used as it is.
    pub book_kept: bool,
    /// Where the backup's book ends; none where a book that goes on from it is used as it is.
    pub ends: Option<EndsWith>,
    /// The next number of each series of serial numbers by this book. Each is to be confirmed before it is counted
    /// in again: numbers that were given out after the backup are not in it.
    pub series_to_confirm: Vec<String>,
    /// Checkpoints that know of entries after the backup.
    pub checkpoints: Vec<KnownOf>,
    pub rows: u64,
    /// Files put back, by their names in the site's directory.
    pub put_back: Vec<String>,
    /// Files that are there and differ from the backup's. They were left as they are.
    pub kept: Vec<String>,
    /// How the site key lies in the backup; none where the backup is a book alone.
    pub site_key: Option<SiteKeyState>,
    /// What the backup does not hold.
    pub left_out: Vec<LeftOut>,
    /// What was missing when the backup was made.
    pub missing: Vec<String>,
    /// What verifying the book there said.
    pub verified: Verified,
}

/// The last entry of a backup.
#[derive(Debug, Serialize)]
pub struct EndsWith {
    pub entry: u64,
    /// When it was made.
    pub at: String,
    /// The same in the site's own time, for people.
    #[serde(skip)]
    pub local: String,
}

/// What a restored book can't know.
fn unknown(site: &Site) -> Result<(Option<EndsWith>, Vec<String>), Trouble> {
    let book = &site.book;
    let Some(restored) = book.restoration()? else { return Ok((None, Vec::new())) };
    let ends = EndsWith {
        entry: restored.entries.saturating_sub(1),
        at: time_text(restored.ended),
        local: clock::local(site, restored.ended),
    };
    let series = book.next_of_all_series()?.iter().map(ToString::to_string).collect();
    Ok((Some(ends), series))
}

/// A directory that goes with what is in it.
struct Staging(PathBuf);

impl Drop for Staging {
    fn drop(&mut self) {
        // What can't be taken away is named by the next restore.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Restores the site in `dir`, which is made where it is missing.
///
/// Durable steps into a new directory, in order: the files and a book that is a file, under another name beside the
/// directory; a book on a server; the directory's own name. A crash before the last leaves no site, and the next
/// try names what is left. Into a site that is there: the book, then each missing file.
///
/// - `course`: it can be stopped until the book is copied; nothing is left of it then.
///
/// # Errors
///
/// [`Trouble`] where the backup is another site's or damaged, the directory holds something else, or a book is
/// there that is not this one's continuation; nothing is changed then.
pub fn restore(dir: &Path, source: &Source<'_>, who: &Who, course: &Course) -> Result<Restored, Trouble> {
    if archive::form(source.file)? == Form::BookAlone {
        return book_alone(dir, source, who, course);
    }
    let manifest = archive::manifest(source.file)?;
    if dir.join(FILE).exists() {
        return into_site(dir, source, &manifest, who, course);
    }
    match fs::read_dir(dir).map(|mut there| there.next().is_none()) {
        Ok(true) => {}
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
        Err(e) => return Err(Trouble::file(dir, e)),
        Ok(false) => {
            let left = dir.join(".restoring");
            if left.exists() {
                return Err(cut_short(dir, &left, std::io::ErrorKind::AlreadyExists.into()));
            }
            return Err(Trouble::usage(
                format!("{} holds files and is not a site.", dir.display()),
                "Give a new or empty directory with --site DIR. Nothing was changed.",
            ));
        }
    }
    into_new(dir, source, &manifest, who, course)
}

/// The staging directory can't be made: one of that name was left by a restore that was killed, or something else.
fn cut_short(dir: &Path, place: &Path, error: std::io::Error) -> Trouble {
    if error.kind() != std::io::ErrorKind::AlreadyExists {
        return Trouble::file(place, error);
    }
    Trouble::usage(
        format!("An earlier restore of {} was cut short; its files are in {}.", dir.display(), place.display()),
        "If no restore is running, delete that directory and run this again.",
    )
}

/// Gives the finished directory its name, or moves what is in it, the settings last, into the one that is there.
fn name_it(files: &Path, whole: &Path, there: bool) -> Result<(), Trouble> {
    let failed = |e| Trouble::file(whole, e);
    if there {
        for entry in fs::read_dir(files).map_err(failed)? {
            let name = entry.map_err(failed)?.file_name();
            if name != FILE {
                fs::rename(files.join(&name), whole.join(&name)).map_err(failed)?;
            }
        }
        fs::rename(files.join(FILE), whole.join(FILE)).map_err(failed)?;
        File::open(whole).and_then(|f| f.sync_all()).map_err(failed)?;
        return Ok(());
    }
    fs::rename(files, whole).map_err(failed)?;
    let above = whole.parent().unwrap_or(whole);
    File::open(above).and_then(|f| f.sync_all()).map_err(failed)
}

/// Takes the backup apart in `staging`: its files in `site`, its book beside them.
fn take_apart(source: &Source<'_>, manifest: &Manifest, staging: &Path, course: &Course) -> Result<PathBuf, Trouble> {
    course.phase(Phase::Reading, None);
    archive::extract(source.file, manifest, staging, course)?;
    let files = staging.join("site");
    let settings = Settings::read(&files)?;
    if settings.site.id != manifest.site_id {
        return Err(Trouble::refused(
            format!("The backup {} holds the settings of another site than it names.", source.file.display()),
            "Nothing was restored. Take another backup.",
        ));
    }
    Ok(files)
}

fn into_new(
    dir: &Path,
    source: &Source<'_>,
    manifest: &Manifest,
    who: &Who,
    course: &Course,
) -> Result<Restored, Trouble> {
    let whole = std::path::absolute(dir).map_err(|e| Trouble::file(dir, e))?;
    let (Some(above), Some(name)) = (whole.parent(), whole.file_name()) else {
        return Err(Trouble::usage(format!("{} can't be a site.", dir.display()), "Give a new directory."));
    };
    archive::private_folder(above)?;
    // An empty directory may be a disk of its own: what is restored into it is put together inside it.
    let there = whole.exists();
    let place = match there {
        true => whole.join(".restoring"),
        false => above.join(format!(".{}.restoring", name.to_string_lossy())),
    };
    fs::create_dir(&place).map_err(|e| cut_short(dir, &place, e))?;
    let staging = Staging(place);
    site::restrict(&staging.0)?;
    let files = take_apart(source, manifest, &staging.0, course)?;
    site::restrict(&files)?;
    let settings = Settings::read(&files)?;
    let named =
        settings.book.location.strip_prefix("sqlite:").is_some_and(|f| super::contents::inside(Path::new(f)).is_some());
    let text = source.book.unwrap_or(if named { &settings.book.location } else { IN_SITE }).to_owned();
    let password_file = password_file(source)?.or(settings.book.password_file.clone());
    let target = location(password_file.as_deref(), &text, &files)?;
    let put = put_book(source, manifest, &staging.0, &files, &target, course)?;
    let renamed = text != settings.book.location;
    let site = Site::with(&files, settings, put.book)?;
    let missing = missing_keys(&site)?;
    drop(site);
    if renamed {
        name_location(&files, &text, password_file.as_deref())?;
    }
    name_it(&files, &whole, there)?;
    drop(staging);
    let put_back = manifest.files.iter().filter_map(|f| f.name.strip_prefix(SITE)).map(str::to_owned).collect();
    let site = Site::open(dir)?;
    let (rows, book_kept, mut verified) = (put.rows, put.kept, put.verified);
    (verified.book, verified.missing_keys) = (site.book.location().to_string(), missing);
    ended(&site, source, manifest, who, Ended { new: true, rows, book_kept, put_back, kept: Vec::new(), verified })
}

fn into_site(
    dir: &Path,
    source: &Source<'_>,
    manifest: &Manifest,
    who: &Who,
    course: &Course,
) -> Result<Restored, Trouble> {
    let settings = Settings::read(dir)?;
    if settings.site.id != manifest.site_id {
        return Err(Trouble::refused(
            format!(
                "The backup {} is of another site: {} ({}). {} is the site {} ({}).",
                source.file.display(),
                manifest.site_name,
                manifest.site_id,
                dir.display(),
                settings.site.name,
                settings.site.id
            ),
            "Give this site's own backup, or a new directory with --site DIR. Nothing was changed.",
        ));
    }
    let here = |e| Trouble::file(dir, e);
    let staging = tempfile::Builder::new().prefix(".touchmark-restore-").tempdir_in(dir).map_err(here)?;
    let files = take_apart(source, manifest, staging.path(), course)?;
    let (mut absent, mut kept) = (Vec::new(), Vec::new());
    for facts in &manifest.files {
        let Some(name) = facts.name.strip_prefix(SITE) else { continue };
        match fs::File::open(dir.join(name)) {
            Ok(_) => {
                let content = archive::Content::File(dir.join(name));
                let there = archive::facts(&facts.name, &content, course).map_err(archive::failed(&dir.join(name)))?;
                if there.as_ref() != Some(facts) {
                    kept.push(name.to_owned());
                }
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => absent.push(name.to_owned()),
            Err(e) => return Err(Trouble::file(&dir.join(name), e)),
        }
    }
    let text = source.book.unwrap_or(&settings.book.location).to_owned();
    let password_file = password_file(source)?.or(settings.book.password_file.clone());
    let target = location(password_file.as_deref(), &text, dir)?;
    // The key that is here checks the book, where one is.
    let keys = if head::public_key(dir)?.is_some() { dir } else { &files };
    let put = put_book(source, manifest, staging.path(), keys, &target, course)?;
    if put.kept && absent.is_empty() && text == settings.book.location {
        return Err(Trouble::usage(
            format!("Nothing is missing in {}: its book and all files of the backup are there.", dir.display()),
            "To go back to the backup, restore it into a new directory with --site DIR. Nothing was changed.",
        ));
    }
    let renamed = text != settings.book.location;
    let site = Site::with(dir, settings, put.book)?;
    if renamed {
        name_location(dir, &text, password_file.as_deref())?;
    }
    for name in &absent {
        let path = dir.join(name);
        if let Some(folder) = path.parent() {
            archive::private_folder(folder)?;
        }
        fs::rename(files.join(name), &path).map_err(|e| Trouble::file(&path, e))?;
    }
    let (rows, book_kept, mut verified) = (put.rows, put.kept, put.verified);
    verified.missing_keys = missing_keys(&site)?;
    ended(&site, source, manifest, who, Ended { new: false, rows, book_kept, put_back: absent, kept, verified })
}

/// The password file as it was typed, from the working directory.
fn password_file(source: &Source<'_>) -> Result<Option<PathBuf>, Trouble> {
    source.password_file.map(|path| std::path::absolute(path).map_err(|e| Trouble::file(path, e))).transpose()
}

/// A book in its place.
struct Put {
    book: Book,
    rows: u64,
    /// It was there already and goes on from the saved one.
    kept: bool,
    verified: Verified,
}

/// Copies the saved book to its place and verifies it there. Where a book of this site is there that goes on from the
/// saved one, nothing is copied and that one is used.
fn put_book(
    source: &Source<'_>,
    manifest: &Manifest,
    staging: &Path,
    keys: &Path,
    target: &Location,
    course: &Course,
) -> Result<Put, Trouble> {
    let options = OpenOptions {
        backups: staging.to_owned(),
        site: Some(SiteId::new(&manifest.site_id)?),
        at: time::OffsetDateTime::now_utc(),
    };
    let saved = staging.join(archive::BOOK);
    match copy_book(&saved, target, &options, keys, course) {
        Ok((book, rows, verified)) => {
            let same = (verified.entries, &verified.root) == (manifest.book.entries, &manifest.book.root);
            if !verified.is_intact() || !same {
                return Err(not_intact(source, &verified, target));
            }
            Ok(Put { book, rows, kept: false, verified })
        }
        Err(Copying::There { place }) => {
            let book = Book::open(target, &options)?;
            let goes_on = book.head()?.size >= manifest.book.entries
                && hex::encode(book.consistency(manifest.book.entries, None)?.old_root) == manifest.book.root;
            if !goes_on {
                return Err(Trouble::usage(
                    format!(
                        "There is a record book at {place} already, and it does not go on from the backup {}.",
                        source.file.display()
                    ),
                    "Give another place with --book, or move that book away. Nothing was changed.",
                ));
            }
            let verified = verify_book(&book, log_key(keys, &book)?, &[], course)?;
            Ok(Put { book, rows: 0, kept: true, verified })
        }
        Err(Copying::Trouble(trouble)) => Err(trouble),
    }
}

/// Why a saved book was not copied.
enum Copying {
    /// One is there.
    There {
        place: String,
    },
    Trouble(Trouble),
}

impl<E: Into<Trouble>> From<E> for Copying {
    fn from(error: E) -> Self {
        Self::Trouble(error.into())
    }
}

/// Copies a saved book to its place, checked by the key that is in `keys`.
fn copy_book(
    saved: &Path,
    target: &Location,
    options: &OpenOptions,
    keys: &Path,
    course: &Course,
) -> Result<(Book, u64, Verified), Copying> {
    let key = log_key(keys, &Book::open(&Location::file(saved), options)?)?;
    let check = key.map(|key| move |signed: &SignedHead| head::is_ours(&key, signed));
    let check = check.as_ref().map(|check| check as book::CheckHead<'_>);
    let teller = Teller::new(course);
    let watch = |stage, done, total| teller.copying(stage, done, total);
    match Book::restore(saved, target, options, check, &watch) {
        Err(BookError::Exists { place }) => Err(Copying::There { place }),
        other => {
            let (book, copied) = or_stopped(other)?;
            let verified = Verified::of(&book, &copied.verification);
            Ok((book, copied.rows.values().sum(), verified))
        }
    }
}

fn not_intact(source: &Source<'_>, verified: &Verified, target: &Location) -> Trouble {
    let first = verified.damages.first().map(|d| format!(": {} {}: {}", d.table, d.key, d.found)).unwrap_or_default();
    Trouble::refused(
        format!("The book in the backup {} differs from its log{first}.", source.file.display()),
        format!(
            "Take another backup. If anything was restored to {target}, it stays there to be looked at; no site uses it."
        ),
    )
}

/// What came of a restore, before it is told.
struct Ended {
    new: bool,
    rows: u64,
    book_kept: bool,
    put_back: Vec<String>,
    kept: Vec<String>,
    verified: Verified,
}

fn ended(site: &Site, source: &Source<'_>, manifest: &Manifest, who: &Who, ended: Ended) -> Result<Restored, Trouble> {
    let Ended { new, rows, book_kept, put_back, kept, verified } = ended;
    let (ends, series_to_confirm) = if book_kept { (None, Vec::new()) } else { unknown(site)? };
    let checkpoints = note(site, source, (&verified, book_kept), put_back.len(), who)?;
    Ok(Restored {
        site: site.dir.display().to_string(),
        site_id: manifest.site_id.clone(),
        name: site.settings.site.name.clone(),
        new,
        book: site.book.location().to_string(),
        from: source.file.display().to_string(),
        book_kept,
        ends,
        series_to_confirm,
        checkpoints,
        rows,
        put_back,
        kept,
        site_key: Some(manifest.site_key),
        left_out: manifest.left_out.clone(),
        missing: manifest.missing.clone(),
        verified,
    })
}

/// Says in the log that the site was restored, and begins the checkpoints of a book that was; what those that were
/// there know of it.
fn note(
    site: &Site,
    source: &Source<'_>,
    (verified, book_kept): (&Verified, bool),
    files: usize,
    who: &Who,
) -> Result<Vec<KnownOf>, Trouble> {
    let told = json!({
        "from": source.file.file_name().map(|n| n.to_string_lossy()),
        "entries": verified.entries, "root": verified.root, "files": files,
    });
    let mut known = Vec::new();
    if book_kept {
        site.book.note("book.restore", &Subject::Site, &told, &who.by())?;
    } else {
        let highest = checkpoint::highest_life(site);
        known = checkpoint::set_aside(site)?;
        site.book.note_restore(&told, highest, &who.by())?;
    }
    head::mark(site, who);
    Ok(known)
}

/// A book alone, as earlier versions saved it, put in the place of one that was lost.
fn book_alone(dir: &Path, source: &Source<'_>, who: &Who, course: &Course) -> Result<Restored, Trouble> {
    if !dir.join(FILE).exists() {
        return Err(Trouble::usage(
            format!(
                "{} is a book alone, without settings and keys; {} is not a site.",
                source.file.display(),
                dir.display()
            ),
            "Put touchmark.toml and keys/ of the site into that directory first. Backups made now hold them.",
        ));
    }
    let settings = Settings::read(dir)?;
    let text = source.book.unwrap_or(&settings.book.location).to_owned();
    let password_file = password_file(source)?.or(settings.book.password_file.clone());
    let place = location(password_file.as_deref(), &text, dir)?;
    let options =
        OpenOptions { backups: dir.to_owned(), site: Some(SiteId::new(&settings.site.id)?), at: (who.clock)() };
    let (book, rows, mut verified) = match copy_book(source.file, &place, &options, dir, course) {
        Ok(copied) => copied,
        Err(Copying::There { place }) => return Err(BookError::Exists { place }.into()),
        Err(Copying::Trouble(trouble)) => return Err(trouble),
    };
    if !verified.is_intact() {
        return Err(not_intact(source, &verified, &place));
    }
    let renamed = text != settings.book.location;
    let (id, name) = (settings.site.id.clone(), settings.site.name.clone());
    let site = Site::with(dir, settings, book)?;
    if renamed {
        name_location(dir, &text, password_file.as_deref())?;
    }
    verified.missing_keys = missing_keys(&site)?;
    let (ends, series_to_confirm) = unknown(&site)?;
    let checkpoints = note(&site, source, (&verified, false), 0, who)?;
    Ok(Restored {
        site: dir.display().to_string(),
        site_id: id,
        name,
        new: false,
        book: site.book.location().to_string(),
        from: source.file.display().to_string(),
        book_kept: false,
        ends,
        series_to_confirm,
        checkpoints,
        rows,
        put_back: Vec::new(),
        kept: Vec::new(),
        site_key: None,
        left_out: Vec::new(),
        missing: Vec::new(),
        verified,
    })
}
