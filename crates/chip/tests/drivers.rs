//! Drivers in other languages: a sound one keeps the contract, each broken one
//! breaks the promise that it must, for the reason that it must, in time.
//!
//! The drivers are `examples/chip_driver.py` and `tests/outside/broken_drivers.py`.

#![cfg(test)]
#![cfg(unix)]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use chip::command::{CommandSource, Patience};
use chip::contract::{self, OpenSource, Outcome, PROMISES, Trial};
use chip::{ChipError, ChipId, ChipSource, ObjectName};

const QUICK: Patience = Patience { start: Duration::from_secs(8), call: Duration::from_secs(2) };

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().unwrap()
}

/// A Python with `tests/outside/requirements.txt`, or a notice.
fn python() -> Option<PathBuf> {
    let program = std::env::var_os("TOUCHMARK_PYTHON").map_or_else(|| root().join(".venv/bin/python"), PathBuf::from);
    let found = Command::new(&program).args(["-c", "import cryptography"]).status().is_ok_and(|s| s.success());
    let must = std::env::var_os("CI").is_some_and(|v| v == "true");
    assert!(found || !must, "{} with tests/outside/requirements.txt is missing", program.display());
    if !found {
        eprintln!("skipped: {} with tests/outside/requirements.txt is missing", program.display());
    }
    found.then_some(program)
}

/// A folder with two chips, made by the example driver.
fn chips(python: &Path) -> (tempfile::TempDir, ChipId) {
    let folder = tempfile::tempdir().unwrap();
    let mut example = example(python, folder.path(), "--make 2");
    let id = example.present().unwrap().remove(0);
    (folder, id)
}

fn quoted(path: &Path) -> String {
    format!("'{}'", path.display())
}

fn example(python: &Path, folder: &Path, more: &str) -> CommandSource {
    let script = root().join("examples/chip_driver.py");
    let program = format!("{} {} {} {more}", quoted(python), quoted(&script), quoted(folder));
    CommandSource::start(&program, QUICK).unwrap()
}

