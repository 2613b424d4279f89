//! Extensions, and the four that the standard asks for.
//!
//! Covers RFC 5280 §4.2.1.1, §4.2.1.2, §4.2.1.3, §4.2.1.9.

use crate::asn1::{Departure, Span, Unreadable, Walk, tag};

/// One extension.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Extension {
    /// Its object identifier's contents.
    pub kind: Span,
    /// Whether it is marked critical.
    pub critical: bool,
    /// Contents of its OCTET STRING.
    pub value: Span,
}

/// Number of extensions a certificate may have: beyond any real one, and a bound on work.
const MAX_EXTENSIONS: usize = 64;

/// The extensions in the order in which they stand.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Extensions(pub Vec<Extension>);

impl Extensions {
    /// Reads `SEQUENCE OF Extension`, the next encoding of a walk.
    ///
    /// # Errors
    ///
    /// Where it is not that.
    pub fn read(walk: &mut Walk<'_, '_>) -> Result<Self, Unreadable> {
        let outer = walk.expect(tag::SEQUENCE, "a list of extensions was expected")?;
        let mut found = Vec::with_capacity(6);
        let mut members = walk.enter(&outer)?;
        while !members.is_done() {
            let extension = members.expect(tag::SEQUENCE, "an extension was expected")?;
            if found.len() == MAX_EXTENSIONS {
                return Err(Unreadable { at: extension.full.start as usize, what: "more than 64 extensions" });
            }
            let mut parts = members.enter(&extension)?;
            let kind = parts.expect(tag::OID, "an extension's identifier was expected")?;
            let mut critical = false;
            if parts.peek() == Some(tag::BOOLEAN) {
                let at = parts.position();
                critical = parts.boolean("a mark of criticality was expected")?;
                if !critical {
                    parts.depart(at, "a mark of criticality that only repeats the default");
                }
            }
            let value = parts.expect(tag::OCTET_STRING, "an extension's value was expected")?;
            parts.finish("bytes after an extension's value")?;
            found.push(Extension { kind: kind.content, critical, value: value.content });
        }
        Ok(Self(found))
    }

    /// The first extension of that kind.
    pub fn get(&self, data: &[u8], kind: &[u8]) -> Option<&Extension> {
        self.0.iter().find(|e| e.kind.of(data) == kind)
    }
}

/// Reads the one encoding that fills an extension's value, with its departures as faults.
pub(crate) fn value<T>(
    data: &[u8],
    span: Span,
    read: impl FnOnce(&mut Walk<'_, '_>) -> Result<T, Unreadable>,
) -> Result<T, String> {
    let mut departures: Vec<Departure> = Vec::new();
    let mut walk = Walk::within(data, span, &mut departures);
    let found = read(&mut walk).and_then(|found| walk.finish("bytes after the value").map(|()| found));
    match (found, departures.first()) {
        (Err(error), _) => Err(error.to_string()),
        (Ok(_), Some(departure)) => Err(format!("{} at byte {}", departure.what, departure.at)),
        (Ok(found), None) => Ok(found),
    }
}

/// basicConstraints (RFC 5280 §4.2.1.9).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BasicConstraints {
    /// Whether the subject is an authority.
    pub ca: bool,
    /// Whether `cA FALSE` is spelled out, which DER forbids for a default.
    pub spelled_false: bool,
    /// How many intermediates may follow.
    pub path_length: Option<u32>,
}

impl BasicConstraints {
    /// Reads the extension's value.
    ///
    /// # Errors
    ///
    /// What is wrong with it, in words.
    pub fn read(data: &[u8], extension: &Extension) -> Result<Self, String> {
        value(data, extension.value, |walk| {
            let outer = walk.expect(tag::SEQUENCE, "a SEQUENCE was expected")?;
            let mut parts = walk.enter(&outer)?;
            let mut out = Self { ca: false, spelled_false: false, path_length: None };
            if parts.peek() == Some(tag::BOOLEAN) {
                out.ca = parts.boolean("cA was expected")?;
                out.spelled_false = !out.ca;
            }
            if !parts.is_done() {
                let at = parts.position();
                let length = parts.integer("pathLenConstraint was expected")?.of(data);
                let number = match length {
                    [first, ..] if *first >= 0x80 => None,
                    _ if length.len() > 5 => None,
                    _ => u32::try_from(length.iter().fold(0u64, |n, o| n << 8 | u64::from(*o))).ok(),
                };
                out.path_length = Some(number.ok_or(Unreadable { at, what: "a pathLenConstraint out of range" })?);
            }
            parts.finish("bytes after pathLenConstraint")?;
            Ok(out)
        })
    }
}

