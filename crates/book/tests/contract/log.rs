//! The log: proofs, heads, and what verifying finds.

use book::ids::Sequence;
use book::log::tree::{check_consistency, check_inclusion};
use book::{BookError, DamageKind, SignHeadError, SignedHead, Subject};
use sha2::{Digest, Sha256};

use crate::support::*;

pub fn entries_and_proofs(engine: &Engine<'_>) {
    let site = engine.site().stocked(12);
    for n in 0..12 {
        site.provision(n, "S1");
    }
    let book = &site.book;
    let head = book.head().expect("a head");
    assert_eq!(head.size, 1 + 4 + 24);
    let mut roots = Vec::new();
    for size in 1..=head.size {
        let proven = book.consistency(size, None).expect("a proof");
        assert_eq!((proven.size, proven.root), (head.size, head.root));
        assert!(check_consistency(size, &proven.old_root, head.size, &head.root, &proven.path), "{size}");
        roots.push(proven.old_root);
    }
    assert!(book.consistency(head.size + 1, None).is_err());
    for sequence in 0..head.size {
        let proven = book.inclusion(Sequence(sequence as i64), None).expect("asks").expect("there");
        let leaf = proven.entry.leaf.as_bytes();
        assert!(check_inclusion(leaf, sequence, head.size, &head.root, &proven.path), "{sequence}");
        assert!(!check_inclusion(b"{}", sequence, head.size, &head.root, &proven.path));
        // The leaf is canonical JSON of the entry, and names its own place.
        let json: serde_json::Value = serde_json::from_str(&proven.entry.leaf).expect("JSON");
        assert_eq!(json["sequence"], sequence);
        assert_eq!(json["act"], proven.entry.act.as_str());
        // In a smaller tree too, as an older signed head wants it.
        let older = book.inclusion(Sequence(0), Some(sequence + 1)).expect("asks").expect("there");
        assert_eq!(older.root, roots[sequence as usize]);
    }
    assert_eq!(book.inclusion(Sequence(3), Some(2)).expect("asks"), None);
    assert_eq!(book.inclusion(Sequence(999), None).expect("asks"), None);
    // Newest first, page by page, without a gap.
    let (mut before, mut seen) = (None, Vec::new());
    loop {
        let page = book.entries(before, 7).expect("asks");
        seen.extend(page.items.iter().map(|e| e.sequence.0));
        before = page.next;
        if before.is_none() {
            break;
        }
    }
    assert_eq!(seen, (0..head.size as i64).rev().collect::<Vec<_>>());
    let about: Vec<_> = book.entries_about(&Subject::Unit(serial("TV-000003"))).expect("asks");
    assert_eq!(about.iter().map(|e| e.act.as_str()).collect::<Vec<_>>(), ["attempt.begin", "attempt.pass"]);
    assert_eq!(about[1].station.as_ref().expect("at a station").as_str(), "S1");
    assert_eq!(
        book.entry(Sequence(0)).expect("asks").expect("there").body().expect("a body")["name"],
        "Tern & Hollow, line 2"
    );
    let noted = book
        .note(
            "evidence.export",
            &Subject::Other("evidence", "pack.zip".into()),
            &serde_json::json!({ "units": 12 }),
            &by(),
        )
        .expect("noted");
    assert_eq!(noted, Sequence(head.size as i64));
    let verified = book.verify(None).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
    assert_eq!((verified.entries, verified.root), (head.size + 1, book.head().expect("a head").root));
}

/// A stand-in for the site's key: what it signs is checked the same way.
fn sign(statement: &[u8]) -> Vec<u8> {
    Sha256::digest([b"the site's key", statement].concat()).to_vec()
}

fn good(head: &SignedHead) -> bool {
    head.signature == sign(head.statement.as_bytes())
}

/// Who watches a verification is told how much of the whole is behind it, and may stop it.
pub fn verifying_is_watched(engine: &Engine<'_>) {
    let site = engine.site().stocked(4);
    site.provision(0, "S1");
    let told = std::sync::Mutex::new(Vec::new());
    let watch = |done: u64, total: u64| {
        told.lock().expect("told").push((done, total));
        true
    };
    let found = site.book.verify_watched(None, &[], &watch).expect("verifies");
    assert!(found.intact(), "{found:?}");
    let told = told.into_inner().expect("told");
    let last = *told.last().expect("told at least once");
    assert!(told.iter().all(|(done, total)| done <= total && *total == last.1), "{told:?}");
    let stopped = site.book.verify_watched(None, &[], &|_, _| false).expect_err("stopped");
    assert!(matches!(stopped, BookError::Stopped), "{stopped}");
}

