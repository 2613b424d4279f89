//! Revocation lists as the book keeps them: written once, the newest of an issuer in force.

use serde_json::json;
use time::OffsetDateTime;

use super::RevocationError;
use crate::Book;
use crate::by::{By, micros, moment};
use crate::engine::{Row, params};
use crate::error::BookError;
use crate::ids::{AuthorityName, Sequence};
use crate::log::{Draft, Subject, rows};

/// A revocation list as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RevocationList {
    /// Whose certificates it lists.
    pub issuer: AuthorityName,
    /// cRLNumber, content octets without leading zeros.
    pub number: Vec<u8>,
    /// Issued here; else adopted.
    pub issued_here: bool,
    pub this_update: OffsetDateTime,
    /// nextUpdate, where there is one.
    pub next_update: Option<OffsetDateTime>,
    /// How many certificates it lists.
    pub certificates: i64,
    pub content: Vec<u8>,
    /// Certificate of whoever signed it where the issuer appointed somebody, DER.
    pub signer: Option<Vec<u8>>,
}

/// A cRLNumber in 20 octets, so that octets compare as numbers do.
pub(super) fn padded(number: &[u8]) -> Vec<u8> {
    let digits = number.iter().skip_while(|o| **o == 0).copied().collect::<Vec<_>>();
    let mut out = vec![0; 20_usize.saturating_sub(digits.len())];
    out.extend(digits);
    out
}

pub(super) fn stripped(number: &[u8]) -> Vec<u8> {
    let digits: Vec<u8> = number.iter().skip_while(|o| **o == 0).copied().collect();
    if digits.is_empty() { vec![0] } else { digits }
}

const LIST_COLUMNS: &str = "l.issuer, l.number, l.origin, l.this_update, l.next_update, l.certificates, l.content, \
                            (SELECT s.certificate FROM revocation_list_signer s \
                            WHERE s.issuer = l.issuer AND s.number = l.number)";

impl RevocationList {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            issuer: AuthorityName::kept(row.text(0)?),
            number: stripped(&row.bytes(1)?),
            issued_here: row.text(2)? == "issued",
            this_update: moment(row.int(3)?)?,
            next_update: row.maybe(4, Row::int)?.map(moment).transpose()?,
            certificates: row.int(5)?,
            content: row.bytes(6)?,
            signer: row.maybe(7, Row::bytes)?,
        })
    }
}

impl Book {
    /// Keeps a revocation list. The same list again changes nothing.
    ///
    /// # Errors
    ///
    /// [`RevocationError::OldList`] where one with this number or a later one is kept.
    pub fn add_revocation_list(&self, list: &RevocationList, by: &By) -> Result<Option<Sequence>, RevocationError> {
        let number = padded(&list.number);
        self.write(|tx| {
            let issuer = list.issuer.as_str();
            // The authority's row is where two writers of its lists meet.
            let found = tx.one("SELECT 1 FROM authority a WHERE name = $1 {lock:a}", params![issuer])?;
            if found.is_none() {
                return Err(RevocationError::NoIssuer { name: list.issuer.clone() });
            }
            let sql = "SELECT content FROM revocation_list WHERE issuer = $1 AND number >= $2 ORDER BY number LIMIT 1";
            if let Some(row) = tx.one(sql, params![issuer, &number])? {
                if row.bytes(0)? == list.content {
                    return Ok(None);
                }
                let number = hex::encode(&list.number);
                return Err(RevocationError::OldList { issuer: list.issuer.clone(), number });
            }
            let sequence = tx.next_sequence()?;
            let origin = if list.issued_here { "issued" } else { "adopted" };
            tx.insert(
                &rows::REVOCATION_LIST,
                params![
                    issuer,
                    &number,
                    origin,
                    micros(list.this_update),
                    list.next_update.map(micros),
                    list.certificates,
                    &list.content,
                    by.micros(),
                    sequence,
                ],
            )?;
            if let Some(signer) = &list.signer {
                tx.insert(&rows::REVOCATION_LIST_SIGNER, params![issuer, &number, signer, sequence])?;
            }
            let act = if list.issued_here { "revocation.issue" } else { "revocation.adopt" };
            let body = json!({ "number": hex::encode(&list.number), "certificates": list.certificates });
            Ok(Some(tx.append(Draft::new(act, Subject::Authority(list.issuer.clone()), body), by)?))
        })
    }

    /// The newest list of each issuer.
    pub fn revocation_lists(&self) -> Result<Vec<RevocationList>, BookError> {
        let sql = format!(
            "SELECT {LIST_COLUMNS} FROM revocation_list l WHERE NOT EXISTS (SELECT 1 FROM revocation_list m \
             WHERE m.issuer = l.issuer AND m.number > l.number) ORDER BY l.issuer"
        );
        self.read(|c| c.all(&sql, &[]))?.iter().map(RevocationList::read).collect()
    }
}
