//! The checks behind the rules on an exchange.

use super::catalogue::exchange as rules;
use super::certificate::shown;
use super::{Finding, Report, Severity};
use crate::certificate::Certificate;
use crate::declaration::Declaration;
use crate::exchange::{CHALLENGE, Elements, MAX_ELEMENTS, NONCE, Proof, SIGNATURE};

/// Judges an exchange.
///
/// - `dac`: whose key must have signed; without it the signature is only
///   warned about.
/// - `given`: declarations given beside it; where there are any, the one in
///   the answer must be among them.
/// - Returns the declaration in the answer, for judging by its own rules.
pub fn judge_exchange(
    proof: &Proof,
    dac: Option<&Certificate>,
    given: &[&Declaration],
    report: &mut Report,
) -> Option<Declaration> {
    let mut inner = None;
    let elements = match &proof.elements {
        Err(fault) => {
            report.found(&rules::ELEMENTS, fault.clone());
            None
        }
        Ok(octets) => match Elements::read(octets) {
            Err(fault) => {
                report.found(&rules::ELEMENTS, format!("not TLV: {fault}"));
                None
            }
            Ok(elements) => {
                for fault in &elements.faults {
                    report.found(&rules::ELEMENTS, fault.clone());
                }
                if !elements.reserved.is_empty() {
                    let tags = elements.reserved.join(", ");
                    let finding = Finding::new(&rules::ELEMENTS, format!("tags that are reserved: {tags}"));
                    report.add(finding.weighing(Severity::Note).advising(
                        "Nothing to do: a device of a later release may send them. They are signed with the rest.",
                    ));
                }
                Some(elements)
            }
        },
    };
    nonce(proof, elements.as_ref(), report);
    signature(proof, dac, report);
    if let Ok(octets) = &proof.elements
        && octets.len() > MAX_ELEMENTS
    {
        report.found(&rules::SIZE, format!("elements of {} bytes", octets.len()));
    }
    match &proof.challenge {
        Err(fault) => report.found(&rules::SIZE, fault.clone()),
        Ok(octets) if octets.len() != CHALLENGE => {
            report.found(&rules::SIZE, format!("a challenge of {} bytes", octets.len()));
        }
        Ok(_) => {}
    }
    if let Some(der) = elements.and_then(|e| e.declaration) {
        match Declaration::read(der) {
            Err(fault) => report.found(&rules::DECLARATION, format!("a declaration that can't be read: {fault}")),
            Ok(declaration) => {
                if !given.is_empty() && !given.iter().any(|g| g.der() == der) {
                    report.found(&rules::DECLARATION, "another declaration than the one given");
                }
                inner = Some(declaration);
            }
        }
    }
    inner
}

fn nonce(proof: &Proof, elements: Option<&Elements<'_>>, report: &mut Report) {
    let sent = match &proof.nonce {
        Err(fault) => {
            report.found(&rules::NONCE, fault.clone());
            return;
        }
        Ok(octets) => octets,
    };
    if sent.len() != NONCE {
        report.found(&rules::NONCE, format!("the verifier's nonce has {} bytes", sent.len()));
    }
    if let Some(answered) = elements.and_then(|e| e.nonce)
        && answered != sent.as_slice()
    {
        report.add(
            Finding::new(&rules::NONCE, shown(answered)).requiring(format!("{}, as the verifier sent.", shown(sent))),
        );
    }
}

fn signature(proof: &Proof, dac: Option<&Certificate>, report: &mut Report) {
    match &proof.signature {
        Err(fault) => {
            report.found(&rules::SIGNATURE, fault.clone());
            return;
        }
        Ok(octets) if octets.len() != SIGNATURE => {
            report.found(&rules::SIGNATURE, format!("a signature of {} bytes", octets.len()));
            return;
        }
        Ok(_) => {}
    }
    match dac.map(Certificate::public_key) {
        Some(Some(key)) => {
            if proof.elements.is_ok() && proof.challenge.is_ok() && !proof.is_signed_by(key) {
                report.found(
                    &rules::SIGNATURE,
                    "a signature that is not by the DAC's key over these elements and this challenge",
                );
            }
        }
        // The DAC's own rule tells that its key is none.
        Some(None) => {}
        None => report.add(
            Finding::new(&rules::SIGNATURE, "no DAC to check it against")
                .weighing(Severity::Warning)
                .advising("Also give the device's DAC as a file."),
        ),
    }
}
