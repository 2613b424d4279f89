//! What mail programs, spreadsheets and tired people make of files: nothing that came broken is taken for what did not
//! come.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value, json};
use standard::certificate::{Builder, Profile};
use standard::key::{PublicKey, Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::pem;

use crate::at_site::engine::Engine;
use crate::at_site::rehearsed::Rehearsed;
use crate::at_site::{Site, data, text};

on_both_engines! { a_list_of_serial_numbers_as_a_spreadsheet_left_it }

/// What stands before a point of P-256 in a `SubjectPublicKeyInfo` (RFC 5480 §2).
const P256: &str = "3059301306072a8648ce3d020106082a8648ce3d030107034200";

/// The delivery of reel A, unpacked.
pub fn unpacked(site: &Site) -> PathBuf {
    let folder = site.dir.path().join("unpacked");
    let done = Command::new("unzip").args(["-q", text(&data("reel-a/delivery.zip")), "-d", text(&folder)]).status();
    assert!(done.is_ok_and(|status| status.success()), "unzip");
    folder
}

fn first_der(folder: &Path) -> PathBuf {
    let mut all: Vec<_> =
        fs::read_dir(folder.join("dacs")).expect("DACs").flatten().map(|entry| entry.path()).collect();
    all.sort();
    all.swap_remove(0)
}

fn bare() -> Site {
    Site::bare("sqlite:book.sqlite")
}

/// An archive, a damaged first line, an empty file: `examine` accepts nothing of which it saw a part alone.
#[test]
fn examine_says_what_it_could_not_read() {
    let site = bare();
    let file = |name: &str| site.dir.path().join(name);
    let trust = data("authority/paa-a.pem");
    let refused = |name: &str, what: &str| {
        let answer = site.call(name, &["examine", text(&file(name)), "--trust", text(&trust)]);
        assert!(answer.exit == Some(2) && answer.said.contains(what), "{name}: {}", answer.said);
    };
    let folder = unpacked(&site);
    let pai = fs::read(folder.join("PAI.pem")).expect("a PAI");
    let dac = fs::read(first_der(&folder)).expect("a DAC");
    fs::copy(data("reel-a/delivery.zip"), file("delivery.zip")).expect("copied");
    refused("delivery.zip", "is an archive");
    let tar = Command::new("tar").args(["-cf", text(&file("a.tar")), "-C", text(&folder), "PAI.pem", "dacs"]).status();
    assert!(tar.is_ok_and(|status| status.success()));
    refused("a.tar", "is an archive");
    fs::write(file("mixed.pem"), [&pai[..], &dac].concat()).expect("written");
    refused("mixed.pem", "no text");
    let torn =
        format!("{}-{}", String::from_utf8_lossy(&pai), pem::encode("CERTIFICATE", &dac).trim_start_matches("--"));
    fs::write(file("torn.pem"), torn).expect("written");
    refused("torn.pem", "is damaged");
    let wide: Vec<u8> = String::from_utf8_lossy(&pai).encode_utf16().flat_map(u16::to_le_bytes).collect();
    fs::write(file("wide.pem"), [&[0xFF, 0xFE][..], &wide].concat()).expect("written");
    refused("wide.pem", "UTF-16");
    fs::write(folder.join("dacs/0.der"), "").expect("written");
    let whole = site.call("folder", &["examine", text(&folder), "--trust", text(&trust)]);
    assert!(whole.exit == Some(2) && whole.said.contains("it is empty"), "{}", whole.said);
    fs::remove_file(folder.join("dacs/0.der")).expect("gone");
    assert_eq!(site.call("whole", &["examine", text(&folder), "--trust", text(&trust)]).exit, Some(0));
}

/// A chip whose key file came broken is no chip that did not come.
#[test]
fn a_key_file_without_a_key_refuses_the_reel() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Site::on(&engine, "a");
    let folder = site.dir.path().join("keys-of-chips");
    fs::create_dir(&folder).expect("a folder");
    let rows = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let keys: Vec<(String, PublicKey)> = (rows.lines().skip(1).take(4))
        .map(|row| row.split_once(',').expect("two columns"))
        .map(|(id, point)| {
            let point: [u8; 65] = hex::decode(point).expect("hex").try_into().expect("a point");
            (id.to_owned(), PublicKey::from_point(&point).expect("a key"))
        })
        .collect();
    for (id, key) in &keys {
        let spki = [&hex::decode(P256).expect("hex")[..], key.point()].concat();
        fs::write(folder.join(format!("{id}.pem")), pem::encode("PUBLIC KEY", &spki)).expect("written");
    }
    fs::write(folder.join("notes.txt"), "see mail").expect("written");
    let last = folder.join(format!("{}.pem", keys[3].0));
    let whole = fs::read_to_string(&last).expect("a key");
    let receive =
        |case: &str| site.call(case, &["reel", "receive", text(&folder), "--reel", "K", "--product", "Tern Vent"]);
    let wide: Vec<u8> = whole.encode_utf16().flat_map(u16::to_le_bytes).collect();
    for (case, octets) in [
        ("empty", Vec::new()),
        ("a page", b"<html>404 not found</html>".to_vec()),
        ("damaged", whole.replace("-----BEGIN", "----BEGIN").into_bytes()),
        ("UTF-16", [&[0xFF, 0xFE][..], &wide].concat()),
    ] {
        fs::write(&last, octets).expect("written");
        let refused = receive(case);
        assert_eq!(refused.exit, Some(1), "{case}: {}", refused.said);
        assert!(refused.said.contains(&keys[3].0), "{case}: {}", refused.said);
    }
    fs::write(&last, whole).expect("written");
    assert_eq!(receive("whole").json["chips"]["received"], 4);
}

