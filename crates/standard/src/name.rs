//! Distinguished names, and the identifiers that stand in them.
//!
//! Covers Core Spec 6.2.2.2 (dedicated attributes, `Mvid:`/`Mpid:` in a
//! commonName) and RFC 5280 §4.1.2.4, §7.1. Reading never fails on what a name
//! *says*: a malformed value is kept beside the good ones, so that a rule can
//! show it. [`NameBuilder`] writes names.

use std::borrow::Cow;
use std::fmt::Write as _;

use crate::asn1::{self, Departure, Span, Unreadable, Walk, tag};
use crate::ids::{ProductId, VendorId};
use crate::oid;

/// How one identifier was told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Told<T> {
    /// Four upper-case hexadecimal digits of an identifier that devices may carry.
    Valid(T),
    /// Well formed, but a value that no device carries.
    Never(u16),
    /// Not four upper-case hexadecimal digits; as found.
    Malformed(String),
}

/// What a name tells of vendor and product.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Identity {
    /// Whether the dedicated attributes are used; else the commonName's text.
    pub by_attribute: bool,
    /// Every vendor ID told, in order.
    pub vendors: Vec<Told<VendorId>>,
    /// Every product ID told, in order.
    pub products: Vec<Told<ProductId>>,
    /// A commonName holds `Mvid:` although attributes are used, so it is plain text.
    pub idle_vendor_text: bool,
    /// The same of `Mpid:`.
    pub idle_product_text: bool,
}

impl Identity {
    /// The one vendor ID, where exactly one is told and it is valid.
    pub fn vendor(&self) -> Option<VendorId> {
        match self.vendors.as_slice() {
            [Told::Valid(id)] => Some(*id),
            _ => None,
        }
    }

    /// The one product ID, where exactly one is told and it is valid.
    pub fn product(&self) -> Option<ProductId> {
        match self.products.as_slice() {
            [Told::Valid(id)] => Some(*id),
            _ => None,
        }
    }
}

/// A distinguished name as read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Name {
    pub span: Span,
    pub attributes: u32,
    /// What vendor and product it tells.
    pub identity: Identity,
    /// What is wrong with its strings, first of all faults.
    pub fault: Option<String>,
}

/// Number of attributes a name may have: beyond any real one, and a bound on work.
const MAX_ATTRIBUTES: u32 = 64;

impl Name {
    /// Reads the next name of a walk over `data`.
    ///
    /// # Errors
    ///
    /// Where it is no `SEQUENCE OF SET OF SEQUENCE { OID, value }`.
    pub fn read(data: &[u8], walk: &mut Walk<'_, '_>) -> Result<Self, Unreadable> {
        let outer = walk.expect(tag::SEQUENCE, "a distinguished name was expected")?;
        let mut name = Self { span: outer.full, attributes: 0, identity: Identity::default(), fault: None };
        let mut text = Identity::default();
        let mut rdns = walk.enter(&outer)?;
        while !rdns.is_done() {
            let rdn = rdns.expect(tag::SET, "a relative distinguished name was expected")?;
            let mut members = rdns.enter(&rdn)?;
            let mut previous: Option<Span> = None;
            members
                .peek()
                .ok_or(Unreadable { at: rdn.full.start as usize, what: "an empty relative distinguished name" })?;
            while !members.is_done() {
                let pair = members.expect(tag::SEQUENCE, "an attribute was expected")?;
                if previous.is_some_and(|p| p.of(data) > pair.full.of(data)) {
                    members.depart(pair.full.start as usize, "a SET OF that is not in ascending order");
                }
                previous = Some(pair.full);
                let mut parts = members.enter(&pair)?;
                let kind = parts.expect(tag::OID, "an attribute type was expected")?;
                let value = parts.next()?;
                parts.sweep(&value)?;
                parts.finish("bytes after an attribute's value")?;
                name.attributes += 1;
                if name.attributes > MAX_ATTRIBUTES {
                    return Err(Unreadable { at: pair.full.start as usize, what: "a name of more than 64 attributes" });
                }
                name.take(kind.content.of(data), value.tag, value.content.of(data), &mut text);
            }
        }
        if name.identity.by_attribute {
            name.identity.idle_vendor_text = !text.vendors.is_empty();
            name.identity.idle_product_text = !text.products.is_empty();
        } else {
            name.identity.vendors = text.vendors;
            name.identity.products = text.products;
        }
        Ok(name)
    }

