//! Control limits for a share over time (a p-chart).
//!
//! Common practice since W. A. Shewhart: three standard deviations around the
//! average share. That is an approximation; where counts are small it marks
//! good hours as bad, so there the limits are exact binomial quantiles of the
//! same risk, 0.135 % to each side.

use serde::Serialize;

use super::Successes;

/// Risk to each side of three standard deviations of a normal distribution.
const RISK: f64 = 0.001_349_898;
/// Expected failures (and passes) from which on three standard deviations do;
/// common practice gives 5 to 10, no source for more.
const ENOUGH: f64 = 10.0;

/// Limits for a share, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Limits {
    /// A share below this one stands out.
    pub low: f64,
    /// A share above this one stands out.
    pub high: f64,
    /// Whether they are exact quantiles rather than three standard deviations.
    pub exact: bool,
}

impl Limits {
    /// Whether a share lies outside.
    pub fn exclude(&self, share: f64) -> bool {
        // A share equal to a limit but for rounding is inside.
        share > self.high + 1e-12 || share < self.low - 1e-12
    }
}

/// Limits for `n` counted, where the average share is `average`.
pub fn limits(n: u64, average: f64) -> Limits {
    let expected = n as f64 * average;
    if expected < ENOUGH || n as f64 - expected < ENOUGH { exact(n, average) } else { three_sigma(n, average) }
}

/// Three standard deviations around the average.
pub fn three_sigma(n: u64, average: f64) -> Limits {
    let half = 3.0 * (average * (1.0 - average) / (n as f64).max(1.0)).sqrt();
    Limits { low: (average - half).max(0.0), high: (average + half).min(1.0), exact: false }
}

/// The least and the greatest share that are not rarer than the risk.
pub fn exact(n: u64, average: f64) -> Limits {
    if n == 0 || average <= 0.0 || average >= 1.0 {
        let share = average.clamp(0.0, 1.0);
        return Limits { low: share, high: share, exact: true };
    }
    let count = Successes::Known { p: average };
    Limits {
        low: count.quantile(n, RISK) as f64 / n as f64,
        high: count.quantile(n, 1.0 - RISK) as f64 / n as f64,
        exact: true,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2, "Proportions control charts": defective chips
    /// among 50 on each of 30 wafers. From memory: its counts, average 0.2313, limits 0.0524 and 0.4102, wafers 15
    /// and 23 outside.
    #[test]
    fn the_worked_example_of_the_handbook() {
        let defective = [
            12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
        ];
        let average = f64::from(defective.iter().sum::<i32>()) / (50.0 * 30.0);
        assert!((average - 0.2313).abs() < 5e-5, "{average}");
        let limits = three_sigma(50, average);
        assert!((limits.low - 0.0524).abs() < 5e-5 && (limits.high - 0.4102).abs() < 5e-5, "{limits:?}");
        let out: Vec<usize> =
            (0..30).filter(|i| limits.exclude(f64::from(defective[*i]) / 50.0)).map(|i| i + 1).collect();
        assert_eq!(out, [15, 23]);
    }

    #[test]
    fn small_counts_get_exact_limits() {
        // One failure among 20 at an average of 1 in 100 is nothing: P(X ≥ 1) = 18 %. Three sigma calls it out
        // of control at 2.
        let few = limits(20, 0.01);
        assert!(few.exact && !few.exclude(1.0 / 20.0) && !few.exclude(2.0 / 20.0), "{few:?}");
        assert!(few.exclude(3.0 / 20.0), "{few:?}");
        assert!(three_sigma(20, 0.01).exclude(2.0 / 20.0));
        assert!(!limits(5_000, 0.02).exact);
        // Nothing ever failed: one failure would stand out, none does not.
        let none = limits(100, 0.0);
        assert!(!none.exclude(0.0) && none.exclude(0.01));
    }
}
