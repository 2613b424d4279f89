//! Orders as PKCS #10, further objects in a chip, labels from the record book.

use std::fs;
use std::process::Command;

use at_site::engine::Engine;
use at_site::{Site, data, text};

use crate::at_site;

on_both_engines! {
    an_order_of_requests_is_signed_by_the_chips,
    an_order_is_written_twice_only_on_purpose,
    further_objects_are_written_and_missing_ones_stop_the_unit,
    credentials_issued_here_cover_the_reel_once,
}

/// A request of every chip, each signed by the chip's own key.
/// Source: RFC 2986; checked by the `openssl` command.
fn an_order_of_requests_is_signed_by_the_chips(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let dir = site.dir.path();
    let (chips, order) = (dir.join("chips"), dir.join("order.pem"));
    let keys = data("reel-a/simulated-keys.ndjson");
    site.done("simulate", &["chip", "simulate", "--out", text(&chips), "--keys", text(&keys)]);
    let source = format!("simulated:{}", text(&chips));
    let answer = site.done("order", &["order", "write", "--reel", "A", "--out", text(&order), "--chips", &source]);
    assert_eq!((&answer["chips"], &answer["format"]), (&400.into(), &"requests".into()));
    // Taken for the answer, it is told as what it is.
    let taken = site.call("its own", &["delivery", "receive", text(&order), "--reel", "A"]);
    assert!(
        taken.exit == Some(1) && taken.said.contains("is order 1 of reel A, which this site wrote"),
        "{}",
        taken.said
    );
    let examined = site.done("examine", &["examine", text(&order)]);
    assert_eq!(examined["subjects"].as_array().map(Vec::len), Some(400));
    let checked =
        Command::new("openssl").args(["req", "-verify", "-noout", "-in", text(&order)]).output().expect("openssl");
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stderr));
}

/// A second order for the same chips takes a word: an authority would bill, and issue, both.
fn an_order_is_written_twice_only_on_purpose(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let file = |name: &str| site.dir.path().join(name);
    let order = |name: &str, more: &[&str]| {
        let out = file(name);
        site.call(name, &[&["order", "write", "--reel", "A", "--out", text(&out)], more].concat())
    };
    let keys = site.simulate_part("a", 0, 10, &[]);
    let (some, source) = (format!("simulated:{}", text(&keys)), site.simulate("a"));
    assert_eq!(order("ten.pem", &["--chips", &some]).json["order"], "A/1");
    // Ten of the 400 were asked for; the order that holds them all names that one.
    let refused = order("all.csv", &[]);
    assert_eq!(refused.exit, Some(2), "{}", refused.said);
    let said = refused.json["error"]["message"].as_str().expect("a message");
    assert!(said.contains("10 of 400 chips") && said.contains("A/1 of 20") && said.contains("ten.pem"), "{said}");
    assert!(refused.said.contains("--again") && !file("all.csv").exists(), "{}", refused.said);
    let again = order("all.csv", &["--again"]);
    assert_eq!((again.exit, &again.json["order"]), (Some(0), &"A/2".into()), "{}", again.said);
    let refused = order("requests.pem", &["--chips", &source]);
    assert!(refused.exit == Some(2) && refused.said.contains("A/2 of 20"), "{}", refused.said);

    // What was answered is ordered no more; the three that no certificate came for are ordered again on purpose.
    let part = data("faulty/three-chips-without.tar.gz");
    site.done("in part", &["delivery", "receive", text(&part), "--reel", "A", "--accept-part"]);
    let refused = order("rest.csv", &[]);
    assert!(refused.exit == Some(2) && refused.said.contains("3 of 3 chips"), "{}", refused.said);
    assert_eq!(order("rest.csv", &["--again"]).json["chips"], 3);
}

