//! Units that go back to the line: for their next board, or for another owner.

use base::times::time_text;
use base::trouble::{About as _, Trouble};
use book::ids::Actor;
use book::{CredentialState, Pending, RenewalKind, Subject, Unit, UnitState, UnitStory};
use chip::ObjectName;
use serde::Serialize;
use serde_json::json;
use site::revoked::RevokedHere;
use site::{Site, Who};
use utoipa::ToSchema;

use super::{reason, story, typed};
use crate::station::CHECK_THE_LOCK;

book::words! {
    /// What becomes of a unit's code.
    CodeKept {
        /// It goes on, and so does the label.
        Kept = "kept",
        /// A new one is drawn with the next attempt.
        New = "new",
    }
}

/// The certificate of a board that was swapped.
#[derive(Debug, Serialize, ToSchema)]
pub struct SwappedCredential {
    /// Serial number in hex.
    pub serial: String,
    /// Where it stands.
    pub state: CredentialState,
}

/// A unit that waits for its next attempt.
#[derive(Debug, Serialize, ToSchema)]
pub struct SentBack {
    /// Serial number.
    pub unit: String,
    /// Where it stands.
    pub state: UnitState,
    /// What becomes of its code.
    pub code: CodeKept,
    /// The board that was swapped, or that is proven again.
    pub chip_id: String,
    /// What became of the certificate of a board that was swapped: spent, or revoked where it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub credential: Option<SwappedCredential>,
    /// What its firmware must erase, each as an instruction.
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    pub erase: &'static [&'static str],
    /// What is to be done now, in order, as sentences.
    pub next: Vec<String>,
}

/// What belongs to the owner before, by the places where the standard has firmware keep it. That a factory reset removes
/// it all is what a home relies on (Matter core, "removing the last fabric" and `FactoryReset`; clause from memory).
const ERASE: &[&str] = &[
    "Erase all fabrics: operational certificates and keys, trusted roots, group keys.",
    "Erase access control lists, bindings, groups, scenes and subscriptions.",
    "Erase network credentials: Wi-Fi passwords and Thread datasets.",
    "Erase names, schedules, history, logs and whatever else the owner set or the product recorded.",
];

fn view(unit: &Unit, pending: Pending, erase: &'static [&'static str], next: Vec<String>) -> SentBack {
    let code = if pending.code { CodeKept::New } else { CodeKept::Kept };
    let (serial, chip_id) = (unit.serial.to_string(), unit.chip_id.to_string());
    SentBack { unit: serial, state: unit.state, code, chip_id, credential: None, erase, next }
}

/// Takes the board out of a unit, which then waits for its next one: its chip is scrapped, its certificate spent.
///
/// - `new_code`: draw new onboarding data for the next board, so that the label must be replaced.
/// - `take_over`: even if an attempt is open at a station.
///
/// # Errors
///
/// [`Trouble`] where it can't be swapped, or no [`reason`] is given.
pub fn swap(
    site: &Site,
    unit: &str,
    reason: &str,
    new_code: bool,
    take_over: bool,
    who: &Who,
) -> Result<SentBack, Trouble> {
    let reason = self::reason(reason)?;
    let serial = typed(site, unit)?;
    let (unit, pending) = site.book.swap_board(&serial, reason, new_code, take_over, &who.by())?;
    let mut next = vec![
        "Put the old board with the scrap.".to_owned(),
        format!("Put the unit's next board on a station. It takes up unit {} again.", unit.serial),
    ];
    next.push(if pending.code {
        "The unit gets a new code: print a new label once it passed, and replace the old one.".into()
    } else {
        "The code is kept, so the label stays right.".into()
    });
    let story = site.book.chip_story(&unit.chip_id)?;
    let credential = story.and_then(|story| story.credential);
    let credential = credential.map(|c| SwappedCredential { serial: hex::encode(&c.serial), state: c.state });
    if let Some(spent) = credential.as_ref().filter(|c| c.state == CredentialState::Spent) {
        next.push(format!(
            "If the old board may get into other hands, have its certificate revoked with `touchmark revoke --credential {}`.",
            spent.serial
        ));
    }
    Ok(SentBack { credential, ..view(&unit, pending, &[], next) })
}

