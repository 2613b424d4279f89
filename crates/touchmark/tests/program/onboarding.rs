//! Onboarding data from the book to the device, its label and back: records, codes, cartons, scans.

use std::fs;
use std::path::Path;

use at_site::engine::Engine;
use at_site::{Site, text};
use serde_json::{Value, json};

use crate::at_site;

on_both_engines! {
    records_come_out_of_the_book,
    a_unit_is_found_by_what_is_read_from_it,
    a_swapped_label_names_both_units,
    cartons_have_one_symbol_for_all_their_units,
}

/// A site with `count` units of reel A that passed, TV-000001 and on.
fn made(engine: &Engine, count: usize, product: &[&str]) -> Site {
    let site = Site::bare(&engine.place());
    site.add_with("a", &[&["--vendor-name", "Tern & Hollow"], product].concat());
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, count, &[])));
    let done = provision(&site, &chips);
    assert_eq!(done["passed"], count, "{done}");
    site
}

fn provision(site: &Site, chips: &str) -> Value {
    let at = ["provision", "--reel", "A", "--station", "S1", "--chips", chips, "--serial-start", "TV-000001"];
    site.done("provision", &at)
}

/// QR text and manual code of a unit.
fn codes(site: &Site, unit: &str) -> (String, String) {
    let shown = site.done("unit show", &["unit", "show", unit, "--reveal"]);
    let of = |key: &str| shown["onboarding"][key].as_str().unwrap_or_else(|| panic!("{shown}")).to_owned();
    (of("qr"), of("manual"))
}

