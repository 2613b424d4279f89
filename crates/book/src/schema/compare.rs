//! The whole schema of a book against the one that its version has: tables, columns, conditions, indexes, triggers,
//! views. Whoever may change tables could take a condition away, write what it forbids, and put it back; what is still
//! another is told.
//!
//! The schema that a version has is made by its own migrations, on the same engine, and thrown away: so both are told in
//! the same words, whatever the engine's version.

use std::collections::BTreeMap;

use super::{MIGRATIONS, lay, migrate, missing_triggers};
use crate::engine::sqlite::Sqlite;
use crate::engine::{Connection, Mode, Row, params};
use crate::error::BookError;

/// Something of a schema, by kind and name, and how it is made.
type Things = BTreeMap<(String, String), String>;

/// What differs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Difference {
    /// It is gone.
    Missing { kind: String, name: String },
    /// It is made in another way.
    Altered { kind: String, name: String },
    /// No version has it.
    Added { kind: String, name: String },
}

/// Compares the schema; PostgreSQL in a transaction of its own, which is undone. A role that may make no temporary table
/// there, or a server that only reads, has the names of triggers compared.
pub(crate) fn differences(
    c: &mut Connection,
    apart: &mut dyn FnMut() -> Result<Connection, BookError>,
) -> Result<Vec<Difference>, BookError> {
    if c.is_sqlite() {
        let mut reference = Connection::sqlite(Sqlite::in_memory()?);
        lay(&mut reference)?;
        migrate(&mut reference, MIGRATIONS, 0, 0)?;
        return Ok(compared(&on_sqlite(&mut reference)?, &on_sqlite(c)?));
    }
    let mut apart = apart()?;
    if apart.is_read_only()? {
        return names_alone(&mut apart);
    }
    apart.begin(Mode::Write)?;
    let found = on_both(&mut apart);
    apart.rollback()?;
    match found {
        Ok(found) => Ok(found),
        Err(_) => names_alone(&mut apart),
    }
}

fn names_alone(c: &mut Connection) -> Result<Vec<Difference>, BookError> {
    let missing = missing_triggers(c)?.into_iter();
    Ok(missing.map(|name| Difference::Missing { kind: "trigger".into(), name }).collect())
}

fn compared(wanted: &Things, there: &Things) -> Vec<Difference> {
    let parts = |(kind, name): &(String, String)| (kind.clone(), name.clone());
    let mut out = Vec::new();
    for (key, made) in wanted {
        let (kind, name) = parts(key);
        match there.get(key) {
            None => out.push(Difference::Missing { kind, name }),
            Some(other) if other != made => out.push(Difference::Altered { kind, name }),
            Some(_) => {}
        }
    }
    for key in there.keys().filter(|key| !wanted.contains_key(*key)) {
        let (kind, name) = parts(key);
        out.push(Difference::Added { kind, name });
    }
    out
}

/// SQLite keeps the text that made each thing.
fn on_sqlite(c: &mut Connection) -> Result<Things, BookError> {
    let sql =
        "SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite!_%' ESCAPE '!'";
    let thing = |row: &Row| Ok(((row.text(0)?, row.text(1)?), format!("{} {}", row.text(2)?, row.text(3)?)));
    c.all(sql, &[])?.iter().map(thing).collect()
}

/// What a schema of PostgreSQL has, each as the server tells it: kind, name, how it is made.
const ON_POSTGRESQL: &str = "\
    SELECT 'table' AS kind, r.relname::text AS name, r.relkind::text || r.relrowsecurity::text AS made \
    FROM pg_class r WHERE r.relnamespace = $1::bigint::oid AND r.relkind NOT IN ('i', 'I', 't', 'c') \
    UNION ALL SELECT 'column', r.relname || '.' || a.attname, format_type(a.atttypid, a.atttypmod) || \
    a.attnotnull::text || coalesce(pg_get_expr(d.adbin, d.adrelid), '') || coalesce(a.attcollation::text, '') \
    FROM pg_attribute a JOIN pg_class r ON r.oid = a.attrelid \
    LEFT JOIN pg_attrdef d ON d.adrelid = a.attrelid AND d.adnum = a.attnum \
    WHERE r.relnamespace = $1::bigint::oid AND r.relkind = 'r' AND a.attnum > 0 AND NOT a.attisdropped \
    UNION ALL SELECT 'condition', r.relname || '.' || k.conname, pg_get_constraintdef(k.oid) || k.convalidated::text \
    FROM pg_constraint k JOIN pg_class r ON r.oid = k.conrelid \
    WHERE r.relnamespace = $1::bigint::oid AND k.contype <> 'n' \
    UNION ALL SELECT 'index', r.relname::text, pg_get_indexdef(r.oid) || i.indisvalid::text \
    FROM pg_index i JOIN pg_class r ON r.oid = i.indexrelid WHERE r.relnamespace = $1::bigint::oid \
    UNION ALL SELECT 'trigger', t.tgname::text, pg_get_triggerdef(t.oid) || t.tgenabled::text || f.prosrc \
    FROM pg_trigger t JOIN pg_class r ON r.oid = t.tgrelid JOIN pg_proc f ON f.oid = t.tgfoid \
    WHERE r.relnamespace = $1::bigint::oid AND NOT t.tgisinternal \
    UNION ALL SELECT 'rule', r.relname || '.' || w.rulename, pg_get_ruledef(w.oid) \
    FROM pg_rewrite w JOIN pg_class r ON r.oid = w.ev_class WHERE r.relnamespace = $1::bigint::oid AND r.relkind = 'r'";

fn on_postgresql(c: &mut Connection, schema: i64, quoted: &str) -> Result<Things, BookError> {
    let prefix = format!("{quoted}.");
    let thing =
        |row: &Row| Ok(((row.text(0)?, row.text(1)?), row.text(2)?.replace(&prefix, "").replace("pg_temp.", "")));
    c.all(ON_POSTGRESQL, params![schema])?.iter().map(thing).collect()
}

fn named(c: &mut Connection, which: &str) -> Result<(i64, String), BookError> {
    let sql = format!("SELECT oid::bigint, quote_ident(nspname)::text FROM pg_namespace WHERE oid = {which}");
    let row = c.one(&sql, &[])?.ok_or_else(|| BookError::damaged("the book's schema has no name"))?;
    Ok((row.int(0)?, row.text(1)?))
}

/// Inside a transaction that is undone.
fn on_both(c: &mut Connection) -> Result<Vec<Difference>, BookError> {
    let (book, quoted) = named(c, "current_schema()::regnamespace")?;
    c.batch("SET LOCAL client_min_messages = error; SET LOCAL search_path = pg_temp")?;
    lay(c)?;
    for migration in MIGRATIONS {
        // A function is never looked for among temporary things unless that is said.
        c.batch(&(migration.statements)(true).replace("EXECUTE FUNCTION ", "EXECUTE FUNCTION pg_temp."))?;
    }
    let (reference, temporary) = named(c, "pg_my_temp_schema()")?;
    // Neither is in sight then, so that all names are told in full.
    c.batch("SET LOCAL search_path = pg_catalog")?;
    let (wanted, there) = (on_postgresql(c, reference, &temporary)?, on_postgresql(c, book, &quoted)?);
    Ok(compared(&wanted, &there))
}
