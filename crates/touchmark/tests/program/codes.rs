//! `code`, `verifier` and `record` from the command line.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::{Value, json};

use crate::called;

fn touchmark(arguments: &[&str]) -> Output {
    called::touchmark(Path::new("."), arguments)
}

/// Exit code and the one JSON document.
fn asked(arguments: &[&str]) -> (i32, Value) {
    let output = touchmark(&[&["--json"], arguments].concat());
    (output.status.code().unwrap(), called::json(&output))
}

fn rules(document: &Value) -> Vec<&str> {
    document["findings"].as_array().unwrap().iter().map(|finding| finding["rule"].as_str().unwrap()).collect()
}

const MAKE: [&str; 12] = [
    "code",
    "make",
    "--vendor",
    "FFF1",
    "--product",
    "8000",
    "--discriminator",
    "3840",
    "--passcode",
    "20202021",
    "--reach",
    "ble",
];

/// [`MAKE`] with one value replaced.
fn make_with<'a>(option: &str, value: &'a str) -> Vec<&'a str> {
    let mut arguments: Vec<&str> = MAKE.to_vec();
    let at = arguments.iter().position(|argument| *argument == option).unwrap();
    arguments[at + 1] = value;
    arguments
}

/// Worked values, common practice in the trade.
#[test]
fn a_code_is_made_and_read() {
    let (exit, made) = asked(&MAKE);
    assert_eq!(exit, 0);
    assert_eq!(
        made,
        json!({"qr": "MT:Y.K9042C00KA0648G00", "manual": "34970112332", "manual_printed": "3497-011-2332",
               "vendor_id": "FFF1", "product_id": "8000", "test": true, "flow": "standard", "reach": ["ble"],
               "discriminator": 3840, "passcode": 20202021})
    );
    let (exit, read) = asked(&["code", "read", "MT:Y.K9042C00KA0648G00"]);
    assert_eq!(exit, 0);
    for key in ["qr", "manual", "vendor_id", "product_id", "flow", "reach", "discriminator", "passcode"] {
        assert_eq!(read[key], made[key], "{key}");
    }
    assert_eq!((&read["verdict"], &read["findings"]), (&json!("accepted"), &json!([])));

    let (exit, read) = asked(&["code", "read", "3497-011-2332"]);
    assert_eq!(
        (exit, read),
        (
            0,
            json!({"form": "manual", "manual": "34970112332", "flow": "standard", "short_discriminator": 15,
                   "passcode": 20202021, "verdict": "accepted", "findings": []})
        )
    );
    let words = touchmark(&["code", "read", "3497 011 2332"]);
    assert!(String::from_utf8_lossy(&words.stdout).contains("3497-011-2332"));
}

#[test]
fn a_faulty_code_is_rejected() {
    for (text, rule) in [
        ("34970112333", "code.check-digit"),
        ("mt:Y.K9042C00KA0648G00", "code.prefix"),
        ("MT:Y.K9042C00KA0648G0", "code.length"),
        ("-", "code.length"),
        ("", "code.length"),
        ("--", "code.length"),
        ("-3497", "code.length"),
    ] {
        let (exit, read) = asked(&["code", "read", "--", text]);
        assert_eq!((exit, read["verdict"].as_str(), rules(&read)), (1, Some("rejected"), vec![rule]), "{text}");
        let finding = &read["findings"][0];
        for key in ["severity", "subject", "clause", "required", "found", "advice"] {
            assert!(finding[key].as_str().is_some_and(|text| !text.is_empty()), "{key}");
        }
    }
    let (exit, read) = asked(&["code", "read", "MT:Y.K9042C00KA0648G00*Y.K9042C00KA0648G0"]);
    assert_eq!((exit, rules(&read)), (1, vec!["code.length"]));
    assert_eq!(read["payloads"].as_array().map(Vec::len), Some(2));
    assert_eq!(read["payloads"][0]["passcode"], 20202021);
    assert_eq!(read["findings"][0]["subject"], "payload 2");
}

