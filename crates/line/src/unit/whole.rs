//! A unit as it is shown: its chip, reel, delivery, certificates, attempts, proof, labels and entries.

use base::finding_view::Severity;
use book::{
    AttemptFacts, AttemptResult, ChipState, CredentialState, LabelEvent, Next, OnPanel, Purpose, RenewalKind, Role,
    UnitState,
};
use receive::delivery::ReceivedVerdict;
use serde::Serialize;
use standard::certificate::Certificate;
use standard::moment::{Moment, NO_END};
use standard::verdict::Finding;
use utoipa::ToSchema;

use super::met::OfMeeting;
use super::renewed::{CodeKept, Erased};

book::words! {
    /// How a unit left the line.
    Leaving {
        /// The customer returned it.
        Returned = "returned",
        /// It was given up, its chip with it.
        Scrapped = "scrapped",
    }
    /// How a station adopted a unit that the book did not have.
    AdoptedFrom {
        /// Number and code come from the factory record on its chip.
        Record = "record",
        /// It got a new code; its chip has no record.
        NewCode = "new-code",
    }
    /// What the verdict on a proof is: nothing else is one.
    ProofVerdict {
        /// Every rule that refuses holds.
        Accepted = "accepted",
    }
}

/// How a unit left the line, by the entry that says so.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Left {
    /// How.
    pub event: Leaving,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
    /// Why.
    pub reason: String,
}

/// How the book came to know a unit again that its chip knew better, by the entry that says so.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AdoptedHere {
    /// Where its number and code come from; none where an older program did not say.
    pub from: Option<AdoptedFrom>,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
}

/// A request to revoke a unit's certificate that waits for a second person.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RevocationRequested {
    /// Its number.
    pub request: i64,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
}

/// A unit that had passed, and was looked at again at a station.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Recheck {
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
    /// Where.
    pub station: Option<String>,
    /// What came of it.
    pub result: Option<AttemptResult>,
    /// Why it failed.
    pub cause: Option<String>,
}

/// A unit's chip.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfChip {
    /// Its id.
    pub chip_id: String,
    /// Where it stands.
    pub state: ChipState,
    /// Its place on the reel, from 1.
    pub position: i64,
    /// Its public key: a point of P-256 in hex, uncompressed.
    pub public_key: String,
}

/// The reel that a unit's chip came on.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfReel {
    /// Its id.
    pub reel: String,
    /// The manifest's name.
    pub source: String,
    /// When it was received.
    pub received: String,
}

/// The delivery that brought a unit's certificate.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfDelivery {
    /// Its id.
    pub delivery: String,
    /// The file's name.
    pub source: String,
    /// What became of it.
    pub verdict: ReceivedVerdict,
    /// When it was received.
    pub received: String,
}

/// What a certificate says.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CertificateFacts {
    /// Its subject.
    pub subject: String,
    /// Its issuer.
    pub issuer: String,
    /// Serial number in hex.
    pub serial: String,
    /// Subject key identifier in hex.
    pub subject_key_id: Option<String>,
    /// notBefore.
    pub not_before: Option<String>,
    /// notAfter; none without a well-defined end.
    pub not_after: Option<String>,
    /// Why it is not valid now, where it is not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_valid: Option<String>,
}

impl CertificateFacts {
    pub(super) fn of(der: &[u8], now: Moment) -> Option<Self> {
        let c = Certificate::read(der).ok()?;
        Some(Self {
            subject: c.subject.display(c.der()),
            issuer: c.issuer.display(c.der()),
            serial: c.serial_hex(),
            subject_key_id: c.subject_key_id().map(hex::encode),
            not_before: c.not_before.moment.map(|m| m.to_string()),
            not_after: c.not_after.moment.filter(|m| *m != NO_END).map(|m| m.to_string()),
            not_valid: c.not_valid_at(now).map(|not_valid| format!("it {not_valid}")),
        })
    }
}

/// A unit's credential.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfCredential {
    /// Where it stands.
    pub state: CredentialState,
    /// Why it is spent or revoked.
    pub reason: Option<String>,
    /// Serial number in hex.
    pub serial: String,
    /// The PAI that issued it, by its name here.
    pub issuer: String,
    /// What its certificate says; none where that can't be read.
    pub dac: Option<CertificateFacts>,
}

