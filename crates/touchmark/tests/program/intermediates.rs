//! Deliveries whose intermediates are odd: two of one name, one that has ended, one that was issued again.

use std::fs;
use std::path::PathBuf;
use std::process::Command;

use serde_json::{Value, json};
use standard::certificate::{Builder, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer as _, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;

use crate::at_site::{Answer, Site, text};

const CHIPS: u8 = 4;

/// A root of an authority's own, an intermediate's name, and chips on reel T.
struct Authority {
    site: Site,
    root: SoftwareKey,
    names: [Vec<u8>; 3],
    chips: Vec<SoftwareKey>,
}

fn moment(text: &str) -> Moment {
    text.parse().expect("a moment")
}

impl Authority {
    fn new() -> Self {
        Self::of("a", "Tern Vent", 0x8A21)
    }

    /// For the product of reel `a` or `b`, whose declaration is here.
    fn of(which: &str, title: &str, product: u16) -> Self {
        Self::at(Site::new(which), (title, 0xFFF2, product), "test")
    }

    /// For a product that is sold.
    fn for_sale() -> Self {
        let site = Site::new("a");
        let mut add =
            vec!["product", "add", "Sold", "--vendor", "5A10", "--product", "8001", "--purpose", "production"];
        add.extend(["--device-type", "0x0202", "--reach", "ble"]);
        site.done("product", &add);
        Self::at(site, ("Sold", 0x5A10, 0x8001), "production")
    }

    fn at(site: Site, (title, vendor, product): (&str, u16, u16), purpose: &str) -> Self {
        let (vendor, product) = (VendorId::new(vendor).expect("a vendor"), ProductId::new(product).expect("a product"));
        let names = [
            NameBuilder::new().common_name("Twin PAA").build(),
            NameBuilder::new().common_name("Twin PAI").vendor(vendor).build(),
            NameBuilder::new().common_name("Twin DAC").vendor(vendor).product(product).build(),
        ];
        let key = || SoftwareKey::generate().expect("a key");
        let root = key();
        let chips: Vec<_> = (0..CHIPS).map(|_| key()).collect();
        let authority = Self { site, root, names, chips };
        let paa = authority.file(
            "paa.der",
            &authority.issued(Profile::Paa, 1, (&authority.root, 0), &authority.root.public_key(), NO_END),
        );
        let adopt = ["authority", "adopt", text(&paa), "--name", "Twin PAA", "--purpose", purpose];
        authority.site.done("root", &adopt);
        let row =
            |(n, key): (usize, &SoftwareKey)| format!("AB00{n:02}0000,{}\n", hex::encode(key.public_key().point()));
        let rows: String = authority.chips.iter().enumerate().map(row).collect();
        let manifest = authority.file("manifest.csv", format!("chip_id,public_key\n{rows}").as_bytes());
        authority.site.done("reel", &["reel", "receive", text(&manifest), "--reel", "T", "--product", title]);
        authority
    }

    fn file(&self, name: &str, octets: &[u8]) -> PathBuf {
        let file = self.site.dir.path().join(name);
        fs::create_dir_all(file.parent().expect("a folder")).expect("a folder");
        fs::write(&file, octets).expect("a file");
        file
    }

    fn issued(
        &self,
        profile: Profile,
        serial: u8,
        (issuer, named): (&SoftwareKey, usize),
        key: &PublicKey,
        end: Moment,
    ) -> Vec<u8> {
        let subject = match profile {
            Profile::Paa => 0,
            Profile::Pai => 1,
            Profile::Dac => 2,
        };
        let id = issuer.public_key().key_id();
        let times = (moment("2026-01-01T00:00:00Z"), end);
        let builder = Builder::new(profile, &[serial; 8], (&self.names[named], &id), &self.names[subject], key, times);
        builder.sign(issuer).expect("signed")
    }

    fn pai(&self, serial: u8, key: &SoftwareKey, end: Moment) -> Vec<u8> {
        self.issued(Profile::Pai, serial, (&self.root, 0), &key.public_key(), end)
    }

    fn dac(&self, chip: u8, issuer: &SoftwareKey) -> Vec<u8> {
        let key = self.chips[usize::from(chip)].public_key();
        self.issued(Profile::Dac, 0x40 + chip, (issuer, 1), &key, NO_END)
    }

    fn receive(&self, folder: &str) -> Answer {
        let folder = self.site.dir.path().join(folder);
        self.site.call("delivery", &["delivery", "receive", text(&folder), "--reel", "T"])
    }

    /// The intermediates of the site: name and end.
    fn listed(&self) -> Vec<(String, Value)> {
        let listed = self.site.done("list", &["authority", "list"]);
        let all = listed["authorities"].as_array().expect("authorities");
        let pais = all.iter().filter(|a| a["role"] == "pai");
        pais.map(|a| (a["name"].as_str().expect("a name").to_owned(), a["not_after"].clone())).collect()
    }
}

fn rules(answer: &Answer) -> Vec<&str> {
    answer.json["findings"].as_array().into_iter().flatten().filter_map(|f| f["rule"].as_str()).collect()
}

/// An intermediate's own key in a delivery is named as that, wherever it lies, before anything else is said; when the
/// delivery comes again without it, it is still exposed. Test identities anybody may make.
#[test]
fn a_key_of_the_intermediate_itself_is_named() {
    let scalar = [0x17; 32];
    let key = SoftwareKey::from_private(&scalar).expect("a key");
    for (authority, clean) in [(Authority::new(), "accepted"), (Authority::for_sale(), "refused")] {
        let pai = authority.pai(0x10, &key, NO_END);
        (0..CHIPS).for_each(|chip| drop(authority.file(&format!("d/dac-{chip}.der"), &authority.dac(chip, &key))));
        let folder = authority.site.dir.path().join("d");
        let id = hex::encode(key.public_key().key_id());
        let run = |line: &str| {
            let done = Command::new("sh").args(["-ec", line]).current_dir(&folder).status().expect("a shell");
            assert!(done.success(), "{line}");
        };
        // As a field of JSON, and by OpenSSL in one file with its chain.
        let json = json!({ "issuer": "Twin PAI", "private_key": hex::encode(scalar) }).to_string();
        authority.file("d/key.json", json.as_bytes());
        authority.file("d/pai.der", &pai);
        let in_json = authority.receive("d");
        // SEC 1 (RFC 5915 §3) without the public half, which OpenSSL adds.
        let bare = [
            &hex::decode("30310201010420").expect("hex")[..],
            &scalar,
            &hex::decode("a00a06082a8648ce3d030107").expect("hex"),
        ];
        authority.file("key.der", &bare.concat());
        run("{ openssl ec -inform DER -in ../key.der; openssl x509 -inform DER -in pai.der; } > chain.pem 2>/dev/null
             rm key.json pai.der");
        let in_pem = authority.receive("d");
        for refused in [&in_json, &in_pem] {
            assert_eq!((refused.exit, rules(refused)[0]), (Some(1), "delivery.private-key"), "{}", refused.said);
            assert!(
                !rules(refused).iter().any(|rule| ["chain.complete", "chain.anchor"].contains(rule)),
                "{}",
                refused.said
            );
            let first = &refused.json["findings"][0];
            assert!(
                first["found"].as_str().is_some_and(|t| t.contains("authority's own private key, of CN = Twin PAI")),
                "{first}"
            );
            assert!(first["advice"].as_str().is_some_and(|t| t.contains(&format!("--key {id}"))), "{first}");
            assert_eq!(refused.json["certificates"]["accepted"], 0, "{}", refused.said);
        }
        run("rm chain.pem");
        authority.file("d/pai.der", &pai);
        let later = authority.receive("d");
        assert_eq!(later.json["verdict"], clean, "{}", later.said);
        let first = &later.json["findings"][0];
        let severity = if clean == "refused" { "error" } else { "warning" };
        assert_eq!((&first["rule"], &first["severity"]), (&json!("delivery.private-key"), &json!(severity)), "{first}");
        let before = in_json.json["delivery"].as_str().expect("an id");
        assert!(
            first["found"].as_str().is_some_and(|t| t.ends_with(&format!("came with delivery {before}"))),
            "{first}"
        );
    }
}

/// An authority that changed its intermediate's key, and kept its name.
#[test]
fn two_of_one_name_are_both_recorded() {
    let authority = Authority::new();
    let keys = [SoftwareKey::generate().expect("a key"), SoftwareKey::generate().expect("a key")];
    for (number, key) in (0..).zip(&keys) {
        authority.file(&format!("d/pai-{number}.der"), &authority.pai(0x10 + number, key, NO_END));
        for chip in [number, number + 2] {
            authority.file(&format!("d/dac-{chip}.der"), &authority.dac(chip, key));
        }
    }
    let received = authority.receive("d");
    assert_eq!((received.exit, &received.json["certificates"]["accepted"]), (Some(0), &json!(4)), "{}", received.said);
    let names: Vec<_> = authority.listed().into_iter().map(|(name, _)| name).collect();
    assert_eq!(names, ["Twin PAI", "Twin PAI (2)"]);
}

/// What ended is said on arrival (RFC 5280 §4.1.2.5); of two certificates of one intermediate the one that lasts longer
/// goes to the units, in whatever order they come.
#[test]
fn one_that_has_ended_is_told_and_its_renewal_is_used() {
    let key = SoftwareKey::generate().expect("a key");
    let ended = moment("2026-11-01T00:00:00Z");
    let alone = Authority::new();
    alone.file("d/pai.der", &alone.pai(0x10, &key, ended));
    (0..CHIPS).for_each(|chip| drop(alone.file(&format!("d/dac-{chip}.der"), &alone.dac(chip, &key))));
    let received = alone.receive("d");
    assert_eq!((received.exit, &received.json["verdict"]), (Some(0), &json!("accepted")), "{}", received.said);
    assert!(rules(&received).contains(&"delivery.intermediate-not-current"), "{}", received.said);
    assert!(received.said.contains("ended on 2026-11-01"), "{}", received.said);
    // Asked for, and sent with the same DACs: nothing of it is stored, and the way to it is said and works.
    alone.file("d/pai.der", &alone.pai(0x12, &key, NO_END));
    let again = alone.receive("d");
    assert_eq!((again.exit, &again.json["verdict"]), (Some(0), &json!("already-received")), "{}", again.said);
    assert!(rules(&again).contains(&"delivery.intermediate-again"), "{}", again.said);
    alone.site.done("withdraw", &["delivery", "withdraw", "T-1"]);
    assert_eq!(alone.receive("d").json["verdict"], "accepted");
    assert_eq!(alone.listed(), [("Twin PAI".to_owned(), Value::Null)]);

    // Where the site has a valid one already, an older one that comes is told of and not used.
    let later = Authority::new();
    for (folder, serial, end, chips) in [("first", 0x11, NO_END, [0, 1]), ("second", 0x10, ended, [2, 3])] {
        later.file(&format!("{folder}/pai.der"), &later.pai(serial, &key, end));
        chips.iter().for_each(|chip| drop(later.file(&format!("{folder}/dac-{chip}.der"), &later.dac(*chip, &key))));
        let folder = later.site.dir.path().join(folder);
        let typed = ["delivery", "receive", text(&folder), "--reel", "T", "--accept-part"];
        let received = later.site.call("later", &typed);
        assert_eq!(received.json["certificates"]["accepted"], 2, "{}", received.said);
        let told = rules(&received).contains(&"delivery.intermediate-not-current");
        assert_eq!(told, end != NO_END, "{}", received.said);
    }
    assert_eq!(later.listed(), [("Twin PAI".to_owned(), Value::Null)]);

    for (first, second) in [("a", "b"), ("b", "a")] {
        let both = Authority::new();
        both.file(&format!("d/{first}.der"), &both.pai(0x10, &key, ended));
        both.file(&format!("d/{second}.der"), &both.pai(0x11, &key, NO_END));
        (0..CHIPS).for_each(|chip| drop(both.file(&format!("d/dac-{chip}.der"), &both.dac(chip, &key))));
        let received = both.receive("d");
        assert_eq!((received.exit, &received.json["verdict"]), (Some(0), &json!("accepted")), "{}", received.said);
        assert!(!rules(&received).contains(&"delivery.intermediate-not-current"), "{}", received.said);
        assert_eq!(both.listed(), [("Twin PAI".to_owned(), Value::Null)], "{first} ended");
    }
}

/// An intermediate that was issued again with the same dates (another serial number): its own units get it.
#[test]
fn one_that_was_issued_again_with_the_same_dates_is_kept() {
    let (key, authority) = (SoftwareKey::generate().expect("a key"), Authority::new());
    for (folder, serial, chips) in [("first", 0x10, [0, 1]), ("second", 0x11, [2, 3])] {
        authority.file(&format!("{folder}/pai.der"), &authority.pai(serial, &key, NO_END));
        chips.iter().for_each(|chip| {
            authority.file(&format!("{folder}/dac-{chip}.der"), &authority.dac(*chip, &key));
        });
        let delivery = authority.site.dir.path().join(folder);
        let typed = ["delivery", "receive", text(&delivery), "--reel", "T", "--accept-part"];
        let received = authority.site.call(folder, &typed);
        assert_eq!(received.json["certificates"]["accepted"], 2, "{folder}: {}", received.said);
    }
    let names: Vec<_> = authority.listed().into_iter().map(|(name, _)| name).collect();
    assert_eq!(names, ["Twin PAI", "Twin PAI (2)"]);
    // Who asks what a key touches means all certificates of it.
    let id = hex::encode(key.public_key().key_id());
    let touched = authority.site.done("impact", &["impact", "--key", &id]);
    let would = &touched["would_stop"];
    assert_eq!(would["authorities"], json!(names), "{touched}");
    assert_eq!(would["credentials"], json!({ "available": 4 }), "{touched}");
    assert!(would["sentences"].to_string().contains("4 credentials in stock, on 1 reel,"), "{touched}");
}

/// The declaration of reel b's product permits the root of reel b alone (Core Spec 6.2.3.1): said where certificates
/// under another one arrive, and no chip is touched for them.
#[test]
fn a_root_that_the_declaration_does_not_permit_is_told_before_the_first_chip() {
    let (key, authority) = (SoftwareKey::generate().expect("a key"), Authority::of("b", "Tern Damper", 0x8A22));
    authority.file("d/pai.der", &authority.pai(0x10, &key, NO_END));
    (0..CHIPS).for_each(|chip| drop(authority.file(&format!("d/dac-{chip}.der"), &authority.dac(chip, &key))));
    let received = authority.receive("d");
    assert_eq!((received.exit, &received.json["verdict"]), (Some(0), &json!("accepted")), "{}", received.said);
    assert!(rules(&received).contains(&"declaration.authority"), "{}", received.said);
    let site = &authority.site;
    let declarations = site.done("declarations", &["declaration", "list"]);
    let permitted = &declarations["declarations"][0]["authorities"];
    assert!(permitted.as_array().is_some_and(|roots| !roots.is_empty()), "{declarations}");
    let chips = site.dir.path().join("chips");
    site.done("chips", &["chip", "simulate", "--out", text(&chips), "--count", "1"]);
    let source = format!("simulated:{}", text(&chips));
    let run = ["provision", "--reel", "T", "--station", "S1", "--chips", &source, "--serial-start", "TD-000001"];
    let refused = site.call("provision", &run);
    assert!(refused.exit == Some(1) && refused.said.contains("does not permit the root"), "{}", refused.said);
    assert_eq!(site.reconcile("untouched")["chips"]["blank"], 4);
}

/// A certificate that has ended (RFC 5280 §4.1.2.5) passes, since a commissioner may judge it at the time it began; the
/// engineer hears of it wherever the unit is looked at.
#[test]
fn a_unit_whose_certificate_has_ended_says_so_wherever_it_is_looked_at() {
    let (issuer, authority) = (SoftwareKey::generate().expect("a key"), Authority::new());
    let site = &authority.site;
    let (chips, manifest) = (site.dir.path().join("chips"), site.dir.path().join("made.csv"));
    site.done("chips", &["chip", "simulate", "--out", text(&chips), "--count", "1", "--manifest", text(&manifest)]);
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "E", "--product", "Tern Vent"]);
    let rows = fs::read_to_string(&manifest).expect("a manifest");
    let point = |field: &str| PublicKey::from_point(&hex::decode(field.trim()).ok()?).ok();
    let key = rows.split(['\n', ',']).find_map(point).expect("a key");
    let ended = moment("2026-11-01T00:00:00Z");
    authority.file("d/pai.der", &authority.pai(0x10, &issuer, NO_END));
    let delivery = authority.file("d/dac.der", &authority.issued(Profile::Dac, 0x40, (&issuer, 1), &key, ended));
    let delivery = delivery.parent().expect("a folder");
    let received = site.done("delivery", &["delivery", "receive", text(delivery), "--reel", "E"]);
    assert_eq!(received["verdict"], "accepted", "{received}");
    let source = format!("simulated:{}", text(&chips));
    let run = ["provision", "--reel", "E", "--station", "S1", "--chips", &source, "--serial-start", "TV-000001"];
    for already in [false, true] {
        // The second time there is nothing else to do.
        let unit = site.call("provision", &run).json["units"][0].clone();
        assert_eq!((&unit["result"], &unit["already"]), (&json!("passed"), &json!(already)), "{unit}");
        assert!(unit["notice"].as_str().is_some_and(|n| n.contains("it ended on 2026-11-01")), "{unit}");
    }
    let shown = site.done("show", &["unit", "show", "TV-000001", "--reveal"]);
    assert_eq!(shown["credential"]["dac"]["not_valid"], "it ended on 2026-11-01T00:00:00Z", "{shown}");
    assert!(site.words(&["unit", "show", "TV-000001"]).contains("NOT VALID now: it ended on 2026-11-01"));
    let code = shown["onboarding"]["qr"].as_str().expect("a code");
    let checked = site.done("check", &["label", "check", code, "--unit", "TV-000001"]);
    let advice = checked["advice"].as_str().unwrap_or_default();
    assert!(checked["verdict"] == "match" && advice.contains("before this unit is shipped"), "{checked}");
}

