//! The whole story of a unit, and of a chip that is no unit yet.

use time::OffsetDateTime;

use crate::Book;
use crate::attempt::facts::AttemptFacts;
use crate::attempt::{Attempt, Step, read_attempts, read_steps};
use crate::authority::{Authority, read_authority};
use crate::carton::{Packed, read_packed};
use crate::chip::{Chip, read_chip};
use crate::credential::{Credential, read_credential};
use crate::delivery::{Delivery, read_delivery};
use crate::engine::{Connection, params};
use crate::error::BookError;
use crate::ids::{AuthorityName, ChipId, UnitSerial};
use crate::log::Entry;
use crate::meeting::{Meeting, read_meetings};
use crate::product::{Product, read_product};
use crate::proof::{Proof, read_proof, read_proofs};
use crate::reel::{Reel, read_reel};
use crate::renewal::{EarlierCode, Pending, Renewal, read_earlier_codes, read_pending, read_renewals};
use crate::unit::{Label, Unit, read_labels, read_unit};
use crate::words::RenewalKind;

/// Issuers followed upwards from a PAI; a chain of the standard has one.
const ISSUERS: usize = 4;

/// An attempt with its steps.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AttemptStory {
    pub attempt: Attempt,
    /// Its steps, in order.
    pub steps: Vec<Step>,
    pub facts: AttemptFacts,
}

/// Where a chip comes from and what belongs to it.
#[derive(Debug, Clone, PartialEq)]
pub struct ChipStory {
    pub chip: Chip,
    pub reel: Reel,
    /// What it is for.
    pub product: Product,
    /// Its credential, once one was delivered.
    pub credential: Option<Credential>,
    /// The delivery that brought it.
    pub delivery: Option<Delivery>,
    /// The PAI that issued it, then that one's issuers as far as the book knows them.
    pub authorities: Vec<Authority>,
}

/// A board that a unit has, or had.
#[derive(Debug, Clone, PartialEq)]
pub struct BoardStory {
    /// Its chip, with reel, delivery and credential.
    pub origin: ChipStory,
    /// When its first attempt began.
    pub from: OffsetDateTime,
    /// When it was swapped; none for the one that the unit has.
    pub to: Option<OffsetDateTime>,
    /// Why.
    pub reason: Option<String>,
    /// Its proofs, oldest first: more than one where it was proven again.
    pub proofs: Vec<Proof>,
}

/// Everything that the book knows of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitStory {
    pub unit: Unit,
    /// Its chip, with reel, delivery and credential.
    pub origin: ChipStory,
    /// All attempts, oldest first.
    pub attempts: Vec<AttemptStory>,
    /// The last proof of the board that it has, or had last.
    pub proof: Option<Proof>,
    /// Its boards, oldest first; the last is the one that it has, unless it waits for another.
    pub boards: Vec<BoardStory>,
    /// Each time that it went back to the line, oldest first.
    pub renewals: Vec<Renewal>,
    /// What it waits for.
    pub pending: Pending,
    /// Codes that it had before, oldest first.
    pub earlier_codes: Vec<EarlierCode>,
    /// What happened to its label.
    pub labels: Vec<Label>,
    /// Each time that it was met as a finished unit, oldest first.
    pub meetings: Vec<Meeting>,
    /// The carton that it is in.
    pub packed: Option<Packed>,
    /// All entries about it, oldest first.
    pub entries: Vec<Entry>,
}

impl UnitStory {
    /// The attempts with the board that it has, or had last.
    pub fn attempts_of_board(&self) -> &[AttemptStory] {
        let swapped = |r: &&Renewal| r.kind == RenewalKind::Swap && r.chip_id != self.unit.chip_id;
        self.after(self.renewals.iter().rfind(swapped))
    }

    /// The attempts since it went back to the line last; all of them where it never did.
    pub fn attempts_since_renewal(&self) -> &[AttemptStory] {
        self.after(self.renewals.last())
    }

    fn after(&self, renewal: Option<&Renewal>) -> &[AttemptStory] {
        let before = renewal.map_or(0, |renewal| renewal.attempts);
        &self.attempts[self.attempts.partition_point(|a| a.attempt.number.0 <= before)..]
    }
}

