//! Backups: a book saved while stations run, and one put back in its place.

use std::path::{Path, PathBuf};

use rusqlite::backup::{Backup, StepResult};

use crate::engine::{Connection, Mode, Sqlite};
use crate::error::BookError;
use crate::location::keep_private;
use crate::log::CheckHead;
use crate::open::{OpenOptions, transact};
use crate::schema::{self, Migration};
use crate::transfer::{self, Copied, CopyWatch, Stage};
use crate::{Book, Location};

fn io(doing: String) -> impl FnOnce(std::io::Error) -> BookError {
    |source| match source.kind() {
        std::io::ErrorKind::StorageFull => BookError::Full { source: source.into() },
        _ => BookError::Database { doing, source: source.into() },
    }
}

fn refuse_existing(path: &Path) -> Result<(), BookError> {
    if path.exists() { Err(BookError::Exists { place: path.display().to_string() }) } else { Ok(()) }
}

/// Makes a file under another name and gives it its own once it is whole and on disk.
fn whole_or_nothing(path: &Path, make: impl FnOnce(&Path) -> Result<(), BookError>) -> Result<(), BookError> {
    let mut partial = path.as_os_str().to_owned();
    partial.push(".partial");
    let partial = PathBuf::from(partial);
    let told = || io(format!("saving {}", path.display()));
    if partial.exists() {
        // Left by a backup that was cut short.
        std::fs::remove_file(&partial).map_err(told())?;
    }
    if let Err(error) = make(&partial) {
        // What is left of it is of no use to anybody; the error is what counts.
        let _ = std::fs::remove_file(&partial);
        return Err(error);
    }
    std::fs::File::open(&partial).and_then(|file| file.sync_all()).map_err(told())?;
    std::fs::rename(&partial, path).map_err(told())?;
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::File::open(folder).and_then(|folder| folder.sync_all()).map_err(told())
}

/// Pages copied between two looks at whoever watches.
const PAGES: i32 = 256;

/// SQLite's online backup of one view: it holds up no writer, and no writer makes it begin anew.
fn online(from: &mut Sqlite, to: &Path, watch: CopyWatch<'_>) -> Result<(), BookError> {
    from.begin(Mode::Snapshot)?;
    let copied = online_of_view(from, to, watch);
    from.rollback()?;
    copied
}

fn online_of_view(from: &mut Sqlite, to: &Path, watch: CopyWatch<'_>) -> Result<(), BookError> {
    // A view begins with the first question.
    from.batch("SELECT count(*) FROM sqlite_schema")?;
    let told = |e| crate::engine::sqlite_failed("the online backup", e);
    keep_private(to)?;
    let mut target = rusqlite::Connection::open(to).map_err(told)?;
    {
        let backup = Backup::new(&from.raw, &mut target).map_err(told)?;
        loop {
            match backup.step(PAGES).map_err(told)? {
                StepResult::Done => break,
                StepResult::More => {
                    let progress = backup.progress();
                    let pages = |n: i32| u64::try_from(n).unwrap_or(0);
                    let (total, left) = (pages(progress.pagecount), pages(progress.remaining));
                    if !watch(Stage::Copying, total.saturating_sub(left), total) {
                        return Err(BookError::Stopped);
                    }
                }
                // Another process is just laying a checkpoint.
                _ => std::thread::sleep(std::time::Duration::from_millis(5)),
            }
        }
    }
    // One file, without a write-ahead log beside it.
    target.execute_batch("PRAGMA journal_mode = DELETE").map_err(told)
}

impl Book {
    /// Saves the book as one SQLite file while stations run, whatever the engine:
    /// one unchanging view of it. The file is there whole or not at all.
    ///
    /// - `watch`: counts pages of a file, rows of a server's tables.
    ///
    /// # Errors
    ///
    /// [`BookError::Exists`] where the file is there already; [`BookError::Stopped`].
    pub fn backup(&self, path: &Path, watch: CopyWatch<'_>) -> Result<(), BookError> {
        refuse_existing(path)?;
        whole_or_nothing(path, |partial| {
            if self.is_sqlite() {
                let mut c = self.location.connect(false)?;
                let sqlite = c.as_sqlite().ok_or_else(|| BookError::damaged("the book is not a file"))?;
                return online(sqlite, partial, watch);
            }
            self.copy(&Location::file(partial), &|_| Ok(()), watch).map(drop)?;
            settle(partial)
        })
    }

    /// Puts a saved book in an empty place, on either engine, and verifies it there. The copy knows that it
    /// was restored ([`Book::restoration`]) from the moment it exists.
    ///
    /// - `check_head`: whether a signed head's signature is good.
    /// - `watch`: can stop it until the copy is verified.
    ///
    /// # Errors
    ///
    /// [`BookError::Exists`] where a book is there; [`BookError::Stopped`]; a backup that is older than
    /// this program is upgraded first, beside itself, after a backup of its own.
    pub fn restore(
        backup: &Path,
        to: &Location,
        options: &OpenOptions,
        check_head: Option<CheckHead<'_>>,
        watch: CopyWatch<'_>,
    ) -> Result<(Self, Copied), BookError> {
        let saved = Self::open(&Location::file(backup), options)?;
        let (book, copied) = saved.copy_restored(to, check_head, watch)?;
        drop(saved);
        settle(backup)?;
        Ok((book, copied))
    }
}

/// Leaves a SQLite file as one file, without a write-ahead log beside it.
fn settle(path: &Path) -> Result<(), BookError> {
    let mut sqlite = Sqlite::open(path, false)?;
    sqlite.batch("PRAGMA journal_mode = DELETE")
}

/// Saves a book that is about to be upgraded: `book-before-vN.sqlite`, beside it
/// for a file, in `folder` for a server. A file of that name stays; the next free
/// number is added to the name.
pub(crate) fn save_before_upgrade(
    location: &Location,
    c: &mut Connection,
    migrations: &[Migration],
    found: i64,
    wanted: i64,
    folder: &Path,
) -> Result<(), BookError> {
    let (folder, stem) = match location.as_file() {
        Some(file) => (
            file.parent().unwrap_or(Path::new(".")),
            file.file_stem().map_or_else(|| "book".into(), |s| s.to_string_lossy().into_owned()),
        ),
        None => (folder, "book".to_owned()),
    };
    let name = |n: u32| match n {
        1 => folder.join(format!("{stem}-before-v{wanted}.sqlite")),
        n => folder.join(format!("{stem}-before-v{wanted}-{n}.sqlite")),
    };
    let path = (1..1000)
        .map(name)
        .find(|p| !p.exists())
        .ok_or_else(|| BookError::Exists { place: name(999).display().to_string() })?;
    whole_or_nothing(&path, |partial| {
        if let Some(sqlite) = c.as_sqlite() {
            return online(sqlite, partial, &|_, _, _| true);
        }
        // From a server: a file laid with the schema that the book has.
        let mut to = Location::file(partial).connect(true)?;
        c.begin(Mode::Snapshot)?;
        let copied = transact(&mut to, |to| {
            schema::lay(to)?;
            schema::migrate(to, &migrations[..usize::try_from(found).unwrap_or(0).min(migrations.len())], 0, 0)?;
            transfer::copy_tables(c, to, &|_, _, _| true).map(drop)
        });
        c.rollback()?;
        copied?;
        drop(to);
        settle(partial)
    })
}
