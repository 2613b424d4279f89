//! Scrapping with what becomes of the certificates: a unit or chips are scrapped and a revocation is asked for in one
//! transaction, so that neither is there without the other. And what the book says of a scrapped chip that turns up.

use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, moment};
use crate::chip::{self, ScrapChipError};
use crate::engine::{Row, params};
use crate::error::BookError;
use crate::ids::{Actor, ChipId, UnitSerial};
use crate::revocation::{Asking, RevocationError, RevocationRequest};
use crate::unit::{self, Unit, UnitError};

/// Why nothing was scrapped, and nothing asked for.
#[derive(Debug, thiserror::Error)]
pub enum DisposalError {
    /// The unit can't be scrapped.
    #[error(transparent)]
    Unit(#[from] UnitError),
    /// A chip can't be.
    #[error(transparent)]
    Chip(#[from] ScrapChipError),
    /// The revocation can't be asked for.
    #[error(transparent)]
    Revocation(#[from] RevocationError),
    /// The book gave no answer. Nothing was changed.
    #[error(transparent)]
    Book(#[from] BookError),
}

/// How a chip came to be scrapped.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScrappedBefore {
    /// The unit that it was in, if any.
    pub unit: Option<UnitSerial>,
    /// Whether that unit was given another board; else it was scrapped with its chip.
    pub swapped: bool,
    pub at: OffsetDateTime,
    pub by: Actor,
    pub reason: String,
}

impl Book {
    /// Scraps a unit as [`Book::scrap_unit`] does, and asks for a revocation in the same transaction. One that was
    /// scrapped before stays as it is; the revocation is asked for all the same.
    ///
    /// # Errors
    ///
    /// [`DisposalError`]; nothing was changed then.
    pub fn scrap_unit_asking(
        &self,
        serial: &UnitSerial,
        reason: &str,
        take_over: bool,
        asking: Option<&Asking<'_>>,
        by: &By,
    ) -> Result<(Unit, Option<RevocationRequest>), DisposalError> {
        self.write(|tx| {
            let scrapped = unit::scrap(tx, serial, reason, take_over, by)?;
            Ok((scrapped, asking.map(|asking| self.ask_in(tx, asking, by)).transpose()?))
        })
    }

    /// Scraps chips as [`Book::scrap_chip`] does, all or none, and asks for a revocation in the same transaction.
    ///
    /// # Errors
    ///
    /// As [`Book::scrap_unit_asking`].
    pub fn scrap_chips_asking(
        &self,
        chips: &[ChipId],
        reason: &str,
        asking: Option<&Asking<'_>>,
        by: &By,
    ) -> Result<Option<RevocationRequest>, DisposalError> {
        self.write(|tx| {
            // All chips before the log, in one order, as every act does.
            let mut chips: Vec<_> = chips.iter().collect();
            chips.sort_unstable();
            for chip in &chips {
                tx.one("SELECT 1 FROM chip c WHERE c.chip_id = $1 {lock:c}", params![chip.as_str()])?;
            }
            chips.iter().try_for_each(|chip| chip::scrap_one(tx, chip, reason, by))?;
            Ok(asking.map(|asking| self.ask_in(tx, asking, by)).transpose()?)
        })
    }

    /// When, by whom and why a chip was scrapped, and whose it was; `None` where it is not scrapped.
    pub fn scrapped_before(&self, chip: &ChipId) -> Result<Option<ScrappedBefore>, BookError> {
        let sql = "SELECT e.at, e.actor, coalesce(c.reason, ''), u.serial, r.unit FROM chip c \
                   JOIN entry e ON e.sequence = c.entry LEFT JOIN unit u ON u.chip_id = c.chip_id \
                   LEFT JOIN renewal r ON r.chip_id = c.chip_id AND r.kind = 'swap' \
                   WHERE c.chip_id = $1 AND c.state = 'scrapped'";
        let row = self.read(|c| c.one(sql, params![chip.as_str()]))?;
        row.map(|row| {
            let swapped_from = row.maybe(4, Row::text)?.map(UnitSerial::kept);
            Ok(ScrappedBefore {
                at: moment(row.int(0)?)?,
                by: Actor::kept(row.text(1)?),
                reason: row.text(2)?,
                swapped: swapped_from.is_some(),
                unit: swapped_from.or(row.maybe(3, Row::text)?.map(UnitSerial::kept)),
            })
        })
        .transpose()
    }
}
