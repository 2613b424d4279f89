//! What a scanner read from a label, against the unit that the label should be on.
//!
//! Scanners type: they end with CR, LF or Tab, may put a symbology identifier
//! (`]Q1`) in front, and type the keys of the layout they were set to, not
//! those of the computer's. Ends and identifiers are taken off. A text in the
//! wrong letters is told from a wrong label, and is no match all the same: what
//! was not read as it stands proves nothing.

use base::advice::{Advise, Kind};
use print::LabelData;
use serde::Serialize;
use utoipa::ToSchema;

use crate::label::owner::{code_fault, tidy};
use crate::label::payload;

/// Longest scan, characters: no symbol holds more.
const LONGEST_SCAN: usize = 8192;

book::words! {
    /// What a scan says of a label.
    LabelVerdict {
        /// It is the unit's label.
        Match = "match",
        /// It is not, or can't be told.
        Mismatch = "mismatch",
    }
    /// What was scanned.
    ReadAs {
        /// Text of a QR code.
        Qr = "qr",
        /// A manual pairing code.
        Manual = "manual",
    }
    /// Why a label does not match.
    LabelCause {
        /// Another code of the same form.
        OtherCode = "other-code",
        /// The label of another unit of this site.
        OtherUnit = "other-unit",
        /// The symbol of a carton.
        Carton = "carton",
        /// The code in other letters.
        LetterCase = "letter-case",
        /// The code as another keyboard layout types it.
        KeyboardLayout = "keyboard-layout",
        /// A part of the code.
        Part = "part",
        /// The code more than once.
        Twice = "twice",
        /// No code at all.
        OtherText = "other-text",
    }
}

/// What came of it. Holds no code: both give away a passcode.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = LabelCheck)]
pub struct Checked {
    /// The unit that the label should be on.
    pub unit: String,
    /// Whether the label is the unit's.
    pub verdict: LabelVerdict,
    /// What was scanned; none where it has the form of neither code.
    pub read_as: Option<ReadAs>,
    /// Why it is no match.
    pub cause: Option<LabelCause>,
    /// What differs, by name.
    pub differs: Vec<String>,
    /// The unit whose label was scanned, where it is known.
    pub belongs_to: Option<String>,
    /// Why the unit must not be shipped although the label is its own: its certificate is revoked.
    pub revoked: Option<String>,
    /// What to do, as a sentence.
    pub advice: Option<String>,
}

impl Checked {
    /// Whether the label is the unit's.
    pub fn is_match(&self) -> bool {
        self.verdict == LabelVerdict::Match
    }

    /// Says that the unit's certificate is revoked.
    pub(super) fn is_revoked(&mut self, what: String) {
        self.revoked = Some(what);
        let other = match &self.belongs_to {
            Some(other) => format!(" The label on it is that of unit {other}."),
            None => String::new(),
        };
        self.advice = Some(format!("Do not ship unit {}. Put it aside and call the engineer.{other}", self.unit));
    }

    /// Names the unit whose label was scanned.
    pub(super) fn is_of(&mut self, other: &str) {
        self.cause = Some(LabelCause::OtherUnit);
        self.belongs_to = Some(other.to_owned());
        self.advice = Some(format!(
            "Take the label off unit {}: it is the label of unit {other}. The label of {} may be on that unit.",
            self.unit, self.unit
        ));
    }
}

/// Why a scan can't be judged.
#[derive(Debug, thiserror::Error)]
pub enum CheckError {
    /// Nothing but blanks.
    #[error("nothing was scanned")]
    Nothing,
    /// More than a symbol holds.
    #[error("{0} characters were scanned, but no symbol holds more than {LONGEST_SCAN}")]
    TooMuch(usize),
}

impl Advise for CheckError {
    fn kind(&self) -> Kind {
        Kind::Usage
    }

    fn advice(&self) -> Option<String> {
        Some("Scan the symbol on the label once.".into())
    }
}

