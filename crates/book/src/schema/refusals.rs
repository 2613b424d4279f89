//! What triggers refuse: changes that no act of the rooms may make, whatever
//! code asks for them.
//!
//! Each refusal is written once; the trigger of each engine is made from it.
//! Uniqueness, links and per-row conditions need no trigger and stand in the
//! tables themselves.

use std::fmt::Write;

use super::refusals9::{REFUSALS_9, REWRITTEN_9};
use super::refusals11::REFUSALS_11;
use super::refusals12::REFUSALS_12;
use super::tables::{Fate, TABLES, Table};

/// One refusal.
pub(crate) struct Refusal {
    pub(crate) table: &'static str,
    /// `INSERT`, `UPDATE` or `DELETE`.
    pub(crate) event: &'static str,
    /// Refused when this holds, in terms of `OLD` and `NEW`.
    pub(crate) when: &'static str,
    /// What the error says.
    pub(crate) says: &'static str,
}

pub(super) const fn refuse(
    table: &'static str,
    event: &'static str,
    when: &'static str,
    says: &'static str,
) -> Refusal {
    Refusal { table, event, when, says }
}

// No trigger stands on the arrival of chips and credentials: on SQLite one makes
// each of a million inserts keep a journal of its own, and halves their speed. They
// arrive in the state that the tables give by default; one that arrives in another
// is found by verifying, since no entry tells why.

/// Version 10: a home takes a unit with the certificate of the board that it has.
const REFUSALS_10: &[Refusal] = &[refuse(
    "meeting",
    "INSERT",
    "NEW.verdict = 'accepted' AND NOT EXISTS (SELECT 1 FROM unit u JOIN chip c ON c.chip_id = u.chip_id \
     WHERE u.serial = NEW.unit AND c.public_key = NEW.credential)",
    "a unit that was accepted showed the certificate of its own chip",
)];