/// What is said to come next works: an intermediate is named only where it can issue for the product, and a
/// revocation that has come about is not told as one that might.
#[test]
fn what_comes_next_can_be_done() {
    let site = Site::new("a");
    site.receive_reel("a");
    site.issue("A");
    let reel = |id: &str, product: &str| {
        let (chips, manifest) = (site.dir.path().join(id), site.dir.path().join(format!("{id}.csv")));
        site.done(id, &["chip", "simulate", "--out", text(&chips), "--count", "1", "--manifest", text(&manifest)]);
        site.words(&["reel", "receive", text(&manifest), "--reel", id, "--product", product])
    };
    assert!(reel("N1", "Tern Vent").contains("--reel N1 --issuer I"));
    let kind = ["--device-type", "514", "--reach", "ble"];
    for (name, vendor, product) in [("Sold", "1A2B", "0042"), ("Other", "FFF1", "8001")] {
        let add = ["product", "add", name, "--vendor", vendor, "--product", product];
        site.done(name, &[&add[..], &kind].concat());
        let said = reel(name, name);
        assert!(said.contains("order write") && !said.contains("--issuer"), "{said}");
    }
    let secret = site.dir.path().join("passphrase");
    let make = ["declaration", "make", "--vendor", "1A2B", "--product", "0042", "--device-type", "514"];
    let made = site.done("declaration", &[&make[..], &["--passphrase-file", text(&secret)]].concat());
    assert_eq!(made["not_for"], json!(["Sold"]), "{made}");

    let serial = site.done("issued", &["unit", "find", "514C04170836025A3D"])["found"][0]["credential"].clone();
    let impact = |of: &[&str]| site.words(&[&["impact"], of].concat());
    assert!(impact(&["--authority", "I"]).contains("If this certificate were revoked: PAI I"));
    let list = site.dir.path().join("list.crl");
    let revoke = ["revoke", "--authority", "I", "--reason", "ca-compromise", "--out", text(&list)];
    site.done("revoke", &[&revoke[..], &["--passphrase-file", text(&secret)]].concat());
    for of in [["--authority", "I"], ["--credential", serial.as_str().expect("a serial number")]] {
        let said = impact(&of);
        assert!(
            said.contains("This certificate is revoked: ")
                && said.contains("ACompromise")
                && !said.contains("were revoked"),
            "{said}"
        );
        assert!(said.contains("in stock") && !said.contains("could not be used"), "{said}");
    }
    let said = reel("N2", "Tern Vent");
    assert!(said.contains("order write") && !said.contains("--issuer"), "{said}");
}

