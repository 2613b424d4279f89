//! Rows with the digests by which the log vouches for them, for those who check
//! without the book.

use sha2::{Digest, Sha256};

use super::rows::{self, digest, digest_rows, split_entry};
use super::tree::Hash;
use crate::Book;
use crate::engine::{P, Value};
use crate::error::BookError;
use crate::ids::Sequence;

/// One value of a row, by its kind in a digest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Cell {
    /// 0: none.
    Nothing,
    /// 1: a number.
    Number(i64),
    /// 2: text.
    Text(String),
    /// 3: octets.
    Octets(Vec<u8>),
}

impl Cell {
    fn as_param(&self) -> P<'_> {
        match self {
            Self::Nothing => P::Null,
            Self::Number(number) => P::Int(*number),
            Self::Text(text) => P::Text(text),
            Self::Octets(octets) => P::Bytes(octets),
        }
    }
}

impl From<&Value> for Cell {
    fn from(value: &Value) -> Self {
        match value {
            Value::Null => Self::Nothing,
            Value::Int(number) => Self::Number(*number),
            Value::Text(text) => Self::Text(text.clone()),
            Value::Bytes(octets) => Self::Octets(octets.clone()),
        }
    }
}

/// What stands under one key of a table, and the entry that vouches for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Vouched {
    pub table: &'static str,
    pub key: String,
    /// Whether a key of this table names several rows.
    pub several: bool,
    /// The rows: the values under the digest, in the order of the table's columns.
    pub rows: Vec<Vec<Cell>>,
    pub digest: Hash,
    /// The last entry that tells of it.
    pub entry: Sequence,
}

/// The digest of what stands under one key (`docs/book.md` gives its layout).
///
/// - `several`: whether a key of this table names several rows.
pub fn row_digest(table: &str, several: bool, rows: &[Vec<Cell>]) -> Hash {
    let each = |row: &Vec<Cell>| digest(table, row.iter().map(Cell::as_param));
    match (several, rows) {
        (false, [row]) => each(row),
        _ => {
            let mut hasher = Sha256::new();
            rows.iter().for_each(|row| hasher.update(each(row)));
            hasher.finalize().into()
        }
    }
}

impl Book {
    /// What stands under a key, where the log vouches for it by itself; `None` where
    /// it does not (a credential that is as it arrived is vouched for with its
    /// delivery), or where the table's rows may not leave the house.
    pub fn vouched(&self, table: &str, key: &str) -> Result<Option<Vouched>, BookError> {
        let Some(table) = rows::table(table).filter(|table| table.leaves) else { return Ok(None) };
        let Some(values) = table.values(key) else { return Ok(None) };
        let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
        let mut found = self.read(|c| c.all(&table.select(), &values))?;
        let Some(entry) = split_entry(&mut found)?.filter(|entry| *entry >= 0) else { return Ok(None) };
        Ok(Some(Vouched {
            table: table.name,
            key: key.to_owned(),
            several: table.several,
            digest: digest_rows(table, &found),
            rows: found.iter().map(|row| row.0.iter().map(Cell::from).collect()).collect(),
            entry: Sequence(entry),
        }))
    }
}
