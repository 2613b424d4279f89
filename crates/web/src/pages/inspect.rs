//! Final inspection: finished units are met as homes meet them.

use askama::Template;
use axum::Form;
use axum::extract::State;
use axum::response::Response;
use base::Trouble;
use base::trouble::About as _;
use line::label::looks_like_code;
use line::meeting::{self, Line, Named};
use serde::Deserialize;
use site::product;
use zeroize::Zeroizing;

use super::given;
use crate::answer::{Oops, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Task};

#[derive(Template)]
#[template(path = "inspect.html")]
struct InspectPage {
    frame: Frame,
    /// Products whose every unit is met: units that passed, those of them that were accepted, and the others.
    products: Vec<(String, i64, i64, i64)>,
}

/// `GET /inspect`: what is to be scanned.
pub async fn show(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let products = app
        .work(|app| {
            let mut out = Vec::new();
            for product in app.site.book.products()? {
                let name = &product.facts.name;
                if !product::final_inspection(&product).is_none() {
                    let (passed, accepted) = app.site.book.inspected(name, None)?;
                    out.push((name.to_string(), passed, accepted, passed - accepted));
                }
            }
            Ok(out)
        })
        .await?;
    page(&InspectPage { frame: Frame::new(&app, Some(&person), "/inspect"), products })
}

/// One unit, or a rack of them.
#[derive(Deserialize)]
pub struct Inspect {
    #[serde(default)]
    code: Zeroizing<String>,
    #[serde(default)]
    at: String,
    #[serde(default)]
    rack: Zeroizing<String>,
}

impl Inspect {
    fn list(&self) -> Result<Vec<Line>, Trouble> {
        let Some(code) = given(&self.code) else {
            let none = || Trouble::usage("no unit is named", "Scan the label of a unit.").about("code");
            return given(&self.rack).ok_or_else(none).and_then(|rack| meeting::lines(rack).about("rack"));
        };
        if given(&self.rack).is_some() {
            let both = Trouble::usage("one unit and a rack are named", "Leave one of them empty.");
            return Err(both.about("rack"));
        }
        let named = match looks_like_code(code) {
            true => Named::Code(Zeroizing::new(code.to_owned())),
            false => Named::Unit(code.to_owned()),
        };
        Ok(vec![Line { number: 1, named, at: given(&self.at).map(str::to_owned) }])
    }
}

/// `POST /inspect`: meets them.
///
/// # Errors
///
/// Where no unit is named, or too much runs.
pub async fn meet(asker: Asker, Form(form): Form<Inspect>) -> Result<Response, Oops> {
    let list = form.list()?;
    let name = match list.as_slice() {
        [Line { named: Named::Unit(serial), .. }] => serial.clone(),
        [_] => "the unit with that code".into(),
        rack => format!("{} units", rack.len()),
    };
    incoming::ask(&asker, Task::Meet { list }, name, None).await
}
