//! Reels: what lies on them, and receiving them.

use askama::Template;
use axum::Form;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use works::chips::Passphrase;
use works::floor::{self, Cell, Fate, Tape};
use works::reel::manifest::ColumnMap;
use works::trouble::About as _;
use works::{Trouble, authority, delivery, order, product, reel};

use super::{Part, SHOWN, given};
use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files, Task, Upload};

/// Cells of the drawing, at most.
const CELLS: i64 = 1_200;
/// Cells in a turn of the tape.
const TURN: usize = 60;

#[derive(Template)]
#[template(path = "reels.html")]
struct ListPage {
    frame: Frame,
    reels: Vec<reel::ReelView>,
    older: Option<usize>,
    products: Vec<String>,
}

#[derive(Template)]
#[template(path = "reel.html")]
struct ReelPage {
    frame: Frame,
    reel: reel::ReelView,
    address: String,
    tape: String,
    deliveries: Vec<delivery::DeliveryView>,
    issuers: Vec<String>,
}

#[derive(Template)]
#[template(path = "tape.html")]
struct TapePart {
    reel: String,
    address: String,
    tape: Tape,
    places: Vec<Spot>,
    ribbon: String,
    holes: Vec<(i64, i64)>,
    height: i64,
    stretches: Vec<Stretch>,
}

/// A cell and where it is drawn.
pub struct Spot {
    /// Left edge.
    pub x: i64,
    /// Top edge.
    pub y: i64,
    /// The cell.
    pub cell: Cell,
    /// Where a click leads.
    pub to: String,
    /// What it says.
    pub says: String,
}

/// Chips of one fate that lie side by side.
pub struct Stretch {
    /// First place.
    pub from: i64,
    /// Last place.
    pub to: i64,
    /// The fate.
    pub fate: Fate,
    /// How many of them.
    pub count: usize,
    /// Where it leads.
    pub address: String,
}

impl ReelPage {
    fn issue_address(&self) -> String {
        format!("{}/issue", self.address)
    }
}

/// Size of a cell and distance of two turns.
const CELL: i64 = 16;
const PITCH: i64 = 30;

fn shape_of(fate: Fate) -> &'static str {
    match fate {
        Fate::Passed => "struck",
        Fate::Blank => "dot",
        Fate::Open => "ring",
        Fate::Failed => "cracked",
        Fate::Scrapped => "dot-crossed",
        Fate::Returned => "returned",
        Fate::Without => "tag-crossed",
    }
}

impl Spot {
    fn shape(&self) -> &'static str {
        shape_of(self.cell.fate)
    }

    fn class(&self) -> String {
        self.cell.fate.word().replace(' ', "-")
    }
}

fn laid(reel: &str, tape: Tape) -> TapePart {
    let address = format!("/reels/{}", in_address(reel));
    let mut places = Vec::with_capacity(tape.cells.len());
    let turns = tape.cells.len().div_ceil(TURN).max(1);
    for (at, cell) in tape.cells.iter().enumerate() {
        let (turn, along) = (at / TURN, at % TURN);
        // A tape winds: every second turn runs back.
        let column = if turn % 2 == 0 { along } else { TURN - 1 - along };
        let whole = |n: usize| i64::try_from(n).unwrap_or(0);
        let (to, says) = match &cell.chip {
            Some((chip, unit)) => {
                let to = unit.as_ref().map_or_else(
                    || format!("/units?find={}", in_address(chip)),
                    |u| format!("/units/{}", in_address(u)),
                );
                let named = unit.as_ref().map_or(String::new(), |u| format!(", unit {u}"));
                (to, format!("chip {} at place {}: {}{named}", chip, cell.from, cell.fate.word()))
            }
            None => (
                format!("{address}?from={}&to={}", cell.from, cell.to),
                format!("places {} to {}: {} {}", cell.from, cell.to, cell.count, cell.fate.word()),
            ),
        };
        places.push(Spot { x: 24 + whole(column) * CELL, y: 8 + whole(turn) * PITCH, cell: cell.clone(), to, says });
    }
    let right = 24 + i64::try_from(TURN).unwrap_or(0) * CELL;
    let mut ribbon = String::from("M 24 16");
    let mut holes = Vec::new();
    for turn in 0..turns {
        let y = 16 + i64::try_from(turn).unwrap_or(0) * PITCH;
        let (end, bulge) = if turn % 2 == 0 { (right, 1) } else { (24, 0) };
        ribbon += &format!(" L {end} {y}");
        if turn + 1 < turns {
            ribbon += &format!(" A 15 15 0 0 {bulge} {end} {}", y + PITCH);
        }
        holes.extend((0..30).map(|n| (32 + n * 32, y + 11)));
    }
    let mut stretches: Vec<Stretch> = Vec::new();
    for cell in &tape.cells {
        if matches!(cell.fate, Fate::Passed | Fate::Blank) {
            continue;
        }
        match stretches.last_mut() {
            Some(last) if last.fate == cell.fate && last.to + 1 == cell.from => {
                last.to = cell.to;
                last.count += cell.count;
            }
            _ => stretches.push(Stretch {
                from: cell.from,
                to: cell.to,
                fate: cell.fate,
                count: cell.count,
                address: String::new(),
            }),
        }
    }
    for s in &mut stretches {
        s.address = format!("{address}?from={}&to={}", s.from, s.to);
    }
    stretches.sort_by_key(|s| std::cmp::Reverse(s.count));
    stretches.truncate(20);
    let height = i64::try_from(turns).unwrap_or(1) * PITCH + 10;
    TapePart { reel: reel.to_owned(), address, tape, places, ribbon, holes, height, stretches }
}