/// Compares what was scanned with the label that the unit should carry.
///
/// - `others`: all units that are known, to name the one whose label it is.
///
/// # Errors
///
/// [`CheckError`] for a scan of nothing, or of more than a symbol holds.
pub fn check(scanned: &str, expected: &LabelData, others: &[LabelData]) -> Result<Checked, CheckError> {
    let text = tidy(scanned);
    if text.is_empty() {
        return Err(CheckError::Nothing);
    }
    let length = text.chars().count();
    if length > LONGEST_SCAN {
        return Err(CheckError::TooMuch(length));
    }
    let is_digits = text.chars().all(|c| c.is_ascii_digit() || matches!(c, '-' | ' '));
    let read_as = match text {
        qr if qr.starts_with("MT:") => Some(ReadAs::Qr),
        _ if is_digits => Some(ReadAs::Manual),
        _ => None,
    };
    let mut checked = Checked {
        unit: expected.unit.clone(),
        verdict: LabelVerdict::Match,
        read_as,
        cause: None,
        differs: Vec::new(),
        belongs_to: None,
        revoked: None,
        advice: None,
    };
    if is_label_of(text, expected) {
        return Ok(checked);
    }
    checked.verdict = LabelVerdict::Mismatch;
    let (cause, differs, advice) = explain(text, expected);
    (checked.cause, checked.differs, checked.advice) = (Some(cause), differs, Some(advice));
    let other = others.iter().find(|o| o.unit != expected.unit && is_label_of(text, o));
    if let Some(other) = other {
        checked.is_of(&other.unit);
    }
    Ok(checked)
}

fn is_label_of(text: &str, data: &LabelData) -> bool {
    text == data.qr.as_str() || (!data.manual.is_empty() && payload::digits(text) == payload::digits(&data.manual))
}

type Explanation = (LabelCause, Vec<String>, String);

fn explain(text: &str, expected: &LabelData) -> Explanation {
    let qr = expected.qr.as_str();
    let manual = print::data::grouped(&expected.manual);
    let digits = payload::digits(&expected.manual);
    let forms = [qr, manual.as_str(), digits.as_str()];

    if text.eq_ignore_ascii_case(qr) {
        let advice = "Turn Caps Lock off, and set the scanner to keep upper and lower case; then scan again.";
        return (LabelCause::LetterCase, vec!["letter case".into()], advice.into());
    }
    for (layout, typed) in LAYOUTS {
        if forms.iter().any(|form| same_but_case(&through(form, typed), text)) {
            let advice = format!(
                "This computer's keyboard is set to {layout}, but the scanner uses another layout. Set the scanner to {layout}, then scan again."
            );
            return (LabelCause::KeyboardLayout, vec!["keyboard layout".into()], advice);
        }
    }
    if forms.iter().any(|form| text == format!("{form}{form}")) {
        return (LabelCause::Twice, vec!["length".into()], "Scan the symbol once.".into());
    }
    if text.chars().count() >= 3 && forms.iter().any(|form| form.starts_with(text) || form.ends_with(text)) {
        return (LabelCause::Part, vec!["length".into()], "Only a part was read; scan again.".into());
    }
    let wrong_label = format!("Remove the label. Print the label of unit {} again and attach it.", expected.unit);
    if let Some(scanned) = payload::scanned(text) {
        let ours = payload::scanned(qr).unwrap_or_default();
        if scanned.len() > 1 && ours.first().is_some_and(|ours| scanned.contains(ours)) {
            let advice = format!(
                "This is the symbol of the carton that contains unit {}, with the codes of {} units. Scan the label on the \
                 unit itself.",
                expected.unit,
                scanned.len()
            );
            return (LabelCause::Carton, Vec::new(), advice);
        }
        let differs = match (ours.first(), scanned.first()) {
            (Some(a), Some(b)) => payload::differences(a, b),
            _ => Vec::new(),
        };
        let differs = if differs.is_empty() { vec!["additional data"] } else { differs };
        return (LabelCause::OtherCode, differs.into_iter().map(str::to_owned).collect(), wrong_label);
    }
    if let Some(scanned) = payload::typed(text) {
        let ours = payload::typed(&expected.manual);
        let mut differs = Vec::new();
        if let Some(ours) = ours {
            if ours.short_discriminator != scanned.short_discriminator {
                differs.push("discriminator");
            }
            if ours.passcode != scanned.passcode {
                differs.push("passcode");
            }
            if ours.vendor_id != scanned.vendor_id {
                differs.push("vendor id");
            }
            if ours.product_id != scanned.product_id {
                differs.push("product id");
            }
        }
        let differs = if differs.is_empty() { vec!["check digit"] } else { differs };
        let advice = match code_fault(text) {
            // Most likely a slip of whoever typed it.
            Some(fault) => format!("{fault} Type the code again. If that is what the label says: {wrong_label}"),
            None => wrong_label,
        };
        return (LabelCause::OtherCode, differs.into_iter().map(str::to_owned).collect(), advice);
    }
    if text == expected.serial || text == expected.unit {
        return (LabelCause::OtherText, vec!["text".into()], "That is the serial number; scan the QR code.".into());
    }
    (
        LabelCause::OtherText,
        vec!["text".into()],
        "That is neither a QR text nor a manual code; scan the label's QR code.".into(),
    )
}

