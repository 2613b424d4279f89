//! A whole book copied to another place, from either engine to either.

use std::collections::BTreeMap;

use crate::engine::{Connection, Into, P, Row, Value, params};
use crate::error::BookError;
use crate::log::{CheckHead, Verification};
use crate::open::{lay_empty, transact};
use crate::schema::MIGRATIONS;
use crate::schema::tables::TABLES;
use crate::{Book, Location};

/// Rows written at a time, and octets after which fewer are.
const ROWS: usize = 200;
const OCTETS: usize = 1 << 20;

/// What was copied.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Copied {
    pub rows: BTreeMap<String, u64>,
    /// What verifying the copy said.
    pub verification: Verification,
}

/// What the copying of a book does now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Rows, or pages of a file, are copied.
    Copying,
    /// Entries of the copy are held against those they were copied from.
    Comparing,
    /// The copy is there and is verified: too late to stop.
    Verifying,
}

/// Told what is done and how much of how many; says whether to go on.
pub type CopyWatch<'a> = &'a dyn Fn(Stage, u64, u64) -> bool;

/// How far a stage is.
struct Far<'a> {
    watch: CopyWatch<'a>,
    stage: Stage,
    done: u64,
    total: u64,
}

impl Far<'_> {
    fn pass(&mut self, count: u64) -> Result<(), BookError> {
        self.done += count;
        if (self.watch)(self.stage, self.done, self.total) { Ok(()) } else { Err(BookError::Stopped) }
    }
}

fn columns(c: &mut Connection, table: &str) -> Result<Vec<String>, BookError> {
    let sql = if c.is_sqlite() {
        "SELECT name FROM pragma_table_info($1) ORDER BY cid"
    } else {
        "SELECT CAST(column_name AS TEXT) FROM information_schema.columns \
         WHERE table_schema = current_schema() AND table_name = $1 ORDER BY ordinal_position"
    };
    c.all(sql, params![table])?.iter().map(|row| row.text(0)).collect()
}

/// Copies all rows of all tables. Both connections are in a transaction; the
/// target has the same tables, empty. Its triggers rest meanwhile: they speak of
/// acts, and a copy brings what came of many.
pub(crate) fn copy_tables(
    from: &mut Connection,
    to: &mut Connection,
    watch: CopyWatch<'_>,
) -> Result<BTreeMap<String, u64>, BookError> {
    let mut tables = Vec::new();
    let mut far = Far { watch, stage: Stage::Copying, done: 0, total: 0 };
    for table in TABLES.iter().map(|t| t.name) {
        let columns = columns(from, table)?;
        if !columns.is_empty() {
            let rows = from.number(&format!("SELECT count(*) FROM {table}"), &[])?;
            far.total += u64::try_from(rows).unwrap_or(0);
            tables.push((table, columns));
        }
    }
    let resting = rest_triggers(to)?;
    let mut copied = BTreeMap::new();
    for (table, columns) in tables {
        copied.insert(table.to_owned(), copy_table(from, to, (table, &columns), &mut far)?);
    }
    wake_triggers(to, &resting)?;
    for (table, rows) in &copied {
        let there = to.number(&format!("SELECT count(*) FROM {table}"), &[])?;
        if u64::try_from(there).ok() != Some(*rows) {
            return Err(BookError::damaged(format!("{there} of {rows} rows of {table} arrived in the copy")));
        }
    }
    Ok(copied)
}

fn copy_table(
    from: &mut Connection,
    to: &mut Connection,
    (table, columns): (&str, &[String]),
    far: &mut Far<'_>,
) -> Result<u64, BookError> {
    let names: Vec<_> = columns.iter().map(String::as_str).collect();
    let into = Into { table, columns: &names, numbered: None };
    let (mut batch, mut octets, mut copied) = (Vec::<Row>::new(), 0, 0);
    let mut flush = |batch: &mut Vec<Row>| {
        let values: Vec<P<'_>> = batch.iter().flat_map(|row| row.0.iter().map(Value::as_param)).collect();
        to.insert_rows(&into, &values)?;
        let rows = batch.len() as u64;
        batch.clear();
        far.pass(rows)
    };
    from.each(&format!("SELECT {} FROM {table}", names.join(", ")), &[], &mut |row| {
        octets += row.0.iter().map(size).sum::<usize>();
        copied += 1;
        batch.push(row);
        if batch.len() == ROWS || octets > OCTETS {
            octets = 0;
            flush(&mut batch)?;
        }
        Ok(())
    })?;
    if !batch.is_empty() {
        flush(&mut batch)?;
    }
    Ok(copied)
}