/// keyUsage (RFC 5280 §4.2.1.3): bit 0 is digitalSignature, bit 8 decipherOnly.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeyUsage(pub u16);

impl KeyUsage {
    /// digitalSignature.
    pub const DIGITAL_SIGNATURE: u16 = 1 << 0;
    /// keyCertSign.
    pub const KEY_CERT_SIGN: u16 = 1 << 5;
    /// cRLSign.
    pub const CRL_SIGN: u16 = 1 << 6;

    const NAMES: [&'static str; 9] = [
        "digitalSignature",
        "nonRepudiation",
        "keyEncipherment",
        "dataEncipherment",
        "keyAgreement",
        "keyCertSign",
        "cRLSign",
        "encipherOnly",
        "decipherOnly",
    ];

    /// Reads the extension's value: a BIT STRING without trailing zero bits
    /// (X.690 §11.2.2).
    ///
    /// # Errors
    ///
    /// What is wrong with it, in words.
    pub fn read(data: &[u8], extension: &Extension) -> Result<Self, String> {
        value(data, extension.value, |walk| {
            let bits = walk.expect(tag::BIT_STRING, "a BIT STRING was expected")?;
            let at = bits.content.start as usize;
            let octets = bits.content.of(data);
            let (unused, octets) =
                octets.split_first().ok_or(Unreadable { at, what: "a BIT STRING without contents" })?;
            if *unused > 7 || (octets.is_empty() && *unused != 0) || octets.len() > 2 {
                return Err(Unreadable { at, what: "a BIT STRING that is no set of usages" });
            }
            if let Some(last) = octets.last() {
                if last.trailing_zeros() < u32::from(*unused) {
                    return Err(Unreadable { at, what: "unused bits that are set" });
                }
                if *last == 0 || last.trailing_zeros() > u32::from(*unused) {
                    walk.depart(at, "a set of usages with trailing zero bits");
                }
            }
            let mut usages = 0;
            for (index, octet) in octets.iter().enumerate() {
                for bit in 0..8 {
                    if octet & (0x80 >> bit) != 0 {
                        usages |= 1u16.checked_shl(index as u32 * 8 + bit).unwrap_or(0);
                    }
                }
            }
            Ok(Self(usages))
        })
    }

    /// Whether all these bits are set.
    pub fn has(self, bits: u16) -> bool {
        self.0 & bits == bits
    }

    /// The usages in words.
    pub fn words(self) -> String {
        let names: Vec<_> = (0..16)
            .filter(|bit| self.0 & (1 << bit) != 0)
            .map(|bit| Self::NAMES.get(bit).map_or_else(|| format!("bit {bit}"), |n| (*n).to_owned()))
            .collect();
        if names.is_empty() { "no usage".into() } else { names.join(", ") }
    }
}

/// subjectKeyIdentifier's octets.
///
/// # Errors
///
/// What is wrong with the value, in words.
pub(crate) fn read_subject_key_id(data: &[u8], extension: &Extension) -> Result<Span, String> {
    value(data, extension.value, |walk| Ok(walk.expect(tag::OCTET_STRING, "an OCTET STRING was expected")?.content))
}

/// authorityKeyIdentifier (RFC 5280 §4.2.1.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AuthorityKeyId {
    pub key_id: Option<Span>,
    /// Whether issuer and serial number are given too.
    pub names_issuer: bool,
}

impl AuthorityKeyId {
    /// Reads the extension's value.
    ///
    /// # Errors
    ///
    /// What is wrong with it, in words.
    pub fn read(data: &[u8], extension: &Extension) -> Result<Self, String> {
        value(data, extension.value, |walk| {
            let outer = walk.expect(tag::SEQUENCE, "a SEQUENCE was expected")?;
            let mut parts = walk.enter(&outer)?;
            let mut out = Self { key_id: None, names_issuer: false };
            while !parts.is_done() {
                let part = parts.next()?;
                match part.tag {
                    0x80 => out.key_id = Some(part.content),
                    0xA1 | 0x82 => out.names_issuer = true,
                    _ => return Err(Unreadable { at: part.full.start as usize, what: "an unknown part" }),
                }
            }
            Ok(out)
        })
    }
}
