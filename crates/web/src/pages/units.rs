//! Units: finding one, its story, and what may be done with it.

use answer::revocation;
use answer::scrap;
use answer::scrap::Revoke;
use askama::Template;
use axum::Form;
use axum::extract::{Path, Query, State};
use axum::response::{Redirect, Response};
use base::Trouble;
use base::trouble::About as _;
use examine::explain::{self, Field};
use line::unit::{OfAttempt, OfStep, WholeUnit};
use line::{label, search, unit};
use serde::Deserialize;
use site::access::Standing;
use site::ledger::Place;
use site::words::{Next, Role, UnitState};
use site::{Who, ledger};
use standard::certificate::Profile;

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
    found: Option<Vec<search::FoundView>>,
    more: bool,
    units: Vec<unit::UnitView>,
    next: Option<String>,
}

#[derive(Template)]
#[template(path = "unit.html")]
struct UnitPage {
    frame: Frame,
    unit: WholeUnit,
    address: String,
    attempts: Vec<Strip>,
    certificates: Vec<(String, String, Vec<Field>)>,
    place: Option<Place>,
}

/// An attempt as a strip of timed steps, to scale.
pub struct Strip {
    pub of: OfAttempt,
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
                let all = search::find(&app.site, &text, None)?;
                return Ok((Some(all.found), all.more, Vec::new()));
            }
            let wanted = unit::Wanted {
                reel: given(&r),
                state: given(&s),
                after: after.as_deref().and_then(given),
                limit: LIMIT,
            };
            let unit::Listed { units, more } = unit::list(&app.site, &wanted)?;
            Ok((None, more, units))
        })
        .await?;
    // One unit that was named in full goes to its page, and so does a code, which must not stay in an address.
    if let Some([only]) = found.as_deref()
        && let Some(unit) = &only.unit
        && (unit.eq_ignore_ascii_case(find.trim()) || line::label::looks_like_code(&find))
    {
        let to = format!("/units/{}", in_address(unit));
        return Ok(axum::response::IntoResponse::into_response(Redirect::to(&to)));
    }
    let next = units.last().filter(|_| more).map(|last| last.unit.clone());
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/units"), find, state, reel, found, more, units, next })
}

fn strip(of: OfAttempt) -> Strip {
    let total = of.steps.iter().map(|s| s.started_us + s.microseconds).max().unwrap_or(0);
    #[expect(clippy::cast_precision_loss, reason = "microseconds of an attempt")]
    let scaled = |us: i64| us as f64 * 1000.0 / total.max(1) as f64;
    let step = |s: &OfStep| {
        let width = scaled(s.microseconds).max(3.0);
        (scaled(s.started_us), width, s.step.clone(), s.result.clone(), s.microseconds / 1000)
    };
    Strip { total: total / 1000, steps: of.steps.iter().map(step).collect(), of }
}

/// `GET /units/{unit}`: its whole story, without the passcode.
///
/// # Errors
///
/// Where there is none.
pub async fn show(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let (who, serial) = (app.who(&person), name.clone());
    let (mut unit, certificates, place) = app
        .work(move |app| {
            let told = unit::story(&app.site, &serial)?;
            let shown = unit::shown(&app.site, &told, None, &who)?;
            let mut certificates = Vec::new();
            if let Some(c) = &told.origin.credential {
                certificates.push((
                    "Device (DAC)".into(),
                    "dac".into(),
                    explain::certificate(&c.certificate, Profile::Dac),
                ));
            }
            for a in &told.origin.authorities {
                let (word, profile) = if a.facts.issuer.is_some() || a.facts.role == Role::Pai {
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
    let attempts = std::mem::take(&mut unit.attempts).into_iter().map(strip).collect();
    let (frame, address) = (Frame::new(&app, Some(&person), "/units"), format!("/units/{}", in_address(&name)));
    page(&UnitPage { frame, unit, address, attempts, certificates, place })
}

impl UnitPage {
    fn act_address(&self, act: &str) -> String {
        format!("{}/{act}", self.address)
    }

    /// Whether nobody has confirmed yet that it was erased since it was refurbished last.
    fn is_erasure_open(&self) -> bool {
        self.unit.renewals.last().is_some_and(|r| r.event.word() == "refurbish" && r.erased.is_none())
    }

    fn waits_for(&self, what: &str) -> bool {
        self.unit.waits_for.contains(&what)
    }

    /// Whether its board was given up by a station: the unit can go on with another.
    fn is_scrapped_at_station(&self) -> bool {
        self.unit.state == UnitState::Scrapped && self.attempts.last().is_some_and(|a| a.of.next == Some(Next::Scrap))
    }

    fn reel_address(&self) -> String {
        let place = self.unit.chip.position;
        format!("/reels/{}?from={}&to={}", in_address(&self.unit.reel.reel), (place - 150).max(1), place + 150)
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
    #[serde(default)]
    new_code: Option<String>,
    #[serde(default)]
    revoke: String,
    #[serde(default)]
    erased_by: String,
    #[serde(default)]
    confirmed_by: String,
}

/// What is asked for beside scrapping, as a form's choice says it: nothing, or a reason.
pub(super) fn revoke(choice: &str) -> Result<Option<Revoke<'static>>, Trouble> {
    let reason = given(choice).map(revocation::reason).transpose().about("revoke")?;
    Ok(reason.map(|reason| Revoke { reason, standing: Standing::SignedIn }))
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
    let choice = why.revoke.clone();
    act(&asker, name, why, move |app, name, why, over, who| {
        scrap::unit(&app.site, name, why, over, revoke(&choice)?, who)
    })
    .await
}

/// `POST /units/{unit}/return`.
///
/// # Errors
///
/// Where it never passed.
pub async fn take_back(asker: Asker, Path(name): Path<String>, Form(why): Form<Why>) -> Result<Response, Oops> {
    act(&asker, name, why, |app, name, why, _, who| unit::take_back(&app.site, name, why, who)).await
}

/// `POST /units/{unit}/swap`.
///
/// # Errors
///
/// Where its board can't be swapped.
pub async fn swap(asker: Asker, Path(name): Path<String>, Form(why): Form<Why>) -> Result<Response, Oops> {
    let new_code = why.new_code.is_some();
    act(&asker, name, why, move |app, name, why, over, who| unit::swap(&app.site, name, why, new_code, over, who)).await
}

/// `POST /units/{unit}/refurbish`.
///
/// # Errors
///
/// Where it did not pass, or its chip can take no new code.
pub async fn refurbish(asker: Asker, Path(name): Path<String>, Form(why): Form<Why>) -> Result<Response, Oops> {
    let erased_by = why.erased_by.clone();
    act(&asker, name, why, move |app, name, why, _, who| unit::refurbish(&app.site, name, why, given(&erased_by), who))
        .await
}

/// `POST /units/{unit}/erased`: records who confirms it.
///
/// # Errors
///
/// Where the unit was never refurbished.
pub async fn erased(asker: Asker, Path(name): Path<String>, Form(why): Form<Why>) -> Result<Response, Oops> {
    let to = format!("/units/{}", in_address(&name));
    asker.act(&to, move |app, who| unit::erased(&app.site, &name, &why.confirmed_by, who)).await
}

/// `POST /units/{unit}/rework`.
///
/// # Errors
///
/// Where it is not one that failed.
pub async fn rework(asker: Asker, Path(name): Path<String>, Form(why): Form<Why>) -> Result<Response, Oops> {
    act(&asker, name, why, |app, name, why, _, who| unit::rework(&app.site, name, why, who)).await
}
