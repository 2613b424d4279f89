//! A run of a station: which chip comes next, which serial number it gets, and how the run ends.
//!
//! Chips that are there are worked in the order of their ids, those that were provisioned before after all
//! others. Where serial numbers are scanned, each scan chooses the chip. With `wait`, a run goes on with chips
//! that appear until it is told to stop; the unit in work is always finished.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::thread;
use std::time::{Duration, Instant};

use base::advice::{Advise, Kind, quoted};
use base::course::Course;
use base::trouble::Trouble;
use book::ids::{ChipId, UnitSerial};
use book::{ChipState, UnitState};
use chip::ChipSource;
use site::head;
use site::series::whole;

use super::line::{Line, Prepared};
use super::older::{KEY_OF_ANOTHER, Older, older, stops_the_line};
use super::one::one;
use super::serials::{Scans, Serials, is_no_other};
use super::{ChipResult, Ended, Provisioned, RefusedScan, Said, UnitResult};

/// Between two looks at a source in which nothing is new.
const BETWEEN_LOOKS: Duration = Duration::from_millis(500);
/// How soon a run that waits notices that it is to stop.
const NOTICED: Duration = Duration::from_millis(50);
/// Units after which the log's head is signed in a run without an end of its own.
const HEAD: usize = 50;

/// Gives onboarding data for a new unit.
pub(super) type Ready = mpsc::Receiver<Result<Prepared, Trouble>>;

/// What a run was asked.
pub(super) struct Asked {
    /// At most so many units.
    pub(super) units: Option<u64>,
    /// Only chips whose unit was started before.
    pub(super) only_started: bool,
    /// Goes on with chips that appear, until it is told to stop.
    pub(super) wait: bool,
}

/// A run.
pub(super) struct Run<'a, 'b> {
    pub(super) line: Line<'a>,
    pub(super) asked: Asked,
    pub(super) source: &'b mut dyn ChipSource,
    pub(super) serials: Serials,
    pub(super) ready: Ready,
    pub(super) course: &'b Course,
    pub(super) tell: &'b mut dyn FnMut(Said<'_>),
    pub(super) out: Provisioned,
    pub(super) seen: Seen,
    pub(super) prepared: Option<Prepared>,
}

/// What a run has met.
#[derive(Default)]
pub(super) struct Seen {
    /// Chips that are there and were dealt with; one that is taken out and put in again is dealt with again.
    chips: BTreeSet<chip::ChipId>,
    /// Chips of other reels, by reel.
    other_reels: BTreeMap<String, u64>,
    /// Chips on no reel of the book.
    unknown: u64,
    /// Whether a chip of the station's reel was met.
    of_reel: bool,
    /// Blank chips for which no serial number was left.
    without_number: u64,
    begun: u64,
}

/// What became of a chip that is there.
enum Taken {
    /// It was worked, verified or refused; whether that was enough.
    Dealt(bool),
    /// It was provisioned before: others go first.
    Later,
    /// It is none of this run's business.
    Left,
    /// It needs a serial number, and none is left.
    NoNumber,
}

impl Run<'_, '_> {
    /// Works until the chips, the numbers or the units asked for are used up, or it is told to stop.
    pub(super) fn work(mut self, scans: Option<Scans>) -> Result<Provisioned, Trouble> {
        let ended = match scans {
            _ if self.asked.units == Some(0) => Ended::Done,
            Some(scans) => self.by_scans(&scans)?,
            None => self.by_chips()?,
        };
        // Chips that hold a unit already were adopted, and none waits for a word: what was said of the numbers holds.
        if self.out.passed > 0 && ended != Ended::BookOlder {
            let by = self.line.who.at(&self.line.station);
            self.serials.confirm(self.line.site, &by)?;
        }
        self.out.other_reels = self.seen.other_reels.values().sum();
        self.out.serials_gave_out = ended == Ended::SerialsRanOut;
        (self.out.why, self.out.next) = self.why(ended);
        self.out.ended = ended;
        self.out.waited = self.asked.wait;
        Ok(self.out)
    }

    fn stopped(&self) -> bool {
        self.course.go_on().is_err()
    }

