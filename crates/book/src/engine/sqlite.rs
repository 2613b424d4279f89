//! SQLite: one file, compiled in. WAL, and every commit synced to disk.

use std::collections::HashMap;
use std::path::Path;
use std::time::{Duration, Instant};

use rusqlite::types::ValueRef;
use rusqlite::{Error, ErrorCode, OpenFlags, params_from_iter};

use super::value::{P, Row, Value};
use super::{Ask, Each, Into, Mode, rewrite};
use crate::error::BookError;

/// How long a writer waits for another one. A reel of a million chips takes
/// some seconds; a station that waits longer should tell its operator.
const PATIENCE: Duration = Duration::from_secs(30);

/// Page cache of a connection, in KiB: for acts and questions, and for a million rows at once.
const CACHE: u32 = 32 * 1024;
const BULK_CACHE: u32 = 1024 * 1024;
/// The same where rows arrive sorted, so that few pages are wanted again and again.
const SORTED_CACHE: u32 = 112 * 1024;
/// The same where each index of a table is looked up for each of its rows.
const CHECKED_CACHE: u32 = 256 * 1024;

/// Statements kept prepared. The book has about a hundred.
const STATEMENTS: usize = 200;

pub(crate) struct Sqlite {
    pub(crate) raw: rusqlite::Connection,
    rewritten: HashMap<String, String>,
    /// The cache's limit now, in KiB.
    cache: u32,
}

impl Sqlite {
    /// Opens the file; `create` makes it where it is missing. One that may only be read is opened for that.
    pub(crate) fn open(path: &Path, create: bool) -> Result<Self, BookError> {
        let mut flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        if create {
            flags |= OpenFlags::SQLITE_OPEN_CREATE;
        }
        let told = |e| failed("opening the book", e);
        let raw = match rusqlite::Connection::open_with_flags(path, flags).and_then(set_up) {
            Ok(raw) => raw,
            Err(error) if !create && may_only_read(&error) => {
                read_only(path).map_err(|why| why.unwrap_or_else(|| told(error)))?
            }
            Err(error) => return Err(told(error)),
        };
        Ok(Self { raw, rewritten: HashMap::new(), cache: 0 })
    }

    /// A database that nobody else sees, and that goes with the connection.
    pub(crate) fn in_memory() -> Result<Self, BookError> {
        let raw = rusqlite::Connection::open_in_memory().map_err(|e| failed("opening a database in memory", e))?;
        Ok(Self { raw, rewritten: HashMap::new(), cache: 0 })
    }

    pub(crate) fn begin(&mut self, mode: Mode) -> Result<(), BookError> {
        // A limit, not a reservation. Keys arrive in no order, so a large reel or
        // delivery touches every page of an index again and again: out of the
        // cache, each touch would be a write and a read of the log file.
        let cache = if mode == Mode::Bulk { BULK_CACHE } else { CACHE };
        self.limit_cache(cache)?;
        self.batch(if mode == Mode::Snapshot { "BEGIN" } else { "BEGIN IMMEDIATE" })
    }

    fn limit_cache(&mut self, cache: u32) -> Result<(), BookError> {
        if self.cache != cache {
            self.batch(&format!("PRAGMA cache_size = -{cache}"))?;
            self.cache = cache;
        }
        Ok(())
    }

    /// Lets the open transaction do with less memory: its rows come sorted.
    pub(crate) fn rows_come_sorted(&mut self) -> Result<(), BookError> {
        self.limit_cache(SORTED_CACHE)
    }

    /// SQLite's check of its file; each line says what is wrong, or `ok`.
    ///
    /// It looks each row up in each index of its table, in no order: what memory does not hold is read again
    /// and again.
    pub(crate) fn check(&mut self) -> Result<Vec<Row>, BookError> {
        self.limit_cache(CHECKED_CACHE)?;
        let mut said = Vec::new();
        self.each("PRAGMA integrity_check(20)", &[], &mut |row| {
            said.push(row);
            Ok(())
        })?;
        Ok(said)
    }

    pub(crate) fn commit(&mut self) -> Result<(), BookError> {
        self.batch("COMMIT")
    }

    pub(crate) fn rollback(&mut self) -> Result<(), BookError> {
        // A full disk makes SQLite roll back by itself.
        if self.raw.is_autocommit() { Ok(()) } else { self.batch("ROLLBACK") }
    }

