//! Who a product is, and how a slip is taken back: orders that ask for the right identity, purposes that are
//! chosen, what nothing depends on withdrawn and corrected, and nothing cut on the way.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use at_site::engine::Engine;
use at_site::{Site, data, text};
use serde_json::{Value, json};
use standard::certificate::{Builder, Profile};
use standard::detect::{Item, detect};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::pem;

use crate::{at_site, python};

on_both_engines! {
    every_order_asks_for_the_identity_of_the_origin,
    a_reel_for_the_wrong_product_has_a_way_back,
    an_authority_for_the_wrong_purpose_has_a_way_back,
    a_declaration_has_a_way_back_and_next_offers_what_works,
    prototypes_carry_a_real_vendor_id,
    a_product_is_corrected_until_its_first_unit,
}

/// An authority in the hands of others: a root, and an intermediate for one vendor below it.
struct Outside {
    keys: [SoftwareKey; 2],
    names: [Vec<u8>; 2],
    certificates: [Vec<u8>; 2],
}

impl Outside {
    /// - `root`: the vendor ID in the root, where it has one.
    fn new(root: Option<u16>, below: u16) -> Self {
        let vendor = |id| VendorId::new(id).expect("a vendor");
        let keys = [SoftwareKey::generate().expect("a key"), SoftwareKey::generate().expect("a key")];
        let name = NameBuilder::new().common_name("Quarry Lane Outside PAA");
        let names = [
            match root {
                Some(id) => name.vendor(vendor(id)),
                None => name,
            }
            .build(),
            NameBuilder::new().common_name("Quarry Lane Outside PAI").vendor(vendor(below)).build(),
        ];
        let issue = |profile, serial: u8, subject: usize| {
            let root = keys[0].public_key();
            let issuer = (names[0].as_slice(), root.key_id());
            let own = keys[subject].public_key();
            Builder::new(profile, &[serial; 8], (issuer.0, &issuer.1), &names[subject], &own, times())
                .sign(&keys[0])
                .expect("signed")
        };
        let certificates = [issue(Profile::Paa, 0x11, 0), issue(Profile::Pai, 0x22, 1)];
        Self { keys, names, certificates }
    }

    /// Both certificates as files.
    fn files(&self, site: &Site) -> [PathBuf; 2] {
        [("root.der", 0), ("below.der", 1)].map(|(name, which)| {
            let path = site.dir.path().join(name);
            fs::write(&path, &self.certificates[which]).expect("written");
            path
        })
    }

    /// What it sends for an order: a DAC for each key that says just what was asked for, and its intermediate.
    fn answer(&self, asked: &[(PublicKey, u16, u16)], out: &Path) {
        let mut sent = pem::encode("CERTIFICATE", &self.certificates[1]);
        for (number, (key, vendor, product)) in (1..).zip(asked) {
            let subject = NameBuilder::new()
                .common_name(&format!("unit {number}"))
                .vendor(VendorId::new(*vendor).expect("a vendor"))
                .product(ProductId::new(*product).expect("a product"))
                .build();
            let issuer = self.keys[1].public_key().key_id();
            let serial = [0x40, 0, 0, number];
            let dac = Builder::new(Profile::Dac, &serial, (&self.names[1], &issuer), &subject, key, times());
            sent.push_str(&pem::encode("CERTIFICATE", &dac.sign(&self.keys[1]).expect("signed")));
        }
        fs::write(out, sent).expect("written");
    }
}

fn times() -> (Moment, Moment) {
    (Moment::from_unix(time::OffsetDateTime::now_utc().unix_timestamp()).plus(-86_400), NO_END)
}

fn key(point: &str) -> PublicKey {
    let octets = (0..point.len()).step_by(2).map(|at| u8::from_str_radix(&point[at..at + 2], 16).expect("hex"));
    PublicKey::from_point(&octets.collect::<Vec<_>>()).expect("a key")
}

fn id(text: &str) -> u16 {
    u16::from_str_radix(text, 16).expect("four hex digits")
}

