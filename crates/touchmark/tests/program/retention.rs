//! Passcodes are erased in time, with proof, and the rest of the story stays whole.

use std::fs;

use at_site::engine::Engine;
use at_site::rehearsed::Rehearsed;
use at_site::text;
use serde_json::{Value, json};

use crate::at_site;

on_both_engines! {
    passcodes_are_erased_in_time,
}

impl Rehearsed {
    /// Sets the days; `None` takes the setting away.
    fn days(&self, days: Option<u32>) {
        let file = self.site().join("touchmark.toml");
        let kept = fs::read_to_string(&file).expect("settings");
        let kept: String = kept.lines().filter(|l| !l.contains("passcode_days")).map(|l| format!("{l}\n")).collect();
        let kept = kept.replace("[retention]\n", "");
        let set = days.map_or_else(String::new, |days| format!("\n[retention]\npasscode_days = {days}\n"));
        fs::write(&file, format!("{kept}{set}")).expect("written");
    }
}

fn passcodes_are_erased_in_time(engine: &Engine) {
    let site = Rehearsed::on(engine, 4);
    // All four are printed now. Without a setting nothing is due by itself.
    assert_eq!(site.done(&["passcode", "count"]), json!({ "kept": 4, "due": 0, "unprinted": 0 }));
    let (exit, unset) = site.call(&["passcode", "erase", "--due"]);
    assert_eq!(exit, Some(2), "{unset}");
    site.days(Some(30));
    assert_eq!(site.done(&["passcode", "erase", "--due"])["erased"], 0, "printed just now");
    site.done(&["unit", "scrap", "TV-000003", "--reason", "dropped"]);
    assert_eq!(site.done(&["passcode", "erase", "--due"])["erased"], 0, "scrapped just now");

    // By name: first as it would be, then for good.
    let before = site.done(&["reconcile"]);
    let dry = site.done(&["passcode", "erase", "TV-000001", "--dry-run"]);
    assert_eq!(
        (&dry["erased"], &dry["kept"], &dry["units"][0]["entry"]),
        (&json!(1), &json!(4), &Value::Null),
        "{dry}"
    );
    assert_eq!(site.done(&["reconcile"]), before, "a dry run changes nothing");
    let done = site.done(&["passcode", "erase", "TV-000001"]);
    assert_eq!((&done["erased"], &done["kept"]), (&json!(1), &json!(3)), "{done}");
    let entry = done["units"][0]["entry"].as_i64().expect("an entry");
    assert_eq!(done["head"].as_i64(), Some(entry + 1), "a signed head covers it: {done}");
    let story = site.done(&["unit", "show", "TV-000001"]);
    assert_eq!(story["onboarding"]["passcode"], "erased");
    let last = story["entries"].as_array().and_then(|e| e.last()).expect("an entry");
    assert_eq!((&last["sequence"], &last["act"]), (&json!(entry), &json!("passcode.erase")));
    assert_eq!(story["proof"]["attempt"], 1, "the rest of the story is whole");
    assert_eq!(site.done(&["passcode", "erase", "TV-000001"])["erased"], 0, "once is enough");

    // Its label is refused, and says why; another's is not.
    let sheet = |unit: &str| site.folder.path().join(format!("{unit}.pdf"));
    let print = |unit: &str| site.call(&["label", "print", "--unit", unit, "--out", text(&sheet(unit))]);
    let (exit, refused) = print("TV-000001");
    let message = refused["error"]["message"].as_str().unwrap_or_default();
    assert!(exit == Some(1) && message.contains("TV-000001") && message.contains("erased"), "{refused}");
    assert!(!sheet("TV-000001").exists());
    assert_eq!(print("TV-000002").0, Some(0));
    let (exit, revealed) = site.call(&["unit", "show", "TV-000001", "--reveal"]);
    assert!(exit != Some(0) || revealed["onboarding"]["passcode"] == "erased", "{revealed}");

    // When the days are over, all are; the log is whole, and a pack of the unit still holds.
    site.days(Some(0));
    assert_eq!(site.done(&["passcode", "count"])["due"], 3);
    let dry = site.done(&["passcode", "erase", "--due", "--dry-run"]);
    let units: Vec<_> = dry["units"].as_array().expect("units").iter().map(|u| &u["unit"]).collect();
    assert_eq!(units, ["TV-000002", "TV-000003", "TV-000004"]);
    assert_eq!(site.done(&["passcode", "erase", "--due"])["erased"], 3);
    assert_eq!(site.done(&["passcode", "count"]), json!({ "kept": 0, "due": 0, "unprinted": 0 }));
    let verified = site.done(&["book", "verify"]);
    assert_eq!(verified["verdict"], "intact", "{verified}");
    let pack = site.folder.path().join("pack.zip");
    let made = site.done(&["evidence", "export", "TV-000001", "--out", text(&pack)]);
    let key = made["key"].as_str().expect("a key");
    assert_eq!(site.done(&["evidence", "check", text(&pack), "--key", key])["verdict"], "whole");

    // What was never printed is not erased but by saying so; what is not there is an error.
    let chips = format!("simulated:{}", text(&site.site().join("chips")));
    let run = ["provision", "--reel", "R1", "--station", "S", "--chips", &chips, "--units", "1"];
    // The scrapped unit's chip lies there still, and is told beside the one.
    let (_, ran) = site.call(&run);
    let passed =
        ran["units"].as_array().and_then(|u| u.iter().find(|u| u["result"] == "passed" && u["already"] == false));
    let unit = passed.and_then(|u| u["unit"].as_str()).unwrap_or_else(|| panic!("{ran}"));
    assert_eq!(site.done(&["passcode", "erase", "--due"])["unprinted"], 1);
    assert_eq!(site.call(&["passcode", "erase", unit]).0, Some(1));
    assert_eq!(site.done(&["passcode", "erase", unit, "--unprinted"])["erased"], 1);
    assert_eq!(site.call(&["passcode", "erase", "TV-000099"]).0, Some(2));
    assert_eq!(site.call(&["passcode", "erase"]).0, Some(2));
}
