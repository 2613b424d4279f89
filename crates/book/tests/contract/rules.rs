//! The rules of the domain, held by the database itself against plain SQL.

use book::{Next, SerialWish};

use crate::support::*;

pub fn the_database_refuses_by_itself(engine: &Engine<'_>) {
    let site = engine.site().stocked(8);
    site.provision(0, "S1");
    let open = serial("U1");
    site.begin(1, SerialWish::IfNew(&open), &on("S1", 1)).expect("begun");
    let failed = serial("U2");
    let begun = site.begin(2, SerialWish::IfNew(&failed), &on("S1", 2)).expect("begun");
    site.fail(&failed, begun.attempt, Next::Scrap, &on("S1", 3)).expect("scrapped");
    let before = site.book.reconcile(None).expect("asks");
    let mut raw = engine.raw(&site.place);
    let key = |n: u32| chip(n).public_key;
    let literal = |raw: &crate::support::Raw, n: u32| raw.octets(&key(n));
    let (one, three, four) = (literal(&raw, 1), literal(&raw, 3), literal(&raw, 4));
    let id = |n: u32| chip(n).chip_id.to_string();
    let copy_of_credential = |key: &str, serial: &str, position: i64| {
        format!(
            "INSERT INTO credential (public_key, delivery, position, authority, issuer_key_id, serial, certificate) \
             SELECT {key}, delivery, {position}, authority, issuer_key_id, {serial}, certificate FROM credential \
             WHERE position = 1"
        )
    };
    let proof_of = |unit: &str, key: &str, nonce: &str| {
        format!(
            "INSERT INTO proof (unit, attempt, public_key, nonce, challenge, elements, signature, dac, pai, objects, \
             verdict, report, proven, entry) SELECT '{unit}', 1, {key}, {nonce}, challenge, elements, signature, dac, \
             pai, objects, verdict, report, proven, entry FROM proof"
        )
    };
    let (nonce, stranger) = (raw.octets(&[1; 32]), raw.octets(&[4; 65]));
    let new_serial = raw.octets(&[9, 9]);
    let refused: Vec<(&str, String)> = vec![
        ("one credential a chip", copy_of_credential(&one, &new_serial, 99)),
        ("a credential for a key that no chip has", copy_of_credential(&stranger, &new_serial, 99)),
        ("one chip a credential: serial numbers are the issuer's own", copy_of_credential(&one, "serial", 99)),
        (
            "a credential can't change chips",
            format!("UPDATE credential SET public_key = {four} WHERE public_key = {three}"),
        ),
        ("a certificate stands", format!("UPDATE credential SET certificate = serial WHERE public_key = {three}")),
        ("spent stays spent", "UPDATE credential SET state = 'available' WHERE state = 'spent'".into()),
        ("spent is not reserved", "UPDATE credential SET state = 'reserved' WHERE state = 'spent'".into()),
        (
            "reserved only for a held chip",
            format!("UPDATE credential SET state = 'reserved', entry = 1 WHERE public_key = {three}"),
        ),
        ("installed only with a proof", "UPDATE credential SET state = 'installed' WHERE state = 'reserved'".into()),
        ("installed does not go back", "UPDATE credential SET state = 'available' WHERE state = 'installed'".into()),
        ("two chips with one id", format!("UPDATE chip SET chip_id = '{}' WHERE chip_id = '{}'", id(3), id(4))),
        ("a chip's key stands", format!("UPDATE chip SET public_key = {three} WHERE chip_id = '{}'", id(4))),
        (
            "a chip is not put in twice",
            format!(
                "INSERT INTO chip (reel, position, chip_id, public_key) VALUES ('REEL-A', 99, '{}', {one})",
                id(99)
            ),
        ),
        ("provisioned only with a proof", format!("UPDATE chip SET state = 'provisioned' WHERE chip_id = '{}'", id(1))),
        (
            "scrapped stays scrapped",
            format!("UPDATE chip SET state = 'blank', reason = NULL WHERE chip_id = '{}'", id(2)),
        ),
        ("provisioned is not held again", format!("UPDATE chip SET state = 'held' WHERE chip_id = '{}'", id(0))),
        ("no unknown state", format!("UPDATE chip SET state = 'lost', entry = 1 WHERE chip_id = '{}'", id(3))),
        ("passed only with a proof", "UPDATE unit SET state = 'passed' WHERE serial = 'U1'".into()),
        (
            "passed only with a proof of its own",
            "UPDATE unit SET state = 'passed', proven = 'U1' WHERE serial = 'U1'".into(),
        ),
        (
            "not with another's proof",
            "UPDATE unit SET state = 'passed', proven = 'TV-000000' WHERE serial = 'U1'".into(),
        ),
        ("passed never opens again", "UPDATE unit SET state = 'open' WHERE serial = 'TV-000000'".into()),
        ("scrapped units stay so", "UPDATE unit SET state = 'open', reason = NULL WHERE serial = 'U2'".into()),
        ("a unit keeps its chip", format!("UPDATE unit SET chip_id = '{}' WHERE serial = 'U1'", id(3))),
        (
            "one unit a chip",
            "INSERT INTO unit (serial, product, reel, chip_id, state, began, changed, attempts, entry) \
          SELECT 'U9', product, reel, chip_id, 'open', began, changed, 1, entry FROM unit WHERE serial = 'U1'"
                .into(),
        ),
        (
            "no unit begins passed",
            format!(
                "INSERT INTO unit (serial, product, reel, chip_id, state, proven, began, changed, attempts, entry) \
          SELECT 'U9', product, reel, '{}', 'passed', 'U9', began, changed, 1, entry FROM unit WHERE serial = 'U1'",
                id(4)
            ),
        ),
        ("a passcode is erased, not changed", "UPDATE unit SET passcode = verifier WHERE serial = 'U1'".into()),
        (
            "one open attempt a unit",
            "INSERT INTO attempt (unit, number, station, actor, started, result, entry) \
          VALUES ('U1', 2, 'S2', 'x', 0, 'open', 0)"
                .into(),
        ),
        (
            "an ended attempt stands",
            "UPDATE attempt SET result = 'passed', cause = NULL, next = NULL WHERE unit = 'U2'".into(),
        ),
        (
            "a failure has a cause",
            "UPDATE attempt SET result = 'failed', ended = 1, next = 'retry' WHERE unit = 'U1'".into(),
        ),
        ("a proof is of the unit's own chip", proof_of("U1", &three, &nonce)),
        ("a proof's nonce is fresh", proof_of("U1", &one, "nonce")),
        (
            "a proof needs an accepted verdict",
            proof_of("U1", &one, &nonce).replace(
                "objects, verdict, report, proven, entry FROM",
                "objects, 'rejected', report, proven, entry FROM",
            ),
        ),
        ("a proof stands", "UPDATE proof SET challenge = nonce".into()),
        ("a proof stays", "DELETE FROM proof".into()),
        ("a step stands", "UPDATE step SET duration = 0".into()),
        ("an entry stands", "UPDATE entry SET actor = 'nobody' WHERE sequence = 0".into()),
        ("an entry stays", "DELETE FROM entry WHERE sequence = 0".into()),
        ("a node of the tree stays", "DELETE FROM log_node".into()),
        ("a chip stays", "DELETE FROM chip".into()),
        ("a unit stays", "DELETE FROM unit WHERE serial = 'U1'".into()),
        ("a product keeps its purpose", "UPDATE product SET purpose = 'production'".into()),
        ("an authority keeps its purpose", "UPDATE authority SET purpose = 'production'".into()),
        ("a reel keeps its product", "UPDATE reel SET purpose = 'production'".into()),
        ("a delivery keeps its verdict", "UPDATE delivery SET verdict = 'accepted-in-part'".into()),
    ];
    for (rule, sql) in &refused {
        assert!(raw.attempt(sql).is_err(), "not refused: {rule}: {sql}");
    }
    // Each refusal comes of the rule that it is for: the same statement, put right, passes.
    let fit = proof_of("U1", &one, &nonce);
    raw.attempt("BEGIN").expect("begun");
    raw.attempt(&fit).expect("a fit proof is taken");
    raw.attempt("ROLLBACK").expect("undone");
    let spare = site.book.reconcile(None).expect("asks");
    assert_eq!(spare, before, "nothing was changed");
    assert!(site.book.verify(None).expect("verifies").intact());
}
