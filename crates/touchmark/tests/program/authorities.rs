//! Authorities: who issues whom, what is here already, and what is no authority at all.

use crate::at_site;

use at_site::{Site, data, text};
use serde_json::{Value, json};

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
