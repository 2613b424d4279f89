//! The schema and its migrations, for both engines in one place.
//!
//! A migration is never edited once a release carries it: a change is the next
//! number. Each runs in one transaction, so that a book is at one version or
//! at the next, never between.

mod compare;
mod refusals;
mod refusals11;
mod refusals12;
mod refusals9;
pub(crate) mod tables;

pub(crate) use compare::{Difference, differences};

use crate::engine::{Connection, params};
use crate::error::BookError;

/// One step of the schema.
#[derive(Clone, Copy)]
pub(crate) struct Migration {
    /// 1 and upwards, without gaps.
    pub(crate) version: i64,
    pub(crate) name: &'static str,
    /// Its statements; `true` for PostgreSQL.
    pub(crate) statements: fn(bool) -> String,
}

/// All of them, oldest first.
pub(crate) const MIGRATIONS: &[Migration] = &[
    Migration { version: 1, name: "the record book", statements: version1 },
    Migration { version: 2, name: "books that moved", statements: version2 },
    Migration { version: 3, name: "revocations, trust sets, retention", statements: version3 },
    Migration { version: 4, name: "accounts, tokens, stations", statements: version4 },
    Migration { version: 5, name: "firmware of units", statements: version5 },
    Migration { version: 6, name: "corrections and product settings", statements: version6 },
    Migration { version: 7, name: "accounts of the company", statements: version7 },
    Migration { version: 8, name: "seals of accounts, sessions and tokens", statements: version8 },
    Migration { version: 9, name: "boards of units, divided reels", statements: version9 },
    Migration { version: 10, name: "meetings of finished units", statements: version10 },
    Migration { version: 11, name: "enrolments", statements: version11 },
    Migration { version: 12, name: "panels, cartons", statements: version12 },
];

/// Marks a SQLite file as ours: "TMBK".
pub(crate) const APPLICATION_ID: i64 = 0x544D_424B;

fn version1(postgresql: bool) -> String {
    let tables = for_engine(include_str!("version1.sql"), postgresql);
    let mut out = if postgresql {
        let mut out = tables.replace("{proven}", "");
        out.push_str(
            "ALTER TABLE unit ADD FOREIGN KEY (proven) REFERENCES proof (unit) DEFERRABLE INITIALLY IMMEDIATE;\n",
        );
        out
    } else {
        tables.replace("{proven}", " REFERENCES proof (unit) DEFERRABLE INITIALLY IMMEDIATE")
    };
    out.push_str(&refusals::triggers(1, postgresql));
    out
}

fn version2(_postgresql: bool) -> String {
    include_str!("version2.sql").into()
}

fn version3(postgresql: bool) -> String {
    for_engine(include_str!("version3.sql"), postgresql) + &refusals::triggers(3, postgresql)
}

fn version4(postgresql: bool) -> String {
    for_engine(include_str!("version4.sql"), postgresql) + &refusals::triggers(4, postgresql)
}

fn version5(postgresql: bool) -> String {
    for_engine(include_str!("version5.sql"), postgresql) + &refusals::triggers(5, postgresql)
}

fn version6(postgresql: bool) -> String {
    for_engine(include_str!("version6.sql"), postgresql) + &refusals::triggers(6, postgresql)
}

fn version7(postgresql: bool) -> String {
    for_engine(include_str!("version7.sql"), postgresql) + &refusals::triggers(7, postgresql)
}

fn version8(postgresql: bool) -> String {
    for_engine(include_str!("version8.sql"), postgresql)
}

fn version9(postgresql: bool) -> String {
    for_engine(include_str!("version9.sql"), postgresql) + &refusals::triggers(9, postgresql)
}

fn version10(postgresql: bool) -> String {
    for_engine(include_str!("version10.sql"), postgresql) + &refusals::triggers(10, postgresql)
}

fn version11(postgresql: bool) -> String {
    let tables = [include_str!("version11.sql"), include_str!("version11_seals.sql")].concat();
    for_engine(&tables, postgresql) + &refusals::triggers(11, postgresql)
}

