//! Slows down whoever guesses: so many tries at once, then one every few seconds.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};

use base::trouble::Trouble;
#[cfg(test)]
use time::Duration;
use time::OffsetDateTime;

/// Buckets remembered; a guesser must not fill the memory.
const REMEMBERED: usize = 10_000;

/// How many tries there are at once, and the seconds after which one more is allowed.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    tries: f64,
    seconds: f64,
}

impl Pace {
    /// Of one account from one address. Nobody elsewhere uses these tries up.
    pub const ACCOUNT: Self = Self { tries: 8.0, seconds: 10.0 };
    /// Of one address, whatever it tries. A shift may come in through one.
    pub const ADDRESS: Self = Self { tries: 40.0, seconds: 2.0 };
}

/// Counts tries in memory.
#[derive(Debug, Default)]
pub struct Gate {
    tries: Mutex<HashMap<String, (f64, OffsetDateTime)>>,
}

impl Gate {
    /// Takes one try of `key`.
    ///
    /// # Errors
    ///
    /// [`Trouble`] says how long to wait.
    pub fn pass(&self, key: &str, pace: Pace, now: OffsetDateTime) -> Result<(), Trouble> {
        let mut tries = self.tries.lock().unwrap_or_else(PoisonError::into_inner);
        if tries.len() >= REMEMBERED && !tries.contains_key(key) {
            // The one that was quiet for longest makes room: to refuse everybody new would lock people out.
            let quiet = tries.iter().min_by_key(|(_, (_, at))| *at).map(|(key, _)| key.clone());
            quiet.and_then(|key| tries.remove(&key));
        }
        let (used, at) = tries.get(key).copied().unwrap_or((0.0, now));
        let used = (used - (now - at).as_seconds_f64().max(0.0) / pace.seconds).max(0.0);
        if used + 1.0 > pace.tries {
            let wait = ((used + 1.0 - pace.tries) * pace.seconds).ceil();
            return Err(Trouble::too_early("too many attempts to sign in", wait as u32));
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
        let pass = |key: &str, at| gate.pass(key, Pace::ACCOUNT, at);
        for _ in 0..8 {
            pass("a from here", start).expect("a try");
        }
        let refused = pass("a from here", start).expect_err("one too many");
        assert_eq!(refused.wait(), Some(10));
        pass("b from here", start).expect("another name");
        pass("a from there", start).expect("the same name from elsewhere");
        pass("a from here", start + Duration::seconds(10)).expect("one more after ten seconds");
        pass("a from here", start + Duration::seconds(10)).expect_err("and only one");
        gate.forget("a from here");
        pass("a from here", start + Duration::seconds(10)).expect("forgotten");
    }

    #[test]
    fn a_flood_of_addresses_fills_no_memory_and_locks_nobody_out() {
        let gate = Gate::default();
        let start = OffsetDateTime::UNIX_EPOCH;
        for n in 0..REMEMBERED + 100 {
            gate.pass(&n.to_string(), Pace::ADDRESS, start + Duration::milliseconds(n as i64)).expect("a first try");
        }
        gate.pass("the engineer", Pace::ADDRESS, start + Duration::minutes(1)).expect("a first try");
        assert_eq!(gate.tries.lock().expect("no panic holds it").len(), REMEMBERED);
    }
}
