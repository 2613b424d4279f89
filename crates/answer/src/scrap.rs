//! Scrapping, and what becomes of the certificate: it is kept, or its revocation is asked for in the same act.
//!
//! A unit goes with its chip. Chips that no unit has are bent, lost, taken as samples, or scrap of the tape. A
//! revocation is only asked for here: confirming it issues the list ([`crate::revocation::confirm`]), so that scrapping
//! needs no key of an authority, and can't end half done (decision 0128).

use base::trouble::Trouble;
use book::ids::ChipId;
use book::{Asking, ChipState, ChipStory, CredentialState, Purpose, RevocationRequest};
use line::unit;
use line::unit::UnitView;
use serde::Serialize;
use site::access::Standing;
use site::{Site, Who};
use standard::revocation::Reason;
use utoipa::ToSchema;

use crate::revocation::{self, Ask, Plan};

book::words! {
    /// What becomes of the certificate of something that is scrapped.
    Disposal {
        /// It counts as spent, and still holds outside.
        Kept = "kept",
        /// A request to revoke it waits to be confirmed.
        RevocationRequested = "revocation-requested",
        /// It is revoked.
        Revoked = "revoked",
    }
}

/// What became of a credential.
#[derive(Debug, Serialize, ToSchema)]
pub struct SpentCredential {
    /// Its serial number, hex.
    pub serial: String,
    /// Spent; or revoked, where it was revoked before.
    pub state: CredentialState,
    /// What becomes of its certificate.
    pub disposal: Disposal,
    /// The request to revoke it that waits.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub request: Option<i64>,
    /// Whether another person must confirm that request.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub second_person: bool,
}

/// What is asked for beside scrapping.
#[derive(Clone, Copy)]
pub struct Revoke<'a> {
    /// Why, of RFC 5280 §5.3.1.
    pub reason: Reason,
    /// How it is known who asks.
    pub standing: Standing<'a>,
}

impl Revoke<'_> {
    /// The reason that fits what is scrapped without suspicion: no longer needed, its key not compromised.
    pub const USUAL: Reason = Reason::CessationOfOperation;
}

