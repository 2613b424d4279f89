//! Digests of rows: how the log vouches for what stands in the other tables.
//!
//! An entry lists the rows that its act changed, each by table, key and digest.
//! A row's digest is SHA-256 over the table's name and its values in the order
//! of [`Table::columns`]; each value is one octet for its kind (0 none, 1 number,
//! 2 text, 3 octets), its length in 8 octets big-endian, and its octets (a number
//! as 8 octets big-endian, two's complement).

use sha2::{Digest, Sha256};

use super::tree::Hash;
use crate::engine::{P, Row, Value};
use crate::error::BookError;
pub(crate) use crate::schema::tables::*;

/// Digest of one row.
pub(crate) fn digest<'a>(table: &str, values: impl IntoIterator<Item = P<'a>>) -> Hash {
    let mut hasher = Sha256::new();
    let mut value = |kind: u8, octets: &[u8]| {
        hasher.update([kind]);
        hasher.update((octets.len() as u64).to_be_bytes());
        hasher.update(octets);
    };
    value(2, table.as_bytes());
    for v in values {
        match v {
            P::Null => value(0, &[]),
            P::Int(number) => value(1, &number.to_be_bytes()),
            P::Text(text) => value(2, text.as_bytes()),
            P::Bytes(octets) => value(3, octets),
        }
    }
    hasher.finalize().into()
}

/// Digest of the rows that one key names: of the row itself, or where a key
/// names several, SHA-256 over their digests in order.
pub(crate) fn digest_rows(table: &Table, rows: &[Row]) -> Hash {
    let each = |row: &Row| digest(table.name, row.0.iter().map(Value::as_param));
    match (table.several, rows) {
        (false, [row]) => each(row),
        _ => {
            let mut hasher = Sha256::new();
            for row in rows {
                hasher.update(each(row));
            }
            hasher.finalize().into()
        }
    }
}

impl Table {
    /// Selects the rows of one key.
    pub(crate) fn select(&self) -> String {
        let wanted: Vec<_> = self.key.iter().enumerate().map(|(n, c)| format!("{c} = ${}", n + 1)).collect();
        format!(
            "SELECT {}, {} FROM {} WHERE {} {}",
            self.columns,
            self.entry,
            self.name,
            wanted.join(" AND "),
            self.order
        )
    }

    /// Selects the rows whose keys begin with a text between two, each with its key
    /// before it, up to some; `None` for a table whose keys begin otherwise.
    pub(crate) fn select_between(&self) -> Option<String> {
        let first = self.key.first().filter(|_| self.near.is_none() && self.kinds.first() == Some(&b't'))?;
        let keys = self.key.join(", ");
        let order = if self.order.is_empty() { "" } else { self.order.strip_prefix("ORDER BY ")? };
        let order = if order.is_empty() { keys.clone() } else { format!("{keys}, {order}") };
        Some(format!(
            "SELECT {keys}, {}, {} FROM {} WHERE {first} >= $1 AND {first} <= $2 ORDER BY {order} LIMIT $3",
            self.columns, self.entry, self.name
        ))
    }

    /// For a table whose keys come in no order: what selects the group and the place of a key, and what
    /// selects the rows of a group from one place to another, each with its key before it.
    pub(crate) fn select_near(&self) -> Option<(String, String)> {
        let [group, place] = self.near?;
        let wanted: Vec<_> = self.key.iter().enumerate().map(|(n, c)| format!("{c} = ${}", n + 1)).collect();
        let (name, keys) = (self.name, self.key.join(", "));
        Some((
            format!("SELECT {group}, {place} FROM {name} WHERE {}", wanted.join(" AND ")),
            format!(
                "SELECT {keys}, {}, {} FROM {name} WHERE {group} = $1 AND {place} >= $2 AND {place} <= $3",
                self.columns, self.entry
            ),
        ))
    }

    /// Inserts one row, its values in the order of [`Table::columns`] and its entry after them.
    pub(crate) fn insert(&self) -> String {
        let places: Vec<_> = (1..=self.width() + 1).map(|n| format!("${n}")).collect();
        format!("INSERT INTO {} ({}, entry) VALUES ({})", self.name, self.columns, places.join(", "))
    }

    /// How many columns a digest covers.
    pub(crate) fn width(&self) -> usize {
        self.columns.split(", ").count()
    }

