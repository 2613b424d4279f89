//! Long work for people: what they bring in, kept while it is inspected, to be
//! accepted in part, refused, or left; and what they ask for that takes its time.
//! Each tells how far it is ([`base::course`]) and can be stopped until it commits.
//!
//! `task` is what there is to do, `upload` takes files in, `findings` and `drawn` show what came of it.

mod drawn;
mod findings;
mod task;
mod upload;

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use axum::body::Body;
use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse as _, Redirect, Response};
use base::Trouble;
use base::course::Course;
pub use findings::{Group, grouped};
use line::label;
use print::paper::Document;
use report::Request;
use site::Who;
use site::access::Role;
pub use task::{Answer, Made, Outcome, Reported, Task};
use tempfile::TempDir;
use tokio::io::AsyncReadExt as _;
pub use upload::{Files, Upload, take, take_body};
use zeroize::Zeroizing;

use crate::answer::{Oops, download, is_part};
use crate::app::App;
use crate::asker::Asker;
use crate::guard::Person;

/// How long files are kept for somebody's decision.
const KEPT: Duration = Duration::from_secs(30 * 60);
/// Looked at or waiting at a time.
const AT_ONCE: usize = 12;
/// Octets of a file that are read at a time.
const CHUNK: usize = 64 << 10;
/// So long a form waits for what it asked, before its progress is shown instead.
const SOON: Duration = Duration::from_millis(400);

/// One thing brought in.
pub struct Item {
    pub id: String,
    pub person: String,
    pub name: String,
    task: Task,
    files: Vec<PathBuf>,
    /// Where its files lie; goes with it.
    folder: Option<TempDir>,
    /// When it began; when it was done, once it is.
    since: Mutex<Instant>,
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

    /// How long it has run, or has been done.
    fn age(&self) -> Duration {
        hold(&self.since).elapsed()
    }

    /// Whether somebody has to decide on it.
    fn waits(&self) -> bool {
        matches!(*hold(&self.outcome), Outcome::Judged { partly: true, .. })
    }

