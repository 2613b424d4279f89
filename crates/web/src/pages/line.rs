//! The line: all stations live, output against the plan, causes, stock.

use std::convert::Infallible;
use std::sync::PoisonError;
use std::time::Duration;

use answer::watch;
use answer::watch::{At, Piece};
use askama::Template;
use axum::extract::State;
use axum::response::Response;
use axum::response::sse::{Event, KeepAlive, Sse};
use base::Trouble;
use line::floor::{Line, ShiftCount};
use line::{desk, floor};
use report::trouble::{StationTrouble, TroubleKind, troubles};
use site::{authority, declaration, product};
use tokio::sync::broadcast::error::RecvError;
use tokio_stream::Stream;

use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;
use crate::look::escaped;

/// The page is drawn anew at most this often.
const PAUSE: Duration = Duration::from_millis(900);

/// One step of setting a site up: done or not, what, where.
pub struct Beginning {
    /// Whether it is done.
    pub done: bool,
    pub what: &'static str,
    /// Why, in a sentence.
    pub why: &'static str,
    /// Where it is done.
    pub address: &'static str,
}

struct Live {
    line: Line,
    /// Stations that need somebody, the worst first.
    troubles: Vec<StationTrouble>,
    views: Vec<Option<desk::View>>,
    beginnings: Vec<Beginning>,
}

/// A station's row.
struct Row<'a> {
    station: &'a str,
    /// Its reel; none where it is run from the command line.
    reel: Option<&'a str>,
    count: &'a ShiftCount,
    view: Option<&'a desk::View>,
    trouble: Option<TroubleKind>,
}

impl Row<'_> {
    fn address(&self) -> String {
        match self.reel {
            Some(_) => format!("/stations/{}", in_address(self.station)),
            None => format!("/report?station={}", in_address(self.station)),
        }
    }
}

impl Live {
    /// All stations, those that need somebody first.
    fn rows(&self) -> Vec<Row<'_>> {
        let trouble = |station: &str| self.troubles.iter().position(|t| t.station == station);
        let row = |station, reel, count, view| Row {
            station,
            reel,
            count,
            view,
            trouble: trouble(station).map(|at| self.troubles[at].kind),
        };
        let set_up = self.line.stations.iter().zip(&self.views);
        let mut rows: Vec<_> = set_up
            .map(|((setup, count), view)| row(&*setup.station, Some(&*setup.reel), count, view.as_ref()))
            .chain(self.line.others.iter().map(|(station, count)| row(station, None, count, None)))
            .collect();
        rows.sort_by_key(|row| trouble(row.station).unwrap_or(usize::MAX));
        rows
    }
}

#[derive(Template)]
#[template(path = "line.html")]
struct LinePage {
    frame: Frame,
    now: String,
}

#[derive(Template)]
#[template(path = "line_now.html")]
struct LineNow {
    operator: bool,
    live: Live,
    bars: Vec<Bar>,
    plan_y: Option<f64>,
    causes: Vec<(f64, f64, String, i64, f64)>,
}

/// One hour, as it is drawn.
pub struct Bar {
    pub x: f64,
    /// Top of the passed part.
    pub y: f64,
    /// Height of the passed part.
    pub height: f64,
    /// Height of the failed part, above it.
    pub failed_height: f64,
    pub hour: String,
    pub passed: i64,
    pub failed: i64,
}

/// What is left of setting the site up; nothing once all of it was done, and then nobody asks any more.
fn beginnings(app: &App) -> Result<Vec<Beginning>, Trouble> {
    let site = &app.site;
    if app.begun.get().is_some() {
        return Ok(Vec::new());
    }
    let step = |done, what, why, address| Beginning { done, what, why, address };
    let steps = vec![
        step(
            authority::list(site)?.iter().any(|a| a.trusted),
            "Trust an authority",
            "Adopt the root of your certificates, or create a development one.",
            "/authorities",
        ),
        step(
            !declaration::list(site)?.is_empty(),
            "Have a declaration",
            "Adopt the alliance's, or make a development one.",
            "/declarations",
        ),
        step(!product::list(site)?.is_empty(), "Add a product", "Vendor, product and device type.", "/products"),
        step(!site.book.reels()?.is_empty(), "Receive a reel", "The chip maker's manifest.", "/reels"),
        step(!site.book.deliveries(None)?.is_empty(), "Receive its delivery", "One certificate a chip.", "/deliveries"),
        step(
            !floor::stations(site)?.is_empty(),
            "Set a station up",
            "Its reel, its takt, and where its chips come from; simulated ones are loaded there.",
            "/stations",
        ),
    ];
    if steps.iter().all(|step| step.done) {
        // Two pages may find it out at once.
        let _ = app.begun.set(());
        return Ok(Vec::new());
    }
    Ok(steps)
}

