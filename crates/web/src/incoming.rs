//! What people bring in: files kept while they are inspected, with progress, to
//! be accepted in part, refused, or left.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use askama::Template;
use axum::extract::multipart::MultipartRejection;
use axum::extract::{FromRequest, Multipart, Path, Request, State};
use axum::response::Response;
use serde::Deserialize;
use tempfile::TempDir;
use tokio::io::AsyncWriteExt;
use works::chips::Passphrase;
use works::course::{Course, Phase};
use works::site::Who;
use works::trouble::About as _;
use works::{Advise, Trouble, delivery, examine, reel};
use zeroize::Zeroizing;

use crate::again::Typed;
use crate::answer::{Oops, page};
use crate::app::App;
use crate::guard::Person;

/// How long files are kept for somebody's decision.
const KEPT: Duration = Duration::from_secs(30 * 60);
/// Looked at or waiting at a time.
const AT_ONCE: usize = 12;
/// Files in one upload.
const FILES: usize = 500;

/// A finding as every inspection gives it.
#[derive(Debug, Clone, Deserialize)]
pub struct Finding {
    /// Name of the rule.
    pub rule: String,
    /// `error`, `warning` or `note`.
    pub severity: String,
    /// What it is about.
    pub subject: String,
    /// How many share it.
    #[serde(default)]
    pub count: Option<u64>,
    /// The clause.
    pub clause: String,
    /// What is required.
    pub required: String,
    /// What was found.
    pub found: String,
    /// What to do.
    pub advice: String,
}

/// Findings of one rule.
pub struct Group {
    /// Name of the rule.
    pub rule: String,
    /// `error`, `warning` or `note`.
    pub severity: String,
    /// The clause.
    pub clause: String,
    /// What is required.
    pub required: String,
    /// How many things have it.
    pub count: u64,
    /// Where: subject, what was found, what to do.
    pub places: Vec<(String, String, String)>,
}

/// Findings by rule, errors first.
pub fn grouped(findings: &[Finding]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for f in findings {
        let place = (f.subject.clone(), f.found.clone(), f.advice.clone());
        match groups.iter_mut().find(|g| g.rule == f.rule && g.severity == f.severity) {
            Some(group) => {
                group.count += f.count.unwrap_or(1);
                group.places.push(place);
            }
            None => groups.push(Group {
                rule: f.rule.clone(),
                severity: f.severity.clone(),
                clause: f.clause.clone(),
                required: f.required.clone(),
                count: f.count.unwrap_or(1),
                places: vec![place],
            }),
        }
    }
    let weight = |g: &Group| match g.severity.as_str() {
        "error" => 0,
        "warning" => 1,
        _ => 2,
    };
    groups.sort_by_key(weight);
    groups
}

/// What is to be done with the files.
#[derive(Clone)]
pub enum Task {
    /// A manifest.
    Reel {
        /// The reel's id.
        reel: String,
        /// What its chips are for.
        product: String,
        /// Which columns.
        map: reel::manifest::ColumnMap,
    },
    /// A delivery.
    Delivery {
        /// The reel.
        reel: String,
        /// Opens an archive.
        password: Option<Zeroizing<Vec<u8>>>,
    },
    /// Credentials issued here, for every chip of a reel that has none.
    Issue {
        /// The reel.
        reel: String,
        /// The PAI.
        issuer: String,
        /// Opens its key.
        passphrase: Arc<Passphrase>,
    },
    /// Anything, to be examined.
    Examine {
        /// Roots that are trusted, beside those of the site where that is wanted.
        trust: Vec<PathBuf>,
        /// Whoever may sign declarations.
        signers: Vec<PathBuf>,
        /// What the device says it is.
        device: standard::verdict::Device,
    },
}

/// What came of it.
pub enum Outcome {
    /// Still at it.
    Running,
    /// Judged: verdict, findings and numbers as the works tell them in JSON.
    Judged {
        /// The works' own answer.
        answer: serde_json::Value,
        /// Its findings.
        findings: Vec<Finding>,
        /// Whether the good part could be kept.
        partly: bool,
    },
    /// It could not be read, or the surroundings failed.
    Failed {
        /// What is so.
        message: String,
        /// What to do.
        advice: String,
    },
}

/// One thing brought in.
pub struct Item {
    /// Its id.
    pub id: String,
    /// Who brought it.
    pub person: String,
    /// What it is.
    pub name: String,
    task: Task,
    files: Vec<PathBuf>,
    _folder: Option<TempDir>,
    began: Instant,
    /// How far it is, and whether it is to stop; a new one each time it runs.
    course: Mutex<Course>,
    outcome: Mutex<Outcome>,
}

