//! Report: yields, causes, times, change over time and stations of a reel, a day, an order, a product.
//!
//! Start at [`report`]; [`page`] makes a document of what it returns. Counting
//! is the book's; what counts tell is [`decide::statistics`]'. Nothing is written.

pub mod count;
pub mod meetings;
pub mod page;
pub mod scope;
pub mod stations;
pub mod times;
pub mod trouble;
pub mod worst;

use answer::account;
use base::course::{Course, Phase, or_stopped};
use base::trouble::Trouble;
use book::{Purpose, ReelCount, Stretch, Tallies, UnitFilter};
pub use count::{Cause, Control, Yields};
pub use meetings::Meetings;
pub use scope::{OrderFacts, Scope, orders};
use serde::Serialize;
use site::Site;
pub use stations::Stations;
use time::{Duration, OffsetDateTime, UtcOffset};
pub use times::StepTimes;
pub use worst::Worst;

/// What to report on.
#[derive(Debug, Clone)]
pub struct Request {
    pub scope: Scope,
    /// Attempts that ended at or after this moment.
    pub from: Option<OffsetDateTime>,
    /// Attempts that ended before this moment.
    pub to: Option<OffsetDateTime>,
    /// Attempts of this station alone.
    pub station: Option<String>,
    /// The zone whose days and hours count, and in which times are shown.
    pub zone: UtcOffset,
    /// Length of the stretches over time; none: chosen by the period.
    pub every: Option<Duration>,
    /// Whether the worst hour is wanted.
    pub worst_hour: bool,
}

impl Request {
    /// Everything of a scope, in UTC.
    pub fn of(scope: Scope) -> Self {
        Self { scope, from: None, to: None, station: None, zone: UtcOffset::UTC, every: None, worst_hour: false }
    }
}

/// A length of stretches as people type it: minute, hour, shift, day, week, or a number of minutes.
///
/// # Errors
///
/// [`Trouble`] where it is none.
pub fn length(text: &str) -> Result<Duration, Trouble> {
    match text {
        "minute" => Ok(Duration::MINUTE),
        "hour" => Ok(Duration::HOUR),
        "shift" => Ok(Duration::hours(8)),
        "day" => Ok(Duration::DAY),
        "week" => Ok(Duration::WEEK),
        number => {
            number.parse::<u32>().ok().filter(|n| *n > 0).map(|n| Duration::minutes(i64::from(n))).ok_or_else(|| {
                Trouble::usage(
                    format!("{text:?} is not an interval"),
                    "Give minute, hour, shift, day, week or a number of minutes.",
                )
            })
        }
    }
}

/// The log when the report was made.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Head {
    pub entries: u64,
    /// Root of their tree, hex.
    pub root: String,
}

/// Chips and credentials of a reel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stock {
    /// Chips received, and of them blank, held, provisioned, scrapped.
    pub chips: [i64; 5],
    /// Credentials received, and of them available, reserved, installed, spent, revoked.
    pub credentials: [i64; 6],
}

impl Stock {
    fn of(count: &ReelCount) -> Self {
        let (c, k) = (&count.chips, &count.credentials);
        Self {
            chips: [c.received, c.blank, c.held, c.provisioned, c.scrapped],
            credentials: [k.received, k.available, k.reserved, k.installed, k.spent, k.revoked],
        }
    }
}

/// A report.
#[derive(Debug, Clone, Serialize)]
pub struct Report {
    pub site: String,
    /// What it is on, in words.
    pub subject: String,
    /// When it was made.
    pub made: String,
    /// First and last attempt in it.
    pub period: Option<(String, String)>,
    /// The period in words, in the zone asked for.
    pub period_words: String,
    /// Whether test products are in it.
    pub test: bool,
    pub yields: Yields,
    /// Failures by cause, most frequent first.
    pub causes: Vec<Cause>,
    /// Time of each step.
    pub steps: Vec<StepTimes>,
    pub control: Control,
    pub stations: Stations,
    /// The worst hour, where it was asked for and anything failed.
    pub worst_hour: Option<Worst>,
    /// Meetings of finished units; none where there was no meeting.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meetings: Option<Meetings>,
    /// The reel's chips and credentials, for a report on one.
    pub stock: Option<Stock>,
    /// The order, for a report on one.
    pub order: Option<OrderFacts>,
    /// What the numbers do not say: sentences.
    pub notes: Vec<String>,
    pub log: Head,
}

/// Microseconds of an hour.
pub const HOUR: i64 = 3_600_000_000;

fn stretch(length: Duration, zone: UtcOffset) -> Stretch {
    let micros = i64::try_from(length.whole_microseconds()).unwrap_or(i64::MAX / 4).max(1);
    Stretch { micros, ahead: i64::from(zone.whole_seconds()) * 1_000_000 }
}

/// A length that cuts a period into some dozens of stretches: from a minute to a week.
fn chosen(between: Option<(OffsetDateTime, OffsetDateTime)>) -> Duration {
    let span = between.map_or(Duration::HOUR, |(from, to)| to - from);
    const MOST: i32 = 60;
    [1, 5, 15, 60, 4 * 60, 8 * 60, 24 * 60, 7 * 24 * 60]
        .into_iter()
        .map(Duration::minutes)
        .find(|length| *length * MOST >= span)
        .unwrap_or(Duration::weeks(4))
}

/// A moment in the zone, as people read it: `2026-03-02 06:00`.
pub fn shown(at: OffsetDateTime, zone: UtcOffset) -> String {
    let at = at.to_offset(zone);
    format!("{} {:02}:{:02}", at.date(), at.hour(), at.minute())
}

