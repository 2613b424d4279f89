//! What belongs together and came apart, or the other way round: columns, reels, deliveries and chips that are taken for
//! others.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::json;
use standard::key::{Signer as _, SoftwareKey};

use crate::at_site::{Site, data, text};
use crate::messy::unpacked;

/// Columns with each other's names are named as that, and columns that say something of a chip are not passed over in
/// silence.
#[test]
fn columns_are_named_for_what_they_are() {
    let site = Site::new("a");
    let manifest = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let file = site.dir.path().join("manifest.csv");
    let receive = |text_of_it: String, more: &[&str]| {
        fs::write(&file, text_of_it).expect("written");
        let typed = ["reel", "receive", text(&file), "--reel", "A", "--product", "Tern Vent"];
        site.call("receive", &[&typed[..], more].concat())
    };
    let swapped = manifest.replacen("chip_id,public_key", "public_key,chip_id", 1);
    let refused = receive(swapped.clone(), &[]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    let told = refused.json["findings"][0]["advice"].as_str().expect("advice");
    assert!(told.contains("--map chip_id=") && !told.contains("delete"), "{told}");
    // Two files joined, of which the second has its columns in the other order: no advice leads in a circle.
    let other: String = swapped
        .lines()
        .map(|line| {
            let (one, two) = line.split_once(',').expect("two columns");
            if line.starts_with("public_key") { format!("{line}\n") } else { format!("{two},{one}\n") }
        })
        .collect();
    let joined =
        receive(format!("{}{}", manifest.lines().take(201).map(|l| format!("{l}\n")).collect::<String>(), other), &[]);
    let all = joined.json["findings"].as_array().expect("findings");
    assert!(all.iter().any(|f| f["found"].as_str().is_some_and(|t| t.contains("in another order"))), "{}", joined.said);
    assert!(!joined.said.contains("--map") && !joined.said.contains("delete"), "{}", joined.said);
    let status: String =
        manifest.lines().enumerate().map(|(n, l)| format!("{l},{}\n", if n == 0 { "status" } else { "OK" })).collect();
    let received = receive(status, &[]);
    assert_eq!((received.exit, &received.json["unused_columns"]), (Some(0), &json!(["status"])), "{}", received.said);
    site.done("withdraw", &["reel", "withdraw", "A"]);
    let mapped = receive(swapped, &["--map", "chip_id=public_key,public_key=chip_id"]);
    assert_eq!((mapped.exit, &mapped.json["chips"]["received"]), (Some(0), &json!(400)), "{}", mapped.said);
}

/// A delivery whose certificates came before with two others is named as neither of them.
#[test]
fn a_delivery_that_came_in_parts_is_named_as_its_parts() {
    let site = Site::new("a");
    site.receive_reel("a");
    let folder = unpacked(&site);
    let mut all: Vec<_> = fs::read_dir(folder.join("dacs")).expect("DACs").flatten().map(|e| e.path()).collect();
    all.sort();
    for (part, dacs) in [("one", &all[..150]), ("two", &all[150..])] {
        let to = site.dir.path().join(part);
        fs::create_dir(&to).expect("a folder");
        fs::copy(folder.join("PAI.pem"), to.join("PAI.pem")).expect("copied");
        for dac in dacs {
            fs::copy(dac, to.join(dac.file_name().expect("a name"))).expect("copied");
        }
        site.done(part, &["delivery", "receive", text(&to), "--reel", "A", "--accept-part"]);
    }
    let whole = data("reel-a/delivery.zip");
    let again = site.done("whole", &["delivery", "receive", text(&whole), "--reel", "A"]);
    assert_eq!(
        (&again["verdict"], &again["delivery"], &again["also"]),
        (&json!("already-received"), &json!("A-1"), &json!(["A-2"])),
        "{again}"
    );
    let said = site.words(&["delivery", "receive", text(&whole), "--reel", "A"]);
    assert!(said.contains("with deliveries A-1, A-2"), "{said}");
}

/// An empty chip that answers with the id of a unit that passed is no reason to scrap that unit.
#[test]
fn an_empty_twin_of_a_good_unit_is_named_as_that() {
    let site = Site::new("a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let run = |chips: &Path| {
        let source = format!("simulated:{}", text(chips));
        site.call("provision", &["provision", "--reel", "A", "--station", "S1", "--chips", &source])
    };
    let first = site.simulate_part("a", 0, 2, &[]);
    assert_eq!(run(&first).json["passed"], 2);
    let twins = site.dir.path().join("twins");
    let keys = site.keys("a", 0, 2);
    site.done("twins", &["chip", "simulate", "--out", text(&twins), "--keys", text(&keys)]);
    let answer = run(&twins);
    let unit = &answer.json["units"][0];
    assert_eq!(unit["cause"], "certificate-missing", "{}", answer.said);
    let advice = unit["advice"].as_str().expect("advice");
    assert!(advice.contains("may be good") && !advice.contains("unit scrap"), "{advice}");
    assert_eq!(run(&first).json["verified"], 2, "the units are as good as before");
}

/// Ids that a table has as decimal numbers are those of the same chips, and no clones.
#[test]
fn a_decimal_id_is_the_same_chip() {
    let site = Site::new("a");
    let manifest = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let decimal = |id: &str| {
        // By hand, for there are 72 bits: divided by ten until nothing is left.
        let mut octets = hex::decode(id).expect("hex");
        let mut digits = Vec::new();
        while octets.iter().any(|o| *o > 0) {
            let mut rest = 0_u32;
            for octet in &mut octets {
                let all = rest * 256 + u32::from(*octet);
                (*octet, rest) = ((all / 10) as u8, all % 10);
            }
            digits.push(char::from(b'0' + rest as u8));
        }
        digits.into_iter().rev().collect::<String>()
    };
    assert_eq!(decimal("0100"), "256");
    let rows: String = manifest
        .lines()
        .skip(1)
        .take(20)
        .map(|line| line.split_once(',').expect("two"))
        .map(|(id, key)| format!("{},{key}\n", decimal(id)))
        .collect();
    let file = site.dir.path().join("decimal.csv");
    fs::write(&file, format!("chip_id,public_key\n{rows}")).expect("written");
    site.done("decimal", &["reel", "receive", text(&file), "--reel", "N", "--product", "Tern Vent"]);
    let own = data("reel-a/manifest.csv");
    let refused = site.call("own", &["reel", "receive", text(&own), "--reel", "A", "--product", "Tern Vent"]);
    let told = refused.json["findings"][0]["advice"].as_str().expect("advice");
    assert!(told.contains("as a decimal number") && told.contains("reel withdraw N"), "{}", refused.said);
    site.done("withdraw", &["reel", "withdraw", "N"]);
    site.done("own", &["reel", "receive", text(&own), "--reel", "A", "--product", "Tern Vent"]);
}

/// A reel that comes back with chips missing: no advice leads to an account without them.
#[test]
fn a_reel_that_comes_back_short_is_not_to_be_withdrawn() {
    let site = Site::new("a");
    site.receive_reel("a");
    let manifest = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let short: String = manifest.lines().take(332).map(|line| format!("{line}\n")).collect();
    let new = hex::encode(SoftwareKey::generate().expect("a key").public_key().point());
    let file = site.dir.path().join("back.csv");
    let receive = |rows: &str, reel: &str| {
        fs::write(&file, rows).expect("written");
        let typed = ["reel", "receive", text(&file), "--reel", reel, "--product", "Tern Vent"];
        let refused = site.call("back", &typed);
        assert_eq!(refused.exit, Some(1), "{}", refused.said);
        refused
    };
    let own = receive(&short, "A");
    assert!(own.said.contains("69 more chips") && !own.said.contains("other chips"), "{}", own.said);
    assert!(!own.said.contains("another id") && !own.said.contains("withdraw"), "{}", own.said);
    for (rows, said) in
        [(short.clone(), "nothing to receive"), (format!("{short}AB0123456789ABCDEF,{new}\n"), "331 of 332 chips")]
    {
        let other = receive(&rows, "R");
        let advice = other.json["findings"][0]["advice"].as_str().expect("advice");
        assert!(advice.contains(said) && advice.contains("69 more chips"), "{advice}");
        assert!(advice.contains("do not withdraw it") && !advice.contains("touchmark reel withdraw"), "{advice}");
    }
    // One that was received short may be withdrawn for the whole one.
    site.done("withdraw", &["reel", "withdraw", "A"]);
    fs::write(&file, &short).expect("written");
    site.done("short", &["reel", "receive", text(&file), "--reel", "A", "--product", "Tern Vent"]);
    let whole = receive(&manifest, "R");
    let advice = whole.json["findings"][0]["advice"].as_str().expect("advice");
    assert!(advice.contains("touchmark reel withdraw A") && advice.contains("331 of 400"), "{advice}");
}

/// One delivery for two reels of two products: what is the other reel's is held against the other's product, and the
/// authority has nothing to put right.
#[test]
fn a_delivery_for_two_products_is_no_fault_of_the_authority() {
    let site = Site::new("a");
    site.add("b");
    site.receive_reel("a");
    site.receive_reel("b");
    let folder = unpacked(&site);
    let other = folder.join("b");
    fs::create_dir(&other).expect("a folder");
    let tar = Command::new("tar").args(["-xzf", text(&data("reel-b/delivery.tar.gz")), "-C", text(&other)]).status();
    assert!(tar.is_ok_and(|status| status.success()));
    let lists = "find . -iname '*sums*' -delete";
    assert!(Command::new("sh").args(["-c", lists]).current_dir(&folder).status().is_ok_and(|s| s.success()));
    let complaint = site.dir.path().join("complaint.csv");
    for (reel, more) in [("A", "B"), ("B", "A")] {
        let typed = ["delivery", "receive", text(&folder), "--reel", reel, "--for-authority", text(&complaint)];
        let refused = site.call(reel, &typed);
        let rules: Vec<_> = refused.json["findings"].as_array().expect("findings").iter().map(|f| &f["rule"]).collect();
        assert!(!rules.contains(&&json!("delivery.product")), "{}", refused.said);
        assert!(rules.contains(&&json!("delivery.other-reel")), "{}", refused.said);
        let _ = fs::remove_file(&complaint);
        let kept = ["delivery", "receive", text(&folder), "--reel", reel, "--accept-part"];
        let kept = site.done(more, &kept);
        assert_eq!(kept["certificates"]["missing"], 0, "{kept}");
    }
    assert_eq!(site.reconcile("both")["credentials"]["available"], 700);
}

/// What stands outside an archive's own structure is read where it is another archive, and refused where it is not: GNU
/// tar lists the entries of archives joined by `cat` only with `--ignore-zeros`, and unzip only warns of bytes in front.
#[test]
fn nothing_hides_outside_an_archive() {
    let site = Site::new("a");
    site.receive_reel("a");
    let folder = unpacked(&site);
    let dir = site.dir.path();
    let run = |program: &str, args: &[&str]| {
        let done = Command::new(program).args(args).current_dir(dir).output().expect(program);
        assert!(done.status.success(), "{program} {args:?}: {}", String::from_utf8_lossy(&done.stderr));
        done.stdout
    };
    run("openssl", &["genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", "k.pem"]);
    let pem = fs::read_to_string(dir.join("k.pem")).expect("a key");
    let mut all: Vec<_> = fs::read_dir(folder.join("dacs")).expect("DACs").flatten().map(|e| e.path()).collect();
    all.sort();
    let (one, two) = all.split_at(200);
    let tar = |name: &str, files: &[&Path]| {
        let files: Vec<&str> = files.iter().map(|file| text(file)).collect();
        run("tar", &[&["-cPf", name, "--transform", "s,.*/,,"], &files[..]].concat());
        fs::read(dir.join(name)).expect("a tar")
    };
    let pai = folder.join("PAI.pem");
    let with_pai: Vec<&Path> = std::iter::once(pai.as_path()).chain(one.iter().map(|p| p.as_path())).collect();
    let first = tar("one.tar", &with_pai);
    let second = tar("two.tar", &two.iter().map(|p| p.as_path()).collect::<Vec<_>>());
    let secret = tar("key.tar", &[&dir.join("k.pem")]);
    let gzip = |octets: &[u8]| {
        fs::write(dir.join("packed"), octets).expect("written");
        run("gzip", &["-nc", "packed"])
    };
    let zip = fs::read(data("reel-a/delivery.zip")).expect("a delivery");
    let receive = |name: &str, parts: &[&[u8]]| {
        fs::write(dir.join(name), parts.concat()).expect("written");
        site.call(name, &["delivery", "receive", text(&dir.join(name)), "--reel", "A"])
    };
    // A key in what is joined is found like one inside; GNU tar sees it there.
    fs::write(dir.join("listed.tar"), [&first[..], &secret].concat()).expect("written");
    assert!(String::from_utf8_lossy(&run("tar", &["-itf", "listed.tar"])).contains("k.pem"));
    for (name, parts) in [
        ("key.joined.tar", vec![first.clone(), second.clone(), secret.clone()]),
        ("key.tar.gz", vec![gzip(&first), gzip(&second), gzip(&secret)]),
    ] {
        let parts: Vec<&[u8]> = parts.iter().map(|p| &p[..]).collect();
        let refused = receive(name, &parts);
        assert_eq!(refused.exit, Some(1), "{name}: {}", refused.said);
        assert!(refused.said.contains("delivery.private-key"), "{name}: {}", refused.said);
    }
    for (name, parts) in [
        ("key.zip", [&zip[..], pem.as_bytes()]),
        ("front.zip", [&zip[..], &zip[..]]),
        ("pem.tar", [&first[..], pem.as_bytes()]),
        ("junk.tar.gz", [&gzip(&first)[..], b"junkjunk"]),
    ] {
        let refused = receive(name, &parts);
        assert_eq!(refused.exit, Some(2), "{name}: {}", refused.said);
        let advice = refused.json["error"]["advice"].as_str().unwrap_or_default();
        assert!(!advice.is_empty() && !refused.said.contains("Accepted"), "{name}: {}", refused.said);
    }
    // Both halves of a delivery that was joined are received, with the padding of a tape behind them.
    let joined = receive("joined.tar.gz", &[&gzip(&first), &gzip(&second), &[0; 1000]]);
    assert_eq!(
        (joined.exit, &joined.json["certificates"]["accepted"]),
        (Some(0), &json!(400)),
        "{}",
        joined.json["findings"]
    );
}

/// What stands beside the chips in JSON is named like the columns that nobody looks at.
#[test]
fn what_stands_beside_the_chips_is_named() {
    let site = Site::new("a");
    let manifest = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let rows: Vec<_> = manifest
        .lines()
        .skip(1)
        .take(12)
        .filter_map(|line| line.split_once(','))
        .map(|(id, key)| json!({ "chip_id": id, "public_key": key, "status": "REJECT" }))
        .collect();
    let file = site.dir.path().join("manifest.json");
    fs::write(&file, json!({ "count": 13, "chips": rows, "reel": "B" }).to_string()).expect("written");
    let received = site.call("receive", &["reel", "receive", text(&file), "--reel", "A", "--product", "Tern Vent"]);
    assert_eq!(received.json["unused_columns"], json!(["count", "reel", "status"]), "{}", received.said);
    site.done("withdraw", &["reel", "withdraw", "A"]);
    let lines: String = rows.iter().map(|row| format!("{row}\n")).collect();
    fs::write(&file, lines).expect("written");
    let received = site.call("again", &["reel", "receive", text(&file), "--reel", "A", "--product", "Tern Vent"]);
    assert_eq!((received.exit, &received.json["unused_columns"]), (Some(0), &json!(["status"])), "{}", received.said);
}
