//! Chips that are files: for learning, rehearsing and testing without a bench.
//!
//! They keep the contract, take honest time, lose power amid writes and fail
//! as a seed decides. Their keys are worth nothing: they lie in the files, or
//! follow from a seed. [`make`] makes them, [`SimulatedSource`] is the source.

mod bench;
mod chip;
mod draw;
mod faults;
mod file;
mod make;
mod timing;

use std::collections::HashMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicU32;

pub use bench::{Bench, Part};
pub use draw::any_seed;
pub use faults::{Fault, FaultKind, FaultLevel};
pub use make::{GivenKey, Keys, MadeChip, MakeError, Recipe, make, manifest_is_free, read_keys, write_manifest};
pub use timing::Timing;

use crate::{Chip, ChipError, ChipId, ChipSource};

/// A folder of simulated chips.
#[derive(Debug)]
pub struct SimulatedSource {
    folder: PathBuf,
    bench: Bench,
    /// Calls of each chip so far.
    calls: HashMap<ChipId, Arc<AtomicU32>>,
}

impl SimulatedSource {
    /// The chips in `folder`; `real_time` overrules what its bench says.
    ///
    /// # Errors
    ///
    /// [`ChipError::File`] where there is no such folder, [`ChipError::Damaged`]
    /// where its bench makes no sense.
    pub fn open(folder: &Path, real_time: Option<bool>) -> Result<Self, ChipError> {
        let failed = |source| ChipError::File { path: folder.to_owned(), source };
        fs::read_dir(folder).map_err(failed)?;
        let mut bench = Bench::read(folder)?;
        bench.real_time = real_time.unwrap_or(bench.real_time);
        Ok(Self { folder: folder.to_owned(), bench, calls: HashMap::new() })
    }

    /// Puts a fault into a chip, beside those it has.
    ///
    /// # Errors
    ///
    /// As [`ChipSource::open`]: the chip must be there, and nobody hold it.
    pub fn plant(&self, chip: &ChipId, fault: Fault) -> Result<(), ChipError> {
        let _hold = file::hold(&self.folder, chip)?;
        let mut content = self.found(chip)?.content;
        if fault.kind == FaultKind::LockedAlready {
            content.locked = true;
        } else {
            content.faults.push(fault);
        }
        file::write(&self.folder, chip, &content)
    }

    fn found(&self, chip: &ChipId) -> Result<file::Found, ChipError> {
        file::read(&self.folder, chip)?
            .ok_or_else(|| ChipError::Absent { chip: chip.clone(), source_name: self.describe() })
    }
}

impl ChipSource for SimulatedSource {
    fn describe(&self) -> String {
        format!("simulated chips in {}", self.folder.display())
    }

    fn present(&mut self) -> Result<Vec<ChipId>, ChipError> {
        let failed = |source| ChipError::File { path: self.folder.clone(), source };
        let mut chips = Vec::new();
        for entry in fs::read_dir(&self.folder).map_err(failed)? {
            chips.extend(file::chip_of(Path::new(&entry.map_err(failed)?.file_name())));
        }
        chips.sort();
        Ok(chips)
    }

    fn open(&mut self, chip: &ChipId) -> Result<Box<dyn Chip>, ChipError> {
        // Looked for before it is held, so that a wrong id leaves no lock file.
        if !file::path(&self.folder, chip).is_file() {
            return Err(ChipError::Absent { chip: chip.clone(), source_name: self.describe() });
        }
        let hold = file::hold(&self.folder, chip)?;
        let found = self.found(chip)?;
        let calls = Arc::clone(self.calls.entry(chip.clone()).or_default());
        let opened = chip::SimulatedChip::power_up(&self.folder, chip, &self.bench, found, (hold, calls))?;
        Ok(Box::new(opened))
    }
}
