//! Reading TLV: a borrowing, bounded pull reader.

use super::{Container, Tag};

/// How deep containers may lie in one another. The standard's own messages
/// need three; more in outside input is an attack or an accident.
pub const MAX_DEPTH: usize = 16;

/// One value, borrowed from the input.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value<'a> {
    /// Signed integer, 1 to 8 octets.
    Signed(i64),
    /// Unsigned integer, 1 to 8 octets.
    Unsigned(u64),
    /// Boolean.
    Bool(bool),
    /// IEEE 754 single.
    Float(f32),
    /// IEEE 754 double.
    Double(f64),
    /// UTF-8 string.
    Utf8(&'a str),
    /// Octet string.
    Octets(&'a [u8]),
    /// Null.
    Null,
    /// A container opens.
    Open(Container),
    /// The innermost container closes.
    Close,
}

impl Value<'_> {
    /// The kind of value in words, for a finding.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Signed(_) => "a signed integer",
            Self::Unsigned(_) => "an unsigned integer",
            Self::Bool(_) => "a boolean",
            Self::Float(_) | Self::Double(_) => "a floating-point number",
            Self::Utf8(_) => "a UTF-8 string",
            Self::Octets(_) => "an octet string",
            Self::Null => "null",
            Self::Open(Container::Structure) => "a structure",
            Self::Open(Container::Array) => "an array",
            Self::Open(Container::List) => "a list",
            Self::Close => "the end of a container",
        }
    }
}

/// One element: its tag, its value, where its control octet stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Element<'a> {
    pub tag: Tag,
    /// Value, or a container's edge.
    pub value: Value<'a>,
    /// Offset of the control octet.
    pub at: usize,
}

/// What is wrong with an encoding, and where.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{fault} at byte {at}")]
pub struct TlvError {
    /// Offset of the offending element's control octet.
    pub at: usize,
    pub fault: TlvFault,
}

/// The faults an encoding can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TlvFault {
    /// The input ends inside an element.
    #[error("the encoding ends inside an element")]
    Truncated,
    /// Element types 0x19 to 0x1F are reserved.
    #[error("reserved element type 0x{0:02X}")]
    Reserved(u8),
    /// A string is not UTF-8.
    #[error("a UTF-8 string that is not UTF-8")]
    Utf8,
    /// An end of container outside any container, or one with a tag.
    #[error("an end of container that closes nothing")]
    StrayEnd,
    /// Deeper than [`MAX_DEPTH`].
    #[error("containers nested deeper than {MAX_DEPTH}")]
    Depth,
    /// An array's member carries a tag.
    #[error("a tagged element in an array")]
    TaggedInArray,
    /// A structure's member has no tag.
    #[error("an element without a tag in a structure")]
    Untagged,
    /// The outermost container is never closed.
    #[error("a container that is never closed")]
    Unclosed,
    /// Octets follow the outermost element.
    #[error("bytes after the outermost element")]
    Trailing,
}

/// Pulls elements from octets. Nothing is copied or allocated.
#[derive(Debug, Clone)]
pub struct Reader<'a> {
    data: &'a [u8],
    at: usize,
    open: [Container; MAX_DEPTH],
    depth: usize,
}

impl<'a> Reader<'a> {
    /// Starts at the first octet.
    pub fn new(data: &'a [u8]) -> Self {
        Self { data, at: 0, open: [Container::Structure; MAX_DEPTH], depth: 0 }
    }

    /// How many containers are open.
    pub fn depth(&self) -> usize {
        self.depth
    }

    /// Offset of the next element.
    pub fn position(&self) -> usize {
        self.at
    }

    /// The next element; `None` at the end of the input.
    ///
    /// # Errors
    ///
    /// The first fault met. The reader then stands where it stood, so asking
    /// again gives the same answer.
    #[expect(clippy::should_implement_trait, reason = "errors end the reading; an iterator would invite skipping them")]
    pub fn next(&mut self) -> Result<Option<Element<'a>>, TlvError> {
        let at = self.at;
        if at == self.data.len() {
            return if self.depth == 0 { Ok(None) } else { Err(TlvError { at, fault: TlvFault::Unclosed }) };
        }
        let mut cursor = Cursor { data: self.data, at };
        let found = cursor.element(self.depth.checked_sub(1).map(|top| self.open[top]));
        match found {
            Ok((tag, value)) => {
                match value {
                    Value::Open(_) if self.depth == MAX_DEPTH => return Err(TlvError { at, fault: TlvFault::Depth }),
                    Value::Open(container) => {
                        self.open[self.depth] = container;
                        self.depth += 1;
                    }
                    Value::Close => self.depth -= 1,
                    _ => {}
                }
                self.at = cursor.at;
                Ok(Some(Element { tag, value, at }))
            }
            Err(fault) => Err(TlvError { at, fault }),
        }
    }

    /// Reads on to the end of the container that was just opened, and past it.
    ///
    /// # Errors
    ///
    /// As [`Reader::next`].
    pub fn skip_container(&mut self) -> Result<(), TlvError> {
        let outside = self.depth.saturating_sub(1);
        while self.depth > outside {
            if self.next()?.is_none() {
                break;
            }
        }
        Ok(())
    }
}