/// An authority above a unit's certificate.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfAuthority {
    /// Its name here.
    pub name: String,
    /// What it is.
    pub role: Role,
    /// What its certificate says; none where that can't be read.
    pub certificate: Option<CertificateFacts>,
}

/// A unit's onboarding data.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfOnboarding {
    /// Its discriminator.
    pub discriminator: u16,
    /// Iterations of its verifier.
    pub iterations: u32,
    /// `hidden`, `erased`, `not-in-book`; eight digits where it was to be revealed.
    pub passcode: String,
    /// Text of the QR code, where it was to be revealed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub qr: Option<String>,
    /// Manual pairing code, where it was to be revealed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub manual: Option<String>,
    /// Whether the passcode stands here.
    pub revealed: bool,
}

/// A step of an attempt.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfStep {
    /// Its name.
    pub step: String,
    /// Microseconds after the attempt began.
    pub started_us: i64,
    /// Microseconds that it took.
    pub microseconds: i64,
    /// `done`, or what became of it.
    pub result: String,
    /// What happened.
    pub detail: Option<String>,
}

/// An attempt to provision a unit.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfAttempt {
    /// Its number, from 1.
    pub attempt: i64,
    /// Where.
    pub station: String,
    /// By whom.
    pub by: String,
    /// When it began.
    pub started: String,
    /// When it ended.
    pub ended: Option<String>,
    /// What came of it.
    pub result: AttemptResult,
    /// Why it failed.
    pub cause: Option<String>,
    /// What happened.
    pub detail: Option<String>,
    /// What follows.
    pub next: Option<Next>,
    /// The declaration that was written.
    pub declaration: Option<String>,
    /// What the station was told of the unit.
    #[serde(flatten)]
    pub facts: AttemptFacts,
    /// Its steps, in order.
    pub steps: Vec<OfStep>,
}

/// An object that was read back from a chip.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfObject {
    /// Its name.
    pub name: String,
    /// SHA-256 of its octets, hex.
    pub sha256: String,
}

/// What was judged at the proof.
#[derive(Debug, Clone, Default, Serialize, serde::Deserialize, ToSchema)]
#[serde(default)]
pub struct ProofReport {
    /// The verdict; none where the book does not say.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<ProofVerdict>,
    /// What was found besides.
    pub findings: Vec<ProofFinding>,
}

impl ProofReport {
    /// Of a proof that no finding refuses.
    pub fn accepted(findings: &[Finding]) -> Self {
        Self { verdict: Some(ProofVerdict::Accepted), findings: findings.iter().map(ProofFinding::of).collect() }
    }
}

/// What was found at the proof, as the book keeps it.
#[derive(Debug, Clone, Serialize, serde::Deserialize, ToSchema)]
pub struct ProofFinding {
    /// Name of the rule.
    pub rule: String,
    /// What it weighs.
    pub severity: Severity,
    /// What was found.
    pub found: String,
}

impl ProofFinding {
    pub(crate) fn of(finding: &Finding) -> Self {
        Self { rule: finding.rule.name.to_owned(), severity: finding.severity.into(), found: finding.found.clone() }
    }
}

/// The proof that a unit's chip has its certificate's key.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfProof {
    /// The attempt.
    pub attempt: i64,
    /// When.
    pub at: String,
    /// The nonce that was asked for, hex.
    pub nonce: String,
    /// The attestation challenge, hex.
    pub challenge: String,
    /// The chip's signature, hex.
    pub signature: String,
    /// The attestation elements that it signed, hex.
    pub elements: String,
    /// What was read back from the chip.
    pub objects: Vec<OfObject>,
    /// The entry of the log.
    pub entry: i64,
    /// What was judged.
    pub report: ProofReport,
}

/// A board that a unit has, or had.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfBoard {
    /// Its chip.
    pub chip_id: String,
    /// Its certificate; none where no delivery brought one.
    pub credential: Option<OfCredential>,
    /// Where the chip stands.
    pub state: ChipState,
    /// When its first attempt began.
    pub from: String,
    /// When it was swapped; none for the board that the unit has.
    pub to: Option<String>,
    /// Why.
    pub reason: Option<String>,
    /// The PAI that issued its certificate, by its name here, and the roots above.
    pub authorities: Vec<String>,
    /// Its last proof; none where it never passed.
    pub proof: Option<OfProof>,
    /// Its proofs before that, in order, where it was proven again.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub earlier_proofs: Vec<OfProof>,
}

