//! What calls of the API send, and what it says of itself. The answers are the rooms' own.

use line::desk::{LabelPhase, Phase};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A failure: what is so, and what to do next.
#[derive(Debug, Serialize, ToSchema)]
pub struct Problem {
    /// What happened.
    pub error: ProblemBody,
}

/// What happened.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProblemBody {
    /// `refused`, `usage`, `surroundings`, `unauthorized`, `forbidden`, `missing`.
    pub kind: String,
    /// What is so.
    pub message: String,
    /// What to do next.
    pub advice: String,
}

/// The site.
#[derive(Debug, Serialize, ToSchema)]
pub struct Site {
    /// Its id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// The program's version.
    pub version: String,
}

/// A unit to be worked.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WorkUnit {
    /// The serial number on the housing; left out where the station counts.
    #[serde(default)]
    #[schema(max_length = 64)]
    pub serial: Option<String>,
}

/// Why a chip will not be used.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhyChip {
    /// For whoever reads it years later.
    #[schema(min_length = 1, max_length = 500)]
    pub reason: String,
    /// Also ask for the revocation of the certificate, for this reason of RFC 5280 §5.3.1; left out, it is kept.
    #[serde(default)]
    #[schema(max_length = 64)]
    pub revoke: Option<String>,
}

/// Why a unit is scrapped.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhyScrap {
    /// For whoever reads it years later.
    #[schema(min_length = 1, max_length = 500)]
    pub reason: String,
    /// Also where an attempt is open, which then counts as interrupted.
    #[serde(default)]
    pub take_over: bool,
    /// Also ask for the revocation of the certificate, for this reason of RFC 5280 §5.3.1; left out, it is kept.
    #[serde(default)]
    #[schema(max_length = 64)]
    pub revoke: Option<String>,
}

/// Why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Why {
    /// For whoever reads it years later.
    #[schema(min_length = 1, max_length = 500)]
    pub reason: String,
    /// Also where an attempt is open, which then counts as interrupted.
    #[serde(default)]
    pub take_over: bool,
}

/// Why a unit is refurbished.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhyRefurbish {
    /// For whoever reads it years later.
    #[schema(min_length = 1, max_length = 500)]
    pub reason: String,
    /// Taken for all acts of units, and without meaning here.
    #[serde(default)]
    pub take_over: bool,
    /// Who confirms that its firmware has erased what was its owner's, where that is done already.
    #[serde(default)]
    #[schema(max_length = 100)]
    pub erased_by: Option<String>,
}

/// Who confirms an erasure.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Confirm {
    /// Their name.
    #[schema(min_length = 1, max_length = 100)]
    pub confirmed_by: String,
}

/// Why a board is swapped.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhySwap {
    /// For whoever reads it years later.
    #[schema(min_length = 1, max_length = 500)]
    pub reason: String,
    /// Also where an attempt is open, which then counts as interrupted.
    #[serde(default)]
    pub take_over: bool,
    /// Draw a new code with the next board; the label must be replaced then.
    #[serde(default)]
    pub new_code: bool,
}

/// A scan of a label.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Scan {
    /// What the scanner read.
    #[schema(min_length = 1, max_length = 1000)]
    pub scanned: String,
}

/// How a server is that answers.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Wellness {
    /// It serves, and its book answers.
    Well,
}

/// Whether the server answers.
#[derive(Debug, Serialize, ToSchema)]
pub struct Health {
    /// How it is: where it is not well, there is no such answer.
    pub state: Wellness,
    /// Entries in the log.
    pub entries: u64,
}

/// What became of a unit or its label at a station, as the stream of events has it.
#[derive(Debug, Serialize, ToSchema)]
pub struct AtStation {
    /// The station.
    pub station: String,
    /// The unit.
    pub unit: Option<String>,
    /// Its chip.
    pub chip_id: Option<String>,
    /// Where the station stands.
    pub phase: Phase,
    /// Why the unit failed.
    pub cause: Option<String>,
    /// What the operator does next.
    pub next: String,
    /// Where its label stands.
    pub label: LabelPhase,
    /// Milliseconds of the attempt.
    pub milliseconds: Option<u64>,
}
