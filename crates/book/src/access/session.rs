//! Sessions: who signed in, and until when.

use serde_json::json;
use time::OffsetDateTime;

use super::seal::Sealed;
use crate::Book;
use crate::by::{By, micros, moment};
use crate::engine::{P, Row, params};
use crate::error::BookError;
use crate::ids::Actor;
use crate::log::{Draft, Subject};
use crate::words::{AccountRole, SignedInBy};

/// A session that has not ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    pub account: Actor,
    /// The account's role now.
    pub role: AccountRole,
    /// How the person signed in.
    pub means: SignedInBy,
    pub began: OffsetDateTime,
    /// When it ends by itself.
    pub expires: OffsetDateTime,
}

impl Book {
    /// Begins a session, which is an entry; sessions that ended by themselves are cleared away.
    pub fn begin_session(
        &self,
        token: &[u8; 32],
        means: SignedInBy,
        expires: OffsetDateTime,
        by: &By,
    ) -> Result<(), BookError> {
        self.write(|tx| {
            tx.run("DELETE FROM session WHERE expires <= $1", params![by.micros()])?;
            self.drop_seals_of_sessions(tx)?;
            tx.run(
                "INSERT INTO session (token, account, means, began, expires) VALUES ($1, $2, $3, $4, $5)",
                params![token, by.actor.as_str(), means.word(), by.micros(), micros(expires)],
            )?;
            self.seal(tx, Sealed::Session, P::Bytes(token))?;
            let subject = Subject::Other("account", by.actor.to_string());
            tx.append(Draft::new("session.begin", subject, json!({ "means": means })), by).map(drop)
        })
    }

    /// The sign-in that a token's digest stands for, if it has not ended.
    pub fn session(&self, token: &[u8; 32], at: OffsetDateTime) -> Result<Option<Session>, BookError> {
        let sql = "SELECT s.account, a.role, s.means, s.began, s.expires FROM session s \
                   JOIN account a ON a.name = s.account WHERE s.token = $1 AND s.expires > $2 AND a.closed = 0";
        let read = |row: &Row| {
            Ok(Session {
                account: Actor::kept(row.text(0)?),
                role: AccountRole::read(row, 1)?,
                means: SignedInBy::read(row, 2)?,
                began: moment(row.int(3)?)?,
                expires: moment(row.int(4)?)?,
            })
        };
        self.read(|c| {
            let Some(session) = c.one(sql, params![token, micros(at)])?.as_ref().map(read).transpose()? else {
                return Ok(None);
            };
            self.sealed(c, Sealed::Session, P::Bytes(token))?;
            self.sealed(c, Sealed::Account, P::Text(session.account.as_str()))?;
            Ok(Some(session))
        })
    }

    /// Moves the end of a session that is in use.
    pub fn prolong_session(&self, token: &[u8; 32], expires: OffsetDateTime) -> Result<(), BookError> {
        self.write(|tx| {
            // What would be prolonged must be a session that somebody began.
            self.sealed(tx, Sealed::Session, P::Bytes(token))?;
            tx.run("UPDATE session SET expires = $1 WHERE token = $2", params![micros(expires), token])?;
            self.seal(tx, Sealed::Session, P::Bytes(token))
        })
    }

    /// Ends a session, which is an entry. Ending one that is gone changes nothing.
    pub fn end_session(&self, token: &[u8; 32], by: &By) -> Result<(), BookError> {
        self.write(|tx| {
            if tx.run("DELETE FROM session WHERE token = $1", params![token])? > 0 {
                let subject = Subject::Other("account", by.actor.to_string());
                tx.append(Draft::new("session.end", subject, json!({})), by)?;
            }
            Ok(())
        })
    }
}
