//! The log: every change of the book, in order, each an entry that vouches for
//! the rows it changed, each a leaf of one Merkle tree.
//!
//! An entry is appended in the transaction of its act: there is no change
//! without an entry and no entry without its change. Acts look and lock first,
//! take the log's head (`Tx::next_sequence`), then write: the head is the one
//! place where writers queue, and it is held no longer than needed.

pub(crate) mod entry;
mod heads;
mod proofs;
pub(crate) mod rows;
pub mod tree;
mod verify;
mod vouched;

pub use entry::{Entry, Subject};
pub use heads::{Head, Sign, SignHeadError, SignedHead};
pub use proofs::{Consistency, Inclusion};
pub use verify::{CheckHead, Damage, DamageKind, Verification, Watch};
pub use vouched::{Cell, Vouched, row_digest};

use serde_json::Value as Json;

use self::rows::{Mention, Table};
use self::tree::{Frontier, Node};
use crate::by::By;
use crate::engine::{Into, P, Row, params};
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

impl Tx<'_> {
    /// The sequence number that this transaction's next entry will have. Takes
    /// the log's head: from here on other writers wait until this one is done.
    pub(crate) fn next_sequence(&mut self) -> Result<i64, BookError> {
        if self.log.is_none() {
            let row = self
                .one("SELECT size, peaks, moved_to FROM log_head h WHERE one = 1 {lock:h}", &[])?
                .ok_or_else(|| BookError::damaged("the log's head is missing"))?;
            if !row.is_null(2) {
                return Err(BookError::Moved { to: row.text(2)? });
            }
            let size = u64::try_from(row.int(0)?).map_err(|_| BookError::damaged("the log's size is negative"))?;
            self.log = Some(Frontier::from_parts(size, &row.bytes(1)?)?);
        }
        let size = self.log.as_ref().map_or(0, |log| log.size);
        i64::try_from(size).map_err(|_| BookError::damaged("the log's size is no number"))
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
        self.run(
            "INSERT INTO entry (sequence, at, act, actor, station, subject_kind, subject, leaf, hash, fingerprints) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
            params![
                sequence,
                by.micros(),
                draft.act,
                by.actor.as_str(),
                by.station.as_ref().map(|s| s.as_str()),
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
            let into = Into { table: "log_node", columns: &["level", "number", "hash"], numbered: None };
            self.insert_rows(&into, &values)?;
        }
        self.run("UPDATE log_head SET size = $1, peaks = $2 WHERE one = 1", params![size, &peaks])?;
        self.appended = Some((sequence, hash));
        Ok(Sequence(sequence))
    }
}