/// Version 1: states go one way, facts stand, and nothing is given without its ground.
const REFUSALS: &[Refusal] = &[
    refuse(
        "authority",
        "UPDATE",
        "NEW.name <> OLD.name OR NEW.role <> OLD.role OR NEW.purpose <> OLD.purpose \
         OR NEW.certificate <> OLD.certificate OR NEW.subject_key_id <> OLD.subject_key_id \
         OR NEW.issuer IS DISTINCT FROM OLD.issuer OR NEW.origin <> OLD.origin",
        "only whether an authority is trusted can change",
    ),
    refuse("reel", "UPDATE", "OLD.entry <> -1", "a reel stands as it was received"),
    refuse("delivery", "UPDATE", "OLD.entry <> -1", "a delivery stands as it was received"),
    refuse(
        "chip",
        "UPDATE",
        "NEW.reel <> OLD.reel OR NEW.position <> OLD.position OR NEW.chip_id <> OLD.chip_id \
         OR NEW.public_key <> OLD.public_key",
        "a chip keeps its id, its key and its place on the reel",
    ),
    refuse(
        "chip",
        "UPDATE",
        "NEW.state <> OLD.state AND NOT (\
         (OLD.state = 'blank' AND NEW.state IN ('held', 'scrapped')) \
         OR (OLD.state = 'held' AND NEW.state IN ('provisioned', 'scrapped')) \
         OR (OLD.state = 'provisioned' AND NEW.state = 'scrapped'))",
        "a chip goes from blank to held to provisioned, or to scrapped, and never back",
    ),
    refuse(
        "chip",
        "UPDATE",
        "NEW.state = 'held' AND OLD.state = 'blank' AND NOT EXISTS \
         (SELECT 1 FROM credential c WHERE c.public_key = NEW.public_key AND c.state = 'available')",
        "a chip is held only with a credential available for its key",
    ),
    refuse(
        "chip",
        "UPDATE",
        "NEW.state = 'provisioned' AND OLD.state <> 'provisioned' AND NOT EXISTS \
         (SELECT 1 FROM proof p WHERE p.public_key = NEW.public_key)",
        "a chip is provisioned only with a stored proof",
    ),
    refuse(
        "credential",
        "UPDATE",
        "NEW.public_key <> OLD.public_key OR NEW.delivery <> OLD.delivery OR NEW.position <> OLD.position \
         OR NEW.authority <> OLD.authority OR NEW.issuer_key_id <> OLD.issuer_key_id OR NEW.serial <> OLD.serial \
         OR NEW.certificate <> OLD.certificate OR NEW.not_after IS DISTINCT FROM OLD.not_after",
        "a credential stands as it was delivered",
    ),
    refuse(
        "credential",
        "UPDATE",
        "NEW.state <> OLD.state AND NOT (\
         (OLD.state = 'available' AND NEW.state IN ('reserved', 'spent', 'revoked')) \
         OR (OLD.state = 'reserved' AND NEW.state IN ('installed', 'spent', 'revoked')) \
         OR (OLD.state = 'installed' AND NEW.state IN ('spent', 'revoked')) \
         OR (OLD.state = 'spent' AND NEW.state = 'revoked'))",
        "a credential goes from available to reserved to installed, or to spent or revoked, and never back",
    ),
    refuse(
        "credential",
        "UPDATE",
        "NEW.state = 'reserved' AND OLD.state <> 'reserved' AND NOT EXISTS \
         (SELECT 1 FROM chip c WHERE c.public_key = NEW.public_key AND c.state = 'held')",
        "a credential is reserved only for a chip that is held",
    ),
    refuse(
        "credential",
        "UPDATE",
        "NEW.state = 'installed' AND OLD.state <> 'installed' AND NOT EXISTS \
         (SELECT 1 FROM proof p WHERE p.public_key = NEW.public_key)",
        "a credential is installed only with a stored proof",
    ),
    refuse("unit", "INSERT", "NEW.state <> 'open' OR NEW.proven IS NOT NULL", "a unit begins open"),
    refuse(
        "unit",
        "UPDATE",
        "NEW.serial <> OLD.serial OR NEW.product <> OLD.product OR NEW.reel <> OLD.reel \
         OR NEW.chip_id <> OLD.chip_id OR NEW.began <> OLD.began \
         OR NEW.discriminator IS DISTINCT FROM OLD.discriminator OR NEW.salt IS DISTINCT FROM OLD.salt \
         OR NEW.iterations IS DISTINCT FROM OLD.iterations OR NEW.verifier IS DISTINCT FROM OLD.verifier \
         OR (NEW.passcode IS NOT NULL AND NEW.passcode IS DISTINCT FROM OLD.passcode) \
         OR (OLD.proven IS NOT NULL AND NEW.proven IS DISTINCT FROM OLD.proven)",
        "a unit keeps its chip, its onboarding data and its proof; a passcode can only be erased",
    ),
    refuse(
        "unit",
        "UPDATE",
        "NEW.state <> OLD.state AND NOT (\
         (OLD.state = 'open' AND NEW.state IN ('passed', 'failed', 'scrapped')) \
         OR (OLD.state = 'failed' AND NEW.state IN ('open', 'scrapped')) \
         OR (OLD.state = 'passed' AND NEW.state IN ('returned', 'scrapped')) \
         OR (OLD.state = 'returned' AND NEW.state = 'scrapped'))",
        "a unit that passed never opens again, and one that was scrapped stays so",
    ),
    refuse(
        "attempt",
        "UPDATE",
        "OLD.ended IS NOT NULL OR NEW.unit <> OLD.unit OR NEW.number <> OLD.number \
         OR NEW.station <> OLD.station OR NEW.started <> OLD.started",
        "an attempt that ended stands as it is",
    ),
    refuse(
        "proof",
        "INSERT",
        "NOT EXISTS (SELECT 1 FROM unit u JOIN chip c ON c.chip_id = u.chip_id \
         JOIN attempt a ON a.unit = u.serial AND a.number = NEW.attempt \
         WHERE u.serial = NEW.unit AND c.public_key = NEW.public_key AND c.state = 'held' AND a.result = 'open')",
        "a proof is of the chip of its unit, in an open attempt",
    ),
];

