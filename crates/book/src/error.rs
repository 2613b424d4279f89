//! What can go wrong between the program and its book, whatever the act.
//!
//! Acts have errors of their own, one variant a cause; each of them carries a
//! [`BookError`] for the case that the book gave no answer.

use std::error::Error;

use crate::mark::Older;

/// What to do about a full disk, wherever it shows. Acts are whole or not at all, so nothing was lost.
pub const FULL_DISK: &str = "Free space on it, then run this again; nothing was lost. A chip in a fixture can stay there: it continues where it stopped.";

/// Whose move it is after an error. Fronts make exit codes of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Blame {
    /// Read, judged and refused.
    Refused,
    /// Wrong usage.
    Usage,
    /// Disk, database or network.
    Surroundings,
}

/// Why the book gave no answer, or not the one hoped for.
#[derive(Debug, thiserror::Error)]
pub enum BookError {
    /// Nothing is there to open.
    #[error("there is no record book at {place}")]
    Missing {
        /// The file or the server, without a password.
        place: String,
    },
    /// Something else is there.
    #[error("{place} is not a record book of this program: {why}")]
    NotOurs {
        /// The file or the server.
        place: String,
        why: String,
    },
    /// A book is there already.
    #[error("a record book already exists at {place}")]
    Exists {
        /// The file or the server.
        place: String,
    },
    /// A later version of the program made or upgraded it.
    #[error("the book at {place} has version {found}; this program knows versions up to {known}")]
    Newer {
        /// The file or the server.
        place: String,
        /// Version of the book.
        found: i64,
        /// Version of the program's schema.
        known: i64,
    },
    /// The address of the book makes no sense.
    #[error("{url:?} is not the address of a book: {why}")]
    Address {
        /// As given, without a password.
        url: String,
        /// What is wrong with it.
        why: String,
    },
    /// The book before an upgrade could not be saved, so it was not upgraded.
    #[error("the book could not be backed up before its upgrade to version {version}, so it was not changed")]
    NoBackup {
        version: i64,
        /// What stopped the backup.
        source: Box<BookError>,
    },
    /// The book was moved; nothing is written here any more.
    #[error("this book was moved to {to}; it is read-only here")]
    Moved {
        /// Where it is now, without a password.
        to: String,
    },
    /// Another process held the book for too long.
    #[error("another process has locked the book for {seconds} seconds; nothing was changed")]
    Busy {
        /// How long it was waited for.
        seconds: u64,
    },
    /// The book can be read here and not written.
    #[error("The book can only be read here, and this would write an entry; nothing was changed.")]
    ReadOnly {
        /// What the database said.
        source: Box<dyn Error + Send + Sync>,
    },
    /// The book can only be read here, and not even that as it stands.
    #[error("The book at {place} can only be read here, and it can't be read as it stands: {why}.")]
    Unsettled {
        /// The file or the server.
        place: String,
        /// What would have to be written first.
        why: String,
    },
    /// No room.
    #[error("The disk that holds the book is full; nothing was changed.")]
    Full {
        /// What the database said.
        source: Box<dyn Error + Send + Sync>,
    },
    /// The server can't be reached, or went away before the act was committed.
    #[error("the database server does not answer; nothing was changed")]
    Away {
        /// What the client library said.
        source: Box<dyn Error + Send + Sync>,
    },
    /// The server went away between the commit and its answer, and did not come back.
    #[error("the connection was lost during the commit, so it is unknown whether the act is in the book")]
    Unanswered {
        /// What the client library said.
        source: Box<dyn Error + Send + Sync>,
    },
    /// A constraint of the database stopped a change that the code let through.
    #[error("the book refused the change: {rule}")]
    Rule {
        /// The constraint, or what its trigger says.
        rule: String,
    },
    /// Somebody outside the book knows more of its log than it.
    #[error("the book is older than its checkpoint: {}", older(.0))]
    Older(Older),
    /// A row that lets somebody in, or counts as somebody's word, and that no act of this site wrote as it is.
    #[error("{row} is not as this site wrote it: {}", if *.lost { "the key keys/access.key, with which it was sealed, can't be read here" } else { "somebody changed the book's tables" })]
    Unsealed {
        /// The row, in words.
        row: String,
        /// Whether the key is not here, so that no row can be checked.
        lost: bool,
    },
    /// A row or file that makes no sense: altered, or damaged.
    #[error("the book is damaged: {what}")]
    Damaged {
        /// Where, and what was found.
        what: String,
    },
    /// Two writers met; trying again is safe and was tried.
    #[error("others kept changing the book at the same time; nothing was changed here")]
    Contended {
        /// What the server said at last.
        source: Box<dyn Error + Send + Sync>,
    },
    /// Whoever watched a long look said to stop.
    #[error("it was cancelled; nothing was changed")]
    Stopped,
    /// Anything else that the database says.
    #[error("the database failed while {doing}")]
    Database {
        /// The work at hand.
        doing: String,
        /// What the database said.
        source: Box<dyn Error + Send + Sync>,
    },
}

