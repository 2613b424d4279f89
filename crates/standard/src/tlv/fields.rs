//! A structure or list taken apart by its context tags, for messages.
//!
//! What a later release adds is passed over: a tag that nobody asks for is no
//! fault. A tag that appears twice is one, since two readers could then see two
//! messages.

use super::{Container, Reader, Tag, TlvError, Value};

/// Members of one container that are looked at. The longest that is read, a
/// report of nine attributes, has nine; more is passed over at no cost.
const MOST: usize = 64;

/// One container's direct members.
#[derive(Debug, Clone)]
pub struct Fields<'a> {
    members: Vec<Member<'a>>,
}

/// One member, with its octets as they stand.
#[derive(Debug, Clone, Copy)]
struct Member<'a> {
    tag: Tag,
    value: Value<'a>,
    raw: &'a [u8],
}

/// What is wrong with a message's content.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FieldError {
    /// No TLV.
    #[error("not TLV: {0}")]
    Tlv(#[from] TlvError),
    /// Another outermost element.
    #[error("{found} instead of {wanted}")]
    Outside { wanted: &'static str, found: &'static str },
    /// A member that every such message has.
    #[error("element {number} {name} is missing")]
    Missing { number: u8, name: &'static str },
    /// A member of another type.
    #[error("element {number} {name} is {found}, not {wanted}")]
    Kind { number: u8, name: &'static str, wanted: &'static str, found: &'static str },
    /// A member out of its bounds.
    #[error("element {number} {name} is {found}; it needs {wanted}")]
    Bounds { number: u8, name: &'static str, wanted: &'static str, found: String },
    /// The same tag again.
    #[error("element {0} appears twice")]
    Twice(u8),
    /// More than a message has.
    #[error("more than {MOST} elements in one container")]
    TooMany,
}

impl<'a> Fields<'a> {
    /// Reads one structure and nothing after it.
    ///
    /// # Errors
    ///
    /// [`FieldError`], the first fault of the encoding.
    pub fn of_structure(data: &'a [u8]) -> Result<Self, FieldError> {
        Self::of(data, Container::Structure, "a structure")
    }

    /// The same of a list.
    ///
    /// # Errors
    ///
    /// As [`Fields::of_structure`].
    pub fn of_list(data: &'a [u8]) -> Result<Self, FieldError> {
        Self::of(data, Container::List, "a list")
    }

    fn of(data: &'a [u8], container: Container, wanted: &'static str) -> Result<Self, FieldError> {
        super::whole(data)?;
        let mut reader = Reader::new(data);
        match reader.next()?.map(|element| element.value) {
            Some(Value::Open(found)) if found == container => {}
            other => return Err(FieldError::Outside { wanted, found: other.map_or("nothing", |v| v.kind()) }),
        }
        let mut members: Vec<Member<'a>> = Vec::new();
        while let Some(element) = reader.next()? {
            match element.value {
                Value::Close => break,
                Value::Open(_) => reader.skip_container()?,
                _ => {}
            }
            if members.len() == MOST {
                return Err(FieldError::TooMany);
            }
            if let Tag::Context(number) = element.tag
                && members.iter().any(|member| member.tag == element.tag)
            {
                return Err(FieldError::Twice(number));
            }
            let raw = data.get(element.at..reader.position()).unwrap_or_default();
            members.push(Member { tag: element.tag, value: element.value, raw });
        }
        Ok(Self { members })
    }

    /// The member with that context tag, whether it is there or not.
    pub fn field(&self, number: u8, name: &'static str) -> Field<'a> {
        let member = self.members.iter().find(|member| member.tag == Tag::Context(number)).copied();
        Field { number, name, member }
    }

    /// The member with that tag, if it is there.
    pub fn optional(&self, number: u8, name: &'static str) -> Option<Field<'a>> {
        let field = self.field(number, name);
        field.member.is_some().then_some(field)
    }
}

/// A member that is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Field<'a> {
    number: u8,
    name: &'static str,
    member: Option<Member<'a>>,
}

impl<'a> Field<'a> {
    /// The value; of a container only that it opens.
    ///
    /// # Errors
    ///
    /// [`FieldError::Missing`].
    pub fn value(&self) -> Result<Value<'a>, FieldError> {
        let Self { number, name, .. } = *self;
        self.member.map(|member| member.value).ok_or(FieldError::Missing { number, name })
    }

    fn other(&self, wanted: &'static str, found: Value<'_>) -> FieldError {
        FieldError::Kind { number: self.number, name: self.name, wanted, found: found.kind() }
    }

    fn out_of_bounds(&self, wanted: &'static str, found: String) -> FieldError {
        FieldError::Bounds { number: self.number, name: self.name, wanted, found }
    }

    /// An unsigned number that fits the type asked for.
    ///
    /// # Errors
    ///
    /// [`FieldError`] where it is missing, of another type or too large, as with every call below.
    pub fn unsigned<T: TryFrom<u64>>(&self) -> Result<T, FieldError> {
        match self.value()? {
            Value::Unsigned(number) => {
                T::try_from(number).map_err(|_| self.out_of_bounds("a smaller number", number.to_string()))
            }
            other => Err(self.other("an unsigned integer", other)),
        }
    }

    /// True or false.
    ///
    /// # Errors
    ///
    /// As above.
    pub fn boolean(&self) -> Result<bool, FieldError> {
        match self.value()? {
            Value::Bool(set) => Ok(set),
            other => Err(self.other("a boolean", other)),
        }
    }

    /// An octet string of any size.
    ///
    /// # Errors
    ///
    /// As above.
    pub fn octets(&self) -> Result<&'a [u8], FieldError> {
        match self.value()? {
            Value::Octets(octets) => Ok(octets),
            other => Err(self.other("an octet string", other)),
        }
    }

    /// An octet string of exactly `N`.
    ///
    /// # Errors
    ///
    /// As above.
    pub fn exactly<const N: usize>(&self) -> Result<[u8; N], FieldError> {
        let octets = self.octets()?;
        octets.try_into().map_err(|_| self.out_of_bounds("another size", format!("of {} bytes", octets.len())))
    }

    /// A text.
    ///
    /// # Errors
    ///
    /// As above.
    pub fn text(&self) -> Result<&'a str, FieldError> {
        match self.value()? {
            Value::Utf8(text) => Ok(text),
            other => Err(self.other("a UTF-8 string", other)),
        }
    }

    /// The element as it is encoded, tag and all.
    ///
    /// # Errors
    ///
    /// [`FieldError::Missing`].
    pub fn raw(&self) -> Result<&'a [u8], FieldError> {
        self.value()?;
        Ok(self.member.map_or(&[], |member| member.raw))
    }

    /// What a structure holds.
    ///
    /// # Errors
    ///
    /// As above.
    pub fn structure(&self) -> Result<Fields<'a>, FieldError> {
        match self.value()? {
            Value::Open(Container::Structure) => Fields::of_structure(self.raw()?),
            other => Err(self.other("a structure", other)),
        }
    }

    /// What a list holds.
    ///
    /// # Errors
    ///
    /// As above.
    pub fn list(&self) -> Result<Fields<'a>, FieldError> {
        match self.value()? {
            Value::Open(Container::List) => Fields::of_list(self.raw()?),
            other => Err(self.other("a list", other)),
        }
    }

    /// The encoded elements of an array.
    ///
    /// # Errors
    ///
    /// As above.
    pub fn array(&self) -> Result<Vec<&'a [u8]>, FieldError> {
        match self.value()? {
            Value::Open(Container::Array) => {
                Ok(Fields::of(self.raw()?, Container::Array, "an array")?.members.iter().map(|m| m.raw).collect())
            }
            other => Err(self.other("an array", other)),
        }
    }
}
