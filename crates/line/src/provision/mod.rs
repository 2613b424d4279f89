//! Provisioning: a station's work on the chips of a reel.
//!
//! For each chip, in this order: the intention is committed to the book; the
//! chip is written, read back, proven, judged, locked; the proof is committed.
//! A crash before the first commit leaves nothing; between the two, an open
//! attempt and a chip in some state, which the next attempt at any station
//! finds out and goes on from; after the second, a passed unit.

mod line;
mod load;
mod older;
mod one;
mod run;
mod serials;

use std::sync::mpsc;
use std::thread;

use base::course::Course;
use base::randomness;
use base::trouble::Trouble;
pub use book::ids::FirmwareVersion;
pub use book::ids::PanelName;
use book::ids::{ChipId, UnitSerial};
pub use book::{AttemptFacts, OnPanel};
use book::{ChipState, Next};
use chip::ChipSource;
use custody::Passphrase;
pub use line::warnings;
use line::{Line, line, prepare};
use load::load;
use one::one;
use run::{Asked, Run, Seen};
use serde::Serialize;
use serials::Serials;
pub use serials::{Numbers, Scans, SerialsFrom, counted, listed, scans};
use site::{Site, Who, checkpoint, clock, head};
use standard::onboarding::draw::Batch;
use utoipa::ToSchema;

pub use crate::station::{Told, Watch};
use crate::unit::AdoptedFrom;

/// What a station is to do.
pub struct Provision<'a> {
    /// The reel it works on.
    pub reel: &'a str,
    pub station: &'a str,
    /// At most so many units; all chips that are there where none is given.
    pub units: Option<u64>,
    /// Where the serial numbers of new units come from.
    pub numbers: Numbers<'a>,
    /// Attempts at a chip before the next one is taken.
    pub attempts: u32,
    /// Take a unit over that another station left open, and adopt the identity of a chip that the book
    /// believes blank.
    pub take_over: bool,
    /// Draw new onboarding data for a chip that is taken over where its own can't be read.
    pub new_code: bool,
    /// What is told of the units.
    pub facts: AttemptFacts,
    /// Only chips whose unit was started before: a round of rework.
    pub only_started: bool,
    /// Go on with chips that are put in, until the run is told to stop.
    pub wait: bool,
    /// Opens the site key where that is wrapped.
    pub passphrase: Option<&'a Passphrase>,
}

impl<'a> Provision<'a> {
    /// All chips that are there, each tried once.
    pub fn new(reel: &'a str, station: &'a str, numbers: Numbers<'a>) -> Self {
        Self {
            reel,
            station,
            units: None,
            numbers,
            attempts: 1,
            take_over: false,
            new_code: false,
            facts: AttemptFacts::default(),
            only_started: false,
            wait: false,
            passphrase: None,
        }
    }
}

book::words! {
    /// What became of one chip at a station.
    ChipResult {
        /// Its unit is proven.
        Passed = "passed",
        /// It is not; the cause says why.
        Failed = "failed",
    }
}

/// What became of one chip.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct UnitResult {
    /// Its serial number; none where the chip was not touched.
    pub unit: Option<String>,
    /// The chip.
    pub chip_id: String,
    /// What became of it.
    pub result: ChipResult,
    /// Why it failed.
    pub cause: Option<String>,
    /// What happened, for the engineer.
    pub detail: Option<String>,
    /// What the operator does next.
    pub advice: Option<String>,
    /// What follows a failure.
    pub next: Option<Next>,
    /// Attempts made now; 0 where the chip was refused before a unit was begun.
    pub attempts: u32,
    /// Whether it was provisioned before, and only verified now.
    pub already: bool,
    /// Where number and code of the unit come from that was adopted from its chip; none for all others.
    pub adopted: Option<AdoptedFrom>,
    /// What the operator has to know of a unit that passed.
    pub notice: Option<String>,
    /// Milliseconds of the last attempt, the chip's own time included.
    pub milliseconds: u64,
    /// Whether another station or another unit has what this one asked for.
    #[serde(skip)]
    pub(crate) taken: bool,
    /// Whether it is the chip of a board that was swapped.
    #[serde(skip)]
    pub(crate) swapped: bool,
}

/// A scan that no unit was begun for.
#[derive(Debug, Clone, Serialize)]
pub struct RefusedScan {
    /// What was scanned; none where it is unreadable, or holds a passcode.
    pub scanned: Option<String>,
    /// Why it was refused.
    pub message: String,
    /// What the operator does next.
    pub advice: Option<String>,
}

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ended {
    /// All that was asked for was done, as far as there were chips.
    Done,
    /// Chips were left for which no serial number was.
    SerialsRanOut,
    /// No chip of the station's reel is there.
    WrongReel,
    /// No unit was begun: all had passed before, or were refused.
    NothingToDo,
    /// A chip holds a unit that the book does not know.
    BookOlder,
    /// It was told to stop.
    Stopped,
}

