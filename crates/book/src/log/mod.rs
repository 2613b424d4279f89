//! The log: every change of the book, in order, each an entry that vouches for
//! the rows it changed, each a leaf of one Merkle tree.
//!
//! An entry is appended in the transaction of its act: there is no change
//! without an entry and no entry without its change. Acts look and lock first,
//! take the log's head (`Tx::next_sequence`), then write: the head is the one
//! place where writers queue, and it is held no longer than needed.

pub(crate) mod entry;
mod heads;
pub(crate) mod proofs;
pub(crate) mod rows;
pub mod tree;
mod verify;
mod vouched;

pub use entry::{Entry, Subject};
pub use heads::{Head, Sign, SignHeadError, SignedHead};
pub use proofs::{Consistency, Inclusion};
pub use verify::{CheckHead, Damage, DamageKind, Verification, Watch};
pub use vouched::{Cell, Vouched, row_digest};

use std::borrow::Cow;

use serde_json::Value as Json;

use self::rows::{Mention, Table};
use self::tree::{Frontier, Node};
use crate::by::By;
use crate::engine::{Ask, P, Row, params};
use crate::error::BookError;
use crate::ids::Sequence;
use crate::transaction::Tx;

/// What an act says of itself, before it has a place in the log.
pub(crate) struct Draft<'a> {
    pub(crate) act: &'a str,
    pub(crate) subject: Subject,
    pub(crate) body: Json,
    pub(crate) fingerprints: Option<&'a [u8]>,
}

impl<'a> Draft<'a> {
    pub(crate) fn new(act: &'a str, subject: Subject, body: Json) -> Self {
        Self { act, subject, body, fingerprints: None }
    }
}

/// Locks the log's head.
const HEAD: &str = "SELECT size, peaks, moved_to FROM log_head h WHERE one = 1 {lock:h}";

/// One of several changes that travel together.
pub(crate) struct Change<'a> {
    /// Whose rows are noted for the entry; none where the entry need not vouch for them.
    table: Option<&'static Table>,
    ask: Ask<'a>,
}

impl<'a> Change<'a> {
    /// An INSERT or UPDATE of the rows of one key, of which one at least must be there.
    pub(crate) fn of(table: &'static Table, sql: &'a str, params: &[P<'a>]) -> Self {
        Self { table: Some(table), ask: Ask::new(sql, params) }
    }

    /// A new row: the values of the table's columns, and the entry.
    pub(crate) fn row(table: &'static Table, params: &[P<'a>]) -> Self {
        Self { table: Some(table), ask: Ask::new(table.insert(), params) }
    }

    /// A change that is not noted.
    pub(crate) fn unnoted(sql: impl Into<Cow<'a, str>>, params: &[P<'a>]) -> Self {
        Self { table: None, ask: Ask::new(sql, params) }
    }

    fn ask(&self) -> Ask<'_> {
        let sql = match self.table {
            None => Cow::Borrowed(self.ask.sql.as_ref()),
            Some(table) => format!("{} RETURNING {}, {}", self.ask.sql, table.key.join(", "), table.columns).into(),
        };
        Ask { sql, params: self.ask.params.clone() }
    }
}

/// `($1, $2), ($3, $4)`: places for so many rows of so many columns.
pub(crate) fn places(rows: usize, columns: usize) -> String {
    let row = |n: usize| {
        let all: Vec<_> = (1..=columns).map(|c| format!("${}", n * columns + c)).collect();
        format!("({})", all.join(", "))
    };
    (0..rows).map(row).collect::<Vec<_>>().join(", ")
}