fn version12(postgresql: bool) -> String {
    for_engine(include_str!("version12.sql"), postgresql) + &refusals::triggers(12, postgresql)
}

/// Tables in the words that both engines share, in those of one.
pub(crate) fn for_engine(tables: &str, postgresql: bool) -> String {
    if postgresql {
        // Octet order, whatever the server's locale: pages and prefixes depend on it.
        tables
            .replace("BLOB", "BYTEA")
            .replace("INTEGER", "BIGINT")
            .replace("TEXT", "TEXT COLLATE \"C\"")
            .replace(") STRICT;", ");")
            .replace(") ROWLESS;", ");")
    } else {
        tables.replace(") ROWLESS;", ") WITHOUT ROWID, STRICT;")
    }
}

/// Triggers of the present schema that are gone, or put to rest.
fn missing_triggers(c: &mut Connection) -> Result<Vec<String>, BookError> {
    let sql = if c.is_sqlite() {
        "SELECT name FROM sqlite_schema WHERE type = 'trigger'"
    } else {
        "SELECT CAST(t.tgname AS TEXT) FROM pg_trigger t JOIN pg_class r ON r.oid = t.tgrelid \
         JOIN pg_namespace n ON n.oid = r.relnamespace \
         WHERE n.nspname = current_schema() AND NOT t.tgisinternal AND t.tgenabled <> 'D'"
    };
    let there: Vec<String> = c.all(sql, &[])?.iter().map(|row| row.text(0)).collect::<Result<_, _>>()?;
    let mut missing = refusals::names(!c.is_sqlite());
    missing.retain(|name| !there.contains(name));
    Ok(missing)
}

/// What lies at a place where a book may be.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Found {
    /// Nothing at all.
    Empty,
    /// A book at this version.
    Book(i64),
    /// Something else.
    Other(String),
}

/// Looks without changing anything.
pub(crate) fn look(c: &mut Connection) -> Result<Found, BookError> {
    let (ours, tables) = if c.is_sqlite() {
        let id = c.number("PRAGMA application_id", &[])?;
        let tables = c.number("SELECT count(*) FROM sqlite_schema", &[])?;
        if id != 0 && id != APPLICATION_ID {
            return Ok(Found::Other(format!("its application id is {id:08X}")));
        }
        (id == APPLICATION_ID, tables)
    } else {
        let count = "SELECT count(*) FROM information_schema.tables WHERE table_schema = current_schema()";
        let ours = c.number(&format!("{count} AND table_name IN ('book_version', 'log_head')"), &[])? == 2;
        (ours, c.number(count, &[])?)
    };
    Ok(match (ours, tables) {
        (true, _) => Found::Book(c.number("SELECT coalesce(max(version), 0) FROM book_version", &[])?),
        (false, 0) => Found::Empty,
        (false, n) => Found::Other(format!("it holds {n} tables and indexes of something else")),
    })
}

/// Lays the version table of an empty book. Inside a transaction.
pub(crate) fn lay(c: &mut Connection) -> Result<(), BookError> {
    if c.is_sqlite() {
        c.batch(&format!("PRAGMA application_id = {APPLICATION_ID}"))?;
    }
    let number = if c.is_sqlite() { "INTEGER" } else { "BIGINT" };
    c.batch(&format!(
        "CREATE TABLE book_version (version {number} NOT NULL PRIMARY KEY, name TEXT NOT NULL, applied {number} NOT NULL)"
    ))
}

/// Applies the migrations after `from`. Inside a transaction.
pub(crate) fn migrate(c: &mut Connection, migrations: &[Migration], from: i64, at: i64) -> Result<(), BookError> {
    for migration in migrations.iter().filter(|m| m.version > from) {
        c.batch(&(migration.statements)(!c.is_sqlite()))?;
        c.run(
            "INSERT INTO book_version (version, name, applied) VALUES ($1, $2, $3)",
            params![migration.version, migration.name, at],
        )?;
    }
    Ok(())
}