/// Version 3: what was settled stands, and nothing is revoked without a request that was confirmed.
const REFUSALS_3: &[Refusal] = &[
    refuse(
        "revocation_request",
        "UPDATE",
        "OLD.state <> 'waiting' OR NEW.number <> OLD.number OR NEW.issuer <> OLD.issuer \
         OR NEW.purpose <> OLD.purpose OR NEW.reason <> OLD.reason OR NEW.note IS DISTINCT FROM OLD.note \
         OR NEW.certificates <> OLD.certificates OR NEW.requested <> OLD.requested \
         OR NEW.requested_by <> OLD.requested_by",
        "a request is settled once, and stands as it was made",
    ),
    refuse("revocation_request", "INSERT", "NEW.state <> 'waiting'", "a request begins waiting"),
    refuse(
        "revocation",
        "INSERT",
        "NOT EXISTS (SELECT 1 FROM revocation_request r WHERE r.number = NEW.request AND r.state = 'confirmed' \
         AND r.issuer = NEW.issuer)",
        "a certificate is revoked only by a request that was confirmed",
    ),
];

/// Version 4: accounts and tokens end, and never come back as another's.
const REFUSALS_4: &[Refusal] = &[
    refuse(
        "account",
        "UPDATE",
        "NEW.name <> OLD.name OR NEW.added <> OLD.added OR (OLD.closed = 1 AND NEW.closed = 0)",
        "an account keeps its name, and one that was closed stays so",
    ),
    refuse(
        "api_token",
        "UPDATE",
        "NEW.name <> OLD.name OR NEW.token <> OLD.token OR NEW.role <> OLD.role OR NEW.given_by <> OLD.given_by \
         OR NEW.added <> OLD.added OR NEW.expires <> OLD.expires OR (OLD.revoked = 1 AND NEW.revoked = 0)",
        "a token can only be revoked",
    ),
];

/// Version 6: refusals of before under their names, with what a withdrawal or a correction
/// may do. A row goes only where a later entry withdrew it.
const REWRITTEN_6: &[(&str, Refusal)] = &[
    (
        "product_stands",
        refuse(
            "product",
            "UPDATE",
            "NEW.name <> OLD.name OR NEW.added <> OLD.added OR NEW.entry <= OLD.entry \
             OR ((NEW.purpose <> OLD.purpose OR NEW.vendor_id <> OLD.vendor_id OR NEW.product_id <> OLD.product_id) \
             AND EXISTS (SELECT 1 FROM reel r WHERE r.product = OLD.name)) \
             OR ((NEW.device_type <> OLD.device_type OR NEW.reach <> OLD.reach OR NEW.flow <> OLD.flow \
             OR NEW.objects <> OLD.objects) AND EXISTS (SELECT 1 FROM unit u WHERE u.product = OLD.name))",
            "what reels or units depend on stands",
        ),
    ),
    ("authority_stays", withdrawn_only("authority", BY_NAME)),
    ("declaration_stays", withdrawn_only("declaration", BY_DECLARATION)),
    ("reel_stays", withdrawn_only("reel", BY_REEL_ID)),
    ("order_written_stays", withdrawn_only("order_written", WITH_REEL)),
    ("chip_stays", withdrawn_only("chip", BLANK_WITH_REEL)),
    ("delivery_stays", withdrawn_only("delivery", BY_DELIVERY_ID)),
    ("delivery_authority_stays", withdrawn_only("delivery_authority", WITH_DELIVERY)),
    ("credential_stays", withdrawn_only("credential", AVAILABLE_WITH_DELIVERY)),
    ("station_setup_stays", withdrawn_only("station_setup", BY_SETUP)),
    ("station_firmware_stays", withdrawn_only("station_firmware", BY_FIRMWARE)),
];

/// Version 6: what arrived with a reel goes with it.
const REFUSALS_6: &[Refusal] = &[
    refuse("order_places", "UPDATE", "1 = 1", "what is written here stands"),
    withdrawn_only("order_places", WITH_REEL),
];

