//! What the open smart-home connectivity standard says of a device's identity.
//!
//! Pure: octets, times and randomness come in as arguments; nothing here reads
//! a file, a clock or a socket. The layers, from the bottom:
//!
//! - [`ids`], [`tlv`], [`key`], [`signature`]: identifiers, the standard's encoding, P-256.
//! - [`verdict`]: the rule catalogue and findings.
//!
//! "Core Spec" in these pages is the Matter Core Specification, cited from
//! memory of releases 1.3 to 1.4; where a public RFC settles a point, that is
//! cited instead.

pub mod ids;
pub mod key;
pub mod signature;
pub mod tlv;
pub mod verdict;