    /// The chips that are there and were not dealt with.
    fn fresh(&mut self) -> Result<Vec<chip::ChipId>, Trouble> {
        let mut present = self.source.present()?;
        if present.is_empty() && !self.asked.wait {
            // The call was right: there is nothing to do yet.
            let error = chip::ChipError::Empty { source_name: self.source.describe() };
            return Err(Trouble::refused(error.to_string(), error.advice()));
        }
        self.seen.chips.retain(|id| present.binary_search(id).is_ok());
        present.retain(|id| !self.seen.chips.contains(id));
        Ok(present)
    }

    /// Waits a while; whether it may go on.
    fn pause(&self) -> bool {
        let begun = Instant::now();
        while begun.elapsed() < BETWEEN_LOOKS {
            if self.stopped() {
                return false;
            }
            thread::sleep(NOTICED);
        }
        !self.stopped()
    }

    fn by_chips(&mut self) -> Result<Ended, Trouble> {
        let mut told = false;
        loop {
            let fresh = self.fresh()?;
            if !fresh.is_empty() {
                told = false;
                if let Some(ended) = self.all(fresh)? {
                    return Ok(ended);
                }
            }
            if !self.asked.wait {
                return Ok(self.judged());
            }
            if self.seen.without_number > 0 {
                return Ok(Ended::SerialsRanOut);
            }
            if !std::mem::replace(&mut told, true) {
                (self.tell)(Said::Next("Put the next unit in."));
            }
            if !self.pause() {
                return Ok(Ended::Stopped);
            }
        }
    }

    /// Deals with these chips, those that were provisioned before after all others; how the run ends, where it does.
    fn all(&mut self, chips: Vec<chip::ChipId>) -> Result<Option<Ended>, Trouble> {
        let mut chips = chips;
        if self.line.restored {
            // Before the first new number is used: it may be one that such a chip has already.
            if let Some(ended) = self.all_older(&chips)? {
                return Ok(Some(ended));
            }
            chips.retain(|id| !self.seen.chips.contains(id));
        }
        // Who is back on the line comes before new units.
        let back: BTreeSet<_> =
            self.line.site.book.chips_back(&self.line.reel)?.iter().map(|chip| chip.as_str().to_owned()).collect();
        chips.sort_by_key(|id| !back.contains(id.as_str()));
        let mut finished = Vec::new();
        for id in chips {
            if self.stopped() {
                return Ok(Some(Ended::Stopped));
            }
            match self.deal(&id, back.contains(id.as_str()), None)? {
                Taken::Dealt(_) if self.stops_the_line() => return Ok(Some(Ended::BookOlder)),
                Taken::Dealt(true) => return Ok(Some(Ended::Done)),
                Taken::Later => finished.push(id),
                Taken::Dealt(false) | Taken::Left | Taken::NoNumber => {}
            }
        }
        for id in finished {
            if self.stopped() {
                return Ok(Some(Ended::Stopped));
            }
            self.deal(&id, true, None)?;
        }
        Ok(None)
    }

    /// Deals with those of these chips that the book is older than: units that are adopted with their own number
    /// first, then those that wait for a word; how the run ends, where it does.
    fn all_older(&mut self, chips: &[chip::ChipId]) -> Result<Option<Ended>, Trouble> {
        let mut there = Vec::new();
        for id in chips {
            if let Some(older) = older(&self.line, id, self.source)? {
                there.push((older, id));
            }
        }
        there.sort();
        let mut waits = false;
        for (older, id) in there {
            if self.stopped() {
                return Ok(Some(Ended::Stopped));
            }
            waits |= older == Older::Waits;
            if let Taken::Dealt(true) = self.deal(id, false, None)? {
                return Ok(Some(Ended::Done));
            }
        }
        Ok(waits.then_some(Ended::BookOlder))
    }

    fn stops_the_line(&self) -> bool {
        self.out.units.last().and_then(|unit| unit.cause.as_deref()).is_some_and(stops_the_line)
    }

