//! Revocation: who is touched, who must agree, and the lists that tell the world.
//!
//! The two people that production takes are two accounts. A request is looked at
//! before it is made ([`ask`]), made ([`request`]), confirmed by somebody else
//! ([`confirm`]) or withdrawn; lists stay in the book and are downloaded from it.

use std::path::PathBuf;

use answer::revocation;
use answer::revocation::{Adopted, Ask, CAUTION, Issue, Overview, Plan, RequestView};
use askama::Template;
use axum::Form;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use base::Trouble;
use base::trouble::About as _;
use serde::{Deserialize, Serialize};
use site::access::Standing;
use site::keys::Typed;
use site::{Who, authority};
use standard::revocation::Reason;

use super::given;
use crate::answer::{Oops, below, download, go, in_address, page};
use crate::app::App;
use crate::asker::Asker;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files, Group};
use crate::look::escaped;
use crate::on_page::filters;

/// Certificates shown one by one.
const SHOWN: usize = 200;

/// What is to be revoked, and why, as it is typed.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Asked {
    #[serde(default)]
    unit: String,
    #[serde(default)]
    credential: String,
    #[serde(default)]
    authority: String,
    #[serde(default)]
    reason: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    passphrase: String,
}

/// Names set apart by commas, blanks or lines. An authority's name may hold blanks.
fn several(text: &str, blanks: bool) -> Vec<String> {
    let apart = |c: char| matches!(c, ',' | ';' | '\n' | '\r') || (blanks && c.is_whitespace());
    text.split(apart).map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned).collect()
}

impl Asked {
    fn any(&self) -> bool {
        [&self.unit, &self.credential, &self.authority].iter().any(|t| given(t).is_some())
    }

    /// Calls `act` with what was asked for.
    fn asking<T>(&self, act: impl FnOnce(&Ask<'_>) -> Result<T, Trouble>) -> Result<T, Trouble> {
        let reason = revocation::reason(self.reason.trim())?;
        let units = several(&self.unit, true);
        let credentials = several(&self.credential, true);
        let authorities = several(&self.authority, false);
        act(&Ask {
            units: &units,
            credentials: &credentials,
            authorities: &authorities,
            reason,
            note: given(&self.note),
        })
    }
}

/// An issue that leaves its list in the book.
fn kept(unlock: &Typed, days: Option<u32>) -> Issue<'_> {
    Issue { out: None, days, url: None, label: None, unlock }
}

#[derive(Template)]
#[template(path = "revocation.html")]
struct OverviewPage {
    frame: Frame,
    seen: Overview,
    /// What is to be revoked, where another page led here.
    asked: Asked,
    /// PAIs: what may be revoked.
    pais: Vec<String>,
    reasons: Vec<&'static str>,
    /// Authorities whose key is here.
    issuers: Vec<String>,
}

/// The affected units, cut to what a page shows.
struct Told {
    plan: Plan,
    more: u64,
}

impl Told {
    fn of(mut plan: Plan) -> Self {
        plan.certificates.truncate(SHOWN);
        let more = plan.count.saturating_sub(plan.certificates.len() as u64);
        Self { plan, more }
    }

    /// HTML of the label of what opens the issuer's key.
    fn key_words(&self) -> String {
        format!("Passphrase of {}'s key, or PIN of its token", escaped(&self.plan.issuer))
    }

    /// What a browser asks once more before what cannot be undone.
    fn sure(&self) -> String {
        let s = if self.plan.count == 1 { "" } else { "s" };
        format!("Revoke {} certificate{s} now? This cannot be undone.", self.plan.count)
    }
}

#[derive(Template)]
#[template(path = "revocation_ask.html")]
struct AskPage {
    frame: Frame,
    asked: Asked,
    told: Told,
    caution: &'static str,
}

#[derive(Template)]
#[template(path = "revocation_request.html")]
struct RequestPage {
    frame: Frame,
    request: RequestView,
    told: Told,
    /// Whether whoever looks is the one who asked.
    own: bool,
    caution: &'static str,
}

