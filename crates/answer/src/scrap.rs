//! Scrapping chips that no unit has: bent, lost, taken as samples, or scrap of the tape.
//!
//! A unit's chip goes with its unit, by [`line::unit::scrap`].

use base::trouble::Trouble;
use book::ids::ChipId;
use book::{ChipState, ChipStory, CredentialState};
use line::unit;
use serde::Serialize;
use site::{Site, Who};
use utoipa::ToSchema;

/// What became of a chip's credential.
#[derive(Debug, Serialize, ToSchema)]
pub struct SpentCredential {
    /// Its serial number, hex.
    pub serial: String,
    /// Spent; or revoked, where it was revoked before.
    pub state: CredentialState,
}

/// A chip that was scrapped.
#[derive(Debug, Serialize, ToSchema)]
pub struct ScrappedChip {
    /// The chip.
    pub chip_id: String,
    /// Its reel.
    pub reel: String,
    /// Scrapped.
    pub state: ChipState,
    /// Why, as it was first said.
    pub reason: Option<String>,
    /// Its credential, which no unit gets now; none where no delivery brought one.
    pub credential: Option<SpentCredential>,
    /// Whether it was scrapped before, so that nothing was changed.
    pub already: bool,
}

/// Scraps one chip, as [`chips`] does.
///
/// # Errors
///
/// As [`chips`], and where the text is no chip id.
pub fn chip(site: &Site, id: &str, reason: &str, who: &Who) -> Result<ScrappedChip, Trouble> {
    let mut done = chips(site, &[ChipId::new(id)?], reason, who)?;
    done.pop().ok_or_else(|| Trouble::surroundings(format!("chip {id} is gone from the book"), "Verify the book."))
}

/// The reel that a chip is on.
///
/// # Errors
///
/// [`Trouble`] where it is on none here.
pub fn reel_of(site: &Site, id: &str) -> Result<String, Trouble> {
    Ok(story(site, &ChipId::new(id)?)?.reel.facts.reel.to_string())
}

/// Scraps chips that no unit has. Each counts as scrapped with its reason, and its credential as spent.
///
/// All are looked up before the first is scrapped, so that a typo scraps none. A chip that is scrapped already stays as
/// it is and is answered in the same way.
///
/// # Errors
///
/// [`Trouble`] where a chip is on no reel here, or a unit has it.
pub fn chips(site: &Site, ids: &[ChipId], reason: &str, who: &Who) -> Result<Vec<ScrappedChip>, Trouble> {
    let reason = unit::reason(reason)?;
    let left: Vec<_> =
        ids.iter().map(|id| Ok((id, to_scrap(site, &story(site, id)?)?))).collect::<Result<_, Trouble>>()?;
    let mut done: Vec<ScrappedChip> = Vec::new();
    for (id, wanted) in left {
        // Named twice, it is scrapped and told of once.
        if done.iter().any(|done| done.chip_id == id.to_string()) {
            continue;
        }
        if wanted {
            site.book.scrap_chip(id, reason, &who.by())?;
        }
        done.push(ScrappedChip { already: !wanted, ..view(&story(site, id)?) });
    }
    Ok(done)
}

fn story(site: &Site, id: &ChipId) -> Result<ChipStory, Trouble> {
    site.book.chip_story(id)?.ok_or_else(|| {
        Trouble::absent(
            format!("chip {id} is on no reel that was received here"),
            "Check the id; the reel's manifest has it. No chip was scrapped.",
        )
    })
}

/// Whether it is still to be scrapped.
fn to_scrap(site: &Site, story: &ChipStory) -> Result<bool, Trouble> {
    let id = &story.chip.chip_id;
    match (story.chip.state, site.book.unit_of_chip(id)?) {
        (ChipState::Scrapped, _) => Ok(false),
        (ChipState::Blank, _) | (_, None) => Ok(true),
        (state, Some(unit)) => Err(Trouble::refused(
            format!("chip {id} is {state}: it belongs to unit {}", unit.serial),
            format!("Scrap unit {} instead; its chip goes with it. No chip was scrapped.", unit.serial),
        )),
    }
}

fn view(story: &ChipStory) -> ScrappedChip {
    ScrappedChip {
        chip_id: story.chip.chip_id.to_string(),
        reel: story.reel.facts.reel.to_string(),
        state: story.chip.state,
        reason: story.chip.reason.clone(),
        credential: story
            .credential
            .as_ref()
            .map(|c| SpentCredential { serial: hex::encode(&c.serial), state: c.state }),
        already: false,
    }
}
