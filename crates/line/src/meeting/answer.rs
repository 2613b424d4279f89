//! What a meeting answers: one type, which makes its JSON and its schema.

use base::finding_view::{FindingView, Severity};
use book::{MeetingVerdict, UnitState};
use meet::discovery::Announced;
use meet::judge::Outcome;
use serde::Serialize;
use site::trust::SetVerdict;
use utoipa::ToSchema;

use crate::scrapped::ScrappedHere;
use crate::unit::id;
pub use crate::unit::{DeviceView, ExchangeView, LeftAs, SessionView, StepView};

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
    /// Where the book has it, for a unit of the book.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded: Option<Recorded>,
    /// Why it is not in the book, for a unit of the book.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_recorded: Option<String>,
    /// How its chip was scrapped, where it was: a home may still accept it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scrapped: Option<ScrappedHere>,
}

impl Meeting {
    /// What broke first.
    pub fn first_error(&self) -> Option<&FindingView> {
        self.findings.iter().find(|f| f.severity == Severity::Error)
    }
}

/// A meeting in the book.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct Recorded {
    /// Its number among the unit's meetings.
    pub meeting: i64,
    /// The entry of the log.
    pub entry: i64,
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

/// SHA-256 of the certificates, in hex.
#[derive(Debug, Clone, Default, Serialize, ToSchema)]
pub struct CertificatesView {
    pub dac: Option<String>,
    pub pai: Option<String>,
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

/// The word for what was found.
pub(super) fn verdict(outcome: Outcome) -> MeetingVerdict {
    match outcome {
        Outcome::Accepted => MeetingVerdict::Accepted,
        Outcome::Rejected => MeetingVerdict::Rejected,
        Outcome::Unreachable => MeetingVerdict::Unreachable,
    }
}
