//! What a user types after `--chips`.

use std::fmt;
use std::path::PathBuf;
use std::str::FromStr;

use crate::command::{CommandSource, Patience};
use crate::simulated::SimulatedSource;
use crate::token::TokenSource;
use crate::{ChipError, ChipSource};
use custody::Passphrase;
use custody::token::{TokenUri, UriError};

/// Where a station finds its chips.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// `simulated:DIR`: a folder of simulated chips.
    Simulated(PathBuf),
    /// A PKCS #11 URI by RFC 7512, without a PIN in it.
    Pkcs11(TokenUri),
    /// `command:PROGRAM`: a driver that answers JSON-RPC 2.0 on stdio.
    Command(String),
}

/// Why a text names no source.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SourceError {
    /// No known kind before the colon.
    #[error("{0:?} is not a source of chips")]
    Kind(String),
    /// Nothing after the colon.
    #[error("{0:?} is incomplete: it names a kind of source, but not which one")]
    Empty(String),
    /// Not a PKCS #11 URI that is taken.
    #[error(transparent)]
    Uri(#[from] UriError),
}

impl SourceError {
    /// What to do next.
    pub fn advice(&self) -> &'static str {
        match self {
            Self::Kind(_) | Self::Empty(_) => {
                "Give simulated:DIR, a PKCS #11 URI (pkcs11:token=…), or command:PROGRAM."
            }
            Self::Uri(error) => error.advice(),
        }
    }
}

impl FromStr for Source {
    type Err = SourceError;

    fn from_str(text: &str) -> Result<Self, SourceError> {
        let shown = || text.chars().take(80).collect::<String>();
        let Some((kind, rest)) = text.split_once(':') else { return Err(SourceError::Kind(shown())) };
        if rest.is_empty() && matches!(kind, "simulated" | "pkcs11" | "command") {
            return Err(SourceError::Empty(shown()));
        }
        match kind {
            "simulated" => Ok(Self::Simulated(rest.into())),
            "command" => Ok(Self::Command(rest.to_owned())),
            "pkcs11" => Ok(Self::Pkcs11(text.parse()?)),
            _ => Err(SourceError::Kind(shown())),
        }
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Simulated(folder) => write!(f, "simulated:{}", folder.display()),
            Self::Pkcs11(uri) => uri.fmt(f),
            Self::Command(program) => write!(f, "command:{program}"),
        }
    }
}

/// How a source is opened.
#[derive(Debug, Clone, Copy, Default)]
pub struct OpenOptions<'a> {
    /// Whether simulated chips really take their time; `None` leaves it to what
    pub real_time: Option<bool>,
    /// The PIN of a token whose URI names no `pin-source`.
    pub pin: Option<&'a Passphrase>,
    /// The user of the machine as whom a driver runs; the program's own where none is given.
    pub driver_user: Option<&'a str>,
}

impl Source {
    /// Whether a person would have to be asked for a PIN.
    pub fn asks_for_pin(&self) -> bool {
        matches!(self, Self::Pkcs11(uri) if uri.pin_file().is_none())
    }

    /// Opens it.
    ///
    /// # Errors
    ///
    /// Where it is not there or does not start.
    pub fn open(&self, options: OpenOptions<'_>) -> Result<Box<dyn ChipSource>, ChipError> {
        match self {
            Self::Simulated(folder) => Ok(Box::new(SimulatedSource::open(folder, options.real_time)?)),
            Self::Pkcs11(uri) => Ok(Box::new(TokenSource::open(uri, options.pin)?)),
            Self::Command(program) => {
                Ok(Box::new(CommandSource::start_as(program, Patience::default(), options.driver_user)?))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_names_a_source() {
        for (text, expected) in [
            ("simulated:chips", Some(Source::Simulated("chips".into()))),
            ("simulated:/a b/c:d", Some(Source::Simulated("/a b/c:d".into()))),
            ("command:./driver.py --bus 3", Some(Source::Command("./driver.py --bus 3".into()))),
            (
                "pkcs11:token=fixture;object=dac?pin-source=file:/p",
                Some(Source::Pkcs11("pkcs11:token=fixture;object=dac?pin-source=file:/p".parse().unwrap())),
            ),
            ("", None),
            ("chips", None),
            ("simulated:", None),
            ("usb:1", None),
            ("pkcs11:colour=red", None),
            ("pkcs11:token=fixture?pin-value=1234", None),
            ("pkcs11:token=fixture?module-path=/m&pin-value=1234", None),
        ] {
            let read = text.parse::<Source>();
            assert_eq!(read.as_ref().ok(), expected.as_ref(), "{text}");
            match read {
                Ok(source) => assert_eq!(source.to_string(), text),
                Err(refused) => assert!(!format!("{refused:?}{refused}").contains("1234"), "{text}"),
            }
        }
    }
}
