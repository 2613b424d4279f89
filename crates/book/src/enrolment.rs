//! Sites elsewhere that ask for certificates here: who may ask for what and how many, and what was issued to them.
//!
//! Their chips are none of this book's, so what is issued to them is no credential of a reel: each is a row and an entry
//! of its own, found by key and by serial number. A key gets one certificate, whoever asks again and how often.

use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::access::seal::Sealed;
use crate::by::{By, micros, moment};
use crate::engine::{Connection, P, Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{Actor, AuthorityName, ProductName, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::words::Purpose;

/// Who may ask, about to be allowed.
#[derive(Debug, Clone)]
pub struct NewEnrolment {
    /// The label under which it is asked for.
    pub path: String,
    pub product: ProductName,
    pub issuer: AuthorityName,
    pub purpose: Purpose,
    pub user: String,
    /// A hash of the password.
    pub password: String,
    /// Keys that may be certified.
    pub quota: i64,
}

/// Who may ask, as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Enrolment {
    pub path: String,
    pub product: ProductName,
    pub issuer: AuthorityName,
    pub purpose: Purpose,
    pub user: String,
    /// A hash of the password.
    pub password: String,
    pub quota: i64,
    /// A higher quota that waits for a second person, and who wants it.
    pub wanted: Option<(i64, Actor)>,
    /// Keys certified so far.
    pub issued: i64,
    pub added: OffsetDateTime,
    pub entry: Sequence,
}

/// A certificate about to be issued to another site.
#[derive(Debug, Clone)]
pub struct NewEnrolled {
    pub public_key: [u8; 65],
    /// Identifier of the issuer's key.
    pub issuer_key_id: Vec<u8>,
    /// Content octets of the DER INTEGER.
    pub serial: Vec<u8>,
    pub not_after: Option<OffsetDateTime>,
    pub certificate: Vec<u8>,
    /// SHA-256 of the request.
    pub request: [u8; 32],
}

/// A certificate that was issued to another site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Enrolled {
    pub public_key: Vec<u8>,
    pub path: String,
    /// Its number within the enrolment, from 1.
    pub number: i64,
    pub authority: AuthorityName,
    pub serial: Vec<u8>,
    pub certificate: Vec<u8>,
    pub issued: OffsetDateTime,
}

/// What became of a wish for another quota.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QuotaChange {
    /// It is the quota now.
    Done,
    /// A second person has to allow it.
    Waits,
    /// It was the quota already.
    Same,
}

/// Why nothing was allowed or issued.
#[derive(Debug, thiserror::Error)]
pub enum EnrolmentError {
    /// The label, or user, product and issuer together, are taken.
    #[error("an enrolment {path} already exists")]
    Taken { path: String },
    /// There is none of this label.
    #[error("there is no enrolment {path}")]
    Unknown { path: String },
    /// As many keys as allowed are certified.
    #[error("the quota of enrolment {path} is used up: {quota} keys are certified")]
    UsedUp { path: String, quota: i64 },
    /// The key has a certificate that was not issued for this enrolment.
    #[error("the key has a certificate already")]
    KeyUsed,
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl EnrolmentError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } => Blame::Usage,
            Self::Taken { .. } | Self::UsedUp { .. } | Self::KeyUsed => Blame::Refused,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Taken { .. } => "Choose another user name, or change the quota of the one that exists.".into(),
            Self::Unknown { .. } => "List them with `touchmark enrolment list`.".into(),
            Self::UsedUp { .. } => {
                "Ask the site that issues for a higher quota: two people there allow it with `touchmark enrolment allow`."
                    .into()
            }
            Self::KeyUsed => "No key is certified twice. Ask the site that issues which certificate it has.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}

const COLUMNS: &str = "e.path, e.product, e.issuer, e.purpose, e.user_name, e.password, e.quota, e.wanted, e.wanted_by, \
                       (SELECT coalesce(max(d.number), 0) FROM enrolled d WHERE d.path = e.path), e.added, e.entry";