fn chip_story(c: &mut Connection, chip: Chip) -> Result<ChipStory, BookError> {
    let gone = |what: &str, name: &str| BookError::damaged(format!("{what} {name} is missing"));
    let reel = read_reel(c, &chip.reel)?.ok_or_else(|| gone("reel", chip.reel.as_str()))?;
    let product = reel.facts.product.as_str();
    let product = read_product(c, product)?.ok_or_else(|| gone("product", product))?;
    let credential = read_credential(c, &chip.public_key)?;
    let (mut delivery, mut authorities) = (None, Vec::new());
    if let Some(credential) = &credential {
        delivery = read_delivery(c, &credential.delivery)?;
        let mut next: Option<AuthorityName> = Some(credential.authority.clone());
        while let Some(name) = next.take() {
            let found = read_authority(c, name.as_str())?.ok_or_else(|| gone("authority", name.as_str()))?;
            if authorities.len() < ISSUERS {
                next = found.facts.issuer.clone().filter(|issuer| *issuer != name);
            }
            authorities.push(found);
        }
    }
    Ok(ChipStory { chip, reel, product, credential, delivery, authorities })
}

/// The boards of a unit, oldest first.
fn boards(
    c: &mut Connection,
    (unit, origin): (&Unit, &ChipStory),
    attempts: &[AttemptStory],
    renewals: &[Renewal],
) -> Result<Vec<BoardStory>, BookError> {
    let mut proofs = read_proofs(c, unit.serial.as_str())?;
    let mut its_proofs = |origin: &ChipStory| {
        proofs.extract_if(.., |(key, _)| *key == origin.chip.public_key).map(|(_, proof)| proof).collect()
    };
    let (mut boards, mut before) = (Vec::new(), 0);
    let begun = |after: i64| attempts.iter().find(|a| a.attempt.number.0 > after).map(|a| a.attempt.started);
    for swap in renewals.iter().filter(|r| r.kind == RenewalKind::Swap) {
        let chip = read_chip(c, swap.chip_id.as_str())?
            .ok_or_else(|| BookError::damaged(format!("chip {} of unit {} is missing", swap.chip_id, unit.serial)))?;
        let origin = chip_story(c, chip)?;
        let (from, proofs) = (begun(before).unwrap_or(unit.began), its_proofs(&origin));
        boards.push(BoardStory { origin, from, to: Some(swap.at), reason: Some(swap.reason.clone()), proofs });
        before = swap.attempts;
    }
    if boards.last().is_none_or(|last| last.origin.chip != origin.chip) {
        let (from, proofs) = (begun(before).unwrap_or(unit.began), its_proofs(origin));
        boards.push(BoardStory { origin: origin.clone(), from, to: None, reason: None, proofs });
    }
    Ok(boards)
}

impl Book {
    /// The story of a unit, from one unchanging view of the book.
    pub fn story(&self, serial: &UnitSerial) -> Result<Option<UnitStory>, BookError> {
        self.snapshot(|c| {
            let Some(unit) = read_unit(c, serial.as_str())? else { return Ok(None) };
            let chip = read_chip(c, unit.chip_id.as_str())?
                .ok_or_else(|| BookError::damaged(format!("the chip of unit {serial} is missing")))?;
            let mut told = AttemptFacts::read(c, serial.as_str())?;
            let mut attempts = Vec::new();
            for attempt in read_attempts(c, serial.as_str())? {
                let steps = read_steps(c, serial.as_str(), attempt.number)?;
                let facts = told.remove(&attempt.number).unwrap_or_default();
                attempts.push(AttemptStory { attempt, steps, facts });
            }
            let sql = format!(
                "SELECT {} FROM entry WHERE subject_kind = 'unit' AND subject = $1 ORDER BY sequence",
                Entry::COLUMNS
            );
            let entries = c.all(&sql, params![serial.as_str()])?;
            let renewals = read_renewals(c, serial.as_str())?;
            let pending = read_pending(c, &unit)?;
            let origin = chip_story(c, chip)?;
            let boards = boards(c, (&unit, &origin), &attempts, &renewals)?;
            let its = boards.iter().rfind(|board| board.origin.chip == origin.chip);
            Ok(Some(UnitStory {
                attempts,
                proof: its.and_then(|board| board.proofs.last().cloned()),
                boards,
                renewals,
                pending,
                earlier_codes: read_earlier_codes(c, serial.as_str())?,
                origin,
                labels: read_labels(c, serial.as_str())?,
                meetings: read_meetings(c, serial.as_str())?,
                packed: read_packed(c, serial.as_str())?,
                entries: entries.iter().map(Entry::read).collect::<Result<_, _>>()?,
                unit,
            }))
        })
    }

    /// Where a chip comes from, whether or not a unit has it.
    pub fn chip_story(&self, chip: &ChipId) -> Result<Option<ChipStory>, BookError> {
        self.snapshot(|c| match read_chip(c, chip.as_str())? {
            Some(chip) => chip_story(c, chip).map(Some),
            None => Ok(None),
        })
    }

    /// The last proof of the board that a unit has, or had last.
    pub fn proof(&self, serial: &UnitSerial) -> Result<Option<Proof>, BookError> {
        self.read(|c| read_proof(c, serial.as_str()))
    }
}