/// One time that a unit went back to the line.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfRenewal {
    /// What for.
    pub event: RenewalKind,
    /// The board that it had then.
    pub chip_id: String,
    /// What became of its code.
    pub code: CodeKept,
    /// Where it stood.
    pub was: UnitState,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
    /// Why.
    pub reason: String,
    /// Who confirmed that its firmware had erased what was its owner's; of a refurbishment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub erased: Option<Erased>,
}

/// Onboarding data that a unit had before it got others: labels with these are no longer right.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfEarlierCode {
    /// When the next were drawn.
    pub replaced: String,
    /// The data.
    #[serde(flatten)]
    pub onboarding: OfOnboarding,
}

/// What happened to a unit's label.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfLabel {
    /// What.
    pub event: LabelEvent,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
}

/// An entry of the log about a unit.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfEntry {
    /// Its number.
    pub sequence: i64,
    /// What was done.
    pub act: String,
    /// When.
    pub at: String,
}

/// The carton that a unit is in.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OfCarton {
    /// The carton.
    pub carton: String,
    /// The pallet that it is on.
    pub pallet: Option<String>,
    /// The shipment that it is in.
    pub shipment: Option<String>,
    /// When the unit was packed.
    pub at: String,
    /// By whom.
    pub by: String,
}

/// A unit's whole story.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WholeUnit {
    /// Serial number.
    pub unit: String,
    /// Where it stands.
    pub state: UnitState,
    /// Why.
    pub reason: Option<String>,
    /// Each time that it was returned or scrapped, in order.
    pub left: Vec<Left>,
    /// How a station adopted it, where the book did not have it.
    pub adopted: Option<AdoptedHere>,
    /// Why its certificate counts no more, where it is revoked.
    pub revoked: Option<String>,
    /// The request to revoke its certificate that waits for a second person.
    pub revocation_requested: Option<RevocationRequested>,
    /// Each time that it was looked at again after it had passed, in order.
    pub checks: Vec<Recheck>,
    /// Product.
    pub product: String,
    /// What the product is for.
    pub purpose: Purpose,
    /// Vendor ID, four hex digits.
    pub vendor_id: String,
    /// Product ID, four hex digits.
    pub product_id: String,
    /// When it was begun.
    pub began: String,
    /// When it last changed.
    pub changed: String,
    /// Its chip.
    pub chip: OfChip,
    /// The chip's reel.
    pub reel: OfReel,
    /// The delivery that brought its certificate.
    pub delivery: Option<OfDelivery>,
    /// Its credential.
    pub credential: Option<OfCredential>,
    /// Authorities above that, nearest first.
    pub authorities: Vec<OfAuthority>,
    /// Its boards, oldest first; the one that it has stands last, unless it waits for another.
    pub boards: Vec<OfBoard>,
    /// Each time that it went back to the line, in order.
    pub renewals: Vec<OfRenewal>,
    /// What it waits for: its next `board`, a new `code`.
    pub waits_for: Vec<&'static str>,
    /// Its onboarding data.
    pub onboarding: Option<OfOnboarding>,
    /// Onboarding data that it had before, oldest first.
    pub earlier_codes: Vec<OfEarlierCode>,
    /// Attempts, in order.
    pub attempts: Vec<OfAttempt>,
    /// The last proof of its chip; none where that never passed.
    pub proof: Option<OfProof>,
    /// Each time that it was met as a finished unit, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub meetings: Vec<OfMeeting>,
    /// What happened to its label, in order.
    pub labels: Vec<OfLabel>,
    /// The panel that its board was on, as a station was told last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub panel: Option<OnPanel>,
    /// The carton that it is in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub packed: Option<OfCarton>,
    /// Entries of the log about it, in order.
    pub entries: Vec<OfEntry>,
}

impl WholeUnit {
    /// Whether it passed, and its last check at a station failed.
    pub fn is_check_failed(&self) -> bool {
        self.state == UnitState::Passed
            && self.checks.last().is_some_and(|check| check.result != Some(AttemptResult::Passed))
    }
}
