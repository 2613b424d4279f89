//! Onboarding codes: what a phone scans or an owner types to take a unit in.
//!
//! Covers Core Spec 5.1. A [`Payload`] is valid by construction and is written
//! as QR text ([`Payload::qr_text`], several with [`join`]) or as a manual code
//! ([`Payload::manual_code`]). [`read`] takes either form from outside, gives
//! everything that it tells and names each fault by its `code.` rule.
//! [`OptionalData`] is what may follow a QR payload.
//! [`draw`] gives the passcodes and discriminators of a batch.
//!
//! Pure: randomness comes in as an argument. Pictures of codes live elsewhere.

mod base38;
pub mod draw;
mod fields;
mod manual;
mod manual_read;
mod optional;
mod payload;
mod qr;
mod read;
#[cfg(test)]
mod tests;
mod values;
pub mod verhoeff;

pub use base38::{decode as base38_decode, encode as base38_encode};
pub use fields::Fields;
pub use manual::{ManualCode, group};
pub use optional::{Named, OptionalData, OptionalFault, Plain};
pub use payload::{MAX_QR_CHARACTERS, Payload, PayloadError, join};
pub use read::{Form, Located, MAX_CHARACTERS, Reading, Slip, SlipKind, read};
pub use values::{Discriminator, Flow, Passcode, Reach, ValueError};
