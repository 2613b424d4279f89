//! Signing in and out, the first account, one's own password.

use askama::Template;
use axum::Form;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::{IntoResponse, Redirect, Response};
use base::Trouble;
use serde::Deserialize;
use site::access;
use site::access::{Begun, Pace, Role};

use crate::again::Again;
use crate::answer::{Oops, go, in_address, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::{Peer, Person, cookie};
use crate::on_page::filters;

#[derive(Template)]
#[template(path = "sign_in.html")]
pub(super) struct SignInPage {
    frame: Frame,
    next: String,
    /// What the company's sign-in is called, and where it begins.
    company: Option<(String, String)>,
    /// Why there is no session yet, and what to do.
    trouble: Option<(String, String)>,
}

impl SignInPage {
    pub(super) fn new(app: &App, again: Again, next: String, trouble: Option<(String, String)>) -> Self {
        let named = app.site.settings.pages.openid.as_ref().zip(app.company.as_ref());
        let company = named.map(|(settings, company)| {
            let begin = format!("{}/sign-in/company?next={}", company.address(), in_address(&next));
            (settings.name.clone(), begin)
        });
        Self { frame: Frame::door(app, again), next, company, trouble }
    }

    /// A scanner types at once; where a form is given again its own field has the focus.
    fn badge_attributes(&self) -> &'static str {
        match self.frame.again.0 {
            None => "autocomplete='off' data-lpignore='true' autofocus required",
            Some(_) => "autocomplete='off' data-lpignore='true' required",
        }
    }
}

#[derive(Template)]
#[template(path = "first.html")]
struct FirstPage {
    frame: Frame,
    word: String,
}

impl FirstPage {
    fn name_attributes(&self) -> &'static str {
        match self.frame.again.0 {
            None => "autocomplete='username' maxlength='100' required autofocus",
            Some(_) => "autocomplete='username' maxlength='100' required",
        }
    }
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
    pub(super) next: String,
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
///
/// Browsers drop tabs and line ends from an address and take a backslash for a slash (WHATWG URL §4.4), and what
/// stands between may undo percent-encoding: the address is refused where any such reading has another host.
pub(super) fn within(next: &str) -> &str {
    let leads_away = |address: &str| !address.starts_with('/') || address[1..].starts_with(['/', '\\']);
    let mut read = next.to_owned();
    for _ in 0..3 {
        let path = read.split(['?', '#']).next().unwrap_or_default();
        if leads_away(&read) || path.contains('\\') || path.chars().any(char::is_control) {
            return "/";
        }
        read = percent_encoding::percent_decode_str(&read).decode_utf8_lossy().into_owned();
    }
    if next.bytes().all(|b| b.is_ascii_graphic()) { next } else { "/" }
}

fn entered(app: &App, begun: &Begun, next: &str) -> Response {
    let mut response = Redirect::to(within(next)).into_response();
    if let Ok(value) = HeaderValue::from_str(&cookie(app, Some(&begun.token))) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

/// `GET /sign-in`.
///
/// # Errors
///
/// Where it can't be drawn.
pub async fn show(State(app): State<App>, again: Again, Query(query): Query<NextQuery>) -> Result<Response, Oops> {
    if app.link().is_some() {
        return Ok(Redirect::to("/first").into_response());
    }
    page(&SignInPage::new(&app, again, query.next, None))
}

/// `POST /sign-in`.
///
/// # Errors
///
/// Where name or password is wrong.
pub async fn sign_in(State(app): State<App>, Peer(peer): Peer, Form(form): Form<SignIn>) -> Result<Response, Oops> {
    let (name, password) = (form.name, zeroize::Zeroizing::new(form.password));
    let begun = app.work(move |app| access::sign_in(&app.site, &app.gate, &name, &password, &peer, app.clock)).await?;
    Ok(entered(&app, &begun, &form.next))
}

/// `POST /badge`.
///
/// # Errors
///
/// Where the badge opens no account.
pub async fn badge(State(app): State<App>, Peer(peer): Peer, Form(form): Form<Badge>) -> Result<Response, Oops> {
    let code = zeroize::Zeroizing::new(form.code);
    let begun = app.work(move |app| access::sign_in_by_badge(&app.site, &app.gate, &code, &peer, app.clock)).await?;
    Ok(entered(&app, &begun, &form.next))
}

/// `GET /first`: the first account of a site.
///
/// # Errors
///
/// Where there are accounts by now.
pub async fn show_first(State(app): State<App>, again: Again, Query(query): Query<First>) -> Result<Response, Oops> {
    if app.link().is_none() {
        return Ok(Redirect::to("/sign-in").into_response());
    }
    let kept = again.0.as_ref().and_then(|kept| kept.values.iter().find(|(name, _)| name == "word"));
    let word = kept.map_or(query.word, |(_, word)| word.clone());
    page(&FirstPage { frame: Frame::door(&app, again), word })
}

/// `POST /first`.
///
/// # Errors
///
/// Where the link, the name or the password can't be.
pub async fn first(State(app): State<App>, Peer(peer): Peer, Form(form): Form<First>) -> Result<Response, Oops> {
    let right = app.link();
    let (word, name, password) = (form.word, form.name, zeroize::Zeroizing::new(form.password));
    let begun = app
        .work(move |app| {
            app.gate.pass(&format!("address {peer}"), Pace::ADDRESS, (app.clock)())?;
            // Digests are compared, so that the time taken tells nothing of the word.
            if right.is_none_or(|r| access::digest(&r) != access::digest(&word)) {
                return Err(Trouble::refused(
                    "this is not the link that the server printed, or it was used",
                    "Open the link that `touchmark serve` printed when it started.",
                ));
            }
            access::first(&app.site, name.trim(), &password, app.clock)
        })
        .await?;
    app.link.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take();
    Ok(entered(&app, &begun, "/"))
}

/// `POST /sign-out`.
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
            ("/\t/evil.example", "/"),
            ("/\n/evil.example", "/"),
            ("\t//evil.example", "/"),
            ("/%2Fevil.example", "/"),
            ("/%252Fevil.example", "/"),
            ("/%5Cevil.example", "/"),
            ("/%09/evil.example", "/"),
            ("/a/%5C..%5C/evil", "/"),
            ("javascript:alert(1)", "/"),
            ("/reels/Tern%20A?tape=1&to=http%3A%2F%2Fx", "/reels/Tern%20A?tape=1&to=http%3A%2F%2Fx"),
            ("/units?find=MT%3AA%2F%2FB", "/units?find=MT%3AA%2F%2FB"),
        ] {
            assert_eq!(within(next), to, "{next:?}");
        }
    }
}
