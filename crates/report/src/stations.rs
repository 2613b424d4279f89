//! Stations compared fairly: each against what its own mix of products and reels lets expect.
//!
//! A station that was given the bad reel must not look bad for it. So a station's
//! failures are compared with those of the others on the same product and reel,
//! layer by layer, and put together as Mantel and Haenszel do
//! ([`decide::statistics::stratified`]). What ran at one station only says nothing
//! about stations and is left out. The confidence is raised for the number of
//! stations that are looked at (Bonferroni).

use std::collections::BTreeMap;

use book::{AttemptResult, AttemptTally};
use decide::statistics::interval::Range;
use decide::statistics::stratified;
use decide::statistics::stratified::Layer;
use serde::Serialize;

use super::count::{Share, whole};

/// One station.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Station {
    pub station: String,
    /// Attempts that passed, of those that passed or failed.
    pub passed: Share,
    /// Of its attempts, those whose product and reel ran elsewhere too.
    pub comparable: u64,
    pub failed: u64,
    /// Failures that their products and reels let expect.
    pub expected: f64,
    /// Its risk of failing by that of the others on the same products and reels; none where
    /// nothing can be compared, or the others never failed.
    pub ratio: Option<f64>,
    /// Interval of that ratio, 95 % over all stations together.
    pub ratio_interval: Option<Range>,
    /// Whether neither mix nor chance explains it.
    pub apart: bool,
    /// Mean milliseconds of its attempts that passed.
    pub mean_ms: Option<f64>,
}

/// Stations.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stations {
    /// One by one, by name.
    pub stations: Vec<Station>,
    /// Whether any product and reel ran at two of them.
    pub comparable: bool,
}

#[derive(Default, Clone, Copy)]
struct Count {
    all: u64,
    failed: u64,
}

pub(super) fn compare(tallies: &[AttemptTally]) -> Stations {
    let mut cells: BTreeMap<(&str, (&str, &str)), Count> = BTreeMap::new();
    let mut passed_us: BTreeMap<&str, (u64, i64)> = BTreeMap::new();
    for tally in tallies.iter().filter(|t| t.result != AttemptResult::Interrupted) {
        let station = tally.station.as_str();
        let cell = cells.entry((station, (tally.product.as_str(), tally.reel.as_str()))).or_default();
        cell.all += whole(tally.attempts);
        if tally.result == AttemptResult::Failed {
            cell.failed += whole(tally.attempts);
        } else {
            let times = passed_us.entry(station).or_default();
            times.0 += whole(tally.attempts);
            times.1 += tally.total_us;
        }
    }
    let mut mixes: BTreeMap<(&str, &str), (Count, u64)> = BTreeMap::new();
    for ((_, mix), cell) in &cells {
        let (count, stations) = mixes.entry(*mix).or_default();
        count.all += cell.all;
        count.failed += cell.failed;
        *stations += 1;
    }
    let mut names: Vec<&str> = cells.keys().map(|(station, _)| *station).collect();
    names.dedup();
    let confidence = 1.0 - 0.05 / names.len().max(1) as f64;
    let stations: Vec<Station> = names
        .iter()
        .map(|name| {
            let (mut own, mut shared) = (Count::default(), Count::default());
            let mut layers = Vec::new();
            for ((_, mix), cell) in cells.range((*name, ("", ""))..).take_while(|((station, _), _)| station == name) {
                own.all += cell.all;
                own.failed += cell.failed;
                if let Some((count, 2..)) = mixes.get(mix) {
                    shared.all += cell.all;
                    shared.failed += cell.failed;
                    layers.push(Layer {
                        own: (cell.failed, cell.all),
                        others: (count.failed - cell.failed, count.all - cell.all),
                    });
                }
            }
            let compared = stratified::compare(&layers, confidence);
            let times = passed_us.get(name).filter(|(n, _)| *n > 0);
            Station {
                station: (*name).to_owned(),
                passed: Share::of(own.all - own.failed, own.all),
                comparable: shared.all,
                failed: shared.failed,
                expected: compared.map_or(0.0, |c| c.expected),
                ratio: compared.and_then(|c| c.ratio),
                ratio_interval: compared.and_then(|c| c.interval),
                apart: compared.is_some_and(|c| c.differs(confidence)),
                mean_ms: times.map(|(n, us)| *us as f64 / 1000.0 / *n as f64),
            }
        })
        .collect();
    Stations { comparable: stations.iter().any(|s| s.comparable > 0), stations }
}

#[cfg(test)]
mod tests {
    use book::ids::{ProductName, ReelId, StationName};
    use time::OffsetDateTime;

    use super::*;

    fn tally(station: &str, reel: &str, passed: i64, failed: i64) -> [AttemptTally; 2] {
        [(AttemptResult::Passed, passed), (AttemptResult::Failed, failed)].map(|(result, attempts)| AttemptTally {
            begins: OffsetDateTime::UNIX_EPOCH,
            station: StationName::new(station).unwrap(),
            product: ProductName::new("Tern Vent").unwrap(),
            reel: ReelId::new(reel).unwrap(),
            first: true,
            result,
            attempts,
            total_us: attempts * 2_000,
        })
    }

    /// S1 has the worse yield because it had the bad reel; on each reel it is the better one.
    #[test]
    fn the_bad_reel_is_not_the_stations_fault() {
        let all: Vec<AttemptTally> = [
            tally("S1", "GOOD", 98, 2),
            tally("S1", "BAD", 810, 90),
            tally("S2", "GOOD", 873, 27),
            tally("S2", "BAD", 85, 15),
        ]
        .concat();
        let told = compare(&all);
        let [s1, s2] = &told.stations[..] else { panic!("{told:?}") };
        assert!(s1.passed.share < s2.passed.share, "by the plain yield S1 is worse");
        assert!(s1.ratio < Some(1.0) && s2.ratio > Some(1.0), "{told:?}");
        assert!(!s1.apart && !s2.apart, "and neither by more than chance: {told:?}");
        // By hand: GOOD failed 29 of 1000, BAD 105 of 1000.
        assert!((s1.expected - (100.0 * 0.029 + 900.0 * 0.105)).abs() < 1e-9);
        assert_eq!(s1.mean_ms, Some(2.0));
    }

    #[test]
    fn a_bad_station_stands_apart() {
        let all: Vec<AttemptTally> =
            [tally("S1", "A", 990, 10), tally("S2", "A", 985, 15), tally("S3", "A", 900, 100)].concat();
        let apart: Vec<bool> = compare(&all).stations.iter().map(|s| s.apart).collect();
        assert_eq!(apart, [true, true, true], "S3 is worse than the others, S1 and S2 better");
        let all: Vec<AttemptTally> = [tally("S1", "A", 990, 10), tally("S2", "A", 985, 15)].concat();
        assert!(compare(&all).stations.iter().all(|s| !s.apart));
    }

    #[test]
    fn what_ran_at_one_station_only_is_not_compared() {
        let all: Vec<AttemptTally> = [tally("S1", "A", 90, 10), tally("S2", "B", 99, 1)].concat();
        let told = compare(&all);
        assert!(!told.comparable && told.stations.iter().all(|s| s.ratio.is_none() && !s.apart), "{told:?}");
    }
}
