//! What can go wrong with a template, a label, a sheet, a run.
//!
//! Each error says the rule that broke, with the numbers, and [`advice`] says
//! the remedy. No message holds a QR text or a manual code: both give away a
//! passcode.
//!
//! [`advice`]: LabelError::advice

use std::path::PathBuf;

/// Why a template is refused. Nothing was compiled from it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("template {name}: {what}")]
pub struct TemplateError {
    /// File name, or the name of a built-in one.
    pub name: String,
    /// The rule that broke, and where.
    pub what: String,
    pub advice: String,
}

/// Why one unit's label is refused.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LabelError {
    /// No QR text.
    #[error("the QR text is missing")]
    NoCode,
    /// A value that can't be printed.
    #[error("the value of {{{place}}} {why}")]
    Value {
        place: String,
        /// What is wrong with it.
        why: String,
    },
    /// The template has a place and the unit has nothing for it.
    #[error("the template has a place {{{place}}}, but there is no value for it")]
    NoValue { place: String },
    /// A character outside the embedded fonts.
    #[error("the embedded fonts have no {character:?} (U+{:04X}), which is in {text:?}", u32::from(*.character))]
    NoGlyph {
        character: char,
        /// The line that it stands in.
        text: String,
    },
    /// Text that would have to shrink below its least size.
    #[error(
        "{text:?} needs letters of {needed_mm:.2} mm to fit into {width_mm:.1} mm; the minimum is {least_mm:.2} mm"
    )]
    TooLong {
        text: String,
        /// Width that there is, mm.
        width_mm: f32,
        /// Letter size at which it would fit, mm.
        needed_mm: f32,
        least_mm: f32,
    },
    /// Text that extends beyond the label.
    #[error("{text:?} extends beyond the label by {by_mm:.2} mm")]
    Outside {
        text: String,
        /// By how much, mm.
        by_mm: f32,
    },
    /// Two lines on top of one another.
    #[error("{first:?} and {second:?} overlap")]
    Overlap { first: String, second: String },
    /// A test product on a template that can't say so.
    #[error("this is a test product, but the template has no place {{test}} for \"TEST – NOT FOR SALE\"")]
    NoTestMark,
    /// The text does not fit into any symbol.
    #[error("the QR text is too long for a symbol: {why}")]
    Symbol {
        /// The encoder's word for it.
        why: String,
    },
    /// The symbol's squares would be too small.
    #[error(
        "the symbol needs {modules} modules with its quiet zone; in {box_mm:.1} mm at {dpi} dpi one is {module_mm:.3} mm, but phones need {least_mm:.3} mm or more"
    )]
    TooSmall {
        /// Modules across, quiet zone counted.
        modules: u32,
        /// Side of the template's place, mm.
        box_mm: f32,
        dpi: u32,
        /// Module that fits, in whole dots, mm.
        module_mm: f32,
        least_mm: f32,
        /// Side that would do, mm.
        needed_mm: f32,
    },
    /// Something prints within four modules of the symbol.
    #[error("something prints in the symbol's quiet zone, {x_mm:.1} mm from the left and {y_mm:.1} mm from the top")]
    QuietZone {
        /// From the label's left edge, mm.
        x_mm: f32,
        /// From the label's top edge, mm.
        y_mm: f32,
    },
    /// The quiet zone reaches past the label's edge.
    #[error("the symbol's quiet zone extends beyond the edge of the label")]
    QuietZoneCut,
    /// Something prints over the symbol.
    #[error("something prints over the symbol, {x_mm:.1} mm from the left and {y_mm:.1} mm from the top")]
    Covered {
        /// From the label's left edge, mm.
        x_mm: f32,
        /// From the label's top edge, mm.
        y_mm: f32,
    },
    /// Dark and light are too close, or swapped.
    #[error("the symbol's contrast is {ratio:.1} : 1; the minimum is {least:.1} : 1")]
    Contrast {
        /// Contrast ratio of light to dark.
        ratio: f32,
        least: f32,
    },
    /// Light modules on a dark ground.
    #[error("the symbol is light on dark")]
    Inverted,
    /// The reader found nothing, or something else.
    #[error("the symbol, drawn at {dpi} dpi and read back by another program's reader, {why}")]
    NotReadBack {
        dpi: u32,
        /// What came of it; never the text itself.
        why: String,
    },
    /// The label's own drawing does not parse. A fault of this program.
    #[error("the finished label is not valid SVG: {why}")]
    Unsound {
        /// The parser's word for it.
        why: String,
    },
}

impl LabelError {
    /// The remedy, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::NoCode => "Give the unit's QR text, as `touchmark code make` writes it.".into(),
            Self::Value { place, .. } => format!("Correct the value of {place} and print again."),
            Self::NoValue { place } if crate::data::PLACES.contains(&place.as_str()) => {
                format!("Add {place} to the unit's values, or remove the place from the template.")
            }
            Self::NoValue { place } => format!(
                "Give each unit a value named {place}, or write a place that every unit has: qr (a rect), {}.",
                crate::data::PLACES.join(", ")
            ),
            Self::NoGlyph { .. } => "Write the value in Latin letters.".into(),
            Self::TooLong { .. } => {
                "Shorten the value, or give the text more room in the template (data-max-width, data-min-size).".into()
            }
            Self::Outside { .. } => {
                "Move the text in the template, or let it shrink there with data-max-width.".into()
            }
            Self::Overlap { .. } => "Move one of them in the template, or bound it with data-max-width.".into(),
            Self::NoTestMark => {
                "Put a text element with {test} into the template; it stays empty on production labels.".into()
            }
            Self::Symbol { .. } => "Shorten the optional data in the payload.".into(),
            Self::TooSmall { needed_mm, .. } => format!(
                "Make the qr place at least {needed_mm:.1} mm square, print at a finer --dpi, or lower the limit with --min-module."
            ),
            Self::QuietZone { .. } => {
                "Keep everything out of the box of the qr place: the four light modules around the symbol are inside it."
                    .into()
            }
            Self::QuietZoneCut => "Move the qr place wholly inside the label.".into(),
            Self::Covered { .. } => "Move what lies over the qr place, or put it before the place in the template.".into(),
            Self::Contrast { .. } => "Print the symbol in black on white.".into(),
            Self::Inverted => "Give the qr place a dark fill and a light background; phones need dark on light.".into(),
            Self::NotReadBack { .. } => "Check the template around the qr place; do not print until this is fixed.".into(),
            Self::Unsound { .. } => "Report this with the template; nothing was written.".into(),
        }
    }
}

/// Why a run of labels stopped. No file was written or changed.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// One unit's label is refused.
    #[error("unit {unit}: {source}")]
    Label { unit: String, source: LabelError },
    /// Labels don't fit on the sheet.
    #[error("{what}")]
    Sheet {
        /// The rule that broke.
        what: String,
        advice: String,
    },
    /// The run has no unit.
    #[error("no unit to print a label for")]
    Nothing,
    /// The labels can't be written out.
    #[error("the labels can't be written: {0}")]
    Out(#[source] std::io::Error),
    /// The file can't be written.
    #[error("{path} can't be written: {source}")]
    File { path: PathBuf, source: std::io::Error },
}
