//! A thin layer under every query: one connection to either engine.
//!
//! Queries are written once, in the SQL that both engines share. What differs
//! is rewritten here and nowhere else:
//!
//! - placeholders are `$1`, `$2`… (SQLite takes them as `?1`, `?2`…);
//! - `{lock:t}` at the end of a SELECT locks the rows of alias `t` until the
//!   transaction ends. On SQLite a writing transaction has the whole book.

mod postgresql;
pub(crate) mod sqlite;
pub(crate) mod tls;
pub(crate) mod value;

pub(crate) use postgresql::Postgresql;
pub(crate) use sqlite::{Sqlite, failed as sqlite_failed};
pub(crate) use value::{P, Row, Value, params};

use std::borrow::Cow;

use crate::error::BookError;

/// What a transaction is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mode {
    /// A short change.
    Write,
    /// A long change: a reel, a delivery, a copy. Waits of the caller's iterator are allowed.
    Bulk,
    /// One unchanging view of the book for as long as it lasts.
    Snapshot,
}

enum Engine {
    Sqlite(Box<Sqlite>),
    Postgresql(Box<Postgresql>),
}

/// Whether an act can be repeated after what went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Repeat {
    No,
    /// Two writers met.
    Contended,
    /// The server went away.
    Away,
}

impl Repeat {
    pub(crate) fn after(error: &BookError) -> Self {
        match error {
            BookError::Contended { .. } => Self::Contended,
            BookError::Away { .. } => Self::Away,
            _ => Self::No,
        }
    }
}

/// One connection, to either engine.
pub(crate) struct Connection {
    engine: Engine,
    /// What the last failure in this transaction allows.
    pub(crate) trouble: Repeat,
}

/// Takes each row of an answer; stops at the first error.
pub(crate) type Each<'a> = &'a mut dyn FnMut(Row) -> Result<(), BookError>;

macro_rules! on_engine {
    ($self:ident, $inner:ident => $call:expr) => {{
        let result = match &mut $self.engine {
            Engine::Sqlite($inner) => $call,
            Engine::Postgresql($inner) => $call,
        };
        if let Err(error) = &result {
            $self.trouble = Repeat::after(error);
        }
        result
    }};
}

impl Connection {
    pub(crate) fn sqlite(engine: Sqlite) -> Self {
        Self { engine: Engine::Sqlite(Box::new(engine)), trouble: Repeat::No }
    }

    pub(crate) fn postgresql(engine: Postgresql) -> Self {
        Self { engine: Engine::Postgresql(Box::new(engine)), trouble: Repeat::No }
    }

    pub(crate) fn is_sqlite(&self) -> bool {
        matches!(self.engine, Engine::Sqlite(_))
    }

    /// Whether nothing can be written through it, as far as it knows itself.
    pub(crate) fn is_read_only(&mut self) -> Result<bool, BookError> {
        match &mut self.engine {
            Engine::Sqlite(c) => c.raw.is_readonly("main").map_err(|e| sqlite_failed("opening the book", e)),
            Engine::Postgresql(_) => {
                let row = self.one("SELECT current_setting('transaction_read_only')", &[])?;
                Ok(row.is_some_and(|row| row.str(0).is_ok_and(|said| said == "on")))
            }
        }
    }

    /// What ends a question that another thread has this connection answer, where it can be ended.
    pub(crate) fn interrupt(&mut self) -> Option<impl Fn() + Send + Sync + use<>> {
        let handle = self.as_sqlite()?.raw.get_interrupt_handle();
        Some(move || handle.interrupt())
    }

    /// SQLite's own connection, for its online backup.
    pub(crate) fn as_sqlite(&mut self) -> Option<&mut Sqlite> {
        match &mut self.engine {
            Engine::Sqlite(sqlite) => Some(sqlite),
            Engine::Postgresql(_) => None,
        }
    }

    #[cfg(test)]
    pub(crate) fn as_postgresql(&mut self) -> Option<&mut Postgresql> {
        match &mut self.engine {
            Engine::Sqlite(_) => None,
            Engine::Postgresql(server) => Some(server),
        }
    }

    pub(crate) fn begin(&mut self, mode: Mode) -> Result<(), BookError> {
        self.trouble = Repeat::No;
        on_engine!(self, c => c.begin(mode))
    }

    /// Lets the open transaction do with less memory: its rows come sorted, by the
    /// index that would else be touched all over.
    pub(crate) fn rows_come_sorted(&mut self) -> Result<(), BookError> {
        self.as_sqlite().map_or(Ok(()), Sqlite::rows_come_sorted)
    }

    pub(crate) fn commit(&mut self) -> Result<(), BookError> {
        on_engine!(self, c => c.commit())
    }

    /// Undoes the open transaction; a connection that can't is of no further use.
    pub(crate) fn rollback(&mut self) -> Result<(), BookError> {
        on_engine!(self, c => c.rollback())
    }