#[derive(Template)]
#[template(path = "revocation_adopted.html")]
struct AdoptedPart {
    adopted: Adopted,
    groups: Vec<Group>,
}

impl AskPage {
    fn confirm_words(&self) -> String {
        let sure = if self.told.plan.second_person { "Ask for this revocation?".into() } else { self.told.sure() };
        format!("class='card' hx-confirm='{sure}'")
    }
}

impl RequestPage {
    /// Whether its certificates are revoked at this site.
    fn is_confirmed(&self) -> bool {
        matches!(
            self.request.state,
            revocation::Progress::Confirmed | revocation::Progress::Sent | revocation::Progress::Answered
        )
    }

    fn act_address(&self, act: &str) -> String {
        format!("{}/{act}", address(self.request.request))
    }

    fn confirm_words(&self) -> String {
        format!("hx-confirm='{}'", self.told.sure())
    }
}

/// `GET /revocation`: requests that wait, lists that are kept.
pub async fn show(State(app): State<App>, person: Person, Query(asked): Query<Asked>) -> Result<Response, Oops> {
    let who = app.who(&person);
    let (seen, authorities) =
        app.work(move |app| Ok((revocation::list(&app.site, &who)?, authority::list(&app.site)?))).await?;
    let pais = authorities.iter().filter(|a| a.role == "pai").map(|a| a.name.clone()).collect();
    let issuers = authorities.into_iter().filter(|a| a.key_here).map(|a| a.name).collect();
    let reasons = revocation::REASONS.iter().filter_map(|r| Reason::name_of(*r as u8)).collect();
    let frame = Frame::new(&app, Some(&person), "/revocation");
    page(&OverviewPage { frame, seen, asked, pais, reasons, issuers })
}

/// `GET /revocation/ask`: who is touched; nothing is changed.
///
/// # Errors
///
/// Where something is not here, or is of several issuers.
pub async fn ask(State(app): State<App>, person: Person, Query(asked): Query<Asked>) -> Result<Response, Oops> {
    if !asked.any() {
        return Err(Trouble::usage("nothing to revoke was named", "Name units, credentials or an authority.")
            .about("unit")
            .into());
    }
    let wanted = asked.clone();
    let plan = app.work(move |app| wanted.asking(|ask| revocation::plan(&app.site, ask))).await?;
    let told = Told::of(plan);
    let frame = Frame::new(&app, Some(&person), "/revocation");
    page(&AskPage { frame, asked, told, caution: CAUTION })
}

fn address(number: i64) -> String {
    format!("/revocation/requests/{number}")
}

/// `POST /revocation`: the request; for a test authority it is confirmed at once.
///
/// # Errors
///
/// Where something is not here, or the key does not open.
pub async fn request(asker: Asker, Form(asked): Form<Asked>) -> Result<Response, Oops> {
    let done = asker
        .work(move |app, who| {
            let unlock = Typed::new(asked.passphrase.clone()).about("passphrase")?;
            asked.asking(|ask| revocation::revoke(&app.site, ask, &kept(&unlock, None), who, Standing::SignedIn))
        })
        .await?;
    Ok(go(&asker.headers, &address(done.request.request)))
}

/// `GET /revocation/requests/{request}`: one request, and who is touched.
///
/// # Errors
///
/// Where there is none.
pub async fn one(State(app): State<App>, person: Person, Path(number): Path<i64>) -> Result<Response, Oops> {
    let (request, plan) = app.work(move |app| revocation::show(&app.site, number)).await?;
    let own = revocation::is_same_person(&request.requested_by, person.name.as_str());
    let told = Told::of(plan);
    let frame = Frame::new(&app, Some(&person), "/revocation");
    page(&RequestPage { frame, request, told, own, caution: CAUTION })
}

/// What opens a key.
#[derive(Deserialize)]
pub struct Opened {
    #[serde(default)]
    passphrase: String,
    #[serde(default)]
    issuer: String,
    #[serde(default)]
    days: String,
}

