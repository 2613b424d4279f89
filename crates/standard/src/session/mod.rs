//! Messages between a home and a device: headers, sealing, counters, waiting.
//!
//! Covers Core Spec 4.4 (message format), 4.6 (counters), 4.7 and 4.8 (sealing
//! with AES-128-CCM, NIST SP 800-38C), 4.12 (reliability) and 4.10 (status
//! reports), all from memory. Pure: who sends, when, and with what randomness
//! is the caller's.
//!
//! A datagram is read by [`Datagram::read`]; on a secure session
//! [`Key::unseal`] opens what follows its header; [`Message::read`] reads the
//! protocol header and payload. [`Window`] says whether a counter was seen.

mod counter;
mod header;
mod message;
mod reliability;
mod seal;
mod status;
#[cfg(test)]
mod tests;

pub use counter::{Seen, Window};
pub use header::{Datagram, Header, HeaderFault, MAX_DATAGRAM};
pub use message::{Message, MessageFault, opcode, protocol};
pub use reliability::{Intervals, SENDINGS, STANDALONE_ACK};
pub use seal::{Key, NotAuthentic, TAG};
pub use status::{StatusFault, StatusReport, general, secure_channel};