/// What a station did.
#[derive(Debug, Serialize)]
pub struct Provisioned {
    pub reel: String,
    pub station: String,
    /// Which serial numbers new units were to get.
    pub serials: SerialsFrom,
    /// Units that passed now.
    pub passed: u64,
    /// Units that failed now.
    pub failed: u64,
    /// Chips that were refused before a unit was begun, and scans that no unit was begun for.
    pub refused: u64,
    /// Chips that were provisioned before, and verified now.
    pub verified: u64,
    /// Chips of other reels that are there too, and were left alone.
    pub other_reels: u64,
    /// Whether the listed serial numbers ran out before the chips did.
    pub serials_gave_out: bool,
    /// What is likely to go wrong with all units of this product.
    pub warnings: Vec<String>,
    /// How the run ended.
    pub ended: Ended,
    /// Why, as a sentence, where it is not simply done.
    pub why: Option<String>,
    /// The next move then.
    pub next: Option<String>,
    pub units: Vec<UnitResult>,
    /// Scans that no unit was begun for.
    pub refused_scans: Vec<RefusedScan>,
    /// Whether it went on until it was told to stop.
    #[serde(skip)]
    waited: bool,
}

impl Provisioned {
    /// Whether all that was asked for was done: units passed, none failed or was refused, and nothing ended the run
    /// early. A swapped board that lies among the others is told of, and keeps nothing from being done.
    pub fn is_done(&self) -> bool {
        let ended = match self.ended {
            Ended::Done => true,
            Ended::Stopped => self.waited,
            Ended::SerialsRanOut | Ended::WrongReel | Ended::NothingToDo | Ended::BookOlder => false,
        };
        let swapped = self.units.iter().filter(|unit| unit.swapped).count() as u64;
        ended && self.failed == 0 && self.refused == swapped
    }
}