impl Item {
    fn course(&self) -> Course {
        hold(&self.course).clone()
    }

    /// Whether files were brought.
    fn files_came(&self) -> bool {
        !self.files.is_empty()
    }
}

/// All that was brought in and is not settled.
#[derive(Default)]
pub struct Incoming(Mutex<HashMap<String, Arc<Item>>>);

fn hold<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Files and fields of a form.
pub struct Upload {
    /// Field, file.
    pub files: Vec<(String, PathBuf)>,
    /// Fields that are no files.
    pub fields: HashMap<String, String>,
    folder: TempDir,
}

impl Upload {
    /// A field's text; empty where there is none.
    pub fn text(&self, name: &str) -> &str {
        self.fields.get(name).map_or("", |t| t.trim())
    }

    /// Files of one field.
    pub fn of(&self, field: &str) -> Vec<PathBuf> {
        self.files.iter().filter(|(f, _)| f == field).map(|(_, path)| path.clone()).collect()
    }

    /// The folder in which it lies.
    pub fn folder_path(&self) -> PathBuf {
        self.folder.path().to_owned()
    }

    /// The one file of a field.
    ///
    /// # Errors
    ///
    /// Where there is none.
    pub fn one(&self, field: &'static str) -> Result<PathBuf, Trouble> {
        self.of(field)
            .into_iter()
            .next()
            .ok_or_else(|| Trouble::usage("no file came with the form", "Choose or drop a file, then send it again."))
            .about(field)
    }
}

/// What a file is called here: the last part of its name, and nothing that a path could mean.
pub(crate) fn safe_name(given: &str, number: usize) -> String {
    let last = given.rsplit(['/', '\\']).next().unwrap_or_default();
    let clean: String = last.chars().filter(|c| !c.is_control()).take(120).collect();
    match clean.trim_matches(['.', ' ']) {
        "" => format!("file-{number}"),
        name => name.to_owned(),
    }
}

/// A form with files, on its way in.
pub struct Files {
    form: Multipart,
    typed: Typed,
}

impl<S: Send + Sync> FromRequest<S> for Files {
    type Rejection = MultipartRejection;

    async fn from_request(request: Request, state: &S) -> Result<Self, Self::Rejection> {
        let typed = request.extensions().get::<Typed>().cloned().unwrap_or_default();
        Ok(Self { form: Multipart::from_request(request, state).await?, typed })
    }
}

/// Takes a form with files: each lands on disk as it comes.
///
/// # Errors
///
/// Where the form breaks off or has too many files.
pub async fn take(Files { mut form, typed }: Files) -> Result<Upload, Oops> {
    let broken = |e: &dyn std::fmt::Display| {
        Oops::from(Trouble::usage(format!("the upload broke off: {e}"), "Send it again; nothing was kept."))
    };
    let disk = |e: std::io::Error| {
        Oops::from(Trouble::surroundings(
            format!("the upload can't be kept: {e}"),
            "Look at the disk for temporary files.",
        ))
    };
    let folder = TempDir::new().map_err(disk)?;
    let mut upload = Upload { files: Vec::new(), fields: HashMap::new(), folder };
    while let Some(mut field) = form.next_field().await.map_err(|e| broken(&e.body_text()))? {
        let name = field.name().unwrap_or_default().to_owned();
        match field.file_name().map(str::to_owned) {
            Some(given) if !given.is_empty() => {
                if upload.files.len() >= FILES {
                    return Err(Trouble::usage(format!("more than {FILES} files came at once"), "Send fewer.").into());
                }
                let number = upload.files.len();
                // A folder each, so that two files of one name stay two.
                let place = upload.folder.path().join(number.to_string());
                tokio::fs::create_dir(&place).await.map_err(disk)?;
                let path = place.join(safe_name(&given, number));
                let mut file = tokio::fs::File::create(&path).await.map_err(disk)?;
                while let Some(chunk) = field.chunk().await.map_err(|e| broken(&e.body_text()))? {
                    file.write_all(&chunk).await.map_err(disk)?;
                }
                file.flush().await.map_err(disk)?;
                upload.files.push((name, path));
            }
            Some(_) => {}
            None => {
                let text = field.text().await.map_err(|e| broken(&e.body_text()))?;
                typed.keep(&name, &text);
                if text.len() <= 10_000 && upload.fields.len() < 50 {
                    upload.fields.insert(name, text);
                }
            }
        }
    }
    Ok(upload)
}

