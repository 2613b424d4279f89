//! Slows down whoever guesses: so many tries at once, then one every few seconds.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use time::{Duration, OffsetDateTime};

use crate::trouble::Trouble;

/// Tries before waiting begins.
const TRIES: f64 = 8.0;
/// Seconds after which one more try is allowed.
const SECONDS: f64 = 10.0;
/// Names and addresses remembered; a guesser must not fill the memory.
const REMEMBERED: usize = 10_000;

/// Counts tries by name and by address, in memory.
#[derive(Debug, Default)]
pub struct Gate {
    tries: Mutex<HashMap<String, (f64, OffsetDateTime)>>,
}

impl Gate {
    /// Takes one try.
    ///
    /// # Errors
    ///
    /// [`Trouble`] says how long to wait.
    pub fn pass(&self, key: &str, now: OffsetDateTime) -> Result<(), Trouble> {
        let mut tries = self.tries.lock().unwrap_or_else(PoisonError::into_inner);
        let settled = Duration::seconds_f64(TRIES * SECONDS);
        if tries.len() >= REMEMBERED {
            tries.retain(|_, (_, at)| now - *at < settled);
        }
        if tries.len() >= REMEMBERED && !tries.contains_key(key) {
            return Err(Trouble::refused("too many sign-ins at the same time", "Wait a minute, then try again."));
        }
        let (used, at) = tries.get(key).copied().unwrap_or((0.0, now));
        let used = (used - (now - at).as_seconds_f64().max(0.0) / SECONDS).max(0.0);
        if used + 1.0 > TRIES {
            let wait = ((used + 1.0 - TRIES) * SECONDS).ceil();
            return Err(Trouble::refused(
                "too many attempts to sign in",
                format!("Wait {wait:.0} seconds, then try again."),
            ));
        }
        tries.insert(key.to_owned(), (used + 1.0, now));
        Ok(())
    }

    /// Forgets the tries of somebody who proved to be the person.
    pub fn forget(&self, key: &str) {
        self.tries.lock().unwrap_or_else(PoisonError::into_inner).remove(key);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_guesser_waits_and_others_do_not() {
        let gate = Gate::default();
        let start = OffsetDateTime::UNIX_EPOCH;
        for _ in 0..8 {
            gate.pass("account a", start).expect("a try");
        }
        let refused = gate.pass("account a", start).expect_err("one too many");
        assert!(crate::Advise::advice(&refused).expect("advice").contains("10 seconds"));
        gate.pass("account b", start).expect("another name");
        gate.pass("account a", start + Duration::seconds(10)).expect("one more after ten seconds");
        gate.pass("account a", start + Duration::seconds(10)).expect_err("and only one");
        gate.forget("account a");
        gate.pass("account a", start + Duration::seconds(10)).expect("forgotten");
    }
}
