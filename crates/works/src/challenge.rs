//! Challenge: playing the verifier against a chip, as it is.

use std::sync::Arc;

use chip::{ChipId, ChipSource, ObjectName};
use serde::Serialize;
use serde_json::{Value, json};
use standard::certificate::Certificate;
use standard::declaration::Declaration;
use standard::verdict::{Device, Finding, Severity, SignerKey, Verdict};

use crate::authority;
use crate::revocation::Known;
use crate::site::Site;
use crate::station::{Failure, Judge, judge_all, prove};
use crate::trouble::Trouble;

/// What a verifier would say of one chip.
#[derive(Debug, Serialize)]
pub struct Challenged {
    /// The chip.
    pub chip_id: String,
    /// `accepted` or `rejected`.
    pub verdict: &'static str,
    /// Whether its chain ends at a PAA that is trusted here.
    pub anchored: bool,
    /// Vendor ID in its DAC.
    pub vendor_id: Option<String>,
    /// Product ID in its DAC.
    pub product_id: Option<String>,
    /// Why no verdict could be reached, where the chip gave no exchange.
    pub trouble: Option<String>,
    /// The exchange, in hex.
    pub exchange: Option<Value>,
    /// What was found.
    pub findings: Vec<Value>,
}

/// Challenges one chip of a source, or all that are there.
///
/// # Errors
///
/// [`Trouble`] where the source can't be asked.
pub fn challenge(site: &Site, source: &mut dyn ChipSource, chip: Option<&ChipId>) -> Result<Vec<Challenged>, Trouble> {
    let anchors: Vec<Arc<Certificate>> = authority::anchors(site)?.into_iter().map(|(c, _)| c).collect();
    let signers: Vec<SignerKey> = site
        .book
        .declarations()?
        .iter()
        .filter_map(|d| Certificate::read(d.facts.signer.as_ref()?).ok())
        .filter_map(|c| {
            let key = *c.public_key()?;
            let key_id = c.subject_key_id().map_or_else(|| key.key_id().to_vec(), <[u8]>::to_vec);
            Some(SignerKey { key_id, key, trusted: true })
        })
        .collect();
    let known = Known::of(site)?;
    let ids = match chip {
        Some(id) => vec![id.clone()],
        None => source.present()?,
    };
    Ok(ids.into_iter().map(|id| one((&anchors, &signers, &known), source, &id)).collect())
}

/// PAAs and declaration signers that are trusted, and what is revoked.
type Against<'a> = (&'a [Arc<Certificate>], &'a [SignerKey], &'a Known);

fn one(against: Against<'_>, source: &mut dyn ChipSource, id: &ChipId) -> Challenged {
    let mut out = Challenged {
        chip_id: id.to_string(),
        verdict: Verdict::Rejected.word(),
        anchored: false,
        vendor_id: None,
        product_id: None,
        trouble: None,
        exchange: None,
        findings: Vec::new(),
    };
    if let Err(failure) = exchange(against, source, id, &mut out) {
        out.trouble = Some(format!("{}: {}", failure.cause, failure.detail));
    }
    out
}

fn lacking(what: &str) -> Failure {
    Failure {
        cause: "nothing-to-prove".into(),
        detail: format!("the chip holds no {what}"),
        advice: "Provision it first.".into(),
        next: book::Next::Rework,
    }
}

fn exchange(
    (anchors, signers, known): Against<'_>,
    source: &mut dyn ChipSource,
    id: &ChipId,
    out: &mut Challenged,
) -> Result<(), Failure> {
    let mut chip = source.open(id)?;
    let dac = chip.read(&ObjectName::DAC)?.ok_or_else(|| lacking("DAC"))?;
    let pai = chip.read(&ObjectName::PAI)?;
    let declaration = chip.read(&ObjectName::DECLARATION)?.ok_or_else(|| lacking("declaration"))?;
    let dac = Certificate::read(&dac).map_err(|_| lacking("readable DAC"))?;
    let declaration = Declaration::read(&declaration).map_err(|_| lacking("readable declaration"))?;
    let pai = pai.and_then(|der| Certificate::read(&der).ok());
    out.vendor_id = dac.subject.identity.vendor().map(|v| v.to_string());
    out.product_id = dac.subject.identity.product().map(|p| p.to_string());
    let exchange = prove(chip.as_mut(), &declaration)?;
    let signer = signers.iter().find(|s| Some(s.key_id.as_slice()) == declaration.signer_key_id()).cloned();
    let device = Device { by_declaration: true, ..Device::default() };
    let judge = Judge { anchors: anchors.to_vec(), signer, device, revoked: known.clone() };
    let (findings, anchored) = judge_all(&dac, pai, &declaration, &exchange, &judge);
    out.anchored = anchored;
    if anchored && findings.iter().all(|f| f.severity != Severity::Error) {
        out.verdict = Verdict::Accepted.word();
    }
    out.findings = findings.iter().map(finding).collect();
    out.exchange = Some(json!({
        "nonce": hex::encode(exchange.nonce), "challenge": hex::encode(exchange.challenge),
        "elements": hex::encode(&exchange.elements), "signature": hex::encode(exchange.signature),
    }));
    Ok(())
}

fn finding(f: &Finding) -> Value {
    json!({
        "rule": f.rule.name, "severity": f.severity.word(), "clause": f.rule.clause,
        "required": f.required, "found": f.found, "advice": f.advice,
    })
}
