//! Proofs: what makes a unit pass.

use serde_json::{Value as Json, json};
use sha2::{Digest, Sha256};
use time::OffsetDateTime;

use crate::by::moment;
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{AttemptNumber, Sequence, UnitSerial};
use crate::product::parsed;

/// A further object as read back from the chip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadBack {
    /// Its name in the product.
    pub name: String,
    /// SHA-256 of what the chip gave.
    pub sha256: [u8; 32],
}

/// What a station proved of a chip. All octets are as the chip gave them.
#[derive(Debug, Clone, PartialEq)]
pub struct NewProof {
    /// The verifier's nonce: fresh, used once in the life of the book.
    pub nonce: [u8; 32],
    /// The attestation challenge, which both sides derived and nobody sent.
    pub challenge: Vec<u8>,
    /// The attestation elements that the device answered with.
    pub elements: Vec<u8>,
    /// The chip's signature over elements and challenge.
    pub signature: Vec<u8>,
    /// The DAC as read back; must be the credential's, octet for octet.
    pub dac: Vec<u8>,
    /// The PAI as read back.
    pub pai: Vec<u8>,
    /// The declaration as read back, where the chip holds one.
    pub declaration: Option<Vec<u8>>,
    /// Further objects as read back.
    pub objects: Vec<ReadBack>,
    /// The findings of the accepted verdict; a rejected one is no proof.
    pub report: Json,
    /// When the verdict was reached.
    pub at: OffsetDateTime,
}

/// A proof as it stands in the book.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    pub unit: UnitSerial,
    /// The attempt that brought it.
    pub attempt: AttemptNumber,
    pub facts: NewProof,
    /// The entry that vouches for it.
    pub entry: Sequence,
}

pub(crate) fn sha256(octets: &[u8]) -> [u8; 32] {
    Sha256::digest(octets).into()
}

/// Objects as they stand in the book.
pub(crate) fn told(objects: &[ReadBack]) -> Json {
    objects.iter().map(|o| json!({ "name": o.name, "sha256": hex::encode(o.sha256) })).collect()
}

fn read_objects(text: &str) -> Result<Vec<ReadBack>, BookError> {
    let wrong = || BookError::damaged("a proof's objects");
    let list = parsed(text, "a proof's objects")?;
    let list = list.as_array().ok_or_else(wrong)?;
    list.iter()
        .map(|object| {
            let field = |key| object.get(key).and_then(Json::as_str).ok_or_else(wrong);
            let digest = hex::decode(field("sha256")?).map_err(|_| wrong())?;
            Ok(ReadBack { name: field("name")?.to_owned(), sha256: digest.try_into().map_err(|_| wrong())? })
        })
        .collect()
}

impl Proof {
    fn read(row: &Row) -> Result<Self, BookError> {
        let unit = UnitSerial::kept(row.text(0)?);
        let dac = row.bytes(6)?;
        if sha256(&dac) != row.array::<32>(7)? {
            return Err(BookError::damaged(format!("the DAC in the proof of unit {unit} is not its credential's")));
        }
        Ok(Self {
            attempt: AttemptNumber(row.int(1)?),
            facts: NewProof {
                nonce: row.array(2)?,
                challenge: row.bytes(3)?,
                elements: row.bytes(4)?,
                signature: row.bytes(5)?,
                dac,
                pai: row.bytes(8)?,
                declaration: row.maybe(9, Row::bytes)?,
                objects: read_objects(&row.text(10)?)?,
                report: parsed(&row.text(11)?, "a proof's report")?,
                at: moment(row.int(12)?)?,
            },
            entry: Sequence(row.int(13)?),
            unit,
        })
    }
}

/// All proofs of a unit, each with the key of its board, oldest first.
pub(crate) fn read_proofs(c: &mut Connection, unit: &str) -> Result<Vec<(Vec<u8>, Proof)>, BookError> {
    // The DAC stands once in the book: finishing an attempt holds that what was
    // read back is the credential's certificate.
    let from = |table: &str| {
        format!(
            "SELECT p.unit, p.attempt, p.nonce, p.challenge, p.elements, p.signature, k.certificate, p.dac, \
             i.content, d.content, p.objects, p.report, p.proven, p.entry, p.public_key FROM {table} p \
             JOIN credential k ON k.public_key = p.public_key JOIN octets i ON i.digest = p.pai \
             LEFT JOIN octets d ON d.digest = p.declaration WHERE p.unit = $1 ORDER BY p.attempt"
        )
    };
    let mut rows = c.all(&from("proof"), params![unit])?;
    if !rows.is_empty() {
        rows.extend(c.all(&from("later_proof"), params![unit])?);
    }
    rows.iter().map(|row| Ok((row.bytes(14)?, Proof::read(row)?))).collect()
}

/// The last proof of the board that a unit has, or had last.
pub(crate) fn read_proof(c: &mut Connection, unit: &str) -> Result<Option<Proof>, BookError> {
    let sql = "SELECT c.public_key FROM unit u JOIN chip c ON c.chip_id = u.chip_id WHERE u.serial = $1";
    let Some(key) = c.one(sql, params![unit])?.map(|row| row.bytes(0)).transpose()? else { return Ok(None) };
    Ok(read_proofs(c, unit)?.into_iter().rfind(|(of, _)| *of == key).map(|(_, proof)| proof))
}
