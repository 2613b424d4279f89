//! Revocations: who asked for one, who confirmed it, and the lists that say so.
//!
//! A request names the certificates of one issuer. Confirming it revokes them, all
//! or none; for production it takes a second person, which the database holds
//! to. A list is written once and stands. What was asked of an authority whose key
//! is elsewhere is sent and unanswered until a list of it names the certificates.

use std::collections::HashSet;

use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, micros, moment};
use crate::credential::{RevokeError, hold};
use crate::engine::{Into, P, Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{Actor, AuthorityName, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::words::{CredentialState, Purpose, RequestState, Role};

/// Certificates put into one statement.
const BATCH: usize = 500;

/// A certificate that is to be revoked, or was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted {
    /// A PAI of the issuer; else a DAC.
    pub pai: bool,
    /// Serial number: content octets of the DER INTEGER.
    pub serial: Vec<u8>,
}

/// A request for a revocation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RevocationRequest {
    /// Its number at the site, from 1.
    pub number: i64,
    /// Whose certificates they are.
    pub issuer: AuthorityName,
    /// The issuer's purpose.
    pub purpose: Purpose,
    /// reasonCode (RFC 5280 §5.3.1).
    pub reason: u8,
    /// What whoever asked wrote beside it.
    pub note: Option<String>,
    /// How many certificates.
    pub certificates: i64,
    /// When it was asked for.
    pub requested: OffsetDateTime,
    /// Who asked.
    pub requested_by: Actor,
    /// Waiting, confirmed or withdrawn.
    pub state: RequestState,
    /// When it was settled, and by whom.
    pub settled: Option<(OffsetDateTime, Actor)>,
}

/// A certificate that is revoked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Revoked {
    /// What it is, and its serial number.
    pub certificate: Wanted,
    /// reasonCode (RFC 5280 §5.3.1).
    pub reason: u8,
    /// When.
    pub at: OffsetDateTime,
}

/// A revocation list as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RevocationList {
    /// Whose certificates it lists.
    pub issuer: AuthorityName,
    /// cRLNumber, content octets without leading zeros.
    pub number: Vec<u8>,
    /// Issued here; else adopted.
    pub issued_here: bool,
    /// thisUpdate.
    pub this_update: OffsetDateTime,
    /// nextUpdate, where there is one.
    pub next_update: Option<OffsetDateTime>,
    /// How many certificates it lists.
    pub certificates: i64,
    /// The list, DER.
    pub content: Vec<u8>,
    /// Certificate of whoever signed it where the issuer appointed somebody, DER.
    pub signer: Option<Vec<u8>>,
}

/// The list that answered what an authority elsewhere was asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The request.
    pub request: i64,
    /// cRLNumber, content octets without leading zeros.
    pub list_number: Vec<u8>,
    /// When it was adopted.
    pub at: OffsetDateTime,
}

/// Why a request or a list was not taken.
#[derive(Debug, thiserror::Error)]
pub enum RevocationError {
    /// No such request was made.
    #[error("there is no revocation request {number}")]
    Unknown {
        /// Its number.
        number: i64,
    },
    /// It was settled before.
    #[error("revocation request {number} was already {state} by {by}")]
    Settled {
        /// Its number.
        number: i64,
        /// How.
        state: RequestState,
        /// By whom.
        by: Actor,
    },
    /// For production a second person confirms.
    #[error("revocation request {number} is for production and was made by {by}; another person must confirm it")]
    SamePerson {
        /// Its number.
        number: i64,
        /// Who made it.
        by: Actor,
    },
    /// Somebody asked for the same before.
    #[error("Certificate {serial} of {issuer} is in revocation request {number} already, which {standing}")]
    AskedBefore {
        /// The issuer.
        issuer: AuthorityName,
        /// Serial number in hex, of the first.
        serial: String,
        /// The request that has it.
        number: i64,
        /// Where that request stands.
        standing: &'static str,
    },
    /// A request without certificates.
    #[error("nothing to revoke was named")]
    Nothing,
    /// A certificate that this site does not know of that issuer.
    #[error("authority {issuer} issued no certificate with serial {serial} that is in the book")]
    NoCertificate {
        /// The issuer.
        issuer: AuthorityName,
        /// Serial number in hex.
        serial: String,
    },
    /// No such authority.
    #[error("there is no authority {name}")]
    NoIssuer {
        /// Its name.
        name: AuthorityName,
    },
    /// A list with this number or a later one is kept.
    #[error("this site already has a list of {issuer} with number {number} or a later one")]
    OldList {
        /// The issuer.
        issuer: AuthorityName,
        /// cRLNumber in hex.
        number: String,
    },
    /// The book gave no answer. Nothing was changed.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl From<RevokeError> for RevocationError {
    fn from(error: RevokeError) -> Self {
        match error {
            RevokeError::Book(error) => Self::Book(error),
            unknown => Self::Book(BookError::damaged(unknown.to_string())),
        }
    }
}

