//! What the API's answers look like. The works' own answers are read into these,
//! so that what goes out is what the document says.

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use works::Trouble;

use crate::answer::Oops;

/// Reads an answer of the works into its shape.
pub fn shaped<T: DeserializeOwned>(answer: impl Serialize) -> Result<T, Oops> {
    serde_json::to_value(answer)
        .and_then(serde_json::from_value)
        .map_err(|e| Trouble::surroundings(format!("the answer does not have its shape: {e}"), "Report this.").into())
}

/// A failure: what is so, and what to do next.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Problem {
    /// What happened.
    pub error: ProblemBody,
}

/// What happened.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct ProblemBody {
    /// `refused`, `usage`, `surroundings`, `unauthorized`, `forbidden`, `missing`.
    pub kind: String,
    /// What is so.
    pub message: String,
    /// What to do next.
    pub advice: String,
}

/// The site.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Site {
    /// Its id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// The program's version.
    pub version: String,
}

/// A product.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Product {
    /// Its name.
    pub name: String,
    /// `test` or `production`.
    pub purpose: String,
    /// Four hex digits.
    pub vendor_id: String,
    /// Four hex digits.
    pub product_id: String,
    /// Device type.
    pub device_type: u32,
    /// Ways of being found.
    pub reach: Vec<String>,
    /// Commissioning flow.
    pub flow: String,
    /// The declaration that names it.
    pub declaration: Option<String>,
    /// Whether the QR code carries the unit's serial number.
    pub serial_in_qr: bool,
    /// What is likely to go wrong with its units.
    pub warnings: Vec<String>,
}

/// A reel.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Reel {
    /// Its id.
    pub reel: String,
    /// The product.
    pub product: String,
    /// `test` or `production`.
    pub purpose: String,
    /// Chips on it.
    pub chips: i64,
    /// Chips untouched.
    pub blank: i64,
    /// Chips held by a unit.
    pub held: i64,
    /// Chips provisioned.
    pub provisioned: i64,
    /// Chips scrapped.
    pub scrapped: i64,
    /// Chips without a credential.
    pub without_credential: i64,
    /// The manifest's name.
    pub source: String,
    /// When it was received.
    pub received: String,
}

/// A delivery.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Delivery {
    /// Its id.
    pub delivery: String,
    /// The reel.
    pub reel: String,
    /// `received` or `issued`.
    pub origin: String,
    /// `accepted` or `accepted-in-part`.
    pub verdict: String,
    /// DACs read.
    pub read: i64,
    /// DACs kept.
    pub accepted: i64,
    /// DACs read, accepted, refused, good, faulty; chips that none came for as missing.
    #[schema(value_type = Object)]
    pub certificates: serde_json::Value,
    /// The file's name.
    pub source: String,
    /// When.
    pub received: String,
}

/// A unit in a list.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Unit {
    /// Serial number.
    pub unit: String,
    /// `open`, `passed`, `failed`, `scrapped`, `returned`.
    pub state: String,
    /// Product.
    pub product: String,
    /// Reel.
    pub reel: String,
    /// Chip.
    pub chip_id: String,
    /// Attempts so far.
    pub attempts: i64,
    /// When it last changed.
    pub changed: String,
}

/// What a search found.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Found {
    /// The chip.
    pub chip_id: String,
    /// Its reel.
    pub reel: String,
    /// The chip's state.
    pub chip: String,
    /// Its unit.
    pub unit: Option<String>,
    /// The unit's state.
    pub state: Option<String>,
    /// Serial number of its credential.
    pub credential: Option<String>,
    /// Why the certificate counts no more, where it is revoked.
    pub revoked: Option<String>,
}

/// How a station is set up.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Station {
    /// Its name.
    pub station: String,
    /// The reel in its feeder.
    pub reel: String,
    /// Where its chips are.
    pub source: String,
    /// The first of a series of serial numbers of its own; none where its product's series counts, or each number is
    /// given.
    pub serial_start: Option<String>,
    /// The first of its product's series, which counts where it has none of its own.
    pub product_series: Option<String>,
    /// Seconds that the line leaves for a unit.
    pub takt_seconds: Option<f64>,
    /// Units wanted in an hour.
    pub per_hour: i64,
    /// Whether the next unit waits until this one's label was scanned.
    pub check_label: bool,
    /// The version of the firmware that its units carry; none where nobody said it.
    pub firmware: Option<String>,
}

/// How a station is to work.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StationSetup {
    /// The reel in its feeder.
    #[schema(min_length = 1, max_length = 100)]
    pub reel: String,
    /// Where its chips are: a source of the site's settings, or a folder of simulated chips in the site.
    pub source: String,
    /// The first of a series of serial numbers of its own; left out, the product's series counts, and where it has
    /// none, each number is given.
    #[serde(default)]
    #[schema(max_length = 64)]
    pub serial_start: Option<String>,
    /// Seconds that the line leaves for a unit.
    #[serde(default)]
    pub takt_seconds: Option<f64>,
    /// Units wanted per hour.
    #[serde(default)]
    pub per_hour: i64,
    /// Whether the next unit waits until this one's label was scanned.
    #[serde(default)]
    pub check_label: bool,
    /// The version of the firmware that its units carry.
    #[serde(default)]
    #[schema(max_length = 100)]
    pub firmware: Option<String>,
}

