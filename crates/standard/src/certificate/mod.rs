//! Certificates: reading, building.
//!
//! Covers Core Spec 6.1 and 6.2.2 over RFC 5280 §4. [`Certificate::read`] takes
//! a certificate apart and keeps everything that a rule may want to show;
//! whether it is any good is for [`crate::verdict`] to say. [`Builder`] makes
//! certificates from a signer passed in.

mod build;
mod extensions;
mod public_key;
mod read;

pub use build::{Builder, ExtensionDer, Profile, rekeyed, sign_tbs};
pub use extensions::{AuthorityKeyId, BasicConstraints, Extension, Extensions, KeyUsage};
pub(crate) use extensions::{read_subject_key_id, value};
pub use public_key::{KeyField, spki_der};
pub use read::{Certificate, SignatureAlgorithm};
