//! Which certificates may be revoked, and revoking one.

use std::collections::HashSet;

use serde_json::json;

use super::{RevocationError, RevocationRequest, Wanted};
use crate::by::By;
use crate::credential::hold;
use crate::engine::params;
use crate::error::BookError;
use crate::ids::AuthorityName;
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::words::{CredentialState, RequestState, Role};

/// Refuses certificates of a request that waits, or that an authority elsewhere was asked to revoke.
pub(super) fn asked_before(tx: &mut Tx<'_>, issuer: &AuthorityName, wanted: &[Wanted]) -> Result<(), RevocationError> {
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
pub(super) fn certified(tx: &mut Tx<'_>, issuer: &AuthorityName, serial: &[u8]) -> Result<bool, BookError> {
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

pub(super) type Held = (CredentialState, crate::ids::ChipId, Subject, Vec<u8>);

pub(super) fn hold_of(tx: &mut Tx<'_>, issuer: &AuthorityName, serial: &[u8]) -> Result<Held, RevocationError> {
    let sql = "SELECT k.issuer_key_id FROM credential k WHERE k.serial = $1 AND k.authority = $2";
    let missing = || RevocationError::NoCertificate { issuer: issuer.clone(), serial: hex::encode(serial) };
    let key_id = tx.one(sql, params![serial, issuer.as_str()])?.ok_or_else(missing)?.bytes(0)?;
    let (state, chip, subject) = hold(tx, &(key_id.clone(), serial.to_vec()))?;
    Ok((state, chip, subject, key_id))
}

/// Whether the issuer issued it to another site.
pub(super) fn is_of_another_site(tx: &mut Tx<'_>, issuer: &AuthorityName, serial: &[u8]) -> Result<bool, BookError> {
    let sql = "SELECT 1 FROM enrolled WHERE serial = $1 AND authority = $2";
    Ok(tx.one(sql, params![serial, issuer.as_str()])?.is_some())
}

/// Revokes one certificate; `false` where it is revoked already.
pub(super) fn revoke_one(
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
    tx.insert(
        &rows::REVOCATION,
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