/// A unit that was scrapped.
#[derive(Debug, Serialize, ToSchema)]
pub struct ScrappedUnit {
    /// The unit.
    #[serde(flatten)]
    pub unit: UnitView,
    /// Its credential.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub credential: Option<SpentCredential>,
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

/// Scraps a unit and its chip, with the reason. One that was scrapped before stays as it is, and the answer says when,
/// by whom and why; the revocation of its certificate is asked for all the same.
///
/// # Errors
///
/// [`Trouble`] where it can't be scrapped, no [`unit::reason`] is given, or the revocation can't be asked for: nothing
/// was changed then.
pub fn unit(
    site: &Site,
    name: &str,
    reason: &str,
    take_over: bool,
    revoke: Option<Revoke<'_>>,
    who: &Who,
) -> Result<ScrappedUnit, Trouble> {
    let reason = unit::reason(reason)?;
    let story = unit::story(site, name)?;
    let (serial, chip) = (&story.unit.serial, &story.unit.chip_id);
    let asked = asked(site, &[&story.origin], reason, revoke, who)?;
    let already = unit::scrapped_before(site, serial)?;
    let asking = asked.as_ref().map(|asked| asked.asking(reason));
    let (scrapped, request) = site.book.scrap_unit_asking(serial, reason, take_over, asking.as_ref(), &who.by())?;
    let credential = of(site, &self::story(site, chip)?, request.as_ref())?;
    Ok(ScrappedUnit { unit: UnitView { already, ..unit::view(&scrapped) }, credential })
}

/// A revocation that is to be asked for.
struct Asked {
    plan: Plan,
    reason: Reason,
}

impl Asked {
    fn asking<'a>(&'a self, note: &'a str) -> Asking<'a> {
        self.plan.asking(self.reason, Some(note))
    }
}

/// What is left to be asked for: nothing where no revocation is wanted, or all are revoked or asked for already.
fn asked(
    site: &Site,
    stories: &[&ChipStory],
    note: &str,
    revoke: Option<Revoke<'_>>,
    who: &Who,
) -> Result<Option<Asked>, Trouble> {
    let Some(Revoke { reason, standing }) = revoke else { return Ok(None) };
    let mut credentials = Vec::new();
    for credential in stories.iter().filter_map(|story| story.credential.as_ref()) {
        if credential.state != CredentialState::Revoked && unit::requested(site, &credential.serial)?.is_none() {
            credentials.push(hex::encode(&credential.serial));
        }
    }
    if credentials.is_empty() {
        return Ok(None);
    }
    let ask = Ask { units: &[], credentials: &credentials, authorities: &[], reason, note: Some(note) };
    let plan = revocation::plan(site, &ask)?;
    if plan.second_person {
        standing.prove(site, who, "revocation.request")?;
    }
    Ok(Some(Asked { plan, reason }))
}

/// Scraps one chip, as [`chips`] does.
///
/// # Errors
///
/// As [`chips`], and where the text is no chip id.
pub fn chip(
    site: &Site,
    id: &str,
    reason: &str,
    revoke: Option<Revoke<'_>>,
    who: &Who,
) -> Result<ScrappedChip, Trouble> {
    let mut done = chips(site, &[ChipId::new(id)?], reason, revoke, who)?;
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
/// All are scrapped or none, so that a typo scraps none. A chip that is scrapped already stays as it is and is answered
/// in the same way. A revocation of their certificates is one request.
///
/// # Errors
///
/// [`Trouble`] where a chip is on no reel here, a unit has it, or the revocation can't be asked for.
pub fn chips(
    site: &Site,
    ids: &[ChipId],
    reason: &str,
    revoke: Option<Revoke<'_>>,
    who: &Who,
) -> Result<Vec<ScrappedChip>, Trouble> {
    let reason = unit::reason(reason)?;
    let mut left: Vec<(&ChipId, ChipStory, bool)> = Vec::new();
    for id in ids {
        // Named twice, it is scrapped and told of once.
        if left.iter().all(|(known, ..)| *known != id) {
            let story = story(site, id)?;
            let wanted = to_scrap(site, &story)?;
            left.push((id, story, wanted));
        }
    }
    let asked = asked(site, &left.iter().map(|(_, story, _)| story).collect::<Vec<_>>(), reason, revoke, who)?;
    let wanted: Vec<ChipId> = left.iter().filter(|(.., wanted)| *wanted).map(|(id, ..)| (*id).clone()).collect();
    let asking = asked.as_ref().map(|asked| asked.asking(reason));
    let request = if wanted.is_empty() && asking.is_none() {
        None
    } else {
        site.book.scrap_chips_asking(&wanted, reason, asking.as_ref(), &who.by())?
    };
    left.into_iter()
        .map(|(id, _, wanted)| {
            let story = story(site, id)?;
            Ok(ScrappedChip {
                chip_id: id.to_string(),
                reel: story.reel.facts.reel.to_string(),
                state: story.chip.state,
                reason: story.chip.reason.clone(),
                credential: of(site, &story, request.as_ref())?,
                already: !wanted,
            })
        })
        .collect()
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

/// What became of a chip's credential.
///
/// - `request`: what was asked for just now.
fn of(site: &Site, story: &ChipStory, request: Option<&RevocationRequest>) -> Result<Option<SpentCredential>, Trouble> {
    let Some(credential) = &story.credential else { return Ok(None) };
    let request = match request {
        Some(request) => Some(request.number),
        None => unit::requested(site, &credential.serial)?.map(|asked| asked.request),
    };
    let request = request.filter(|_| credential.state != CredentialState::Revoked);
    let disposal = match (credential.state, request) {
        (CredentialState::Revoked, _) => Disposal::Revoked,
        (_, Some(_)) => Disposal::RevocationRequested,
        (_, None) => Disposal::Kept,
    };
    Ok(Some(SpentCredential {
        serial: hex::encode(&credential.serial),
        state: credential.state,
        disposal,
        request,
        second_person: request.is_some()
            && story.authorities.first().is_some_and(|a| a.facts.purpose == Purpose::Production),
    }))
}
