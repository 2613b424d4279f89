//! Authorities: who issues whom, what is here already, and what is no authority at all.

use std::fs;

use at_site::{Site, data, text};
use serde_json::{Value, json};
use standard::certificate::{Builder, Profile};
use standard::declaration::Fields;
use standard::declaration::signed::SignedDataBuilder;
use standard::ids::{ProductId, VendorId};
use standard::key::{Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;

use crate::at_site;

/// A PAI is issued by a PAA; what a PAI below a PAI issued no station would accept.
#[test]
fn an_intermediate_issues_no_intermediate() {
    let site = Site::new("a");
    site.receive_reel("a");
    site.issue("A");
    let secret = site.dir.path().join("passphrase");
    let create = ["authority", "create", "J", "--role", "pai", "--vendor", "FFF2", "--issuer", "I"];
    let refused = site.call("below a PAI", &[&create[..], &["--passphrase-file", text(&secret)]].concat());
    assert!(refused.exit == Some(2) && refused.said.contains("issued by a PAA"), "{}", refused.said);
}

#[test]
fn what_is_here_already_or_is_none_is_said_as_that() {
    let site = Site::new("a");
    let paa = data("authority/paa-a.pem");
    let again = site.done("again", &["authority", "adopt", text(&paa), "--name", "Second"]);
    assert_eq!((&again["already"], &again["authorities"][0]["name"]), (&json!(["PAA a"]), &json!("PAA a")));
    let list = site.done("list", &["authority", "list"]);
    assert_eq!(list["authorities"].as_array().map(Vec::len), Some(1), "{list}");
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, 1, &[])));
    crate::keeping::provision(&site, &chips, "1");
    let out = site.dir.path().join("units");
    site.done("write", &["unit", "write", "--all", "--out", text(&out)]);
    let refused = site.call("a DAC", &["authority", "adopt", text(&out.join("TV-000001/dac.der"))]);
    assert!(refused.exit == Some(1) && refused.said.contains("is not an authority's certificate"), "{}", refused.said);
    assert_eq!(refused.json["authorities"], Value::Null);
}

/// An official declaration stays a product's own whatever comes after it, the higher version of equals counts, and
/// adopting says what each product has.
#[test]
fn a_provisional_declaration_takes_no_official_ones_place() {
    let Some(engine) = at_site::engine::Engine::sqlite() else { return };
    let site = Site::bare(&engine.place());
    let key = SoftwareKey::generate().expect("a key");
    let name = NameBuilder::new().common_name("Declarations of a test").build();
    let id = key.public_key().key_id();
    let times = (Moment::from_unix(1_700_000_000), NO_END);
    let builder = Builder::new(Profile::Dac, &[7; 8], (&name, &id), &name, &key.public_key(), times);
    let signer = site.dir.path().join("signer.der");
    fs::write(&signer, builder.sign(&key).expect("signed")).expect("written");
    let adopt = |named: &str, certification_type: u8, version_number: u16| {
        let fields = Fields {
            vendor: VendorId::new(0x5A10).expect("a vendor"),
            products: vec![ProductId::new(0x8001).expect("a product")],
            device_type: 0x0202,
            certificate_id: format!("TST2026{version_number:02}TEST123-2{certification_type}"),
            version_number,
            certification_type,
            origin: None,
            authorities: Vec::new(),
        };
        let file = site.dir.path().join(format!("{named}.der"));
        let content = fields.encode().expect("content");
        // One that is there is the same, octet for octet.
        let signed = || SignedDataBuilder::new(&content, &id).sign(&key).expect("signed");
        let octets = fs::read(&file).unwrap_or_else(|_| signed());
        fs::write(&file, octets).expect("written");
        let typed = ["declaration", "adopt", text(&file), "--signer", text(&signer), "--name", named];
        site.done(named, &typed)
    };
    let add = ["product", "add", "Sold", "--vendor", "5A10", "--product", "8001", "--device-type", "0x0202"];
    site.done("product", &[&add[..], &["--reach", "ble", "--vendor-name", "T"]].concat());
    for (named, kind, version, has, before) in [
        ("provisional", 1, 9, "provisional", Value::Null),
        ("official", 2, 2, "official", json!("provisional")),
        ("late", 1, 10, "official", Value::Null),
        ("older", 2, 1, "official", Value::Null),
        ("newer", 2, 3, "newer", json!("official")),
    ] {
        let adopted = adopt(named, kind, version);
        assert_eq!(adopted["already"], false);
        let wanted = json!([{ "product": "Sold", "declaration": has, "before": before }]);
        assert_eq!(adopted["products"], wanted, "{named}: {adopted}");
        assert_eq!(site.done("show", &["product", "show", "Sold"])["declaration"], has, "{named}");
    }
    let again = adopt("older", 2, 1);
    assert_eq!((&again["already"], &again["products"][0]["declaration"]), (&json!(true), &json!("newer")), "{again}");
}