    /// Waits a moment for it: whether it is done then.
    async fn is_soon_done(&self) -> bool {
        let until = Instant::now() + SOON;
        while self.runs() && Instant::now() < until {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        !self.runs()
    }

    /// Decides on what waits for a decision; false where nothing does.
    fn settle(&self, to: Outcome) -> bool {
        let mut outcome = hold(&self.outcome);
        let waits = matches!(*outcome, Outcome::Judged { partly: true, .. });
        if waits {
            *outcome = to;
        }
        waits
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
            let advice = "What was brought or asked for is kept for half an hour; bring it, or ask for it, again.";
            Oops::from(Trouble::usage("nothing is kept under this address any more", advice))
        })
    }

    fn add(&self, item: Arc<Item>) -> Result<(), Trouble> {
        let mut items = hold(&self.0);
        if items.len() >= AT_ONCE {
            // One that is done makes room for what is new; one that waits for a decision only where there is no other.
            let done = items.values().filter(|i| !i.runs());
            let idle = done.max_by_key(|i| (!i.waits(), i.age())).map(|i| i.id.clone());
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

    /// Forgets what was kept for long enough; one that was begun anew meanwhile stays.
    fn let_go(&self, id: &str) {
        let mut items = hold(&self.0);
        if items.get(id).is_some_and(|i| !i.runs() && i.age() >= KEPT) {
            items.remove(id);
        }
    }

    /// Stops whatever runs and has not begun to commit: the server ends.
    pub fn stop(&self) {
        for item in hold(&self.0).values() {
            let _ = item.course().stop();
        }
    }
}

fn run(app: &App, item: &Item, accept_part: bool, who: &Who) {
    let files = task::Files { brought: &item.files, folder: item.folder.as_ref().map(TempDir::path) };
    let done = task::done(app, &item.task, &files, accept_part, who, &item.course());
    *hold(&item.since) = Instant::now();
    *hold(&item.outcome) = done.unwrap_or_else(Outcome::Failed);
}

/// Takes a form with files, and begins what is to be done with those of one field.
///
/// - `task`: what that is, as the form's other fields say.
///
/// # Errors
///
/// Where the form makes no sense, or too much runs.
pub async fn bring(
    asker: &Asker,
    form: Files,
    field: &'static str,
    task: impl FnOnce(&Upload) -> Result<Task, Trouble>,
) -> Result<Response, Oops> {
    let upload = take(form).await?;
    let task = task(&upload)?;
    inspect(asker, task, upload, field).await
}

/// Begins what is to be done with the files of one field.
///
/// # Errors
///
/// Where none came, or too much runs.
pub async fn inspect(asker: &Asker, task: Task, upload: Upload, field: &'static str) -> Result<Response, Oops> {
    let files = upload.of(field);
    let name = match files.as_slice() {
        [] => return Err(Trouble::usage("no file came with the form", "Choose or drop a file.").about(field).into()),
        [one] => one.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default(),
        many => format!("{} files", many.len()),
    };
    let item = begin_with(&asker.app, &asker.person, task, name, files, Some(upload.folder))?;
    answer(asker, &item).await
}

/// Begins work that was asked for by name, in a folder of its own where it needs one.
///
/// # Errors
///
/// What is wrong with an input of the form, or that too much runs.
pub async fn ask(asker: &Asker, task: Task, name: String, folder: Option<TempDir>) -> Result<Response, Oops> {
    let item = begin_with(&asker.app, &asker.person, task, name, Vec::new(), folder)?;
    answer(asker, &item).await
}

/// A report, where it is made soon; else where to watch it being made. One that the person has asked for already and
/// that is still being made is not begun again.
///
/// # Errors
///
/// What the rooms say, or that too much runs.
pub async fn report(
    app: &App,
    person: &Person,
    request: Request,
    query: String,
) -> Result<Result<Arc<Reported>, Response>, Oops> {
    let same = |i: &Arc<Item>| {
        i.person == person.name.as_str()
            && i.runs()
            && matches!(&i.task, Task::Report { query: asked, .. } if *asked == query)
    };
    let known = hold(&app.incoming.0).values().find(|i| same(i)).cloned();
    if let Some(item) = known {
        return Ok(Err(to(&item)));
    }
    let task = Task::Report { request, query };
    let item = begin_with(app, person, task, "the report".into(), Vec::new(), None)?;
    if !item.is_soon_done().await {
        return Ok(Err(to(&item)));
    }
    // Whoever has it needs no place for it.
    hold(&app.incoming.0).remove(&item.id);
    let outcome = std::mem::replace(&mut *hold(&item.outcome), Outcome::Running);
    match outcome {
        Outcome::Reported(reported) => Ok(Ok(reported)),
        Outcome::Failed(trouble) => Err(trouble.into()),
        _ => Err(Trouble::surroundings("the work stopped in the middle", "Try again, and report this.").into()),
    }
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
        id: site::access::draw_token()?.to_string(),
        person: person.name.to_string(),
        name,
        task,
        files,
        folder,
        since: Mutex::new(Instant::now()),
        course: Mutex::default(),
        outcome: Mutex::new(Outcome::Running),
    });
    app.incoming.add(Arc::clone(&item))?;
    start(app, person, &item, false);
    Ok(item)
}

fn start(app: &App, person: &Person, item: &Arc<Item>, accept_part: bool) {
    let (at, who, running) = (app.clone(), app.who(person), Arc::clone(item));
    let work = tokio::task::spawn_blocking(move || run(&at, &running, accept_part, &who));
    let (app, id) = (app.clone(), item.id.clone());
    tokio::spawn(async move {
        let _ = work.await;
        tokio::time::sleep(KEPT).await;
        app.incoming.let_go(&id);
    });
}

