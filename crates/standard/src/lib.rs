//! What the open smart-home connectivity standard says of a device's identity.
//!
//! Pure: octets, times and randomness come in as arguments; nothing here reads
//! a file, a clock or a socket. The layers, from the bottom:
//!
//! - [`ids`], [`tlv`], [`key`]: identifiers, the standard's encoding, P-256.
//! - [`onboarding`], [`passcode_verifier`]: how an owner takes a unit in.
//! - [`factory_record`]: what a unit's firmware reads of itself, by our own schema.
//! - [`verdict`]: the rule catalogue and findings.
//!
//! "Core Spec" in these pages is the Matter Core Specification, cited from
//! memory of releases 1.3 to 1.4; where a public RFC settles a point, that is
//! cited instead.

pub mod factory_record;
pub mod ids;
pub mod key;
pub mod onboarding;
pub mod passcode_verifier;
pub mod tlv;
pub mod verdict;
