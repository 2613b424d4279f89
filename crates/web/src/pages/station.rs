//! The station: one task at a time, told as it happens.

use std::convert::Infallible;
use std::time::Duration;

use askama::Template;
use axum::Form;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use base::Trouble;
use base::trouble::About as _;
use line::chips::{Bench, FaultLevel, WhichChips};
use line::desk::{LabelPhase, Phase, Scanned, View};
use line::floor::{SetStation, Setup, ShiftCount};
use line::{chips, floor};
use receive::reel;
use serde::Deserialize;
use tokio::sync::broadcast::error::RecvError;
use tokio_stream::Stream;

use super::given;
use crate::answer::{Oops, go, in_address, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files};
use crate::on_page::filters;

/// A page hears something at least this often, so that it knows a dead line from a quiet one.
const BEAT: Duration = Duration::from_secs(4);

#[derive(Template)]
#[template(path = "stations.html")]
struct ListPage {
    frame: Frame,
    stations: Vec<(Setup, ShiftCount, Option<View>)>,
    reels: Vec<reel::Choice>,
    sources: Vec<String>,
}

#[derive(Template)]
#[template(path = "station.html")]
struct StationPage {
    frame: Frame,
    view: View,
    html: String,
}

#[derive(Template)]
#[template(path = "station_view.html")]
struct ViewPart<'a> {
    view: &'a View,
    address: String,
}

impl ViewPart<'_> {
    fn word(&self) -> &'static str {
        match (self.view.phase, self.view.label) {
            (Phase::Passed, LabelPhase::Mismatched) => "wrong label",
            (phase, _) => phase.word(),
        }
    }

    fn shape(&self) -> &'static str {
        match self.word() {
            "passed" => "struck",
            "failed" | "stopped" | "wrong label" => "cracked",
            "working" | "interrupted" => "half",
            _ => "ring",
        }
    }

    /// Which ground fills the screen.
    fn ground(&self) -> &'static str {
        match self.word() {
            "passed" => "passed",
            "failed" | "wrong label" => "failed",
            "stopped" | "interrupted" => "heed",
            _ => "calm",
        }
    }

    fn label_word(&self) -> &'static str {
        match self.view.label {
            LabelPhase::None => "",
            LabelPhase::Due => "to be printed",
            LabelPhase::Printed => "printed, not scanned yet",
            LabelPhase::Checked => "checked",
            LabelPhase::Mismatched => "wrong label",
            LabelPhase::Later => "left for later",
        }
    }

    fn shows_label(&self) -> bool {
        self.view.phase == Phase::Passed && self.view.label.is_due()
    }

    /// Seconds of the unit, and whether they are within the takt.
    fn pace(&self) -> Option<(String, bool)> {
        let ms = self.view.milliseconds?;
        #[expect(clippy::cast_precision_loss, reason = "a unit's milliseconds")]
        let within = self.view.takt_seconds.is_none_or(|takt| ms as f64 / 1000.0 <= takt);
        Some((crate::look::seconds(&i64::try_from(ms).unwrap_or(i64::MAX)), within))
    }

    fn mean(&self) -> Option<String> {
        self.view.count.mean_ms.as_ref().map(crate::look::seconds)
    }

    fn yield_text(&self) -> String {
        self.view.count.first_pass_percent().map_or_else(|| "–".into(), |p| format!("{p:.1} %"))
    }
}

fn drawn(view: &View) -> Result<String, Oops> {
    let part = ViewPart { view, address: format!("/stations/{}", in_address(&view.station)) };
    part.render().map_err(|e| Trouble::surroundings(format!("the page can't be drawn: {e}"), "Report this.").into())
}

