//! Authorities: the PAAs and PAIs that this site knows.

use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, micros, moment};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{AuthorityName, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::product::AddError;
use crate::transaction::Tx;
use crate::words::{AuthorityOrigin, Purpose, Role};

/// An authority about to be added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewAuthority {
    /// Its name, unique in the book.
    pub name: AuthorityName,
    pub role: Role,
    /// How it comes into the book.
    pub origin: AuthorityOrigin,
    /// Test or production, for ever.
    pub purpose: Purpose,
    /// Its certificate, DER; unique in the book.
    pub certificate: Vec<u8>,
    /// Its subject key identifier.
    pub subject_key_id: Vec<u8>,
    /// Who issued it, where that one is in the book.
    pub issuer: Option<AuthorityName>,
    /// Where its key is, in the words of custody; never the key.
    pub key_reference: Option<String>,
    /// Whether this site trusts it as a root; a PAA only.
    pub trusted: bool,
    /// When its certificate ends, where it does.
    pub not_after: Option<OffsetDateTime>,
}

/// An authority as it stands in the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Authority {
    /// What was added, with `trusted` as it is now.
    pub facts: NewAuthority,
    pub added: OffsetDateTime,
    /// The last entry that tells of it.
    pub entry: Sequence,
}

const COLUMNS: &str = "name, role, origin, purpose, certificate, subject_key_id, issuer, key_reference, trusted, \
                       not_after, added, entry";

impl Authority {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            facts: NewAuthority {
                name: AuthorityName::kept(row.text(0)?),
                role: Role::read(row, 1)?,
                origin: AuthorityOrigin::read(row, 2)?,
                purpose: Purpose::read(row, 3)?,
                certificate: row.bytes(4)?,
                subject_key_id: row.bytes(5)?,
                issuer: row.maybe(6, Row::text)?.map(AuthorityName::kept),
                key_reference: row.maybe(7, Row::text)?,
                trusted: row.int(8)? != 0,
                not_after: row.maybe(9, Row::int)?.map(moment).transpose()?,
            },
            added: moment(row.int(10)?)?,
            entry: Sequence(row.int(11)?),
        })
    }
}

/// Inserts an authority that no entry tells of yet: [`vouch`] comes after it, in
/// the same transaction, once the log's head may be taken.
pub(crate) fn insert(tx: &mut Tx<'_>, new: &NewAuthority, by: &By) -> Result<(), AddError> {
    if let Some(issuer) = &new.issuer {
        let found = tx.one("SELECT 1 FROM authority WHERE name = $1", params![issuer.as_str()])?;
        if found.is_none() {
            return Err(AddError::Unknown { what: "authority", name: issuer.to_string() });
        }
    }
    let added = tx.run(
        "INSERT INTO authority (name, role, origin, purpose, certificate, subject_key_id, issuer, key_reference, \
         trusted, not_after, added, entry) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, -1) \
         ON CONFLICT DO NOTHING",
        params![
            new.name.as_str(),
            new.role.word(),
            new.origin.word(),
            new.purpose.word(),
            &new.certificate,
            &new.subject_key_id,
            new.issuer.as_ref().map(|n| n.as_str()),
            new.key_reference.as_deref(),
            i64::from(new.trusted),
            new.not_after.map(micros),
            by.micros(),
        ],
    )?;
    if added == 1 {
        return Ok(());
    }
    let known = tx.one("SELECT name FROM authority WHERE certificate = $1", params![&new.certificate])?;
    Err(match known {
        Some(row) => AddError::Known { what: "authority", name: row.text(0)? },
        None => AddError::NameTaken { what: "authority", name: new.name.to_string() },
    })
}

/// Notes an inserted authority for the entry to come.
pub(crate) fn vouch(tx: &mut Tx<'_>, name: &AuthorityName) -> Result<(), BookError> {
    let sequence = tx.next_sequence()?;
    let sql = "UPDATE authority SET entry = $1 WHERE name = $2";
    tx.change_one(&rows::AUTHORITY, sql, params![sequence, name.as_str()]).map(drop)
}

pub(crate) fn read_authority(c: &mut Connection, name: &str) -> Result<Option<Authority>, BookError> {
    let sql = format!("SELECT {COLUMNS} FROM authority WHERE name = $1");
    c.one(&sql, params![name])?.as_ref().map(Authority::read).transpose()
}

impl Book {
    /// Adds an authority.
    ///
    /// # Errors
    ///
    /// [`AddError`] says whether its name or its certificate is taken, or its issuer missing.
    pub fn add_authority(&self, new: &NewAuthority, by: &By) -> Result<Sequence, AddError> {
        self.write(|tx| {
            insert(tx, new, by)?;
            vouch(tx, &new.name)?;
            let act = match new.origin {
                AuthorityOrigin::Raised => "authority.raise",
                AuthorityOrigin::Adopted | AuthorityOrigin::Delivered => "authority.adopt",
            };
            let body = json!({ "role": new.role, "purpose": new.purpose, "trusted": new.trusted });
            Ok(tx.append(Draft::new(act, Subject::Authority(new.name.clone()), body), by)?)
        })
    }

    /// Begins or ends this site's trust in a PAA. Asking for what is so changes nothing.
    ///
    /// # Errors
    ///
    /// [`AddError::Unknown`] for a name that is not in the book, [`BookError::Rule`] for a PAI.
    pub fn set_trusted(&self, name: &AuthorityName, trusted: bool, by: &By) -> Result<(), AddError> {
        self.write(|tx| {
            let row = tx.one("SELECT trusted FROM authority a WHERE name = $1 {lock:a}", params![name.as_str()])?;
            let Some(row) = row else {
                return Err(AddError::Unknown { what: "authority", name: name.to_string() });
            };
            if (row.int(0)? != 0) == trusted {
                return Ok(());
            }
            let sequence = tx.next_sequence()?;
            tx.change_one(
                &rows::AUTHORITY,
                "UPDATE authority SET trusted = $1, entry = $2 WHERE name = $3",
                params![i64::from(trusted), sequence, name.as_str()],
            )?;
            let act = if trusted { "authority.trust" } else { "authority.distrust" };
            tx.append(Draft::new(act, Subject::Authority(name.clone()), json!({})), by)?;
            Ok(())
        })
    }

    /// The authority of this name.
    pub fn authority(&self, name: &AuthorityName) -> Result<Option<Authority>, BookError> {
        self.read(|c| read_authority(c, name.as_str()))
    }

    /// The authority whose certificate this is, octet for octet.
    pub fn authority_with(&self, certificate: &[u8]) -> Result<Option<Authority>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM authority WHERE certificate = $1");
        self.read(|c| c.one(&sql, params![certificate]))?.as_ref().map(Authority::read).transpose()
    }

    /// All authorities, by name.
    pub fn authorities(&self) -> Result<Vec<Authority>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM authority ORDER BY name");
        self.read(|c| c.all(&sql, &[]))?.iter().map(Authority::read).collect()
    }
}
