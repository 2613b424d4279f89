//! PKCS #11 tokens as chips, through the program: what it wrote, `pkcs11-tool` of Debian's opensc reads.

use std::fs;

use at_site::engine::Engine;
use at_site::{Site, assert_sound, data, text};
use serde_json::json;
use softhsm::{Bench, PIN};

use crate::{at_site, python, softhsm};

on_both_engines! { a_fixture_of_many_chips, tokens_of_one_chip_each }

/// A site whose reel B is received, and that sees the tokens of a bench.
fn at_bench(engine: &Engine) -> Option<(Site, Bench, std::path::PathBuf)> {
    let python = python::interpreter()?;
    let bench = Bench::new()?;
    let mut site = Site::on(engine, "b");
    // Who holds a chip is known machine-wide, and other tests have chips of these ids too.
    site.environment.push(("TMPDIR", bench.path().into()));
    site.environment.push(("SOFTHSM2_CONF", bench.path().join("softhsm2.conf").into()));
    site.receive_reel("b");
    assert_eq!(site.receive_delivery("b")["verdict"], "accepted");
    Some((site, bench, python))
}

/// Every unit's DAC and PAI as `unit write` gives them are those that `pkcs11-tool` reads from
/// the token that `token_of` names for its chip.
fn others_read_the_same(site: &Site, bench: &Bench, token_of: &dyn Fn(usize) -> String) {
    let evidence = site.dir.path().join("evidence");
    let units = site.done("unit list", &["unit", "list", "--limit", "1000"]);
    site.done("unit write", &["unit", "write", "--all", "--out", text(&evidence)]);
    let mut units = units["units"].as_array().expect("units").clone();
    units.sort_by_key(|unit| unit["chip_id"].to_string());
    for (number, unit) in units.iter().enumerate() {
        let (serial, chip) = (unit["unit"].as_str().expect("a serial"), unit["chip_id"].as_str().expect("an id"));
        for name in ["dac", "pai"] {
            let read = bench.path().join("read.der");
            let _ = fs::remove_file(&read);
            let object =
                ["--read-object", "--type", "cert", "--label", name, "--id", chip, "--output-file", text(&read)];
            bench.tool(&token_of(number), &object);
            let written = fs::read(evidence.join(serial).join(format!("{name}.der"))).expect("evidence");
            assert_eq!(fs::read(&read).expect("read"), written, "{name} of unit {serial}");
        }
    }
}

fn a_fixture_of_many_chips(engine: &Engine) {
    let Some((site, bench, python)) = at_bench(engine) else { return };
    bench.token("fixture one");
    bench.load(&python, &data("reel-b/simulated-keys.ndjson"), &[("fixture one", 6)]);
    let source = format!("pkcs11:token=fixture%20one?{}", bench.query());
    let run = ["provision", "--reel", "B", "--station", "S1", "--chips", &source];
    let done = site.done("provision", &run);
    assert_eq!((&done["passed"], &done["failed"]), (&json!(6), &json!(0)), "{done}");
    let again = site.call("again", &run).json;
    assert_eq!((&again["passed"], &again["verified"]), (&json!(0), &json!(6)), "{again}");
    let challenged = site.done("challenge", &["challenge", "--chips", &source]);
    assert_eq!(challenged["verdict"], "accepted", "{challenged}");
    assert_sound("a fixture", &site.reconcile("a fixture"));
    others_read_the_same(&site, &bench, &|_| "fixture one".into());
}

fn tokens_of_one_chip_each(engine: &Engine) {
    let Some((site, bench, python)) = at_bench(engine) else { return };
    let labels = ["chip 0", "chip 1", "chip 2"];
    labels.iter().for_each(|label| bench.token(label));
    bench.load(&python, &data("reel-b/simulated-keys.ndjson"), &labels.map(|label| (label, 1)));
    // One token by its name, then whatever tokens are there.
    let one = format!("pkcs11:token=chip%201?{}", bench.query());
    let done = site.done("one", &["provision", "--reel", "B", "--station", "S1", "--chips", &one]);
    assert_eq!((&done["passed"], &done["failed"]), (&json!(1), &json!(0)), "{done}");
    let all = format!("pkcs11:?{}", bench.query());
    let done = site.done("all", &["provision", "--reel", "B", "--station", "S1", "--chips", &all]);
    assert_eq!((&done["passed"], &done["verified"]), (&json!(2), &json!(1)), "{done}");
    assert_sound("tokens", &site.reconcile("tokens"));
    // The keys lie in the order of the file, which is not that of their ids.
    let keys = fs::read_to_string(data("reel-b/simulated-keys.ndjson")).expect("keys");
    let mut ids: Vec<(String, usize)> = keys.lines().take(3).enumerate().map(|(n, l)| (l.to_owned(), n)).collect();
    ids.sort();
    others_read_the_same(&site, &bench, &|number| labels[ids[number].1].to_owned());
}

