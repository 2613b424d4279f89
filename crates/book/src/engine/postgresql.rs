//! PostgreSQL, or any server that speaks its protocol.

use std::collections::{HashMap, HashSet};
use std::time::Duration;

use futures_util::future::{join, join_all, ready};
use futures_util::{StreamExt, TryStreamExt};
use tokio::runtime::Runtime;
use tokio::task::JoinHandle;
use tokio_postgres::types::{ToSql, Type};
use tokio_postgres::{Client, Config, Error, NoTls, Statement};

use super::sqlite::short;
use super::tls::Tls;
use super::value::{P, Row, Value};
use super::{Ask, Each, Into, Mode, rewrite};
use crate::error::BookError;

/// Statements kept prepared on one connection.
const STATEMENTS: usize = 200;

/// Rows taken from the socket at a time where there are many.
const ROWS: usize = 256;

/// How long a connection is given to say goodbye.
const GOODBYE: Duration = Duration::from_millis(200);

/// One connection. A way to the server and back costs more than most statements
/// do there, so what does not depend on an answer travels together: a short
/// transaction's beginning with its first questions, what was put off with its
/// commit. The server still runs one statement after the other, in this order.
pub(crate) struct Postgresql {
    /// Both are there until the connection is dropped.
    client: Option<Client>,
    wire: Option<Wire>,
    prepared: HashMap<String, Statement>,
    /// A transaction that was begun here and of which the server knows nothing yet.
    unsaid: Option<&'static str>,
    /// Statements that go with the next ones, or with the commit.
    later: Vec<(String, Vec<Value>)>,
}

/// What carries the connection while something is waited for.
struct Wire {
    runtime: Runtime,
    task: JoinHandle<()>,
}

