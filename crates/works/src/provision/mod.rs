//! Provisioning: a station's work on the chips of a reel.
//!
//! For each chip, in this order: the intention is committed to the book; the
//! chip is written, read back, proven, judged, locked; the proof is committed.
//! A crash before the first commit leaves nothing; between the two, an open
//! attempt and a chip in some state, which the next attempt at any station
//! finds out and goes on from; after the second, a passed unit.

mod line;
mod load;
mod one;
mod serials;

use std::sync::mpsc;
use std::thread;

use book::ChipState;
use book::ids::ChipId;
use chip::ChipSource;
use custody::Passphrase;
use serde::Serialize;
use standard::onboarding::draw::Batch;

use crate::head;
use crate::randomness;
use crate::site::{Site, Who};
pub use crate::station::{Told, Watch};
use crate::trouble::Trouble;
pub(crate) use line::passcode_label;
pub use line::warnings;
use line::{Line, Prepared, line, prepare};
use load::load;
use one::one;
use serials::Serials;

/// What a station is to do.
pub struct Provision<'a> {
    /// The reel it works on.
    pub reel: &'a str,
    /// Its name.
    pub station: &'a str,
    /// At most so many units; all chips that are there where none is given.
    pub units: Option<u64>,
    /// Serial numbers for new units, in order.
    pub serials: Option<Vec<String>>,
    /// The first of a series of serial numbers.
    pub serial_start: Option<&'a str>,
    /// Attempts at a chip before the next one is taken.
    pub attempts: u32,
    /// Take a unit over that another station left open.
    pub take_over: bool,
    /// The version of the firmware that the units carry.
    pub firmware: Option<&'a str>,
    /// Only chips whose unit was started before: a round of rework.
    pub only_started: bool,
    /// Opens the site key where that is wrapped.
    pub passphrase: Option<&'a Passphrase>,
}

/// What became of one chip.
#[derive(Debug, Clone, Serialize)]
pub struct UnitResult {
    /// Its serial number; none where the chip was not touched.
    pub unit: Option<String>,
    /// The chip.
    pub chip_id: String,
    /// `passed` or `failed`.
    pub result: &'static str,
    /// Why it failed.
    pub cause: Option<String>,
    /// What happened, for the engineer.
    pub detail: Option<String>,
    /// What the operator does next.
    pub advice: Option<String>,
    /// `retry`, `rework` or `scrap`.
    pub next: Option<&'static str>,
    /// Attempts made now.
    pub attempts: u32,
    /// Whether it was provisioned before, and only verified now.
    pub already: bool,
    /// Milliseconds of the last attempt, the chip's own time included.
    pub milliseconds: u64,
}

/// What a station did.
#[derive(Debug, Serialize)]
pub struct Provisioned {
    /// The reel.
    pub reel: String,
    /// The station.
    pub station: String,
    /// Units that passed now.
    pub passed: u64,
    /// Units that failed now.
    pub failed: u64,
    /// Chips that were provisioned before, and verified now.
    pub verified: u64,
    /// Chips of other reels that are there too, and were left alone.
    pub other_reels: u64,
    /// Whether the listed serial numbers gave out before the chips did.
    pub serials_gave_out: bool,
    /// What is likely to go wrong with all units of this product.
    pub warnings: Vec<String>,
    /// One by one.
    pub units: Vec<UnitResult>,
}

