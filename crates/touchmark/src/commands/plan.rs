//! `touchmark plan`: chips, credentials, stations, hours, and when to order again.

use std::io::{self, Write};
use std::path::PathBuf;

use decide::part::Part;
use decide::part::page::time_words;
use decide::plan::page::{hours_words, percent};
use decide::plan::{Past, Planned, Request, page, plan, step};
use print::chart::grouped;

use crate::commands::at_site::Place;
use crate::commands::paper::PaperArgs;
use crate::commands::words::{many, row};
use crate::output::{Exit, Failure, Output};

/// Plan chips, credentials, stations and hours for a number of good units
///
/// Needs no site. The number of chips is the smallest that meets the target at the confidence, by exact binomial
/// tails. With --reel, --product or --from-site, the site's own past replaces what is not given.
#[derive(Debug, clap::Args)]
pub struct PlanArgs {
    /// Good units wanted
    #[arg(long, value_name = "N")]
    good: u64,
    /// Share of chips that end in a good unit, such as 0.985 or 98.5%
    #[arg(long = "yield", value_name = "P", allow_negative_numbers = true, value_parser = share_typed)]
    share: Option<f64>,
    /// Yield of one step, such as "solder=0.998"; may be repeated, yields multiply
    #[arg(long = "step", value_name = "NAME=P")]
    steps: Vec<String>,
    /// Probability of meeting the target, such as 0.95 or 95%
    #[arg(long, value_name = "C", default_value_t = 0.95, allow_negative_numbers = true, value_parser = share_typed)]
    confidence: f64,
    /// Chips to add to what the confidence requires
    #[arg(long, value_name = "N", default_value_t = 0)]
    spares: u64,
    /// Seconds from one unit's start to the next's
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    takt: Option<f64>,
    /// Seconds of a station for one unit, handling included; default: from the past or the model
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    unit_seconds: Option<f64>,
    /// Seconds of handling that the model adds to the chip's time
    #[arg(long, value_name = "S", default_value_t = 8.0, allow_negative_numbers = true)]
    handling: f64,
    /// Attempts that a chip takes on average
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    attempts: Option<f64>,
    /// Standard deviation of a unit's time, as a share of its mean
    #[arg(long, value_name = "CV", default_value_t = 0.0, allow_negative_numbers = true)]
    variation: f64,
    /// Share of time in which a station is up
    #[arg(long, value_name = "P", default_value_t = 1.0, allow_negative_numbers = true)]
    availability: f64,
    /// Number of stations; default: as many as the takt requires
    #[arg(long, value_name = "N")]
    stations: Option<u64>,
    /// Working hours of a shift
    #[arg(long, value_name = "H", default_value_t = 8.0, allow_negative_numbers = true)]
    shift_hours: f64,
    /// Shifts per day
    #[arg(long, value_name = "N", default_value_t = 1.0, allow_negative_numbers = true)]
    shifts_per_day: f64,
    /// Working days per week
    #[arg(long, value_name = "N", default_value_t = 5.0, allow_negative_numbers = true)]
    days_per_week: f64,
    /// Chips on one reel; orders are whole reels
    #[arg(long, value_name = "N")]
    reel_chips: Option<u64>,
    /// Smallest order of chips
    #[arg(long, value_name = "N", default_value_t = 0)]
    chip_lot: u64,
    /// Smallest order of credentials
    #[arg(long, value_name = "N", default_value_t = 0)]
    credential_lot: u64,
    /// Calendar days from ordering chips to having them
    #[arg(long, value_name = "DAYS", default_value_t = 0.0, allow_negative_numbers = true)]
    chip_days: f64,
    /// Calendar days from ordering credentials to having them; they wait for the chips' manifest
    #[arg(long, value_name = "DAYS", default_value_t = 0.0, allow_negative_numbers = true)]
    credential_days: f64,
    /// Chips with credentials in stock
    #[arg(long, value_name = "N")]
    stock: Option<u64>,
    /// Good units of the past, to learn a yield from
    #[arg(long, value_name = "N", requires = "past_lost")]
    past_good: Option<u64>,
    /// Lost units of the past, see --past-good
    #[arg(long, value_name = "N", requires = "past_good")]
    past_lost: Option<u64>,
    /// Use the past of this reel of the site
    #[arg(long, value_name = "ID", conflicts_with_all = ["product", "past_good"])]
    reel: Option<String>,
    /// Use the past of this product of the site, its objects and its factory record
    #[arg(long, value_name = "NAME", conflicts_with = "past_good")]
    product: Option<String>,
    /// Use the past of the whole site
    #[arg(long, conflicts_with_all = ["reel", "product", "past_good"])]
    from_site: bool,
    /// Part file, or the name of a built-in part
    #[arg(long, value_name = "FILE")]
    part: Option<PathBuf>,
    /// Bus clock in hertz; default: the part's fastest
    #[arg(long, value_name = "HZ")]
    bus_hz: Option<u32>,
    /// Use the part's protected bus
    #[arg(long)]
    protected_bus: bool,
    /// Seed of the simulated line
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    #[command(flatten)]
    paper: PaperArgs,
}

