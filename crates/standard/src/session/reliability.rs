//! How long is waited for an acknowledgement (Core Spec 4.12.2, from memory).

use std::time::Duration;

/// How often a message is sent at most, the first time included.
pub const SENDINGS: u32 = 5;

/// Within which time a message is acknowledged alone, where nothing goes with which it could ride.
pub const STANDALONE_ACK: Duration = Duration::from_millis(200);

/// A longer interval than this is what no peer on a bench has; waits are bounded by it.
const LONGEST_MS: u32 = 60_000;

/// How often a peer listens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Intervals {
    /// While it sleeps, ms.
    pub idle_ms: u32,
    /// While it is in conversation, ms.
    pub active_ms: u32,
    /// How long it stays awake after it was heard, ms.
    pub threshold_ms: u32,
}

impl Default for Intervals {
    fn default() -> Self {
        Self { idle_ms: 500, active_ms: 300, threshold_ms: 4000 }
    }
}

impl Intervals {
    /// How long to wait after sending number `n` (from 0) before the message is sent again, or given up.
    ///
    /// - `heard`: how long ago the peer was heard, if ever.
    /// - `random`: spreads the wait by up to a quarter.
    pub fn wait(&self, heard: Option<Duration>, n: u32, random: u8) -> Duration {
        let awake = heard.is_some_and(|ago| ago < Duration::from_millis(self.threshold_ms.into()));
        let base = if awake { self.active_ms } else { self.idle_ms }.clamp(1, LONGEST_MS);
        let growth = 1.6_f64.powi(i32::try_from(n.saturating_sub(1).min(SENDINGS)).unwrap_or(0));
        let spread = 1.0 + 0.25 * f64::from(random) / 255.0;
        Duration::from_secs_f64(f64::from(base) / 1000.0 * 1.1 * growth * spread)
    }
}
