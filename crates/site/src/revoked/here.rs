//! Whether a unit's certificate, or the PAI above it, is revoked as this site knows it.

use std::sync::Arc;

use base::trouble::Trouble;
use book::ids::ChipId;
use book::{ChipStory, Credential, CredentialState, Unit};
use standard::certificate::{Certificate, Profile};

use super::Known;
use crate::{Site, authority};

/// What is revoked here, loaded once and asked about many units.
pub struct RevokedHere {
    known: Known,
    anchors: Vec<Arc<Certificate>>,
}

impl RevokedHere {
    /// As the site knows it now.
    pub fn of(site: &Site) -> Result<Self, Trouble> {
        let anchors = authority::anchors(site)?.into_iter().map(|(anchor, _)| anchor).collect();
        Ok(Self { known: Known::of(site)?, anchors })
    }

    /// Why the certificate of a chip's unit counts no more, as words that go on from "is"; `None` where it does, or
    /// there is none.
    pub fn of_chip(&self, site: &Site, chip: &ChipId) -> Result<Option<String>, Trouble> {
        // Most sites have revoked nothing, and units come by the thousand.
        if self.known.is_empty() {
            return Ok(None);
        }
        Ok(site.book.chip_story(chip)?.and_then(|story| self.of_story(&story)))
    }

    /// Refuses what is made for a unit that is sold: one whose certificate is revoked gets none.
    ///
    /// - `what`: `label`.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where it is revoked, or the book gave no answer.
    pub fn refuse(&self, site: &Site, unit: &Unit, what: &str) -> Result<(), Trouble> {
        let Some(why) = self.of_chip(site, &unit.chip_id)? else { return Ok(()) };
        Err(Trouble::refused(
            format!("unit {} gets no {what}: {why}", unit.serial),
            format!(
                "Put the unit aside, or scrap it with `touchmark unit scrap`, then make the {what}s of the others. Nothing \
                 was made."
            ),
        )
        .about("units"))
    }

    fn of_story(&self, story: &ChipStory) -> Option<String> {
        let credential = story.credential.as_ref()?;
        let pai = story.authorities.first().map(|pai| pai.facts.certificate.as_slice());
        let dac = credential.certificate.as_slice();
        words(&self.known, &self.anchors, dac, pai).or_else(|| marked(credential))
    }
}

/// Why a certificate that is marked in the book counts no more: what a list revoked stays so, whatever a later list says.
pub fn marked(credential: &Credential) -> Option<String> {
    let reason = credential.reason.as_deref().unwrap_or("no reason is given");
    let revoked = credential.state == CredentialState::Revoked;
    revoked.then(|| format!("the DAC {} is revoked: {reason}", hex::encode(&credential.serial)))
}

/// Which certificate of a unit's chain is revoked, with its serial number, when and why.
pub fn words(known: &Known, anchors: &[Arc<Certificate>], dac: &[u8], pai: Option<&[u8]>) -> Option<String> {
    let (dac, pai) = (Certificate::read(dac).ok()?, Arc::new(Certificate::read(pai?).ok()?));
    let (which, listed) = known.of_chain(anchors, &pai, Some(&dac))?;
    let serial = if which == Profile::Dac { dac.serial_hex() } else { pai.serial_hex() };
    // One that this site asked its authority to list is refused here, and by nobody else before the list is there.
    let asked = known.lists_alone().of_chain(anchors, &pai, Some(&dac)).is_none();
    let asked = if asked { "; this site asked for that, and no list that is kept here names it yet" } else { "" };
    Some(format!("the {} {serial} was revoked {listed}{asked}", which.word().to_uppercase()))
}