/// Works through the chips of a source.
///
/// - `told`: called for each chip as it is done.
///
/// # Errors
///
/// [`Trouble`] where the work can't begin, or the book or the source fails in
/// the middle; what was done until then is in the book.
pub fn provision(
    site: &Site,
    request: Provision<'_>,
    source: &mut dyn ChipSource,
    who: &Who,
    told: &mut dyn FnMut(&UnitResult),
) -> Result<Provisioned, Trouble> {
    let mut line = line(site, &request, who, &|_| {})?;
    let mut serials = Serials::new(&request, &line.reel)?;
    let carton = line.kept.carton.unwrap_or(site.settings.onboarding.carton);
    let mut out = Provisioned {
        reel: line.reel.to_string(),
        station: line.station.to_string(),
        passed: 0,
        failed: 0,
        verified: 0,
        other_reels: 0,
        serials_gave_out: false,
        warnings: line.warnings.clone(),
        units: Vec::new(),
    };
    let (iterations, salt_octets) = (line.iterations, line.salt_octets);
    // A scrapped chip that lies there still does not stand in the way of the others.
    let mut units = 0;
    thread::scope(|scope| -> Result<(), Trouble> {
        // While a chip is busy the next unit's verifier is derived, which takes longer than all
        // else that the host does for a unit. Nothing is queued: one waits, ready.
        let (ready, next) = mpsc::sync_channel(0);
        scope.spawn(move || {
            let mut batch = Batch::new(randomness::system, carton.max(1));
            loop {
                let made = prepare(iterations, salt_octets, &mut batch);
                let failed = made.is_err();
                if ready.send(made).is_err() || failed {
                    break;
                }
            }
        });
        each_chip(&mut line, &request, source, &mut serials, &next, &mut |result| {
            match (result.result, result.already) {
                ("passed", true) => out.verified += 1,
                ("passed", false) => out.passed += 1,
                _ => out.failed += 1,
            }
            let is_verified = result.already && result.result == "passed";
            units += u64::from(!is_verified && result.cause.as_deref() != Some("chip-scrapped"));
            told(&result);
            out.units.push(result);
            request.units.is_some_and(|most| units >= most)
        })
        .map(|(other_reels, gave_out)| (out.other_reels, out.serials_gave_out) = (other_reels, gave_out))
    })?;
    head::mark(site, who);
    Ok(out)
}

/// Gives onboarding data for a new unit.
type Ready = mpsc::Receiver<Result<Prepared, Trouble>>;

/// Works through the chips that are there, those that are provisioned after all
/// others: a station that starts anew on a full fixture goes on with its work, and
/// verifies what was done before only then. How many were of other reels, and whether
/// the serial numbers gave out.
///
/// - `done`: called for each chip; whether that was enough.
fn each_chip(
    line: &mut Line<'_>,
    request: &Provision<'_>,
    source: &mut dyn ChipSource,
    serials: &mut Serials,
    next: &Ready,
    done: &mut dyn FnMut(UnitResult) -> bool,
) -> Result<(u64, bool), Trouble> {
    let mut prepared: Option<Prepared> = None;
    let (mut other_reels, mut finished) = (0, Vec::new());
    let present = source.present()?;
    if present.is_empty() {
        return Err(chip::ChipError::Empty { source_name: source.describe() }.into());
    }
    let mut chips = present.into_iter();
    let mut finished_too = false;
    if request.units == Some(0) {
        return Ok((0, false));
    }
    let mut gave_out = false;
    loop {
        let Some(id) = chips.next() else {
            if finished_too {
                break;
            }
            finished_too = true;
            chips = std::mem::take(&mut finished).into_iter();
            continue;
        };
        let chip_id = ChipId::new(id.as_str())?;
        if prepared.is_none() {
            let gone =
                || Trouble::surroundings("onboarding data is not being made any more", "Start the station again.");
            prepared = Some(next.recv().map_err(|_| gone())??);
        }
        let (known, knowledge) = line.site.book.chip_and_knowledge(&chip_id)?;
        // Another reel's chips in the same fixture are none of this station's business.
        if known.as_ref().is_some_and(|k| k.reel != line.reel) {
            other_reels += 1;
            continue;
        }
        let state = known.map(|k| k.state);
        if request.only_started && state != Some(ChipState::Held) {
            continue;
        }
        if state == Some(ChipState::Provisioned) && !finished_too {
            finished.push(id);
            continue;
        }
        line.learn(knowledge)?;
        serials.leave_out_used(line.site)?;
        let Some(result) = one(line, &id, &chip_id, source, serials, &mut prepared)? else {
            // Of those that were provisioned before, none needs a number.
            gave_out = !finished_too;
            break;
        };
        if done(result) {
            break;
        }
    }
    Ok((other_reels, gave_out))
}

