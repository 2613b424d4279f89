//! Plans: chips, credentials, stations and hours for a number of good units.

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use serde::Deserialize;
use works::Trouble;
use works::plan::{self, Request};

use super::given;
use crate::answer::{Oops, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;

/// What is to be made, and how.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Asked {
    #[serde(default)]
    good: String,
    #[serde(default, rename = "yield")]
    share: String,
    #[serde(default)]
    confidence: String,
    #[serde(default)]
    takt: String,
    #[serde(default)]
    unit_seconds: String,
    #[serde(default)]
    shift_hours: String,
}

#[derive(Template)]
#[template(path = "plan.html")]
struct PlanPage {
    frame: Frame,
    asked: Asked,
    shown: Option<(String, String)>,
}

fn number(text: &str, what: &str) -> Result<Option<f64>, Trouble> {
    let Some(text) = given(text) else { return Ok(None) };
    text.parse().ok().filter(|n: &f64| n.is_finite()).map(Some).ok_or_else(|| {
        Trouble::usage(format!("{what}: {text:?} is no number"), "Give it in digits, with a point, as 0.985.")
    })
}

impl Asked {
    fn request(&self) -> Result<Request, Trouble> {
        let good = self.good.trim();
        let good = good.parse().map_err(|_| {
            Trouble::usage(format!("{good:?} is no number of good units"), "Give a whole number, as 5000.")
        })?;
        let plain = Request::new(good)?;
        Ok(Request {
            share_good: number(&self.share, "yield")?,
            confidence: number(&self.confidence, "confidence")?.unwrap_or(plain.confidence),
            takt_s: number(&self.takt, "takt")?,
            unit_s: number(&self.unit_seconds, "seconds a unit")?,
            shift_hours: number(&self.shift_hours, "hours of a shift")?.unwrap_or(plain.shift_hours),
            ..plain
        })
    }
}

/// `GET /plan`: the form, and the plan where a number was given.
///
/// # Errors
///
/// Where the numbers make no sense.
pub async fn show(State(app): State<App>, person: Person, Query(asked): Query<Asked>) -> Result<Response, Oops> {
    let shown = if given(&asked.good).is_some() {
        let (wanted, now) = (asked.clone(), app.who(&person).now());
        let shown = app.work(move |app| {
            let request = wanted.request()?;
            let planned = plan::plan(&request)?;
            let above = format!("{} · {now}", app.site.settings.site.name);
            let document = plan::page::document(&planned, &request, &above);
            Ok((document.title.clone(), document.fragment()))
        });
        Some(shown.await?)
    } else {
        None
    };
    page(&PlanPage { frame: Frame::new(&app, Some(&person), "/plan"), asked, shown })
}
