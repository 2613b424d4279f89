//! A reel as it lies: each chip with its fate, drawn in cells.

use std::collections::BTreeMap;

use base::trouble::Trouble;
use book::{ChipState, TapeChip, UnitState};
use receive::reel;
use serde::Serialize;
use site::Site;

/// What became of a chip, the worst first: that is what a stretch of tape shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fate {
    /// Scrapped.
    Scrapped,
    /// Its unit failed and may come again.
    Failed,
    /// Its unit came back.
    Returned,
    /// Its unit is open.
    Open,
    /// No credential names it.
    Without,
    /// Blank, with a credential.
    Blank,
    /// Its unit passed.
    Passed,
}

impl Fate {
    /// All of them, the worst first.
    pub const ALL: &'static [Self] =
        &[Self::Scrapped, Self::Failed, Self::Returned, Self::Open, Self::Without, Self::Blank, Self::Passed];

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Scrapped => "scrapped",
            Self::Failed => "failed",
            Self::Returned => "returned",
            Self::Open => "open",
            Self::Without => "no credential",
            Self::Blank => "blank",
            Self::Passed => "passed",
        }
    }

    fn of(chip: &TapeChip) -> Self {
        match (chip.state, chip.unit.as_ref().map(|(_, s)| *s)) {
            (ChipState::Scrapped, _) | (_, Some(UnitState::Scrapped)) => Self::Scrapped,
            (_, Some(UnitState::Failed)) => Self::Failed,
            (_, Some(UnitState::Returned)) => Self::Returned,
            (_, Some(UnitState::Passed)) => Self::Passed,
            (_, Some(UnitState::Open)) => Self::Open,
            (_, None) if !chip.has_credential => Self::Without,
            (_, None) => Self::Blank,
        }
    }
}

/// A stretch of chips, one cell of the drawing.
#[derive(Debug, Clone, Serialize)]
pub struct Cell {
    /// Place of its first chip.
    pub from: i64,
    /// Place of its last chip.
    pub to: i64,
    /// The worst fate on it.
    pub fate: Fate,
    /// Chips of that fate.
    pub count: usize,
    /// The chip and its unit, where it is a single one.
    pub chip: Option<(String, Option<String>)>,
}

/// A part of a reel's tape.
#[derive(Debug, Clone, Serialize)]
pub struct Tape {
    /// Chips on the reel.
    pub chips: i64,
    pub from: i64,
    pub to: i64,
    /// Chips in a cell.
    pub per_cell: i64,
    /// The cells, in order.
    pub cells: Vec<Cell>,
    /// Chips by fate, of the part shown.
    pub fates: Vec<(Fate, usize)>,
}

/// The tape of a reel from one place to another, in at most `cells` cells.
///
/// # Errors
///
/// [`Trouble`] where there is no such reel.
pub fn tape(site: &Site, reel: &str, range: Option<(i64, i64)>, cells: i64) -> Result<Tape, Trouble> {
    let found = reel::get(site, reel)?;
    let (from, to) = range.unwrap_or((1, found.chips));
    let from = from.clamp(1, found.chips.max(1));
    let to = to.clamp(from, found.chips.max(from));
    let wanted = u32::try_from(to - from + 1).unwrap_or(u32::MAX);
    let chips = site.book.tape(&found.facts.reel, from, wanted)?;
    let per_cell = (i64::from(wanted) + cells.max(1) - 1) / cells.max(1);
    let mut tape = Tape { chips: found.chips, from, to, per_cell, cells: Vec::new(), fates: Vec::new() };
    let mut by_fate: BTreeMap<Fate, usize> = BTreeMap::new();
    for part in chips.chunks(usize::try_from(per_cell).unwrap_or(1).max(1)) {
        let Some((first, last)) = part.first().zip(part.last()) else { continue };
        let mut worst = (Fate::Passed, 0);
        for fate in part.iter().map(Fate::of) {
            *by_fate.entry(fate).or_default() += 1;
            worst = match fate.cmp(&worst.0) {
                std::cmp::Ordering::Less => (fate, 1),
                std::cmp::Ordering::Equal => (fate, worst.1 + 1),
                std::cmp::Ordering::Greater => worst,
            };
        }
        tape.cells.push(Cell {
            from: first.position,
            to: last.position,
            fate: worst.0,
            count: worst.1,
            chip: (part.len() == 1)
                .then(|| (first.chip_id.to_string(), first.unit.as_ref().map(|(u, _)| u.to_string()))),
        });
    }
    tape.fates = by_fate.into_iter().collect();
    Ok(tape)
}
