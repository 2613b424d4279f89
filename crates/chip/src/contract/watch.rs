//! A chip whose calls are timed.

use std::cell::RefCell;
use std::rc::Rc;
use std::time::{Duration, Instant};

use standard::key::PublicKey;

use crate::{Abilities, Chip, ChipError, Identity, ObjectName, State};

/// The call that took longest.
#[derive(Debug, Clone, Default)]
pub(super) struct Longest(Rc<RefCell<(Duration, &'static str)>>);

impl Longest {
    pub(super) fn time<T>(&self, call: &'static str, work: impl FnOnce() -> T) -> T {
        let begun = Instant::now();
        let result = work();
        self.note(call, begun.elapsed());
        result
    }

    fn note(&self, call: &'static str, took: Duration) {
        let mut longest = self.0.borrow_mut();
        if took > longest.0 {
            *longest = (took, call);
        }
    }

    /// How long, and which.
    pub(super) fn get(&self) -> (Duration, &'static str) {
        *self.0.borrow()
    }
}

/// An open chip.
pub(super) struct Watched {
    chip: Box<dyn Chip>,
    longest: Longest,
}

impl Watched {
    pub(super) fn new(chip: Box<dyn Chip>, longest: Longest) -> Self {
        Self { chip, longest }
    }

    fn time<T>(&mut self, call: &'static str, work: impl FnOnce(&mut dyn Chip) -> T) -> T {
        // Simulated time counts like any other: a slow part is slow.
        let unseen = self.chip.unseen_time();
        let begun = Instant::now();
        let result = work(&mut *self.chip);
        self.longest.note(call, begun.elapsed() + self.chip.unseen_time().saturating_sub(unseen));
        result
    }

    pub(super) fn identity(&mut self) -> Result<Identity, ChipError> {
        self.time("identity", |chip| chip.identity())
    }

    pub(super) fn public_key(&mut self) -> Result<PublicKey, ChipError> {
        self.time("public key", |chip| chip.public_key())
    }

    pub(super) fn abilities(&mut self) -> Result<Abilities, ChipError> {
        self.time("abilities", |chip| chip.abilities())
    }

    pub(super) fn state(&mut self) -> Result<State, ChipError> {
        self.time("state", |chip| chip.state())
    }

    pub(super) fn read(&mut self, object: &ObjectName) -> Result<Option<Vec<u8>>, ChipError> {
        self.time("read", |chip| chip.read(object))
    }

    pub(super) fn write(&mut self, object: &ObjectName, octets: &[u8]) -> Result<(), ChipError> {
        self.time("write", |chip| chip.write(object, octets))
    }

    pub(super) fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], ChipError> {
        self.time("sign", |chip| chip.sign(message))
    }

    pub(super) fn lock(&mut self) -> Result<(), ChipError> {
        self.time("lock", |chip| chip.lock())
    }
}