/// What a delivery could not be kept for is judged again when it comes again: an intermediate that was missing may be
/// here by then.
#[test]
fn what_was_not_kept_is_judged_again() {
    let (keys, authority) = ([0; 2].map(|_| SoftwareKey::generate().expect("a key")), Authority::new());
    authority.file("d/pai.der", &authority.pai(0x10, &keys[0], NO_END));
    (0..CHIPS).for_each(|chip| {
        drop(authority.file(&format!("d/dac-{chip}.der"), &authority.dac(chip, &keys[usize::from(chip / 2)])));
    });
    let folder = authority.site.dir.path().join("d");
    let receive = |more: &[&str]| {
        let typed = ["delivery", "receive", text(&folder), "--reel", "T"];
        let done = authority.site.done("receive", &[&typed[..], more].concat());
        (done["verdict"].clone(), done["delivery"].clone(), done["certificates"]["accepted"].clone())
    };
    assert_eq!(receive(&["--accept-part"]), (json!("accepted-in-part"), json!("T-1"), json!(2)));
    for more in [&[][..], &["--accept-part"]] {
        let (verdict, delivery, _) = receive(more);
        assert_eq!((verdict, delivery), (json!("already-received"), json!("T-1")), "nothing of it is good since");
    }
    let missing = authority.file("other.der", &authority.pai(0x11, &keys[1], NO_END));
    authority.site.done("adopt", &["authority", "adopt", text(&missing)]);
    assert_eq!(receive(&[]), (json!("accepted"), json!("T-2"), json!(2)));
    assert_eq!(receive(&[]).0, "already-received");
    assert_eq!(authority.site.reconcile("all")["credentials"]["available"], 4);
}

