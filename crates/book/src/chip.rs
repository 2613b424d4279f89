//! Chips: one secure element each, known from the reel it arrived on.

use serde_json::json;

use crate::by::By;
use crate::engine::{Connection, P, Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{ChipId, ReelId, Sequence, UnitSerial};
use crate::log::{Draft, Subject, rows};
use crate::transaction::Tx;
use crate::words::{ChipState, UnitState};
use crate::{Book, Page};

/// A chip as it stands in the book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chip {
    pub chip_id: ChipId,
    /// The reel it arrived on.
    pub reel: ReelId,
    /// Its place in the reel's manifest, from 1.
    pub position: i64,
    /// Uncompressed P-256 point, 65 octets.
    pub public_key: Vec<u8>,
    pub state: ChipState,
    /// Why it was scrapped.
    pub reason: Option<String>,
    /// The last entry that tells of it alone; none while it is as it arrived.
    pub entry: Option<Sequence>,
}

impl Chip {
    pub(crate) const COLUMNS: &'static str = "c.chip_id, c.reel, c.position, c.public_key, c.state, c.reason, c.entry";

    /// Reads [`Chip::COLUMNS`] from the first column on.
    pub(crate) fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            chip_id: ChipId::kept(row.text(0)?),
            reel: ReelId::kept(row.text(1)?),
            position: row.int(2)?,
            public_key: row.bytes(3)?,
            state: ChipState::read(row, 4)?,
            reason: row.maybe(5, Row::text)?,
            entry: row.maybe(6, Row::int)?.map(Sequence),
        })
    }
}

/// Chips read at a time by [`Book::chip_keys`].
const KEYS: i64 = 5_000;

/// A chip as matching a delivery sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChipKey {
    /// Place in the reel's manifest, from 1.
    pub position: i64,
    /// Uncompressed P-256 point.
    pub public_key: [u8; 65],
    /// Whether it was scrapped.
    pub scrapped: bool,
    /// Whether a delivery brought a credential for it.
    pub served: bool,
}

/// Why a chip without a unit was not scrapped.
#[derive(Debug, thiserror::Error)]
pub enum ScrapChipError {
    /// No reel brought it.
    #[error("chip {chip} is not in the book")]
    Unknown { chip: ChipId },
    /// It belongs to a unit, which is to be scrapped in its stead.
    #[error("chip {chip} belongs to unit {unit}")]
    HasUnit {
        chip: ChipId,
        unit: UnitSerial,
        /// Where the unit stands.
        state: UnitState,
    },
    /// The book gave no answer. Nothing was changed.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl ScrapChipError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } => Blame::Usage,
            Self::HasUnit { .. } => Blame::Refused,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Unknown { .. } => "Check the id; it is on the reel's manifest.".into(),
            Self::HasUnit { unit, .. } => format!("Scrap unit {unit}: its chip goes with it."),
            Self::Book(error) => error.advice(),
        }
    }
}

/// Scraps a chip and what it was to carry. Inside a transaction; its rows are noted.
pub(crate) fn scrap(tx: &mut Tx<'_>, chip: &Chip, reason: &str) -> Result<(), BookError> {
    let sequence = tx.next_sequence()?;
    tx.change_one(
        &rows::CHIP,
        "UPDATE chip SET state = 'scrapped', reason = $1, entry = $2 WHERE chip_id = $3 AND state <> 'scrapped'",
        params![reason, sequence, chip.chip_id.as_str()],
    )?;
    // Revoked stays revoked: that is what the world was told of it.
    tx.change(
        &rows::CREDENTIAL,
        "UPDATE credential SET state = 'spent', reason = $1, entry = $2 \
         WHERE public_key = $3 AND state IN ('available', 'reserved', 'installed')",
        params![reason, sequence, &chip.public_key],
    )?;
    Ok(())
}

/// Scraps a chip that no unit has, as [`Book::scrap_chip`] does. Inside a transaction.
pub(crate) fn scrap_one(tx: &mut Tx<'_>, chip_id: &ChipId, reason: &str, by: &By) -> Result<(), ScrapChipError> {
    let sql = format!("SELECT {} FROM chip c WHERE c.chip_id = $1 {{lock:c}}", Chip::COLUMNS);
    let Some(row) = tx.one(&sql, params![chip_id.as_str()])? else {
        return Err(ScrapChipError::Unknown { chip: chip_id.clone() });
    };
    let chip = Chip::read(&row)?;
    let unit = tx.one("SELECT serial, state FROM unit WHERE chip_id = $1", params![chip_id.as_str()])?;
    if let Some(unit) = unit {
        return Err(ScrapChipError::HasUnit {
            chip: chip_id.clone(),
            unit: UnitSerial::kept(unit.text(0)?),
            state: UnitState::read(&unit, 1)?,
        });
    }
    if chip.state == ChipState::Scrapped {
        return Ok(());
    }
    scrap(tx, &chip, reason)?;
    let body = json!({ "reason": reason, "reel": chip.reel });
    tx.append(Draft::new("chip.scrap", Subject::Chip(chip_id.clone()), body), by)?;
    Ok(())
}