/// The id in a certificate's name is a part of it, and never a word that looks like hexadecimal digits.
#[test]
fn a_word_in_a_certificates_name_is_no_part_of_the_chip_id() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Site::on(&engine, "a");
    let maker = SoftwareKey::generate().expect("a key");
    let name = NameBuilder::new().common_name("Chip maker").build();
    let certified = |folder: &str, file: &str, common: &str| {
        let folder = site.dir.path().join(folder);
        fs::create_dir_all(&folder).expect("a folder");
        let key = SoftwareKey::generate().expect("a key").public_key();
        let subject = NameBuilder::new().common_name(common).build();
        let (id, times) = (maker.public_key().key_id(), (Moment::from_unix(1_700_000_000), NO_END));
        let builder = Builder::new(Profile::Dac, &[file.len() as u8; 8], (&name, &id), &subject, &key, times);
        fs::write(folder.join(file), builder.sign(&maker).expect("signed")).expect("written");
        folder
    };
    let good = certified("good", "514CB6379F1A769DF9.der", "DAC 514CB6379F1A769DF9");
    let received = site.done("good", &["reel", "receive", text(&good), "--reel", "G", "--product", "Tern Vent"]);
    assert_eq!(received["chips"]["received"], 1, "{received}");
    assert_eq!(site.done("found", &["unit", "find", "514CB6379F1A769DF9"])["found"][0]["reel"], "G");
    let other = certified("other", "514CB6379F1A769D00.der", "514CB6379F1A769D01");
    let refused = site.call("other", &["reel", "receive", text(&other), "--reel", "O", "--product", "Tern Vent"]);
    assert!(refused.exit == Some(1) && refused.said.contains("named for chip"), "{}", refused.said);
}

/// A certificate that came as an empty file is named: the authority would answer that it sent it.
#[test]
fn an_empty_certificate_file_of_a_delivery_is_named() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Site::on(&engine, "a");
    site.receive_reel("a");
    let folder = unpacked(&site);
    let der = first_der(&folder);
    fs::write(&der, "").expect("emptied");
    let refused = site.call("empty", &["delivery", "receive", text(&folder), "--reel", "A"]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    let name = der.file_name().and_then(|n| n.to_str()).expect("a name");
    let findings = refused.json["findings"].as_array().expect("findings");
    let told = findings.iter().find(|f| f["subject"].as_str().is_some_and(|s| s.ends_with(name)));
    assert!(told.is_some_and(|f| f["found"].as_str().is_some_and(|t| t.contains("empty"))), "{}", refused.said);
}

