//! How long work runs: what it tells meanwhile, and whether it is to stop.
//!
//! The work has one [`Course`], and so has whoever watches: clones are the same
//! one. The work names its phases, counts what is done, and asks now and then
//! whether to go on; once it begins to commit, it is too late to stop it. Whoever
//! watches looks when they like ([`Course::now`]) and may ask it to stop
//! ([`Course::stop`]). Rates and the time left are worked out for the looking.

use std::error::Error;
use std::fmt;
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::advice::{Advise, Kind};
use crate::trouble::Trouble;

const RUNS: u8 = 0;
const TO_STOP: u8 = 1;
const COMMITS: u8 = 2;

/// A part of long work, named for people.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Nothing is told yet.
    Starting,
    /// Files are read.
    Reading,
    /// Certificates or keys are judged.
    Judging,
    /// What was judged is put into the book.
    Storing,
    /// An authority is asked online.
    Asking,
    /// Certificates are signed, and stored as they come.
    Issuing,
    /// The book is copied to another place.
    Copying,
    /// The copy is held against what it was copied from.
    Comparing,
    /// The book's rows are held against its log.
    Verifying,
    /// What is in the book is looked through and added up.
    Counting,
    /// What is wanted of the book is looked up.
    Gathering,
    /// Labels are drawn, and their symbols read back.
    Drawing,
    /// Units are met.
    Meeting,
    /// A pack is filled.
    Packing,
    /// A finished file is signed as a whole.
    Sealing,
    /// The transaction is being made durable.
    Committing,
}

impl Phase {
    /// The word, as screens and terminals show it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Starting => "starting",
            Self::Reading => "reading",
            Self::Judging => "judging",
            Self::Storing => "storing",
            Self::Asking => "requesting",
            Self::Issuing => "issuing",
            Self::Copying => "copying",
            Self::Comparing => "comparing",
            Self::Verifying => "verifying",
            Self::Counting => "counting",
            Self::Gathering => "gathering",
            Self::Drawing => "drawing and reading back",
            Self::Meeting => "meeting",
            Self::Packing => "packing",
            Self::Sealing => "sealing",
            Self::Committing => "writing to disk",
        }
    }
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

#[derive(Debug)]
struct Stretch {
    phase: Phase,
    total: Option<u64>,
    since: Instant,
}

#[derive(Debug)]
struct State {
    stretch: Mutex<Stretch>,
    done: AtomicU64,
    stand: AtomicU8,
}

/// The course of long work. Clones are the same one.
#[derive(Debug, Clone)]
pub struct Course(Arc<State>);

impl Default for Course {
    fn default() -> Self {
        Self(Arc::new(State {
            stretch: Mutex::new(Stretch { phase: Phase::Starting, total: None, since: Instant::now() }),
            done: AtomicU64::new(0),
            stand: AtomicU8::new(RUNS),
        }))
    }
}

/// How far work is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// What it does now.
    pub phase: Phase,
    /// How many of the phase's things are done: files, certificates, chips, rows.
    pub done: u64,
    /// How many there are, where that is known.
    pub total: Option<u64>,
    /// How long the phase has run.
    pub elapsed: Duration,
    /// Whether [`Course::stop`] would still stop it.
    pub can_stop: bool,
    /// Whether it was asked to stop.
    pub stopping: bool,
}

impl Progress {
    /// Things done a second; `None` in the first moments, when it would say nothing.
    pub fn rate(&self) -> Option<f64> {
        let seconds = self.elapsed.as_secs_f64();
        (self.done > 0 && seconds > 0.2).then(|| self.done as f64 / seconds)
    }

    /// The phase's time still to go, at the rate so far.
    pub fn left(&self) -> Option<Duration> {
        let rest = self.total?.checked_sub(self.done)?;
        Duration::try_from_secs_f64(rest as f64 / self.rate()?).ok()
    }
}

/// The work was stopped before it changed anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stopped;

impl fmt::Display for Stopped {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("cancelled; nothing was stored")
    }
}

impl Error for Stopped {}

impl Advise for Stopped {
    // Nothing was judged to its end, so it is no refusal; and the call was a right one.
    fn kind(&self) -> Kind {
        Kind::Surroundings
    }

    fn advice(&self) -> Option<String> {
        Some("Run it again at any time: it starts from the beginning, and nothing is stored twice.".into())
    }
}

impl From<Stopped> for Trouble {
    fn from(stopped: Stopped) -> Self {
        Self::of(stopped)
    }
}

impl Course {
    /// A course that has not begun.
    pub fn new() -> Self {
        Self::default()
    }

    /// For the work: a new phase begins, with so many things to do where that is known.
    pub fn phase(&self, phase: Phase, total: Option<u64>) {
        let mut stretch = self.0.stretch.lock().unwrap_or_else(PoisonError::into_inner);
        *stretch = Stretch { phase, total, since: Instant::now() };
        self.0.done.store(0, Ordering::Relaxed);
    }

