//! Plan: how many chips and credentials to order, stations, hours, when to order again.
//!
//! Needs no site; with one, the past's counts and times can stand in for
//! assumptions ([`past`]). Everything is computed from one [`Request`]: chips by
//! exact tails ([`crate::statistics::binomial`]), the line in closed form
//! ([`mod@line`]) and once more as a simulated one ([`simulate`]), which must agree.
//! [`page`] makes a page of the answer.

mod check;
pub mod line;
pub mod order;
pub mod page;
pub mod past;
pub mod sensitivity;
pub mod simulate;
mod words;

use base::trouble::Trouble;
pub use line::Line;
pub use order::{Order, Stock};
pub use past::Past;
use serde::Serialize;
use site::Site;

use crate::fit::needs;
use crate::fit::needs::Needs;
use crate::part::Part;
use crate::part::time::{Clocked, Step, Work, total};
use crate::statistics::Successes;

/// Most good units of one plan.
pub const MOST_GOOD: u64 = 100_000_000;
/// Most chips of one plan.
const MOST_CHIPS: u64 = 1_000_000_000_000;
/// Most chips where the yield is learned: the tails are then as wide as the number itself.
const MOST_LEARNED: u64 = 20_000_000;
/// Units of the past below which a yield can't be learned.
const LEAST_PAST: u64 = 30;

/// What to plan. Times in seconds, shares from 0 to 1.
#[derive(Debug, Clone)]
pub struct Request {
    pub good: u64,
    /// Share of chips that end in a good unit; multiplied with the steps'.
    pub share_good: Option<f64>,
    /// Shares of single steps, by name.
    pub steps: Vec<(String, f64)>,
    /// What the past says; counts where no share is given.
    pub past: Option<Past>,
    /// Probability with which the target is to be met.
    pub confidence: f64,
    /// Chips kept beside what the confidence asks.
    pub spare_chips: u64,
    /// Seconds from one unit's start to the next's; none: as fast as the stations go.
    pub takt_s: Option<f64>,
    /// Seconds of a station for one attempt, handling counted; none: from the past or the model.
    pub unit_s: Option<f64>,
    /// Seconds of handling in the model.
    pub handling_s: f64,
    /// Attempts a chip takes on average; none: from the past, else 1.
    pub attempts: Option<f64>,
    /// Standard deviation of an attempt's time by its mean.
    pub variation: f64,
    /// Share of time in which a station is up.
    pub availability: f64,
    /// Stations there are; none: as many as the takt asks.
    pub stations: Option<u64>,
    /// Working hours of a shift.
    pub shift_hours: f64,
    pub shifts_per_day: f64,
    /// Working days a week.
    pub days_per_week: f64,
    /// Chips on one reel; orders are whole reels.
    pub reel_chips: Option<u64>,
    /// Fewest chips of one order, and fewest credentials.
    pub least_lots: (u64, u64),
    /// Calendar days from order to arrival, of chips and of credentials.
    pub lead_days: (f64, f64),
    /// Chips with their credentials that are there already.
    pub stock: Option<u64>,
    /// The part, its clock (none: its fastest), whether its protected bus is used.
    pub part: Part,
    /// Bus clock, hertz; none: the fastest.
    pub bus_hz: Option<u32>,
    /// Whether the protected bus is used.
    pub protected: bool,
    /// What is written; none: what the standard lets a product ask at most.
    pub needs: Option<Needs>,
    /// Makes the simulated line the same again.
    pub seed: u64,
}

/// A share as people type it: `0.985`, or `98.5 %`.
///
/// # Errors
///
/// [`Trouble`] where it is no number.
pub fn share(text: &str) -> Result<f64, Trouble> {
    let (digits, unit) = text.trim().strip_suffix('%').map_or((text.trim(), 1.0), |t| (t.trim_end(), 100.0));
    // Half the world writes a comma; a share has no thousands that it could divide.
    digits
        .replace(',', ".")
        .parse::<f64>()
        .ok()
        .filter(|n| n.is_finite())
        .map(|n| n / unit)
        .ok_or_else(|| Trouble::usage(format!("{text:?} is not a share"), "Give it as 0.985 or as 98.5 %."))
}

