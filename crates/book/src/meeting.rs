//! Meetings of finished units: what a home would have said, and the proof that it had.

use serde_json::{Value as Json, json};
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, micros, moment};
use crate::credential::read_credential;
use crate::engine::{Connection, P, Row, Value, params};
use crate::error::BookError;
use crate::ids::{Actor, ProductName, ReelId, Sequence, UnitSerial};
use crate::list::{UnitFilter, meeting_conditions};
use crate::log::{Draft, Subject, rows};
use crate::product::{canonical, parsed};
use crate::proof::sha256;
use crate::unit::{UnitError, locked_at_head};
use crate::words::MeetingVerdict;

/// What a unit signed in a meeting.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignedExchange {
    /// The home's nonce, used once.
    pub nonce: [u8; 32],
    /// The session's attestation challenge.
    pub challenge: Vec<u8>,
    /// The attestation elements.
    pub elements: Vec<u8>,
    /// The signature over elements and challenge.
    pub signature: Vec<u8>,
}

/// What came of a meeting.
#[derive(Debug, Clone)]
pub struct NewMeeting<'a> {
    pub verdict: MeetingVerdict,
    /// The rule that it broke first; none where it was accepted.
    pub cause: Option<&'a str>,
    /// Where it was met.
    pub place: Option<&'a str>,
    /// The certificate that it gave, and that certificate's key: a point of P-256, uncompressed, where it has one.
    pub dac: Option<(&'a [u8], Option<&'a [u8]>)>,
    /// The intermediate that it gave.
    pub pai: Option<&'a [u8]>,
    pub exchange: Option<&'a SignedExchange>,
    /// What it reported, how long each step took, what was found.
    pub report: &'a Json,
    /// Milliseconds from looking for it to the end.
    pub took_ms: i64,
    pub met: OffsetDateTime,
}

/// A meeting as it stands in the book.
#[derive(Debug, Clone, PartialEq)]
pub struct Meeting {
    /// Its number among the unit's meetings, from 1.
    pub number: i64,
    pub verdict: MeetingVerdict,
    pub cause: Option<String>,
    pub place: Option<String>,
    /// The key of the certificate that it gave, where that is one of the book.
    pub credential: Option<Vec<u8>>,
    /// The certificate that it gave.
    pub dac: Option<Vec<u8>>,
    /// The intermediate that it gave.
    pub pai: Option<Vec<u8>>,
    pub exchange: Option<SignedExchange>,
    pub report: Json,
    /// Milliseconds from looking for it to the end.
    pub took_ms: i64,
    pub met: OffsetDateTime,
    pub actor: Actor,
    pub entry: Sequence,
}

/// Meetings that ended alike.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MeetingTally {
    pub product: ProductName,
    pub verdict: MeetingVerdict,
    /// The rule that was broken first; none where they were accepted.
    pub cause: Option<String>,
    pub meetings: i64,
    /// Milliseconds of all of them, and of the longest.
    pub total_ms: i64,
    pub longest_ms: i64,
}

impl Meeting {
    fn read(row: &Row) -> Result<Self, BookError> {
        let exchange = match row.is_null(7) {
            true => None,
            false => Some(SignedExchange {
                nonce: row.array(7)?,
                challenge: row.bytes(8)?,
                elements: row.bytes(9)?,
                signature: row.bytes(10)?,
            }),
        };
        Ok(Self {
            number: row.int(0)?,
            verdict: MeetingVerdict::read(row, 1)?,
            cause: row.maybe(2, Row::text)?,
            place: row.maybe(3, Row::text)?,
            credential: row.maybe(4, Row::bytes)?,
            dac: row.maybe(5, Row::bytes)?,
            pai: row.maybe(6, Row::bytes)?,
            exchange,
            report: parsed(&row.text(11)?, "a meeting's report")?,
            took_ms: row.int(12)?,
            met: moment(row.int(13)?)?,
            actor: Actor::kept(row.text(14)?),
            entry: Sequence(row.int(15)?),
        })
    }
}

/// All meetings of a unit, oldest first.
pub(crate) fn read_meetings(c: &mut Connection, unit: &str) -> Result<Vec<Meeting>, BookError> {
    let sql = "SELECT m.number, m.verdict, m.cause, m.place, m.credential, coalesce(k.certificate, m.dac), i.content, \
               m.nonce, m.challenge, m.elements, m.signature, m.report, m.took, m.met, m.actor, m.entry FROM meeting m \
               LEFT JOIN credential k ON k.public_key = m.credential LEFT JOIN octets i ON i.digest = m.pai \
               WHERE m.unit = $1 ORDER BY m.number";
    c.all(sql, params![unit])?.iter().map(Meeting::read).collect()
}

