//! A meeting goes into the book.

use base::trouble::Trouble;
use book::ids::UnitSerial;
use book::{MeetingVerdict, NewMeeting, SignedExchange};
use meet::home::Met;
use meet::judge::Judged;
use site::trust::SetVerdict;
use site::{Site, Who};
use standard::certificate::Certificate;
use standard::verdict::Severity;

use super::answer::{Recorded, StepView};
use crate::unit::{DeviceView, MeetingReport, ProofFinding, SessionView};

/// What is to be kept.
pub(super) struct Kept<'a> {
    pub met: &'a Met,
    pub judged: &'a Judged,
    pub trust_sets: &'a [SetVerdict],
    pub steps: &'a [StepView],
    pub verdict: MeetingVerdict,
    pub at: Option<&'a str>,
}

/// What the unit signed.
pub(super) fn exchange(met: &Met) -> Option<SignedExchange> {
    let signed = met.attestation.as_ref()?;
    Some(SignedExchange {
        nonce: signed.nonce,
        challenge: signed.challenge.to_vec(),
        elements: signed.elements.clone(),
        signature: signed.signature.to_vec(),
    })
}

impl Kept<'_> {
    /// Keeps it, whatever came of it.
    pub fn keep(&self, site: &Site, unit: &UnitSerial, who: &Who) -> Result<Recorded, Trouble> {
        let (met, judged) = (self.met, self.judged);
        let refusing = || self.trust_sets.iter().filter(|set| set.must_please && !set.accepts());
        let report = MeetingReport {
            device: met.device.as_ref().map(DeviceView::from),
            session: met.session.map(SessionView::from),
            refused_by: refusing().map(|set| set.trust_set.clone()).collect(),
            findings: judged.findings.iter().map(ProofFinding::of).collect(),
            steps: self.steps.to_vec(),
            left: met.session.map(|_| met.left.into()),
        };
        let report = serde_json::to_value(&report).map_err(|e| {
            Trouble::surroundings(format!("the report of a meeting can't be written: {e}"), "Report this.")
        })?;
        let broken = judged.findings.iter().find(|f| f.severity == Severity::Error).map(|f| f.rule.name);
        let refused = refusing().find_map(|set| Some(set.because.first()?.rule.as_ref()));
        let (exchange, dac) = (exchange(met), met.dac.as_deref());
        let key = dac.and_then(|der| Certificate::read(der).ok()?.public_key().copied());
        let by = who.by();
        let new = NewMeeting {
            verdict: self.verdict,
            cause: broken.or(refused).filter(|_| self.verdict != MeetingVerdict::Accepted),
            place: self.at,
            dac: dac.map(|der| (der, key.as_ref().map(|key| key.point().as_slice()))),
            pai: met.pai.as_deref(),
            exchange: exchange.as_ref(),
            report: &report,
            took_ms: self
                .steps
                .iter()
                .map(|s| i64::try_from(s.milliseconds).unwrap_or(i64::MAX))
                .fold(0, i64::saturating_add),
            met: by.at,
        };
        let (meeting, entry) = site.book.keep_meeting(unit, &new, &by)?;
        Ok(Recorded { meeting, entry: entry.0 })
    }
}