/// A share on the command line.
fn share_typed(text: &str) -> Result<f64, String> {
    decide::plan::share(text).map_err(|e| format!("{e}: write 0.985 or 98.5%"))
}

/// Runs the command.
pub fn run(args: PlanArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let mut request = Request {
        share_good: args.share,
        steps: args.steps.iter().map(|s| step(s)).collect::<Result<_, _>>()?,
        past: args.past_good.zip(args.past_lost).map(|(good, lost)| Past::counted(good, lost)),
        confidence: args.confidence,
        spare_chips: args.spares,
        takt_s: args.takt,
        unit_s: args.unit_seconds,
        handling_s: args.handling,
        attempts: args.attempts,
        variation: args.variation,
        availability: args.availability,
        stations: args.stations,
        shift_hours: args.shift_hours,
        shifts_per_day: args.shifts_per_day,
        days_per_week: args.days_per_week,
        reel_chips: args.reel_chips,
        least_lots: (args.chip_lot, args.credential_lot),
        lead_days: (args.chip_days, args.credential_days),
        stock: args.stock,
        bus_hz: args.bus_hz,
        protected: args.protected_bus,
        seed: args.seed,
        ..Request::new(args.good)?
    };
    if let Some(given) = &args.part {
        request.part = Part::named(given)?;
    }
    let mut above = "touchmark plan".to_owned();
    if args.reel.is_some() || args.product.is_some() || args.from_site {
        let site = place.open()?;
        request.learn(&site, args.reel.as_deref(), args.product.as_deref())?;
        above = site.settings.site.name.clone();
    }
    if request.share_good.is_none() && request.steps.is_empty() && request.past.is_none() {
        return Err(Failure::usage(
            "There is no yield to plan with.",
            "Give --yield 0.985, --step NAME=SHARE, --past-good with --past-lost, or --reel, --product or --from-site.",
        ));
    }
    let planned = plan(&request)?;
    let now = place.who()?.now();
    let written = if args.paper.is_wanted() {
        args.paper.write(page::document(&planned, &request, &format!("{above} · {now}")))?
    } else {
        Vec::new()
    };
    output.show(&planned, |w| tell(w, &planned, &written))?;
    Ok(Exit::Done)
}

