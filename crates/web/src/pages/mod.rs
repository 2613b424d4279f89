//! The pages, one module a part of the site.

pub mod access;
pub mod authorities;
pub mod cartons;
pub mod changed;
pub mod chosen;
pub mod company;
pub mod declarations;
pub mod deliveries;
pub mod evidence;
pub mod examine;
pub mod find;
pub mod fit;
pub mod impact;
pub mod inspect;
pub mod labels;
pub mod line;
pub mod log;
pub mod noun;
pub mod people;
pub mod plan;
pub mod products;
pub mod reels;
pub mod report;
pub mod revocation;
pub mod station;
pub mod tape;
pub mod units;

/// A text of a form, or nothing where it is empty.
pub(crate) fn given(text: &str) -> Option<&str> {
    Some(text.trim()).filter(|t| !t.is_empty())
}

/// Rows of a list on one page.
pub(crate) const SHOWN: usize = 40;

/// Which part of a list.
#[derive(Debug, Default, serde::Deserialize)]
pub struct Part {
    #[serde(default)]
    from: String,
}

impl Part {
    /// Rows before it. What is no number is the beginning.
    fn begins(&self) -> usize {
        self.from.trim().parse().unwrap_or(0)
    }
}