#[test]
fn a_value_that_breaks_a_rule_makes_nothing() {
    let directory = tempfile::tempdir().unwrap();
    let svg = directory.path().join("code.svg");
    let svg = svg.to_str().unwrap();
    for (option, value, rule) in [
        ("--passcode", "11111111", "code.passcode"),
        ("--passcode", "12345678", "code.passcode"),
        ("--passcode", "0", "code.passcode"),
        ("--passcode", "99999999", "code.passcode"),
        ("--passcode", "-20202021", "code.passcode"),
        ("--passcode", "2020202l", "code.passcode"),
        ("--discriminator", "4096", "code.discriminator"),
        ("--discriminator", "-1", "code.discriminator"),
        ("--vendor", "FFF5", "code.vendor-id"),
        ("--vendor", "0000", "code.vendor-id"),
        ("--vendor", "65521", "code.vendor-id"),
        ("--product", "80000", "code.product-id"),
        ("--reach", "bluetooth", "code.reach"),
        ("--reach", "", "code.reach"),
    ] {
        let mut arguments = make_with(option, value);
        arguments.extend(["--svg", svg]);
        let (exit, failed) = asked(&arguments);
        let message = failed["error"]["message"].as_str().unwrap();
        assert_eq!((exit, failed["error"]["kind"].as_str()), (2, Some("usage")), "{option} {value}");
        assert!(message.contains(rule), "{option} {value}: {message}");
        assert!(failed["error"]["advice"].as_str().is_some_and(|advice| !advice.is_empty()));
        assert!(option != "--passcode" || value.len() < 2 || !message.replace("12345678", "").contains(value));
        assert_eq!(std::fs::read_dir(directory.path()).unwrap().count(), 0, "{option} {value}");
    }
    let flow = [&MAKE[..], &["--flow", "unusual"]].concat();
    assert!(asked(&flow).1["error"]["message"].as_str().unwrap().contains("code.flow"));
    // A flow that is not standard needs both IDs in its manual code.
    let custom = [&make_with("--product", "0000")[..], &["--flow", "custom"]].concat();
    assert!(asked(&custom).1["error"]["message"].as_str().unwrap().contains("code.product-id"));
    let (exit, untold) = asked(&make_with("--product", "0000"));
    assert_eq!((exit, untold["product_id"].as_str()), (0, Some("0000")));
    let unwritten = [&MAKE[..], &["--svg", svg, "--png", "/nowhere/code.png"]].concat();
    assert_eq!(asked(&unwritten).0, 3);
    assert_eq!(std::fs::read_dir(directory.path()).unwrap().count(), 0);
}

#[test]
fn optional_data_goes_both_ways_by_name() {
    let salt = "000102030405060708090a0b0c0d0e0f";
    let options = ["--serial-number", "TV-000017", "--iterations", "1000", "--salt", salt, "--devices", "12"];
    let more =
        ["--timeout", "900", "--maker-tag", "0x80=batch 7", "--maker-tag", "0xFF=-2", "--maker-tag", "0x81=text:42"];
    let (exit, made) = asked(&[&MAKE[..], &options, &more].concat());
    let optional = json!({"serial_number": "TV-000017", "iterations": 1000, "salt": salt, "devices": 12, "timeout": 900,
        "maker_tags": {"0x80": "batch 7", "0x81": "42", "0xFF": -2}});
    assert_eq!((exit, &made["optional"]), (0, &optional), "{made}");
    let (exit, read) = asked(&["code", "read", made["qr"].as_str().unwrap()]);
    assert_eq!((exit, &read["optional"], rules(&read)), (0, &optional, vec![]));
    assert_eq!((&read["extra"], &read["passcode"]), (&made["extra"], &json!(20202021)));
    let words = touchmark(&["code", "read", made["qr"].as_str().unwrap()]);
    assert!(String::from_utf8_lossy(&words.stdout).contains("maker's tag 0x80"), "{words:?}");
    let (_, integer) = asked(&[&MAKE[..], &["--serial-integer", "17"]].concat());
    assert_eq!(integer["optional"], json!({"serial_number": 17}));

    for (option, value) in [
        ("--serial-number", "123456789012345678901234567890123"),
        ("--serial-number", ""),
        ("--serial-integer", "-1"),
        ("--iterations", "999"),
        ("--iterations", "100001"),
        ("--salt", "000102030405060708090a0b0c0d0e"),
        ("--salt", "salt"),
        ("--devices", "0"),
        ("--devices", "256"),
        ("--timeout", "65536"),
        ("--maker-tag", "0x7F=1"),
        ("--maker-tag", "0x80"),
        ("--extra", "153000014118"),
    ] {
        let (exit, failed) = asked(&[&MAKE[..], &[option, value]].concat());
        let message = failed["error"]["message"].as_str().unwrap();
        assert!(exit == 2 && message.contains("code.extra"), "{option} {value}: {message}");
    }
    // A number of devices of 0, as another program may have written it.
    let (exit, read) = asked(&["code", "read", "MT:Y.K9042C00KA064IJ3P06L000O0"]);
    assert!(exit == 1 && rules(&read).contains(&"code.extra"), "{read}");
}