    /// Whether another statement can be tried on it.
    pub(crate) fn usable(&self) -> bool {
        match &self.engine {
            Engine::Sqlite(c) => c.usable(),
            Engine::Postgresql(c) => c.usable(),
        }
    }

    /// Runs one changing statement; the number of rows changed.
    pub(crate) fn run(&mut self, sql: &str, params: &[P<'_>]) -> Result<u64, BookError> {
        on_engine!(self, c => c.run(sql, params))
    }

    /// Runs several statements without parameters.
    pub(crate) fn batch(&mut self, sql: &str) -> Result<(), BookError> {
        on_engine!(self, c => c.batch(sql))
    }

    /// Hands over each row of the answer as it comes.
    pub(crate) fn each(&mut self, sql: &str, params: &[P<'_>], each: Each<'_>) -> Result<(), BookError> {
        on_engine!(self, c => c.each(sql, params, each))
    }

    /// Runs several statements in order, none of which needs another's answer: a
    /// server is asked once. The rows of each; nothing of what follows a failure counts.
    pub(crate) fn several(&mut self, asks: &[Ask<'_>]) -> Result<Vec<Vec<Row>>, BookError> {
        on_engine!(self, c => c.several(asks))
    }

    /// Runs a changing statement now or together with what follows it, at the
    /// latest with the commit; its failure is told then.
    pub(crate) fn later(&mut self, sql: String, params: &[P<'_>]) -> Result<(), BookError> {
        on_engine!(self, c => c.later(sql, params))
    }

    pub(crate) fn all(&mut self, sql: &str, params: &[P<'_>]) -> Result<Vec<Row>, BookError> {
        let mut rows = Vec::new();
        self.each(sql, params, &mut |row| {
            rows.push(row);
            Ok(())
        })?;
        Ok(rows)
    }

    pub(crate) fn one(&mut self, sql: &str, params: &[P<'_>]) -> Result<Option<Row>, BookError> {
        Ok(self.all(sql, params)?.into_iter().next())
    }

    /// The number in the first column of the only row.
    pub(crate) fn number(&mut self, sql: &str, params: &[P<'_>]) -> Result<i64, BookError> {
        self.one(sql, params)?.ok_or_else(|| BookError::damaged(format!("no answer to {sql:?}")))?.int(0)
    }

    /// Inserts many rows, laid one after the other in `values`; those that a
    /// uniqueness rule keeps out are left out, and told by their place in `values`.
    pub(crate) fn insert_rows(&mut self, into: &Into<'_>, values: &[P<'_>]) -> Result<Vec<usize>, BookError> {
        on_engine!(self, c => c.insert_rows(into, values))
    }
}

/// One of several statements that travel together.
pub(crate) struct Ask<'a> {
    pub(crate) sql: Cow<'a, str>,
    pub(crate) params: Vec<P<'a>>,
}

impl<'a> Ask<'a> {
    pub(crate) fn new(sql: impl std::convert::Into<Cow<'a, str>>, params: &[P<'a>]) -> Self {
        Self { sql: sql.into(), params: params.to_vec() }
    }
}

/// Where [`Connection::insert_rows`] puts rows.
pub(crate) struct Into<'a> {
    pub(crate) table: &'a str,
    pub(crate) columns: &'a [&'a str],
    /// Which of the columns is a number that no other row of the same call has.
    /// Without one, a row that is kept out is an error.
    pub(crate) numbered: Option<usize>,
}

/// Rewrites the shared SQL for one engine.
fn rewrite(sql: &str, placeholder: char, lock: impl Fn(&str) -> String) -> String {
    let mut out = String::with_capacity(sql.len() + 16);
    let mut rest = sql;
    while let Some(at) = rest.find(['$', '{']) {
        out.push_str(&rest[..at]);
        let tail = &rest[at..];
        if let Some(after) = tail.strip_prefix("{lock:") {
            let (alias, after) = after.split_once('}').unwrap_or((after, ""));
            out.push_str(&lock(alias));
            rest = after;
        } else {
            out.push(if tail.starts_with('$') { placeholder } else { '{' });
            rest = &tail[1..];
        }
    }
    out.push_str(rest);
    out
}

#[cfg(test)]
mod tests {
    use super::rewrite;

    #[test]
    fn one_text_for_both_engines() {
        let sql = "SELECT a FROM t c WHERE a = $1 AND b = $12 {lock:c}";
        assert_eq!(rewrite(sql, '?', |_| String::new()), "SELECT a FROM t c WHERE a = ?1 AND b = ?12 ");
        assert_eq!(
            rewrite(sql, '$', |t| format!("FOR NO KEY UPDATE OF {t}")),
            "SELECT a FROM t c WHERE a = $1 AND b = $12 FOR NO KEY UPDATE OF c"
        );
    }
}