impl RevocationError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } | Self::Nothing | Self::NoCertificate { .. } | Self::NoIssuer { .. } => Blame::Usage,
            Self::Settled { .. } | Self::SamePerson { .. } | Self::OldList { .. } | Self::AskedBefore { .. } => {
                Blame::Refused
            }
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Unknown { .. } | Self::Settled { .. } => {
                "See pending requests with `touchmark revocation list`.".into()
            }
            Self::SamePerson { .. } => "Have a second person check it and confirm it in their own name.".into(),
            Self::AskedBefore { number, .. } => {
                format!("Run `touchmark revocation show {number}`; leave out what is in it to ask for the others.")
            }
            Self::Nothing => "Name units, credentials or an authority.".into(),
            Self::NoCertificate { .. } => "Look up the unit first; its story shows serial number and issuer.".into(),
            Self::NoIssuer { .. } => "See `touchmark authority list`.".into(),
            Self::OldList { .. } => "Nothing to do: the newer one applies.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}

const COLUMNS: &str =
    "number, issuer, purpose, reason, note, certificates, requested, requested_by, state, settled, settled_by";

fn reason(row: &Row, column: usize) -> Result<u8, BookError> {
    u8::try_from(row.int(column)?).map_err(|_| BookError::damaged("a reason of a revocation"))
}

impl RevocationRequest {
    fn read(row: &Row) -> Result<Self, BookError> {
        let settled = match (row.maybe(9, Row::int)?, row.maybe(10, Row::text)?) {
            (Some(at), Some(by)) => Some((moment(at)?, Actor::kept(by))),
            _ => None,
        };
        Ok(Self {
            number: row.int(0)?,
            issuer: AuthorityName::kept(row.text(1)?),
            purpose: Purpose::read(row, 2)?,
            reason: reason(row, 3)?,
            note: row.maybe(4, Row::text)?,
            certificates: row.int(5)?,
            requested: moment(row.int(6)?)?,
            requested_by: Actor::kept(row.text(7)?),
            state: RequestState::read(row, 8)?,
            settled,
        })
    }
}

/// A cRLNumber in 20 octets, so that octets compare as numbers do.
fn padded(number: &[u8]) -> Vec<u8> {
    let digits = number.iter().skip_while(|o| **o == 0).copied().collect::<Vec<_>>();
    let mut out = vec![0; 20_usize.saturating_sub(digits.len())];
    out.extend(digits);
    out
}