impl Postgresql {
    /// Connects, and makes sure that a commit of this session is durable
    /// whatever the server's default is.
    pub(crate) fn open(config: &Config, tls: &Tls) -> Result<Self, BookError> {
        let mut config = config.clone();
        if config.get_connect_timeout().is_none() {
            config.connect_timeout(Duration::from_secs(5));
        }
        config.keepalives_idle(Duration::from_secs(15)).tcp_user_timeout(Duration::from_secs(20));
        config.application_name("touchmark");
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|source| BookError::Database { doing: "starting a connection".into(), source: source.into() })?;
        let connector = tls
            .connector()
            .map_err(|source| BookError::Database { doing: "preparing TLS".into(), source: source.into() })?;
        let connecting = |e| failed("connecting", e);
        // How a connection ended is told to whoever waits for an answer.
        let (client, task) = match connector {
            None => {
                let (client, connection) = runtime.block_on(config.connect(NoTls)).map_err(connecting)?;
                (client, runtime.spawn(async { drop(connection.await) }))
            }
            Some(connector) => {
                let (client, connection) = runtime.block_on(config.connect(connector)).map_err(connecting)?;
                (client, runtime.spawn(async { drop(connection.await) }))
            }
        };
        // A station that hangs with a chip's row in its hand must not hold up the others for ever.
        let setup = "SET synchronous_commit = on;
                     SET lock_timeout = '30s';
                     SET idle_in_transaction_session_timeout = '60s';
                     SET client_min_messages = warning;";
        runtime.block_on(client.batch_execute(setup)).map_err(|e| failed("setting up the connection", e))?;
        Ok(Self {
            client: Some(client),
            wire: Some(Wire { runtime, task }),
            prepared: HashMap::new(),
            unsaid: None,
            later: Vec::new(),
        })
    }

    fn parts(&self) -> Result<(&Client, &Runtime), BookError> {
        match (&self.client, &self.wire) {
            (Some(client), Some(wire)) => Ok((client, &wire.runtime)),
            _ => Err(BookError::damaged("a connection was used after its end")),
        }
    }

    /// A short transaction's beginning waits for its first statement, so whether
    /// the server is there shows only then.
    pub(crate) fn begin(&mut self, mode: Mode) -> Result<(), BookError> {
        match mode {
            Mode::Write => {
                self.unsaid = Some("BEGIN ISOLATION LEVEL READ COMMITTED");
                Ok(())
            }
            Mode::Bulk => self.batch(
                "BEGIN ISOLATION LEVEL READ COMMITTED; SET LOCAL idle_in_transaction_session_timeout = 0;
                 SET LOCAL lock_timeout = 0",
            ),
            Mode::Snapshot => self.batch(
                "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY; SET LOCAL idle_in_transaction_session_timeout = 0",
            ),
        }
    }

    /// Sends what was put off together with the commit. Where any of it fails, the
    /// server answers the commit by rolling back, and the first failure is told.
    pub(crate) fn commit(&mut self) -> Result<(), BookError> {
        if self.unsaid.is_some() && self.later.is_empty() {
            self.unsaid = None;
            return Ok(());
        }
        self.together(&[], Some("COMMIT")).map(drop)
    }

    pub(crate) fn rollback(&mut self) -> Result<(), BookError> {
        self.later.clear();
        if self.unsaid.take().is_some() {
            return Ok(());
        }
        self.batch("ROLLBACK")
    }

    pub(crate) fn usable(&self) -> bool {
        self.client.as_ref().is_some_and(|client| !client.is_closed())
    }

    pub(crate) fn batch(&mut self, sql: &str) -> Result<(), BookError> {
        self.catch_up()?;
        let (client, runtime) = self.parts()?;
        runtime.block_on(client.batch_execute(sql)).map_err(|e| failed(sql, e))
    }

    /// Sends what waits, where anything does.
    fn catch_up(&mut self) -> Result<(), BookError> {
        if self.unsaid.is_none() && self.later.is_empty() { Ok(()) } else { self.together(&[], None).map(drop) }
    }

    /// Puts a statement off: it goes with the next ones or with the commit, in this
    /// order, and its failure is told there.
    pub(crate) fn later(&mut self, sql: String, params: &[P<'_>]) -> Result<(), BookError> {
        self.later.push((sql, params.iter().map(|p| p.to_value()).collect()));
        Ok(())
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
        let (client, runtime) = self.parts()?;
        let statement = runtime.block_on(client.prepare(&text)).map_err(|e| failed(sql, e))?;
        self.prepared.insert(sql.to_owned(), statement.clone());
        Ok(statement)
    }

    /// All statements that ran on this connection, as the server takes them, for a test of their plans.
    #[cfg(test)]
    pub(crate) fn statements(&self) -> Vec<String> {
        self.prepared.keys().map(|sql| rewrite(sql, '$', |alias| format!("FOR NO KEY UPDATE OF {alias}"))).collect()
    }

    /// A single text in answer, for a test of plans.
    #[cfg(test)]
    pub(crate) fn told(&mut self, sql: &str) -> Result<String, BookError> {
        let (client, runtime) = self.parts()?;
        let messages = runtime.block_on(client.simple_query(sql)).map_err(|e| failed(sql, e))?;
        let texts = messages.iter().filter_map(|message| match message {
            tokio_postgres::SimpleQueryMessage::Row(row) => row.get(0),
            _ => None,
        });
        Ok(texts.collect())
    }

    /// Several statements on one way to the server and back, in order, with all that
    /// was put off before them; `end` goes last. The first failure is told.
    fn together(&mut self, asks: &[Ask<'_>], end: Option<&str>) -> Result<Vec<Vec<Row>>, BookError> {
        let begin = self.unsaid.take();
        let later = std::mem::take(&mut self.later);
        let before: Vec<Vec<P<'_>>> =
            later.iter().map(|(_, values)| values.iter().map(Value::as_param).collect()).collect();
        let all: Vec<(&str, &[P<'_>])> = later
            .iter()
            .zip(&before)
            .map(|((sql, _), params)| (sql.as_str(), params.as_slice()))
            .chain(asks.iter().map(|ask| (ask.sql.as_ref(), ask.params.as_slice())))
            .collect();
        let statements: Vec<Statement> =
            all.iter().map(|(sql, _)| self.statement(sql)).collect::<Result<_, BookError>>()?;
        let (client, runtime) = self.parts()?;
        // Each is sent when it is first polled, and they are polled in this order.
        let first = async {
            match begin {
                Some(sql) => client.batch_execute(sql).await.map_err(|e| failed(sql, e)),
                None => Ok(()),
            }
        };
        let middle = join_all(statements.iter().zip(&all).map(|(statement, (sql, params))| async move {
            let params = params.iter().map(|p| p as &dyn ToSql);
            let rows = client.query_raw(statement, ExactlyAs(params)).await.map_err(|e| failed(sql, e))?;
            rows.map_err(|e| failed(sql, e)).and_then(|row| ready(read(sql, &row))).try_collect().await
        }));
        let last = async {
            match end {
                Some(sql) => client.batch_execute(sql).await.map_err(|e| failed(sql, e)),
                None => Ok(()),
            }
        };
        let (first, (middle, last)) = runtime.block_on(join(first, join(middle, last)));
        first?;
        let mut answers = middle.into_iter().collect::<Result<Vec<Vec<Row>>, BookError>>()?;
        last?;
        Ok(answers.split_off(later.len()))
    }

    pub(crate) fn several(&mut self, asks: &[Ask<'_>]) -> Result<Vec<Vec<Row>>, BookError> {
        self.together(asks, None)
    }

    pub(crate) fn run(&mut self, sql: &str, params: &[P<'_>]) -> Result<u64, BookError> {
        self.catch_up()?;
        let statement = self.statement(sql)?;
        let params: Vec<_> = params.iter().map(|p| p as &(dyn ToSql + Sync)).collect();
        let (client, runtime) = self.parts()?;
        runtime.block_on(client.execute(&statement, &params)).map_err(|e| failed(sql, e))
    }

    pub(crate) fn each(&mut self, sql: &str, params: &[P<'_>], each: Each<'_>) -> Result<(), BookError> {
        self.catch_up()?;
        let statement = self.statement(sql)?;
        let params = params.iter().map(|p| p as &dyn ToSql);
        let (client, runtime) = self.parts()?;
        let rows = runtime.block_on(client.query_raw(&statement, ExactlyAs(params))).map_err(|e| failed(sql, e))?;
        // The caller's work is done outside the runtime: it may ask another connection.
        let mut rows = std::pin::pin!(rows.ready_chunks(ROWS));
        while let Some(some) = runtime.block_on(rows.next()) {
            for row in some {
                each(read(sql, &row.map_err(|e| failed(sql, e))?)?)?;
            }
        }
        Ok(())
    }

    /// One statement a batch: each column goes over as an array.
    pub(crate) fn insert_rows(&mut self, into: &Into<'_>, values: &[P<'_>]) -> Result<Vec<usize>, BookError> {
        self.catch_up()?;
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
            let (client, runtime) = self.parts()?;
            runtime.block_on(client.execute(&statement, &params)).map_err(|e| failed(&insert, e))?;
            return Ok(Vec::new());
        };
        let sql = format!("{insert} ON CONFLICT DO NOTHING RETURNING {}", into.columns[numbered]);
        let statement = self.statement(&sql)?;
        let (client, runtime) = self.parts()?;
        let rows = runtime.block_on(client.query(&statement, &params)).map_err(|e| failed(&sql, e))?;
        let taken: HashSet<i64> =
            rows.iter().map(|row| row.try_get(0)).collect::<Result<_, _>>().map_err(|e| failed(&sql, e))?;
        let kept_out = |(_, row): &(usize, &[P<'_>])| !matches!(row[numbered], P::Int(n) if taken.contains(&n));
        Ok(values.chunks_exact(width).enumerate().filter(kept_out).map(|(place, _)| place).collect())
    }
}

/// One row of an answer, in the four kinds of value that the book has.
fn read(sql: &str, row: &tokio_postgres::Row) -> Result<Row, BookError> {
    let told = |e| failed(sql, e);
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
    Ok(Row(values))
}

impl Drop for Postgresql {
    /// Takes leave, so that the server need not find the line dead.
    fn drop(&mut self) {
        drop(self.client.take());
        let Some(Wire { runtime, task }) = self.wire.take() else { return };
        if tokio::runtime::Handle::try_current().is_ok() {
            // Nothing may be waited for here; the socket closes by itself.
            runtime.shutdown_background();
        } else {
            // Whether it could be said does not matter: the socket closes then.
            drop(runtime.block_on(async { tokio::time::timeout(GOODBYE, task).await }));
        }
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
        "25006" => BookError::ReadOnly { source: error.into() },
        // A role that may only read is refused the tables when it writes, or locks rows to write them.
        "42501" if !doing.trim_start().starts_with("SELECT") || doing.contains("{lock:") => {
            BookError::ReadOnly { source: error.into() }
        }
        "57P01" | "57P02" | "57P03" | "25P03" => BookError::Away { source: error.into() },
        _ if code.starts_with("23") => {
            let name = db.constraint().map_or_else(String::new, |name| format!(" ({name})"));
            BookError::Rule { rule: format!("{}{name}", db.message()) }
        }
        _ if code.starts_with("08") => BookError::Away { source: error.into() },
        _ => BookError::Database { doing: short(doing), source: error.into() },
    }
}