/// A number that a spreadsheet rounded is no serial number, one that differs in letter case alone is used, and an empty
/// list is empty.
fn a_list_of_serial_numbers_as_a_spreadsheet_left_it(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, 4, &[])));
    let list = site.dir.path().join("serials.txt");
    let run = |more: &[&str]| {
        let typed = ["provision", "--reel", "A", "--station", "S1", "--chips", &chips];
        site.call("provision", &[&typed[..], more].concat())
    };
    let listed = |lines: &str| {
        fs::write(&list, lines).expect("a list");
        run(&["--serials", text(&list)])
    };
    for refused in [
        run(&["--serial-start", "4.5E+12"]),
        listed("TV-1\n4.6E+12\n"),
        site.call("series", &["product", "update", "Tern Vent", "--serial-series", "4.5E+12"]),
    ] {
        assert!(refused.exit == Some(2) && refused.said.contains("rounded"), "{}", refused.said);
    }
    fs::write(&list, "\n\n").expect("a list");
    let typed = ["provision", "--reel", "A", "--station", "S1", "--chips", &chips, "--serials", text(&list)];
    let mut words = Command::new(env!("CARGO_BIN_EXE_touchmark"));
    let empty = words.args(typed).env("TOUCHMARK_SITE", site.dir.path().join("site")).output().expect("it starts");
    let said = String::from_utf8_lossy(&empty.stderr);
    assert!(empty.status.code() == Some(1) && said.contains("from the list, which has none"), "{said}");
    assert_eq!(site.done("none", &["unit", "list"])["units"], json!([]));
    assert_eq!(run(&["--serial-start", "TV-000001", "--units", "1"]).exit, Some(0));
    let others = listed("tv-000001\nTV-000100\nTV-000101\n");
    let names: Vec<&Value> = others.json["units"]
        .as_array()
        .expect("units")
        .iter()
        .filter(|u| u["already"] == false)
        .map(|u| &u["unit"])
        .collect();
    assert_eq!(names, ["TV-000100", "TV-000101"], "{}", others.said);
}