fn size(value: &Value) -> usize {
    match value {
        Value::Null | Value::Int(_) => 8,
        Value::Text(text) => text.len(),
        Value::Bytes(octets) => octets.len(),
    }
}

/// Puts triggers to rest and lets links be checked at the end; returns what wakes them.
fn rest_triggers(c: &mut Connection) -> Result<Vec<String>, BookError> {
    if !c.is_sqlite() {
        for table in TABLES.iter().map(|t| t.name) {
            if !columns(c, table)?.is_empty() {
                c.batch(&format!("ALTER TABLE {table} DISABLE TRIGGER USER"))?;
            }
        }
        c.batch("SET CONSTRAINTS ALL DEFERRED")?;
        return Ok(Vec::new());
    }
    c.batch("PRAGMA defer_foreign_keys = ON")?;
    let rows = c.all("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger' ORDER BY name", &[])?;
    let mut statements = Vec::new();
    for row in rows {
        c.batch(&format!("DROP TRIGGER {}", row.text(0)?))?;
        statements.push(row.text(1)?);
    }
    Ok(statements)
}

fn wake_triggers(c: &mut Connection, statements: &[String]) -> Result<(), BookError> {
    if c.is_sqlite() {
        for statement in statements {
            c.batch(statement)?;
        }
        return Ok(());
    }
    // A table with link checks outstanding can't be altered.
    c.batch("SET CONSTRAINTS ALL IMMEDIATE")?;
    for table in TABLES.iter().map(|t| t.name) {
        if !columns(c, table)?.is_empty() {
            c.batch(&format!("ALTER TABLE {table} ENABLE TRIGGER USER"))?;
        }
    }
    Ok(())
}

/// Entries compared at a time.
const COMPARED: i64 = 500;

/// Holds each entry of the copy against the one it was copied from.
fn compare_logs(a: &mut Connection, b: &mut Connection, watch: CopyWatch<'_>) -> Result<(), BookError> {
    let total = u64::try_from(a.number("SELECT size FROM log_head WHERE one = 1", &[])?).unwrap_or(0);
    let mut far = Far { watch, stage: Stage::Comparing, done: 0, total };
    let sql = "SELECT sequence, leaf, hash FROM entry WHERE sequence >= $1 ORDER BY sequence LIMIT $2";
    let mut next = 0;
    loop {
        let (ours, theirs) = (a.all(sql, params![next, COMPARED])?, b.all(sql, params![next, COMPARED])?);
        if let Some((one, _)) = ours.iter().zip(&theirs).find(|(one, other)| one != other) {
            return Err(BookError::damaged(format!("entry {} differs in the copy", one.int(0)?)));
        }
        if ours.len() != theirs.len() {
            return Err(BookError::damaged(format!("the copy's log ends after entry {}", next + theirs.len() as i64)));
        }
        far.pass(ours.len() as u64)?;
        match ours.last() {
            Some(last) => next = last.int(0)? + 1,
            None => return Ok(()),
        }
    }
}

impl Book {
    /// Copies the whole book, as it is at this moment, to an empty place on
    /// either engine; compares it entry by entry, and verifies it there. What
    /// stations write here meanwhile is not in the copy: stop them before a move.
    ///
    /// - `check_head`: whether a signed head's signature is good.
    /// - `watch`: can stop it until the copy is verified.
    ///
    /// # Errors
    ///
    /// [`BookError::Exists`] or [`BookError::NotOurs`] where the place is not
    /// empty; [`BookError::Stopped`]; after any failure the place holds no book.
    pub fn copy_to(
        &self,
        location: &Location,
        check_head: Option<CheckHead<'_>>,
        watch: CopyWatch<'_>,
    ) -> Result<(Self, Copied), BookError> {
        self.copy_with(location, &|_| Ok(()), check_head, watch)
    }