    fn take(&mut self, kind: &[u8], tag: u8, value: &[u8], text: &mut Identity) {
        if kind == oid::VENDOR_ID {
            self.identity.by_attribute = true;
            push(&mut self.identity.vendors, attribute(tag, value, VendorId::new));
            return;
        }
        if kind == oid::PRODUCT_ID {
            self.identity.by_attribute = true;
            push(&mut self.identity.products, attribute(tag, value, ProductId::new));
            return;
        }
        match readable(tag, value) {
            Ok(string) => {
                if kind == oid::COMMON_NAME {
                    scan(&string, "Mvid:", VendorId::new, &mut text.vendors);
                    scan(&string, "Mpid:", ProductId::new, &mut text.products);
                }
            }
            Err(why) => {
                let fault = format!("{}: {why}", oid::named(kind));
                self.fault.get_or_insert(fault);
            }
        }
    }

    /// The name in words: `O = Quarry Lane, CN = Test PAI 7, VID = FFF2`.
    pub fn display(&self, data: &[u8]) -> String {
        let mut out = String::new();
        let _ = attributes(data, self.span, |_, kind, tag, value| {
            let separator = if out.is_empty() { "" } else { ", " };
            let shown =
                readable(tag, value).unwrap_or_else(|_| format!("#{}", hex::encode(&value[..value.len().min(64)])));
            let _ = write!(out, "{separator}{} = {}", short(kind), printable(&shown));
        });
        if out.is_empty() { "(empty)".into() } else { out }
    }

    /// The first commonName, for headings.
    pub fn common_name(&self, data: &[u8]) -> Option<String> {
        let mut found = None;
        let _ = attributes(data, self.span, |_, kind, tag, value| {
            if kind == oid::COMMON_NAME && found.is_none() {
                found = readable(tag, value).ok().map(|s| printable(&s));
            }
        });
        found
    }

    /// The first serialNumber attribute (RFC 4519 §2.31), where chip makers put a chip's id.
    pub fn serial_number(&self, data: &[u8]) -> Option<String> {
        let mut found = None;
        let _ = attributes(data, self.span, |_, kind, tag, value| {
            if kind == [0x55, 0x04, 0x05] && found.is_none() {
                found = readable(tag, value).ok();
            }
        });
        found
    }

    /// Form in which RFC 5280 §7.1 compares names: types of string, letter
    /// case and white space do not count; order does, and so does which
    /// attributes stand together in one relative distinguished name.
    pub fn folded(&self, data: &[u8]) -> String {
        let mut out = String::new();
        let mut last = None;
        let _ = attributes(data, self.span, |rdn, kind, tag, value| {
            if last.replace(rdn).is_some_and(|l| l != rdn) {
                out.push('\u{1e}');
            }
            let text = readable(tag, value).unwrap_or_else(|_| hex::encode(value));
            let words: Vec<_> = text.split_whitespace().map(str::to_lowercase).collect();
            let _ = write!(out, "{}={}\u{1f}", hex::encode(kind), words.join(" "));
        });
        out
    }
}

/// Text from outside with whatever could steer a terminal as escapes: control
/// characters, and the invisible ones that turn the direction of writing
/// (Unicode TR 36 §2.5) or hide.
pub fn printable(text: &str) -> String {
    let steers = |c: char| {
        c.is_control()
            || matches!(c, '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
    };
    if !text.chars().any(steers) {
        return text.to_owned();
    }
    text.chars().flat_map(|c| if steers(c) { c.escape_default().collect::<Vec<_>>() } else { vec![c] }).collect()
}

fn short(kind: &[u8]) -> Cow<'static, str> {
    match kind {
        _ if kind == oid::COMMON_NAME => "CN".into(),
        _ if kind == oid::ORGANIZATION => "O".into(),
        [0x55, 0x04, 0x06] => "C".into(),
        [0x55, 0x04, 0x07] => "L".into(),
        [0x55, 0x04, 0x08] => "ST".into(),
        [0x55, 0x04, 0x0B] => "OU".into(),
        _ => oid::named(kind).into(),
    }
}

fn attributes(data: &[u8], span: Span, mut each: impl FnMut(u32, &[u8], u8, &[u8])) -> Result<(), Unreadable> {
    let mut departures: Vec<Departure> = Vec::new();
    let mut walk = Walk::within(data, span, &mut departures);
    let outer = walk.next()?;
    let mut rdns = walk.enter(&outer)?;
    while !rdns.is_done() {
        let rdn = rdns.next()?;
        let mut members = rdns.enter(&rdn)?;
        while !members.is_done() {
            let pair = members.next()?;
            let mut parts = members.enter(&pair)?;
            let (kind, value) = (parts.next()?, parts.next()?);
            each(rdn.full.start, kind.content.of(data), value.tag, value.content.of(data));
        }
    }
    Ok(())
}

