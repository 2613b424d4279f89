//! The JSON of a pack.

use book::{Cell, MeetingVerdict, Vouched};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// What kind of pack it is, in its manifest.
pub(super) const FORMAT: &str = "touchmark evidence 1";

/// A file of a pack.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct FileTold {
    pub name: String,
    pub size: u64,
    pub sha256: String,
}

/// `manifest.json`: every file but itself and its signature.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Manifest {
    pub format: String,
    pub site: String,
    pub site_id: String,
    pub made: String,
    pub by: String,
    pub what: String,
    pub test: bool,
    pub units: u64,
    pub files: Vec<FileTold>,
}

/// An entry of the log with its path to the signed head (RFC 9162 §2.1.3).
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct EntryTold {
    pub sequence: i64,
    pub leaf: String,
    pub path: Vec<String>,
}

/// Rows of the book that an entry vouches for.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct RowsTold {
    pub table: String,
    pub key: String,
    pub several: bool,
    pub rows: Vec<Vec<Value>>,
}

/// `log.json`, of a unit or of what units share.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(super) struct Log {
    pub entries: Vec<EntryTold>,
    pub rows: Vec<RowsTold>,
}

/// An earlier signed head, and that the log only grew since (RFC 9162 §2.1.4).
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct EarlierHead {
    pub head: site::head::HeadFile,
    pub path: Vec<String>,
}

/// `proof.json` of a unit: the exchange, and which files belong to it.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct ProofTold {
    pub unit: String,
    pub chip_id: String,
    pub nonce: String,
    pub challenge: String,
    pub elements: String,
    pub signature: String,
    pub at: String,
    pub pai: String,
    pub paa: Option<String>,
    pub declaration: Option<String>,
}

/// `meeting-N.json` of a unit: what it signed when it was met, and which files belong to it.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct MeetingTold {
    pub unit: String,
    pub meeting: i64,
    pub verdict: MeetingVerdict,
    pub nonce: String,
    pub challenge: String,
    pub elements: String,
    pub signature: String,
    pub at: String,
    /// The certificate that it gave, which need not be that of its chip.
    pub dac: String,
    pub pai: String,
}

/// A value as `[kind]` or `[kind, value]`, by its kind in a digest; octets in hex.
fn cell(cell: &Cell) -> Value {
    match cell {
        Cell::Nothing => json!([0]),
        Cell::Number(number) => json!([1, number]),
        Cell::Text(text) => json!([2, text]),
        Cell::Octets(octets) => json!([3, hex::encode(octets)]),
    }
}

fn read_cell(value: &Value) -> Option<Vec<Value>> {
    value.as_array().cloned()
}

/// Reads a value back; `None` where it is none.
pub(super) fn as_cell(value: &Value) -> Option<Cell> {
    let parts = read_cell(value)?;
    match (parts.first()?.as_u64()?, parts.get(1)) {
        (0, None) => Some(Cell::Nothing),
        (1, Some(number)) => number.as_i64().map(Cell::Number),
        (2, Some(text)) => text.as_str().map(|t| Cell::Text(t.to_owned())),
        (3, Some(octets)) => octets.as_str().and_then(|t| hex::decode(t).ok()).map(Cell::Octets),
        _ => None,
    }
}

impl RowsTold {
    pub(super) fn of(vouched: &Vouched) -> Self {
        Self {
            table: vouched.table.to_owned(),
            key: vouched.key.clone(),
            several: vouched.several,
            rows: vouched.rows.iter().map(|row| row.iter().map(cell).collect()).collect(),
        }
    }
}

/// JSON as it stands in a pack: readable, with a line's end.
pub(super) fn text<T: Serialize>(value: &T) -> Result<Vec<u8>, serde_json::Error> {
    let mut out = serde_json::to_vec_pretty(value)?;
    out.push(b'\n');
    Ok(out)
}