impl Tx<'_> {
    /// The sequence number that this transaction's next entry will have. Takes
    /// the log's head: from here on other writers wait until this one is done.
    pub(crate) fn next_sequence(&mut self) -> Result<i64, BookError> {
        if self.log.is_none() {
            let answer = self.one(HEAD, &[])?;
            self.take_head(answer)?;
        }
        let size = self.log.as_ref().map_or(0, |log| log.size);
        i64::try_from(size).map_err(|_| BookError::damaged("the log's size is no number"))
    }

    fn take_head(&mut self, answer: Option<Row>) -> Result<(), BookError> {
        let row = answer.ok_or_else(|| BookError::damaged("the log's head is missing"))?;
        if !row.is_null(2) {
            return Err(BookError::Moved { to: row.text(2)? });
        }
        let size = u64::try_from(row.int(0)?).map_err(|_| BookError::damaged("the log's size is negative"))?;
        let head = Frontier::from_parts(size, &row.bytes(1)?)?;
        self.taken = Some(head.clone());
        self.log = Some(head);
        Ok(())
    }

    /// Asks `before`, takes the log's head, then asks `after`, on one way to the
    /// server and back. The answers, and the next entry's sequence number.
    pub(crate) fn several_at_head(
        &mut self,
        before: Vec<Ask<'_>>,
        after: Vec<Ask<'_>>,
    ) -> Result<(Vec<Vec<Row>>, i64), BookError> {
        let place = before.len();
        let mut asks = before;
        asks.push(Ask::new(HEAD, &[]));
        asks.extend(after);
        let mut answers = self.several(&asks)?;
        let head = answers.remove(place).into_iter().next();
        self.take_head(head)?;
        Ok((answers, self.next_sequence()?))
    }

    /// Changes rows on one way to the server and back, in order, each as [`Tx::change`]
    /// does; the rows that each gives back.
    pub(crate) fn changes(&mut self, changes: &[Change<'_>]) -> Result<Vec<Vec<Row>>, BookError> {
        let asks: Vec<_> = changes.iter().map(Change::ask).collect();
        let mut answers = self.several(&asks)?;
        for (change, rows) in changes.iter().zip(&mut answers) {
            let Some(table) = change.table else { continue };
            let Some(first) = rows.first() else {
                return Err(BookError::damaged(format!("a row of {} is gone or already there", table.name)));
            };
            let key = table.key_text(first);
            for row in rows.iter_mut() {
                row.0.drain(..table.key.len());
            }
            self.mention(table, key, rows);
        }
        Ok(answers)
    }

    /// Changes rows of one key and notes their digest for the entry. `sql` is an
    /// INSERT or UPDATE; what it returns is added here. `None` where no row was changed.
    pub(crate) fn change(
        &mut self,
        table: &'static Table,
        sql: &str,
        params: &[P<'_>],
    ) -> Result<Option<Row>, BookError> {
        let keys = table.key.join(", ");
        let rows = self.all(&format!("{sql} RETURNING {keys}, {}", table.columns), params)?;
        let Some(first) = rows.into_iter().next() else { return Ok(None) };
        let key = table.key_text(&first);
        let row = Row(first.0[table.key.len()..].to_vec());
        self.mention(table, key, std::slice::from_ref(&row));
        Ok(Some(row))
    }

    /// The same, where the row must be there: another writer can't have taken it.
    pub(crate) fn change_one(&mut self, table: &'static Table, sql: &str, params: &[P<'_>]) -> Result<Row, BookError> {
        self.change(table, sql, params)?
            .ok_or_else(|| BookError::damaged(format!("a row of {} is gone or already there", table.name)))
    }

    /// A new row: the values of the table's columns, and the entry.
    pub(crate) fn insert(&mut self, table: &'static Table, params: &[P<'_>]) -> Result<Row, BookError> {
        self.change_one(table, &table.insert(), params)
    }

    /// The same; none where a row of its key is there.
    pub(crate) fn insert_new(&mut self, table: &'static Table, params: &[P<'_>]) -> Result<Option<Row>, BookError> {
        self.change(table, &format!("{} ON CONFLICT DO NOTHING", table.insert()), params)
    }

    /// Notes the digest of rows already written.
    pub(crate) fn mention(&mut self, table: &'static Table, key: String, rows: &[Row]) {
        let digest = rows::digest_rows(table, rows);
        self.mentions.push(Mention { table: table.name, key, digest });
    }

    /// Appends the entry of this act, with all the rows noted since the last one.
    pub(crate) fn append(&mut self, draft: Draft<'_>, by: &By) -> Result<Sequence, BookError> {
        let sequence = self.next_sequence()?;
        let mentions = std::mem::take(&mut self.mentions);
        let leaf = entry::leaf(sequence, &draft, by, &mentions)?;
        let hash = tree::leaf_hash(leaf.as_bytes());
        let station = by.station.as_ref().map(|s| s.as_str());
        // None of the three gives anything back, so they go with the commit.
        self.later(
            "INSERT INTO entry (sequence, at, act, actor, station, subject_kind, subject, leaf, hash, fingerprints) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)"
                .into(),
            params![
                sequence,
                by.micros(),
                draft.act,
                by.actor.as_str(),
                station,
                draft.subject.kind(),
                draft.subject.id(),
                &leaf,
                &hash,
                draft.fingerprints,
            ],
        )?;
        let mut made = Vec::new();
        let log = self.log.as_mut().ok_or_else(|| BookError::damaged("the log's head was not taken"))?;
        log.append(hash, |node| {
            made.push(node);
            Ok(())
        })?;
        let (size, peaks) = (sequence + 1, log.peaks());
        let mut values = Vec::with_capacity(made.len() * 3);
        for Node { level, number, hash } in &made {
            values.extend([
                P::Int(i64::from(*level)),
                P::Int(i64::try_from(*number).unwrap_or(i64::MAX)),
                P::Bytes(hash),
            ]);
        }
        if !values.is_empty() {
            self.later(
                format!("INSERT INTO log_node (level, number, hash) VALUES {}", places(made.len(), 3)),
                &values,
            )?;
        }
        self.later("UPDATE log_head SET size = $1, peaks = $2 WHERE one = 1".into(), params![size, &peaks])?;
        self.appended = Some((sequence, hash));
        Ok(Sequence(sequence))
    }
}
