//! Reading a code of either form: what it tells, and what is wrong with it.
//!
//! Start at [`read`]. It takes any text and never fails: a fault is a finding
//! by a `code.` rule, and what can be read in spite of it is read.

use std::fmt;

use super::fields::Fields;
use super::{Payload, manual_read, qr};
use crate::verdict::catalogue::code;
use crate::verdict::{Finding, Verdict};

/// Characters that the largest QR symbol holds in alphanumeric mode (version
/// 40 at level L, ISO/IEC 18004 table 7): a longer text is no code.
pub const MAX_CHARACTERS: usize = 4296;

/// Which of its two forms a text is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Text of a QR code.
    Qr,
    /// Manual code.
    Manual,
}

/// A finding, and the payload that it is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Located {
    /// Which payload of the code, from 0; `None` for the code as a whole.
    pub payload: Option<usize>,
    /// What the rule says.
    pub finding: Finding,
}

/// What was read of a code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reading {
    pub form: Form,
    /// What each payload tells; one for a manual code.
    pub payloads: Vec<Fields>,
    /// Every fault, in the order of the code.
    pub findings: Vec<Located>,
    /// Manual codes that are whole and differ from this one by a single slip.
    pub could_be: Vec<Slip>,
    /// The digits of a manual code without what stood between them.
    pub digits: Option<String>,
}

impl Reading {
    /// Nothing read yet.
    pub(super) fn of(form: Form) -> Self {
        Self { form, payloads: Vec::new(), findings: Vec::new(), could_be: Vec::new(), digits: None }
    }

    pub(super) fn add(&mut self, payload: Option<usize>, finding: Finding) {
        self.findings.push(Located { payload, finding });
    }

    /// Rejected as soon as one finding is an error.
    pub fn verdict(&self) -> Verdict {
        Verdict::on(self.findings.iter().map(|located| &located.finding))
    }

    /// The payloads of an accepted QR code; `None` for a rejected or a manual one.
    pub fn accepted(&self) -> Option<Vec<Payload>> {
        if self.form == Form::Manual || self.verdict() == Verdict::Rejected {
            return None;
        }
        self.payloads.iter().map(Fields::payload).collect()
    }
}

/// One slip of the hand, and the manual code that it was made in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slip {
    /// The whole code, digits alone.
    pub digits: String,
    /// What went wrong, if this is the code that was meant.
    pub kind: SlipKind,
}

/// What went wrong. Digits count from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SlipKind {
    /// One digit is another.
    Digit {
        place: usize,
        /// What it was meant to be.
        meant: u8,
        /// What stands there; `None` for a character that is no digit.
        found: Option<u8>,
    },
    /// Two neighbours are swapped.
    Swap {
        /// The first of the two.
        place: usize,
    },
}

impl fmt::Display for SlipKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Digit { place, meant, found: Some(found) } => write!(f, "digit {place} is {meant}, not {found}"),
            Self::Digit { place, meant, found: None } => write!(f, "digit {place} is {meant}"),
            Self::Swap { place } => write!(f, "digits {place} and {} are swapped", place + 1),
        }
    }
}

/// Reads the text of a QR code or a manual code.
///
/// A line ending or tab around it is taken off, since scanners type one. In a manual
/// code hyphens and spaces are passed over wherever they stand; in QR text
/// nothing is (Core Spec 5.1.3.1, 5.1.4.1).
pub fn read(text: &str) -> Reading {
    let text = text.trim_matches(['\r', '\n', '\t']);
    let manual = manual_read::looks_like(text);
    // Counting stops where the answer is known.
    if text.chars().nth(MAX_CHARACTERS).is_some() {
        let mut reading = Reading::of(if manual { Form::Manual } else { Form::Qr });
        let found = format!("more than {MAX_CHARACTERS} characters, which no symbol holds");
        reading.add(None, Finding::new(code::LENGTH, found));
        return reading;
    }
    if manual { manual_read::read(text) } else { qr::read(text) }
}

/// Names characters by what they are and where they stand, the first few of them.
pub(super) fn name_characters(bad: &[(usize, char)]) -> String {
    const FEW: usize = 5;
    let named: Vec<String> = bad.iter().take(FEW).map(|(place, c)| format!("{c:?} at {}", place + 1)).collect();
    let more = bad.len().saturating_sub(FEW);
    let more = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{more}", named.join(", "))
}