fn stripped(number: &[u8]) -> Vec<u8> {
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

fn about(number: i64) -> Subject {
    Subject::Other("revocation", number.to_string())
}

/// Reads a request and locks it.
fn locked(tx: &mut Tx<'_>, number: i64) -> Result<RevocationRequest, RevocationError> {
    let sql = format!("SELECT {COLUMNS} FROM revocation_request r WHERE number = $1 {{lock:r}}");
    let row = tx.one(&sql, params![number])?.ok_or(RevocationError::Unknown { number })?;
    let found = RevocationRequest::read(&row)?;
    match found.settled {
        Some((_, by)) => Err(RevocationError::Settled { number, state: found.state, by }),
        None => Ok(found),
    }
}

fn read_wanted(tx: &mut Tx<'_>, number: i64) -> Result<Vec<Wanted>, BookError> {
    tx.all("SELECT kind, serial FROM revocation_wanted WHERE request = $1 ORDER BY number", params![number])?
        .iter()
        .map(|row| Ok(Wanted { pai: row.text(0)? == "pai", serial: row.bytes(1)? }))
        .collect()
}

/// Notes the digest of a request's certificates for the entry to come.
fn vouch_wanted(tx: &mut Tx<'_>, number: i64) -> Result<(), BookError> {
    let mut found = tx.all(&rows::REVOCATION_WANTED.select(), params![number])?;
    rows::split_entry(&mut found)?;
    tx.mention(&rows::REVOCATION_WANTED, number.to_string(), &found);
    Ok(())
}

fn settle(tx: &mut Tx<'_>, number: i64, state: RequestState, by: &By) -> Result<(), BookError> {
    let sequence = tx.next_sequence()?;
    tx.change_one(
        &rows::REVOCATION_REQUEST,
        "UPDATE revocation_request SET state = $1, settled = $2, settled_by = $3, entry = $4 WHERE number = $5",
        params![state.word(), by.micros(), by.actor.as_str(), sequence, number],
    )?;
    vouch_wanted(tx, number)
}

impl Book {
    /// Records that somebody asks for a revocation. Nothing is revoked yet.
    ///
    /// # Errors
    ///
    /// [`RevocationError`] names the first certificate that the issuer did not issue.
    pub fn request_revocation(
        &self,
        issuer: &AuthorityName,
        reason: u8,
        note: Option<&str>,
        wanted: &[Wanted],
        by: &By,
    ) -> Result<RevocationRequest, RevocationError> {
        if wanted.is_empty() {
            return Err(RevocationError::Nothing);
        }
        self.write(|tx| {
            let row = tx.one("SELECT purpose FROM authority WHERE name = $1", params![issuer.as_str()])?;
            let row = row.ok_or_else(|| RevocationError::NoIssuer { name: issuer.clone() })?;
            let purpose = Purpose::read(&row, 0)?;
            for one in wanted {
                let known = if one.pai {
                    certified(tx, issuer, &one.serial)?
                } else {
                    let sql = "SELECT 1 FROM credential k WHERE k.serial = $1 AND k.authority = $2";
                    tx.one(sql, params![&one.serial, issuer.as_str()])?.is_some()
                };
                if !known {
                    let serial = hex::encode(&one.serial);
                    return Err(RevocationError::NoCertificate { issuer: issuer.clone(), serial });
                }
            }
            asked_before(tx, issuer, wanted)?;
            let sequence = tx.next_sequence()?;
            let number = tx.number("SELECT coalesce(max(number), 0) + 1 FROM revocation_request", &[])?;
            let certificates = i64::try_from(wanted.len()).unwrap_or(i64::MAX);
            let row = tx.change_one(
                &rows::REVOCATION_REQUEST,
                "INSERT INTO revocation_request (number, issuer, purpose, reason, note, certificates, requested, \
                 requested_by, state, entry) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, 'waiting', $9)",
                params![
                    number,
                    issuer.as_str(),
                    purpose.word(),
                    i64::from(reason),
                    note,
                    certificates,
                    by.micros(),
                    by.actor.as_str(),
                    sequence,
                ],
            )?;
            let into =
                Into { table: "revocation_wanted", columns: &["request", "number", "kind", "serial"], numbered: None };
            for (batch, part) in wanted.chunks(BATCH).enumerate() {
                let mut values = Vec::with_capacity(part.len() * 4);
                for (place, one) in part.iter().enumerate() {
                    let place = i64::try_from(batch * BATCH + place + 1).unwrap_or(i64::MAX);
                    let kind = if one.pai { "pai" } else { "dac" };
                    values.extend([P::Int(number), P::Int(place), P::Text(kind), P::Bytes(&one.serial)]);
                }
                tx.insert_rows(&into, &values)?;
            }
            vouch_wanted(tx, number)?;
            let body = json!({
                "issuer": issuer, "reason": reason, "certificates": certificates, "note": note,
            });
            tx.append(Draft::new("revocation.request", about(number), body), by)?;
            Ok(RevocationRequest::read(&row)?)
        })
    }

    /// Confirms a request: its certificates are revoked, all or none, each with an
    /// entry of its own. Those that are revoked already stay as they are. Returns
    /// the request and how many were revoked now.
    ///
    /// # Errors
    ///
    /// [`RevocationError::SamePerson`] where it is for production and the same person asked.
    pub fn confirm_revocation(&self, number: i64, by: &By) -> Result<(RevocationRequest, u64), RevocationError> {
        self.write(|tx| {
            let request = locked(tx, number)?;
            if request.purpose == Purpose::Production && request.requested_by.is_same_person(&by.actor) {
                return Err(RevocationError::SamePerson { number, by: by.actor.clone() });
            }
            let wanted = read_wanted(tx, number)?;
            // All locks before the log's head, as every act takes them.
            let mut held = Vec::with_capacity(wanted.len());
            for one in &wanted {
                held.push(if one.pai { None } else { Some(hold_of(tx, &request.issuer, &one.serial)?) });
            }
            settle(tx, number, RequestState::Confirmed, by)?;
            let body = json!({
                "issuer": request.issuer, "reason": request.reason, "certificates": request.certificates,
                "requested_by": request.requested_by,
            });
            tx.append(Draft::new("revocation.confirm", about(number), body), by)?;
            let mut revoked = 0;
            for (one, held) in wanted.iter().zip(held) {
                revoked += u64::from(revoke_one(tx, &request, one, held, by)?);
            }
            let sql = format!("SELECT {COLUMNS} FROM revocation_request WHERE number = $1");
            let row = tx.one(&sql, params![number])?.ok_or(RevocationError::Unknown { number })?;
            Ok((RevocationRequest::read(&row)?, revoked))
        })
    }

    /// Withdraws a request: nothing is revoked by it.
    ///
    /// # Errors
    ///
    /// [`RevocationError::Settled`] where it was settled before.
    pub fn withdraw_revocation(&self, number: i64, by: &By) -> Result<RevocationRequest, RevocationError> {
        self.write(|tx| {
            let request = locked(tx, number)?;
            settle(tx, number, RequestState::Withdrawn, by)?;
            let body = json!({ "issuer": request.issuer, "certificates": request.certificates });
            tx.append(Draft::new("revocation.withdraw", about(number), body), by)?;
            Ok(RevocationRequest {
                state: RequestState::Withdrawn,
                settled: Some((by.at, by.actor.clone())),
                ..request
            })
        })
    }

    /// Requests, the newest first; those that wait alone, where asked.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn revocation_requests(&self, waiting: bool, limit: u32) -> Result<Vec<RevocationRequest>, BookError> {
        let only = if waiting { "WHERE state = 'waiting'" } else { "" };
        let sql = format!("SELECT {COLUMNS} FROM revocation_request {only} ORDER BY number DESC LIMIT $1");
        self.read(|c| c.all(&sql, params![i64::from(limit)]))?.iter().map(RevocationRequest::read).collect()
    }

    /// The certificates of a request, in its order.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn revocation_wanted(&self, number: i64) -> Result<Vec<Wanted>, BookError> {
        let sql = "SELECT kind, serial FROM revocation_wanted WHERE request = $1 ORDER BY number";
        self.read(|c| c.all(sql, params![number]))?
            .iter()
            .map(|row| Ok(Wanted { pai: row.text(0)? == "pai", serial: row.bytes(1)? }))
            .collect()
    }

    /// Requests that were confirmed, whose issuer's key is elsewhere, and that no list has answered; the oldest first.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn revocations_sent(&self) -> Result<Vec<RevocationRequest>, BookError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM revocation_request r WHERE state = 'confirmed' \
             AND EXISTS (SELECT 1 FROM authority a WHERE a.name = r.issuer AND a.key_reference IS NULL) \
             AND NOT EXISTS (SELECT 1 FROM revocation_answer w WHERE w.request = r.number) ORDER BY number"
        );
        self.read(|c| c.all(&sql, &[]))?.iter().map(RevocationRequest::read).collect()
    }

    /// Which lists answered which requests, by request.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn revocation_answers(&self) -> Result<Vec<Answer>, BookError> {
        let sql = "SELECT request, list_number, answered FROM revocation_answer ORDER BY request";
        let read = |row: &Row| {
            Ok(Answer { request: row.int(0)?, list_number: stripped(&row.bytes(1)?), at: moment(row.int(2)?)? })
        };
        self.read(|c| c.all(sql, &[]))?.iter().map(read).collect()
    }

    /// Records that a list of its issuer names all certificates of a request. Changes nothing where one did before.
    ///
    /// # Errors
    ///
    /// [`RevocationError`] where there is no such request.
    pub fn answer_revocation(&self, number: i64, list_number: &[u8], by: &By) -> Result<(), RevocationError> {
        self.write(|tx| {
            let sql = format!("SELECT {COLUMNS} FROM revocation_request r WHERE number = $1 {{lock:r}}");
            let row = tx.one(&sql, params![number])?.ok_or(RevocationError::Unknown { number })?;
            let request = RevocationRequest::read(&row)?;
            if tx.one("SELECT 1 FROM revocation_answer WHERE request = $1", params![number])?.is_some() {
                return Ok(());
            }
            let sequence = tx.next_sequence()?;
            tx.change_one(
                &rows::REVOCATION_ANSWER,
                "INSERT INTO revocation_answer (request, list_number, answered, entry) VALUES ($1, $2, $3, $4)",
                params![number, &padded(list_number), by.micros(), sequence],
            )?;
            let body = json!({ "issuer": request.issuer, "list": hex::encode(list_number) });
            tx.append(Draft::new("revocation.answer", about(number), body), by)?;
            Ok(())
        })
    }

    /// Every certificate of an issuer that is revoked, by serial number.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn revoked(&self, issuer: &AuthorityName) -> Result<Vec<Revoked>, BookError> {
        let sql = "SELECT kind, serial, reason, revoked FROM revocation WHERE issuer = $1 ORDER BY serial";
        self.read(|c| c.all(sql, params![issuer.as_str()]))?
            .iter()
            .map(|row| {
                Ok(Revoked {
                    certificate: Wanted { pai: row.text(0)? == "pai", serial: row.bytes(1)? },
                    reason: reason(row, 2)?,
                    at: moment(row.int(3)?)?,
                })
            })
            .collect()
    }

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
            tx.change_one(
                &rows::REVOCATION_LIST,
                "INSERT INTO revocation_list (issuer, number, origin, this_update, next_update, certificates, content, \
                 added, entry) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
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
                tx.change_one(
                    &rows::REVOCATION_LIST_SIGNER,
                    "INSERT INTO revocation_list_signer (issuer, number, certificate, entry) VALUES ($1, $2, $3, $4)",
                    params![issuer, &number, signer, sequence],
                )?;
            }
            let act = if list.issued_here { "revocation.issue" } else { "revocation.adopt" };
            let body = json!({ "number": hex::encode(&list.number), "certificates": list.certificates });
            Ok(Some(tx.append(Draft::new(act, Subject::Authority(list.issuer.clone()), body), by)?))
        })
    }

    /// The newest list of each issuer.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn revocation_lists(&self) -> Result<Vec<RevocationList>, BookError> {
        let sql = format!(
            "SELECT {LIST_COLUMNS} FROM revocation_list l WHERE NOT EXISTS (SELECT 1 FROM revocation_list m \
             WHERE m.issuer = l.issuer AND m.number > l.number) ORDER BY l.issuer"
        );
        self.read(|c| c.all(&sql, &[]))?.iter().map(RevocationList::read).collect()
    }
}