/// `POST /revocation/requests/{request}/confirm`: by somebody else, where it is for production.
///
/// # Errors
///
/// Where the same person asked, it is settled, or the key does not open.
pub async fn confirm(asker: Asker, Path(number): Path<i64>, Form(form): Form<Opened>) -> Result<Response, Oops> {
    let act = move |app: &App, who: &Who| {
        let unlock = Typed::new(form.passphrase).about("passphrase")?;
        revocation::confirm(&app.site, number, &kept(&unlock, None), who, Standing::SignedIn)
    };
    asker.act(&address(number), act).await
}

/// `POST /revocation/requests/{request}/withdraw`.
///
/// # Errors
///
/// Where it is settled.
pub async fn withdraw(asker: Asker, Path(number): Path<i64>) -> Result<Response, Oops> {
    asker.act(&address(number), move |app, who| revocation::withdraw(&app.site, number, who)).await
}

/// `POST /revocation/renew`: an authority's list again, with the next number.
///
/// # Errors
///
/// Where its key is not here or does not open.
pub async fn renew(asker: Asker, Form(form): Form<Opened>) -> Result<Response, Oops> {
    let act = move |app: &App, who: &Who| {
        let unlock = Typed::new(form.passphrase).about("passphrase")?;
        let days = given(&form.days)
            .map(|text| {
                text.parse().ok().filter(|d| (1..=3650).contains(d)).ok_or_else(|| {
                    Trouble::usage(format!("{text:?} is not a number of days"), "Give 1 to 3650, or leave it empty.")
                        .about("days")
                })
            })
            .transpose()?;
        revocation::renew(&app.site, form.issuer.trim(), &kept(&unlock, days), who)
    };
    asker.act("/revocation", act).await
}

/// `POST /revocation/adopt`: an outside authority's list.
///
/// # Errors
///
/// Where the file is no list, or an older one.
pub async fn adopt(State(app): State<App>, person: Person, headers: HeaderMap, form: Files) -> Result<Response, Oops> {
    let who = app.who(&person);
    let upload = incoming::take(form).await?;
    let adopted = app
        .work(move |app| {
            let list = upload.one("list")?;
            let signers: Vec<PathBuf> = upload.of("signer");
            revocation::adopt(&app.site, &list, &signers, &who).about("list")
        })
        .await?;
    let code = if adopted.verdict == "rejected" { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    let frame = Frame::new(&app, Some(&person), "/revocation");
    let groups = incoming::grouped(&adopted.findings);
    let part = AdoptedPart { adopted, groups };
    below(&headers, frame, (code, "#adopted", "Revocation"), &part)
}

/// `GET /revocation/lists/{issuer}`: the newest list of an issuer, DER.
///
/// # Errors
///
/// Where none is kept.
pub async fn list(State(app): State<App>, _person: Person, Path(issuer): Path<String>) -> Result<Response, Oops> {
    let name = format!("{issuer}.crl");
    let der = app.work(move |app| revocation::list_of(&app.site, &issuer)).await?;
    Ok(download("application/pkix-crl", &name, der))
}

fn json_file(name: &str, value: &impl Serialize) -> Response {
    download("application/json", name, format!("{:#}\n", serde_json::json!(value)))
}

/// `GET /revocation/lists/{issuer}/point`: the distribution-point record of that list.
///
/// # Errors
///
/// Where none is kept.
pub async fn point(State(app): State<App>, _person: Person, Path(issuer): Path<String>) -> Result<Response, Oops> {
    let name = format!("{issuer}.point.json");
    let record = app.work(move |app| revocation::point_of(&app.site, &issuer)).await?;
    Ok(json_file(&name, &record))
}

/// `GET /revocation/requests/{request}/to-send`: what an authority elsewhere needs.
///
/// # Errors
///
/// Where the request is not confirmed, or the key is here.
pub async fn to_send(State(app): State<App>, _person: Person, Path(number): Path<i64>) -> Result<Response, Oops> {
    let text = app.work(move |app| revocation::to_send(&app.site, number)).await?;
    Ok(json_file(&format!("revocation-request-{number}.json"), &text))
}

/// Where a unit, or whatever else has a certificate, is looked at.
fn unit_address(unit: &str) -> String {
    format!("/units/{}", in_address(unit))
}
