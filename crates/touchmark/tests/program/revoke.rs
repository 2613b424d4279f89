//! Revocation through the program: who is touched, lists that others read, stations that refuse.

use std::fs;
use std::path::{Path, PathBuf};

use at_site::engine::Engine;
use at_site::rehearsed::Rehearsed;
use at_site::text;
use serde_json::{Value, json};
use standard::certificate::{Builder, Certificate, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;

use crate::{at_site, python};

on_both_engines! {
    what_is_revoked_is_told_to_the_world,
    a_delivery_of_a_revoked_intermediate_is_refused,
    a_revoked_unit_is_refused_wherever_it_comes,
    a_unit_says_how_it_left,
    what_is_scrapped_says_what_becomes_of_its_certificate,
    two_people_and_an_authority_elsewhere,
    with_accounts_both_people_prove_who_they_are,
}

const PAI: &str = "Quarry Lane Test PAI";
const PAA: &str = "Quarry Lane Test PAA";

impl Rehearsed {
    fn unit_file(&self, unit: &str, name: &str) -> PathBuf {
        self.site().join("evidence").join(unit).join(name)
    }

    fn serial(&self, unit: &str) -> String {
        self.done(&["unit", "show", unit])["credential"]["serial"].as_str().expect("a serial number").to_owned()
    }
}

fn rules(answer: &Value) -> Vec<&str> {
    let findings = answer["findings"].as_array().expect("findings");
    findings.iter().filter(|f| f["severity"] == "error").filter_map(|f| f["rule"].as_str()).collect()
}

/// What was published after a backup is known to the restored site by its own list, and stays on the next one.
#[test]
fn a_restored_site_lists_what_it_had_listed() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Rehearsed::on(&engine, 3);
    let (before, after) = (site.file("before.crl"), site.file("after.crl"));
    let revoke = |unit: &str, out: &Path| {
        site.done(&["revoke", "--unit", unit, "--reason", "key-compromise", "--out", text(out)])
    };
    revoke("TV-000001", &before);
    let (backup, again) = (site.file("site.tar"), site.file("again"));
    site.done(&["book", "backup", "--out", text(&backup)]);
    let lost = revoke("TV-000002", &after);
    assert_eq!(lost["issued"]["certificates"], 2, "{lost}");
    site.done(&["book", "restore", text(&backup), "--site", text(&again)]);
    let there = |typed: &[&str]| site.done(&[&["--site", text(&again)], typed].concat());
    let adopted = there(&["revocation", "adopt", text(&after)]);
    assert_eq!(adopted["revoked_now"], 1, "{adopted}");
    let renewed = there(&["revoke", "--renew", PAI, "--out", text(&site.file("renewed.crl"))]);
    assert_eq!((&renewed["certificates"], &renewed["number"]), (&json!(2), &json!("03")), "{renewed}");
}

/// What could not be written is revoked all the same, and that is said; nobody's reason is passed over.
#[test]
fn a_list_that_can_not_be_written_is_found_out_beforehand() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Rehearsed::on(&engine, 2);
    let state = || site.done(&["unit", "show", "TV-000001"])["credential"]["state"].clone();
    let out = ["--reason", "superseded", "--out", "/proc/list.crl"];
    let (exit, refused) = site.call(&[&["revoke", "--unit", "TV-000001"], &out[..]].concat());
    assert_eq!((exit, state()), (Some(3), json!("installed")), "{refused}");
    for more in [["--reason", "superseded"], ["--note", "another"]] {
        let typed = [&["revoke", "--confirm", "1", "--out", "x.crl"], &more[..]].concat();
        assert_eq!(site.call(&typed).0, Some(2), "{more:?}");
    }
}

