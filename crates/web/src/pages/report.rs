//! Reports: yields, causes, times and stations of a reel, a product, a day, a period.

use askama::Template;
use axum::extract::{Query, State};
use axum::http::Uri;
use axum::response::Response;
use base::Trouble;
use base::course::Course;
use base::trouble::About as _;
use receive::reel;
use report::{self, Report, Request, Scope};
use serde::Deserialize;
use site::clock::Zone;
use site::product;
use time::format_description::well_known::Rfc3339;
use time::macros::format_description;
use time::{Date, Duration, OffsetDateTime, PrimitiveDateTime};

use super::given;
use crate::answer::{Oops, download, in_address, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Reported};

/// What a report is asked of.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Asked {
    #[serde(default)]
    reel: String,
    #[serde(default)]
    product: String,
    #[serde(default)]
    order: String,
    #[serde(default)]
    station: String,
    #[serde(default)]
    every: String,
    #[serde(default)]
    day: String,
    #[serde(default)]
    from: String,
    #[serde(default)]
    to: String,
    #[serde(default)]
    last_week: Option<String>,
    #[serde(default)]
    worst_hour: Option<String>,
}

/// A report as pages show it.
#[derive(Template)]
#[template(path = "reported.html")]
pub struct Shown {
    title: String,
    above: String,
    test: Option<String>,
    foot: Vec<String>,
    blocks: String,
    /// Where the worst hour was asked for and none is.
    no_worst: bool,
    /// Where it is as PDF.
    pdf: String,
    /// Where evidence of the same units is made, where they can be chosen there.
    evidence: Option<String>,
}

/// The page for evidence of a report's units: of a reel, or of a time.
fn evidence_of(request: &Request) -> Option<String> {
    let minutes = format_description!("[year]-[month]-[day]T[hour]:[minute]:[second]");
    let local = |at: Option<OffsetDateTime>| at.and_then(|at| at.to_offset(request.zone).format(minutes).ok());
    let (from, to) = (local(request.from).unwrap_or_default(), local(request.to).unwrap_or_default());
    match (&request.scope, &request.station) {
        (Scope::Reel(reel), None) if from.is_empty() && to.is_empty() => {
            Some(format!("/evidence?reel={}", in_address(reel)))
        }
        (Scope::Site, None) if !from.is_empty() || !to.is_empty() => {
            Some(format!("/evidence?from={}&to={}", in_address(&from), in_address(&to)))
        }
        _ => None,
    }
}

impl Shown {
    /// Of a report that was made.
    ///
    /// - `pdf`: the address of its PDF.
    pub fn of(reported: &Reported, pdf: String) -> Self {
        let document = &reported.document;
        Self {
            title: document.title.clone(),
            above: document.above.clone(),
            test: document.test.clone(),
            foot: document.foot.clone(),
            blocks: document.fragment(),
            no_worst: reported.no_worst,
            pdf,
            evidence: evidence_of(&reported.request),
        }
    }
}

#[derive(Template)]
#[template(path = "report.html")]
struct ReportPage {
    frame: Frame,
    asked: Asked,
    reels: Vec<String>,
    products: Vec<String>,
    orders: Vec<(String, String)>,
    stations: Vec<String>,
    shown: Option<Shown>,
}

/// Stretches that are offered; `report::length` reads them.
pub(crate) const LENGTHS: &[(&str, &str)] = &[
    ("", "as the period asks"),
    ("minute", "a minute"),
    ("hour", "an hour"),
    ("shift", "a shift of eight hours"),
    ("day", "a day"),
    ("week", "a week"),
];

fn date(text: &str, field: &'static str) -> Result<Date, Trouble> {
    let odd = |_| Trouble::usage(format!("{text:?} is not a day or time"), "Give 2026-03-02 or 2026-03-02T06:00.");
    Date::parse(text, format_description!("[year]-[month]-[day]")).map_err(odd).about(field)
}

/// A time of a form's field: a date (its midnight) or a time by the site's clock, or RFC 3339; none where nothing was typed.
pub(super) fn moment(text: &str, field: &'static str, zone: Zone) -> Result<Option<OffsetDateTime>, Trouble> {
    let Some(text) = given(text) else { return Ok(None) };
    if let Ok(at) = OffsetDateTime::parse(text, &Rfc3339) {
        return Ok(Some(at));
    }
    let minutes = format_description!("[year]-[month]-[day]T[hour]:[minute]");
    let seconds = format_description!("[year]-[month]-[day]T[hour]:[minute]:[second]");
    if let Ok(at) = PrimitiveDateTime::parse(text, minutes).or_else(|_| PrimitiveDateTime::parse(text, seconds)) {
        return Ok(Some(zone.moment(at)));
    }
    date(text, field).map(|day| Some(zone.midnight(day)))
}

