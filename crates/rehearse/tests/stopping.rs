//! Long work that is stopped leaves nothing behind, says so, and can be done again.
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use std::{fs, thread};

use answer::keeping;
use base::course::{Course, Phase};
use base::{Advise, Kind, Trouble};
use book::ids::ReelId;
use examine::{Examine, Input, examine};
use receive::{delivery, reel};
use site::product::Description;
use site::{NewBook, Site, Who, authority, product};
use standard::moment::Moment;
use tempfile::TempDir;

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data").join(name)
}

struct Place {
    folder: TempDir,
    site: Site,
    who: Who,
}

fn place() -> Place {
    let folder = TempDir::new().unwrap();
    let who = Who::new("Ada").unwrap();
    let (site, _) = Site::create(&folder.path().join("site"), NewBook::default(), "line 2", None, &who).unwrap();
    authority::adopt(&site, &[data("authority/paa-a.pem")], None, None, &mut authority::nobody, &who).unwrap();
    let description: Description =
        toml::from_str("vendor = \"FFF2\"\nproduct = \"8A21\"\ndevice_type = 514\nreach = \"ble\"").unwrap();
    product::add(&site, "Tern Vent", &description, &who).unwrap();
    Place { folder, site, who }
}

impl Place {
    fn reel(&self, course: &Course) -> Result<reel::Received, Trouble> {
        let map = reel::Options::default();
        reel::receive(&self.site, &data("reel-a/manifest.csv"), "A", "Tern Vent", &map, &self.who, course)
    }

    fn delivery(&self, course: &Course) -> Result<delivery::Received, Trouble> {
        delivery::receive(&self.site, &data("reel-a/delivery.zip"), "A", false, None, &self.who, course)
    }
}

fn stopped() -> Course {
    let course = Course::new();
    assert!(course.stop());
    course
}

fn is_cancelled<T>(done: Result<T, Trouble>) {
    let Err(trouble) = done else { panic!("it was done") };
    assert_eq!(trouble.to_string(), "cancelled; nothing was stored");
    assert_eq!(trouble.kind(), Kind::Surroundings);
    assert!(trouble.advice().unwrap().contains("again"));
}

#[test]
fn what_is_stopped_before_it_begins_stores_nothing() {
    let place = place();
    let entries = || place.site.book.head().unwrap().size;
    let before = entries();
    is_cancelled(place.reel(&stopped()));
    assert!(place.site.book.reels().unwrap().is_empty());
    assert_eq!(entries(), before);
    assert_eq!(place.reel(&Course::new()).unwrap().chips.received, 400);

    let before = entries();
    is_cancelled(place.delivery(&stopped()));
    assert!(place.site.book.deliveries(None).unwrap().is_empty());
    assert_eq!(entries(), before);
    assert_eq!(place.delivery(&Course::new()).unwrap().certificates.accepted, 400);
    is_cancelled(keeping::verify(&place.site, &[], &stopped()));
    assert!(keeping::verify(&place.site, &[], &Course::new()).unwrap().is_intact());
}

/// Examining stores nothing, and yet who has asked for too much need not wait: neither for the files nor for the
/// judging.
#[test]
fn examining_is_stopped_too() {
    let place = place();
    place.reel(&Course::new()).unwrap();
    place.delivery(&Course::new()).unwrap();
    let delivery = place.site.book.deliveries(None).unwrap().remove(0).delivery;
    let mut bundle = String::new();
    let some = place.site.book.credentials(&delivery, 0, 400).unwrap();
    for credential in &some.items {
        bundle.push_str(&standard::pem::encode("CERTIFICATE", &credential.certificate));
    }
    // Judged often enough to be seen at it.
    let file = place.folder.path().join("many.pem");
    fs::write(&file, bundle.repeat(10)).unwrap();
    let request = Examine { files: Input::at([file]), ..Examine::default() };
    let now = Moment::from_unix(1_800_000_000);
    is_cancelled(examine(&request, now, &stopped()).map_err(Trouble::of));
    let course = Course::new();
    let watcher = course.clone();
    let stopping = thread::spawn(move || {
        let since = Instant::now();
        while watcher.now().phase != Phase::Judging && since.elapsed() < Duration::from_secs(20) {
            thread::yield_now();
        }
        watcher.stop()
    });
    is_cancelled(examine(&request, now, &course).map_err(Trouble::of));
    assert!(stopping.join().unwrap());
    examine(&request, now, &Course::new()).unwrap();
}

