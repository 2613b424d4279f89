//! A book that was restored from an older backup, and chips that know more than it.

use std::fs;

use serde_json::{Value, json};

use crate::at_site::engine::Engine;
use crate::at_site::{Site, assert_sound, text};
use crate::keeping::{machine, provision};

on_both_engines! { a_chip_that_knows_more_than_the_book_is_adopted, a_chip_without_a_record_waits_for_a_word }

/// A backup, then two units more of a product that writes factory records, then the backup on a new machine with the
/// same chips; what restoring answered.
fn set_back(engine: &Engine, product: &[&str]) -> (Site, Site, String, Value) {
    let old = Site::bare(&engine.place());
    old.add_with("a", product);
    old.receive_reel("a");
    old.receive_delivery("a");
    let chips = format!("simulated:{}", text(&old.simulate_part("a", 0, 4, &[])));
    provision(&old, &chips, "1");
    let saved = old.dir.path().join("site.backup");
    old.done("backup", &["book", "backup", "--out", text(&saved)]);
    provision(&old, &chips, "2");
    old.done("head", &["book", "head", "--out", text(&old.dir.path().join("head.json"))]);
    let new = machine(&[]);
    let mut typed = vec!["book", "restore", text(&saved)];
    let place = engine.place();
    if engine.server.is_some() {
        typed.extend(["--book", &place]);
    }
    let restored = new.done("restore", &typed);
    (old, new, chips, restored)
}

/// What a run came to, unit by unit.
fn came_to(done: &Value) -> Vec<(&Value, &Value, &Value)> {
    let units = done["units"].as_array().expect("units");
    units.iter().filter(|u| u["already"] == false).map(|u| (&u["result"], &u["cause"], &u["adopted"])).collect()
}

/// Chips that know more than the book: nothing is written, scrapped or spent; taken over, they keep their codes.
fn a_chip_that_knows_more_than_the_book_is_adopted(engine: &Engine) {
    let (old, new, chips, restored) = set_back(engine, &["--factory-record", "--vendor-name", "Tern & Hollow"]);
    assert_eq!(restored["series_to_confirm"], json!(["TV-000002"]), "{restored}");
    // A head that was signed after the backup: the entries that it covers are lost, and nothing else is wrong.
    let head = old.dir.path().join("head.json");
    let lost = new.call("lost", &["book", "verify", "--head", text(&head)]);
    assert_eq!((lost.exit, &lost.json["damaged"]), (Some(1), &json!(1)), "{}", lost.said);
    assert_eq!(lost.json["damages"][0]["kind"], "lost", "{}", lost.said);
    assert!(lost.json["damages"][0]["found"].as_str().is_some_and(|t| t.contains("restored from a backup")));
    assert!(restored["ends"]["entry"].as_u64().is_some_and(|n| n > 5) && restored["ends"]["at"].is_string());
    let run = ["provision", "--reel", "A", "--station", "S2", "--chips", &chips];
    let with = |more: &[&str]| new.call("provision", &[&run[..], more].concat());

    // No serial number may be given out twice: neither silently, nor where somebody names one that was given out.
    for start in [&[][..], &["--serial-start", "TV-000001"]] {
        let refused = with(start);
        let (said, reel) = (&refused.said, start.is_empty());
        assert_eq!(refused.exit, Some(1), "{said}");
        assert!(said.contains("restored from a backup") && said.contains("--serial-series"), "{said}");
        assert!(said.contains(if reel { "A-00001 is next" } else { "TV-000002 is next" }), "{said}");
    }
    let low = new.call("low", &["product", "update", "Tern Vent", "--serial-series", "TV-000001"]);
    assert!(low.exit == Some(1) && low.said.contains("TV-000002 is next"), "{}", low.said);
    let list = new.dir.path().join("serials");
    fs::write(&list, "TV-000002\nTV-000003\nTV-000004\n").expect("a list");
    let listed = with(&["--serials", text(&list)]);
    assert!(listed.exit == Some(1) && listed.said.contains("TV-000002 is the first"), "{}", listed.said);
    assert_eq!(new.done("none", &["unit", "list"])["units"].as_array().map(Vec::len), Some(1));
    new.done("series", &["product", "update", "Tern Vent", "--serial-series", "TV-000004"]);

    let before = new.reconcile("before");
    let stopped = with(&["--units", "2"]);
    assert_eq!(stopped.exit, Some(1), "{}", stopped.said);
    let older: Vec<_> =
        stopped.json["units"].as_array().expect("units").iter().filter(|u| u["cause"] == "book-older").collect();
    assert_eq!(older.len(), 2, "{}", stopped.said);
    for unit in older {
        let detail = unit["detail"].as_str().expect("a detail");
        assert!(detail.contains("older than this chip") && detail.contains("TV-00000"), "{detail}");
        let serial = new.done("find", &["unit", "find", unit["chip_id"].as_str().expect("a chip")]);
        assert!(detail.contains(serial["found"][0]["credential"].as_str().expect("a credential")), "{detail}");
        assert!(unit["advice"].as_str().is_some_and(|a| a.contains("--take-over")), "{unit}");
        assert_eq!((&unit["attempts"], &unit["unit"]), (&json!(0), &Value::Null), "{unit}");
    }
    // One blank chip was left; it gets no number before it is known which ones are used.
    assert_eq!(
        (&stopped.json["passed"], &stopped.json["ended"]),
        (&json!(0), &json!("book-older")),
        "{}",
        stopped.said
    );
    let after = new.reconcile("after");
    assert_eq!((&after["chips"]["scrapped"], &after["credentials"]["spent"]), (&json!(0), &json!(0)), "{after}");
    assert_eq!(after["credentials"]["available"], before["credentials"]["available"]);

    let taken = with(&["--take-over"]);
    let record = json!("record");
    assert_eq!(taken.json["passed"], 3, "{}", taken.said);
    let all = came_to(&taken.json);
    assert_eq!(all.iter().filter(|(result, _, adopted)| *result == "passed" && **adopted == record).count(), 2);
    assert_eq!(new.done("next", &["unit", "show", "TV-000004"])["state"], "passed");
    for unit in ["TV-000002", "TV-000003"] {
        let (was, is) = (old.done("was", &["unit", "show", unit]), new.done("is", &["unit", "show", unit]));
        assert_eq!(was["onboarding"]["discriminator"], is["onboarding"]["discriminator"], "{unit}");
        assert_eq!(
            (&was["chip"]["chip_id"], &was["credential"]["serial"]),
            (&is["chip"]["chip_id"], &is["credential"]["serial"])
        );
        assert_eq!(was["proof"]["objects"], is["proof"]["objects"], "{unit}: the chip is as it was");
        // The record holds no passcode, so that nothing can be printed that is not on the label.
        let label = new.call("label", &["label", "print", "--unit", unit, "--out", "label.svg"]);
        assert_eq!(label.exit, Some(1), "{}", label.said);
    }
    // A run of labels leaves them out, and says so.
    let sheet = new.dir.path().join("labels.pdf");
    let printed = new.done("labels", &["label", "print", "--reel", "A", "--out", text(&sheet)]);
    assert_eq!((&printed["units"], &printed["left_out"]), (&json!(2), &json!(["TV-000002", "TV-000003"])), "{printed}");
    let shown = new.done("shown", &["unit", "show", "TV-000002"]);
    assert_eq!(
        (&shown["adopted"]["from"], &shown["onboarding"]["passcode"]),
        (&record, &json!("not-in-book")),
        "{shown}"
    );
    let lost = new.call("lost", &["book", "verify", "--head", text(&head)]);
    assert!(lost.said.contains("restored from a backup"), "the log has gone on: {}", lost.said);
    let account = new.reconcile("in the end");
    assert_sound("in the end", &account);
    assert_eq!((&account["units"]["passed"], &account["chips"]["scrapped"]), (&json!(4), &json!(0)), "{account}");
}

