//! Reels: chips as delivered, received whole or not at all.

use serde_json::json;
use time::OffsetDateTime;

use crate::by::{By, moment};
use crate::chip::Chip;
use crate::engine::{Connection, Into, P, Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{ChipId, ProductName, ReelId, Sequence};
use crate::log::rows::{self, Many};
use crate::log::{Draft, Subject};
use crate::transaction::Tx;
use crate::words::Purpose;
use crate::{Book, Stop};

/// Chips put into the book at a time; enough that a statement's cost is spread
/// thin, few enough that a million chips need no memory.
const BATCH: usize = 1000;
/// Duplicates told one by one; the rest are counted.
const TOLD: usize = 1000;

/// A reel about to be received.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewReel {
    /// Its id, unique in the book.
    pub reel: ReelId,
    /// What its chips are for.
    pub product: ProductName,
    /// Name of the manifest's file, for people.
    pub source_name: String,
    /// SHA-256 of the manifest.
    pub source_digest: [u8; 32],
}

/// One chip of a manifest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewChip {
    pub chip_id: ChipId,
    /// Uncompressed P-256 point, already checked to be on the curve.
    pub public_key: [u8; 65],
}

/// A reel as it stands in the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reel {
    pub facts: NewReel,
    /// That of its product.
    pub purpose: Purpose,
    pub chips: i64,
    /// When it was received.
    pub received: OffsetDateTime,
    pub entry: Sequence,
}

/// What came of receiving a reel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Received {
    /// Chips put into the book.
    pub chips: i64,
    pub entry: Sequence,
}

/// What two chips have in common that they must not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Same {
    /// The chip id.
    ChipId,
    /// The public key: a cloned chip.
    PublicKey,
    /// Both: the same chip twice.
    Both,
}

/// A chip that is already known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Duplicate {
    /// Its place in the manifest, from 1.
    pub position: i64,
    pub chip_id: ChipId,
    /// What is the same.
    pub same: Same,
    /// The chip that has it: on another reel, or further up on this one.
    pub held_by: Chip,
}

/// Why a reel was not received. Nothing of it is in the book.
#[derive(Debug, thiserror::Error)]
pub enum ReceiveError {
    /// Its id is taken.
    #[error("reel {} was already received on {}, with {} chips", .there.facts.reel, .there.received.date(), .there.chips)]
    ReelKnown {
        /// The reel that is there.
        there: Box<Reel>,
        /// Whether the manifest is the same, octet for octet.
        same: bool,
    },
    /// There is no such product.
    #[error("there is no product named {product}")]
    NoProduct { product: ProductName },
    /// Chips of it are known.
    #[error("{total} chips of the reel are already in the book, or twice on the reel")]
    Duplicates {
        total: u64,
        /// The first of them.
        first: Vec<Duplicate>,
    },
    /// A reel has chips.
    #[error("the manifest has no chips")]
    Empty,
    /// The caller's iterator stopped.
    #[error("the manifest could not be read to its end")]
    Stopped(#[source] Stop),
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl ReceiveError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::NoProduct { .. } | Self::Empty | Self::Stopped(_) => Blame::Usage,
            Self::ReelKnown { .. } | Self::Duplicates { .. } => Blame::Refused,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::ReelKnown { same: true, .. } => "It is the same manifest; nothing is left to do.".into(),
            Self::ReelKnown { same: false, .. } => {
                "Give this reel another id; this one belongs to another manifest.".into()
            }
            Self::NoProduct { .. } => "Add the product first, or check its name.".into(),
            Self::Duplicates { .. } => {
                "Ask the chip maker: two chips with one id or one key can't both be trusted. Nothing was stored.".into()
            }
            Self::Empty => "Check that this is the manifest.".into(),
            Self::Stopped(_) => "Fix what the cause names; nothing was stored.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}

const COLUMNS: &str = "reel_id, product, source_name, source_digest, purpose, chips, received, entry";

impl Reel {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            facts: NewReel {
                reel: ReelId::kept(row.text(0)?),
                product: ProductName::kept(row.text(1)?),
                source_name: row.text(2)?,
                source_digest: row.array(3)?,
            },
            purpose: Purpose::read(row, 4)?,
            chips: row.int(5)?,
            received: moment(row.int(6)?)?,
            entry: Sequence(row.int(7)?),
        })
    }
}

pub(crate) fn read_reel(c: &mut Connection, reel: &ReelId) -> Result<Option<Reel>, BookError> {
    let sql = format!("SELECT {COLUMNS} FROM reel WHERE reel_id = $1");
    c.one(&sql, params![reel.as_str()])?.as_ref().map(Reel::read).transpose()
}

/// Puts one batch into the book; those already there are added to `known`.
fn put(
    tx: &mut Tx<'_>,
    reel: &ReelId,
    first: i64,
    chips: &[NewChip],
    known: &mut (u64, Vec<Duplicate>),
) -> Result<(), BookError> {
    let mut values = Vec::with_capacity(chips.len() * 4);
    for (position, chip) in (first..).zip(chips) {
        values.extend([
            P::Text(reel.as_str()),
            P::Int(position),
            P::Text(chip.chip_id.as_str()),
            P::Bytes(&chip.public_key),
        ]);
    }
    let into = Into { table: "chip", columns: &["reel", "position", "chip_id", "public_key"], numbered: Some(1) };
    for place in tx.insert_rows(&into, &values)? {
        known.0 += 1;
        if known.1.len() < TOLD {
            known.1.push(duplicate(tx, first + place as i64, &chips[place])?);
        }
    }
    Ok(())
}