/// Certificates of other places and other products, in a record and on labels.
#[test]
fn what_does_not_go_together_is_not_put_together() {
    let site = bare();
    let folder = unpacked(&site);
    let file = |name: &str| site.dir.path().join(name);
    fs::write(file("passcode"), "34970112\n").expect("written");
    let (dac, pai, paa) = (first_der(&folder), folder.join("PAI.pem"), folder.join("PAA.pem"));
    let make_of = |product: &str, more: &[&str]| {
        let out = file("record.cbor");
        let base = [
            "record",
            "make",
            "--serial-number",
            "TV-1",
            "--vendor-id",
            "FFF2",
            "--vendor-name",
            "Tern & Hollow",
            "--product-id",
            product,
            "--product-name",
            "Tern Vent",
            "--hardware-version",
            "1",
            "--manufactured",
            "2026-11-30",
            "--discriminator",
            "1234",
            "--iterations",
            "1000",
            "--passcode-file",
        ];
        site.call("record", &[&base[..], &[text(&file("passcode")), "--cbor", text(&out)], more].concat())
    };
    let make = |more: &[&str]| make_of("8A21", more);
    let declaration = data("reel-a/declaration.der");
    let whole = make(&["--dac", text(&dac), "--pai", text(&pai), "--declaration", text(&declaration)]);
    assert_eq!(whole.exit, Some(0), "{}", whole.said);
    let other = data("reel-b/declaration.der");
    for (what, more) in [
        ("an authority's", vec!["--dac", text(&paa)]),
        ("given as PAI is none", vec!["--dac", text(&pai), "--pai", text(&dac)]),
        ("given as PAI is none", vec!["--dac", text(&dac), "--pai", text(&paa)]),
        ("of another product than the record", vec!["--dac", text(&dac), "--declaration", text(&other)]),
    ] {
        let typed: Vec<&str> = more;
        let refused = make(&typed);
        assert!(refused.exit == Some(2) && refused.said.contains(what), "{what}: {}", refused.said);
    }
    let refused = make_of("8A22", &["--dac", text(&dac)]);
    assert!(refused.exit == Some(2) && refused.said.contains("of another vendor or product"), "{}", refused.said);
    // One serial number on two labels; a column by its full name.
    let units = file("units.csv");
    let code = |passcode: &str| {
        let made =
            ["code", "make", "--vendor", "FFF2", "--product", "8A21", "--discriminator", "3840", "--reach", "ble"];
        let made = site.done("code", &[&made[..], &["--passcode", passcode]].concat());
        (made["qr"].as_str().expect("a code").to_owned(), made["manual"].as_str().expect("a code").to_owned())
    };
    let ((a, a_manual), (b, b_manual)) = (code("20202021"), code("34970112"));
    let print = |rows: &str| {
        fs::write(&units, rows).expect("written");
        let typed = ["label", "print", "--units", text(&units), "--product", "P", "--vendor", "V", "--out"];
        site.call("labels", &[&typed[..], &[text(&file("labels.pdf"))]].concat())
    };
    let twice = print(&format!("unit,qr,manual,serial\nU-1,{a},{a_manual},S-9\nU-2,{b},{b_manual},s-9\n"));
    assert!(twice.exit != Some(0) && twice.said.contains("the serial number of the unit on line 2"), "{}", twice.said);
    let rounded = print(&format!("unit,qr,manual,Serial Number\nU-1,{a},{a_manual},4.5E+12\n"));
    assert!(rounded.exit != Some(0) && rounded.said.contains("rounded"), "{}", rounded.said);
    // What stands in a column that the template has no place for is on no label.
    let more = print(&format!("unit,qr,manual,batch\nU-1,{a},{a_manual},7\n"));
    assert_eq!((more.exit, &more.json["unused"]), (Some(0), &json!(["batch"])), "{}", more.said);
}

/// Two columns of one meaning are not chosen from, unless somebody names one of them.
#[test]
fn two_columns_of_ids_are_not_chosen_from() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Site::on(&engine, "a");
    let good = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let of = |row: &str| row.split(',').next().unwrap_or_default().to_owned();
    let rows: Vec<_> = good
        .lines()
        .take(3)
        .enumerate()
        .map(|(at, row)| format!("{row},{}", if at == 0 { "Chip ID".into() } else { of(row).replace('5', "6") }))
        .collect();
    let file = site.dir.path().join("two.csv");
    fs::write(&file, rows.join("\n")).expect("written");
    let receive = ["reel", "receive", text(&file), "--reel", "T", "--product", "Tern Vent"];
    let refused = site.call("two", &receive);
    assert!(refused.exit == Some(2) && refused.said.contains("more than one column"), "{}", refused.said);
    let named = ["--map", "chip_id=chip_id,public_key=public_key"];
    assert_eq!(site.done("named", &[&receive[..], &named].concat())["chips"]["received"], 2);
}