/// Refuses certificates of a request that waits, or that an authority elsewhere was asked to revoke.
fn asked_before(tx: &mut Tx<'_>, issuer: &AuthorityName, wanted: &[Wanted]) -> Result<(), RevocationError> {
    let sql = "SELECT w.serial, r.number, r.state, \
               CASE WHEN EXISTS (SELECT 1 FROM revocation_answer x WHERE x.request = r.number) THEN 1 ELSE 0 END \
               FROM revocation_request r JOIN revocation_wanted w ON w.request = r.number \
               JOIN authority a ON a.name = r.issuer WHERE r.issuer = $1 \
               AND (r.state = 'waiting' OR (r.state = 'confirmed' AND a.key_reference IS NULL))";
    let serials: HashSet<&[u8]> = wanted.iter().map(|one| one.serial.as_slice()).collect();
    for row in tx.all(sql, params![issuer.as_str()])? {
        let serial = row.bytes(0)?;
        if !serials.contains(serial.as_slice()) {
            continue;
        }
        let standing = match (RequestState::read(&row, 2)?, row.int(3)?) {
            (RequestState::Waiting, _) => "waits for a second person",
            (_, 0) => "was sent to the authority and is not answered yet",
            _ => "the authority has answered with its list",
        };
        let (issuer, serial, number) = (issuer.clone(), hex::encode(serial), row.int(1)?);
        return Err(RevocationError::AskedBefore { issuer, serial, number, standing });
    }
    Ok(())
}