    /// One chip that is there.
    ///
    /// - `finished_too`: one that was provisioned before is verified now.
    /// - `exactly`: the serial number that was scanned for it.
    fn deal(&mut self, id: &chip::ChipId, finished_too: bool, exactly: Option<&UnitSerial>) -> Result<Taken, Trouble> {
        let chip_id = ChipId::new(id.as_str())?;
        let (known, knowledge) = self.line.site.book.chip_and_knowledge(&chip_id)?;
        let state = known.as_ref().map(|k| k.state);
        if state == Some(ChipState::Provisioned) && !finished_too {
            self.seen.of_reel |= known.is_some_and(|k| k.reel == self.line.reel);
            return Ok(Taken::Later);
        }
        self.seen.chips.insert(id.clone());
        match known {
            // Another reel's chips in the same fixture are none of this station's business.
            Some(known) if known.reel != self.line.reel => {
                if self.asked.wait {
                    let what =
                        format!("Take chip {id} out: it is of reel {}, not of reel {}.", known.reel, self.line.reel);
                    (self.tell)(Said::Next(&what));
                }
                *self.seen.other_reels.entry(known.reel.to_string()).or_default() += 1;
                return Ok(Taken::Left);
            }
            Some(_) => self.seen.of_reel = true,
            None => self.seen.unknown += 1,
        }
        let back = finished_too && state == Some(ChipState::Provisioned) && {
            let unit = self.line.site.book.unit_of_chip(&chip_id)?;
            unit.is_some_and(|unit| matches!(unit.state, UnitState::Open | UnitState::Failed))
        };
        if self.asked.only_started && state != Some(ChipState::Held) && !back {
            return Ok(Taken::Left);
        }
        self.line.learn(knowledge)?;
        let mut scanned = exactly.map(Serials::scanned);
        let serials = scanned.as_mut().unwrap_or(&mut self.serials);
        serials.leave_out_used(self.line.site)?;
        // A chip whose own identity is adopted may need no number.
        if state == Some(ChipState::Blank) && serials.ran_out() && !self.line.take_over {
            self.seen.without_number += 1;
            return Ok(Taken::NoNumber);
        }
        if self.prepared.is_none() {
            let gone =
                || Trouble::surroundings("the generation of onboarding data has stopped", "Start the station again.");
            self.prepared = Some(self.ready.recv().map_err(|_| gone())??);
        }
        let blank = state == Some(ChipState::Blank);
        match one(&self.line, (id, &chip_id, blank), self.source, serials, &mut self.prepared)? {
            Some(result) => {
                // By its key it is on a reel that is here, though its id is not.
                if state.is_none() && result.cause.as_deref() == Some(KEY_OF_ANOTHER) {
                    self.seen.unknown -= 1;
                    self.seen.of_reel = true;
                }
                if result.attempts > 0 {
                    // The next board lies in the next place.
                    self.line.facts.panel.iter_mut().for_each(|on| on.place = on.place.saturating_add(1));
                }
                Ok(Taken::Dealt(self.count(result)))
            }
            None => {
                self.seen.without_number += 1;
                Ok(Taken::NoNumber)
            }
        }
    }

    /// Counts what became of a chip; whether there were enough units.
    fn count(&mut self, result: UnitResult) -> bool {
        match (result.result, result.already) {
            (ChipResult::Passed, true) => self.out.verified += 1,
            (ChipResult::Passed, false) => self.out.passed += 1,
            _ if result.attempts > 0 || result.already => self.out.failed += 1,
            _ => self.out.refused += 1,
        }
        self.seen.begun += u64::from(result.attempts > 0);
        (self.tell)(Said::Unit(&result));
        self.out.units.push(result);
        if self.asked.wait && self.out.units.len().is_multiple_of(HEAD) {
            head::mark(self.line.site, self.line.who);
        }
        self.asked.units.is_some_and(|most| self.seen.begun >= most)
    }

    fn by_scans(&mut self, scans: &Scans) -> Result<Ended, Trouble> {
        loop {
            if !self.asked.wait && self.open_chip(true)?.is_none() {
                break;
            }
            (self.tell)(Said::Next("Scan the serial number of the next unit."));
            let (scanned, chosen) = match self.scan(scans) {
                Scan::Line(line) => {
                    let chosen = self.choose(&line)?;
                    (Some(line), chosen)
                }
                Scan::Unreadable(trouble) if trouble.kind() == Kind::Surroundings => return Err(trouble),
                Scan::Unreadable(trouble) => (None, Choice::Refused(trouble)),
                Scan::Stopped => return Ok(Ended::Stopped),
                // In a run without an end of its own, the end of the scans is the end of the work.
                Scan::NoMore if self.asked.wait => return Ok(Ended::Done),
                Scan::NoMore => break,
            };
            match chosen {
                Choice::Chip(id, serial) => {
                    if let Taken::Dealt(true) = self.deal(&id, true, Some(&serial))? {
                        return Ok(Ended::Done);
                    }
                }
                Choice::Refused(trouble) => self.refuse_scan(scanned, &trouble),
                Choice::Stopped => return Ok(Ended::Stopped),
            }
        }
        // What is here still is verified or refused, or goes on with the number that it has.
        let rest = self.fresh()?;
        Ok(self.all(rest)?.unwrap_or_else(|| self.judged()))
    }

