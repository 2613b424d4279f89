//! A folder of simulated chips for a test.

use std::path::Path;

use chip::simulated::{Bench, FaultLevel, Keys, MadeChip, Recipe, SimulatedSource, make};

pub fn recipe(count: usize) -> Recipe {
    Recipe { keys: Keys::Drawn(count), seed: 42, faults: FaultLevel::None, bench: Bench::default() }
}

pub struct Folder {
    folder: tempfile::TempDir,
    pub chips: Vec<MadeChip>,
}

impl Folder {
    pub fn new(recipe: &Recipe) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let chips = make(folder.path(), recipe).unwrap();
        Self { folder, chips }
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    pub fn source(&self) -> SimulatedSource {
        SimulatedSource::open(self.path(), None).unwrap()
    }
}
