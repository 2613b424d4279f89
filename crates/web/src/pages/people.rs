//! People and programs: accounts, badges, tokens.

use askama::Template;
use axum::Form;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use base::Trouble;
use serde::Deserialize;
use site::access;
use site::access::{AccountView, TokenView, Wish};

use super::changed::{Change, still, told};
use super::given;
use crate::answer::{Oops, below, in_address, page};
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
    /// The entry that had changed the account last, as the form was drawn.
    #[serde(default)]
    seen: String,
    /// Whether another role is meant.
    #[serde(default)]
    sure: Option<String>,
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

fn has(has: bool) -> &'static str {
    if has { "set" } else { "" }
}

#[derive(Template)]
#[template(path = "person.html")]
struct PersonPage {
    frame: Frame,
    account: AccountView,
    tokens: Vec<String>,
}

impl PersonPage {
    fn change_address(&self) -> String {
        format!("/people/{}/change", in_address(&self.account.name))
    }

    fn seen(&self) -> String {
        self.account.entry.to_string()
    }

    fn roles(&self) -> &'static [(&'static str, &'static str)] {
        &[
            ("operator", "operator: works at stations"),
            ("engineer", "engineer: does everything"),
            ("auditor", "auditor: reads everything, changes nothing"),
        ]
    }
}

fn named(app: &App, name: &str) -> Result<AccountView, Trouble> {
    let found = access::accounts(&app.site)?.into_iter().find(|a| a.name == name);
    found.ok_or_else(|| Trouble::absent(format!("there is no account of {name:?}"), "Look under People."))
}

/// `GET /people/{name}`.
///
/// # Errors
///
/// Where there is none.
pub async fn show(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let (account, tokens) = app
        .work(move |app| {
            let given = access::tokens(&app.site, (app.clock)())?.into_iter().filter(|t| t.given_by == name);
            Ok((named(app, &name)?, given.map(|t| t.name).collect()))
        })
        .await?;
    page(&PersonPage { frame: Frame::new(&app, Some(&person), "/people"), account, tokens })
}

/// `POST /people/{name}/change`: what was left empty stays as it is.
///
/// # Errors
///
/// Where it can't be changed so, or another role is not confirmed.
pub async fn change(asker: Asker, Path(name): Path<String>, Form(form): Form<AccountForm>) -> Result<Response, Oops> {
    let whose = name.clone();
    let changes = asker
        .work(move |app, who| {
            let was = named(app, &name)?;
            still(&form.seen, &was.entry.to_string())?;
            if form.role != was.role && form.sure.is_none() {
                let message = format!("{name} is {} now, and would be {}", was.role, form.role);
                return Err(Trouble::usage(message, "Tick this where it is meant.").about("sure"));
            }
            access::change(&app.site, &Wish { name: &name, ..form.wish() }, who)?;
            let now = named(app, &name)?;
            let renewed = |given: bool, has: bool| if given { "set anew" } else { self::has(has) };
            Ok([
                Change::of("Role", was.role, now.role),
                Change::of("Password", has(was.password), renewed(!form.password.is_empty(), now.password)),
                Change::of("Badge", has(was.badge), renewed(now.badge && given(&form.badge).is_some(), now.badge)),
            ]
            .into_iter()
            .flatten()
            .collect())
        })
        .await?;
    told(&asker, ("/people", "People"), whose, changes)
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