/// A zone's offset: `+02:00`, or `UTC`.
pub fn zone_text(zone: UtcOffset) -> String {
    if zone.is_utc() {
        return "UTC".into();
    }
    let (hours, minutes, _) = zone.as_hms();
    format!("{}{:02}:{:02}", if zone.is_negative() { '-' } else { '+' }, hours.abs(), minutes.abs())
}

/// How many attempts and steps will be looked at, as far as units and some attempts tell beforehand.
fn expected(tallies: &Tallies<'_>, units: &[u64; 5], worst_hour: bool) -> Result<u64, Trouble> {
    let units: u64 = units.iter().sum();
    let (sampled, steps) = tallies.sampled_steps()?;
    let steps = units.saturating_mul(steps).checked_div(sampled).unwrap_or(0);
    Ok(units * if worst_hour { 2 } else { 1 } + steps)
}

/// Reports.
///
/// - `course`: counts attempts and steps, of about so many; it can be stopped at any moment, on a server between
///   two of its answers.
///
/// # Errors
///
/// [`Trouble`] where there is no such reel, product, order or station, the
/// period is none, the book gave no answer, or it was stopped.
pub fn report(site: &Site, request: &Request, now: OffsetDateTime, course: &Course) -> Result<Report, Trouble> {
    if let (Some(from), Some(to)) = (request.from, request.to)
        && from >= to
    {
        return Err(Trouble::usage("the period ends before it begins", "Give a beginning before the end.").about("to"));
    }
    if request.every.is_some_and(|d| d < Duration::MINUTE || d > Duration::days(366)) {
        return Err(Trouble::usage(
            "intervals of this length can't be counted",
            "Give a minute to a year with --every.",
        ));
    }
    let found = scope::find(site, request)?;
    let filter = &found.filter;
    let between = site.book.attempts_between(filter)?;
    let zone = request.zone;
    let length = request.every.unwrap_or_else(|| chosen(between));
    course.phase(Phase::Counting, None);
    let units = count::units(site, filter, course)?;
    let passing = |rows| {
        course.advance(rows);
        course.go_on().is_ok()
    };
    let tallies = site.book.tallies(filter, &passing);
    course.phase(Phase::Counting, Some(expected(&tallies, &units, request.worst_hour)?));
    let attempts = or_stopped(tallies.attempts(stretch(length, zone)))?;
    let causes = or_stopped(tallies.causes(stretch(length, zone)))?;
    let bins = or_stopped(tallies.steps())?;
    let worst_hour = if request.worst_hour { worst::find(&tallies, zone)? } else { None };
    let stock = match &request.scope {
        Scope::Reel(_) | Scope::Order(_) => match &filter.reel {
            Some(reel) => site.book.count_reel(reel)?.as_ref().map(Stock::of),
            None => None,
        },
        _ => None,
    };
    let head = site.book.head()?;
    let period_words = match (request.from, request.to, between) {
        (Some(from), Some(to), _) => format!("{} to {} {}", shown(from, zone), shown(to, zone), zone_text(zone)),
        (_, _, Some((first, last))) => {
            let (first, last) = (request.from.unwrap_or(first), request.to.unwrap_or(last));
            format!("{} to {} {}", shown(first, zone), shown(last, zone), zone_text(zone))
        }
        (Some(from), None, None) => format!("from {} {}", shown(from, zone), zone_text(zone)),
        (None, Some(to), None) => format!("until {} {}", shown(to, zone), zone_text(zone)),
        (None, None, None) => "no attempt yet".into(),
    };
    Ok(Report {
        site: site.settings.site.name.clone(),
        subject: found.subject,
        made: base::times::time_text(now),
        period: between.map(|(a, b)| (base::times::time_text(a), base::times::time_text(b))),
        period_words,
        test: has_test(site, filter, &attempts)?,
        yields: count::yields(units, &attempts),
        causes: count::causes(&causes),
        steps: times::of(&bins),
        control: count::control(&attempts, length, zone),
        stations: stations::compare(&attempts),
        worst_hour,
        meetings: Meetings::of(&site.book.tally_meetings(filter)?),
        stock,
        order: found.order,
        notes: account::notes(site, filter.reel.as_ref())?,
        log: Head { entries: head.size, root: hex::encode(head.root) },
    })
}

fn has_test(site: &Site, filter: &UnitFilter, attempts: &[book::AttemptTally]) -> Result<bool, Trouble> {
    let reel = match &filter.reel {
        Some(reel) => site.book.reel(reel)?.map(|r| r.facts.product),
        None => None,
    };
    for product in site.book.products()? {
        let name = &product.facts.name;
        let in_it = filter.product.as_ref() == Some(name)
            || reel.as_ref() == Some(name)
            || attempts.iter().any(|t| t.product == *name);
        if in_it && product.facts.purpose == Purpose::Test {
            return Ok(true);
        }
    }
    Ok(false)
}

#[cfg(test)]
mod tests {
    use time::macros::datetime;

    use super::*;

    #[test]
    fn stretches_suit_the_period() {
        let from = datetime!(2026-03-02 06:00 UTC);
        for (hours, minutes) in [(0.01, 1), (1.0, 1), (8.0, 15), (24.0, 60), (24.0 * 7.0, 240), (24.0 * 60.0, 1_440)] {
            let to = from + Duration::seconds_f64(hours * 3600.0);
            assert_eq!(chosen(Some((from, to))), Duration::minutes(minutes), "{hours} h");
        }
    }

    #[test]
    fn times_are_shown_in_their_zone() {
        let zone = UtcOffset::from_hms(-3, -30, 0).unwrap();
        assert_eq!(shown(datetime!(2026-03-02 02:10 UTC), zone), "2026-03-01 22:40");
        assert_eq!((zone_text(zone).as_str(), zone_text(UtcOffset::UTC).as_str()), ("-03:30", "UTC"));
    }
}