/// Labels, packs and lists say what stands against them.
#[test]
fn what_stands_against_an_act_is_said() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Rehearsed::on(&engine, 3);
    let labels = site.file("labels.pdf");
    let print = || site.done(&["label", "print", "--all", "--out", text(&labels)]);
    assert_eq!(print()["check_failed"], Value::Null);
    // A chip that lost an object after its unit had passed.
    let chip = site.done(&["unit", "show", "TV-000002"])["chip"]["chip_id"].as_str().expect("a chip").to_owned();
    let chips = site.site().join("chips");
    let mut file = fs::OpenOptions::new().append(true).open(chips.join(format!("{chip}.chip"))).expect("a chip");
    std::io::Write::write_all(&mut file, b"{\"object\": [\"pai\", {\"octets\": \"00\"}]}\n").expect("written");
    let source = format!("simulated:{}", text(&chips));
    let reel = site.done(&["unit", "show", "TV-000002"])["reel"]["reel"].as_str().expect("a reel").to_owned();
    let again = ["provision", "--reel", &reel, "--station", "S1", "--chips", &source, "--serial-start", "TV-000001"];
    let (exit, run) = site.call(&again);
    let unit = run["units"].as_array().and_then(|all| all.iter().find(|u| u["unit"] == "TV-000002")).expect("it");
    assert!(exit == Some(1) && unit["result"] == "failed", "{run}");
    assert_eq!(print()["check_failed"], json!(["TV-000002"]));
    let listed = site.done(&["unit", "list"]);
    let marked = |unit: &str| {
        let units = listed["units"].as_array().expect("units");
        units.iter().find(|u| u["unit"] == unit).is_some_and(|u| u["check_failed"] == true)
    };
    assert!(marked("TV-000002") && !marked("TV-000001"), "{listed}");
    let found = |unit: &str| site.done(&["unit", "find", unit])["found"][0]["check_failed"].clone();
    assert_eq!((found("TV-000002"), found("TV-000001")), (json!(true), Value::Null));
    let (files, pack) = (site.file("files"), site.file("pack.zip"));
    let written = site.done(&["unit", "write", "--all", "--out", text(&files)]);
    assert_eq!(written["check_failed"], json!(["TV-000002"]));
    site.done(&["evidence", "export", "--all", "--out", text(&pack)]);
    let page =
        std::process::Command::new("unzip").arg("-p").arg(&pack).arg("index.html").output().expect("unzip").stdout;
    let page = String::from_utf8(page).expect("text");
    let row = |unit: &str| page.split("<tr>").find(|row| row.contains(&format!(">{unit}<"))).map(str::to_owned);
    assert!(row("TV-000002").is_some_and(|row| row.contains("CHECK FAILED")), "{page}");
    assert!(row("TV-000001").is_some_and(|row| !row.contains("CHECK FAILED")), "{page}");
    // Of another reel, nothing is said of it.
    let keys = crate::at_site::data("reel-a/manifest.csv");
    site.done(&["reel", "receive", text(&keys), "--reel", "Z", "--product", "Tern Vent"]);
    assert!(!site.done(&["reconcile", "--reel", "Z"])["notes"].to_string().contains("TV-000002"));
    for answer in [site.done(&["reconcile"]), site.done(&["report"])] {
        assert!(answer["notes"].to_string().contains("TV-000002"), "{answer}");
    }
    // A lock that is gone again.
    let other = site.done(&["unit", "show", "TV-000003"])["chip"]["chip_id"].as_str().expect("a chip").to_owned();
    let file = chips.join(format!("{other}.chip"));
    let open: String = fs::read_to_string(&file)
        .expect("a chip")
        .lines()
        .filter(|line| *line != "{\"locked\":true}")
        .map(|line| line.replace("\"locked\":true", "\"locked\":false") + "\n")
        .collect();
    let locked = fs::read(&file).expect("a chip");
    fs::write(&file, open).expect("written");
    let run = site.call(&again).1;
    let unit = run["units"].as_array().and_then(|all| all.iter().find(|u| u["unit"] == "TV-000003")).expect("it");
    assert_eq!(unit["cause"], "lock-ignored", "{run}");
    assert!(unit["advice"].as_str().is_some_and(|advice| advice.contains("unit scrap TV-000003")), "{run}");
    fs::write(&file, locked).expect("written");
    site.call(&again);
    assert!(
        site.words(&["label", "print", "--all", "--out", text(&labels)]).contains("The last check at a station failed")
    );
    // A returned unit still carries its label.
    let shown = site.done(&["unit", "show", "TV-000001", "--reveal"]);
    let qr = shown["onboarding"]["qr"].as_str().expect("a code").to_owned();
    site.done(&["unit", "return", "TV-000001", "--reason", "cracked lens"]);
    let check = ["label", "check", &qr, "--unit", "TV-000001"];
    assert!(site.words(&check).contains("was returned"));
    let checked = site.done(&check);
    assert!(checked["advice"].as_str().is_some_and(|advice| advice.contains("was returned")), "{checked}");
    // What is revoked already is not revoked again: no number of the list is used.
    let revoke = |out: &str| {
        site.call(&["revoke", "--unit", "TV-000003", "--reason", "key-compromise", "--out", text(&site.file(out))])
    };
    assert_eq!(revoke("first.crl").0, Some(0));
    let (exit, refused) = revoke("second.crl");
    assert!(exit == Some(1) && refused.to_string().contains("is revoked already"), "{refused}");
    assert_eq!(site.done(&["revocation", "list"])["lists"][0]["number"], "01");
    let pack = site.file("revoked.zip");
    site.done(&["evidence", "export", "TV-000003", "--out", text(&pack)]);
    let page = Command::new("unzip").args(["-p", text(&pack), "index.html"]).output().expect("unzip");
    assert!(String::from_utf8_lossy(&page.stdout).contains("REVOKED"));
    // A time in which nothing passed is said as that; numbers of a list that units have are named.
    let (exit, refused) = site.call(&[
        "label",
        "print",
        "--from",
        "2019-01-01",
        "--to",
        "2019-01-02",
        "--out",
        text(&site.file("none.pdf")),
    ]);
    assert!(exit == Some(1) && refused.to_string().contains("2019-01-01"), "{refused}");
    fs::write(site.file("list"), "TV-000002\nTV-000900\nTV-000001\n").expect("written");
    let list = site.file("list");
    let run =
        site.call(&["provision", "--reel", &reel, "--station", "S1", "--chips", &source, "--serials", text(&list)]).1;
    assert_eq!(run["serials"]["in_use"], json!(["TV-000002", "TV-000001"]), "{run}");
    site.done(&["passcode", "erase", "TV-000001"]);
    assert!(site.call(&["unit", "find", &qr]).0 == Some(1));
    assert!(!site.file("second.crl").exists());
}

