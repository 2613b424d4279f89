//! The log's head, and its signing by a key that the book never sees.

use time::OffsetDateTime;

use super::proofs;
use super::tree::{self, Hash};
use crate::by::{micros, moment, rfc3339};
use crate::engine::{Row, params};
use crate::error::BookError;
use crate::{Book, Stop};

/// What the log is at one moment: all that came before is fixed by `root`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    pub size: u64,
    /// Hash of their tree (RFC 9162 §2.1.1).
    pub root: Hash,
}

/// A head with a signature over its statement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignedHead {
    pub head: Head,
    /// When it was signed.
    pub at: OffsetDateTime,
    /// Names the key, as the signer names it.
    pub key_id: String,
    /// What is signed, octet for octet: canonical JSON of `at`, `root`, `site`, `size`.
    pub statement: String,
    /// The signature, as the signer gave it.
    pub signature: Vec<u8>,
}

impl SignedHead {
    pub(super) const COLUMNS: &'static str = "size, root, at, key_id, statement, signature";

    pub(super) fn read(row: &Row) -> Result<Self, BookError> {
        let size = u64::try_from(row.int(0)?).map_err(|_| BookError::damaged("a signed head's size is negative"))?;
        Ok(Self {
            head: Head { size, root: row.array(1)? },
            at: moment(row.int(2)?)?,
            key_id: row.text(3)?,
            statement: row.text(4)?,
            signature: row.bytes(5)?,
        })
    }
}

/// Signs a statement's octets; the book never sees the key.
pub type Sign<'a> = &'a mut dyn FnMut(&[u8]) -> Result<Vec<u8>, Stop>;

/// Why the head was not signed.
#[derive(Debug, thiserror::Error)]
pub enum SignHeadError {
    /// The key gave no signature; asking again is safe.
    #[error("the log's head was not signed: the key gave no signature")]
    Signer(#[source] Stop),
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

pub(super) fn statement(site: &str, head: &Head, at: i64) -> Result<String, BookError> {
    let statement = serde_json::json!({
        "site": site, "size": head.size, "root": hex::encode(head.root), "at": rfc3339(at)?,
    });
    serde_json_canonicalizer::to_string(&statement)
        .map_err(|e| BookError::Database { doing: "writing a head".into(), source: e.into() })
}

impl Book {
    /// The log as it is now.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer, or the log has no head.
    pub fn head(&self) -> Result<Head, BookError> {
        self.snapshot(|c| {
            let size = proofs::size(c)?;
            Ok(Head { size, root: tree::root_at(size, &mut |level, number| proofs::node(c, level, number))? })
        })
    }

    /// Has the present head signed and keeps the signature. `sign` is given the
    /// statement's octets; a key that takes long to sign holds up nobody.
    ///
    /// # Errors
    ///
    /// [`SignHeadError::Signer`] where `sign` failed: nothing is kept.
    pub fn sign_head(&self, key_id: &str, at: OffsetDateTime, sign: Sign<'_>) -> Result<SignedHead, SignHeadError> {
        let head = self.head()?;
        let at_micros = micros(at);
        let statement = statement(self.site().site_id.as_str(), &head, at_micros)?;
        let signature = sign(statement.as_bytes()).map_err(SignHeadError::Signer)?;
        let size = i64::try_from(head.size).map_err(|_| BookError::damaged("the log is too long"))?;
        self.write(|tx| {
            let number = tx.number("SELECT count(*) + 1 FROM signed_head WHERE size = $1", params![size])?;
            let sql = "INSERT INTO signed_head (size, number, root, at, key_id, statement, signature) \
                       VALUES ($1, $2, $3, $4, $5, $6, $7)";
            tx.run(sql, params![size, number, &head.root, at_micros, key_id, &statement, &signature])
        })?;
        Ok(SignedHead { head, at: moment(at_micros)?, key_id: key_id.to_owned(), statement, signature })
    }

    /// The head signed last.
    pub fn last_signed_head(&self) -> Result<Option<SignedHead>, BookError> {
        let sql = format!("SELECT {} FROM signed_head ORDER BY size DESC, number DESC LIMIT 1", SignedHead::COLUMNS);
        self.read(|c| c.one(&sql, &[]))?.as_ref().map(SignedHead::read).transpose()
    }

    /// Signed heads, the largest first.
    pub fn signed_heads(&self, limit: u32) -> Result<Vec<SignedHead>, BookError> {
        let sql = format!("SELECT {} FROM signed_head ORDER BY size DESC, number DESC LIMIT $1", SignedHead::COLUMNS);
        self.read(|c| c.all(&sql, params![i64::from(limit)]))?.iter().map(SignedHead::read).collect()
    }

    /// The head that was signed first.
    pub fn first_signed_head(&self) -> Result<Option<SignedHead>, BookError> {
        let sql = format!("SELECT {} FROM signed_head ORDER BY size, number LIMIT 1", SignedHead::COLUMNS);
        self.read(|c| c.one(&sql, &[]))?.as_ref().map(SignedHead::read).transpose()
    }
}
