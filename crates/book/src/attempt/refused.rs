//! Why a station must not touch a chip.

use time::OffsetDateTime;

use crate::Stop;
use crate::by::told;
use crate::error::{Blame, BookError};
use crate::ids::{AttemptNumber, ChipId, DeclarationName, ReelId, StationName, UnitSerial};
use crate::unit::Unit;
use crate::words::UnitState;

/// Why a station must not touch a chip. Nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum BeginError {
    /// No reel brought it.
    #[error("chip {chip} is on no reel in the book")]
    ChipUnknown { chip: ChipId },
    /// It belongs elsewhere.
    #[error("chip {chip} is on reel {found}, not on reel {wanted}")]
    OtherReel {
        chip: ChipId,
        found: ReelId,
        /// The reel that the station works on.
        wanted: ReelId,
    },
    /// No delivery brought a certificate for it.
    #[error("chip {chip} of reel {reel} has no credential")]
    NoCredential { chip: ChipId, reel: ReelId },
    /// Its credential was withdrawn.
    #[error("the credential of chip {chip}, serial {serial}, was revoked: {reason}")]
    CredentialRevoked {
        chip: ChipId,
        /// Serial number in hex.
        serial: String,
        reason: String,
    },
    /// It was given up.
    #[error("chip {chip} was scrapped{}: {reason}", .unit.as_ref().map(|u| format!(" with unit {u}")).unwrap_or_default())]
    ChipScrapped {
        chip: ChipId,
        /// Its unit, if it had one.
        unit: Option<UnitSerial>,
        reason: String,
    },
    /// It was proven and locked: to be verified, never written again.
    #[error("chip {} was provisioned as unit {}, which {}", .unit.chip_id, .unit.serial, past(.unit))]
    AlreadyProvisioned {
        /// Its unit, passed or returned; [`crate::Book::story`] tells the rest.
        unit: Box<Unit>,
    },
    /// Another station has it, or died at it.
    #[error("unit {unit} has been on station {station} since {}", told(*.since))]
    Elsewhere {
        unit: UnitSerial,
        attempt: AttemptNumber,
        station: StationName,
        /// When that attempt began.
        since: OffsetDateTime,
    },
    /// The serial number is another chip's.
    #[error("serial number {unit} belongs to the unit with chip {owner}, not {chip}")]
    SerialTaken {
        unit: UnitSerial,
        /// The chip that has it.
        owner: ChipId,
        /// The chip on the station.
        chip: ChipId,
    },
    /// The chip is another unit's.
    #[error("chip {chip} belongs to unit {unit}, not to {wanted}")]
    ChipHasUnit {
        chip: ChipId,
        unit: UnitSerial,
        /// The serial number asked for.
        wanted: UnitSerial,
    },
    /// It is a new unit's, and no serial number is left to give.
    #[error("no serial number is left for chip {chip}")]
    NoSerial { chip: ChipId },
    /// A series has no further number.
    #[error("the series of serial numbers that begins with {start} ran out")]
    SeriesEnds { start: UnitSerial },
    /// There is no such declaration, or it is for the other purpose.
    #[error("declaration {declaration} can't be used: {why}")]
    Declaration { declaration: DeclarationName, why: String },
    /// An attempt is at a station.
    #[error("no station was named for the attempt")]
    NoStation,
    /// The caller could not make onboarding data.
    #[error("no onboarding data could be made for the unit")]
    Onboarding(#[source] Stop),
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

fn past(unit: &Unit) -> &'static str {
    match unit.state {
        UnitState::Returned => "was returned by the customer",
        _ => "passed",
    }
}

impl BeginError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::NoStation => Blame::Usage,
            Self::Onboarding(_) => Blame::Surroundings,
            Self::Book(error) => error.blame(),
            _ => Blame::Refused,
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::ChipUnknown { .. } => "Receive its reel first; if it is on no manifest, set the chip aside.".into(),
            Self::OtherReel { found, .. } => format!("Set it aside for reel {found}."),
            Self::NoCredential { .. } => "Receive the delivery that holds its certificate, or set it aside.".into(),
            Self::CredentialRevoked { .. } => "Scrap the chip: its credential can't be used any more.".into(),
            Self::ChipScrapped { .. } => "Put it in the scrap bin.".into(),
            Self::AlreadyProvisioned { unit } => {
                format!("Leave it as it is. Challenge the chip to check that it still proves unit {}.", unit.serial)
            }
            Self::Elsewhere { station, .. } => format!(
                "If station {station} is still working on it, leave it there. If that station crashed, take the unit over (`--take-over`)."
            ),
            Self::SerialTaken { .. } => "Scan the serial number again; no number is used twice.".into(),
            Self::ChipHasUnit { unit, .. } => format!("Put the board back with unit {unit}."),
            Self::NoSerial { .. } => "Give more serial numbers.".into(),
            Self::SeriesEnds { .. } => "Start a series with more digits.".into(),
            Self::Declaration { .. } => "Choose a declaration of this product.".into(),
            Self::NoStation => "Name the station.".into(),
            Self::Onboarding(_) => "Fix what the cause names.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}
