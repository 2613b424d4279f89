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
mod luck;
mod proxy;
mod station;

use std::time::{Duration, Instant, SystemTime};

use at_site::engine::Engine;
use campaign::Plan;

/// How long a campaign torments, unless its chips are all done before.
const STORM: Duration = Duration::from_secs(10);

fn setting(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{name} should be a number, and is {text:?}")))
}

/// One campaign, or as many as fit into the minutes asked for.
fn campaigns(engine: &Engine, which: usize) {
    let any = || SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).map_or(1, |since| since.as_secs());
    let first = setting("TORTURE_SEED").unwrap_or_else(any);
    let minutes = setting("TORTURE_MINUTES");
    let until = Instant::now() + Duration::from_secs(60 * minutes.unwrap_or(0));
    // Real chips are held machine-wide by their ids, so the two engines' campaigns share none.
    let chips = if minutes.is_some() { 200 } else { 60 };
    for seed in first.. {
        campaign::run(
            engine,
            &Plan { seed, storm: STORM * if minutes.is_some() { 6 } else { 1 }, from: which * 200, chips },
        );
        if Instant::now() >= until {
            return;
        }
    }
}

#[test]
fn sqlite() {
    if let Some(engine) = Engine::sqlite() {
        campaigns(&engine, 0);
    }
}

#[test]
fn postgresql() {
    if let Some(engine) = Engine::postgresql() {
        campaigns(&engine, 1);
    }
}