    /// The columns of a whole row: those, and its entry where it has one.
    #[cfg(any(test, feature = "made-up"))]
    pub(crate) fn filled(&self) -> Vec<&'static str> {
        let entry = (!self.several).then_some("entry");
        self.columns.split(", ").chain(entry).collect()
    }

    /// Where columns stand among [`Table::columns`].
    pub(crate) fn places(&self, columns: &[&str]) -> Vec<usize> {
        columns.iter().filter_map(|wanted| self.columns.split(", ").position(|c| c == *wanted)).collect()
    }

    /// A key's text as values for [`Table::select`]; `None` where it can't be one.
    pub(crate) fn values(&self, key: &str) -> Option<Vec<Value>> {
        // Only the first part may hold a slash: names of reels and deliveries do.
        let mut parts: Vec<_> = key.rsplitn(self.key.len(), '/').collect();
        parts.reverse();
        if parts.len() != self.key.len() {
            return None;
        }
        let value = |(part, kind): (&str, &u8)| match kind {
            b'i' => part.parse().ok().map(Value::Int),
            b'b' => hex::decode(part).ok().map(Value::Bytes),
            _ => Some(Value::Text(part.to_owned())),
        };
        parts.into_iter().zip(self.kinds).map(value).collect()
    }

    /// The text of a key whose columns begin a row.
    pub(crate) fn key_text(&self, row: &Row) -> String {
        let text = |value: &Value| match value {
            Value::Null => String::new(),
            Value::Int(number) => number.to_string(),
            Value::Text(text) => text.clone(),
            Value::Bytes(octets) => hex::encode(octets),
        };
        row.0.iter().take(self.key.len()).map(text).collect::<Vec<_>>().join("/")
    }
}

/// The tables whose rows the log vouches for one by one.
pub(crate) fn protected() -> impl Iterator<Item = &'static Table> {
    TABLES.iter().copied().filter(|table| table.is_protected())
}

/// The protected table of this name.
pub(crate) fn table(name: &str) -> Option<&'static Table> {
    protected().find(|t| t.name == name)
}

/// A row that an entry vouches for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Mention {
    pub(crate) table: &'static str,
    pub(crate) key: String,
    pub(crate) digest: Hash,
}

/// Octets of a row's digest that stand in an entry's fingerprints: enough to
/// find the altered row among millions, while one digest over all proves that none is.
pub(crate) const FINGERPRINT: usize = 8;

/// A running digest over the facts of many rows that arrive together.
#[derive(Default)]
pub(crate) struct Many {
    whole: Sha256,
    pub(crate) count: u64,
    pub(crate) fingerprints: Vec<u8>,
}

impl Many {
    pub(crate) fn add(&mut self, row: &Hash) {
        self.whole.update(row);
        self.count += 1;
        self.fingerprints.extend_from_slice(&row[..FINGERPRINT]);
    }

    /// As it stands in an entry's body.
    pub(crate) fn told(&self, table: &str) -> serde_json::Value {
        serde_json::json!({
            "table": table,
            "count": self.count,
            "digest": hex::encode(self.whole.clone().finalize()),
            "fingerprints": hex::encode(Sha256::digest(&self.fingerprints)),
        })
    }
}

/// Digest of the facts of a chip, as it arrived.
pub(crate) fn chip_facts(reel: &str, position: i64, chip_id: &str, public_key: &[u8]) -> Hash {
    digest("chip", [P::Text(reel), P::Int(position), P::Text(chip_id), P::Bytes(public_key)])
}

/// Digest of the facts of a credential, as it arrived: values of the columns in
/// the order of [`CREDENTIAL_FACTS`].
pub(crate) fn credential_facts<'a>(values: impl IntoIterator<Item = P<'a>>) -> Hash {
    digest("credential", values)
}

/// The columns of [`credential_facts`].
pub(crate) const CREDENTIAL_FACTS: &[&str] =
    &["public_key", "delivery", "position", "authority", "issuer_key_id", "serial", "not_after", "certificate"];

/// Reads the rows of one key; `entry` is the last column and is split off.
pub(crate) fn split_entry(rows: &mut [Row]) -> Result<Option<i64>, BookError> {
    let mut entry = None;
    for row in rows {
        entry = match row.0.pop() {
            Some(Value::Int(number)) => Some(number),
            _ => None,
        };
    }
    Ok(entry)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A digest must never change: this holds its octets. Made with Python:
    /// `hashlib.sha256` over the layout in this module's header.
    #[test]
    fn layout_is_fixed() {
        let digest = digest("chip", [P::Text("AB"), P::Int(-2), P::Null, P::Bytes(&[1, 2])]);
        assert_eq!(hex::encode(digest), "961708c5feded366363c0a83b8884d10c76e5097885037da6f074b65864312d0");
    }

    #[test]
    fn keys_go_both_ways() {
        let row = Row(vec![Value::Text("REEL/1".into()), Value::Int(3)]);
        assert_eq!(ORDER.key_text(&row), "REEL/1/3");
        assert_eq!(ORDER.values("REEL/1/3"), Some(row.0));
        assert_eq!(ORDER.values("3"), None);
        assert_eq!(CREDENTIAL.values("0a/zz"), None);
    }
}
