//! How long each step takes, from histograms.

use book::StepBin;
use serde::Serialize;

use super::count::{Share, whole};

/// Times of one step.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StepTimes {
    pub name: String,
    /// How often it was done, of how often it was begun, with the 95 % interval.
    pub done: Share,
    pub mean_ms: f64,
    /// One in twenty took no longer.
    pub p05_ms: f64,
    /// Half took no longer.
    pub median_ms: f64,
    /// Nineteen in twenty took no longer.
    pub p95_ms: f64,
    pub longest_ms: f64,
    /// Share of the time of all steps.
    pub share_of_time: f64,
}

/// The smallest time that at least `share` of all took, from bins in order; to a hundredth.
fn quantile(bins: &[(i64, u64)], share: f64) -> f64 {
    let all: u64 = bins.iter().map(|(_, n)| n).sum();
    let wanted = (share * all as f64).ceil().max(1.0) as u64;
    let mut seen = 0;
    for (from, n) in bins {
        seen += n;
        if seen >= wanted {
            return *from as f64 / 1000.0;
        }
    }
    bins.last().map_or(0.0, |(from, _)| *from as f64 / 1000.0)
}

/// Steps in the order of a station: as they come in an attempt is not known here,
/// so the costliest first.
pub(super) fn of(bins: &[StepBin]) -> Vec<StepTimes> {
    let mut names: Vec<&str> = bins.iter().map(|b| b.name.as_str()).collect();
    names.dedup();
    names.sort_unstable();
    names.dedup();
    let total: i64 = bins.iter().map(|b| b.total_us).sum();
    let mut out: Vec<StepTimes> = names
        .into_iter()
        .map(|name| {
            let mine: Vec<&StepBin> = bins.iter().filter(|b| b.name == name).collect();
            let mut counts: Vec<(i64, u64)> = mine.iter().map(|b| (b.from_us, whole(b.times))).collect();
            counts.sort_unstable();
            let times: u64 = counts.iter().map(|(_, n)| n).sum();
            let done: u64 = mine.iter().filter(|b| b.done).map(|b| whole(b.times)).sum();
            let us: i64 = mine.iter().map(|b| b.total_us).sum();
            StepTimes {
                name: name.to_owned(),
                done: Share::of(done, times),
                mean_ms: us as f64 / 1000.0 / times.max(1) as f64,
                p05_ms: quantile(&counts, 0.05),
                median_ms: quantile(&counts, 0.5),
                p95_ms: quantile(&counts, 0.95),
                longest_ms: mine.iter().map(|b| b.longest_us).max().unwrap_or(0) as f64 / 1000.0,
                share_of_time: us as f64 / total.max(1) as f64,
            }
        })
        .collect();
    out.sort_by(|a, b| b.share_of_time.total_cmp(&a.share_of_time));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_of_bins() {
        let bins: Vec<(i64, u64)> = (1..=100).map(|ms| (ms * 1000, 1)).collect();
        assert_eq!((quantile(&bins, 0.05), quantile(&bins, 0.5), quantile(&bins, 0.95)), (5.0, 50.0, 95.0));
        assert_eq!((quantile(&[(7_000, 3)], 0.05), quantile(&[], 0.5)), (7.0, 0.0));
    }

    #[test]
    fn steps_are_put_together_from_their_bins() {
        let bin = |name: &str, done, from_us, times| StepBin {
            name: name.into(),
            done,
            from_us,
            times,
            total_us: from_us * times,
            longest_us: from_us,
        };
        let told = of(&[bin("lock", true, 4_000, 9), bin("lock", false, 9_000, 1), bin("prove", true, 60_000, 10)]);
        assert_eq!(told[0].name, "prove");
        assert_eq!((told[1].done.good, told[1].done.all, told[1].longest_ms), (9, 10, 9.0));
        assert!((told[1].mean_ms - 4.5).abs() < 1e-9 && (told[0].share_of_time - 600.0 / 645.0).abs() < 1e-9);
    }
}
