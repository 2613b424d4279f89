//! The same line once more, as discrete events.
//!
//! Units come one takt apart (or at random), take the station that is free
//! first, stay for one or several attempts of varying length, and stations
//! stop now and then. Nothing of the closed form is used, so that the two check
//! each other. The same seed gives the same line.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

use super::Request;
use super::line::{Line, Load};

/// Units of one simulation; larger plans are scaled from it.
const MOST_UNITS: u64 = 200_000;
/// Units that all repetitions of a small plan have together.
const LEAST_UNITS: u64 = 20_000;
/// Mean seconds of a station between two stops. An assumption; short stops are the usual ones.
const BETWEEN_STOPS_S: f64 = 600.0;

/// How units come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Arrivals {
    /// One takt apart.
    Paced(f64),
    /// At random, with that mean distance.
    Random(f64),
    /// All are there from the beginning.
    Waiting,
}

/// How long a station takes for one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Service {
    /// So many seconds an attempt, with a coefficient of variation (log-normal).
    Attempts {
        /// Mean seconds of one attempt.
        seconds: f64,
        /// Standard deviation by mean.
        variation: f64,
        /// Mean number of attempts (geometric).
        attempts: f64,
    },
    /// Exponential, with that mean.
    Exponential(f64),
}

/// A line of equal stations with one queue.
#[derive(Debug, Clone, Copy)]
pub struct Model {
    pub arrivals: Arrivals,
    /// How long they take.
    pub service: Service,
    pub stations: u64,
    /// Share of time in which a station is up.
    pub availability: f64,
}

/// What a run of a line came to.
#[derive(Debug, Clone, Copy, Default)]
pub struct Run {
    /// Seconds until the last unit left.
    pub last_s: f64,
    /// Mean seconds that a unit waited for a station.
    pub wait_s: f64,
    /// Longest such wait, seconds.
    pub longest_wait_s: f64,
    /// Seconds that stations were busy or stopped, together.
    pub busy_s: f64,
}

/// A time in the queue of free stations.
struct At(f64);

impl PartialEq for At {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}

impl Eq for At {}

impl PartialOrd for At {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for At {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.total_cmp(&other.0)
    }
}

fn exponential(rng: &mut fastrand::Rng, mean: f64) -> f64 {
    -mean * (1.0 - rng.f64()).ln()
}

impl Model {
    fn work(&self, rng: &mut fastrand::Rng) -> f64 {
        match self.service {
            Service::Exponential(mean) => exponential(rng, mean),
            Service::Attempts { seconds, variation, attempts } => {
                let again = 1.0 - 1.0 / attempts.max(1.0);
                let mut total = 0.0;
                loop {
                    total += seconds * spread(rng, variation);
                    if again <= 0.0 || rng.f64() >= again {
                        return total;
                    }
                }
            }
        }
    }

    /// Runs so many units through the line.
    pub fn run(&self, units: u64, rng: &mut fastrand::Rng) -> Run {
        let mut free: BinaryHeap<Reverse<At>> =
            (0..self.stations.min(units.max(1))).map(|_| Reverse(At(0.0))).collect();
        let down = BETWEEN_STOPS_S * (1.0 / self.availability - 1.0);
        let (mut out, mut came, mut waits) = (Run::default(), 0.0, 0.0);
        for unit in 0..units {
            match self.arrivals {
                Arrivals::Paced(takt) => came = unit as f64 * takt,
                Arrivals::Random(mean) => came += exponential(rng, mean),
                Arrivals::Waiting => {}
            }
            let Some(Reverse(At(first))) = free.pop() else { break };
            let begins = first.max(came);
            let mut takes = self.work(rng);
            if down > 0.0 {
                // Stops come at random while a station works.
                let mut until = exponential(rng, BETWEEN_STOPS_S);
                let work = takes;
                while until < work {
                    takes += exponential(rng, down);
                    until += exponential(rng, BETWEEN_STOPS_S);
                }
            }
            let ends = begins + takes;
            out.busy_s += takes;
            out.last_s = out.last_s.max(ends);
            waits += begins - came;
            out.longest_wait_s = out.longest_wait_s.max(begins - came);
            free.push(Reverse(At(ends)));
        }
        out.wait_s = waits / units.max(1) as f64;
        out
    }
}

/// A factor of mean 1 and that standard deviation, log-normal: never negative, now and then long.
fn spread(rng: &mut fastrand::Rng, variation: f64) -> f64 {
    if variation <= 0.0 {
        return 1.0;
    }
    let variance = (1.0 + variation * variation).ln();
    let z = Normal::standard().inverse_cdf(rng.f64().clamp(1e-12, 1.0 - 1e-12));
    (variance.sqrt() * z - variance / 2.0).exp()
}

