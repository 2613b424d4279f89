//! Declarations: development ones made here, the alliance's adopted.

use askama::Template;
use axum::Form;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use base::Trouble;
use base::finding_view::FindingView;
use base::trouble::About as _;
use line::chips::{Passphrase, WorkFactor};
use serde::Deserialize;
use site::declaration::{DeclarationView, Make, ProductHas};
use site::{Who, declaration};

use super::authorities::{AdoptedPart, Named, identity};
use super::{given, products};
use crate::answer::{Oops, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files};

#[derive(Template)]
#[template(path = "declarations.html")]
struct ListPage {
    frame: Frame,
    declarations: Vec<DeclarationView>,
}

/// `GET /declarations`.
pub async fn list(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let declarations = app.work(|app| declaration::list(&app.site)).await?;
    page(&ListPage { frame: Frame::new(&app, Some(&person), "/declarations"), declarations })
}

/// A development declaration.
#[derive(Deserialize)]
pub struct MakeForm {
    #[serde(default)]
    name: String,
    #[serde(default)]
    vendor: String,
    #[serde(default)]
    products: String,
    #[serde(default)]
    device_type: String,
    #[serde(default)]
    passphrase: String,
}

/// `POST /declarations/make`.
///
/// # Errors
///
/// Where it makes no sense.
pub async fn make(asker: Asker, Form(form): Form<MakeForm>) -> Result<Response, Oops> {
    let (vendor, _) = identity(&form.vendor, "")?;
    let vendor =
        vendor.ok_or_else(|| Trouble::usage("no vendor ID was given", "Give a test one, as FFF2.").about("vendor"))?;
    let mut named = Vec::new();
    for text in form.products.split([',', ' ']).filter(|t| !t.is_empty()) {
        named.extend(identity("", text).map_err(|e| e.renamed("products"))?.1);
    }
    let device_type = products::device_type(&form.device_type)?;
    let act = move |app: &App, who: &Who| {
        let passphrase = Passphrase::new(form.passphrase).about("passphrase")?;
        let wanted = Make {
            name: given(&form.name),
            vendor,
            products: named,
            device_type,
            certificate_id: None,
            origin: None,
            authorities: Vec::new(),
            passphrase: &passphrase,
            work: WorkFactor::PRODUCTION,
        };
        declaration::make(&app.site, &wanted, who)
    };
    asker.act("/declarations", act).await
}

/// `POST /declarations/adopt`.
///
/// # Errors
///
/// Where a file can't be read.
pub async fn adopt(State(app): State<App>, person: Person, headers: HeaderMap, form: Files) -> Result<Response, Oops> {
    let who = app.who(&person);
    let upload = incoming::take(form).await?;
    let (adopted, changed, findings) = app
        .work(move |app| {
            let (file, signer) = (upload.one("file")?, upload.one("signer")?);
            let adopted =
                declaration::adopt(&app.site, &file, &signer, given(upload.text("name")), &who).about("file")?;
            let told: Vec<_> = adopted.findings.iter().map(|f| FindingView::of("declaration", f)).collect();
            let notes = adopted.declaration.as_ref().map(|declaration| {
                let already =
                    adopted.already.then(|| format!("{} was adopted before, and stays as it is.", declaration.name));
                already.into_iter().chain(adopted.products.iter().map(ProductHas::words)).collect::<Vec<_>>()
            });
            Ok((notes, !adopted.already, told))
        })
        .await?;
    AdoptedPart { what: "declaration", list: "/declarations", adopted, changed, groups: incoming::grouped(&findings) }
        .answer(&app, &person, &headers, "Declarations")
}

/// `POST /declarations/withdraw`.
///
/// # Errors
///
/// Where something depends on it.
pub async fn withdraw(asker: Asker, Form(form): Form<Named>) -> Result<Response, Oops> {
    asker.act("/declarations", move |app, who| declaration::withdraw(&app.site, &form.name, who)).await
}
