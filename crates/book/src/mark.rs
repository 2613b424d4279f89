//! How far the log has come, by the word of somebody who does not lie in the book: a copy that was put back, a lost
//! write-ahead log or a server that came back without its last entries is as well formed as the book itself.
//!
//! Whoever opens the book holds it against the [`Mark`] that was kept outside, and is told of each commit, to keep the
//! next one. A book that does not go on from its mark can be read and verified, and nothing is written to it, until it
//! is restored or somebody accepts the loss.

use std::sync::{Mutex, MutexGuard, PoisonError};

use serde_json::{Value as Json, json};

use crate::Book;
use crate::by::By;
use crate::engine::{Connection, params};
use crate::error::BookError;
use crate::ids::Sequence;
use crate::log::tree::{self, Frontier, Hash};
use crate::log::{Head, proofs};
use crate::restored;

/// How far a book had come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mark {
    /// How often it had been restored, or a loss been accepted: what counts is the newest of these lives.
    pub life: u64,
    pub head: Head,
}

/// A book that does not go on from its mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Older {
    /// Entries in the book.
    pub entries: u64,
    /// Which of its lives it is in.
    pub life: u64,
    /// What was kept outside it.
    pub mark: Mark,
}

impl Older {
    /// Whether entries are missing at the end; else they are there and differ.
    pub fn is_shorter(&self) -> bool {
        self.entries < self.mark.head.size
    }

    /// Whether the mark is of a copy that was restored, or whose loss was accepted, after this book was.
    pub fn is_of_another_copy(&self) -> bool {
        self.mark.life > self.life
    }
}

/// Told of the log's head after each commit that moved it.
pub type Tell = Box<dyn Fn(&Mark) + Send + Sync>;

/// What a book that is open is held against.
pub(crate) struct Guard {
    state: Mutex<State>,
    tell: Tell,
}

struct State {
    mark: Option<Mark>,
    life: u64,
    /// The next life's number is above this one, wherever that was begun.
    highest: u64,
    /// The entry at the mark's end, where this process has seen it.
    last: Option<(i64, Hash)>,
    older: Option<Older>,
}

impl State {
    fn live(&mut self, life: u64) {
        (self.life, self.highest) = (life, self.highest.max(life));
        self.mark = self.mark.map(|mark| Mark { life, ..mark });
    }
}

impl Guard {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Refuses a log that is not the mark's continuation; `taken` is its head, which is locked.
    pub(crate) fn check(&self, taken: &Frontier, c: &mut Connection) -> Result<(), BookError> {
        let (mark, last, life) = {
            let state = self.state();
            if let Some(older) = state.older {
                return Err(BookError::Older(older));
            }
            (state.mark, state.last, state.life)
        };
        let Some(mark) = mark else { return Ok(()) };
        let goes_on = match (taken.size.cmp(&mark.head.size), last) {
            (std::cmp::Ordering::Less, _) => false,
            (std::cmp::Ordering::Equal, _) => taken.root() == mark.head.root,
            // Others wrote meanwhile: the last entry that was seen here must still be there.
            (std::cmp::Ordering::Greater, Some((sequence, hash))) => {
                let row = c.one("SELECT hash FROM entry WHERE sequence = $1", params![sequence])?;
                row.map(|row| row.array(0)).transpose()? == Some(hash)
            }
            (std::cmp::Ordering::Greater, None) => true,
        };
        if goes_on {
            return Ok(());
        }
        let older = Older { entries: taken.size, life, mark };
        self.state().older = Some(older);
        Err(BookError::Older(older))
    }

    /// Takes note of a commit.
    pub(crate) fn advance(&self, grown: &Frontier, last: (i64, Hash)) {
        let mark = {
            let mut state = self.state();
            let mark = Mark { life: state.life, head: Head { size: grown.size, root: grown.root() } };
            if state.mark.is_none_or(|before| before.head.size < mark.head.size) {
                (state.mark, state.last) = (Some(mark), Some(last));
            }
            mark
        };
        (self.tell)(&mark);
    }
}

fn holds(c: &mut Connection, head: &Head) -> Result<(u64, bool), BookError> {
    let size = proofs::size(c)?;
    if size < head.size {
        return Ok((size, false));
    }
    let root = tree::root_at(head.size, &mut |level, number| proofs::node(c, level, number))?;
    Ok((size, root == head.root))
}