#[test]
fn a_product_says_where_its_onboarding_data_goes() {
    let warned = |more: &[&str]| {
        let added =
            Site::bare("sqlite:book.sqlite").add_with("a", &[&["--vendor-name", "Tern & Hollow"], more].concat());
        let warnings = added["warnings"].as_array().unwrap_or_else(|| panic!("{added}")).clone();
        warnings.iter().map(|w| w.as_str().unwrap_or_default().to_owned()).collect::<Vec<_>>()
    };
    let nowhere = warned(&[]);
    assert!(
        matches!(nowhere.as_slice(), [one] if one.contains("goes nowhere") && one.contains("Tern Vent")),
        "{nowhere:?}"
    );
    assert_eq!(warned(&["--factory-record"]), [""; 0]);
    assert_eq!(warned(&["--record", "hex", "--record-address", "0x08030000"]), [""; 0]);

    // The station says it too, before the first chip.
    let site = Site::new("a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, 1, &[])));
    assert_eq!(json!(nowhere), provision(&site, &chips)["warnings"]);

    // A way that the released standard reserves.
    let mut soft = vec!["product", "add", "Soft", "--vendor", "FFF2", "--product", "8A30", "--device-type", "0x0202"];
    soft.extend(["--factory-record", "--vendor-name", "Tern & Hollow", "--reach", "soft-ap,ble"]);
    let added = site.done("product add", &soft);
    assert!(added["warnings"][0].as_str().is_some_and(|w| w.contains("soft-ap")), "{added}");
}

fn files_in(dir: &Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(dir)
        .expect("a folder")
        .map(|e| e.expect("a file").file_name().into_string().expect("UTF-8"))
        .collect();
    names.sort();
    names
}

fn records_come_out_of_the_book(engine: &Engine) {
    let site = made(engine, 3, &["--record", "hex", "--record-address", "0x0803FFF0"]);
    let out = |name: &str| site.dir.path().join("records").join(name);
    let make = |name: &str, more: &[&str]| {
        let path = out(name);
        let answer = site.call("record make", &[&["record", "make", "--out", text(&path)], more].concat());
        (answer.exit, answer.json)
    };
    let (exit, written) = make("all", &["--all"]);
    assert_eq!(exit, Some(0), "{written}");
    assert_eq!(files_in(&out("all")), ["TV-000001.hex", "TV-000002.hex", "TV-000003.hex", "index.csv"]);
    let index = fs::read_to_string(out("all").join("index.csv")).expect("the index");
    let mut lines = index.lines();
    assert_eq!(lines.next(), Some("unit,chip_id,file,address,size,sha256"));
    for (line, record) in lines.zip(written["records"].as_array().expect("lines")) {
        let fields: Vec<_> = line.split(',').collect();
        let key = |name: &str| record[name].as_str().map_or_else(|| record[name].to_string(), str::to_owned);
        assert_eq!(fields, ["unit", "chip_id", "file", "address", "size", "sha256"].map(key));
        assert_eq!(fields[3], "0x0803FFF0");
        let file = out("all").join(fields[2]);
        let digest = aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, &fs::read(&file).expect("a record"));
        assert_eq!(fields[5], hex::encode(digest));
        let shown = site.done("record show", &["record", "show", text(&file)]);
        assert_eq!((&shown["serial_number"], &shown["carrier"]), (&json!(fields[0]), &json!("intel-hex")));
        assert_eq!((&shown["address"], &shown["vendor_id"]), (&json!("0x0803FFF0"), &json!("FFF2")));
        let story = site.done("unit show", &["unit", "show", fields[0]]);
        assert_eq!(story["chip"]["chip_id"], fields[1]);
        assert_eq!(story["onboarding"]["discriminator"], shown["discriminator"]);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(fs::metadata(&file).expect("a file").permissions().mode() & 0o777, 0o600);
        }
    }

    // The same again, octet for octet: a device flashed twice keeps its rotating id. The verifier is the label's.
    let (exit, again) = make("again", &["TV-000002", "--format", "cbor"]);
    assert_eq!((exit, again["records"].as_array().map(Vec::len)), (Some(0), Some(1)), "{again}");
    let reveal = |file: &Path| site.done("record show", &["record", "show", text(file), "--reveal"]);
    let (first, second) = (reveal(&out("all").join("TV-000002.hex")), reveal(&out("again").join("TV-000002.cbor")));
    assert_eq!((&first["rotating_id"], &first["verifier"]), (&second["rotating_id"], &second["verifier"]));
    let other = reveal(&out("all").join("TV-000001.hex"));
    assert_ne!(first["rotating_id"], other["rotating_id"]);
    let passcode = site.done("unit show", &["unit", "show", "TV-000002", "--reveal"])["onboarding"]["passcode"].clone();
    let check = |word: &'static str| first[word].as_str().unwrap_or_default().to_owned();
    let iterations = first["iterations"].to_string();
    let mut verifier = vec!["verifier", "check", "--passcode", passcode.as_str().expect("a passcode")];
    let (salt, value) = (check("salt"), check("verifier"));
    verifier.extend(["--salt", &salt, "--iterations", &iterations, "--verifier", &value]);
    site.done("the verifier is that of the label's passcode", &verifier);

    let (exit, image) =
        make("image", &["--reel", "A", "--format", "image", "--region", "1024", "--address", "64", "--bundle"]);
    assert_eq!(
        (exit, files_in(&out("image"))),
        (Some(0), vec!["index.csv".to_owned(), "records.zip".into()]),
        "{image}"
    );
    assert_eq!((&image["records"][0]["size"], &image["records"][0]["address"]), (&json!(1024), &json!("0x00000040")));

    // The act is an entry of the log.
    let story = site.done("unit show", &["unit", "show", "TV-000002"]);
    assert!(story["entries"].as_array().is_some_and(|e| e.iter().any(|e| e["act"] == "record.make")), "{story}");

    // Nothing half done: a directory in use, a region too small, a passcode that is gone.
    assert_eq!(make("all", &["--all"]).0, Some(2));
    assert_eq!(make("small", &["--all", "--format", "image", "--region", "64"]).0, Some(2));
    assert_eq!(make("nobody", &["TV-000009"]).0, Some(2));
    site.done("passcode erase", &["passcode", "erase", "TV-000002", "--unprinted"]);
    let (exit, refused) = make("erased", &["TV-000001", "TV-000002"]);
    let message = refused["error"]["message"].as_str().unwrap_or_default();
    assert!(exit == Some(1) && message.contains("erased") && message.contains("TV-000002"), "{refused}");
    assert!(!message.contains("TV-000001"), "{refused}");
    // Of a reel and of all it is left out, as labels leave it out, and named.
    for (case, which) in [("rest", &["--all"][..]), ("reel", &["--reel", "A"])] {
        let (exit, made) = make(case, which);
        let units: Vec<_> = made["records"].as_array().expect("records").iter().map(|r| r["unit"].clone()).collect();
        assert_eq!((exit, &made["left_out"]), (Some(0), &json!(["TV-000002"])), "{made}");
        assert!(!units.is_empty() && !units.contains(&json!("TV-000002")), "{made}");
    }
    assert!(site.words(&["unit", "show", "TV-000002"]).contains("passcode    erased"));
    // A carton that it lay in can't be told from the others any more, but by whoever names its units.
    let carton = site.call("carton", &["label", "print", "--all", "--carton", "2", "--out", "cartons.pdf"]);
    assert!(
        carton.exit == Some(1) && carton.said.contains("TV-000002") && carton.said.contains("which carton"),
        "{}",
        carton.said
    );
    // What belongs to the site is no place for an output.
    for name in ["site/keys/site.key", "site/touchmark.toml", "site/keys/log.key", "site/book.sqlite"] {
        let own = site.dir.path().join(name);
        let Ok(before) = fs::read(&own) else { continue };
        let code = [
            "code",
            "make",
            "--vendor",
            "FFF2",
            "--product",
            "8A21",
            "--discriminator",
            "3840",
            "--passcode",
            "20202021",
        ];
        for typed in [
            [&code[..], &["--reach", "ble", "--svg", text(&own)]].concat(),
            vec!["label", "print", "TV-000001", "--format", "svg", "--out", text(&own)],
            vec!["book", "head", "--out", text(&own)],
        ] {
            let refused = site.call(name, &typed);
            assert!(
                refused.exit == Some(2) && refused.said.contains("belongs to a site"),
                "{typed:?}: {}",
                refused.said
            );
        }
        assert_eq!(fs::read(&own).expect("there"), before, "{name}");
    }
    // One that is revoked gets no record, whoever asks for it.
    site.done("revoke", &["revoke", "--unit", "TV-000001", "--reason", "key-compromise", "--out", "request.json"]);
    for which in [&["--all"][..], &["TV-000001"]] {
        let (exit, refused) = make("revoked", which);
        let message = refused["error"]["message"].as_str().unwrap_or_default();
        assert!(exit == Some(1) && message.contains("TV-000001 gets no factory record"), "{refused}");
        assert!(message.contains("no list that is kept here names it yet"), "{refused}");
    }
    let listed = site.done("list", &["unit", "list"]);
    let marked = |unit: &str| {
        listed["units"].as_array().expect("units").iter().find(|u| u["unit"] == unit).expect("a unit")["revoked"]
            .clone()
    };
    assert!(marked("TV-000001").as_str().is_some_and(|what| what.contains("revoked")), "{listed}");
    assert_eq!(marked("TV-000002"), serde_json::Value::Null);
    assert!(site.words(&["unit", "list"]).contains("REVOKED"));
    assert_eq!(files_in(&site.dir.path().join("records")), ["again", "all", "image", "reel", "rest"]);
}

