//! Simulated chips: each fault as it looks from outside, times, files, making.

#![cfg(test)]

use std::fs;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use chip::simulated::{Fault, FaultKind, SimulatedSource};
use chip::{Chip, ChipError, ChipSource, LONGEST_MESSAGE, Next, ObjectName, OpenOptions, Source, State};
use proptest::prelude::*;

mod bench;

use bench::{Folder, recipe};

const DAC: ObjectName = ObjectName::DAC;
const PAI: ObjectName = ObjectName::PAI;

impl Folder {
    fn with(fault: Fault) -> Self {
        let this = Self::new(&recipe(2));
        this.source().plant(&this.chips[0].id, fault).unwrap();
        this
    }

    fn open(&self) -> Box<dyn Chip> {
        self.source().open(&self.chips[0].id).unwrap()
    }

    fn file(&self) -> PathBuf {
        self.path().join(format!("{}.chip", self.chips[0].id))
    }
}

fn content(length: usize, salt: u8) -> Vec<u8> {
    (0..length).map(|at| at as u8 ^ salt).collect()
}

fn no_answer(result: Result<impl Sized, ChipError>) -> bool {
    matches!(result, Err(ChipError::NoAnswer { .. }))
}

#[test]
fn no_answer_once_and_for_ever() {
    let folder = Folder::with(Fault::once(FaultKind::NoAnswer).at(3));
    let mut chip = folder.open();
    chip.identity().unwrap();
    let refused = chip.state().unwrap_err();
    assert!(matches!(refused.next(), Next::Reseat), "{refused}");
    assert_eq!(chip.state().unwrap(), State::Blank, "asked again, it answers");

    let folder = Folder::with(Fault::lasting(FaultKind::NoAnswer).at(3));
    let mut chip = folder.open();
    chip.identity().unwrap();
    assert!(no_answer(chip.state()) && no_answer(chip.state()));
    drop(chip);
    assert!(no_answer(folder.source().open(&folder.chips[0].id)), "dead at the next station too");
}

#[test]
fn an_answer_lost_is_a_write_done() {
    let folder = Folder::with(Fault::once(FaultKind::AnswerLost));
    let mut chip = folder.open();
    assert!(no_answer(chip.write(&DAC, &content(500, 1))));
    assert_eq!(chip.read(&DAC).unwrap(), Some(content(500, 1)));
}

#[test]
fn a_refused_write_changes_nothing() {
    let folder = Folder::with(Fault::once(FaultKind::RefusedWrite).at(2));
    let mut chip = folder.open();
    chip.write(&DAC, &content(500, 1)).unwrap();
    let refused = chip.write(&DAC, &content(500, 2)).unwrap_err();
    assert!(matches!(refused, ChipError::Refused { .. }) && refused.next() == Next::Again, "{refused}");
    assert_eq!(chip.read(&DAC).unwrap(), Some(content(500, 1)));
    chip.write(&DAC, &content(500, 2)).unwrap();
}

#[test]
fn one_bit_flips_on_the_way() {
    for draw in [0, 1, 4_007, u64::MAX] {
        let folder = Folder::with(Fault::once(FaultKind::FlippedBit).at(1).drawing(draw));
        let mut chip = folder.open();
        chip.write(&DAC, &content(500, 1)).unwrap();
        assert_eq!(chip.read(&PAI).unwrap(), None, "reading what is absent finds no bit to flip");
        let read = chip.read(&DAC).unwrap().unwrap();
        let bits: u32 = read.iter().zip(content(500, 1)).map(|(a, b)| (a ^ b).count_ones()).sum();
        assert_eq!(bits, 1, "draw {draw}");
        assert_eq!(chip.read(&DAC).unwrap(), Some(content(500, 1)), "read again, it is right");
    }
}

#[test]
fn a_wrong_signature_is_of_another_key() {
    let folder = Folder::with(Fault::once(FaultKind::WrongSignature));
    let mut chip = folder.open();
    let key = chip.public_key().unwrap();
    assert_eq!(key, folder.chips[0].public_key);
    assert!(!key.verifies_raw(b"nonce", &chip.sign(b"nonce").unwrap()));
    assert!(key.verifies_raw(b"nonce", &chip.sign(b"nonce").unwrap()));
}

#[test]
fn locked_already() {
    let folder = Folder::with(Fault::lasting(FaultKind::LockedAlready));
    let mut chip = folder.open();
    assert_eq!(chip.state().unwrap(), State::Locked);
    let refused = chip.write(&DAC, b"x").unwrap_err();
    assert!(matches!(refused, ChipError::Locked { .. }) && refused.next() == Next::SetAside);
    assert_eq!(chip.read(&DAC).unwrap(), None);
}