/// What an order in CSV, JSON or requests asks for, read by its form alone.
fn asked(order: &Path) -> Vec<(PublicKey, u16, u16)> {
    let read = fs::read_to_string(order).expect("an order");
    if read.starts_with("chip_id,") {
        let row = |line: &str| {
            let cells: Vec<_> = line.split(',').collect();
            (key(cells[3]), id(cells[1]), id(cells[2]))
        };
        return read.lines().skip(1).map(row).collect();
    }
    if let Ok(json) = serde_json::from_str::<Value>(&read) {
        let told = |row: &Value, key: &str| row[key].as_str().expect("a text").to_owned();
        let head = &json["order"];
        let chips = json["chips"].as_array().expect("chips");
        for row in chips {
            assert_eq!((&row["vendor_id"], &row["product_id"]), (&head["vendor_id"], &head["product_id"]), "{json}");
        }
        let row =
            |row: &Value| (key(&told(row, "public_key")), id(&told(row, "vendor_id")), id(&told(row, "product_id")));
        return chips.iter().map(row).collect();
    }
    let requests = detect(read.as_bytes()).expect("requests");
    let one = |item: Item| {
        let Item::Request(request) = item else { panic!("{} holds something else", order.display()) };
        let identity = &request.subject.identity;
        let (vendor, product) = (identity.vendor().expect("a vendor"), identity.product().expect("a product"));
        (request.key.key.clone().expect("a key"), vendor.get(), product.get())
    };
    requests.into_iter().map(one).collect()
}

/// A declaration that names another origin: CSV, JSON and requests ask for the origin's identity, and an authority
/// that answers just what was asked for is received; so is what is issued here. What the requests say, OpenSSL reads.
fn every_order_asks_for_the_identity_of_the_origin(engine: &Engine) {
    let site = Site::bare(&engine.place());
    let dir = site.dir.path();
    let secret = dir.join("passphrase");
    fs::write(&secret, "a passphrase for tests\n").expect("a file");
    let with = ["--passphrase-file", text(&secret)];
    let product = ["product", "add", "Tern Vent", "--vendor", "FFF2", "--product", "8A21", "--device-type", "0x0202"];
    site.done("product", &[&product[..], &["--reach", "ble,ip"]].concat());
    let make = ["declaration", "make", "--vendor", "FFF2", "--product", "8A21", "--device-type", "0x0202"];
    let origin = ["--origin-vendor", "FFF1", "--origin-product", "8B01"];
    let made = site.done("declaration", &[&make[..], &origin, &with].concat());
    assert_eq!((&made["products"][0]["product"], &made["products"][0]["before"]), (&"Tern Vent".into(), &Value::Null));
    let (chips, manifest) = (dir.join("chips"), dir.join("manifest.csv"));
    let simulate = ["chip", "simulate", "--out", text(&chips), "--count", "3", "--seed", "5"];
    site.done("simulate", &[&simulate[..], &["--manifest", text(&manifest)]].concat());
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "A", "--product", "Tern Vent"]);
    let outside = Outside::new(None, 0xFFF1);
    site.done("adopt", &["authority", "adopt", text(&outside.files(&site)[0])]);

    let source = format!("simulated:{}", text(&chips));
    for (file, more) in
        [("order.csv", &[][..]), ("order.json", &["--again"]), ("order.pem", &["--again", "--chips", source.as_str()])]
    {
        let (order, answer) = (dir.join(file), dir.join(format!("answer-to-{file}.pem")));
        let written = site.done(file, &[&["order", "write", "--reel", "A", "--out", text(&order)], more].concat());
        assert_eq!((&written["vendor_id"], &written["product_id"]), (&json!("FFF1"), &json!("8B01")), "{file}");
        let asked = asked(&order);
        assert_eq!(asked.len(), 3, "{file}");
        for (_, vendor, product) in &asked {
            assert_eq!((*vendor, *product), (0xFFF1, 0x8B01), "{file}");
        }
        outside.answer(&asked, &answer);
        let received = site.done(file, &["delivery", "receive", text(&answer), "--reel", "A"]);
        assert_eq!((&received["verdict"], &received["certificates"]["accepted"]), (&json!("accepted"), &json!(3)));
        // Taken back, so that the next form can be answered.
        let delivery = received["delivery"].as_str().expect("a delivery");
        assert_eq!(site.done(file, &["delivery", "withdraw", delivery])["certificates"], 3);
    }
    // Source: the object identifiers of VID and PID in a subject, Core Spec 6.2.2, from memory of the standard.
    let order = dir.join("order.pem");
    let read = Command::new("openssl").args(["req", "-noout", "-subject", "-in", text(&order)]).output();
    let read = read.expect("openssl");
    let said = String::from_utf8_lossy(&read.stdout).replace(' ', "");
    assert!(said.contains("1.3.6.1.4.1.37244.2.1=FFF1") && said.contains("1.3.6.1.4.1.37244.2.2=8B01"), "{said}");

    let ask = |words: &[&str]| site.done(words[0], &[words, &with].concat());
    ask(&["authority", "create", "P", "--role", "paa", "--vendor", "FFF1"]);
    ask(&["authority", "create", "I", "--role", "pai", "--vendor", "FFF1", "--issuer", "P"]);
    assert_eq!(ask(&["delivery", "issue", "--reel", "A", "--issuer", "I"])["issued"], 3);
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source];
    assert_eq!(site.done("provision", &run)["passed"], 3);
}

