//! What the open smart-home connectivity standard says of a device's identity.
//!
//! Pure: octets, times and randomness come in as arguments; nothing here reads
//! a file, a clock or a socket. The layers, from the bottom:
//!
//! - [`ids`], [`tlv`], [`asn1`], [`moment`], [`key`], [`signature`]: identifiers, encodings, times, P-256.
//! - [`name`], [`certificate`], [`request`], [`revocation`]: names, and what is signed over them.
//! - [`declaration`], [`exchange`]: what the alliance and the device say.
//! - [`verdict`]: the rule catalogue, the checks, chains and findings.
//! - [`specimen`]: sets that break one rule each.
//! - [`onboarding`], [`passcode_verifier`]: how an owner takes a unit in.
//! - [`session`], [`pase`], [`interaction`]: how a home meets a device, up to attestation.
//! - [`factory_record`]: what a unit's firmware reads of itself, by our own schema.
//!
//! "Core Spec" in these pages is the Matter Core Specification, cited from
//! memory of releases 1.3 to 1.4; where a public RFC settles a point, that is
//! cited instead.

pub mod asn1;
pub mod certificate;
pub mod declaration;
pub mod detect;
pub mod exchange;
pub mod factory_record;
pub mod ids;
pub mod interaction;
pub mod key;
pub mod moment;
pub mod name;
pub mod oid;
pub mod onboarding;
pub mod pase;
pub mod passcode_verifier;
pub mod pem;
pub mod request;
pub mod revocation;
pub mod session;
pub mod signature;
pub mod specimen;
pub mod tlv;
pub mod verdict;