fn what_is_revoked_is_told_to_the_world(engine: &Engine) {
    let site = Rehearsed::on(engine, 5);
    let (first, second) = (site.file("first.crl"), site.file("second.pem"));
    let chips = format!("simulated:{}", text(&site.site().join("chips")));

    // Who is touched, first; nothing is changed by asking.
    let dry = site.done(&["revoke", "--unit", "TV-000001", "--reason", "key-compromise", "--dry-run"]);
    assert_eq!((&dry["plan"]["issuer"], &dry["plan"]["units"]), (&json!(PAI), &json!({ "passed": 1 })), "{dry}");
    assert_eq!(dry["plan"]["certificates"][0]["unit"], "TV-000001");
    let dry = site.done(&["revoke", "--authority", PAI, "--reason", "superseded", "--dry-run"]);
    assert_eq!((&dry["plan"]["issuer"], &dry["plan"]["units"]), (&json!(PAA), &json!({ "passed": 5 })), "{dry}");
    assert_eq!(dry["plan"]["would_stop"][0]["units_refused"], 5, "{dry}");
    assert_eq!(site.done(&["revocation", "list"])["lists"], json!([]));
    assert_eq!(
        site.done(&["challenge", "--chips", &chips, "--chip", &chip(&site, "TV-000001")])["verdict"],
        "accepted"
    );

    let done = site.done(&["revoke", "--unit", "TV-000001", "--reason", "keyCompromise", "--out", text(&first)]);
    assert_eq!((&done["state"], &done["issued"]["number"]), (&json!("confirmed"), &json!("01")), "{done}");
    let other = site.serial("TV-000002");
    let typed = ["revoke", "--credential", &other, "--reason", "unspecified", "--note", "bent lead", "--out"];
    let done = site.done(&[&typed[..], &[text(&second)]].concat());
    assert_eq!((&done["issued"]["number"], &done["issued"]["certificates"]), (&json!("02"), &json!(2)), "{done}");
    assert!(fs::read_to_string(&second).expect("a list").starts_with("-----BEGIN X509 CRL-----"));

    // Nothing more is written than was asked, and never over what is there.
    let (exit, refused) =
        site.call(&["revoke", "--unit", "TV-000003", "--reason", "superseded", "--out", text(&first)]);
    assert_eq!(exit, Some(2), "{refused}");
    assert_eq!(site.done(&["unit", "show", "TV-000003"])["credential"]["state"], "installed");
    for typed in [
        &["--unit", "TV-000099", "--reason", "superseded"][..],
        &["--unit", "TV-000003", "--reason", "certificateHold"],
        &["--unit", "TV-000003", "--reason", "bored"],
        &["--credential", "00ff", "--reason", "superseded"],
        &["--unit", "TV-000003", "--authority", PAI, "--reason", "superseded"],
        &["--reason", "superseded"],
        &["--confirm", "99"],
    ] {
        let (exit, answer) = site.call(&[&["revoke"], typed, &["--out", text(&site.file("no.crl"))]].concat());
        assert_eq!(exit, Some(2), "{typed:?}: {answer}");
        assert!(!site.file("no.crl").exists(), "{typed:?}");
    }
    let (exit, answer) = site.call(&["revoke", "--authority", PAA, "--reason", "superseded", "--out", "no.crl"]);
    assert_eq!(exit, Some(1), "a root is revoked by no list: {answer}");

    // `examine` honours the file, and the lists that the site keeps.
    let (dac, pai) = (site.unit_file("TV-000001", "dac.der"), site.unit_file("TV-000001", "pai.der"));
    let paa = site.unit_file("TV-000001", "paa.der");
    for lists in [text(&first), text(&site.site())] {
        let (exit, answer) =
            site.call(&["examine", text(&dac), text(&pai), "--trust", text(&paa), "--revocations", lists]);
        assert_eq!((exit, rules(&answer)), (Some(1), vec!["chain.revoked"]), "{lists}: {answer}");
    }
    // So does `challenge`: the two, and nobody else.
    for (unit, verdict) in [("TV-000001", "rejected"), ("TV-000002", "rejected"), ("TV-000003", "accepted")] {
        let (_, answer) = site.call(&["challenge", "--chips", &chips, "--chip", &chip(&site, unit)]);
        assert_eq!(answer["verdict"], verdict, "{unit}: {answer}");
    }

    // A new list before the old one runs out; and the root's, which OpenSSL wants for the PAI.
    let (last, root) = (site.file("dac-list.crl"), site.file("pai-list.crl"));
    let url = "https://lists.example/pai.crl";
    let renewed = site.done(&["revoke", "--renew", PAI, "--days", "7", "--url", url, "--out", text(&last)]);
    assert_eq!((&renewed["number"], &renewed["certificates"]), (&json!("03"), &json!(2)), "{renewed}");
    site.done(&["revoke", "--renew", PAA, "--out", text(&root)]);
    let kept = site.done(&["revocation", "list"]);
    let lists: Vec<_> = kept["lists"].as_array().expect("lists").iter().map(|l| (&l["issuer"], &l["number"])).collect();
    assert_eq!(lists, [(&json!(PAA), &json!("01")), (&json!(PAI), &json!("03"))]);
    let reasons = json!({ site.serial("TV-000001"): "keyCompromise", other: "unspecified" });
    let wanted = json!({ "number": 3, "days": 7, "url": url, "reasons": reasons, "in_pem": "second.pem" });
    fs::write(site.file("wanted.json"), wanted.to_string()).expect("written");
    for (from, to) in
        [(dac, "revoked.der"), (site.unit_file("TV-000003", "dac.der"), "good.der"), (pai, "pai.der"), (paa, "paa.der")]
    {
        fs::copy(from, site.file(to)).expect("copied");
    }
    if let Some(python) = python::interpreter() {
        python::run(&python, "revocation.py", &[site.folder.path()]);
    }
    intermediate(&site, &chips);

    let account = site.done(&["reconcile"]);
    assert_eq!((&account["log"]["intact"], &account["credentials"]["revoked"]), (&json!(true), &json!(2)), "{account}");
}

