//! Torture: stations killed, the database server killed and started again, connections cut, drivers
//! dying, chips losing power amid a write, the disk full, the clock jumping. After it all the account
//! is even, the log intact, every pass proven for others, and every chip put back passes or is explained.
//!
//! Short by itself, a campaign on each engine; `TORTURE_MINUTES` makes it go on, `TORTURE_SEED` repeats
//! a draw. docs/torture.md says how to read it.

use crate::at_site;
mod campaign;
pub mod clock;
mod disk;
mod judge;
mod loss;
mod luck;
mod proxy;
mod served;
mod station;

use std::time::{Duration, Instant, SystemTime};

use at_site::engine::Engine;
use campaign::Plan;
use disk::Disk;

/// How long a campaign is disturbed, unless its chips are all done before.
const STORM: Duration = Duration::from_secs(10);

fn setting(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{name} should be a number, and is {text:?}")))
}

/// Room for a book with its log of changes, and for a server with what it had before.
const FOR_A_FILE: &str = "48m";
const FOR_A_SERVER: &str = "320m";

/// One campaign, or as many as fit into the minutes asked for.
fn campaigns(engine: &Engine, which: usize, disk: Option<&Disk>) {
    let any = || SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).map_or(1, |since| since.as_secs());
    let first = setting("TORTURE_SEED").unwrap_or_else(any);
    let minutes = setting("TORTURE_MINUTES");
    let until = Instant::now() + Duration::from_secs(60 * minutes.unwrap_or(0));
    // Real chips are held machine-wide by their ids, so the two engines' campaigns share none.
    let chips = if minutes.is_some() { 200 } else { 60 };
    let storm = STORM * if minutes.is_some() { 6 } else { 1 };
    for seed in first.. {
        campaign::run(engine, &Plan { seed, storm, from: which * 200, chips, disk });
        if Instant::now() >= until {
            return;
        }
    }
}

#[test]
fn sqlite() {
    let disk = Disk::new(FOR_A_FILE);
    if disk.is_none() {
        if disk::in_a_world_of_its_own("torture::sqlite") {
            return;
        }
        eprintln!("NO FULL DISK: this process may not mount a small file system, not even in namespaces of its own");
        eprintln!("               files are limited in size instead, which the stations meet as a full disk");
    }
    if let Some(engine) = Engine::sqlite() {
        campaigns(&engine, 0, disk.as_ref());
    }
}

#[test]
fn postgresql() {
    let disk = Disk::new(FOR_A_SERVER);
    let engine = match &disk {
        Some(disk) => Engine::postgresql_on_small_disk(disk.path()),
        None => {
            eprintln!("NO FULL DISK under the server: this process may not mount a small file system");
            Engine::postgresql()
        }
    };
    if let Some(engine) = engine {
        campaigns(&engine, 1, disk.as_ref());
    }
}