fn live(app: &App) -> Result<Live, Trouble> {
    let line = floor::line(&app.site, (app.clock)())?;
    let views = line.stations.iter().map(|(s, _)| app.desks.glance(&s.station)).collect();
    let troubles = troubles(&line, (app.clock)());
    Ok(Live { line, troubles, views, beginnings: beginnings(app)? })
}

/// Width and height of the hours' drawing.
const DRAWN: (f64, f64) = (600.0, 170.0);

fn now_part(live: Live, operator: bool) -> LineNow {
    #[expect(clippy::cast_precision_loss, reason = "units of an hour")]
    let number = |n: i64| n as f64;
    let most = live.line.hours.iter().map(|h| h.passed + h.failed).max().unwrap_or(0).max(live.line.plan).max(1);
    let scale = (DRAWN.1 - 34.0) / number(most);
    let step = DRAWN.0 / 12.0;
    let bars = live
        .line
        .hours
        .iter()
        .enumerate()
        .map(|(at, hour)| {
            let (height, failed_height) = (number(hour.passed) * scale, number(hour.failed) * scale);
            #[expect(clippy::cast_precision_loss, reason = "twelve hours")]
            Bar {
                x: at as f64 * step + 4.0,
                y: DRAWN.1 - 18.0 - height,
                height,
                failed_height,
                hour: hour.hour.clone(),
                passed: hour.passed,
                failed: hour.failed,
            }
        })
        .collect();
    let plan_y = (live.line.plan > 0).then(|| DRAWN.1 - 18.0 - number(live.line.plan) * scale);
    let top = live.line.causes.first().map_or(1, |c| c.failures).max(1);
    let mut y = 0.0;
    let causes = live
        .line
        .causes
        .iter()
        .take(12)
        .map(|c| {
            let row = (y, number(c.failures) / number(top) * 260.0, c.cause.clone(), c.failures, c.running_percent);
            y += 26.0;
            row
        })
        .collect();
    LineNow { operator, live, bars, plan_y, causes }
}

async fn drawn(app: &App, person: &Person) -> Result<String, Oops> {
    let live = app.work(live).await?;
    let operator = person.role == site::access::Role::Operator;
    now_part(live, operator)
        .render()
        .map_err(|e| Trouble::surroundings(format!("the page can't be drawn: {e}"), "Report this.").into())
}

/// `GET /line`.
pub async fn show(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let now = drawn(&app, &person).await?;
    page(&LinePage { frame: Frame::new(&app, Some(&person), "/line"), now })
}

/// `GET /line/now`: the part that changes.
pub async fn now(State(app): State<App>, person: Person) -> Result<axum::response::Html<String>, Oops> {
    drawn(&app, &person).await.map(axum::response::Html)
}

#[derive(Template)]
#[template(path = "watched.html")]
struct WatchedPart {
    frame: Frame,
    seen: watch::Watch,
}

/// The page where a thing is done.
fn address(at: &At) -> String {
    match at {
        At::Authorities => "/authorities".into(),
        At::Declarations => "/declarations".into(),
        At::Revocation => "/revocation".into(),
        At::Request(number) => format!("/revocation/requests/{number}"),
        At::Plan(product) => format!("/plan?past={}", in_address(&format!("product:{product}"))),
    }
}

