//! What a home asks of a device, and how it answers.
//!
//! Covers Core Spec 8.9 and 10.6 (reading, invoking), and of chapter 11 what is
//! asked before a fabric is joined: basic information (11.1), general
//! commissioning (11.10) and operational credentials (11.18); all from memory.
//! Reading passes over tags that a later release adds.
//!
//! [`read`] and [`invoke`] are the messages of both sides; [`cluster`] has what
//! goes into them.

pub mod cluster;
pub mod invoke;
pub mod read;
#[cfg(test)]
mod tests;

use crate::tlv::{Container, FieldError, Fields, Tag, Writer};

/// The revision that is said; any is read.
pub const REVISION: u8 = 11;

/// Where a message says its revision.
const REVISION_TAG: Tag = Tag::Context(0xFF);

/// One message: an anonymous structure that ends with the revision.
fn message(fill: impl FnOnce(&mut Writer)) -> Vec<u8> {
    let mut writer = Writer::new();
    writer.open(Tag::Anonymous, Container::Structure);
    fill(&mut writer);
    writer.unsigned(REVISION_TAG, REVISION.into()).close();
    writer.finish()
}

/// The payload of a `StatusResponse`.
pub fn status_response(status: u8) -> Vec<u8> {
    message(|w| {
        w.unsigned(Tag::Context(0), status.into());
    })
}

/// Reads the payload of a `StatusResponse`.
///
/// # Errors
///
/// [`FieldError`], the first fault.
pub fn read_status_response(payload: &[u8]) -> Result<u8, FieldError> {
    Fields::of_structure(payload)?.field(0, "status").unsigned()
}

/// Status codes (8.10.1).
pub mod status {
    pub const SUCCESS: u8 = 0x00;
    pub const UNSUPPORTED_ENDPOINT: u8 = 0x7F;
    pub const INVALID_ACTION: u8 = 0x80;
    pub const UNSUPPORTED_COMMAND: u8 = 0x81;
    pub const INVALID_COMMAND: u8 = 0x85;
    pub const UNSUPPORTED_ATTRIBUTE: u8 = 0x86;
    pub const CONSTRAINT: u8 = 0x87;
    pub const UNSUPPORTED_CLUSTER: u8 = 0xC3;
    pub const FAIL_SAFE_REQUIRED: u8 = 0xCA;

    /// The code with its words.
    pub fn words(code: u8) -> String {
        let words = match code {
            SUCCESS => "success",
            0x01 => "failure",
            UNSUPPORTED_ENDPOINT => "unsupported endpoint",
            INVALID_ACTION => "invalid action",
            UNSUPPORTED_COMMAND => "unsupported command",
            INVALID_COMMAND => "invalid command",
            UNSUPPORTED_ATTRIBUTE => "unsupported attribute",
            CONSTRAINT => "a constraint is broken",
            UNSUPPORTED_CLUSTER => "unsupported cluster",
            FAIL_SAFE_REQUIRED => "the fail-safe must be armed",
            _ => return format!("status {code:02X}"),
        };
        format!("status {code:02X}, {words}")
    }
}
