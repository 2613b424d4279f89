//! Seals of the rows that say who a person is: accounts, sessions, tokens, requests to revoke, enrolments.
//!
//! The log shows afterwards that a row was altered. That is too late where the row lets somebody in, or counts as
//! the second person of a revocation. So each of these rows has a keyed digest beside it (HMAC, RFC 2104, with SHA-256),
//! under a key that the book never sees: whoever can write its tables can't make one. Rows are held against their
//! seals whenever somebody is let in by them; accounts and tokens also against the last entry that tells of
//! them, so that an older row and its seal don't come back. One seal stands for all accounts' names, so that none is
//! taken away.
//!
//! A book that was given no key checks none. Where the key can't be read nobody is let in, and what is only shown is
//! shown unchecked.

use aws_lc_rs::hmac;

use crate::Book;
use crate::engine::{Connection, P, Row, Value, params};
use crate::error::BookError;
use crate::log::rows;
use crate::transaction::Tx;

/// What seals rows.
pub(crate) enum Seals {
    Key(Box<hmac::Key>),
    /// Rows were sealed with a key that is not here: nobody is let in.
    Lost,
}

/// A kind of sealed row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Sealed {
    Account,
    AccountNames,
    /// Whom an account belongs to at the company's provider.
    Subject,
    Session,
    ApiToken,
    Request,
    Enrolment,
}

impl Sealed {
    const ALL: [Self; 7] = [
        Self::Account,
        Self::AccountNames,
        Self::Subject,
        Self::Session,
        Self::ApiToken,
        Self::Request,
        Self::Enrolment,
    ];

    const fn word(self) -> &'static str {
        match self {
            Self::Account => "account",
            Self::AccountNames => "account_names",
            Self::Subject => "account_subject",
            Self::Session => "session",
            Self::ApiToken => "api_token",
            Self::Request => "revocation_request",
            Self::Enrolment => "enrolment",
        }
    }

    /// What is under the seal: every column, by the key that names the row.
    fn select(self) -> String {
        match self {
            Self::Account => rows::ACCOUNT.select(),
            Self::Subject => rows::ACCOUNT_SUBJECT.select(),
            Self::ApiToken => rows::API_TOKEN.select(),
            Self::Request => rows::REVOCATION_REQUEST.select(),
            Self::Enrolment => rows::ENROLMENT.select(),
            Self::Session => "SELECT token, account, means, began, expires FROM session WHERE token = $1".into(),
            Self::AccountNames => "SELECT name FROM account ORDER BY name".into(),
        }
    }

    /// The keys of all rows of this kind.
    fn keys(self, c: &mut Connection) -> Result<Vec<Value>, BookError> {
        let sql = match self {
            Self::AccountNames => return Ok(vec![Value::Null]),
            Self::Account => "SELECT name FROM account ORDER BY name",
            Self::Subject => "SELECT account FROM account_subject ORDER BY account",
            Self::Session => "SELECT token FROM session ORDER BY token",
            Self::ApiToken => "SELECT name FROM api_token ORDER BY name",
            Self::Request => "SELECT number FROM revocation_request ORDER BY number",
            Self::Enrolment => "SELECT path FROM enrolment ORDER BY path",
        };
        Ok(c.all(sql, &[])?.into_iter().filter_map(|row| row.0.into_iter().next()).collect())
    }

    /// The acts whose entries tell of a row of this kind, as SQL.
    const fn acts(self) -> Option<&'static str> {
        match self {
            Self::Account => Some("'account.add', 'account.change', 'account.close'"),
            Self::ApiToken => Some("'token.add', 'token.revoke'"),
            Self::Enrolment => Some("'enrolment.allow', 'enrolment.want', 'enrolment.quota'"),
            Self::AccountNames | Self::Subject | Self::Session | Self::Request => None,
        }
    }
}

/// The key of a row as the seal's name.
fn name_of(key: P<'_>) -> Vec<u8> {
    match key {
        P::Text(text) => text.as_bytes().to_vec(),
        P::Bytes(octets) => octets.to_vec(),
        P::Int(number) => number.to_string().into_bytes(),
        P::Null => Vec::new(),
    }
}