/// A reel and its delivery under the wrong product, taken back and received under the right one.
fn a_reel_for_the_wrong_product_has_a_way_back(engine: &Engine) {
    let site = Site::on(engine, "a");
    let add = ["product", "add", "Tern Vent Plus", "--vendor", "FFF2", "--product", "8A21", "--device-type", "0x0202"];
    site.done("product", &[&add[..], &["--reach", "ble"]].concat());
    let (manifest, delivery) = (data("reel-a/manifest.csv"), data("reel-a/delivery.zip"));
    let receive = |product: &str| {
        let reel = ["reel", "receive", text(&manifest), "--reel", "A", "--product", product];
        assert_eq!(site.done("reel", &reel)["chips"]["received"], 400);
        let received = site.done("delivery", &["delivery", "receive", text(&delivery), "--reel", "A"]);
        assert_eq!(received["verdict"], "accepted");
        received["delivery"].as_str().expect("a delivery").to_owned()
    };
    let first = receive("Tern Vent Plus");
    let order = site.dir.path().join("order.csv");
    // The book knows the reel for another product, and says how it can be taken back.
    let again = site.call("again", &["reel", "receive", text(&manifest), "--reel", "A", "--product", "Tern Vent"]);
    assert_eq!(again.exit, Some(1), "{}", again.said);
    assert!(again.said.contains("touchmark reel withdraw A"), "{}", again.said);
    let refused = site.call("refused", &["reel", "withdraw", "A"]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    assert!(refused.said.contains(&format!("1 delivery ({first})")), "{}", refused.said);

    let done = site.done("delivery", &["delivery", "withdraw", &first]);
    assert_eq!((&done["withdrawn"], &done["reel"], &done["certificates"]), (&json!(first), &json!("A"), &json!(400)));
    site.done("order", &["order", "write", "--reel", "A", "--out", text(&order)]);
    let done = site.done("reel", &["reel", "withdraw", "A"]);
    assert_eq!((&done["chips"], &done["product"]), (&json!(400), &json!("Tern Vent Plus")));
    assert_eq!(done["orders"], json!(["order.csv"]));
    for (what, name) in [("reel", "A"), ("delivery", first.as_str())] {
        let gone = site.call(what, &[what, "show", name]);
        assert_eq!(gone.exit, Some(2), "{}", gone.said);
        assert!(gone.said.contains("withdrawn on") && gone.said.contains("400"), "{}", gone.said);
    }
    assert_eq!(site.reconcile("empty")["chips"]["received"], 0);
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");

    let second = receive("Tern Vent");
    let source = format!("simulated:{}", text(&site.simulate_part("a", 0, 2, &[])));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source, "--serial-start", "TV-1"];
    assert_eq!(site.done("provision", &run)["passed"], 2);
    assert_eq!(site.done("show", &["unit", "show", "TV-1"])["product"], "Tern Vent");
    let refused = site.call("refused", &["delivery", "withdraw", &second]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    assert!(refused.said.contains("2 units (TV-1, TV-2)"), "{}", refused.said);
    // What can't be done is not advised: the delivery has units too.
    for typed in [["reel", "withdraw", "A"], ["authority", "withdraw", "PAA a"]] {
        let refused = site.call("refused", &typed);
        assert_eq!(refused.exit, Some(1), "{}", refused.said);
        assert!(
            refused.said.contains("2 units (TV-1, TV-2)") && refused.said.contains("Scrap the units"),
            "{}",
            refused.said
        );
        assert!(!refused.said.contains("Withdraw delivery"), "{}", refused.said);
    }
    let declared = &site.done("list", &["declaration", "list"])["declarations"][0];
    let refused = site.call("refused", &["declaration", "withdraw", declared["name"].as_str().expect("a name")]);
    assert!(refused.exit == Some(1) && refused.said.contains("2 units (TV-1, TV-2)"), "{}", refused.said);
    at_site::assert_sound("received right", &site.reconcile("received right"));
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}

fn an_authority_for_the_wrong_purpose_has_a_way_back(engine: &Engine) {
    let site = Site::bare(&engine.place());
    let outside = Outside::new(Some(0x5A10), 0x5A10);
    let [root, below] = outside.files(&site);
    // A root of a prototype looks like one for sale: somebody must say, and nobody is asked without a terminal.
    let asked = site.call("nobody said", &["authority", "adopt", text(&root)]);
    assert_eq!(asked.exit, Some(2), "{}", asked.said);
    assert!(asked.said.contains("5A10") && asked.said.contains("--purpose"), "{}", asked.said);
    assert_eq!(site.done("list", &["authority", "list"])["authorities"], json!([]));

    let adopted = site.done("adopt", &["authority", "adopt", text(&root), "--purpose", "test"]);
    assert_eq!(adopted["authorities"][0]["purpose"], "test");
    let adopted = site.done("adopt", &["authority", "adopt", text(&below)]);
    assert_eq!(adopted["authorities"][0]["purpose"], "test", "as its root");
    for said in [&["--production"][..], &["--purpose", "production"]] {
        let refused = site.call("refused", &[&["authority", "adopt", text(&root)], said].concat());
        assert_eq!(refused.exit, Some(1), "{}", refused.said);
        assert!(refused.said.contains("touchmark authority withdraw"), "{}", refused.said);
    }
    // The advice works.
    let (paa, pai) = ("Quarry Lane Outside PAA", "Quarry Lane Outside PAI");
    let refused = site.call("refused", &["authority", "withdraw", paa]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    assert!(refused.said.contains(&format!("1 authority ({pai})")), "{}", refused.said);
    assert_eq!(site.done("withdraw", &["authority", "withdraw", pai])["withdrawn"], pai);
    site.done("withdraw", &["authority", "withdraw", paa]);
    let adopted = site.done("adopt", &["authority", "adopt", text(&root), "--purpose", "production"]);
    assert_eq!(adopted["authorities"][0]["purpose"], "production");
    let adopted = site.done("adopt", &["authority", "adopt", text(&below)]);
    assert_eq!(
        (&adopted["authorities"][0]["name"], &adopted["authorities"][0]["purpose"]),
        (&json!(pai), &json!("production"))
    );
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");

    // One created here: its name is free again, and its key stays.
    let secret = site.dir.path().join("passphrase");
    fs::write(&secret, "a passphrase for tests\n").expect("a file");
    let create = |vendor: &str| {
        let words = ["authority", "create", "Desk", "--role", "paa", "--vendor", vendor];
        site.done("create", &[&words[..], &["--passphrase-file", text(&secret)]].concat())
    };
    create("FFF1");
    let withdrawn = site.done("withdraw", &["authority", "withdraw", "Desk"]);
    let kept = withdrawn["key"].as_str().and_then(|k| k.strip_prefix("file:")).expect("a key");
    assert!(site.dir.path().join("site").join(kept).exists(), "{withdrawn}");
    assert_eq!(create("FFF2")["vendor_id"], "FFF2");
}

fn a_declaration_has_a_way_back_and_next_offers_what_works(engine: &Engine) {
    let site = Site::on(engine, "a");
    let name =
        site.done("list", &["declaration", "list"])["declarations"][0]["name"].as_str().expect("a name").to_owned();
    let gone = site.done("withdraw", &["declaration", "withdraw", &name]);
    assert_eq!((&gone["withdrawn"], &gone["purpose"]), (&json!(name), &json!("test")));
    let absent = site.call("show", &["declaration", "show", &name]);
    assert!(absent.exit == Some(2) && absent.said.contains("withdrawn on"), "{}", absent.said);
    let (signed, signer) = (data("reel-a/declaration.der"), data("reel-a/declaration-signer.pem"));
    site.done("again", &["declaration", "adopt", text(&signed), "--signer", text(&signer)]);

    // Nobody here can issue, so nobody is sent to; and a name that a shell would take apart is quoted.
    let words = |typed: &[&str]| {
        let done = Command::new(env!("CARGO_BIN_EXE_touchmark"))
            .args(typed)
            .env("TOUCHMARK_SITE", site.dir.path().join("site"))
            .output()
            .expect("the program starts");
        String::from_utf8_lossy(&done.stdout).into_owned()
    };
    let manifest = data("reel-a/manifest.csv");
    let received = words(&["reel", "receive", text(&manifest), "--reel", "Reel 7", "--product", "Tern Vent"]);
    assert!(received.contains("touchmark order write --reel \"Reel 7\" --out FILE"), "{received}");
    assert!(!received.contains("delivery issue"), "{received}");
    site.done("withdraw", &["reel", "withdraw", "Reel 7"]);
    let secret = site.dir.path().join("passphrase");
    fs::write(&secret, "a passphrase for tests\n").expect("a file");
    for typed in [["Root", "--role", "paa"].as_slice(), &["Desk $1", "--role", "pai", "--issuer", "Root"]] {
        let create = ["authority", "create", "--vendor", "FFF2", "--passphrase-file", text(&secret)];
        site.done("create", &[&create[..], typed].concat());
    }
    let received = words(&["reel", "receive", text(&manifest), "--reel", "Reel 7", "--product", "Tern Vent"]);
    assert!(received.contains("touchmark delivery issue --reel \"Reel 7\" --issuer 'Desk $1'"), "{received}");
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}

/// A prototype on the vendor's own ID: a development root, a declaration of type 0, and TEST on its labels; a
/// product for sale with the same identity takes none of it.
fn prototypes_carry_a_real_vendor_id(engine: &Engine) {
    let site = Site::bare(&engine.place());
    let dir = site.dir.path();
    let secret = dir.join("passphrase");
    fs::write(&secret, "a passphrase for tests\n").expect("a file");
    let ask = |words: &[&str]| site.done(words[0], &[words, &["--passphrase-file", text(&secret)]].concat());
    let rest = ["--product", "8A21", "--device-type", "0x0202", "--reach", "ble"];
    let product = |name: &str, vendor: &str, said: &[&str]| {
        site.done(name, &[&["product", "add", name, "--vendor", vendor], &rest[..], said].concat())
    };
    assert_eq!(product("Prototype", "5A10", &["--purpose", "test"])["purpose"], "test");
    assert_eq!(product("Sold", "5A10", &[])["purpose"], "production");
    // A test vendor ID is test whatever is said, and that is said.
    let wished = product("Wished", "FFF2", &["--purpose", "production"]);
    assert_eq!(wished["purpose"], "test");
    let warnings = wished["warnings"].as_array().expect("warnings");
    assert!(warnings.iter().any(|w| w.as_str().is_some_and(|w| w.contains("FFF2 is a test vendor ID"))), "{wished}");

    ask(&["authority", "create", "P", "--role", "paa", "--vendor", "5A10"]);
    let below = ask(&["authority", "raise", "I", "--role", "pai", "--vendor", "5A10", "--issuer", "P"]);
    assert_eq!((&below["purpose"], &below["vendor_id"]), (&json!("test"), &json!("5A10")));
    let made = ask(&["declaration", "make", "--vendor", "5A10", "--product", "8A21", "--device-type", "0x0202"]);
    assert_eq!((&made["purpose"], &made["certification_type"]), (&json!("test"), &json!(0)));
    assert_eq!(site.done("show", &["product", "show", "Prototype"])["declaration"], made["name"]);
    assert_eq!(site.done("show", &["product", "show", "Sold"])["declaration"], Value::Null);

    let (chips, manifest) = (dir.join("chips"), dir.join("manifest.csv"));
    let simulate = ["chip", "simulate", "--out", text(&chips), "--count", "2", "--seed", "5"];
    site.done("simulate", &[&simulate[..], &["--manifest", text(&manifest)]].concat());
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "A", "--product", "Sold"]);
    let issue = ["delivery", "issue", "--reel", "A", "--issuer", "I", "--passphrase-file", text(&secret)];
    let refused = site.call("issue", &issue);
    assert_eq!(refused.exit, Some(1), "the wall stays: {}", refused.said);
    site.done("withdraw", &["reel", "withdraw", "A"]);
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "A", "--product", "Prototype"]);
    assert_eq!(site.done("issue", &issue)["issued"], 2);
    let source = format!("simulated:{}", text(&chips));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source, "--serial-start", "PT-1"];
    assert_eq!(site.done("provision", &run)["passed"], 2);
    let label = dir.join("label.svg");
    assert_eq!(site.done("label", &["label", "print", "--unit", "PT-1", "--out", text(&label)])["test"], 1);
}

