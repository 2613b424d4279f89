//! Which stations need somebody now, the worst first, and where to look.
//!
//! A station is held against the others in this shift and against its own day before, by the exact limits of a share
//! ([`decide::statistics::control`]): what chance explains is no trouble. Where it fails by a cause that others have as
//! often, what they share is at fault, the reel or its delivery; where they do not, its own fixture is.

use decide::statistics::control;
use line::floor::{Line, Setup, ShiftCount};
use serde::Serialize;
use time::{Duration, OffsetDateTime};
use utoipa::ToSchema;

use super::count::whole;

/// Failures below which nothing is said of a station. Common practice, no source.
const FAILURES: i64 = 3;
/// A share that nobody has to look at where nothing is known to hold it against. Common practice, no source.
const USUAL: f64 = 0.02;
/// Attempts from which a share is known well enough to hold another one against it.
const ENOUGH: i64 = 20;
/// How long a station with a plan may be without a unit.
const SILENT: Duration = Duration::minutes(30);

book::words! {
    /// What is wrong with a station.
    TroubleKind {
        /// It fails more than others, and than itself before.
        Failing = "failing",
        /// Its units take longer than its takt.
        Slow = "slow",
        /// It should give units and gives none.
        Silent = "silent",
    }
}

/// A station that needs somebody.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct StationTrouble {
    pub station: String,
    /// What is wrong.
    pub kind: TroubleKind,
    /// What was counted, as a sentence.
    pub words: String,
    /// Where to look, as a sentence.
    pub look_at: String,
    /// The cause that failed it most.
    pub cause: Option<String>,
    /// Failures of its attempts, 0 to 1: what the worst are sorted by.
    #[serde(skip)]
    share: f64,
}

fn share(failed: i64, all: i64) -> f64 {
    if all > 0 { failed as f64 / all as f64 } else { 0.0 }
}

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

/// Attempts and failures of all stations but one, in this shift.
fn elsewhere(all: &[(&str, &ShiftCount)], station: &str) -> (i64, i64) {
    all.iter()
        .filter(|(name, _)| *name != station)
        .fold((0, 0), |(n, k), (_, c)| (n + c.passed + c.failed, k + c.failed))
}

fn failing(line: &Line, all: &[(&str, &ShiftCount)], station: &str, count: &ShiftCount) -> Option<StationTrouble> {
    let n = count.passed + count.failed;
    if count.failed < FAILURES {
        return None;
    }
    let (others, others_failed) = elsewhere(all, station);
    let (before, before_failed) = line.before.get(station).copied().unwrap_or_default();
    let known = |all: i64, failed: i64| (all >= ENOUGH).then(|| share(failed, all));
    let (there, then) = (known(others, others_failed), known(before, before_failed));
    let usual = there.into_iter().chain(then).fold(USUAL, f64::max);
    let now = share(count.failed, n);
    if now <= usual || !control::exact(whole(n), usual).exclude(now) {
        return None;
    }
    let mut words = format!("{} of {n} attempts failed in this shift ({})", count.failed, percent(now));
    match (there, then) {
        (Some(there), _) => words += &format!("; {} at the other stations", percent(there)),
        (None, Some(then)) => words += &format!("; {} in the day before", percent(then)),
        (None, None) => {}
    }
    let most = count.by_cause.iter().max_by_key(|(_, failures)| **failures);
    if let Some((cause, failures)) = most {
        words += &format!(". Most often: {cause} ({failures} of {})", count.failed);
    }
    let theirs: i64 = most.map_or(0, |(cause, _)| {
        all.iter().filter(|(name, _)| *name != station).filter_map(|(_, c)| c.by_cause.get(cause)).sum()
    });
    let shared = most.is_some_and(|(_, mine)| theirs >= FAILURES && share(theirs, others) * 3.0 >= share(*mine, n));
    let look_at = if others < ENOUGH {
        "Compare it with another station, or put its chips into another fixture: that tells the fixture from the reel."
    } else if shared {
        "Other stations fail by this cause too: look at what they share, the reel and its delivery."
    } else {
        "Others do not fail by this cause: look at this station's own fixture, its contacts, its cable, its driver."
    };
    Some(StationTrouble {
        station: station.to_owned(),
        kind: TroubleKind::Failing,
        words: words + ".",
        look_at: look_at.to_owned(),
        cause: most.map(|(cause, _)| cause.clone()),
        share: now,
    })
}

fn slow(setup: &Setup, count: &ShiftCount) -> Option<StationTrouble> {
    let (takt, mean) = (setup.takt_seconds?, count.mean_ms? as f64 / 1000.0);
    (count.passed >= ENOUGH && mean > takt).then(|| StationTrouble {
        station: setup.station.clone(),
        kind: TroubleKind::Slow,
        words: format!("Units take {mean:.1} s on average, and the takt is {takt:.1} s."),
        look_at: "Its report shows which step takes longest.".into(),
        cause: None,
        share: mean / takt,
    })
}

fn silent(line: &Line, all: &[(&str, &ShiftCount)], setup: &Setup, now: OffsetDateTime) -> Option<StationTrouble> {
    let last = |count: &ShiftCount| count.last_at.is_some_and(|at| now - at < SILENT);
    let mine = all.iter().find(|(name, _)| *name == setup.station)?.1;
    // A whole line that rests is no station's trouble.
    let others = all.iter().any(|(name, count)| *name != setup.station && last(count));
    let worked = mine.last_at.is_some() || line.before.contains_key(&setup.station);
    (setup.per_hour > 0 && others && worked && !last(mine)).then(|| StationTrouble {
        station: setup.station.clone(),
        kind: TroubleKind::Silent,
        words: match &mine.last {
            Some(at) => format!("No unit since {at}; the plan is {} per hour.", setup.per_hour),
            None => format!("No unit in this shift; the plan is {} per hour.", setup.per_hour),
        },
        look_at: "See whether somebody works there, and whether it has chips and serial numbers.".into(),
        cause: None,
        share: 0.0,
    })
}