/// A wrong PIN, and one on the command line: refused, and nothing repeats it.
#[test]
fn a_pin_is_never_told() {
    let Some(bench) = Bench::new() else { return };
    bench.token("fixture one");
    let mut site = Site::new("b");
    site.environment.push(("SOFTHSM2_CONF", bench.path().join("softhsm2.conf").into()));
    site.receive_reel("b");
    site.receive_delivery("b");
    fs::write(bench.path().join("wrong"), "161803\n").expect("a file");
    let module = bench.module.display();
    let wrong = format!(
        "pkcs11:token=fixture%20one?module-path={module}&pin-source=file:{}",
        bench.path().join("wrong").display()
    );
    let typed = format!("pkcs11:token=fixture%20one?module-path={module}&pin-value={PIN}");
    for source in [&wrong, &typed] {
        let run = ["provision", "--reel", "B", "--station", "S1", "--chips", source];
        for typed in [&run[..], &["challenge", "--chips", source], &["chip", "list", "--chips", source]] {
            let answer = site.call(typed[0], typed);
            assert_eq!(answer.exit, Some(2), "{typed:?}: {}", answer.said);
            assert!(answer.json["error"]["advice"].is_string(), "{}", answer.said);
            assert!(!answer.said.contains("161803") && !answer.said.contains(PIN), "{}: {}", typed[0], answer.said);
        }
    }
    // Without a terminal nobody can be asked, and that is told.
    let unasked = format!("pkcs11:token=fixture%20one?module-path={module}");
    let answer = site.call("unasked", &["provision", "--reel", "B", "--station", "S1", "--chips", &unasked]);
    assert_eq!(answer.exit, Some(2), "{}", answer.said);
    assert!(answer.said.contains("PIN"), "{}", answer.said);
    assert_eq!(site.reconcile("after them")["chips"]["blank"], 300);
}

/// A PAI whose key lives in a token signs the list of its revoked DACs; OpenSSL, cryptography and others read it,
/// and `openssl verify -crl_check_all` refuses the one and takes the other (RFC 5280 §6.3).
#[test]
fn a_list_signed_in_a_token() {
    let (Some(bench), Some(python)) = (Bench::new(), python::interpreter()) else { return };
    bench.token("authority");
    let mut site = Site::new("a");
    site.environment.push(("SOFTHSM2_CONF", bench.path().join("softhsm2.conf").into()));
    let file = |name: &str| site.dir.path().join(name);
    let secret = file("passphrase");
    fs::write(&secret, "a passphrase for tests\n").expect("a file");
    let with = ["--passphrase-file", text(&secret)];
    let key = format!("pkcs11:token=authority;object=pai?{}", bench.query());
    let ask = |words: &[&str]| site.done(words[0], &[words, &with].concat());
    ask(&["authority", "raise", "P", "--role", "paa", "--vendor", "FFF2"]);
    ask(&["authority", "raise", "I", "--role", "pai", "--vendor", "FFF2", "--issuer", "P", "--key", &key]);
    let shown = site.done("show", &["authority", "show", "I"]);
    assert!(shown.to_string().contains("pkcs11:token=authority"), "its key is in the token: {shown}");
    assert!(bench.tool("authority", &["--list-objects", "--type", "privkey"]).contains("pai"));
    site.receive_reel("a");
    // What needs the token's key alone asks for no passphrase.
    site.done("issue", &["delivery", "issue", "--reel", "A", "--issuer", "I"]);
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, 2, &[])));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &chips];
    assert_eq!(site.done("provision", &run)["passed"], 2);
    let evidence = file("evidence");
    site.done("unit write", &["unit", "write", "--all", "--out", text(&evidence)]);
    let units = site.done("unit list", &["unit", "list"]);
    let unit = |n: usize| units["units"][n]["unit"].as_str().expect("a serial").to_owned();
    let (revoked, good) = (unit(0), unit(1));

    let work = file("lists");
    fs::create_dir(&work).expect("a folder");
    let url = "https://lists.example/pai.crl";
    let typed = ["revoke", "--unit", &revoked, "--reason", "key-compromise", "--days", "9", "--url", url, "--out"];
    let list = work.join("dac-list.crl");
    let done = site.done("revoke", &[&typed[..], &[text(&list)]].concat());
    assert_eq!((&done["state"], &done["issued"]["certificates"]), (&json!("confirmed"), &json!(1)), "{done}");
    let root = work.join("pai-list.crl");
    ask(&["revoke", "--renew", "P", "--out", text(&root)]);
    for (from, to) in
        [((&revoked, "dac"), "revoked"), ((&good, "dac"), "good"), ((&good, "pai"), "pai"), ((&good, "paa"), "paa")]
    {
        let (unit, name) = from;
        fs::copy(evidence.join(unit).join(format!("{name}.der")), work.join(format!("{to}.der"))).expect("copied");
    }
    let serial = site.done("unit show", &["unit", "show", &revoked])["credential"]["serial"].clone();
    let serial = serial.as_str().expect("a serial").trim_start_matches('0').to_owned();
    let reasons = json!({ serial: "keyCompromise" });
    let wanted = json!({ "number": 1, "days": 9, "url": url, "reasons": reasons });
    fs::write(work.join("wanted.json"), wanted.to_string()).expect("written");
    python::run(&python, "revocation.py", &[&work]);
    // A PIN that is wrong changes nothing.
    fs::write(bench.pin_file(), "161803\n").expect("a file");
    let none = file("no.crl");
    let typed = ["revoke", "--unit", &good, "--reason", "key-compromise", "--out", text(&none)];
    let refused = site.call("wrong PIN", &typed);
    assert!(matches!(refused.exit, Some(1..=3)), "{}", refused.said);
    assert!(!refused.said.contains("161803"), "{}", refused.said);
    let shown = site.done("unit show", &["unit", "show", &good]);
    assert_eq!(shown["credential"]["state"], "installed");
    assert_eq!(site.done("list", &["revocation", "list"])["waiting"], json!([]), "and nothing was asked for");
}
