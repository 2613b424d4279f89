//! Whether what a station works and judges by has changed: revocations, kept lists, trust,
//! products, and which of them reels are for.
//!
//! A station that runs for days loads these once. With each chip the book gives how much
//! there is of what is only ever added, and the last entry about what can change or be
//! withdrawn, so that the same numbers mean the same knowledge.

use crate::Book;
use crate::chip::Chip;
use crate::engine::{Row, params};
use crate::error::BookError;
use crate::ids::ChipId;

/// How much there is to judge by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Knowledge([i64; WIDTH]);

const COLUMNS: &str = "(SELECT count(*) FROM revocation_request WHERE state = 'confirmed'), \
                       (SELECT count(*) FROM revocation_list) + (SELECT count(*) FROM revocation_partial), \
                       (SELECT count(*) FROM trust_set) + (SELECT count(*) FROM product_trust), \
                       (SELECT count(*) FROM authority WHERE trusted = 1), \
                       (SELECT coalesce(max(entry), 0) FROM authority WHERE trusted = 1), \
                       (SELECT coalesce(max(entry), 0) FROM product), \
                       (SELECT coalesce(max(entry), 0) FROM reel), \
                       (SELECT count(*) FROM withdrawn)";
const WIDTH: usize = 8;

impl Knowledge {
    fn read(row: &Row) -> Result<Self, BookError> {
        let mut all = [0; WIDTH];
        for (column, number) in all.iter_mut().enumerate() {
            *number = row.int(column)?;
        }
        Ok(Self(all))
    }
}

impl Book {
    /// How much there is to judge by now.
    pub fn knowledge(&self) -> Result<Knowledge, BookError> {
        let row = self.read(|c| c.one(&format!("SELECT {COLUMNS}"), &[]))?;
        Knowledge::read(&row.ok_or_else(|| BookError::damaged("a count without an answer"))?)
    }

    /// A chip as it stands, with how much there is to judge by: one question for both.
    pub fn chip_and_knowledge(&self, chip: &ChipId) -> Result<(Option<Chip>, Knowledge), BookError> {
        let sql =
            format!("SELECT {COLUMNS}, {} FROM (SELECT 1 AS one) o LEFT JOIN chip c ON c.chip_id = $1", Chip::COLUMNS);
        let row = self.read(|c| c.one(&sql, params![chip.as_str()]))?;
        let mut row = row.ok_or_else(|| BookError::damaged("a count without an answer"))?;
        let knowledge = Knowledge::read(&row)?;
        row.0.drain(..WIDTH);
        let chip = if row.is_null(0) { None } else { Some(Chip::read(&row)?) };
        Ok((chip, knowledge))
    }
}
