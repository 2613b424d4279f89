//! How long work stands, as people see it.

use answer::keeping::DamageView;
use askama::Template;
use axum::response::Response;
use base::Said;
use examine::report::{Examination, Subject, id_digits};
use site::access::Role;
use standard::verdict::Severity;

use super::{Answer, Group, Item, Made, Outcome, Task, hold};
use crate::answer::{Oops, page};
use crate::app::App;
use crate::frame::Frame;
use crate::guard::Person;
use crate::look;
use crate::on_page::filters;
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
    /// Whether the person may open the pages of units and rules.
    reads: bool,
    running: Option<Far>,
    failed: Option<(String, String)>,
    answer: Option<&'a Answer>,
    /// A file that was made.
    made: Option<MadePart<'a>>,
    /// A report, as HTML.
    report: Option<String>,
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
    made: &'a Made,
}

impl MadePart<'_> {
    fn file(&self) -> String {
        let path = match self.made {
            Made::Pack(_, path) => path,
            Made::Labels(printed, _) => &printed.file,
        };
        path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
    }
}

/// The page of the log that begins with the entry of a damage.
fn log_from(damage: &DamageView) -> Option<String> {
    damage.entry.map(|entry| format!("/log?before={}", entry.saturating_add(1)))
}

#[derive(Template)]
#[template(path = "incoming_page.html")]
struct AlonePage {
    frame: Frame,
    title: &'static str,
    running: bool,
    part: String,
}

/// One thing examined, as it is drawn.
#[derive(Clone)]
pub struct Plate {
    pub name: String,
    pub kind: &'static str,
    /// Whether it is accepted by itself.
    pub verdict: &'static str,
    pub title: String,
    pub identity: String,
    /// Names of those above it, nearest first.
    pub above: Vec<String>,
    /// Rules that it breaks.
    pub breaks: Vec<&'static str>,
}

fn plates(examined: &Examination) -> Vec<Plate> {
    let plate = |s: &Subject| {
        let digits = |id: Option<u64>| id.map(id_digits).unwrap_or_default();
        let broken = s.findings.iter().filter(|f| f.severity == Severity::Error);
        Plate {
            name: s.name.to_string(),
            kind: s.kind.word(),
            verdict: s.verdict().word(),
            title: s.title.as_deref().unwrap_or_default().to_owned(),
            identity: format!("{} {}", digits(s.vendor_id), digits(s.product_id)).trim().to_owned(),
            above: s.above.to_vec(),
            breaks: broken.map(|f| f.rule.name).collect(),
        }
    };
    examined.subjects.iter().map(plate).collect()
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
    let odd = |e| base::Trouble::surroundings(format!("the page can't be drawn: {e}"), "Report this.");
    let outcome = hold(&item.outcome);
    let mut shown = IncomingPart {
        item,
        form: &person.form,
        reads: person.role != Role::Operator,
        running: None,
        failed: None,
        answer: None,
        made: None,
        report: None,
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
            shown.failed = Some((base::sentence(&said.message), said.advice.unwrap_or_default()));
        }
        Outcome::Made(made) => shown.made = Some(MadePart { item, form: &person.form, made }),
        Outcome::Reported(reported) => {
            let shown_of = Shown::of(reported, format!("/incoming/{}/file", item.id));
            shown.report = Some(shown_of.render().map_err(odd)?);
        }
        Outcome::Judged { answer, partly } => {
            (shown.groups, shown.partly) = (answer.groups(), *partly);
            if let Answer::Examined(examined) = answer {
                shown.subjects = plates(examined);
                shown.chains = chains(&shown.subjects);
            }
            shown.answer = Some(answer);
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
