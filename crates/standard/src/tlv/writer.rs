//! Writing TLV: always the shortest form.

use super::{Container, Tag};

/// Builds an encoding by appending elements in order.
///
/// Containers are closed by [`Writer::close`]; one left open shows as an
/// encoding that [`super::whole`] refuses, so builders close what they open.
#[derive(Debug, Clone, Default)]
pub struct Writer {
    out: Vec<u8>,
}

/// Octets that an unsigned value needs, as the exponent of two: 0 for 1, 3 for 8.
fn width(value: u64) -> u8 {
    match value {
        0..=0xFF => 0,
        0x100..=0xFFFF => 1,
        0x1_0000..=0xFFFF_FFFF => 2,
        _ => 3,
    }
}

impl Writer {
    /// An empty encoding.
    pub fn new() -> Self {
        Self::default()
    }

    /// The octets written so far.
    pub fn finish(self) -> Vec<u8> {
        self.out
    }

    fn number(&mut self, value: u64, width: u8) {
        self.out.extend_from_slice(&value.to_le_bytes()[..1 << width]);
    }

    /// Control octet and tag.
    fn head(&mut self, tag: Tag, kind: u8) {
        let two_or_four = |number: u32| if number <= 0xFFFF { 1 } else { 2 };
        match tag {
            Tag::Anonymous => self.out.push(kind),
            Tag::Context(number) => self.out.extend_from_slice(&[0x20 | kind, number]),
            Tag::Common(number) => {
                let width = two_or_four(number);
                self.out.push(((1 + width) << 5) | kind);
                self.number(number.into(), width);
            }
            Tag::Implicit(number) => {
                let width = two_or_four(number);
                self.out.push(((3 + width) << 5) | kind);
                self.number(number.into(), width);
            }
            Tag::Full { vendor, profile, tag } => {
                let width = two_or_four(tag);
                self.out.push(((5 + width) << 5) | kind);
                self.number(vendor.into(), 1);
                self.number(profile.into(), 1);
                self.number(tag.into(), width);
            }
        }
    }

    /// An unsigned integer.
    pub fn unsigned(&mut self, tag: Tag, value: u64) -> &mut Self {
        let width = width(value);
        self.head(tag, 0x04 + width);
        self.number(value, width);
        self
    }

    /// A signed integer.
    pub fn signed(&mut self, tag: Tag, value: i64) -> &mut Self {
        let width = match value {
            -0x80..=0x7F => 0,
            -0x8000..=0x7FFF => 1,
            -0x8000_0000..=0x7FFF_FFFF => 2,
            _ => 3,
        };
        self.head(tag, width);
        self.number(value as u64, width);
        self
    }

    /// A boolean.
    pub fn bool(&mut self, tag: Tag, value: bool) -> &mut Self {
        self.head(tag, 0x08 + u8::from(value));
        self
    }

    /// Null.
    pub fn null(&mut self, tag: Tag) -> &mut Self {
        self.head(tag, 0x14);
        self
    }

    /// A UTF-8 string.
    pub fn utf8(&mut self, tag: Tag, value: &str) -> &mut Self {
        self.string(tag, 0x0C, value.as_bytes())
    }

    /// An octet string.
    pub fn octets(&mut self, tag: Tag, value: &[u8]) -> &mut Self {
        self.string(tag, 0x10, value)
    }

    fn string(&mut self, tag: Tag, kind: u8, value: &[u8]) -> &mut Self {
        let width = width(value.len() as u64);
        self.head(tag, kind + width);
        self.number(value.len() as u64, width);
        self.out.extend_from_slice(value);
        self
    }

    /// Opens a container.
    pub fn open(&mut self, tag: Tag, container: Container) -> &mut Self {
        let kind = match container {
            Container::Structure => 0x15,
            Container::Array => 0x16,
            Container::List => 0x17,
        };
        self.head(tag, kind);
        self
    }

    /// Closes the innermost container.
    pub fn close(&mut self) -> &mut Self {
        self.out.push(0x18);
        self
    }

    /// Puts an encoded element in as it is.
    pub fn raw(&mut self, encoded: &[u8]) -> &mut Self {
        self.out.extend_from_slice(encoded);
        self
    }
}
