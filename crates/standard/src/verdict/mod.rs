//! Rules, findings and the verdict.
//!
//! A [`Rule`] is a row of the catalogue: its name, the clause that gives it,
//! what is required and what to do when it is broken. Checking a subject
//! yields [`Finding`]s; the verdict is *rejected* as soon as one of them is an
//! error. Every broken rule is reported, in the catalogue's order.

pub(crate) mod catalogue;
mod finding;

pub use catalogue::{all_rules, rule};
pub use finding::{Finding, Report, Rule, Severity, Verdict};