impl Incoming {
    fn find(&self, id: &str, person: &Person) -> Result<Arc<Item>, Oops> {
        let item = hold(&self.0).get(id).cloned();
        item.filter(|i| i.person == person.name.as_str()).ok_or_else(|| {
            Oops::from(Trouble::usage("these files are gone", "They are kept for half an hour; bring them again."))
        })
    }

    fn add(&self, item: Arc<Item>) -> Result<(), Trouble> {
        let mut items = hold(&self.0);
        items.retain(|_, i| i.began.elapsed() < KEPT);
        if items.len() >= AT_ONCE {
            // One that is judged and that nobody decided on makes room for what is new.
            let idle = items
                .values()
                .filter(|i| !matches!(*hold(&i.outcome), Outcome::Running))
                .max_by_key(|i| i.began.elapsed())
                .map(|i| i.id.clone());
            match idle {
                Some(id) => drop(items.remove(&id)),
                None => {
                    return Err(Trouble::refused(
                        "too much is being inspected at once",
                        "Wait until one inspection is done.",
                    ));
                }
            }
        }
        items.insert(item.id.clone(), item);
        Ok(())
    }
}

fn run(app: &App, item: &Item, accept_part: bool, who: &Who) {
    let course = item.course();
    let judged = (|| -> Result<(serde_json::Value, bool), Trouble> {
        let first = || item.files.first().ok_or_else(|| Trouble::usage("no file came", "Choose a file."));
        match &item.task {
            Task::Issue { reel, issuer, passphrase } => {
                let issued = delivery::issue(&app.site, reel, issuer, &**passphrase, who, &course)?;
                let json = serde_json::to_value(&issued)
                    .map_err(|e| Trouble::surroundings(format!("the answer can't be told: {e}"), "Report this."))?;
                Ok((json, false))
            }
            Task::Reel { reel, product, map } => {
                let received = reel::receive(&app.site, first()?, reel, product, map, who, &course)?;
                Ok((received.json(), false))
            }
            Task::Delivery { reel, password } => {
                let password = password.as_ref();
                let received = delivery::receive(&app.site, first()?, reel, accept_part, password, who, &course)?;
                let partly = received.verdict == "refused" && received.read > 0 && !accept_part;
                Ok((received.json(), partly))
            }
            Task::Examine { trust, signers, device } => {
                let request = examine::Examine {
                    files: item.files.clone(),
                    trust: trust.clone(),
                    signers: signers.clone(),
                    device: *device,
                    ..examine::Examine::default()
                };
                let told = |p: examine::Progress| match p {
                    examine::Progress::Reading { total } => course.phase(Phase::Reading, Some(total)),
                    examine::Progress::Judging { total } => course.phase(Phase::Judging, Some(total)),
                    examine::Progress::Read => course.advance(1),
                    examine::Progress::Judged { count } => course.advance(count),
                };
                let done = examine::examine(&request, who.now(), &told)?;
                let json = serde_json::to_value(&done)
                    .map_err(|e| Trouble::surroundings(format!("the answer can't be told: {e}"), "Report this."))?;
                Ok((json, false))
            }
        }
    })();
    *hold(&item.outcome) = match judged {
        Ok((answer, partly)) => {
            let findings = answer.get("findings").cloned().unwrap_or_default();
            let findings = serde_json::from_value(findings).unwrap_or_default();
            Outcome::Judged { answer, findings, partly }
        }
        Err(trouble) => Outcome::Failed { message: trouble.to_string(), advice: trouble.advice().unwrap_or_default() },
    };
}

/// Begins an inspection; its progress is asked for by id.
///
/// # Errors
///
/// Where too many run.
pub fn begin(app: &App, person: &Person, task: Task, upload: Upload, field: &'static str) -> Result<Arc<Item>, Oops> {
    let files = upload.of(field);
    let name = match files.as_slice() {
        [] => return Err(Trouble::usage("no file came with the form", "Choose or drop a file.").about(field).into()),
        [one] => one.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
        many => format!("{} files", many.len()),
    };
    begin_with(app, person, task, name, files, Some(upload.folder))
}

/// Begins work that brings no file.
///
/// # Errors
///
/// Where too much runs.
pub fn begin_alone(app: &App, person: &Person, task: Task, name: String) -> Result<Arc<Item>, Oops> {
    begin_with(app, person, task, name, Vec::new(), None)
}