pub fn signed_heads(engine: &Engine<'_>) {
    let site = engine.site().stocked(4);
    let book = &site.book;
    assert_eq!(book.last_signed_head().expect("asks"), None);
    site.provision(0, "S1");
    let failed = book.sign_head("site", at(50), &mut |_| Err("the token is gone".into())).expect_err("no signature");
    assert!(matches!(failed, SignHeadError::Signer(_)), "{failed}");
    let signed = book.sign_head("site", at(60), &mut |s| Ok(sign(s))).expect("signed");
    assert_eq!(signed.head, book.head().expect("a head"));
    let statement: serde_json::Value = serde_json::from_str(&signed.statement).expect("JSON");
    assert_eq!((statement["size"].as_u64(), statement["site"].as_str()), (Some(signed.head.size), Some("0d6f2a")));
    assert_eq!(book.last_signed_head().expect("asks").as_ref(), Some(&signed));
    book.sign_head("site", at(61), &mut |s| Ok(sign(s))).expect("the same head twice");
    site.provision(1, "S1");
    book.sign_head("site", at(62), &mut |s| Ok(sign(s))).expect("signed");
    let all = book.signed_heads(10).expect("asks");
    assert_eq!(
        all.iter().map(|h| h.head.size).collect::<Vec<_>>(),
        [all[0].head.size, signed.head.size, signed.head.size]
    );
    assert!(all[0].head.size > signed.head.size);
    assert_eq!(book.signed_heads(1).expect("asks"), all[..1]);
    assert_eq!(book.first_signed_head().expect("asks"), Some(signed));
    let verified = book.verify(Some(&good)).expect("verifies");
    assert!(verified.intact(), "{:?}", verified.damages);
    assert_eq!(verified.signed_heads, 3);
    assert!(!book.verify(Some(&|_| false)).expect("verifies").intact());
    engine.raw(&site.place).force("UPDATE signed_head SET at = at + 1 WHERE number = 2");
    let altered = book.verify(Some(&good)).expect("verifies").damages;
    assert!(altered.iter().all(|d| d.table == "signed_head"), "{altered:?}");
}

/// Rows that leave the house with the digest that an entry of theirs names.
pub fn rows_that_leave_the_house(engine: &Engine<'_>) {
    let site = engine.site().stocked(4);
    let unit = site.provision(0, "S1");
    site.book.record_label(&unit, book::LabelEvent::Printed, &by()).expect("recorded");
    let credential_key = format!("{}/{}", hex(&credential(0).issuer_key_id), hex(&credential(0).serial));
    for (table, key) in [
        ("proof", unit.to_string()),
        ("attempt", format!("{unit}/1")),
        ("step", format!("{unit}/1")),
        ("label", format!("{unit}/1")),
        ("credential", credential_key),
        ("reel", "REEL-A".into()),
    ] {
        let found = site.book.vouched(table, &key).expect("asks").expect(table);
        assert_eq!(book::log::row_digest(found.table, found.several, &found.rows), found.digest, "{table}");
        let entry = site.book.entry(found.entry).expect("asks").expect("an entry");
        assert!(entry.leaf.contains(&format!("[\"{table}\",\"{key}\",\"{}\"]", hex(&found.digest))), "{table}");
    }
    let steps = site.book.vouched("step", &format!("{unit}/1")).expect("asks").expect("steps");
    assert_eq!((steps.several, steps.rows.len()), (true, 3));
    // A unit's own row holds its verifier, and stays; so does what no entry tells of by itself.
    let as_it_arrived = format!("{}/{}", hex(&credential(3).issuer_key_id), hex(&credential(3).serial));
    for (table, key) in [("unit", unit.as_str()), ("site", "1"), ("proof", "nobody"), ("credential", &as_it_arrived)] {
        assert_eq!(site.book.vouched(table, key).expect("asks"), None, "{table}");
    }
}