/// The other chip takes writes and signs with its own key; nothing of it
/// reaches the chip that was opened.
#[test]
fn swapped_amid_work() {
    let folder = Folder::with(Fault::once(FaultKind::Swapped).at(4));
    let opened = folder.chips[0].id.clone();
    let mut chip = folder.open();
    assert_eq!(chip.identity().unwrap().id, opened);
    chip.write(&DAC, &content(500, 1)).unwrap();
    assert_eq!(chip.read(&DAC).unwrap(), None, "the other one is blank");
    chip.write(&DAC, &content(500, 2)).unwrap();
    assert_eq!(chip.read(&DAC).unwrap(), Some(content(500, 2)));
    assert_ne!(chip.identity().unwrap().id, opened);
    assert_ne!(chip.public_key().unwrap(), folder.chips[0].public_key);
    let key = chip.public_key().unwrap();
    assert!(key.verifies_raw(b"nonce", &chip.sign(b"nonce").unwrap()));
    chip.lock().unwrap();
    drop(chip);
    let mut chip = folder.open();
    assert_eq!(chip.identity().unwrap().id, opened);
    assert_eq!(chip.state().unwrap(), State::HoldsObjects, "not locked: the other one was");
    assert_eq!(chip.read(&DAC).unwrap(), Some(content(500, 1)));
}

/// How far a cut write came: every page of it, silently or told.
#[test]
fn torn_writes() {
    for reached in 0..8u64 {
        for told in [false, true] {
            let draw = reached | u64::from(told) << 63;
            // 2^63 is a multiple of 8 pages, so the highest bit does not change the page.
            let folder = Folder::with(Fault::once(FaultKind::TornWrite).at(3).drawing(draw));
            let mut chip = folder.open();
            let (old, new) = (content(512, 1), content(512, 2));
            chip.write(&PAI, &old).unwrap();
            chip.write(&DAC, &old).unwrap();
            assert!(no_answer(chip.write(&DAC, &new)));
            assert!(no_answer(chip.read(&DAC)) && no_answer(chip.identity()), "without power nothing answers");
            drop(chip);

            let mut chip = folder.open();
            assert_eq!(chip.state().unwrap(), State::HoldsObjects);
            match chip.read(&DAC) {
                Err(ChipError::Torn { .. }) => assert!(told),
                Ok(Some(torn)) => {
                    assert!(!told);
                    let whole = 64 * reached as usize;
                    assert_eq!(&torn[..whole], &new[..whole]);
                    assert_eq!(&torn[whole + 64..], &old[whole + 64..]);
                    assert!(torn != old && torn != new);
                }
                other => panic!("{other:?}"),
            }
            assert_eq!(chip.read(&PAI).unwrap(), Some(old), "other objects are as they were");
            chip.write(&DAC, &new).unwrap();
            assert_eq!(chip.read(&DAC).unwrap(), Some(new));
        }
    }
}

#[test]
fn a_torn_object_can_be_removed() {
    let folder = Folder::with(Fault::once(FaultKind::TornWrite).drawing(1 << 63));
    assert!(no_answer(folder.open().write(&DAC, &content(300, 1))));
    let mut chip = folder.open();
    assert!(matches!(chip.read(&DAC), Err(ChipError::Torn { .. })));
    chip.write(&DAC, &[]).unwrap();
    assert_eq!(chip.state().unwrap(), State::Blank);
}

#[test]
fn room_and_limits() {
    let folder = Folder::new(&recipe(1));
    let mut chip = folder.open();
    let before = chip.abilities().unwrap();
    assert_eq!((before.room_left, before.object_limit), (Some(16_384), 4_096));
    chip.write(&DAC, &content(65, 1)).unwrap();
    assert_eq!(chip.abilities().unwrap().room_left, Some(16_384 - 128), "two pages");
    for n in 0..3 {
        chip.write(&ObjectName::new(&format!("blob-{n}")).unwrap(), &content(4_096, n)).unwrap();
    }
    let left = chip.abilities().unwrap().room_left.unwrap();
    let refused = chip.write(&PAI, &content(left + 1, 1)).unwrap_err();
    assert!(matches!(refused, ChipError::NoRoom { octets, left: l, .. } if octets == left + 1 && l == left));
    chip.write(&PAI, &content(left, 1)).unwrap();
    assert_eq!(chip.abilities().unwrap().room_left, Some(0));
    chip.write(&DAC, &content(128, 2)).unwrap();
    assert!(matches!(chip.write(&DAC, &content(129, 2)), Err(ChipError::NoRoom { .. })));
    assert!(matches!(chip.write(&DAC, &content(4_097, 2)), Err(ChipError::TooLarge { .. })));
    assert!(matches!(chip.sign(&content(LONGEST_MESSAGE + 1, 0)), Err(ChipError::MessageTooLong { .. })));
}