fn a_unit_is_found_by_what_is_read_from_it(engine: &Engine) {
    let site = made(engine, 3, &["--record", "cbor", "--serial-in-qr"]);
    let (qr, manual) = codes(&site, "TV-000002");
    let read = site.done("code read", &["code", "read", &qr]);
    assert_eq!(read["optional"]["serial_number"], "TV-000002", "{read}");
    let story = site.done("unit show", &["unit", "show", "TV-000002"]);
    let of = |path: &str| {
        story.pointer(path).and_then(Value::as_str).unwrap_or_else(|| panic!("{path}: {story}")).to_owned()
    };
    let (chip, credential) = (of("/chip/chip_id"), of("/credential/serial"));
    let hyphens = format!("{}-{}-{}", &manual[..4], &manual[4..7], &manual[7..]);
    for (case, typed) in [
        ("QR text", qr.clone()),
        ("QR text in small letters", qr.to_lowercase()),
        ("QR text as a scanner sends it", format!("]Q1{qr}")),
        ("manual code", manual.clone()),
        ("manual code with hyphens", hyphens),
        ("chip id", chip.clone()),
        ("chip id in small letters", chip.to_lowercase()),
        ("serial number in small letters", "tv-000002".into()),
        ("end of the serial number", "0002".into()),
        ("credential", credential),
    ] {
        let found = site.done(case, &["unit", "find", &typed]);
        assert_eq!(found["found"][0]["unit"], "TV-000002", "{case}: {found}");
        assert!(
            case == "end of the serial number" || found["found"].as_array().map(Vec::len) == Some(1),
            "{case}: {found}"
        );
    }
    let several = site.done("a beginning of several", &["unit", "find", "tv-00000"]);
    let units: Vec<_> = several["found"].as_array().expect("a list").iter().map(|found| &found["unit"]).collect();
    assert_eq!(units, ["TV-000001", "TV-000002", "TV-000003"]);
    for nobody in ["MT:Y.K9042C00KA0648G00", "34970112332", "zebra", "%002"] {
        let answer = site.call("nobody's", &["unit", "find", nobody]);
        assert_eq!((answer.exit, &answer.json), (Some(1), &json!({ "found": [] })), "{nobody}");
    }
}

fn a_swapped_label_names_both_units(engine: &Engine) {
    let site = made(engine, 3, &["--record", "cbor"]);
    let check = |unit: &str, scanned: &str| {
        let answer = site.call("label check", &["label", "check", scanned, "--unit", unit]);
        (answer.exit, answer.json)
    };
    let (qr, manual) = codes(&site, "TV-000002");
    assert_eq!(check("TV-000002", &qr).0, Some(0));
    for scanned in [&qr, &manual, &format!("{}-{}-{}", &manual[..4], &manual[4..7], &manual[7..])] {
        let (exit, said) = check("TV-000001", scanned);
        assert_eq!(
            (exit, &said["cause"], &said["belongs_to"]),
            (Some(1), &json!("other-unit"), &json!("TV-000002")),
            "{said}"
        );
        let advice = said["advice"].as_str().unwrap_or_default();
        assert!(advice.contains("TV-000001") && advice.contains("TV-000002"), "{said}");
        assert!(!said.to_string().contains(&qr[3..]) && !said.to_string().contains(&manual), "no code is shown");
    }
    // Nobody's here, by the worked values that are common practice in the trade.
    let (exit, said) = check("TV-000001", "MT:Y.K9042C00KA0648G00");
    assert_eq!((exit, &said["cause"], &said["belongs_to"]), (Some(1), &json!("other-code"), &Value::Null), "{said}");
}