/// The simulated line beside the closed form.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Simulated {
    /// Makes the same again.
    pub seed: u64,
    /// Units of one run.
    pub units: u64,
    pub runs: u64,
    /// Hours until the last unit leaves; scaled where the plan is larger than a run.
    pub hours_to_last: f64,
    /// Good units of the planned chips, on average.
    pub good: f64,
    /// Share of runs that met the target, where each run had all chips.
    pub met_target: Option<f64>,
    /// Share of the stations' time that was used.
    pub utilisation: f64,
    /// Mean seconds that a unit waited for a station.
    pub wait_seconds: f64,
    /// Hours by the closed form, until the last unit leaves.
    pub closed_form_hours: f64,
    /// How far the two are apart, as a share of the closed form.
    pub difference: f64,
}

pub(super) fn run(r: &Request, load: &Load, line: &Line, share: f64) -> Simulated {
    let units = load.chips.min(MOST_UNITS);
    let runs = (LEAST_UNITS / units.max(1)).clamp(1, 400);
    let paced = r.takt_s.map_or(Arrivals::Waiting, Arrivals::Paced);
    let model = Model {
        arrivals: paced,
        service: Service::Attempts { seconds: load.unit_s, variation: r.variation, attempts: load.attempts },
        stations: line.stations,
        availability: r.availability,
    };
    let mut rng = fastrand::Rng::with_seed(r.seed);
    let (mut last, mut busy, mut wait, mut good, mut met) = (0.0, 0.0, 0.0, 0u64, 0u64);
    for _ in 0..runs {
        let one = model.run(units, &mut rng);
        last += one.last_s;
        busy += one.busy_s;
        wait += one.wait_s;
        let passed = (0..units).filter(|_| rng.f64() < share).count() as u64;
        good += passed;
        met += u64::from(passed >= r.good);
    }
    let n = runs as f64;
    let whole = units == load.chips;
    let scale = load.chips as f64 / units as f64;
    let last_s = if whole { last / n } else { (last / n - line.station_seconds) * scale + line.station_seconds };
    let hours = last_s / 3600.0;
    Simulated {
        seed: r.seed,
        units,
        runs,
        hours_to_last: hours,
        good: good as f64 / n * scale,
        met_target: (whole && runs > 1).then(|| met as f64 / n),
        utilisation: busy / (last * line.stations.min(units).max(1) as f64),
        wait_seconds: wait / n,
        closed_form_hours: line.hours_to_last,
        difference: (hours - line.hours_to_last) / line.hours_to_last,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::queue::{wait_md1, wait_mmc};

    const UNITS: u64 = 400_000;

    fn wait(model: Model) -> f64 {
        model.run(UNITS, &mut fastrand::Rng::with_seed(7)).wait_s
    }

    fn near(got: f64, wanted: f64, what: &str) {
        assert!((got - wanted).abs() <= 0.05 * wanted, "{what}: {got:.4} is not within 5 % of {wanted:.4}");
    }

    /// The closed forms of queueing theory: M/D/1 (Pollaczek and Khinchine) and M/M/c (Erlang C).
    #[test]
    fn queues_agree_with_their_closed_forms() {
        for load in [0.3, 0.6, 0.8] {
            let fixed = Service::Attempts { seconds: 2.0, variation: 0.0, attempts: 1.0 };
            let model =
                Model { arrivals: Arrivals::Random(2.0 / load), service: fixed, stations: 1, availability: 1.0 };
            near(wait(model), wait_md1(load / 2.0, 2.0), &format!("M/D/1 at {load}"));
            for stations in [1, 2, 5] {
                let mean = 2.0 / (load * stations as f64);
                let model = Model {
                    arrivals: Arrivals::Random(mean),
                    service: Service::Exponential(2.0),
                    stations,
                    availability: 1.0,
                };
                near(wait(model), wait_mmc(stations, 1.0 / mean, 2.0), &format!("M/M/{stations} at {load}"));
            }
        }
    }

    #[test]
    fn times_have_the_mean_and_the_variation_that_were_asked() {
        let mut rng = fastrand::Rng::with_seed(3);
        let drawn: Vec<f64> = (0..200_000).map(|_| spread(&mut rng, 0.4)).collect();
        let mean = drawn.iter().sum::<f64>() / drawn.len() as f64;
        let sd = (drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / drawn.len() as f64).sqrt();
        assert!((mean - 1.0).abs() < 0.01 && (sd - 0.4).abs() < 0.01, "{mean} {sd}");
    }

    #[test]
    fn a_paced_line_with_air_makes_nobody_wait() {
        let fixed = Service::Attempts { seconds: 10.0, variation: 0.0, attempts: 1.0 };
        let model = Model { arrivals: Arrivals::Paced(5.0), service: fixed, stations: 2, availability: 1.0 };
        let run = model.run(1_000, &mut fastrand::Rng::with_seed(1));
        assert!(run.wait_s < 1e-9 && (run.last_s - (999.0 * 5.0 + 10.0)).abs() < 1e-6, "{run:?}");
    }
}
