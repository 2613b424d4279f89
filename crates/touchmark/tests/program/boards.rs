//! Units that outlive their boards, and reels that are divided.

use std::fs;
use std::os::unix::process::ExitStatusExt as _;
use std::process::Stdio;
use std::thread;
use std::time::Instant;

use at_site::engine::Engine;
use at_site::{Site, assert_sound, text};
use serde_json::{Value, json};

use crate::at_site;

on_both_engines! {
    one_unit_through_two_boards_and_two_owners,
    a_locked_factory_record_takes_no_new_code,
    what_is_said_of_an_earlier_board_is_not_said_of_its_unit,
    a_swap_that_is_killed_loses_and_doubles_nothing,
    a_reel_is_divided_and_goes_to_another_product,
    what_is_packed_is_found_by_carton_and_shipment,
}

/// A site with reel A, its certificates, and the first so many of its chips in a fixture.
fn stocked(engine: &Engine, chips: usize) -> (Site, String) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let dir = site.simulate_part("a", 0, chips, &[]);
    let source = format!("simulated:{}", text(&dir));
    (site, source)
}

/// Runs a station; its answer, whether or not all was done.
fn provision(site: &Site, source: &str, more: &[&str]) -> Value {
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", source];
    site.call("provision", &[&run[..], more].concat()).json
}

/// The one unit that passes; whatever lies among the chips, the run did what it was asked for.
fn passed_one(site: &Site, source: &str, more: &[&str]) -> Value {
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", source, "--units", "1"];
    let done = site.done("provision", &[&run[..], more].concat());
    assert_eq!((&done["passed"], &done["failed"]), (&json!(1), &json!(0)), "{done}");
    done["units"].as_array().expect("units").iter().find(|u| u["attempts"] == 1).expect("a unit").clone()
}

fn show(site: &Site, unit: &str) -> Value {
    site.done("show", &["unit", "show", unit, "--reveal"])
}

/// Puts what a story says of each board next to each other: chip, state of its certificate, attempt of its proof.
fn boards(story: &Value) -> Vec<(String, String, Option<i64>, bool)> {
    let text = |v: &Value| v.as_str().unwrap_or_default().to_owned();
    let board = |b: &Value| {
        (text(&b["chip_id"]), text(&b["credential"]["state"]), b["proof"]["attempt"].as_i64(), b["to"].is_null())
    };
    story["boards"].as_array().expect("boards").iter().map(board).collect()
}

/// The certificate of a board that was swapped can be revoked: its unit stays as good as it was.
fn what_is_said_of_an_earlier_board_is_not_said_of_its_unit(engine: &Engine) {
    let (site, source) = stocked(engine, 3);
    let unit = passed_one(&site, &source, &[])["unit"].as_str().expect("a serial number").to_owned();
    let old = show(&site, &unit)["credential"]["serial"].as_str().expect("a serial number").to_owned();
    site.done("swap", &["unit", "swap", &unit, "--reason", "dead"]);
    passed_one(&site, &source, &[]);
    let out = |name: &str| text(&site.dir.path().join(name)).to_owned();
    let csv = out("impact.csv");
    let asked = site.done("impact", &["impact", "--credential", &old, "--out", &csv]);
    assert_eq!((&asked["count"], &asked["earlier_boards"]), (&json!(1), &json!(1)), "{asked}");
    assert_eq!(asked["would_stop"]["units_refused"], 0, "{asked}");
    let said = asked["would_stop"]["sentences"].to_string();
    assert!(said.contains("a board that was swapped") && !said.contains("accepted proof"), "{said}");
    let rows = fs::read_to_string(&csv).expect("rows");
    assert!(rows.lines().nth(1).is_some_and(|row| row.ends_with("false,true")), "{rows}");
    let words = site.words(&["impact", "--credential", &old]);
    assert!(words.contains("on a board that was swapped"), "{words}");
    let plan = site.done("plan", &["revoke", "--credential", &old, "--reason", "superseded", "--dry-run"]);
    assert_eq!((&plan["plan"]["units"], &plan["plan"]["certificates"][0]["earlier_board"]), (&json!({}), &json!(true)));
}

