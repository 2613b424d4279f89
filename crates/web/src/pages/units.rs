//! Units: finding one, its story, and what may be done with it.

use askama::Template;
use axum::Form;
use axum::extract::{Path, Query, State};
use axum::response::{Redirect, Response};
use serde::Deserialize;
use serde_json::Value;
use standard::certificate::Profile;
use works::explain::{self, Field};
use works::ledger::{self, Place};
use works::site::Who;
use works::{Trouble, label, unit};

use super::given;
use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;

/// Units on a page.
const LIMIT: u32 = 100;

#[derive(Template)]
#[template(path = "units.html")]
struct ListPage {
    frame: Frame,
    find: String,
    state: String,
    reel: String,
    found: Option<Vec<unit::FoundView>>,
    /// Whether more match.
    more: bool,
    units: Vec<unit::UnitView>,
    next: Option<String>,
}

#[derive(Template)]
#[template(path = "unit.html")]
struct UnitPage {
    frame: Frame,
    story: Value,
    address: String,
    state: String,
    test: bool,
    attempts: Vec<Strip>,
    certificates: Vec<(String, String, Vec<Field>)>,
    place: Option<Place>,
    report: Vec<(String, String, String)>,
}

/// An attempt as a strip of timed steps, to scale.
pub struct Strip {
    /// Its number.
    pub number: i64,
    /// Where.
    pub station: String,
    /// By whom.
    pub by: String,
    /// When.
    pub started: String,
    /// How it ended.
    pub result: String,
    /// Why it failed.
    pub cause: Option<(String, String)>,
    /// What follows.
    pub next: Option<String>,
    /// The firmware that the unit carried.
    pub firmware: Option<String>,
    /// Milliseconds altogether.
    pub total: i64,
    /// Left edge, width (of 1000), name, result, milliseconds.
    pub steps: Vec<(f64, f64, String, String, i64)>,
}

/// Which units.
#[derive(Debug, Default, Deserialize)]
pub struct Wanted {
    #[serde(default)]
    find: String,
    #[serde(default)]
    state: String,
    #[serde(default)]
    reel: String,
    after: Option<String>,
}

/// `GET /units`.
///
/// # Errors
///
/// Where a state or a reel makes no sense.
pub async fn list(State(app): State<App>, person: Person, Query(wanted): Query<Wanted>) -> Result<Response, Oops> {
    let Wanted { find, state, reel, after } = wanted;
    let (text, s, r) = (find.trim().to_owned(), state.clone(), reel.clone());
    let (found, more, units) = app
        .work(move |app| {
            if !text.is_empty() {
                let all = unit::find(&app.site, &text, None)?;
                return Ok((Some(all.found), all.more, Vec::new()));
            }
            let wanted = unit::Wanted {
                reel: given(&r),
                state: given(&s),
                after: after.as_deref().and_then(given),
                limit: LIMIT,
            };
            Ok((None, false, unit::list(&app.site, &wanted)?))
        })
        .await?;
    // One unit that was named in full goes to its page, and so does a code, which must not stay in an address.
    if let Some([only]) = found.as_deref()
        && let Some(unit) = &only.unit
        && (unit.eq_ignore_ascii_case(find.trim()) || works::label::looks_like_code(&find))
    {
        let to = format!("/units/{}", in_address(unit));
        return Ok(axum::response::IntoResponse::into_response(Redirect::to(&to)));
    }
    let next = (units.len() == LIMIT as usize).then(|| units.last().map(|u| u.unit.clone())).flatten();
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/units"), find, state, reel, found, more, units, next })
}

fn text(value: &Value, key: &str) -> String {
    value.get(key).and_then(Value::as_str).unwrap_or_default().to_owned()
}

fn strip(a: &Value) -> Strip {
    let number = |v: &Value, key: &str| v.get(key).and_then(Value::as_i64).unwrap_or(0);
    let steps = a.get("steps").and_then(Value::as_array).cloned().unwrap_or_default();
    let total = steps.iter().map(|s| number(s, "started_us") + number(s, "microseconds")).max().unwrap_or(0);
    #[expect(clippy::cast_precision_loss, reason = "microseconds of an attempt")]
    let scaled = |us: i64| us as f64 * 1000.0 / total.max(1) as f64;
    Strip {
        number: number(a, "attempt"),
        station: text(a, "station"),
        by: text(a, "by"),
        started: text(a, "started"),
        result: text(a, "result"),
        cause: a.get("cause").and_then(Value::as_str).map(|c| (c.to_owned(), text(a, "detail"))),
        next: a.get("next").and_then(Value::as_str).map(str::to_owned),
        firmware: a.get("firmware").and_then(Value::as_str).map(str::to_owned),
        total: total / 1000,
        steps: steps
            .iter()
            .map(|s| {
                let (from, took) = (number(s, "started_us"), number(s, "microseconds"));
                (scaled(from), scaled(took).max(3.0), text(s, "step"), text(s, "result"), took / 1000)
            })
            .collect(),
    }
}

