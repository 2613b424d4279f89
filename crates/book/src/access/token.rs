//! Tokens for programs, and answers kept for requests that come twice.

use serde_json::json;
use time::OffsetDateTime;

use super::AccountError;
use super::seal::Sealed;
use crate::Book;
use crate::by::{By, micros, moment};
use crate::engine::{P, Row, params};
use crate::error::BookError;
use crate::ids::{Actor, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::words::AccountRole;

/// A new token.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewApiToken {
    /// The program: stands as actor in its entries.
    pub name: Actor,
    /// Digest of the token.
    pub token: [u8; 32],
    /// What it may do.
    pub role: AccountRole,
    pub expires: OffsetDateTime,
}

/// A token as it stands in the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ApiToken {
    pub name: Actor,
    /// What it may do.
    pub role: AccountRole,
    pub given_by: Actor,
    pub added: OffsetDateTime,
    pub expires: OffsetDateTime,
    /// Whether it was revoked.
    pub revoked: bool,
    /// The last entry that tells of it.
    pub entry: Sequence,
}

/// What the book says of a request with an idempotency key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Repeated {
    /// It is the first of this key.
    First,
    /// The first is still at work, or died at it.
    Running,
    /// The same request was answered.
    Answered { status: i64, answer: String },
    /// The key was used for another request.
    Other,
}

const COLUMNS: &str = "name, role, given_by, added, expires, revoked, entry";

fn read(row: &Row) -> Result<ApiToken, BookError> {
    Ok(ApiToken {
        name: Actor::kept(row.text(0)?),
        role: AccountRole::read(row, 1)?,
        given_by: Actor::kept(row.text(2)?),
        added: moment(row.int(3)?)?,
        expires: moment(row.int(4)?)?,
        revoked: row.int(5)? == 1,
        entry: Sequence(row.int(6)?),
    })
}

impl Book {
    /// Gives a token, in the name of the account that acts.
    ///
    /// # Errors
    ///
    /// [`AccountError::NameTaken`].
    pub fn add_api_token(&self, new: &NewApiToken, by: &By) -> Result<Sequence, AccountError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            tx.change(
                &rows::API_TOKEN,
                "INSERT INTO api_token (name, token, role, given_by, added, expires, revoked, entry) \
                 VALUES ($1, $2, $3, $4, $5, $6, 0, $7) ON CONFLICT DO NOTHING",
                params![
                    new.name.as_str(),
                    &new.token,
                    new.role.word(),
                    by.actor.as_str(),
                    by.micros(),
                    micros(new.expires),
                    sequence
                ],
            )?
            .ok_or_else(|| AccountError::NameTaken { what: "a token", name: new.name.to_string() })?;
            self.seal(tx, Sealed::ApiToken, P::Text(new.name.as_str()))?;
            let subject = Subject::Other("token", new.name.to_string());
            Ok(tx.append(Draft::new("token.add", subject, json!({ "role": new.role })), by)?)
        })
    }

    /// Revokes a token. Asking again changes nothing.
    ///
    /// # Errors
    ///
    /// [`AccountError::Unknown`].
    pub fn revoke_api_token(&self, name: &Actor, by: &By) -> Result<(), AccountError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let there = "SELECT revoked FROM api_token WHERE name = $1";
            let unknown = || AccountError::Unknown { what: "token", name: name.to_string() };
            if tx.one(there, params![name.as_str()])?.ok_or_else(unknown)?.int(0)? == 1 {
                return Ok(());
            }
            tx.change_one(
                &rows::API_TOKEN,
                "UPDATE api_token SET revoked = 1, entry = $1 WHERE name = $2",
                params![sequence, name.as_str()],
            )?;
            self.seal(tx, Sealed::ApiToken, P::Text(name.as_str()))?;
            tx.append(Draft::new("token.revoke", Subject::Other("token", name.to_string()), json!({})), by)?;
            Ok(())
        })
    }

    /// The token of this digest, if it holds.
    pub fn api_token(&self, token: &[u8; 32], at: OffsetDateTime) -> Result<Option<ApiToken>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM api_token WHERE token = $1 AND revoked = 0 AND expires > $2");
        self.read(|c| {
            let Some(row) = c.one(&sql, params![token, micros(at)])? else { return Ok(None) };
            let found = read(&row)?;
            self.sealed(c, Sealed::ApiToken, P::Text(found.name.as_str()))?;
            Ok(Some(found))
        })
    }

    /// All tokens, by name.
    pub fn api_tokens(&self) -> Result<Vec<ApiToken>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM api_token ORDER BY name");
        self.read(|c| c.all(&sql, &[]))?.iter().map(read).collect()
    }

    /// Takes an idempotency key for a request, unless it was taken; keys older than `forget` are cleared away.
    pub fn take_idempotency_key(
        &self,
        holder: &str,
        key: &str,
        request: &[u8; 32],
        at: OffsetDateTime,
        forget: OffsetDateTime,
    ) -> Result<Repeated, BookError> {
        self.write(|tx| {
            tx.run("DELETE FROM idempotency WHERE at < $1", params![micros(forget)])?;
            let taken = tx.run(
                "INSERT INTO idempotency (holder, wish, request, at) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING",
                params![holder, key, request, micros(at)],
            )?;
            if taken == 1 {
                return Ok(Repeated::First);
            }
            let sql = "SELECT request, status, answer FROM idempotency WHERE holder = $1 AND wish = $2";
            let Some(row) = tx.one(sql, params![holder, key])? else { return Ok(Repeated::Running) };
            if row.bytes(0)? != request {
                return Ok(Repeated::Other);
            }
            Ok(match (row.maybe(1, Row::int)?, row.maybe(2, Row::text)?) {
                (Some(status), Some(answer)) => Repeated::Answered { status, answer },
                _ => Repeated::Running,
            })
        })
    }

    /// Keeps the answer of a request whose key was taken.
    pub fn keep_answer(&self, holder: &str, key: &str, status: i64, answer: &str) -> Result<(), BookError> {
        self.write(|tx| {
            let sql = "UPDATE idempotency SET status = $1, answer = $2 WHERE holder = $3 AND wish = $4";
            tx.run(sql, params![status, answer, holder, key]).map(drop)
        })
    }

    /// Gives a key back whose request changed nothing.
    pub fn give_back_key(&self, holder: &str, key: &str) -> Result<(), BookError> {
        self.write(|tx| {
            tx.run("DELETE FROM idempotency WHERE holder = $1 AND wish = $2", params![holder, key]).map(drop)
        })
    }
}
