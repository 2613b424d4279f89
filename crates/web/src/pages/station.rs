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
use site::Who;
use tokio::sync::broadcast::error::RecvError;
use tokio_stream::Stream;

use super::changed::{Change, still, told};
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
    /// How it was set up, as the form was drawn.
    #[serde(default)]
    seen: String,
    /// Whether another reel or source is meant.
    #[serde(default)]
    sure: Option<String>,
}

fn number<T: std::str::FromStr>(text: &str, what: &str, field: &'static str) -> Result<Option<T>, Trouble> {
    let odd = |t: &str| Trouble::usage(format!("{t:?} is not a number for {what}"), "Give digits.").about(field);
    given(text).map(|t| t.parse().map_err(|_| odd(t))).transpose()
}

impl SetUp {
    fn wanted(&self) -> Result<SetStation, Trouble> {
        Ok(SetStation {
            reel: self.reel.clone(),
            source: self.source.clone(),
            serial_start: given(&self.serial_start).map(str::to_owned),
            takt_seconds: number(&self.takt, "the takt", "takt")?,
            per_hour: number(&self.per_hour, "units per hour", "per_hour")?.unwrap_or(0),
            check_label: self.check_label.is_some(),
            firmware: given(&self.firmware).map(str::to_owned),
        })
    }
}

/// `POST /stations`: a new one.
///
/// # Errors
///
/// Where it can't be set up so, or is there already.
pub async fn set_up(asker: Asker, Form(form): Form<SetUp>) -> Result<Response, Oops> {
    let setup = form.wanted()?;
    let act = move |app: &App, who: &Who| {
        let name = form.station.trim();
        if floor::stations(&app.site)?.iter().any(|s| s.station == name) {
            let message = format!("station {name} is there already");
            return Err(Trouble::refused(message, "Change it on its own page.").about("station"));
        }
        floor::set_station(&app.site, name, &setup, who)
    };
    asker.act("/stations", act).await
}

#[derive(Template)]
#[template(path = "station_about.html")]
struct AboutPage {
    frame: Frame,
    setup: Setup,
    count: ShiftCount,
    /// How it is set up, for the form to be held against what is there when it is sent.
    seen: String,
    reels: Vec<reel::Choice>,
    sources: Vec<String>,
}

impl AboutPage {
    fn change_address(&self) -> String {
        format!("/stations/{}/change", in_address(&self.setup.station))
    }

    fn takt(&self) -> String {
        self.setup.takt_seconds.map(|t| t.to_string()).unwrap_or_default()
    }

    fn waits(&self) -> bool {
        self.setup.check_label
    }

    fn plan(&self) -> String {
        if self.setup.per_hour > 0 { self.setup.per_hour.to_string() } else { String::new() }
    }
}

/// How a station is set up, as one text.
fn seen(setup: &Setup) -> String {
    serde_json::to_string(setup).unwrap_or_default()
}

/// `GET /stations/{station}/about`: how it is set up, what it did, and the form that changes it.
///
/// # Errors
///
/// Where there is none.
pub async fn about(State(app): State<App>, person: Person, Path(station): Path<String>) -> Result<Response, Oops> {
    let (setup, count, reels, sources) = app
        .work(move |app| {
            let setup = floor::station(&app.site, &station)?;
            let now = (app.clock)();
            let mut counts = floor::counts(&app.site, site::clock::shift_start(&app.site, now)?, now)?;
            let count = counts.remove(&setup.station).unwrap_or_default();
            Ok((setup, count, reel::choices(&app.site)?, floor::sources(&app.site)?))
        })
        .await?;
    let frame = Frame::new(&app, Some(&person), "/stations");
    let seen = seen(&setup);
    page(&AboutPage { frame, setup, count, seen, reels, sources })
}

/// `POST /stations/{station}/change`.
///
/// # Errors
///
/// Where it can't be set up so, or another reel or source is not confirmed.
pub async fn change(asker: Asker, Path(station): Path<String>, Form(form): Form<SetUp>) -> Result<Response, Oops> {
    let wanted = form.wanted()?;
    let name = station.clone();
    let changes = asker
        .work(move |app, who| {
            let was = floor::station(&app.site, &station)?;
            still(&form.seen, &seen(&was))?;
            let moves = was.reel != wanted.reel || was.source != wanted.source;
            if moves && form.sure.is_none() {
                let from = |reel: &str, source: &str| format!("reel {reel} with chips from {source}");
                let (was, now) = (from(&was.reel, &was.source), from(&wanted.reel, &wanted.source));
                let message = format!("station {station} works on {was}, and would work on {now}");
                return Err(Trouble::usage(message, "Tick this where it is meant.").about("sure"));
            }
            floor::set_station(&app.site, &station, &wanted, who)?;
            let now = floor::station(&app.site, &station)?;
            let text = |t: &Option<String>| t.clone().unwrap_or_default();
            let takt = |s: &Setup| s.takt_seconds.map(|t| format!("{t} s")).unwrap_or_default();
            let waits = |s: &Setup| if s.check_label { "waits until the label is scanned" } else { "does not wait" };
            let changes = [
                Change::of("Reel", &was.reel, &now.reel),
                Change::of("Chips", &was.source, &now.source),
                Change::of("First serial number", text(&was.serial_start), text(&now.serial_start)),
                Change::of("Firmware", text(&was.firmware), text(&now.firmware)),
                Change::of("Takt", takt(&was), takt(&now)),
                Change::of("Units per hour", was.per_hour.to_string(), now.per_hour.to_string()),
                Change::of("Next unit", waits(&was), waits(&now)),
            ];
            Ok(changes.into_iter().flatten().collect())
        })
        .await?;
    told(&asker, ("/stations", "Stations"), format!("Station {name}"), changes)
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