/// Without a factory record the passcode is gone: the unit waits until somebody asks for a new one.
fn a_chip_without_a_record_waits_for_a_word(engine: &Engine) {
    let (_old, new, chips, _) = set_back(engine, &[]);
    let run = ["provision", "--reel", "A", "--station", "S2", "--chips", &chips, "--serial-start", "TV-000004"];
    let with = |more: &[&str]| new.call("provision", &[&run[..], more].concat());
    let list = new.dir.path().join("serials");
    fs::write(&list, "TV-000004\nTV-000005\n").expect("a list");
    for (more, cause) in [(&[][..], "book-older"), (&["--take-over"], "code-lost")] {
        let stopped = with(more);
        let held: Vec<_> =
            stopped.json["units"].as_array().expect("units").iter().filter(|u| u["cause"] == cause).collect();
        assert_eq!((stopped.exit, held.len()), (Some(1), 2), "{}", stopped.said);
        assert!(held.iter().all(|u| u["attempts"] == 0), "{}", stopped.said);
        // The blank chip gets no number before it is known which ones such chips have.
        assert_eq!((&stopped.json["passed"], &stopped.json["ended"]), (&json!(0), &json!("book-older")));
        assert!(stopped.said.contains("TV-000004 was not kept"), "{}", stopped.said);
        let account = new.reconcile(cause);
        assert_eq!((&account["chips"]["scrapped"], &account["credentials"]["spent"]), (&json!(0), &json!(0)));
        // A number that no unit was begun with binds nobody: the next run is asked again, and may be given another.
        let unsaid = new.call("unsaid", &run[..7]);
        assert!(unsaid.exit == Some(1) && unsaid.said.contains("A-00001 is next"), "{}", unsaid.said);
        let unlisted = new.call("unlisted", &[&run[..7], &["--serials", text(&list)]].concat());
        assert!(unlisted.exit == Some(1) && unlisted.said.contains("TV-000004 is the first"), "{}", unlisted.said);
    }
    let taken = with(&["--take-over", "--new-code"]);
    assert_eq!((taken.exit, &taken.json["passed"]), (Some(0), &json!(3)), "{}", taken.said);
    let adopted: Vec<_> =
        taken.json["units"].as_array().expect("units").iter().filter(|u| u["adopted"] == "new-code").collect();
    assert_eq!(adopted.len(), 2, "{}", taken.said);
    for unit in adopted {
        assert!(unit["notice"].as_str().is_some_and(|n| n.contains("Reprint the label")), "{unit}");
    }
    assert_sound("in the end", &new.reconcile("in the end"));
    let alone = with(&["--new-code"]);
    assert_eq!(alone.exit, Some(2), "{}", alone.said);
}
