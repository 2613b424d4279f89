//! Counts by state for `/metrics`. Counting reads the whole book, and a collector asks
//! every few seconds: so the last counts are told again for fifty times as long as
//! they took, and their age with them. On a young site that is a moment.

use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use base::Trouble;
use line::floor::Reconciliation;

/// At most one fiftieth of the time is spent counting.
const REST: u32 = 50;

struct Kept {
    counts: Reconciliation,
    at: Instant,
    took: Duration,
}

/// The last counts.
#[derive(Default)]
pub struct Counts(Mutex<Option<Kept>>);

impl Counts {
    /// The counts, and how old they are; `count` is asked where they are too old. Who comes
    /// while another counts waits for that one's.
    ///
    /// # Errors
    ///
    /// What `count` says.
    pub fn get(
        &self,
        count: impl FnOnce() -> Result<Reconciliation, Trouble>,
    ) -> Result<(Reconciliation, Duration), Trouble> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(kept) = kept.as_ref().filter(|kept| kept.at.elapsed() < kept.took * REST) {
            return Ok((kept.counts, kept.at.elapsed()));
        }
        let begun = Instant::now();
        let counts = count()?;
        *kept = Some(Kept { counts, at: Instant::now(), took: begun.elapsed() });
        Ok((counts, Duration::ZERO))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(units: i64) -> Reconciliation {
        Reconciliation { double_use: units, ..Reconciliation::default() }
    }

    #[test]
    fn what_took_long_is_told_again_for_longer() {
        let counts = Counts::default();
        let slow = || {
            std::thread::sleep(Duration::from_millis(200));
            Ok(of(1))
        };
        assert_eq!(counts.get(slow).expect("counted").0, of(1));
        // Ten seconds of rest: far more than what follows takes.
        let (again, age) = counts.get(|| panic!("counted again")).expect("kept");
        assert_eq!(again, of(1));
        assert!(age < Duration::from_secs(10));

        let quick = Counts::default();
        assert_eq!(quick.get(|| Ok(of(1))).expect("counted").0, of(1));
        std::thread::sleep(Duration::from_millis(20));
        assert_eq!(quick.get(|| Ok(of(2))).expect("counted").0, of(2), "nothing is kept that took no time");
        let failed = Counts::default();
        assert!(failed.get(|| Err(Trouble::usage("no", "no"))).is_err());
        assert_eq!(failed.get(|| Ok(of(3))).expect("counted").0, of(3));
    }
}
