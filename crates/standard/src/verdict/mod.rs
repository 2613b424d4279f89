//! Rules, findings and the verdict.
//!
//! A [`Rule`] is a row of the catalogue: its name, the clause that gives it,
//! what is required and what to do when it is broken. Checking a subject
//! yields [`Finding`]s; the verdict is *rejected* as soon as one of them is an
//! error. Every broken rule is reported, in the catalogue's order.
//!
//! Start at [`judge_certificate`] for one certificate by itself, [`Pool`] for
//! chains, [`judge_declaration`], [`judge_exchange`], [`judge_request`] and
//! [`judge_list`] for the rest. [`HeldList`] is the one way from a list to what it revokes.

pub mod catalogue;
mod certificate;
mod chain;
mod declaration;
mod exchange;
mod finding;
mod held;
mod pool;
mod request;
mod revocation;

pub use catalogue::{all_rules, rule};
pub use certificate::{judge_certificate, test_identity};
pub use chain::{Context, Judged, Place};
pub use declaration::{Device, SignerKey, judge_declaration, judge_pairing};
pub use exchange::judge_exchange;
pub use finding::{Finding, Report, Rule, Severity, Verdict};
pub use held::{HeldList, Listed, RevokedSerials};
pub use pool::{Authority, Link, Matching, Pool, SignatureState};
pub use request::judge_request;
pub use revocation::judge_list;
