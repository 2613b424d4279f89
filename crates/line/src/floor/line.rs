//! The line at a glance: stations' counts, hours, causes and stock.

use std::collections::BTreeMap;

use base::trouble::Trouble;
use book::ids::ProductName;
use serde::Serialize;
use site::Site;
use site::clock::{local, shift_start, zone};
use site::day::{AtStation, ByHour, OfCause};
use time::{Duration, OffsetDateTime};
use utoipa::ToSchema;

use super::{Setup, stations};

/// A station's counts in this shift.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub struct ShiftCount {
    /// Units that passed.
    pub passed: i64,
    /// Attempts that failed.
    pub failed: i64,
    /// First attempts with a verdict.
    pub first: i64,
    /// Of those, the ones that passed.
    pub first_passed: i64,
    /// Milliseconds of an attempt that passed, on average.
    pub mean_ms: Option<i64>,
    /// When the last attempt with a verdict ended.
    pub last: Option<String>,
    /// How often each cause failed it.
    #[serde(skip)]
    pub by_cause: BTreeMap<String, i64>,
    /// When the last attempt with a verdict ended, for counting.
    #[serde(skip)]
    pub last_at: Option<OffsetDateTime>,
}

impl ShiftCount {
    /// First-pass yield in percent.
    pub fn first_pass_percent(&self) -> Option<f64> {
        #[expect(clippy::cast_precision_loss, reason = "counts of a shift")]
        (self.first > 0).then(|| self.first_passed as f64 * 100.0 / self.first as f64)
    }
}

/// Counts of all stations from `from` to `now`.
pub fn counts(site: &Site, from: OffsetDateTime, now: OffsetDateTime) -> Result<BTreeMap<String, ShiftCount>, Trouble> {
    let by_station = site.day.counted(&site.book, from, now, |day| day.stations(from, now))?;
    Ok(told(site, by_station))
}

fn told(site: &Site, by_station: BTreeMap<String, AtStation>) -> BTreeMap<String, ShiftCount> {
    let told = |(station, s): (String, AtStation)| {
        let mean_ms = (s.passed > 0).then(|| s.passed_us / s.passed / 1000);
        let last = s.last.map(|last| local(site, last));
        let AtStation { passed, failed, first, first_passed, causes: by_cause, last: last_at, .. } = s;
        (station, ShiftCount { passed, failed, first, first_passed, mean_ms, last, by_cause, last_at })
    };
    by_station.into_iter().map(told).collect()
}

/// One hour's output.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = LineHour)]
pub struct Hour {
    /// As `14:00`, by the site's clock.
    pub hour: String,
    /// Passed.
    pub passed: i64,
    /// Failed.
    pub failed: i64,
}

/// A cause of failures.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = LineCause)]
pub struct Cause {
    /// Its name.
    pub cause: String,
    /// Failures.
    pub failures: i64,
    /// Units they happened to.
    pub units: i64,
    /// Of all failures so far down the list, in percent.
    pub running_percent: f64,
}

/// A product's credentials.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = LineStock)]
pub struct Stock {
    /// The product.
    pub product: String,
    /// Whether it is a test product.
    pub test: bool,
    /// Free for their chips.
    pub available: i64,
    /// Chips without a credential.
    pub without: i64,
    /// Units that passed since the day began, whatever became of them then.
    pub passed_today: i64,
    /// Units an hour at today's pace.
    pub per_hour: Option<f64>,
    /// When it ends at that pace, by the site's clock.
    pub ends: Option<String>,
    /// Working hours until then.
    pub hours_left: Option<f64>,
}

/// The line at a glance.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Line {
    /// When this shift began.
    pub shift: String,
    /// Stations that were set up, with their counts.
    pub stations: Vec<(Setup, ShiftCount)>,
    /// Stations that were run from the command line in this shift and are not set up, with their counts.
    pub others: Vec<(String, ShiftCount)>,
    /// Attempts with a verdict, and failures of them, of each station in the day before this shift.
    #[serde(skip)]
    pub before: BTreeMap<String, (i64, i64)>,
    /// The last twelve hours, oldest first; hours without output too.
    pub hours: Vec<Hour>,
    /// Units an hour that the stations should give together; 0 where nobody says.
    pub plan: i64,
    /// Causes in this shift, most frequent first.
    pub causes: Vec<Cause>,
    /// Stock by product.
    pub stock: Vec<Stock>,
}