/// Adds to what is mostly one alone, and kept for as many names as a delivery has.
fn push<T>(told: &mut Vec<Told<T>>, one: Told<T>) {
    if told.is_empty() {
        told.reserve_exact(1);
    }
    told.push(one);
}

/// A dedicated attribute: `UTF8String` or `PrintableString` of four upper-case digits.
fn attribute<T, E>(tag: u8, value: &[u8], id: fn(u16) -> Result<T, E>) -> Told<T> {
    if tag != tag::UTF8_STRING && tag != tag::PRINTABLE_STRING {
        let text = String::from_utf8_lossy(&value[..value.len().min(32)]);
        return Told::Malformed(format!("{text:?} as a string with identifier {tag:02x}"));
    }
    match upper_hex(value) {
        Some(number) => id(number).map_or(Told::Never(number), Told::Valid),
        None => Told::Malformed(format!("{:?}", String::from_utf8_lossy(&value[..value.len().min(32)]))),
    }
}

/// Exactly four of `0-9A-F`.
fn upper_hex(text: &[u8]) -> Option<u16> {
    let digits: &[u8; 4] = text.try_into().ok()?;
    digits.iter().try_fold(0u16, |sum, digit| {
        let value = match digit {
            b'0'..=b'9' => digit - b'0',
            b'A'..=b'F' => digit - b'A' + 10,
            _ => return None,
        };
        Some(sum << 4 | u16::from(value))
    })
}

/// Finds every `Mvid:` or `Mpid:` in a commonName (Core Spec 6.2.2.2).
fn scan<T, E>(text: &str, marker: &str, id: fn(u16) -> Result<T, E>, told: &mut Vec<Told<T>>) {
    for (at, _) in text.match_indices(marker) {
        let after = &text.as_bytes()[at + marker.len()..];
        let form = match after.get(..4).and_then(upper_hex) {
            Some(number) => id(number).map_or(Told::Never(number), Told::Valid),
            None => {
                let shown: String = text[at..].chars().take(marker.len() + 6).collect();
                Told::Malformed(format!("{shown:?}"))
            }
        };
        push(told, form);
    }
}

/// A string value as text.
fn readable(tag: u8, value: &[u8]) -> Result<String, String> {
    let ascii = |what: &str| {
        if value.is_ascii() {
            Ok(String::from_utf8_lossy(value).into_owned())
        } else {
            Err(format!("a {what} with bytes beyond ASCII"))
        }
    };
    match tag {
        tag::UTF8_STRING => {
            std::str::from_utf8(value).map(str::to_owned).map_err(|_| "a UTF8String that is not UTF-8".into())
        }
        tag::PRINTABLE_STRING => {
            let odd = value.iter().find(|o| !o.is_ascii_alphanumeric() && !b" '()+,-./:=?".contains(o));
            match odd {
                None => ascii("PrintableString"),
                // Widely seen and harmless, so it is only refused where it is no text at all.
                Some(o) if o.is_ascii_graphic() => ascii("PrintableString"),
                Some(o) => Err(format!("a PrintableString with the byte {o:02x}")),
            }
        }
        tag::IA5_STRING | tag::VISIBLE_STRING | 0x12 => ascii("string"),
        tag::TELETEX_STRING => Ok(value.iter().map(|o| char::from(*o)).collect()),
        tag::BMP_STRING => {
            if !value.len().is_multiple_of(2) {
                return Err("a BMPString of an odd number of bytes".into());
            }
            let units = value.chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]]));
            char::decode_utf16(units)
                .collect::<Result<String, _>>()
                .map_err(|_| "a BMPString with half a character".into())
        }
        tag::UNIVERSAL_STRING => {
            if !value.len().is_multiple_of(4) {
                return Err("a UniversalString that is not four bytes a character".into());
            }
            value
                .chunks_exact(4)
                .map(|c| char::from_u32(u32::from_be_bytes([c[0], c[1], c[2], c[3]])))
                .collect::<Option<String>>()
                .ok_or_else(|| "a UniversalString with no characters of Unicode".into())
        }
        other => Err(format!("a value with identifier {other:02x} instead of a string")),
    }
}

/// Builds a distinguished name, one attribute a relative name.
#[derive(Debug, Clone, Default)]
pub struct NameBuilder {
    rdns: Vec<Vec<u8>>,
}

