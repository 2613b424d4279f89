//! Yields, causes and change over time, from tallies.

use base::course::Course;
use base::trouble::Trouble;
use book::{AttemptResult, AttemptTally, CauseTally, Next, UnitFilter, UnitState};
use decide::statistics::interval::Range;
use decide::statistics::{control as limits, wilson};
use serde::Serialize;
use site::Site;
use time::{Duration, OffsetDateTime, UtcOffset};

/// A share with its 95 % interval (Wilson).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    pub good: u64,
    pub all: u64,
    /// The share; none of none.
    pub share: Option<f64>,
    pub interval: Option<Range>,
}

impl Share {
    /// So many good of so many.
    pub fn of(good: u64, all: u64) -> Self {
        let share = (all > 0).then(|| good as f64 / all as f64);
        Self { good, all, share, interval: wilson(good, all, 0.95) }
    }
}

/// Yields.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Yields {
    /// Units that passed at their first attempt, of first attempts that passed or failed.
    pub first_pass: Share,
    /// Units that passed in the end, returned ones too, of all units that were begun.
    pub last: Share,
    /// Units by state: passed, failed, scrapped, open, returned.
    pub units: [u64; 5],
    /// Attempts that passed, failed, were interrupted.
    pub attempts: [u64; 3],
}

pub(super) fn whole(n: i64) -> u64 {
    u64::try_from(n).unwrap_or(0)
}

/// Units by state: passed, failed, scrapped, open, returned.
pub(super) fn units(site: &Site, filter: &UnitFilter, course: &Course) -> Result<[u64; 5], Trouble> {
    let mut units = [0; 5];
    let states = [UnitState::Passed, UnitState::Failed, UnitState::Scrapped, UnitState::Open, UnitState::Returned];
    for (slot, state) in units.iter_mut().zip(states) {
        course.go_on()?;
        *slot = whole(site.book.count_units(&UnitFilter { state: Some(state), ..filter.clone() })?);
    }
    Ok(units)
}

pub(super) fn yields(units: [u64; 5], tallies: &[AttemptTally]) -> Yields {
    let count = |first: Option<bool>, result: AttemptResult| -> u64 {
        let chosen = tallies.iter().filter(|t| t.result == result && first.is_none_or(|f| f == t.first));
        chosen.map(|t| whole(t.attempts)).sum()
    };
    let (passed, failed) = (AttemptResult::Passed, AttemptResult::Failed);
    let first = count(Some(true), passed);
    let [passed_units, .., returned] = units;
    Yields {
        first_pass: Share::of(first, first + count(Some(true), failed)),
        last: Share::of(passed_units + returned, units.iter().sum()),
        units,
        attempts: [count(None, passed), count(None, failed), count(None, AttemptResult::Interrupted)],
    }
}

/// Failures of one cause.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cause {
    pub cause: String,
    pub failures: u64,
    /// Of them, how many gave the unit up.
    pub scrapped: u64,
    /// Share of all failures.
    pub share: f64,
    /// With all more frequent causes.
    pub running_share: f64,
}

pub(super) fn causes(tallies: &[CauseTally]) -> Vec<Cause> {
    let mut out: Vec<Cause> = Vec::new();
    for tally in tallies {
        let index = out.iter().position(|c| c.cause == tally.cause).unwrap_or_else(|| {
            out.push(Cause { cause: tally.cause.clone(), failures: 0, scrapped: 0, share: 0.0, running_share: 0.0 });
            out.len() - 1
        });
        out[index].failures += whole(tally.failures);
        out[index].scrapped += if tally.next == Next::Scrap { whole(tally.failures) } else { 0 };
    }
    out.sort_by(|a, b| b.failures.cmp(&a.failures).then_with(|| a.cause.cmp(&b.cause)));
    let total: u64 = out.iter().map(|c| c.failures).sum();
    let mut running = 0;
    for cause in &mut out {
        running += cause.failures;
        cause.share = cause.failures as f64 / total.max(1) as f64;
        cause.running_share = running as f64 / total.max(1) as f64;
    }
    out
}

/// One stretch of time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Point {
    /// When it begins, RFC 3339.
    pub begins: String,
    /// The same in the zone.
    pub shown: String,
    pub name: String,
    /// Attempts that passed or failed.
    pub attempts: u64,
    pub failed: u64,
    pub share: f64,
    pub limits: limits::Limits,
    /// Whether it lies outside.
    pub out: bool,
}

/// Share of failed attempts over time, within control limits (a p-chart).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Control {
    /// Seconds of one stretch.
    pub every_seconds: i64,
    /// Share that failed altogether.
    pub average: f64,
    /// Stretches with an attempt, in order.
    pub points: Vec<Point>,
    /// Stretches outside their limits.
    pub out: u64,
}

/// Attempts that passed or failed, and those that failed, of each stretch.
pub(super) fn by_stretch(tallies: &[AttemptTally]) -> Vec<(OffsetDateTime, u64, u64)> {
    let mut out: Vec<(OffsetDateTime, u64, u64)> = Vec::new();
    for tally in tallies.iter().filter(|t| t.result != AttemptResult::Interrupted) {
        let index = match out.binary_search_by_key(&tally.begins, |(begins, ..)| *begins) {
            Ok(index) => index,
            Err(index) => {
                out.insert(index, (tally.begins, 0, 0));
                index
            }
        };
        out[index].1 += whole(tally.attempts);
        out[index].2 += if tally.result == AttemptResult::Failed { whole(tally.attempts) } else { 0 };
    }
    out
}

pub(super) fn control(tallies: &[AttemptTally], every: Duration, zone: UtcOffset) -> Control {
    let stretches = by_stretch(tallies);
    let (all, failed) = stretches.iter().fold((0, 0), |(a, f), (_, n, k)| (a + n, f + k));
    let average = if all > 0 { failed as f64 / all as f64 } else { 0.0 };
    let days = every >= Duration::DAY;
    let date_of = |at: Option<&(OffsetDateTime, u64, u64)>| at.map(|(begins, ..)| begins.to_offset(zone).date());
    let one_day = date_of(stretches.first()) == date_of(stretches.last());
    let points: Vec<Point> = stretches
        .iter()
        .map(|(begins, attempts, failed)| {
            let local = begins.to_offset(zone);
            let share = *failed as f64 / *attempts as f64;
            let limits = limits::limits(*attempts, average);
            let date = format!("{:02}-{:02}", u8::from(local.month()), local.day());
            let name = match (days, one_day) {
                (true, _) => date,
                (false, true) => format!("{:02}:{:02}", local.hour(), local.minute()),
                (false, false) => format!("{date} {:02}:{:02}", local.hour(), local.minute()),
            };
            Point {
                begins: base::times::time_text(*begins),
                shown: super::shown(*begins, zone),
                name,
                attempts: *attempts,
                failed: *failed,
                share,
                limits,
                out: limits.exclude(share),
            }
        })
        .collect();
    Control {
        every_seconds: every.whole_seconds(),
        average,
        out: points.iter().filter(|p| p.out).count() as u64,
        points,
    }
}