/// A unit whose certificate was revoked here is not verified as good, gets no label, and is shown as what it is.
fn a_revoked_unit_is_refused_wherever_it_comes(engine: &Engine) {
    let site = Rehearsed::on(engine, 3);
    let code = site.done(&["unit", "show", "TV-000001", "--reveal"])["onboarding"]["qr"].clone();
    let code = code.as_str().expect("a code");
    site.done(&["revoke", "--unit", "TV-000001", "--reason", "key-compromise", "--out", text(&site.file("one.crl"))]);
    let serial = site.serial("TV-000001");
    let says = |what: &Value| what.as_str().is_some_and(|w| w.contains(&serial) && w.contains("keyCompromise"));

    let chips = format!("simulated:{}", text(&site.site().join("chips")));
    let run = ["provision", "--reel", "R1", "--station", "Station 1", "--chips", &chips];
    let (exit, ran) = site.call(&run);
    let of = |unit: &str| {
        let units = ran["units"].as_array().expect("units");
        units.iter().find(|u| u["unit"] == unit).unwrap_or_else(|| panic!("{unit}: {ran}")).clone()
    };
    let revoked = of("TV-000001");
    assert_eq!((exit, &revoked["result"], &revoked["cause"]), (Some(1), &json!("failed"), &json!("revoked")), "{ran}");
    assert!(says(&revoked["detail"]), "{revoked}");
    assert_eq!(of("TV-000002")["result"], "passed", "{ran}");

    for which in [&["--unit", "TV-000001"][..], &["--reel", "R1"]] {
        let out = site.file("labels.pdf");
        let (exit, refused) = site.call(&[&["label", "print"], which, &["--out", text(&out)]].concat());
        assert_eq!((exit, out.exists()), (Some(1), false), "{which:?}: {refused}");
        assert!(says(&refused["error"]["message"]), "{which:?}: {refused}");
    }
    let out = site.file("good.svg");
    site.done(&["label", "print", "--unit", "TV-000002", "--out", text(&out)]);
    let (exit, checked) = site.call(&["label", "check", code, "--unit", "TV-000001"]);
    assert_eq!(exit, Some(1), "whoever goes by the exit code must not ship it: {checked}");
    let touched = site.done(&["impact", "--product", "Tern Vent"]);
    let marked: Vec<_> = touched["units"].as_array().expect("units").iter().filter(|u| u["revoked"] == true).collect();
    assert!(marked.len() == 1 && marked[0]["unit"] == "TV-000001", "{touched}");
    assert!(checked["verdict"] == "match" && says(&checked["revoked"]), "{checked}");
    assert!(checked["advice"].as_str().is_some_and(|a| a.contains("Do not ship")), "{checked}");
    let (_, foreign) = site.call(&["label", "check", "34970112332", "--unit", "TV-000001"]);
    assert!(foreign["verdict"] == "mismatch" && says(&foreign["revoked"]), "{foreign}");
    assert!(!foreign["advice"].to_string().contains("Print"), "{foreign}");
    let written = site.done(&["unit", "write", "TV-000001", "TV-000002", "--out", text(&site.file("written"))]);
    assert_eq!(written["revoked"], json!(["TV-000001"]));
    assert!(says(&site.done(&["unit", "find", "TV-000001"])["found"][0]["revoked"]));
    assert!(says(&site.done(&["unit", "show", "TV-000001"])["revoked"]));
    assert_eq!(site.done(&["unit", "show", "TV-000002"])["revoked"], Value::Null);
}

/// When, by whom and why a unit came back or was scrapped; a second scrap changes nothing and says so.
fn a_unit_says_how_it_left(engine: &Engine) {
    let site = Rehearsed::on(engine, 2);
    let ada = site.done(&["unit", "return", "TV-000001", "--reason", "cracked lens"]);
    assert_eq!(ada["state"], "returned", "{ada}");
    let (exit, first) = site.call_as("grace", &["unit", "scrap", "TV-000001", "--reason", "not worth a repair"]);
    assert!(exit == Some(0) && first.get("already").is_none(), "{first}");
    let (exit, second) = site.call_as("ada", &["unit", "scrap", "TV-000001", "--reason", "another reason"]);
    let already = &second["already"];
    assert_eq!((exit, &already["event"], &already["by"]), (Some(0), &json!("scrapped"), &json!("grace")), "{second}");
    assert_eq!(already["reason"], "not worth a repair", "{second}");
    assert!(already["at"].as_str().is_some_and(|at| at.ends_with('Z')), "{second}");
    // In any letter case, as `unit find` takes it.
    let shown = site.done(&["unit", "show", "tv-000001"]);
    assert_eq!((&shown["unit"], &shown["reason"]), (&json!("TV-000001"), &json!("not worth a repair")));
    let left: Vec<_> =
        shown["left"].as_array().expect("a list").iter().map(|l| [&l["event"], &l["by"], &l["reason"]]).collect();
    let expected = [
        ["returned", "ada", "cracked lens"].map(|text| json!(text)),
        ["scrapped", "grace", "not worth a repair"].map(|text| json!(text)),
    ];
    assert_eq!(left, expected.each_ref().map(|row| row.each_ref()), "{shown}");
    assert_eq!(site.done(&["unit", "show", "TV-000002"])["left"], json!([]));
    assert_eq!(site.call(&["unit", "show", "tv-000009"]).0, Some(2));
}