/// `GET /units/{unit}`: its whole story, without the passcode.
///
/// # Errors
///
/// Where there is none.
pub async fn show(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let (who, serial) = (app.who(&person), name.clone());
    let (story, certificates, place) = app
        .work(move |app| {
            let shown = unit::show(&app.site, &serial, None, &who)?;
            let told = unit::story(&app.site, &serial)?;
            let mut certificates = Vec::new();
            if let Some(c) = &told.origin.credential {
                certificates.push((
                    "Device (DAC)".into(),
                    "dac".into(),
                    explain::certificate(&c.certificate, Profile::Dac),
                ));
            }
            for a in &told.origin.authorities {
                let (word, profile) = if a.facts.issuer.is_some() || a.facts.role.word() == "pai" {
                    ("Intermediate (PAI)", Profile::Pai)
                } else {
                    ("Root (PAA)", Profile::Paa)
                };
                certificates.push((
                    word.into(),
                    a.facts.name.to_string(),
                    explain::certificate(&a.facts.certificate, profile),
                ));
            }
            if let Some(der) = told.proof.as_ref().and_then(|p| p.facts.declaration.as_ref()) {
                certificates.push(("Declaration".into(), "as read back".into(), explain::declaration(der)));
            }
            let place = told.proof.as_ref().map(|p| ledger::place(&app.site, p.entry.0)).transpose()?.flatten();
            Ok((shown, certificates, place))
        })
        .await?;
    let attempts = story.get("attempts").and_then(Value::as_array).map(|a| a.iter().map(strip).collect());
    let report = story.pointer("/proof/report/findings").and_then(Value::as_array).cloned().unwrap_or_default();
    let report = report.iter().map(|f| (text(f, "severity"), text(f, "rule"), text(f, "found"))).collect();
    let (state, test) = (text(&story, "state"), text(&story, "purpose") == "test");
    page(&UnitPage {
        frame: Frame::new(&app, Some(&person), "/units"),
        address: format!("/units/{}", in_address(&name)),
        state,
        test,
        attempts: attempts.unwrap_or_default(),
        certificates,
        place,
        report,
        story,
    })
}

impl UnitPage {
    /// A text of the story by its place.
    fn at(&self, pointer: &str) -> String {
        match self.story.pointer(pointer) {
            Some(Value::String(text)) => text.clone(),
            Some(Value::Number(n)) => n.to_string(),
            _ => String::new(),
        }
    }

    fn has(&self, pointer: &str) -> bool {
        self.story.pointer(pointer).is_some_and(|v| !v.is_null())
    }

    fn list(&self, pointer: &str) -> Vec<&Value> {
        self.story.pointer(pointer).and_then(Value::as_array).map(|a| a.iter().collect()).unwrap_or_default()
    }

    fn of(&self, value: &Value, key: &str) -> String {
        match value.get(key) {
            Some(Value::String(text)) => text.clone(),
            Some(Value::Number(n)) => n.to_string(),
            _ => String::new(),
        }
    }

    fn act_address(&self, act: &str) -> String {
        format!("{}/{act}", self.address)
    }

    fn reel_address(&self) -> String {
        let place = self.story.pointer("/chip/position").and_then(Value::as_i64).unwrap_or(1);
        format!("/reels/{}?from={}&to={}", in_address(&self.at("/reel/reel")), (place - 150).max(1), place + 150)
    }
}

/// `GET /units/{unit}/label.svg`: shows the passcode, which is an entry.
///
/// # Errors
///
/// Where it has no label.
pub async fn label(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let who = app.who(&person);
    let svg = app.work(move |app| label::svg(&app.site, &name, "unit page", None, &who.by())).await?;
    Ok(super::station::picture(svg))
}

/// Why.
#[derive(Deserialize)]
pub struct Why {
    #[serde(default)]
    reason: String,
    #[serde(default)]
    take_over: Option<String>,
}

/// Does something with a unit, then leads back to it.
async fn act<T: Send + 'static>(
    asker: &Asker,
    name: String,
    why: Why,
    act: impl FnOnce(&App, &str, &str, bool, &Who) -> Result<T, Trouble> + Send + 'static,
) -> Result<Response, Oops> {
    let to = format!("/units/{}", in_address(&name));
    let over = why.take_over.is_some();
    asker.act(&to, move |app, who| act(app, &name, unit::reason(&why.reason)?, over, who)).await
}

/// `POST /units/{unit}/scrap`.
///
/// # Errors
///
/// Where it can't be.
pub async fn scrap(asker: Asker, Path(name): Path<String>, Form(why): Form<Why>) -> Result<Response, Oops> {
    act(&asker, name, why, |app, name, why, over, who| unit::scrap(&app.site, name, why, over, who)).await
}

/// `POST /units/{unit}/return`.
///
/// # Errors
///
/// Where it never passed.
pub async fn take_back(asker: Asker, Path(name): Path<String>, Form(why): Form<Why>) -> Result<Response, Oops> {
    act(&asker, name, why, |app, name, why, _, who| unit::take_back(&app.site, name, why, who)).await
}

/// `POST /units/{unit}/rework`.
///
/// # Errors
///
/// Where it is not one that failed.
pub async fn rework(asker: Asker, Path(name): Path<String>, Form(why): Form<Why>) -> Result<Response, Oops> {
    act(&asker, name, why, |app, name, why, _, who| unit::rework(&app.site, name, why, who)).await
}
