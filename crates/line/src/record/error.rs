//! What can go wrong with a factory record.

use std::io;
use std::path::PathBuf;

use base::advice::{Advise, Kind};
use base::files::WriteError;
use standard::factory_record::RecordError;
use standard::ids::IdError;
use standard::onboarding::ValueError;

use crate::onboarding::BatchError;
use crate::verifier::VerifierActError;

/// Why no factory record was made or shown. Nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum RecordActError {
    /// A file could not be read.
    #[error("{path} can't be read: {source}", path = path.display())]
    Read { path: PathBuf, source: io::Error },
    /// A file that is too large to be what it should be.
    #[error("{path} has more than {limit} bytes", path = path.display())]
    TooLarge {
        path: PathBuf,
        /// What it may have.
        limit: u64,
    },
    /// A description that is neither TOML nor JSON, or has other keys.
    #[error("{path} is not a description of a factory record: {why}", path = path.display())]
    Description {
        path: PathBuf,
        /// Why; never with a value out of it.
        why: String,
    },
    /// A value that every record has was not given.
    #[error("{what} is not given")]
    Missing {
        what: &'static str,
        /// The option that gives it, which is also the key in a description, with `_`.
        option: &'static str,
    },
    /// A number that is none, or does not fit.
    #[error("{what} is not a number of 0 to {max}")]
    Number { what: &'static str, max: u32 },
    /// A vendor or product ID that no device has.
    #[error("{0} (rule {1})")]
    Id(IdError, &'static str),
    /// A passcode or discriminator that no device has.
    #[error("{0} (rule {name})", name = .0.rule().name)]
    Value(#[from] ValueError),
    /// No verifier from these values.
    #[error(transparent)]
    Verifier(#[from] VerifierActError),
    /// The verifier given is not the passcode's.
    #[error(
        "the verifier is not the one that the passcode, the salt and the iteration count give (rule verifier.mismatch)"
    )]
    Mismatch,
    /// Certificates or a declaration that don't belong into it.
    #[error("{0}")]
    Together(String),
    /// Neither a verifier nor a passcode.
    #[error("neither a verifier nor a passcode to derive it from is given")]
    NoVerifier,
    /// A verifier without the salt or the iteration count that it was derived with.
    #[error("a verifier is given without the salt that it was derived with")]
    NoSalt,
    /// The passcode was asked for and is not given.
    #[error("the record should contain the passcode, but none is given")]
    NoPasscode,
    /// A certificate or declaration that is neither DER nor PEM.
    #[error("{path} is neither DER nor PEM of one {what}", path = path.display())]
    Encoding {
        path: PathBuf,
        /// `certificate` or `declaration`.
        what: &'static str,
    },
    /// No record from these values, or none in the file.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// No record in this file.
    #[error("{path} contains no factory record: {source}", path = path.display())]
    NoRecord { path: PathBuf, source: RecordError },
    /// No output was asked for.
    #[error("no file to write is named")]
    NoFile,
    /// No randomness.
    #[error(transparent)]
    Randomness(#[from] BatchError),
    /// A file could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
}

impl Advise for RecordActError {
    fn kind(&self) -> Kind {
        match self {
            Self::Verifier(error) => error.kind(),
            Self::Randomness(error) => error.kind(),
            Self::Write(error) => error.kind(),
            _ => Kind::Usage,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(match self {
            Self::Read { .. } => "Check the name and the permissions of the file.".into(),
            Self::TooLarge { .. } => "Name another file: this one is something else.".into(),
            Self::Description { .. } => "Keys are the names of the options with _ for -, such as serial_number.".into(),
            Self::Missing { option, .. } => {
                format!("Give --{option}, or {} in the description.", option.replace('-', "_"))
            }
            Self::Number { .. } => "Give a decimal number, or hex after 0x.".into(),
            Self::Id(..) => "Give it as four hexadecimal digits.".into(),
            Self::Value(_) => "Give a value within the bounds.".into(),
            Self::Verifier(error) => return error.advice(),
            Self::Mismatch => "One of them is another unit's; give the unit's own, or leave the verifier out.".into(),
            Self::Together(_) => {
                "A device with such a record fails when it is first commissioned. Give the files of this unit.".into()
            }
            Self::NoVerifier | Self::NoPasscode => {
                "Give --verifier, or the passcode by --passcode-file, TOUCHMARK_PASSCODE or the description.".into()
            }
            Self::NoSalt => "Give --salt as well, or leave the verifier out to have one derived.".into(),
            Self::Encoding { .. } => "Give the file as it came, in DER or PEM.".into(),
            Self::Record(RecordError::Region { .. }) => "Give a larger region.".into(),
            Self::Record(RecordError::Address(_)) => "Give a lower address.".into(),
            Self::Record(_) => "Give a value within the bounds.".into(),
            Self::NoRecord { .. } => "Get the file from its source again, or write the record again.".into(),
            Self::NoFile => "Give at least one of --cbor, --image with --region, --hex with --address.".into(),
            Self::Randomness(error) => return error.advice(),
            Self::Write(error) => return error.advice(),
        })
    }
}