/// HTML of what to do: a link to the page that does it, or the command where none does.
fn advice_html(watched: &watch::Watched) -> String {
    let piece = |piece: &Piece| match piece {
        Piece::Words(words) => escaped(words),
        Piece::Act(_, Some((words, at))) => format!("<a href=\"{}\">{}</a>", escaped(&address(at)), escaped(words)),
        Piece::Act(command, None) => {
            let pieces = command.split('`').map(escaped).enumerate();
            pieces.map(|(n, piece)| if n % 2 == 1 { format!("<code>{piece}</code>") } else { piece }).collect()
        }
    };
    watched.advice.0.iter().map(piece).collect()
}

/// Whether it has happened already.
fn past(watched: &watch::Watched) -> bool {
    watched.days_left.is_some_and(|days| days < 0)
}

/// `GET /line/watch`: what falls due within the days that the site sets. However many look at it, the rooms are asked at most once a
/// minute.
pub async fn watched(State(app): State<App>, person: Person) -> Result<axum::response::Html<String>, Oops> {
    let who = app.who(&person);
    let told = app
        .work(move |app| {
            // Held over the look: who asks meanwhile waits for the same answer.
            let mut last = app.watched.lock().unwrap_or_else(PoisonError::into_inner);
            let now = (app.clock)();
            if let Some((at, told)) = last.as_ref()
                && now - *at < time::Duration::MINUTE
                && now >= *at
            {
                return Ok(told.clone());
            }
            let seen = watch::watch(&app.site, None, &[], &who)?;
            let told = WatchedPart { frame: Frame::new(app, None, "/line"), seen }
                .render()
                .map_err(|e| Trouble::surroundings(format!("the page can't be drawn: {e}"), "Report this."))?;
            *last = Some((now, told.clone()));
            Ok(told)
        })
        .await?;
    Ok(axum::response::Html(told))
}

/// How often an open stream looks whether its person may still see it.
const RIGHTS: std::time::Duration = std::time::Duration::from_secs(4);

/// `GET /line/events`: that something changed.
pub async fn events(State(app): State<App>, person: Person) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let mut views = app.views.subscribe();
    let mut closing = app.closing.clone();
    let (send, receive) = tokio::sync::mpsc::channel(2);
    tokio::spawn(async move {
        let mut beat = tokio::time::interval(RIGHTS);
        loop {
            tokio::select! {
                _ = closing.changed() => return,
                () = send.closed() => return,
                _ = beat.tick() => {
                    if person.stays(&app).await { continue }
                    return
                }
                view = views.recv() => if matches!(view, Err(RecvError::Closed)) { return },
            }
            tokio::time::sleep(PAUSE).await;
            // What came meanwhile is told by the same drawing.
            while views.try_recv().is_ok() {}
            if send.send(Ok(Event::default().event("changed").data("."))).await.is_err() {
                return;
            }
        }
    });
    Sse::new(tokio_stream::wrappers::ReceiverStream::new(receive)).keep_alive(KeepAlive::default())
}

#[cfg(test)]
mod tests {
    use answer::watch::{Advice, Kind, Watched};

    use super::*;

    #[test]
    fn advice_leads_to_the_page_that_does_it() {
        let of = |piece| {
            let words = Piece::Words("Now & then: ");
            let advice = Advice(vec![words, piece]);
            let what = String::new();
            advice_html(&Watched {
                kind: Kind::Stock,
                name: "x".into(),
                what,
                at: None,
                days_left: None,
                due: true,
                advice,
            })
        };
        let page = |at| of(Piece::Act("`touchmark plan`", Some(("the <plan>", at))));
        let linked = |to: &str| format!("Now &amp; then: <a href=\"{to}\">the &lt;plan&gt;</a>");
        assert_eq!(page(At::Plan("Tern \"Vent\"".into())), linked("/plan?past=product%3ATern%20%22Vent%22"));
        assert_eq!(page(At::Request(7)), linked("/revocation/requests/7"));
        assert_eq!(page(At::Revocation), linked("/revocation"));
        let command = of(Piece::Act("run `touchmark book backup`", None));
        assert_eq!(command, "Now &amp; then: run <code>touchmark book backup</code>");
    }
}