fn same_but_case(a: &str, b: &str) -> bool {
    a == b || a.to_lowercase() == b.to_lowercase()
}

/// What a text becomes when keys of a US keyboard are typed on another layout.
fn through(text: &str, typed: &[(char, char)]) -> String {
    text.chars().map(|c| typed.iter().find(|(us, _)| *us == c).map_or(c, |(_, other)| *other)).collect()
}

/// Layout, and what its keys give where a US keyboard has the first character;
/// for the characters of codes. Layouts as in ISO/IEC 9995 and the national ones.
const LAYOUTS: &[(&str, &[(char, char)])] = &[
    ("German", &[('Y', 'Z'), ('Z', 'Y'), (':', 'Ö'), ('-', 'ß'), ('*', '(')]),
    ("Swiss", &[('Y', 'Z'), ('Z', 'Y'), (':', 'é'), ('-', '\''), ('*', '(')]),
    (
        "French",
        &[
            ('A', 'Q'),
            ('Q', 'A'),
            ('W', 'Z'),
            ('Z', 'W'),
            ('M', '?'),
            (':', 'M'),
            ('-', ')'),
            ('.', ':'),
            ('*', '8'),
            ('1', '&'),
            ('2', 'é'),
            ('3', '"'),
            ('4', '\''),
            ('5', '('),
            ('6', '-'),
            ('7', 'è'),
            ('8', '_'),
            ('9', 'ç'),
            ('0', 'à'),
        ],
    ),
    ("Spanish", &[(':', 'Ñ'), ('-', '\''), ('*', '(')]),
    ("Italian", &[(':', 'ç'), ('-', '\''), ('*', '(')]),
    ("Portuguese", &[(':', 'Ç'), ('-', '\''), ('*', '(')]),
    ("Swedish or Finnish", &[(':', 'Ö'), ('-', '+'), ('*', '(')]),
    ("Danish", &[(':', 'Æ'), ('-', '+'), ('*', '(')]),
    ("Norwegian", &[(':', 'Ø'), ('-', '+'), ('*', '(')]),
];

#[cfg(test)]
mod tests {
    use zeroize::Zeroizing;

    use super::*;

    /// Worked values, common practice in the trade.
    const QR: &str = "MT:Y.K9042C00KA0648G00";

    fn unit(name: &str, qr: &str, manual: &str) -> LabelData {
        LabelData {
            unit: name.into(),
            qr: Zeroizing::new(qr.into()),
            manual: Zeroizing::new(manual.into()),
            serial: format!("{name}-S"),
            ..LabelData::default()
        }
    }