fn a_product_is_corrected_until_its_first_unit(engine: &Engine) {
    let site = Site::on(engine, "a");
    let shown = |key: &str| site.done("show", &["product", "show", "Tern Vent"])[key].clone();
    assert_eq!(
        (shown("vendor_name"), shown("product_name")),
        (Value::Null, json!("Tern Vent")),
        "never the site's name"
    );
    let update = ["product", "update", "Tern Vent"];
    let changed = site.done("update", &[&update[..], &["--vendor-name", "Tern & Hollow"]].concat());
    assert_eq!(changed["changed"], json!([{ "setting": "vendor_name", "from": null, "to": "Tern & Hollow" }]));
    let again = site.done("again", &[&update[..], &["--vendor-name", "Tern & Hollow"]].concat());
    assert_eq!(again["changed"], json!([]));
    let file = site.dir.path().join("product.toml");
    let described = "vendor = 'FFF2'\nproduct = '8A21'\ndevice_type = 514\nreach = 'ble,ip'\nfactory_record = true\n\
                     vendor_name = 'Tern & Hollow'\nhardware_version = 3\ncarton = 4\n";
    fs::write(&file, described).expect("a file");
    site.done("from", &[&update[..], &["--from", text(&file), "--product-name", "Vent"]].concat());
    let all = site.done("show", &["product", "show", "Tern Vent"]);
    for (key, value) in [
        ("purpose", json!("test")),
        ("reach", json!(["ble", "ip"])),
        ("flow", json!("standard")),
        ("vendor_name", json!("Tern & Hollow")),
        ("product_name", json!("Vent")),
        ("hardware_version", json!(3)),
        ("carton", json!(4)),
        ("factory_record", json!(true)),
        ("lock", json!(true)),
        ("objects", json!([])),
        ("trust_sets", json!([])),
    ] {
        assert_eq!(all[key], value, "{key} of {all}");
    }

    site.receive_reel("a");
    let other = fs::read_to_string(&file).expect("a file").replace("8A21", "8A22");
    fs::write(&file, other).expect("a file");
    let refused = site.call("a reel", &[&update[..], &["--from", text(&file)]].concat());
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    assert!(refused.said.contains("1 reel (A)"), "{}", refused.said);
    site.receive_delivery("a");

    // A serial number that its field has no room for: refused before a chip is touched.
    let source = format!("simulated:{}", text(&site.simulate_part("a", 0, 1, &[])));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source];
    let long = "TV-000000000000000000000000000001";
    assert_eq!(long.len(), 33);
    let refused = site.call("long", &[&run[..], &["--serial-start", long]].concat());
    assert_eq!(refused.exit, Some(2), "{}", refused.said);
    let list = site.dir.path().join("serials");
    fs::write(&list, format!("{long}\n")).expect("a file");
    assert_eq!(site.call("long", &[&run[..], &["--serials", text(&list)]].concat()).exit, Some(2));
    assert_eq!(site.reconcile("nothing touched")["chips"]["blank"], 400);

    site.done("provision", &[&run[..], &["--serial-start", &long[1..]]].concat());
    let refused = site.call("a unit", &[&update[..], &["--vendor-name", "Other"]].concat());
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    assert!(refused.said.contains(&format!("1 unit ({})", &long[1..])), "{}", refused.said);
    let free = fs::read_to_string(&file).expect("a file").replace("8A22", "8A21").replace("carton = 4", "carton = 9");
    fs::write(&file, free).expect("a file");
    let free = site.done("free", &[&update[..], &["--from", text(&file), "--product-name", "Vent"]].concat());
    assert_eq!(free["changed"], json!([{ "setting": "carton", "from": 4, "to": 9 }]));
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}