/// The yield of one step as people type it: `solder=0.998`.
///
/// # Errors
///
/// [`Trouble`] where it is none.
pub fn step(text: &str) -> Result<(String, f64), Trouble> {
    let wrong = || {
        Trouble::usage(
            format!("{text:?} is not a step with a yield"),
            "Write a step as NAME=SHARE, for instance solder=0.998.",
        )
    };
    let (name, share) = text.rsplit_once('=').ok_or_else(wrong)?;
    let share = self::share(share).map_err(|_| wrong())?;
    if name.trim().is_empty() { Err(wrong()) } else { Ok((name.trim().to_owned(), share)) }
}

impl Request {
    /// Takes up a site's past, and what the product writes: of a reel, of a product, or of all.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where there is no such reel or product.
    pub fn learn(&mut self, site: &Site, reel: Option<&str>, product: Option<&str>) -> Result<(), Trouble> {
        self.past = Some(Past::of_site(site, reel, product)?);
        let of_reel = || -> Result<Option<String>, Trouble> {
            reel.map(|reel| Ok(receive::reel::get(site, reel)?.facts.product.to_string())).transpose()
        };
        let product = product.map_or_else(of_reel, |name| Ok(Some(name.to_owned())))?;
        self.needs = product.map(|name| needs::of_product(site, &name)).transpose()?;
        Ok(())
    }

    /// A request with everything at its usual value.
    ///
    /// # Errors
    ///
    /// Where the built-in part can't be read; a fault of this program.
    pub fn new(good: u64) -> Result<Self, Trouble> {
        Ok(Self {
            good,
            share_good: None,
            steps: Vec::new(),
            past: None,
            confidence: 0.95,
            spare_chips: 0,
            takt_s: None,
            unit_s: None,
            handling_s: 8.0,
            attempts: None,
            variation: 0.0,
            availability: 1.0,
            stations: None,
            shift_hours: 8.0,
            shifts_per_day: 1.0,
            days_per_week: 5.0,
            reel_chips: None,
            least_lots: (0, 0),
            lead_days: (0.0, 0.0),
            stock: None,
            part: Part::example("QL-S1")?,
            bus_hz: None,
            protected: false,
            needs: None,
            seed: 1,
        })
    }
}

/// How sure one can be of a number of chips.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sure {
    /// Probability that the target is met.
    pub confidence: f64,
    /// Chips that it takes.
    pub chips: u64,
}

/// The yield that was planned with.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Yield {
    /// Share of chips that end in a good unit.
    pub share: f64,
    /// Where it comes from.
    pub source: String,
    pub steps: Vec<(String, f64)>,
}

/// Where the seconds of a unit go.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UnitTime {
    /// Seconds of one attempt at a station.
    pub unit_seconds: f64,
    /// Where that number comes from.
    pub source: String,
    /// Seconds that the chip and its bus account for in the model.
    pub chip_seconds: f64,
    /// Seconds that are neither chip nor bus: hands, fixture, record.
    pub other_seconds: f64,
    /// The part, its clock in hertz, and whether its protected bus is used.
    pub part: String,
    /// Bus clock, hertz; 0 for none.
    pub bus_hz: u32,
    /// Whether the bus is protected.
    pub protected: bool,
    /// Every step of the chip's part.
    pub steps: Vec<Step>,
}

