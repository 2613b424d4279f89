//! Long work that is stopped leaves nothing behind, says so, and can be done again.
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use book::ids::ReelId;
use tempfile::TempDir;
use works::course::{Course, Phase};
use works::product::Description;
use works::reel::manifest::ColumnMap;
use works::site::{NewBook, Site, Who};
use works::{Advise, Kind, Trouble, authority, delivery, keeping, product, reel};

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data").join(name)
}

struct Place {
    _folder: TempDir,
    site: Site,
    who: Who,
}

fn place() -> Place {
    let folder = TempDir::new().unwrap();
    let who = Who::new("Ada").unwrap();
    let (site, _) = Site::create(&folder.path().join("site"), NewBook::default(), "line 2", None, &who).unwrap();
    authority::adopt(&site, &[data("authority/paa-a.pem")], None, false, &who).unwrap();
    let description: Description =
        toml::from_str("vendor = \"FFF2\"\nproduct = \"8A21\"\ndevice_type = 514\nreach = \"ble\"").unwrap();
    product::add(&site, "Tern Vent", &description, &who).unwrap();
    Place { _folder: folder, site, who }
}

impl Place {
    fn reel(&self, course: &Course) -> Result<reel::Received, Trouble> {
        let map = ColumnMap::default();
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
    assert_eq!(place.reel(&Course::new()).unwrap().chips, 400);

    let before = entries();
    is_cancelled(place.delivery(&stopped()));
    assert!(place.site.book.deliveries(None).unwrap().is_empty());
    assert_eq!(entries(), before);
    assert_eq!(place.delivery(&Course::new()).unwrap().accepted, 400);
    is_cancelled(keeping::verify(&place.site, &[], &stopped()));
    assert!(keeping::verify(&place.site, &[], &Course::new()).unwrap().is_intact());
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
                assert_eq!((received.accepted, there.len()), (400, 1), "{phase}");
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
