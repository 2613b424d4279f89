//! Long work for people: what they bring in, kept while it is inspected, to be
//! accepted in part, refused, or left; and what they ask for that takes its time.
//! Each tells how far it is ([`works::course`]) and can be stopped until it commits.
//!
//! `upload` takes files in, `findings` and `drawn` show what came of it.

mod drawn;
mod findings;
mod upload;

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::extract::{Path, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse as _, Redirect, Response};
use tempfile::TempDir;
use works::chips::Passphrase;
use works::course::{Course, Phase};
use works::site::Who;
use works::{Trouble, delivery, examine, ledger, reel};
use zeroize::Zeroizing;

pub use findings::{Finding, Group, grouped};
pub(crate) use upload::safe_name;
pub use upload::{Files, Upload, take};

use crate::answer::{Oops, is_part};
use crate::app::App;
use crate::guard::Person;

/// How long files are kept for somebody's decision.
const KEPT: Duration = Duration::from_secs(30 * 60);
/// Looked at or waiting at a time.
const AT_ONCE: usize = 12;
/// So long a form waits for what it asked, before its progress is shown instead.
const SOON: Duration = Duration::from_millis(400);

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
    /// The whole book, held against its log.
    Verify,
}

impl Task {
    /// The page that it was asked for on, and its title.
    fn page(&self) -> (&'static str, &'static str) {
        match self {
            Self::Reel { .. } | Self::Issue { .. } => ("/reels", "Reels"),
            Self::Delivery { .. } => ("/deliveries", "Deliveries"),
            Self::Examine { .. } => ("/examine", "Examine"),
            Self::Verify => ("/log", "Log"),
        }
    }

    /// What is counted.
    fn things(&self, phase: Phase) -> &'static str {
        match (self, phase) {
            (Self::Verify, _) => "entries and rows",
            (Self::Reel { .. }, _) => "chips",
            (Self::Examine { .. }, Phase::Reading) => "files",
            (Self::Delivery { .. }, _) | (Self::Issue { .. }, _) | (Self::Examine { .. }, _) => "certificates",
        }
    }
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
    /// It could not be read, it was stopped, or the surroundings failed.
    Failed(Trouble),
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

    fn runs(&self) -> bool {
        matches!(*hold(&self.outcome), Outcome::Running)
    }
}

/// All that was brought in and is not settled.
#[derive(Default)]
pub struct Incoming(Mutex<HashMap<String, Arc<Item>>>);

fn hold<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
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
        items.retain(|_, i| i.runs() || i.began.elapsed() < KEPT);
        if items.len() >= AT_ONCE {
            // One that is judged and that nobody decided on makes room for what is new.
            let idle = items.values().filter(|i| !i.runs()).max_by_key(|i| i.began.elapsed()).map(|i| i.id.clone());
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

fn told(answer: &impl serde::Serialize) -> Result<(serde_json::Value, bool), Trouble> {
    let odd = |e| Trouble::surroundings(format!("the answer can't be told: {e}"), "Report this.");
    Ok((serde_json::to_value(answer).map_err(odd)?, false))
}

fn run(app: &App, item: &Item, accept_part: bool, who: &Who) {
    let course = item.course();
    let judged = (|| -> Result<(serde_json::Value, bool), Trouble> {
        let first = || item.files.first().ok_or_else(|| Trouble::usage("no file came", "Choose a file."));
        match &item.task {
            Task::Issue { reel, issuer, passphrase } => {
                told(&delivery::issue(&app.site, reel, issuer, &**passphrase, who, &course)?)
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
                let watch = |p: examine::Progress| match p {
                    examine::Progress::Reading { total } => course.phase(Phase::Reading, Some(total)),
                    examine::Progress::Judging { total } => course.phase(Phase::Judging, Some(total)),
                    examine::Progress::Read => course.advance(1),
                    examine::Progress::Judged { count } => course.advance(count),
                };
                told(&examine::examine(&request, who.now(), &watch)?)
            }
            Task::Verify => Ok((ledger::verify(&app.site, who, &course)?, false)),
        }
    })();
    *hold(&item.outcome) = match judged {
        Ok((answer, partly)) => {
            let findings = answer.get("findings").cloned().unwrap_or_default();
            let findings = serde_json::from_value(findings).unwrap_or_default();
            Outcome::Judged { answer, findings, partly }
        }
        Err(trouble) => Outcome::Failed(trouble),
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

/// Answers a form that began something: what came of it, where that is soon, or else how far it is.
///
/// # Errors
///
/// What is wrong with an input of the form, so that the form is given again.
pub async fn answer(app: &App, person: &Person, headers: &HeaderMap, item: &Arc<Item>) -> Result<Response, Oops> {
    let until = Instant::now() + SOON;
    while item.runs() && Instant::now() < until {
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
    let mut outcome = hold(&item.outcome);
    if matches!(&*outcome, Outcome::Failed(trouble) if trouble.input().is_some()) {
        hold(&app.incoming.0).remove(&item.id);
        if let Outcome::Failed(trouble) = std::mem::replace(&mut *outcome, Outcome::Running) {
            return Err(trouble.into());
        }
    }
    drop(outcome);
    if is_part(headers) { drawn::part(person, item) } else { Ok(to(item)) }
}

/// Leads a browser without scripts to an item's own page.
fn to(item: &Item) -> Response {
    Redirect::to(&format!("/incoming/{}", item.id)).into_response()
}

/// `GET /incoming/{id}`: how far it is, or what came of it.
///
/// # Errors
///
/// Where it is gone.
pub async fn show(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(id): Path<String>,
) -> Result<Response, Oops> {
    let item = app.incoming.find(&id, &person)?;
    if is_part(&headers) { drawn::part(&person, &item) } else { drawn::alone(&app, &person, &item) }
}

/// `POST /incoming/{id}/accept`: keep the good part of a delivery.
///
/// # Errors
///
/// Where it is gone.
pub async fn accept(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(id): Path<String>,
) -> Result<Response, Oops> {
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
    answer(&app, &person, &headers, &item).await
}

/// `POST /incoming/{id}/stop`: cancel what runs, where it is not too late, or refuse what was judged.
///
/// # Errors
///
/// Where it is gone.
pub async fn stop(
    State(app): State<App>,
    person: Person,
    headers: HeaderMap,
    Path(id): Path<String>,
) -> Result<Response, Oops> {
    let item = app.incoming.find(&id, &person)?;
    // Where it is too late, the part shows it running on, and then what came of it.
    let _ = item.course().stop();
    {
        let mut outcome = hold(&item.outcome);
        if matches!(*outcome, Outcome::Judged { partly: true, .. }) {
            *outcome = Outcome::Failed(Trouble::refused("refused; nothing was stored", "Ask for a new delivery."));
        }
    }
    answer(&app, &person, &headers, &item).await
}
