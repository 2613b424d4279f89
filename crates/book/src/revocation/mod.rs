//! Revocations: who asked for one, who confirmed it, and the lists that say so.
//!
//! A request names the certificates of one issuer. Confirming it revokes them, all
//! or none; for production it takes a second person, which the database holds
//! to. A list is written once and stands. What was asked of an authority whose key
//! is elsewhere is sent and unanswered until a list of it names the certificates.

mod error;
mod lists;
mod revoking;

use serde_json::json;
use time::OffsetDateTime;

use self::lists::{padded, stripped};
use self::revoking::{asked_before, certified, hold_of, is_of_another_site, revoke_one};
use crate::Book;
use crate::access::is_of_company;
use crate::access::seal::Sealed;
use crate::by::{By, moment};
use crate::engine::{Into, P, Row, params};
use crate::error::BookError;
use crate::ids::{Actor, AuthorityName};
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::words::{Purpose, RequestState};

pub use error::RevocationError;
pub use lists::RevocationList;

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

/// What somebody asks for.
#[derive(Debug, Clone, Copy)]
pub struct Asking<'a> {
    pub issuer: &'a AuthorityName,
    /// reasonCode (RFC 5280 §5.3.1).
    pub reason: u8,
    /// What is written beside it.
    pub note: Option<&'a str>,
    pub wanted: &'a [Wanted],
}

/// A request for a revocation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RevocationRequest {
    /// Its number at the site, from 1.
    pub number: i64,
    /// Whose certificates they are.
    pub issuer: AuthorityName,
    pub purpose: Purpose,
    /// reasonCode (RFC 5280 §5.3.1).
    pub reason: u8,
    /// What whoever asked wrote beside it.
    pub note: Option<String>,
    pub certificates: i64,
    /// When it was asked for.
    pub requested: OffsetDateTime,
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
    pub at: OffsetDateTime,
}

/// The list that answered what an authority elsewhere was asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    pub request: i64,
    /// cRLNumber, content octets without leading zeros.
    pub list_number: Vec<u8>,
    /// When it was adopted.
    pub at: OffsetDateTime,
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
        self.write(|tx| self.ask_in(tx, &Asking { issuer, reason, note, wanted }, by))
    }

    /// The same inside a transaction of another act, whose rows have their entry already.
    pub(crate) fn ask_in(
        &self,
        tx: &mut Tx<'_>,
        asking: &Asking<'_>,
        by: &By,
    ) -> Result<RevocationRequest, RevocationError> {
        let Asking { issuer, reason, note, wanted } = *asking;
        if wanted.is_empty() {
            return Err(RevocationError::Nothing);
        }
        let row = tx.one("SELECT purpose FROM authority WHERE name = $1", params![issuer.as_str()])?;
        let row = row.ok_or_else(|| RevocationError::NoIssuer { name: issuer.clone() })?;
        let purpose = Purpose::read(&row, 0)?;
        for one in wanted {
            let known = if one.pai {
                certified(tx, issuer, &one.serial)?
            } else {
                let sql = "SELECT 1 FROM credential k WHERE k.serial = $1 AND k.authority = $2 \
                           UNION ALL SELECT 1 FROM enrolled e WHERE e.serial = $1 AND e.authority = $2";
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
        self.seal(tx, Sealed::Request, P::Int(number))?;
        let body = json!({
            "issuer": issuer, "reason": reason, "certificates": certificates, "note": note,
        });
        tx.append(Draft::new("revocation.request", about(number), body), by)?;
        Ok(RevocationRequest::read(&row)?)
    }

    /// Confirms a request: its certificates are revoked, all or none, each with an
    /// entry of its own. Those that are revoked already stay as they are. Returns
    /// the request and how many were revoked now.
    ///
    /// # Errors
    ///
    /// [`RevocationError::SamePerson`] where it is for production and the same person asked;
    /// [`RevocationError::MaybeSamePerson`] where one of the two has a company account and the other a local one.
    pub fn confirm_revocation(&self, number: i64, by: &By) -> Result<(RevocationRequest, u64), RevocationError> {
        self.write(|tx| {
            let request = locked(tx, number)?;
            self.sealed(tx, Sealed::Request, P::Int(number))?;
            if request.purpose == Purpose::Production && request.requested_by.is_same_person(&by.actor) {
                return Err(RevocationError::SamePerson { number, by: by.actor.clone() });
            }
            if request.purpose == Purpose::Production
                && is_of_company(tx, &request.requested_by)? != is_of_company(tx, &by.actor)?
            {
                return Err(RevocationError::MaybeSamePerson { number, by: request.requested_by });
            }
            let wanted = read_wanted(tx, number)?;
            // All locks before the log's head, as every act takes them.
            let mut held = Vec::with_capacity(wanted.len());
            for one in &wanted {
                // What was issued to another site has no chip here to hold.
                let has_no_chip = one.pai || is_of_another_site(tx, &request.issuer, &one.serial)?;
                held.push(if has_no_chip { None } else { Some(hold_of(tx, &request.issuer, &one.serial)?) });
            }
            settle(tx, number, RequestState::Confirmed, by)?;
            self.seal(tx, Sealed::Request, P::Int(number))?;
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
            self.seal(tx, Sealed::Request, P::Int(number))?;
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
    pub fn revocation_requests(&self, waiting: bool, limit: u32) -> Result<Vec<RevocationRequest>, BookError> {
        let only = if waiting { "WHERE state = 'waiting'" } else { "" };
        let sql = format!("SELECT {COLUMNS} FROM revocation_request {only} ORDER BY number DESC LIMIT $1");
        self.read(|c| {
            let found = c.all(&sql, params![i64::from(limit)])?;
            let requests = found.iter().map(RevocationRequest::read).collect::<Result<Vec<_>, _>>()?;
            requests.iter().try_for_each(|request| self.sealed_if_known(c, Sealed::Request, P::Int(request.number)))?;
            Ok(requests)
        })
    }

    /// The certificates of a request, in its order.
    pub fn revocation_wanted(&self, number: i64) -> Result<Vec<Wanted>, BookError> {
        let sql = "SELECT kind, serial FROM revocation_wanted WHERE request = $1 ORDER BY number";
        self.read(|c| c.all(sql, params![number]))?
            .iter()
            .map(|row| Ok(Wanted { pai: row.text(0)? == "pai", serial: row.bytes(1)? }))
            .collect()
    }

    /// Requests that were confirmed, whose issuer's key is elsewhere, and that no list has answered; the oldest first.
    pub fn revocations_sent(&self) -> Result<Vec<RevocationRequest>, BookError> {
        let sql = format!(
            "SELECT {COLUMNS} FROM revocation_request r WHERE state = 'confirmed' \
             AND EXISTS (SELECT 1 FROM authority a WHERE a.name = r.issuer AND a.key_reference IS NULL) \
             AND NOT EXISTS (SELECT 1 FROM revocation_answer w WHERE w.request = r.number) ORDER BY number"
        );
        self.read(|c| c.all(&sql, &[]))?.iter().map(RevocationRequest::read).collect()
    }

    /// Which lists answered which requests, by request.
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
            tx.insert(&rows::REVOCATION_ANSWER, params![number, &padded(list_number), by.micros(), sequence])?;
            let body = json!({ "issuer": request.issuer, "list": hex::encode(list_number) });
            tx.append(Draft::new("revocation.answer", about(number), body), by)?;
            Ok(())
        })
    }

    /// Every certificate of an issuer that is revoked, by serial number.
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
}
