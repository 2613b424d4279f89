//! Whose move it is when a chip or a key fails.

use std::io;

use chip::simulated::MakeError;
use chip::{ChipError, SourceError};
use custody::token::TokenError;
use custody::{CustodyError, PassphraseError, UnsealError};

use crate::{Advise, Kind};

impl Advise for ChipError {
    fn kind(&self) -> Kind {
        match self {
            Self::Absent { .. } | Self::Empty { .. } | Self::Damaged { .. } | Self::Pin { .. } => Kind::Usage,
            Self::File { source, .. } if source.kind() == io::ErrorKind::NotFound => Kind::Usage,
            _ => Kind::Surroundings,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(self.advice().to_owned())
    }
}

impl Advise for SourceError {
    fn kind(&self) -> Kind {
        Kind::Usage
    }

    fn advice(&self) -> Option<String> {
        Some(self.advice().to_owned())
    }
}

impl Advise for MakeError {
    fn kind(&self) -> Kind {
        match self {
            Self::Chip(error) => error.kind(),
            Self::File { source, .. } if source.kind() == io::ErrorKind::NotFound => Kind::Usage,
            error if error.is_usage() => Kind::Usage,
            _ => Kind::Surroundings,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(self.advice().to_owned())
    }
}

impl Advise for CustodyError {
    fn kind(&self) -> Kind {
        match self {
            Self::Unreadable { .. }
            | Self::Unwritable { .. }
            | Self::Exposed { .. }
            | Self::NoRandomness
            | Self::Library { .. } => Kind::Surroundings,
            _ => Kind::Usage,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(self.advice().to_owned())
    }
}

impl Advise for PassphraseError {
    fn kind(&self) -> Kind {
        match self {
            Self::Prompt(_) => Kind::Surroundings,
            _ => Kind::Usage,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(self.advice().to_owned())
    }
}

impl Advise for TokenError {
    fn kind(&self) -> Kind {
        match self {
            Self::Module { .. }
            | Self::NoToken { .. }
            | Self::PinLocked { .. }
            | Self::Gone { .. }
            | Self::Failed { .. } => Kind::Surroundings,
            _ => Kind::Usage,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(self.advice().to_owned())
    }
}

impl Advise for UnsealError {
    fn kind(&self) -> Kind {
        Kind::Surroundings
    }

    fn advice(&self) -> Option<String> {
        Some(self.advice().to_owned())
    }
}
