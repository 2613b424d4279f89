//! Datagrams to one unit and back.

mod program;
mod udp;

use std::time::Duration;

pub use program::{Checked, Promise, Through, check};
pub use udp::{Udp, resolve};

/// Nothing can be carried any more, and why.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Lost(pub String);

/// Carries datagrams between a home and one unit. Calls block.
///
/// - Datagrams may be lost, doubled, late or out of order: that is no error.
/// - `receive` returns within `wait`, and a little; it never hangs.
/// - After [`Lost`] no later call succeeds.
pub trait Transport: Send {
    /// Sends one datagram, or loses it.
    ///
    /// # Errors
    ///
    /// [`Lost`] where nothing can be sent from now on.
    fn send(&mut self, datagram: &[u8]) -> Result<(), Lost>;

    /// The next datagram, if one comes in time; at most
    /// [`MAX_DATAGRAM`](standard::session::MAX_DATAGRAM) octets, and those beyond it told as one too many.
    ///
    /// # Errors
    ///
    /// [`Lost`] where nothing will come from now on.
    fn receive(&mut self, wait: Duration) -> Result<Option<Vec<u8>>, Lost>;

    /// Where the unit is, as a person would type it.
    fn at(&self) -> String;
}
