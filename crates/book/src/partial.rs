//! Revocation lists that are kept for what they revoke alone.

use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, micros, moment};
use crate::engine::params;
use crate::error::BookError;
use crate::ids::AuthorityName;
use crate::log::{Draft, Subject, rows};
use crate::proof::sha256;

/// A list that can't show that a certificate is good: a delta, or one for some reasons or certificates.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartialList {
    /// Whose certificates it lists.
    pub issuer: AuthorityName,
    pub this_update: OffsetDateTime,
    pub content: Vec<u8>,
}

impl Book {
    /// Keeps a partial list beside the complete ones; whether it was not kept before.
    pub fn add_partial_list(&self, list: &PartialList, by: &By) -> Result<bool, BookError> {
        let digest = sha256(&list.content);
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let there = "SELECT 1 FROM revocation_partial WHERE issuer = $1 AND digest = $2";
            if tx.one(there, params![list.issuer.as_str(), &digest])?.is_some() {
                return Ok(false);
            }
            tx.insert(
                &rows::REVOCATION_PARTIAL,
                params![list.issuer.as_str(), &digest, micros(list.this_update), &list.content, sequence],
            )?;
            let body = json!({ "sha256": hex::encode(digest) });
            tx.append(Draft::new("revocation.partial", Subject::Authority(list.issuer.clone()), body), by)?;
            Ok(true)
        })
    }

    /// The partial lists that still count: those newer than the newest complete list of their issuer.
    pub fn partial_lists(&self) -> Result<Vec<PartialList>, BookError> {
        let sql = "SELECT p.issuer, p.this_update, p.content FROM revocation_partial p WHERE NOT EXISTS \
                   (SELECT 1 FROM revocation_list l WHERE l.issuer = p.issuer AND l.this_update > p.this_update) \
                   ORDER BY p.issuer, p.this_update, p.digest";
        let read = |row: &crate::engine::Row| {
            Ok(PartialList {
                issuer: AuthorityName::kept(row.text(0)?),
                this_update: moment(row.int(1)?)?,
                content: row.bytes(2)?,
            })
        };
        self.read(|c| c.all(sql, &[]))?.iter().map(read).collect()
    }
}
