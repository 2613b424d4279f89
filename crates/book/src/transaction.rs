//! Transactions: one act, all or nothing, tried again where that is safe.
//!
//! What is tried again: an act whose transaction certainly did not happen (two
//! writers met, the connection went before the commit). Where the connection
//! goes between a commit and its answer, the book is asked, once the server is
//! back, whether the act's entry is in the log; only if the server stays away
//! is the caller told that it is not known.

use std::ops::{Deref, DerefMut};
use std::sync::PoisonError;
use std::time::Duration;

use crate::Book;
use crate::engine::{Connection, Mode, Repeat, params};
use crate::error::BookError;
use crate::log::rows::Mention;
use crate::log::tree::{Frontier, Hash};
use crate::patience::Patience;

/// How often an act is tried where writers meet.
const TRIES: u32 = 6;
/// How long a lost server is waited for at least, to learn whether a commit took.
const RETURN: Duration = Duration::from_secs(20);

/// An open transaction.
pub(crate) struct Tx<'c> {
    c: &'c mut Connection,
    /// The log's head, once taken.
    pub(crate) log: Option<Frontier>,
    /// The same as it was then.
    pub(crate) taken: Option<Frontier>,
    /// Rows changed since the last entry.
    pub(crate) mentions: Vec<Mention>,
    /// The last entry: the mark by which the commit is recognised.
    pub(crate) appended: Option<(i64, Hash)>,
}

impl<'c> Tx<'c> {
    pub(crate) fn new(c: &'c mut Connection) -> Self {
        Self { c, log: None, taken: None, mentions: Vec::new(), appended: None }
    }

    pub(crate) fn connection(&mut self) -> &mut Connection {
        self.c
    }
}

impl Deref for Tx<'_> {
    type Target = Connection;
    fn deref(&self) -> &Connection {
        self.c
    }
}

impl DerefMut for Tx<'_> {
    fn deref_mut(&mut self) -> &mut Connection {
        self.c
    }
}