/// At a terminal the purpose of a root with a real vendor ID is asked for, until the answer is one.
#[test]
fn a_terminal_asks_what_a_root_is_for() {
    const TYPE: &str = "import os, pty, sys\n\
        pid, fd = pty.fork()\n\
        if pid == 0:\n    os.execv(sys.argv[1], sys.argv[1:])\n\
        os.write(fd, b'perhaps\\nproduction\\n')\n\
        out = b''\n\
        try:\n\
        \x20   while True:\n        out += os.read(fd, 4096)\n\
        except OSError:\n    pass\n\
        sys.stdout.write(out.decode())\n\
        sys.exit(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))\n";
    let Some(python) = python::interpreter() else { return };
    let site = Site::bare("sqlite:book.sqlite");
    let root = &Outside::new(Some(0x5A10), 0x5A10).files(&site)[0];
    let mut typed = Command::new(python);
    typed.args(["-c", TYPE, env!("CARGO_BIN_EXE_touchmark"), "authority", "adopt", text(root)]);
    let done = typed.env("TOUCHMARK_SITE", site.dir.path().join("site")).output().expect("Python");
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success(), "{said} {}", String::from_utf8_lossy(&done.stderr));
    assert_eq!(said.matches("test or production?").count(), 2, "{said}");
    assert_eq!(site.done("list", &["authority", "list"])["authorities"][0]["purpose"], "production");
}