#[test]
fn the_soft_access_point_warns_and_is_no_error() {
    let (exit, made) = asked(&make_with("--reach", "soft-ap,ble"));
    assert!(exit == 0 && made["warnings"][0].as_str().is_some_and(|w| w.contains("soft-ap")), "{made}");
    let (exit, read) = asked(&["code", "read", made["qr"].as_str().unwrap()]);
    assert_eq!((exit, read["verdict"].as_str(), rules(&read)), (0, Some("accepted"), vec!["code.reach"]), "{read}");
    assert_eq!(read["findings"][0]["severity"], "warning");
    let words = touchmark(&make_with("--reach", "soft-ap"));
    assert!(String::from_utf8_lossy(&words.stderr).contains("warning: soft-ap"), "{words:?}");
}

#[test]
fn several_codes_go_into_one_symbol() {
    let directory = tempfile::tempdir().unwrap();
    let png = directory.path().join("pack.png");
    let png = png.to_str().unwrap();
    let one = |number: u32| {
        let (exit, made) = asked(&make_with("--passcode", &(20_202_021 + number).to_string()));
        assert_eq!(exit, 0);
        made["qr"].as_str().unwrap().to_owned()
    };
    let texts: Vec<String> = (0..3).map(one).collect();
    let all: Vec<&str> = texts.iter().map(String::as_str).collect();
    let (exit, joined) = asked(&[&["code", "join", "--png", png][..], &all].concat());
    assert_eq!((exit, &joined["payloads"]), (0, &json!(3)), "{joined}");
    let text = joined["qr"].as_str().unwrap();
    assert_eq!(text, format!("{}*{}*{}", all[0], &all[1][3..], &all[2][3..]));
    let (exit, read) = asked(&["code", "read", text]);
    assert_eq!((exit, read["payloads"].as_array().map(Vec::len)), (0, Some(3)));
    assert_eq!(read["payloads"][2]["passcode"], 20_202_023);
    assert!(std::fs::metadata(png).is_ok());

    for (why, wrong, exit_code) in [
        ("Code 2", vec![all[0], all[0]], 2),
        ("Code 2", vec![all[0], "34970112332"], 2),
        ("code.length", vec![all[0], "MT:Y.K9042C00KA0648G0"], 2),
    ] {
        let (exit, failed) = asked(&[&["code", "join"][..], &wrong].concat());
        assert!(exit == exit_code && failed["error"]["message"].as_str().unwrap().contains(why), "{failed}");
    }
}