/// Kept by default; with `--revoke` the request comes in the same act, or neither does. A scrapped chip that turns up is
/// known as one.
fn what_is_scrapped_says_what_becomes_of_its_certificate(engine: &Engine) {
    let site = Rehearsed::on(engine, 3);
    let chips = format!("simulated:{}", text(&site.site().join("chips")));
    let requests = || site.done(&["revocation", "list"])["waiting"].as_array().map_or(0, Vec::len);
    let kept = site.done(&["unit", "scrap", "TV-000001", "--reason", "cracked lens"]);
    let serial = site.serial("TV-000001");
    assert_eq!(kept["credential"], json!({ "serial": serial, "state": "spent", "disposal": "kept" }), "{kept}");
    assert_eq!(requests(), 0);

    // Nothing is scrapped where the revocation can't be asked for.
    let (exit, refused) = site.call(&["unit", "scrap", "TV-000002", "--reason", "burnt", "--revoke=hold"]);
    assert_eq!((exit, refused["error"]["kind"].as_str()), (Some(2), Some("usage")), "{refused}");
    assert_eq!(site.done(&["unit", "show", "TV-000002"])["state"], "passed");
    let asked = site.done(&["unit", "scrap", "TV-000002", "--reason", "burnt", "--revoke=key-compromise"]);
    let serial = site.serial("TV-000002");
    let expected = json!({ "serial": serial, "state": "spent", "disposal": "revocation-requested", "request": 1 });
    assert_eq!(asked["credential"], expected, "{asked}");
    let request = &site.done(&["revocation", "show", "1"])["request"];
    assert_eq!((&request["reason"], &request["note"]), (&json!("keyCompromise"), &json!("burnt")), "{request}");
    // Asking again is one request; for what was scrapped before it is asked all the same.
    assert_eq!(site.done(&["unit", "scrap", "TV-000002", "--reason", "again", "--revoke"])["credential"], expected);
    assert_eq!(requests(), 1);
    let late = site.done(&["unit", "scrap", "TV-000001", "--reason", "now lost", "--revoke"]);
    assert_eq!((&late["already"]["reason"], &late["credential"]["request"]), (&json!("cracked lens"), &json!(2)));

    // A scrapped chip still answers, and a verifier may take it: whose it was is said.
    let its = chip(&site, "TV-000001");
    let challenged = site.done(&["challenge", "--chips", &chips, "--chip", &its]);
    let scrapped = &challenged["chips"][0]["scrapped"];
    assert_eq!((&scrapped["unit"], &scrapped["reason"]), (&json!("TV-000001"), &json!("cracked lens")), "{challenged}");
    assert_eq!((&scrapped["by"], &scrapped["swapped"]), (&json!("ada"), &json!(false)), "{challenged}");
    let words = site.words(&["challenge", "--chips", &chips, "--chip", &its]);
    assert!(words.contains("SCRAPPED") && words.contains("with unit TV-000001"), "{words}");
    let run = ["provision", "--reel", "R1", "--station", "Station 1", "--chips", &chips];
    let (_, line) = site.call(&run);
    let units = line["units"].as_array().expect("units");
    let at_station = units.iter().find(|u| u["chip_id"] == json!(its)).expect("the scrapped chip");
    assert_eq!(at_station["cause"], "chip-scrapped", "{line}");
    let detail = at_station["detail"].as_str().unwrap_or_default();
    assert!(detail.contains("scrapped with unit TV-000001") && detail.contains("cracked lens"), "{line}");
    let third = chip(&site, "TV-000003");
    let answer = site.done(&["challenge", "--chips", &chips, "--chip", &third]);
    assert!(answer["chips"][0].get("scrapped").is_none(), "{answer}");

    // Confirmed, it is revoked, and scrapping says so.
    site.done(&["revoke", "--confirm", "1", "--out", text(&site.file("scrapped.crl"))]);
    let revoked = &site.done(&["unit", "scrap", "TV-000002", "--reason", "again", "--revoke"])["credential"];
    assert_eq!((&revoked["state"], &revoked["disposal"]), (&json!("revoked"), &json!("revoked")), "{revoked}");
    let account = site.done(&["reconcile"]);
    assert_eq!((&account["credentials"]["revoked"], &account["credentials"]["spent"]), (&json!(1), &json!(1)));
    assert_eq!(site.done(&["book", "verify"])["verdict"], "intact");
}

