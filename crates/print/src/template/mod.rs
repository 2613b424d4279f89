//! Label templates: SVG with named places.
//!
//! A template is checked ([`guard`]), resolved once for test products and once
//! for all others ([`compile`]), and from then on costs nothing: a label fills
//! its lines and draws its symbol. The convention is in `docs/labels.md`.
//!
//! Start at [`Template::built_in`] or [`Template::read`].

pub mod compile;
pub mod guard;
mod lines;
pub mod mark;

use crate::error::TemplateError;
use crate::template::compile::Program;

/// Largest label, mm a side; smallest too.
pub const SIDES_MM: std::ops::RangeInclusive<f32> = 5.0..=420.0;

/// The templates that come with the program: name and SVG.
pub const BUILT_IN: &[(&str, &str)] = &[
    ("device", include_str!("../../templates/device.svg")),
    ("carton", include_str!("../../templates/carton.svg")),
    ("multipack", include_str!("../../templates/multipack.svg")),
];

/// A template, ready for any number of labels.
#[derive(Debug, Clone)]
pub struct Template {
    name: String,
    production: Program,
    test: Program,
}

impl Template {
    /// A built-in template by its name; `None` where there is none of that name.
    pub fn built_in(name: &str) -> Option<Self> {
        let (name, svg) = BUILT_IN.iter().find(|(known, _)| *known == name)?;
        // Each built-in template is read by a test.
        Some(Self::read(name, svg).expect("built-in templates are sound"))
    }

    /// Reads a template from SVG text.
    ///
    /// - `name`: for errors, usually the file's name.
    ///
    /// # Errors
    ///
    /// The first rule that the template breaks, with the remedy. Values and
    /// the printer are not known yet; what depends on them is judged label by
    /// label.
    pub fn read(name: &str, svg: &str) -> Result<Self, TemplateError> {
        let guarded = guard::guard(name, svg.trim_start_matches('\u{FEFF}'))?;
        let production = compile::compile(name, &guarded, false)?;
        let test = compile::compile(name, &guarded, true)?;
        if let Some(why) = mark::fault(&test) {
            return Err(TemplateError {
                name: name.into(),
                what: format!("has a place {{test}} whose text {why}"),
                advice: format!(
                    "Give {{test}} its own line with capitals of {} mm or more, black on white or white on black.",
                    mark::LEAST_CAPITALS_MM
                ),
            });
        }
        Ok(Self { name: name.to_owned(), production, test })
    }

    /// Its name, as given.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What is drawn for a test product, or for another.
    pub fn program(&self, test: bool) -> &Program {
        if test { &self.test } else { &self.production }
    }

    /// Width and height, mm; the same for both kinds of product.
    pub fn size_mm(&self) -> (f32, f32) {
        self.production.size_mm
    }
}

/// Characters of a place's name.
pub(crate) fn is_place_octet(octet: u8) -> bool {
    octet.is_ascii_lowercase() || octet.is_ascii_digit() || matches!(octet, b'_' | b'-' | b'.')
}