    /// The same as a restore, which the copy notes in the transaction that makes it.
    pub(crate) fn copy_restored(
        &self,
        location: &Location,
        check_head: Option<CheckHead<'_>>,
        watch: CopyWatch<'_>,
    ) -> Result<(Self, Copied), BookError> {
        self.copy_with(location, &crate::restored::mark, check_head, watch)
    }

    fn copy_with(
        &self,
        location: &Location,
        after: &dyn Fn(&mut Connection) -> Result<(), BookError>,
        check_head: Option<CheckHead<'_>>,
        watch: CopyWatch<'_>,
    ) -> Result<(Self, Copied), BookError> {
        let (c, rows) = self.copy(location, after, watch)?;
        let book = Self::opened(location.clone(), c)?;
        let verification = book.verified_copy(check_head, watch)?;
        Ok((book, Copied { rows, verification }))
    }

    /// Moves the book to an empty place on either engine: copies it, compares it
    /// entry by entry, verifies it there, and closes this one. Stations wait
    /// meanwhile; what they then try to write here is refused with the new place,
    /// so that no entry is left behind.
    ///
    /// Durable steps, in order: the copy; the mark that closes this book. A crash
    /// between them leaves two books, of which this one is still the one in use.
    ///
    /// - `check_head`: whether a signed head's signature is good.
    /// - `watch`: can stop it until the copy is verified.
    ///
    /// # Errors
    ///
    /// [`BookError::Exists`] or [`BookError::NotOurs`] where the place is not
    /// empty; [`BookError::Stopped`]; [`BookError::Damaged`] where the copy does not verify, as when this
    /// book does not. This book stays in use then.
    pub fn move_to(
        &self,
        location: &Location,
        check_head: Option<CheckHead<'_>>,
        watch: CopyWatch<'_>,
    ) -> Result<(Self, Copied), BookError> {
        let at = crate::by::micros(self.site.created);
        let mut to = location.connect(true)?;
        self.bulk(|tx| {
            // Whoever appends an entry takes the head first, and so waits from here on.
            tx.next_sequence()?;
            let from = tx.connection();
            let rows = transact(&mut to, |to| {
                lay_empty(to, location, MIGRATIONS, at)?;
                let rows = copy_tables(from, to, watch)?;
                compare_logs(from, to, watch)?;
                Ok(rows)
            })?;
            let book = Self::opened(location.clone(), to)?;
            let verification = book.verified_copy(check_head, watch)?;
            if !verification.intact() {
                let what = format!("{} rows or entries differ from its log, so it was not moved", verification.total);
                return Err(BookError::Damaged { what });
            }
            tx.run("UPDATE log_head SET moved_to = $1 WHERE one = 1", params![&location.to_string()])?;
            Ok((book, Copied { rows, verification }))
        })
    }

    /// Where this book went, if it was moved.
    pub fn moved_to(&self) -> Result<Option<String>, BookError> {
        let row = self.read(|c| c.one("SELECT moved_to FROM log_head WHERE one = 1", &[]))?;
        row.filter(|row| !row.is_null(0)).map(|row| row.text(0)).transpose()
    }

    /// Verifies a copy that is there; nobody can stop that.
    fn verified_copy(
        &self,
        check_head: Option<CheckHead<'_>>,
        watch: CopyWatch<'_>,
    ) -> Result<Verification, BookError> {
        self.verify_watched(check_head, &[], &|done, total| {
            watch(Stage::Verifying, done, total);
            true
        })
    }

    pub(crate) fn copy(
        &self,
        location: &Location,
        after: &dyn Fn(&mut Connection) -> Result<(), BookError>,
        watch: CopyWatch<'_>,
    ) -> Result<(Connection, BTreeMap<String, u64>), BookError> {
        let at = crate::by::micros(self.site.created);
        let mut to = location.connect(true)?;
        let rows = self.snapshot(|from| {
            transact(&mut to, |to| {
                lay_empty(to, location, MIGRATIONS, at)?;
                let rows = copy_tables(from, to, watch)?;
                compare_logs(from, to, watch)?;
                after(to)?;
                Ok(rows)
            })
        })?;
        Ok((to, rows))
    }
}