fn read(row: &Row) -> Result<Enrolment, BookError> {
    let wanted = row.maybe(7, Row::int)?.zip(row.maybe(8, Row::text)?);
    Ok(Enrolment {
        path: row.text(0)?,
        product: ProductName::kept(row.text(1)?),
        issuer: AuthorityName::kept(row.text(2)?),
        purpose: Purpose::read(row, 3)?,
        user: row.text(4)?,
        password: row.text(5)?,
        quota: row.int(6)?,
        wanted: wanted.map(|(quota, by)| (quota, Actor::kept(by))),
        issued: row.int(9)?,
        added: moment(row.int(10)?)?,
        entry: Sequence(row.int(11)?),
    })
}

const ENROLLED: &str = "public_key, path, number, authority, serial, certificate, issued";

fn read_enrolled(row: &Row) -> Result<Enrolled, BookError> {
    Ok(Enrolled {
        public_key: row.bytes(0)?,
        path: row.text(1)?,
        number: row.int(2)?,
        authority: AuthorityName::kept(row.text(3)?),
        serial: row.bytes(4)?,
        certificate: row.bytes(5)?,
        issued: moment(row.int(6)?)?,
    })
}

fn find(c: &mut Connection, path: &str) -> Result<Option<Enrolment>, BookError> {
    let sql = format!("SELECT {COLUMNS} FROM enrolment e WHERE e.path = $1");
    c.one(&sql, params![path])?.as_ref().map(read).transpose()
}

fn subject(path: &str) -> Subject {
    Subject::Other("enrolment", path.to_owned())
}