    /// For the work: so many more things are done.
    pub fn advance(&self, count: u64) {
        self.0.done.fetch_add(count, Ordering::Relaxed);
    }

    /// For the work: goes on, unless it was asked to stop.
    ///
    /// # Errors
    ///
    /// [`Stopped`] where it was.
    pub fn go_on(&self) -> Result<(), Stopped> {
        if self.0.stand.load(Ordering::Relaxed) == TO_STOP { Err(Stopped) } else { Ok(()) }
    }

    /// For the work: from here on it can't be stopped any more.
    ///
    /// # Errors
    ///
    /// [`Stopped`] where it was asked to stop before.
    pub fn commit(&self) -> Result<(), Stopped> {
        match self.0.stand.compare_exchange(RUNS, COMMITS, Ordering::AcqRel, Ordering::Acquire) {
            Err(TO_STOP) => Err(Stopped),
            _ => {
                self.phase(Phase::Committing, None);
                Ok(())
            }
        }
    }

    /// For the work: what is being made durable has so many things to it, counted from here on.
    pub fn committing(&self, total: u64) {
        self.phase(Phase::Committing, Some(total));
    }

    /// For the work: nothing came of the commit, and what is done now can be stopped again.
    pub fn not_committed(&self) {
        let _ = self.0.stand.compare_exchange(COMMITS, RUNS, Ordering::AcqRel, Ordering::Acquire);
    }

    /// For whoever watches: asks the work to stop. False where it is too late, since
    /// it is being committed: it will then be done to its end.
    #[must_use]
    pub fn stop(&self) -> bool {
        !matches!(self.0.stand.compare_exchange(RUNS, TO_STOP, Ordering::AcqRel, Ordering::Acquire), Err(COMMITS))
    }

    /// For whoever watches: how far it is.
    pub fn now(&self) -> Progress {
        let stretch = self.0.stretch.lock().unwrap_or_else(PoisonError::into_inner);
        let stand = self.0.stand.load(Ordering::Relaxed);
        Progress {
            phase: stretch.phase,
            done: self.0.done.load(Ordering::Relaxed),
            total: stretch.total,
            elapsed: stretch.since.elapsed(),
            can_stop: stand == RUNS,
            stopping: stand == TO_STOP,
        }
    }
}

/// What the book answers to somebody who watches it, as the rooms tell it.
pub fn or_stopped<T>(said: Result<T, book::BookError>) -> Result<T, Trouble> {
    match said {
        Err(book::BookError::Stopped) => Err(Stopped.into()),
        said => Ok(said?),
    }
}

/// What stopped a caller's iterator inside the book, as the rooms tell it.
pub fn stopped_by(stop: book::Stop, otherwise: impl FnOnce(book::Stop) -> Trouble) -> Trouble {
    match stop.downcast::<Stopped>() {
        Ok(stopped) => (*stopped).into(),
        Err(stop) => match stop.downcast::<Trouble>() {
            Ok(trouble) => *trouble,
            Err(stop) => otherwise(stop),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_stops_before_the_commit_and_not_after() {
        let course = Course::new();
        assert_eq!(course.go_on(), Ok(()));
        let watcher = course.clone();
        assert!(watcher.now().can_stop && watcher.stop());
        assert!(watcher.stop(), "asking twice is asking once");
        assert_eq!((course.go_on(), course.commit()), (Err(Stopped), Err(Stopped)));
        assert!(watcher.now().stopping && !watcher.now().can_stop);

        let course = Course::new();
        assert_eq!(course.commit(), Ok(()));
        assert!(!course.stop(), "too late");
        assert_eq!((course.go_on(), course.now().phase), (Ok(()), Phase::Committing));
        assert!(!course.now().stopping && !course.now().can_stop);
    }

    #[test]
    fn time_left_follows_the_phase() {
        let told = |done, total, seconds| Progress {
            phase: Phase::Judging,
            done,
            total,
            elapsed: Duration::from_secs(seconds),
            can_stop: true,
            stopping: false,
        };
        assert_eq!(told(50, Some(200), 5).rate(), Some(10.0));
        assert_eq!(told(50, Some(200), 5).left(), Some(Duration::from_secs(15)));
        assert_eq!(told(50, None, 5).left(), None);
        assert_eq!(told(0, Some(9), 5).left(), None, "no rate yet");
        assert_eq!(told(9, Some(5), 5).left(), None, "more than was thought");
        let course = Course::new();
        course.phase(Phase::Reading, Some(3));
        course.advance(2);
        assert_eq!((course.now().done, course.now().total), (2, Some(3)));
        course.phase(Phase::Judging, None);
        assert_eq!((course.now().done, course.now().total), (0, None));
    }
}
