//! Trust sets through the program: accepted here, refused there, and why.

use at_site::engine::Engine;
use at_site::rehearsed::Rehearsed;
use at_site::{data, text};
use serde_json::{Value, json};

use crate::at_site;

on_both_engines! {
    accepted_here_refused_there_because,
}

const DECLARATION: &str = "QLR26R01TV8A2101-26";

/// Verdict and broken rules of each set, by name.
fn said(sets: &Value) -> Vec<(String, String, Vec<String>)> {
    let text = |v: &Value| v.as_str().expect("a text").to_owned();
    let rules = |set: &Value| {
        let mut rules: Vec<_> = set["because"].as_array().expect("why").iter().map(|f| text(&f["rule"])).collect();
        rules.sort();
        rules.dedup();
        rules
    };
    let sets = sets.as_array().unwrap_or_else(|| panic!("{sets}"));
    sets.iter().map(|s| (text(&s["trust_set"]), text(&s["verdict"]), rules(s))).collect()
}

fn accepted_here_refused_there_because(engine: &Engine) {
    let site = Rehearsed::on(engine, 2);
    let add = |name: &str, more: &[&str]| {
        site.done(&[&["trust-set", "add", name, "--declaration", DECLARATION], more].concat())
    };
    let own = ["--authority", "Quarry Lane Test PAA"];
    add("Desk", &[&own[..], &["--declarations", "test", "--test-identities"]].concat());
    let strict = add("Shops", &own);
    assert_eq!(
        (&strict["declarations"], &strict["test_identities"]),
        (&json!(["provisional", "official"]), &json!(false))
    );
    let other = data("authority/paa-a.pem");
    add("Elsewhere", &["--trust", text(&other), "--declarations", "test,official", "--test-identities"]);
    let signer = data("reel-a/declaration-signer.pem");
    let typed =
        ["trust-set", "add", "Signers", "--signer", text(&signer), "--declarations", "test", "--test-identities"];
    site.done(&[&typed[..], &own].concat());

    let expected = [
        ("Desk", "accepted", vec![]),
        ("Elsewhere", "rejected", vec!["chain.anchor", "chain.complete"]),
        ("Shops", "rejected", vec!["chain.test-identity", "declaration.certification-type"]),
        ("Signers", "rejected", vec!["declaration.signer"]),
    ];
    let judged = |sets: &Value| {
        let told = said(sets);
        assert_eq!(told.len(), expected.len(), "{sets}");
        for ((name, verdict, rules), wanted) in told.iter().zip(&expected) {
            assert_eq!((name.as_str(), verdict.as_str()), (wanted.0, wanted.1), "{sets}");
            assert!(wanted.2.iter().all(|rule| rules.iter().any(|r| r == rule)), "{name}: {rules:?}");
            assert_eq!(rules.is_empty(), wanted.1 == "accepted", "{sets}");
        }
    };

    // A chip: the matrix of all sets; none must take it, so none changes the verdict.
    let chips = format!("simulated:{}", text(&site.site().join("chips")));
    let chip = site.done(&["unit", "show", "TV-000001"])["chip"]["chip_id"].as_str().expect("a chip").to_owned();
    let challenge = ["challenge", "--chips", &chips, "--chip", &chip];
    let answer = site.done(&challenge);
    judged(&answer["chips"][0]["trust_sets"]);
    let named = |names: &[&str]| site.call(&[&challenge[..], &["--trust-set"], names].concat());
    assert_eq!(named(&["Desk"]).0, Some(0));
    let (exit, answer) = named(&["Desk", "Shops"]);
    assert_eq!((exit, &answer["chips"][0]["verdict"]), (Some(1), &json!("rejected")), "{answer}");
    assert_eq!(named(&["Nowhere"]).0, Some(2));

    // Files: the same sets say the same.
    let home = site.site().join("evidence/TV-000001");
    let files: Vec<_> = ["dac.der", "pai.der", "declaration.der", "proof.json"].iter().map(|f| home.join(f)).collect();
    let files: Vec<&str> = files.iter().map(|f| text(f)).collect();
    let examine = |names: &[&str]| site.call(&[&["examine"], &files[..], &["--trust-set"], names].concat());
    let (exit, answer) = examine(&["Desk"]);
    assert_eq!((exit, said(&answer["trust_sets"])[0].1.as_str()), (Some(0), "accepted"), "{answer}");
    let (exit, answer) = examine(&["Desk", "Elsewhere", "Shops", "Signers"]);
    assert_eq!(exit, Some(1), "{answer}");
    judged(&answer["trust_sets"]);

    // A product names those it must please; stations then refuse before a chip is touched.
    let run = ["provision", "--reel", "R1", "--station", "Station 1", "--chips", &chips, "--units", "1"];
    for (set, why) in
        [("Shops", "chain.test-identity"), ("Elsewhere", "chain.anchor"), ("Signers", "declaration.signer")]
    {
        let product = site.done(&["product", "update", "Tern Vent", "--trust-set", set]);
        assert_eq!(product["trust_sets"], json!([set]));
        let before = site.done(&["reconcile"]);
        let (exit, refused) = site.call(&run);
        let message = refused["error"]["message"].as_str().unwrap_or_default();
        assert!(exit == Some(1) && message.contains(set) && message.contains(why), "{refused}");
        assert_eq!(site.done(&["reconcile"]), before, "{set}: nothing was touched or recorded");
        let (exit, answer) = site.call(&challenge);
        assert_eq!((exit, &answer["verdict"]), (Some(1), &json!("rejected")), "{set}: {answer}");
        let (exit, _) = site.call(&["trust-set", "remove", set]);
        assert_eq!(exit, Some(1), "{set} is in use");
        assert_eq!(site.done(&["trust-set", "show", set])["products"], json!(["Tern Vent"]));
    }
    site.done(&["product", "update", "Tern Vent", "--trust-set", "Desk"]);
    assert_eq!(site.done(&run)["passed"], 1);
    assert_eq!(site.done(&challenge)["verdict"], "accepted");
    site.done(&["product", "update", "Tern Vent", "--no-trust-sets"]);
    site.done(&["trust-set", "remove", "Shops"]);
    let names = site.done(&["trust-set", "list"]);
    let names: Vec<_> = names["trust_sets"].as_array().expect("sets").iter().map(|s| &s["name"]).collect();
    assert_eq!(names, ["Desk", "Elsewhere", "Signers"]);
    for typed in [
        &["trust-set", "show", "Shops"][..],
        &["trust-set", "remove", "Shops"],
        &["trust-set", "add", "Empty", "--authority", "Quarry Lane Test PAA"],
        &["trust-set", "add", "Odd", "--authority", "Quarry Lane Test PAI", "--declaration", DECLARATION],
        &["product", "update", "Tern Vent", "--trust-set", "Shops"],
    ] {
        let (exit, answer) = site.call(typed);
        assert!(matches!(exit, Some(1 | 2)), "{typed:?}: {answer}");
    }
    assert_eq!(site.done(&["reconcile"])["log"]["intact"], true);
}
