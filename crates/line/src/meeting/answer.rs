//! What a meeting answers: one type, which makes its JSON and its schema.

use base::finding_view::FindingView;
use book::UnitState;
use meet::discovery::Announced;
use meet::home::{Device, Left, Met, Session};
use meet::judge::Outcome;
use serde::Serialize;
use site::trust::SetVerdict;
use utoipa::ToSchema;

use crate::scrapped::ScrappedHere;

book::words! {
    /// The word on a unit that was met.
    MeetingVerdict {
        /// A home would take it.
        Accepted = "accepted",
        /// A home would refuse it.
        Rejected = "rejected",
        /// It was not met, or not to the end.
        Unreachable = "unreachable",
    }
    /// How a unit was left.
    LeftAs {
        /// As it was found.
        AsFound = "as-found",
        /// Perhaps still armed, for a minute at the longest.
        Uncertain = "uncertain",
    }
}

impl From<Outcome> for MeetingVerdict {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Accepted => Self::Accepted,
            Outcome::Rejected => Self::Rejected,
            Outcome::Unreachable => Self::Unreachable,
        }
    }
}

/// What came of a meeting.
#[derive(Debug, Serialize, ToSchema)]
pub struct Meeting {
    pub verdict: MeetingVerdict,
    /// The unit whose code it was, where the book knows it.
    pub unit: Option<MetUnit>,
    /// Where it was met.
    pub at: Option<String>,
    /// How it announced itself, where it was looked for.
    pub announced: Option<AnnouncedUnit>,
    /// What its firmware reports.
    pub device: Option<DeviceView>,
    pub session: Option<SessionView>,
    pub certificates: CertificatesView,
    /// What each trust set says.
    pub trust_sets: Vec<SetVerdict>,
    pub findings: Vec<FindingView>,
    pub steps: Vec<StepView>,
    pub left: LeftAs,
    /// What the DAC's key signed, in hex: checked with docs/proof.md.
    pub exchange: Option<ExchangeView>,
    /// How its chip was scrapped, where it was: a home may still accept it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scrapped: Option<ScrappedHere>,
}

/// A unit of the book.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct MetUnit {
    pub serial: String,
    pub state: UnitState,
}

/// A unit as it announces itself.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AnnouncedUnit {
    pub instance: String,
    pub at: String,
    pub discriminator: u16,
    /// 0 closed, 1 open with the printed passcode, 2 open with another.
    pub commissioning_mode: u8,
    pub vendor_id: Option<String>,
    pub product_id: Option<String>,
    pub device_type: Option<u32>,
    pub device_name: Option<String>,
}

impl From<&Announced> for AnnouncedUnit {
    fn from(unit: &Announced) -> Self {
        Self {
            instance: unit.instance.clone(),
            at: unit.at.clone(),
            discriminator: unit.discriminator,
            commissioning_mode: unit.commissioning_mode,
            vendor_id: unit.vendor_id.map(id),
            product_id: unit.product_id.map(id),
            device_type: unit.device_type,
            device_name: unit.device_name.clone(),
        }
    }
}

fn id(id: u16) -> String {
    format!("{id:04X}")
}

/// Basic information.
#[derive(Debug, Clone, Serialize, ToSchema)]
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
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
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

/// SHA-256 of the certificates, in hex.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub struct CertificatesView {
    pub dac: Option<String>,
    pub pai: Option<String>,
}

/// One step, and how long it took.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct StepView {
    pub name: String,
    pub milliseconds: u64,
}

/// An exchange in hex.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ExchangeView {
    pub nonce: String,
    /// The session's: no station chose it.
    pub challenge: String,
    pub elements: String,
    pub signature: String,
}

impl ExchangeView {
    pub(super) fn of(met: &Met) -> Option<Self> {
        let signed = met.attestation.as_ref()?;
        Some(Self {
            nonce: hex::encode(signed.nonce),
            challenge: hex::encode(signed.challenge),
            elements: hex::encode(&signed.elements),
            signature: hex::encode(&signed.signature),
        })
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

/// What came of a rack of units.
#[derive(Debug, Serialize, ToSchema)]
pub struct Rack {
    /// Units that were to be met.
    pub met: usize,
    pub accepted: usize,
    pub rejected: usize,
    pub unreachable: usize,
    /// In the order of the list.
    pub units: Vec<RackUnit>,
}

/// One line of a rack.
#[derive(Debug, Serialize, ToSchema)]
pub struct RackUnit {
    /// Its line in the list, from 1.
    pub line: usize,
    #[serde(flatten)]
    pub meeting: Meeting,
}

impl Rack {
    pub(super) fn of(units: Vec<RackUnit>) -> Self {
        let count = |verdict| units.iter().filter(|unit| unit.meeting.verdict == verdict).count();
        Self {
            met: units.len(),
            accepted: count(MeetingVerdict::Accepted),
            rejected: count(MeetingVerdict::Rejected),
            unreachable: count(MeetingVerdict::Unreachable),
            units,
        }
    }
}

/// Who announces itself.
#[derive(Debug, Serialize, ToSchema)]
pub struct Announcements {
    pub units: Vec<AnnouncedUnit>,
}
