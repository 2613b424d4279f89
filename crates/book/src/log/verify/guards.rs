//! What is held against no entry of its own: that no row was added, that shared
//! octets have their digests, and that what guards the tables is there. Links between
//! rows that entries vouch for need no look: each is as its act left it, and so is the
//! one that it points at. Those of other rows are followed.

use std::collections::HashSet;

use sha2::{Digest, Sha256};

use super::{DamageKind, Told};
use crate::engine::{Connection, params};
use crate::error::BookError;
use crate::log::rows::{self, Table};
use crate::schema::{self, Difference};

/// How many keys of each table name an entry.
pub(super) type Counts = Vec<(&'static Table, i64)>;

/// Keys and the entries that their rows name, as SQL.
fn named(table: &Table) -> String {
    format!("SELECT {}, {} AS last FROM {}", table.key.join(", "), table.entry, table.name)
}

pub(super) fn counts(c: &mut Connection) -> Result<Counts, BookError> {
    let mut out = Vec::new();
    for table in rows::protected() {
        let sql = match (table.several, table.name) {
            // A key names one row, by the table's own rule.
            (false, name) => format!("SELECT count(*) FROM {name} WHERE {} IS NOT NULL", table.entry),
            // The one large table of the others: from the attempts, which each group names.
            (true, "step") => "SELECT count(*) FROM attempt a WHERE EXISTS \
                               (SELECT 1 FROM step s WHERE s.unit = a.unit AND s.attempt = a.number)"
                .into(),
            (true, _) => {
                let keys = table.key.join(", ");
                let told = named(table);
                format!("SELECT count(*) FROM (SELECT DISTINCT {keys} FROM ({told}) t WHERE last IS NOT NULL) s")
            }
        };
        out.push((table, c.number(&sql, &[])?));
    }
    Ok(out)
}

/// Rows of a table that the entry which they name does not tell of.
pub(super) fn find_added(
    c: &mut Connection,
    told: &mut Told,
    table: &'static Table,
    gone: &dyn Fn(i64) -> bool,
) -> Result<(), BookError> {
    let mut suspects = Vec::new();
    let sql = format!("SELECT DISTINCT * FROM ({}) t WHERE last IS NOT NULL", named(table));
    c.each(&sql, &[], &mut |row| {
        suspects.push((table.key_text(&row), row.int(table.key.len())?));
        Ok(())
    })?;
    suspects.retain(|(_, last)| !gone(*last));
    for (key, last) in suspects {
        let leaf = c.one("SELECT leaf FROM entry WHERE sequence = $1", params![last])?;
        let leaf = leaf.map(|row| row.text(0)).transpose()?;
        let json: Option<serde_json::Value> = leaf.and_then(|leaf| serde_json::from_str(&leaf).ok());
        let named = json.iter().filter_map(|j| j.get("rows")?.as_array()).flatten().any(|mention| {
            mention.get(0).and_then(|v| v.as_str()) == Some(table.name)
                && mention.get(1).and_then(|v| v.as_str()) == Some(key.as_str())
        });
        if !named {
            let found = format!("it names entry {last}, which does not mention it");
            told.tell(DamageKind::Added, table.name, key, Some(last), found);
        }
    }
    Ok(())
}

/// Octets that many rows share; the digests of those that are there.
pub(super) fn octets(c: &mut Connection, told: &mut Told) -> Result<HashSet<Vec<u8>>, BookError> {
    let mut there = HashSet::new();
    c.each("SELECT digest, content FROM octets", &[], &mut |row| {
        let digest = row.bytes(0)?;
        there.insert(digest.to_vec());
        if Sha256::digest(row.bytes(1)?).as_slice() != digest {
            let found = "its content does not have its digest";
            told.tell(DamageKind::Altered, "octets", hex::encode(digest), None, found);
        }
        Ok(())
    })?;
    Ok(there)
}

/// Tables, conditions, indexes, triggers and views: what guards the rows.
pub(super) fn schema(
    c: &mut Connection,
    apart: &mut dyn FnMut() -> Result<Connection, BookError>,
    told: &mut Told,
) -> Result<(), BookError> {
    for difference in schema::differences(c, apart)? {
        let (damage, kind, name, found) = match difference {
            Difference::Missing { kind, name } => {
                (DamageKind::Removed, kind, name, "it is missing or disabled, and guarded the book's rows")
            }
            Difference::Altered { kind, name } => {
                (DamageKind::Altered, kind, name, "it is not as this version of the book makes it")
            }
            Difference::Added { kind, name } => (DamageKind::Added, kind, name, "no version of the book has it"),
        };
        told.tell(damage, &kind, name, None, found);
    }
    Ok(())
}

/// Links of rows that no entry vouches for; PostgreSQL keeps to them by itself.
pub(super) fn links(c: &mut Connection, told: &mut Told) -> Result<(), BookError> {
    if !c.is_sqlite() {
        return Ok(());
    }
    let tables = c.all("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name", &[])?;
    for name in tables.iter().map(|row| row.text(0)).collect::<Result<Vec<_>, _>>()? {
        if rows::table(&name).is_some() {
            continue;
        }
        let astray = c.all(&format!("PRAGMA foreign_key_check(\"{name}\")"), &[])?;
        if let Some(first) = astray.first() {
            let found = format!("{} rows refer to missing rows of {}", astray.len(), first.text(2)?);
            told.tell(DamageKind::Altered, &name, String::new(), None, found);
        }
    }
    Ok(())
}

/// SQLite's own check of its file: pages, order, indexes, and the tables' conditions.
pub(super) fn file(c: &mut Connection, told: &mut Told) -> Result<(), BookError> {
    let Some(sqlite) = c.as_sqlite() else { return Ok(()) };
    for row in sqlite.check()? {
        let said = row.text(0)?;
        if said != "ok" {
            told.tell(DamageKind::Altered, "file", String::new(), None, said);
        }
    }
    Ok(())
}
