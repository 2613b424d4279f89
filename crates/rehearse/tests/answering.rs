//! Long work on units that passed (packs, runs of labels, reports): stopped, it leaves no file and says so; done, it
//! is recorded, and counts what it said it would.
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::path::PathBuf;
use std::time::{Duration, Instant};
use std::{fs, thread};

use answer::evidence;
use base::course::{Course, Phase};
use base::{Advise, Kind, Trouble};
use book::LabelEvent;
use book::ids::UnitSerial;
use custody::Passphrase;
use line::chips::FaultLevel;
use line::chosen::Which;
use line::label;
use line::label::Job;
use rehearse::{Rehearse, rehearse};
use report::{Request, Scope, report};
use site::{Site, Who};
use tempfile::TempDir;

const UNITS: usize = 24;

struct Place {
    folder: TempDir,
    site: Site,
    who: Who,
    passphrase: Passphrase,
}

fn place() -> Place {
    let folder = TempDir::new().unwrap();
    let out = folder.path().join("site");
    let wanted = Rehearse {
        product: None,
        units: UNITS as u64,
        seed: 3,
        faults: FaultLevel::None,
        out: out.clone(),
        book: None,
        book_password_file: None,
    };
    rehearse(&wanted, &mut |_| ()).unwrap();
    let passphrase = fs::read_to_string(out.join("keys/passphrase")).unwrap();
    let passphrase = Passphrase::new(passphrase.trim().to_owned()).unwrap();
    Place { folder, site: Site::open(&out).unwrap(), who: Who::new("Ada").unwrap(), passphrase }
}

impl Place {
    fn entries(&self) -> u64 {
        self.site.book.head().unwrap().size
    }

    /// Acts of the log's last entries, the latest first.
    fn acts(&self, last: u32) -> Vec<String> {
        self.site.book.entries(None, last).unwrap().items.into_iter().map(|e| e.act).collect()
    }

    fn empty(&self, name: &str) -> PathBuf {
        let folder = self.folder.path().join(name);
        fs::create_dir(&folder).unwrap();
        folder
    }

    fn printed(&self, unit: &str) -> usize {
        let story = self.site.book.story(&UnitSerial::new(unit).unwrap()).unwrap().unwrap();
        story.labels.iter().filter(|l| l.event == LabelEvent::Printed && l.actor.as_str() == "Ada").count()
    }

    fn pack(
        &self,
        which: &Which<'_>,
        folder: &std::path::Path,
        course: &Course,
    ) -> Result<evidence::Exported, Trouble> {
        evidence::export(&self.site, which, &folder.join("pack.zip"), Some(&self.passphrase), &self.who, course)
    }
}

fn stopped() -> Course {
    let course = Course::new();
    assert!(course.stop());
    course
}

/// A course that is stopped as soon as a phase shows.
fn stopped_in(phase: Phase) -> (Course, thread::JoinHandle<bool>) {
    let course = Course::new();
    let watcher = course.clone();
    let stopping = thread::spawn(move || {
        let since = Instant::now();
        while watcher.now().phase != phase && since.elapsed() < Duration::from_secs(20) {
            thread::yield_now();
        }
        watcher.stop()
    });
    (course, stopping)
}

fn is_cancelled<T>(done: Result<T, Trouble>, said: &str) {
    let Err(trouble) = done else { panic!("it was done") };
    assert_eq!((trouble.to_string().as_str(), trouble.kind()), (said, Kind::Surroundings));
    assert!(trouble.advice().unwrap().contains("again"));
}

fn files(folder: &std::path::Path) -> usize {
    fs::read_dir(folder).unwrap().count()
}

#[test]
fn a_pack_that_is_stopped_leaves_no_file_and_the_log_says_so() {
    let place = place();
    let folder = place.empty("packs");
    let before = place.entries();
    is_cancelled(place.pack(&Which::All, &folder, &stopped()), "cancelled; nothing was stored");
    assert_eq!((files(&folder), place.entries()), (0, before), "before it began");

    let (course, stopping) = stopped_in(Phase::Packing);
    let made = place.pack(&Which::All, &folder, &course);
    assert!(stopping.join().unwrap(), "in time");
    is_cancelled(made, "cancelled; no pack was written");
    assert_eq!(files(&folder), 0);
    let acts = place.acts(4);
    assert_eq!(acts[0], "evidence.abandon", "{acts:?}");
    assert!(acts.contains(&"evidence.export".to_owned()), "{acts:?}");

    let course = Course::new();
    let made = place.pack(&Which::All, &folder, &course).unwrap();
    assert_eq!((made.units, made.proven, files(&folder)), (UNITS as u64, UNITS as u64, 2), "the pack, and its key");
    assert!(!course.stop(), "it is done");
    let checked = evidence::check(&folder.join("pack.zip"), &folder.join("pack-key.pem")).unwrap();
    assert_eq!(checked.verdict, "whole");
    // One unit that is not there, and nothing is begun.
    let before = place.entries();
    let missing = ["TV-000001".to_owned(), "NOBODY".to_owned()];
    let refused = place.pack(&Which::Units(&missing), &place.empty("more"), &Course::new()).unwrap_err();
    assert!(refused.to_string().contains("NOBODY") && place.entries() == before, "{refused}");
}

