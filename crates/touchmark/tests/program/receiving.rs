//! Receiving what the trade really sends: manifests of chip makers and spreadsheets, archives of every kind, and
//! deliveries that are refused with a report for whoever has to put them right.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use at_site::engine::Engine;
use at_site::{Answer, Site, data, text};
use base64::Engine as _;
use serde_json::{Value, json};

use crate::{at_site, python};

on_both_engines! {
    a_refused_delivery_counts_apart_and_says_what_is_wrong_entry_by_entry,
    a_delivery_for_another_reel_of_the_site_names_it,
    a_reel_under_the_wrong_product_is_named_as_that,
    a_part_received_again_names_the_chips_without,
    a_reel_of_an_authoritys_certificates_is_made_only_on_purpose,
    a_part_stays_while_a_later_delivery_counts_on_it,
    a_key_that_came_once_stays_exposed,
}

fn receive(site: &Site, file: &Path, reel: &str, more: &[&str]) -> Answer {
    let typed = ["reel", "receive", text(file), "--reel", reel, "--product", "Tern Vent"];
    site.call(&format!("{} as {reel}", file.display()), &[&typed[..], more].concat())
}

/// Manifests made by `tests/outside/manifests.py`: by Python's csv, json, codecs, lzma, tarfile and zipfile, by
/// `cryptography`, zstd and 7z. Each leads to the exit code and the words that are listed with it.
#[test]
fn manifests_of_the_trade_are_read_or_explained() {
    let Some(python) = python::interpreter() else { return };
    let site = Site::new("a");
    let made = tempfile::tempdir().expect("a folder");
    python::run(&python, "manifests.py", &[made.path(), &data("reel-a/manifest.csv")]);
    let cases: Vec<Value> =
        serde_json::from_slice(&fs::read(made.path().join("cases.json")).expect("cases")).expect("a list");
    assert!(cases.len() >= 45, "{} cases", cases.len());
    let mut wrong = Vec::new();
    for (number, case) in cases.iter().enumerate() {
        let file = case["file"].as_str().expect("a file");
        let map = case["map"].as_str().map_or(vec![], |map| vec!["--map", map]);
        let answer = receive(&site, &made.path().join(file), &format!("R{number}"), &map);
        let said = answer.said.to_lowercase();
        let words = case["says"].as_array().expect("words").iter().filter_map(Value::as_str);
        let unsaid: Vec<&str> = words.filter(|word| !said.contains(*word)).collect();
        let received = answer.json["chips"]["received"].as_i64().unwrap_or(0);
        if json!(answer.exit) != case["exit"] || !unsaid.is_empty() || json!(received) != case["chips"] {
            let start: String = answer.said.chars().take(600).collect();
            wrong.push(format!("{file}: exit {:?}, {received} chips, {unsaid:?} not said: {start}", answer.exit));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
    let good = cases.iter().filter(|case| case["exit"] == 0).count();
    let received: i64 = cases.iter().filter_map(|case| case["chips"].as_i64()).sum();
    assert_eq!((site.reconcile("in the end")["chips"]["blank"].as_i64(), good > 20), (Some(received), true));
}

/// The same 400 DACs, packed by xz and zstd, are as good as in their ZIP; what 7z packed is named.
#[test]
fn deliveries_are_opened_by_what_they_are() {
    let site = Site::new("a");
    site.receive_reel("a");
    let folder = unpacked(&site, "unpacked");
    let pack = |program: &str, arguments: &[&str]| {
        let status = Command::new(program).args(arguments).current_dir(&folder).stdout(Stdio::null()).status();
        assert!(status.is_ok_and(|s| s.success()), "{program} {arguments:?}");
    };
    pack("tar", &["-cJf", "../delivery.bin", "dacs", "PAI.pem"]);
    pack("tar", &["--zstd", "-cf", "../delivery.tar.gz", "dacs", "PAI.pem"]);
    // Debian releases give it one of these names.
    let has = |program: &&str| Command::new(program).stdout(Stdio::null()).status().is_ok();
    let seven = ["7z", "7zz"].into_iter().find(has).expect("7z or 7zz");
    pack(seven, &["a", "-bd", "-y", "../delivery.zip", "-t7z", "dacs"]);
    let call = |name: &str| {
        let file = site.dir.path().join(name);
        site.call(name, &["delivery", "receive", text(&file), "--reel", "A"])
    };
    let closed = call("delivery.zip");
    assert_eq!(closed.exit, Some(2), "{}", closed.said);
    assert!(closed.said.contains("a 7z archive") && closed.said.contains("Unpack it"), "{}", closed.said);
    let xz = call("delivery.bin");
    assert_eq!((&xz.json["verdict"], &xz.json["certificates"]["accepted"]), (&json!("accepted"), &json!(400)));
    let zst = call("delivery.tar.gz");
    assert_eq!(zst.json["verdict"], "already-received", "{}", zst.said);
}

/// The delivery of reel A as files in a folder.
fn unpacked(site: &Site, name: &str) -> PathBuf {
    let folder = site.dir.path().join(name);
    fs::create_dir(&folder).expect("a folder");
    let zip = fs::File::open(data("reel-a/delivery.zip")).expect("a file");
    zip::ZipArchive::new(zip).expect("a ZIP").extract(&folder).expect("unpacked");
    folder
}

fn sh(folder: &Path, script: &str) {
    let status = Command::new("sh").args(["-ec", script]).current_dir(folder).stdout(Stdio::null()).status();
    assert!(status.is_ok_and(|s| s.success()), "{script}");
}

/// Lays a certificate of a chip of reel b among the files: the last of its bundle.
fn stray(folder: &Path) {
    let last = "tar -xzOf DELIVERY | sed -n '/-BEGIN CERT/h;/-BEGIN CERT/!H;/-END CERT/{g;p}' | tac | sed '/-BEGIN CERT/q' | tac > stray.pem";
    sh(folder, &last.replace("DELIVERY", text(&data("reel-b/delivery.tar.gz"))));
}

fn deliver(site: &Site, path: &Path, more: &[&str]) -> Answer {
    let typed = ["delivery", "receive", text(path), "--reel", "A"];
    site.call(&path.display().to_string(), &[&typed[..], more].concat())
}

fn finding<'a>(answer: &'a Answer, rule: &str) -> &'a Value {
    let found = answer.json["findings"].as_array().and_then(|all| all.iter().find(|f| f["rule"] == rule));
    found.unwrap_or_else(|| panic!("no {rule}: {}", answer.said))
}

