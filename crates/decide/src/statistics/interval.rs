//! Intervals for shares.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

/// From and to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Range {
    pub low: f64,
    pub high: f64,
}

/// Two-sided standard normal quantile: 1.95996… for 0.95.
pub fn z(confidence: f64) -> f64 {
    Normal::standard().inverse_cdf(0.5 + confidence.clamp(0.0, 0.999_999_999) / 2.0)
}

/// E. B. Wilson's score interval for a share (1927): `good` of `all`.
///
/// It keeps within 0 and 1 and stays honest at few failures, where the textbook
/// interval around the share shrinks to nothing. `None` where `all` is 0.
pub fn wilson(good: u64, all: u64, confidence: f64) -> Option<Range> {
    if all == 0 {
        return None;
    }
    let (n, z) = (all as f64, z(confidence));
    let p = good as f64 / n;
    let z2 = z * z;
    let middle = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = z / (1.0 + z2 / n) * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
    // At the ends the formula gives just 0 or 1, but for rounding.
    let low = if good == 0 { 0.0 } else { (middle - half).max(0.0) };
    let high = if good == all { 1.0 } else { (middle + half).min(1.0) };
    Some(Range { low, high })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17
    /// (1998), table I, method 3 (score without continuity correction), 95 %; from memory, and the same by scipy in
    /// `tests/outside/plans.py`.
    #[test]
    fn wilson_as_published() {
        for (good, all, low, high) in
            [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)]
        {
            let range = wilson(good, all, 0.95).unwrap();
            assert!((range.low - low).abs() < 6e-5 && (range.high - high).abs() < 6e-5, "{good}/{all}: {range:?}");
        }
        assert_eq!(wilson(0, 0, 0.95), None);
        assert_eq!(wilson(29, 29, 0.95).unwrap().high, 1.0);
    }

    #[test]
    fn z_as_published() {
        for (confidence, wanted) in [(0.95, 1.959_964), (0.99, 2.575_829), (0.9973, 2.999_977)] {
            assert!((z(confidence) - wanted).abs() < 1e-5, "{confidence}: {}", z(confidence));
        }
    }
}