/// Whether a PAI of this serial number is issued by that PAA. The book does not read
/// certificates: it looks for the INTEGER among those of the PAA's own.
fn certified(tx: &mut Tx<'_>, issuer: &AuthorityName, serial: &[u8]) -> Result<bool, BookError> {
    let mut needle = vec![0x02, u8::try_from(serial.len()).unwrap_or(u8::MAX)];
    needle.extend_from_slice(serial);
    let sql = "SELECT certificate, role FROM authority WHERE issuer = $1";
    for row in tx.all(sql, params![issuer.as_str()])? {
        let certificate = row.bytes(0)?;
        if Role::read(&row, 1)? == Role::Pai && certificate.windows(needle.len()).any(|w| w == needle) {
            return Ok(true);
        }
    }
    Ok(false)
}

type Held = (CredentialState, crate::ids::ChipId, Subject, Vec<u8>);

fn hold_of(tx: &mut Tx<'_>, issuer: &AuthorityName, serial: &[u8]) -> Result<Held, RevocationError> {
    let sql = "SELECT k.issuer_key_id FROM credential k WHERE k.serial = $1 AND k.authority = $2";
    let missing = || RevocationError::NoCertificate { issuer: issuer.clone(), serial: hex::encode(serial) };
    let key_id = tx.one(sql, params![serial, issuer.as_str()])?.ok_or_else(missing)?.bytes(0)?;
    let (state, chip, subject) = hold(tx, &(key_id.clone(), serial.to_vec()))?;
    Ok((state, chip, subject, key_id))
}

