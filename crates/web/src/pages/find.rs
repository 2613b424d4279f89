//! One box for everything: what was typed or scanned leads to its page.

use answer::lookup::{Hit, LookedUp, Noun, look_up};
use askama::Template;
use axum::extract::{Query, State};
use axum::response::{IntoResponse as _, Redirect, Response};
use line::search;
use serde::Deserialize;
use site::access::Role;

use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;

/// Places of a reel shown on each side of a chip.
const AROUND: i64 = 10;

#[derive(Template)]
#[template(path = "find.html")]
struct FindPage {
    frame: Frame,
    /// What was asked; nothing of a code, which holds a passcode.
    asked: String,
    hits: Vec<(Hit, String)>,
    more: bool,
    nothing: Option<String>,
}

/// What was typed or scanned.
#[derive(Deserialize)]
pub struct Asked {
    #[serde(default)]
    q: String,
}

/// The page of what was found, for somebody of this role.
fn address(hit: &Hit, role: Role) -> String {
    let name = in_address(&hit.name);
    let of_reel = || format!("/reels/{}", in_address(hit.reel.as_deref().unwrap_or_default()));
    match hit.noun {
        Noun::Unit => format!("/units/{name}"),
        Noun::Chip => match hit.place {
            Some(place) => format!("{}?from={}&to={}", of_reel(), (place - AROUND).max(1), place + AROUND),
            None => of_reel(),
        },
        Noun::Carton => format!("/cartons/{name}"),
        Noun::Shipment => format!("/impact?shipment={name}"),
        Noun::Reel => format!("/reels/{name}"),
        Noun::Order => of_reel(),
        Noun::Delivery => format!("/deliveries/{name}"),
        Noun::Station if role == Role::Auditor => format!("/stations/{name}/about"),
        Noun::Station => format!("/stations/{name}"),
        Noun::Product => format!("/products/{name}"),
        Noun::Authority => format!("/authorities/{name}"),
        Noun::Declaration => format!("/declarations/{name}"),
        Noun::TrustSet => format!("/trust-sets/{name}"),
        Noun::Person => format!("/people/{name}"),
        Noun::Rule => format!("/rules/{name}"),
    }
}

/// `GET /find`: leads to the page of what it names, or lists what it may name.
///
/// # Errors
///
/// Where the book gives no answer.
pub async fn find(State(app): State<App>, person: Person, Query(asked): Query<Asked>) -> Result<Response, Oops> {
    let text = asked.q.trim().to_owned();
    let found = match text.is_empty() {
        true => LookedUp { hits: Vec::new(), more: false },
        false => {
            let text = text.clone();
            app.work(move |app| look_up(&app.site, &text, None)).await?
        }
    };
    let hits: Vec<_> =
        found.hits.into_iter().map(|hit| (address(&hit, person.role), hit)).map(|(a, h)| (h, a)).collect();
    if let [(_, only)] = &hits[..] {
        return Ok(Redirect::to(only).into_response());
    }
    let nothing = (hits.is_empty() && !text.is_empty()).then(|| search::nothing_found(&text));
    let asked = if line::label::looks_like_code(&text) { String::new() } else { text };
    page(&FindPage { frame: Frame::new(&app, Some(&person), "/find"), asked, hits, more: found.more, nothing })
}
