//! An entry of the log: its text is the leaf, canonical JSON (RFC 8785).

use serde_json::Value as Json;
use time::OffsetDateTime;

use super::Draft;
use super::rows::Mention;
use crate::by::{By, moment, rfc3339};
use crate::engine::{Row, params};
use crate::error::BookError;
use crate::ids::{
    Actor, AuthorityName, ChipId, DeclarationName, DeliveryId, ProductName, ReelId, Sequence, StationName, UnitSerial,
};
use crate::{Book, Page};

/// What an entry is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Subject {
    Site,
    Product(ProductName),
    Authority(AuthorityName),
    Declaration(DeclarationName),
    Reel(ReelId),
    Delivery(DeliveryId),
    Chip(ChipId),
    Unit(UnitSerial),
    /// Anything else that an act of the rooms is about: its kind and its name.
    Other(&'static str, String),
}

impl Subject {
    /// The kind, as it stands in the entry.
    pub fn kind(&self) -> &str {
        match self {
            Self::Site => "site",
            Self::Product(_) => "product",
            Self::Authority(_) => "authority",
            Self::Declaration(_) => "declaration",
            Self::Reel(_) => "reel",
            Self::Delivery(_) => "delivery",
            Self::Chip(_) => "chip",
            Self::Unit(_) => "unit",
            Self::Other(kind, _) => kind,
        }
    }

    /// The name, as it stands in the entry.
    pub fn id(&self) -> &str {
        match self {
            Self::Site => "site",
            Self::Product(name) => name.as_str(),
            Self::Authority(name) => name.as_str(),
            Self::Declaration(name) => name.as_str(),
            Self::Reel(id) => id.as_str(),
            Self::Delivery(id) => id.as_str(),
            Self::Chip(id) => id.as_str(),
            Self::Unit(serial) => serial.as_str(),
            Self::Other(_, name) => name,
        }
    }
}

/// An entry as it stands in the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its place, which is its leaf's index in the tree.
    pub sequence: Sequence,
    /// When, by the clock of whoever acted.
    pub at: OffsetDateTime,
    /// What was done: `attempt.begin`, `reel.receive`…
    pub act: String,
    pub actor: Actor,
    pub station: Option<StationName>,
    /// What it is about: kind and name.
    pub subject: (String, String),
    /// The leaf: the whole entry as canonical JSON.
    pub leaf: String,
}

impl Entry {
    pub(crate) const COLUMNS: &'static str = "sequence, at, act, actor, station, subject_kind, subject, leaf";

    pub(crate) fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            sequence: Sequence(row.int(0)?),
            at: moment(row.int(1)?)?,
            act: row.text(2)?,
            actor: Actor::kept(row.text(3)?),
            station: row.maybe(4, Row::text)?.map(StationName::kept),
            subject: (row.text(5)?, row.text(6)?),
            leaf: row.text(7)?,
        })
    }

    /// The act's own words: `body` of the leaf.
    ///
    /// # Errors
    ///
    /// [`BookError::Damaged`] where the leaf is no JSON object.
    pub fn body(&self) -> Result<Json, BookError> {
        let leaf: Json = serde_json::from_str(&self.leaf)
            .map_err(|e| BookError::damaged(format!("entry {} is no JSON: {e}", self.sequence)))?;
        Ok(leaf.get("body").cloned().unwrap_or(Json::Null))
    }
}

