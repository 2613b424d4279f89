//! Labels: a run of them as one PDF.

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use base::Trouble;
use base::trouble::About as _;
use line::label;
use line::label::{Job, typed};
use print::Press;
use print::sheet::Grid;
use receive::reel;

use line::carton::PackKind;

use super::chosen::Choice;
use super::given;
use crate::answer::{Oops, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files, Task, Upload};

#[derive(Template)]
#[template(path = "labels.html")]
struct LabelsPage {
    frame: Frame,
    choice: Choice,
    reels: Vec<String>,
}

/// `GET /labels`: what to print, and on what.
pub async fn show(State(app): State<App>, person: Person, Query(choice): Query<Choice>) -> Result<Response, Oops> {
    let reels = app.work(|app| Ok(reel::choices(&app.site)?.into_iter().map(|r| r.reel).collect())).await?;
    page(&LabelsPage { frame: Frame::new(&app, Some(&person), "/labels"), choice, reels })
}

/// A value that works read from text, of a field that may be empty.
fn read<T>(
    upload: &Upload,
    field: &'static str,
    read: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<T>, Trouble> {
    let Some(text) = given(upload.text(field)) else { return Ok(None) };
    let wrong = |wanted| Trouble::usage(format!("{text:?} makes no sense here"), format!("Give {wanted}."));
    read(text).map(Some).map_err(wrong).about(field)
}

fn number(text: &str) -> Result<u32, String> {
    text.parse().map_err(|_| "a whole number".into())
}

/// `POST /labels`: prints them, with progress.
///
/// # Errors
///
/// Where the form makes no sense, or too much runs.
pub async fn print(asker: Asker, form: Files) -> Result<Response, Oops> {
    let upload = incoming::take(form).await?;
    let field = |name: &str| upload.text(name).to_owned();
    let choice = Choice {
        units: field("units"),
        reel: field("reel"),
        from: field("from"),
        to: field("to"),
        in_carton: field("in_carton"),
        in_shipment: field("in_shipment"),
        all: upload.fields.get("all").cloned(),
    };
    let units = choice.read(site::clock::zone(&asker.app.site)?)?;
    let own = upload.one("own").ok().map(|path| path.display().to_string());
    let packed = given(&choice.in_carton).map(str::to_owned);
    let size = match packed {
        Some(name) => {
            let of = move |app: &App, _: &site::Who| line::carton::show(&app.site, &name, Some(PackKind::Carton));
            Some(asker.work(of).await?.units.len())
        }
        None => read(&upload, "carton", number)?.map(|size| size as usize),
    };
    let job = Job {
        template: own.or_else(|| given(upload.text("template")).map(str::to_owned)).unwrap_or("device".into()),
        carton: size,
        paper: Some(read(&upload, "sheet", typed::paper)?.unwrap_or(print::sheet::Paper::A4)),
        grid: Grid {
            cells: read(&upload, "grid", typed::cells)?,
            margin_mm: read(&upload, "margin", typed::lengths)?,
            gap_mm: read(&upload, "gap", typed::lengths)?,
            skip: read(&upload, "skip", number)?.unwrap_or(0),
        },
        press: Press { dpi: read(&upload, "dpi", number)?.unwrap_or(300), ..Press::default() },
        copies: read(&upload, "copies", number)?.unwrap_or(1),
        ..Job::to(std::path::Path::new(&format!("labels-{}.pdf", units.short())))
    };
    let job = match job.template.as_str() {
        // The label of a carton is no unit's own.
        "device" if given(&choice.in_carton).is_some() => Job { template: "multipack".into(), ..job },
        _ => job,
    };
    let known = ["device", "carton", "multipack"].contains(&job.template.as_str());
    if !known && upload.one("own").is_err() {
        // Files of this machine are named by no page.
        let advice = "Choose device, carton or multipack, or bring a file of your own.";
        return Err(Trouble::usage("there is no such template", advice).about("template").into());
    }
    label::template(&job.template).map_err(Trouble::of).about(if known { "template" } else { "own" })?;
    let name = format!("labels of {}", units.which().words());
    incoming::ask(&asker, Task::Labels { units, job }, name, Some(upload.folder)).await
}