impl Book {
    /// Scraps a chip that no unit has: broken on the reel, or lost. Its
    /// credential, if it has one, is spent. Asking again changes nothing.
    ///
    /// # Errors
    ///
    /// [`ScrapChipError::HasUnit`] where a unit has it.
    pub fn scrap_chip(&self, chip_id: &ChipId, reason: &str, by: &By) -> Result<(), ScrapChipError> {
        self.write(|tx| scrap_one(tx, chip_id, reason, by))
    }

    /// The chip of this id.
    pub fn chip(&self, chip_id: &ChipId) -> Result<Option<Chip>, BookError> {
        self.read(|c| read_chip(c, chip_id.as_str()))
    }

    /// The chip with this public key (65 octets).
    pub fn chip_with_key(&self, public_key: &[u8]) -> Result<Option<Chip>, BookError> {
        let sql = format!("SELECT {} FROM chip c WHERE c.public_key = $1", Chip::COLUMNS);
        self.read(|c| c.one(&sql, params![public_key]))?.as_ref().map(Chip::read).transpose()
    }

    /// Chips of a reel in the order of its manifest, after a position (0 for the first).
    pub fn chips(&self, reel: &ReelId, after: i64, limit: u32) -> Result<Page<Chip, i64>, BookError> {
        let sql = format!(
            "SELECT {} FROM chip c WHERE c.reel = $1 AND c.position > $2 ORDER BY c.position LIMIT $3",
            Chip::COLUMNS
        );
        let rows = self.read(|c| c.all(&sql, params![reel.as_str(), after, i64::from(limit) + 1]))?;
        Page::cut(rows.iter().map(Chip::read).collect::<Result<_, _>>()?, limit, |chip| chip.position)
    }

    /// Key and standing of every chip of a reel, in the order of its manifest:
    /// what matching a delivery takes, and no more of a million rows than that.
    ///
    /// # Errors
    ///
    /// What `each` says, or [`BookError`] where the book gave no answer.
    pub fn chip_keys<E: From<BookError>>(
        &self,
        reel: &ReelId,
        mut each: impl FnMut(ChipKey) -> Result<(), E>,
    ) -> Result<(), E> {
        let came = "SELECT (SELECT count(*) FROM delivery WHERE reel = $1) + \
                    (SELECT count(*) FROM reel_split WHERE reel = $1 AND certificates > 0)";
        let served = match self.read(|c| c.number(came, params![reel.as_str()]))? {
            // Credentials come with deliveries only, or with the reel that this one was split off.
            0 => "0",
            _ => "CASE WHEN EXISTS (SELECT 1 FROM credential k WHERE k.public_key = c.public_key) THEN 1 ELSE 0 END",
        };
        let sql = format!(
            "SELECT c.position, c.public_key, c.state, {served} FROM chip c \
             WHERE c.reel = $1 AND c.position > $2 ORDER BY c.position LIMIT $3"
        );
        let mut after = 0;
        loop {
            let rows = self.read(|c| c.all(&sql, params![reel.as_str(), after, KEYS]))?;
            for row in &rows {
                after = row.int(0)?;
                let scrapped = ChipState::read(row, 2)? == ChipState::Scrapped;
                each(ChipKey { position: after, public_key: row.array(1)?, scrapped, served: row.int(3)? != 0 })?;
            }
            if rows.len() < usize::try_from(KEYS).unwrap_or(usize::MAX) {
                return Ok(());
            }
        }
    }

    /// Ids and keys of the chips at these places of a reel, in no order; places without a chip are left out.
    pub fn chips_at(&self, reel: &ReelId, positions: &[i64]) -> Result<Vec<(i64, ChipId, [u8; 65])>, BookError> {
        let mut found = Vec::with_capacity(positions.len());
        for some in positions.chunks(500) {
            let places: Vec<_> = (2..some.len() + 2).map(|n| format!("${n}")).collect();
            let sql = format!(
                "SELECT position, chip_id, public_key FROM chip WHERE reel = $1 AND position IN ({})",
                places.join(",")
            );
            let mut values = vec![P::Text(reel.as_str())];
            values.extend(some.iter().map(|position| P::Int(*position)));
            for row in self.read(|c| c.all(&sql, &values))? {
                found.push((row.int(0)?, ChipId::kept(row.text(1)?), row.array(2)?));
            }
        }
        Ok(found)
    }

    /// Chips of a reel that no delivery brought a credential for, in the order
    /// of its manifest, after a position.
    pub fn chips_without(&self, reel: &ReelId, after: i64, limit: u32) -> Result<Page<Chip, i64>, BookError> {
        let sql = format!(
            "SELECT {} FROM chip c WHERE c.reel = $1 AND c.position > $2 AND c.state <> 'scrapped' AND NOT EXISTS \
             (SELECT 1 FROM credential k WHERE k.public_key = c.public_key) ORDER BY c.position LIMIT $3",
            Chip::COLUMNS
        );
        let rows = self.read(|c| c.all(&sql, params![reel.as_str(), after, i64::from(limit) + 1]))?;
        Page::cut(rows.iter().map(Chip::read).collect::<Result<_, _>>()?, limit, |chip| chip.position)
    }
}

pub(crate) fn read_chip(c: &mut Connection, chip_id: &str) -> Result<Option<Chip>, BookError> {
    let sql = format!("SELECT {} FROM chip c WHERE c.chip_id = $1", Chip::COLUMNS);
    c.one(&sql, params![chip_id])?.as_ref().map(Chip::read).transpose()
}
