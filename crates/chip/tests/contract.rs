//! Simulated chips keep the contract; with a fault, the promise that it breaks is named.

#![cfg(test)]

use std::path::Path;

use chip::contract::{self, Outcome, PROMISES, Trial};
use chip::simulated::{Bench, Fault, FaultKind, FaultLevel, Keys, Part, Recipe, SimulatedSource, Timing, make};
use chip::{ChipId, ChipSource, ObjectName, State};
use proptest::prelude::*;

fn one_chip(folder: &Path, bench: Bench) -> ChipId {
    let recipe = Recipe { keys: Keys::Drawn(1), seed: 7, faults: FaultLevel::None, bench };
    make(folder, &recipe).unwrap().remove(0).id
}

fn tried(folder: &Path, chip: &ChipId, lock: bool) -> Vec<(&'static str, Outcome)> {
    let mut open = || SimulatedSource::open(folder, None).map(|s| Box::new(s) as Box<dyn ChipSource>);
    let trial = Trial { lock, ..Trial::default() };
    contract::check(&mut open, chip, trial).into_iter().map(|t| (t.promise.name, t.outcome)).collect()
}

fn names(tried: &[(&'static str, Outcome)], like: impl Fn(&Outcome) -> bool) -> Vec<&'static str> {
    tried.iter().filter(|(_, outcome)| like(outcome)).map(|(name, _)| *name).collect()
}

fn broken(tried: &[(&'static str, Outcome)]) -> Vec<&'static str> {
    names(tried, |outcome| matches!(outcome, Outcome::Broken(_)))
}

#[test]
fn a_sound_chip_keeps_every_promise() {
    let names_two = Some(vec!["dac".to_owned(), "pai".to_owned()]);
    for (name, part, not_tried) in [
        ("any name", Part::default(), &["names"][..]),
        ("two names", Part { objects: names_two, ..Part::default() }, &[]),
        ("one name", Part { objects: Some(vec!["dac".into()]), ..Part::default() }, &["separate", "room"]),
        ("no lock", Part { can_lock: false, ..Part::default() }, &["names"]),
        ("little room", Part { room: 128, object_limit: 100, ..Part::default() }, &["separate", "names"]),
        ("one page", Part { room: 64, object_limit: 64, ..Part::default() }, &["separate", "names"]),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let chip = one_chip(folder.path(), Bench { part, ..Bench::default() });
        let first = tried(folder.path(), &chip, false);
        assert!(broken(&first).is_empty(), "{name}: {first:?}");
        // Left blank: the whole trial runs again, and then spends the chip.
        let second = tried(folder.path(), &chip, true);
        assert!(broken(&second).is_empty(), "{name}: {second:?}");
        assert_eq!(names(&second, |o| matches!(o, Outcome::NotTried(_))), not_tried, "{name}");
    }
}

#[test]
fn a_chip_that_is_not_blank_is_not_written() {
    let folder = tempfile::tempdir().unwrap();
    let chip = one_chip(folder.path(), Bench::default());
    let mut source = SimulatedSource::open(folder.path(), None).unwrap();
    source.open(&chip).unwrap().write(&ObjectName::DAC, b"a certificate").unwrap();
    let tried = tried(folder.path(), &chip, true);
    assert!(broken(&tried).is_empty(), "{tried:?}");
    assert!(names(&tried, |o| matches!(o, Outcome::NotTried(_))).contains(&"write-read"));
    let mut open = source.open(&chip).unwrap();
    assert_eq!(open.read(&ObjectName::DAC).unwrap().as_deref(), Some(&b"a certificate"[..]));
    assert_eq!(open.state().unwrap(), State::HoldsObjects);
}

/// Each fault, happening every time, breaks the promises that it must.
#[test]
fn each_fault_breaks_its_promise() {
    let writes = &["write-read", "overwrite", "separate", "keeps", "state", "remove", "limits"];
    for (kind, at, expected) in [
        (FaultKind::NoAnswer, 1, &["opens"][..]),
        (FaultKind::NoAnswer, 4, &["identity"]),
        (FaultKind::AnswerLost, 1, writes),
        (FaultKind::RefusedWrite, 1, writes),
        (FaultKind::FlippedBit, 1, &["write-read", "overwrite", "separate", "keeps", "limits"]),
        (FaultKind::WrongSignature, 1, &["signature"]),
        (FaultKind::WrongSignature, 3, &["signature"]),
        (FaultKind::Swapped, 1, &["identity"]),
        (FaultKind::Swapped, 9, &["identity"]),
        (FaultKind::TornWrite, 1, writes),
        (FaultKind::TornWrite, 2, writes),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let chip = one_chip(folder.path(), Bench::default());
        let source = SimulatedSource::open(folder.path(), None).unwrap();
        source.plant(&chip, Fault::lasting(kind).at(at).drawing(77)).unwrap();
        let tried = tried(folder.path(), &chip, false);
        let broken = broken(&tried);
        // With `at` 2 only those that write twice meet it.
        let met: Vec<_> = expected.iter().filter(|name| broken.contains(name)).collect();
        assert!(!met.is_empty() && (at > 1 || met.len() == expected.len()), "{kind:?} at {at}: {tried:?}");
    }
    // A chip that comes locked is told of by its state; nothing is written to it.
    let folder = tempfile::tempdir().unwrap();
    let chip = one_chip(folder.path(), Bench::default());
    SimulatedSource::open(folder.path(), None).unwrap().plant(&chip, Fault::lasting(FaultKind::LockedAlready)).unwrap();
    let tried = tried(folder.path(), &chip, true);
    assert!(names(&tried, |o| matches!(o, Outcome::NotTried(_))).contains(&"write-read"), "{tried:?}");
}

#[test]
fn too_slow_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let timing = Timing { sign_us: 11_000_000, ..Timing::default() };
    let chip = one_chip(folder.path(), Bench { timing, ..Bench::default() });
    let tried = tried(folder.path(), &chip, false);
    assert_eq!(broken(&tried), ["in-time"]);
}

#[test]
fn promises_have_names_of_their_own() {
    let mut names: Vec<_> = PROMISES.iter().map(|promise| promise.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), PROMISES.len());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// Whatever faults a chip has, the trial ends, and the chip's file stays sound.
    #[test]
    fn any_faults(faults in prop::collection::vec((0usize..8, 1u32..20, prop::option::of(1u32..4), any::<u64>()), 0..5)) {
        let folder = tempfile::tempdir().unwrap();
        let chip = one_chip(folder.path(), Bench::default());
        let source = SimulatedSource::open(folder.path(), None).unwrap();
        for (kind, at, left, draw) in &faults {
            source.plant(&chip, Fault { kind: FaultKind::ALL[*kind], at: *at, left: *left, draw: *draw }).unwrap();
        }
        let tried = tried(folder.path(), &chip, true);
        prop_assert_eq!(tried.len(), PROMISES.len());
        prop_assert!(!faults.is_empty() || broken(&tried).is_empty());
        // Planting reads and rewrites the file: it must still be one.
        source.plant(&chip, Fault::once(FaultKind::NoAnswer)).unwrap();
    }
}