fn further_objects_are_written_and_missing_ones_stop_the_unit(engine: &Engine) {
    let site = Site::on(engine, "a");
    let dir = site.dir.path();
    let objects = dir.join("site/objects");
    fs::create_dir_all(objects.join("keys")).expect("a directory");
    fs::write(objects.join("anchor.der"), "anchor").expect("a file");
    fs::write(objects.join("keys/TV-1"), "key of one").expect("a file");
    let product = dir.join("product.toml");
    let described = "vendor = 'FFF2'\nproduct = '8A21'\ndevice_type = 514\nreach = 'ble'\nfactory_record = true\n\
                     vendor_name = 'Tern & Hollow'\n\
                     [[object]]\nname = 'trust-anchor'\nfile = 'objects/anchor.der'\n\
                     [[object]]\nname = 'access-key'\nper_unit = 'objects/keys'\n";
    fs::write(&product, described).expect("a file");
    site.done("product", &["product", "add", "Tern Vent Plus", "--from", text(&product)]);
    let (manifest, delivery) = (data("reel-a/manifest.csv"), data("reel-a/delivery.zip"));
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "P", "--product", "Tern Vent Plus"]);
    site.done("delivery", &["delivery", "receive", text(&delivery), "--reel", "P"]);
    let chips = dir.join("chips");
    let keys = data("reel-a/simulated-keys.ndjson");
    site.done("simulate", &["chip", "simulate", "--out", text(&chips), "--keys", text(&keys)]);
    let source = format!("simulated:{}", text(&chips));
    let provision =
        ["provision", "--reel", "P", "--station", "S1", "--chips", &source, "--units", "2", "--serial-start", "TV-1"];
    let answer = site.call("provision", &provision);
    assert_eq!(answer.exit, Some(1), "{}", answer.said);
    let units = answer.json["units"].as_array().expect("units");
    assert_eq!((&units[0]["result"], &units[1]["cause"]), (&"passed".into(), &"object-missing".into()));
    let story = site.done("story", &["unit", "show", "TV-1"]);
    let names: Vec<_> = story["proof"]["objects"].as_array().expect("objects").iter().map(|o| &o["name"]).collect();
    assert_eq!(names, ["dac", "pai", "declaration", "factory-record", "trust-anchor", "access-key"]);

    // The label of the unit that passed, and the check scan after it.
    let label = dir.join("label.svg");
    let printed = site.done("label", &["label", "print", "--unit", "TV-1", "--out", text(&label)]);
    assert_eq!((&printed["labels"], &printed["decoded"], &printed["test"]), (&1.into(), &1.into(), &1.into()));
    let revealed = site.done("reveal", &["unit", "show", "TV-1", "--reveal"]);
    let code = revealed["onboarding"]["qr"].as_str().expect("a code");
    site.done("check", &["label", "check", code, "--unit", "TV-1"]);
    assert_eq!(site.call("other code", &["label", "check", "MT:Y.K9042C00KA0648G00", "--unit", "TV-1"]).exit, Some(1));
    let story = site.done("story", &["unit", "show", "TV-1"]);
    assert_eq!(story["onboarding"]["passcode"], "hidden");
    let acts: Vec<_> = story["entries"].as_array().expect("entries").iter().map(|e| e["act"].clone()).collect();
    assert!(acts.contains(&"passcode.reveal".into()) && acts.contains(&"label.print".into()), "{acts:?}");
}

/// More chips than are signed in one stretch: each gets one credential, and asking again gives none.
fn credentials_issued_here_cover_the_reel_once(engine: &Engine) {
    let site = Site::on(engine, "a");
    let dir = site.dir.path();
    let secret = dir.join("passphrase");
    fs::write(&secret, "a passphrase for tests\n").expect("a file");
    let with = ["--passphrase-file", text(&secret)];
    let ask = |words: &[&str]| site.done(words[0], &[words, &with].concat());
    ask(&["authority", "raise", "P", "--role", "paa", "--vendor", "FFF2"]);
    ask(&["authority", "raise", "I", "--role", "pai", "--vendor", "FFF2", "--issuer", "P"]);
    let (chips, manifest) = (dir.join("chips"), dir.join("m.csv"));
    let made = ["--count", "2100", "--seed", "5", "--manifest", text(&manifest)];
    site.done("simulate", &[&["chip", "simulate", "--out", text(&chips)], &made[..]].concat());
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "R", "--product", "Tern Vent"]);
    let issue = ["delivery", "issue", "--reel", "R", "--issuer", "I"];
    assert_eq!(ask(&issue)["issued"], 2100);
    assert_eq!((&ask(&issue)["issued"], &ask(&issue)["verdict"]), (&0.into(), &"already-received".into()));
    let account = site.reconcile("issued");
    at_site::assert_sound("issued", &account);
    assert_eq!(account["credentials"]["available"], 2100);
}

/// Reel A with its delivery, and unit TV-1 on its first chip; where that chip is.
fn one_unit(site: &Site) -> String {
    site.receive_reel("a");
    site.receive_delivery("a");
    let source = format!("simulated:{}", text(&site.simulate_part("a", 0, 1, &[])));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source, "--serial-start", "TV-1"];
    site.done("provision", &run);
    source
}

