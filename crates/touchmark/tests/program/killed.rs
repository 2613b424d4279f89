//! The process is killed (SIGKILL) at random moments, 200 times in a row at one site. Nothing may
//! be lost, used twice or passed unproven, and the reel is finished afterwards.

use std::os::unix::process::ExitStatusExt as _;
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};
use std::{fs, thread};

use at_site::engine::Engine;
use at_site::{Site, assert_sound, data, text};
use serde_json::Value;

use crate::at_site;

const KILLS: usize = 200;
const CHIPS: u64 = 400;
/// Of the delays. The moments they hit differ from run to run all the same.
const SEED: u64 = 0x5EED_0417_0CC1_D3A7;

/// The longest delay at first, and at all, in milliseconds.
const SPAN: u64 = 176;
const LONGEST: u64 = 8_000;

/// The shortest delay, and some of the time that a chip takes, in milliseconds.
const LEAST_MS: u64 = 5;
const CHIP_MS: u64 = 8;
/// How long a run may take until it writes to its first chip.
const PATIENCE: Duration = Duration::from_secs(60);

/// xorshift64*, by Vigna, "An experimental exploration of Marsaglia's xorshift generators".
struct Delays(u64);

impl Delays {
    fn next(&mut self, span: u64) -> Duration {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        Duration::from_millis(LEAST_MS + (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 32) % span)
    }
}

/// Octets of all chips in the fixture: whatever is written to a chip makes its file longer.
fn written(fixture: &Path) -> u64 {
    let chips = fs::read_dir(fixture).expect("a fixture").flatten();
    chips.filter_map(|chip| Some(chip.metadata().ok()?.len())).sum()
}

/// Takes the chips of units that passed out of the fixture, as an operator would, so that the
/// next run meets unfinished work and not a row of chips to verify.
fn clear(site: &Site, case: &str, fixture: &Path, tray: &Path) -> u64 {
    let passed = site.done(case, &["unit", "list", "--state", "passed", "--limit", "400"]);
    for unit in passed["units"].as_array().expect("units") {
        let file = format!("{}.chip", unit["chip_id"].as_str().expect("a chip id"));
        if fixture.join(&file).exists() {
            fs::rename(fixture.join(&file), tray.join(&file)).expect("moved");
        }
    }
    passed["units"].as_array().map_or(0, Vec::len) as u64
}

on_both_engines! { a_withdrawal_that_is_killed_is_whole_or_nothing }

/// Kills of each kind of withdrawal, spread over the time that a whole one takes.
const CUTS: u32 = 8;

/// A withdrawal is killed at moments from its start to its end. What it would take back is there as a whole or gone as
/// a whole, and can be taken back, or received, the next time.
fn a_withdrawal_that_is_killed_is_whole_or_nothing(engine: &Engine) {
    let site = Site::on(engine, "a");
    let spare = data("authority/paa-b.pem");
    let adopt = || site.done("adopt", &["authority", "adopt", text(&spare), "--name", "PAA spare"]);
    let count = |path: &str| {
        let account = site.reconcile(path);
        assert_sound(path, &account);
        account.pointer(path).and_then(Value::as_u64).expect("a count")
    };
    let authorities = || {
        let list = site.done("list", &["authority", "list"]);
        u64::from(list["authorities"].as_array().expect("a list").iter().any(|a| a["name"] == "PAA spare"))
    };
    type Act<'a> = (&'a str, u64, &'a dyn Fn() -> String, &'a dyn Fn() -> u64);
    let acts: [Act<'_>; 3] = [
        ("authority", 1, &|| drop_then(&adopt(), "PAA spare"), &authorities),
        ("reel", 400, &|| drop_then(&site.receive_reel("a"), "A"), &|| count("/chips/received")),
        ("delivery", 400, &|| site.receive_delivery("a")["delivery"].as_str().expect("an id").to_owned(), &|| {
            count("/credentials/received")
        }),
    ];
    for (what, whole, make, there) in acts {
        if what == "delivery" {
            site.receive_reel("a");
        }
        let mut id = make();
        let begun = Instant::now();
        site.done(what, &[what, "withdraw", &id]);
        let span = begun.elapsed();
        assert_eq!(there(), 0, "{what}");
        let (mut hit, mut left) = (0, 0);
        for cut in 0..CUTS {
            if there() == 0 {
                id = make();
            }
            let mut child = site.command(&[what, "withdraw", &id]);
            let mut child = child.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
            thread::sleep(span * (2 * cut + 1) / (2 * CUTS));
            child.kill().expect("killed");
            hit += u32::from(child.wait().expect("waited for").signal() == Some(9));
            let now = there();
            assert!(now == 0 || now == whole, "{what}, cut {cut} of {span:?}: {now} of {whole}");
            left += u32::from(now == whole);
        }
        assert!(hit >= CUTS / 4 && left > 0, "{what}: {hit} kills came before the end, {left} left it as it was");
        if there() > 0 {
            site.done(what, &[what, "withdraw", &id]);
        }
    }
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}

/// A name, once what it names was made.
fn drop_then(_made: &Value, name: &str) -> String {
    name.to_owned()
}

mod in_a_file {
    #[test]
    fn two_hundred_kills_lose_nothing() {
        super::Engine::sqlite().iter().for_each(super::two_hundred_kills_lose_nothing);
    }
}