impl Asked {
    fn request(&self, zone: Zone, now: OffsetDateTime) -> Result<Request, Trouble> {
        let scope = match (given(&self.reel), given(&self.product), given(&self.order)) {
            (None, None, None) => Scope::Site,
            (Some(reel), None, None) => Scope::Reel(reel.into()),
            (None, Some(product), None) => Scope::Product(product.into()),
            (None, None, Some(order)) => Scope::Order(order.into()),
            (_, product, _) => {
                return Err(Trouble::usage(
                    "more than one of reel, product and order were chosen",
                    "Choose one of them: an order is of one reel, and a reel of one product.",
                )
                .about(if product.is_some() { "product" } else { "order" }));
            }
        };
        let mut request = Request {
            zone: zone.offset_at(now),
            station: given(&self.station).map(str::to_owned),
            every: given(&self.every).map(report::length).transpose().about("every")?,
            worst_hour: self.worst_hour.is_some(),
            ..Request::of(scope)
        };
        let (from, to) = (moment(&self.from, "from", zone)?, moment(&self.to, "to", zone)?);
        let ways = [given(&self.day).is_some(), from.is_some() || to.is_some(), self.last_week.is_some()];
        if ways.iter().filter(|w| **w).count() > 1 {
            return Err(Trouble::usage(
                "more than one period was chosen",
                "Choose a day, or from and to, or the last week.",
            )
            .about("day"));
        }
        (request.from, request.to) = (from, to);
        if let Some(day) = given(&self.day) {
            let day = date(day, "day")?;
            let next = day.next_day().unwrap_or(day);
            (request.from, request.to) = (Some(zone.midnight(day)), Some(zone.midnight(next)));
        }
        if self.last_week.is_some() {
            (request.from, request.to) = (Some(now - Duration::WEEK), Some(now));
        }
        // One clock for the whole report: that of its beginning.
        request.zone = zone.offset_at(request.from.unwrap_or(now));
        Ok(request)
    }

    fn made(&self, app: &App) -> Result<Report, Trouble> {
        let now = (app.clock)();
        report::report(&app.site, &self.request(site::clock::zone(&app.site)?, now)?, now, &Course::new())
    }
}

/// `GET /report`: the form, and the report where one was asked for: at once, or where it takes its time, on a page that
/// tells how far it is.
///
/// # Errors
///
/// Where what was asked for is not here.
pub async fn show(
    State(app): State<App>,
    person: Person,
    uri: Uri,
    Query(asked): Query<Asked>,
) -> Result<Response, Oops> {
    let query = uri.query().unwrap_or_default();
    let shown = if query.is_empty() {
        None
    } else {
        let request = asked.request(site::clock::zone(&app.site)?, (app.clock)())?;
        match incoming::report(&app, &person, request, query.to_owned()).await? {
            Ok(reported) => Some(Shown::of(&reported, format!("/report.pdf?{query}"))),
            Err(to_watch) => return Ok(to_watch),
        }
    };
    let (reels, products, orders, stations) = app
        .work(move |app| {
            let reels = reel::choices(&app.site)?.into_iter().map(|r| r.reel).collect();
            let products = product::list(&app.site)?.into_iter().map(|p| p.name.to_string()).collect();
            let stations = line::floor::stations(&app.site)?.into_iter().map(|s| s.station).collect();
            Ok((reels, products, report::orders(&app.site)?, stations))
        })
        .await?;
    page(&ReportPage {
        frame: Frame::new(&app, Some(&person), "/report"),
        asked,
        reels,
        products,
        orders,
        stations,
        shown,
    })
}

/// `GET /report.pdf`: the same report on paper.
///
/// # Errors
///
/// As [`show`].
pub async fn pdf(State(app): State<App>, _person: Person, Query(asked): Query<Asked>) -> Result<Response, Oops> {
    let octets = app
        .work(move |app| {
            let report = asked.made(app)?;
            incoming::pdf(&report::page::document(&report))
        })
        .await?;
    Ok(download("application/pdf", "report.pdf", octets))
}