/// Stations that need somebody, the worst first: those that fail, then the slow ones, then the silent ones.
pub fn troubles(line: &Line, now: OffsetDateTime) -> Vec<StationTrouble> {
    let set_up = line.stations.iter().map(|(setup, count)| (setup.station.as_str(), count));
    let all: Vec<_> = set_up.chain(line.others.iter().map(|(name, count)| (name.as_str(), count))).collect();
    let mut out: Vec<_> = all.iter().filter_map(|(name, count)| failing(line, &all, name, count)).collect();
    out.sort_by(|a, b| b.share.total_cmp(&a.share));
    let mut rest: Vec<_> = line.stations.iter().filter_map(|(setup, count)| slow(setup, count)).collect();
    rest.sort_by(|a, b| b.share.total_cmp(&a.share));
    rest.extend(line.stations.iter().filter_map(|(setup, _)| silent(line, &all, setup, now)));
    out.extend(rest);
    out
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use time::macros::datetime;

    use super::*;

    const NOW: OffsetDateTime = datetime!(2026-03-02 10:00 UTC);

    fn count(passed: i64, causes: &[(&str, i64)], minutes_ago: i64) -> ShiftCount {
        ShiftCount {
            passed,
            failed: causes.iter().map(|(_, n)| n).sum(),
            mean_ms: Some(9_000),
            last: Some("then".into()),
            last_at: Some(NOW - Duration::minutes(minutes_ago)),
            by_cause: causes.iter().map(|(cause, n)| ((*cause).to_owned(), *n)).collect(),
            ..ShiftCount::default()
        }
    }

    fn setup(station: &str) -> Setup {
        Setup {
            station: station.into(),
            reel: "A".into(),
            source: "simulated:a".into(),
            serial_start: None,
            product_series: None,
            takt_seconds: Some(12.0),
            per_hour: 200,
            check_label: true,
            firmware: None,
        }
    }

    fn line(stations: Vec<(&str, ShiftCount)>) -> Line {
        Line {
            shift: String::new(),
            stations: stations.into_iter().map(|(name, count)| (setup(name), count)).collect(),
            others: Vec::new(),
            before: BTreeMap::new(),
            hours: Vec::new(),
            plan: 0,
            causes: Vec::new(),
            stock: Vec::new(),
        }
    }

    fn told(line: &Line) -> Vec<(String, TroubleKind)> {
        troubles(line, NOW).into_iter().map(|t| (t.station, t.kind)).collect()
    }

    #[test]
    fn a_station_that_fails_more_than_chance_explains_comes_first() {
        let mut now = line(vec![
            ("S1", count(98, &[("write", 2)], 1)),
            ("S2", count(42, &[("readback", 50), ("write", 8)], 1)),
            ("S3", count(97, &[("prove", 3)], 1)),
        ]);
        assert_eq!(told(&now), [("S2".into(), TroubleKind::Failing)]);
        let said = &troubles(&now, NOW)[0];
        assert!(said.words.contains("58 of 100") && said.words.contains("2.5 % at the other stations"), "{said:?}");
        assert!(said.words.contains("readback (50 of 58)") && said.look_at.contains("own fixture"), "{said:?}");
        // One of the command line counts like any other.
        now.others.push(("bench".into(), count(3, &[("write", 9)], 1)));
        assert_eq!(told(&now)[0], ("bench".into(), TroubleKind::Failing));
    }

    #[test]
    fn what_all_have_is_put_down_to_what_they_share() {
        let bad = || count(60, &[("dac-differs", 40)], 1);
        let mut all = line(vec![("S1", bad()), ("S2", bad()), ("S3", count(40, &[("dac-differs", 60)], 1))]);
        let said = troubles(&all, NOW);
        assert_eq!(said.len(), 1, "the others are as bad as one another: {said:?}");
        assert!(said[0].station == "S3" && said[0].look_at.contains("reel"), "{said:?}");
        // All are worse than themselves before, and none than the others: what they have now is usual for nobody.
        all.before = BTreeMap::from([("S3".into(), (500, 300))]);
        assert!(troubles(&all, NOW).is_empty(), "it was as bad before");
    }

    #[test]
    fn few_failures_slow_units_and_rest_are_told_apart() {
        assert!(told(&line(vec![("S1", count(3, &[("write", 2)], 1))])).is_empty(), "too few to say anything");
        let alone = line(vec![("S1", count(5, &[("write", 4)], 1))]);
        assert!(troubles(&alone, NOW)[0].look_at.contains("another station"));
        let mut slow = line(vec![("S1", count(50, &[], 1)), ("S2", count(50, &[], 45))]);
        slow.stations[0].1.mean_ms = Some(13_000);
        assert_eq!(told(&slow), [("S1".into(), TroubleKind::Slow), ("S2".into(), TroubleKind::Silent)]);
        slow.stations[0].1.last_at = Some(NOW - Duration::minutes(50));
        assert_eq!(told(&slow).len(), 1, "a line that rests is no station's trouble");
    }
}
