//! PostgreSQL, or any server that speaks its protocol.

use std::collections::{HashMap, HashSet};
use std::time::Duration;

use postgres::fallible_iterator::FallibleIterator;
use postgres::types::{ToSql, Type};
use postgres::{Client, Config, Error, NoTls, Statement};

use super::sqlite::short;
use super::value::{P, Row, Value};
use super::{Each, Into, Mode, rewrite};
use crate::error::BookError;

/// Statements kept prepared on one connection.
const STATEMENTS: usize = 200;

pub(crate) struct Postgresql {
    client: Client,
    prepared: HashMap<String, Statement>,
}

impl Postgresql {
    /// Connects, and makes sure that a commit of this session is durable
    /// whatever the server's default is.
    pub(crate) fn open(config: &Config) -> Result<Self, BookError> {
        let mut config = config.clone();
        if config.get_connect_timeout().is_none() {
            config.connect_timeout(Duration::from_secs(5));
        }
        config.keepalives_idle(Duration::from_secs(15)).tcp_user_timeout(Duration::from_secs(20));
        config.application_name("touchmark");
        let mut client = config.connect(NoTls).map_err(|e| failed("connecting", e))?;
        // A station that hangs with a chip's row in its hand must not hold up the others for ever.
        client
            .batch_execute(
                "SET synchronous_commit = on;
                 SET lock_timeout = '30s';
                 SET idle_in_transaction_session_timeout = '60s';
                 SET client_min_messages = warning;",
            )
            .map_err(|e| failed("setting up the session", e))?;
        Ok(Self { client, prepared: HashMap::new() })
    }

    pub(crate) fn begin(&mut self, mode: Mode) -> Result<(), BookError> {
        self.batch(match mode {
            Mode::Write => "BEGIN ISOLATION LEVEL READ COMMITTED",
            Mode::Bulk => {
                "BEGIN ISOLATION LEVEL READ COMMITTED; SET LOCAL idle_in_transaction_session_timeout = 0;
                 SET LOCAL lock_timeout = 0"
            }
            Mode::Snapshot => {
                "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY; SET LOCAL idle_in_transaction_session_timeout = 0"
            }
        })
    }

    pub(crate) fn commit(&mut self) -> Result<(), BookError> {
        self.batch("COMMIT")
    }

    pub(crate) fn rollback(&mut self) -> Result<(), BookError> {
        self.batch("ROLLBACK")
    }

    pub(crate) fn usable(&self) -> bool {
        !self.client.is_closed()
    }

    pub(crate) fn batch(&mut self, sql: &str) -> Result<(), BookError> {
        self.client.batch_execute(sql).map_err(|e| failed(sql, e))
    }

    fn statement(&mut self, sql: &str) -> Result<Statement, BookError> {
        if let Some(statement) = self.prepared.get(sql) {
            return Ok(statement.clone());
        }
        if self.prepared.len() >= STATEMENTS {
            self.prepared.clear();
        }
        // Only columns that no foreign key points at are ever changed, so the
        // weaker lock is enough, and lets rows that point here be added meanwhile.
        let text = rewrite(sql, '$', |alias| format!("FOR NO KEY UPDATE OF {alias}"));
        let statement = self.client.prepare(&text).map_err(|e| failed(sql, e))?;
        self.prepared.insert(sql.to_owned(), statement.clone());
        Ok(statement)
    }

