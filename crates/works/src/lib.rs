//! The job itself, one module a piece of work.
//!
//! An act knows neither the command line nor HTTP: it takes typed arguments,
//! returns a value that serialises to the JSON of `docs`, and fails with an
//! error that says whose move it is ([`Advise`]).

pub mod access;
pub mod account;
pub mod advice;
pub mod authority;
mod bundle;
pub mod challenge;
pub mod checkpoint;
pub mod chips;
pub mod chosen;
pub mod code;
pub mod course;
pub mod declaration;
pub mod delivery;
pub mod desk;
mod encoding;
pub mod evidence;
pub mod examine;
pub mod explain;
pub mod files;
pub mod finding_view;
pub mod findings;
pub mod fit;
pub mod floor;
pub mod head;
mod http;
pub mod impact;
pub mod intake;
pub mod keeping;
pub mod keys;
pub mod label;
pub mod ledger;
mod lower;
#[cfg(test)]
mod made;
pub mod onboarding;
pub mod order;
pub mod part;
pub mod plan;
pub mod product;
pub mod provision;
pub mod randomness;
pub mod record;
pub mod reel;
pub mod rehearse;
pub mod repeat;
pub mod report;
pub mod retention;
pub mod revocation;
pub mod scrap;
mod sentence;
pub mod site;
pub mod specimen;
mod station;
pub mod statistics;
pub mod trouble;
pub mod trust;
pub mod unit;
pub mod verifier;
pub mod watch;
/// Words of the book that answers carry.
pub mod words {
    pub use book::{AttemptResult, ChipState, CredentialState, DeliveryOrigin, Next, Purpose, Role, UnitState};
}

pub use advice::{Advise, Kind, Said, quoted};
pub use files::{WriteError, put};
pub use sentence::sentence;
pub use trouble::Trouble;