/// Answers a form that began something: what came of it, where that is soon, or else how far it is. What is wrong with an
/// input of the form is an error, so that the form is given again.
async fn answer(asker: &Asker, item: &Arc<Item>) -> Result<Response, Oops> {
    item.is_soon_done().await;
    let mut outcome = hold(&item.outcome);
    if matches!(&*outcome, Outcome::Failed(trouble) if trouble.input().is_some()) {
        hold(&asker.app.incoming.0).remove(&item.id);
        if let Outcome::Failed(trouble) = std::mem::replace(&mut *outcome, Outcome::Running) {
            return Err(trouble.into());
        }
    }
    drop(outcome);
    if is_part(&asker.headers) { drawn::part(&asker.person, item) } else { Ok(to(item)) }
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
pub async fn show(Asker { app, person, headers }: Asker, Path(id): Path<String>) -> Result<Response, Oops> {
    let item = app.incoming.find(&id, &person)?;
    if is_part(&headers) { drawn::part(&person, &item) } else { drawn::alone(&app, &person, &item) }
}

/// `GET /incoming/{id}/file`: the file that was made.
///
/// # Errors
///
/// Where it is gone, none was made, or the person may not have it any more.
pub async fn file(Asker { app, person, .. }: Asker, Path(id): Path<String>) -> Result<Response, Oops> {
    let item = app.incoming.find(&id, &person)?;
    let what = match (&*hold(&item.outcome), &item.task) {
        (Outcome::Reported(reported), _) => File::Report(Arc::clone(reported)),
        (Outcome::Made(Made::Pack(_, path)), Task::Evidence { file, .. }) => File::Pack(path.clone(), file.clone()),
        (Outcome::Made(Made::Labels(printed, octets)), Task::Labels { units, job }) => {
            File::Labels(Arc::clone(octets), job.out.display().to_string(), units.which().words(), printed.labels)
        }
        _ => return Err(Trouble::usage("no file was made here", "Check the result.").into()),
    };
    match what {
        File::Report(reported) => {
            let octets = app.work(move |_| pdf(&reported.document)).await?;
            Ok(download("application/pdf", "report.pdf", octets))
        }
        File::Pack(path, name) => {
            let (body, octets) = from_disk(&path).await?;
            let mut response = download("application/zip", &name, body);
            response.headers_mut().insert(header::CONTENT_LENGTH, octets.into());
            Ok(response)
        }
        File::Labels(octets, name, words, labels) => {
            if person.role != Role::Engineer {
                return Err(Oops::Forbidden("labels show passcodes; that is for engineers".into()));
            }
            let (who, file) = (app.who(&person), name.clone());
            app.work(move |app| label::handed_over(&app.site, &file, &words, labels, &who)).await?;
            Ok(download("application/pdf", &name, octets.to_vec()))
        }
    }
}

/// What is taken away.
enum File {
    Report(Arc<Reported>),
    Pack(PathBuf, String),
    Labels(Arc<Zeroizing<Vec<u8>>>, String, String, u64),
}

/// A report on paper.
///
/// # Errors
///
/// Where it can't be set.
pub fn pdf(document: &Document) -> Result<Vec<u8>, Trouble> {
    let odd =
        |e| Trouble::surroundings(format!("the PDF can't be made: {e}"), "Report this; the page itself is sound.");
    Ok(document.pdf(Vec::new()).map_err(odd)?.0)
}

/// A file as it is read, and its octets: a pack may be larger than the memory.
async fn from_disk(path: &std::path::Path) -> Result<(Body, u64), Oops> {
    let failed = |e| Oops::from(Trouble::file(path, e));
    let mut file = tokio::fs::File::open(path).await.map_err(failed)?;
    let octets = file.metadata().await.map_err(failed)?.len();
    let (send, receive) = tokio::sync::mpsc::channel::<Result<Vec<u8>, std::io::Error>>(4);
    tokio::spawn(async move {
        loop {
            let mut chunk = Vec::with_capacity(CHUNK);
            let read = file.read_buf(&mut chunk).await;
            let ends = matches!(read, Ok(0) | Err(_));
            if matches!(read, Ok(0)) || send.send(read.map(|_| chunk)).await.is_err() || ends {
                return;
            }
        }
    });
    Ok((Body::from_stream(tokio_stream::wrappers::ReceiverStream::new(receive)), octets))
}

/// `POST /incoming/{id}/accept`: keep the good part of a delivery.
///
/// # Errors
///
/// Where it is gone.
pub async fn accept(asker: Asker, Path(id): Path<String>) -> Result<Response, Oops> {
    let item = asker.app.incoming.find(&id, &asker.person)?;
    if !item.settle(Outcome::Running) {
        return Err(Trouble::refused("no part of this can be accepted", "Bring the files again.").into());
    }
    *hold(&item.course) = Course::new();
    start(&asker.app, &asker.person, &item, true);
    answer(&asker, &item).await
}

/// `POST /incoming/{id}/stop`: cancel what runs, where it is not too late, or refuse what was judged.
///
/// # Errors
///
/// Where it is gone.
pub async fn stop(asker: Asker, Path(id): Path<String>) -> Result<Response, Oops> {
    let item = asker.app.incoming.find(&id, &asker.person)?;
    // Where it is too late, the part shows it running on, and then what came of it.
    let _ = item.course().stop();
    item.settle(Outcome::Failed(Trouble::refused("refused; nothing was stored", "Ask for a new delivery.")));
    answer(&asker, &item).await
}
