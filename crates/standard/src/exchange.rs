//! The attestation exchange: what a device answers to a verifier's nonce.
//!
//! Covers Core Spec 6.2.3 and 11.18. [`Elements`] is the TLV that the device
//! signs together with the attestation challenge; [`Proof`] is an exchange kept
//! as JSON, with everything that is needed to check it again.

use serde_json::Value as Json;

use crate::key::PublicKey;
use crate::moment::Moment;
use crate::tlv::{Container, Element, Reader, Tag, TlvError, Value, Writer};

/// Octets that `attestation_elements` may have (Core Spec 11.18.4.5).
pub const MAX_ELEMENTS: usize = 900;
/// Octets of a nonce.
pub const NONCE: usize = 32;
/// Octets of a challenge.
pub const CHALLENGE: usize = 16;
/// Octets of a signature, r || s.
pub const SIGNATURE: usize = 64;
/// 2000-01-01T00:00:00Z, where the standard's seconds begin.
pub const EPOCH: i64 = 946_684_800;

/// `attestation_elements` as read; borrowed.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Elements<'a> {
    /// `certification_declaration`, CMS in DER.
    pub declaration: Option<&'a [u8]>,
    /// `attestation_nonce`.
    pub nonce: Option<&'a [u8]>,
    /// timestamp: seconds since 2000; 0 where the device does not know.
    pub timestamp: Option<u64>,
    /// `firmware_information`.
    pub firmware: Option<&'a [u8]>,
    /// Number of vendor-specific elements.
    pub vendor_specific: usize,
    /// Tags that this release of the standard does not define, as in a later one; at most 16.
    pub reserved: Vec<String>,
    /// Elements that are missing, twice there, out of order or of another type.
    pub faults: Vec<String>,
}

impl<'a> Elements<'a> {
    /// Reads the structure.
    ///
    /// # Errors
    ///
    /// [`TlvError`] where the octets are no TLV at all.
    pub fn read(data: &'a [u8]) -> Result<Self, TlvError> {
        crate::tlv::whole(data)?;
        let mut out = Self::default();
        let mut reader = Reader::new(data);
        match reader.next()? {
            Some(Element { tag: Tag::Anonymous, value: Value::Open(Container::Structure), .. }) => {}
            other => {
                let is = other.map_or("nothing", |e| e.value.kind());
                out.faults.push(format!("{is} instead of an anonymous structure"));
                return Ok(out);
            }
        }
        let mut last = 0;
        while let Some(element) = reader.next()? {
            let fault = match (element.tag, element.value) {
                (Tag::Anonymous, Value::Close) => break,
                (Tag::Full { .. }, value) => {
                    out.vendor_specific += 1;
                    if matches!(value, Value::Open(_)) {
                        reader.skip_container()?;
                    }
                    None
                }
                (Tag::Context(number @ 1..=4), value) => {
                    let misplaced = if out.vendor_specific > 0 {
                        Some(format!("element {number} is after vendor-specific ones"))
                    } else if number == last {
                        Some(format!("element {number} appears twice"))
                    } else if number < last {
                        Some(format!("element {number} is out of order"))
                    } else {
                        None
                    };
                    last = last.max(number);
                    out.take(number, value).or(misplaced)
                }
                (tag, value) => {
                    if matches!(value, Value::Open(_)) {
                        reader.skip_container()?;
                    }
                    if tag == Tag::Anonymous {
                        Some("an element without a tag".into())
                    } else {
                        if out.reserved.len() < 16 {
                            out.reserved.push(tag.to_string());
                        }
                        None
                    }
                }
            };
            if let (Some(fault), true) = (fault, out.faults.len() < 16) {
                out.faults.push(fault);
            }
        }
        for (number, name, there) in [
            (1, "certification_declaration", out.declaration.is_some()),
            (2, "attestation_nonce", out.nonce.is_some()),
            (3, "timestamp", out.timestamp.is_some()),
        ] {
            if !there && !out.faults.iter().any(|f| f.starts_with(&format!("element {number} "))) {
                out.faults.push(format!("element {number} {name} is missing"));
            }
        }
        Ok(out)
    }