    fn expected() -> LabelData {
        unit("TV-1", QR, "34970112332")
    }

    #[test]
    fn the_units_own_codes_match_as_scanners_type_them() {
        for scanned in [
            QR,
            "MT:Y.K9042C00KA0648G00\r\n",
            "\tMT:Y.K9042C00KA0648G00\t",
            "]Q1MT:Y.K9042C00KA0648G00\r",
            "\u{2}MT:Y.K9042C00KA0648G00\u{3}",
            "34970112332",
            "3497-011-2332\n",
            "3497 011 2332",
        ] {
            let checked = check(scanned, &expected(), &[]).unwrap();
            assert!(checked.is_match(), "{scanned:?}: {checked:?}");
            assert_eq!(checked.read_as, Some(if scanned.contains("MT") { ReadAs::Qr } else { ReadAs::Manual }));
        }
    }

    /// Scanned, cause, and what is said to differ.
    const MISMATCHES: &[(&str, &str, &str)] = &[
        ("mt:y.k9042c00ka0648g00", "letter-case", "letter case"),
        ("MTÖZ.K9042C00KA0648G00", "keyboard-layout", "keyboard layout"),
        ("mtöz.k9042c00ka0648g00", "keyboard-layout", "keyboard layout"),
        ("?TMY:Kçà'éCààKQà-'_Gàà", "keyboard-layout", "keyboard layout"),
        ("\"'çè)à&&)é\"\"é", "keyboard-layout", "keyboard layout"),
        ("3497ß011ß2332", "keyboard-layout", "keyboard layout"),
        ("MT:Y.K9042C00KA0648G00MT:Y.K9042C00KA0648G00", "twice", "length"),
        ("MT:Y.K9042C00KA", "part", "length"),
        ("MT:Y.K9042C00KA0648G", "part", "length"),
        ("MT:Y.K9042C00KA0648G000", "other-code", "additional data"),
        ("MT:Y.K9042C00KA0648G0000", "other-text", "text"),
        ("34970112333", "other-code", "check digit"),
        ("34970112340", "other-code", "passcode"),
        ("TV-1-S", "other-text", "text"),
        ("hello", "other-text", "text"),
    ];

    #[test]
    fn what_is_wrong_is_named_and_no_code_is_shown() {
        for (scanned, cause, differs) in MISMATCHES {
            let checked = check(scanned, &expected(), &[]).unwrap();
            assert_eq!(checked.verdict, LabelVerdict::Mismatch, "{scanned}");
            assert_eq!(checked.cause.map(LabelCause::word), Some(*cause), "{scanned}");
            assert!(checked.differs.iter().any(|d| d == differs), "{scanned}: {:?}", checked.differs);
            let shown = format!("{checked:?}");
            assert!(!shown.contains("K9042") && !shown.contains("3497"), "{shown}");
        }
    }

    #[test]
    fn the_unit_whose_label_it_is_is_named() {
        // The same payload with passcode 20202022 and discriminator 3841.
        let other = unit("TV-2", "MT:Y.K90CEK010O0648G00", "34970212338");
        let others = [expected(), other];
        for scanned in ["MT:Y.K90CEK010O0648G00", "3497-021-2338"] {
            let checked = check(scanned, &expected(), &others).unwrap();
            assert_eq!(checked.belongs_to.as_deref(), Some("TV-2"));
            assert_eq!(checked.cause, Some(LabelCause::OtherUnit));
        }
    }

    #[test]
    fn a_scan_of_nothing_is_no_scan() {
        assert!(matches!(check(" \r\n", &expected(), &[]), Err(CheckError::Nothing)));
        assert!(matches!(check(&"x".repeat(10_000), &expected(), &[]), Err(CheckError::TooMuch(10_000))));
    }
}