fn cartons_have_one_symbol_for_all_their_units(engine: &Engine) {
    let site = made(engine, 5, &["--record", "cbor"]);
    let file = |name: &str| site.dir.path().join(name);
    let printed =
        site.done("cartons", &["label", "print", "--all", "--carton", "2", "--out", text(&file("cartons.pdf"))]);
    assert_eq!(
        (&printed["labels"], &printed["decoded"], &printed["units"], &printed["template"]),
        (&json!(3), &json!(3), &json!(5), &json!("multipack")),
        "{printed}"
    );
    // Scanned for one of its own units, the carton's symbol is named as that; for another one it is a wrong label.
    let ((first, _), (second, _)) = (codes(&site, "TV-000001"), codes(&site, "TV-000002"));
    let carton = format!("{first}*{}", second.trim_start_matches("MT:"));
    for (unit, cause) in [("TV-000001", "carton"), ("TV-000002", "carton"), ("TV-000005", "other-unit")] {
        let checked = site.call(unit, &["label", "check", &carton, "--unit", unit]);
        assert_eq!((checked.exit, &checked.json["cause"]), (Some(1), &json!(cause)), "{unit}: {}", checked.said);
        let advice = checked.json["advice"].as_str().expect("advice");
        assert!(cause != "carton" || advice.contains(&format!("contains unit {unit}")), "{advice}");
        assert!(!checked.said.contains(&carton), "the codes are not repeated");
    }
    let one = site.call("one", &["label", "print", "--all", "--carton", "1", "--out", text(&file("one.pdf"))]);
    assert_eq!(one.exit, Some(2), "{}", one.said);
    let out = file("plain.pdf");
    let plain = ["label", "print", "--all", "--carton", "2", "--template", "device", "--out", text(&out)];
    let plain = site.call("a template with a manual code", &plain);
    assert_eq!(plain.exit, Some(1), "{}", plain.said);
    assert!(!file("one.pdf").exists() && !file("plain.pdf").exists());
}

/// What a record is for is the product's purpose, which a vendor ID says only where it is a test one. Made from values
/// with an identifier that nobody was given for tests.
#[test]
fn a_shown_record_says_what_is_known_of_its_purpose() {
    let site = Site::bare("sqlite:book.sqlite");
    let file = |name: &str| site.dir.path().join(name);
    let (from, record) = (file("unit.toml"), file("unit.cbor"));
    let show = |case: &str| {
        let shown = site.done(case, &["record", "show", text(&record)]);
        (shown["purpose"].clone(), shown["purpose_from"].clone(), shown["test"].clone())
    };
    for vendor in ["2F01", "FFF2"] {
        let told = format!(
            "serial_number = 'TV-000017'\nvendor_id = '{vendor}'\nvendor_name = 'Tern & Hollow'\nproduct_id = '8A21'\n\
             product_name = 'Tern Vent'\nhardware_version = 3\nmanufactured = '2026-11-25'\ndiscriminator = 3840\n\
             salt = '5350414b453250204b65792053616c74'\niterations = 1000\npasscode = 20202021\n"
        );
        fs::write(&from, told).expect("a description");
        let _ = fs::remove_file(&record);
        site.done(vendor, &["record", "make", "--from", text(&from), "--cbor", text(&record)]);
        if vendor == "FFF2" {
            assert_eq!(show("by its vendor ID"), (json!("test"), json!("vendor-id"), json!(true)));
            continue;
        }
        assert_eq!(show("a file alone"), (Value::Null, Value::Null, json!(false)));
        let mut add = vec!["product", "add", "Tern Vent", "--vendor", vendor, "--product", "8A21", "--device-type"];
        add.extend(["514", "--reach", "ble", "--vendor-name", "Tern & Hollow", "--purpose", "test"]);
        site.done("product", &add);
        assert_eq!(show("by the book"), (json!("test"), json!("book"), json!(true)));
        add[2] = "Tern Vent Plus";
        add.pop();
        add.push("production");
        site.done("product", &add);
        // Two products of these identifiers, and no unit here that says which.
        assert_eq!(show("either"), (Value::Null, Value::Null, json!(false)));
    }
}
