//! Authorities: development ones raised here, outside ones adopted.

use askama::Template;
use axum::Form;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use base::Trouble;
use base::finding_view::FindingView;
use base::trouble::About as _;
use line::chips::{Passphrase, WorkFactor};
use serde::Deserialize;
use site::authority::{AuthorityView, CAUTION, Raise};
use site::words::{Purpose, Role};
use site::{Who, authority};
use standard::ids::{ProductId, VendorId};

use super::given;
use crate::answer::{Oops, below, go, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files, Group};
use crate::on_page::filters;

#[derive(Template)]
#[template(path = "authorities.html")]
struct ListPage {
    frame: Frame,
    authorities: Vec<AuthorityView>,
    roots: Vec<String>,
    caution: &'static str,
}

#[derive(Template)]
#[template(path = "adopted.html")]
pub(crate) struct AdoptedPart {
    pub what: &'static str,
    /// Where the list of these is.
    pub list: &'static str,
    /// What was adopted, and what the person should know of it; none where nothing was.
    pub adopted: Option<Vec<String>>,
    /// Whether any of it is new here.
    pub changed: bool,
    pub groups: Vec<Group>,
}

impl AdoptedPart {
    /// Answers an adoption: refused, done with something to say, or done.
    pub(crate) fn answer(self, app: &App, person: &Person, headers: &HeaderMap, title: &str) -> Result<Response, Oops> {
        if self.adopted.as_ref().is_some_and(Vec::is_empty) {
            return Ok(go(headers, self.list));
        }
        let code = if self.adopted.is_some() { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
        let frame = Frame::new(app, Some(person), self.list);
        below(headers, frame, (code, "#adopted", title), &self)
    }
}

/// `GET /authorities`.
pub async fn list(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let authorities = app.work(|app| authority::list(&app.site)).await?;
    let roots = authorities.iter().filter(|a| a.role == "paa" && a.key_here).map(|a| a.name.clone()).collect();
    let frame = Frame::new(&app, Some(&person), "/authorities");
    page(&ListPage { frame, authorities, roots, caution: CAUTION })
}

/// One of those listed.
#[derive(Deserialize)]
pub struct Named {
    #[serde(default)]
    pub(super) name: String,
}

/// A development authority.
#[derive(Deserialize)]
pub struct RaiseForm {
    #[serde(default)]
    name: String,
    #[serde(default)]
    role: String,
    #[serde(default)]
    vendor: String,
    #[serde(default)]
    product: String,
    #[serde(default)]
    issuer: String,
    #[serde(default)]
    years: String,
    #[serde(default)]
    passphrase: String,
}

/// VID and PID of a form.
pub(crate) fn identity(vendor: &str, product: &str) -> Result<(Option<VendorId>, Option<ProductId>), Trouble> {
    let odd = |e: &dyn std::fmt::Display| Trouble::usage(e.to_string(), "Give four hex digits, as FFF2.");
    let vendor = given(vendor).map(|v| v.parse().map_err(|e| odd(&e))).transpose().about("vendor")?;
    let product = given(product).map(|p| p.parse().map_err(|e| odd(&e))).transpose().about("product")?;
    Ok((vendor, product))
}

/// `POST /authorities/raise`.
///
/// # Errors
///
/// Where it makes no sense.
pub async fn raise(asker: Asker, Form(form): Form<RaiseForm>) -> Result<Response, Oops> {
    let (vendor, product) = identity(&form.vendor, &form.product)?;
    let role = Role::from_word(&form.role).ok_or_else(|| {
        Trouble::usage(format!("{:?} is not a role", form.role), "There are paa and pai.").about("role")
    })?;
    let years = given(&form.years)
        .map(|y| {
            y.parse()
                .map_err(|_| Trouble::usage(format!("{y:?} is not a number of years"), "Give digits.").about("years"))
        })
        .transpose()?;
    let act = move |app: &App, who: &Who| {
        let passphrase = Passphrase::new(form.passphrase).about("passphrase")?;
        let wanted = Raise {
            name: form.name.trim(),
            role,
            vendor,
            product,
            issuer: given(&form.issuer),
            years,
            key: None,
            unlock: &passphrase,
            work: WorkFactor::PRODUCTION,
        };
        authority::raise(&app.site, &wanted, who)
    };
    asker.act("/authorities", act).await
}

/// `POST /authorities/adopt`.
///
/// # Errors
///
/// Where a file can't be read.
pub async fn adopt(State(app): State<App>, person: Person, headers: HeaderMap, form: Files) -> Result<Response, Oops> {
    let who = app.who(&person);
    let upload = incoming::take(form).await?;
    let (adopted, changed, findings) = app
        .work(move |app| {
            let said = given(upload.text("purpose"));
            let purpose = said.map(|word| {
                Purpose::from_word(word).ok_or_else(|| {
                    Trouble::usage(format!("{word:?} is not a purpose"), "Choose test or production.").about("purpose")
                })
            });
            let purpose = purpose.transpose()?;
            let files = upload.of("file");
            if files.is_empty() {
                upload.one("file")?;
            }
            let name = given(upload.text("name"));
            let adopted = authority::adopt(&app.site, &files, name, purpose, &mut authority::nobody, &who);
            let adopted = adopted.about("file")?;
            let found = adopted.examination.findings();
            let found = found.map(|(subject, finding)| FindingView::of(&*subject.name, finding)).collect::<Vec<_>>();
            let already = |name: &String| format!("{name} was adopted before, and stays as it is.");
            let changed = adopted.already.len() < adopted.authorities.len();
            let notes = adopted.already.iter().map(already).chain(adopted.warnings).collect::<Vec<_>>();
            Ok(((!adopted.authorities.is_empty()).then_some(notes), changed, found))
        })
        .await?;
    AdoptedPart { what: "authority", list: "/authorities", adopted, changed, groups: incoming::grouped(&findings) }
        .answer(&app, &person, &headers, "Authorities")
}

/// `POST /authorities/withdraw`.
///
/// # Errors
///
/// Where something depends on it.
pub async fn withdraw(asker: Asker, Form(form): Form<Named>) -> Result<Response, Oops> {
    asker.act("/authorities", move |app, who| authority::withdraw(&app.site, &form.name, who)).await
}
