//! Plans: chips, credentials, stations and hours for a number of good units.

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use serde::Deserialize;
use works::part::{EXAMPLES, Part};
use works::plan::{self, Past, Request};
use works::{Trouble, product, reel};

use super::given;
use crate::answer::{Oops, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;

/// What is to be made, and how.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default)]
pub struct Asked {
    good: String,
    #[serde(rename = "yield")]
    share: String,
    confidence: String,
    /// Whose past counts: `site`, `reel:ID`, `product:NAME`, or nobody's.
    past: String,
    past_good: String,
    past_lost: String,
    steps: String,
    spares: String,
    takt: String,
    unit_seconds: String,
    handling: String,
    attempts: String,
    variation: String,
    availability: String,
    stations: String,
    shift_hours: String,
    shifts_per_day: String,
    days_per_week: String,
    reel_chips: String,
    chip_lot: String,
    credential_lot: String,
    chip_days: String,
    credential_days: String,
    stock: String,
    part: String,
    bus_hz: String,
    protected_bus: Option<String>,
}

#[derive(Template)]
#[template(path = "plan.html")]
struct PlanPage {
    frame: Frame,
    asked: Asked,
    /// Pasts that there are: value, word.
    pasts: Vec<(String, String)>,
    parts: Vec<&'static str>,
    shown: Option<(String, String)>,
}

fn number(text: &str, what: &str) -> Result<Option<f64>, Trouble> {
    let Some(text) = given(text) else { return Ok(None) };
    text.parse().ok().filter(|n: &f64| n.is_finite()).map(Some).ok_or_else(|| {
        Trouble::usage(format!("{what}: {text:?} is no number"), "Give it in digits, with a point, as 0.985.")
    })
}

/// A share: `0.95`, or `95 %`.
fn share(text: &str) -> Result<Option<f64>, Trouble> {
    given(text).map(plan::share).transpose()
}

fn whole<T: std::str::FromStr>(text: &str, what: &str) -> Result<Option<T>, Trouble> {
    let Some(text) = given(text) else { return Ok(None) };
    text.parse()
        .map(Some)
        .map_err(|_| Trouble::usage(format!("{what}: {text:?} is no whole number"), "Give it in digits, as 5000."))
}

impl Asked {
    /// Steps as `solder=0.998, test=0.99`.
    fn steps(&self) -> Result<Vec<(String, f64)>, Trouble> {
        let apart = self.steps.split([',', ';', '\n']).map(str::trim).filter(|s| !s.is_empty());
        apart.map(plan::step).collect()
    }

    /// Whether anything but the first fields was filled in, so that it stays in sight.
    fn more(&self) -> bool {
        let texts = [
            &self.past_good,
            &self.past_lost,
            &self.steps,
            &self.spares,
            &self.handling,
            &self.attempts,
            &self.variation,
            &self.availability,
            &self.stations,
            &self.shifts_per_day,
            &self.days_per_week,
            &self.reel_chips,
            &self.chip_lot,
            &self.credential_lot,
            &self.chip_days,
            &self.credential_days,
            &self.stock,
            &self.part,
            &self.bus_hz,
        ];
        self.protected_bus.is_some() || texts.iter().any(|t| given(t).is_some())
    }

    fn request(&self, app: &App) -> Result<Request, Trouble> {
        let good = whole(&self.good, "good units")?
            .ok_or_else(|| Trouble::usage("no number of good units was given", "Give a whole number, as 5000."))?;
        let plain = Request::new(good)?;
        let counted = match (whole(&self.past_good, "good units of the past")?, whole(&self.past_lost, "lost ones")?) {
            (Some(good), Some(lost)) => Some(Past::counted(good, lost)),
            (None, None) => None,
            _ => return Err(Trouble::usage("half of a past was given", "Give good and lost units, or neither.")),
        };
        let real = |text: &str, what: &str, usual: f64| Ok::<_, Trouble>(number(text, what)?.unwrap_or(usual));
        let mut request = Request {
            share_good: share(&self.share)?,
            steps: self.steps()?,
            confidence: share(&self.confidence)?.unwrap_or(plain.confidence),
            spare_chips: whole(&self.spares, "spares")?.unwrap_or(plain.spare_chips),
            takt_s: number(&self.takt, "takt")?,
            unit_s: number(&self.unit_seconds, "seconds a unit")?,
            handling_s: real(&self.handling, "seconds of handling", plain.handling_s)?,
            attempts: number(&self.attempts, "attempts a chip")?,
            variation: real(&self.variation, "variation", plain.variation)?,
            availability: share(&self.availability)?.unwrap_or(plain.availability),
            stations: whole(&self.stations, "stations")?,
            shift_hours: real(&self.shift_hours, "hours of a shift", plain.shift_hours)?,
            shifts_per_day: real(&self.shifts_per_day, "shifts a day", plain.shifts_per_day)?,
            days_per_week: real(&self.days_per_week, "days a week", plain.days_per_week)?,
            reel_chips: whole(&self.reel_chips, "chips on a reel")?,
            least_lots: (
                whole(&self.chip_lot, "fewest chips")?.unwrap_or(0),
                whole(&self.credential_lot, "fewest credentials")?.unwrap_or(0),
            ),
            lead_days: (
                real(&self.chip_days, "days for chips", 0.0)?,
                real(&self.credential_days, "days for credentials", 0.0)?,
            ),
            stock: whole(&self.stock, "stock")?,
            bus_hz: whole(&self.bus_hz, "bus clock")?,
            protected: self.protected_bus.is_some(),
            past: counted,
            ..plain
        };
        if let Some(name) = given(&self.part) {
            request.part = Part::example(name)?;
        }
        let learned = match given(&self.past) {
            None => None,
            Some("site") => Some((None, None)),
            Some(one) => match one.split_once(':') {
                Some(("reel", id)) => Some((Some(id), None)),
                Some(("product", name)) => Some((None, Some(name))),
                _ => return Err(Trouble::usage(format!("{one:?} is no past"), "Choose one of the list.")),
            },
        };
        if let Some((reel, product)) = learned {
            if request.past.is_some() {
                return Err(Trouble::usage(
                    "a past was chosen, and counts of another were typed",
                    "Leave one of them empty.",
                ));
            }
            request.learn(&app.site, reel, product)?;
        }
        Ok(request)
    }
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
            let mut pasts = vec![("site".to_owned(), "of this site".to_owned())];
            let products = product::list(&app.site)?;
            pasts.extend(products.iter().map(|p| (format!("product:{}", p.name), format!("of product {}", p.name))));
            let reels = reel::list(&app.site)?;
            pasts.extend(reels.iter().map(|r| (format!("reel:{}", r.reel), format!("of reel {}", r.reel))));
            if given(&wanted.good).is_none() {
                return Ok((pasts, None));
            }
            let request = wanted.request(app)?;
            let planned = plan::plan(&request)?;
            let above = format!("{} · {now}", app.site.settings.site.name);
            let document = plan::page::document(&planned, &request, &above);
            Ok((pasts, Some((document.title.clone(), document.fragment()))))
        })
        .await?;
    let parts = EXAMPLES.iter().map(|(name, _)| *name).collect();
    page(&PlanPage { frame: Frame::new(&app, Some(&person), "/plan"), asked, pasts, parts, shown })
}