/// The leaf's text: canonical JSON, whose names stand in the order of their letters.
/// Written out rather than built, since every act waits for it.
pub(crate) fn leaf(sequence: i64, draft: &Draft<'_>, by: &By, mentions: &[Mention]) -> Result<String, BookError> {
    use std::fmt::Write as _;
    let failed = |e: Box<dyn std::error::Error + Send + Sync>| BookError::Database {
        doing: "writing an entry".into(),
        source: e,
    };
    let text = |text: &str| serde_json::to_string(text).map_err(|e| failed(e.into()));
    let body = serde_json_canonicalizer::to_string(&draft.body).map_err(|e| failed(e.into()))?;
    let station = by.station.as_ref().map_or_else(|| Ok("null".to_owned()), |s| text(s.as_str()))?;
    let mut out = String::with_capacity(256 + body.len() + mentions.len() * 160);
    write!(
        out,
        r#"{{"act":{},"actor":{},"at":{},"body":{body},"rows":["#,
        text(draft.act)?,
        text(by.actor.as_str())?,
        text(&rfc3339(by.micros())?)?,
    )
    .map_err(|e| failed(e.into()))?;
    for (number, m) in mentions.iter().enumerate() {
        let comma = if number == 0 { "" } else { "," };
        // A table's name and a digest in hex need no escapes.
        write!(out, r#"{comma}["{}",{},"{}"]"#, m.table, text(&m.key)?, hex::encode(m.digest))
            .map_err(|e| failed(e.into()))?;
    }
    let (kind, id) = (text(draft.subject.kind())?, text(draft.subject.id())?);
    write!(out, r#"],"sequence":{sequence},"station":{station},"subject":{{"id":{id},"kind":{kind}}}}}"#)
        .map_err(|e| failed(e.into()))?;
    Ok(out)
}

impl Book {
    /// Adds an entry that changes no row: something worth keeping was done (a
    /// passcode shown, a pack exported, a provisioned chip verified again).
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer; nothing is added then.
    pub fn note(&self, act: &str, subject: &Subject, body: &Json, by: &By) -> Result<Sequence, BookError> {
        self.write(|tx| tx.append(Draft::new(act, subject.clone(), body.clone()), by))
    }

    /// The log, newest first: up to `limit` entries before `before`.
    pub fn entries(&self, before: Option<Sequence>, limit: u32) -> Result<Page<Entry, Sequence>, BookError> {
        let sql = format!("SELECT {} FROM entry WHERE sequence < $1 ORDER BY sequence DESC LIMIT $2", Entry::COLUMNS);
        let before = before.map_or(i64::MAX, |s| s.0);
        let rows = self.read(|c| c.all(&sql, params![before, i64::from(limit) + 1]))?;
        Page::cut(rows.iter().map(Entry::read).collect::<Result<_, _>>()?, limit, |e| e.sequence)
    }

    /// One entry.
    pub fn entry(&self, sequence: Sequence) -> Result<Option<Entry>, BookError> {
        let sql = format!("SELECT {} FROM entry WHERE sequence = $1", Entry::COLUMNS);
        self.read(|c| c.one(&sql, params![sequence.0]))?.as_ref().map(Entry::read).transpose()
    }

    /// The last check of each unit that was checked after it had passed, by serial number.
    pub fn last_checks(&self) -> Result<Vec<Entry>, BookError> {
        let sql = format!(
            "SELECT {} FROM entry WHERE sequence IN (SELECT max(sequence) FROM entry WHERE act = 'unit.verify' \
             GROUP BY subject) ORDER BY subject",
            Entry::COLUMNS
        );
        self.read(|c| c.all(&sql, &[]))?.iter().map(Entry::read).collect()
    }

    /// All entries about one thing, oldest first.
    pub fn entries_about(&self, subject: &Subject) -> Result<Vec<Entry>, BookError> {
        let sql =
            format!("SELECT {} FROM entry WHERE subject_kind = $1 AND subject = $2 ORDER BY sequence", Entry::COLUMNS);
        self.read(|c| c.all(&sql, params![subject.kind(), subject.id()]))?.iter().map(Entry::read).collect()
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    /// What is written out is what RFC 8785 makes of the same document, names and
    /// texts of any letters included.
    #[test]
    fn a_leaf_is_canonical_json() {
        let odd = "\u{1}\t\"\\/\u{7f}\u{2028}é€\u{1F600}";
        for station in [None, Some(StationName::kept(odd.into()))] {
            let by = By {
                actor: Actor::kept(format!("{odd}'s")),
                station,
                at: crate::by::moment(1_234_567).expect("a time"),
            };
            for mentions in [vec![], vec![odd, "b/2"]] {
                let mentions: Vec<_> = mentions
                    .into_iter()
                    .map(|key| Mention { table: "chip", key: key.to_owned(), digest: [0xA5; 32] })
                    .collect();
                let body = json!({ "z": 1, "a": { "é": odd, "b": [1.5, null, true] }, odd: "x" });
                let draft = Draft::new("attempt.begin", Subject::Other("thing", odd.into()), body);
                let rows: Vec<_> = mentions.iter().map(|m| json!([m.table, m.key, hex::encode(m.digest)])).collect();
                let whole = json!({
                    "sequence": 7,
                    "at": rfc3339(by.micros()).expect("a time"),
                    "act": draft.act,
                    "actor": by.actor,
                    "station": by.station,
                    "subject": { "kind": draft.subject.kind(), "id": draft.subject.id() },
                    "body": draft.body,
                    "rows": rows,
                });
                let wanted = serde_json_canonicalizer::to_string(&whole).expect("canonical");
                assert_eq!(leaf(7, &draft, &by, &mentions).expect("a leaf"), wanted);
            }
        }
    }
}
