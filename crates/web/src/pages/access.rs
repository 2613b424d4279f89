//! Signing in and out, the first account, one's own password.

use askama::Template;
use axum::Form;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;
use works::access::{self, Begun, Role};
use works::{Advise, Trouble};

use crate::answer::{Oops, Worded, go, page, status};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::{Peer, Person, cookie};

#[derive(Template)]
#[template(path = "sign_in.html")]
struct SignInPage {
    frame: Frame,
    next: String,
    name: String,
    failed: Option<(String, String)>,
}

#[derive(Template)]
#[template(path = "first.html")]
struct FirstPage {
    frame: Frame,
    word: String,
    name: String,
    failed: Option<(String, String)>,
}

#[derive(Template)]
#[template(path = "account.html")]
struct AccountPage {
    frame: Frame,
}

/// Where to go after signing in.
#[derive(Deserialize)]
pub struct NextQuery {
    #[serde(default)]
    next: String,
}

/// Name and password.
#[derive(Deserialize)]
pub struct SignIn {
    #[serde(default)]
    name: String,
    #[serde(default)]
    password: String,
    #[serde(default)]
    next: String,
}

/// A badge's code.
#[derive(Deserialize)]
pub struct Badge {
    #[serde(default)]
    code: String,
    #[serde(default)]
    next: String,
}

/// The word of the one-time link, name and password.
#[derive(Deserialize)]
pub struct First {
    #[serde(default)]
    word: String,
    #[serde(default)]
    name: String,
    #[serde(default)]
    password: String,
}

/// The old and the new password.
#[derive(Deserialize)]
pub struct Own {
    #[serde(default)]
    old: String,
    #[serde(default)]
    new: String,
}

/// Only addresses of this site: anything else would lead people away.
fn within(next: &str) -> &str {
    let plain = next.starts_with('/') && !next.starts_with("//") && !next.contains(['\\', '\r', '\n']);
    if plain { next } else { "/" }
}

