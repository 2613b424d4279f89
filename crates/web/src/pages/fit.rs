//! Fit: secure elements, each described in a part file, against what a product needs.

use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use base::Trouble;
use base::trouble::About as _;
use decide::fit;
use decide::fit::{Request, needs};
use decide::part::{EXAMPLES, Part, Threat};
use site::product;
use site::words::Purpose;

use super::authorities::identity;
use super::given;
use crate::answer::{Oops, below, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;
use crate::incoming::{self, Files, Upload};
use crate::look::escaped;

/// Seconds of a whole commissioning where nothing else is said; the command's own.
const COMMISSIONING: f64 = 12.0;

#[derive(Template)]
#[template(path = "fit.html")]
struct FitPage {
    frame: Frame,
    /// Product, and what the choice says.
    products: Vec<(String, String)>,
    shipped: Vec<(String, String, String)>,
    /// Field, what it says.
    threats: Vec<(String, String)>,
}

#[derive(Template)]
#[template(path = "fitted.html")]
struct FittedPart {
    title: String,
    above: String,
    test: Option<String>,
    fits: bool,
    blocks: String,
}

impl FittedPart {
    /// The shape beside the title, which says the same in words.
    fn shape(&self) -> &'static str {
        if self.fits { "struck" } else { "cracked" }
    }
}

/// HTML beside the tick of a part that comes with the program.
fn part_words(name: &str, package: &str) -> String {
    format!("{} <span class=\"quiet\">invented; {}</span>", escaped(name), escaped(package))
}

/// `GET /fit`: the form.
pub async fn show(State(app): State<App>, person: Person) -> Result<Response, Oops> {
    let (products, shipped) = app
        .work(|app| {
            let products = product::list(&app.site)?;
            let shipped = EXAMPLES.iter().map(|(name, _)| Part::example(name)).collect::<Result<Vec<_>, _>>()?;
            Ok((products, shipped))
        })
        .await?;
    let test = |purpose: Purpose| if purpose.is_test() { " (TEST)" } else { "" };
    let products =
        products.into_iter().map(|p| (p.name.to_string(), format!("{}{}", p.name, test(p.purpose)))).collect();
    let named = |p: Part| (format!("shipped-{}", p.part.name), p.part.name, p.part.package.unwrap_or_default());
    let shipped = shipped.into_iter().map(named).collect();
    let faced = |t: &Threat| (format!("threat-{}", t.word()), format!("{}: {}", t.word(), t.means()));
    let threats = Threat::ALL.iter().map(faced).collect();
    page(&FitPage { frame: Frame::new(&app, Some(&person), "/fit"), products, shipped, threats })
}

fn parts(upload: &Upload) -> Result<Vec<Part>, Trouble> {
    let chosen = EXAMPLES.iter().filter(|(name, _)| upload.fields.contains_key(&format!("shipped-{name}")));
    let mut parts = chosen.map(|(name, _)| Part::example(name)).collect::<Result<Vec<_>, _>>()?;
    for file in upload.of("part") {
        let name = file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        parts.push(Part::read_as(&file, &name).about("part")?);
    }
    if parts.is_empty() {
        return Err(Trouble::usage("no part was chosen", "Tick one that comes with the program, or add a part file.")
            .about("part"));
    }
    Ok(parts)
}

/// `POST /fit`: parts side by side; nothing of it is kept.
///
/// # Errors
///
/// Where a part file can't be read, or what is asked for makes no sense.
pub async fn judge(State(app): State<App>, person: Person, headers: HeaderMap, form: Files) -> Result<Response, Oops> {
    let upload = incoming::take(form).await?;
    let now = app.who(&person).now();
    let part = app
        .work(move |app| {
            let parts = parts(&upload)?;
            let (vendor, pid) = identity(upload.text("vendor"), "").and_then(|(vendor, _)| {
                let (_, pid) = identity("", upload.text("pid")).map_err(|e| e.renamed("pid"))?;
                Ok((vendor, pid))
            })?;
            let mut needs = match (given(upload.text("product")), vendor, pid) {
                (Some(name), None, None) => needs::of_product(&app.site, name)?,
                (None, Some(vendor), Some(pid)) => needs::of_identity(vendor, pid)?,
                (None, None, None) => needs::at_most()?,
                (Some(_), _, _) => {
                    return Err(Trouble::usage(
                        "a product was chosen and an identity typed",
                        "Leave one of them empty.",
                    )
                    .about("product"));
                }
                (None, _, _) => {
                    return Err(Trouble::usage(
                        "half of an identity was typed",
                        "Type vendor ID and product ID, or leave both empty.",
                    )
                    .about("pid"));
                }
            };
            for line in upload.text("further").split(['\n', ',']).map(str::trim).filter(|l| !l.is_empty()) {
                needs.add_typed(line).about("further")?;
            }
            let stated = Threat::ALL.iter().filter(|t| upload.fields.contains_key(&format!("threat-{}", t.word())));
            let commissioning_s = match given(upload.text("commissioning")) {
                None => COMMISSIONING,
                Some(text) => text.parse().map_err(|_| {
                    Trouble::usage(
                        format!("{text:?} is not a number of seconds"),
                        "Give digits, with a point, as 12.5.",
                    )
                    .about("commissioning")
                })?,
            };
            let request = Request { parts, needs, threats: stated.copied().collect(), commissioning_s };
            let told = fit::fit(&request)?;
            let document = fit::page::document(&told, &format!("{} · {now}", app.site.settings.site.name));
            let blocks = document.fragment();
            Ok(FittedPart {
                title: document.title,
                above: document.above,
                test: document.test,
                fits: told.fits,
                blocks,
            })
        })
        .await?;
    let frame = Frame::new(&app, Some(&person), "/fit");
    below(&headers, frame, (StatusCode::OK, "#fitted", "Fit"), &part)
}
