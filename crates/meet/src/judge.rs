//! What a verifier would say of a unit that was met (Core Spec 6.2.3.1).

use std::sync::Arc;

use standard::certificate::{Certificate, Profile};
use standard::declaration::{Content, Declaration};
use standard::exchange::{MAX_ELEMENTS, Proof, to_be_signed};
use standard::ids::{ProductId, VendorId};
use standard::interaction::cluster::credentials::read_csr_elements;
use standard::moment::Moment;
use standard::request::Request;
use standard::verdict::catalogue::meet as rules;
use standard::verdict::{
    Context, Device, Finding, Pool, Report, RevokedSerials, Severity, SignerKey, judge_certificate, judge_declaration,
    judge_exchange, judge_pairing, judge_request, rule,
};

use crate::home::{Met, Signed};

/// What a unit is held against.
pub struct Against<'a> {
    /// PAAs that are trusted; no other is.
    pub anchors: &'a [Arc<Certificate>],
    /// Who may sign declarations.
    pub signers: &'a [SignerKey],
    /// What is known to be revoked, of a pool's authorities.
    pub revoked: &'a dyn Fn(&Pool) -> Vec<RevokedSerials>,
    /// The present.
    pub present: Option<Moment>,
}

/// What was found, and what it was found of.
#[derive(Debug)]
pub struct Judged {
    /// All findings, those of the meeting itself first.
    pub findings: Vec<Finding>,
    /// Whether the chain ends at a trusted PAA.
    pub anchored: bool,
    pub dac: Option<Arc<Certificate>>,
    pub pai: Option<Arc<Certificate>>,
    pub declaration: Option<Declaration>,
}

/// The word on a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    Accepted,
    /// A home would refuse it.
    Rejected,
    /// Nothing can be said of it: it was not met, or not to the end.
    Unreachable,
}

/// Rules that are about whether a unit can be met now, and say nothing of what it is.
const SURROUNDINGS: &[&standard::verdict::Rule] =
    &[&rules::NOT_FOUND, &rules::TWO_ANSWER, &rules::WINDOW_CLOSED, &rules::BUSY, &rules::NO_ANSWER];

impl Outcome {
    /// The word on these findings; `complete` says whether every question had an answer.
    pub fn on(findings: &[Finding], complete: bool) -> Self {
        let errors: Vec<_> = findings.iter().filter(|f| f.severity == Severity::Error).collect();
        let is_of_unit = |f: &&Finding| SURROUNDINGS.iter().all(|rule| rule.name != f.rule.name);
        match (errors.iter().any(is_of_unit), errors.is_empty() && complete) {
            (true, _) => Self::Rejected,
            (false, true) => Self::Accepted,
            (false, false) => Self::Unreachable,
        }
    }
}

/// Judges everything that a unit gave.
pub fn judge(met: &Met, against: &Against<'_>) -> Judged {
    let mut report = Report::new();
    met.findings.iter().cloned().for_each(|finding| report.add(finding));
    let dac = certificate(met.dac.as_deref(), "dac.encoding", &mut report);
    let pai = certificate(met.pai.as_deref(), "pai.encoding", &mut report);
    let reported = reported(met, &mut report);
    let mut members: Vec<_> = against.anchors.iter().map(|c| (Arc::clone(c), Profile::Paa, true)).collect();
    members.extend(pai.clone().map(|pai| (pai, Profile::Pai, false)));
    let pool = Pool::new(members);
    let context = Context {
        trust_given: true,
        device: reported,
        present: against.present,
        revoked: (against.revoked)(&pool),
        ..Context::default()
    };
    let mut anchored = false;
    let mut paa = None;
    let mut judged_authorities = Vec::new();
    // An intermediate that never came leaves the chain open, and is no fault of the DAC's.
    let cut_off = met.pai.is_none() && !met.complete;
    if let (Some(dac), true) = (&dac, cut_off) {
        judge_certificate(dac, Profile::Dac, &mut report);
    }
    if let Some(dac) = dac.as_ref().filter(|_| !cut_off) {
        let judged = pool.judge_dac(dac, &context);
        judged.findings.into_iter().for_each(|f| report.add(f));
        anchored = judged.anchored;
        paa = judged.chain.last().map(|top| &*pool.authorities()[*top].certificate);
        judged_authorities = judged.chain;
    }
    // The intermediate, even where the DAC does not lead to it.
    let own = pai.as_ref().map(|_| against.anchors.len());
    if let Some(own) = own.filter(|own| !judged_authorities.contains(own)) {
        judged_authorities.push(own);
    }
    for index in judged_authorities {
        pool.judge_authority(index, &context).findings.into_iter().for_each(|f| report.add(f));
    }
    let declaration =
        met.attestation.as_ref().and_then(|signed| judge_exchange(&proof(signed), dac.as_deref(), &[], &mut report));
    if let Some(declaration) = &declaration {
        judge_declaration(declaration, against.signers, &mut report);
        if let Ok(content) = &declaration.fields {
            judge_pairing(content, &reported, dac.as_deref(), paa, &mut report);
            identity(content, &reported, dac.as_deref(), &mut report);
        }
    }
    if let Some(signed) = &met.request {
        request(signed, dac.as_deref(), &mut report);
    }
    // What a DAC and its intermediate show alike is one finding on their chain.
    let mut findings: Vec<Finding> = Vec::new();
    for finding in report.into_findings() {
        if !findings.contains(&finding) {
            findings.push(finding);
        }
    }
    Judged { findings, anchored, dac, pai, declaration }
}

