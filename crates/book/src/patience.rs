//! How long a database server that went away is waited for, and who hears of it.
//!
//! A station may wait longer than a person at a page: what it holds in its fixture is half done. So the time is of the
//! thread that works, and not of the book.

use std::cell::Cell;
use std::sync::PoisonError;
use std::time::{Duration, Instant};

use crate::Book;
use crate::engine::Repeat;
use crate::error::BookError;

/// As long as a restart takes on a machine that has much else to do.
const RESTART: Duration = Duration::from_secs(8);
/// The longest nap meanwhile.
const NAP: Duration = Duration::from_millis(500);

/// Told when a server that does not answer is waited for, with how long at most.
pub type TellWait = Box<dyn Fn(Duration) + Send + Sync>;

thread_local! {
    static WAIT: Cell<Duration> = const { Cell::new(RESTART) };
}

/// Does work for which a server that went away is waited for so long, at each act and each question.
pub fn patiently<T>(wait: Duration, work: impl FnOnce() -> T) -> T {
    struct Before(Duration);
    impl Drop for Before {
        fn drop(&mut self) {
            WAIT.set(self.0);
        }
    }
    let _before = Before(WAIT.replace(wait));
    work()
}

/// One wait, from the first answer that did not come.
pub(crate) struct Patience {
    since: Instant,
    nap: Duration,
    told: bool,
}

impl Patience {
    pub(crate) fn new() -> Self {
        Self { since: Instant::now(), nap: Duration::from_millis(25), told: false }
    }

    /// As long as this thread waits, and no less than `least`.
    pub(crate) fn lasts(&self, least: Duration) -> bool {
        self.since.elapsed() < WAIT.get().max(least)
    }

    /// Whether what failed is tried again, after a nap.
    pub(crate) fn bears(&mut self, book: &Book, error: &BookError) -> bool {
        Repeat::after(error) == Repeat::Away && self.bears_loss(book)
    }

    /// The same where it is known that the server is away.
    pub(crate) fn bears_loss(&mut self, book: &Book) -> bool {
        if !self.lasts(Duration::ZERO) {
            return false;
        }
        // Whatever lies in the pool was connected to the same server, before it went.
        book.pool.lock().unwrap_or_else(PoisonError::into_inner).clear();
        // One that only restarts is back before anybody could read of it.
        if self.since.elapsed() > NAP
            && !std::mem::replace(&mut self.told, true)
            && let Some(tell) = book.tell_wait.get()
        {
            tell(WAIT.get());
        }
        std::thread::sleep(self.nap);
        self.nap = NAP.min(self.nap * 2);
        true
    }
}

impl Book {
    /// Has somebody told when a server is waited for that does not answer. Called once.
    pub fn tell_waits(&self, tell: TellWait) {
        let _ = self.tell_wait.set(tell);
    }
}