/// By hand, with the default times: see `Timing`.
#[test]
fn time_is_accounted() {
    let folder = Folder::new(&recipe(1));
    let mut chip = folder.open();
    let mut step = |work: &mut dyn FnMut(&mut dyn Chip)| {
        let (before, begun) = (chip.unseen_time(), Instant::now());
        work(&mut *chip);
        assert!(begun.elapsed() < Duration::from_secs(2), "nothing is waited for");
        chip.unseen_time() - before
    };
    // 500 + 8 octets of 9 clocks at 400 kHz, and 8 pages of 4 ms.
    assert_eq!(step(&mut |chip| chip.write(&DAC, &content(500, 1)).unwrap()), Duration::from_micros(11_430 + 32_000));
    assert_eq!(step(&mut |chip| drop(chip.read(&DAC).unwrap())), Duration::from_micros(11_430 + 300));
    assert_eq!(
        step(&mut |chip| assert_eq!(chip.sign(&[0; 328]).unwrap().len(), 64)),
        Duration::from_micros(9_000 + 60_000)
    );
    assert_eq!(step(&mut |chip| chip.lock().unwrap()), Duration::from_nanos(202_500 + 4_000_000));
}

#[test]
fn real_time_is_waited_for() {
    let folder = Folder::new(&recipe(1));
    let mut source = SimulatedSource::open(folder.path(), Some(true)).unwrap();
    let mut chip = source.open(&folder.chips[0].id).unwrap();
    let begun = Instant::now();
    chip.write(&DAC, &content(500, 1)).unwrap();
    assert!(begun.elapsed() >= Duration::from_micros(43_430));
    assert_eq!(chip.unseen_time(), Duration::ZERO);
}

#[test]
fn files_are_private_and_checked() {
    let folder = Folder::new(&recipe(2));
    let id = &folder.chips[0].id;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        folder.open().write(&DAC, b"x").unwrap();
        assert_eq!(fs::metadata(folder.file()).unwrap().permissions().mode() & 0o7777, 0o600);
    }
    let sound = fs::read_to_string(folder.file()).unwrap();
    let key_at = sound.find("private_key").unwrap();
    let secret = &sound[key_at + 14..key_at + 78];
    for (name, text) in [
        ("empty", String::new()),
        ("cut", sound[..sound.len() / 2].to_owned()),
        ("another chip's", fs::read_to_string(folder.path().join(format!("{}.chip", folder.chips[1].id))).unwrap()),
        ("an unknown member", sound.replacen('{', "{\"x\":1,", 1)),
        ("another format", sound.replace("chip 1", "chip 2")),
        ("a key of zero", sound.replace(secret, &"0".repeat(64))),
        ("a short key", sound.replace(secret, "00")),
        ("a bad object", sound.replace("\"dac\"", "\"../dac\"")),
    ] {
        fs::write(folder.file(), text).unwrap();
        let refused = folder.source().open(id).map(drop).unwrap_err();
        assert!(matches!(refused, ChipError::Damaged { .. }), "{name}: {refused:?}");
        assert!(!format!("{refused:?}{refused}").contains(&secret[..16]), "{name}");
    }
    fs::write(folder.file(), &sound).unwrap();
    let chip = folder.open();
    drop(chip);
    fs::remove_file(folder.file()).unwrap();
    assert!(matches!(folder.source().open(id), Err(ChipError::Absent { .. })));
    assert_eq!(folder.source().present().unwrap(), [folder.chips[1].id.clone()]);
}

/// Cut at every octet of its last change, the file holds what was before it.
#[test]
fn a_change_that_was_cut() {
    let folder = Folder::new(&recipe(1));
    folder.open().write(&DAC, b"old").unwrap();
    let before = fs::read(folder.file()).unwrap();
    folder.open().write(&DAC, b"new").unwrap();
    let after = fs::read(folder.file()).unwrap();
    assert!(after.starts_with(&before), "a change is appended");
    for length in before.len()..=after.len() {
        fs::write(folder.file(), &after[..length]).unwrap();
        let mut chip = folder.open();
        let expected = if length == after.len() { b"new" } else { b"old" };
        assert_eq!(chip.read(&DAC).unwrap().as_deref(), Some(&expected[..]), "cut to {length}");
        chip.write(&PAI, b"further").unwrap();
        drop(chip);
        assert_eq!(folder.open().read(&PAI).unwrap().as_deref(), Some(&b"further"[..]), "cut to {length}");
    }
}