/// A driver that runs as another user has none of the program's groups, and can't read what is the program's own. Only
/// root can start one so.
#[test]
fn a_driver_runs_as_another_user() {
    let id = |of: &[&str]| {
        let answer = Command::new("id").args(of).output().unwrap();
        String::from_utf8_lossy(&answer.stdout).trim().to_owned()
    };
    // What it says in the place of an answer to hello.
    let said = |user: &str, line: &str| {
        let script = format!("sh -c {:?}", format!("{line} >&2"));
        CommandSource::start_as(&script, QUICK, Some(user)).map(drop).unwrap_err().to_string()
    };
    assert!(said("nobody-of-this-machine", "true").contains("no user nobody-of-this-machine"));
    if id(&["-u"]) != "0" {
        assert!(said("nobody", "id -u").contains("Only root may do that"));
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let secret = folder.path().join("site.key");
    std::fs::write(&secret, "a key").unwrap();
    std::fs::set_permissions(&secret, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    for (line, expected) in [("id -u", id(&["-u", "nobody"])), ("id -G", id(&["-g", "nobody"]))] {
        let answer = said("nobody", line);
        assert!(answer.contains(&format!("ends with: {expected}")), "{line}: {answer}");
    }
    let answer = said("nobody", &format!("cat {}", quoted(&secret)));
    assert!(answer.contains("Permission denied") && !answer.contains("a key"), "{answer}");
}

fn broken(python: &Path, fault: &str, folder: &Path) -> String {
    let script = root().join("tests/outside/broken_drivers.py");
    format!("{} {} {fault} {}", quoted(python), quoted(&script), quoted(folder))
}

fn tried(program: &str, chip: &ChipId, lock: bool) -> Vec<(&'static str, Outcome)> {
    let mut open = || CommandSource::start(program, QUICK).map(|s| Box::new(s) as Box<dyn ChipSource>);
    let open: &mut OpenSource<'_> = &mut open;
    contract::check(open, chip, Trial { lock, ..Trial::default() })
        .into_iter()
        .map(|tried| (tried.promise.name, tried.outcome))
        .collect()
}

#[test]
fn the_example_keeps_the_contract() {
    let Some(python) = python() else { return };
    let (folder, id) = chips(&python);
    for lock in [false, true] {
        let tried = tried(&broken(&python, "Sound", folder.path()), &id, lock);
        for (name, outcome) in &tried {
            let not_tried = *name == "names" || (*name == "lock" && !lock);
            assert_eq!(matches!(outcome, Outcome::NotTried(_)), not_tried, "{name}: {outcome:?}");
            assert!(!matches!(outcome, Outcome::Broken(_)), "{name}: {outcome:?}");
        }
        assert_eq!(tried.len(), PROMISES.len());
    }
}

/// Tries a broken driver; `promise` must be the first that breaks, saying `why`.
fn breaks(fault: &str, promise: &str, why: &str) {
    let Some(python) = python() else { return };
    let (folder, id) = chips(&python);
    let begun = Instant::now();
    let tried = tried(&broken(&python, fault, folder.path()), &id, true);
    let first = tried.iter().find_map(|(name, outcome)| match outcome {
        Outcome::Broken(how) => Some((*name, how.clone())),
        _ => None,
    });
    let (name, how) = first.unwrap_or_else(|| panic!("{fault} breaks nothing: {tried:?}"));
    assert_eq!(name, promise, "{fault}: {how}");
    assert!(how.contains(why), "{fault}: expected \"{why}\" in: {how}");
    assert!(begun.elapsed() < Duration::from_secs(90), "{fault} held us up");
}

macro_rules! broken_drivers {
    ($($test:ident: $fault:literal breaks $promise:literal, $why:literal;)*) => {$(
        #[test]
        fn $test() {
            breaks($fault, $promise, $why);
        }
    )*
        /// Each promise has a driver that breaks it first. Of time there is none: a late driver is
        /// killed sooner than a call may take, and a slow simulated chip tries that promise.
        #[test]
        fn every_promise_is_broken_by_some_driver() {
            let broken = [$($promise),*];
            for promise in PROMISES.iter().filter(|promise| promise.name != "in-time") {
                assert!(broken.contains(&promise.name), "no driver breaks {}", promise.name);
            }
        }
    };
}

broken_drivers! {
    late_signature: "LateSignature" breaks "identity", "did not answer while signing";
    silent_at_start: "SilentAtStart" breaks "present", "no answer to hello";
    ends_at_start: "EndsAtStart" breaks "present", "the tool is not installed";
    other_protocol: "OtherProtocol" breaks "present", "speaks protocol 2";
    wrong_order: "WrongOrder" breaks "opens", "instead of call";
    oversize_line: "OversizeLine" breaks "absent-object", "a line of more than";
    endless_line: "EndlessLine" breaks "identity", "a line of more than";
    garbage: "Garbage" breaks "identity", "not a JSON-RPC response: asking the chip";
    unasked: "Unasked" breaks "identity", "instead of call";
    result_and_error: "ResultAndError" breaks "present", "does not have exactly one of result and error";
    dies_amid_write: "DiesAmidWrite" breaks "write-read", "was removed";
    other_key: "OtherKey" breaks "signature", "does not belong to its key";
    der_signature: "DerSignature" breaks "identity", "64 bytes, r and s";
    flipped_bit: "FlippedBit" breaks "write-read", "byte 0 is the first that differs";
    keeps_old_tail: "KeepsOldTail" breaks "overwrite", "was written with 40 bytes but read with 300";
    one_slot: "OneSlot" breaks "separate", "read with 0";
    forgets: "Forgets" breaks "keeps", "read with 0";
    cuts_silently: "CutsSilently" breaks "limits", "but accepted 3001";
    lists_twice: "ListsTwice" breaks "present", "twice";
    opens_anything: "OpensAnything" breaks "absent-chip", "is not listed, but opens";
    other_chip: "OtherChip" breaks "identity", "0BAD answers";
    never_removes: "NeverRemoves" breaks "remove", "was removed but has 90 bytes";
    lock_lies: "LockLies" breaks "lock", "does not report so";
    no_lock_method: "NoLockMethod" breaks "lock", "error -32601";
    wrong_type: "WrongType" breaks "opens", "\"object_limit\" should be a number";
    throws: "Throws" breaks "opens", "was removed";
    drifting_key: "DriftingKey" breaks "public-key", "another public key";
    grabs: "Grabs" breaks "one-holder", "was removed";
    erased_memory: "ErasedMemory" breaks "absent-object", "was never written but has 32 bytes";
    lies_about_write: "LiesAboutWrite" breaks "write-read", "read with 0";
    always_blank: "AlwaysBlank" breaks "state", "it holds an object, but reports Blank";
    never_blank_again: "NeverBlankAgain" breaks "left-blank", "its objects were removed, but it reports HoldsObjects";
    takes_oversize: "TakesOversize" breaks "limits", "but accepted 3001";
    half_on_refusal: "HalfOnRefusal" breaks "limits", "read with 100";
    miscounts_room: "MiscountsRoom" breaks "room", "reports that 12000 are left";
    takes_any_name: "TakesAnyName" breaks "names", "it accepted no-such-object";
    unlocks: "Unlocks" breaks "lock", "does not report so after opening it again";
    locked_takes_removal: "LockedTakesRemoval" breaks "lock", "accepts a write";
    hangs_amid_write: "HangsAmidWrite" breaks "write-read", "did not answer while writing";
}

#[test]
fn programs_that_are_none() {
    for (program, why) in [
        ("/no/such/program", "can't be started"),
        ("'unfinished", "quotes do not match"),
        ("   ", "no program is named"),
        ("true", "ended before it answered hello"),
        ("echo hello", "not a JSON-RPC response: hello"),
    ] {
        let refused = CommandSource::start(program, QUICK).map(drop).unwrap_err();
        assert!(
            matches!(refused, ChipError::Driver { .. }) && refused.to_string().contains(why),
            "{program}: {refused}"
        );
    }
    // A program that answers nothing and reads nothing is ended with what it started.
    let begun = Instant::now();
    let patience = Patience { start: Duration::from_millis(200), ..QUICK };
    let refused = CommandSource::start("sh -c 'sleep 61.5 & sleep 61.5'", patience).map(drop).unwrap_err();
    assert!(refused.to_string().contains("no answer to hello"), "{refused}");
    assert!(begun.elapsed() < Duration::from_secs(3));
    let left = Command::new("pgrep").args(["-f", "sleep 61[.]5"]).output();
    assert!(left.map_or(true, |found| found.stdout.is_empty()), "something it started is left");
}

/// A driver that dies loses the chips that were open, and serves again.
#[test]
fn a_dead_driver_is_started_again() {
    let Some(python) = python() else { return };
    let (folder, id) = chips(&python);
    let mut source = CommandSource::start(&broken(&python, "DiesAmidWrite", folder.path()), QUICK).unwrap();
    let mut chip = source.open(&id).unwrap();
    let gone = chip.write(&ObjectName::DAC, &[7; 100]).unwrap_err();
    assert!(matches!(gone, ChipError::Gone { .. }), "{gone}");
    assert!(matches!(chip.identity(), Err(ChipError::Gone { .. })), "its calls do not reach the next driver");
    drop(chip);
    let mut chip = source.open(&id).unwrap();
    assert_eq!(chip.read(&ObjectName::DAC).unwrap(), Some(vec![7; 50]), "what was torn is seen");
}

#[test]
fn two_chips_at_once() {
    let Some(python) = python() else { return };
    let (folder, id) = chips(&python);
    let mut source = example(&python, folder.path(), "");
    let other = source.present().unwrap().remove(1);
    let (mut a, mut b) = (source.open(&id).unwrap(), source.open(&other).unwrap());
    a.write(&ObjectName::DAC, b"a").unwrap();
    b.write(&ObjectName::DAC, b"b").unwrap();
    assert_eq!(a.read(&ObjectName::DAC).unwrap().as_deref(), Some(&b"a"[..]));
    assert_ne!(a.public_key().unwrap(), b.public_key().unwrap());
    drop(a);
    assert_eq!(b.read(&ObjectName::DAC).unwrap().as_deref(), Some(&b"b"[..]));
}

/// What a driver started ends with it, also in a session of its own.
#[test]
fn what_a_driver_started_ends_with_it() {
    let Some(python) = python() else { return };
    let (folder, _) = chips(&python);
    let (helper, id) = (folder.path().join("helper.sh"), folder.path().join("helper.pid"));
    let example = root().join("examples/chip_driver.py");
    let script = format!(
        "setsid sh -c 'echo $$ > {0}.new; mv {0}.new {0}; exec sleep 300' > /dev/null 2>&1 < /dev/null &\nexec {1} {2} {3}\n",
        id.display(),
        quoted(&python),
        quoted(&example),
        quoted(folder.path())
    );
    std::fs::write(&helper, script).unwrap();
    let mut source = CommandSource::start(&format!("sh {}", quoted(&helper)), QUICK).unwrap();
    source.present().unwrap();
    let begun = Instant::now();
    while !id.exists() && begun.elapsed() < Duration::from_secs(5) {
        std::thread::sleep(Duration::from_millis(10));
    }
    let process = PathBuf::from("/proc").join(std::fs::read_to_string(&id).unwrap().trim());
    // One that is gone and was not asked for yet is a zombie.
    let lives = || std::fs::read_to_string(process.join("stat")).is_ok_and(|stat| !stat.contains(") Z "));
    assert!(lives());
    drop(source);
    let begun = Instant::now();
    while lives() && begun.elapsed() < Duration::from_secs(5) {
        std::thread::sleep(Duration::from_millis(10));
    }
    assert!(!lives());
}
