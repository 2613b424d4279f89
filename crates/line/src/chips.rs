//! Chips by themselves: making simulated ones, listing a source, trying its contract.
//!
//! Needs no site. What a station does with a chip lives in its own module.

use std::path::{Path, PathBuf};

use chip::contract::{self, Outcome, Trial};
use chip::simulated::{self, Keys, MakeError, Recipe};
pub use chip::simulated::{Bench, FaultLevel, Part, Timing};
use chip::{Abilities, Chip, ChipError, State};
pub use chip::{ChipId, ChipSource, OpenOptions, Source, SourceError};
pub use custody::{Passphrase, WorkFactor};
use serde::Serialize;

/// Which simulated chips to make.
#[derive(Debug)]
pub enum WhichChips<'a> {
    /// That many, with keys from the seed.
    Count(usize),
    /// Those of an NDJSON file with `chip_id` and `private_key`.
    Keys(&'a Path),
}

/// What was made.
#[derive(Debug, Serialize)]
pub struct Simulated {
    /// The folder, and the source to type after `--chips`.
    pub source: String,
    pub chips: usize,
    pub part: String,
    /// What makes the same again.
    pub seed: u64,
    /// The level of faults.
    pub faults: FaultLevel,
    /// How many chips have one or more.
    pub chips_with_faults: usize,
    /// The manifest, where one was asked for.
    pub manifest: Option<PathBuf>,
}

/// Makes simulated chips in `folder`, and the manifest that their maker would send.
///
/// Without a `seed` one is chosen and told. All chips or none; nothing that is
/// there is replaced.
///
/// # Errors
///
/// [`MakeError`]. Should the manifest fail to be written after the chips were
/// made, the chips stay.
pub fn simulate(
    folder: &Path,
    which: &WhichChips<'_>,
    seed: Option<u64>,
    faults: FaultLevel,
    bench: Bench,
    manifest: Option<&Path>,
) -> Result<Simulated, MakeError> {
    if let Some(manifest) = manifest {
        simulated::manifest_is_free(manifest)?;
    }
    let keys = match which {
        WhichChips::Count(count) => Keys::Drawn(*count),
        WhichChips::Keys(path) => simulated::read_keys(path)?,
    };
    let recipe = Recipe { keys, seed: seed.unwrap_or_else(simulated::any_seed), faults, bench };
    let made = simulated::make(folder, &recipe)?;
    if let Some(manifest) = manifest {
        simulated::write_manifest(manifest, &made)?;
    }
    Ok(Simulated {
        source: Source::Simulated(folder.to_owned()).to_string(),
        chips: made.len(),
        part: recipe.bench.part.name,
        seed: recipe.seed,
        faults,
        chips_with_faults: made.iter().filter(|chip| !faults.plan(recipe.seed, &chip.id).is_empty()).count(),
        manifest: manifest.map(Path::to_owned),
    })
}

/// What a source holds.
#[derive(Debug, Serialize)]
pub struct ChipList {
    /// The source as typed.
    pub source: String,
    /// Its chips, in ascending order of id.
    pub chips: Vec<ChipSeen>,
}

/// One chip of a list.
#[derive(Debug, Serialize)]
pub struct ChipSeen {
    pub chip_id: String,
    /// What it told, where it was opened and answered.
    #[serde(flatten)]
    pub told: Option<ChipTold>,
    /// Why it told nothing, where that is so.
    pub error: Option<String>,
}

/// What a chip tells of itself.
#[derive(Debug, Serialize)]
pub struct ChipTold {
    pub part: String,
    /// `blank`, `holds-objects` or `locked`.
    pub state: &'static str,
    /// Uncompressed point in hex.
    pub public_key: String,
    /// Octets that still fit.
    pub room_left: Option<usize>,
    /// The most octets of one object.
    pub object_limit: usize,
    /// Whether its bus is protected.
    pub protected_bus: bool,
    /// Whether it can be locked.
    pub can_lock: bool,
}

/// Lists the chips that are present; opens each unless `ids_only`.
///
/// A chip that does not answer, or is held elsewhere, is listed with the reason.
///
/// # Errors
///
/// Where the source itself can't be asked.
pub fn list(source: &Source, options: OpenOptions<'_>, ids_only: bool) -> Result<ChipList, ChipError> {
    let mut opened = source.open(options)?;
    let present = opened.present()?;
    let chips = present
        .into_iter()
        .map(|id| {
            let told = (!ids_only).then(|| tell(&mut *opened, &id)).transpose();
            let (told, error) = match told {
                Ok(told) => (told, None),
                Err(error) => (None, Some(error.to_string())),
            };
            ChipSeen { chip_id: id.to_string(), told, error }
        })
        .collect();
    Ok(ChipList { source: source.to_string(), chips })
}

