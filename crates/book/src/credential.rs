//! Credentials: one DAC each, bound to the one chip whose key it certifies.

use serde_json::json;
use time::OffsetDateTime;

use crate::by::{By, moment};
use crate::engine::{Connection, Row, params};
use crate::error::{Blame, BookError};
use crate::find::HAS_OR_HAD;
use crate::ids::{AuthorityName, ChipId, DeliveryId, Sequence, UnitSerial};
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::words::CredentialState;
use crate::{Book, Page};

/// A credential as it stands in the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Credential {
    /// The key that it certifies: that of its chip, 65 octets.
    pub public_key: Vec<u8>,
    /// The delivery it came in.
    pub delivery: DeliveryId,
    /// Its place in the delivery, from 1.
    pub position: i64,
    /// The PAI that issued it.
    pub authority: AuthorityName,
    /// Identifier of the issuer's key.
    pub issuer_key_id: Vec<u8>,
    /// Serial number: content octets of the DER INTEGER.
    pub serial: Vec<u8>,
    /// When it ends, where it does.
    pub not_after: Option<OffsetDateTime>,
    pub certificate: Vec<u8>,
    pub state: CredentialState,
    /// Why it is spent or revoked.
    pub reason: Option<String>,
    /// The last entry that tells of it alone; none while it is as it arrived.
    pub entry: Option<Sequence>,
}

impl Credential {
    pub(crate) const COLUMNS: &'static str = "k.public_key, k.delivery, k.position, k.authority, k.issuer_key_id, \
                                              k.serial, k.not_after, k.certificate, k.state, k.reason, k.entry";

    /// Reads [`Credential::COLUMNS`] from `first` on.
    pub(crate) fn read(row: &Row, first: usize) -> Result<Self, BookError> {
        Ok(Self {
            public_key: row.bytes(first)?,
            delivery: DeliveryId::kept(row.text(first + 1)?),
            position: row.int(first + 2)?,
            authority: AuthorityName::kept(row.text(first + 3)?),
            issuer_key_id: row.bytes(first + 4)?,
            serial: row.bytes(first + 5)?,
            not_after: row.maybe(first + 6, Row::int)?.map(moment).transpose()?,
            certificate: row.bytes(first + 7)?,
            state: CredentialState::read(row, first + 8)?,
            reason: row.maybe(first + 9, Row::text)?,
            entry: row.maybe(first + 10, Row::int)?.map(Sequence),
        })
    }
}

/// Why a credential was not revoked.
#[derive(Debug, thiserror::Error)]
pub enum RevokeError {
    /// No delivery brought it.
    #[error("the book has no credential with serial {serial} of issuer {issuer}")]
    Unknown {
        /// Serial number in hex.
        serial: String,
        /// Issuer's key identifier in hex.
        issuer: String,
    },
    /// The book gave no answer. Nothing was changed.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl RevokeError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } => Blame::Usage,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Unknown { .. } => "Look up the unit first; its story shows the serial number.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}

impl Book {
    /// Marks credentials as revoked, all or none; each with an entry of its own.
    /// Those that are revoked already stay as they are. Returns how many were changed.
    ///
    /// - `which`: issuer's key identifier and serial number of each.
    ///
    /// # Errors
    ///
    /// [`RevokeError::Unknown`] names the first that is not in the book.
    pub fn revoke(&self, which: &[(Vec<u8>, Vec<u8>)], reason: &str, by: &By) -> Result<u64, RevokeError> {
        self.write(|tx| {
            // All locks before the log's head, as every act takes them.
            let held = which.iter().map(|one| hold(tx, one)).collect::<Result<Vec<_>, _>>()?;
            let mut changed = 0;
            for ((issuer, serial), (state, chip, subject)) in which.iter().zip(held) {
                if state == CredentialState::Revoked {
                    continue;
                }
                let sequence = tx.next_sequence()?;
                tx.change_one(
                    &rows::CREDENTIAL,
                    "UPDATE credential SET state = 'revoked', reason = $1, entry = $2 \
                     WHERE serial = $3 AND issuer_key_id = $4",
                    params![reason, sequence, serial, issuer],
                )?;
                let body = json!({
                    "chip": chip, "serial": hex::encode(serial), "issuer": hex::encode(issuer), "reason": reason,
                });
                tx.append(Draft::new("credential.revoke", subject, body), by)?;
                changed += 1;
            }
            Ok(changed)
        })
    }

    /// Credentials of a delivery in its order, after a position (0 for the first).
    pub fn credentials(
        &self,
        delivery: &DeliveryId,
        after: i64,
        limit: u32,
    ) -> Result<Page<Credential, i64>, BookError> {
        let sql = format!(
            "SELECT {} FROM credential k WHERE k.delivery = $1 AND k.position > $2 ORDER BY k.position LIMIT $3",
            Credential::COLUMNS
        );
        let rows = self.read(|c| c.all(&sql, params![delivery.as_str(), after, i64::from(limit) + 1]))?;
        Page::cut(rows.iter().map(|row| Credential::read(row, 0)).collect::<Result<_, _>>()?, limit, |k| k.position)
    }

    /// The credential with this serial number (content octets) of this issuer.
    pub fn credential(&self, issuer_key_id: &[u8], serial: &[u8]) -> Result<Option<Credential>, BookError> {
        let sql =
            format!("SELECT {} FROM credential k WHERE k.serial = $1 AND k.issuer_key_id = $2", Credential::COLUMNS);
        self.read(|c| c.one(&sql, params![serial, issuer_key_id]))?.map(|row| Credential::read(&row, 0)).transpose()
    }

    /// The credential for this public key (65 octets).
    pub fn credential_for_key(&self, public_key: &[u8]) -> Result<Option<Credential>, BookError> {
        self.read(|c| read_credential(c, public_key))
    }
}

/// Locks the chip of a credential, as every act on a chip does; tells where the
/// credential stands, and what its entry is about.
pub(crate) fn hold(
    tx: &mut Tx<'_>,
    (issuer, serial): &(Vec<u8>, Vec<u8>),
) -> Result<(CredentialState, ChipId, Subject), RevokeError> {
    let unknown = || RevokeError::Unknown { serial: hex::encode(serial), issuer: hex::encode(issuer) };
    let sql = "SELECT c.chip_id FROM chip c WHERE c.public_key = \
               (SELECT k.public_key FROM credential k WHERE k.serial = $1 AND k.issuer_key_id = $2) {lock:c}";
    let chip = ChipId::kept(tx.one(sql, params![serial, issuer])?.ok_or_else(unknown)?.text(0)?);
    let sql = format!(
        "SELECT k.state, {HAS_OR_HAD} FROM credential k JOIN chip c ON c.chip_id = $3 \
         WHERE k.serial = $1 AND k.issuer_key_id = $2"
    );
    let row = tx.one(&sql, params![serial, issuer, chip.as_str()])?.ok_or_else(unknown)?;
    let subject = match row.maybe(1, Row::text)? {
        Some(unit) => Subject::Unit(UnitSerial::kept(unit)),
        None => Subject::Chip(chip.clone()),
    };
    Ok((CredentialState::read(&row, 0)?, chip, subject))
}

pub(crate) fn read_credential(c: &mut Connection, public_key: &[u8]) -> Result<Option<Credential>, BookError> {
    let sql = format!("SELECT {} FROM credential k WHERE k.public_key = $1", Credential::COLUMNS);
    c.one(&sql, params![public_key])?.map(|row| Credential::read(&row, 0)).transpose()
}
