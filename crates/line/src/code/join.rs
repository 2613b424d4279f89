//! Several payloads in one symbol, as on the carton of a multipack.
//!
//! Core Spec 5.1.3.1: payloads after one prefix, with `*` between them.

use std::path::Path;

use serde::Serialize;
use standard::onboarding::{self, Form, MAX_QR_CHARACTERS, Payload};
use standard::verdict::Severity;

use super::make::{CodeError, draw};
use super::symbol;

/// One text for several units.
#[derive(Serialize)]
pub struct JoinedCode {
    pub qr: String,
    /// How many payloads it carries.
    pub payloads: usize,
    pub characters: usize,
    /// Modules of its symbol on a side, without the quiet zone.
    pub modules: u32,
    /// What to know before the code is used.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub warnings: Vec<&'static str>,
}

/// Joins the payloads of QR texts in their order and, where asked, draws the symbol, which is read
/// back before it is written.
///
/// # Errors
///
/// [`CodeError::Joined`] for a text that is not sound QR text or brings a payload again,
/// [`CodeError::Symbol`] for more than a symbol holds; nothing is written then.
pub fn join(texts: &[String], svg: Option<&Path>, png: Option<&Path>) -> Result<JoinedCode, CodeError> {
    let mut payloads: Vec<Payload> = Vec::new();
    for (index, text) in texts.iter().enumerate() {
        let wrong = |why: String| CodeError::Joined { number: index + 1, why };
        for payload in sound(text).map_err(wrong)? {
            if payloads.contains(&payload) {
                return Err(wrong("carries a payload that is there already".into()));
            }
            payloads.push(payload);
        }
        // Refused as soon as it shows: comparing goes with the square of their number.
        let characters = onboarding::join(&payloads).len();
        if characters > MAX_QR_CHARACTERS {
            return Err(CodeError::Symbol(characters));
        }
    }
    let qr = onboarding::join(&payloads);
    let read = onboarding::read(&qr).accepted();
    if read.as_ref() != Some(&payloads) {
        return Err(CodeError::NotReadBack("reads as something else than its payloads".into()));
    }
    let modules = symbol(&qr)?.width();
    draw(&qr, svg, png)?;
    let warning = payloads.iter().find_map(|payload| payload.reach.warning());
    Ok(JoinedCode {
        characters: qr.len(),
        qr,
        payloads: payloads.len(),
        modules,
        warnings: warning.into_iter().collect(),
    })
}

/// The payloads of a QR text that breaks no rule.
fn sound(text: &str) -> Result<Vec<Payload>, String> {
    let reading = onboarding::read(text);
    if reading.form == Form::Manual {
        return Err("is a manual pairing code, which has no place in a symbol".into());
    }
    if let Some(broken) = reading.findings.iter().find(|l| l.finding.severity == Severity::Error) {
        return Err(format!("breaks {}: {}", broken.finding.rule.name, broken.finding.required));
    }
    reading.accepted().ok_or_else(|| "is not sound QR text".into())
}