/// Version 7: an account is the company's or the site's own, never both, and for production one kind confirms
/// what the same kind asked for: a person may have one of each.
const REFUSALS_7: &[Refusal] = &[
    refuse(
        "account_subject",
        "INSERT",
        "NOT EXISTS (SELECT 1 FROM account a WHERE a.name = NEW.account AND a.password = '' AND a.badge IS NULL)",
        "an account with a password or a badge is never a company account",
    ),
    refuse(
        "account",
        "UPDATE",
        "(NEW.password <> '' OR NEW.badge IS NOT NULL) \
         AND EXISTS (SELECT 1 FROM account_subject s WHERE s.account = OLD.name)",
        "a company account has no password and no badge here",
    ),
    refuse(
        "revocation_request",
        "UPDATE",
        "NEW.state = 'confirmed' AND NEW.purpose = 'production' \
         AND (SELECT count(*) FROM account_subject s WHERE s.account = NEW.requested_by) \
         <> (SELECT count(*) FROM account_subject s WHERE s.account = NEW.settled_by)",
        "a company account and a local one may be the same person",
    ),
];

const fn withdrawn_only(table: &'static str, when: &'static str) -> Refusal {
    refuse(table, "DELETE", when, "nothing is removed from the book but what an entry withdraws")
}

macro_rules! not_withdrawn {
    ($table:literal, $key:literal, $entry:literal) => {
        concat!(
            "NOT EXISTS (SELECT 1 FROM withdrawn w WHERE w.row_table = '",
            $table,
            "' AND w.row_key = ",
            $key,
            " AND w.entry > ",
            $entry,
            ")"
        )
    };
}

/// Of a row that arrived with a reel or delivery, which goes after it.
macro_rules! not_withdrawn_with {
    ($table:literal, $id:literal, $key:literal) => {
        concat!(
            "NOT EXISTS (SELECT 1 FROM withdrawn w JOIN ",
            $table,
            " o ON o.",
            $id,
            " = w.row_key WHERE w.row_table = '",
            $table,
            "' AND w.row_key = ",
            $key,
            " AND w.entry > o.entry)"
        )
    };
}

const BY_NAME: &str = not_withdrawn!("authority", "OLD.name", "OLD.entry");
const BY_DECLARATION: &str = not_withdrawn!("declaration", "OLD.name", "OLD.entry");
const BY_REEL_ID: &str = not_withdrawn!("reel", "OLD.reel_id", "OLD.entry");
const BY_DELIVERY_ID: &str = not_withdrawn!("delivery", "OLD.delivery_id", "OLD.entry");
const BY_SETUP: &str = not_withdrawn!("station_setup", "OLD.station", "OLD.entry");
const BY_FIRMWARE: &str = not_withdrawn!("station_firmware", "OLD.station", "OLD.entry");
const WITH_REEL: &str = not_withdrawn_with!("reel", "reel_id", "OLD.reel");
const BLANK_WITH_REEL: &str = concat!("OLD.state <> 'blank' OR ", not_withdrawn_with!("reel", "reel_id", "OLD.reel"));
const WITH_DELIVERY: &str = not_withdrawn_with!("delivery", "delivery_id", "OLD.delivery");
const AVAILABLE_WITH_DELIVERY: &str =
    concat!("OLD.state <> 'available' OR ", not_withdrawn_with!("delivery", "delivery_id", "OLD.delivery"));

/// What one version of the schema refuses beside what [`Fate`] says of its tables.
struct Brought {
    version: i64,
    /// Triggers of versions before that refuse something else from now on.
    rewritten: &'static [(&'static str, Refusal)],
    refusals: &'static [Refusal],
}

const BROUGHT: &[Brought] = &[
    Brought { version: 1, rewritten: &[], refusals: REFUSALS },
    Brought { version: 3, rewritten: &[], refusals: REFUSALS_3 },
    Brought { version: 4, rewritten: &[], refusals: REFUSALS_4 },
    Brought { version: 5, rewritten: &[], refusals: &[] },
    Brought { version: 6, rewritten: REWRITTEN_6, refusals: REFUSALS_6 },
    Brought { version: 7, rewritten: &[], refusals: REFUSALS_7 },
    Brought { version: 9, rewritten: REWRITTEN_9, refusals: REFUSALS_9 },
    Brought { version: 10, rewritten: &[], refusals: REFUSALS_10 },
    Brought { version: 11, rewritten: &[], refusals: REFUSALS_11 },
    Brought { version: 12, rewritten: &[], refusals: REFUSALS_12 },
];