impl Book {
    /// Runs a short act in one transaction. The closure may run several times;
    /// its effects outside the book must bear that.
    pub(crate) fn write<T, E: From<BookError>>(
        &self,
        mut act: impl FnMut(&mut Tx<'_>) -> Result<T, E>,
    ) -> Result<T, E> {
        let (mut tried, mut patience) = (0, Patience::new());
        loop {
            match self.try_once(Mode::Write, &mut act) {
                Ok(value) => return Ok(value),
                Err((_, Repeat::Away)) if patience.bears_loss(self) => {}
                Err((_, Repeat::Contended)) if tried < TRIES => {
                    tried += 1;
                    std::thread::sleep(Duration::from_millis(2 << tried));
                }
                Err((error, _)) => return Err(error),
            }
        }
    }

    /// Runs a long act in one transaction, once: its rows come from an iterator
    /// that can't be run again.
    pub(crate) fn bulk<T, E: From<BookError>>(&self, act: impl FnOnce(&mut Tx<'_>) -> Result<T, E>) -> Result<T, E> {
        let mut act = Some(act);
        let mut once = |tx: &mut Tx<'_>| match act.take() {
            Some(act) => act(tx),
            None => Err(BookError::damaged("a long act was begun twice").into()),
        };
        self.try_once(Mode::Bulk, &mut once).map_err(|(error, _)| error)
    }

    fn try_once<T, E: From<BookError>>(
        &self,
        mode: Mode,
        act: &mut dyn FnMut(&mut Tx<'_>) -> Result<T, E>,
    ) -> Result<T, (E, Repeat)> {
        let told = |error: BookError| {
            let again = Repeat::after(&error);
            (E::from(error), again)
        };
        // Threads of one process queue here in turn; SQLite's own waiting is for
        // other processes and has no order. A poisoned gate guards nothing.
        let _turn = self.is_sqlite().then(|| self.gate.lock().unwrap_or_else(PoisonError::into_inner));
        let mut c = self.begun(mode).map_err(told)?;
        let mut tx = Tx::new(&mut c);
        let mut outcome = act(&mut tx);
        let guard = self.guard.get();
        if let (Ok(_), Some(guard), Some(taken)) = (&outcome, guard, &tx.taken)
            && let Err(older) = guard.check(taken, tx.c)
        {
            outcome = Err(older.into());
        }
        let (trouble, appended, grown) = (tx.c.trouble, tx.appended, tx.log.take());
        let committed = || {
            if let (Some(guard), Some(grown), Some(last)) = (guard, &grown, appended) {
                guard.advance(grown, last);
            }
        };
        match outcome {
            Ok(value) => match c.commit() {
                Ok(()) => {
                    self.give_back(c);
                    committed();
                    Ok(value)
                }
                Err(source) if Repeat::after(&source) == Repeat::Away => match self.was_committed(appended) {
                    Ok(true) => {
                        committed();
                        Ok(value)
                    }
                    Ok(false) => Err(told(source)),
                    Err(_) => Err(told(BookError::Unanswered { source: source.into() })),
                },
                Err(error) => {
                    self.undo(c);
                    Err(told(error))
                }
            },
            Err(error) => {
                self.undo(c);
                Err((error, trouble))
            }
        }
    }

    pub(crate) fn undo(&self, mut c: Connection) {
        // A connection that can't roll back is dropped, which does it.
        if c.rollback().is_ok() {
            self.give_back(c);
        }
    }

    /// A connection with a transaction begun on it. One that lay in the pool may
    /// have died there; then a new one is made.
    fn begun(&self, mode: Mode) -> Result<Connection, BookError> {
        while let Some(mut c) = self.pooled() {
            match c.begin(mode) {
                Ok(()) => return Ok(c),
                Err(error) if Repeat::after(&error) == Repeat::Away => {}
                Err(error) => return Err(error),
            }
        }
        let mut c = self.location.connect(false)?;
        c.begin(mode)?;
        Ok(c)
    }

    /// Whether the transaction that appended this entry is in the book. Taking
    /// the head waits for the server to finish with that transaction, one way or
    /// the other.
    pub(crate) fn was_committed(&self, appended: Option<(i64, Hash)>) -> Result<bool, BookError> {
        let Some((sequence, hash)) = appended else { return Ok(false) };
        let patience = Patience::new();
        loop {
            let asked = self.begun(Mode::Write).and_then(|mut c| {
                c.one("SELECT size FROM log_head h {lock:h}", &[])?;
                let row = c.one("SELECT hash FROM entry WHERE sequence = $1", params![sequence])?;
                self.undo(c);
                row.map(|row| row.array(0)).transpose()
            });
            match asked {
                Ok(found) => return Ok(found == Some(hash)),
                Err(error) if !patience.lasts(RETURN) => return Err(error),
                Err(_) => std::thread::sleep(Duration::from_millis(200)),
            }
        }
    }

    /// Asks single questions, each with an answer of its own moment.
    pub(crate) fn read<T>(&self, mut ask: impl FnMut(&mut Connection) -> Result<T, BookError>) -> Result<T, BookError> {
        let mut patience = Patience::new();
        loop {
            let found = self.pooled().map_or_else(|| self.location.connect(false), Ok);
            let answer = found.and_then(|mut c| {
                let answer = ask(&mut c);
                self.give_back(c);
                answer
            });
            match answer {
                // A server that restarts refuses connections for a moment.
                Err(error) if patience.bears(self, &error) => {}
                answer => return answer,
            }
        }
    }

    /// Asks several questions of one unchanging view of the book.
    pub(crate) fn snapshot<T>(
        &self,
        ask: impl FnOnce(&mut Connection) -> Result<T, BookError>,
    ) -> Result<T, BookError> {
        let mut patience = Patience::new();
        let mut c = loop {
            match self.begun(Mode::Snapshot) {
                Err(error) if patience.bears(self, &error) => {}
                begun => break begun?,
            }
        };
        let answer = ask(&mut c);
        self.undo(c);
        answer
    }

    /// Connections with one and the same unchanging view of the book: as many as are
    /// wanted, or fewer where that can't be had, and one at least. They are dropped
    /// or undone by the caller.
    pub(crate) fn same_views(&self, wanted: usize) -> Result<Vec<Connection>, BookError> {
        if self.is_sqlite() {
            return match self.views_of_file(wanted) {
                // A file that can't be written has no writer to wait for, and one view.
                Err(_) => Ok(vec![self.begun(Mode::Snapshot)?]),
                views => views,
            };
        }
        let mut views = vec![self.begun(Mode::Snapshot)?];
        if self.add_exported_views(&mut views, wanted).is_err() {
            // Not every server that speaks the protocol can do this; a failed
            // transaction answers nothing any more.
            views = vec![self.begun(Mode::Snapshot)?];
        }
        Ok(views)
    }

    /// While the place of the one writer is taken, nothing changes: all readers that
    /// begin meanwhile see the same.
    fn views_of_file(&self, wanted: usize) -> Result<Vec<Connection>, BookError> {
        let _turn = self.gate.lock().unwrap_or_else(PoisonError::into_inner);
        let writer = self.begun(Mode::Write)?;
        let mut views = Vec::with_capacity(wanted);
        for _ in 0..wanted.max(1) {
            let mut c = self.location.connect(false)?;
            c.begin(Mode::Snapshot)?;
            // A view begins with the first question.
            c.number("SELECT count(*) FROM log_head", &[])?;
            views.push(c);
        }
        self.undo(writer);
        Ok(views)
    }

    fn add_exported_views(&self, views: &mut Vec<Connection>, wanted: usize) -> Result<(), BookError> {
        let Some(first) = views.first_mut() else { return Ok(()) };
        let row = first.one("SELECT pg_export_snapshot()", &[])?;
        let id = row.ok_or_else(|| BookError::damaged("a view has no name"))?.text(0)?;
        if !id.bytes().all(|b| b.is_ascii_hexdigit() || b == b'-') {
            return Err(BookError::damaged("a view has a strange name"));
        }
        while views.len() < wanted {
            let mut c = self.location.connect(false)?;
            c.begin(Mode::Snapshot)?;
            c.batch(&format!("SET TRANSACTION SNAPSHOT '{id}'"))?;
            views.push(c);
        }
        Ok(())
    }

    /// As [`Self::snapshot`], for an answer that may be sorted out of millions of rows: what does not
    /// fit into SQLite's cache is put into a temporary file, not into memory.
    pub(crate) fn large_snapshot<T>(
        &self,
        ask: impl FnOnce(&mut Connection) -> Result<T, BookError>,
    ) -> Result<T, BookError> {
        if !self.is_sqlite() {
            return self.snapshot(ask);
        }
        let mut c = match self.pooled() {
            Some(c) => c,
            None => self.location.connect(false)?,
        };
        // Can only be said outside a transaction.
        c.batch("PRAGMA temp_store = FILE")?;
        c.begin(Mode::Snapshot)?;
        let answer = ask(&mut c);
        if c.rollback().is_ok() && c.batch("PRAGMA temp_store = MEMORY").is_ok() {
            self.give_back(c);
        }
        answer
    }

    fn pooled(&self) -> Option<Connection> {
        self.pool.lock().unwrap_or_else(PoisonError::into_inner).pop()
    }

    pub(crate) fn give_back(&self, c: Connection) {
        let mut pool = self.pool.lock().unwrap_or_else(PoisonError::into_inner);
        if c.usable() && pool.len() < 16 {
            pool.push(c);
        }
    }
}
