//! A page for each thing that has a name and no page of its own making: what is known of it, and where it leads.

use askama::Template;
use axum::extract::{Path, State};
use axum::response::Response;
use base::Trouble;
use site::authority::AuthorityView;
use site::declaration::DeclarationView;
use site::product::ProductView;
use site::trust::SetView;
use site::{authority, declaration, product, trust};
use standard::verdict::rule as rule_named;

use crate::answer::{Oops, in_address, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;
use crate::look;

/// A value of a fact.
enum Cell {
    Text(String),
    Code(String),
    /// Address and words.
    Link(String, String),
    /// Of what, and the state's word.
    State(&'static str, &'static str),
}

impl Cell {
    fn html(&self) -> String {
        match self {
            Self::Text(text) => look::escaped(text),
            Self::Code(text) => format!("<code class=\"long\">{}</code>", look::escaped(text)),
            Self::Link(to, words) => format!("<a href=\"{}\">{}</a>", look::escaped(to), look::escaped(words)),
            Self::State(of, word) => look::state(of, word),
        }
    }
}

#[derive(Template)]
#[template(path = "noun.html")]
struct NounPage {
    frame: Frame,
    kind: &'static str,
    name: String,
    is_test: bool,
    facts: Vec<(&'static str, Vec<Cell>)>,
    /// Where it leads: words and address.
    leads: Vec<(&'static str, String)>,
}

/// A page of the navigation's part `at`.
struct Noun {
    at: &'static str,
    kind: &'static str,
    name: String,
    is_test: bool,
    facts: Vec<(&'static str, Vec<Cell>)>,
    leads: Vec<(&'static str, String)>,
}

impl Noun {
    fn new(at: &'static str, kind: &'static str, name: String) -> Self {
        Self { at, kind, name, is_test: false, facts: Vec::new(), leads: Vec::new() }
    }

    fn fact(&mut self, name: &'static str, cells: impl IntoIterator<Item = Cell>) {
        let cells: Vec<_> = cells.into_iter().collect();
        if !cells.is_empty() {
            self.facts.push((name, cells));
        }
    }

    fn text(&mut self, name: &'static str, text: impl Into<String>) {
        self.fact(name, [Cell::Text(text.into())]);
    }

    fn page(self, app: &App, person: &Person) -> Result<Response, Oops> {
        let frame = Frame::new(app, Some(person), self.at);
        let Self { kind, name, is_test, facts, leads, .. } = self;
        page(&NounPage { frame, kind, name, is_test, facts, leads })
    }
}

fn link(to: &str, name: &str) -> Cell {
    Cell::Link(format!("/{to}/{}", in_address(name)), name.to_owned())
}

fn codes(texts: impl IntoIterator<Item = String>) -> impl Iterator<Item = Cell> {
    texts.into_iter().map(Cell::Code)
}

fn use_of(is_test: bool) -> &'static str {
    if is_test { "Test: do not sell" } else { "Production" }
}

fn of_authority(a: AuthorityView, below: Vec<String>, holds: &[String]) -> Noun {
    let mut out = Noun::new("/authorities", "Authority", a.name.clone());
    out.is_test = a.purpose.is_test();
    out.fact("State", a.revoked.is_some().then_some(Cell::State("verdict", "revoked")));
    out.fact("Revoked", a.revoked.map(Cell::Text));
    out.text("Role", if a.role == "paa" { "Root (PAA)" } else { "Intermediate (PAI)" });
    out.text("Use", use_of(out.is_test));
    out.fact("Subject", a.subject.map(Cell::Code));
    out.fact("Vendor ID, product ID", codes(a.vendor_id.into_iter().chain(a.product_id)));
    out.fact("Subject key identifier", [Cell::Code(a.subject_key_id)]);
    out.fact("Serial number", a.serial.map(Cell::Code));
    out.fact("Valid from", a.not_before.map(Cell::Text));
    out.text("Valid until", a.not_after.unwrap_or_else(|| "no expiry".into()));
    out.fact("Issuer", a.issuer.map(|issuer| link("authorities", &issuer)));
    out.text("Trusted", if a.trusted { "yes, as a root" } else { "by its root" });
    out.text(
        "Its key",
        match (a.key_here, a.key_missing) {
            (_, true) => "missing: its file is gone, so put it back from a backup",
            (true, _) => "here",
            _ => "elsewhere",
        },
    );
    out.fact("Certificates of authorities below it", below.iter().map(|name| link("authorities", name)));
    out.fact("Trusted by", holds.iter().map(|name| link("trust-sets", name)));
    let asked = in_address(&a.name);
    out.leads.push(("Units under it", format!("/impact?authority={asked}")));
    out.leads.push(("Certificates revoked under it", "/revocation".into()));
    out
}

/// `GET /authorities/{name}`.
///
/// # Errors
///
/// Where there is none.
pub async fn authority(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let noun = app
        .work(move |app| {
            let shown = authority::show(&app.site, &name)?;
            let all = authority::list(&app.site)?;
            let below = all.into_iter().filter(|a| a.issuer.as_deref() == Some(&*shown.name)).map(|a| a.name).collect();
            let holds: Vec<String> = trust::list(&app.site)?
                .into_iter()
                .filter(|set| set.authorities.iter().any(|a| a["subject_key_id"] == shown.subject_key_id.as_str()))
                .map(|set| set.name)
                .collect();
            Ok(of_authority(shown, below, &holds))
        })
        .await?;
    noun.page(&app, &person)
}

fn of_product(p: ProductView, reels: &[String]) -> Noun {
    let mut out = Noun::new("/products", "Product", p.name);
    out.is_test = p.purpose.is_test();
    out.fact("Needs attention", p.warnings.iter().map(|w| Cell::Text(crate::on_page::on_page(w).into_owned())));
    out.text("Use", use_of(out.is_test));
    out.fact("Vendor ID, product ID", codes([p.vendor_id, p.product_id]));
    out.text("Device type", format!("0x{:04X}", p.device_type));
    out.text("Found by", p.reach.join(", "));
    out.text("Commissioning flow", p.flow);
    out.fact("Vendor name", p.vendor_name.map(Cell::Text));
    out.text("Product name", p.product_name);
    out.text("Hardware version", p.hardware_version.to_string());
    out.fact(
        "Declaration",
        [p.declaration.map_or_else(
            || Cell::Link("/declarations".into(), "none names it yet".into()),
            |name| link("declarations", &name),
        )],
    );
    out.fact("Secure element", p.part.map(|part| Cell::Code(part.display().to_string())));
    out.text("Chip", if p.lock { "locked after it is proven" } else { "left open" });
    out.text("Factory record in the chip", if p.factory_record { "yes" } else { "no" });
    out.fact("Factory record for flashing", p.record.map(|r| Cell::Text(r.format.to_string())));
    out.text("Serial number in the QR code", if p.serial_in_qr { "yes" } else { "no" });
    out.text("Final inspection", if p.final_inspection.is_none() { "none" } else { "every unit is met" });
    out.fact("Serial numbers from", p.serial_series.map(Cell::Code));
    out.fact("Units in a carton", p.carton.map(|n| Cell::Text(n.to_string())));
    out.fact("Further objects", p.objects.into_iter().map(Cell::Text));
    out.fact("Trust sets that must accept it", p.trust_sets.iter().map(|name| link("trust-sets", name)));
    out.fact("Reels", reels.iter().map(|name| link("reels", name)));
    out
}

/// `GET /products/{name}`.
///
/// # Errors
///
/// Where there is none.
pub async fn product(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let noun = app
        .work(move |app| {
            let shown = product::show(&app.site, &name)?;
            let reels = receive::reel::of_product(&app.site, &shown.name, super::SHOWN)?;
            Ok(of_product(shown, &reels))
        })
        .await?;
    noun.page(&app, &person)
}

fn of_declaration(d: DeclarationView, products: &[String]) -> Noun {
    let mut out = Noun::new("/declarations", "Declaration", d.name);
    out.is_test = d.purpose.is_test();
    out.text("Use", use_of(out.is_test));
    let kind = match d.certification_type {
        0 => "development and test",
        1 => "provisional",
        _ => "official",
    };
    out.text("Certification type", format!("{}, {kind}", d.certification_type));
    out.fact("Vendor ID", [Cell::Code(d.vendor_id)]);
    out.fact("Product IDs", codes(d.product_ids));
    out.fact("Device type", d.device_type.map(|kind| Cell::Text(format!("0x{kind:04X}"))));
    out.fact("Certificate id", d.certificate_id.map(Cell::Code));
    out.fact("Signer's key identifier", d.signer_key_id.map(Cell::Code));
    out.fact("Roots that it permits", codes(d.authorities));
    out.text("Size", look::octets(&(d.octets as u64)));
    out.text("Came by", if d.origin == "made" { "made here" } else { "adopted" });
    out.fact("Products that have it", products.iter().map(|name| link("products", name)));
    out
}

/// `GET /declarations/{name}`.
///
/// # Errors
///
/// Where there is none.
pub async fn declaration(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let noun = app
        .work(move |app| {
            let shown = declaration::show(&app.site, &name)?;
            let has = |p: &ProductView| p.declaration.as_deref() == Some(&*shown.name);
            let products: Vec<_> = product::list(&app.site)?.into_iter().filter(has).map(|p| p.name).collect();
            Ok(of_declaration(shown, &products))
        })
        .await?;
    noun.page(&app, &person)
}

fn of_trust_set(set: SetView) -> Noun {
    let mut out = Noun::new("/trust-sets", "Trust set", set.name);
    let root = |a: &serde_json::Value| {
        let (subject, id) = (look::text(a, "subject"), look::text(a, "subject_key_id"));
        Cell::Code(if subject.is_empty() { id.to_owned() } else { format!("{subject}  {id}") })
    };
    out.fact("Roots that it trusts", set.authorities.iter().map(root));
    out.fact("Signers of declarations that it trusts", codes(set.signers));
    out.text("Declarations that it accepts", set.declarations.join(", "));
    out.text("Test vendor IDs", if set.test_identities { "accepted" } else { "rejected" });
    out.fact("Products that must be accepted by it", set.products.iter().map(|name| link("products", name)));
    out.text("Written", set.written);
    out
}

/// `GET /trust-sets/{name}`.
///
/// # Errors
///
/// Where there is none.
pub async fn trust_set(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let noun = app.work(move |app| Ok(of_trust_set(trust::show(&app.site, &name)?))).await?;
    noun.page(&app, &person)
}

#[derive(Template)]
#[template(path = "trust_sets.html")]
struct TrustSetsPage {
    frame: Frame,
    sets: Vec<SetView>,
}

/// `GET /trust-sets`.
pub async fn trust_sets(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let sets = app.work(|app| trust::list(&app.site)).await?;
    page(&TrustSetsPage { frame: Frame::new(&app, Some(&person), "/trust-sets"), sets })
}

/// `GET /rules/{rule}`: what a rule asks, and what to do where it is broken.
///
/// # Errors
///
/// Where there is none.
pub async fn rule(State(app): State<App>, person: Person, Path(name): Path<String>) -> Result<Response, Oops> {
    let absent = || Trouble::absent(format!("there is no rule {name:?}"), "Look it up in the box above.");
    let rule = rule_named(&name).ok_or_else(absent)?;
    let mut out = Noun::new("/examine", "Rule", rule.name.to_owned());
    out.fact("Weighs", [Cell::State("finding", rule.severity.word())]);
    out.text("Asks", rule.required);
    out.text("Clause", rule.clause);
    out.text("What to do", rule.advice);
    out.leads.push(("Examine files by all rules", "/examine".into()));
    out.page(&app, &person)
}