fn duplicate(tx: &mut Tx<'_>, position: i64, chip: &NewChip) -> Result<Duplicate, BookError> {
    let sql = format!(
        "SELECT {} FROM chip c WHERE c.chip_id = $1 UNION ALL SELECT {} FROM chip c WHERE c.public_key = $2",
        Chip::COLUMNS,
        Chip::COLUMNS
    );
    let holders: Vec<_> = tx
        .all(&sql, params![chip.chip_id.as_str(), &chip.public_key])?
        .iter()
        .map(Chip::read)
        .collect::<Result<_, _>>()?;
    let by_id = holders.iter().find(|held| held.chip_id == chip.chip_id);
    let by_key = holders.iter().find(|held| held.public_key == chip.public_key);
    let (same, held_by) = match (by_id, by_key) {
        (Some(a), Some(b)) if a == b => (Same::Both, a),
        (Some(held), _) => (Same::ChipId, held),
        (None, Some(held)) => (Same::PublicKey, held),
        (None, None) => return Err(BookError::damaged("a chip was kept out by none of the chips there")),
    };
    Ok(Duplicate { position, chip_id: chip.chip_id.clone(), same, held_by: held_by.clone() })
}

impl Book {
    /// Receives a reel: its chips in the order of the manifest, all in one
    /// transaction, as fast as the disk takes them. Stations can begin attempts
    /// meanwhile on PostgreSQL; on SQLite they wait.
    ///
    /// # Errors
    ///
    /// [`ReceiveError`]; nothing is stored then. Every duplicate is counted, and
    /// the first thousand are told with the chip that they collide with.
    pub fn receive_reel(
        &self,
        new: &NewReel,
        chips: impl IntoIterator<Item = Result<NewChip, Stop>>,
        by: &By,
    ) -> Result<Received, ReceiveError> {
        self.bulk(|tx| {
            tx.rows_come_sorted()?;
            let sql = "SELECT purpose FROM product WHERE name = $1";
            let Some(product) = tx.one(sql, params![new.product.as_str()])? else {
                return Err(ReceiveError::NoProduct { product: new.product.clone() });
            };
            let laid = tx.run(
                "INSERT INTO reel (reel_id, product, purpose, source_name, source_digest, chips, received, entry) \
                 VALUES ($1, $2, $3, $4, $5, 0, $6, -1) ON CONFLICT DO NOTHING",
                params![
                    new.reel.as_str(),
                    new.product.as_str(),
                    &product.text(0)?,
                    &new.source_name,
                    &new.source_digest,
                    by.micros(),
                ],
            )?;
            // Ids that differ in their letter case alone are one, since people read them as one.
            let sql = "SELECT reel_id FROM reel WHERE upper(reel_id) = upper($1) AND reel_id <> $1";
            let named = match tx.one(sql, params![new.reel.as_str()])? {
                Some(row) => Some(ReelId::kept(row.text(0)?)),
                None => (laid == 0).then(|| new.reel.clone()),
            };
            if let Some(named) = named {
                let there =
                    read_reel(tx, &named)?.ok_or_else(|| BookError::damaged("a reel disappeared during the act"))?;
                let same = there.facts.source_digest == new.source_digest;
                return Err(ReceiveError::ReelKnown { there: Box::new(there), same });
            }
            let (mut all, mut known) = (Many::default(), (0, Vec::new()));
            let mut batch = Vec::with_capacity(BATCH);
            let mut position = 0;
            for chip in chips {
                let chip = chip.map_err(ReceiveError::Stopped)?;
                position += 1;
                all.add(&rows::chip_facts(new.reel.as_str(), position, chip.chip_id.as_str(), &chip.public_key));
                batch.push(chip);
                if batch.len() == BATCH {
                    put(tx, &new.reel, position + 1 - batch.len() as i64, &batch, &mut known)?;
                    batch.clear();
                }
            }
            put(tx, &new.reel, position + 1 - batch.len() as i64, &batch, &mut known)?;
            if known.0 > 0 {
                return Err(ReceiveError::Duplicates { total: known.0, first: known.1 });
            }
            if position == 0 {
                return Err(ReceiveError::Empty);
            }
            let sequence = tx.next_sequence()?;
            tx.change_one(
                &rows::REEL,
                "UPDATE reel SET chips = $1, entry = $2 WHERE reel_id = $3",
                params![position, sequence, new.reel.as_str()],
            )?;
            let body = json!({
                "product": new.product,
                "source": { "name": new.source_name, "sha256": hex::encode(new.source_digest) },
                "chips": all.told("chip"),
            });
            let mut draft = Draft::new("reel.receive", Subject::Reel(new.reel.clone()), body);
            draft.fingerprints = Some(&all.fingerprints);
            Ok(Received { chips: position, entry: tx.append(draft, by)? })
        })
    }

    /// The reel of this id.
    pub fn reel(&self, reel: &ReelId) -> Result<Option<Reel>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM reel WHERE reel_id = $1");
        self.read(|c| c.one(&sql, params![reel.as_str()]))?.as_ref().map(Reel::read).transpose()
    }

    /// All reels, by id.
    pub fn reels(&self) -> Result<Vec<Reel>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM reel ORDER BY reel_id");
        self.read(|c| c.all(&sql, &[]))?.iter().map(Reel::read).collect()
    }
}
