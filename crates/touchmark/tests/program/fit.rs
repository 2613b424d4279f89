//! `touchmark fit`: parts side by side, with and without a site.

use std::process::Output;

use serde_json::Value;

use crate::at_site::{Site, data, text};
use crate::called::{json, touchmark};

fn call(typed: &[&str]) -> Output {
    touchmark(&std::env::temp_dir(), typed)
}

#[test]
fn three_parts_side_by_side_without_a_site() {
    let folder = tempfile::tempdir().expect("a folder");
    let (html, pdf) = (folder.path().join("fit.html"), folder.path().join("fit.pdf"));
    let mut typed = vec!["--json", "fit", "--part", "QL-S1", "--part", "QL-S2", "--part", "QL-M4"];
    typed.extend(["--threat", "side-channel,flash-readout", "--html", text(&html), "--pdf", text(&pdf)]);
    let done = call(&typed);
    let told = json(&done);
    assert_eq!(done.status.code(), Some(0), "{told}");
    assert_eq!((told["fits"].as_bool(), told["parts"].as_array().map(Vec::len)), (Some(true), Some(3)));
    assert_eq!(told["needs"]["objects"][0]["octets"], 600);
    assert_eq!(told["arguments"][0]["first"], "QL-S1");
    let page = std::fs::read_to_string(&html).expect("a page");
    assert!(page.contains("QL-S2") && page.matches("<svg").count() >= 5);
    assert!(std::fs::read(&pdf).expect("a PDF").starts_with(b"%PDF"));
    typed.remove(0);
    let words = call(&typed);
    let words = String::from_utf8_lossy(&words.stdout).into_owned();
    for word in ["side-channel (stated)", "free, bytes", "QL-S1 answers every stated threat"] {
        assert!(words.contains(word), "{word} in {words}");
    }
}

#[test]
fn a_product_of_a_site_and_its_further_objects() {
    let site = Site::new("a");
    let part = site.dir.path().join("small.toml");
    let small = include_str!("../../../../examples/parts/ql-s1.toml")
        .replace("octets = 15_360\nobject_octets = 4_096", "octets = 2_048\nobject_octets = 2_048")
        .replace("QL-S1\"", "QL-T0\"");
    std::fs::write(&part, small).expect("written");
    let fit =
        |more: &[&str]| site.call("fit", &[&["fit", "--product", "Tern Vent", "--part", text(&part)], more].concat());
    let told = fit(&[]);
    assert_eq!(told.exit, Some(0), "{}", told.said);
    let objects = &told.json["needs"]["objects"];
    let declaration = std::fs::metadata(data("reel-a/declaration.der")).expect("a file").len();
    assert_eq!(objects[2]["octets"], declaration, "the product's declaration as it is");
    assert_eq!((&told.json["product"], &told.json["needs"]["test"]), (&Value::from("Tern Vent"), &Value::from(true)));
    let told = fit(&["--further", "trust-anchor=900"]);
    assert_eq!((told.exit, &told.json["fits"]), (Some(1), &Value::from(false)), "{}", told.said);
    let checks = told.json["parts"][0]["checks"].as_array().expect("checks");
    let room = checks.iter().find(|c| c["what"] == "room").expect("the room");
    assert_eq!(room["verdict"], "does not fit");
    // The plan takes the same product, and a past that is not there is said to be missing.
    let none = site.call("plan", &["plan", "--good", "100", "--product", "Tern Vent"]);
    assert_eq!(none.exit, Some(2), "{}", none.said);
    let plan = site.done("plan", &["plan", "--good", "100", "--yield", "0.9", "--product", "Tern Vent"]);
    assert!(plan["time"]["steps"].as_array().is_some_and(|s| s.iter().any(|s| s["name"] == "write declaration")));
}

/// Keys of five homes and a pending one (from memory of the standard) have to live somewhere, and to be made after
/// the lock: a part whose file does not say where has not been shown to fit.
#[test]
fn operational_keys_have_somewhere_to_live() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("part.toml");
    let shipped = include_str!("../../../../examples/parts/ql-s1.toml");
    let silent: String = shipped
        .lines()
        .filter(|l| !l.starts_with("operational_keys") && !l.starts_with("keys_after_lock"))
        .fold(String::new(), |text, line| text + line + "\n");
    // slots, lock, what is added, whether it fits, and a check with its verdict
    let rows = [
        ("four slots, locked whole, nothing said", "4", "part", "", false, ("operational keys", "unknown")),
        ("the same with objects locked", "4", "objects", "", false, ("operational keys", "unknown")),
        (
            "four slots in the part",
            "4",
            "none",
            "operational_keys = \"part\"",
            false,
            ("operational keys", "does not fit"),
        ),
        ("seven slots in the part", "7", "none", "operational_keys = \"part\"", true, ("operational keys", "fits")),
        ("locked whole", "16", "part", "operational_keys = \"part\"", false, ("keys after the lock", "does not fit")),
        ("wrapped", "4", "part", "operational_keys = \"wrapped\"", true, ("keys after the lock", "warning")),
        (
            "wrapped, not once it is locked",
            "4",
            "part",
            "operational_keys = \"wrapped\"\nkeys_after_lock = false",
            false,
            ("keys after the lock", "does not fit"),
        ),
    ];
    for (name, slots, lock, more, fits, (what, verdict)) in rows {
        let text = silent
            .replace("slots = 4", &format!("slots = {slots}\n{more}"))
            .replace("model = \"part\"", &format!("model = \"{lock}\""));
        std::fs::write(&file, text).expect("written");
        let done = call(&["--json", "fit", "--part", file.to_str().expect("UTF-8")]);
        let told = json(&done);
        assert_eq!((done.status.code(), &told["fits"]), (Some(i32::from(!fits)), &Value::from(fits)), "{name}: {told}");
        let checks = told["parts"][0]["checks"].as_array().expect("checks");
        let check = checks.iter().find(|c| c["what"] == what).expect("the check");
        assert_eq!(check["verdict"], verdict, "{name}: {check}");
        assert_eq!(check["advice"].is_string(), verdict != "fits", "{name}: {check}");
    }
}

#[test]
fn what_can_not_be_is_wrong_usage() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("part.toml");
    let broken = folder.path().join("broken.toml");
    std::fs::write(&file, "[part]\nname = \"x\"\nkind = \"discrete\"\nprice = 3\n").expect("written");
    std::fs::write(&broken, [0xFF, 0xFE, 0x00]).expect("written");
    let s1 = "QL-S1";
    for typed in [
        &["--part", text(&file)][..],
        &["--part", text(&broken)],
        &["--part", "/nowhere/part.toml"],
        &["--part", s1, "--part", s1],
        &["--part", s1, "--threat", "lightning"],
        &["--part", s1, "--further", "anchor"],
        &["--part", s1, "--further", "dac=5"],
        &["--part", s1, "--further", "Not A Name=5"],
        &["--part", s1, "--commissioning", "0"],
        &[],
    ] {
        let done = call(&[&["--json", "fit"], typed].concat());
        let told = json(&done);
        assert_eq!(done.status.code(), Some(2), "{typed:?}: {told}");
        assert!(told["error"]["advice"].as_str().is_some_and(|a| !a.is_empty()), "{typed:?}: {told}");
    }
}