fn brought(by: &Brought) -> Vec<(String, Refusal)> {
    let mut all: Vec<(String, Refusal)> = Vec::new();
    for Table { name, fate, .. } in TABLES {
        if *fate == Fate::Stands(by.version) {
            all.push((format!("{name}_stands"), refuse(name, "UPDATE", "1 = 1", "what is written here stands")));
        }
        if [Fate::Stands(by.version), Fate::Stays(by.version)].contains(fate) {
            all.push((format!("{name}_stays"), refuse(name, "DELETE", "1 = 1", "nothing is removed from the book")));
        }
    }
    for (number, r) in by.refusals.iter().enumerate() {
        let name = match by.version {
            1 => format!("{}_rule_{}", r.table, number + 1),
            version => format!("{}_rule_{version}_{}", r.table, number + 1),
        };
        all.push((name, refuse(r.table, r.event, r.when, r.says)));
    }
    all
}

/// The names of all triggers on one engine.
pub(crate) fn names(postgresql: bool) -> Vec<String> {
    let whole = |(name, r): (String, Refusal)| {
        let truncate = (postgresql && r.event == "DELETE").then(|| format!("{name}_whole"));
        std::iter::once(name).chain(truncate)
    };
    BROUGHT.iter().flat_map(brought).flat_map(whole).collect()
}

/// The triggers that one version of the schema brings, as statements for one engine.
pub(crate) fn triggers(version: i64, postgresql: bool) -> String {
    let mut out = String::new();
    for (name, refusal) in BROUGHT.iter().filter(|b| b.version == version).flat_map(|b| b.rewritten) {
        let made = if postgresql {
            function_on_postgresql(&mut out, name, refusal)
        } else {
            writeln!(out, "DROP TRIGGER {name};").and_then(|()| on_sqlite(&mut out, name, refusal))
        };
        made.unwrap_or_default();
    }
    for (name, refusal) in &BROUGHT.iter().filter(|b| b.version == version).flat_map(brought).collect::<Vec<_>>() {
        let made = if postgresql { on_postgresql(&mut out, name, refusal) } else { on_sqlite(&mut out, name, refusal) };
        // Writing into a String can't fail.
        made.unwrap_or_default();
    }
    out
}

fn on_sqlite(out: &mut String, name: &str, r: &Refusal) -> std::fmt::Result {
    writeln!(
        out,
        "CREATE TRIGGER {name} BEFORE {} ON {} WHEN {} BEGIN SELECT RAISE(ABORT, '{}: {}'); END;",
        r.event, r.table, r.when, r.table, r.says
    )
}

/// The function behind a trigger, in place of one of that name.
fn function_on_postgresql(out: &mut String, name: &str, r: &Refusal) -> std::fmt::Result {
    let row = if r.event == "DELETE" { "OLD" } else { "NEW" };
    writeln!(
        out,
        "CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $body$ BEGIN \
         IF {} THEN RAISE EXCEPTION '{}: {}' USING ERRCODE = '23000'; END IF; RETURN {row}; END $body$;",
        r.when, r.table, r.says
    )
}

fn on_postgresql(out: &mut String, name: &str, r: &Refusal) -> std::fmt::Result {
    function_on_postgresql(out, name, r)?;
    writeln!(out, "CREATE TRIGGER {name} BEFORE {} ON {} FOR EACH ROW EXECUTE FUNCTION {name}();", r.event, r.table)?;
    if r.event == "DELETE" {
        writeln!(
            out,
            "CREATE FUNCTION {name}_whole() RETURNS trigger LANGUAGE plpgsql AS $body$ BEGIN \
             RAISE EXCEPTION '{}: {}' USING ERRCODE = '23000'; END $body$;\n\
             CREATE TRIGGER {name}_whole BEFORE TRUNCATE ON {} FOR EACH STATEMENT EXECUTE FUNCTION {name}_whole();",
            r.table, r.says, r.table
        )?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A version that is missing from the list would leave its tables without triggers, and nothing would say so.
    #[test]
    fn each_version_with_a_protected_table_brings_its_triggers() {
        for table in TABLES {
            if let Fate::Stands(version) | Fate::Stays(version) = table.fate {
                assert!(BROUGHT.iter().any(|by| by.version == version), "{} of version {version}", table.name);
            }
        }
    }
}
