//! Reels: what lies on them, and receiving them.

use askama::Template;
use axum::Form;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use base::Trouble;
use base::course::Course;
use base::trouble::About as _;
use line::chips::Passphrase;
use receive::reel::manifest::ColumnMap;
use receive::{delivery, order, reel};
use rehearse::trial::{self, Outcome, TryOrder};
use serde::Deserialize;
use site::{authority, product};

use super::{Part, SHOWN, given, tape};
use crate::answer::{Oops, go, in_address, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files, Task, Upload};

#[derive(Template)]
#[template(path = "reels.html")]
struct ListPage {
    frame: Frame,
    reels: Vec<reel::ReelView>,
    /// Rows before those shown.
    from: usize,
    older: Option<usize>,
    products: Vec<String>,
}

#[derive(Template)]
#[template(path = "reel.html")]
struct ReelPage {
    frame: Frame,
    reel: reel::ReelView,
    address: String,
    tape: String,
    deliveries: Vec<delivery::DeliveryView>,
    issuers: Vec<String>,
    /// The last order for its chips.
    ordered: Option<order::Ordered>,
}

impl ReelPage {
    fn issue_address(&self) -> String {
        format!("{}/issue", self.address)
    }

    fn split_address(&self) -> String {
        format!("{}/split", self.address)
    }

    fn assign_address(&self) -> String {
        format!("{}/assign", self.address)
    }

    fn scrap_address(&self) -> String {
        format!("{}/scrap", self.address)
    }
}

/// Which part of the tape.
#[derive(Debug, Default, Deserialize)]
pub struct Range {
    from: Option<String>,
    to: Option<String>,
}

impl Range {
    fn read(&self) -> Option<(i64, i64)> {
        let read = |t: &Option<String>| t.as_deref().and_then(|t| t.trim().parse().ok());
        read(&self.from).zip(read(&self.to))
    }
}

/// `GET /reels`.
pub async fn list(State(app): State<App>, person: Person, Query(part): Query<Part>) -> Result<Response, Oops> {
    let from = part.begins();
    let ((reels, more), products) = app
        .work(move |app| {
            let products = product::list(&app.site)?.into_iter().map(|p| p.name).collect();
            Ok((reel::newest(&app.site, from, SHOWN)?, products))
        })
        .await?;
    let older = more.then_some(from + SHOWN);
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/reels"), reels, from, older, products })
}

/// `POST /reels`: receives a manifest.
///
/// # Errors
///
/// Where the form makes no sense.
pub async fn receive(asker: Asker, form: Files) -> Result<Response, Oops> {
    let task = |upload: &Upload| {
        let mut columns = ColumnMap::default();
        for (field, column) in [("chip_id", &mut columns.chip_id), ("public_key", &mut columns.public_key)] {
            if let Some(named) = given(upload.text(field)) {
                named.clone_into(column);
                columns.named = true;
            }
        }
        let text = |field| upload.text(field).to_owned();
        let options = reel::Options { columns, from_certificates: given(upload.text("from_certificates")).is_some() };
        Ok(Task::Reel { reel: text("reel"), product: text("product"), options })
    };
    incoming::bring(&asker, form, "file", task).await
}

/// `GET /reels/{reel}`.
///
/// # Errors
///
/// Where there is none.
pub async fn show(
    State(app): State<App>,
    person: Person,
    Path(name): Path<String>,
    Query(range): Query<Range>,
) -> Result<Response, Oops> {
    let asked = name.clone();
    let (reel, tape, deliveries, issuers, ordered) = app
        .work(move |app| {
            let shown = reel::show(&app.site, &asked)?;
            let (deliveries, _) = delivery::newest(&app.site, Some(&shown.reel), 0, usize::MAX)?;
            let issuers = authority::list(&app.site)?.into_iter().filter(|a| a.role == "pai" && a.key_here);
            let tape = tape::drawn(app, &asked, range.read())?;
            let ordered = order::last(&app.site, &asked)?;
            Ok((shown, tape, deliveries, issuers.map(|a| a.name).collect(), ordered))
        })
        .await?;
    let address = format!("/reels/{}", in_address(&name));
    let frame = Frame::new(&app, Some(&person), "/reels");
    page(&ReelPage { frame, reel, address, tape, deliveries, issuers, ordered })
}

/// `GET /reels/{reel}/tape`: a part of the tape.
///
/// # Errors
///
/// Where there is no such reel.
pub async fn tape(
    State(app): State<App>,
    _person: Person,
    Path(name): Path<String>,
    Query(range): Query<Range>,
) -> Result<axum::response::Html<String>, Oops> {
    app.work(move |app| tape::drawn(app, &name, range.read())).await.map(axum::response::Html)
}

/// Who issues, and what opens the key.
#[derive(Deserialize)]
pub struct Issue {
    #[serde(default)]
    issuer: String,
    #[serde(default)]
    passphrase: String,
}