/// A quotation mark that does not close draws chips into a note: they are missed, and not lost.
#[test]
fn a_quotation_mark_draws_no_chips_away() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Site::on(&engine, "a");
    let good = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    for (name, delimiter, closed) in
        [("open", ",", false), ("tab", "\t", false), ("closed", ";", true), ("key", ",", false), ("title", ",", true)]
    {
        let rows: Vec<_> = good
            .lines()
            .take(31)
            .enumerate()
            .map(|(at, row)| {
                let note = match at {
                    0 => "note",
                    5 => "\"bent 5",
                    21 if closed => "so\"",
                    _ => "",
                };
                let row = format!("{}{delimiter}{note}", row.replace(',', delimiter));
                match (name, at) {
                    // Before the key of a chip; in a title, behind which the names come once more.
                    ("key", 5) => row.replacen(",04", ",\"04", 1).replace("\"bent 5", ""),
                    ("title", 0) => format!("\"Delivery note\n{row}"),
                    ("title", 21) => format!("{row}\n{}", good.lines().next().unwrap_or_default().to_owned() + ",note"),
                    ("title", 5) => row.replace("\"bent 5", ""),
                    _ => row,
                }
            })
            .collect();
        let file = site.dir.path().join(format!("{name}.csv"));
        fs::write(&file, rows.join("\n")).expect("written");
        let refused = site.call(name, &["reel", "receive", text(&file), "--reel", "Q", "--product", "Tern Vent"]);
        assert!(refused.exit == Some(1) && refused.said.contains("quotation mark"), "{name}: {}", refused.said);
    }
}

