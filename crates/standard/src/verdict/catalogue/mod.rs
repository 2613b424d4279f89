//! The rule catalogue: one table a kind of subject, in the standard's order.

pub(crate) mod code;
pub(crate) mod verifier;

use super::Rule;

/// Tables in the order in which they are printed and judged.
const TABLES: &[&[Rule]] = &[code::TABLE, verifier::TABLE];

/// Every rule, in the catalogue's order.
pub fn all_rules() -> impl Iterator<Item = &'static Rule> {
    TABLES.iter().flat_map(|table| table.iter())
}

/// The rule of that name.
pub fn rule(name: &str) -> Option<&'static Rule> {
    all_rules().find(|rule| rule.name == name)
}
