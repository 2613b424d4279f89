//! Why a revocation was not asked for, confirmed or recorded.

use crate::credential::RevokeError;
use crate::error::{Blame, BookError};
use crate::ids::{Actor, AuthorityName};
use crate::words::RequestState;

/// Why a request or a list was not taken.
#[derive(Debug, thiserror::Error)]
pub enum RevocationError {
    /// No such request was made.
    #[error("there is no revocation request {number}")]
    Unknown { number: i64 },
    /// It was settled before.
    #[error("revocation request {number} was already {state} by {by}")]
    Settled { number: i64, state: RequestState, by: Actor },
    /// For production a second person confirms.
    #[error("revocation request {number} is for production and was made by {by}; another person must confirm it")]
    SamePerson { number: i64, by: Actor },
    /// For production a company account and a local one may be one person's.
    #[error(
        "revocation request {number} is for production and was made by {by}; a company account and a local account may \
         be the same person's"
    )]
    MaybeSamePerson { number: i64, by: Actor },
    /// Somebody asked for the same before.
    #[error("Certificate {serial} of {issuer} is in revocation request {number} already, which {standing}")]
    AskedBefore {
        issuer: AuthorityName,
        /// Serial number in hex, of the first.
        serial: String,
        /// The request that has it.
        number: i64,
        /// Where that request stands.
        standing: &'static str,
    },
    /// A request without certificates.
    #[error("nothing to revoke was named")]
    Nothing,
    /// A certificate that this site does not know of that issuer.
    #[error("authority {issuer} issued no certificate with serial {serial} that is in the book")]
    NoCertificate {
        issuer: AuthorityName,
        /// Serial number in hex.
        serial: String,
    },
    /// No such authority.
    #[error("there is no authority {name}")]
    NoIssuer { name: AuthorityName },
    /// A list with this number or a later one is kept.
    #[error("this site already has a list of {issuer} with number {number} or a later one")]
    OldList { issuer: AuthorityName, number: String },
    /// The book gave no answer. Nothing was changed.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl From<RevokeError> for RevocationError {
    fn from(error: RevokeError) -> Self {
        match error {
            RevokeError::Book(error) => Self::Book(error),
            unknown => Self::Book(BookError::damaged(unknown.to_string())),
        }
    }
}

impl RevocationError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::Unknown { .. } | Self::Nothing | Self::NoCertificate { .. } | Self::NoIssuer { .. } => Blame::Usage,
            Self::Settled { .. }
            | Self::SamePerson { .. }
            | Self::MaybeSamePerson { .. }
            | Self::OldList { .. }
            | Self::AskedBefore { .. } => Blame::Refused,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::Unknown { .. } | Self::Settled { .. } => {
                "See pending requests with `touchmark revocation list`.".into()
            }
            Self::SamePerson { .. } => "Have a second person check it and confirm it in their own name.".into(),
            Self::MaybeSamePerson { .. } => {
                "Have a second person confirm it who signs in in the same way as the first: \
                                             both with the company's account, or both with a local one."
                    .into()
            }
            Self::AskedBefore { number, .. } => {
                format!("Run `touchmark revocation show {number}`; leave out what is in it to ask for the others.")
            }
            Self::Nothing => "Name units, credentials or an authority.".into(),
            Self::NoCertificate { .. } => "Look up the unit first; its story shows serial number and issuer.".into(),
            Self::NoIssuer { .. } => "See `touchmark authority list`.".into(),
            Self::OldList { .. } => "Nothing to do: the newer one applies.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}
