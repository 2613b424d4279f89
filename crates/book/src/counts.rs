//! Counts of a reel.

use crate::Book;
use crate::engine::params;
use crate::error::BookError;
use crate::ids::{ProductName, ReelId};
use crate::reconcile::{ChipCount, CredentialCount, UnitCount, account};

/// One reel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReelCount {
    /// The reel.
    pub reel: ReelId,
    /// What its chips are for.
    pub product: ProductName,
    /// Its chips.
    pub chips: ChipCount,
    /// Chips that no delivery brought a credential for, without those scrapped.
    pub without: i64,
    /// Its credentials.
    pub credentials: CredentialCount,
    /// Its units.
    pub units: UnitCount,
}

impl Book {
    /// Counts of one reel; `None` where there is no such reel.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn count_reel(&self, reel: &ReelId) -> Result<Option<ReelCount>, BookError> {
        self.snapshot(|c| {
            let row = c.one("SELECT product FROM reel WHERE reel_id = $1", params![reel.as_str()])?;
            let Some(row) = row else { return Ok(None) };
            let (chips, credentials, units) = account(c, Some(reel))?;
            let without = c.number(
                "SELECT count(*) FROM chip c WHERE c.reel = $1 AND c.state <> 'scrapped' AND NOT EXISTS \
                 (SELECT 1 FROM credential k WHERE k.public_key = c.public_key)",
                params![reel.as_str()],
            )?;
            Ok(Some(ReelCount {
                reel: reel.clone(),
                product: ProductName::kept(row.text(0)?),
                chips,
                without,
                credentials,
                units,
            }))
        })
    }
}