/// What ends a unit for ever says why, at the terminal as on the pages; without it nothing is changed.
#[test]
fn scrapping_and_returning_take_a_reason() {
    let site = Site::new("a");
    one_unit(&site);
    for act in ["scrap", "return"] {
        for reason in ["", "  ", "two\nlines"] {
            let refused = site.call(act, &["unit", act, "TV-1", "--reason", reason]);
            assert_eq!(refused.exit, Some(2), "{act} {reason:?}: {}", refused.said);
        }
        assert_eq!(site.done("show", &["unit", "show", "TV-1"])["state"], "passed", "{act}");
    }
    site.done("return", &["unit", "return", "TV-1", "--reason", " came back "]);
    assert_eq!(site.done("show", &["unit", "show", "TV-1"])["reason"], "came back");
}

/// A program takes findings of every command alike, so each says what it is about, as those of `examine` do.
#[test]
fn findings_of_adopting_and_challenging_name_their_subject() {
    let site = Site::new("a");
    let signed = data("reel-a/declaration.der");
    // Held against a key that did not sign it, it is rejected.
    let other = data("reel-b/declaration-signer.pem");
    let refused = site.call("adopt", &["declaration", "adopt", text(&signed), "--signer", text(&other)]);
    let findings = refused.json["findings"].as_array().expect("findings");
    assert!(refused.exit == Some(1) && !findings.is_empty(), "{}", refused.said);
    assert!(findings.iter().all(|f| f["subject"] == "declaration.der"), "{}", refused.said);

    let source = one_unit(&site);
    let challenged = site.done("challenge", &["challenge", "--chips", &source]);
    let findings = challenged["chips"][0]["findings"].as_array().expect("findings");
    assert!(!findings.is_empty(), "a test identity is a note: {challenged}");
    for finding in findings {
        let part = finding["rule"].as_str().and_then(|rule| rule.split('.').next());
        assert_eq!(finding["subject"].as_str(), part, "{finding}");
    }
}

/// The next move is one that can be made, and that mends what is told.
#[test]
fn advice_is_of_what_can_be_done() {
    let site = Site::new("a");
    let (dir, at) = (site.dir.path(), |name: &str| site.dir.path().join(name));
    let told = |case: &str, typed: &[&str], exit: i32, said: &str, never: &str| {
        let answer = site.call(case, typed);
        assert_eq!(answer.exit, Some(exit), "{case}: {}", answer.said);
        let advice = answer.json["error"]["advice"].as_str().unwrap_or_default();
        assert!(advice.contains(said) && !advice.contains(never), "{case}: {}", answer.said);
    };
    // A product that is sold takes no development declaration.
    let add = ["product", "add", "Sold", "--vendor", "1234", "--product", "8A21", "--device-type", "514"];
    site.done("product", &[&add[..], &["--reach", "ble"]].concat());
    let manifest = data("reel-b/manifest.ndjson");
    let receive = ["reel", "receive", text(&manifest), "--reel", "S", "--product", "Sold"];
    site.done("reel", &[&receive[..], &["--map", "chip_id=uid,public_key=spki"]].concat());
    site.receive_reel("a");
    site.receive_delivery("a");
    let source = format!("simulated:{}", text(&site.simulate_part("a", 0, 1, &[])));
    let run = |reel| ["provision", "--reel", reel, "--station", "S1", "--chips", &source, "--serial-start", "TV-1"];
    told("sold", &run("S"), 1, "declaration adopt", "declaration make");

    site.done("provision", &run("A"));
    site.done("scrap", &["unit", "scrap", "TV-1", "--reason", "dropped"]);
    told("scrapped", &["label", "check", "MT:X", "--unit", "TV-1"], 1, "scrapped", "Provision");
    told("no unit", &["label", "check", "MT:X"], 2, "--unit", "--reel");
    told("no keys", &["chip", "simulate", "--out", text(&at("none")), "--keys", "nope"], 2, "path", "space");
    assert!(!at("none").exists());
    told("no module", &["chip", "list", "--chips", "pkcs11:?module-path=/nope.so"], 3, "module's path", "chip check");
    told("no module", &["chip", "check", "--chips", "pkcs11:?module-path=/nope.so"], 3, "module's path", "chip check");

    // What can't be looked at is not what is not there; a loop of links is so for every user.
    std::os::unix::fs::symlink("loop", at("loop")).expect("a link");
    let answer = site.call("loop", &["--site", text(&at("loop")), "unit", "list"]);
    assert!(answer.exit == Some(3) && !answer.said.contains("o site at"), "{}", answer.said);
    let answer = site.call("nothing", &["--site", text(&at("nothing")), "unit", "list"]);
    assert!(answer.exit == Some(2) && answer.said.contains("o site at"), "{}", answer.said);

    // Pages of the book after its first are overwritten.
    let book = dir.join("site/book.sqlite");
    let mut octets = fs::read(&book).expect("the book");
    octets[4096..65536].fill(0xA5);
    fs::write(&book, octets).expect("the book");
    told("damaged", &["book", "verify"], 3, "touchmark book restore", "Run `touchmark book verify`");
}

