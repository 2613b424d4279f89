//! A failure of an act at a site, as its reader needs it.

use std::error::Error;
use std::fmt;

use book::{
    AccountError, AddError, BeginError, Blame, BookError, DeliveryError, DependsError, DisposalError, DivideError,
    EnrolmentError, FinishError, PackError, ReceiveError, RevocationError, RevokeError, ScrapChipError, UnitError,
};

use crate::advice::{Advise, Kind, Said, is_full_disk};

/// Whose move it is, what is so, what to do next, and why.
#[derive(Debug)]
pub struct Trouble {
    kind: Kind,
    message: String,
    advice: String,
    source: Option<Box<dyn Error + Send + Sync>>,
    about: Option<&'static str>,
    absent: bool,
    wait: Option<u32>,
}

impl Trouble {
    fn new(kind: Kind, message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self {
            kind,
            message: message.into(),
            advice: advice.into(),
            source: None,
            about: None,
            absent: false,
            wait: None,
        }
    }

    /// Read, judged and refused.
    pub fn refused(message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self::new(Kind::Refused, message, advice)
    }

    /// Wrong usage or unreadable input.
    pub fn usage(message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self::new(Kind::Usage, message, advice)
    }

    /// What was named is not here: wrong usage, of which HTTP has a status of its own.
    pub fn absent(message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { absent: true, ..Self::usage(message, advice) }
    }

    /// Too early: what is asked may be asked again in so many seconds.
    pub fn too_early(message: impl Into<String>, seconds: u32) -> Self {
        let unit = if seconds == 1 { "second" } else { "seconds" };
        Self { wait: Some(seconds), ..Self::refused(message, format!("Wait {seconds} {unit}, then try again.")) }
    }

    /// Seconds to wait, where that is all that is needed.
    pub fn wait(&self) -> Option<u32> {
        self.wait
    }

    /// Whether what was named is not here.
    pub fn is_absent(&self) -> bool {
        self.absent
    }

    /// The surroundings failed.
    pub fn surroundings(message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self::new(Kind::Surroundings, message, advice)
    }

    /// The same with its cause.
    #[must_use]
    pub fn because(mut self, source: impl Error + Send + Sync + 'static) -> Self {
        if is_full_disk(&source) {
            let said = Said { kind: self.kind, message: self.message, advice: None }.on_a_full_disk();
            (self.kind, self.message, self.advice) = (said.kind, said.message, said.advice.unwrap_or_default());
        }
        self.source = Some(Box::new(source));
        self
    }

    /// The same, told of one input by its name, as `vendor`: a page puts it beside that field. Who is nearer to the
    /// input knows better, so that the first name stays.
    #[must_use]
    pub fn about(mut self, input: &'static str) -> Self {
        self.about.get_or_insert(input);
        self
    }

    /// The same of an input that is called otherwise where it was asked for.
    #[must_use]
    pub fn renamed(mut self, input: &'static str) -> Self {
        self.about = Some(input);
        self
    }

    /// The same, with what was done before it.
    #[must_use]
    pub fn after(mut self, done: &str) -> Self {
        self.message = format!("{}; {done}", self.message);
        self
    }

    /// The same with other advice.
    #[must_use]
    pub fn advised(mut self, advice: impl Into<String>) -> Self {
        self.advice = advice.into();
        self
    }

    /// Whether the book can't be read because it is damaged.
    pub fn is_of_a_damaged_book(&self) -> bool {
        let cause = self.source.as_deref().and_then(|source| source.downcast_ref());
        matches!(cause, Some(BookError::Damaged { .. } | BookError::Rule { .. }))
    }

    /// The input that it is about, where it is about one.
    pub fn input(&self) -> Option<&'static str> {
        self.about
    }

    /// A file that could not be read or written.
    pub fn file(path: &std::path::Path, source: std::io::Error) -> Self {
        let shown = path.display();
        match source.kind() {
            std::io::ErrorKind::NotFound => Self::usage(format!("{shown} does not exist"), "Check the path."),
            std::io::ErrorKind::AlreadyExists => {
                Self::usage(format!("{shown} already exists"), "Give another name; nothing was written.")
            }
            _ if is_full_disk(&source) => {
                Self::surroundings(format!("The disk that holds {shown} is full."), "").because(source)
            }
            _ => {
                Self::surroundings(format!("{shown}: {source}"), "Check the disk and its permissions, then try again.")
            }
        }
    }

    /// A temporary file that could not be written or read.
    pub fn temporary(source: std::io::Error) -> Self {
        Self::file(&std::env::temp_dir(), source)
    }

    /// Wraps an error that says itself whose move it is.
    pub fn of<E: Advise + Send + Sync + 'static>(error: E) -> Self {
        let said = Said::by(&error);
        Self {
            kind: said.kind,
            message: said.message,
            advice: said.advice.unwrap_or_default(),
            source: error.source().map(|s| s.to_string().into()),
            about: None,
            absent: false,
            wait: None,
        }
    }
}

