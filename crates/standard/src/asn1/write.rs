//! Writing: each function gives one encoding, in DER.
//!
//! Small enough to be fast (a certificate is some forty calls) and free enough
//! for specimens, which put deliberately wrong octets in the right places.

use super::tag;

/// Identifier, definite length in the fewest octets, contents.
pub fn tlv(tag: u8, content: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(content.len() + 6);
    out.push(tag);
    let length = content.len();
    if length < 0x80 {
        out.push(length as u8);
    } else {
        let octets = length.to_be_bytes();
        let skip = octets.iter().take_while(|o| **o == 0).count();
        out.push(0x80 | (octets.len() - skip) as u8);
        out.extend_from_slice(&octets[skip..]);
    }
    out.extend_from_slice(content);
    out
}

/// A SEQUENCE of encodings.
pub fn sequence(members: &[&[u8]]) -> Vec<u8> {
    tlv(tag::SEQUENCE, &members.concat())
}

/// A SET OF encodings, sorted (X.690 §11.6).
pub fn set(members: &[&[u8]]) -> Vec<u8> {
    let mut sorted = members.to_vec();
    sorted.sort_unstable();
    tlv(tag::SET, &sorted.concat())
}

/// A context-specific tag, constructed or primitive.
pub fn context(number: u8, constructed: bool, content: &[u8]) -> Vec<u8> {
    tlv(0x80 | number | if constructed { 0x20 } else { 0 }, content)
}

/// A non-negative INTEGER from big-endian octets, in the fewest octets.
pub fn integer(magnitude: &[u8]) -> Vec<u8> {
    let skip = magnitude.iter().take_while(|o| **o == 0).count();
    let significant = &magnitude[skip..];
    match significant.first() {
        None => tlv(tag::INTEGER, &[0]),
        Some(first) if *first >= 0x80 => tlv(tag::INTEGER, &[&[0], significant].concat()),
        Some(_) => tlv(tag::INTEGER, significant),
    }
}

/// An OBJECT IDENTIFIER from its contents.
pub fn oid(content: &[u8]) -> Vec<u8> {
    tlv(tag::OID, content)
}

/// An OCTET STRING.
pub fn octet_string(content: &[u8]) -> Vec<u8> {
    tlv(tag::OCTET_STRING, content)
}

/// A BIT STRING of whole octets.
pub fn bit_string(content: &[u8]) -> Vec<u8> {
    tlv(tag::BIT_STRING, &[&[0], content].concat())
}

/// A BOOLEAN.
pub fn boolean(value: bool) -> Vec<u8> {
    tlv(tag::BOOLEAN, &[if value { 0xFF } else { 0 }])
}

/// NULL.
pub fn null() -> Vec<u8> {
    tlv(tag::NULL, &[])
}

/// A `UTF8String`.
pub fn utf8_string(text: &str) -> Vec<u8> {
    tlv(tag::UTF8_STRING, text.as_bytes())
}