impl Book {
    /// Allows somebody to ask for certificates.
    ///
    /// # Errors
    ///
    /// [`EnrolmentError::Taken`].
    pub fn allow_enrolment(&self, new: &NewEnrolment, by: &By) -> Result<Sequence, EnrolmentError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            tx.change(
                &rows::ENROLMENT,
                "INSERT INTO enrolment (path, product, issuer, purpose, user_name, password, quota, quota_by, added, \
                 entry) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) ON CONFLICT DO NOTHING",
                params![
                    &new.path,
                    new.product.as_str(),
                    new.issuer.as_str(),
                    new.purpose.word(),
                    &new.user,
                    &new.password,
                    new.quota,
                    by.actor.as_str(),
                    by.micros(),
                    sequence
                ],
            )?
            .ok_or_else(|| EnrolmentError::Taken { path: new.path.clone() })?;
            self.seal(tx, Sealed::Enrolment, P::Text(&new.path))?;
            let body = json!({
                "product": new.product, "issuer": new.issuer, "user": new.user, "quota": new.quota,
            });
            Ok(tx.append(Draft::new("enrolment.allow", subject(&new.path), body), by)?)
        })
    }

    /// Changes a quota: a lower one at once, a higher one once a second person wants the same.
    ///
    /// # Errors
    ///
    /// [`EnrolmentError::Unknown`].
    pub fn change_quota(&self, path: &str, quota: i64, by: &By) -> Result<QuotaChange, EnrolmentError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            let now = find(tx, path)?.ok_or_else(|| EnrolmentError::Unknown { path: path.to_owned() })?;
            self.sealed(tx, Sealed::Enrolment, P::Text(path))?;
            if quota == now.quota && now.wanted.is_none() {
                return Ok(QuotaChange::Same);
            }
            let second = now.wanted.as_ref().is_some_and(|(wanted, first)| {
                *wanted == quota && !first.is_same_person(&by.actor)
            });
            let (act, change) = if quota <= now.quota || second {
                ("enrolment.quota", QuotaChange::Done)
            } else {
                ("enrolment.want", QuotaChange::Waits)
            };
            let done = change == QuotaChange::Done;
            if !done && now.wanted.as_ref().is_some_and(|(wanted, _)| *wanted == quota) {
                return Ok(QuotaChange::Waits);
            }
            let sql = if done {
                "UPDATE enrolment SET quota = $1, quota_by = $2, wanted = NULL, wanted_by = NULL, entry = $3 WHERE path = $4"
            } else {
                "UPDATE enrolment SET wanted = $1, wanted_by = $2, entry = $3 WHERE path = $4"
            };
            tx.change_one(&rows::ENROLMENT, sql, params![quota, by.actor.as_str(), sequence, path])?;
            self.seal(tx, Sealed::Enrolment, P::Text(path))?;
            let body = json!({ "quota": quota, "was": now.quota });
            tx.append(Draft::new(act, subject(path), body), by)?;
            Ok(change)
        })
    }

    /// Who may ask under this label.
    pub fn enrolment(&self, path: &str) -> Result<Option<Enrolment>, BookError> {
        self.read(|c| {
            let found = find(c, path)?;
            if found.is_some() {
                self.sealed(c, Sealed::Enrolment, P::Text(path))?;
            }
            Ok(found)
        })
    }

    /// All who may ask, by label.
    pub fn enrolments(&self) -> Result<Vec<Enrolment>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM enrolment e ORDER BY e.path");
        self.read(|c| c.all(&sql, &[]))?.iter().map(read).collect()
    }

    /// The certificate that was issued to another site for this key.
    pub fn enrolled(&self, public_key: &[u8]) -> Result<Option<Enrolled>, BookError> {
        let sql = format!("SELECT {ENROLLED} FROM enrolled WHERE public_key = $1");
        self.read(|c| c.one(&sql, params![public_key]))?.as_ref().map(read_enrolled).transpose()
    }

    /// Certificates with this serial number that were issued to other sites.
    pub fn enrolled_as(&self, serial: &[u8]) -> Result<Vec<Enrolled>, BookError> {
        let sql = format!("SELECT {ENROLLED} FROM enrolled WHERE serial = $1 ORDER BY issuer_key_id");
        self.read(|c| c.all(&sql, params![serial]))?.iter().map(read_enrolled).collect()
    }

    /// Stores a certificate before it is handed over. Where the key has one from the same enrolment already, that one
    /// comes back and the new one is none.
    ///
    /// # Errors
    ///
    /// [`EnrolmentError`]; nothing is stored then.
    pub fn issue_enrolled(&self, path: &str, new: &NewEnrolled, by: &By) -> Result<Enrolled, EnrolmentError> {
        self.write(|tx| {
            // Under the log's head, so that each number is taken once.
            let sequence = tx.next_sequence()?;
            let sql = format!("SELECT {ENROLLED} FROM enrolled WHERE public_key = $1");
            if let Some(row) = tx.one(&sql, params![&new.public_key])? {
                let there = read_enrolled(&row)?;
                return if there.path == path { Ok(there) } else { Err(EnrolmentError::KeyUsed) };
            }
            if tx.one("SELECT 1 FROM chip WHERE public_key = $1", params![&new.public_key])?.is_some() {
                return Err(EnrolmentError::KeyUsed);
            }
            let now = find(tx, path)?.ok_or_else(|| EnrolmentError::Unknown { path: path.to_owned() })?;
            self.sealed(tx, Sealed::Enrolment, P::Text(path))?;
            if now.issued >= now.quota {
                return Err(EnrolmentError::UsedUp { path: path.to_owned(), quota: now.quota });
            }
            let number = now.issued + 1;
            let row = params![
                &new.public_key,
                path,
                number,
                now.issuer.as_str(),
                &new.issuer_key_id,
                &new.serial,
                new.not_after.map(micros),
                &new.certificate,
                &new.request,
                by.micros(),
                sequence
            ];
            tx.insert(&rows::ENROLLED, row)?;
            let body = json!({
                "number": number, "issuer": now.issuer, "product": now.product, "serial": hex::encode(&new.serial),
                "public_key": hex::encode(new.public_key),
            });
            tx.append(Draft::new("enrolment.issue", subject(path), body), by)?;
            Ok(Enrolled {
                public_key: new.public_key.to_vec(),
                path: path.to_owned(),
                number,
                authority: now.issuer,
                serial: new.serial.clone(),
                certificate: new.certificate.clone(),
                issued: by.at,
            })
        })
    }
}