fn begin_with(
    app: &App,
    person: &Person,
    task: Task,
    name: String,
    files: Vec<PathBuf>,
    folder: Option<TempDir>,
) -> Result<Arc<Item>, Oops> {
    let item = Arc::new(Item {
        id: works::access::draw_token()?.to_string(),
        person: person.name.to_string(),
        name,
        task,
        files,
        _folder: folder,
        began: Instant::now(),
        course: Mutex::default(),
        outcome: Mutex::new(Outcome::Running),
    });
    app.incoming.add(Arc::clone(&item))?;
    start(app, person, &item, false);
    Ok(item)
}

fn start(app: &App, person: &Person, item: &Arc<Item>, accept_part: bool) {
    let (app, who, item) = (app.clone(), app.who(person), Arc::clone(item));
    tokio::task::spawn_blocking(move || run(&app, &item, accept_part, &who));
}

#[derive(Template)]
#[template(path = "incoming.html")]
struct IncomingPart<'a> {
    item: &'a Item,
    running: bool,
    done: u64,
    total: u64,
    failed: Option<(&'a str, &'a str)>,
    answer: Option<&'a serde_json::Value>,
    verdict: &'a str,
    groups: Vec<Group>,
    partly: bool,
    /// Whether it can still be cancelled.
    stops: bool,
    subjects: Vec<Plate>,
    chains: Vec<Vec<Plate>>,
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

/// How an item stands, as a part of a page.
///
/// # Errors
///
/// Where it can't be drawn.
pub fn part(item: &Item) -> Result<Response, Oops> {
    let outcome = hold(&item.outcome);
    let far = item.course().now();
    let mut shown = IncomingPart {
        item,
        running: false,
        done: far.done,
        total: far.total.unwrap_or(0),
        failed: None,
        answer: None,
        verdict: "",
        groups: Vec::new(),
        partly: false,
        stops: far.can_stop && !matches!(item.task, Task::Examine { .. }),
        subjects: Vec::new(),
        chains: Vec::new(),
    };
    match &*outcome {
        Outcome::Running => shown.running = true,
        Outcome::Failed { message, advice } => shown.failed = Some((message, advice)),
        Outcome::Judged { answer, findings, partly } => {
            shown.verdict = answer.get("verdict").and_then(|v| v.as_str()).unwrap_or_default();
            shown.groups = grouped(findings);
            shown.partly = *partly;
            shown.subjects = plates(answer, findings);
            shown.chains = chains(&shown.subjects);
            shown.answer = Some(answer);
        }
    }
    page(&shown)
}

/// `GET /incoming/{id}`: how far it is, or what came of it.
///
/// # Errors
///
/// Where it is gone.
pub async fn show(State(app): State<App>, person: Person, Path(id): Path<String>) -> Result<Response, Oops> {
    let item = app.incoming.find(&id, &person)?;
    part(&item)
}

/// `POST /incoming/{id}/accept`: keep the good part of a delivery.
///
/// # Errors
///
/// Where it is gone.
pub async fn accept(State(app): State<App>, person: Person, Path(id): Path<String>) -> Result<Response, Oops> {
    let item = app.incoming.find(&id, &person)?;
    {
        let mut outcome = hold(&item.outcome);
        if !matches!(*outcome, Outcome::Judged { partly: true, .. }) {
            return Err(Trouble::refused("there is no part of this to accept", "Bring the files again.").into());
        }
        *outcome = Outcome::Running;
    }
    *hold(&item.course) = Course::new();
    start(&app, &person, &item, true);
    part(&item)
}

/// `POST /incoming/{id}/stop`: cancel what runs, where it is not too late, or refuse what was judged.
///
/// # Errors
///
/// Where it is gone.
pub async fn stop(State(app): State<App>, person: Person, Path(id): Path<String>) -> Result<Response, Oops> {
    let item = app.incoming.find(&id, &person)?;
    // Where it is too late, the part shows it running on, and then what came of it.
    let _ = item.course().stop();
    if !matches!(*hold(&item.outcome), Outcome::Running) {
        hold(&app.incoming.0).remove(&id);
        let told = Trouble::refused("refused; nothing was stored", "Ask for a new delivery.");
        *hold(&item.outcome) = Outcome::Failed { message: told.to_string(), advice: told.advice().unwrap_or_default() };
    }
    part(&item)
}

#[cfg(test)]
mod tests {
    use super::safe_name;

    #[test]
    fn a_name_is_no_path() {
        for (given, kept) in [
            ("delivery.zip", "delivery.zip"),
            ("../../etc/passwd", "passwd"),
            ("C:\\x\\y.csv", "y.csv"),
            ("..", "file-3"),
            ("", "file-3"),
            ("a\u{0}b", "ab"),
            ("<script>.zip", "<script>.zip"),
        ] {
            assert_eq!(safe_name(given, 3), kept, "{given}");
        }
    }
}
