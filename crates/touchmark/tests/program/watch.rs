//! What will bite within so many days.

use std::fs;
use std::process::Command;

use at_site::engine::Engine;
use at_site::rehearsed::Rehearsed;
use at_site::text;
use serde_json::{Value, json};

use crate::at_site;

on_both_engines! {
    what_bites_when,
}

impl Rehearsed {
    /// What is due within so many days: kind and name of each.
    fn due(&self, days: u32, more: &[&str]) -> Vec<(String, String)> {
        let (exit, seen) = self.call(&[&["watch", "--days", &days.to_string()], more].concat());
        let due = seen["due"].as_array().unwrap_or_else(|| panic!("{seen}"));
        assert_eq!(exit, Some(i32::from(!due.is_empty())), "{seen}");
        for watched in due.iter().chain(seen["later"].as_array().expect("the rest")) {
            assert!(watched["what"].is_string() && watched["advice"].is_string(), "{watched}");
            assert_eq!(watched["at"].is_null(), watched["days_left"].is_null(), "{watched}");
            assert!(watched["due"] == false || watched["days_left"].as_i64() <= Some(days.into()), "{watched}");
        }
        let text = |v: &Value| v.as_str().expect("a text").to_owned();
        due.iter().map(|w| (text(&w["kind"]), text(&w["name"]))).collect()
    }
}

fn is(kind: &str, name: &str) -> (String, String) {
    (kind.into(), name.into())
}

fn what_bites_when(engine: &Engine) {
    let site = Rehearsed::on(engine, 20);
    // Twenty units in a day, two credentials left: the stock is all that bites.
    assert_eq!(site.due(0, &[]), []);
    assert_eq!(site.due(1, &[]), [is("stock", "Tern Vent")]);
    let (_, seen) = site.call(&["watch", "--days", "1"]);
    assert!(
        seen["due"][0]["what"]
            .as_str()
            .is_some_and(|w| w.starts_with("2 credentials") && w.contains("20.0 units per day")),
        "{seen}"
    );
    assert_eq!(seen["days"], 1);
    let advice = "Order chips and credentials now; `touchmark plan` shows how many.";
    assert_eq!(seen["due"][0]["advice"], advice, "the command line is told the command");

    // An intermediate of one year.
    let raise =
        ["authority", "raise", "Short PAI", "--role", "pai", "--vendor", "FFF2", "--issuer", "Quarry Lane Test PAA"];
    site.done(&[&raise[..], &["--years", "1"]].concat());
    assert_eq!(site.due(300, &[]), [is("stock", "Tern Vent")]);
    assert_eq!(site.due(370, &[]), [is("stock", "Tern Vent"), is("authority", "Short PAI")]);

    // A list that is due in a week.
    site.done(&["revoke", "--renew", "Quarry Lane Test PAI", "--days", "7", "--out", text(&site.file("list.crl"))]);
    assert!(!site.due(6, &[]).contains(&is("revocation-list", "Quarry Lane Test PAI")));
    assert!(site.due(7, &[]).contains(&is("revocation-list", "Quarry Lane Test PAI")));

    // TLS's certificate, by OpenSSL, ten days long; by option and by setting.
    let tls = site.file("tls.pem");
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "10", "-subj", "/CN=line.example"])
        .args(["-keyout", text(&site.file("tls.key")), "-out", text(&tls)])
        .output()
        .expect("openssl starts");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let named = is("certificate", text(&tls));
    assert!(!site.due(8, &["--certificate", text(&tls)]).contains(&named));
    assert!(site.due(10, &["--certificate", text(&tls)]).contains(&named));
    let settings = site.site().join("touchmark.toml");
    let kept = fs::read_to_string(&settings).expect("settings");
    let kept = kept.replace("[watch]\n", &format!("[watch]\ncertificates = [{:?}]\n", text(&tls)));
    fs::write(&settings, format!("{kept}\n[retention]\npasscode_days = 0\n").replace("[retention]\n\n", ""))
        .expect("written");
    assert!(site.due(10, &[]).contains(&named));
    // A file of the settings that is not there is told, and all else with it.
    let aside = site.file("aside.pem");
    fs::rename(&tls, &aside).expect("moved");
    let told = site.due(0, &[]);
    assert!(told.contains(&named) && told.contains(&is("passcodes", "passcodes")), "{told:?}");
    fs::rename(&aside, &tls).expect("moved back");
    let (exit, none) = site.call(&["watch", "--certificate", text(&site.file("tls.key"))]);
    assert_eq!(exit, Some(2), "{none}");

    // Passcodes whose days are over; a trust set's root.
    assert!(site.due(0, &[]).contains(&is("passcodes", "passcodes")));
    site.done(&["passcode", "erase", "--due"]);
    assert!(!site.due(0, &[]).contains(&is("passcodes", "passcodes")));

    // Everything that is watched is told, with its backup's age once one was made.
    let backup = |seen: &Value| {
        let all = seen["later"].as_array().expect("the rest").iter().find(|w| w["kind"] == "backup").cloned();
        all.unwrap_or_else(|| panic!("{seen}"))["what"].as_str().expect("a text").to_owned()
    };
    assert!(backup(&site.call(&["watch"]).1).starts_with("no backup"));
    site.done(&["book", "backup", text(&site.file("saved.sqlite"))]);
    assert!(backup(&site.call(&["watch"]).1).starts_with("the last backup"));
    assert_eq!(site.call(&["watch"]).1["days"], json!(90));
}
