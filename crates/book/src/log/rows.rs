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

/// A table whose rows the log vouches for one by one.
pub(crate) struct Table {
    pub(crate) name: &'static str,
    /// The columns under the digest, as SQL.
    pub(crate) columns: &'static str,
    /// The key's columns, as SQL; a key's text joins them with `/`.
    pub(crate) key: &'static [&'static str],
    /// Which of the key's columns are numbers (`i`), texts (`t`), octets in hex (`b`).
    kinds: &'static [u8],
    /// Whether one key names several rows, in this order.
    pub(crate) several: bool,
    order: &'static str,
    /// What tells the last entry that vouches for a row, as SQL.
    pub(crate) entry: &'static str,
    /// Where its keys come in no order: the columns by which rows that are used one after the other lie
    /// side by side, a group and a place in it.
    near: Option<[&'static str; 2]>,
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

macro_rules! table {
    ($id:ident, $name:literal, [$($key:literal),*], $kinds:literal, $columns:literal) => {
        table!($id, $name, [$($key),*], $kinds, $columns, None);
    };
    ($id:ident, $name:literal, [$($key:literal),*], $kinds:literal, $columns:literal, $near:expr) => {
        pub(crate) const $id: Table = Table {
            name: $name, columns: $columns, key: &[$($key),*], kinds: $kinds, several: false, order: "", entry: "entry",
            near: $near,
        };
    };
}

table!(SITE, "site", ["one"], b"i", "site_id, name, created");
table!(
    PRODUCT,
    "product",
    ["name"],
    b"t",
    "name, purpose, vendor_id, product_id, device_type, reach, flow, settings, objects, added"
);
table!(
    AUTHORITY,
    "authority",
    ["name"],
    b"t",
    "name, role, origin, purpose, certificate, subject_key_id, issuer, key_reference, trusted, not_after, added"
);
table!(
    DECLARATION,
    "declaration",
    ["name"],
    b"t",
    "name, origin, purpose, content, vendor_id, product_ids, certification_type, signer, added"
);
table!(REEL, "reel", ["reel_id"], b"t", "reel_id, product, purpose, source_name, source_digest, chips, received");
table!(CHIP, "chip", ["chip_id"], b"t", "chip_id, state, reason", Some(["reel", "position"]));
table!(
    DELIVERY,
    "delivery",
    ["delivery_id"],
    b"t",
    "delivery_id, reel, purpose, origin, source_name, content_digest, verdict, certificates_read, \
     certificates_accepted, report, received"
);
table!(
    CREDENTIAL,
    "credential",
    ["issuer_key_id", "serial"],
    b"bb",
    "issuer_key_id, serial, public_key, state, reason",
    Some(["delivery", "position"])
);
table!(
    UNIT,
    "unit",
    ["serial"],
    b"t",
    "serial, product, reel, chip_id, state, reason, began, changed, attempts, proven, discriminator, salt, \
     iterations, verifier, passcode"
);
table!(
    ATTEMPT,
    "attempt",
    ["unit", "number"],
    b"ti",
    "unit, number, station, actor, declaration, started, ended, result, cause, detail, next"
);
table!(
    PROOF,
    "proof",
    ["unit"],
    b"t",
    "unit, attempt, public_key, nonce, challenge, elements, signature, dac, pai, declaration, objects, verdict, \
     report, proven"
);
table!(LABEL, "label", ["unit", "number"], b"ti", "unit, number, event, at, actor");
table!(ORDER, "order_written", ["reel", "number"], b"ti", "reel, number, file_name, content_digest, chips, written");
table!(ORDER_PLACES, "order_places", ["reel", "number"], b"ti", "reel, number, places");
table!(ACCOUNT, "account", ["name"], b"t", "name, role, password, badge, closed, added, changed");
table!(ACCOUNT_SUBJECT, "account_subject", ["account"], b"t", "account, issuer, subject");
table!(API_TOKEN, "api_token", ["name"], b"t", "name, token, role, given_by, added, expires, revoked");
table!(
    STATION_SETUP,
    "station_setup",
    ["station"],
    b"t",
    "station, reel, source, serial_start, takt_ms, per_hour, check_label, changed"
);
table!(ATTEMPT_FIRMWARE, "attempt_firmware", ["unit", "attempt"], b"ti", "unit, attempt, version");
table!(WITHDRAWN, "withdrawn", ["row_key", "row_table", "entry"], b"tti", "row_key, row_table, entry");
table!(STATION_FIRMWARE, "station_firmware", ["station"], b"t", "station, version, changed");
table!(PRODUCT_SERIES, "product_series", ["product", "number"], b"ti", "product, number, first, added");

table!(
    REVOCATION_REQUEST,
    "revocation_request",
    ["number"],
    b"i",
    "number, issuer, purpose, reason, note, certificates, requested, requested_by, state, settled, settled_by"
);
table!(REVOCATION, "revocation", ["issuer", "serial"], b"tb", "issuer, serial, kind, reason, revoked, request");
table!(
    REVOCATION_LIST,
    "revocation_list",
    ["issuer", "number"],
    b"tb",
    "issuer, number, origin, this_update, next_update, certificates, content, added"
);
table!(REVOCATION_ANSWER, "revocation_answer", ["request"], b"i", "request, list_number, answered");
table!(REVOCATION_LIST_SIGNER, "revocation_list_signer", ["issuer", "number"], b"tb", "issuer, number, certificate");
table!(REVOCATION_PARTIAL, "revocation_partial", ["issuer", "digest"], b"tb", "issuer, digest, this_update, content");
table!(TRUST_SET, "trust_set", ["name", "number"], b"ti", "name, number, removed, content, added");
table!(PRODUCT_TRUST, "product_trust", ["product", "number"], b"ti", "product, number, trust_sets, added");

pub(crate) const REVOCATION_WANTED: Table = Table {
    name: "revocation_wanted",
    columns: "request, number, kind, serial",
    key: &["request"],
    kinds: b"i",
    several: true,
    order: "ORDER BY number",
    // Wanted certificates come with their request's first entry; settling it tells of them again.
    entry: "(SELECT r.entry FROM revocation_request r WHERE r.number = revocation_wanted.request)",
    near: None,
};

pub(crate) const STEP: Table = Table {
    name: "step",
    columns: "unit, attempt, number, name, started, duration, result, detail",
    key: &["unit", "attempt"],
    kinds: b"ti",
    several: true,
    order: "ORDER BY number",
    // Steps come in with the end of their attempt, which is told of no more after it.
    entry: "(SELECT a.entry FROM attempt a WHERE a.unit = step.unit AND a.number = step.attempt)",
    near: None,
};

pub(crate) const DELIVERY_AUTHORITY: Table = Table {
    name: "delivery_authority",
    columns: "delivery, authority, purpose",
    key: &["delivery"],
    kinds: b"t",
    several: true,
    order: "ORDER BY authority",
    entry: "(SELECT d.entry FROM delivery d WHERE d.delivery_id = delivery_authority.delivery)",
    near: None,
};

/// All of them.
pub(crate) const PROTECTED: &[&Table] = &[
    &SITE,
    &PRODUCT,
    &AUTHORITY,
    &DECLARATION,
    &REEL,
    &CHIP,
    &DELIVERY,
    &DELIVERY_AUTHORITY,
    &CREDENTIAL,
    &UNIT,
    &ATTEMPT,
    &STEP,
    &PROOF,
    &LABEL,
    &ORDER,
    &ORDER_PLACES,
    &REVOCATION_REQUEST,
    &REVOCATION_WANTED,
    &REVOCATION,
    &REVOCATION_LIST,
    &TRUST_SET,
    &PRODUCT_TRUST,
    &ACCOUNT,
    &ACCOUNT_SUBJECT,
    &API_TOKEN,
    &STATION_SETUP,
    &ATTEMPT_FIRMWARE,
    &STATION_FIRMWARE,
    &WITHDRAWN,
    &REVOCATION_ANSWER,
    &REVOCATION_LIST_SIGNER,
    &REVOCATION_PARTIAL,
    &PRODUCT_SERIES,
];

/// The table of this name.
pub(crate) fn table(name: &str) -> Option<&'static Table> {
    PROTECTED.iter().find(|t| t.name == name).copied()
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
