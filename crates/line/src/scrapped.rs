//! What is said of a scrapped chip that turns up: at a station, when it is challenged, in a meeting.

use std::fmt;

use base::times::time_text;
use base::trouble::Trouble;
use book::ids::ChipId;
use serde::Serialize;
use site::Site;
use standard::name::printable;
use utoipa::ToSchema;

/// How a chip came to be scrapped.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ScrappedHere {
    /// The chip.
    pub chip_id: String,
    /// The unit that it was in; none for one that was scrapped blank.
    pub unit: Option<String>,
    /// Whether it was taken out of that unit, which got another board; else the unit was scrapped with it.
    pub swapped: bool,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
    /// Why.
    pub reason: String,
}

impl ScrappedHere {
    /// Of a chip; `None` where it is not scrapped, or not in the book.
    pub fn of(site: &Site, chip: &ChipId) -> Result<Option<Self>, Trouble> {
        Ok(site.book.scrapped_before(chip)?.map(|before| Self {
            chip_id: chip.to_string(),
            unit: before.unit.map(|unit| unit.to_string()),
            swapped: before.swapped,
            at: time_text(before.at),
            by: before.by.to_string(),
            reason: before.reason,
        }))
    }
}

impl fmt::Display for ScrappedHere {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { chip_id, at, by, .. } = self;
        let reason = printable(&self.reason);
        match &self.unit {
            Some(unit) if self.swapped => {
                write!(f, "chip {chip_id} was taken out of unit {unit} and scrapped at {at} by {by}: {reason}")
            }
            Some(unit) => write!(f, "chip {chip_id} was scrapped with unit {unit} at {at} by {by}: {reason}"),
            None => write!(f, "chip {chip_id} was scrapped at {at} by {by}: {reason}"),
        }
    }
}
