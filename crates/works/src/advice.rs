//! What every act's error tells a front end: whose move it is, and what to do.

use std::error::Error;

/// Whose move it is. A front end needs nothing else to choose an exit code or
/// an HTTP status.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Read, judged and refused. Exit 1, HTTP 422.
    Refused,
    /// Wrong usage or unreadable input. Exit 2, HTTP 400.
    Usage,
    /// The surroundings failed: disk, database, token, device. Exit 3, HTTP 503.
    Surroundings,
}

impl Kind {
    /// The word in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Refused => "refused",
            Self::Usage => "usage",
            Self::Surroundings => "surroundings",
        }
    }

    /// The process's exit code.
    pub const fn exit_code(self) -> u8 {
        match self {
            Self::Refused => 1,
            Self::Usage => 2,
            Self::Surroundings => 3,
        }
    }
}

/// An error that tells its reader what to do next.
pub trait Advise: Error {
    /// Whose move it is.
    fn kind(&self) -> Kind;
    /// The next move, as a sentence.
    fn advice(&self) -> Option<String>;
}
