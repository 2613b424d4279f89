//! Evidence for an auditor: signed packs, and the key they are checked with.

use answer::evidence;
use askama::Template;
use axum::Form;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use base::Trouble;
use base::course::Course;
use line::chosen::Which;
use receive::reel;
use site::head;

use super::chosen::Choice;
use crate::answer::{Oops, download, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Task};

#[derive(Template)]
#[template(path = "evidence.html")]
struct EvidencePage {
    frame: Frame,
    choice: Choice,
    reels: Vec<String>,
}

fn folder() -> Result<tempfile::TempDir, Trouble> {
    tempfile::tempdir().map_err(|e| Trouble::file(std::path::Path::new("a temporary folder"), e))
}

/// `GET /evidence`: of what a pack is wanted.
pub async fn show(State(app): State<App>, person: Person, Query(choice): Query<Choice>) -> Result<Response, Oops> {
    let reels = app.work(|app| Ok(reel::choices(&app.site)?.into_iter().map(|r| r.reel).collect())).await?;
    page(&EvidencePage { frame: Frame::new(&app, Some(&person), "/evidence"), choice, reels })
}

/// `POST /evidence`: makes a pack, with progress; that is an entry of the log.
///
/// # Errors
///
/// Where the form makes no sense, or too much runs.
pub async fn export(asker: Asker, Form(choice): Form<Choice>) -> Result<Response, Oops> {
    let units = choice.read(site::clock::zone(&asker.app.site)?)?;
    let (file, name) = (format!("evidence-{}.zip", units.short()), format!("evidence of {}", units.which().words()));
    incoming::ask(&asker, Task::Evidence { units, file }, name, Some(folder()?)).await
}

/// `POST /units/{unit}/evidence`: a signed pack of one unit, which is an entry of the log.
///
/// # Errors
///
/// Where there is no such unit.
pub async fn pack(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let who = app.who(&person);
    let (file, octets) = app
        .work(move |app| {
            let plain: String = name.chars().filter(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_')).collect();
            let file = format!("evidence-{plain}.zip");
            let folder = folder()?;
            let out = folder.path().join(&file);
            evidence::export(&app.site, &Which::Units(&[name]), &out, None, &who, &Course::new())?;
            let octets = std::fs::read(&out).map_err(|e| Trouble::file(&out, e))?;
            Ok((file, octets))
        })
        .await?;
    Ok(download("application/zip", &file, octets))
}

/// `POST /evidence/key`: the public key of the site's log, which the first asking makes.
///
/// # Errors
///
/// Where the site key does not open.
pub async fn key(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let who = app.who(&person);
    let pem = app.work(move |app| head::public_pem(&app.site, None, &who)).await?;
    Ok(download("application/x-pem-file", "log-public-key.pem", pem))
}