/// An intermediate that has ended is told of wherever its certificates arrive, and one that is here is no other one.
#[test]
fn what_is_said_of_an_intermediate_is_so() {
    let (key, authority) = (SoftwareKey::generate().expect("a key"), Authority::new());
    let ended = moment("2026-11-01T00:00:00Z");
    authority.file("first/pai.der", &authority.pai(0x10, &key, ended));
    let receive = |folder: &str, chips: &[u8]| {
        chips.iter().for_each(|chip| {
            drop(authority.file(&format!("{folder}/dac-{chip}.der"), &authority.dac(*chip, &key)));
        });
        let folder = authority.site.dir.path().join(folder);
        let typed = ["delivery", "receive", text(&folder), "--reel", "T", "--accept-part"];
        let answer = authority.site.call("receive", &typed);
        assert_eq!(answer.exit, Some(0), "{}", answer.said);
        rules(&answer).into_iter().filter(|rule| rule.starts_with("delivery.intermediate")).map(str::to_owned).collect()
    };
    let told: Vec<String> = receive("first", &[0]);
    assert_eq!(told, ["delivery.intermediate-not-current"]);
    let told: Vec<String> = receive("alone", &[1]);
    assert_eq!(told, ["delivery.intermediate-not-current"], "it did not come along, and is what its units get");
    authority.file("renewed/pai.der", &authority.pai(0x11, &key, NO_END));
    let told: Vec<String> = receive("renewed", &[2]);
    assert!(told.is_empty(), "{told:?}");
    authority.file("both/pai.der", &authority.pai(0x11, &key, NO_END));
    let told: Vec<String> = receive("both", &[2, 3]);
    assert!(told.is_empty(), "{told:?}: it is the one that the others have");
}

/// One that has ended and comes in the place of the one that is here is not used, and is told of all the same.
#[test]
fn an_ended_one_that_is_not_used_is_told_of() {
    let (key, authority) = (SoftwareKey::generate().expect("a key"), Authority::new());
    let receive = |folder: &str, chip: u8| {
        authority.file(&format!("{folder}/dac-{chip}.der"), &authority.dac(chip, &key));
        let folder = authority.site.dir.path().join(folder);
        let typed = ["delivery", "receive", text(&folder), "--reel", "T", "--accept-part"];
        authority.site.done("receive", &typed)
    };
    authority.file("good/pai.der", &authority.pai(0x10, &key, NO_END));
    receive("good", 0);
    authority.file("ended/pai.der", &authority.pai(0x11, &key, moment("2026-11-01T00:00:00Z")));
    let answer = receive("ended", 1);
    let told = answer["findings"].as_array().expect("findings");
    let ended = told.iter().find(|f| f["rule"] == "delivery.intermediate-not-current");
    assert!(
        ended
            .is_some_and(|f| f["subject"] == "pai.der" && f["advice"].as_str().is_some_and(|t| t.contains("not used"))),
        "{answer}"
    );
    assert_eq!(answer["certificates"]["accepted"], 1, "{answer}");
}
