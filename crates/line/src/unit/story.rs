//! A unit's whole story, as every front shows it.

use base::finding_view::Severity;
use base::times::time_text;
use base::trouble::Trouble;
use book::{AttemptResult, ChipState, CredentialState, LabelEvent, Next, Purpose, Role, Subject, UnitState, UnitStory};
use custody::Passphrase;
use serde::Serialize;
use serde_json::json;
use standard::certificate::Certificate;
use standard::moment::{Moment, NO_END};
use standard::verdict::Finding;
use utoipa::ToSchema;

use super::{missing, payload, typed};
use receive::delivery::ReceivedVerdict;
use site::revoked::RevokedHere;
use site::{Site, Who};

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
    fn of(der: &[u8], now: Moment) -> Option<Self> {
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
    /// The firmware that the unit carried.
    pub firmware: Option<String>,
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
        let one = |f: &Finding| ProofFinding {
            rule: f.rule.name.to_owned(),
            severity: f.severity.into(),
            found: f.found.clone(),
        };
        Self { verdict: Some(ProofVerdict::Accepted), findings: findings.iter().map(one).collect() }
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
    /// Its onboarding data.
    pub onboarding: Option<OfOnboarding>,
    /// Attempts, in order.
    pub attempts: Vec<OfAttempt>,
    /// Its proof; none where it never passed.
    pub proof: Option<OfProof>,
    /// What happened to its label, in order.
    pub labels: Vec<OfLabel>,
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

/// The whole story of a unit from the book; its serial number in any letter case.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit.
pub fn story(site: &Site, unit: &str) -> Result<UnitStory, Trouble> {
    site.book.story(&typed(site, unit)?)?.ok_or_else(|| missing(unit))
}

/// A unit's story as it is shown. The passcode and what gives it away are hidden unless `reveal`, which is recorded.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit, or the site key does not open the passcode.
pub fn show(site: &Site, unit: &str, reveal: Option<Option<&Passphrase>>, who: &Who) -> Result<WholeUnit, Trouble> {
    if reveal.is_some() {
        // Recorded before it is shown: a showing without its entry must not be.
        site.book.note("passcode.reveal", &Subject::Unit(typed(site, unit)?), &json!({}), &who.by())?;
    }
    shown(site, &story(site, unit)?, reveal, who)
}

/// The same of a story that was read already.
///
/// # Errors
///
/// As [`show`].
pub fn shown(
    site: &Site,
    story: &UnitStory,
    reveal: Option<Option<&Passphrase>>,
    who: &Who,
) -> Result<WholeUnit, Trouble> {
    let (unit, origin, now) = (&story.unit, &story.origin, who.now());
    let product = &origin.product.facts;
    let adopted = adopted(story)?;
    let revoked = RevokedHere::of(site)?.of_chip(site, &unit.chip_id)?;
    let requested = origin.credential.as_ref().map(|c| requested(site, &c.serial)).transpose()?.flatten();
    let certificate = |der: &[u8]| CertificateFacts::of(der, now);
    Ok(WholeUnit {
        unit: unit.serial.to_string(),
        state: unit.state,
        reason: unit.reason.clone(),
        left: left(story)?,
        revoked,
        revocation_requested: requested,
        checks: checks(story)?,
        product: product.name.to_string(),
        purpose: product.purpose,
        vendor_id: format!("{:04X}", product.vendor_id),
        product_id: format!("{:04X}", product.product_id),
        began: time_text(unit.began),
        changed: time_text(unit.changed),
        chip: OfChip {
            chip_id: origin.chip.chip_id.to_string(),
            state: origin.chip.state,
            position: origin.chip.position,
            public_key: hex::encode(&origin.chip.public_key),
        },
        reel: OfReel {
            reel: origin.reel.facts.reel.to_string(),
            source: origin.reel.facts.source_name.clone(),
            received: time_text(origin.reel.received),
        },
        delivery: origin.delivery.as_ref().map(|d| OfDelivery {
            delivery: d.delivery.to_string(),
            source: d.source_name.clone(),
            verdict: d.verdict.into(),
            received: time_text(d.received),
        }),
        credential: origin.credential.as_ref().map(|c| OfCredential {
            state: c.state,
            reason: c.reason.clone(),
            serial: hex::encode(&c.serial),
            issuer: c.authority.to_string(),
            dac: certificate(&c.certificate),
        }),
        authorities: origin
            .authorities
            .iter()
            .map(|a| OfAuthority {
                name: a.facts.name.to_string(),
                role: a.facts.role,
                certificate: certificate(&a.facts.certificate),
            })
            .collect(),
        onboarding: onboarding(site, story, adopted.is_some(), reveal)?,
        adopted,
        attempts: attempts(story),
        proof: proof(story)?,
        labels: story
            .labels
            .iter()
            .map(|l| OfLabel { event: l.event, at: time_text(l.at), by: l.actor.to_string() })
            .collect(),
        entries: story
            .entries
            .iter()
            .map(|e| OfEntry { sequence: e.sequence.0, act: e.act.clone(), at: time_text(e.at) })
            .collect(),
    })
}

fn attempts(story: &UnitStory) -> Vec<OfAttempt> {
    let step = |s: &book::Step| OfStep {
        step: s.name.clone(),
        started_us: s.started_us,
        microseconds: s.duration_us,
        result: s.result.clone(),
        detail: s.detail.clone(),
    };
    let attempt = |a: &book::AttemptStory| OfAttempt {
        attempt: a.attempt.number.0,
        station: a.attempt.station.to_string(),
        by: a.attempt.actor.to_string(),
        started: time_text(a.attempt.started),
        ended: a.attempt.ended.map(time_text),
        result: a.attempt.result,
        cause: a.attempt.cause.clone(),
        detail: a.attempt.detail.clone(),
        next: a.attempt.next,
        declaration: a.attempt.declaration.as_ref().map(ToString::to_string),
        firmware: a.firmware.as_ref().map(ToString::to_string),
        steps: a.steps.iter().map(step).collect(),
    };
    story.attempts.iter().map(attempt).collect()
}

fn proof(story: &UnitStory) -> Result<Option<OfProof>, Trouble> {
    let Some(proof) = &story.proof else { return Ok(None) };
    let facts = &proof.facts;
    let report = serde_json::from_value(facts.report.clone()).map_err(|e| {
        Trouble::surroundings(
            format!("the report of the proof of unit {} can't be read: {e}", story.unit.serial),
            "Use the program version that made it, or a later one. If it is this one, run `touchmark book verify`.",
        )
    })?;
    Ok(Some(OfProof {
        attempt: proof.attempt.0,
        at: time_text(facts.at),
        nonce: hex::encode(facts.nonce),
        challenge: hex::encode(&facts.challenge),
        signature: hex::encode(&facts.signature),
        elements: hex::encode(&facts.elements),
        objects: facts
            .objects
            .iter()
            .map(|o| OfObject { name: o.name.clone(), sha256: hex::encode(o.sha256) })
            .collect(),
        entry: proof.entry.0,
        report,
    }))
}

fn onboarding(
    site: &Site,
    story: &UnitStory,
    is_adopted: bool,
    reveal: Option<Option<&Passphrase>>,
) -> Result<Option<OfOnboarding>, Trouble> {
    let Some(data) = &story.unit.onboarding else { return Ok(None) };
    let hidden = |passcode: &str| OfOnboarding {
        discriminator: data.discriminator,
        iterations: data.iterations,
        passcode: passcode.to_owned(),
        qr: None,
        manual: None,
        revealed: false,
    };
    Ok(Some(match reveal {
        _ if data.passcode.is_none() => hidden(if is_adopted { "not-in-book" } else { "erased" }),
        None => hidden("hidden"),
        Some(passphrase) => {
            let payload = payload(site, &story.unit, passphrase)?;
            let manual = payload
                .manual_code(payload.needs_long())
                .map_err(|e| Trouble::surroundings(e.to_string(), "Check the product's identifiers."))?;
            OfOnboarding {
                qr: Some(payload.qr_text()),
                manual: Some(manual.digits().to_owned()),
                revealed: true,
                ..hidden(&format!("{:08}", payload.passcode.get()))
            }
        }
    }))
}

/// Each time that the unit was returned or scrapped, in order.
pub(super) fn left(story: &UnitStory) -> Result<Vec<Left>, Trouble> {
    let mut all = Vec::new();
    for entry in &story.entries {
        let body = entry.body()?;
        let (event, reason) = match entry.act.as_str() {
            "unit.return" => (Leaving::Returned, &body["reason"]),
            "unit.scrap" => (Leaving::Scrapped, &body["reason"]),
            "attempt.fail" if body["next"] == Next::Scrap.word() => (Leaving::Scrapped, &body["cause"]),
            _ => continue,
        };
        all.push(Left {
            event,
            at: time_text(entry.at),
            by: entry.actor.to_string(),
            reason: reason.as_str().unwrap_or_default().to_owned(),
        });
    }
    Ok(all)
}

fn checks(story: &UnitStory) -> Result<Vec<Recheck>, Trouble> {
    let mut checks = Vec::new();
    for entry in story.entries.iter().filter(|entry| entry.act == "unit.verify") {
        let said = entry.body()?;
        checks.push(Recheck {
            at: time_text(entry.at),
            by: entry.actor.to_string(),
            station: entry.station.as_ref().map(ToString::to_string),
            result: said["result"].as_str().and_then(AttemptResult::from_word),
            cause: said["cause"].as_str().map(str::to_owned),
        });
    }
    Ok(checks)
}

fn adopted(story: &UnitStory) -> Result<Option<AdoptedHere>, Trouble> {
    let Some(entry) = story.entries.iter().rfind(|entry| entry.act == "unit.adopt") else { return Ok(None) };
    let from = entry.body()?["from"].as_str().and_then(AdoptedFrom::from_word);
    Ok(Some(AdoptedHere { from, at: time_text(entry.at), by: entry.actor.to_string() }))
}

/// The request to revoke a certificate that waits for a second person.
fn requested(site: &Site, serial: &[u8]) -> Result<Option<RevocationRequested>, Trouble> {
    for request in site.book.revocation_requests(true, u32::MAX)? {
        if site.book.revocation_wanted(request.number)?.iter().any(|wanted| wanted.serial == serial) {
            let (at, by) = (time_text(request.requested), request.requested_by.to_string());
            return Ok(Some(RevocationRequested { request: request.number, at, by }));
        }
    }
    Ok(None)
}