/// Checks that `data` is one well-formed element and nothing else.
///
/// # Errors
///
/// The first fault; [`TlvFault::Trailing`] where octets follow.
pub fn whole(data: &[u8]) -> Result<(), TlvError> {
    let mut reader = Reader::new(data);
    if reader.next()?.is_none() {
        return Err(TlvError { at: 0, fault: TlvFault::Truncated });
    }
    while reader.depth() > 0 {
        reader.next()?;
    }
    if reader.position() == data.len() {
        Ok(())
    } else {
        Err(TlvError { at: reader.position(), fault: TlvFault::Trailing })
    }
}

struct Cursor<'a> {
    data: &'a [u8],
    at: usize,
}

impl<'a> Cursor<'a> {
    fn take(&mut self, count: u64) -> Result<&'a [u8], TlvFault> {
        let count = usize::try_from(count).map_err(|_| TlvFault::Truncated)?;
        let end = self.at.checked_add(count).ok_or(TlvFault::Truncated)?;
        let taken = self.data.get(self.at..end).ok_or(TlvFault::Truncated)?;
        self.at = end;
        Ok(taken)
    }

    /// An unsigned little-endian number of `1 << size` octets.
    fn number(&mut self, size: u8) -> Result<u64, TlvFault> {
        let octets = self.take(1 << size)?;
        Ok(octets.iter().rev().fold(0, |sum, octet| sum << 8 | u64::from(*octet)))
    }

    fn element(&mut self, inside: Option<Container>) -> Result<(Tag, Value<'a>), TlvFault> {
        let control = self.number(0)? as u8;
        let tag = match control >> 5 {
            0 => Tag::Anonymous,
            1 => Tag::Context(self.number(0)? as u8),
            2 => Tag::Common(self.number(1)? as u32),
            3 => Tag::Common(self.number(2)? as u32),
            4 => Tag::Implicit(self.number(1)? as u32),
            5 => Tag::Implicit(self.number(2)? as u32),
            form => {
                let vendor = self.number(1)? as u16;
                let profile = self.number(1)? as u16;
                let tag = self.number(if form == 6 { 1 } else { 2 })? as u32;
                Tag::Full { vendor, profile, tag }
            }
        };
        let kind = control & 0x1F;
        if kind != 0x18 {
            match (inside, tag) {
                (Some(Container::Array), tag) if tag != Tag::Anonymous => return Err(TlvFault::TaggedInArray),
                (Some(Container::Structure), Tag::Anonymous) => return Err(TlvFault::Untagged),
                _ => {}
            }
        }
        let value = match kind {
            0x00..=0x03 => {
                let raw = self.number(kind)?;
                let unused = 64 - (8_u32 << kind);
                Value::Signed(((raw << unused) as i64) >> unused)
            }
            0x04..=0x07 => Value::Unsigned(self.number(kind - 0x04)?),
            0x08 => Value::Bool(false),
            0x09 => Value::Bool(true),
            0x0A => Value::Float(f32::from_bits(self.number(2)? as u32)),
            0x0B => Value::Double(f64::from_bits(self.number(3)?)),
            0x0C..=0x0F => {
                let length = self.number(kind - 0x0C)?;
                Value::Utf8(std::str::from_utf8(self.take(length)?).map_err(|_| TlvFault::Utf8)?)
            }
            0x10..=0x13 => {
                let length = self.number(kind - 0x10)?;
                Value::Octets(self.take(length)?)
            }
            0x14 => Value::Null,
            0x15 => Value::Open(Container::Structure),
            0x16 => Value::Open(Container::Array),
            0x17 => Value::Open(Container::List),
            0x18 if inside.is_some() && tag == Tag::Anonymous => Value::Close,
            0x18 => return Err(TlvFault::StrayEnd),
            _ => return Err(TlvFault::Reserved(kind)),
        };
        Ok((tag, value))
    }
}
