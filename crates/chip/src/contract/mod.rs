//! The contract of a chip, tried promise by promise.
//!
//! [`check`] runs on any source: a simulated chip, a token, a driver under
//! development. It tells which promises held, which were broken and how, and
//! which could not be tried. It writes only to a chip that is blank, and leaves
//! it blank; only [`Trial::lock`] lets it spend one chip for ever.
//!
//! What the contract says stands on [`crate::Chip`] and [`ChipSource`]; how each
//! promise is tried, in `promises.rs`.

mod promises;
mod watch;

use std::time::Duration;

pub use promises::{PROMISES, Promise};

use crate::{Abilities, ChipError, ChipId, ChipSource, ObjectName};
use watch::{Longest, Watched};

/// How far to go.
#[derive(Debug, Clone, Copy)]
pub struct Trial {
    /// Whether to lock the chip at the end: it can never be written again.
    pub lock: bool,
    /// The longest that one call may take.
    pub longest_call: Duration,
}

impl Default for Trial {
    fn default() -> Self {
        Self { lock: false, longest_call: Duration::from_secs(10) }
    }
}

/// What became of a promise.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// It was kept as often as it was tried.
    Held,
    /// It was not kept: what was expected, and what happened.
    Broken(String),
    /// It could not be tried: why.
    NotTried(String),
}

/// A promise, and what became of it.
#[derive(Debug, Clone)]
pub struct Tried {
    pub promise: &'static Promise,
    /// What became of it.
    pub outcome: Outcome,
}

/// Opens the source anew, as another process would.
pub type OpenSource<'a> = dyn FnMut() -> Result<Box<dyn ChipSource>, ChipError> + 'a;

/// Tries every promise on one chip of a source, in the order of [`PROMISES`].
pub fn check(open: &mut OpenSource<'_>, chip: &ChipId, trial: Trial) -> Vec<Tried> {
    let mut bench = Bench { open, source: None, chip, trial, longest: Longest::default(), found: Found::Unknown };
    PROMISES
        .iter()
        .map(|promise| {
            let outcome = match (promise.tries)(&mut bench) {
                Ok(()) => Outcome::Held,
                Err(Stop::Broken(how)) => Outcome::Broken(how),
                Err(Stop::NotTried(why)) => Outcome::NotTried(why),
            };
            Tried { promise, outcome }
        })
        .collect()
}

/// Why a promise did not hold.
enum Stop {
    Broken(String),
    NotTried(String),
}

/// How a promise's function ends.
type Held = Result<(), Stop>;

fn broken<T>(how: impl Into<String>) -> Result<T, Stop> {
    Err(Stop::Broken(how.into()))
}

fn not_tried<T>(why: impl Into<String>) -> Result<T, Stop> {
    Err(Stop::NotTried(why.into()))
}

/// A failed call breaks the promise it was made for.
impl From<ChipError> for Stop {
    fn from(error: ChipError) -> Self {
        Self::Broken(error.to_string())
    }
}

/// What the first opening found; later promises depend on it.
enum Found {
    Unknown,
    /// The chip does not open or does not say what it can do.
    Dead,
    Chip {
        abilities: Abilities,
        /// Whether it was blank at the start and may be written.
        blank: bool,
    },
}

/// What the promises' functions work with.
struct Bench<'a> {
    open: &'a mut OpenSource<'a>,
    source: Option<Box<dyn ChipSource>>,
    chip: &'a ChipId,
    trial: Trial,
    longest: Longest,
    found: Found,
}

impl Bench<'_> {
    /// The source, opened if it is not.
    fn source(&mut self) -> Result<&mut dyn ChipSource, Stop> {
        if matches!(self.found, Found::Dead) {
            return not_tried("the chip can't be opened");
        }
        if self.source.is_none() {
            self.source = Some(self.longest.time("opening the source", || (self.open)())?);
        }
        match &mut self.source {
            Some(source) => Ok(&mut **source),
            None => not_tried("the source can't be opened"),
        }
    }

    /// Lets the source go, so that the next use opens it as another process would.
    fn leave(&mut self) {
        self.source = None;
    }

    /// Opens the chip anew.
    fn chip(&mut self) -> Result<Watched, Stop> {
        let (id, longest) = (self.chip, self.longest.clone());
        let source = self.source()?;
        let chip = longest.time("open", || source.open(id))?;
        Ok(Watched::new(chip, longest))
    }

    fn abilities(&self) -> Result<&Abilities, Stop> {
        match &self.found {
            Found::Chip { abilities, .. } => Ok(abilities),
            _ => not_tried("the chip does not report its abilities"),
        }
    }

    /// The chip open for writing, and names to write to.
    fn writable(&mut self) -> Result<(Watched, Vec<ObjectName>), Stop> {
        match &self.found {
            Found::Chip { blank: true, .. } => {}
            Found::Chip { .. } => return not_tried("the chip is not blank, and the check writes only to blank ones"),
            _ => return not_tried("the chip can't be opened"),
        }
        let names = match &self.abilities()?.objects {
            Some(names) if names.is_empty() => return not_tried("the chip has no place for an object"),
            Some(names) => names.iter().take(2).cloned().collect(),
            None => ["trial-a", "trial-b"].iter().filter_map(|name| ObjectName::new(name).ok()).collect(),
        };
        Ok((self.chip()?, names))
    }

    /// The most octets that one object may have on the blank chip.
    fn largest(&self) -> Result<usize, Stop> {
        let abilities = self.abilities()?;
        Ok(abilities.room_left.map_or(abilities.object_limit, |room| room.min(abilities.object_limit)))
    }
}

/// Octets that differ by length, place and salt, with runs of 00 and FF.
fn octets(length: usize, salt: u8) -> Vec<u8> {
    (0..length)
        .map(|at| match at % 23 {
            20 => 0x00,
            21 | 22 => 0xFF,
            _ => (at as u8).wrapping_mul(31).wrapping_add(salt.wrapping_mul(17)).wrapping_add(length as u8),
        })
        .collect()
}
