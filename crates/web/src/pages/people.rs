//! People and programs: accounts, badges, tokens.

use askama::Template;
use axum::Form;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use base::Trouble;
use serde::Deserialize;
use site::access;
use site::access::{AccountView, TokenView, Wish};

use super::given;
use crate::answer::{Oops, below, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;

#[derive(Template)]
#[template(path = "people.html")]
struct ListPage {
    frame: Frame,
    accounts: Vec<AccountView>,
    tokens: Vec<TokenView>,
}

#[derive(Template)]
#[template(path = "token.html")]
struct TokenPart {
    name: String,
    token: String,
}

/// An account, new or changed.
#[derive(Deserialize)]
pub struct AccountForm {
    #[serde(default)]
    name: String,
    #[serde(default)]
    role: String,
    #[serde(default)]
    password: String,
    #[serde(default)]
    badge: String,
    #[serde(default)]
    no_badge: Option<String>,
}

/// A token.
#[derive(Deserialize)]
pub struct TokenForm {
    #[serde(default)]
    name: String,
    #[serde(default)]
    role: String,
    #[serde(default)]
    days: String,
}

impl AccountForm {
    fn wish(&self) -> Wish<'_> {
        Wish {
            name: self.name.trim(),
            role: &self.role,
            password: Some(self.password.as_str()).filter(|p| !p.is_empty()),
            badge: given(&self.badge),
            no_badge: self.no_badge.is_some(),
        }
    }
}

/// `GET /people`.
pub async fn list(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let (accounts, tokens) =
        app.work(|app| Ok((access::accounts(&app.site)?, access::tokens(&app.site, (app.clock)())?))).await?;
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/people"), accounts, tokens })
}

/// `POST /people`.
///
/// # Errors
///
/// Where it can't be added.
pub async fn add(asker: Asker, Form(form): Form<AccountForm>) -> Result<Response, Oops> {
    asker.act("/people", move |app, who| access::add(&app.site, &form.wish(), who)).await
}

/// `POST /people/change`.
///
/// # Errors
///
/// Where it can't be changed so.
pub async fn change(asker: Asker, Form(form): Form<AccountForm>) -> Result<Response, Oops> {
    asker.act("/people", move |app, who| access::change(&app.site, &form.wish(), who)).await
}

/// `POST /people/close`.
///
/// # Errors
///
/// Where it is the last engineer's.
pub async fn close(asker: Asker, Form(form): Form<AccountForm>) -> Result<Response, Oops> {
    asker.act("/people", move |app, who| access::close(&app.site, form.name.trim(), who)).await
}

/// `POST /tokens`: the token is shown this once.
///
/// # Errors
///
/// Where it can't be given.
pub async fn give_token(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Form(form): Form<TokenForm>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let name = form.name.trim().to_owned();
    let token = app
        .work(move |app| {
            let odd =
                |_| Trouble::usage(format!("{:?} is not a number of days", form.days), "Give 1 to 3660.").about("days");
            let days = form.days.trim().parse().map_err(odd)?;
            access::give_token(&app.site, form.name.trim(), &form.role, days, &who)
        })
        .await?;
    let frame = Frame::new(&app, Some(&person), "/people");
    let part = TokenPart { name, token: token.to_string() };
    below(&headers, frame, (StatusCode::OK, "#given", "People"), &part)
}

/// `POST /tokens/revoke`.
///
/// # Errors
///
/// Where there is none.
pub async fn revoke_token(asker: Asker, Form(form): Form<TokenForm>) -> Result<Response, Oops> {
    asker.act("/people", move |app, who| access::revoke_token(&app.site, form.name.trim(), who)).await
}
