//! Cartons: their list, and one of them, into which labels are scanned.

use askama::Template;
use axum::Form;
use axum::extract::{Path, Query, State};
use axum::response::{IntoResponse as _, Redirect, Response};
use line::carton::{self, CartonView, Cartons, Contents, Pack, PackKind, Unpack};
use serde::Deserialize;

use super::given;
use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;

/// Cartons on a page.
const LIMIT: u32 = 100;

#[derive(Template)]
#[template(path = "cartons.html")]
struct ListPage {
    frame: Frame,
    seen: Cartons,
}

#[derive(Template)]
#[template(path = "carton.html")]
struct CartonPage {
    frame: Frame,
    name: String,
    address: String,
    /// What is in it; none before its first unit.
    contents: Option<Contents>,
}

impl CartonPage {
    fn carton(&self) -> Option<&CartonView> {
        self.contents.as_ref()?.cartons.first()
    }

    fn pallet(&self) -> &str {
        self.carton().and_then(|carton| carton.pallet.as_deref()).unwrap_or_default()
    }

    fn shipment(&self) -> &str {
        self.carton().and_then(|carton| carton.shipment.as_deref()).unwrap_or_default()
    }

    fn act_address(&self, act: &str) -> String {
        format!("{}/{act}", self.address)
    }
}

/// Which cartons.
#[derive(Deserialize)]
pub struct Wanted {
    /// A carton that is opened.
    #[serde(default)]
    open: String,
    after: Option<String>,
}

/// `GET /cartons`: the list; with a name, that carton's page.
///
/// # Errors
///
/// Where a name makes no sense.
pub async fn list(State(app): State<App>, person: Person, Query(wanted): Query<Wanted>) -> Result<Response, Oops> {
    if let Some(name) = given(&wanted.open) {
        return Ok(Redirect::to(&address(name)).into_response());
    }
    let seen = app.work(move |app| carton::list(&app.site, None, wanted.after.as_deref(), LIMIT)).await?;
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/cartons"), seen })
}

fn address(name: &str) -> String {
    format!("/cartons/{}", in_address(name))
}

/// `GET /cartons/{carton}`: what is in it, and where labels are scanned into it.
///
/// # Errors
///
/// Where the name is none.
pub async fn show(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let asked = name.clone();
    let contents = app
        .work(move |app| match carton::show(&app.site, &asked, Some(PackKind::Carton)) {
            Ok(contents) => Ok(Some(contents)),
            Err(trouble) if trouble.is_absent() => Ok(None),
            Err(trouble) => Err(trouble),
        })
        .await?;
    let name = contents.as_ref().map_or(name, |contents| contents.name.clone());
    let (frame, address) = (Frame::new(&app, Some(&person), "/cartons"), address(&name));
    page(&CartonPage { frame, name, address, contents })
}

/// What was scanned or typed.
#[derive(Deserialize)]
pub struct Packing {
    /// Serial numbers and codes, one a line.
    #[serde(default)]
    units: String,
    #[serde(default)]
    pallet: String,
    #[serde(default)]
    shipment: String,
    #[serde(default)]
    mixed: Option<String>,
}

fn lines(text: &str) -> Vec<String> {
    text.lines().filter_map(given).map(str::to_owned).collect()
}

/// `POST /cartons/{carton}/pack`.
///
/// # Errors
///
/// Where a unit can't be packed.
pub async fn pack(asker: Asker, Path(name): Path<String>, Form(form): Form<Packing>) -> Result<Response, Oops> {
    let wanted = Pack {
        units: lines(&form.units),
        pallet: given(&form.pallet).map(str::to_owned),
        shipment: given(&form.shipment).map(str::to_owned),
        mixed: form.mixed.is_some(),
    };
    let to = address(&name);
    asker.act(&to, move |app, who| carton::pack(&app.site, &name, &wanted, None, who)).await
}

/// `POST /cartons/{carton}/unpack`.
///
/// # Errors
///
/// Where a unit is not in it.
pub async fn unpack(asker: Asker, Path(name): Path<String>, Form(form): Form<Packing>) -> Result<Response, Oops> {
    let (to, wanted) = (address(&name), Unpack { units: lines(&form.units) });
    asker.act(&to, move |app, who| carton::unpack(&app.site, &name, &wanted, None, who)).await
}