/// 169 payloads are what 3391 alphanumeric characters hold (ISO/IEC 18004 table 7, version 40 at level M).
#[test]
fn a_symbol_holds_so_many_codes_and_no_more() {
    use std::io::Write;
    let join = |count: u32| {
        let mut child = Command::new(env!("CARGO_BIN_EXE_touchmark"))
            .args(["--json", "code", "join", "-"])
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        let passcodes = (1..=count).map(|n| standard::onboarding::Passcode::new(1000 + n).unwrap());
        let lines = passcodes.map(|passcode| {
            let ids = (standard::ids::VendorId::new(0xFFF1).ok(), standard::ids::ProductId::new(0x8000).ok());
            let discriminator = standard::onboarding::Discriminator::new(3840).unwrap();
            let reach = standard::onboarding::Reach::from_bits(2).unwrap();
            let flow = standard::onboarding::Flow::Standard;
            standard::onboarding::Payload::new(ids, flow, reach, discriminator, passcode).unwrap().qr_text() + "\n"
        });
        child.stdin.take().unwrap().write_all(lines.collect::<String>().as_bytes()).unwrap();
        let done = child.wait_with_output().unwrap();
        (done.status.code(), serde_json::from_slice::<Value>(&done.stdout).unwrap())
    };
    let (exit, joined) = join(169);
    assert_eq!((exit, &joined["payloads"], &joined["modules"]), (Some(0), &json!(169), &json!(177)));
    let (exit, refused) = join(170);
    let message = refused["error"]["message"].as_str().unwrap();
    assert!(exit == Some(2) && message.contains("3402") && message.contains("3391"), "{refused}");
}

#[test]
fn symbols_are_written() {
    let directory = tempfile::tempdir().unwrap();
    let [svg, png] = ["code.svg", "code.png"].map(|name| directory.path().join(name));
    let arguments = [&MAKE[..], &["--svg", svg.to_str().unwrap(), "--png", png.to_str().unwrap()]].concat();
    assert_eq!(asked(&arguments).0, 0);
    assert!(std::fs::read_to_string(svg).unwrap().starts_with("<svg "));
    // PNG signature (ISO/IEC 15948 5.2).
    assert!(std::fs::read(png).unwrap().starts_with(b"\x89PNG\r\n\x1a\n"));
}

const SALT: &str = "5350414b453250204b65792053616c74";

/// The values were computed with Python's hashlib and its `cryptography`.
#[test]
fn a_verifier_is_derived_and_checked() {
    let given = ["--passcode", "20202021", "--salt", SALT, "--iterations", "1000"];
    let (exit, derived) = asked(&[&["verifier", "derive"][..], &given].concat());
    assert_eq!(exit, 0);
    assert_eq!(derived["w0"], "b96170aae803346884724fe9a3b287c30330c2a660375d17bb205a8cf1aecb35");
    let verifier = derived["verifier"].as_str().unwrap();
    assert_eq!(verifier, format!("{}{}", derived["w0"].as_str().unwrap(), derived["l"].as_str().unwrap()));

    let check = |given: &[&str], verifier: &str| {
        let (exit, checked) = asked(&[&["verifier", "check"][..], given, &["--verifier", verifier]].concat());
        (exit, rules(&checked).into_iter().map(str::to_owned).collect::<Vec<_>>())
    };
    assert_eq!(check(&given, verifier), (0, vec![]));
    assert_eq!(check(&given, derived["verifier_base64"].as_str().unwrap()), (0, vec![]));
    assert_eq!(check(&given, &verifier.to_uppercase()), (0, vec![]));
    let mut off_curve = verifier.to_owned();
    off_curve.replace_range(193.., if verifier.ends_with('0') { "1" } else { "0" });
    assert_eq!(check(&given, &off_curve), (1, vec!["verifier.point".into()]));
    let with = |option: &str, value: &'static str| {
        let mut given = given.to_vec();
        let at = given.iter().position(|argument| *argument == option).unwrap();
        given[at + 1] = value;
        check(&given, verifier)
    };
    assert_eq!(with("--passcode", "20202022"), (1, vec!["verifier.mismatch".into()]));
    assert_eq!(with("--passcode", "22222222"), (1, vec!["code.passcode".into()]));
    assert_eq!(with("--iterations", "999"), (1, vec!["verifier.iterations".into()]));
    assert_eq!(with("--iterations", "4294967296"), (1, vec!["verifier.iterations".into()]));
    assert_eq!(with("--salt", "00112233445566778899aabbccddee"), (1, vec!["verifier.salt".into()]));
}