/// Stopped as soon as each phase shows; where that was too late, all of it is there.
#[test]
fn it_can_be_stopped_in_every_phase() {
    let place = place();
    place.reel(&Course::new()).unwrap();
    let mut cancelled = 0;
    for phase in [Phase::Reading, Phase::Judging, Phase::Storing, Phase::Committing] {
        let course = Course::new();
        let watcher = course.clone();
        let stopping = thread::spawn(move || {
            let since = Instant::now();
            // A phase may be over before it is seen; then any later one will do.
            while (watcher.now().phase as u8) < phase as u8 && since.elapsed() < Duration::from_secs(20) {
                thread::yield_now();
            }
            watcher.stop()
        });
        let done = place.delivery(&course);
        let in_time = stopping.join().unwrap();
        let there = place.site.book.deliveries(Some(&ReelId::new("A").unwrap())).unwrap();
        match done {
            Ok(received) => {
                assert_eq!((received.certificates.accepted, there.len()), (400, 1), "{phase}");
                assert!(!in_time, "it was told to stop, in time, and went on: {phase}");
                break;
            }
            Err(_) => {
                is_cancelled(done);
                assert!(in_time && there.is_empty(), "{phase}");
                cancelled += 1;
            }
        }
    }
    assert!(cancelled > 0, "never in time");
    place.delivery(&Course::new()).unwrap();
    assert!(keeping::verify(&place.site, &[], &Course::new()).unwrap().is_intact());
}

/// A manifest read as it comes and one read as a whole make the same reel, and what is
/// wrong with one is told the same way wherever it stands.
#[test]
fn a_manifest_is_read_alike_in_every_form() {
    let place = place();
    let map = reel::Options::default();
    let text = std::fs::read_to_string(data("reel-a/manifest.csv")).unwrap();
    let folder = TempDir::new().unwrap();
    let receive = |name: &str, octets: &[u8], reel: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, octets).unwrap();
        reel::receive(&place.site, &path, reel, "Tern Vent", &map, &place.who, &Course::new()).unwrap()
    };
    let rows: Vec<&str> = text.lines().collect();
    // One key of another chip in the last line, and a chip that stands there already.
    let key = |row: &str| row.split(',').nth(1).unwrap().to_owned();
    let id = |row: &str| row.split(',').next().unwrap().to_owned();
    let last = rows.len() - 1;
    let stolen = text.replace(&key(rows[last]), &key(rows[3]));
    let told = receive("stolen.csv", stolen.as_bytes(), "S");
    assert_eq!(told.verdict.word(), "refused");
    let said: Vec<_> = told.findings.iter().map(|f| (&*f.finding.rule, f.finding.subject.clone())).collect();
    assert_eq!(said, [("reel.duplicate-key", format!("line {}", last + 1))]);
    assert!(told.findings[0].finding.found.contains("on line 4"), "{}", told.findings[0].finding.found);
    let told = receive("twice.csv", text.replace(&id(rows[last]), &id(rows[3])).as_bytes(), "T");
    assert_eq!(told.findings[0].finding.rule, "reel.duplicate-chip");
    let told = receive("half.csv", &text.as_bytes()[..text.len() - 70], "H");
    assert_eq!((told.verdict.word(), told.findings.len()), ("refused", 1));
    assert!(place.site.book.reels().unwrap().is_empty(), "nothing of a refused one");

    // A byte order mark, a line for the delimiter, line ends of another system.
    let spread = format!("\u{FEFF}sep=,\r\n{}", text.replace('\n', "\r\n"));
    assert_eq!(receive("spread.csv", spread.as_bytes(), "A").chips.received, 400);
    let chips = |reel: &str| {
        let page = place.site.book.chips(&ReelId::new(reel).unwrap(), 0, 1000).unwrap();
        page.items.into_iter().map(|c| (c.position, c.chip_id, c.public_key)).collect::<Vec<_>>()
    };
    let first = chips("A");
    assert_eq!(first.len(), 400);
    // On another reel they are known, and told with their lines.
    let told = receive("again.csv", text.as_bytes(), "B");
    let [one] = told.findings.as_slice() else { panic!("{:?}", told.findings) };
    assert_eq!((told.verdict.word(), one.count), ("refused", 400));
    assert_eq!(one.finding.subject, "line 2, line 3, line 4, line 5, line 6 and 395 more");

    // The same in UTF-16, which is read as a whole, at a site of its own.
    let other = self::place();
    let path = folder.path().join("wide.csv");
    let wide: Vec<u8> = "\u{FEFF}".encode_utf16().chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
    std::fs::write(&path, wide).unwrap();
    reel::receive(&other.site, &path, "A", "Tern Vent", &map, &other.who, &Course::new()).unwrap();
    let page = other.site.book.chips(&ReelId::new("A").unwrap(), 0, 1000).unwrap();
    let whole: Vec<_> = page.items.into_iter().map(|c| (c.position, c.chip_id, c.public_key)).collect();
    assert_eq!(whole, first);
}