impl Book {
    /// Whether the book goes on from a mark: `None` where it does, or was restored since.
    pub fn older_than(&self, mark: &Mark) -> Result<Option<Older>, BookError> {
        self.snapshot(|c| {
            let life = restored::lives(c)?;
            let (entries, holds) = if life == mark.life { holds(c, &mark.head)? } else { (proofs::size(c)?, true) };
            let older = life < mark.life || !holds;
            Ok(older.then_some(Older { entries, life, mark: *mark }))
        })
    }

    /// Holds the open book against the marks that were kept outside it, and tells of each that follows. Writers are
    /// refused if it does not continue one of them. Called once, before the first act.
    pub fn guard(&self, marks: &[Mark], tell: Tell) -> Result<Option<Older>, BookError> {
        let life = self.read(restored::lives)?;
        let mut older = None;
        for mark in marks {
            older = older.or(self.older_than(mark)?);
        }
        let mark = marks.iter().filter(|mark| mark.life == life).max_by_key(|mark| mark.head.size).copied();
        let highest = marks.iter().map(|mark| mark.life).max().unwrap_or(0);
        let state = Mutex::new(State { mark, life, highest, last: None, older });
        let _ = self.guard.set(Guard { state, tell });
        Ok(older)
    }

    /// How far the book has come now.
    pub fn mark(&self) -> Result<Mark, BookError> {
        Ok(Mark { life: self.read(restored::lives)?, head: self.head()? })
    }

    /// What the book does not go on from, where that showed.
    pub fn older(&self) -> Option<Older> {
        self.guard.get().and_then(|guard| guard.state().older)
    }

    /// Refuses a book that does not go on from its mark: before work that would only be refused at its end.
    ///
    /// # Errors
    ///
    /// [`BookError::Older`].
    pub fn goes_on(&self) -> Result<(), BookError> {
        let Some(older) = self.older() else { return Ok(()) };
        // Where it went says more than that it stayed behind.
        match self.moved_to()? {
            Some(to) => Err(BookError::Moved { to }),
            None => Err(BookError::Older(older)),
        }
    }

    /// Refuses all writers from now on: somebody elsewhere knows more of the log than the book.
    pub fn is_older(&self, older: Older) {
        if let Some(guard) = self.guard.get() {
            let mut state = guard.state();
            state.highest = state.highest.max(older.mark.life);
            state.older = Some(older);
        }
    }

    /// Says in the log that the book was restored, as the first entry after that.
    ///
    /// - `highest`: the last life that anything kept outside the book knows of.
    pub fn note_restore(&self, body: &Json, highest: Option<u64>, by: &By) -> Result<Sequence, BookError> {
        let least = highest.map_or(0, |life| life + 1);
        let (sequence, life) = self.write(|tx| restored::begin_life(tx, "book.restore", body, least, by))?;
        if let Some(guard) = self.guard.get() {
            guard.state().live(life);
        }
        Ok(sequence)
    }

    /// The log goes on from where the book ends: entries that came after are lost, and somebody says so. Stations look
    /// at chips and series of serial numbers from then on as after a restore.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer; writers are refused as before then.
    pub fn accept_loss(&self, reason: &str, by: &By) -> Result<Option<Sequence>, BookError> {
        let Some(guard) = self.guard.get() else { return Ok(None) };
        let (lost, mark, highest) = {
            let mut state = guard.state();
            let Some(lost) = state.older.take() else { return Ok(None) };
            (lost, state.mark.take(), state.highest)
        };
        let done = self.write(|tx| {
            let entries = tx.next_sequence()?;
            restored::mark(tx)?;
            let body = json!({
                "reason": reason, "entries": entries,
                "lost": { "entries": lost.mark.head.size, "root": hex::encode(lost.mark.head.root) },
            });
            // Two copies that each accept a loss must not sign for two logs of one name.
            restored::begin_life(tx, "book.accept-loss", &body, highest + 1, by)
        });
        let mut state = guard.state();
        match done {
            Ok((sequence, life)) => {
                state.live(life);
                Ok(Some(sequence))
            }
            Err(error) => {
                (state.older, state.mark) = (Some(lost), mark);
                Err(error)
            }
        }
    }
}
