//! The whole story of a unit, and of a chip that is no unit yet.

use crate::Book;
use crate::attempt::facts::AttemptFacts;
use crate::attempt::{Attempt, Step, read_attempts, read_steps};
use crate::authority::{Authority, read_authority};
use crate::chip::{Chip, read_chip};
use crate::credential::{Credential, read_credential};
use crate::delivery::{Delivery, read_delivery};
use crate::engine::{Connection, params};
use crate::error::BookError;
use crate::ids::{AuthorityName, ChipId, UnitSerial};
use crate::log::Entry;
use crate::product::{Product, read_product};
use crate::proof::{Proof, read_proof};
use crate::reel::{Reel, read_reel};
use crate::unit::{Label, Unit, read_labels, read_unit};

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

/// Everything that the book knows of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitStory {
    pub unit: Unit,
    /// Its chip, with reel, delivery and credential.
    pub origin: ChipStory,
    /// All attempts, oldest first.
    pub attempts: Vec<AttemptStory>,
    /// The proof by which it passed.
    pub proof: Option<Proof>,
    /// What happened to its label.
    pub labels: Vec<Label>,
    /// All entries about it, oldest first.
    pub entries: Vec<Entry>,
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
            Ok(Some(UnitStory {
                origin: chip_story(c, chip)?,
                attempts,
                proof: read_proof(c, serial.as_str())?,
                labels: read_labels(c, serial.as_str())?,
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

    /// The proof by which a unit passed.
    pub fn proof(&self, serial: &UnitSerial) -> Result<Option<Proof>, BookError> {
        self.read(|c| read_proof(c, serial.as_str()))
    }
}