#[test]
fn a_verifier_outside_the_bounds_is_not_derived() {
    for (given, said) in [
        (["20202021", SALT, "999"], "verifier.iterations"),
        (["20202021", SALT, "100001"], "verifier.iterations"),
        (["20202021", SALT, "1e4"], "verifier.iterations"),
        (["20202021", "00112233445566778899aabbccddee", "1000"], "verifier.salt"),
        (["20202021", "", "1000"], "verifier.salt"),
        (["20202021", "salt", "1000"], "hex"),
        (["33333333", SALT, "1000"], "code.passcode"),
    ] {
        let [passcode, salt, iterations] = given;
        let arguments = ["verifier", "derive", "--passcode", passcode, "--salt", salt, "--iterations", iterations];
        let (exit, failed) = asked(&arguments);
        assert_eq!(exit, 2, "{given:?}");
        assert!(failed["error"]["message"].as_str().unwrap().contains(said), "{failed}");
    }
}

const DESCRIPTION: &str = r#"
serial_number = "TV-000017"
vendor_id = "FFF2"
vendor_name = "Tern & Hollow"
product_id = "8A21"
product_name = "Tern Vent"
hardware_version = 3
manufactured = "2026-11-25"
discriminator = 3840
salt = "5350414b453250204b65792053616c74"
iterations = 1000
passcode = 20202021
"#;

fn files_in(directory: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(directory).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn a_record_is_made_and_shown() {
    let directory = tempfile::tempdir().unwrap();
    let path = |name: &str| directory.path().join(name).to_str().unwrap().to_owned();
    std::fs::write(path("unit.toml"), DESCRIPTION).unwrap();
    let (from, cbor, image, hex) = (path("unit.toml"), path("unit.cbor"), path("unit.bin"), path("unit.hex"));
    let make = ["record", "make", "--from", &from, "--cbor", &cbor, "--image", &image, "--region", "4096"];
    let (exit, made) = asked(&[&make[..], &["--hex", &hex, "--address", "0x8030000"]].concat());
    assert_eq!(exit, 0, "{made}");
    assert_eq!(made["record"]["verifier"], Value::Null);
    assert_eq!(made["record"]["holds_passcode"], false);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(std::fs::metadata(&cbor).unwrap().permissions().mode() & 0o777, 0o600);
    }
    for (file, carrier) in [(&cbor, "cbor"), (&image, "image"), (&hex, "intel-hex")] {
        let (exit, shown) = asked(&["record", "show", file]);
        assert_eq!((exit, shown["carrier"].as_str()), (0, Some(carrier)));
        assert_eq!(shown["serial_number"], "TV-000017");
        assert_eq!(shown["verifier"], Value::Null);
    }
    let (_, shown) = asked(&["record", "show", &cbor, "--reveal"]);
    let verifier = shown["verifier"].as_str().unwrap().to_owned();
    assert!(verifier.starts_with("b96170aae803346884724fe9a3b287c30330c2a660375d17bb205a8cf1aecb35"));
    assert_eq!(shown["passcode"], Value::Null);

    // JSON, with the verifier in the place of the passcode, gives the same record.
    let description = json!({"serial_number": "TV-000017", "vendor_id": "FFF2", "vendor_name": "Tern & Hollow",
        "product_id": "8A21", "product_name": "Tern Vent", "hardware_version": 3, "manufactured": "20261125",
        "discriminator": "0xF00", "salt": SALT, "iterations": 1000, "verifier": verifier,
        "rotating_id": shown["rotating_id"]});
    std::fs::write(path("unit.json"), description.to_string()).unwrap();
    let (exit, _) = asked(&["record", "make", "--from", &path("unit.json"), "--cbor", &path("again.cbor")]);
    assert_eq!(exit, 0);
    assert_eq!(std::fs::read(path("again.cbor")).unwrap(), std::fs::read(&cbor).unwrap());

    // Only by name does the passcode go in, and only by name is it shown.
    let (exit, made) = asked(&[&make[..6], &["--with-passcode"]].concat());
    assert_eq!((exit, &made["record"]["holds_passcode"], &made["record"]["passcode"]), (0, &json!(true), &Value::Null));
    assert_eq!(asked(&["record", "show", &cbor, "--reveal"]).1["passcode"], 20202021);
}

