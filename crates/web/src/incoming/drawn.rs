//! How long work stands, as people see it.

use askama::Template;
use axum::response::Response;
use works::{Said, Trouble};

use super::{Finding, Group, Item, Made, Outcome, Task, grouped, hold};
use crate::answer::{Oops, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;
use crate::look;
use crate::pages::report::Shown;

/// How far it is.
struct Far {
    phase: &'static str,
    done: i64,
    total: Option<i64>,
    things: &'static str,
    rate: Option<String>,
    left: Option<String>,
    stopping: bool,
    /// Milliseconds until it is looked at again: often at first, then less so.
    again: u64,
}

#[derive(Template)]
#[template(path = "incoming.html")]
struct IncomingPart<'a> {
    item: &'a Item,
    /// The word that forms carry.
    form: &'a str,
    running: Option<Far>,
    failed: Option<(String, String)>,
    answer: Option<&'a serde_json::Value>,
    /// What verifying the book found.
    verified: Option<Vec<Damage>>,
    /// A file that was made.
    made: Option<MadePart<'a>>,
    /// A report, as HTML.
    report: Option<String>,
    verdict: &'a str,
    groups: Vec<Group>,
    partly: bool,
    /// Whether it can still be cancelled.
    stops: bool,
    subjects: Vec<Plate>,
    chains: Vec<Vec<Plate>>,
}

/// A file to take away, and what is in it.
#[derive(Template)]
#[template(path = "made.html")]
struct MadePart<'a> {
    item: &'a Item,
    form: &'a str,
    /// As the works tell it.
    answer: &'a serde_json::Value,
    /// Labels, rather than a pack.
    labels: bool,
}

impl MadePart<'_> {
    fn number(&self, key: &str) -> i64 {
        self.answer.get(key).and_then(serde_json::Value::as_i64).unwrap_or_default()
    }

    /// Units of a list of the answer, by name.
    fn names(&self, key: &str) -> String {
        let units = self.answer.get(key).and_then(serde_json::Value::as_array);
        let names: Vec<&str> = units.into_iter().flatten().filter_map(serde_json::Value::as_str).collect();
        names.join(", ")
    }

    fn file(&self) -> String {
        let key = if self.labels { "file" } else { "pack" };
        let path = self.answer.get(key).and_then(serde_json::Value::as_str).unwrap_or_default();
        path.rsplit('/').next().unwrap_or_default().to_owned()
    }
}

#[derive(Template)]
#[template(path = "incoming_page.html")]
struct AlonePage {
    frame: Frame,
    title: &'static str,
    running: bool,
    part: String,
}

/// One thing that is not as the log says.
#[derive(serde::Deserialize)]
struct Damage {
    kind: String,
    table: String,
    key: String,
    entry: Option<i64>,
    found: String,
}

impl Damage {
    /// The page of the log that begins with its entry.
    fn address(&self) -> Option<String> {
        self.entry.map(|entry| format!("/log?before={}", entry.saturating_add(1)))
    }
}

/// One thing examined, as it is drawn.
#[derive(Clone)]
pub struct Plate {
    /// The file.
    pub name: String,
    /// What it is.
    pub kind: String,
    /// Whether it is accepted by itself.
    pub verdict: String,
    /// The subject's name.
    pub title: String,
    /// VID and PID.
    pub identity: String,
    /// Names of those above it, nearest first.
    pub above: Vec<String>,
    /// Rules that it breaks.
    pub breaks: Vec<String>,
}

fn plates(answer: &serde_json::Value, findings: &[Finding]) -> Vec<Plate> {
    let text = |v: &serde_json::Value, key: &str| v.get(key).and_then(|t| t.as_str()).unwrap_or_default().to_owned();
    let list = answer.get("subjects").and_then(|s| s.as_array()).cloned().unwrap_or_default();
    list.iter()
        .map(|s| {
            let name = text(s, "name");
            let above = s.get("issued_by").and_then(|a| a.as_array()).cloned().unwrap_or_default();
            let broken = findings.iter().filter(|f| f.subject == name && f.severity == "error");
            Plate {
                kind: text(s, "kind"),
                verdict: text(s, "verdict"),
                title: text(s, "title"),
                identity: format!("{} {}", text(s, "vendor_id"), text(s, "product_id")).trim().to_owned(),
                above: above.iter().filter_map(|a| a.as_str()).map(str::to_owned).collect(),
                breaks: broken.map(|f| f.rule.clone()).collect(),
                name,
            }
        })
        .collect()
}