mod on_a_server {
    #[test]
    fn two_hundred_kills_over_tls_lose_nothing() {
        super::Engine::postgresql_over_tls().iter().for_each(super::two_hundred_kills_lose_nothing);
    }
}

fn two_hundred_kills_lose_nothing(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let source = site.simulate("a");
    // As few iterations as the standard allows: deriving verifiers is time in which a kill tries nothing.
    let settings = site.dir.path().join("site/touchmark.toml");
    let text = fs::read_to_string(&settings).expect("settings");
    assert!(text.contains("iterations = 10000"), "{text}");
    fs::write(&settings, text.replace("iterations = 10000", "iterations = 1000")).expect("settings");
    let (fixture, tray) = (site.dir.path().join("chips-a"), site.dir.path().join("tray"));
    fs::create_dir(&tray).expect("a tray");
    let run = ["provision", "--reel", "A", "--station", "line-1", "--chips", &source];

    let mut delays = Delays(SEED);
    let (mut hit, mut passed, mut span) = (0, 0, SPAN);
    for kill in 1..=KILLS {
        // On a fast machine the kills come sooner, so that work is left for all of them; on
        // one that is busy with other things later, so that they do not all fall before it.
        let (done, due) = (passed * KILLS as u64 * 10, CHIPS * kill as u64);
        span = match () {
            () if done > due * 6 => (span * 3 / 4).max(40),
            () if done < due * 3 => (span * 5 / 4).min(LONGEST),
            () => span,
        };
        let delay = delays.next(span);
        let case = format!("seed {SEED:#x}, kill {kill} after {delay:?}");
        let before = written(&fixture);
        let mut child = site.command(&run).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
        if kill % 2 == 0 {
            // However busy the machine is, every other kill falls in or shortly after work on a chip.
            let begun = Instant::now();
            while written(&fixture) == before && begun.elapsed() < PATIENCE && matches!(child.try_wait(), Ok(None)) {
                thread::sleep(Duration::from_micros(200));
            }
            thread::sleep(delays.next(CHIP_MS) - Duration::from_millis(LEAST_MS));
        } else {
            thread::sleep(delay);
        }
        child.kill().expect("killed");
        let status = child.wait().expect("waited for");
        hit += usize::from(status.signal() == Some(9));
        passed = clear(&site, &case, &fixture, &tray);
        if kill % 20 == 0 {
            assert_sound(&case, &site.reconcile(&case));
        }
    }
    let case = format!("seed {SEED:#x}, after {KILLS} kills");
    assert_eq!(hit, KILLS, "{case}: a run ended before it was killed");
    let interrupted = site.reconcile(&case);
    assert_sound(&case, &interrupted);

    // All chips back, and the reel to its end. A chip that failed is tried until it passes or is scrapped.
    for chip in fs::read_dir(&tray).expect("a tray") {
        let chip = chip.expect("a chip");
        fs::rename(chip.path(), fixture.join(chip.file_name())).expect("moved back");
    }
    let finished = site.call(&case, &run);
    assert!(finished.json["units"].is_array(), "{case}: {}", finished.said);
    let account = site.reconcile(&case);
    assert_sound(&case, &account);
    let number = |path: &str| account.pointer(path).and_then(Value::as_u64).unwrap_or_else(|| panic!("{case}: {path}"));
    assert_eq!(number("/chips/provisioned") + number("/chips/scrapped"), CHIPS, "{case}: {account}");
    for open in ["/chips/blank", "/chips/held", "/credentials/available", "/credentials/reserved", "/units/open"] {
        assert_eq!(number(open), 0, "{case}: {open} of {account}");
    }
    assert_eq!(number("/units/failed"), 0, "{case}: {account}");
    assert_eq!(number("/units/passed"), number("/chips/provisioned"), "{case}: {account}");

    let units = site.done(&case, &["unit", "list", "--limit", "1000"]);
    let units = units["units"].as_array().expect("units");
    assert_eq!(units.len() as u64, CHIPS, "{case}: one unit a chip");
    for scrapped in units.iter().filter(|u| u["state"] == "scrapped") {
        let serial = scrapped["unit"].as_str().expect("a serial number");
        let story = site.done(&case, &["unit", "show", serial]);
        let attempts = story["attempts"].as_array().expect("attempts");
        let cause = attempts.last().map(|a| &a["cause"]);
        assert!(cause.is_some_and(Value::is_string), "{case}: {serial} was scrapped without a reason: {story}");
    }
    // The kills did what they were for: some fell between an intention and its proof.
    let attempts: u64 = units.iter().filter_map(|u| u["attempts"].as_u64()).sum();
    let cut_short = (attempts - CHIPS) as usize;
    assert!(cut_short >= KILLS / 10, "{case}: {cut_short} kills fell into an attempt, which tries too little");

    // Every chip whose unit passed convinces a verifier that knows nothing of the book's proofs.
    let challenged = site.call(&case, &["challenge", "--chips", &source]);
    let accepted = challenged.json["chips"].as_array().expect("chips");
    let accepted: Vec<_> = accepted.iter().filter(|c| c["verdict"] == "accepted").map(|c| &c["chip_id"]).collect();
    for unit in units.iter().filter(|u| u["state"] == "passed") {
        assert!(accepted.contains(&&unit["chip_id"]), "{case}: {unit} passed, and its chip is not accepted");
    }
}