fn older(older: &Older) -> String {
    let (there, made) = (older.entries, older.mark.head.size);
    if older.is_of_another_copy() {
        return format!(
            "it has {there} entries, and the checkpoint is of another copy of it with {made}, which was restored or whose loss was accepted, so that two copies are in use or this one is of before"
        );
    }
    if older.is_shorter() {
        return format!(
            "it has {there} entries and {made} were made, so that its end is lost, or a copy was put back, which may have gone on by itself"
        );
    }
    format!(
        "its first {made} entries are not the ones that were made, so that a copy was put back and went on by itself, or the log was altered"
    )
}

impl BookError {
    pub(crate) fn damaged(what: impl Into<String>) -> Self {
        Self::Damaged { what: what.into() }
    }

    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Address { .. } | Self::Missing { .. } | Self::Exists { .. } => Blame::Usage,
            Self::Rule { .. } => Blame::Refused,
            _ => Blame::Surroundings,
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Missing { .. } => {
                "Check which book touchmark.toml names. If it is lost, put it back from a backup: `touchmark book restore BACKUP` in the site's directory.".into()
            }
            Self::NotOurs { .. } => "Check which book touchmark.toml names; nothing was written to this one.".into(),
            Self::Exists { .. } => "Choose another location, or use the existing book.".into(),
            Self::Newer { .. } => "Use the program version that this book belongs to, or a later one.".into(),
            Self::Address { .. } => "Give sqlite:FILE or postgres://USER@HOST/DATABASE. docs/book.md lists what may follow a `?`.".into(),
            Self::NoBackup { .. } => "Make room for the backup, then start again.".into(),
            Self::Moved { .. } => "Set book.location in touchmark.toml to that location, on every station.".into(),
            Self::Busy { .. } => "Find out which process uses it (a backup, a large reel), then try again.".into(),
            Self::ReadOnly { .. } => {
                "Run it where the book may be written: by its owner, on a disk that is not read-only, with a database role that may write.".into()
            }
            Self::Unsettled { .. } => {
                "Copy the book with the files beside it (-wal, -shm) to a directory that may be written, and read the copy.".into()
            }
            Self::Full { .. } => FULL_DISK.into(),
            Self::Away { .. } => "Check the server and the network, then try again.".into(),
            Self::Unanswered { .. } => {
                "Once the server is back, put the chip on a station again: the book knows its state.".into()
            }
            Self::Rule { .. } => {
                "Run `touchmark book verify`. If it finds the book intact, report this as a fault.".into()
            }
            Self::Damaged { .. } => {
                "Restore a backup; if the book still opens, `touchmark book verify` shows what is damaged.".into()
            }
            Self::Older(older) if older.is_of_another_copy() => {
                "Nothing was changed. Stop all stations. `touchmark book verify` names the place of that checkpoint. If the other copy was only a trial, move its checkpoint away from there, and let the trial write elsewhere; else go on with the other copy.".into()
            }
            Self::Older(_) => {
                "Nothing was changed. Stop all stations. Find the newest copy of the book, or a backup; `touchmark book verify` says what is missing. If nothing newer exists, accept the loss with `touchmark book accept-loss --reason TEXT`.".into()
            }
            Self::Unsealed { lost: true, .. } => {
                "Nobody is let in. Put keys/access.key back from a backup, or from the machine that made it. If it is lost: `touchmark book reseal --reason TEXT` lets the accounts count as they stand.".into()
            }
            Self::Unsealed { lost: false, .. } => {
                "Nobody is let in by it. Keep a copy of the book for whoever looks into it, then run `touchmark book verify`, and find out who can write to the book.".into()
            }
            Self::Contended { .. } | Self::Stopped => "Try again.".into(),
            Self::Database { .. } => "Fix what the cause names; nothing was changed.".into(),
        }
    }
}
