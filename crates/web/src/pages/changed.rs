//! What a change changed: old beside new, and nothing that nobody touched.

use askama::Template;
use axum::http::StatusCode;
use axum::response::Response;
use base::Trouble;

use crate::answer::{Oops, below};
use crate::asker::Asker;
use crate::frame::Frame;

/// One thing that a form changes: its name, what it was, what it is now.
pub struct Change {
    pub what: &'static str,
    pub was: String,
    pub now: String,
}

impl Change {
    /// Only where it differs.
    pub fn of(what: &'static str, was: impl Into<String>, now: impl Into<String>) -> Option<Self> {
        let (was, now) = (was.into(), now.into());
        (was != now).then_some(Self { what, was, now })
    }
}

#[derive(Template)]
#[template(path = "changed.html")]
struct ChangedPart {
    name: String,
    changes: Vec<Change>,
}

/// Shows what was changed below the form that changed it.
pub fn told(
    asker: &Asker,
    (at, title): (&'static str, &str),
    name: String,
    changes: Vec<Change>,
) -> Result<Response, Oops> {
    let frame = Frame::new(&asker.app, Some(&asker.person), at);
    below(&asker.headers, frame, (StatusCode::OK, "#changed", title), &ChangedPart { name, changes })
}

/// Refuses a form that was filled with what is no more.
///
/// # Errors
///
/// Where `seen`, as the form has it, is not how it stands now.
pub fn still(seen: &str, now: &str) -> Result<(), Trouble> {
    if seen == now {
        return Ok(());
    }
    Err(Trouble::refused(
        "somebody else changed this while the form was open",
        "Open the page again, look at what is there now, then change it. Nothing was changed.",
    ))
}