/// One unit at a station where a person stands.
pub struct OneUnit<'a> {
    /// The reel in the station's feeder.
    pub reel: &'a str,
    /// The station's name.
    pub station: &'a str,
    /// The serial number on the housing; none where the book counts.
    pub serial: Option<&'a str>,
    /// The first of the series that the book counts.
    pub serial_start: Option<&'a str>,
    /// Attempts made at once.
    pub attempts: u32,
    /// Take the unit over where another station left it open.
    pub take_over: bool,
    /// The version of the firmware that the unit carries.
    pub firmware: Option<&'a str>,
    /// Opens the site key where that is wrapped.
    pub passphrase: Option<&'a Passphrase>,
}

/// Provisions one unit: that of the serial number, whose chip must then be in
/// the fixture, or a new one on the only chip there, or on the first that is blank.
///
/// - `from`: where to begin looking among the chips of a feeder; kept by the caller.
///
/// # Errors
///
/// [`Trouble`] where nothing was begun, or the book or the source failed in the middle.
pub fn one_unit(
    site: &Site,
    wanted: &OneUnit<'_>,
    source: &mut dyn ChipSource,
    from: &mut usize,
    who: &Who,
    watch: Watch<'_>,
) -> Result<UnitResult, Trouble> {
    let request = Provision {
        reel: wanted.reel,
        station: wanted.station,
        units: Some(1),
        serials: None,
        serial_start: wanted.serial_start,
        attempts: wanted.attempts,
        take_over: wanted.take_over,
        firmware: wanted.firmware,
        only_started: false,
        passphrase: wanted.passphrase,
    };
    let line = line(site, &request, who, watch)?;
    let mut serials = match wanted.serial {
        Some(serial) => Serials::exactly(site, serial)?,
        None => Serials::new(&request, &line.reel)?,
    };
    let carton = line.kept.carton.unwrap_or(site.settings.onboarding.carton);
    let mut batch = Batch::new(randomness::system, carton.max(1));
    let mut prepared = None;
    let mut tries = 0;
    loop {
        let (id, from_feeder) = chip_for(&line, &serials, source, from)?;
        let chip_id = ChipId::new(id.as_str())?;
        if prepared.is_none() {
            prepared = Some(prepare(line.iterations, line.salt_octets, &mut batch)?);
        }
        let result = one(&line, &id, &chip_id, source, &mut serials, &mut prepared)?.ok_or_else(|| {
            Trouble::refused("there is no serial number left for this unit", "Set the station up with another series.")
        })?;
        // Another station at the same feeder took the chip between the look and the begin.
        let taken = result.already || matches!(result.cause.as_deref(), Some("elsewhere" | "serial-taken"));
        tries += 1;
        if !(from_feeder && taken) || tries == FEEDER_TRIES {
            return Ok(result);
        }
        *from += 1;
    }
}

/// Chips looked at where others take from the same feeder at the same moment.
const FEEDER_TRIES: u32 = 64;

/// The chip for the next unit, and whether it was one of many.
fn chip_for(
    line: &Line<'_>,
    serials: &Serials,
    source: &mut dyn ChipSource,
    from: &mut usize,
) -> Result<(chip::ChipId, bool), Trouble> {
    let present = source.present()?;
    if let Serials::Exactly(serial) = serials
        && let Some(unit) = line.site.book.unit(serial)?
    {
        let found = present.into_iter().find(|id| id.as_str() == unit.chip_id.as_str());
        return found.map(|id| (id, false)).ok_or_else(|| {
            Trouble::refused(
                format!("unit {serial} has chip {}, which is not in the fixture", unit.chip_id),
                "Put that unit into the fixture, or scan the serial number of the one that is there.",
            )
        });
    }
    if let [only] = present.as_slice() {
        return Ok((only.clone(), false));
    }
    if present.is_empty() {
        return Err(Trouble::refused("no chip is in the fixture", "Put the unit in, then scan again."));
    }
    // A feeder: the next chip of this reel that nobody has touched. Looked for from
    // where the last one was found, then once from the beginning.
    for at in (*from..present.len()).chain(0..(*from).min(present.len())) {
        let id = &present[at];
        let known = line.site.book.chip(&ChipId::new(id.as_str())?)?;
        if known.is_some_and(|k| k.reel == line.reel && k.state == ChipState::Blank) {
            *from = at;
            return Ok((id.clone(), true));
        }
    }
    Err(Trouble::refused(
        format!("all chips of reel {} in the feeder are used", line.reel),
        "Put the next reel in, and set the station up for it.",
    ))
}
