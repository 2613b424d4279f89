//! Timing several contenders in turns.

use std::time::Instant;

/// Seconds that `work` takes.
pub fn seconds<T>(work: impl FnOnce() -> T) -> f64 {
    let start = Instant::now();
    std::hint::black_box(work());
    start.elapsed().as_secs_f64()
}

/// The middle one of some measurements; of an even number, the lower of the two.
pub fn median(measured: &[f64]) -> f64 {
    let mut sorted = measured.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len().saturating_sub(1) / 2).copied().unwrap_or(f64::NAN)
}

/// The least of some measurements: what the machine does undisturbed.
pub fn least(measured: &[f64]) -> f64 {
    measured.iter().copied().fold(f64::INFINITY, f64::min)
}
