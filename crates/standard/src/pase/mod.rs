//! Opening a session with a device by its passcode.
//!
//! Covers Core Spec 4.14.1 from memory, and RFC 9383 (SPAKE2+ on P-256). The
//! key schedule is that of the draft before the RFC, which the standard keeps.
//! The home is the prover: it knows the passcode. The device is the verifier:
//! it holds w0 and L ([`PasscodeVerifier`](crate::passcode_verifier::PasscodeVerifier)).
//!
//! [`messages`] reads and writes the payloads; [`context`] binds the two first
//! of them; [`Prover`] and [`Verifier`] give the shares, the confirmations and
//! the [`SessionKeys`]. Randomness comes in; secrets are wiped when dropped.

pub mod messages;
mod schedule;
mod spake2;
#[cfg(test)]
mod tests;

pub use schedule::{SessionKeys, context};
pub use spake2::{Prover, Verifier};

use crate::key::PointError;

/// Octets of a share, an uncompressed point.
pub const SHARE: usize = 65;
/// Octets of a confirmation.
pub const CONFIRMATION: usize = 32;
/// Octets of randomness from which a scalar is drawn: eight more than the order has, so that it is even enough.
pub const RANDOMNESS: usize = 40;

/// Why no session came of it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PaseError {
    /// The peer's share is no point.
    #[error("the share is not a point: {0}")]
    Share(PointError),
    /// The shares cancel out: the peer chose its own with malice, or never chose one.
    #[error("the share leads to the point at infinity")]
    Infinity,
    /// The peer has another passcode, or another transcript.
    #[error("the confirmation is not the one that this passcode gives")]
    Confirmation,
}