fn chip(site: &Rehearsed, unit: &str) -> String {
    site.done(&["unit", "show", unit])["chip"]["chip_id"].as_str().expect("a chip").to_owned()
}

/// The PAI itself: no chip is written any more, and none that was is accepted.
fn intermediate(site: &Rehearsed, chips: &str) {
    let list = site.file("root.crl");
    let run = ["provision", "--reel", "R1", "--station", "Station 1", "--chips", chips, "--units"];
    assert_eq!(site.done(&[&run[..], &["1"]].concat())["passed"], 1, "the station still works");
    let done = site.done(&["revoke", "--pai", PAI, "--reason", "ca-compromise", "--out", text(&list)]);
    assert_eq!((&done["issued"]["issuer"], &done["issued"]["number"]), (&json!(PAA), &json!("02")), "{done}");
    let (exit, refused) = site.call(&[&run[..], &["1", "--attempts", "1"]].concat());
    let unit = refused["units"].as_array().and_then(|u| u.iter().find(|u| u["already"] == false)).expect("a unit");
    assert_eq!((exit, &unit["cause"]), (Some(1), &json!("revoked")), "{refused}");
    let (_, answer) = site.call(&["challenge", "--chips", chips, "--chip", &chip(site, "TV-000003")]);
    assert_eq!(answer["verdict"], "rejected", "{answer}");
    let (exit, refused) = site.call(&["delivery", "issue", "--reel", "R1", "--issuer", PAI]);
    assert!(exit == Some(1) && refused.to_string().contains("was revoked"), "{refused}");
}

/// What arrives under an intermediate that a kept list revokes is refused as a whole.
fn a_delivery_of_a_revoked_intermediate_is_refused(engine: &Engine) {
    let site = Rehearsed::empty(engine);
    let keys = [SoftwareKey::generate().expect("a key"), SoftwareKey::generate().expect("a key")];
    let (vendor, product) = (VendorId::new(0xFFF2).expect("a vendor"), ProductId::new(0x8A21).expect("a product"));
    let names = [
        NameBuilder::new().common_name("Desk PAA").build(),
        NameBuilder::new().common_name("Desk PAI").vendor(vendor).build(),
        NameBuilder::new().common_name("Desk DAC").vendor(vendor).product(product).build(),
    ];
    let now = Moment::from_unix(time::OffsetDateTime::now_utc().unix_timestamp());
    let times = (now.plus(-86_400), NO_END);
    let ids = [keys[0].public_key().key_id(), keys[1].public_key().key_id()];
    let make = |profile, serial: u8, issuer: usize, subject: usize, key: &PublicKey| {
        let builder = Builder::new(profile, &[serial; 8], (&names[issuer], &ids[issuer]), &names[subject], key, times);
        builder.sign(&keys[issuer]).expect("signed")
    };
    let (paa, pai) = (site.file("paa.der"), site.file("pai.der"));
    fs::write(&paa, make(Profile::Paa, 0x11, 0, 0, &keys[0].public_key())).expect("written");
    fs::write(&pai, make(Profile::Pai, 0x22, 0, 1, &keys[1].public_key())).expect("written");
    site.done(&["authority", "adopt", text(&paa), text(&pai)]);
    let add = ["product", "add", "Tern Vent", "--vendor", "FFF2", "--product", "8A21", "--device-type", "514"];
    site.done(&[&add[..], &["--reach", "ble"]].concat());
    let (chips, manifest) = (site.file("chips"), site.file("manifest.csv"));
    site.done(&["chip", "simulate", "--out", text(&chips), "--count", "1", "--manifest", text(&manifest)]);
    site.done(&["reel", "receive", text(&manifest), "--reel", "R1", "--product", "Tern Vent"]);
    let row = fs::read_to_string(&manifest).expect("a manifest");
    let key = row.lines().nth(1).and_then(|l| l.split(',').find_map(hex_point)).expect("a key");
    let delivery = site.file("delivery");
    fs::create_dir(&delivery).expect("a directory");
    fs::write(delivery.join("dac.der"), make(Profile::Dac, 0x33, 1, 2, &key)).expect("written");
    fs::copy(&pai, delivery.join("pai.der")).expect("copied");
    let list = standard::revocation::ListBuilder::new(
        (&names[0], &ids[0]),
        (now, now.plus(86_400)),
        &[1],
        &[(&[0x22; 8][..], now, standard::revocation::Reason::CaCompromise)],
    );
    let file = site.file("paa.crl");
    fs::write(&file, list.sign(&keys[0]).expect("signed")).expect("written");
    site.done(&["revocation", "adopt", text(&file)]);
    let (exit, refused) = site.call(&["delivery", "receive", text(&delivery), "--reel", "R1"]);
    assert_eq!((exit, &refused["verdict"]), (Some(1), &json!("refused")), "{refused}");
    assert!(rules(&refused).contains(&"chain.revoked"), "{refused}");
    assert_eq!(site.done(&["reconcile"])["credentials"]["received"], 0);
}