fn tell(w: &mut dyn Write, plan: &Planned, written: &[String]) -> io::Result<()> {
    writeln!(
        w,
        "{} at {}: start {}.",
        many(plan.good, "good unit"),
        percent(plan.confidence),
        many(plan.chips, "chip")
    )?;
    row(w, "chips", &grouped(plan.chips))?;
    row(w, "credentials", &grouped(plan.credentials))?;
    row(w, "stations", &plan.stations.to_string())?;
    let shifts = format!("{}, {}", many(plan.line.shifts, "shift"), many(plan.line.days, "working day"));
    row(w, "hours", &format!("{} ({shifts})", hours_words(plan.hours)))?;
    row(w, "yield", &format!("{:.4} %, {}", plan.yielded.share * 100.0, plan.yielded.source))?;
    let less = plan.probability_with_one_less * 100.0;
    row(w, "sure", &format!("{:.4} %; with one chip fewer {less:.4} %", plan.probability * 100.0))?;
    if let Some((mean, sd)) = plan.until_good_mean {
        row(w, "until the last good", &format!("{mean:.1} chips on average, standard deviation {sd:.1}"))?;
    }
    for sure in &plan.until_good {
        row(w, &format!("  sure at {}", percent(sure.confidence)), &grouped(sure.chips))?;
    }
    writeln!(w, "\nOrder")?;
    let reels = plan.order.reels.map_or(String::new(), |n| format!(" ({})", many(n, "reel")));
    row(w, "chips", &format!("{}{reels}", grouped(plan.order.chips)))?;
    row(w, "credentials", &grouped(plan.order.credentials))?;
    if plan.order.lead_days > 0.0 {
        row(
            w,
            "before the start",
            &format!("{} days; certificates wait for the chips' manifest", plan.order.lead_days),
        )?;
        row(w, "again when left", &many(plan.stock.reorder_at, "chip"))?;
    }
    if let Some(days) = plan.stock.days_until_reorder {
        row(w, "again in", &format!("{days:.1} days"))?;
    }
    writeln!(w, "\nOne unit: {} at its station, {}", time_words(plan.time.unit_seconds * 1000.0), plan.time.source)?;
    let clock = decide::part::page::clock_words(plan.time.bus_hz);
    for s in &plan.time.steps {
        let mut parts = Vec::new();
        for (ms, what) in [
            (s.bus_ms, format!("{} on the bus", many(s.bus_octets, "byte"))),
            (s.gap_ms, many(s.exchanges, "exchange")),
            (s.protection_ms, "protection".to_owned()),
            (s.write_ms, many(s.pages, "page")),
            (s.fetch_ms, "fetching".to_owned()),
            (s.sign_ms, "signing".to_owned()),
            (s.other_ms, "other".to_owned()),
        ] {
            if ms > 0.0 {
                parts.push(format!("{what} {ms:.1}"));
            }
        }
        row(w, &s.name, &format!("{:>8.1} ms: {}", s.total_ms, parts.join(", ")))?;
    }
    row(w, "chip and bus", &format!("{:>8.1} ms, {} at {clock}", plan.time.chip_seconds * 1000.0, plan.time.part))?;
    row(w, "all else", &format!("{:>8.1} ms", plan.time.other_seconds * 1000.0))?;
    writeln!(w, "\nLine: a unit every {:.2} s, {} busy", plan.line.pace_seconds, percent(plan.line.utilisation))?;
    let s = &plan.simulated;
    row(
        w,
        "simulated",
        &format!(
            "the last unit leaves after {}, the closed form says {} ({:+.1} %)",
            hours_words(s.hours_to_last),
            hours_words(s.closed_form_hours),
            s.difference * 100.0
        ),
    )?;
    let most = |name: &Option<String>| name.clone().unwrap_or_else(|| "nothing".into());
    row(w, "matters most", &format!("for chips: {}", most(&plan.sensitivity.most_for_chips)))?;
    row(w, "", &format!("for hours: {}", most(&plan.sensitivity.most_for_hours)))?;
    if let Some(past) = &plan.past {
        let chips = past.chips.map_or(String::new(), |n| format!("; by itself it needs {}", many(n, "chip")));
        let counts = format!("{} good, {} lost, {} undecided", past.good, past.lost, past.open);
        row(w, "the past", &format!("{}: {counts}{chips}", past.source))?;
        for step in &past.steps {
            let model = step.model_ms.map_or(String::new(), |ms| format!(", by the model {ms:.1}"));
            let done = step.share.map_or("–".into(), percent);
            row(w, &format!("  {}", step.name), &format!("done {done}, {:.1} ms{model}", step.mean_ms))?;
        }
    }
    writeln!(w, "\nAssumed")?;
    for assumption in &plan.assumptions {
        writeln!(w, "  {assumption}")?;
    }
    for warning in &plan.warnings {
        writeln!(w, "warning: {warning}")?;
    }
    for file in written {
        writeln!(w, "written: {file}")?;
    }
    Ok(())
}