/// Lists made by the system's `sha256sum`: a file changed or lost since is refused by name, and nothing of a changed
/// file is kept.
#[test]
fn lists_of_checksums_are_held_against_what_came() {
    let site = Site::new("a");
    site.receive_reel("a");
    let folder = unpacked(&site, "listed");
    let mut dacs: Vec<_> =
        fs::read_dir(folder.join("dacs")).expect("DACs").map(|e| e.expect("an entry").path()).collect();
    dacs.sort();
    sh(&folder, "rm PAA.pem README.txt; sha256sum PAI.pem dacs/* > SHA256SUMS; echo note > note.txt");

    // One DAC in the place of another, one file lost, and a line that is no checksum.
    fs::copy(&dacs[1], &dacs[0]).expect("changed");
    let lost = fs::read(&dacs[2]).expect("a DAC");
    fs::remove_file(&dacs[2]).expect("lost");
    let sums = folder.join("SHA256SUMS");
    let whole = fs::read_to_string(&sums).expect("sums");
    fs::write(&sums, format!("a line\n{whole}")).expect("sums");
    let refused = deliver(&site, &folder, &[]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    let errors: Vec<&Value> = refused.json["findings"]
        .as_array()
        .expect("findings")
        .iter()
        .filter(|f| f["rule"] == "delivery.checksum" && f["severity"] == "error")
        .collect();
    let name = |path: &Path| format!("dacs/{}", path.file_name().expect("a name").to_string_lossy());
    let told: Vec<_> = errors
        .iter()
        .map(|f| (f["subject"].as_str().unwrap_or_default(), f["found"].as_str().unwrap_or_default()))
        .collect();
    assert!(told.contains(&(&name(&dacs[0]), "its SHA-256 is not the one in SHA256SUMS")), "{told:?}");
    assert!(told.contains(&(&name(&dacs[2]), "SHA256SUMS names it, and it did not come")), "{told:?}");
    assert!(refused.said.contains("line 1: not a SHA-256 checksum"), "{}", refused.said);
    assert!(refused.said.contains("1 of the files is not listed: note.txt"), "{}", refused.said);
    let expected = json!({ "lists": ["SHA256SUMS"], "listed": 401, "matching": 399, "unlisted": 1 });
    assert_eq!(refused.json["checksums"], expected);

    // A certificate that would be good by itself is not kept out of a file that was changed.
    let own = fs::read(&dacs[3]).expect("a DAC");
    let same = [own.as_slice(), b"\n"].concat();
    fs::write(&dacs[3], same).expect("changed");
    let part = deliver(&site, &folder, &["--accept-part"]);
    // The one that stands twice counts as it was listed.
    assert_eq!(part.json["certificates"]["accepted"], 397, "{}", part.said);
    site.done("withdrawn", &["delivery", "withdraw", part.json["delivery"].as_str().expect("an id")]);

    // As it was, in an archive of its own whose checksum lies beside it, in the form of one line.
    fs::write(&dacs[3], own).expect("as it was");
    fs::write(&dacs[2], lost).expect("as it was");
    fs::write(&sums, whole).expect("sums");
    let original = unpacked(&site, "original");
    fs::copy(original.join(name(&dacs[0])), &dacs[0]).expect("as it was");
    sh(
        &folder,
        "mkdir ../sent; tar -cf ../sent/delivery.tar PAI.pem dacs SHA256SUMS; cd ../sent; sha256sum -b delivery.tar > delivery.tar.sha256",
    );
    let sent = site.dir.path().join("sent");
    let good = deliver(&site, &sent, &[]);
    assert_eq!((good.exit, &good.json["certificates"]["accepted"]), (Some(0), &json!(400)), "{}", good.said);
    assert_eq!((&good.json["checksums"]["listed"], &good.json["checksums"]["matching"]), (&json!(402), &json!(402)));
    let shown = site.done("shown", &["delivery", "show", good.json["delivery"].as_str().expect("an id")]);
    assert_eq!(shown["report"]["checksums"]["matching"], 402, "{shown}");
    let tar = sent.join("delivery.tar");
    let mut longer = fs::read(&tar).expect("a tar");
    longer.extend([0; 512]);
    fs::write(&tar, longer).expect("changed");
    assert!(deliver(&site, &sent, &[]).said.contains("not the one in delivery.tar.sha256"));
}

/// What does not belong in a delivery is named as what it is.
#[test]
fn a_manifest_a_private_key_and_a_missing_root_are_named() {
    let site = Site::new("a");
    let manifest = data("reel-a/manifest.csv");
    // The reel's product is there; its root is not.
    let bare = Site::bare("sqlite:book.sqlite");
    bare.done(
        "product",
        &[
            "product",
            "add",
            "Tern Vent",
            "--vendor",
            "FFF2",
            "--product",
            "8A21",
            "--device-type",
            "0x0202",
            "--reach",
            "ble",
        ],
    );
    for site in [&site, &bare] {
        site.receive_reel("a");
    }
    let refused = deliver(&site, &manifest, &[]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    let told = finding(&refused, "delivery.format");
    assert!(told["found"].as_str().is_some_and(|t| t.contains("manifest.csv is a table of chips")), "{told}");
    assert!(told["advice"].as_str().is_some_and(|t| t.contains("touchmark reel receive")), "{told}");
    let reel = receive(&site, &data("reel-a/delivery.zip"), "D", &[]);
    assert!(reel.exit == Some(2) && reel.said.contains("touchmark delivery receive"), "{}", reel.said);

    let rootless = unpacked(&site, "rootless");
    sh(&rootless, "rm PAA.pem SHA256SUMS");
    let refused = deliver(&bare, &rootless, &[]);
    let told = finding(&refused, "chain.complete");
    assert!(told["found"].as_str().is_some_and(|t| t.starts_with("the PAA that issued it is not available")), "{told}");
    assert!(told["advice"].as_str().is_some_and(|t| t.contains("the PAA") && !t.contains("the PAI")), "{told}");

    // The key of one chip, made by OpenSSL's commands out of what the chip maker would never give away.
    let folder = unpacked(&site, "exposed");
    let chips = site.dir.path().join("chip.csv");
    sh(&folder, "openssl ecparam -name prime256v1 -genkey -noout -out key.pem");
    let key = Command::new("openssl")
        .args(["ec", "-in", "key.pem", "-pubout", "-outform", "DER"])
        .current_dir(&folder)
        .output();
    let spki = key.expect("OpenSSL").stdout;
    fs::write(&chips, format!("chip_id,public_key\nAB0123,{}\n", hex::encode(spki))).expect("a manifest");
    let typed = ["reel", "receive", text(&chips), "--reel", "K", "--product", "Tern Vent"];
    site.done("a reel of one", &typed);
    let own = site.call("its key", &["delivery", "receive", text(&folder), "--reel", "K"]);
    let told = finding(&own, "delivery.private-key");
    assert_eq!((&told["subject"], &told["chip_id"]), (&json!("key.pem"), &json!("AB0123")), "{told}");
    assert!(told["advice"].as_str().is_some_and(|t| t.contains("exposed") && t.contains("authority")), "{told}");
}

fn a_reel_under_the_wrong_product_is_named_as_that(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.add("b");
    let manifest = data("reel-a/manifest.csv");
    site.done("as B", &["reel", "receive", text(&manifest), "--reel", "My reel", "--product", "Tern Damper"]);
    let delivery = data("reel-a/delivery.zip");
    let typed = ["delivery", "receive", text(&delivery), "--reel", "My reel"];
    let refused = site.call("A's for a reel under B", &typed);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    let told = finding(&refused, "delivery.other-product");
    let found = told["found"].as_str().expect("words");
    assert!(
        found.contains("for product Tern Damper; 400 of 400")
            && found.contains("FFF2 8A21, as those of product Tern Vent"),
        "{told}"
    );
    let advice = told["advice"].as_str().expect("words");
    assert!(advice.contains("touchmark reel withdraw \"My reel\""), "{told}");
    let words = site.words(&typed);
    assert!(!words.contains("Ask the authority to put it right") && words.contains("nothing to put right"), "{words}");
    site.done("withdraw", &["reel", "withdraw", "My reel"]);
    site.done("as A", &["reel", "receive", text(&manifest), "--reel", "My reel", "--product", "Tern Vent"]);
    site.done("accepted", &typed);
}

fn a_part_received_again_names_the_chips_without(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let short = data("faulty/three-chips-without.tar.gz");
    let typed = ["delivery", "receive", text(&short), "--reel", "A"];
    let first = site.words(&[&typed[..], &["--accept-part"]].concat());
    assert!(first.contains("397 good, 0 faulty, 3 missing"), "{first}");
    let left =
        "3 of its 400 chips are without a certificate: 514C04170A094A7DBB, 514C0417136005D806, 514C04171752167F11";
    assert!(first.contains(left) && !first.contains("397 of 397"), "{first}");
    let again = site.words(&typed);
    assert!(again.contains("already received") && again.contains(left), "{again}");
    assert_eq!(site.done("again", &typed)["certificates"]["missing"], 3);
    let rest = site.words(&["delivery", "receive", text(&data("reel-a/delivery.zip")), "--reel", "A"]);
    assert!(
        rest.contains("Accepted: 3 certificates, as delivery A-2") && rest.contains("each of its 400 chips"),
        "{rest}"
    );

    // A broken signature leaves its chip without one, though a certificate came for it.
    let other = Site::new("a");
    other.receive_reel("a");
    let bad = data("faulty/broken-signature.tar.gz");
    let words = other.words(&["delivery", "receive", text(&bad), "--reel", "A"]);
    assert!(words.contains("1 chip would have none: 514C0417094A3577F5"), "{words}");
}

/// One file for each and one for all is a usual way to pack them: each DAC counts once, and is said to come twice.
#[test]
fn a_certificate_that_comes_twice_counts_once() {
    let site = Site::new("a");
    site.receive_reel("a");
    let folder = unpacked(&site, "twice");
    sh(&folder, "rm -f SHA256SUMS; for dac in dacs/*.der; do openssl x509 -in $dac; done > all.pem");
    let received = deliver(&site, &folder, &[]);
    assert_eq!(received.exit, Some(0), "{}", received.said);
    let counted = &received.json["certificates"];
    assert_eq!((&counted["read"], &counted["accepted"]), (&json!(400), &json!(400)), "{}", received.said);
    let told = finding(&received, "delivery.double");
    assert_eq!(told["severity"], "note", "{told}");
    assert!(told["found"].as_str().is_some_and(|t| t.starts_with("400 DACs come twice")), "{told}");
}

/// A ZIP may have two entries of one name (APPNOTE 4.4.17 forbids it nowhere), and readers differ in which they take.
#[test]
fn an_archive_with_a_name_twice_is_refused() {
    let Some(python) = python::interpreter() else { return };
    let site = Site::new("a");
    site.receive_reel("a");
    let folder = unpacked(&site, "twins");
    let archive = site.dir.path().join("twins.zip");
    let script = "import glob, sys, warnings, zipfile\n\
                  warnings.simplefilter('ignore')\n\
                  with zipfile.ZipFile(sys.argv[2], 'w') as out:\n    out.write(sys.argv[1] + '/PAI.pem', 'PAI.pem')\n    \
                  for n, dac in enumerate(sorted(glob.glob(sys.argv[1] + '/dacs/*'))):\n        \
                  out.write(dac, f'dacs/{max(n, 1)}.der')\n";
    let made = Command::new(python).args(["-c", script, text(&folder), text(&archive)]).status();
    assert!(made.is_ok_and(|status| status.success()));
    let refused = deliver(&site, &archive, &[]);
    assert_eq!(refused.exit, Some(2), "{}", refused.said);
    assert!(refused.said.contains("401 entries, and 400 names"), "{}", refused.said);
}

/// Nothing of a file that differs from its checksum is kept, be it an intermediate.
#[test]
fn an_intermediate_that_was_changed_is_not_kept() {
    let site = Site::new("a");
    site.receive_reel("a");
    let folder = unpacked(&site, "changed");
    sh(&folder, "echo >> PAI.pem");
    let part = deliver(&site, &folder, &["--accept-part"]);
    assert_eq!((part.exit, &part.json["certificates"]["accepted"]), (Some(1), &json!(0)), "{}", part.said);
    let authorities = site.done("authorities", &["authority", "list"]);
    assert_eq!(authorities["authorities"].as_array().map(Vec::len), Some(1), "{authorities}");
}

/// The authority gets a row for each certificate that shares a serial number, each with its chip.
#[test]
fn the_authority_is_told_each_of_several() {
    let site = Site::new("a");
    site.receive_reel("a");
    let out = site.dir.path().join("wrong.json");
    let refused = deliver(&site, &data("faulty/repeated-serial.tar.gz"), &["--for-authority", text(&out)]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    let told: Value = serde_json::from_slice(&fs::read(&out).expect("a file")).expect("JSON");
    let rows: Vec<&Value> =
        told["entries"].as_array().expect("entries").iter().filter(|row| row["rule"] == "delivery.serial").collect();
    assert_eq!(rows.len(), 2, "{told}");
    let names: BTreeSet<_> = rows.iter().map(|row| row["entry"].as_str().expect("a name")).collect();
    assert!(names.len() == 2 && names.iter().all(|name| !name.contains(", ")), "{rows:?}");
    assert!(rows.iter().all(|row| row["chip_id"].is_string()) && rows[0]["serial"] == rows[1]["serial"], "{rows:?}");
}

/// The DACs of reel A once more, now with a PAI that breaks a rule: they are here already, and the PAI is told.
#[test]
fn a_faulty_intermediate_beside_known_certificates_is_told() {
    let site = Site::new("a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let again = deliver(&site, &data("faulty/pai-without-path-length.tar.gz"), &[]);
    assert_eq!((again.exit, &again.json["verdict"]), (Some(1), &json!("refused")), "{}", again.said);
    assert!(again.said.contains("path-length") || again.said.contains("pathLen"), "{}", again.said);
    let folder = unpacked(&site, "good");
    sh(&folder, "rm -f README.txt SHA256SUMS");
    assert_eq!(deliver(&site, &folder, &[]).json["verdict"], "already-received");
}

/// Where a later delivery brought some of the same certificates, its file could not be received again for the chips
/// that the earlier one leaves without.
fn a_part_stays_while_a_later_delivery_counts_on_it(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let part = deliver(&site, &data("faulty/three-chips-without.tar.gz"), &["--accept-part"]);
    assert_eq!((&part.json["delivery"], part.exit), (&json!("A-1"), Some(0)), "{}", part.said);
    assert_eq!(site.receive_delivery("a")["delivery"], "A-2");
    let refused = site.call("the part", &["delivery", "withdraw", "A-1"]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    assert!(refused.said.contains("1 delivery (A-2) depends on it"), "{}", refused.said);
    assert!(refused.said.contains("Withdraw delivery A-2 first"), "{}", refused.said);
    for delivery in ["A-2", "A-1"] {
        site.done("withdrawn", &["delivery", "withdraw", delivery]);
    }
    let whole = site.receive_delivery("a");
    assert_eq!((&whole["verdict"], &whole["certificates"]["accepted"]), (&json!("accepted"), &json!(400)), "{whole}");
}

/// A private key in the form of RFC 5915, as `openssl ec` reads it.
fn key_file(chip: usize) -> (String, String) {
    let line = |file: &str, number: usize| {
        let text = fs::read_to_string(data(file)).expect("a file");
        text.lines().nth(number).expect("a line").to_owned()
    };
    let key: Value = serde_json::from_str(&line("reel-a/simulated-keys.ndjson", chip)).expect("JSON");
    let row = line("reel-a/manifest.csv", chip + 1);
    let (id, point) = row.split_once(',').expect("two columns");
    assert_eq!(key["chip_id"], id);
    let der =
        format!("30770201010420{}a00a06082a8648ce3d030107a144034200{point}", key["private_key"].as_str().expect("hex"));
    (id.to_owned(), der)
}

/// Lays a key among the files, as OpenSSL writes it.
fn expose(folder: &Path, der: &str) {
    fs::write(folder.join("../key.der"), hex::decode(der).expect("hex")).expect("a key");
    sh(folder, "rm -f README.txt SHA256SUMS; openssl ec -inform DER -in ../key.der -out key.pem 2>/dev/null");
}

/// Whoever saw the file may have the key: the chip gets no certificate when the delivery comes again without it, and
/// one that has its certificate already is named, with its unit.
fn a_key_that_came_once_stays_exposed(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let (chip, der) = key_file(0);
    let folder = unpacked(&site, "exposed");
    expose(&folder, &der);
    let refused = deliver(&site, &folder, &[]);
    let told = finding(&refused, "delivery.private-key");
    assert_eq!((refused.exit, &told["chip_id"]), (Some(1), &json!(chip)), "{}", refused.said);
    let scrap = format!("touchmark chip scrap {chip}");
    assert!(told["advice"].as_str().is_some_and(|advice| advice.contains(&scrap)), "{told}");
    // Refused a second time, with a key that names no chip: the first delivery counts, and the advice is the chip's.
    sh(&folder, "openssl pkcs8 -topk8 -in key.pem -out other.key -passout pass:swordfish");
    let second = deliver(&site, &folder, &[]);
    let all = second.json["findings"].as_array().expect("findings");
    let is_of_none = |f: &&Value| f["rule"] == "delivery.private-key" && f["chip_id"].is_null();
    let of_no_chip = all.iter().find(is_of_none).unwrap_or_else(|| panic!("{}", second.said));
    assert!(!of_no_chip["advice"].as_str().is_some_and(|advice| advice.contains(&chip)), "{of_no_chip}");
    sh(&folder, "rm other.key");

    let clean = data("reel-a/delivery.zip");
    let again = deliver(&site, &clean, &[]);
    let told = finding(&again, "delivery.private-key");
    let first = refused.json["delivery"].as_str().expect("an id");
    assert!(told["found"].as_str().is_some_and(|found| found.ends_with(first)), "{told}");
    assert_eq!((again.exit, &told["chip_id"]), (Some(1), &json!(chip)), "{}", again.said);
    let part = deliver(&site, &clean, &["--accept-part"]);
    assert_eq!(part.json["certificates"]["accepted"], 399, "{}", part.said);
    assert_eq!(part.json["chips"]["without"], json!([chip]), "{}", part.said);
    site.done("scrapped", &["chip", "scrap", &chip, "--reason", "key exposed"]);

    // One that has a unit already.
    let (chip, der) = key_file(1);
    let source = format!("simulated:{}", text(&site.simulate_part("a", 1, 2, &[])));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &source, "--serial-start", "TV-000001"];
    assert_eq!(site.done("provision", &run)["passed"], 1);
    expose(&folder, &der);
    let late = deliver(&site, &folder, &[]);
    let told = finding(&late, "delivery.private-key");
    assert_eq!((late.exit, &told["chip_id"]), (Some(1), &json!(chip)), "{}", late.said);
    let advice = told["advice"].as_str().expect("advice");
    assert!(advice.contains(&format!("Unit TV-000001 has chip {chip}")) && advice.contains("unit scrap"), "{advice}");
}

/// In whatever form a private key comes (RFC 5915, RFC 5958 by OpenSSL, a field of JSON), it is found; where it can't be
/// opened, it may be any chip's, so nothing of what came is kept.
#[test]
fn a_private_key_is_found_in_any_form() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Site::on(&engine, "a");
    site.receive_reel("a");
    let (chip, der) = key_file(2);
    let folder = unpacked(&site, "forms");
    fs::write(folder.join("../key.der"), hex::decode(der).expect("hex")).expect("a key");
    let lines = fs::read_to_string(data("reel-a/simulated-keys.ndjson")).expect("keys");
    fs::write(folder.join("../keys.ndjson"), lines.lines().nth(2).expect("a key")).expect("keys");
    let (number, point) = {
        let row: Value = serde_json::from_str(lines.lines().nth(2).expect("a key")).expect("JSON");
        (row["private_key"].as_str().expect("hex").to_owned(), row["chip_id"].as_str().expect("an id").to_owned())
    };
    let jwk = base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(hex::decode(&number).expect("hex"));
    let beside = |name: &str, text: String| fs::write(site.dir.path().join(name), text).expect("a file");
    beside("table.csv", format!("title\nChip;Private Key\n00;\n{point};{number}\n"));
    beside("array.json", format!("[\n {{\n \"chip\": \"{point}\",\n \"PrivateKey\": \"{number}\"\n }}\n]\n"));
    beside("jwk.json", format!("{{\"keys\": [{{\"kty\": \"EC\", \"crv\": \"P-256\", \"d\": \"{jwk}\"}}]}}"));
    for (form, make) in [
        ("table.csv", "cp ../table.csv ."),
        ("array.json", "cp ../array.json ."),
        ("jwk.json", "cp ../jwk.json ."),
        ("letters.txt", "base64 ../key.der > letters.txt"),
        ("sec1.bin", "cp ../key.der sec1.bin"),
        ("note.txt", "openssl pkcs8 -topk8 -nocrypt -inform DER -in ../key.der -outform DER -out note.txt"),
        ("keys.ndjson", "cp ../keys.ndjson ."),
    ] {
        sh(&folder, &format!("rm -f README.txt SHA256SUMS; {make}"));
        let refused = deliver(&site, &folder, &[]);
        let told = finding(&refused, "delivery.private-key");
        assert_eq!((refused.exit, &told["chip_id"]), (Some(1), &json!(chip)), "{form}: {}", refused.said);
        fs::remove_file(folder.join(form)).expect("removed");
    }
    // One that does not open may be any chip's; one of no chip here may be the authority's own.
    for (form, make) in [
        ("k.key", "openssl pkcs8 -topk8 -inform DER -in ../key.der -outform DER -passout pass:swordfish -out k.key"),
        ("k.pem", "openssl ec -inform DER -in ../key.der -aes128 -passout pass:swordfish -out k.pem 2>/dev/null"),
        (
            "k.p12",
            "openssl ec -inform DER -in ../key.der -out ../k.pem 2>/dev/null
             openssl req -x509 -key ../k.pem -subj /CN=x -out ../c.pem
             openssl pkcs12 -export -inkey ../k.pem -in ../c.pem -passout pass: -out k.p12",
        ),
        // Beside one that opens, and behind a block that is broken.
        (
            "two.pem",
            "{ openssl ec -inform DER -in ../key.der; openssl pkcs8 -topk8 -inform DER -in ../key.der -passout pass:x; } \
             > two.pem 2>/dev/null",
        ),
        (
            "broken.pem",
            "{ printf -- '-----BEGIN CERTIFICATE-----\\n???\\n-----END CERTIFICATE-----\\n'; \
             openssl ecparam -name prime256v1 -genkey -noout; } > broken.pem 2>/dev/null",
        ),
        ("pai.key", "openssl ecparam -name prime256v1 -genkey -noout -out pai.key"),
    ] {
        sh(&folder, make);
        let refused = deliver(&site, &folder, &["--accept-part"]);
        let accepted = &refused.json["certificates"]["accepted"];
        assert_eq!((refused.exit, accepted), (Some(1), &json!(0)), "{form}: {}", refused.said);
        finding(&refused, "delivery.private-key");
        fs::remove_file(folder.join(form)).expect("removed");
    }
    // The same beside a manifest, and keys of chips beside a table of them.
    let manifest = site.dir.path().join("manifest");
    fs::create_dir(&manifest).expect("a folder");
    fs::copy(data("reel-a/manifest.csv"), manifest.join("manifest.csv")).expect("copied");
    let received = || receive(&site, &manifest, "B", &[]);
    sh(&manifest, "cp ../key.der k.bin");
    let refused = received();
    assert!(refused.exit == Some(1) && refused.said.contains("a private key"), "{}", refused.said);
    // In the manifest itself.
    let text_of = |name: &str| fs::read_to_string(data(name)).expect("text");
    let table = text_of("reel-a/manifest.csv");
    let more =
        |(at, line): (usize, &str)| format!("{line},{}\n", if at == 0 { "private_key" } else { number.as_str() });
    let whole: String = table.lines().enumerate().map(more).collect();
    for (name, text) in [("keys.csv", whole), ("keys.ndjson", text_of("reel-a/simulated-keys.ndjson"))] {
        let file = site.dir.path().join(name);
        fs::write(&file, text).expect("a file");
        let refused = receive(&site, &file, "K", &[]);
        assert!(refused.exit != Some(0) && refused.said.contains("private"), "{name}: {}", refused.said);
    }
    let public =
        "rm k.bin; mkdir 0514AA; openssl ec -inform DER -in ../key.der -pubout -out 0514AA/pubkey.pem 2>/dev/null";
    sh(&manifest, public);
    let refused = received();
    assert!(refused.exit == Some(2) && refused.said.contains("and a table of chips"), "{}", refused.said);
}

/// Links lead anywhere, so none is followed; what is said of one is not that its file is missing or hostile.
#[test]
fn links_in_deliveries_are_told_as_links() {
    let site = Site::new("a");
    site.receive_reel("a");
    let folder = unpacked(&site, "linked");
    sh(
        &folder,
        "cd dacs; one=$(ls | head -n 1); mv $one ..; ln -s ../$one $one; cd ..; tar -cf ../links.tar dacs PAI.pem",
    );
    sh(
        &folder,
        "cd dacs; set -- *; cp --remove-destination $(readlink $1) $1; ln $1 twin.der; tar -cf ../../hard.tar .",
    );
    let tars = ["links.tar", "hard.tar"].map(|name| site.dir.path().join(name));
    sh(&folder, "cd dacs; rm twin.der; set -- *; ln -sf ../$1 $1");
    for path in [&folder, &tars[0], &tars[1]] {
        let refused = deliver(&site, path, &[]);
        let told = finding(&refused, "delivery.path");
        assert!(told["found"].as_str().is_some_and(|found| found.contains("is a link")), "{told}");
        assert!(told["advice"].as_str().is_some_and(|advice| advice.contains("dereference")), "{told}");
    }
}

/// What a cut file lacks is chips, and not a line to delete; a reel that is here is named, and is no clone of itself.
#[test]
fn a_file_that_is_cut_off_and_a_reel_that_is_here_are_told_as_that() {
    let site = Site::new("a");
    let whole = fs::read_to_string(data("reel-a/manifest.csv")).expect("rows");
    let rows: Vec<&str> = whole.lines().take(30).collect();
    let rows = rows.join("\n");
    for (number, less) in [140, 131, 62, 5].into_iter().enumerate() {
        let file = site.dir.path().join(format!("cut-{number}.csv"));
        fs::write(&file, &rows[..rows.len() - less]).expect("a file");
        let refused = receive(&site, &file, "CUT", &[]);
        assert!(refused.exit == Some(1) && refused.said.contains("may be cut off"), "{less}: {}", refused.said);
        assert!(!refused.said.contains("set the chip aside"), "{less}: {}", refused.said);
    }
    let file = site.dir.path().join("whole.csv");
    fs::write(&file, &rows).expect("a file");
    assert_eq!(receive(&site, &file, "V1", &[]).exit, Some(0));
    let again = receive(&site, &file, "V2", &[]);
    assert!(again.exit == Some(1) && again.said.contains("it is that reel again"), "{}", again.said);
    assert!(!again.said.contains("which of the two is right"), "{}", again.said);
}

/// Certificates in base 64 without the lines of PEM (RFC 7030 §4.1.3), and what is often saved in the place of a
/// delivery.
#[test]
fn bare_base_64_is_read_and_what_is_no_delivery_is_named() {
    let site = Site::new("a");
    site.receive_reel("a");
    for (name, text, says) in [
        ("login.zip", "<!DOCTYPE html>\n<html><body>Sign in</body></html>\n", "a web page"),
        (
            "mail.eml",
            "From: a@example.com\nMIME-Version: 1.0\nContent-Type: multipart/mixed; boundary=x\n\n--x\n",
            "a saved mail",
        ),
    ] {
        let file = site.dir.path().join(name);
        fs::write(&file, text).expect("a file");
        let refused = deliver(&site, &file, &[]);
        assert!(refused.exit == Some(1) && refused.said.contains(says), "{name}: {}", refused.said);
    }
    let folder = unpacked(&site, "bare");
    sh(&folder, "rm -f SHA256SUMS; cd dacs; for f in $(ls | head -n 5); do base64 $f > ${f%.der}.b64; rm $f; done");
    let received = deliver(&site, &folder, &[]);
    assert_eq!(
        (received.exit, &received.json["certificates"]["accepted"]),
        (Some(0), &json!(400)),
        "{}",
        received.said
    );
}

/// One file for two reels is received for each; what a desktop keeps beside each file is no certificate.
#[test]
fn one_file_for_two_reels_is_received_for_each() {
    let site = Site::new("a");
    let rows = fs::read_to_string(data("reel-a/manifest.csv")).expect("rows");
    let (head, rows) = rows.split_once('\n').expect("a header");
    let rows: Vec<&str> = rows.lines().collect();
    for (reel, part) in [("A", &rows[..100]), ("R", &rows[100..])] {
        let file = site.dir.path().join(format!("{reel}.csv"));
        fs::write(&file, format!("{head}\n{}\n", part.join("\n"))).expect("a file");
        assert_eq!(receive(&site, &file, reel, &[]).exit, Some(0));
    }
    let folder = unpacked(&site, "both");
    sh(&folder, "rm -f SHA256SUMS; for f in dacs/*; do printf '\\000\\005\\026\\007' > dacs/._${f#dacs/}; done");
    let both = |reel: &str| {
        let typed = ["delivery", "receive", text(&folder), "--reel", reel, "--accept-part"];
        site.call(reel, &typed)
    };
    assert_eq!(both("A").json["certificates"]["accepted"], 100);
    let told = site.words(&["delivery", "receive", text(&folder), "--reel", "R"]);
    assert!(told.contains("nothing to put right") && !told.contains("second one"), "{told}");
    // One that is for nobody here is the authority's to explain.
    stray(&folder);
    let told = site.words(&["delivery", "receive", text(&folder), "--reel", "R"]);
    assert!(told.contains("1 is for no chip of this site") && !told.contains("nothing to put right"), "{told}");
    sh(&folder, "rm stray.pem");
    let other = both("R");
    assert_eq!((other.exit, &other.json["certificates"]["accepted"]), (Some(0), &json!(300)), "{}", other.said);
}

/// Decimal ids that a spreadsheet took for numbers keep 15 digits (IEEE 754-2019); a total below a table is no chip.
#[test]
fn rounded_ids_and_a_total_below_the_table_are_told() {
    let site = Site::new("a");
    let rows = fs::read_to_string(data("reel-a/manifest.csv")).expect("rows");
    let keys: Vec<&str> =
        rows.lines().skip(1).take(20).filter_map(|row| row.split_once(',')).map(|(_, key)| key).collect();
    let table = |rounded: bool, end: &str| {
        let id = |n: usize| 44_601_690_765_818_900 + 1_337_100 * n as u64 + if rounded { 0 } else { 1 + n as u64 % 9 };
        let rows: String = keys.iter().enumerate().map(|(n, key)| format!("{};{key}\n", id(n))).collect();
        format!("chip_id;public_key\n{rows}{end}")
    };
    for (name, text, exit, says) in [
        ("rounded", table(true, ""), 0, Some("rounded them")),
        ("as written", table(false, ""), 0, None),
        ("with a total", table(false, "20;\n"), 1, Some("delete such lines")),
    ] {
        let file = site.dir.path().join(format!("{name}.csv"));
        fs::write(&file, text).expect("a file");
        let answer = receive(&site, &file, name, &[]);
        assert_eq!(answer.exit, Some(exit), "{name}: {}", answer.said);
        assert!(says.is_none_or(|says| answer.said.contains(says)), "{name}: {}", answer.said);
        assert!(says.is_some() || !answer.said.contains("rounded"), "{name}: {}", answer.said);
        if exit == 0 {
            site.done("withdrawn", &["reel", "withdraw", name]);
        }
    }
}

/// Lines that end with CR alone, as old spreadsheets write them, have numbers too.
/// The same chips in another order are the same reel; with another key they are not.
#[test]
fn a_reel_in_another_order_is_here_already() {
    let site = Site::new("a");
    site.receive_reel("a");
    let manifest = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let (head, rows) = manifest.split_once('\n').expect("a header");
    let write = |name: &str, rows: &[&str]| {
        let path = site.dir.path().join(name);
        fs::write(&path, format!("{head}\n{}\n", rows.join("\n"))).expect("room");
        path
    };
    let mut rows: Vec<&str> = rows.lines().collect();
    rows.reverse();
    let again = receive(&site, &write("reversed.csv", &rows), "A", &[]);
    assert_eq!((again.exit, &again.json["verdict"]), (Some(0), &"already-received".into()), "{}", again.said);
    let ((id, _), (_, key)) = (rows[0].split_once(',').expect("an id"), rows[1].split_once(',').expect("a key"));
    let exchanged = format!("{id},{key}");
    rows[0] = &exchanged;
    let changed = receive(&site, &write("changed.csv", &rows), "A", &[]);
    assert!(changed.exit != Some(0), "{}", changed.said);
}

/// An id that lost digits is told as that where the right manifest comes, and its chip is no clone.
#[test]
fn a_chip_whose_id_lost_a_digit_is_no_clone() {
    let site = Site::new("a");
    let manifest = fs::read_to_string(data("reel-a/manifest.csv")).expect("a manifest");
    let rows: Vec<&str> = manifest.lines().take(3).collect();
    let (id, rest) = rows[2].split_once(',').expect("columns");
    let write = |name: &str, last: &str| {
        let path = site.dir.path().join(name);
        fs::write(&path, format!("{}\n{}\n{last}\n", rows[0], rows[1])).expect("room");
        path
    };
    let lost = write("lost.csv", &format!("{},{rest}", &id[..id.len() - 1]));
    assert_eq!(receive(&site, &lost, "L", &[]).exit, Some(0));
    let right = receive(&site, &write("right.csv", rows[2]), "R", &[]);
    let advice = finding(&right, "reel.duplicate-key")["advice"].as_str().unwrap_or_default().to_owned();
    assert!(right.exit == Some(1) && advice.contains("one id is the other with digits lost"), "{}", right.said);
}

#[test]
fn lines_that_end_with_cr_are_counted() {
    let site = Site::new("a");
    let rows = fs::read_to_string(data("reel-a/manifest.csv")).expect("rows");
    let mut rows: Vec<&str> = rows.lines().take(30).collect();
    rows[20] = "ZZ,no key";
    for (name, end) in [("cr.csv", "\r"), ("lf.csv", "\n"), ("crlf.csv", "\r\n")] {
        let file = site.dir.path().join(name);
        fs::write(&file, rows.join(end) + end).expect("a file");
        let refused = receive(&site, &file, "C", &[]);
        assert!(refused.exit == Some(1) && refused.said.contains("line 21"), "{name}: {}", refused.said);
    }
}

/// A certificate of another reel among those for this one: what the authority must put right is told, and the good part
/// can be kept.
#[test]
fn a_stray_among_faulty_ones_does_not_excuse_the_authority() {
    let site = Site::new("a");
    site.receive_reel("a");
    site.add("b");
    site.receive_reel("b");
    let folder = unpacked(&site, "stray");
    stray(&folder);
    sh(&folder, "rm -f README.txt SHA256SUMS; for f in $(ls dacs | head -n 3); do rm dacs/$f; done");
    let said = site.words(&["delivery", "receive", text(&folder), "--reel", "A"]);
    assert!(said.contains("397 good") && said.contains("3 missing"), "{said}");
    assert!(said.contains("--accept-part") && !said.contains("nothing to put right"), "{said}");
}

/// A folder for each chip, and no key in one of them: the chip is on the reel, and must not be missing in the book.
#[test]
fn a_chips_folder_without_its_key_is_told() {
    let Some(engine) = Engine::sqlite() else { return };
    let site = Site::on(&engine, "a");
    let folder = site.dir.path().join("chips");
    let mut ids = Vec::new();
    for number in 0..4 {
        let (id, der) = key_file(number);
        let home = folder.join(&id);
        fs::create_dir_all(&home).expect("a folder");
        fs::write(home.join("k.der"), hex::decode(der).expect("hex")).expect("a key");
        sh(
            &home,
            "openssl ec -inform DER -in k.der -pubout -out pubkey.pem 2>/dev/null; rm k.der; echo lot 7 > lot.txt",
        );
        ids.push(id);
    }
    fs::remove_file(folder.join(&ids[2]).join("pubkey.pem")).expect("removed");
    let receive = ["reel", "receive", text(&folder), "--reel", "F", "--product", "Tern Vent"];
    let refused = site.call("a key is missing", &receive);
    let told = finding(&refused, "reel.key");
    assert_eq!((refused.exit, &told["chip_id"]), (Some(1), &json!(ids[2])), "{}", refused.said);
    fs::remove_dir_all(folder.join(&ids[2])).expect("removed");
    // A file in its place is named as the chip is, and holds nothing; a link is not followed, and not left out.
    for (name, make) in [(format!("{}.txt", ids[2]), "touch"), (format!("{}.pem", ids[2]), "ln -s ../reel-a/x")] {
        sh(&folder, &format!("{make} {name}"));
        let refused = site.call(make, &receive);
        assert!(refused.exit == Some(1) && refused.said.contains(&name), "{}", refused.said);
        fs::remove_file(folder.join(name)).expect("removed");
    }
    assert_eq!(site.done("the rest", &receive)["chips"]["received"], 3);
}

/// A root for production and a product for testing: customers' homes would trust the units.
#[test]
fn a_test_product_under_a_production_root_is_warned_of() {
    let site = Site::bare("sqlite:book.sqlite");
    let paa = data("authority/paa-a.pem");
    site.done("adopt", &["authority", "adopt", text(&paa), "--name", "Root", "--purpose", "production"]);
    let add = ["product", "add", "Tern Vent", "--vendor", "FFF2", "--product", "8A21", "--device-type", "0x0202"];
    site.done("product", &[&add[..], &["--reach", "ble"]].concat());
    site.receive_reel("a");
    let received = deliver(&site, &data("reel-a/delivery.zip"), &[]);
    let told = finding(&received, "delivery.authority");
    assert_eq!((received.exit, &told["severity"]), (Some(0), &json!("warning")), "{}", received.said);
    assert!(told["found"].as_str().is_some_and(|found| found.ends_with("adopted for production")), "{told}");
}

fn a_refused_delivery_counts_apart_and_says_what_is_wrong_entry_by_entry(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    let file = |name: &str| data("faulty").join(name);
    let before = site.reconcile("before");
    for (name, [good, faulty, missing]) in [
        ("broken-signature.tar.gz", [399, 1, 0]),
        ("two-dacs-one-chip.tar.gz", [399, 2, 0]),
        ("dac-not-on-reel.tar.gz", [400, 1, 0]),
        ("three-chips-without.tar.gz", [397, 0, 3]),
        ("pai-missing.tar.gz", [0, 400, 0]),
        ("path-traversal.zip", [0, 0, 400]),
    ] {
        let path = file(name);
        let refused = site.call(name, &["delivery", "receive", text(&path), "--reel", "A"]);
        let told = &refused.json["certificates"];
        assert_eq!(
            (&told["good"], &told["faulty"], &told["missing"]),
            (&json!(good), &json!(faulty), &json!(missing)),
            "{name}"
        );
        let words = site.words(&["delivery", "receive", text(&path), "--reel", "A"]);
        assert!(words.contains(&format!("{good} good, {faulty} faulty, {missing} missing")), "{name}: {words}");
        assert_eq!(words.contains("--accept-part"), good > 0, "{name}: {words}");
        // Its report is shown afterwards, though nothing of it is in the book.
        let id = refused.json["delivery"].as_str().expect("an id");
        let shown = site.done(name, &["delivery", "show", id]);
        assert_eq!(
            (&shown["verdict"], &shown["certificates"]["faulty"]),
            (&json!("refused"), &json!(faulty)),
            "{shown}"
        );
        assert_eq!(shown["report"]["findings"], refused.json["findings"], "{name}");
        let rule = refused.json["findings"][0]["rule"].as_str().expect("a rule");
        assert!(site.words(&["delivery", "show", id]).contains(rule), "{name}");
    }
    assert_eq!(site.reconcile("after"), before, "a refused delivery changed the book");
    let listed = site.done("list", &["delivery", "list"]);
    assert_eq!((&listed["deliveries"], listed["refused"].as_array().map(Vec::len)), (&json!([]), Some(6)), "{listed}");

    // For the authority: on receiving, and afterwards.
    let out = |name: &str| site.dir.path().join(name);
    let (csv, again) = (out("wrong.csv"), out("again.json"));
    let short = file("three-chips-without.tar.gz");
    let typed = ["delivery", "receive", text(&short), "--reel", "A", "--for-authority", text(&csv)];
    let refused = site.call("for the authority", &typed);
    let id = refused.json["delivery"].as_str().expect("an id").to_owned();
    let mut table = csv::Reader::from_path(&csv).expect("a table");
    let names = table.headers().expect("names").clone();
    let column = |name| names.iter().position(|h| h == name).expect(name);
    let (chip, rule) = (column("chip_id"), column("rule"));
    let rows: Vec<_> = table.records().map(|r| r.expect("a row")).collect();
    let chips: BTreeSet<&str> = rows.iter().map(|r| &r[chip]).collect();
    assert_eq!(chips, BTreeSet::from(["514C0417136005D806", "514C04170A094A7DBB", "514C04171752167F11"]));
    assert!(rows.iter().all(|r| &r[rule] == "delivery.gap"), "{rows:?}");
    let taken = site.call("again", &typed);
    assert!(taken.exit == Some(2) && taken.said.contains("exists already"), "{}", taken.said);
    site.done("from the report", &["delivery", "show", &id, "--for-authority", text(&again)]);
    let all: Value = serde_json::from_slice(&fs::read(&again).expect("a file")).expect("JSON");
    assert_eq!(all["entries"].as_array().map(Vec::len), Some(3), "{all}");
    let bad = file("broken-signature.tar.gz");
    let entries = out("entries.json");
    site.call("bad", &["delivery", "receive", text(&bad), "--reel", "A", "--for-authority", text(&entries)]);
    let all: Value = serde_json::from_slice(&fs::read(&entries).expect("a file")).expect("JSON");
    let one = all["entries"].as_array().expect("entries").iter().find(|e| e["rule"] == "chain.signature");
    let one = one.expect("the broken signature");
    assert_eq!(one["serial"], "55a602ac04170f7225d4608c8ba52927", "{all}");
    assert_eq!(one["chip_id"], "514C0417094A3577F5", "{all}");
    assert!(one["entry"].as_str().is_some_and(|e| e.starts_with("dacs/")), "{all}");

    // The part that is kept has its report too.
    let part = site.done("in part", &["delivery", "receive", text(&bad), "--reel", "A", "--accept-part"]);
    let (kept, kept_file) = (part["delivery"].as_str().expect("an id"), out("kept.csv"));
    let shown = site.done("shown", &["delivery", "show", kept, "--for-authority", text(&kept_file)]);
    assert_eq!((&shown["certificates"]["good"], &shown["certificates"]["faulty"]), (&json!(399), &json!(1)), "{shown}");
    assert!(fs::read_to_string(&kept_file).expect("a file").contains("chain.signature"));
}

fn a_delivery_for_another_reel_of_the_site_names_it(engine: &Engine) {
    let site = Site::on(engine, "a");
    site.add("b");
    site.receive_reel("a");
    site.receive_reel("b");
    let delivery = data("reel-b/delivery.tar.gz");
    let refused = site.call("B's for A", &["delivery", "receive", text(&delivery), "--reel", "A"]);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    let findings = refused.json["findings"].as_array().expect("findings");
    let named = findings.iter().find(|f| f["rule"] == "delivery.other-reel").expect("the reel is named");
    assert!(named["found"].as_str().is_some_and(|t| t.contains("300 of 300") && t.contains("reel B")), "{named}");
    assert!(named["advice"].as_str().is_some_and(|t| t.contains("reel B")), "{named}");
    let words = site.words(&["delivery", "receive", text(&delivery), "--reel", "A"]);
    assert!(words.contains("reel B") && !words.contains("--accept-part"), "{words}");
    let told = &refused.json["certificates"];
    assert_eq!((&told["good"], &told["faulty"], &told["missing"]), (&json!(0), &json!(300), &json!(400)));
    assert_eq!(site.receive_delivery("b")["verdict"], "accepted");
}

fn a_reel_of_an_authoritys_certificates_is_made_only_on_purpose(engine: &Engine) {
    let site = Site::on(engine, "a");
    let delivery = data("reel-a/delivery.zip");
    let refused = receive(&site, &delivery, "D", &[]);
    assert_eq!(refused.exit, Some(2), "{}", refused.said);
    assert!(refused.said.contains("--from-certificates"), "{}", refused.said);
    assert_eq!(site.done("list", &["reel", "list"])["reels"], json!([]));
    let made = receive(&site, &delivery, "D", &["--from-certificates"]);
    assert_eq!((made.exit, &made.json["chips"]["received"]), (Some(0), &json!(400)), "{}", made.said);
    let finding = &made.json["findings"][0];
    assert_eq!((&finding["rule"], &finding["severity"]), (&json!("reel.from-certificates"), &json!("warning")));
    assert!(finding["advice"].as_str().is_some_and(|advice| advice.contains("void")), "{finding}");
    // Where no PAA known there stands above them, they may be a chip maker's: that is said, and they are taken.
    let other = Site::on(engine, "b");
    let typed = ["reel", "receive", text(&delivery), "--reel", "E", "--product", "Tern Damper"];
    let made = other.done("elsewhere", &typed);
    let finding = &made["findings"][0];
    assert_eq!(
        (&made["chips"]["received"], &finding["rule"]),
        (&json!(400), &json!("reel.from-certificates")),
        "{made}"
    );
    assert!(finding["found"].as_str().is_some_and(|found| found.contains("not known here")), "{made}");
}