/// Makes a unit that passed ready for another owner: the same board and certificate, proven again, with a new code.
///
/// # Errors
///
/// [`Trouble`] where it can't be refurbished, or no [`reason`] is given.
///
/// - `erased_by`: who confirms that its firmware has erased what was its owner's, where that is done already.
pub fn refurbish(
    site: &Site,
    unit: &str,
    reason: &str,
    erased_by: Option<&str>,
    who: &Who,
) -> Result<SentBack, Trouble> {
    let reason = self::reason(reason)?;
    let erased_by = erased_by.map(Actor::new).transpose().about("erased_by")?;
    let story = story(site, unit)?;
    let passed = matches!(story.unit.state, UnitState::Passed | UnitState::Returned);
    if passed && is_code_locked(&story) {
        return Err(Trouble::refused(
            format!(
                "chip {} of unit {} is locked with its factory record inside, so it can take no new code",
                story.unit.chip_id, story.unit.serial
            ),
            "Swap the board with `touchmark unit swap --new-code`. Nothing was changed.",
        ));
    }
    if passed && let Some(why) = RevokedHere::of(site)?.of_chip(site, &story.unit.chip_id)? {
        return Err(Trouble::refused(
            format!("unit {} can't be proven again: {why}", story.unit.serial),
            "Swap the board with `touchmark unit swap`, for one whose certificate is good. Nothing was changed.",
        ));
    }
    let (unit, pending) = site.book.refurbish_unit(&story.unit.serial, reason, ERASE, &who.by())?;
    let confirm = match erased_by {
        Some(name) => {
            note_erased(site, &unit, name, who)?;
            "Its firmware has erased all of this, as was confirmed.".to_owned()
        }
        None => format!(
            "Have its firmware erase all of this, and record who confirms that it did: `touchmark unit erased {} \
             --confirmed-by NAME`.",
            unit.serial
        ),
    };
    let next = vec![
        confirm,
        format!("Put the unit on a station: it proves its identity again, and unit {} gets a new code.", unit.serial),
        "Print a new label once it passed, and replace the old one. Where its firmware holds a factory record, make and \
         flash that again."
            .into(),
    ];
    Ok(view(&unit, pending, ERASE, next))
}

/// Who confirmed that the firmware of a refurbished unit has erased what was its owner's.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Erased {
    /// Who confirmed it.
    pub confirmed_by: String,
    /// When that was recorded.
    pub at: String,
    /// By whom.
    pub by: String,
}

/// A unit whose erasure was confirmed.
#[derive(Debug, Serialize, ToSchema)]
pub struct ErasedUnit {
    /// The unit.
    pub unit: String,
    /// The confirmation.
    pub erased: Erased,
}

const ERASED: &str = "unit.erased";

fn note_erased(site: &Site, unit: &Unit, name: Actor, who: &Who) -> Result<(), Trouble> {
    let body = json!({ "confirmed_by": name, "erased": ERASE });
    site.book.note(ERASED, &Subject::Unit(unit.serial.clone()), &body, &who.by())?;
    Ok(())
}

/// Records who confirms that the firmware of a unit that was refurbished has erased what was its owner's.
///
/// # Errors
///
/// [`Trouble`] where it was never refurbished, or the name is none.
pub fn erased(site: &Site, unit: &str, confirmed_by: &str, who: &Who) -> Result<ErasedUnit, Trouble> {
    let name = Actor::new(confirmed_by).about("confirmed_by")?;
    let story = story(site, unit)?;
    if story.renewals.iter().all(|renewal| renewal.kind != RenewalKind::Refurbish) {
        return Err(Trouble::refused(
            format!("unit {} was never refurbished", story.unit.serial),
            "Refurbish it first with `touchmark unit refurbish`. Nothing was changed.",
        ));
    }
    let erased = Erased { confirmed_by: name.to_string(), at: time_text(who.by().at), by: who.actor.to_string() };
    note_erased(site, &story.unit, name, who)?;
    Ok(ErasedUnit { unit: story.unit.serial.to_string(), erased })
}

/// Each refurbishment's last confirmation, in their order.
pub(super) fn confirmations(story: &UnitStory) -> Result<Vec<Option<Erased>>, Trouble> {
    let mut all = Vec::new();
    for entry in &story.entries {
        match (entry.act.as_str(), all.last_mut()) {
            ("unit.refurbish", _) => all.push(None),
            (ERASED, Some(last)) => {
                let confirmed_by = entry.body()?["confirmed_by"].as_str().unwrap_or_default().to_owned();
                *last = Some(Erased { confirmed_by, at: time_text(entry.at), by: entry.actor.to_string() });
            }
            _ => {}
        }
    }
    Ok(all)
}

/// Whether the board that a unit has was locked with its factory record inside.
fn is_code_locked(story: &UnitStory) -> bool {
    let objects = story.proof.as_ref().map_or(&[][..], |proof| proof.facts.objects.as_slice());
    objects.iter().any(|object| object.name == ObjectName::FACTORY_RECORD.as_str()) && was_locked(story)
}

/// Whether the board that a unit has was found locked when it passed.
pub(crate) fn was_locked(story: &UnitStory) -> bool {
    let steps = story.attempts_of_board().iter().flat_map(|attempt| &attempt.steps);
    steps.into_iter().any(|step| step.name == CHECK_THE_LOCK && step.result == "done")
}