/// What a run tells while it works.
#[derive(Debug, Clone, Copy)]
pub enum Said<'a> {
    /// Before the first chip: which serial numbers new units get, and of which product they are.
    Serials(&'a SerialsFrom, &'a str),
    /// A chip is dealt with.
    Unit(&'a UnitResult),
    /// A scan was refused.
    RefusedScan(&'a RefusedScan),
    /// What the operator does now, as a sentence.
    Next(&'a str),
}

/// Works through the chips of a source; with `wait`, until it is told to stop.
///
/// - `course`: stopping it ends the run after the unit in work.
/// - `tell`: called for each chip as it is done, and where somebody has to do something.
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
    course: &Course,
    tell: &mut dyn FnMut(Said<'_>),
) -> Result<Provisioned, Trouble> {
    let wait = site.settings.station.server_wait();
    book::patiently(wait, || run(site, request, source, who, course, tell))
}

fn run(
    site: &Site,
    request: Provision<'_>,
    source: &mut dyn ChipSource,
    who: &Who,
    course: &Course,
    tell: &mut dyn FnMut(Said<'_>),
) -> Result<Provisioned, Trouble> {
    // Before a chip is looked at: what it says is not the trouble.
    site.book.goes_on()?;
    let mut line = line(site, &request, who, &|_| {})?;
    line.warnings.extend(checkpoint::unchecked(site)?);
    line.warnings.extend(clock_behind(site, who)?);
    for said in checkpoint::witnessed(site)? {
        let trouble =
            said.trouble.map(|why| format!("The witness {} did not countersign the checkpoint: {why}.", said.witness));
        line.warnings.extend(trouble);
    }
    site.book.goes_on()?;
    let asked = Asked { units: request.units, only_started: request.only_started, wait: request.wait };
    let mut scans = None;
    let (serials, from) = Serials::new(site, (&line.product, &line.reel), request.numbers, &mut scans)?;
    if !asked.only_started {
        tell(Said::Serials(&from, line.product.as_str()));
    }
    let carton = line.kept.carton.unwrap_or(site.settings.onboarding.carton);
    let out = Provisioned {
        reel: line.reel.to_string(),
        station: line.station.to_string(),
        serials: from,
        passed: 0,
        failed: 0,
        refused: 0,
        verified: 0,
        other_reels: 0,
        serials_gave_out: false,
        warnings: line.warnings.clone(),
        ended: Ended::Done,
        why: None,
        next: None,
        units: Vec::new(),
        refused_scans: Vec::new(),
        waited: false,
    };
    let (iterations, salt_octets) = (line.iterations, line.salt_octets);
    let done = thread::scope(|scope| {
        // While a chip is busy the next unit's verifier is derived, which takes longer than all
        // else that the host does for a unit. Nothing is queued: one waits, ready.
        let (send, ready) = mpsc::sync_channel(0);
        scope.spawn(move || {
            let mut batch = Batch::new(randomness::system, carton.max(1));
            loop {
                let made = prepare(iterations, salt_octets, &mut batch);
                let failed = made.is_err();
                if send.send(made).is_err() || failed {
                    break;
                }
            }
        });
        let seen = Seen::default();
        Run { line, asked, source, serials, ready, course, tell, out, seen, prepared: None }.work(scans)
    })?;
    head::mark(site, who);
    Ok(done)
}

/// What is said where this machine's clock is behind the book: times of units would be wrong, and what asks for a day
/// would miss them.
fn clock_behind(site: &Site, who: &Who) -> Result<Option<String>, Trouble> {
    let last = site.book.entries(None, 1)?.items.into_iter().next().map(|entry| entry.at);
    let now = (who.clock)();
    Ok(last.filter(|last| *last > now + CLOCKS).map(|last| {
        format!(
            "The clock of this machine says {}, and the book's last entry is of {}: set the clock before you go on, or units \
             of today are recorded on another day.",
            clock::local(site, now),
            clock::local(site, last)
        )
    }))
}

/// How far the clocks of two machines may be apart.
const CLOCKS: time::Duration = time::Duration::minutes(5);

/// A unit that was named, and whose chip is elsewhere.
fn not_here(serial: &UnitSerial, chip: &ChipId) -> Trouble {
    Trouble::refused(
        format!("unit {serial} has chip {chip}, which is not in the fixture"),
        "Put that unit into the fixture, or scan the serial number of the one in the fixture.",
    )
}

/// One unit at a station where a person stands.
pub struct OneUnit<'a> {
    /// The reel in the station's feeder.
    pub reel: &'a str,
    pub station: &'a str,
    /// The serial number on the housing; none where the book counts.
    pub serial: Option<&'a str>,
    /// The first of the series that the book counts; the product's own, else one made from the reel's name, where
    /// none is given.
    pub serial_start: Option<&'a str>,
    /// Attempts made at once.
    pub attempts: u32,
    /// As in [`Provision::take_over`].
    pub take_over: bool,
    /// What is told of the unit.
    pub facts: AttemptFacts,
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
    book::patiently(site.settings.station.server_wait(), || work_one(site, wanted, source, from, who, watch))
}

fn work_one(
    site: &Site,
    wanted: &OneUnit<'_>,
    source: &mut dyn ChipSource,
    from: &mut usize,
    who: &Who,
    watch: Watch<'_>,
) -> Result<UnitResult, Trouble> {
    let request = Provision {
        units: Some(1),
        attempts: wanted.attempts,
        take_over: wanted.take_over,
        facts: wanted.facts.clone(),
        passphrase: wanted.passphrase,
        ..Provision::new(wanted.reel, wanted.station, Numbers::Product)
    };
    let line = line(site, &request, who, watch)?;
    let mut serials = match wanted.serial {
        Some(serial) => Serials::exactly(site, serial)?,
        None => Serials::counted(site, (&line.product, &line.reel), wanted.serial_start)?.0.taking_up(),
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
        let blank = site.book.chip(&chip_id)?.is_some_and(|chip| chip.state == ChipState::Blank);
        let result = one(&line, (&id, &chip_id, blank), source, &mut serials, &mut prepared)?.ok_or_else(|| {
            Trouble::refused("no serial number is left for this unit", "Give the station another series.")
        })?;
        // Another station at the same feeder took the chip between the look and the begin.
        let taken = result.already || result.taken;
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
    if let Some(serial) = serials.only()
        && let Some(unit) = line.site.book.unit(serial)?
        && !line.site.book.pending(serial)?.board
    {
        let found = present.into_iter().find(|id| id.as_str() == unit.chip_id.as_str());
        return found.map(|id| (id, false)).ok_or_else(|| not_here(serial, &unit.chip_id));
    }
    if let [only] = present.as_slice() {
        return Ok((only.clone(), false));
    }
    if present.is_empty() {
        return Err(Trouble::refused("no chip is in the fixture", "Insert the unit, then scan again."));
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
        "Insert the next reel, and change the station to it.",
    ))
}
