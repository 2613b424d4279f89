//! `touchmark report`: yields, causes, times, stations of a reel, a day, an order, a product.

use std::io::{self, Write};

use decide::part::page::time_words;
use decide::plan::page::percent;
use print::chart::grouped;
use report::page::share_words;
use report::{Report, Request, Scope, length, page, report, shown};
use site::clock::Zone;
use time::format_description::well_known::Rfc3339;
use time::macros::format_description;
use time::{Date, Duration, OffsetDateTime, PrimitiveDateTime};

use crate::commands::at_site::Place;
use crate::commands::paper::PaperArgs;
use crate::commands::words::row;
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Report yields, causes, times and stations
///
/// Covers a reel, a product, an order or everything, for all time, a day or a period. For "What was the worst hour
/// of last week, and why?" run `touchmark report --last-week --worst-hour`.
#[derive(Debug, clap::Args)]
pub struct ReportArgs {
    /// Units with chips of this reel
    #[arg(long, value_name = "ID", conflicts_with_all = ["product", "order"])]
    reel: Option<String>,
    /// Units of this product
    #[arg(long, value_name = "NAME", conflicts_with = "order")]
    product: Option<String>,
    /// Units with credentials of this order: its file's name, or REEL/NUMBER
    #[arg(long, value_name = "ORDER")]
    order: Option<String>,
    /// Attempts of this station only
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
    /// Attempts of this day, such as 2026-03-02
    #[arg(long, value_name = "DATE", conflicts_with_all = ["from", "to", "last_week"])]
    day: Option<String>,
    /// Attempts that ended at or after this time: a date, or a time such as 2026-03-02T06:00
    #[arg(long, value_name = "TIME", conflicts_with = "last_week")]
    from: Option<String>,
    /// Attempts that ended before this time
    #[arg(long, value_name = "TIME", conflicts_with = "last_week")]
    to: Option<String>,
    /// Attempts of the last seven days
    #[arg(long)]
    last_week: bool,
    /// Show the worst hour and what was different in it
    #[arg(long)]
    worst_hour: bool,
    /// Zone of days and hours, such as Europe/Lisbon or +02:00; default: that of the site (pages.zone)
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true)]
    zone: Option<String>,
    /// Interval of changes over time: minute, hour, shift, day, week, or a number of minutes
    #[arg(long, value_name = "LENGTH")]
    every: Option<String>,
    #[command(flatten)]
    paper: PaperArgs,
}

fn zone(text: &str) -> Result<Zone, Failure> {
    let odd = || {
        let advice = "Give a name such as Europe/Lisbon, or an offset from UTC such as +02:00 or -03:30.";
        Failure::usage(format!("{text:?} is not a zone"), advice)
    };
    Zone::read(text).ok_or_else(odd)
}

/// A date (its midnight), a time without a zone (the site's), or RFC 3339.
fn moment(text: &str, zone: Zone) -> Result<OffsetDateTime, Failure> {
    if let Ok(at) = OffsetDateTime::parse(text, &Rfc3339) {
        return Ok(at);
    }
    let minutes = format_description!("[year]-[month]-[day]T[hour]:[minute]");
    let seconds = format_description!("[year]-[month]-[day]T[hour]:[minute]:[second]");
    let spaced = text.replacen(' ', "T", 1);
    if let Ok(at) = PrimitiveDateTime::parse(&spaced, minutes).or_else(|_| PrimitiveDateTime::parse(&spaced, seconds)) {
        return Ok(zone.moment(at));
    }
    date(text).map(|day| zone.midnight(day))
}

fn date(text: &str) -> Result<Date, Failure> {
    Date::parse(text, format_description!("[year]-[month]-[day]")).map_err(|_| {
        Failure::usage(
            format!("{text:?} is not a day or time"),
            "Give 2026-03-02, 2026-03-02T06:00 or 2026-03-02T06:00:00+01:00.",
        )
    })
}

/// Runs the command.
pub fn run(args: ReportArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let now = OffsetDateTime::now_utc();
    let site = place.open()?;
    let zone = args.zone.as_deref().map_or_else(|| Ok(site::clock::zone(&site)?), zone)?;
    let scope = match (&args.reel, &args.product, &args.order) {
        (Some(reel), _, _) => Scope::Reel(reel.clone()),
        (None, Some(product), _) => Scope::Product(product.clone()),
        (None, None, Some(order)) => Scope::Order(order.clone()),
        (None, None, None) => Scope::Site,
    };
    let mut request = Request {
        station: args.station.clone(),
        zone: zone.offset_at(now),
        every: args.every.as_deref().map(length).transpose()?,
        worst_hour: args.worst_hour,
        ..Request::of(scope)
    };
    if let Some(day) = &args.day {
        let day = date(day)?;
        let next = day.next_day().unwrap_or(day);
        (request.from, request.to) = (Some(zone.midnight(day)), Some(zone.midnight(next)));
    } else if args.last_week {
        (request.from, request.to) = (Some(now - Duration::WEEK), Some(now));
    } else {
        request.from = args.from.as_deref().map(|t| moment(t, zone)).transpose()?;
        request.to = args.to.as_deref().map(|t| moment(t, zone)).transpose()?;
    }
    // One clock for the whole report: that of its beginning.
    request.zone = zone.offset_at(request.from.unwrap_or(now));
    let told = watched(output, "attempts and steps", |course| report(&site, &request, now, course))?;
    let written = if args.paper.is_wanted() { args.paper.write(page::document(&told))? } else { Vec::new() };
    output.show(&told, |w| tell(w, &told, &request, &written))?;
    Ok(Exit::Done)
}