/// A chip that was scrapped.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct ScrappedChip {
    /// The chip.
    pub chip_id: String,
    /// Its reel.
    pub reel: String,
    /// `scrapped`.
    pub state: String,
    /// Why, as it was first said.
    pub reason: Option<String>,
    /// Its credential, which no unit gets now; none where no delivery brought one.
    pub credential: Option<SpentCredential>,
    /// Whether it was scrapped before, so that nothing was changed.
    pub already: bool,
}

/// What became of a chip's credential.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct SpentCredential {
    /// Its serial number, hex.
    pub serial: String,
    /// `spent`, or `revoked` where it was revoked before.
    pub state: String,
}

/// What became of one chip at a station.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct UnitResult {
    /// Its serial number; none where the chip was not touched.
    pub unit: Option<String>,
    /// The chip.
    pub chip_id: String,
    /// `passed` or `failed`.
    pub result: String,
    /// Why it failed.
    pub cause: Option<String>,
    /// What happened.
    pub detail: Option<String>,
    /// What the operator does next.
    pub advice: Option<String>,
    /// `retry`, `rework` or `scrap`.
    pub next: Option<String>,
    /// Attempts made now.
    pub attempts: u32,
    /// Whether it was provisioned before, and only verified now.
    pub already: bool,
    /// `record` or `new-code` where the identity on its chip was adopted into the book.
    pub adopted: Option<String>,
    /// What the operator has to know of a unit that passed.
    pub notice: Option<String>,
    /// Milliseconds of the last attempt.
    pub milliseconds: u64,
}

/// A unit to be worked.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WorkUnit {
    /// The serial number on the housing; left out where the station counts.
    #[serde(default)]
    #[schema(max_length = 64)]
    pub serial: Option<String>,
}

/// Why a chip will not be used.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WhyChip {
    /// For whoever reads it years later.
    #[schema(min_length = 1, max_length = 500)]
    pub reason: String,
}

/// Why.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Why {
    /// For whoever reads it years later.
    #[schema(min_length = 1, max_length = 500)]
    pub reason: String,
    /// Also where an attempt is open, which then counts as interrupted.
    #[serde(default)]
    pub take_over: bool,
}

/// A scan of a label.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Scan {
    /// What the scanner read.
    #[schema(min_length = 1, max_length = 1000)]
    pub scanned: String,
}

/// What a scan of a label says.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Checked {
    /// The unit.
    pub unit: String,
    /// `match` or `mismatch`.
    pub verdict: String,
    /// What was scanned: `qr` or `manual`; none where it is neither.
    pub read_as: Option<String>,
    /// Why it is no match; `other-unit` where it is the label of another unit of this site.
    pub cause: Option<String>,
    /// What differs.
    #[serde(default)]
    pub differs: Vec<String>,
    /// The unit whose label was scanned, where it is of this site.
    pub belongs_to: Option<String>,
    /// Why the unit must not be shipped although the label is its own: its certificate is revoked.
    pub revoked: Option<String>,
    /// What to do.
    pub advice: Option<String>,
}

/// Something that was taken back.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Withdrawn {
    /// Its name, free again.
    pub withdrawn: String,
    /// The entry of the log that holds what it was.
    pub entry: i64,
}

/// What came of a manifest or a delivery.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Received {
    /// `accepted`, `accepted-in-part`, `refused`, `already-received`.
    pub verdict: String,
    /// The reel.
    pub reel: String,
    /// The delivery's id, in the book or among those that were refused.
    #[serde(default)]
    pub delivery: Option<String>,
    /// Certificates read, accepted, refused, good, faulty, missing; none for a manifest.
    #[serde(default)]
    #[schema(value_type = Option<Object>)]
    pub certificates: Option<serde_json::Value>,
    /// Chips: as the command tells them.
    #[schema(value_type = Object)]
    pub chips: serde_json::Value,
    /// Lists of checksums that came along, files that they name, that match and that they do not name.
    #[serde(default)]
    #[schema(value_type = Option<Object>)]
    pub checksums: Option<serde_json::Value>,
    /// What is wrong or worth knowing.
    pub findings: Vec<Finding>,
}

/// A finding.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Finding {
    /// Name of the rule.
    pub rule: String,
    /// `error`, `warning` or `note`.
    pub severity: String,
    /// What it is about.
    pub subject: String,
    /// The chip, where one is meant.
    pub chip_id: Option<String>,
    /// How many share it.
    pub count: u64,
    /// The clause.
    pub clause: String,
    /// What is required.
    pub required: String,
    /// What was found.
    pub found: String,
    /// What to do.
    pub advice: String,
}

/// Whether the server answers.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct Health {
    /// `well`, or what is wrong.
    pub state: String,
    /// Entries in the log.
    pub entries: u64,
}