impl NameBuilder {
    /// An empty name.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds an attribute with a string of the given type.
    #[must_use]
    pub fn attribute(mut self, kind: &[u8], tag: u8, text: &str) -> Self {
        let pair = asn1::sequence(&[&asn1::oid(kind), &asn1::tlv(tag, text.as_bytes())]);
        self.rdns.push(asn1::set(&[&pair]));
        self
    }

    /// Adds a commonName as `UTF8String`.
    #[must_use]
    pub fn common_name(self, text: &str) -> Self {
        self.attribute(oid::COMMON_NAME, tag::UTF8_STRING, text)
    }

    /// Adds an organizationName as `UTF8String`.
    #[must_use]
    pub fn organization(self, text: &str) -> Self {
        self.attribute(oid::ORGANIZATION, tag::UTF8_STRING, text)
    }

    /// Adds the vendor ID as its dedicated attribute.
    #[must_use]
    pub fn vendor(self, id: VendorId) -> Self {
        self.attribute(oid::VENDOR_ID, tag::UTF8_STRING, &id.to_string())
    }

    /// Adds the product ID as its dedicated attribute.
    #[must_use]
    pub fn product(self, id: ProductId) -> Self {
        self.attribute(oid::PRODUCT_ID, tag::UTF8_STRING, &id.to_string())
    }

    /// The name in DER.
    pub fn build(&self) -> Vec<u8> {
        asn1::tlv(tag::SEQUENCE, &self.rdns.concat())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(der: &[u8]) -> Name {
        let mut departures = Vec::new();
        let mut walk = Walk::new(der, &mut departures);
        let name = Name::read(der, &mut walk).unwrap();
        assert_eq!(departures, []);
        name
    }

    fn told(der: &[u8]) -> (Option<u16>, Option<u16>) {
        let identity = read(der).identity;
        (identity.vendor().map(VendorId::get), identity.product().map(ProductId::get))
    }

    /// Source: STANDARD.md 1 (Core Spec 6.2.2.2, from memory).
    #[test]
    fn fallback_names() {
        let both = (Some(0xFFF1), Some(0x00B1));
        for (text, expected) in [
            ("Tern Vent 5CDA9899 Mvid:FFF1 Mpid:00B1", both),
            ("Mpid:00B1,Tern Vent,Mvid:FFF1", both),
            ("Tern Vent Mvid:FFF1Mpid:00B1", both),
            ("Mvid:FFF1ABCDMpid:00B1Tern", both),
            ("Mvid:FFF1A", (Some(0xFFF1), None)),
            ("Mvid:FF1", (None, None)),
            ("Mvid:fff1", (None, None)),
            ("Mvid: FFF1", (None, None)),
            ("mvid:FFF1", (None, None)),
            ("Mpid: 00B1", (None, None)),
            ("Mpid:B1", (None, None)),
            ("Mvid:FFF1 Mvid:FFF1", (None, None)),
            ("Mvid:0000", (None, None)),
            ("Mvid:\u{ff26}FFF1", (None, None)),
        ] {
            assert_eq!(told(&NameBuilder::new().common_name(text).build()), expected, "{text}");
        }
        let elsewhere = NameBuilder::new().organization("Mvid:FFF1 Mpid:00B1").build();
        assert_eq!(told(&elsewhere), (None, None), "only a commonName counts");
    }

    #[test]
    fn attributes_silence_the_text() {
        let name = NameBuilder::new().common_name("Mpid:00B1 Mvid:FFF1").vendor(VendorId::new(0xFFF2).unwrap()).build();
        let identity = read(&name).identity;
        assert_eq!(identity.vendor().map(VendorId::get), Some(0xFFF2));
        assert_eq!(identity.product(), None);
        assert!(identity.idle_product_text && identity.idle_vendor_text);
    }

    #[test]
    fn attribute_forms() {
        for (name, string, text, good) in [
            ("UTF8String", tag::UTF8_STRING, "FFF1", true),
            ("PrintableString", tag::PRINTABLE_STRING, "FFF1", true),
            ("IA5String", tag::IA5_STRING, "FFF1", false),
            ("lower case", tag::UTF8_STRING, "fff1", false),
            ("three digits", tag::UTF8_STRING, "FF1", false),
            ("five digits", tag::UTF8_STRING, "0FFF1", false),
            ("prefixed", tag::UTF8_STRING, "0xFFF1", false),
            ("never a device's", tag::UTF8_STRING, "FFF5", false),
        ] {
            let der = NameBuilder::new().attribute(oid::VENDOR_ID, string, text).build();
            assert_eq!(told(&der).0.is_some(), good, "{name}");
            assert_eq!(read(&der).identity.vendors.len(), 1, "{name}");
        }
    }
}
