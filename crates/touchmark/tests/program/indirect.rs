//! Lists whose entries say whose certificates they are about, and lists that cover a part: against OpenSSL, and at a
//! site's stations.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use at_site::engine::Engine;
use at_site::rehearsed::Rehearsed;
use at_site::text;
use serde_json::{Value, json};
use standard::asn1::{context, integer, sequence, tlv};
use standard::certificate::{Builder, ExtensionDer, KeyUsage, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::oid;
use standard::revocation::{ListBuilder, Reason};

use crate::{at_site, python};

on_both_engines! {
    an_indirect_list_counts_at_the_stations,
    a_partial_list_is_not_kept_and_what_it_revokes_is,
    a_pai_on_a_partial_list_is_refused,
    a_second_list_of_one_number_counts_for_what_it_revokes,
    a_revoked_pai_leaves_no_stock,
    a_unit_that_a_later_list_drops_stays_refused,
    late_lists_and_holds_count,
    a_list_of_a_day_to_come_is_not_kept,
    a_certificate_that_has_not_begun_is_said_at_the_station,
    an_intermediate_that_was_issued_again_comes_with_its_delivery,
    the_list_of_an_appointed_signer_is_kept_with_its_certificate,
}

fn errors(answer: &Value) -> Vec<(&str, &str)> {
    let findings = answer["findings"].as_array().map_or(&[][..], Vec::as_slice);
    let told = findings.iter().filter(|f| f["severity"] == "error");
    told.filter_map(|f| Some((f["rule"].as_str()?, f["subject"].as_str()?))).collect()
}

/// Lists by `cryptography`, judged by `openssl verify -crl_check -extended_crl` and by `examine`, entry for entry
/// (RFC 5280 §5.3.3). The one deliberate difference is marked in `whose_entry.py`: what an appointed signer lists
/// without a name counts for whoever appointed it (Core Spec 6.2.4, from memory).
#[test]
fn whose_certificates_an_entry_is_about_is_as_openssl_says() {
    let Some(python) = python::interpreter() else { return };
    let folder = tempfile::tempdir().expect("a directory");
    python::run(&python, "whose_entry.py", &[folder.path()]);
    let index = fs::read(folder.path().join("index.json")).expect("an index");
    let index: Vec<Value> = serde_json::from_slice(&index).expect("JSON");
    let (mut asked, mut revoked, mut differ, mut exceptions) = (0, 0, Vec::new(), 0);
    for row in &index {
        let of = |value: &Value| value.as_str().map(str::to_owned);
        let certificates = row["certificates"].as_array().expect("certificates");
        let mut typed: Vec<String> = vec!["--json".into(), "examine".into(), "pai.der".into()];
        typed.extend(certificates.iter().filter_map(|c| of(&c["file"])));
        typed.extend(of(&row["signer"]).map(|signer| format!("{signer}.der")));
        let list = of(&row["list"]).expect("a list");
        let rest = ["--trust", "paa.der", "--revocations", &list, "--at", "2026-03-01T12:00:00Z"];
        typed.extend(rest.map(str::to_owned));
        let done = Command::new(env!("CARGO_BIN_EXE_touchmark")).args(&typed).current_dir(folder.path()).output();
        let answer: Value = serde_json::from_slice(&done.expect("the program starts").stdout).expect("JSON");
        let found = errors(&answer);
        // Where OpenSSL can't use a list as such, it is not accepted here either, and the rule says why.
        if let Some(rule) = row["unusable"].as_str()
            && !found.iter().any(|(found, _)| *found == rule)
        {
            differ.push(format!("{}: no {rule}: {found:?}", row["what"]));
        }
        for certificate in certificates {
            let ours = found.contains(&("chain.revoked", certificate["file"].as_str().expect("a file")));
            let theirs = certificate["openssl"] == "revoked";
            asked += 1;
            revoked += u32::from(theirs);
            if row["exception"] == true {
                exceptions += u32::from(ours && !theirs);
            } else if ours != theirs {
                differ.push(format!("{}, {}: ours {ours}; {}", row["what"], certificate["file"], certificate["said"]));
            }
        }
    }
    assert!(differ.is_empty(), "{} of {asked}:\n{}", differ.len(), differ.join("\n"));
    assert!(index.len() >= 40 && asked > 150 && revoked > 40, "{} lists, {asked} asked, {revoked}", index.len());
    assert_eq!(exceptions, 2, "the entries that name nobody in the list of an appointed signer");
}

/// An authority elsewhere, with chips of a reel that hold its certificates.
struct Elsewhere {
    site: Rehearsed,
    keys: [SoftwareKey; 2],
    /// Names of PAA, PAI and DACs.
    names: [Vec<u8>; 3],
    now: Moment,
    /// When DACs begin, in seconds from then.
    begins: i64,
}

impl Elsewhere {
    /// A site with a reel of so many chips, whose DACs have the serial numbers 0x41…, 0x42… and so on.
    fn on(engine: &Engine, chips: u8) -> Self {
        Self::beginning(engine, chips, -86_400)
    }

    /// The same with DACs that begin so many seconds from now.
    fn beginning(engine: &Engine, chips: u8, begins: i64) -> Self {
        let vendor = VendorId::new(0xFFF2).expect("a vendor");
        let product = ProductId::new(0x8A21).expect("a product");
        let it = Self {
            site: Rehearsed::empty(engine),
            keys: [SoftwareKey::generate().expect("a key"), SoftwareKey::generate().expect("a key")],
            names: [
                NameBuilder::new().common_name("Desk PAA").build(),
                NameBuilder::new().common_name("Desk PAI").vendor(vendor).build(),
                NameBuilder::new().common_name("Desk DAC").vendor(vendor).product(product).build(),
            ],
            now: Moment::from_unix(time::OffsetDateTime::now_utc().unix_timestamp()),
            begins,
        };
        let site = &it.site;
        let (paa, pai) = (site.file("paa.der"), site.file("pai.der"));
        fs::write(&paa, it.certificate(Profile::Paa, 0x11, (0, 0), &it.keys[0].public_key())).expect("written");
        fs::write(&pai, it.certificate(Profile::Pai, 0x22, (0, 1), &it.keys[1].public_key())).expect("written");
        site.done(&["authority", "adopt", text(&paa), text(&pai)]);
        let secret = site.file("secret");
        fs::write(
            &secret,
            "a tern on a post
",
        )
        .expect("written");
        let made = ["declaration", "make", "--vendor", "FFF2", "--product", "8A21", "--device-type", "514"];
        site.done(&[&made[..], &["--passphrase-file", text(&secret)]].concat());
        let add = ["product", "add", "Tern Vent", "--vendor", "FFF2", "--product", "8A21", "--device-type", "514"];
        site.done(&[&add[..], &["--reach", "ble"]].concat());
        let (held, manifest) = (site.file("chips"), site.file("manifest.csv"));
        let count = chips.to_string();
        site.done(&["chip", "simulate", "--out", text(&held), "--count", &count, "--manifest", text(&manifest)]);
        site.done(&["reel", "receive", text(&manifest), "--reel", "R1", "--product", "Tern Vent"]);
        let delivery = site.file("delivery");
        fs::create_dir(&delivery).expect("a directory");
        fs::copy(&pai, delivery.join("pai.der")).expect("copied");
        let rows = fs::read_to_string(&manifest).expect("a manifest");
        for (number, row) in (0..).zip(rows.lines().skip(1)) {
            let key = row.split(',').find_map(hex_point);
            let dac = it.certificate(Profile::Dac, 0x41 + number, (1, 2), &key.expect("a key"));
            fs::write(delivery.join(format!("{number}.der")), dac).expect("written");
        }
        site.done(&["delivery", "receive", text(&delivery), "--reel", "R1"]);
        it
    }

    fn certificate(&self, profile: Profile, serial: u8, (issuer, subject): (usize, usize), key: &PublicKey) -> Vec<u8> {
        let begins = if profile == Profile::Dac { self.begins } else { -86_400 };
        let times = (self.now.plus(begins), NO_END);
        let id = self.keys[issuer].public_key().key_id();
        let names = (&self.names[issuer][..], &id[..]);
        let builder = Builder::new(profile, &[serial; 8], names, &self.names[subject], key, times);
        builder.sign(&self.keys[issuer]).expect("signed")
    }

    /// A list by the PAA or PAI, changed by `depart`.
    fn list(&self, by: usize, number: u8, depart: impl FnOnce(&mut ListBuilder)) -> PathBuf {
        let id = self.keys[by].public_key().key_id();
        let times = (self.now, self.now.plus(86_400));
        let mut list = ListBuilder::new((&self.names[by], &id), times, &[number], &[]);
        depart(&mut list);
        let path = self.site.file(&format!("list-{by}-{number}.crl"));
        fs::write(&path, list.sign(&self.keys[by]).expect("signed")).expect("written");
        path
    }

    fn entry(&self, serial: u8, reason: Reason, whose: Option<&[u8]>) -> Vec<u8> {
        let reason = ExtensionDer::any(oid::REASON_CODE, false, &tlv(0x0A, &[reason as u8]));
        let named = whose.map_or_else(Vec::new, |name| {
            ExtensionDer::any(oid::CERTIFICATE_ISSUER, true, &sequence(&[&context(4, true, name)]))
        });
        sequence(&[&integer(&[serial; 8]), &self.now.to_der(), &sequence(&[&reason, &named])])
    }

    fn adopt(&self, list: &Path) -> (Option<i32>, Value) {
        self.site.call(&["revocation", "adopt", text(list)])
    }

    fn provision(&self) -> (Option<i32>, Value) {
        let chips = format!("simulated:{}", text(&self.site.file("chips")));
        let typed = ["provision", "--reel", "R1", "--station", "S1", "--chips", &chips, "--units", "1"];
        self.site.call(&[&typed[..], &["--serial-start", "TV-000001", "--attempts", "1"]].concat())
    }
}

/// A public key as a manifest writes it.
fn hex_point(field: &str) -> Option<PublicKey> {
    let octets: Option<Vec<u8>> =
        (0..field.len() / 2).map(|n| u8::from_str_radix(field.get(n * 2..n * 2 + 2)?, 16).ok()).collect();
    PublicKey::from_point(&octets?).ok()
}

fn indirect() -> Vec<u8> {
    ExtensionDer::any(oid::ISSUING_DISTRIBUTION_POINT, true, &sequence(&[&tlv(0x84, &[0xFF])]))
}

/// The PAA's indirect list names the PAI: `adopt` marks, a station writes nothing, `challenge` refuses, and each says
/// how many entries name somebody else.
fn an_indirect_list_counts_at_the_stations(engine: &Engine) {
    let it = Elsewhere::on(engine, 2);
    let (exit, made) = it.provision();
    assert_eq!((exit, &made["passed"]), (Some(0), &json!(1)), "{made}");
    // The chips come in any order.
    let serial = it.site.done(&["unit", "show", "TV-000001"])["credential"]["serial"].clone();
    let (first, second) = if serial == "41".repeat(8) { (0x41, 0x42) } else { (0x42, 0x41) };
    let stranger = NameBuilder::new().common_name("Another PAI").build();
    let list = it.list(0, 1, |l| {
        l.extensions.push(indirect());
        l.entries = vec![
            it.entry(second, Reason::KeyCompromise, None),
            it.entry(first, Reason::KeyCompromise, Some(&it.names[1])),
            it.entry(second, Reason::CertificateHold, None),
            it.entry(first, Reason::KeyCompromise, Some(&stranger)),
            it.entry(0x55, Reason::KeyCompromise, None),
        ];
    });
    let (exit, kept) = it.adopt(&list);
    assert_eq!((exit, &kept["verdict"], &kept["issuer"]), (Some(0), &json!("accepted"), &json!("Desk PAA")), "{kept}");
    assert_eq!((&kept["elsewhere"], &kept["revoked_now"]), (&json!(2), &json!(1)), "a hold is not marked: {kept}");
    let serials: Vec<_> = kept["known_here"].as_array().expect("known").iter().map(|k| &k["serial"]).collect();
    assert_eq!(serials, [&json!("41".repeat(8)), &json!("42".repeat(8))], "{kept}");
    let says = |answer: &Value| {
        let findings = answer["findings"].as_array().cloned().unwrap_or_default();
        findings.iter().any(|f| {
            f["rule"] == "revocation.scope"
                && f["severity"] == "note"
                && f["found"]
                    .as_str()
                    .is_some_and(|t| t.starts_with("2 entries name another authority: CN = Another PAI"))
        })
    };
    assert!(says(&kept), "{kept}");
    assert_eq!(it.site.done(&["unit", "show", "TV-000001"])["credential"]["state"], "revoked");

    let chips = format!("simulated:{}", text(&it.site.file("chips")));
    let chip = it.site.done(&["unit", "show", "TV-000001"])["chip"]["chip_id"].as_str().expect("a chip").to_owned();
    let (_, answer) = it.site.call(&["challenge", "--chips", &chips, "--chip", &chip]);
    let chip = &answer["chips"][0];
    assert!(errors(chip).iter().any(|(rule, _)| *rule == "chain.revoked") && says(chip), "{answer}");
    // The one on hold is in the book as it was: the station goes by the list.
    let (exit, refused) = it.provision();
    let unit = refused["units"].as_array().and_then(|u| u.iter().find(|u| u["already"] == false)).expect("a unit");
    assert_eq!((exit, &unit["cause"]), (Some(1), &json!("revoked")), "{refused}");
    let dac = format!("{}.der", first - 0x41);
    let (file, pai, paa) = (it.site.file(&format!("delivery/{dac}")), it.site.file("pai.der"), it.site.file("paa.der"));
    for lists in [text(&list), text(&it.site.site())] {
        let typed = ["examine", text(&file), text(&pai), "--trust", text(&paa), "--revocations", lists];
        let (exit, answer) = it.site.call(&typed);
        assert_eq!((exit, errors(&answer)), (Some(1), vec![("chain.revoked", dac.as_str())]), "{lists}: {answer}");
        assert!(says(&answer), "{answer}");
    }
    assert_eq!(it.site.done(&["reconcile"])["log"]["intact"], true);
}

/// A delta, a part of the reasons, an unknown critical entry extension: none takes the place of a complete list, and the
/// certificates that each names are refused all the same.
fn a_partial_list_is_not_kept_and_what_it_revokes_is(engine: &Engine) {
    let it = Elsewhere::on(engine, 3);
    let some_reasons = ExtensionDer::any(oid::ISSUING_DISTRIBUTION_POINT, true, &sequence(&[&tlv(0x83, &[6, 0x40])]));
    let delta = ExtensionDer::any(oid::DELTA_CRL_INDICATOR, true, &integer(&[1]));
    let unknown = ExtensionDer::any(&[0x2B, 6, 1, 4, 1, 0x81, 0xFD, 0x59, 1], true, &tlv(5, &[]));
    let with_unknown = sequence(&[&integer(&[0x43; 8]), &it.now.to_der(), &sequence(&[&unknown])]);
    for (number, serial, rule, extension, entry) in [
        (1, 0x41, "revocation.scope", Some(some_reasons), it.entry(0x41, Reason::KeyCompromise, None)),
        (2, 0x42, "revocation.delta", Some(delta), it.entry(0x42, Reason::KeyCompromise, None)),
        (3, 0x43, "revocation.critical-entry", None, with_unknown),
    ] {
        let list = it.list(1, number, |l| {
            l.extensions.extend(extension);
            l.entries = vec![entry];
        });
        let (exit, told) = it.adopt(&list);
        assert_eq!((exit, &told["verdict"]), (Some(1), &json!("rejected")), "{rule}: {told}");
        assert_eq!(errors(&told).first().map(|(rule, _)| *rule), Some(rule), "{told}");
        assert_eq!(
            (&told["revoked_now"], &told["known_here"][0]["serial"]),
            (&json!(1), &json!(format!("{serial:x}").repeat(8)))
        );
    }
    assert_eq!(it.site.done(&["revocation", "list"])["lists"], json!([]), "none of them is kept");
    let account = it.site.done(&["reconcile"]);
    assert_eq!((&account["credentials"]["revoked"], &account["log"]["intact"]), (&json!(3), &json!(true)), "{account}");
    // A PAI on a list of the PAA is named too.
    let list = it.list(0, 1, |l| l.entries = vec![it.entry(0x22, Reason::CaCompromise, None)]);
    let (exit, kept) = it.adopt(&list);
    assert_eq!((exit, &kept["authorities"]), (Some(0), &json!(["Desk PAI"])), "{kept}");
    let revoked = || it.site.done(&["authority", "show", "Desk PAI"])["revoked"].clone();
    assert!(revoked().as_str().is_some_and(|when| when.contains("cACompromise")), "{}", revoked());
    // The next list leaves it out without a word (RFC 5280 §3.3).
    let next = it.list(0, 2, |l| l.entries = Vec::new());
    let (exit, kept) = it.adopt(&next);
    let told = kept["findings"].as_array().and_then(|all| all.iter().find(|f| f["rule"] == "revocation.dropped"));
    let told = told.unwrap_or_else(|| panic!("nothing is said: {kept}"));
    assert_eq!((exit, &told["severity"]), (Some(0), &json!("warning")), "{kept}");
    assert!(told["found"].as_str().is_some_and(|t| t.contains(&"22".repeat(8))), "{kept}");
    assert_eq!(revoked(), Value::Null);
}

/// Two lists with one number: nobody knows which is newer, so what either revokes is revoked. A list that lies in a
/// delivery is not passed over in silence.
fn a_second_list_of_one_number_counts_for_what_it_revokes(engine: &Engine) {
    let it = Elsewhere::on(engine, 3);
    let list = |serials: &[u8]| {
        let made =
            it.list(1, 7, |l| l.entries = serials.iter().map(|s| it.entry(*s, Reason::KeyCompromise, None)).collect());
        let file = it.site.file(&format!("list-{}.crl", serials.len()));
        fs::rename(made, &file).expect("renamed");
        file
    };
    let (first, second) = (list(&[0x41]), list(&[0x41, 0x42]));
    fs::copy(&first, it.site.file("delivery/list.crl")).expect("copied");
    let (exit, again) = it.site.call(&["delivery", "receive", text(&it.site.file("delivery")), "--reel", "R1"]);
    let told =
        again["findings"].as_array().and_then(|all| all.iter().find(|f| f["rule"] == "delivery.revocation-list"));
    assert!(exit == Some(0) && told.is_some_and(|f| f["severity"] == "warning"), "{again}");
    assert_eq!(it.adopt(&first).0, Some(0));
    let (exit, told) = it.adopt(&second);
    assert_eq!((exit, &told["verdict"], &told["revoked_now"]), (Some(1), &json!("rejected"), &json!(1)), "{told}");
    assert_eq!(errors(&told).first().map(|(rule, _)| *rule), Some("revocation.number"), "{told}");
    let account = it.site.done(&["reconcile"]);
    assert_eq!(account["credentials"]["revoked"], 2, "{account}");
}

/// Under a PAI that is revoked nothing is in stock, nothing is begun, and each place says so.
fn a_revoked_pai_leaves_no_stock(engine: &Engine) {
    let it = Elsewhere::on(engine, 2);
    let list = it.list(0, 1, |l| l.entries = vec![it.entry(0x22, Reason::CaCompromise, None)]);
    assert_eq!(it.adopt(&list).0, Some(0));
    let says = |answer: &Value| answer.to_string().contains("Desk PAI was revoked");
    let shown = it.site.done(&["reel", "show", "R1"]);
    assert!(says(&shown["warnings"]), "{shown}");
    let (exit, refused) = it.site.call(&["order", "write", "--reel", "R1", "--out", text(&it.site.file("order.csv"))]);
    assert!(exit == Some(1) && says(&refused), "{refused}");
    let received = it.site.done(&["delivery", "receive", text(&it.site.file("delivery")), "--reel", "R1"]);
    assert!(says(&received["findings"]), "{received}");
    let (_, watch) = it.site.call(&["watch"]);
    let due = watch["due"].as_array().expect("due");
    assert!(due.iter().any(|w| w["name"] == "Desk PAI" && w["kind"] == "authority"), "{watch}");
    assert!(!watch.to_string().contains("2 credentials in stock"), "{watch}");
    let (exit, run) = it.provision();
    let units = run["units"].as_array().expect("units");
    assert!(exit == Some(1) && units.iter().all(|u| u["cause"] == "revoked" && u["attempts"] == 0), "{run}");
    let account = it.site.done(&["reconcile"]);
    assert_eq!((&account["chips"]["blank"], &account["credentials"]["reserved"]), (&json!(2), &json!(0)), "{account}");
    assert!(says(&account["notes"]) && says(&it.site.done(&["report"])["notes"]), "{account}");
}

/// Makes one unit, TV-000001: the first octet of its certificate's serial number.
fn passed_one(it: &Elsewhere) -> u8 {
    let (exit, made) = it.provision();
    assert_eq!((exit, &made["passed"]), (Some(0), &json!(1)), "{made}");
    let shown = it.site.done(&["unit", "show", "TV-000001"]);
    let its = shown["credential"]["serial"].as_str().expect("a serial number");
    u8::from_str_radix(&its[..2], 16).expect("a serial number")
}

/// What a list revoked is not good again since a later one leaves it out: no station verifies it, no challenge takes it.
fn a_unit_that_a_later_list_drops_stays_refused(engine: &Engine) {
    let it = Elsewhere::on(engine, 2);
    let serial = passed_one(&it);
    let first = it.list(1, 1, |l| l.entries = vec![it.entry(serial, Reason::KeyCompromise, None)]);
    assert_eq!(it.adopt(&first).1["revoked_now"], 1);
    let (exit, kept) = it.adopt(&it.list(1, 2, |_| {}));
    assert!(exit == Some(0) && kept.to_string().contains("revocation.dropped"), "{kept}");
    let chips = format!("simulated:{}", text(&it.site.file("chips")));
    let typed = ["provision", "--reel", "R1", "--station", "S1", "--chips", &chips, "--serial-start", "TV-000001"];
    let (_, again) = it.site.call(&typed);
    let unit = again["units"].as_array().and_then(|all| all.iter().find(|u| u["unit"] == "TV-000001")).expect("it");
    assert_eq!((&unit["result"], &unit["cause"]), (&json!("failed"), &json!("revoked")), "{again}");
    let (exit, answer) = it.site.call(&["challenge", "--chips", &chips, "--chip", &held(&it, "TV-000001")]);
    assert_eq!((exit, &answer["verdict"]), (Some(1), &json!("rejected")), "{answer}");
    assert!(errors(&answer["chips"][0]).iter().any(|(rule, _)| *rule == "chain.revoked"), "{answer}");
    // That it was looked at, and what came of it, is in its story.
    let shown = it.site.done(&["unit", "show", "TV-000001"]);
    let check = shown["checks"].as_array().and_then(|all| all.last()).expect("a check");
    assert_eq!((&check["cause"], &check["station"]), (&json!("revoked"), &json!("S1")), "{shown}");
    assert!(it.site.words(&["unit", "show", "TV-000001"]).contains("FAILED, revoked"));
}

/// Lists that came in the wrong order revoke what they do in the right one, and a hold is said wherever a unit is.
fn late_lists_and_holds_count(engine: &Engine) {
    let it = Elsewhere::on(engine, 2);
    let serial = passed_one(&it);
    let held_now = it.list(1, 5, |l| l.entries = vec![it.entry(serial, Reason::CertificateHold, None)]);
    assert_eq!(it.adopt(&held_now).1["verdict"], "accepted");
    let out = it.site.file("impact.json");
    it.site.done(&["impact", "--reel", "R1", "--out", text(&out)]);
    let rows = fs::read_to_string(&out).expect("rows");
    assert!(rows.contains(r#""revoked":true"#) || rows.contains(r#""revoked": true"#), "{rows}");
    let (exit, refused) = it.site.call(&["unit", "refurbish", "TV-000001", "--reason", "sold again"]);
    assert_eq!((exit, &refused["error"]["kind"]), (Some(1), &json!("refused")), "{refused}");
    assert_eq!(it.site.done(&["unit", "show", "TV-000001"])["state"], "passed");
    // The one before it comes late: whom it revoked is revoked, and both lists are named.
    let late = it.list(1, 4, |l| {
        l.this_update = it.now.plus(-3_600).to_der();
        // The other chip's.
        l.entries = vec![it.entry(serial ^ 3, Reason::KeyCompromise, None)];
    });
    let (exit, told) = it.adopt(&late);
    assert_eq!((exit, &told["verdict"], &told["revoked_now"]), (Some(1), &json!("rejected"), &json!(1)), "{told}");
    assert_eq!(errors(&told).len(), 1, "{told}");
    assert!(errors(&told)[0].0 == "revocation.dropped" && told.to_string().contains("newer list 05"), "{told}");
    // One that leaves nothing out is only old.
    let (exit, old) = it.adopt(&it.list(1, 3, |_| {}));
    assert_ne!(exit, Some(0), "{old}");
    assert!(old.to_string().contains("newer one applies"), "{old}");
}

/// A list of tomorrow would shut out those of today: it is not kept, and what it lists is refused.
fn a_list_of_a_day_to_come_is_not_kept(engine: &Engine) {
    let it = Elsewhere::on(engine, 2);
    let list = it.list(1, 8, |l| {
        l.this_update = it.now.plus(3 * 86_400).to_der();
        l.entries = vec![it.entry(0x41, Reason::KeyCompromise, None)];
    });
    let (exit, told) = it.adopt(&list);
    assert_eq!((exit, &told["verdict"], &told["revoked_now"]), (Some(1), &json!("rejected"), &json!(1)), "{told}");
    assert!(errors(&told).iter().any(|(rule, _)| *rule == "revocation.dates"), "{told}");
    let (exit, kept) = it.adopt(&it.list(1, 5, |_| {}));
    assert_eq!((exit, &kept["verdict"]), (Some(0), &json!("accepted")), "{kept}");
}

/// The intermediate of a delivery is the one that its chips get, though an older certificate of the same name and key is
/// here, and though that one is revoked.
fn an_intermediate_that_was_issued_again_comes_with_its_delivery(engine: &Engine) {
    let mut it = Elsewhere::on(engine, 2);
    let list = it.list(0, 1, |l| l.entries = vec![it.entry(0x22, Reason::Superseded, None)]);
    assert_eq!(it.adopt(&list).0, Some(0));
    // Another reel, whose delivery brings the intermediate again, with a later end.
    let later = Moment::from_unix(4_000_000_000);
    let (keys, names) = (&it.keys, &it.names);
    let id = keys[0].public_key().key_id();
    let times = (it.now.plus(-86_400 + 60), later);
    let again = Builder::new(Profile::Pai, &[0x23; 8], (&names[0], &id), &names[1], &keys[1].public_key(), times);
    let again = again.sign(&keys[0]).expect("signed");
    let (chips, manifest) = (it.site.file("chips-2"), it.site.file("manifest-2.csv"));
    let make =
        ["chip", "simulate", "--out", text(&chips), "--count", "1", "--seed", "77", "--manifest", text(&manifest)];
    it.site.done(&make);
    it.site.done(&["reel", "receive", text(&manifest), "--reel", "R2", "--product", "Tern Vent"]);
    let delivery = it.site.file("delivery-2");
    fs::create_dir(&delivery).expect("a directory");
    fs::write(delivery.join("pai.der"), &again).expect("written");
    let row = fs::read_to_string(&manifest).expect("a manifest");
    let key = row.lines().nth(1).and_then(|row| row.split(',').find_map(hex_point)).expect("a key");
    it.begins = -3_600;
    fs::write(delivery.join("0.der"), it.certificate(Profile::Dac, 0x61, (1, 2), &key)).expect("written");
    let (exit, received) = it.site.call(&["delivery", "receive", text(&delivery), "--reel", "R2"]);
    assert_eq!((exit, &received["verdict"]), (Some(0), &json!("accepted")), "{received}");
    let source = format!("simulated:{}", text(&chips));
    let run = ["provision", "--reel", "R2", "--station", "S1", "--chips", &source, "--serial-start", "TW-000001"];
    let (exit, made) = it.site.call(&run);
    assert_eq!((exit, &made["passed"]), (Some(0), &json!(1)), "{made}");
    let out = it.site.file("unit");
    it.site.done(&["unit", "write", "TW-000001", "--out", text(&out)]);
    assert_eq!(fs::read(out.join("TW-000001/pai.der")).expect("a PAI"), again);
    let shown = it.site.done(&["unit", "show", "TW-000001"]);
    assert!(shown["attempts"][0]["declaration"].is_string(), "{shown}");
}

/// A certificate that has not begun is said where its unit passes.
fn a_certificate_that_has_not_begun_is_said_at_the_station(engine: &Engine) {
    let (now, later) = (Elsewhere::on(engine, 1), Elsewhere::beginning(engine, 1, 86_400));
    let notice = |it: &Elsewhere| {
        let (exit, made) = it.provision();
        assert_eq!((exit, &made["passed"]), (Some(0), &json!(1)), "{made}");
        made["units"][0]["notice"].clone()
    };
    assert_eq!(notice(&now), Value::Null);
    assert!(notice(&later).as_str().is_some_and(|n| n.contains("not valid now, it begins on")), "{}", notice(&later));
}

/// A listed certificate is revoked for the reasons that its list covers (RFC 5280 §6.3.3 (i), (j)): stations and
/// `challenge` refuse what stands below the PAI, until a complete list that is newer leaves it out.
fn a_pai_on_a_partial_list_is_refused(engine: &Engine) {
    let it = Elsewhere::on(engine, 2);
    let (exit, made) = it.provision();
    assert_eq!((exit, &made["passed"]), (Some(0), &json!(1)), "{made}");
    let some_reasons = ExtensionDer::any(oid::ISSUING_DISTRIBUTION_POINT, true, &sequence(&[&tlv(0x83, &[6, 0x40])]));
    let partial = it.list(0, 1, |l| {
        l.this_update = it.now.plus(-3_600).to_der();
        l.extensions.push(some_reasons);
        l.entries = vec![it.entry(0x22, Reason::CaCompromise, None)];
    });
    for again in [false, true] {
        let (exit, told) = it.adopt(&partial);
        assert_eq!((exit, &told["verdict"]), (Some(1), &json!("rejected")), "{again}: {told}");
        assert_eq!((&told["authorities"], &told["counts"]), (&json!(["Desk PAI"]), &json!(true)), "{again}: {told}");
    }
    assert!(it.site.words(&["revocation", "adopt", text(&partial)]).contains("every certificate below it is refused"));
    assert_eq!(it.site.done(&["revocation", "list"])["lists"], json!([]));

    let (exit, refused) = it.provision();
    let units = refused["units"].as_array().expect("units");
    assert!(exit == Some(1) && !units.is_empty() && units.iter().all(|u| u["cause"] == "revoked"), "{refused}");
    let chips = format!("simulated:{}", text(&it.site.file("chips")));
    let (exit, answer) = it.site.call(&["challenge", "--chips", &chips]);
    assert_eq!((exit, &answer["verdict"]), (Some(1), &json!("rejected")), "{answer}");

    let complete = it.list(0, 2, |_| {});
    let (exit, kept) = it.adopt(&complete);
    assert_eq!((exit, &kept["verdict"]), (Some(0), &json!("accepted")), "{kept}");
    // Once a newer list leaves it out, the partial one counts no more, and says so.
    assert_eq!(it.adopt(&partial).1["counts"], false);
    assert_eq!(
        it.site.done(&["challenge", "--chips", &chips, "--chip", &held(&it, "TV-000001")])["verdict"],
        "accepted"
    );
    assert_eq!(it.site.done(&["reconcile"])["log"]["intact"], true);
}

fn held(it: &Elsewhere, unit: &str) -> String {
    it.site.done(&["unit", "show", unit])["chip"]["chip_id"].as_str().expect("a chip").to_owned()
}

/// The distribution-point record names the signer and who appointed it, and the site's own lists can be examined.
fn the_list_of_an_appointed_signer_is_kept_with_its_certificate(engine: &Engine) {
    let it = Elsewhere::on(engine, 1);
    let signer = SoftwareKey::generate().expect("a key");
    let name = NameBuilder::new().common_name("Desk list signer").build();
    let (key, id) = (signer.public_key(), it.keys[1].public_key().key_id());
    let times = (it.now.plus(-86_400), NO_END);
    let mut appointed = Builder::new(Profile::Dac, &[0x66; 8], (&it.names[1], &id), &name, &key, times);
    appointed.extensions[1] = ExtensionDer::key_usage(KeyUsage::CRL_SIGN);
    let certificate = appointed.sign(&it.keys[1]).expect("signed");
    let (file, list) = (it.site.file("list-signer.der"), it.site.file("appointed.crl"));
    fs::write(&file, &certificate).expect("written");
    let entries = [(&[0x41; 8][..], it.now, Reason::KeyCompromise)];
    let made = ListBuilder::new((&name, &key.key_id()), (it.now, it.now.plus(86_400)), &[1], &entries);
    fs::write(&list, made.sign(&signer).expect("signed")).expect("written");
    let kept = it.site.done(&["revocation", "adopt", text(&list), "--signer", text(&file)]);
    assert_eq!((&kept["issuer"], &kept["revoked_now"]), (&json!("Desk PAI"), &json!(1)), "{kept}");

    let site = site::Site::open(&it.site.site()).expect("a site");
    let point = json!(answer::revocation::point_of(&site, "Desk PAI").expect("a record"));
    let pem = |der: &[u8]| json!(standard::pem::encode("CERTIFICATE", der));
    let pai = fs::read(it.site.file("pai.der")).expect("a file");
    assert_eq!(
        (&point["signer_certificate"], &point["delegator_certificate"]),
        (&pem(&certificate), &pem(&pai)),
        "{point}"
    );
    assert_eq!(point["issuer_subject_key_id"], json!(hex_of(&id)), "{point}");
    let (dac, pai, paa) = (it.site.file("delivery/0.der"), it.site.file("pai.der"), it.site.file("paa.der"));
    let at_site = it.site.site();
    let typed = ["examine", text(&dac), text(&pai), "--trust", text(&paa), "--revocations", text(&at_site)];
    let (exit, answer) = it.site.call(&typed);
    assert_eq!((exit, errors(&answer)), (Some(1), vec![("chain.revoked", "0.der")]), "{answer}");
}

fn hex_of(octets: &[u8]) -> String {
    octets.iter().map(|o| format!("{o:02X}")).collect()
}