/// A chip that was bent between order and delivery costs its certificate alone; lists of checksums that a spreadsheet's
/// machine wrote are read, and those of another form are said to be none.
#[test]
fn a_chip_bent_before_its_certificate_came_costs_that_alone() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Site::on(&engine, "a");
    site.receive_reel("a");
    let chip = "514C0417034F0B57E6";
    let twice = site.done("scrap", &["chip", "scrap", chip, chip, "--reason", "bent"]);
    assert!(!twice["already"].as_bool().unwrap_or(false), "{twice}");
    let folder = unpacked(&site);
    let sums = Command::new("sh")
        .args(["-c", "rm -f SHA256SUMS; find . -type f | sed 's|^./||' | xargs sha256sum > ../sums"])
        .current_dir(&folder)
        .status();
    assert!(sums.is_ok_and(|status| status.success()));
    let plain = fs::read_to_string(site.dir.path().join("sums")).expect("checksums");
    let wide: Vec<u8> = plain.encode_utf16().flat_map(u16::to_le_bytes).collect();
    fs::write(folder.join("README.txt"), "another text\n").expect("written");
    fs::write(folder.join("SHA256SUMS"), [&[0xFF, 0xFE][..], &wide].concat()).expect("written");
    let changed = site.call("changed", &["delivery", "receive", text(&folder), "--reel", "A"]);
    assert!(changed.exit == Some(1) && changed.said.contains("delivery.checksum"), "{}", changed.said);
    // The list names files by their names alone, and one of them came otherwise.
    let bare: String = plain
        .lines()
        .filter(|line| line.contains("dacs/"))
        .enumerate()
        .map(|(at, line)| {
            if at == 0 {
                line.replacen(&line[..1], if line.starts_with('0') { "1" } else { "0" }, 1)
            } else {
                line.to_owned()
            }
        })
        .map(|line| line.replace("dacs/", "") + "\n")
        .collect();
    fs::write(folder.join("SHA256SUMS"), bare).expect("written");
    let changed = site.call("bare", &["delivery", "receive", text(&folder), "--reel", "A"]);
    let told = changed.json["findings"].to_string();
    assert!(
        changed.exit == Some(1) && told.contains("its SHA-256 is not the one") && !told.contains("did not come"),
        "{told}"
    );
    fs::write(folder.join("SHA512SUMS"), "00\n").expect("written");
    let other: String = plain.lines().map(|line| line.replacen("  ", ";", 1) + "\n").collect();
    fs::write(folder.join("SHA256SUMS"), other).expect("written");
    let received = site.done("received", &["delivery", "receive", text(&folder), "--reel", "A"]);
    assert!(received["findings"].to_string().contains("not a SHA-256 checksum and a name"), "{received}");
    assert_eq!((&received["verdict"], &received["chips"]["spent"]), (&json!("accepted"), &json!([chip])), "{received}");
    assert_eq!(received["certificates"]["accepted"], 400);
    let account = site.reconcile("bent");
    assert_eq!((&account["chips"]["scrapped"], &account["credentials"]["spent"]), (&json!(1), &json!(1)), "{account}");
    let listed = site.done("find", &["unit", "find", "514C"]);
    assert_eq!((listed["found"].as_array().map(Vec::len), &listed["more"]), (Some(50), &json!(true)), "{listed}");
}