pub fn every_change_is_found_and_located(engine: &Engine<'_>) {
    use DamageKind::{Added, Altered, Moved, Removed};
    let site = engine.site().stocked(20);
    for n in 0..4 {
        site.provision(n, "S1");
    }
    let label = book::LabelEvent::Printed;
    site.book.record_label(&serial("TV-000001"), label, &by()).expect("recorded");
    site.book
        .record_order(&reel_id("REEL-A"), "order.csv", &[1; 32], &book::Places::of(1..=20), &by())
        .expect("recorded");
    let firmware = book::ids::FirmwareVersion::new("1.4.0").expect("a version");
    let (held, unit, at_s1) = (chip(5), serial("TV-000005"), on("S1", 9));
    let told = book::Begin {
        onboard: &|_| Ok(Some(onboarding())),
        facts: book::AttemptFacts { firmware: Some(firmware), ..Default::default() },
        ..book::Begin::new(&held.chip_id, book::SerialWish::IfNew(&unit), &at_s1)
    };
    site.book.begin_attempt(&told).expect("begun");
    assert!(site.book.verify(None).expect("verifies").intact());
    let raw = engine.raw(&site.place);
    let (id, octets) = (|n: u32| chip(n).chip_id.to_string(), |n: u32| raw.octets(&chip(n).public_key));
    let of = |n: u32| format!("{}/{}", "a1".repeat(20), hex(&credential(n).serial));
    // A change behind the book's back, and how it must be told: kind, table, key.
    let changes: Vec<(String, DamageKind, &str, String)> = vec![
        (
            format!("UPDATE chip SET public_key = {} WHERE chip_id = '{}'", raw.octets(&[4; 65]), id(9)),
            Altered,
            "chip",
            id(9),
        ),
        (format!("UPDATE chip SET state = 'held', entry = 5 WHERE chip_id = '{}'", id(9)), Added, "chip", id(9)),
        (format!("UPDATE chip SET state = 'held' WHERE chip_id = '{}'", id(9)), Altered, "chip", id(9)),
        (format!("UPDATE chip SET state = 'held' WHERE chip_id = '{}'", id(2)), Altered, "chip", id(2)),
        (format!("UPDATE chip SET state = 'blank', entry = NULL WHERE chip_id = '{}'", id(2)), Altered, "chip", id(2)),
        (format!("DELETE FROM chip WHERE chip_id = '{}'", id(9)), Removed, "chip", "REEL-A/10".into()),
        (format!("DELETE FROM chip WHERE chip_id = '{}'", id(19)), Removed, "chip", "REEL-A/20".into()),
        (
            format!(
                "INSERT INTO chip (reel, position, chip_id, public_key) VALUES ('REEL-A', 21, 'AB', {})",
                raw.octets(&[4; 65])
            ),
            Added,
            "chip",
            "AB".into(),
        ),
        (
            "UPDATE chip SET position = position + 40 WHERE position IN (5, 6); \
          UPDATE chip SET position = 51 - position WHERE position > 40"
                .into(),
            Altered,
            "chip",
            id(4),
        ),
        (
            format!("UPDATE credential SET certificate = serial WHERE public_key = {}", octets(9)),
            Altered,
            "credential",
            of(9),
        ),
        (
            format!("UPDATE credential SET state = 'available' WHERE public_key = {}", octets(2)),
            Altered,
            "credential",
            of(2),
        ),
        (format!("DELETE FROM credential WHERE public_key = {}", octets(9)), Removed, "credential", "D-1/10".into()),
        ("UPDATE unit SET discriminator = 1 WHERE serial = 'TV-000001'".into(), Altered, "unit", "TV-000001".into()),
        ("DELETE FROM unit WHERE serial = 'TV-000001'".into(), Removed, "unit", "TV-000001".into()),
        (
            "INSERT INTO unit (serial, product, reel, chip_id, state, began, changed, attempts, entry) \
          SELECT 'EXTRA', product, reel, 'AB', 'open', began, changed, 1, entry FROM unit WHERE serial = 'TV-000001'"
                .into(),
            Added,
            "unit",
            "EXTRA".into(),
        ),
        ("UPDATE attempt SET station = 'S9' WHERE unit = 'TV-000002'".into(), Altered, "attempt", "TV-000002/1".into()),
        (
            "UPDATE step SET duration = 1 WHERE unit = 'TV-000002' AND number = 2".into(),
            Altered,
            "step",
            "TV-000002/1".into(),
        ),
        ("DELETE FROM step WHERE unit = 'TV-000002' AND number = 3".into(), Altered, "step", "TV-000002/1".into()),
        ("UPDATE proof SET elements = signature WHERE unit = 'TV-000003'".into(), Altered, "proof", "TV-000003".into()),
        ("DELETE FROM proof WHERE unit = 'TV-000003'".into(), Removed, "proof", "TV-000003".into()),
        (
            format!(
                "UPDATE octets SET content = {} WHERE digest = (SELECT pai FROM proof WHERE unit = 'TV-000001')",
                raw.octets(b"x")
            ),
            Altered,
            "octets",
            hex(&Sha256::digest(pai().certificate)),
        ),
        (
            "DELETE FROM octets WHERE digest = (SELECT pai FROM proof WHERE unit = 'TV-000001')".into(),
            Removed,
            "octets",
            hex(&Sha256::digest(pai().certificate)),
        ),
        (
            "UPDATE attempt_firmware SET version = '9' WHERE unit = 'TV-000005'".into(),
            Altered,
            "attempt_firmware",
            "TV-000005/1".into(),
        ),
        ("DELETE FROM attempt_firmware".into(), Removed, "attempt_firmware", "TV-000005/1".into()),
        (
            "INSERT INTO attempt_firmware (unit, attempt, version, entry) \
          SELECT unit, number, '9', entry FROM attempt WHERE unit = 'TV-000001'"
                .into(),
            Added,
            "attempt_firmware",
            "TV-000001/1".into(),
        ),
        ("UPDATE label SET actor = 'nobody'".into(), Altered, "label", "TV-000001/1".into()),
        ("UPDATE order_written SET chips = 7".into(), Altered, "order_written", "REEL-A/1".into()),
        ("UPDATE order_places SET places = '7'".into(), Altered, "order_places", "REEL-A/1".into()),
        ("DELETE FROM order_places".into(), Removed, "order_places", "REEL-A/1".into()),
        ("UPDATE product SET product_id = 1".into(), Altered, "product", "Tern Vent".into()),
        ("UPDATE authority SET trusted = 0 WHERE role = 'paa'".into(), Altered, "authority", "Quarry Lane PAA".into()),
        ("UPDATE reel SET source_name = 'x'".into(), Altered, "reel", "REEL-A".into()),
        ("UPDATE delivery SET report = '{}'".into(), Altered, "delivery", "D-1".into()),
        (
            "UPDATE delivery_authority SET authority = 'Quarry Lane PAA'".into(),
            Altered,
            "delivery_authority",
            "D-1".into(),
        ),
        ("UPDATE site SET name = 'x'".into(), Altered, "site", "1".into()),
        (
            "UPDATE entry SET leaf = replace(leaf, 'operator', 'somebody') WHERE sequence = 7".into(),
            Altered,
            "entry",
            "7".into(),
        ),
        ("UPDATE entry SET actor = 'somebody' WHERE sequence = 7".into(), Altered, "entry", "7".into()),
        ("UPDATE entry SET at = at + 1000000 WHERE sequence = 7".into(), Altered, "entry", "7".into()),
        ("UPDATE entry SET fingerprints = hash WHERE act = 'reel.receive'".into(), Altered, "entry", "3".into()),
        ("DELETE FROM entry WHERE sequence = 8".into(), Removed, "entry", "8".into()),
        (
            "UPDATE entry SET sequence = sequence + 100 WHERE sequence IN (6, 7); \
          UPDATE entry SET sequence = 113 - sequence WHERE sequence > 100"
                .into(),
            Moved,
            "entry",
            "6".into(),
        ),
        (
            format!(
                "UPDATE entry SET leaf = replace(leaf, 'operator', 'somebody'), hash = {} WHERE sequence = 7",
                raw.octets(&[7; 32])
            ),
            Altered,
            "log_node",
            "1/3".into(),
        ),
        (
            format!("UPDATE log_node SET hash = {} WHERE level = 2 AND number = 1", raw.octets(&[7; 32])),
            Altered,
            "log_node",
            "2/1".into(),
        ),
        ("DELETE FROM log_node WHERE level = 3 AND number = 0".into(), Removed, "log_node", "3/0".into()),
        ("UPDATE log_head SET size = size - 1".into(), Altered, "log_head", "1".into()),
    ];
    drop(raw);
    let Site { book, place: original } = site;
    drop(book);
    for (sql, kind, table, key) in &changes {
        // Each change on a twin of its own, so that one does not hide another.
        let place = engine.twin(&original);
        engine.raw(&place).force(sql);
        let found = open(&place).verify(None).expect("verifies");
        let located = found.damages.iter().any(|d| (d.kind, d.table.as_str(), &d.key) == (*kind, *table, key));
        assert!(located, "{sql}\nwanted {kind:?} {table} {key}, found {:#?}", found.damages);
        assert!(found.damages.len() <= 6, "{sql}\none change, and so much told: {:#?}", found.damages);
        engine.remove(place);
    }
    // The last entries cut off, and a guard taken away.
    let place = engine.twin(&original);
    let copy = open(&place);
    copy.sign_head("site", at(99), &mut |s| Ok(sign(s))).expect("signed");
    let last = copy.head().expect("a head").size - 1;
    engine.raw(&place).force(&format!("DELETE FROM entry WHERE sequence = {last}"));
    let found = copy.verify(Some(&good)).expect("verifies").damages;
    assert!(found.iter().any(|d| (d.kind, d.key.as_str()) == (Removed, last.to_string().as_str())), "{found:?}");
    // The schema itself: a guard gone, one that does nothing, an index, a view, a table, a condition.
    let postgresql = original.database.is_some();
    let on = if postgresql { "DROP TRIGGER proof_stays ON proof" } else { "DROP TRIGGER proof_stays" };
    let idle = if postgresql {
        "CREATE OR REPLACE FUNCTION proof_stays() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN OLD; END'"
    } else {
        "DROP TRIGGER proof_stays; CREATE TRIGGER proof_stays BEFORE DELETE ON proof BEGIN SELECT 1; END"
    };
    let condition = if postgresql {
        "ALTER TABLE session DROP CONSTRAINT session_means_check"
    } else {
        "PRAGMA writable_schema = ON; UPDATE sqlite_schema SET sql = replace(sql, 'means IN (''password'', ', 'means IN (''any'', ''password'', ') \
         WHERE name = 'session'"
    };
    for (sql, kind, key) in [
        (on, Removed, "proof_stays"),
        (idle, Altered, "proof_stays"),
        ("DROP INDEX entry_by_subject", Removed, "entry_by_subject"),
        ("CREATE INDEX another ON chip (state)", Added, "another"),
        ("CREATE VIEW seen AS SELECT 1 AS one", Added, "seen"),
        ("CREATE TABLE aside (one INTEGER)", Added, "aside"),
        (
            condition,
            if postgresql { Removed } else { Altered },
            if postgresql { "session.session_means_check" } else { "session" },
        ),
    ] {
        let place = engine.twin(&original);
        engine.raw(&place).attempt(sql).expect("changed");
        let found = open(&place).verify(None).expect("verifies").damages;
        assert!(found.iter().any(|d| (d.kind, d.key.as_str()) == (kind, key)), "{sql}: {found:?}");
        engine.remove(place);
    }
    // With none of these changes the schema is the one that the migrations make.
    let place = engine.twin(&original);
    assert!(open(&place).verify(None).expect("verifies").intact());
}

