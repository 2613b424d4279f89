//! Secure elements behind one trait.
//!
//! - [`ChipSource`] tells which chips are present and opens one; [`Chip`] is
//!   that one: who it is, its public key, its objects, its signature, its lock.
//!   The contract stands as prose on the two traits.
//! - [`contract`] is the same contract as code: it tries any source and says
//!   which promise held and which was broken.
//! - [`simulated`] chips are files, with honest times, power cuts and faults.
//! - [`command`] drivers wrap a vendor's tool.
//! - [`token`]: PKCS #11 tokens, one chip or many in each.
//! - [`Source`] is what a user types after `--chips`.
//!
//! Calls block. Nothing here knows reels, credentials or the record book.

pub mod command;
pub mod contract;
mod error;
mod hold;
mod name;
pub mod simulated;
mod source;
pub mod token;
mod traits;

pub use error::{ChipError, Doing, Next};
pub use name::{ChipId, NameError, ObjectName};
pub use source::{OpenOptions, Source, SourceError};
pub use traits::{Abilities, Chip, ChipSource, Identity, LONGEST_MESSAGE, State};