/// `POST /reels/{reel}/issue`: credentials for every chip that has none, with progress.
///
/// # Errors
///
/// Where too much runs.
pub async fn issue(asker: Asker, Path(name): Path<String>, Form(form): Form<Issue>) -> Result<Response, Oops> {
    let passphrase = Passphrase::new(form.passphrase).about("passphrase")?;
    let title = format!("credentials for reel {name}");
    let task = Task::Issue { reel: name, issuer: form.issuer, passphrase: std::sync::Arc::new(passphrase) };
    incoming::ask(&asker, task, title, None).await
}

/// Whether chips that were ordered already are ordered once more, and whether the order is left untried.
#[derive(Deserialize)]
pub struct Order {
    again: Option<String>,
    untried: Option<String>,
}

/// `POST /reels/{reel}/order`: what an outside authority needs, as a file.
///
/// # Errors
///
/// Where nothing is left to order, or the answer would be refused.
pub async fn order(
    State(app): State<App>,
    person: Person,
    Path(name): Path<String>,
    Form(form): Form<Order>,
) -> Result<Response, Oops> {
    let who = app.who(&person);
    let reel = name.clone();
    let octets = app
        .work(move |app| {
            let folder = tempfile::tempdir()
                .map_err(|e| Trouble::surroundings(format!("no temporary folder: {e}"), "Check the disk."))?;
            let out = folder.path().join(format!("order-{}.csv", reel.replace('/', "-")));
            let draft = order::draft(&app.site, &reel, &out, form.again.is_some())?;
            if form.untried.is_some() {
                draft.settle(&app.site, &who)?;
            } else if let Outcome::Rejected(tried) =
                trial::write(&app.site, draft, &TryOrder::default(), &who, &Course::new())?
            {
                return Err(tried.refusal());
            }
            std::fs::read(&out).map_err(|e| Trouble::file(&out, e))
        })
        .await?;
    let plain: String = name.chars().filter(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_')).collect();
    let mut response = octets.into_response();
    response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static("text/csv; charset=utf-8"));
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"order-{plain}.csv\"")) {
        response.headers_mut().insert(header::CONTENT_DISPOSITION, value);
    }
    Ok(response)
}

/// `POST /reels/{reel}/withdraw`.
///
/// # Errors
///
/// Where something depends on it.
pub async fn withdraw(asker: Asker, Path(name): Path<String>) -> Result<Response, Oops> {
    asker.act("/reels", move |app, who| reel::withdraw(&app.site, &name, who)).await
}

/// A section that becomes a reel of its own.
#[derive(Deserialize)]
pub struct Section {
    #[serde(default)]
    from: String,
    #[serde(default)]
    to: String,
    #[serde(default, rename = "as")]
    new: String,
}

fn place(text: &str, field: &'static str) -> Result<i64, Trouble> {
    text.trim()
        .parse()
        .map_err(|_| Trouble::usage(format!("{text:?} is not a place"), "Give a whole number, from 1.").about(field))
}

/// `POST /reels/{reel}/split`: leads to the new reel.
///
/// # Errors
///
/// Where a chip of the section was used, or the id is taken.
pub async fn split(asker: Asker, Path(name): Path<String>, Form(form): Form<Section>) -> Result<Response, Oops> {
    let done = asker
        .work(move |app, who| {
            let section = (place(&form.from, "from")?, place(&form.to, "to")?);
            reel::split(&app.site, &name, section, form.new.trim(), who)
        })
        .await?;
    Ok(go(&asker.headers, &format!("/reels/{}", in_address(&done.reel.reel))))
}

/// The product that a reel is for from now on.
#[derive(Deserialize)]
pub struct Assign {
    #[serde(default)]
    product: String,
}

/// `POST /reels/{reel}/assign`.
///
/// # Errors
///
/// Where a chip was used, or its certificates are for another identity.
pub async fn assign(asker: Asker, Path(name): Path<String>, Form(form): Form<Assign>) -> Result<Response, Oops> {
    let to = format!("/reels/{}", in_address(&name));
    asker.act(&to, move |app, who| reel::assign(&app.site, &name, form.product.trim(), who).about("product")).await
}

/// A chip that will not be used.
#[derive(Deserialize)]
pub struct Scrap {
    #[serde(default)]
    chip: String,
    #[serde(default)]
    reason: String,
    #[serde(default)]
    revoke: String,
}

/// `POST /reels/{reel}/scrap`: scraps one chip of it.
///
/// # Errors
///
/// Where it is not on the reel, or a unit has it.
pub async fn scrap(asker: Asker, Path(name): Path<String>, Form(form): Form<Scrap>) -> Result<Response, Oops> {
    let to = format!("/reels/{}", in_address(&name));
    let act = move |app: &App, who: &site::Who| {
        let on_reel = answer::scrap::reel_of(&app.site, form.chip.trim()).about("chip")?;
        if on_reel != name {
            let message = format!("chip {} is on reel {on_reel}", form.chip.trim());
            return Err(Trouble::usage(message, "Scrap it on the page of its own reel.").about("chip"));
        }
        let revoke = super::units::revoke(&form.revoke)?;
        answer::scrap::chip(&app.site, form.chip.trim(), &form.reason, revoke, who).about("chip")
    };
    asker.act(&to, act).await
}