    pub(crate) fn usable(&self) -> bool {
        self.raw.is_autocommit()
    }

    pub(crate) fn batch(&mut self, sql: &str) -> Result<(), BookError> {
        self.raw.execute_batch(sql).map_err(|e| failed(sql, e))
    }

    fn statement(&mut self, sql: &str) -> Result<rusqlite::CachedStatement<'_>, BookError> {
        if !self.rewritten.contains_key(sql) {
            if self.rewritten.len() >= STATEMENTS {
                self.rewritten.clear();
            }
            self.rewritten.insert(sql.to_owned(), rewrite(sql, '?', |_| String::new()));
        }
        let text = self.rewritten.get(sql).map_or(sql, String::as_str);
        self.raw.prepare_cached(text).map_err(|e| failed(sql, e))
    }

    /// All statements that ran on this connection, for a test of their plans.
    #[cfg(test)]
    pub(crate) fn statements(&self) -> Vec<String> {
        self.rewritten.values().cloned().collect()
    }

    pub(crate) fn run(&mut self, sql: &str, params: &[P<'_>]) -> Result<u64, BookError> {
        let changed = self.statement(sql)?.execute(params_from_iter(params)).map_err(|e| failed(sql, e))?;
        Ok(changed as u64)
    }

    pub(crate) fn several(&mut self, asks: &[Ask<'_>]) -> Result<Vec<Vec<Row>>, BookError> {
        let mut answers = Vec::with_capacity(asks.len());
        for ask in asks {
            let mut rows = Vec::new();
            self.each(&ask.sql, &ask.params, &mut |row| {
                rows.push(row);
                Ok(())
            })?;
            answers.push(rows);
        }
        Ok(answers)
    }

    /// There is no way to be saved.
    pub(crate) fn later(&mut self, sql: String, params: &[P<'_>]) -> Result<(), BookError> {
        self.run(&sql, params).map(drop)
    }

    pub(crate) fn each(&mut self, sql: &str, params: &[P<'_>], each: Each<'_>) -> Result<(), BookError> {
        let mut statement = self.statement(sql)?;
        let width = statement.column_count();
        let mut rows = statement.query(params_from_iter(params)).map_err(|e| failed(sql, e))?;
        while let Some(row) = rows.next().map_err(|e| failed(sql, e))? {
            let mut values = Vec::with_capacity(width);
            for column in 0..width {
                let value = row.get_ref(column).map_err(|e| failed(sql, e))?;
                values.push(match value {
                    ValueRef::Null => Value::Null,
                    ValueRef::Integer(value) => Value::Int(value),
                    ValueRef::Blob(value) => Value::Bytes(value.to_vec()),
                    ValueRef::Text(value) => Value::Text(
                        std::str::from_utf8(value).map_err(|_| BookError::damaged("a text is not UTF-8"))?.to_owned(),
                    ),
                    ValueRef::Real(_) => return Err(BookError::damaged("a fraction where none can be")),
                });
            }
            each(Row(values))?;
        }
        Ok(())
    }

    pub(crate) fn insert_rows(&mut self, into: &Into<'_>, values: &[P<'_>]) -> Result<Vec<usize>, BookError> {
        let width = into.columns.len();
        let places: Vec<_> = (1..=width).map(|n| format!("${n}")).collect();
        let sql = format!(
            "INSERT INTO {} ({}) VALUES ({}) {}",
            into.table,
            into.columns.join(", "),
            places.join(", "),
            if into.numbered.is_some() { "ON CONFLICT DO NOTHING" } else { "" },
        );
        let mut statement = self.statement(&sql)?;
        let mut kept_out = Vec::new();
        for (place, row) in values.chunks_exact(width).enumerate() {
            if statement.execute(params_from_iter(row)).map_err(|e| failed(&sql, e))? == 0 {
                kept_out.push(place);
            }
        }
        Ok(kept_out)
    }
}

/// What every connection has.
const SETTINGS: &str = "PRAGMA foreign_keys = ON;
     PRAGMA trusted_schema = OFF;
     PRAGMA cell_size_check = ON;
     PRAGMA temp_store = MEMORY;";
/// What one that writes has besides.
const WRITING: &str = "PRAGMA journal_mode = WAL;
     PRAGMA synchronous = FULL;
     PRAGMA secure_delete = ON;";

fn patient(mut raw: rusqlite::Connection) -> Result<rusqlite::Connection, Error> {
    let mut since = Instant::now();
    // SQLite's own handler sleeps up to 100 ms at a time; stations that share
    // a book commit within one or two, so short naps pass it on sooner.
    raw.busy_handler(Some(move |times: i32| {
        if times == 0 {
            since = Instant::now();
        }
        std::thread::sleep(Duration::from_micros(if times < 20 { 500 } else { 2_000 }));
        since.elapsed() < PATIENCE
    }))?;
    raw.set_prepared_statement_cache_capacity(STATEMENTS);
    raw.execute_batch(SETTINGS)?;
    Ok(raw)
}

fn set_up(raw: rusqlite::Connection) -> Result<rusqlite::Connection, Error> {
    let raw = patient(raw)?;
    raw.execute_batch(WRITING)?;
    // A file that may not be written opens all the same, and shows so only when it is asked.
    raw.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()))?;
    Ok(raw)
}