/// Product data that a field has no room for is refused when the product is added. Bounds in bytes of UTF-8: Core
/// Spec 11.1.5, attributes `VendorName` and `ProductName`.
#[test]
fn product_data_is_judged_when_it_is_added() {
    let site = Site::new("a");
    let add = ["product", "add", "--vendor", "FFF2", "--product", "8A23", "--device-type", "0x0202", "--reach", "ble"];
    let call = |name: &str, more: &[&str]| site.call(name, &[&add[..], &[name], more].concat());
    let (long, wide) = ("x".repeat(33), "ö".repeat(17));
    for (case, name, more) in [
        ("a vendor name of 33 bytes", "P", &["--vendor-name", long.as_str()][..]),
        ("17 letters of 34 bytes", "P", &["--vendor-name", wide.as_str()]),
        ("a product name of 33 bytes", "P", &["--product-name", long.as_str()]),
        ("no name at all", "P", &["--vendor-name", ""]),
        ("a control character", "P", &["--product-name", "a\tb"]),
        ("its own name, where none is given", long.as_str(), &[]),
        ("a factory record without the vendor's name", "P", &["--factory-record"]),
        ("no purpose", "P", &["--purpose", "sale"]),
    ] {
        let refused = call(name, more);
        assert_eq!(refused.exit, Some(2), "{case}: {}", refused.said);
    }
    assert_eq!(site.done("list", &["product", "list"])["products"].as_array().map(Vec::len), Some(1));
    let fits = call(&long, &["--product-name", &"ö".repeat(16), "--vendor-name", "Tern & Hollow", "--factory-record"]);
    assert_eq!(fits.exit, Some(0), "{}", fits.said);
    assert_eq!(fits.json["warnings"], json!([]));
}