#[test]
fn labels_that_are_stopped_were_never_printed() {
    let place = place();
    let folder = place.empty("labels");
    let run = |which: &Which<'_>, name: &str, course: &Course| {
        let job = Job::to(&folder.join(name));
        label::print_of_book(&place.site, which, &job, Some(&place.passphrase), &place.who, course)
    };
    let before = place.entries();
    is_cancelled(run(&Which::All, "all.pdf", &stopped()), "cancelled; nothing was stored");
    let (course, stopping) = stopped_in(Phase::Drawing);
    let made = run(&Which::All, "all.pdf", &course);
    assert!(stopping.join().unwrap(), "in time");
    is_cancelled(made, "cancelled; nothing was stored");
    assert_eq!((files(&folder), place.entries(), place.printed("TV-000001")), (0, before, 0));

    // By name, twice the same: once. One that is not there: none at all, and nothing recorded.
    let two = ["TV-000002", "TV-000001", "TV-000002"].map(str::to_owned);
    let some = run(&Which::Units(&two), "two.pdf", &Course::new()).unwrap();
    assert_eq!((some.labels, some.decoded, some.test), (2, 2, 2));
    assert_eq!((place.entries(), place.printed("TV-000001"), place.printed("TV-000003")), (before + 2, 1, 0));
    let missing = ["TV-000001".to_owned(), "NOBODY".to_owned()];
    let refused = run(&Which::Units(&missing), "none.pdf", &Course::new()).unwrap_err();
    assert_eq!((refused.input(), files(&folder), place.entries()), (Some("units"), 1, before + 2), "{refused}");
    // A scrapped one gets none, by name or by period.
    answer::scrap::unit(&place.site, "TV-000004", "dropped", false, None, &place.who).unwrap();
    let refused = run(&Which::Units(&["TV-000004".to_owned()]), "none.pdf", &Course::new()).unwrap_err();
    assert_eq!(refused.kind(), Kind::Refused, "{refused}");
    let now = (place.who.clock)();
    let of_today = Which::Period(Some(now - time::Duration::DAY), None);
    let (before, course) = (place.entries(), Course::new());
    assert_eq!(run(&of_today, "today.pdf", &course).unwrap().labels, UNITS as u64 - 1);
    assert_eq!(place.entries(), before + UNITS as u64 - 1, "an entry each");
    let told = course.now();
    assert_eq!((told.phase, told.done, told.total), (Phase::Committing, UNITS as u64 - 1, Some(UNITS as u64 - 1)));
    let earlier = Which::Period(None, Some(now - time::Duration::DAY));
    assert!(run(&earlier, "none.pdf", &Course::new()).unwrap_err().to_string().contains("none has passed"));

    // In memory it is the same PDF, octet by octet; who takes it is one more entry.
    let job = Job::to(std::path::Path::new("labels.pdf"));
    let which = Which::Units(&two);
    let key = Some(&place.passphrase);
    let (printed, octets) = label::pdf_of_book(&place.site, &which, &job, key, &place.who, &Course::new()).unwrap();
    assert_eq!((printed.labels, &**octets), (2, &*fs::read(folder.join("two.pdf")).unwrap()));
    assert_eq!(place.printed("TV-000001"), 3);
    label::handed_over(&place.site, "labels.pdf", "2 units", printed.labels, &place.who).unwrap();
    assert_eq!(place.acts(1), ["label.hand-over"]);
    // A PDF in memory has its bounds, and says so before anything is drawn.
    let before = place.entries();
    let huge = Job { copies: 50_000, ..Job::to(std::path::Path::new("labels.pdf")) };
    let refused = label::pdf_of_book(&place.site, &which, &huge, key, &place.who, &Course::new()).unwrap_err();
    assert!(refused.to_string().contains("at most 50000 labels") && place.entries() == before, "{refused}");
    let many = Job { copies: 100, ..Job::to(std::path::Path::new("labels.pdf")) };
    let before = place.entries();
    let made = label::pdf_of_book(&place.site, &which, &many, key, &place.who, &stopped());
    is_cancelled(made, "cancelled; nothing was stored");
    assert_eq!(place.entries(), before);
    assert!(place.site.book.verify(None).unwrap().intact());
}

#[test]
fn a_report_counts_what_it_said_it_would() {
    let place = place();
    let request = Request { worst_hour: true, ..Request::of(Scope::Site) };
    let now = (place.who.clock)();
    is_cancelled(report(&place.site, &request, now, &stopped()).map(drop), "cancelled; nothing was stored");
    let course = Course::new();
    let told = report(&place.site, &request, now, &course).unwrap();
    assert_eq!(told.yields.units[0], UNITS as u64);
    let far = course.now();
    // All passed at once and did the same: what was expected is exact.
    assert_eq!((far.phase, Some(far.done)), (Phase::Counting, far.total));
    assert!(far.done > 2 * UNITS as u64, "attempts twice, and their steps: {}", far.done);
}
