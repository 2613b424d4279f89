//! The four kinds of value that both engines hold, on their way in and out.

use std::error::Error;

use rusqlite::types::{ToSqlOutput, ValueRef};
use tokio_postgres::types::private::BytesMut;
use tokio_postgres::types::{IsNull, ToSql, Type};

use crate::error::BookError;

/// A value on its way into the book.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum P<'a> {
    Null,
    Int(i64),
    Text(&'a str),
    Bytes(&'a [u8]),
}

impl P<'_> {
    /// The same, kept.
    pub(crate) fn to_value(self) -> Value {
        match self {
            Self::Null => Value::Null,
            Self::Int(number) => Value::Int(number),
            Self::Text(text) => Value::Text(text.to_owned()),
            Self::Bytes(octets) => Value::Bytes(octets.to_vec()),
        }
    }
}

impl From<i64> for P<'_> {
    fn from(value: i64) -> Self {
        Self::Int(value)
    }
}
impl<'a> From<&'a str> for P<'a> {
    fn from(value: &'a str) -> Self {
        Self::Text(value)
    }
}
impl<'a> From<&'a String> for P<'a> {
    fn from(value: &'a String) -> Self {
        Self::Text(value)
    }
}
impl<'a> From<&'a [u8]> for P<'a> {
    fn from(value: &'a [u8]) -> Self {
        Self::Bytes(value)
    }
}
impl<'a> From<&'a Vec<u8>> for P<'a> {
    fn from(value: &'a Vec<u8>) -> Self {
        Self::Bytes(value)
    }
}
impl<'a, const N: usize> From<&'a [u8; N]> for P<'a> {
    fn from(value: &'a [u8; N]) -> Self {
        Self::Bytes(value)
    }
}
impl<'a, T> From<Option<T>> for P<'a>
where
    P<'a>: From<T>,
{
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Null, Self::from)
    }
}

/// `params![a, b]`: a slice of values for the placeholders `$1`, `$2`.
macro_rules! params {
    ($($value:expr),* $(,)?) => { &[$($crate::engine::value::P::from($value)),*][..] };
}
pub(crate) use params;

impl rusqlite::ToSql for P<'_> {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(ToSqlOutput::Borrowed(match *self {
            Self::Null => ValueRef::Null,
            Self::Int(value) => ValueRef::Integer(value),
            Self::Text(value) => ValueRef::Text(value.as_bytes()),
            Self::Bytes(value) => ValueRef::Blob(value),
        }))
    }
}

impl ToSql for P<'_> {
    fn to_sql(&self, of: &Type, out: &mut BytesMut) -> Result<IsNull, Box<dyn Error + Sync + Send>> {
        match *self {
            Self::Null => Ok(IsNull::Yes),
            // The schema has BIGINT only; an expression may still be typed INTEGER.
            Self::Int(value) if *of == Type::INT4 => i32::try_from(value)?.to_sql(of, out),
            Self::Int(value) => value.to_sql(of, out),
            Self::Text(value) => value.to_sql(of, out),
            Self::Bytes(value) => value.to_sql(of, out),
        }
    }

    fn accepts(_: &Type) -> bool {
        true
    }

    tokio_postgres::types::to_sql_checked!();
}

/// A value as the book gave it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Value {
    Null,
    Int(i64),
    Text(String),
    Bytes(Vec<u8>),
}

impl Value {
    pub(crate) fn as_param(&self) -> P<'_> {
        match self {
            Self::Null => P::Null,
            Self::Int(value) => P::Int(*value),
            Self::Text(value) => P::Text(value),
            Self::Bytes(value) => P::Bytes(value),
        }
    }
}

/// One row of an answer; columns are counted from 0.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row(pub(crate) Vec<Value>);

impl Row {
    fn wrong(&self, column: usize, wanted: &str) -> BookError {
        let found = match self.0.get(column) {
            None => "nothing",
            Some(Value::Null) => "no value",
            Some(Value::Int(_)) => "a number",
            Some(Value::Text(_)) => "text",
            Some(Value::Bytes(_)) => "octets",
        };
        BookError::damaged(format!("column {column} of an answer holds {found} where {wanted} should be"))
    }

    pub(crate) fn int(&self, column: usize) -> Result<i64, BookError> {
        match self.0.get(column) {
            Some(Value::Int(value)) => Ok(*value),
            _ => Err(self.wrong(column, "a number")),
        }
    }

    pub(crate) fn str(&self, column: usize) -> Result<&str, BookError> {
        match self.0.get(column) {
            Some(Value::Text(value)) => Ok(value),
            _ => Err(self.wrong(column, "text")),
        }
    }

    pub(crate) fn text(&self, column: usize) -> Result<String, BookError> {
        match self.0.get(column) {
            Some(Value::Text(value)) => Ok(value.clone()),
            _ => Err(self.wrong(column, "text")),
        }
    }

    pub(crate) fn bytes(&self, column: usize) -> Result<Vec<u8>, BookError> {
        match self.0.get(column) {
            Some(Value::Bytes(value)) => Ok(value.clone()),
            _ => Err(self.wrong(column, "octets")),
        }
    }

    pub(crate) fn array<const N: usize>(&self, column: usize) -> Result<[u8; N], BookError> {
        self.bytes(column)?.try_into().map_err(|_| self.wrong(column, "octets of a fixed length"))
    }

    pub(crate) fn is_null(&self, column: usize) -> bool {
        matches!(self.0.get(column), Some(Value::Null))
    }

    pub(crate) fn maybe<T>(
        &self,
        column: usize,
        read: impl FnOnce(&Self, usize) -> Result<T, BookError>,
    ) -> Result<Option<T>, BookError> {
        if self.is_null(column) { Ok(None) } else { read(self, column).map(Some) }
    }
}