/// Chains to draw, root at the top: of the first few DACs, or of what stands highest.
fn chains(plates: &[Plate]) -> Vec<Vec<Plate>> {
    let heads = plates.iter().filter(|p| p.kind == "dac").take(6);
    let heads: Vec<&Plate> = heads.collect();
    let heads = if heads.is_empty() { plates.iter().filter(|p| p.kind == "pai").take(6).collect() } else { heads };
    heads
        .into_iter()
        .map(|head| {
            let mut chain = vec![head.clone()];
            for name in &head.above {
                chain.extend(plates.iter().find(|p| p.name == *name).cloned());
            }
            chain.reverse();
            chain
        })
        .collect()
}

fn far(item: &Item) -> Far {
    let now = item.course().now();
    let whole = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
    let left = now.left().filter(|left| left.as_secs() > 0 && !now.stopping);
    Far {
        phase: if now.stopping { "stopping" } else { now.phase.word() },
        done: whole(now.done.min(now.total.unwrap_or(u64::MAX))),
        total: now.total.filter(|total| *total > 0).map(whole),
        things: item.task.things(now.phase),
        rate: now.rate().map(look::rate),
        left: left.map(look::left),
        stopping: now.stopping,
        again: if item.age().as_secs() < 5 { 350 } else { 1000 },
    }
}

fn drawn(person: &Person, item: &Item) -> Result<String, Oops> {
    let odd = |e| works::Trouble::surroundings(format!("the page can't be drawn: {e}"), "Report this.");
    let outcome = hold(&item.outcome);
    let mut shown = IncomingPart {
        item,
        form: &person.form,
        running: None,
        failed: None,
        answer: None,
        verified: None,
        made: None,
        report: None,
        verdict: "",
        groups: Vec::new(),
        partly: false,
        stops: item.course().now().can_stop && !matches!(item.task, Task::Examine { .. }),
        subjects: Vec::new(),
        chains: Vec::new(),
    };
    match &*outcome {
        Outcome::Running => shown.running = Some(far(item)),
        Outcome::Failed(trouble) => {
            let said = Said::by(trouble);
            shown.failed = Some((works::sentence(&said.message), said.advice.unwrap_or_default()));
        }
        Outcome::Made { answer, made } => {
            let labels = matches!(made, Made::Labels(_));
            shown.made = Some(MadePart { item, form: &person.form, answer, labels });
        }
        Outcome::Reported(reported) => {
            let shown_of = Shown::of(reported, format!("/incoming/{}/file", item.id));
            shown.report = Some(shown_of.render().map_err(odd)?);
        }
        Outcome::Judged { answer, findings, partly } => {
            shown.verdict = answer.get("verdict").and_then(|v| v.as_str()).unwrap_or_default();
            shown.groups = grouped(findings);
            shown.partly = *partly;
            shown.subjects = plates(answer, findings);
            shown.chains = chains(&shown.subjects);
            shown.answer = Some(answer);
            if matches!(item.task, Task::Verify) {
                let damages = serde_json::from_value(answer["damages"].clone());
                shown.verified = Some(damages.map_err(|e| {
                    Trouble::surroundings(format!("what was found in the book can't be shown: {e}"), "Report this.")
                })?);
            }
        }
    }
    Ok(shown.render().map_err(odd)?)
}

/// As a part of a page.
pub(super) fn part(person: &Person, item: &Item) -> Result<Response, Oops> {
    drawn(person, item).map(|html| axum::response::IntoResponse::into_response(axum::response::Html(html)))
}

/// As a page by itself, for a browser without scripts: it comes again while the work runs.
pub(super) fn alone(app: &App, person: &Person, item: &Item) -> Result<Response, Oops> {
    let (at, title) = item.task.page();
    let running = item.runs();
    page(&AlonePage { frame: Frame::new(app, Some(person), at), title, running, part: drawn(person, item)? })
}