fn entered(app: &App, begun: &Begun, next: &str) -> Response {
    let mut response = Redirect::to(within(next)).into_response();
    if let Ok(value) = HeaderValue::from_str(&cookie(app, Some(&begun.token))) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

fn told(trouble: &Trouble) -> (StatusCode, (String, String)) {
    (status(trouble.kind()), (trouble.to_string(), trouble.advice().unwrap_or_default()))
}

/// `GET /sign-in`.
///
/// # Errors
///
/// Where it can't be drawn.
pub async fn show(State(app): State<App>, Query(query): Query<NextQuery>) -> Result<Response, Oops> {
    if app.link().is_some() {
        return Ok(Redirect::to("/first").into_response());
    }
    page(&SignInPage { frame: Frame::new(&app, None, ""), next: query.next, name: String::new(), failed: None })
}

fn again(app: &App, name: String, next: String, trouble: &Trouble) -> Result<Response, Oops> {
    let (code, failed) = told(trouble);
    let mut response = page(&SignInPage { frame: Frame::new(app, None, ""), next, name, failed: Some(failed) })?;
    *response.status_mut() = code;
    response.extensions_mut().insert(Worded);
    Ok(response)
}

/// `POST /sign-in`.
///
/// # Errors
///
/// Where the page can't be drawn; a wrong password is shown on it.
pub async fn sign_in(State(app): State<App>, Peer(peer): Peer, Form(form): Form<SignIn>) -> Result<Response, Oops> {
    let (name, password) = (form.name.clone(), zeroize::Zeroizing::new(form.password));
    let done =
        app.work(move |app| Ok(access::sign_in(&app.site, &app.gate, &name, &password, &peer, app.clock))).await?;
    match done {
        Ok(begun) => Ok(entered(&app, &begun, &form.next)),
        Err(trouble) => again(&app, form.name, form.next, &trouble),
    }
}

/// `POST /badge`.
///
/// # Errors
///
/// Where the page can't be drawn; an unknown badge is told on it.
pub async fn badge(State(app): State<App>, Peer(peer): Peer, Form(form): Form<Badge>) -> Result<Response, Oops> {
    let code = zeroize::Zeroizing::new(form.code);
    let done = app.work(move |app| Ok(access::sign_in_by_badge(&app.site, &app.gate, &code, &peer, app.clock))).await?;
    match done {
        Ok(begun) => Ok(entered(&app, &begun, &form.next)),
        Err(trouble) => again(&app, String::new(), form.next, &trouble),
    }
}

/// `GET /first`: the first account of a site.
///
/// # Errors
///
/// Where there are accounts by now.
pub async fn show_first(State(app): State<App>, Query(query): Query<First>) -> Result<Response, Oops> {
    if app.link().is_none() {
        return Ok(Redirect::to("/sign-in").into_response());
    }
    page(&FirstPage { frame: Frame::new(&app, None, ""), word: query.word, name: String::new(), failed: None })
}

/// `POST /first`.
///
/// # Errors
///
/// Where the page can't be drawn; what is wrong is told on it.
pub async fn first(State(app): State<App>, Peer(peer): Peer, Form(form): Form<First>) -> Result<Response, Oops> {
    let right = app.link();
    let word = form.word.clone();
    let (name, password) = (form.name.clone(), zeroize::Zeroizing::new(form.password));
    let done = app
        .work(move |app| {
            app.gate.pass(&format!("peer {peer}"), (app.clock)())?;
            // Digests are compared, so that the time taken tells nothing of the word.
            if right.is_none_or(|r| access::digest(&r) != access::digest(&word)) {
                return Ok(Err(Trouble::refused(
                    "this is not the link that the server printed, or it was used",
                    "Open the link that `touchmark serve` printed when it started.",
                )));
            }
            Ok(access::first(&app.site, name.trim(), &password, app.clock))
        })
        .await?;
    match done {
        Ok(begun) => {
            app.link.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take();
            Ok(entered(&app, &begun, "/"))
        }
        Err(trouble) => {
            let (code, failed) = told(&trouble);
            let frame = Frame::new(&app, None, "");
            let mut response = page(&FirstPage { frame, word: form.word, name: form.name, failed: Some(failed) })?;
            *response.status_mut() = code;
            response.extensions_mut().insert(Worded);
            Ok(response)
        }
    }
}

/// `POST /sign-out`.
///
/// # Errors
///
/// Where the book gave no answer.
pub async fn sign_out(State(app): State<App>, person: Person, headers: HeaderMap) -> Result<Response, Oops> {
    let who = app.who(&person);
    app.work(move |app| access::sign_out(&app.site, &person.token, &who)).await?;
    let mut response = go(&headers, "/sign-in");
    if let Ok(value) = HeaderValue::from_str(&cookie(&app, None)) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    Ok(response)
}

/// `GET /`: the part of the site that the person works in.
pub async fn home(person: Person) -> Redirect {
    Redirect::to(if person.role == Role::Operator { "/stations" } else { "/line" })
}

/// `GET /account`: one's own password.
///
/// # Errors
///
/// Where it can't be drawn.
pub async fn show_own(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    page(&AccountPage { frame: Frame::new(&app, Some(&person), "/account") })
}

/// `POST /account`.
///
/// # Errors
///
/// Where the old password is wrong.
pub async fn change_own(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Form(form): Form<Own>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let (old, new) = (zeroize::Zeroizing::new(form.old), zeroize::Zeroizing::new(form.new));
    app.work(move |app| access::change_own(&app.site, &app.gate, &old, &new, &who)).await?;
    Ok(go(&headers, "/sign-in"))
}

#[cfg(test)]
mod tests {
    use super::within;

    #[test]
    fn nobody_is_led_away() {
        for (next, to) in [
            ("/reels/A", "/reels/A"),
            ("", "/"),
            ("//evil.example", "/"),
            ("https://evil.example", "/"),
            ("/\\evil.example", "/"),
            ("/a\r\nSet-Cookie: x", "/"),
        ] {
            assert_eq!(within(next), to, "{next:?}");
        }
    }
}