fn certificate(der: Option<&[u8]>, encoding: &str, report: &mut Report) -> Option<Arc<Certificate>> {
    let der = der?;
    match (Certificate::read(der), rule(encoding)) {
        (Ok(certificate), _) => Some(Arc::new(certificate)),
        (Err(fault), Some(rule)) => {
            report.found(rule, format!("{} bytes that are no certificate: {fault}", der.len()));
            None
        }
        (Err(_), None) => None,
    }
}

/// What the firmware says it is.
fn reported(met: &Met, report: &mut Report) -> Device {
    let (vendor, product) = met.device.as_ref().map_or((None, None), |d| (d.vendor_id, d.product_id));
    let mut never = |what: &str, id: u16| {
        report.found(&rules::IDENTITY, format!("{what} {id:04X}, which no device carries"));
    };
    let vendor = vendor.and_then(|id| VendorId::new(id).map_err(|_| never("vendor ID", id)).ok());
    let product = product.and_then(|id| ProductId::new(id).map_err(|_| never("product ID", id)).ok());
    Device { vendor, product, by_declaration: true }
}

fn identity(content: &Content, reported: &Device, dac: Option<&Certificate>, report: &mut Report) {
    let rule = &rules::IDENTITY;
    if let (Some(vendor), Some(declared)) = (reported.vendor, content.vendor_id)
        && u64::from(vendor.get()) != declared
    {
        let finding = Finding::new(rule, format!("the firmware reports vendor ID {vendor}"));
        report.add(finding.requiring(format!("{declared:04X}, the declaration's.")));
    }
    let named = reported.product.is_none_or(|product| content.names_product(product));
    if let (Some(product), false) = (reported.product, named) {
        let finding = Finding::new(rule, format!("the firmware reports product ID {product}"));
        report.add(finding.requiring("A product ID that the declaration names."));
    }
    // With another origin the DAC is another's, and the declaration has been compared with it.
    if content.dac_origin_vendor_id.is_some() || content.dac_origin_product_id.is_some() {
        return;
    }
    let identity = dac.map(|dac| &dac.subject.identity);
    if let (Some(said), Some(found)) = (reported.vendor, identity.and_then(|i| i.vendor()))
        && said != found
    {
        let finding = Finding::new(rule, format!("the firmware reports vendor ID {said}"));
        report.add(finding.requiring(format!("{found}, the DAC's.")));
    }
    if let (Some(said), Some(found)) = (reported.product, identity.and_then(|i| i.product()))
        && said != found
    {
        let finding = Finding::new(rule, format!("the firmware reports product ID {said}"));
        let finding = finding.requiring(format!("{found}, the DAC's."));
        // One declaration may name both products; then no home refuses it.
        report.add(if named && content.names_product(found) { finding.weighing(Severity::Warning) } else { finding });
    }
}

/// An answer as an exchange that is kept and judged.
pub fn proof(signed: &Signed) -> Proof {
    Proof {
        unit: None,
        chip_id: None,
        nonce: Ok(signed.nonce.to_vec()),
        challenge: Ok(signed.challenge.to_vec()),
        elements: Ok(signed.elements.clone()),
        signature: Ok(signed.signature.clone()),
        at: None,
    }
}

fn request(signed: &Signed, dac: Option<&Certificate>, report: &mut Report) {
    let rule = &rules::REQUEST;
    if signed.elements.len() > MAX_ELEMENTS {
        report.found(rule, format!("elements of {} bytes, more than {MAX_ELEMENTS}", signed.elements.len()));
    }
    let key = dac.and_then(Certificate::public_key);
    if let Some(key) = key
        && !key.verifies_raw(&to_be_signed(&signed.elements, &signed.challenge), &signed.signature)
    {
        report.found(rule, "a signature that is not by the DAC's key over these elements and this challenge");
    }
    let (request, nonce) = match read_csr_elements(&signed.elements) {
        Ok(read) => read,
        Err(fault) => return report.found(rule, format!("elements that can't be read: {fault}")),
    };
    if nonce != signed.nonce {
        report.found(rule, "another nonce than the home's");
    }
    let read = match Request::read(request) {
        Ok(read) => read,
        Err(fault) => return report.found(rule, format!("a certification request that can't be read: {fault}")),
    };
    let mut own = Report::new();
    judge_request(&read, &Device::default(), &mut own);
    for finding in own.findings().iter().filter(|f| f.severity == Severity::Error) {
        report.found(rule, format!("the certification request breaks {}: {}", finding.rule.name, finding.found));
    }
    if let (Ok(fresh), Some(dac)) = (&read.key.key, key)
        && fresh == dac
    {
        report.found(rule, "a request for the DAC's own key, which is not fresh");
    }
}