#[test]
fn a_record_that_is_wrong_is_not_written() {
    let directory = tempfile::tempdir().unwrap();
    let path = |name: &str| directory.path().join(name).to_str().unwrap().to_owned();
    let from = path("unit.toml");
    let cbor = path("unit.cbor");
    let lacking = DESCRIPTION.replace("vendor_name = \"Tern & Hollow\"\n", "");
    let other = "00".repeat(32)
        + "0457f8ab79ee253ab6a8e46bb09e543ae422736de501e3db37d441fe344920d09548e4c18240630c4\
                                   ff4913c53513839b7c07fcc0627a1b8573a149fcd1fa466cf";
    for (name, description, more, said) in [
        ("a value missing", lacking, vec![], "vendor name"),
        ("an unknown key", format!("{DESCRIPTION}pass_code = 1\n"), vec![], "pass_code"),
        ("not TOML", "serial_number = ".to_owned(), vec![], "line 1"),
        ("a forbidden passcode", DESCRIPTION.replace("20202021", "11111111"), vec![], "code.passcode"),
        ("no vendor's ID", DESCRIPTION.replace("FFF2", "FFF9"), vec![], "code.vendor-id"),
        ("no day", DESCRIPTION.replace("11-25", "11-31"), vec![], "manufacturing date"),
        ("too long a name", DESCRIPTION.replace("Tern Vent", &"Tern ".repeat(7)), vec![], "35 bytes"),
        (
            "too few iterations",
            DESCRIPTION.replace("iterations = 1000", "iterations = 10"),
            vec![],
            "verifier.iterations",
        ),
        ("a salt too short", DESCRIPTION.replace("53616c74", ""), vec![], "verifier.salt"),
        ("another's verifier", format!("{DESCRIPTION}verifier = \"{other}\"\n"), vec![], "verifier.mismatch"),
        ("a region too small", DESCRIPTION.to_owned(), vec!["--image", "x.bin", "--region", "64"], "region"),
        (
            "an address too high",
            DESCRIPTION.to_owned(),
            vec!["--hex", "x.hex", "--address", "0xFFFFFFF0"],
            "0xFFFFFFFF",
        ),
        ("a file that is not there", DESCRIPTION.to_owned(), vec!["--dac", "nowhere.der"], "nowhere.der"),
        ("a file that is no certificate", DESCRIPTION.to_owned(), vec!["--dac", "Cargo.toml"], "neither DER nor PEM"),
    ] {
        std::fs::write(&from, description).unwrap();
        let (exit, failed) = asked(&[&["record", "make", "--from", &from, "--cbor", &cbor][..], &more].concat());
        let message = failed["error"]["message"].as_str().unwrap();
        assert_eq!(exit, 2, "{name}: {message}");
        assert!(message.contains(said), "{name}: {message}");
        assert!(!message.contains("11111111"), "{name}: {message}");
        assert_eq!(files_in(directory.path()), ["unit.toml"], "{name}");
    }
    std::fs::write(&from, DESCRIPTION).unwrap();
    assert_eq!(asked(&["record", "make", "--from", &from]).0, 2);
    std::fs::write(&cbor, [0xA0]).unwrap();
    let (exit, failed) = asked(&["record", "show", &cbor]);
    assert_eq!(exit, 2);
    assert!(failed["error"]["message"].as_str().unwrap().contains("unit.cbor"));
}