    pub(crate) fn run(&mut self, sql: &str, params: &[P<'_>]) -> Result<u64, BookError> {
        let statement = self.statement(sql)?;
        let params: Vec<_> = params.iter().map(|p| p as &(dyn ToSql + Sync)).collect();
        self.client.execute(&statement, &params).map_err(|e| failed(sql, e))
    }

    pub(crate) fn each(&mut self, sql: &str, params: &[P<'_>], each: Each<'_>) -> Result<(), BookError> {
        let statement = self.statement(sql)?;
        let params = params.iter().map(|p| p as &dyn ToSql);
        let told = |e| failed(sql, e);
        let mut rows = self.client.query_raw(&statement, ExactlyAs(params)).map_err(told)?;
        while let Some(row) = rows.next().map_err(told)? {
            let mut values = Vec::with_capacity(row.len());
            for (column, about) in row.columns().iter().enumerate() {
                let value = match *about.type_() {
                    Type::INT8 => row.try_get::<_, Option<i64>>(column).map_err(told)?.map(Value::Int),
                    Type::INT4 => row.try_get::<_, Option<i32>>(column).map_err(told)?.map(|v| Value::Int(v.into())),
                    Type::BYTEA => row.try_get::<_, Option<Vec<u8>>>(column).map_err(told)?.map(Value::Bytes),
                    Type::BOOL => row.try_get::<_, Option<bool>>(column).map_err(told)?.map(|v| Value::Int(v.into())),
                    _ => row.try_get::<_, Option<String>>(column).map_err(told)?.map(Value::Text),
                };
                values.push(value.unwrap_or(Value::Null));
            }
            each(Row(values))?;
        }
        Ok(())
    }

    /// One statement a batch: each column goes over as an array.
    pub(crate) fn insert_rows(&mut self, into: &Into<'_>, values: &[P<'_>]) -> Result<Vec<usize>, BookError> {
        let width = into.columns.len();
        let columns: Vec<_> = (0..width).map(|n| Column::of(values.iter().skip(n).step_by(width))).collect();
        // A column without any value has no type to go over with; it stays empty by itself.
        let filled: Vec<usize> = (0..width).filter(|n| !matches!(columns[*n], Column::Empty)).collect();
        if values.is_empty() || filled.is_empty() {
            return Ok(Vec::new());
        }
        let names: Vec<_> = filled.iter().map(|n| into.columns[*n]).collect();
        let arrays: Vec<_> =
            filled.iter().enumerate().map(|(at, n)| format!("${}::{}[]", at + 1, columns[*n].type_name())).collect();
        let insert =
            format!("INSERT INTO {} ({}) SELECT * FROM unnest({})", into.table, names.join(", "), arrays.join(", "));
        let params: Vec<&(dyn ToSql + Sync)> = filled.iter().map(|n| columns[*n].as_param()).collect();
        let Some(numbered) = into.numbered else {
            let statement = self.statement(&insert)?;
            self.client.execute(&statement, &params).map_err(|e| failed(&insert, e))?;
            return Ok(Vec::new());
        };
        let sql = format!("{insert} ON CONFLICT DO NOTHING RETURNING {}", into.columns[numbered]);
        let statement = self.statement(&sql)?;
        let rows = self.client.query(&statement, &params).map_err(|e| failed(&sql, e))?;
        let taken: HashSet<i64> =
            rows.iter().map(|row| row.try_get(0)).collect::<Result<_, _>>().map_err(|e| failed(&sql, e))?;
        let kept_out = |(_, row): &(usize, &[P<'_>])| !matches!(row[numbered], P::Int(n) if taken.contains(&n));
        Ok(values.chunks_exact(width).enumerate().filter(kept_out).map(|(place, _)| place).collect())
    }
}

/// The values of one column, as the protocol takes an array.
enum Column<'a> {
    Empty,
    Ints(Vec<Option<i64>>),
    Texts(Vec<Option<&'a str>>),
    Octets(Vec<Option<&'a [u8]>>),
}

impl<'a> Column<'a> {
    fn of(values: impl Iterator<Item = &'a P<'a>> + Clone) -> Self {
        match values.clone().find(|value| **value != P::Null) {
            None => Self::Empty,
            Some(P::Int(_)) => Self::Ints(values.map(|v| if let P::Int(n) = v { Some(*n) } else { None }).collect()),
            Some(P::Text(_)) => Self::Texts(values.map(|v| if let P::Text(t) = v { Some(*t) } else { None }).collect()),
            Some(_) => Self::Octets(values.map(|v| if let P::Bytes(b) = v { Some(*b) } else { None }).collect()),
        }
    }

    fn type_name(&self) -> &'static str {
        match self {
            Self::Empty | Self::Texts(_) => "text",
            Self::Ints(_) => "bigint",
            Self::Octets(_) => "bytea",
        }
    }

    fn as_param(&self) -> &(dyn ToSql + Sync) {
        match self {
            Self::Empty => &None::<i64>,
            Self::Ints(values) => values,
            Self::Texts(values) => values,
            Self::Octets(values) => values,
        }
    }
}

/// An iterator that knows its length, as the client library wants it.
struct ExactlyAs<I>(I);

impl<I: ExactSizeIterator> IntoIterator for ExactlyAs<I> {
    type Item = I::Item;
    type IntoIter = I;
    fn into_iter(self) -> I {
        self.0
    }
}

fn failed(doing: &str, error: Error) -> BookError {
    let Some(db) = error.as_db_error() else {
        // No answer from the server: it can't be reached, or the line went dead.
        let away = error.is_closed() || std::error::Error::source(&error).is_some_and(|s| s.is::<std::io::Error>());
        return if away {
            BookError::Away { source: error.into() }
        } else {
            BookError::Database { doing: short(doing), source: error.into() }
        };
    };
    // Classes and codes: PostgreSQL 15 documentation, appendix A.
    let code = db.code().code();
    match code {
        "40001" | "40P01" => BookError::Contended { source: error.into() },
        "55P03" => BookError::Busy { seconds: 30 },
        "53100" => BookError::Full { source: error.into() },
        "57P01" | "57P02" | "57P03" | "25P03" => BookError::Away { source: error.into() },
        _ if code.starts_with("23") => {
            let name = db.constraint().map_or_else(String::new, |name| format!(" ({name})"));
            BookError::Rule { rule: format!("{}{name}", db.message()) }
        }
        _ if code.starts_with("08") => BookError::Away { source: error.into() },
        _ => BookError::Database { doing: short(doing), source: error.into() },
    }
}