/// Results whose failure is about one input.
pub trait About<T> {
    /// Names the input, as [`Trouble::about`].
    ///
    /// # Errors
    ///
    /// The same failure, with the name.
    fn about(self, input: &'static str) -> Result<T, Trouble>;
}

impl<T, E: Into<Trouble>> About<T> for Result<T, E> {
    fn about(self, input: &'static str) -> Result<T, Trouble> {
        self.map_err(|e| e.into().about(input))
    }
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl Error for Trouble {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        self.source.as_deref().map(|s| s as _)
    }
}

impl Advise for Trouble {
    fn kind(&self) -> Kind {
        self.kind
    }

    fn advice(&self) -> Option<String> {
        Some(self.advice.clone()).filter(|a| !a.is_empty())
    }
}

fn kind(blame: Blame) -> Kind {
    match blame {
        Blame::Refused => Kind::Refused,
        Blame::Usage => Kind::Usage,
        Blame::Surroundings => Kind::Surroundings,
    }
}

macro_rules! from_book {
    ($($error:ty),*) => {$(
        impl From<$error> for Trouble {
            fn from(error: $error) -> Self {
                Self::new(kind(error.blame()), error.to_string(), error.advice()).because(error)
            }
        }
    )*};
}
from_book!(
    AccountError,
    BookError,
    AddError,
    BeginError,
    DeliveryError,
    DependsError,
    DivideError,
    EnrolmentError,
    FinishError,
    ReceiveError,
    RevocationError,
    RevokeError,
    ScrapChipError
);

impl From<DisposalError> for Trouble {
    fn from(error: DisposalError) -> Self {
        match error {
            DisposalError::Unit(error) => error.into(),
            DisposalError::Chip(error) => error.into(),
            DisposalError::Revocation(error) => error.into(),
            DisposalError::Book(error) => error.into(),
        }
    }
}

impl From<PackError> for Trouble {
    fn from(error: PackError) -> Self {
        match error {
            PackError::Unit(error) => error.into(),
            PackError::Book(error) => error.into(),
            error => Self::new(kind(error.blame()), error.to_string(), error.advice()).because(error),
        }
    }
}

impl From<UnitError> for Trouble {
    fn from(error: UnitError) -> Self {
        let absent = matches!(error, UnitError::Unknown { .. });
        Self { absent, ..Self::new(kind(error.blame()), error.to_string(), error.advice()).because(error) }
    }
}

macro_rules! from_advising {
    ($($error:ty),*) => {$(
        impl From<$error> for Trouble {
            fn from(error: $error) -> Self {
                Self::of(error)
            }
        }
    )*};
}
from_advising!(
    chip::ChipError,
    chip::SourceError,
    chip::simulated::MakeError,
    custody::CustodyError,
    custody::token::TokenError,
    custody::UnsealError,
    custody::PassphraseError
);

impl From<book::ids::IdError> for Trouble {
    fn from(error: book::ids::IdError) -> Self {
        Self::usage(error.to_string(), "Give another name.")
    }
}

impl From<standard::key::SignError> for Trouble {
    fn from(error: standard::key::SignError) -> Self {
        Self::surroundings(error.to_string(), "Try again; nothing was changed.")
    }
}

#[cfg(test)]
mod tests {
    use book::ids::{AttemptNumber, StationName, UnitSerial};

    use super::*;

    /// As everywhere: RFC 3339 in UTC, whatever zone and fraction the moment came with.
    #[test]
    fn a_time_in_an_error_is_told_as_everywhere() {
        let since = time::OffsetDateTime::UNIX_EPOCH.to_offset(time::macros::offset!(+2)) + time::Duration::MICROSECOND;
        let (unit, station) = (UnitSerial::new("KK-6").expect("a name"), StationName::new("S").expect("a name"));
        let on_station = UnitError::OnStation { unit: unit.clone(), station: station.clone(), since };
        let elsewhere = BeginError::Elsewhere { unit, attempt: AttemptNumber(1), station, since };
        for trouble in [Trouble::from(on_station), Trouble::from(elsewhere)] {
            assert_eq!(trouble.to_string(), "unit KK-6 has been on station S since 1970-01-01T00:00:00Z");
        }
    }
}
