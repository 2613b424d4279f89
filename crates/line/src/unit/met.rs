//! A meeting of a finished unit, as the book keeps it and every front shows it.

use base::times::time_text;
use base::trouble::Trouble;
use book::{MeetingVerdict, SignedExchange};
use meet::home::{Device, Left, Session};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::whole::ProofFinding;

book::words! {
    /// How a unit was left.
    LeftAs {
        /// As it was found.
        AsFound = "as-found",
        /// Perhaps still armed, for a minute at the longest.
        Uncertain = "uncertain",
    }
    /// Whose certificate a unit showed.
    ShownCertificate {
        /// That of the board that it has now.
        Own = "own",
        /// That of a board that it had.
        EarlierBoard = "earlier-board",
        /// Another one.
        Other = "other",
    }
}

impl From<Left> for LeftAs {
    fn from(left: Left) -> Self {
        match left {
            Left::AsFound => Self::AsFound,
            Left::Uncertain => Self::Uncertain,
        }
    }
}

/// Basic information.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct DeviceView {
    pub vendor_id: Option<String>,
    pub product_id: Option<String>,
    pub vendor_name: Option<String>,
    pub product_name: Option<String>,
    pub serial_number: Option<String>,
    pub hardware_version: Option<u16>,
    pub software_version: Option<u32>,
    pub software_version_string: Option<String>,
}

impl From<&Device> for DeviceView {
    fn from(device: &Device) -> Self {
        let device = device.clone();
        Self {
            vendor_id: device.vendor_id.map(id),
            product_id: device.product_id.map(id),
            vendor_name: device.vendor_name,
            product_name: device.product_name,
            serial_number: device.serial_number,
            hardware_version: device.hardware_version,
            software_version: device.software_version,
            software_version_string: device.software_version_string,
        }
    }
}

/// What opening the session showed.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
pub struct SessionView {
    pub iterations: u32,
    pub salt_bytes: usize,
    /// How often a message was sent again.
    pub retransmissions: u32,
}

impl From<Session> for SessionView {
    fn from(session: Session) -> Self {
        let Session { iterations, salt_bytes, retransmissions } = session;
        Self { iterations, salt_bytes, retransmissions }
    }
}

/// One step, and how long it took.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct StepView {
    pub name: String,
    pub milliseconds: u64,
}

/// An exchange in hex.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct ExchangeView {
    pub nonce: String,
    /// The session's: no station chose it.
    pub challenge: String,
    pub elements: String,
    pub signature: String,
}

impl From<&SignedExchange> for ExchangeView {
    fn from(signed: &SignedExchange) -> Self {
        Self {
            nonce: hex::encode(signed.nonce),
            challenge: hex::encode(&signed.challenge),
            elements: hex::encode(&signed.elements),
            signature: hex::encode(&signed.signature),
        }
    }
}

/// What a unit reported in a meeting, and what was found.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(default)]
pub struct MeetingReport {
    /// What its firmware reports.
    pub device: Option<DeviceView>,
    pub session: Option<SessionView>,
    /// Trust sets that refuse it, of those that must take it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub refused_by: Vec<String>,
    pub findings: Vec<ProofFinding>,
    pub steps: Vec<StepView>,
    /// How it was left; none where nothing was opened.
    pub left: Option<LeftAs>,
}

/// A meeting of a finished unit.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfMeeting {
    /// Its number among the unit's meetings, from 1.
    pub meeting: i64,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
    pub verdict: MeetingVerdict,
    /// The rule that was broken first.
    pub cause: Option<String>,
    /// Where it was met.
    pub place: Option<String>,
    /// How long it took.
    pub milliseconds: i64,
    /// Whose certificate it showed; none where it showed none.
    pub certificate: Option<ShownCertificate>,
    /// What its key signed: the meeting's proof.
    pub proof: Option<ExchangeView>,
    /// What it reported, and what was found.
    pub report: MeetingReport,
    /// The entry of the log.
    pub entry: i64,
}

impl OfMeeting {
    pub(super) fn of(story: &book::UnitStory, met: &book::Meeting) -> Result<Self, Trouble> {
        let report = serde_json::from_value(met.report.clone()).map_err(|e| {
            Trouble::surroundings(
                format!("the report of meeting {} of unit {} can't be read: {e}", met.number, story.unit.serial),
                "Use the program version that made it, or a later one. If it is this one, run `touchmark book verify`.",
            )
        })?;
        let of = |board: &book::BoardStory| met.credential.as_ref() == Some(&board.origin.chip.public_key);
        let certificate = met.dac.as_ref().map(|_| match story.boards.iter().find(|board| of(board)) {
            Some(board) if board.origin.chip.chip_id == story.unit.chip_id => ShownCertificate::Own,
            Some(_) => ShownCertificate::EarlierBoard,
            None => ShownCertificate::Other,
        });
        Ok(Self {
            meeting: met.number,
            at: time_text(met.met),
            by: met.actor.to_string(),
            verdict: met.verdict,
            cause: met.cause.clone(),
            place: met.place.clone(),
            milliseconds: met.took_ms,
            certificate,
            proof: met.exchange.as_ref().map(ExchangeView::from),
            report,
            entry: met.entry.0,
        })
    }
}

/// A vendor or product ID as it is written.
pub(crate) fn id(id: u16) -> String {
    format!("{id:04X}")
}
