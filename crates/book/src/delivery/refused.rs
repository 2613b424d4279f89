//! Why a delivery was not stored.

use crate::Stop;
use crate::error::{Blame, BookError};
use crate::ids::{AuthorityName, ChipId, DeliveryId, ReelId};
use crate::product::AddError;
use crate::words::Purpose;

/// What is wrong with one certificate of a delivery.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Trouble {
    /// No chip in the book has its key.
    Stranger,
    /// Its chip is on another reel.
    OtherReel { chip: ChipId, reel: ReelId },
    /// Its chip has a credential.
    ChipHasOne {
        chip: ChipId,
        /// The delivery that brought it: an earlier one, or this.
        delivery: DeliveryId,
        /// Serial number of the one it has.
        serial: Vec<u8>,
    },
    /// Its issuer gave the serial number to another one.
    SerialUsed {
        /// The chip of the other one.
        chip: ChipId,
        /// The delivery that brought the other one: an earlier one, or this.
        delivery: DeliveryId,
    },
}

/// One certificate that can't be taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Its place in what was handed over, from 1.
    pub position: i64,
    pub serial: Vec<u8>,
    pub trouble: Trouble,
}

/// Why a delivery was not stored. Nothing of it is in the book.
#[derive(Debug, thiserror::Error)]
pub enum DeliveryError {
    /// Its id is taken.
    #[error("a delivery named {delivery} already exists")]
    NameTaken { delivery: DeliveryId },
    /// There is no such reel.
    #[error("reel {reel} is not in the book")]
    NoReel { reel: ReelId },
    /// An authority of it can't be taken.
    #[error("the delivery's authority can't be used: {0}")]
    Authority(#[source] AddError),
    /// A certificate names an issuer that is neither in the book nor in the delivery.
    #[error("there is no authority named {authority}")]
    NoAuthority { authority: AuthorityName },
    /// Test and production never mix.
    #[error("authority {authority} is for {theirs}, but reel {reel} is for {ours}")]
    Mixed {
        authority: AuthorityName,
        /// What it is for.
        theirs: Purpose,
        reel: ReelId,
        /// What that is for.
        ours: Purpose,
    },
    /// Certificates can't be bound to chips.
    #[error("{total} certificates of the delivery can't be bound to chips of the reel")]
    Problems {
        total: u64,
        /// The first of them.
        first: Vec<Problem>,
    },
    /// The caller's iterator stopped.
    #[error("the delivery could not be read to its end")]
    Stopped(#[source] Stop),
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl DeliveryError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::NoReel { .. } | Self::NameTaken { .. } | Self::Stopped(_) => Blame::Usage,
            Self::Authority(error) => error.blame(),
            Self::NoAuthority { .. } | Self::Mixed { .. } | Self::Problems { .. } => Blame::Refused,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::NameTaken { .. } => "Store it under another name.".into(),
            Self::NoReel { .. } => "Receive the reel first, or check its id.".into(),
            Self::Authority(error) => error.advice(),
            Self::NoAuthority { .. } => "Adopt the authority, or ask for a delivery that includes it.".into(),
            Self::Mixed { authority, theirs, ours, .. } => format!(
                "Withdraw authority {authority} and adopt it for {ours}; or withdraw the reel and receive it for a {theirs} product."
            ),
            Self::Problems { .. } => "Ask the authority to replace these certificates; nothing was stored.".into(),
            Self::Stopped(_) => "Fix what the cause names; nothing was stored.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}