    fn take(&mut self, number: u8, value: Value<'a>) -> Option<String> {
        match (number, value) {
            (1, Value::Octets(octets)) => self.declaration = Some(octets),
            (2, Value::Octets(octets)) => self.nonce = Some(octets),
            (3, Value::Unsigned(seconds)) => {
                self.timestamp = Some(seconds);
                if seconds > u64::from(u32::MAX) {
                    return Some(format!("element 3 timestamp is {seconds}, more than 32 bits hold"));
                }
            }
            (4, Value::Octets(octets)) => self.firmware = Some(octets),
            (_, other) => {
                let wanted = if number == 3 { "an unsigned integer" } else { "an octet string" };
                return Some(format!("element {number} is {}, not {wanted}", other.kind()));
            }
        }
        None
    }

    /// Writes the structure, elements in the standard's order.
    ///
    /// - `declaration`: CMS in DER. `nonce`: the verifier's 32 octets.
    /// - `timestamp`: seconds since 2000-01-01T00:00:00Z, 0 if unknown.
    pub fn encode(declaration: &[u8], nonce: &[u8; NONCE], timestamp: u32, firmware: Option<&[u8]>) -> Vec<u8> {
        let mut writer = Writer::new();
        writer
            .open(Tag::Anonymous, Container::Structure)
            .octets(Tag::Context(1), declaration)
            .octets(Tag::Context(2), nonce)
            .unsigned(Tag::Context(3), timestamp.into());
        if let Some(firmware) = firmware {
            writer.octets(Tag::Context(4), firmware);
        }
        writer.close();
        writer.finish()
    }
}

/// What is signed: `attestation_elements || attestation_challenge`.
pub fn to_be_signed(elements: &[u8], challenge: &[u8]) -> Vec<u8> {
    [elements, challenge].concat()
}

/// An exchange kept as JSON (`proof.json`). Octets that are not hex are kept as the fault.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proof {
    pub unit: Option<String>,
    /// Chip id, where named.
    pub chip_id: Option<String>,
    /// The nonce that the verifier sent.
    pub nonce: Result<Vec<u8>, String>,
    pub challenge: Result<Vec<u8>, String>,
    /// `attestation_elements`.
    pub elements: Result<Vec<u8>, String>,
    /// The device's signature, r || s.
    pub signature: Result<Vec<u8>, String>,
    pub at: Option<Moment>,
}

/// The JSON is no exchange.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ProofError {
    /// No JSON.
    #[error("not JSON: {0}")]
    Json(String),
    /// JSON of something else.
    #[error("JSON without \"elements\", so not an exchange")]
    NoExchange,
}

impl Proof {
    /// Reads an exchange; `json` up to 64 KiB.
    ///
    /// # Errors
    ///
    /// [`ProofError`] where it is no JSON object with `elements`.
    pub fn read(json: &[u8]) -> Result<Self, ProofError> {
        if json.len() > 1 << 16 {
            return Err(ProofError::Json("more than 64 KiB".into()));
        }
        let value: Json = serde_json::from_slice(json).map_err(|e| ProofError::Json(e.to_string()))?;
        let object = value.as_object().filter(|o| o.contains_key("elements")).ok_or(ProofError::NoExchange)?;
        let text = |key: &str| object.get(key).and_then(Json::as_str).map(str::to_owned);
        let octets = |key: &str| match object.get(key) {
            None => Err(format!("no \"{key}\"")),
            Some(Json::String(digits)) => {
                hex::decode(digits).map_err(|_| format!("\"{key}\" is not an even number of hexadecimal digits"))
            }
            Some(_) => Err(format!("\"{key}\" is not text")),
        };
        Ok(Self {
            unit: text("unit"),
            chip_id: text("chip_id"),
            nonce: octets("nonce"),
            challenge: octets("challenge"),
            elements: octets("elements"),
            signature: octets("signature"),
            at: text("at").and_then(|t| t.parse().ok()),
        })
    }

    /// Whether the signature is this key's over elements and challenge.
    pub fn is_signed_by(&self, key: &PublicKey) -> bool {
        match (&self.elements, &self.challenge, &self.signature) {
            (Ok(elements), Ok(challenge), Ok(signature)) => {
                key.verifies_raw(&to_be_signed(elements, challenge), signature)
            }
            _ => false,
        }
    }
}
