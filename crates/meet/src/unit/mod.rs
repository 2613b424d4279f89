//! A stand-in: plays a unit that homes can meet.
//!
//! [`StandIn`] is the engine: datagrams and times go in, datagrams and
//! [`Complaint`]s come out; it has no socket. [`serve`] runs it on one.
//! [`Fault`] names what can be wrong with it. It answers one home at a time,
//! holds a bounded number of half-open sessions and messages whatever comes, and
//! closes its window after 20 wrong tries, as a unit does.

mod answer;
mod attest;
mod engine;
mod fault;
mod serve;
pub mod specimen;

pub use attest::{Attester, Signs, SoftwareSigns};
pub use engine::{Complaint, StandIn};
pub use fault::Fault;
pub use serve::{bind, serve};

use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt};

use crate::home::Device;

/// Wrong tries after which the window closes (Core Spec 5.4.2.3.1, from memory).
pub const MOST_FAILURES: u32 = 20;

/// What the stand-in plays.
pub struct Played {
    pub verifier: PasscodeVerifier,
    pub salt: Salt,
    pub iterations: Iterations,
    pub device: Device,
    /// The device attestation certificate, or what is sent in its place.
    pub dac: Vec<u8>,
    pub pai: Vec<u8>,
    pub attester: Attester,
}
