//! Plans: chips, credentials, stations and hours for a number of good units.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use works::plan::{self, Past, Request};
use works::trouble::About as _;
use works::{Trouble, product, reel};

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
        let refused = || Trouble::usage(format!("{text:?} is no such number"), "Give it in digits, as 12 or 0.985.");
        text.parse().map_err(|_| refused().about(name))
    };
    typed.map(read).transpose()
}

fn past(app: &App, text: &str) -> Result<Option<Past>, Trouble> {
    match text.split_once(':') {
        Some(("reel", reel)) => Past::of_site(&app.site, Some(reel), None).map(Some),
        Some(("product", product)) => Past::of_site(&app.site, None, Some(product)).map(Some),
        _ if text == "site" => Past::of_site(&app.site, None, None).map(Some),
        _ => Ok(None),
    }
}

fn request(app: &App, asked: &Asked) -> Result<Request, Trouble> {
    let plain = Request::new(number(asked, "good")?.unwrap_or(0))?;
    let or = |name, usual: f64| number(asked, name).map(|n| n.unwrap_or(usual));
    let text = asked.get("past").map_or("", String::as_str);
    Ok(Request {
        share_good: number(asked, "yield")?,
        past: past(app, text).about("past")?,
        confidence: or("confidence", plain.confidence)?,
        takt_s: number(asked, "takt")?,
        unit_s: number(asked, "unit_seconds")?,
        shift_hours: or("shift_hours", plain.shift_hours)?,
        attempts: number(asked, "attempts")?,
        variation: or("variation", plain.variation)?,
        availability: or("availability", plain.availability)?,
        handling_s: or("handling", plain.handling_s)?,
        stations: number(asked, "stations")?,
        shifts_per_day: or("shifts_per_day", plain.shifts_per_day)?,
        days_per_week: or("days_per_week", plain.days_per_week)?,
        reel_chips: number(asked, "reel_chips")?,
        spare_chips: number(asked, "spares")?.unwrap_or(plain.spare_chips),
        stock: number(asked, "stock")?,
        lead_days: (or("chip_days", plain.lead_days.0)?, or("credential_days", plain.lead_days.1)?),
        ..plain
    })
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
            let reels = reel::list(&app.site)?.into_iter();
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
    page(&PlanPage { frame: Frame::new(&app, Some(&person), "/plan"), asked, pasts, shown })
}