/// A manifest whose ids were sorted without their keys: the chips are good, none is scrapped, and the right manifest can
/// be received once the wrong one is withdrawn.
#[test]
fn ids_that_were_sorted_alone_scrap_no_chip() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = crate::at_site::Site::on(&engine, "a");
    let dir = site.dir.path();
    let (chips, manifest, sorted) = (dir.join("chips"), dir.join("manifest.csv"), dir.join("sorted.csv"));
    let simulate = ["chip", "simulate", "--out", text(&chips), "--count", "8", "--seed", "5"];
    site.done("chips", &[&simulate[..], &["--manifest", text(&manifest)]].concat());
    let rows = fs::read_to_string(&manifest).expect("rows");
    let (head, rows) = rows.split_once('\n').expect("a header");
    let (mut ids, keys): (Vec<_>, Vec<_>) = rows.lines().filter_map(|row| row.split_once(',')).unzip();
    ids.rotate_left(1);
    let wrong: String = ids.iter().zip(keys).map(|(id, key)| format!("{id},{key}\n")).collect();
    fs::write(&sorted, format!("{head}\n{wrong}")).expect("written");
    site.done("reel", &["reel", "receive", text(&sorted), "--reel", "R", "--product", "Tern Vent"]);
    site.issue("R");
    let source = format!("simulated:{}", text(&chips));
    let run = ["provision", "--reel", "R", "--station", "S1", "--chips", &source, "--serial-start", "TV-000001"];
    let refused = site.call("exchanged", &run);
    assert_eq!((refused.exit, &refused.json["refused"]), (Some(1), &json!(8)), "{}", refused.said);
    let units = refused.json["units"].as_array().expect("units");
    assert!(units.iter().all(|u| u["cause"] == "key-of-another" && u["unit"].is_null()), "{}", refused.said);
    let account = site.reconcile("exchanged");
    assert_eq!((&account["chips"]["scrapped"], &account["credentials"]["spent"]), (&json!(0), &json!(0)), "{account}");
    site.done("delivery", &["delivery", "withdraw", "R-1"]);
    site.done("reel", &["reel", "withdraw", "R"]);
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "R", "--product", "Tern Vent"]);
    let secret = dir.join("passphrase");
    let issue = ["delivery", "issue", "--reel", "R", "--issuer", "I", "--passphrase-file", text(&secret)];
    site.done("issue", &issue);
    assert_eq!(site.done("put right", &run)["passed"], 8);
}

/// Ids that all lost the same digits: nothing tells it before the station, which knows the chips by their keys.
#[test]
fn chips_whose_ids_lost_digits_are_known_by_their_keys() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = crate::at_site::Site::on(&engine, "a");
    let (chips, manifest) = (site.dir.path().join("chips"), site.dir.path().join("manifest.csv"));
    let simulate = ["chip", "simulate", "--out", text(&chips), "--count", "3", "--seed", "6"];
    site.done("chips", &[&simulate[..], &["--manifest", text(&manifest)]].concat());
    let rows = fs::read_to_string(&manifest).expect("rows");
    let cut = |(at, row): (usize, &str)| format!("{}\n", if at == 0 { row } else { &row[2..] });
    fs::write(&manifest, rows.lines().enumerate().map(cut).collect::<String>()).expect("written");
    site.done("reel", &["reel", "receive", text(&manifest), "--reel", "R", "--product", "Tern Vent"]);
    site.issue("R");
    let source = format!("simulated:{}", text(&chips));
    let run = ["provision", "--reel", "R", "--station", "S1", "--chips", &source, "--serial-start", "TV-000001"];
    let refused = site.call("cut", &run);
    let units = refused.json["units"].as_array().expect("units");
    assert!(units.len() == 3 && units.iter().all(|u| u["cause"] == "key-of-another"), "{}", refused.said);
    assert!(refused.exit == Some(1) && refused.json["ended"] == "nothing-to-do", "{}", refused.said);
    assert!(
        !refused.said.contains("on no reel") && refused.said.contains("took digits off the ids"),
        "{}",
        refused.said
    );
    assert_eq!(site.reconcile("cut")["chips"]["blank"], 3);
}

/// A product ID that was mistyped: another product has it, or no declaration names it where others of the vendor are named.
#[test]
fn a_mistyped_product_id_is_told_where_it_is_typed() {
    let site = crate::at_site::Site::new("a");
    fn typed<'a>(name: &'a str, id: &'a str) -> Vec<&'a str> {
        let typed = ["product", "add", name, "--vendor", "FFF2", "--product", id, "--device-type", "0x0202"];
        [&typed[..], &["--reach", "ble"]].concat()
    }
    let twin = site.done("twin", &typed("Tern Twin", "8A21"))["warnings"].to_string();
    assert!(twin.contains("Product Tern Vent has the identity FFF2 8A21 too"), "{twin}");
    let slip = site.words(&typed("Tern Slip", "8A12"));
    assert!(slip.contains("none yet; those that are here name FFF2 8A21"), "{slip}");
}
