//! An act has one answer: the command line and the API give the same JSON, key for key.

use std::fs::{self, File};
use std::io::Read as _;
use std::time::Duration;

use serde_json::{Value, json};
use site::access::Role;
use site::{Site as Open, Who, access};
use standard::pem;

use crate::at_site::calls::ask;
use crate::at_site::service::Service;
use crate::at_site::{Answer, Site, data, text};

/// A site that is served, and how a program proves who it is.
struct Served {
    site: Site,
    service: Service,
    bearer: String,
}

impl Served {
    fn new(site: Site) -> Self {
        let open = Open::open(&site.dir.path().join("site")).expect("a site");
        let _ =
            access::first(&open, "Ada", "a long enough password", time::OffsetDateTime::now_utc).expect("an account");
        let who = Who::new("Ada").expect("a name");
        let token = access::give_token(&open, "mes", Role::Engineer.word(), 1, &who).expect("a token");
        let bearer = format!("authorization: Bearer {}\r\ncontent-type: application/json\r\n", *token);
        drop(open);
        Self { service: Service::start(&site), site, bearer }
    }

    fn call(&self, method: &str, path: &str, body: &str) -> (u16, Value) {
        let patience = Duration::from_secs(60);
        let (address, path) = (&self.service.address, format!("/api/v1/{path}"));
        let (status, body) = ask(address, (method, &path), &self.bearer, body, patience).expect("an answer");
        (status, serde_json::from_str(&body).unwrap_or_else(|e| panic!("{method} {path}: {e} in {body}")))
    }

    fn get(&self, path: &str) -> Value {
        let (status, answer) = self.call("GET", path, "");
        assert_eq!(status, 200, "{path}: {answer}");
        answer
    }

    fn post(&self, path: &str, body: &str) -> Value {
        let (status, answer) = self.call("POST", path, body);
        assert_eq!(status, 200, "{path}: {answer}");
        answer
    }
}

/// What no two runs have in common: times, and places in the log.
const OF_THE_RUN: &[&str] = &["at", "by", "changed", "entry", "milliseconds", "received"];

fn without_the_run(mut answer: Value) -> Value {
    match &mut answer {
        Value::Object(members) => {
            for (name, member) in members.iter_mut() {
                let is_of_the_run = OF_THE_RUN.contains(&name.as_str()) && !member.is_null();
                // A number of chips has the name of a time.
                *member = match member.take() {
                    Value::String(_) | Value::Number(_) if is_of_the_run && name != "received" => json!("of the run"),
                    Value::String(_) if is_of_the_run => json!("of the run"),
                    other => without_the_run(other),
                };
            }
        }
        Value::Array(members) => members.iter_mut().for_each(|m| *m = without_the_run(m.take())),
        _ => {}
    }
    answer
}

fn same(case: &str, typed: Value, called: Value) {
    let (typed, called) = (without_the_run(typed), without_the_run(called));
    assert_eq!(typed, called, "{case}: by the command line, and by the API");
}

/// The reel's certificates as one bundle in PEM, which a text protocol can carry; the first so many.
fn bundle(most: usize) -> String {
    let mut zip = zip::ZipArchive::new(File::open(data("reel-a/delivery.zip")).expect("a delivery")).expect("a ZIP");
    let mut names: Vec<String> = zip.file_names().map(|name| name.expect("a name").into_owned()).collect();
    names.sort();
    let mut out = String::new();
    let is_pai = |name: &str| !name.starts_with("dacs/") && (name.ends_with(".der") || name.ends_with(".pem"));
    let dacs = names.iter().filter(|name| name.starts_with("dacs/")).take(most);
    for name in dacs.chain(names.iter().filter(|name| is_pai(name))) {
        let mut octets = Vec::new();
        zip.by_name(name).expect("an entry").read_to_end(&mut octets).expect("read");
        match std::str::from_utf8(&octets) {
            Ok(already) if already.starts_with("-----BEGIN") => out += already,
            _ => out += &pem::encode("CERTIFICATE", &octets),
        }
    }
    out
}

/// A site with reel b's product beside its own, and simulated chips in its folder.
fn site() -> Site {
    let site = Site::new("a");
    site.add("b");
    let chips = site.dir.path().join("site/chips");
    let keys = site.keys("a", 0, 3);
    site.done("chips", &["chip", "simulate", "--out", text(&chips), "--keys", text(&keys)]);
    site
}

fn write(site: &Site, name: &str, octets: &str) -> String {
    let path = site.dir.path().join(name);
    fs::write(&path, octets).expect("room");
    text(&path).to_owned()
}

