//! A site: a factory's working directory, its settings, keys, people and record book; the authorities, declarations,
//! products and trust sets that it holds; and what it knows to be revoked.
//!
//! The way through: [`Site::open`], then a module by its noun, with [`Who`] acts.

pub mod access;
pub mod authority;
pub mod checkpoint;
pub mod clock;
pub mod day;
pub mod declaration;
pub mod head;
pub mod keys;
pub mod ledger;
pub mod product;
pub mod record_place;
pub mod repeat;
pub mod revoked;
pub mod series;
mod site;
pub mod trust;

pub use site::*;

/// Words of the book that answers carry.
pub mod words {
    pub use book::{AttemptResult, ChipState, CredentialState, DeliveryOrigin, Next, Purpose, Role, UnitState};
}