fn one_unit_through_two_boards_and_two_owners(engine: &Engine) {
    let (site, source) = stocked(engine, 6);
    let first = passed_one(&site, &source, &[]);
    let unit = first["unit"].as_str().expect("a serial number").to_owned();
    passed_one(&site, &source, &[]);
    let new = show(&site, &unit);
    site.done("label", &["label", "print", "--unit", &unit, "--out", text(&site.dir.path().join("first.svg"))]);
    let sound = |case: &str, open: u64, scrapped: u64| {
        let account = site.reconcile(case);
        assert_sound(case, &account);
        assert_eq!(
            (&account["units"]["open"], &account["chips"]["scrapped"]),
            (&json!(open), &json!(scrapped)),
            "{case}: {account}"
        );
        account
    };

    // Its board fails in the final test.
    let swapped = site.done("swap", &["unit", "swap", &unit, "--reason", "final test: no radio"]);
    assert_eq!((&swapped["unit"], &swapped["code"], &swapped["state"]), (&json!(unit), &json!("kept"), &json!("open")));
    assert_eq!(swapped["credential"]["state"], "spent");
    let again = site.done("swap again", &["unit", "swap", &unit, "--reason", "asked twice"]);
    assert_eq!(again["code"], "kept");
    assert_eq!(sound("it waits", 1, 1)["units"]["passed"], 1);
    let waits = show(&site, &unit);
    assert_eq!(waits["waits_for"], json!(["board"]));
    assert!(waits["boards"][0]["to"].is_string(), "{waits}");
    let no_label =
        site.call("no label", &["label", "print", "--unit", &unit, "--out", text(&site.dir.path().join("no.svg"))]);
    assert_eq!(no_label.exit, Some(1), "{}", no_label.said);

    // The old board on a station is told apart, and the next one takes the unit up.
    let second = passed_one(&site, &source, &[]);
    assert_eq!(second["unit"], json!(unit));
    assert!(second["notice"].as_str().is_some_and(|n| n.contains("label that it has stays right")), "{second}");
    let story = show(&site, &unit);
    for key in ["qr", "manual", "passcode", "discriminator"] {
        assert_eq!(story["onboarding"][key], new["onboarding"][key], "{key}");
    }
    let chips = [&first, &second].map(|u| u["chip_id"].as_str().expect("a chip id").to_owned());
    assert_eq!(
        boards(&story),
        [(chips[0].clone(), "spent".into(), Some(1), false), (chips[1].clone(), "installed".into(), Some(2), true),]
    );
    assert_eq!(story["boards"][0]["proof"], new["proof"], "the proof of the first board stays");
    assert_eq!(story["proof"], story["boards"][1]["proof"]);
    sound("its second board", 0, 1);

    // Sold, returned, made ready for another owner.
    site.done("return", &["unit", "return", &unit, "--reason", "moved house"]);
    let refurbished = site.done("refurbish", &["unit", "refurbish", &unit, "--reason", "sold again"]);
    assert_eq!((&refurbished["code"], &refurbished["state"]), (&json!("new"), &json!("open")));
    assert!(refurbished["erase"].as_array().is_some_and(|all| !all.is_empty()), "{refurbished}");
    assert!(show(&site, &unit)["renewals"][1].get("erased").is_none());
    site.done("erased", &["unit", "erased", &unit, "--confirmed-by", "Grace"]);
    assert_eq!(show(&site, &unit)["renewals"][1]["erased"]["confirmed_by"], "Grace");
    sound("it waits to be proven again", 1, 1);
    let proven = passed_one(&site, &source, &[]);
    assert_eq!((&proven["unit"], &proven["chip_id"]), (&json!(unit), &json!(chips[1])));
    let story = show(&site, &unit);
    assert_ne!(story["onboarding"]["manual"], new["onboarding"]["manual"]);
    assert_eq!(story["earlier_codes"][0]["manual"], new["onboarding"]["manual"]);
    // Both codes find the unit, and the one that was replaced is said to be.
    for (code, replaced) in [(&new["onboarding"]["manual"], true), (&story["onboarding"]["manual"], false)] {
        let found = site.done("find", &["unit", "find", code.as_str().expect("a code")]);
        let found = found["found"].as_array().expect("found");
        let is_replaced = found.iter().find(|f| f["unit"] == json!(unit)).map(|f| f["code_replaced"] == json!(true));
        assert_eq!(is_replaced, Some(replaced), "{found:?}");
    }
    assert_eq!(boards(&story)[1], (chips[1].clone(), "installed".into(), Some(3), true));
    assert_eq!(story["boards"][1]["earlier_proofs"][0]["attempt"], 2);
    assert_eq!(story["boards"].as_array().map(Vec::len), Some(2), "a refurbished unit keeps its board");
    let events: Vec<_> = story["renewals"].as_array().expect("renewals").iter().map(|r| &r["event"]).collect();
    assert_eq!(events, ["swap", "refurbish"]);
    sound("proven again", 0, 1);

    // Every board is found by its chip and by its certificate.
    for board in story["boards"].as_array().expect("boards") {
        let (chip, serial) =
            (board["chip_id"].as_str().expect("a chip"), board["credential"]["serial"].as_str().expect("one"));
        for text in [chip, serial] {
            let found = site.done("find", &["unit", "find", text]);
            assert!(
                found["found"].as_array().expect("found").iter().any(|f| f["unit"] == json!(unit)),
                "{text}: {found}"
            );
        }
        let touched = site.done("impact", &["impact", "--credential", serial]);
        assert_eq!((&touched["count"], &touched["units"][0]["unit"]), (&json!(1), &json!(unit)), "{touched}");
    }
    // The certificate of the swapped board is revoked, and the unit's own still holds.
    let serial = story["boards"][0]["credential"]["serial"].as_str().expect("a serial number");
    let revoke = ["revoke", "--credential", serial, "--reason", "key-compromise"];
    site.call("revoke", &revoke);

    // The pack names both boards, and an auditor checks it without the site.
    let pack = site.dir.path().join("pack.zip");
    site.done("export", &["evidence", "export", &unit, "--out", text(&pack)]);
    let key = site.dir.path().join("pack-key.pem");
    let whole = site.done("check", &["evidence", "check", text(&pack), "--key", text(&key)]);
    assert_eq!((&whole["verdict"], &whole["proven"]), (&json!("whole"), &json!(1)), "{whole}");
    let octets = fs::read(&pack).expect("a pack");
    for chip in &chips {
        assert!(octets.windows(chip.len()).any(|w| w == chip.as_bytes()), "{chip} is not in the pack");
    }

    // Given up in the end; the whole life is one story, and the book is whole.
    site.done("scrap", &["unit", "scrap", &unit, "--reason", "water"]);
    let story = show(&site, &unit);
    assert_eq!((&story["state"], boards(&story).len()), (&json!("scrapped"), 2));
    let acts: Vec<_> = story["entries"].as_array().expect("entries").iter().filter_map(|e| e["act"].as_str()).collect();
    let mut acts: Vec<_> =
        acts.into_iter().filter(|a| !a.starts_with("passcode.") && !a.starts_with("credential.")).collect();
    acts.dedup();
    let life = [
        "attempt.begin",
        "attempt.pass",
        "label.print",
        "unit.swap",
        "attempt.begin",
        "attempt.pass",
        "unit.return",
        "unit.refurbish",
        "unit.erased",
        "attempt.begin",
        "attempt.pass",
        "unit.scrap",
    ];
    assert_eq!(acts, life);
    let refused = site.call("swap", &["unit", "swap", &unit, "--reason", "too late"]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    sound("scrapped", 0, 2);
    let whole = site.done("verify", &["book", "verify"]);
    assert_eq!(whole["verdict"], "intact", "{whole}");
    let words = site.words(&["unit", "show", &unit]);
    assert!(words.contains("board 1") && words.contains("board 2"), "{words}");
}

fn a_locked_factory_record_takes_no_new_code(engine: &Engine) {
    let site = Site::bare(&engine.place());
    site.add_with("a", &["--vendor-name", "Tern & Hollow", "--factory-record"]);
    site.receive_reel("a");
    site.receive_delivery("a");
    let dir = site.simulate_part("a", 0, 3, &[]);
    let source = format!("simulated:{}", text(&dir));
    let first = passed_one(&site, &source, &[]);
    let unit = first["unit"].as_str().expect("a serial number");
    let before = show(&site, unit);
    let refused = site.call("refurbish", &["unit", "refurbish", unit, "--reason", "sold again"]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    assert!(refused.json["error"]["advice"].as_str().is_some_and(|a| a.contains("unit swap")), "{}", refused.said);
    let state = |story: &Value| (story["state"].clone(), story["onboarding"]["qr"].clone(), story["waits_for"].clone());
    assert_eq!(state(&show(&site, unit)), state(&before));
    // Another board takes the new code, with a record of its own.
    let swapped = site.done("swap", &["unit", "swap", unit, "--reason", "sold again", "--new-code"]);
    assert_eq!(swapped["code"], "new");
    let next = passed_one(&site, &source, &["--serial-start", unit]);
    assert_eq!(next["unit"], json!(unit));
    assert_ne!(show(&site, unit)["onboarding"]["qr"], before["onboarding"]["qr"]);
    assert_sound("in the end", &site.reconcile("in the end"));
}

/// Kills spread over the time that a whole act takes.
const CUTS: u32 = 6;

/// Swaps, refurbishments and the attempts after them are killed at moments from start to end. The unit stands before the
/// act or after it, the next try goes on, and in the end nothing is lost, used twice or left open.
fn a_swap_that_is_killed_loses_and_doubles_nothing(engine: &Engine) {
    let (site, source) = stocked(engine, 40);
    let first = passed_one(&site, &source, &[]);
    let unit = first["unit"].as_str().expect("a serial number").to_owned();
    let swap = ["unit", "swap", &unit, "--reason", "killed", "--new-code"];
    let refurbish = ["unit", "refurbish", &unit, "--reason", "killed"];
    let list = site.dir.path().join("serials");
    fs::write(&list, format!("{unit}\n")).expect("a list");
    let next =
        ["provision", "--reel", "A", "--station", "S1", "--chips", &source, "--units", "1", "--serials", text(&list)];
    let cut = |typed: &[&str], share: (u32, u32)| {
        let begun = Instant::now();
        site.call("to see", &["unit", "show", &unit]);
        // An attempt takes some times as long as a look.
        let span = begun.elapsed() * if typed[0] == "provision" { 4 } else { 1 };
        let mut child = site.command(typed).stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
        thread::sleep(span * share.0 / share.1);
        child.kill().expect("killed");
        u32::from(child.wait().expect("waited for").signal() == Some(9))
    };
    let mut hit = 0;
    for (act, kind) in [(&swap[..], "swap"), (&refurbish[..], "refurbish")] {
        for n in 0..CUTS {
            hit += cut(act, (2 * n + 1, 2 * CUTS));
            assert_sound("killed in the act", &site.reconcile("killed in the act"));
            site.done(kind, act);
            for _ in 0..2 {
                hit += cut(&next, (2 * n + 1, 2 * CUTS));
                let account = site.reconcile("killed at the station");
                assert_sound("killed at the station", &account);
                assert!(account["chips"]["held"].as_u64().is_some_and(|held| held <= 1), "{account}");
            }
            // Passed before the kill, or goes on now with the chip that it has.
            if show(&site, &unit)["state"] != "passed" {
                let done = provision(&site, &source, &next[7..]);
                assert_eq!(done["passed"], 1, "{kind}, cut {n}: {done}");
            }
            let story = show(&site, &unit);
            assert_eq!((&story["state"], &story["waits_for"]), (&json!("passed"), &json!([])), "{kind}, cut {n}");
            let proofs: Vec<_> = boards(&story).into_iter().map(|b| b.2.is_some()).collect();
            assert!(proofs.iter().all(|proven| *proven), "{kind}, cut {n}: {story}");
        }
    }
    assert!(hit > CUTS, "{hit} kills try too little");
    let story = show(&site, &unit);
    assert_eq!(story["boards"].as_array().map(Vec::len), Some(1 + CUTS as usize), "one board for each swap");
    let account = site.reconcile("in the end");
    assert_sound("in the end", &account);
    let counts =
        ["/units/passed", "/units/open", "/units/failed", "/chips/held", "/chips/scrapped", "/credentials/spent"];
    let counts = counts.map(|path| account.pointer(path).and_then(Value::as_u64).expect("a count"));
    assert_eq!(counts, [1, 0, 0, 0, u64::from(CUTS), u64::from(CUTS)], "{account}");
    let mut chips: Vec<_> = boards(&story).into_iter().map(|board| board.0).collect();
    chips.sort();
    chips.dedup();
    assert_eq!(chips.len(), 1 + CUTS as usize, "no chip twice");
}

fn a_reel_is_divided_and_goes_to_another_product(engine: &Engine) {
    let (site, source) = stocked(engine, 20);
    passed_one(&site, &source, &[]);
    let split = |from: &str, to: &str, new: &str| {
        ["reel", "split", "A", "--from", from, "--to", to, "--as", new].map(String::from)
    };
    let call = |typed: &[String]| site.call("split", &typed.iter().map(String::as_str).collect::<Vec<_>>());
    for (from, to, new) in [("0", "3", "M"), ("390", "401", "M"), ("1", "400", "M"), ("11", "20", "a")] {
        let refused = call(&split(from, to, new));
        assert!(matches!(refused.exit, Some(1 | 2)), "{from} to {to}: {}", refused.said);
    }
    let done = call(&split("11", "20", "M"));
    assert_eq!(done.exit, Some(0), "{}", done.said);
    assert_eq!((&done.json["reel"]["chips"], &done.json["certificates"]), (&json!(10), &json!(10)), "{}", done.said);
    assert_eq!(site.done("show", &["reel", "show", "A"])["chips"], 390);
    for (name, product) in [("Tern Vent Mini", "8A21"), ("Tern Lamp", "8A29")] {
        let add = ["product", "add", name, "--vendor", "FFF2", "--product", product, "--device-type", "0x0202"];
        site.done("product", &[&add[..], &["--reach", "ble"]].concat());
    }
    let other = site.call("another identity", &["reel", "assign", "M", "--product", "Tern Lamp"]);
    assert_eq!(other.exit, Some(1), "{}", other.said);
    let assigned = site.done("assign", &["reel", "assign", "M", "--product", "Tern Vent Mini"]);
    assert_eq!((&assigned["was"], &assigned["reel"]["product"]), (&json!("Tern Vent"), &json!("Tern Vent Mini")));
    let used = site.call("a used reel", &["reel", "assign", "A", "--product", "Tern Vent Mini"]);
    assert_eq!(used.exit, Some(1), "{}", used.said);
    let run = ["provision", "--reel", "M", "--station", "S2", "--chips", &source, "--units", "2"];
    let made = site.done("provision M", &run);
    assert_eq!(made["passed"], 2, "{made}");
    let unit = made["units"][0]["unit"].as_str().expect("a serial number");
    assert_eq!(show(&site, unit)["product"], "Tern Vent Mini");
    for reel in ["A", "M"] {
        let account = site.done(reel, &["reconcile", "--reel", reel]);
        assert_sound(reel, &account);
    }
    let account = site.reconcile("all");
    assert_sound("all", &account);
    assert_eq!((&account["chips"]["received"], &account["units"]["passed"]), (&json!(400), &json!(3)), "{account}");
    assert_eq!(account["verdict"], "balanced", "{account}");
}

fn what_is_packed_is_found_by_carton_and_shipment(engine: &Engine) {
    let (site, source) = stocked(engine, 6);
    let run = ["--units", "4", "--panel", "P-7", "--place", "3"];
    let made = provision(&site, &source, &run);
    assert_eq!(made["passed"], 4, "{made}");
    let units: Vec<String> =
        made["units"].as_array().expect("units").iter().map(|u| u["unit"].as_str().expect("a unit").into()).collect();
    // Each board lies in the next place of its panel.
    for (place, unit) in (3..).zip(&units) {
        assert_eq!(show(&site, unit)["panel"], json!({ "panel": "P-7", "place": place }), "{unit}");
    }
    let code = show(&site, &units[1])["onboarding"]["manual"].as_str().expect("a code").to_owned();

    // By serial number and by the label's code; nothing is packed where one can't be.
    let packed = site.done("pack", &["carton", "pack", "C-1", &units[0], &code, "--pallet", "PAL 1"]);
    assert_eq!((&packed["units"], &packed["changed"]), (&json!(2), &json!([units[0], units[1]])), "{packed}");
    let again = site.done("again", &["carton", "pack", "c-1", &units[0]]);
    assert_eq!((&again["carton"], &again["changed"]), (&json!("C-1"), &json!([])), "{again}");
    site.done("scrap", &["unit", "scrap", &units[3], "--reason", "dropped"]);
    let refused = |case: &str, typed: &[&str], says: &str| {
        let done = site.call(case, typed);
        assert!(done.exit == Some(1) && done.said.contains(says), "{case}: {}", done.said);
    };
    refused("scrapped", &["carton", "pack", "C-2", &units[2], &units[3]], "only a unit that passed");
    refused("elsewhere", &["carton", "pack", "C-2", &units[2], &units[0]], "is in carton C-1");
    assert_eq!(site.call("none yet", &["carton", "show", "C-2"]).exit, Some(2), "all or none");
    site.done("second", &["carton", "pack", "C-2", &units[2]]);
    for carton in ["C-1", "C-2"] {
        site.done("ship", &["carton", "pack", carton, "--shipment", "SHIP-9"]);
    }
    let shipment = site.done("shipment", &["carton", "show", "SHIP-9"]);
    assert_eq!((&shipment["kind"], &shipment["states"]), (&json!("shipment"), &json!({ "passed": 3 })), "{shipment}");
    assert_eq!(shipment["cartons"].as_array().map(Vec::len), Some(2));
    let story = &show(&site, &units[1])["packed"];
    assert_eq!(
        (&story["carton"], &story["pallet"], &story["shipment"]),
        (&json!("C-1"), &json!("PAL 1"), &json!("SHIP-9"))
    );

    // What is asked by carton, pallet and shipment.
    for (asked, name, count) in [("--carton", "C-1", 2), ("--pallet", "PAL 1", 2), ("--shipment", "SHIP-9", 3)] {
        let touched = site.done("impact", &["impact", asked, name]);
        assert_eq!(touched["count"], count, "{asked}: {touched}");
    }
    let pack = site.dir.path().join("shipment.zip");
    let made = site.done("evidence", &["evidence", "export", "--shipment", "SHIP-9", "--out", text(&pack)]);
    assert_eq!((&made["units"], &made["proven"]), (&json!(3), &json!(3)), "{made}");
    let key = made["key"].as_str().expect("a key");
    assert_eq!(site.done("check", &["evidence", "check", text(&pack), "--key", key])["verdict"], "whole");
    let label = site.dir.path().join("carton.pdf");
    let printed = site.done("label", &["label", "print", "--packed", "C-1", "--out", text(&label)]);
    assert_eq!((&printed["labels"], &printed["units"]), (&json!(1), &json!(2)), "{printed}");

    // One that came back stays where it was packed until it is taken out.
    site.done("return", &["unit", "return", &units[0], "--reason", "rattles"]);
    refused("label", &["label", "print", "--packed", "C-1", "--out", "again.pdf"], "came back");
    let contents = site.done("contents", &["carton", "show", "C-1"]);
    assert_eq!(contents["states"], json!({ "passed": 1, "returned": 1 }), "{contents}");
    site.done("unpack", &["carton", "unpack", "C-1", &units[0]]);
    refused("twice", &["carton", "unpack", "C-1", &units[0]], "is not in carton");
    assert!(show(&site, &units[0]).get("packed").is_none());
    assert_eq!(site.done("list", &["carton", "list", "--shipment", "SHIP-9"])["cartons"][0]["units"], 1);
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}