/// Which part of the tape.
#[derive(Debug, Default, Deserialize)]
pub struct Range {
    from: Option<String>,
    to: Option<String>,
}

impl Range {
    fn read(&self) -> Option<(i64, i64)> {
        let read = |t: &Option<String>| t.as_deref().and_then(|t| t.trim().parse().ok());
        read(&self.from).zip(read(&self.to))
    }
}

fn tape_of(app: &App, name: &str, range: Option<(i64, i64)>) -> Result<String, Trouble> {
    let tape = floor::tape(&app.site, name, range, CELLS)?;
    laid(name, tape)
        .render()
        .map_err(|e| Trouble::surroundings(format!("the tape can't be drawn: {e}"), "Report this."))
}

/// `GET /reels`.
///
/// # Errors
///
/// Where the book gave no answer.
pub async fn list(State(app): State<App>, person: Person, Query(part): Query<Part>) -> Result<Response, Oops> {
    let from = part.begins();
    let ((reels, more), products) = app
        .work(move |app| {
            let products = product::list(&app.site)?.into_iter().map(|p| p.name).collect();
            Ok((reel::newest(&app.site, from, SHOWN)?, products))
        })
        .await?;
    let older = more.then_some(from + SHOWN);
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/reels"), reels, older, products })
}

/// `POST /reels`: receives a manifest.
///
/// # Errors
///
/// Where the form makes no sense.
pub async fn receive(asker: Asker, form: Files) -> Result<Response, Oops> {
    let task = |upload: &Upload| {
        let mut map = ColumnMap::default();
        for (field, column) in [("chip_id", &mut map.chip_id), ("public_key", &mut map.public_key)] {
            if let Some(named) = given(upload.text(field)) {
                named.clone_into(column);
            }
        }
        let text = |field| upload.text(field).to_owned();
        Ok(Task::Reel { reel: text("reel"), product: text("product"), map })
    };
    incoming::bring(&asker, form, "file", task).await
}

/// `GET /reels/{reel}`.
///
/// # Errors
///
/// Where there is none.
pub async fn show(
    State(app): State<App>,
    person: Person,
    Path(name): Path<String>,
    Query(range): Query<Range>,
) -> Result<Response, Oops> {
    let asked = name.clone();
    let (reel, tape, deliveries, issuers) = app
        .work(move |app| {
            let shown = reel::show(&app.site, &asked)?;
            let (deliveries, _) = delivery::newest(&app.site, Some(&shown.reel), 0, usize::MAX)?;
            let issuers = authority::list(&app.site)?.into_iter().filter(|a| a.role == "pai" && a.key_here);
            let tape = tape_of(app, &asked, range.read())?;
            Ok((shown, tape, deliveries, issuers.map(|a| a.name).collect()))
        })
        .await?;
    let address = format!("/reels/{}", in_address(&name));
    page(&ReelPage { frame: Frame::new(&app, Some(&person), "/reels"), reel, address, tape, deliveries, issuers })
}

/// `GET /reels/{reel}/tape`: a part of the tape.
///
/// # Errors
///
/// Where there is no such reel.
pub async fn tape(
    State(app): State<App>,
    _person: Person,
    Path(name): Path<String>,
    Query(range): Query<Range>,
) -> Result<axum::response::Html<String>, Oops> {
    app.work(move |app| tape_of(app, &name, range.read())).await.map(axum::response::Html)
}

/// Who issues, and what opens the key.
#[derive(Deserialize)]
pub struct Issue {
    #[serde(default)]
    issuer: String,
    #[serde(default)]
    passphrase: String,
}

/// `POST /reels/{reel}/issue`: credentials for every chip that has none, with progress.
///
/// # Errors
///
/// Where too much runs.
pub async fn issue(asker: Asker, Path(name): Path<String>, Form(form): Form<Issue>) -> Result<Response, Oops> {
    let passphrase = Passphrase::new(form.passphrase).about("passphrase")?;
    let title = format!("credentials for reel {name}");
    let task = Task::Issue { reel: name, issuer: form.issuer, passphrase: std::sync::Arc::new(passphrase) };
    incoming::ask(&asker, task, title, None).await
}

/// `POST /reels/{reel}/order`: what an outside authority needs, as a file.
///
/// # Errors
///
/// Where nothing is left to order.
pub async fn order(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let who = app.who(&person);
    let reel = name.clone();
    let octets = app
        .work(move |app| {
            let folder = tempfile::tempdir()
                .map_err(|e| Trouble::surroundings(format!("no temporary folder: {e}"), "Look at the disk."))?;
            let out = folder.path().join(format!("order-{}.csv", reel.replace('/', "-")));
            order::write(&app.site, &reel, &out, &who)?;
            std::fs::read(&out).map_err(|e| Trouble::file(&out, e))
        })
        .await?;
    let plain: String = name.chars().filter(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_')).collect();
    let mut response = octets.into_response();
    response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static("text/csv; charset=utf-8"));
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"order-{plain}.csv\"")) {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
    Ok(response)
}