/// `GET /stations`.
pub async fn list(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let (stations, reels, sources) = app
        .work(|app| {
            let now = (app.clock)();
            let from = site::clock::shift_start(&app.site, now)?;
            let mut counts = floor::counts(&app.site, from, now)?;
            let stations = floor::stations(&app.site)?.into_iter().map(|setup| {
                let count = counts.remove(&setup.station).unwrap_or_default();
                let view = app.desks.glance(&setup.station);
                (setup, count, view)
            });
            Ok((stations.collect(), reel::choices(&app.site)?, floor::sources(&app.site)?))
        })
        .await?;
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/stations"), stations, reels, sources })
}

/// How a station is to be set up.
#[derive(Deserialize)]
pub struct SetUp {
    #[serde(default)]
    station: String,
    #[serde(default)]
    reel: String,
    #[serde(default)]
    source: String,
    #[serde(default)]
    serial_start: String,
    #[serde(default)]
    takt: String,
    #[serde(default)]
    per_hour: String,
    #[serde(default)]
    check_label: Option<String>,
    #[serde(default)]
    firmware: String,
}

fn number<T: std::str::FromStr>(text: &str, what: &str, field: &'static str) -> Result<Option<T>, Trouble> {
    let odd = |t: &str| Trouble::usage(format!("{t:?} is not a number for {what}"), "Give digits.").about(field);
    given(text).map(|t| t.parse().map_err(|_| odd(t))).transpose()
}

/// `POST /stations`.
///
/// # Errors
///
/// Where it can't be set up so.
pub async fn set_up(asker: Asker, Form(form): Form<SetUp>) -> Result<Response, Oops> {
    let setup = SetStation {
        reel: form.reel,
        source: form.source,
        serial_start: given(&form.serial_start).map(str::to_owned),
        takt_seconds: number(&form.takt, "the takt", "takt")?,
        per_hour: number(&form.per_hour, "units an hour", "per_hour")?.unwrap_or(0),
        check_label: form.check_label.is_some(),
        firmware: given(&form.firmware).map(str::to_owned),
    };
    asker.act("/stations", move |app, who| floor::set_station(&app.site, &form.station, &setup, who)).await
}

/// `POST /chips/simulate`: a folder of simulated chips in the site, out of a file of keys.
///
/// # Errors
///
/// Where the keys can't be read, or the folder is there.
pub async fn simulate(
    State(app): State<App>,
    _person: Person,
    headers: HeaderMap,
    form: Files,
) -> Result<Response, Oops> {
    let upload = incoming::take(form).await?;
    let name = upload.text("folder").to_owned();
    let plain = !name.is_empty()
        && name.len() <= 60
        && name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_'));
    if !plain {
        return Err(Trouble::usage(
            "the folder's name has letters, digits, - and _ only",
            "Name it after the reel, as chips-a.",
        )
        .about("folder")
        .into());
    }
    app.work(move |app| {
        let keys = upload.one("keys")?;
        let folder = app.site.dir.join(&name);
        chips::simulate(&folder, &WhichChips::Keys(&keys), None, FaultLevel::None, Bench::default(), None)
            .map(drop)
            .about("keys")
    })
    .await?;
    Ok(go(&headers, "/stations"))
}

/// `GET /stations/{station}`.
///
/// # Errors
///
/// Where it is not set up.
pub async fn show(State(app): State<App>, person: Person, Path(station): Path<String>) -> Result<Response, Oops> {
    let who = app.who(&person);
    let view = app.work(move |app| app.desks.view(&station, &who)).await?;
    let html = drawn(&view)?;
    page(&StationPage { frame: Frame::new(&app, Some(&person), "/stations"), view, html })
}

/// What was scanned.
#[derive(Deserialize)]
pub struct Scan {
    #[serde(default)]
    typed: String,
}