/// What was listed is what is given out: a list that is too short is told, one with a double begins nothing.
#[test]
fn serial_numbers_that_run_out_are_said_and_are_no_success() {
    let site = Site::new("a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let source = format!("simulated:{}", text(&site.simulate_part("a", 0, 3, &[])));
    let list = site.dir.path().join("serials");
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source, "--serials", text(&list)];
    fs::write(&list, "TV-1\n\nTV-2\n TV-1 \n").expect("a file");
    let double = site.call("double", &run);
    assert_eq!(double.exit, Some(2), "{}", double.said);
    let message = double.json["error"]["message"].as_str().expect("a message");
    assert!(message.contains("line 4") && message.contains("TV-1") && message.contains("line 1"), "{message}");
    for typed in [["--units", "0"], ["--attempts", "0"]] {
        let none = site.call("none", &[&run[..], &typed].concat());
        let message = none.json["error"]["message"].as_str().unwrap_or_default();
        assert!(none.exit == Some(2) && message.contains("1 or more"), "{}", none.said);
    }
    assert_eq!(site.done("list", &["unit", "list"])["units"].as_array().map(Vec::len), Some(0), "nothing was begun");

    for (lines, passed, gave_out) in [("", 0, true), ("TV-1\nTV-2\n", 2, true), ("TV-3\n", 1, false)] {
        fs::write(&list, lines).expect("a file");
        let answer = site.call("provision", &run);
        assert_eq!(answer.exit, Some(i32::from(gave_out)), "{lines:?}: {}", answer.said);
        let done = answer.json;
        assert_eq!((&done["passed"], &done["serials_gave_out"]), (&passed.into(), &gave_out.into()), "{lines:?}");
        assert_eq!(done["ended"], if gave_out { "serials-ran-out" } else { "done" }, "{lines:?}");
        if gave_out {
            // In words as well, which are not asked for by `command`.
            fs::write(&list, "").expect("a file");
            let mut said = Command::new(env!("CARGO_BIN_EXE_touchmark"));
            let said = said.args(["--site", text(&site.dir.path().join("site"))]).args(run).output().expect("starts");
            let said = String::from_utf8_lossy(&said.stdout).into_owned();
            assert!(said.contains("The serial numbers ran out before the chips did"), "{said}");
        }
    }
    let mut listed = Command::new(env!("CARGO_BIN_EXE_touchmark"));
    let listed = listed.args(["--site", text(&site.dir.path().join("site")), "unit", "list"]).output().expect("starts");
    let listed = String::from_utf8_lossy(&listed.stdout).into_owned();
    assert!(listed.contains("  1 attempt\n"), "{listed}");

    // All are looked up before the first folder is made.
    let out = site.dir.path().join("out");
    let nope = site.call("write", &["unit", "write", "TV-1", "nope", "--out", text(&out)]);
    assert!(nope.exit == Some(2) && !out.exists(), "{}", nope.said);
    fs::create_dir_all(out.join("TV-2")).expect("a folder");
    let there = site.call("write", &["unit", "write", "TV-1", "TV-2", "--out", text(&out)]);
    assert!(there.exit == Some(2) && !out.join("TV-1").exists(), "{}", there.said);
    site.done("write", &["unit", "write", "TV-1", "TV-3", "TV-1", "--out", text(&out)]);
    assert!(out.join("TV-1/proof.json").exists() && out.join("TV-3/proof.json").exists());
}

#[test]
fn an_authority_has_1_to_100_years_or_no_end() {
    let mut site = Site::bare("sqlite:book.sqlite");
    site.environment.push(("TOUCHMARK_PASSPHRASE", "a passphrase for tests".into()));
    let raise = ["authority", "raise", "P", "--role", "paa", "--vendor", "FFF2", "--years"];
    for years in ["0", "101", "100000"] {
        let refused = site.call("raise", &[&raise[..], &[years]].concat());
        let message = refused.json["error"]["message"].as_str().unwrap_or_default();
        assert!(refused.exit == Some(2) && message.contains("1 to 100"), "{}", refused.said);
    }
    assert_eq!(site.done("list", &["authority", "list"])["authorities"].as_array().map(Vec::len), Some(0));
    assert!(site.done("raise", &[&raise[..], &["100"]].concat())["not_after"].is_string());
}