/// Whether a failure to open is what a file or a directory shows that may only be read: SQLite shares its changes
/// through a file beside the book, and without the right to make it can't open the book to write.
fn may_only_read(error: &Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen))
}

/// Opens a file to read. Where the files beside it can't be made, it must hold all changes itself, and is taken as
/// one that nobody writes: so it is on a read-only disk, or as a copy in an archive.
///
/// # Errors
///
/// Why it can't be read, where that is not what opening it said in the first place.
fn read_only(path: &Path) -> Result<rusqlite::Connection, Option<BookError>> {
    let reads = |raw: &rusqlite::Connection| raw.query_row("SELECT count(*) FROM sqlite_schema", [], |_| Ok(()));
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    if let Ok(raw) = rusqlite::Connection::open_with_flags(path, flags).and_then(patient)
        && reads(&raw).is_ok()
    {
        return Ok(raw);
    }
    let mut beside = path.as_os_str().to_owned();
    beside.push("-wal");
    match std::fs::metadata(Path::new(&beside)) {
        Ok(found) if found.is_file() && found.len() == 0 => {}
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
        Ok(found) if found.is_file() => {
            return Err(Some(BookError::Unsettled {
                place: path.display().to_string(),
                why: "its last changes lie in the file -wal beside it, which can't be opened without writing".into(),
            }));
        }
        _ => return Err(None),
    }
    let absolute = std::path::absolute(path).map_err(|_| None)?;
    let name = absolute.to_str().ok_or(None)?;
    let name = name.replace('%', "%25").replace('?', "%3f").replace('#', "%23");
    let raw =
        rusqlite::Connection::open_with_flags(format!("file:{name}?immutable=1"), flags | OpenFlags::SQLITE_OPEN_URI)
            .and_then(patient)
            .map_err(|_| None)?;
    if reads(&raw).is_ok() { Ok(raw) } else { Err(None) }
}

pub(crate) fn failed(doing: &str, error: Error) -> BookError {
    let Some(code) = error.sqlite_error_code() else {
        return BookError::Database { doing: short(doing), source: error.into() };
    };
    match code {
        ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => BookError::Busy { seconds: PATIENCE.as_secs() },
        ErrorCode::DiskFull => BookError::Full { source: error.into() },
        ErrorCode::ReadOnly => BookError::ReadOnly { source: error.into() },
        // A full disk, as a process finds it that opens the book and needs room to share its changes.
        _ if error.sqlite_error().is_some_and(|e| e.extended_code == rusqlite::ffi::SQLITE_IOERR_SHMSIZE) => {
            BookError::Full { source: error.into() }
        }
        ErrorCode::ConstraintViolation => BookError::Rule { rule: error.to_string() },
        ErrorCode::DatabaseCorrupt => BookError::Damaged { what: error.to_string() },
        ErrorCode::NotADatabase => {
            BookError::NotOurs { place: "the file".into(), why: "it is not a SQLite database".into() }
        }
        _ => BookError::Database { doing: short(doing), source: error.into() },
    }
}

/// The head of a statement, on one line: enough for a maintainer to find it.
pub(crate) fn short(sql: &str) -> String {
    let line: Vec<_> = sql.split_whitespace().collect();
    line.join(" ").chars().take(120).collect()
}