/// A plan.
#[derive(Debug, Clone, Serialize)]
pub struct Planned {
    /// Chips to start: the smallest number with which the target is met at the confidence.
    pub chips: u64,
    /// Credentials for them: one each.
    pub credentials: u64,
    pub stations: u64,
    /// Hours of line time.
    pub hours: f64,
    pub good: u64,
    /// Probability with which the target is to be met.
    pub confidence: f64,
    /// Probability with which these chips meet it.
    pub probability: f64,
    /// The same with one chip less.
    pub probability_with_one_less: f64,
    #[serde(rename = "yield")]
    pub yielded: Yield,
    /// Chips used up until the last good unit, as confidence grows (negative binomial).
    pub until_good: Vec<Sure>,
    /// Mean and standard deviation of that number; none where the yield is learned.
    pub until_good_mean: Option<(f64, f64)>,
    /// The past's counts, where they were asked for, with what they alone would ask.
    pub past: Option<past::Told>,
    pub order: Order,
    /// Stock and when to order again.
    pub stock: Stock,
    /// Where a unit's time goes.
    pub time: UnitTime,
    pub line: Line,
    /// The same line, simulated.
    pub simulated: simulate::Simulated,
    /// What each number swings.
    pub sensitivity: sensitivity::Sensitivity,
    pub assumptions: Vec<String>,
    /// What to look at.
    pub warnings: Vec<String>,
}

fn refuse<T>(input: &'static str, what: impl Into<String>, advice: impl Into<String>) -> Result<T, Trouble> {
    Err(Trouble::usage(what, advice).about(input))
}

fn yielded(r: &Request) -> Result<(Successes, Yield), Trouble> {
    let product: f64 = r.steps.iter().map(|(_, p)| p).product();
    if r.share_good.is_some() || !r.steps.is_empty() {
        let p = r.share_good.unwrap_or(1.0) * product;
        let source = match (r.share_good, r.steps.len()) {
            (Some(_), 0) => "as given".to_owned(),
            (Some(_), n) => format!("as given, with {n} steps"),
            (None, n) => format!("product of {n} steps"),
        };
        return Ok((Successes::Known { p }, Yield { share: p, source, steps: r.steps.clone() }));
    }
    let Some(past) = &r.past else {
        return refuse(
            "yield",
            "there is no yield to plan with",
            "Give the yield, yields of single steps, or a past to learn it from: its good and lost units, or a reel or product of a site.",
        );
    };
    let all = past.good + past.lost;
    if all < LEAST_PAST || past.good == 0 {
        return refuse(
            "yield",
            format!(
                "the past has {} good and {} lost units; that is too few to learn a yield from",
                past.good, past.lost
            ),
            format!("Give the yield, or a past of {LEAST_PAST} decided units and more."),
        );
    }
    let successes = Successes::learned(past.good, past.lost);
    let source = format!(
        "learned from {} good and {} lost units {} (Beta-binomial, Jeffreys' prior)",
        past.good, past.lost, past.source
    );
    Ok((successes, Yield { share: successes.mean(), source, steps: Vec::new() }))
}

/// The smallest number of chips, or why there is none.
fn chips(successes: Successes, good: u64, confidence: f64) -> Result<u64, Trouble> {
    let learned = matches!(successes, Successes::Learned { .. });
    let most = if learned { MOST_LEARNED } else { MOST_CHIPS };
    let expected = good as f64 / successes.mean();
    let found = if expected > most as f64 { None } else { successes.needed(good, confidence, most) };
    found.ok_or_else(|| {
        Trouble::usage(
            format!("that would take more than {} chips", print::chart::grouped(most)),
            "Check the yield; if it is this low, fix the process first. A plan learned from the past needs more chips than one with a given yield.",
        )
        .about("yield")
    })
}