/// What stands under a key.
struct Content {
    /// What the seal covers.
    octets: Vec<u8>,
    /// The entry that the row names, where its acts are known.
    entry: Option<i64>,
}

/// What stands under a key; `None` where there is nothing.
fn content(c: &mut Connection, kind: Sealed, key: P<'_>) -> Result<Option<Content>, BookError> {
    let values = |found: &[Row]| found.iter().flat_map(|row| row.0.clone()).collect::<Vec<_>>();
    let found = match kind {
        Sealed::AccountNames => c.all(&kind.select(), &[])?,
        _ => c.all(&kind.select(), &[key])?,
    };
    if found.is_empty() && kind != Sealed::AccountNames {
        return Ok(None);
    }
    let found = values(&found);
    let entry = match (kind.acts(), found.last()) {
        (Some(_), Some(Value::Int(entry))) => Some(*entry),
        _ => None,
    };
    let mut octets = rows::digest(kind.word(), found.iter().map(Value::as_param)).to_vec();
    if kind == Sealed::Request {
        let wanted = c.all("SELECT kind, serial FROM revocation_wanted WHERE request = $1 ORDER BY number", &[key])?;
        octets.extend(rows::digest("revocation_wanted", values(&wanted).iter().map(Value::as_param)));
    }
    Ok(Some(Content { octets, entry }))
}

impl Seals {
    fn of(key: &[u8; 32]) -> Self {
        Self::Key(Box::new(hmac::Key::new(hmac::HMAC_SHA256, key)))
    }

    /// Whether a row is as an act of this site wrote it last.
    fn holds(&self, c: &mut Connection, kind: Sealed, key: P<'_>) -> Result<bool, BookError> {
        let Self::Key(seal_key) = self else { return Ok(false) };
        let Some(content) = content(c, kind, key)? else { return Ok(true) };
        let sql = "SELECT seal FROM seal WHERE kind = $1 AND name = $2";
        let Some(seal) = c.one(sql, params![kind.word(), &name_of(key)])? else { return Ok(false) };
        let good = hmac::verify(seal_key, &content.octets, &seal.bytes(0)?).is_ok();
        Ok(good && is_latest(c, kind, key, content.entry)?)
    }

    fn put(&self, c: &mut Connection, kind: Sealed, key: P<'_>) -> Result<(), BookError> {
        let (Self::Key(seal_key), Some(content)) = (self, content(c, kind, key)?) else { return Ok(()) };
        let sql = "INSERT INTO seal (kind, name, seal) VALUES ($1, $2, $3) \
                   ON CONFLICT (kind, name) DO UPDATE SET seal = excluded.seal";
        let seal = hmac::sign(seal_key, &content.octets);
        c.run(sql, params![kind.word(), &name_of(key), seal.as_ref()]).map(drop)
    }
}

/// Whether the last entry that tells of a row is the one that the row names: else an older row was put back.
fn is_latest(c: &mut Connection, kind: Sealed, key: P<'_>, entry: Option<i64>) -> Result<bool, BookError> {
    let (Some(acts), P::Text(name), Some(entry)) = (kind.acts(), key, entry) else { return Ok(true) };
    let about = match kind {
        Sealed::ApiToken => "token",
        Sealed::Enrolment => "enrolment",
        _ => "account",
    };
    let sql = format!(
        "SELECT sequence FROM entry WHERE subject_kind = $1 AND subject = $2 AND act IN ({acts}) \
         ORDER BY sequence DESC LIMIT 1"
    );
    let last = c.one(&sql, params![about, name])?.map(|row| row.int(0)).transpose()?;
    Ok(last == Some(entry))
}

impl Book {
    /// Seals and checks rows that say who a person is with a key from outside the book. Called once, before the
    /// first act.
    pub fn seal_with(&self, key: &[u8; 32]) {
        let _ = self.seals.set(Seals::of(key));
    }