impl Book {
    /// Keeps a meeting of a unit, whatever came of it: its number among the unit's meetings, and the entry.
    ///
    /// # Errors
    ///
    /// [`UnitError::Unknown`]; [`UnitError::State`] where a home took it with a board that it no longer has.
    pub fn keep_meeting(
        &self,
        serial: &UnitSerial,
        new: &NewMeeting<'_>,
        by: &By,
    ) -> Result<(i64, Sequence), UnitError> {
        let report = canonical(new.report)?;
        let pai = new.pai.map(|octets| (sha256(octets), octets));
        let kept = self.write(|tx| {
            let (unit, chip) = locked_at_head(tx, serial)?;
            // A certificate stands once in the book.
            let known = match new.dac {
                Some((der, Some(key))) => read_credential(tx.connection(), key)?.filter(|c| c.certificate == der),
                _ => None,
            };
            let known = known.map(|credential| credential.public_key);
            if new.verdict == MeetingVerdict::Accepted && known.as_ref() != Some(&chip.public_key) {
                let wanted = "recorded as accepted with a board that it no longer has";
                return Err(UnitError::State { unit: unit.serial, state: unit.state, wanted });
            }
            if let Some((digest, octets)) = &pai {
                let sql = "INSERT INTO octets (digest, content) VALUES ($1, $2) ON CONFLICT DO NOTHING";
                tx.run(sql, params![digest, *octets])?;
            }
            let sequence = tx.next_sequence()?;
            let number = tx.number("SELECT count(*) + 1 FROM meeting WHERE unit = $1", params![serial.as_str()])?;
            let foreign = new.dac.filter(|_| known.is_none()).map(|(der, _)| der);
            tx.insert(
                &rows::MEETING,
                params![
                    serial.as_str(),
                    number,
                    new.verdict.word(),
                    new.cause,
                    new.place,
                    known.as_deref(),
                    foreign,
                    pai.as_ref().map(|(digest, _)| digest.as_slice()),
                    new.exchange.map(|x| x.nonce.as_slice()),
                    new.exchange.map(|x| x.challenge.as_slice()),
                    new.exchange.map(|x| x.elements.as_slice()),
                    new.exchange.map(|x| x.signature.as_slice()),
                    &report,
                    new.took_ms,
                    micros(new.met),
                    by.actor.as_str(),
                    sequence,
                ],
            )?;
            let body = json!({ "meeting": number, "verdict": new.verdict, "cause": new.cause, "state": unit.state });
            let entry = tx.append(Draft::new("unit.meet", Subject::Unit(serial.clone()), body), by)?;
            Ok::<_, UnitError>((number, entry))
        })?;
        self.known.committed_octets(pai.into_iter().map(|(digest, _)| digest));
        Ok(kept)
    }

    /// Meetings within the filter's times, of the units that it names.
    pub fn tally_meetings(&self, filter: &UnitFilter) -> Result<Vec<MeetingTally>, BookError> {
        let (condition, values) = meeting_conditions(filter, self.is_sqlite());
        let sql = format!(
            "SELECT u.product, m.verdict, m.cause, count(*), CAST(sum(m.took) AS BIGINT), max(m.took) FROM meeting m JOIN unit u ON u.serial = m.unit \
             WHERE 1 = 1{condition} GROUP BY u.product, m.verdict, m.cause ORDER BY u.product, m.verdict, m.cause"
        );
        let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
        let read = |row: &Row| {
            Ok(MeetingTally {
                product: ProductName::kept(row.text(0)?),
                verdict: MeetingVerdict::read(row, 1)?,
                cause: row.maybe(2, Row::text)?,
                meetings: row.int(3)?,
                total_ms: row.int(4)?,
                longest_ms: row.int(5)?,
            })
        };
        self.read(|c| c.all(&sql, &values))?.iter().map(read).collect()
    }

    /// Units of a product, or of its units on a reel, that passed, and those of them whose last meeting a home accepted with the board that they have.
    pub fn inspected(&self, product: &ProductName, reel: Option<&ReelId>) -> Result<(i64, i64), BookError> {
        let sql = "SELECT count(*), CAST(coalesce(sum(CASE WHEN EXISTS (SELECT 1 FROM meeting m JOIN chip c \
                   ON c.public_key = m.credential WHERE m.unit = u.serial AND m.verdict = 'accepted' \
                   AND c.chip_id = u.chip_id AND m.number = (SELECT max(l.number) FROM meeting l \
                   WHERE l.unit = u.serial)) THEN 1 ELSE 0 END), 0) AS BIGINT) FROM unit u \
                   WHERE u.product = $1 AND u.state = 'passed' AND (CAST($2 AS TEXT) IS NULL OR u.reel = $2)";
        let row = self.read(|c| c.one(sql, params![product.as_str(), reel.map(ReelId::as_str)]))?;
        row.map_or(Ok((0, 0)), |row| Ok((row.int(0)?, row.int(1)?)))
    }
}