/// A public key as a manifest writes it.
fn hex_point(field: &str) -> Option<PublicKey> {
    let octets: Option<Vec<u8>> =
        (0..field.len() / 2).map(|n| u8::from_str_radix(field.get(n * 2..n * 2 + 2)?, 16).ok()).collect();
    PublicKey::from_point(&octets?).ok()
}

/// For production two people; for an authority elsewhere, what to send it; its list, kept.
fn two_people_and_an_authority_elsewhere(engine: &Engine) {
    let site = Rehearsed::empty(engine);
    let keys = [SoftwareKey::generate().expect("a key"), SoftwareKey::generate().expect("a key")];
    let [root, below] = [keys[0].public_key(), keys[1].public_key()];
    let vendor = VendorId::new(0x5A10).expect("a vendor");
    let names = [
        NameBuilder::new().common_name("Sold PAA").build(),
        NameBuilder::new().common_name("Sold PAI").vendor(vendor).build(),
    ];
    let now = Moment::from_unix(time::OffsetDateTime::now_utc().unix_timestamp());
    let times = (now.plus(-86_400), NO_END);
    let make = |profile, serial: &[u8], subject: usize, key| {
        let builder = Builder::new(profile, serial, (&names[0], &root.key_id()), &names[subject], key, times);
        builder.sign(&keys[0]).expect("signed")
    };
    let (paa, pai) = (make(Profile::Paa, &[0x11; 8], 0, &root), make(Profile::Pai, &[0x22; 8], 1, &below));
    let (paa_file, pai_file) = (site.file("paa.der"), site.file("pai.der"));
    fs::write(&paa_file, &paa).expect("written");
    fs::write(&pai_file, &pai).expect("written");
    // What was adopted for test does not become an authority for sale by being adopted again.
    let desk = Rehearsed::empty(engine);
    let (exit, alone) = desk.call(&["authority", "adopt", text(&pai_file)]);
    assert_eq!(exit, Some(1), "{alone}");
    assert!(alone["error"]["advice"].as_str().is_some_and(|a| a.contains("PAA first")), "{alone}");
    desk.done(&["authority", "adopt", text(&paa_file)]);
    let (exit, refused) = desk.call(&["authority", "adopt", text(&paa_file), text(&pai_file), "--production"]);
    assert_eq!(exit, Some(1), "{refused}");
    assert!(refused["error"]["message"].as_str().is_some_and(|m| m.contains("for test")), "{refused}");
    let listed = desk.done(&["authority", "list"]);
    assert_eq!(listed["authorities"].as_array().map(Vec::len), Some(1), "{listed}");
    site.done(&["authority", "adopt", text(&paa_file), text(&pai_file), "--production"]);

    // Withdrawn: nothing comes of it.
    let again = ["revoke", "--pai", "Sold PAI", "--reason", "superseded", "--out", "again.json"];
    assert_eq!(site.done(&again)["state"], "waiting");
    let refused = |standing: &str| {
        let (exit, told) = site.call(&again);
        assert_eq!(exit, Some(1), "{told}");
        assert!(told["error"]["message"].as_str().is_some_and(|m| m.contains(standing)), "{standing}: {told}");
    };
    refused("request 1 already, which waits for a second person");
    assert_eq!(site.done(&["revoke", "--withdraw", "1"])["state"], "withdrawn");
    let (exit, _) = site.call_as("ben", &["revoke", "--confirm", "1", "--out", "again.json"]);
    assert_eq!(exit, Some(1));

    // The request is no list, so it does not get a list's name.
    let (out, written) = (site.file("root.crl"), site.file("root.revocation-request.json"));
    let revoke = ["revoke", "--authority", "Sold PAI", "--reason", "cessation-of-operation", "--out", text(&out)];
    let asked = site.done(&revoke);
    assert_eq!((&asked["state"], &asked["issued"]), (&json!("waiting"), &Value::Null), "{asked}");
    assert!(!written.exists(), "nothing is written while it waits");
    for name in ["ada", "Ada", "A DA"] {
        let (exit, alone) = site.call_as(name, &["revoke", "--confirm", "2", "--out", text(&out)]);
        assert_eq!(exit, Some(1), "{alone}");
        assert!(
            alone["error"]["message"].as_str().is_some_and(|m| m.contains("another person must confirm")),
            "{alone}"
        );
    }
    let shown = site.done(&["revocation", "show", "2"]);
    assert_eq!(shown["plan"]["certificates"][0]["authority"], "Sold PAI", "{shown}");
    let (exit, confirmed) = site.call_as("ben", &["revoke", "--confirm", "2", "--out", text(&out)]);
    assert_eq!(exit, Some(0), "{confirmed}");
    assert_eq!((&confirmed["issued"]["kind"], &confirmed["revoked"]), (&json!("request"), &json!(1)), "{confirmed}");
    assert_eq!(confirmed["issued"]["file"], text(&written), "{confirmed}");
    assert!(!out.exists());
    let request: Value = serde_json::from_str(&fs::read_to_string(&written).expect("a file")).expect("JSON");
    assert_eq!((&request["requested_by"], &request["confirmed_by"]), (&json!("ada"), &json!("ben")), "{request}");
    assert_eq!(request["certificates"][0]["serial"], "22".repeat(8), "{request}");
    assert_eq!(request["reason_code"], 5);
    let certificate = request["certificates"][0]["certificate"].as_str().expect("a certificate");
    assert!(certificate.starts_with("-----BEGIN CERTIFICATE-----"));
    // It stays sent and unanswered, and nobody asks twice.
    let states = |key: &str| -> Vec<Value> {
        let listed = site.done(&["revocation", "list"]);
        listed[key].as_array().expect("requests").iter().map(|r| json!([r["request"], r["state"]])).collect()
    };
    assert_eq!(states("sent"), [json!([2, "sent"])]);
    refused("request 2 already, which was sent to the authority and is not answered yet");
    let watched = |named: &str| {
        let due = site.call(&["watch"]).1["due"].as_array().cloned().expect("due");
        due.iter().any(|d| d["what"].as_str().is_some_and(|what| what.contains(named)))
    };
    assert!(watched("is sent and not answered"));

    // What the authority answers with is judged, kept, and never gone back from.
    let list = |number: u8, signer: &SoftwareKey, file: &str| {
        let entries = [(&[0x22; 8][..], now, standard::revocation::Reason::CessationOfOperation)];
        let of = Certificate::read(&paa).expect("a certificate");
        let made = standard::revocation::ListBuilder::new(
            (of.subject_der(), &root.key_id()),
            (now, now.plus(86_400)),
            &[number],
            &entries,
        );
        let path = site.file(file);
        fs::write(&path, made.sign(signer).expect("signed")).expect("written");
        path
    };
    let adopt = |path: &Path| site.call(&["revocation", "adopt", text(path)]);
    let (exit, forged) = adopt(&list(9, &keys[1], "forged.crl"));
    assert_eq!((exit, &forged["verdict"]), (Some(1), &json!("rejected")), "{forged}");
    assert_eq!(states("sent"), [json!([2, "sent"])], "a forged list answers nothing");
    let seventh = list(7, &keys[0], "seventh.crl");
    for (verdict, wanted) in [("accepted", Some(0)), ("already-kept", Some(0))] {
        let (exit, kept) = adopt(&seventh);
        assert_eq!((exit, &kept["verdict"], &kept["issuer"]), (wanted, &json!(verdict), &json!("Sold PAA")), "{kept}");
    }
    assert_eq!((states("sent"), states("settled")), (vec![], vec![json!([2, "answered"]), json!([1, "withdrawn"])]));
    assert!(!watched("is sent and not answered"));
    assert_eq!(site.done(&["revocation", "show", "2"])["request"]["answered"]["list"], "07");
    refused("the authority has answered with its list");
    let (exit, older) = adopt(&list(6, &keys[0], "sixth.crl"));
    assert_eq!(exit, Some(1), "an older list never takes the place of a newer one: {older}");
    let (exit, answer) =
        site.call(&["examine", text(&pai_file), "--trust", text(&paa_file), "--revocations", text(&site.site())]);
    assert_eq!((exit, rules(&answer)), (Some(1), vec!["chain.revoked"]), "{answer}");
}

