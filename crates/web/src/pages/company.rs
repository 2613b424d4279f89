//! Signing in with the company's account: to its provider and back.

use askama::Template;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;
use site::access;

use super::access::{NextQuery, SignInPage, within};
use crate::again::Again;
use crate::answer::{Oops, Told, Worded, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::{Peer, company_cookie, company_cookie_of, cookie};

/// The page that leads on. A redirect would not do: the browser comes from the provider's site, and until a page of
/// ours has led it on, it sends no strict cookie.
#[derive(Template)]
#[template(path = "signed_in.html")]
struct SignedInPage {
    frame: Frame,
    next: String,
}

/// What the provider gives the browser to bring.
#[derive(Deserialize)]
pub struct Back {
    #[serde(default)]
    state: String,
    code: Option<String>,
    error: Option<String>,
    iss: Option<String>,
}

fn keep(response: &mut Response, cookie: &str) {
    if let Ok(value) = HeaderValue::from_str(cookie) {
        response.headers_mut().append(header::SET_COOKIE, value);
    }
}

/// The sign-in page again, with what went wrong above it: whoever has a local account goes on from there.
fn again(app: &App, next: String, oops: Oops) -> Result<Response, Oops> {
    let said = oops.into_response();
    let told = said.extensions().get::<Told>().map(|told| (told.message.clone(), told.advice.clone()));
    let mut response = page(&SignInPage::new(app, Again::default(), next, told))?;
    *response.status_mut() = said.status();
    response.extensions_mut().insert(Worded);
    said.headers()
        .get(header::RETRY_AFTER)
        .map(|wait| response.headers_mut().insert(header::RETRY_AFTER, wait.clone()));
    Ok(response)
}

/// `GET /sign-in/company`: on to the provider.
///
/// # Errors
///
/// Where the page that says why not can't be drawn.
pub async fn begin(State(app): State<App>, Peer(peer): Peer, Query(query): Query<NextQuery>) -> Result<Response, Oops> {
    let Some(company) = app.company.clone() else { return Err(Oops::Missing) };
    // The first account is a local engineer's: a site must never depend on its provider alone.
    if app.link().is_some() {
        return Ok(Redirect::to("/first").into_response());
    }
    let next = query.next.clone();
    let begun = app.work(move |app| company.begin(&app.site, &app.gate, (&peer, &next), app.clock)).await;
    match begun {
        Ok(begun) => {
            let mut response = Redirect::to(&begun.to).into_response();
            keep(&mut response, &company_cookie(&app, Some(&begun.browser)));
            Ok(response)
        }
        Err(oops) => again(&app, query.next, oops),
    }
}

/// `GET /sign-in/company/back`: back from the provider.
///
/// # Errors
///
/// Where the page that says why not can't be drawn.
pub async fn back(
    State(app): State<App>,
    Peer(peer): Peer,
    headers: HeaderMap,
    Query(query): Query<Back>,
) -> Result<Response, Oops> {
    let Some(company) = app.company.clone() else { return Err(Oops::Missing) };
    let browser = company_cookie_of(&app, &headers);
    let answer = access::Answer { state: query.state, code: query.code, error: query.error, iss: query.iss, browser };
    let done = app.work(move |app| company.finish(&app.site, &app.gate, (&peer, answer), app.clock)).await;
    let mut response = match done {
        Ok((begun, next)) => {
            let next = within(&next).to_owned();
            let mut response = page(&SignedInPage { frame: Frame::door(&app, Again::default()), next })?;
            keep(&mut response, &cookie(&app, Some(&begun.token)));
            response
        }
        Err(oops) => again(&app, String::new(), oops)?,
    };
    keep(&mut response, &company_cookie(&app, None));
    Ok(response)
}
