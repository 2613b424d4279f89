//! Counts of a reel.

use crate::Book;
use crate::engine::{Connection, params};
use crate::error::BookError;
use crate::ids::{ProductName, ReelId};
use crate::reconcile::{ChipCount, CredentialCount, UnitCount, account, chips_of};

/// One reel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReelCount {
    pub reel: ReelId,
    /// What its chips are for.
    pub product: ProductName,
    pub chips: ChipCount,
    /// Chips that no delivery brought a credential for, without those scrapped.
    pub without: i64,
    pub credentials: CredentialCount,
    pub units: UnitCount,
}

/// Certificates that came for the chips of the reel `r`, as SQL: with its deliveries, with the reel that it was split off,
/// and without those that went with its parts.
pub(crate) const CERTIFICATES_CAME: &str = "((SELECT CAST(coalesce(sum(d.certificates_accepted), 0) AS BIGINT) FROM delivery d \
     WHERE d.reel = r.reel_id) \
     + coalesce((SELECT s.certificates FROM reel_split s WHERE s.reel = r.reel_id), 0) \
     - (SELECT CAST(coalesce(sum(s.certificates), 0) AS BIGINT) FROM reel_split s WHERE s.source = r.reel_id))";

/// Chips of a reel that no delivery brought a credential for, without those scrapped. Where
/// deliveries brought as many as there are chips none lacks one, and the chips are not looked at.
pub(crate) fn without(c: &mut Connection, reel: &ReelId) -> Result<i64, BookError> {
    let lacks = format!("SELECT r.chips - {CERTIFICATES_CAME} FROM reel r WHERE r.reel_id = $1");
    if c.number(&lacks, params![reel.as_str()])? <= 0 {
        return Ok(0);
    }
    let count = "SELECT count(*) FROM chip c WHERE c.reel = $1 AND c.state <> 'scrapped' AND NOT EXISTS \
                 (SELECT 1 FROM credential k WHERE k.public_key = c.public_key)";
    c.number(count, params![reel.as_str()])
}

impl Book {
    /// The chips of one reel by state, and how many of them lack a credential; `None` where there is
    /// no such reel.
    pub fn count_chips(&self, reel: &ReelId) -> Result<Option<(ChipCount, i64)>, BookError> {
        self.snapshot(|c| {
            if c.one("SELECT 1 FROM reel WHERE reel_id = $1", params![reel.as_str()])?.is_none() {
                return Ok(None);
            }
            Ok(Some((chips_of(c, reel)?, without(c, reel)?)))
        })
    }

    /// Counts of one reel; `None` where there is no such reel.
    pub fn count_reel(&self, reel: &ReelId) -> Result<Option<ReelCount>, BookError> {
        self.snapshot(|c| {
            let row = c.one("SELECT product FROM reel WHERE reel_id = $1", params![reel.as_str()])?;
            let Some(row) = row else { return Ok(None) };
            let (chips, credentials, units) = account(c, Some(reel))?;
            let without = without(c, reel)?;
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