fn tell(w: &mut dyn Write, report: &Report, request: &Request, written: &[String]) -> io::Result<()> {
    let test = if report.test { " TEST" } else { "" };
    writeln!(w, "{}: {}{test}", report.site, report.subject)?;
    writeln!(w, "{}", report.period_words)?;
    report.notes.iter().try_for_each(|note| writeln!(w, "{note}"))?;
    if let Some(worst) = &report.worst_hour {
        writeln!(w, "\nThe worst hour: {}", worst.words)?;
        for sentence in &worst.because {
            writeln!(w, "  {sentence}")?;
        }
    } else if request.worst_hour {
        writeln!(w, "\nNo worst hour: no attempt failed.")?;
    }
    if let Some(order) = &report.order {
        writeln!(w, "\nOrder {} of {}: {} certificates requested", order.file, order.written, order.chips)?;
        for (delivery, certificates) in &order.deliveries {
            row(w, &format!("delivery {delivery}"), &format!("{certificates} certificates"))?;
        }
    }
    let y = &report.yields;
    writeln!(w, "\nYields (95 % interval)")?;
    row(w, "first pass", &format!("{}: {} of {}", share_words(&y.first_pass), y.first_pass.good, y.first_pass.all))?;
    row(w, "final", &format!("{}: {} of {} begun", share_words(&y.last), y.last.good, y.last.all))?;
    let [passed, failed, scrapped, open, returned] = y.units.map(grouped);
    row(
        w,
        "units",
        &format!("{passed} passed, {returned} returned, {scrapped} scrapped, {failed} failed, {open} open"),
    )?;
    let [passed, failed, interrupted] = y.attempts.map(grouped);
    row(w, "attempts", &format!("{passed} passed, {failed} failed, {interrupted} interrupted"))?;
    writeln!(w, "\nCauses (running share)")?;
    if report.causes.is_empty() {
        writeln!(w, "  no attempt failed")?;
    }
    for cause in &report.causes {
        let gave_up = if cause.scrapped > 0 { format!(", {} gave up the unit", cause.scrapped) } else { String::new() };
        row(w, &cause.cause, &format!("{:>6}  {:>7}{gave_up}", grouped(cause.failures), percent(cause.running_share)))?;
    }
    writeln!(w, "\nSteps (median, 95th percentile, longest)")?;
    for step in &report.steps {
        let times = [step.median_ms, step.p95_ms, step.longest_ms].map(time_words).join(", ");
        row(w, &step.name, &format!("{times}; done {}", step.done.share.map_or("–".into(), percent)))?;
    }
    let control = &report.control;
    writeln!(
        w,
        "\nOver time: {} of {} min, {} outside their limits, average {}",
        if control.points.len() == 1 { "1 interval".into() } else { format!("{} intervals", control.points.len()) },
        control.every_seconds / 60,
        control.out,
        percent(control.average)
    )?;
    for point in control.points.iter().filter(|p| p.out) {
        row(
            w,
            &point.shown,
            &format!(
                "{} of {} failed ({}); limits {} to {}",
                point.failed,
                point.attempts,
                percent(point.share),
                percent(point.limits.low),
                percent(point.limits.high)
            ),
        )?;
    }
    writeln!(w, "\nStations (failed against expected)")?;
    for station in &report.stations.stations {
        let fair = station.ratio.zip(station.ratio_interval).map_or("not comparable".to_owned(), |(ratio, range)| {
            let apart = if station.apart { ", stands apart" } else { "" };
            format!(
                "{} against {:.1}: {ratio:.2} ({:.2} to {:.2}){apart}",
                station.failed, station.expected, range.low, range.high
            )
        });
        row(w, &station.station, &format!("passed {}; {fair}", share_words(&station.passed)))?;
    }
    if !report.stations.comparable && report.stations.stations.len() > 1 {
        writeln!(w, "  No reel ran at two stations: a difference may come from the reel.")?;
    }
    if let Some((_, last)) = &report.period {
        let made =
            OffsetDateTime::parse(&report.made, &Rfc3339).map_or(report.made.clone(), |at| shown(at, request.zone));
        writeln!(w, "\nLast attempt {last}; made {made}")?;
    }
    writeln!(w, "Log: {} entries, head {}", grouped(report.log.entries), report.log.root)?;
    for file in written {
        writeln!(w, "written: {file}")?;
    }
    Ok(())
}