    fn scan(&self, scans: &Scans) -> Scan {
        loop {
            if self.stopped() {
                return Scan::Stopped;
            }
            match scans.recv_timeout(NOTICED) {
                Ok(Ok(line)) => return Scan::Line(line),
                Ok(Err(trouble)) => return Scan::Unreadable(trouble),
                Err(RecvTimeoutError::Disconnected) => return Scan::NoMore,
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }

    /// Which chip a scanned line is for. A run that waits does so until one is put in.
    fn choose(&mut self, line: &str) -> Result<Choice, Trouble> {
        let refused = |what: String, next: &str| Ok(Choice::Refused(Trouble::refused(what, next)));
        if is_onboarding_code(line) {
            return refused(
                "an onboarding code was scanned, not a serial number".into(),
                "Scan the serial number on the unit.",
            );
        }
        let serial = match UnitSerial::new(line) {
            Ok(serial) => serial,
            Err(error) => return Ok(Choice::Refused(error.into())),
        };
        let known = self.line.site.book.unit(&serial)?;
        if known.is_some() && self.line.site.book.pending(&serial)?.board {
            return self.blank_for(serial);
        }
        if let Some(unit) = known {
            if unit.reel != self.line.reel {
                return refused(
                    format!(
                        "unit {serial} is of reel {}, and this station works on reel {}",
                        unit.reel, self.line.reel
                    ),
                    "Put the unit aside for the station that works on its reel.",
                );
            }
            let there = self.source.present()?.into_iter().find(|id| id.as_str() == unit.chip_id.as_str());
            return Ok(match there {
                Some(id) => Choice::Chip(id, serial),
                None => Choice::Refused(super::not_here(&serial, &unit.chip_id)),
            });
        }
        if let Err(trouble) = whole(line).and_then(|serial| is_no_other(self.line.site, &serial)) {
            return Ok(Choice::Refused(trouble));
        }
        if self.asked.only_started {
            return refused(
                format!("unit {serial} was never started, and this run takes started units only"),
                "Scan a unit that was started before.",
            );
        }
        self.blank_for(serial)
    }

    /// A blank chip for a new unit, or for one that waits for its next board.
    fn blank_for(&mut self, serial: UnitSerial) -> Result<Choice, Trouble> {
        let mut told = false;
        loop {
            if let Some(id) = self.open_chip(false)? {
                return Ok(Choice::Chip(id, serial));
            }
            if !self.asked.wait {
                return Ok(Choice::Refused(Trouble::refused(
                    format!("no blank chip of reel {} is here for unit {serial}", self.line.reel),
                    "Put the unit in, then scan it again.",
                )));
            }
            if !std::mem::replace(&mut told, true) {
                (self.tell)(Said::Next(&format!("Put unit {serial} in.")));
            }
            if !self.pause() {
                return Ok(Choice::Stopped);
            }
        }
    }

    /// The first chip that a scan may be for: a blank one of this reel, and where `held` is set one whose unit is
    /// not done. In a run that waits, whatever else is put in is dealt with at once.
    fn open_chip(&mut self, held: bool) -> Result<Option<chip::ChipId>, Trouble> {
        for id in self.fresh()? {
            let known = self.line.site.book.chip(&ChipId::new(id.as_str())?)?;
            let state = known.filter(|chip| chip.reel == self.line.reel).map(|chip| chip.state);
            match state {
                Some(ChipState::Blank) => return Ok(Some(id)),
                Some(ChipState::Held) if held => return Ok(Some(id)),
                Some(ChipState::Held) => {}
                _ if self.asked.wait => {
                    let _ = self.deal(&id, true, None)?;
                }
                _ => {}
            }
        }
        Ok(None)
    }

    fn refuse_scan(&mut self, scanned: Option<String>, trouble: &Trouble) {
        let refused = RefusedScan {
            // A code holds a passcode.
            scanned: scanned.filter(|line| !is_onboarding_code(line)),
            message: trouble.to_string(),
            advice: trouble.advice(),
        };
        (self.tell)(Said::RefusedScan(&refused));
        self.out.refused += 1;
        self.out.refused_scans.push(refused);
    }

    /// How a run ends that dealt with all chips.
    fn judged(&self) -> Ended {
        match () {
            () if self.seen.without_number > 0 => Ended::SerialsRanOut,
            () if !self.seen.of_reel => Ended::WrongReel,
            () if self.seen.begun == 0 && self.out.failed == 0 => Ended::NothingToDo,
            () => Ended::Done,
        }
    }

    /// Why it ended as it did, and the next move, as sentences; none where all was done that was asked.
    fn why(&self, ended: Ended) -> (Option<String>, Option<String>) {
        let (reel, seen, out) = (&self.line.reel, &self.seen, &self.out);
        let (why, next) = match ended {
            Ended::Done => match self.asked.units.filter(|most| seen.begun < *most) {
                Some(most) if !self.asked.wait => (
                    match out.refused {
                        0 => format!(
                            "{most} units were asked for, and {} begun: no other chip of reel {reel} is here.",
                            seen.begun
                        ),
                        n => format!(
                            "{most} units were asked for, and {} begun: {} refused, and no other of reel {reel} is here.",
                            seen.begun,
                            were(n)
                        ),
                    },
                    match out.refused {
                        0 => "Put more chips of the reel in, then run it again.".into(),
                        _ => "Do what is said of each chip that was refused, or put others of the reel in. Then run it \
                              again."
                            .into(),
                    },
                ),
                _ => return (None, None),
            },
            Ended::Stopped => (
                "The run was stopped after the unit in work. What was done is in the book.".into(),
                "Run it again to go on.".into(),
            ),
            Ended::SerialsRanOut => (
                format!(
                    "The serial numbers ran out before the chips did: {} got none.",
                    counted(seen.without_number, "blank chip")
                ),
                "Give more serial numbers, then run it again.".into(),
            ),
            Ended::WrongReel => {
                let mut there: Vec<_> = seen
                    .other_reels
                    .iter()
                    .map(|(other, n)| format!("{} of reel {other}", counted(*n, "chip")))
                    .collect();
                if seen.unknown > 0 {
                    there.push(format!("{} on no reel that was received here", counted(seen.unknown, "chip")));
                }
                (
                    format!("No chip here is of reel {reel}; the fixture holds {}.", there.join(", ")),
                    format!("Put chips of reel {reel} in, or work on the reel that is there."),
                )
            }
            Ended::BookOlder => (
                "The book is older than chips that are here, so no other unit was begun: its number might be used already."
                    .into(),
                if self.line.take_over {
                    "Give the chips whose code is lost a new one with `--take-over --new-code`, or take them out. Then run \
                     it again with a first serial number after all that are printed."
                        .into()
                } else {
                    format!(
                        "Name a first serial number after all that are printed (`touchmark product update {} \
                         --serial-series FIRST`), then run it with --take-over to adopt what the chips hold.",
                        quoted(self.line.product.as_str())
                    )
                },
            ),
            Ended::NothingToDo => {
                let why = match (out.verified, out.refused) {
                    _ if self.asked.only_started => format!("No unit of reel {reel} that is here waits for rework."),
                    (0, _) => format!("No unit was begun: {} refused.", were(out.refused)),
                    (n, 0) => format!("Nothing to do: {n} of the chips here passed before, and were verified again."),
                    (n, _) => format!("No unit was begun: {n} passed before, {} refused.", were(out.refused)),
                };
                let refused = if out.refused > 0 { "Do what is said of each chip that was refused. " } else { "" };
                (why, format!("{refused}Put the next chips of reel {reel} in."))
            }
        };
        let again = self.serials.unconfirmed().map_or_else(String::new, |first| {
            format!(" No unit was begun, so {first} was not kept as the first of its series: name it again then.")
        });
        (Some(why), Some(next + &again))
    }
}

fn counted(n: u64, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

fn were(n: u64) -> String {
    if n == 1 { "1 chip was".into() } else { format!("{n} chips were") }
}

/// A QR code's text, which names the passcode: never a serial number, and never repeated.
fn is_onboarding_code(text: &str) -> bool {
    text.get(..3).is_some_and(|start| start.eq_ignore_ascii_case("MT:"))
}

/// What came from the scanner.
enum Scan {
    Line(String),
    Unreadable(Trouble),
    NoMore,
    Stopped,
}

/// What a scanned line is for.
enum Choice {
    Chip(chip::ChipId, UnitSerial),
    Refused(Trouble),
    Stopped,
}
