//! Meeting a finished unit as a customer's home does, up to attestation, and
//! leaving it as it was; and playing a unit that homes can meet.
//!
//! - [`transport`] carries datagrams: UDP, or a program of somebody else's.
//! - [`discovery`] finds units that announce themselves, and announces stand-ins.
//! - [`home`] is the meeting: [`home::meet`] gives a [`home::Met`], and
//!   [`judge`] says what a verifier would say of it.
//! - [`mod@unit`] is the stand-in: an engine without a socket, faults by name, and
//!   the loop that serves it on one.
//!
//! Messages and rules are crate `standard`'s. No fabric is joined and nothing
//! is stored in a unit. Passcodes, w0 and session keys are wiped and in no log.

pub mod discovery;
pub mod home;
pub mod judge;
mod random;
pub mod transport;
pub mod unit;
