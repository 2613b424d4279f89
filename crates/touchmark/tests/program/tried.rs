//! Orders that are tried before they are sent: what an authority would be paid for is known to be accepted, or what
//! would be refused, and by which rule.

use std::fs;
use std::path::{Path, PathBuf};

use at_site::engine::Engine;
use at_site::{Answer, Site, data, text};
use serde_json::{Value, json};
use standard::certificate::{Builder, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;

use crate::at_site;

on_both_engines! {
    an_order_is_tried_and_leaves_no_trace,
    each_seeded_mistake_is_caught_by_its_rule,
    an_order_whose_answer_would_be_refused_is_not_written,
    what_is_not_known_yet_refuses_nothing,
}

fn moment(seconds: i64) -> Moment {
    Moment::from_unix(time::OffsetDateTime::now_utc().unix_timestamp()).plus(seconds)
}

/// An authority in the hands of others: its root, and what it signs.
struct Outside {
    key: SoftwareKey,
    name: Vec<u8>,
}

impl Outside {
    fn new() -> Self {
        let name = NameBuilder::new().common_name("Quarry Lane Outside PAA").build();
        Self { key: SoftwareKey::generate().expect("a key"), name }
    }

    fn issue(&self, profile: Profile, subject: &[u8], key: &SoftwareKey, until: Moment) -> Vec<u8> {
        let (id, own) = (self.key.public_key().key_id(), key.public_key());
        let valid = (moment(-86_400), until);
        let builder = Builder::new(profile, &[0x31; 8], (&self.name, &id), subject, &own, valid);
        builder.sign(&self.key).expect("signed")
    }

    fn adopted(&self, site: &Site, name: &str, profile: Profile, subject: &[u8], until: Moment) {
        let key = SoftwareKey::generate().expect("a key");
        let key = if profile == Profile::Paa { &self.key } else { &key };
        let file = site.dir.path().join(format!("{name}.der"));
        fs::write(&file, self.issue(profile, subject, key, until)).expect("written");
        site.done(name, &["authority", "adopt", text(&file), "--name", name]);
    }
}

fn vendor(id: u16) -> VendorId {
    VendorId::new(id).expect("a vendor")
}

/// A site with reel A for Tern Vent, and authority I for its vendor below root P.
fn site(engine: &Engine) -> Site {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    authority(&site, "P", &["--role", "paa"]);
    authority(&site, "I", &["--role", "pai", "--issuer", "P", "--vendor", "FFF2"]);
    site
}

fn with_passphrase(site: &Site, case: &str, typed: &[&str]) -> Value {
    let secret = site.dir.path().join("passphrase");
    fs::write(&secret, "a passphrase for tests\n").expect("a file");
    site.done(case, &[typed, &["--passphrase-file", text(&secret)]].concat())
}

fn authority(site: &Site, name: &str, more: &[&str]) {
    with_passphrase(site, name, &[&["authority", "create", name], more].concat());
}

/// An order that is written without being tried.
fn order(site: &Site, name: &str) -> PathBuf {
    let out = site.dir.path().join(name);
    let typed = ["order", "write", "--reel", "A", "--out", text(&out), "--untried", "--again"];
    assert!(site.done(name, &typed).get("trial").is_none());
    out
}

fn tried(site: &Site, case: &str, order: &Path, more: &[&str]) -> Answer {
    site.call(case, &[&["order", "try", text(order)], more].concat())
}

/// Rules that were broken, with their severities.
fn broken(json: &Value) -> Vec<(&str, &str)> {
    let findings = json["findings"].as_array().expect("findings");
    findings.iter().map(|f| (f["rule"].as_str().unwrap_or(""), f["severity"].as_str().unwrap_or(""))).collect()
}

fn an_order_is_tried_and_leaves_no_trace(engine: &Engine) {
    let site = site(engine);
    let before = site.done("before", &["book", "verify"])["entries"].clone();
    let out = site.dir.path().join("order.csv");
    let written = site.done("order", &["order", "write", "--reel", "A", "--out", text(&out)]);
    let report = site.dir.path().join("order.csv.trial.json");
    assert_eq!((&written["chips"], &written["trial"]), (&json!(400), &json!(text(&report))));
    let kept: Value = serde_json::from_slice(&fs::read(&report).expect("a report")).expect("JSON");
    assert_eq!(
        (&kept["verdict"], &kept["order"], &kept["issuer"]),
        (&json!("accepted"), &json!("order.csv"), &json!("I"))
    );

    for name in ["order.csv", "order.json"] {
        let file = if name == "order.csv" { out.clone() } else { order(&site, name) };
        let entries = site.done("verify", &["book", "verify"])["entries"].clone();
        let answer = tried(&site, name, &file, &["--part", "QL-S1"]);
        assert_eq!(answer.exit, Some(0), "{}", answer.said);
        let json = &answer.json;
        assert_eq!(
            (&json["verdict"], &json["reel"], &json["product"]),
            (&json!("accepted"), &json!("A"), &json!("Tern Vent"))
        );
        assert_eq!((&json["issuer"], &json["part"], &json["chips"]), (&json!("I"), &json!("QL-S1"), &json!(400)));
        assert!(json["issued"].as_u64().is_some_and(|n| (100..=256).contains(&n)), "{json}");
        assert!(json["dac_bytes"].as_u64().is_some_and(|n| (350..=600).contains(&n)), "{json}");
        // A question changes nothing: neither the book nor the authorities and deliveries in it.
        assert_eq!(site.done("verify", &["book", "verify"])["entries"], entries);
    }
    assert_ne!(before, Value::Null);
    let account = site.reconcile("after");
    assert_eq!(account["credentials"]["received"], 0, "{account}");
    // What the trial foretells comes about.
    let issued = with_passphrase(&site, "issue", &["delivery", "issue", "--reel", "A", "--issuer", "I"]);
    assert_eq!(issued["issued"], 400);
    let again = tried(&site, "served", &out, &[]);
    assert_eq!((again.exit, broken(&again.json)), (Some(1), vec![("order.chip", "error")]), "{}", again.said);
}

/// Mistakes that an order, its authority, its product and its part may hide, each found before anything is sent.
fn each_seeded_mistake_is_caught_by_its_rule(engine: &Engine) {
    let site = site(engine);
    site.add("b");
    site.receive_reel("b");
    let (csv, of_json) = (order(&site, "order.csv"), order(&site, "order.json"));
    let file = |name: &str, content: String| {
        let path = site.dir.path().join(name);
        fs::write(&path, content).expect("written");
        path
    };
    let good = fs::read_to_string(&csv).expect("an order");
    let lines: Vec<&str> = good.lines().collect();
    let key = |line: &str| line.rsplit(',').next().expect("a key").to_owned();
    let outside = Outside::new();
    outside.adopted(&site, "Outside", Profile::Paa, &outside.name.clone(), NO_END);
    let pai = |name: &str| NameBuilder::new().common_name(name).vendor(vendor(0xFFF2));
    let long = NameBuilder::new().common_name(&"Quarry Lane Test Authority, device certificates ".repeat(4)[..150]);
    outside.adopted(&site, "Long", Profile::Pai, &long.vendor(vendor(0xFFF2)).build(), NO_END);
    outside.adopted(&site, "Ended", Profile::Pai, &pai("Ended").build(), moment(-3_600));
    let damper = pai("Damper").product(ProductId::new(0x8A22).expect("a product"));
    outside.adopted(&site, "Damper", Profile::Pai, &damper.build(), NO_END);
    outside.adopted(
        &site,
        "Stranger",
        Profile::Pai,
        &NameBuilder::new().common_name("S").vendor(vendor(0xFFF1)).build(),
        NO_END,
    );
    let signer = data("reel-a/declaration-signer.pem");
    let set =
        ["trust-set", "add", "Ecosystem", "--signer", text(&signer), "--declarations", "test", "--test-identities"];
    site.done("set", &[&set[..], &["--authority", "PAA a"]].concat());
    site.done("set", &[&["trust-set", "add", "Strict", "--signer", text(&signer)][..], &["--authority", "P"]].concat());
    let small = fs::read_to_string(data("../../examples/parts/ql-s1.toml")).expect("a part");
    let small = file(
        "small.toml",
        small.replace("octets = 15_360", "octets = 1_000").replace("object_octets = 4_096", "object_octets = 900"),
    );
    let other_chip =
        fs::read_to_string(order_of(&site, "B")).expect("an order").lines().nth(1).expect("a chip").to_owned();
    let (first, second) = (lines[1].to_owned(), lines[2].to_owned());
    let with = |line: String| format!("{good}{line}\n");
    let unusable = good.replacen(&key(&first), &format!("04{}", "11".repeat(64)), 1);
    let stranger = hex::encode(SoftwareKey::generate().expect("a key").public_key().point());
    let named = fs::read_to_string(&of_json).expect("an order").replacen("\"Tern Vent\"", "\"Tern Damper\"", 1);
    let requests = {
        let source = format!("simulated:{}", text(&site.simulate_part("a", 0, 3, &[])));
        let out = site.dir.path().join("order.pem");
        let typed = ["order", "write", "--reel", "A", "--out", text(&out), "--untried", "--again", "--chips", &source];
        site.done("requests", &typed);
        fs::read(&out).expect("requests")
    };

    let clean = |case: &str, order: &Path| {
        let answer = tried(&site, case, order, &["--issuer", "I"]);
        assert_eq!((answer.exit, &answer.json["verdict"]), (Some(0), &json!("accepted")), "{case}: {}", answer.said);
    };
    clean("csv", &csv);
    clean("json", &of_json);
    clean("requests", &site.dir.path().join("order.pem"));

    // The mistake, the order, how it is tried, and the rule that catches it.
    let seeded: Vec<(&str, PathBuf, Vec<&str>, &str)> = vec![
        ("an intermediate of another vendor", csv.clone(), vec!["--issuer", "Stranger"], "chain.vendor-id"),
        ("a product outside the intermediate's scope", csv.clone(), vec!["--issuer", "Damper"], "chain.product-id"),
        ("names too long for 600 bytes", csv.clone(), vec!["--issuer", "Long"], "dac.size"),
        ("an intermediate that has ended", csv.clone(), vec!["--issuer", "Ended"], "chain.validity"),
        ("a part too small", csv.clone(), vec!["--part", text(&small)], "order.part"),
        ("a trust set that does not trust the root", csv.clone(), vec!["--trust-set", "Ecosystem"], "chain.anchor"),
        ("a trust set that takes no test identity", csv.clone(), vec!["--trust-set", "Strict"], "chain.test-identity"),
        ("another vendor", file("vendor.csv", good.replace(",FFF2,", ",FFF1,")), vec![], "order.product"),
        ("another product", file("product.csv", good.replace(",8A21,", ",8A22,")), vec![], "order.product"),
        ("a chip of another product's reel", file("other.csv", with(other_chip)), vec![], "order.product"),
        ("the name of another product", file("named.json", named), vec![], "order.product"),
        (
            "a chip twice",
            file("twice.csv", with(second.replace(&key(&second), &stranger))),
            vec![],
            "reel.duplicate-chip",
        ),
        ("a key twice", file("key.csv", with(first.replacen(&first[..6], "ABCDEF", 1))), vec![], "reel.duplicate-key"),
        ("a key that is no point", file("unusable.csv", unusable), vec![], "reel.key"),
        (
            "a key of no chip",
            file("stranger.csv", with(format!("AB12CD34,FFF2,8A21,{stranger}"))),
            vec![],
            "order.chip",
        ),
        ("no identity", file("none.csv", good.replacen(",FFF2,8A21,", ",,,", 1)), vec![], "reel.column"),
    ];
    for (mistake, order, how, rule) in &seeded {
        // An intermediate is named, since several fit by now.
        let issuer: &[&str] = if how.contains(&"--issuer") { &[] } else { &["--issuer", "I"] };
        let answer = tried(&site, mistake, order, &[how, issuer].concat());
        assert_eq!((answer.exit, &answer.json["verdict"]), (Some(1), &json!("rejected")), "{mistake}: {}", answer.said);
        let broken = broken(&answer.json);
        assert!(broken.contains(&(*rule, "error")), "{mistake}: {rule} is not among {broken:?}");
        let advice = answer.json["findings"]
            .as_array()
            .expect("findings")
            .iter()
            .all(|f| f["advice"].as_str().is_some_and(|a| !a.is_empty()));
        assert!(advice, "{mistake}: {}", answer.said);
    }

    // A request that its key did not sign: one bit of its signature.
    let mut text = String::from_utf8(requests).expect("PEM");
    let at = text.find("-----END").expect("an end") - 9;
    let other = if text.as_bytes()[at] == b'A' { "B" } else { "A" };
    text.replace_range(at..=at, other);
    let answer = tried(&site, "requests", &file("spoiled.pem", text), &["--issuer", "I"]);
    assert!(answer.exit == Some(1) && answer.said.contains("request.signature"), "{}", answer.said);

    // The declaration comes to name another origin after the order was written.
    let make = ["declaration", "make", "--vendor", "FFF2", "--product", "8A21", "--device-type", "0x0202"];
    with_passphrase(&site, "origin", &[&make[..], &["--origin-vendor", "FFF1", "--origin-product", "8B01"]].concat());
    let answer = tried(&site, "origin", &csv, &["--issuer", "I"]);
    assert_eq!(answer.exit, Some(1), "{}", answer.said);
    assert!(broken(&answer.json).contains(&("order.product", "error")), "{}", answer.said);
    assert!(answer.said.contains("FFF1 8B01"), "{}", answer.said);
}

/// An order for a reel, untried.
fn order_of(site: &Site, reel: &str) -> PathBuf {
    let out = site.dir.path().join(format!("order-of-{reel}.csv"));
    site.done(reel, &["order", "write", "--reel", reel, "--out", text(&out), "--untried"]);
    out
}

/// `order write` tries by itself: what would be refused is not written, and said.
fn an_order_whose_answer_would_be_refused_is_not_written(engine: &Engine) {
    let site = site(engine);
    let out = site.dir.path().join("order.csv");
    let small = fs::read_to_string(data("../../examples/parts/ql-s1.toml")).expect("a part");
    fs::write(
        site.dir.path().join("site/small.toml"),
        small.replace("octets = 15_360", "octets = 1_000").replace("object_octets = 4_096", "object_octets = 900"),
    )
    .expect("a part");
    let describe = "vendor = \"FFF2\"\nproduct = \"8A21\"\npurpose = \"test\"\ndevice_type = 514\nreach = \"ble\"\npart = \"small.toml\"\n";
    let file = site.dir.path().join("product.toml");
    fs::write(&file, describe).expect("a file");
    let updated = site.done("product", &["product", "update", "Tern Vent", "--from", text(&file)]);
    assert_eq!(updated["part"], "small.toml");
    let typed = ["order", "write", "--reel", "A", "--out", text(&out)];
    let refused = site.call("part", &typed);
    assert_eq!((refused.exit, &refused.json["verdict"]), (Some(1), &json!("rejected")), "{}", refused.said);
    assert!(broken(&refused.json).contains(&("order.part", "error")), "{}", refused.said);
    assert!(!out.exists() && !site.dir.path().join("order.csv.trial.json").exists());
    assert_eq!(site.done("reel", &["reel", "show", "A"])["without_credential"], 400);

    fs::write(&file, describe.replace("small.toml", "QL-S1")).expect("a file");
    site.done("product", &["product", "update", "Tern Vent", "--from", text(&file)]);
    let written = site.done("order", &typed);
    assert_eq!((&written["order"], &written["chips"]), (&json!("A/1"), &json!(400)));
    // What was refused left no order behind, so that this one is the first.
    let again = site.call("again", &typed);
    assert_eq!(again.exit, Some(2), "{}", again.said);
    let wrong = site.call("wrong", &["order", "try", text(&out), "--issuer", "Nobody"]);
    assert!(wrong.exit == Some(2) && wrong.said.contains("Nobody"), "{}", wrong.said);
}

/// An order goes out before its authority and its declaration are known here: what could not be tried is said.
fn what_is_not_known_yet_refuses_nothing(engine: &Engine) {
    let site = Site::bare(&engine.place());
    let add = ["product", "add", "Tern Vent", "--vendor", "FFF2", "--product", "8A21", "--device-type", "0x0202"];
    site.done("product", &[&add[..], &["--reach", "ble"]].concat());
    site.receive_reel("a");
    let out = site.dir.path().join("order.csv");
    let written = site.done("order", &["order", "write", "--reel", "A", "--out", text(&out)]);
    let said = broken(&written);
    assert!(said.iter().all(|found| *found == ("order.not-tried", "warning")) && said.len() == 2, "{written}");
    let found = written["findings"].to_string();
    assert!(found.contains("no declaration here names FFF2 8A21") && found.contains("the intermediate"), "{found}");
    // A declaration for another product is none for this one.
    with_passphrase(
        &site,
        "declaration",
        &["declaration", "make", "--vendor", "FFF2", "--product", "8A22", "--device-type", "0x0202"],
    );
    let answer = tried(&site, "try", &out, &[]);
    assert_eq!((answer.exit, broken(&answer.json).len()), (Some(0), 2), "{}", answer.said);
}
