//! The job itself, one module a piece of work.
//!
//! An act knows neither the command line nor HTTP: it takes typed arguments,
//! returns a value that serialises to the JSON of `docs`, and fails with an
//! error that says whose move it is ([`base::Advise`]).

pub mod access;
pub mod account;
pub mod authority;
pub mod challenge;
pub mod checkpoint;
pub mod chips;
pub mod chosen;
pub mod code;
pub mod declaration;
pub mod delivery;
pub mod desk;
pub mod evidence;
pub mod fit;
pub mod floor;
pub mod head;
pub mod impact;
pub mod keeping;
pub mod keys;
pub mod label;
pub mod ledger;
pub mod onboarding;
pub mod order;
pub mod part;
pub mod plan;
pub mod product;
pub mod provision;
pub mod record;
pub mod reel;
pub mod rehearse;
pub mod repeat;
pub mod report;
pub mod retention;
pub mod revocation;
pub mod scrap;
pub mod site;
mod station;
pub mod statistics;
pub mod trust;
pub mod unit;
pub mod verifier;
pub mod watch;
/// Words of the book that answers carry.
pub mod words {
    pub use book::{AttemptResult, ChipState, CredentialState, DeliveryOrigin, Next, Purpose, Role, UnitState};
}
