//! Plans: chips, credentials, stations and hours for a number of good units.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use base::Trouble;
use base::trouble::About as _;
use decide::part::{EXAMPLES, Part};
use decide::plan;
use decide::plan::{Past, Request};
use receive::reel;
use site::product;

use super::given;
use crate::answer::{Oops, page};
use crate::app::App;
use crate::form::Form;
use crate::frame::Frame;
use crate::guard::Person;

/// What is to be made, and how: values by the name of their field.
type Asked = BTreeMap<String, String>;

/// Fields that stand apart until one of them is used.
const FURTHER: &[&str] = &[
    "steps",
    "past_good",
    "past_lost",
    "chip_lot",
    "credential_lot",
    "part",
    "bus_hz",
    "protected_bus",
    "attempts",
    "variation",
    "availability",
    "handling",
    "stations",
    "shifts_per_day",
    "days_per_week",
    "reel_chips",
    "spares",
    "stock",
    "chip_days",
    "credential_days",
];

#[derive(Template)]
#[template(path = "plan.html")]
struct PlanPage {
    frame: Frame,
    asked: Asked,
    /// Reels and products whose past a yield can be learned from: value, words.
    pasts: Vec<(String, String)>,
    /// Parts that come with the program.
    parts: Vec<&'static str>,
    shown: Option<(String, String)>,
}

impl PlanPage {
    fn of(&self, name: &str) -> &str {
        self.asked.get(name).map_or("", String::as_str)
    }

    fn further(&self, form: &Form) -> bool {
        form.touched(FURTHER) || FURTHER.iter().any(|name| given(self.of(name)).is_some())
    }
}

/// The number in a field, where one was typed.
fn number<T: std::str::FromStr>(asked: &Asked, name: &'static str) -> Result<Option<T>, Trouble> {
    let typed = asked.get(name).and_then(|text| given(text));
    let read = |text: &str| {
        let refused = || Trouble::usage(format!("{text:?} is not such a number"), "Give it in digits, as 12 or 0.985.");
        text.parse().map_err(|_| refused().about(name))
    };
    typed.map(read).transpose()
}

/// The text of a field, where one was typed.
fn text<'a>(asked: &'a Asked, name: &str) -> Option<&'a str> {
    asked.get(name).and_then(|text| given(text))
}

/// The share in a field: `0.95`, or `95 %`.
fn share(asked: &Asked, name: &'static str) -> Result<Option<f64>, Trouble> {
    text(asked, name).map(plan::share).transpose().about(name)
}

/// Yields of steps, as `solder=0.998, test=0.99`.
fn steps(asked: &Asked) -> Result<Vec<(String, f64)>, Trouble> {
    let apart = text(asked, "steps").unwrap_or_default().split([',', ';']).map(str::trim).filter(|s| !s.is_empty());
    apart.map(plan::step).collect::<Result<_, _>>().about("steps")
}

/// Counts of a past elsewhere.
fn counted(asked: &Asked) -> Result<Option<Past>, Trouble> {
    match (number(asked, "past_good")?, number(asked, "past_lost")?) {
        (Some(good), Some(lost)) => Ok(Some(Past::counted(good, lost))),
        (None, None) => Ok(None),
        (good, _) => Err(Trouble::usage("half of a past was given", "Give good and lost units, or neither.")
            .about(if good.is_some() { "past_lost" } else { "past_good" })),
    }
}

/// Learns from the past that was chosen, as the command does from --reel, --product and --from-site.
fn learn(app: &App, asked: &Asked, request: &mut Request) -> Result<(), Trouble> {
    let Some(chosen) = text(asked, "past") else { return Ok(()) };
    if request.past.is_some() {
        let twice = "a past was chosen, and counts of another were typed";
        return Err(Trouble::usage(twice, "Leave one of them empty.").about("past"));
    }
    match chosen.split_once(':') {
        Some(("reel", reel)) => request.learn(&app.site, Some(reel), None),
        Some(("product", product)) => request.learn(&app.site, None, Some(product)),
        _ if chosen == "site" => request.learn(&app.site, None, None),
        _ => Err(Trouble::usage(format!("{chosen:?} is not a past"), "Choose one of the list.")),
    }
    .about("past")
}

fn request(app: &App, asked: &Asked) -> Result<Request, Trouble> {
    let plain = Request::new(number(asked, "good")?.unwrap_or(0))?;
    let or = |name, usual: f64| number(asked, name).map(|n| n.unwrap_or(usual));
    let lot = |name| number(asked, name).map(|n| n.unwrap_or(0));
    let mut request = Request {
        share_good: share(asked, "yield")?,
        steps: steps(asked)?,
        past: counted(asked)?,
        confidence: share(asked, "confidence")?.unwrap_or(plain.confidence),
        takt_s: number(asked, "takt")?,
        unit_s: number(asked, "unit_seconds")?,
        shift_hours: or("shift_hours", plain.shift_hours)?,
        attempts: number(asked, "attempts")?,
        variation: or("variation", plain.variation)?,
        availability: share(asked, "availability")?.unwrap_or(plain.availability),
        handling_s: or("handling", plain.handling_s)?,
        stations: number(asked, "stations")?,
        shifts_per_day: or("shifts_per_day", plain.shifts_per_day)?,
        days_per_week: or("days_per_week", plain.days_per_week)?,
        reel_chips: number(asked, "reel_chips")?,
        least_lots: (lot("chip_lot")?, lot("credential_lot")?),
        spare_chips: number(asked, "spares")?.unwrap_or(plain.spare_chips),
        stock: number(asked, "stock")?,
        lead_days: (or("chip_days", plain.lead_days.0)?, or("credential_days", plain.lead_days.1)?),
        bus_hz: number(asked, "bus_hz")?,
        protected: asked.contains_key("protected_bus"),
        ..plain
    };
    if let Some(name) = text(asked, "part") {
        request.part = Part::example(name).about("part")?;
    }
    learn(app, asked, &mut request)?;
    Ok(request)
}

/// `GET /plan`: the form, and the plan where a number was given.
///
/// # Errors
///
/// Where the numbers make no sense.
pub async fn show(State(app): State<App>, person: Person, Query(asked): Query<Asked>) -> Result<Response, Oops> {
    let (wanted, now) = (asked.clone(), app.who(&person).now());
    let (pasts, shown) = app
        .work(move |app| {
            let reels = reel::choices(&app.site)?.into_iter();
            let mut pasts: Vec<_> = reels.map(|r| (format!("reel:{}", r.reel), format!("reel {}", r.reel))).collect();
            let products = product::list(&app.site)?.into_iter();
            pasts.extend(products.map(|p| (format!("product:{}", p.name), format!("product {}", p.name))));
            if wanted.get("good").is_none_or(|text| given(text).is_none()) {
                return Ok((pasts, None));
            }
            let request = request(app, &wanted)?;
            let planned = plan::plan(&request)?;
            let above = format!("{} · {now}", app.site.settings.site.name);
            let document = plan::page::document(&planned, &request, &above);
            Ok((pasts, Some((document.title.clone(), document.fragment()))))
        })
        .await?;
    let parts = EXAMPLES.iter().map(|(name, _)| *name).collect();
    page(&PlanPage { frame: Frame::new(&app, Some(&person), "/plan"), asked, pasts, parts, shown })
}
