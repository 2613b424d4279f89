//! The log: entries, and whether all is as it was written.

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use serde::Deserialize;
use site::ledger;
use site::ledger::EntryView;

use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Task};

#[derive(Template)]
#[template(path = "log.html")]
struct LogPage {
    frame: Frame,
    entries: Vec<(EntryView, Option<String>)>,
    next: Option<i64>,
}

/// Before which entry.
#[derive(Deserialize)]
pub struct Before {
    before: Option<i64>,
}

/// Where a subject has a page.
fn address(entry: &EntryView) -> Option<String> {
    let name = in_address(&entry.subject);
    match entry.kind.as_str() {
        "unit" => Some(format!("/units/{name}")),
        "reel" => Some(format!("/reels/{name}")),
        "delivery" => Some(format!("/deliveries/{name}")),
        "product" => Some(format!("/products/{name}")),
        "authority" => Some(format!("/authorities/{name}")),
        "declaration" => Some(format!("/declarations/{name}")),
        "account" => Some(format!("/people/{name}")),
        "token" => Some("/people".into()),
        "station" => Some(format!("/stations/{name}/about")),
        _ => None,
    }
}

/// `GET /log`.
pub async fn list(State(app): State<App>, person: Person, Query(query): Query<Before>) -> Result<Response, Oops> {
    let (entries, next) = app.work(move |app| ledger::entries(&app.site, query.before, 100)).await?;
    let entries = entries.into_iter().map(|e| (address(&e), e)).map(|(a, e)| (e, a)).collect();
    page(&LogPage { frame: Frame::new(&app, Some(&person), "/log"), entries, next })
}

/// `POST /log/verify`: the whole book, with progress.
///
/// # Errors
///
/// Where too much runs.
pub async fn verify(asker: Asker) -> Result<Response, Oops> {
    incoming::ask(&asker, Task::Verify, "the whole book".into(), None).await
}