pub fn a_rewritten_log_is_found_by_a_signed_head(engine: &Engine<'_>) {
    let site = engine.site().stocked(3);
    site.book.sign_head("site", at(1), &mut |s| Ok(sign(s))).expect("signed");
    let signed = site.book.head().expect("a head").size;
    site.provision(0, "S1");
    site.book.sign_head("site", at(2), &mut |s| Ok(sign(s))).expect("signed");
    // Another log of the same length, whole in itself, with the old signatures.
    let forged = engine.site().stocked(3);
    forged.book.sign_head("site", at(1), &mut |s| Ok(sign(s))).expect("signed");
    forged.provision(1, "S1");
    let signature = site.book.last_signed_head().expect("asks").expect("there");
    let mut raw = engine.raw(&forged.place);
    let (root, octets) = (raw.octets(&signature.head.root), raw.octets(&signature.signature));
    raw.force(&format!(
        "INSERT INTO signed_head (size, number, root, at, key_id, statement, signature) \
         VALUES ({}, 1, {root}, {}, 'site', '{}', {octets})",
        signature.head.size,
        signature.at.unix_timestamp() * 1_000_000,
        signature.statement
    ));
    let found = forged.book.verify(Some(&good)).expect("verifies");
    assert_eq!(found.total, 1, "{:?}", found.damages);
    let damage = &found.damages[0];
    assert_eq!((damage.table.as_str(), damage.kind), ("signed_head", DamageKind::Altered));
    assert!(damage.found.contains(&format!("from {signed} to")), "{}", damage.found);
    // A log whose own heads were rewritten with it is found by one that was kept elsewhere.
    let forged = engine.site().stocked(3);
    forged.provision(2, "S1");
    assert!(forged.book.verify(Some(&good)).expect("verifies").intact());
    let found = forged.book.verify_against(Some(&good), std::slice::from_ref(&signature)).expect("verifies");
    assert_eq!((found.total, found.damages[0].table.as_str()), (1, "signed_head"), "{:?}", found.damages);
    let own = site.book.verify_against(Some(&good), &[signature]).expect("verifies");
    assert!(own.intact(), "{:?}", own.damages);
}

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|b| format!("{b:02x}")).collect()
}
