//! What every act's error tells a front end: whose move it is, and what to do.

use std::borrow::Cow;
use std::error::Error;
use std::io;

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

/// What a failure says to people: whose move it is, what is so, what to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// Whose move it is.
    pub kind: Kind,
    pub message: String,
    /// What to do next.
    pub advice: Option<String>,
}

impl Said {
    /// In an error's own words; a full disk is the same to everybody, whichever act it stopped.
    pub fn by(error: &(impl Advise + 'static)) -> Self {
        let said = Self { kind: error.kind(), message: error.to_string(), advice: error.advice() };
        if is_full_disk(error) { said.on_a_full_disk() } else { said }
    }

    pub fn on_a_full_disk(self) -> Self {
        let known = self.message.contains("disk that holds");
        let message = if known { self.message } else { format!("The disk is full: {}", self.message) };
        Self { kind: Kind::Surroundings, message, advice: Some(book::FULL_DISK.to_owned()) }
    }
}

/// Whether an error, or one that caused it, is a disk without room for this user.
pub fn is_full_disk(error: &(dyn Error + 'static)) -> bool {
    let mut next = Some(error);
    while let Some(error) = next {
        if matches!(error.downcast_ref(), Some(book::BookError::Full { .. })) {
            return true;
        }
        if let Some(error) = error.downcast_ref::<io::Error>() {
            if matches!(error.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded) {
                return true;
            }
            // Its own source leaves out what it wraps.
            next = error.get_ref().map(|inner| inner as &(dyn Error + 'static));
            continue;
        }
        next = error.source();
    }
    false
}

/// A name as a shell takes it for one word (POSIX.1-2017, 2.2): as it is where that is safe, else in quotes.
/// Whatever names something in a command that a person is to copy goes through here.
pub fn quoted(name: &str) -> Cow<'_, str> {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-_./:@%+,=".contains(&b);
    if !name.is_empty() && name.bytes().all(plain) {
        Cow::Borrowed(name)
    } else if name.contains(['"', '$', '`', '\\', '!']) {
        Cow::Owned(format!("'{}'", name.replace('\'', "'\\''")))
    } else {
        Cow::Owned(format!("\"{name}\""))
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::Trouble;

    /// Referee: the system's shell.
    #[test]
    fn a_shell_takes_a_quoted_name_for_one_word() {
        let names = [
            "Reel-7",
            "Tern Vent",
            "a\"b",
            "it's",
            "$HOME `id` \\",
            "wow! really",
            "",
            "ünïcode",
            "a;b|c&d",
            "*",
            "~",
            "#x",
        ];
        for name in names {
            let script = format!("printf '%s|' {}", quoted(name));
            let out = std::process::Command::new("sh").args(["-c", &script]).output().expect("a shell");
            assert_eq!(String::from_utf8_lossy(&out.stdout), format!("{name}|"), "{script}");
        }
        assert_eq!((quoted("Reel-7"), quoted("Tern Vent")), ("Reel-7".into(), "\"Tern Vent\"".into()));
    }

    /// Whatever act meets it, and however deep it lies, a full disk is said in one way.
    #[test]
    fn a_full_disk_is_said_in_one_way() {
        let full = || io::Error::from(io::ErrorKind::StorageFull);
        let path = Path::new("labels.pdf");
        let custody = custody::CustodyError::Unwritable { path: path.into(), source: full() };
        let book = book::BookError::Full { source: full().into() };
        let rows = [
            Said::by(&Trouble::file(path, full())),
            Said::by(&Trouble::file(path, io::ErrorKind::QuotaExceeded.into())),
            Said::by(&Trouble::surroundings("The form can't be kept.", "Check the disk.").because(full())),
            Said::by(&Trouble::from(custody)),
            Said::by(&Trouble::from(book)),
            Said::by(&Trouble::file(path, io::Error::other(full()))),
        ];
        for said in rows {
            assert_eq!((said.kind, said.advice.as_deref()), (Kind::Surroundings, Some(book::FULL_DISK)), "{said:?}");
            assert!(said.message.starts_with("The disk"), "{said:?}");
        }
        let other = Said::by(&Trouble::file(path, io::ErrorKind::PermissionDenied.into()));
        assert_ne!(other.advice.as_deref(), Some(book::FULL_DISK));
    }
}