/// Revokes one certificate; `false` where it is revoked already.
fn revoke_one(
    tx: &mut Tx<'_>,
    request: &RevocationRequest,
    one: &Wanted,
    held: Option<Held>,
    by: &By,
) -> Result<bool, BookError> {
    let issuer = request.issuer.as_str();
    let known = tx.one("SELECT 1 FROM revocation WHERE issuer = $1 AND serial = $2", params![issuer, &one.serial])?;
    if known.is_some() {
        return Ok(false);
    }
    let sequence = tx.next_sequence()?;
    tx.change_one(
        &rows::REVOCATION,
        "INSERT INTO revocation (issuer, serial, kind, reason, revoked, request, entry) \
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
        params![
            issuer,
            &one.serial,
            if one.pai { "pai" } else { "dac" },
            i64::from(request.reason),
            by.micros(),
            request.number,
            sequence,
        ],
    )?;
    let mut body = json!({
        "serial": hex::encode(&one.serial), "issuer": request.issuer, "reason": request.reason,
        "request": request.number,
    });
    let subject = match held {
        None => Subject::Authority(request.issuer.clone()),
        Some((state, chip, subject, key_id)) => {
            body["chip"] = json!(chip);
            if state != CredentialState::Revoked {
                tx.change_one(
                    &rows::CREDENTIAL,
                    "UPDATE credential SET state = 'revoked', reason = $1, entry = $2 \
                     WHERE serial = $3 AND issuer_key_id = $4",
                    params![format!("revocation request {}", request.number).as_str(), sequence, &one.serial, &key_id],
                )?;
            }
            subject
        }
    };
    let act = if one.pai { "authority.revoke" } else { "credential.revoke" };
    tx.append(Draft::new(act, subject, body), by)?;
    Ok(true)
}