/// Where the site has accounts, a name alone is not enough: both people prove who they are, by their passwords.
fn with_accounts_both_people_prove_who_they_are(engine: &Engine) {
    let site = Rehearsed::empty(engine);
    let key = SoftwareKey::generate().expect("a key");
    let below = SoftwareKey::generate().expect("a key").public_key();
    let vendor = VendorId::new(0x5A10).expect("a vendor");
    let names = [
        NameBuilder::new().common_name("Sold PAA").build(),
        NameBuilder::new().common_name("Sold PAI").vendor(vendor).build(),
    ];
    let times = (Moment::from_unix(time::OffsetDateTime::now_utc().unix_timestamp()).plus(-86_400), NO_END);
    let own = key.public_key();
    for (file, profile, serial, subject, of) in
        [("paa.der", Profile::Paa, [0x11; 8], 0, &own), ("pai.der", Profile::Pai, [0x22; 8], 1, &below)]
    {
        let builder = Builder::new(profile, &serial, (&names[0], &own.key_id()), &names[subject], of, times);
        fs::write(site.file(file), builder.sign(&key).expect("signed")).expect("written");
    }
    let (paa, pai) = (site.file("paa.der"), site.file("pai.der"));
    site.done(&["authority", "adopt", text(&paa), text(&pai), "--production"]);
    let opened = site::Site::open(&site.site()).expect("a site");
    let who = site::Who::new("ada").expect("a name");
    site::access::first(&opened, "ada", "a tern on a post", time::OffsetDateTime::now_utc).expect("an account");
    for (name, role, password) in
        [("ben", "engineer", "a hollow for a nest"), ("eve", "auditor", "one that only reads")]
    {
        let wish = site::access::Wish { name, role, password: Some(password), ..site::access::Wish::default() };
        site::access::add(&opened, &wish, &who).expect("an account");
    }
    drop(opened);
    let password = |name: &str, text: &str| {
        let path = site.file(name);
        fs::write(&path, format!("{text}\n")).expect("written");
        path
    };
    let (ada, ben, eve) = (
        password("ada", "a tern on a post"),
        password("ben", "a hollow for a nest"),
        password("eve", "one that only reads"),
    );
    let out = site.file("request.json");
    let revoke = ["revoke", "--authority", "Sold PAI", "--reason", "superseded", "--out", text(&out)];
    let by = |name: &str, typed: &[&str], file: &Path| {
        site.call_as(name, &[typed, &["--password-file", text(file)]].concat())
    };

    // Without a password, and nobody at a terminal: told how to give one; nothing is asked for.
    let (exit, told) = site.call(&revoke);
    assert!(exit == Some(2) && told.to_string().contains("--password-file"), "{told}");
    for (name, file, wanted) in [
        ("ada", &ben, "Name or password is wrong"),
        ("nobody", &ada, "Name or password is wrong"),
        ("eve", &eve, "auditor"),
    ] {
        let (exit, told) = by(name, &revoke, file);
        assert!(exit == Some(1) && told.to_string().contains(wanted), "{name}: {told}");
        assert!(!told.to_string().contains("tern on a post"), "{told}");
    }
    assert_eq!(site.done(&["revocation", "list"])["waiting"], json!([]));
    let (exit, asked) = by("ada", &revoke, &ada);
    assert_eq!((exit, &asked["state"]), (Some(0), &json!("waiting")), "{asked}");

    // Confirmed by the second person alone, who proves it; a name that was typed is nobody's.
    let confirm = ["revoke", "--confirm", "1", "--out", text(&out)];
    for (name, file) in [("ben", &ada), ("somebody", &ada), ("eve", &eve), ("ada", &ada)] {
        let (exit, told) = by(name, &confirm, file);
        assert_eq!(exit, Some(1), "{name}: {told}");
        assert!(!out.exists());
    }
    assert_eq!(site.done(&["revocation", "list"])["waiting"][0]["request"], 1);
    let (exit, confirmed) = by("ben", &confirm, &ben);
    assert_eq!((exit, &confirmed["request"]["settled_by"]), (Some(0), &json!("ben")), "{confirmed}");
    assert_eq!(site.done(&["reconcile"])["log"]["intact"], true);

    // What seals people is kept outside the book: without it nobody is let in, and what needs no person goes on.
    let (seal, aside) = (site.site().join("keys/access.key"), site.file("access.key"));
    fs::rename(&seal, &aside).expect("moved");
    let again = ["revoke", "--authority", "Sold PAI", "--reason", "superseded", "--out", text(&aside)];
    let (exit, told) = by("ada", &again, &ada);
    assert!(exit == Some(3) && told.to_string().contains("keys/access.key"), "{told}");
    assert!(told.to_string().contains("book reseal"), "{told}");
    let verified = site.done(&["book", "verify"]);
    assert!(verified["missing_keys"].to_string().contains("keys/access.key"), "{verified}");
    assert_eq!(site.done(&["unit", "list"])["units"], json!([]));
    fs::rename(&aside, &seal).expect("moved");
    let (exit, told) = site.call(&["book", "reseal", "--reason", "lost"]);
    assert!(exit == Some(1) && told.to_string().contains("nothing needs a new seal"), "{told}");
    // Lost: the accounts count as they stand once somebody says so.
    fs::remove_file(&seal).expect("gone");
    let done = site.done(&["book", "reseal", "--reason", "the disk was lost"]);
    assert_eq!((&done["accounts"], seal.exists()), (&json!(3), true), "{done}");
    let (exit, told) = by("ada", &again, &ada);
    assert!(exit == Some(1) && !told.to_string().contains("seal"), "{told}");
    let backup = site.file("backup.tmb");
    site.done(&["book", "backup", "--out", text(&backup)]);
    let there = site.file("there");
    site.done(&["--site", text(&there), "book", "restore", text(&backup), "--book", "sqlite:book.sqlite"]);
    let opened = site::Site::open(&there).expect("a site");
    assert_eq!(site::access::accounts(&opened).expect("as they were sealed").len(), 3);
}
