//! Names and serial numbers that differ in letter case alone, and series of serial numbers that two products share.

use std::fs;

use at_site::engine::Engine;
use at_site::{Site, data, text};

use crate::at_site;

on_both_engines! { names_in_another_case_are_the_same_name, a_series_of_two_products_is_said }

/// Capital and small letters make no other product, reel or serial number: people read them as one.
fn names_in_another_case_are_the_same_name(engine: &Engine) {
    let site = Site::on(engine, "a");
    let add = ["product", "add", "TERN VENT", "--vendor", "FFF2", "--product", "8A21", "--device-type", "514"];
    let refused = site.call("product", &[&add[..], &["--reach", "ble"]].concat());
    assert!(refused.exit == Some(1) && refused.said.contains("Tern Vent already exists"), "{}", refused.said);
    for name in ["Tern  Vent", "Tern\u{a0}Vent"] {
        let add = ["product", "add", name, "--vendor", "FFF2", "--product", "8A22", "--device-type", "0x0202"];
        let refused = site.call("blanks", &[&add[..], &["--reach", "ble"]].concat());
        assert!(
            refused.exit == Some(2) && refused.said.contains("a blank that looks like another"),
            "{}",
            refused.said
        );
    }
    site.receive_reel("a");
    let other = data("reel-b/manifest.ndjson");
    let reel = ["reel", "receive", text(&other), "--reel", "a", "--product", "Tern Vent"];
    let refused = site.call("reel", &[&reel[..], &["--map", "chip_id=uid,public_key=spki"]].concat());
    assert!(refused.exit == Some(1) && refused.said.contains("A was already received"), "{}", refused.said);
    site.receive_delivery("a");

    let source = format!("simulated:{}", text(&site.simulate_part("a", 0, 3, &[])));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source, "--attempts", "1"];
    assert_eq!(site.done("one", &[&run[..], &["--serial-start", "TV-1", "--units", "1"]].concat())["passed"], 1);
    let list = site.dir.path().join("serials");
    // A number of the list that a unit has in other letters is one that is used, and gets no second unit.
    fs::write(&list, "tv-1\n").expect("a list");
    let taken = site.call("taken", &[&run[..], &["--serials", text(&list)]].concat());
    assert_eq!((taken.exit, &taken.json["ended"]), (Some(1), &"serials-ran-out".into()), "{}", taken.said);
    fs::write(&list, "tv-7\nTV-7\n").expect("a list");
    let twice = site.call("twice", &[&run[..], &["--serials", text(&list)]].concat());
    assert!(twice.exit == Some(2) && twice.said.contains("line 2 has the same serial number"), "{}", twice.said);
    // The list as some spreadsheets save it: UTF-16 with the mark of its order (Unicode 23.8).
    let wide: Vec<u8> = "\u{FEFF}TV-8\r\nTV-9\r\n".encode_utf16().flat_map(u16::to_le_bytes).collect();
    fs::write(&list, wide).expect("a list");
    let done = site.done("wide", &[&run[..], &["--serials", text(&list)]].concat());
    assert_eq!(done["passed"], 2, "{done}");
    site.done("TV-8", &["unit", "show", "tv-8"]);
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}

/// Two products may count in one series, which is said; series that differ in letter case alone are refused.
fn a_series_of_two_products_is_said(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.add("b");
    let set = |product: &str, first: &str| site.call(first, &["product", "update", product, "--serial-series", first]);
    assert_eq!(set("Tern Vent", "TV-000001").exit, Some(0));
    let shared = set("Tern Damper", "TV-000100");
    assert!(shared.exit == Some(0) && shared.said.contains("Product Tern Vent has the same series"), "{}", shared.said);
    let refused = set("Tern Damper", "tv-000001");
    assert!(refused.exit == Some(2) && refused.said.contains("only in letter case"), "{}", refused.said);
}
