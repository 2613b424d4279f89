//! Challenge: playing the verifier against a chip, as it is.

use std::sync::Arc;

use base::finding_view::FindingView;
use base::trouble::Trouble;
use book::{ChipStory, Credential};
use chip::{ChipId, ChipSource, ObjectName};
use serde::Serialize;
use serde_json::{Value, json};
use site::revoked::{Known, marked as marked_revoked};
use site::trust::{Set, SetVerdict};
use site::{Site, authority, trust};
use standard::certificate::Certificate;
use standard::declaration::Declaration;
use standard::verdict::catalogue::chain::REVOKED;
use standard::verdict::{Device, Finding, Severity, SignerKey, Verdict};

use crate::scrapped::ScrappedHere;
use crate::station::{Failure, Judge, judge_all, judge_by, prove};

/// What a verifier would say of one chip.
#[derive(Debug, Serialize)]
pub struct Challenged {
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
    pub findings: Vec<FindingView>,
    /// What each trust set says.
    pub trust_sets: Vec<SetVerdict>,
    /// How it was scrapped, where it was: a verifier may still accept it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scrapped: Option<ScrappedHere>,
}

/// Challenges one chip of a source, or all that are there.
///
/// # Errors
///
/// [`Trouble`] where the source can't be asked.
pub fn challenge(site: &Site, source: &mut dyn ChipSource, chip: Option<&ChipId>) -> Result<Vec<Challenged>, Trouble> {
    challenge_by(site, source, chip, &[])
}

/// The same, judged by trust sets too: by those named, which then must take the chip;
/// else by all of the site, of which those must that the chip's product names.
///
/// # Errors
///
/// [`Trouble`] where a set is not there, or the source can't be asked.
pub fn challenge_by(
    site: &Site,
    source: &mut dyn ChipSource,
    chip: Option<&ChipId>,
    names: &[String],
) -> Result<Vec<Challenged>, Trouble> {
    let sets = trust::sets(site, names)?;
    let anchors: Vec<Arc<Certificate>> = authority::anchors(site)?.into_iter().map(|(c, _)| c).collect();
    let signers = signers(site)?;
    let known = Known::of(site)?;
    let ids = match chip {
        Some(id) => vec![id.clone()],
        None => source.present()?,
    };
    let mut out = Vec::with_capacity(ids.len());
    for id in ids {
        let in_book = book::ids::ChipId::new(id.as_str())?;
        let story = site.book.chip_story(&in_book)?;
        let must = match &story {
            Some(story) if names.is_empty() => must_please(site, story)?,
            _ => names.to_vec(),
        };
        let credential = story.and_then(|story| story.credential);
        let credential = credential.as_ref();
        let against =
            Against { anchors: &anchors, signers: &signers, known: &known, sets: &sets, must: &must, credential };
        out.push(Challenged { scrapped: ScrappedHere::of(site, &in_book)?, ..one(&against, source, &id) });
    }
    Ok(out)
}

/// Whoever signed the site's declarations.
pub(crate) fn signers(site: &Site) -> Result<Vec<SignerKey>, Trouble> {
    let declarations = site.book.declarations()?;
    let certificates = declarations.iter().filter_map(|d| Certificate::read(d.facts.signer.as_ref()?).ok());
    Ok(certificates.filter_map(|c| trust::signer_of(&c)).collect())
}

/// What a chip is held against.
struct Against<'a> {
    anchors: &'a [Arc<Certificate>],
    signers: &'a [SignerKey],
    known: &'a Known,
    sets: &'a [Set],
    /// Names of the sets that must take it.
    must: &'a [String],
    /// What the book has for it.
    credential: Option<&'a Credential>,
}

/// The trust sets that a chip's product names.
fn must_please(site: &Site, story: &ChipStory) -> Result<Vec<String>, Trouble> {
    Ok(site.book.product_trust(&story.product.facts.name)?.iter().map(ToString::to_string).collect())
}

fn one(against: &Against<'_>, source: &mut dyn ChipSource, id: &ChipId) -> Challenged {
    let mut out = Challenged {
        chip_id: id.to_string(),
        verdict: Verdict::Rejected.word(),
        anchored: false,
        vendor_id: None,
        product_id: None,
        trouble: None,
        exchange: None,
        findings: Vec::new(),
        trust_sets: Vec::new(),
        scrapped: None,
    };
    if let Err(failure) = exchange(against, source, id, &mut out) {
        out.trouble = Some(format!("{}: {}", failure.cause, failure.detail));
    }
    out
}

fn lacking(what: &str) -> Failure {
    Failure {
        cause: "nothing-to-prove".into(),
        detail: format!("the chip has no {what}"),
        advice: "Provision it first.".into(),
        next: book::Next::Rework,
    }
}

fn exchange(
    against: &Against<'_>,
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
    let signer = against.signers.iter().find(|s| Some(s.key_id.as_slice()) == declaration.signer_key_id()).cloned();
    let device = Device { by_declaration: true, ..Device::default() };
    let judge =
        Judge { anchors: against.anchors.to_vec(), signer, device, revoked: against.known.clone(), sets: Vec::new() };
    let (mut findings, anchored) = judge_all(&dac, pai.clone(), &declaration, &exchange, &judge);
    let its = against.credential.filter(|credential| credential.certificate == dac.der());
    if let Some(marked) = its.and_then(marked_revoked)
        && findings.iter().all(|f| f.rule.name != REVOKED.name)
    {
        findings.push(Finding::new(&REVOKED, marked));
    }
    for set in against.sets {
        let mut said = judge_by(set, (&dac, pai.as_ref()), &declaration, &exchange, &judge);
        said.must_please = against.must.contains(&set.name);
        out.trust_sets.push(said);
    }
    out.anchored = anchored;
    let refused = out.trust_sets.iter().any(|s| s.must_please && !s.accepts());
    if anchored && !refused && findings.iter().all(|f| f.severity != Severity::Error) {
        out.verdict = Verdict::Accepted.word();
    }
    out.findings = findings.iter().map(|f| FindingView::of(part(f), f)).collect();
    out.exchange = Some(json!({
        "nonce": hex::encode(exchange.nonce), "challenge": hex::encode(exchange.challenge),
        "elements": hex::encode(&exchange.elements), "signature": hex::encode(exchange.signature),
    }));
    Ok(())
}

/// What a finding is about: the part of the exchange that its rule belongs to, as `dac` or `exchange`.
pub(crate) fn part(f: &Finding) -> &'static str {
    f.rule.name.split_once('.').map_or(f.rule.name, |(part, _)| part)
}