fn tell(source: &mut dyn ChipSource, id: &ChipId) -> Result<ChipTold, ChipError> {
    let mut chip = source.open(id)?;
    let identity = chip.identity()?;
    if identity.id != *id {
        return Err(ChipError::Swapped { expected: id.clone(), found: Some(identity.id) });
    }
    let Abilities { room_left, object_limit, protected_bus, can_lock, .. } = chip.abilities()?;
    Ok(ChipTold {
        part: identity.part,
        state: state_word(chip.state()?),
        public_key: hex::encode(chip.public_key()?.point()),
        room_left,
        object_limit,
        protected_bus,
        can_lock,
    })
}

const fn state_word(state: State) -> &'static str {
    match state {
        State::Blank => "blank",
        State::HoldsObjects => "holds-objects",
        State::Locked => "locked",
    }
}

/// What became of a source's promises.
#[derive(Debug, Serialize)]
pub struct ChipChecked {
    /// The source as typed.
    pub source: String,
    /// The chip that was tried; none where the source could not be asked for one.
    pub chip_id: Option<String>,
    /// Whether no promise was broken.
    pub kept: bool,
    pub promises: Vec<PromiseTried>,
}

/// What became of one promise.
#[derive(Debug, Serialize)]
pub struct PromiseTried {
    pub promise: &'static str,
    pub text: &'static str,
    /// `held`, `broken` or `not-tried`.
    pub outcome: &'static str,
    /// How it was broken, or why it was not tried.
    pub detail: Option<String>,
}

/// Tries the contract of a chip on `chip`, or on the source's first blank one.
///
/// Writes to it only if it is blank, and leaves it blank; `lock` spends it.
///
/// A driver that does not start, or can't tell its chips, breaks the first promise.
///
/// # Errors
///
/// Where the source is not there, wants a PIN or has no chip.
pub fn check(
    source: &Source,
    options: OpenOptions<'_>,
    chip: Option<&ChipId>,
    lock: bool,
) -> Result<ChipChecked, ChipError> {
    let found = match chip {
        Some(id) => Ok(id.clone()),
        None => source.open(options).and_then(|mut opened| first_blank(&mut *opened)),
    };
    let id = match found {
        Ok(id) => id,
        Err(error @ ChipError::Driver { .. }) => return Ok(broken_from_the_start(source, &error)),
        Err(error) => return Err(error),
    };
    let trial = Trial { lock, ..Trial::default() };
    let tried = contract::check(&mut || source.open(options), &id, trial);
    let promises: Vec<_> = tried
        .into_iter()
        .map(|tried| {
            let (outcome, detail) = match tried.outcome {
                Outcome::Held => ("held", None),
                Outcome::Broken(how) => ("broken", Some(how)),
                Outcome::NotTried(why) => ("not-tried", Some(why)),
            };
            PromiseTried { promise: tried.promise.name, text: tried.promise.text, outcome, detail }
        })
        .collect();
    let kept = promises.iter().all(|tried| tried.outcome != "broken");
    Ok(ChipChecked { source: source.to_string(), chip_id: Some(id.to_string()), kept, promises })
}

/// A source that can't be asked for a chip to try: its first promise is broken, no other was tried.
fn broken_from_the_start(source: &Source, error: &ChipError) -> ChipChecked {
    let promises = contract::PROMISES.iter().enumerate().map(|(number, promise)| {
        let (outcome, detail) = match number {
            0 => ("broken", error.to_string()),
            _ => ("not-tried", "the source can't be asked for a chip".to_owned()),
        };
        PromiseTried { promise: promise.name, text: promise.text, outcome, detail: Some(detail) }
    });
    ChipChecked { source: source.to_string(), chip_id: None, kept: false, promises: promises.collect() }
}

/// The first blank chip among the first hundred; else the first chip.
fn first_blank(source: &mut dyn ChipSource) -> Result<ChipId, ChipError> {
    let present = source.present()?;
    let blank = present.iter().take(100).find(|id| {
        let state = source.open(id).and_then(|mut chip: Box<dyn Chip>| chip.state());
        state.is_ok_and(|state| state == State::Blank)
    });
    match blank.or(present.first()) {
        Some(id) => Ok(id.clone()),
        None => Err(ChipError::Empty { source_name: source.describe() }),
    }
}