fn unit_time(r: &Request, needs: &Needs) -> UnitTime {
    let hertz = r.bus_hz.unwrap_or_else(|| r.part.clocks()[0]);
    let clocked = Clocked { part: &r.part, hertz, protected: r.protected };
    let sizes = needs.sizes();
    let steps = clocked.unit(&Work { objects: &sizes, message: needs.message, lock: needs.lock });
    let chip_seconds = total(&steps) / 1000.0;
    let past = r.past.as_ref().and_then(|p| p.attempt_seconds);
    let (unit_seconds, source) = match (r.unit_s, past) {
        (Some(s), _) => (s, "as given".to_owned()),
        (None, Some(s)) => (s + r.handling_s, "steps of the past, and handling".to_owned()),
        (None, None) => (chip_seconds + r.handling_s, "the model, and handling".to_owned()),
    };
    UnitTime {
        unit_seconds,
        source,
        chip_seconds,
        other_seconds: (unit_seconds - chip_seconds).max(0.0),
        part: r.part.part.name.clone(),
        bus_hz: hertz,
        protected: r.protected,
        steps,
    }
}

/// Plans.
///
/// # Errors
///
/// [`Trouble`] where a number can't be, with what to give instead. Nothing is changed anywhere.
pub fn plan(request: &Request) -> Result<Planned, Trouble> {
    check::check(request)?;
    let r = request;
    let (successes, yielded) = yielded(r)?;
    let chips_needed = chips(successes, r.good, r.confidence)?;
    let tails = successes.tails(chips_needed, r.good);
    let one_less = successes.tails(chips_needed - 1, r.good);
    let mut until_good = Vec::new();
    for confidence in [0.5, 0.9, 0.95, 0.99, 0.999, 0.9999] {
        if let Ok(chips) = chips(successes, r.good, confidence) {
            until_good.push(Sure { confidence, chips });
        }
    }
    let until_good_mean = match successes {
        Successes::Known { p } => Some((r.good as f64 / p, (r.good as f64 * (1.0 - p)).sqrt() / p)),
        Successes::Learned { .. } => None,
    };
    let needs = match &r.needs {
        Some(needs) => needs.clone(),
        None => needs::at_most()?,
    };
    let time = unit_time(r, &needs);
    let attempts = r.attempts.or_else(|| r.past.as_ref().and_then(|p| p.attempts_per_chip)).unwrap_or(1.0);
    let load = line::Load { chips: chips_needed, unit_s: time.unit_seconds, attempts };
    let line = line::line(r, &load);
    let order = order::order(r, chips_needed, yielded.share);
    let stock = order::stock(r, &line, successes, chips_needed)?;
    let simulated = simulate::run(r, &load, &line, yielded.share);
    let sensitivity = sensitivity::of(r, successes, chips_needed, &load, &line)?;
    let past = r.past.as_ref().map(|past| past.told(r.good, r.confidence, &time.steps));
    Ok(Planned {
        chips: chips_needed,
        credentials: chips_needed,
        stations: line.stations,
        hours: line.hours,
        good: r.good,
        confidence: r.confidence,
        probability: tails.at_least,
        probability_with_one_less: one_less.at_least,
        until_good,
        until_good_mean,
        past,
        assumptions: words::assumptions(r, &needs, &time),
        warnings: words::warnings(r, &yielded, &time, &line, &order),
        yielded,
        order,
        stock,
        time,
        line,
        simulated,
        sensitivity,
    })
}

#[cfg(test)]
mod tests {
    use super::{share, step};

    #[test]
    fn shares_as_people_type_them() {
        for (text, value) in [
            ("0.95", 0.95),
            ("95%", 0.95),
            (" 98.5 % ", 0.985),
            ("98,5%", 0.985),
            ("0,95", 0.95),
            ("1", 1.0),
            ("95", 95.0),
        ] {
            assert!((share(text).unwrap() - value).abs() < 1e-12, "{text}");
        }
        for text in ["", "%", "ninety", "NaN", "0,9,5", "inf%"] {
            assert!(share(text).is_err(), "{text}");
        }
        assert_eq!(step("solder = 99.8 %").unwrap().0, "solder");
        assert!(step("=0.9").is_err() && step("solder").is_err());
    }
}