    /// Lets nobody in: the rows were sealed with a key that is not here. Called once, before the first act.
    pub fn seals_are_lost(&self) {
        let _ = self.seals.set(Seals::Lost);
    }

    /// Whether any row was ever sealed.
    pub fn has_seals(&self) -> Result<bool, BookError> {
        self.read(|c| c.one("SELECT 1 FROM seal WHERE kind = 'account_names'", &[])).map(|row| row.is_some())
    }

    /// Seals all rows as they stand: those of a book that knew no seals, or whose key was lost.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer, or does not go on from its mark.
    pub fn seal_all(&self, key: &[u8; 32]) -> Result<(), BookError> {
        let seals = Seals::of(key);
        self.write(|tx| {
            // The log's head first: a book that went back in time is left as it is.
            tx.next_sequence()?;
            tx.run("DELETE FROM seal", &[])?;
            for kind in Sealed::ALL {
                for key in kind.keys(tx)? {
                    seals.put(tx, kind, key.as_param())?;
                }
            }
            Ok(())
        })
    }

    /// Takes the seals of sessions away that are over.
    pub(crate) fn drop_seals_of_sessions(&self, tx: &mut Tx<'_>) -> Result<(), BookError> {
        if self.seals.get().is_none() {
            return Ok(());
        }
        let over = "DELETE FROM seal WHERE kind = 'session' AND name NOT IN (SELECT token FROM session)";
        tx.run(over, &[]).map(drop)
    }

    /// Seals a row that an act has just written.
    pub(crate) fn seal(&self, tx: &mut Tx<'_>, kind: Sealed, key: P<'_>) -> Result<(), BookError> {
        self.seals.get().map_or(Ok(()), |seals| seals.put(tx, kind, key))
    }

    /// Refuses a row that no act of this site wrote as it is.
    pub(crate) fn sealed(&self, c: &mut Connection, kind: Sealed, key: P<'_>) -> Result<(), BookError> {
        let Some(seals) = self.seals.get() else { return Ok(()) };
        if seals.holds(c, kind, key)? {
            return Ok(());
        }
        Err(BookError::Unsealed { row: shown(kind, key), lost: matches!(seals, Seals::Lost) })
    }

    /// The same for a row that is only shown: where the key can't be read, as for an auditor, it is shown unchecked.
    pub(crate) fn sealed_if_known(&self, c: &mut Connection, kind: Sealed, key: P<'_>) -> Result<(), BookError> {
        if matches!(self.seals.get(), Some(Seals::Lost)) { Ok(()) } else { self.sealed(c, kind, key) }
    }

    /// Rows that no act of this site wrote as they are, by table and key.
    pub(crate) fn unsealed(&self, c: &mut Connection) -> Result<Vec<(&'static str, String)>, BookError> {
        let Some(seals @ Seals::Key(_)) = self.seals.get() else { return Ok(Vec::new()) };
        let mut found = Vec::new();
        for kind in Sealed::ALL {
            for key in kind.keys(c)? {
                if !seals.holds(c, kind, key.as_param())? {
                    let table = if kind == Sealed::AccountNames { "account" } else { kind.word() };
                    found.push((table, shown(kind, key.as_param())));
                }
            }
        }
        Ok(found)
    }
}

/// How a row is called where it is told of. A session is named by the start of its digest.
fn shown(kind: Sealed, key: P<'_>) -> String {
    let name = name_of(key);
    match kind {
        Sealed::Account => format!("account {}", String::from_utf8_lossy(&name)),
        Sealed::AccountNames => "the list of accounts".into(),
        Sealed::Subject => format!("the company's account {}", String::from_utf8_lossy(&name)),
        Sealed::Session => format!("session {}", hex::encode(name.get(..4).unwrap_or(&name))),
        Sealed::ApiToken => format!("token {}", String::from_utf8_lossy(&name)),
        Sealed::Request => format!("revocation request {}", String::from_utf8_lossy(&name)),
        Sealed::Enrolment => format!("enrolment {}", String::from_utf8_lossy(&name)),
    }
}
