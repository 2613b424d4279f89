//! The log: entries, and whether all is as it was written.

use askama::Template;
use axum::extract::{Query, State};
use axum::response::Response;
use serde::Deserialize;
use serde_json::Value;
use works::ledger::{self, EntryView};

use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;

#[derive(Template)]
#[template(path = "log.html")]
struct LogPage {
    frame: Frame,
    entries: Vec<(EntryView, Option<String>)>,
    next: Option<i64>,
}

#[derive(Template)]
#[template(path = "verified.html")]
struct VerifiedPart {
    done: Value,
    damages: Vec<(String, String, String)>,
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
        "product" => Some("/products".into()),
        "authority" => Some("/authorities".into()),
        "declaration" => Some("/declarations".into()),
        "account" | "token" => Some("/people".into()),
        "station" => Some("/stations".into()),
        _ => None,
    }
}

/// `GET /log`.
///
/// # Errors
///
/// Where the book gave no answer.
pub async fn list(State(app): State<App>, person: Person, Query(query): Query<Before>) -> Result<Response, Oops> {
    let (entries, next) = app.work(move |app| ledger::entries(&app.site, query.before, 100)).await?;
    let entries = entries.into_iter().map(|e| (address(&e), e)).map(|(a, e)| (e, a)).collect();
    page(&LogPage { frame: Frame::new(&app, Some(&person), "/log"), entries, next })
}

/// `POST /log/verify`.
///
/// # Errors
///
/// Where the book gave no answer.
pub async fn verify(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let who = app.who(&person);
    let done = app.work(move |app| ledger::verify(&app.site, &who, &works::course::Course::new())).await?;
    let text = |v: &Value, key: &str| v.get(key).and_then(Value::as_str).unwrap_or_default().to_owned();
    let damages = done.get("damages").and_then(Value::as_array).cloned().unwrap_or_default();
    let damages = damages.iter().take(50).map(|d| (text(d, "table"), text(d, "key"), text(d, "found"))).collect();
    page(&VerifiedPart { done, damages })
}