#[test]
fn the_file_does_not_grow_for_ever() {
    let folder = Folder::new(&recipe(1));
    for n in 0..300u32 {
        folder.open().write(&DAC, &content(1_000, n as u8)).unwrap();
    }
    assert!(fs::metadata(folder.file()).unwrap().len() < 300_000);
    assert_eq!(folder.open().read(&DAC).unwrap(), Some(content(1_000, 299u32 as u8)));
}

#[test]
fn a_bench_that_can_not_be() {
    let folder = Folder::new(&recipe(1));
    let file = folder.path().join("bench.json");
    let sound = fs::read_to_string(&file).unwrap();
    for (name, text) in [
        ("no clock", sound.replace("400000", "0")),
        ("no pages", sound.replace("\"page_octets\": 64", "\"page_octets\": 0")),
        ("object over room", sound.replace("16384", "100")),
        ("too much room", sound.replace("16384", "99999999")),
        ("not JSON", "x".into()),
    ] {
        assert_ne!(text, sound, "{name}");
        fs::write(&file, text).unwrap();
        let refused = SimulatedSource::open(folder.path(), None).unwrap_err();
        assert!(matches!(refused, ChipError::Damaged { .. }), "{name}: {refused:?}");
    }
    let missing = SimulatedSource::open(&folder.path().join("none"), None);
    assert!(matches!(missing, Err(ChipError::File { .. })));
}

#[test]
fn waiting_for_a_chip() {
    let folder = Folder::new(&recipe(2));
    let mut source = folder.source();
    let seen = folder.chips[0].id.clone();
    let other = source.wait(&|chip| *chip != seen, Duration::ZERO).unwrap();
    assert_eq!(other, Some(folder.chips[1].id.clone()));
    let begun = Instant::now();
    assert_eq!(source.wait(&|_| false, Duration::from_millis(150)).unwrap(), None);
    assert!(begun.elapsed() >= Duration::from_millis(150));
}

#[test]
fn a_source_by_its_name() {
    let folder = Folder::new(&recipe(2));
    let source: Source = format!("simulated:{}", folder.path().display()).parse().unwrap();
    assert_eq!(source.open(OpenOptions::default()).unwrap().present().unwrap().len(), 2);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// A chip is a map from names to octets that survives being opened anew.
    #[test]
    fn like_a_map(acts in prop::collection::vec((0usize..4, 0usize..700, any::<u8>(), any::<bool>()), 1..40)) {
        let folder = Folder::new(&recipe(1));
        let names = [DAC, PAI, ObjectName::DECLARATION, ObjectName::new("access-key").unwrap()];
        let mut model = std::collections::BTreeMap::new();
        let mut chip = folder.open();
        for (n, length, salt, reopen) in acts {
            let octets = content(length, salt);
            chip.write(&names[n], &octets).unwrap();
            if octets.is_empty() { model.remove(&n); } else { model.insert(n, octets); }
            if reopen {
                drop(chip);
                chip = folder.open();
            }
            for (n, name) in names.iter().enumerate() {
                prop_assert_eq!(chip.read(name).unwrap(), model.get(&n).cloned());
            }
            prop_assert_eq!(chip.state().unwrap() == State::Blank, model.is_empty());
        }
    }

    /// A write that fails in any way leaves old, new or torn; writing again ends in new.
    #[test]
    fn after_any_fault(kind in 0usize..8, at in 1u32..4, times in 1u32..3, draw: u64, old in 0usize..600, new in 1usize..600) {
        let kind = FaultKind::ALL[kind];
        prop_assume!(!matches!(kind, FaultKind::LockedAlready | FaultKind::FlippedBit | FaultKind::WrongSignature));
        let folder = Folder::new(&recipe(1));
        let (id, source) = (folder.chips[0].id.clone(), folder.source());
        let (old, new) = (content(old, 1), content(new, 2));
        folder.open().write(&DAC, &old).unwrap();
        source.plant(&id, Fault { kind, at, left: Some(times), draw }).unwrap();
        let mut done = false;
        for _ in 0..4 {
            let Ok(mut chip) = folder.source().open(&id) else { continue };
            match chip.read(&DAC) {
                Ok(found) => {
                    let found = found.unwrap_or_default();
                    let own = chip.identity().is_ok_and(|identity| identity.id == id);
                    prop_assert!(!own || found == old || found == new || kind == FaultKind::TornWrite);
                }
                Err(error) => {
                    let expected = matches!(error, ChipError::NoAnswer { .. } | ChipError::Torn { .. });
                    prop_assert!(expected, "{}", error);
                },
            }
            let written = chip.write(&DAC, &new).is_ok();
            done = written && chip.identity().is_ok_and(|i| i.id == id) && chip.read(&DAC).is_ok_and(|f| f.as_ref() == Some(&new));
            if done {
                break;
            }
        }
        prop_assert!(done, "{kind:?} at {at}, {times} times");
    }
}
