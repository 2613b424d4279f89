//! DER as it stands on the wire: reading that tells departures, and writing.
//!
//! Covers ITU-T X.690 §8 and §10 as far as certificates, requests and lists
//! need it. A library's strict decoder stops at the first breach and gives no
//! value; an engineer who must talk to an authority needs every breach and the
//! values beside it. So [`Walk`] reads definite-length BER, notes each place
//! that is not DER as a [`Departure`], and goes on. What cannot be told apart
//! at all is [`Unreadable`].

mod read;
mod write;

pub use read::{Departure, Span, Tlv, Unreadable, Walk, whole_tlv};
pub use write::{bit_string, boolean, context, integer, null, octet_string, oid, sequence, set, tlv, utf8_string};

/// Identifier octets used here.
pub mod tag {
    pub const BOOLEAN: u8 = 0x01;
    pub const INTEGER: u8 = 0x02;
    pub const BIT_STRING: u8 = 0x03;
    pub const OCTET_STRING: u8 = 0x04;
    pub const NULL: u8 = 0x05;
    pub const OID: u8 = 0x06;
    pub const UTF8_STRING: u8 = 0x0C;
    pub const PRINTABLE_STRING: u8 = 0x13;
    pub const TELETEX_STRING: u8 = 0x14;
    pub const IA5_STRING: u8 = 0x16;
    pub const UTC_TIME: u8 = 0x17;
    pub const GENERALIZED_TIME: u8 = 0x18;
    pub const VISIBLE_STRING: u8 = 0x1A;
    pub const UNIVERSAL_STRING: u8 = 0x1C;
    pub const BMP_STRING: u8 = 0x1E;
    pub const SEQUENCE: u8 = 0x30;
    pub const SET: u8 = 0x31;
}