#[test]
fn an_act_has_one_answer() {
    let (typed, served) = (site(), Served::new(site()));
    let manifest = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let doubled = format!("{manifest}{}\n", manifest.lines().nth(1).expect("a line"));
    let both = |case: &str, words: &[&str], (path, body): (&str, &str)| {
        let Answer { json, .. } = typed.call(case, words);
        same(case, json.clone(), served.call("POST", path, body).1);
        json
    };

    let reel = ["--reel", "A", "--product", "Tern Vent"];
    for (case, text) in [("refused", &doubled), ("accepted", &manifest), ("again", &manifest)] {
        let file = write(&typed, "m.csv", text);
        let words = [&["reel", "receive", &file], &reel[..]].concat();
        let done = both(case, &words, ("reels?reel=A&product=Tern%20Vent&name=m.csv", text));
        assert_eq!(done["verdict"] == "refused", case == "refused", "{done}");
    }
    for (case, most, query) in [("short", 3, ""), ("whole", 400, ""), ("already here", 3, "&accept_part=true")] {
        let pem = bundle(most);
        let file = write(&typed, "d.pem", &pem);
        let part: &[&str] = if query.is_empty() { &[] } else { &["--accept-part"] };
        let words = [&["delivery", "receive", &file, "--reel", "A"], part].concat();
        let done = both(case, &words, (&format!("deliveries?reel=A&name=d.pem{query}"), &pem));
        assert_eq!(done["verdict"] == "refused", case == "short", "{done}");
    }
    both("delivery withdrawn", &["delivery", "withdraw", "A-1"], ("deliveries/A-1/withdraw", ""));
    let pem = bundle(400);
    let file = write(&typed, "d.pem", &pem);
    both("and again", &["delivery", "receive", &file, "--reel", "A"], ("deliveries?reel=A&name=d.pem", &pem));

    let setup = json!({ "reel": "A", "source": "simulated:chips", "serial_start": "TV-000001" }).to_string();
    assert_eq!(served.call("PUT", "stations/S1", &setup).0, 200);
    let source = format!("simulated:{}", text(&typed.dir.path().join("site/chips")));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source, "--serial-start", "TV-000001"];
    let worked = typed.done("worked", &[&run[..], &["--units", "1"]].concat());
    same("worked", worked["units"][0].clone(), served.post("stations/S1/units", "{}"));
    let code = |site: &Site| {
        let shown = site.done("code", &["unit", "show", "TV-000001", "--reveal"]);
        shown["onboarding"]["qr"].as_str().expect("a code").to_owned()
    };
    let check = |scanned: &str| json!({ "scanned": scanned }).to_string();
    let checked = typed.done("label", &["label", "check", &code(&typed), "--unit", "TV-000001"]);
    same("label", checked, served.post("units/TV-000001/label-check", &check(&code(&served.site))));
    let other = "MT:Y.K9042C00KA0648G00";
    let words = ["label", "check", other, "--unit", "TV-000001"];
    both("other label", &words, ("units/TV-000001/label-check", &check(other)));
    let why = json!({ "reason": "cracked lens" }).to_string();
    for (act, path) in [("return", "return"), ("scrap", "scrap"), ("scrap", "scrap")] {
        let words = ["unit", act, "TV-000001", "--reason", "cracked lens"];
        both(act, &words, (&format!("units/TV-000001/{path}"), &why));
    }
    let chip =
        typed.done("reel", &["unit", "find", "514C"])["found"][1]["chip_id"].as_str().expect("a chip").to_owned();
    let scrapped = typed.done("chip", &["chip", "scrap", &chip, "--reason", "cracked lens"]);
    same("chip", scrapped["chips"][0].clone(), served.post(&format!("chips/{chip}/scrap"), &why));

    // What is read, is read at one site.
    let read = |words: &[&str], list: Option<&str>, path: &str| {
        let said = served.site.done(path, words);
        assert_eq!(list.map_or_else(|| said.clone(), |list| said[list].clone()), served.get(path), "{path}");
    };
    read(&["product", "list"], Some("products"), "products");
    read(&["reel", "list"], Some("reels"), "reels");
    read(&["reel", "show", "A"], None, "reels/A");
    read(&["delivery", "list"], Some("deliveries"), "deliveries");
    read(&["delivery", "show", "A-1"], None, "deliveries/A-1");
    read(&["delivery", "show", "A-refused-1"], None, "deliveries/A-refused-1");
    read(&["unit", "list"], Some("units"), "units");
    read(&["unit", "show", "TV-000001"], None, "units/TV-000001");
    read(&["unit", "find", "514C"], Some("found"), "find?q=514C");
    read(&["revocation", "list"], None, "revocation");
    let totals = served.get("totals");
    let account = served.site.reconcile("totals");
    for (what, counts) in totals.as_object().expect("counts") {
        for (state, count) in counts.as_object().into_iter().flatten() {
            assert_eq!(account[what][state], *count, "{what} {state}");
        }
    }

    for name in ["reel b", "declaration b", "authority b"] {
        let declarations = typed.done("declarations", &["declaration", "list"]);
        let of_b =
            declarations["declarations"].as_array().expect("a list").iter().find(|d| d["product_ids"][0] == "8A22");
        let declaration = of_b.and_then(|d| d["name"].as_str()).unwrap_or_default().to_owned();
        match name {
            "reel b" => {
                typed.receive_reel("b");
                served.site.receive_reel("b");
                both(name, &["reel", "withdraw", "B"], ("reels/B/withdraw", ""));
            }
            "declaration b" => {
                let path = format!("declarations/{declaration}/withdraw");
                both(name, &["declaration", "withdraw", &declaration], (&path, ""));
            }
            _ => {
                both(name, &["authority", "withdraw", "PAA b"], ("authorities/PAA%20b/withdraw", ""));
            }
        }
    }
}