/// The line at a glance.
pub fn line(site: &Site, now: OffsetDateTime) -> Result<Line, Trouble> {
    let (zone, shift) = (zone(site)?, shift_start(site, now)?);
    let midnight = zone.midnight(zone.here(now).date());
    let twelve = moment(now.unix_timestamp().div_euclid(3600) * 3600 - 11 * 3600, now);
    // One look, so that all of it is of one moment.
    let day_before = now - Duration::days(1);
    let (by_station, before, failed, hourly, worked, passed) =
        site.day.counted(&site.book, shift.min(midnight).min(twelve).min(day_before), now, |day| {
            let (hourly, worked) = (day.hours(twelve, now), day.hours(midnight, now));
            let before = day.stations(day_before, shift - Duration::MINUTE);
            (day.stations(shift, now), before, day.causes(shift, now), hourly, worked, day.products(midnight, now))
        })?;
    let before = before.into_iter().map(|(station, s)| (station, (s.passed + s.failed, s.failed))).collect();
    let mut by_station = told(site, by_station);
    let stations: Vec<_> = stations(site)?
        .into_iter()
        .map(|setup| {
            let count = by_station.remove(&setup.station).unwrap_or_default();
            (setup, count)
        })
        .collect();
    let plan = stations.iter().map(|(s, _)| s.per_hour).sum();
    Ok(Line {
        shift: local(site, shift),
        stations,
        others: by_station.into_iter().collect(),
        before,
        hours: hours(zone.here(twelve), &hourly),
        plan,
        causes: causes(failed),
        stock: stock(site, now, &worked, &passed)?,
    })
}

fn causes(causes: Vec<OfCause>) -> Vec<Cause> {
    let all: i64 = causes.iter().map(|c| c.failures).sum();
    let mut running = 0;
    let told = causes.into_iter().map(|c| {
        running += c.failures;
        #[expect(clippy::cast_precision_loss, reason = "counts of a shift")]
        let running_percent = running as f64 * 100.0 / all.max(1) as f64;
        Cause { cause: c.cause, failures: c.failures, units: c.units, running_percent }
    });
    told.collect()
}

/// Twelve hours from `first` on, by its clock; `counted` by the second in which an hour begins.
fn hours(first: OffsetDateTime, counted: &ByHour) -> Vec<Hour> {
    let hour = |n: i64| {
        let here = first + Duration::hours(n);
        let (passed, failed) = counted.get(&here.unix_timestamp()).copied().unwrap_or_default();
        Hour { hour: format!("{:02}:{:02}", here.hour(), here.minute()), passed, failed }
    };
    (0..12).map(hour).collect()
}

/// A moment within a day of `now`.
fn moment(seconds: i64, now: OffsetDateTime) -> OffsetDateTime {
    OffsetDateTime::from_unix_timestamp(seconds).unwrap_or(now)
}

/// - `worked`: what today's hours gave; `passed`: units that passed today.
fn stock(
    site: &Site,
    now: OffsetDateTime,
    worked: &ByHour,
    passed: &BTreeMap<ProductName, i64>,
) -> Result<Vec<Stock>, Trouble> {
    // Hours that gave anything; the last one counts by its minutes.
    #[expect(clippy::cast_precision_loss, reason = "hours of a day")]
    let worked_hours = worked.last_key_value().map_or(0.0, |(last, _)| {
        let before = worked.len() - 1;
        before as f64 + ((now - moment(*last, now)).as_seconds_f64() / 3600.0).clamp(1.0 / 60.0, 1.0)
    });
    // What is left is counted, not what went: the page costs the same however much did.
    let (in_stock, short) = (site.book.stock()?, site.book.short_reels()?);
    let mut out: Vec<Stock> = Vec::new();
    for product in site.book.products()? {
        let name = &product.facts.name;
        let mut stock = Stock {
            product: name.to_string(),
            test: product.facts.purpose == book::Purpose::Test,
            available: in_stock.iter().filter(|s| s.product == *name).map(|s| s.available).sum(),
            without: short.iter().filter(|s| s.product == *name).map(|s| s.without).sum(),
            passed_today: passed.get(name).copied().unwrap_or(0),
            per_hour: None,
            ends: None,
            hours_left: None,
        };
        #[expect(clippy::cast_precision_loss, reason = "counts of a day")]
        if stock.passed_today > 0 && worked_hours > 0.0 {
            let pace = stock.passed_today as f64 / worked_hours;
            let left = stock.available as f64 / pace;
            stock.per_hour = Some(pace);
            stock.hours_left = Some(left);
            stock.ends = (left < 24.0 * 3650.0).then(|| local(site, now + Duration::seconds_f64(left * 3600.0)));
        }
        out.push(stock);
    }
    Ok(out)
}
