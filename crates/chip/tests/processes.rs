//! Two processes at one chip, and processes that die at it.

#![cfg(test)]
#![cfg(unix)]

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use chip::simulated::{Bench, FaultLevel, Keys, Recipe, SimulatedSource, Timing, make};
use chip::{ChipError, ChipId, ChipSource, ObjectName};

const FOLDER: &str = "CHIP_TEST_FOLDER";
const LENGTHS: [usize; 4] = [2_000, 40, 3_500, 700];

/// The `n`th content; tells its number in its first eight octets.
fn content(n: u64) -> Vec<u8> {
    let mut octets = n.to_be_bytes().to_vec();
    octets.resize(LENGTHS[n as usize % LENGTHS.len()], n as u8);
    octets
}

/// Runs this very program as another process that executes one test of it.
fn process(test: &str, folder: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args([test, "--exact", "--nocapture", "--test-threads=1"])
        .env(FOLDER, folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

fn one_chip(folder: &Path, page_write_us: u32) -> ChipId {
    let timing = Timing { bus_hz: 10_000_000, page_write_us, ..Timing::default() };
    let bench = Bench { timing, real_time: true, ..Bench::default() };
    let recipe = Recipe { keys: Keys::Drawn(1), seed: 7, faults: FaultLevel::None, bench };
    make(folder, &recipe).unwrap().remove(0).id
}

/// Run as another process: writes for ever, and says what it is about to do and has done.
#[test]
fn writer() {
    let Some(folder) = std::env::var_os(FOLDER) else { return };
    let mut source = SimulatedSource::open(Path::new(&folder), None).unwrap();
    let id = source.present().unwrap().remove(0);
    let mut chip = source.open(&id).unwrap();
    let begin = match chip.read(&ObjectName::DAC) {
        Ok(Some(found)) => u64::from_be_bytes(found[..8].try_into().unwrap()),
        _ => 0,
    };
    println!("ready");
    // At most: it is killed long before.
    for n in begin + 1..begin + 100_000 {
        println!("begin {n}");
        chip.write(&ObjectName::DAC, &content(n)).unwrap();
        println!("done {n}");
    }
}

fn number(line: &str, word: &str) -> Option<u64> {
    line.strip_prefix(word)?.trim().parse().ok()
}

/// Killed 200 times amid writing: the file is read each time, and holds what
/// was confirmed, what was begun, or a torn mix of the two.
#[test]
fn killed_amid_a_write() {
    let folder = tempfile::tempdir().unwrap();
    let id = one_chip(folder.path(), 100);
    let pai = content(3);
    let mut source = SimulatedSource::open(folder.path(), Some(false)).unwrap();
    let mut chip = source.open(&id).unwrap();
    chip.write(&ObjectName::PAI, &pai).unwrap();
    chip.write(&ObjectName::DAC, &content(0)).unwrap();
    drop(chip);
    let (mut old, mut new, mut torn, mut start) = (0, 0, 0, 0);
    for round in 0..200u64 {
        let mut child = process("writer", folder.path());
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        while !line.contains("ready") {
            line.clear();
            assert!(out.read_line(&mut line).unwrap() > 0, "round {round}: the writer did not start");
        }
        // Up to 8 ms, which is two of the longer writes; a different moment each time.
        std::thread::sleep(Duration::from_micros(round * 7_919 % 8_000));
        child.kill().unwrap();
        child.wait().unwrap();
        let mut said = String::new();
        out.read_to_string(&mut said).unwrap();
        let last = |word| said.lines().rev().find_map(|line| number(line, word));
        let (begun, done) = (last("begin "), last("done "));

        let mut chip = source.open(&id).unwrap_or_else(|e| panic!("round {round}: {e}"));
        let found = chip.read(&ObjectName::DAC).unwrap().unwrap();
        let is = |n: Option<u64>| n.is_some_and(|n| found == content(n));
        if begun != done && is(begun) {
            new += 1;
        } else if is(done.or(Some(start))) {
            old += 1;
        } else {
            assert_ne!(begun, done, "round {round}: a write that was confirmed is gone");
            assert_eq!(Some(found.len()), begun.map(|n| content(n).len()), "round {round}");
            torn += 1;
        }
        assert_eq!(chip.read(&ObjectName::PAI).unwrap().as_deref(), Some(&*pai), "round {round}");
        let key = chip.public_key().unwrap();
        assert!(key.verifies_raw(b"nonce", &chip.sign(b"nonce").unwrap()), "round {round}");
        // Begins the next round whole, with a number to count on from.
        start = (round + 1) * 1_000_000;
        chip.write(&ObjectName::DAC, &content(start)).unwrap();
    }
    assert_eq!(old + new + torn, 200);
    assert!(torn > 0, "no kill fell amid a write ({old} old, {new} new): the test tries nothing");
    // One file that was being written may be left; not one for each kill.
    let left = std::fs::read_dir(folder.path()).unwrap().count();
    assert!(left <= 4, "{left} files");
}

/// A chip held by another process is refused at once, and free when it dies.
#[test]
fn held_by_another_process() {
    let folder = tempfile::tempdir().unwrap();
    let id = one_chip(folder.path(), 1_000);
    let mut child = process("writer", folder.path());
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    while !line.contains("ready") {
        line.clear();
        assert!(out.read_line(&mut line).unwrap() > 0);
    }
    let mut source = SimulatedSource::open(folder.path(), Some(false)).unwrap();
    assert!(matches!(source.open(&id), Err(ChipError::Held { .. })));
    assert_eq!(source.present().unwrap(), std::slice::from_ref(&id), "held, and present");
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(source.open(&id).is_ok());
}