/// `POST /stations/{station}/scan`: takes what was scanned; the work goes on by itself.
///
/// # Errors
///
/// Where it can't be taken.
pub async fn scan(
    State(app): State<App>,
    person: Person,
    Path(station): Path<String>,
    Form(form): Form<Scan>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let scanned = app.work(move |app| app.desks.scan(&station, &form.typed, &who)).await?;
    if let Scanned::Unit(job) = scanned {
        // What comes of it is told to every page that shows this station.
        tokio::task::spawn_blocking(move || drop(app.desks.work(*job)));
    }
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// `GET /stations/{station}/label.svg`: the label of the unit that has just passed.
///
/// # Errors
///
/// Where none has.
pub async fn label(State(app): State<App>, person: Person, Path(station): Path<String>) -> Result<Response, Oops> {
    let who = app.who(&person);
    let svg = app.work(move |app| app.desks.label(&station, &who)).await?;
    Ok(picture(svg))
}

/// An SVG as it goes to a browser: nothing in it may load or run anything.
pub fn picture(svg: Vec<u8>) -> Response {
    let mut response = svg.into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("image/svg+xml"));
    let csp = HeaderValue::from_static("default-src 'none'; style-src 'unsafe-inline'; font-src data:; sandbox");
    headers.insert(header::CONTENT_SECURITY_POLICY, csp);
    response
}

/// `POST /stations/{station}/printed`.
///
/// # Errors
///
/// Where there is no label to print.
pub async fn printed(State(app): State<App>, person: Person, Path(station): Path<String>) -> Result<Response, Oops> {
    let who = app.who(&person);
    app.work(move |app| app.desks.label_printed(&station, &who)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// `POST /stations/{station}/later`.
pub async fn later(State(app): State<App>, person: Person, Path(station): Path<String>) -> Result<Response, Oops> {
    let who = app.who(&person);
    app.work(move |app| app.desks.label_later(&station, &who)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// `POST /stations/{station}/clear`.
///
/// # Errors
///
/// Where it is at work.
pub async fn clear(State(app): State<App>, Path(station): Path<String>) -> Result<Response, Oops> {
    app.work(move |app| app.desks.clear(&station)).await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}

/// `GET /stations/{station}/events`: the view whenever it changes, and a beat.
///
/// # Errors
///
/// Where it is not set up.
pub async fn events(
    State(app): State<App>,
    person: Person,
    Path(station): Path<String>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Oops> {
    let who = app.who(&person);
    let mut views = app.views.subscribe();
    let mut closing = app.closing.clone();
    let (name, asker) = (station.clone(), who.clone());
    let first = app.work(move |app| app.desks.view(&name, &asker)).await?;
    let (send, receive) = tokio::sync::mpsc::channel(16);
    let told = move |view: &View| Event::default().event("view").data(drawn(view).unwrap_or_default());
    tokio::spawn(async move {
        if send.send(Ok(told(&first))).await.is_err() {
            return;
        }
        let mut beat = tokio::time::interval(BEAT);
        loop {
            let event = tokio::select! {
                _ = closing.changed() => return,
                _ = beat.tick() => {
                    if !person.stays(&app).await { return; }
                    Event::default().event("beat").data(".")
                }
                view = views.recv() => {
                    // A page that fell behind is told how things stand now. Counts are the
                    // book's to tell, and asked for only when a unit is done.
                    let settled = match view {
                        Ok(view) if view.station != station => continue,
                        Ok(view) if view.phase == Phase::Working => {
                            if send.send(Ok(told(&view))).await.is_err() { return; }
                            continue;
                        }
                        Ok(_) | Err(RecvError::Lagged(_)) => {
                            let (name, asker) = (station.clone(), who.clone());
                            app.work(move |app| app.desks.view(&name, &asker)).await
                        }
                        Err(RecvError::Closed) => return,
                    };
                    match settled {
                        Ok(view) => told(&view),
                        Err(_) => return,
                    }
                }
            };
            if send.send(Ok(event)).await.is_err() {
                return;
            }
        }
    });
    Ok(Sse::new(tokio_stream::wrappers::ReceiverStream::new(receive)).keep_alive(KeepAlive::default()))
}
