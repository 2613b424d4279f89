//! Chips in PKCS #11 tokens: SoftHSM2 keeps the contract, and what we wrote,
//! `pkcs11-tool` reads.

#![cfg(test)]
#![cfg(unix)]

use std::fs;
use std::process::Command;

use chip::contract::{self, OpenSource, Outcome, Trial};
use chip::{ChipError, ChipId, ChipSource, ObjectName, OpenOptions, Source, State};

#[path = "../../../tests/outside/softhsm.rs"]
mod softhsm;

use softhsm::{Bench, inner, run};

/// An id of this process and test alone, because who holds a chip is known machine-wide.
fn id(n: u8) -> String {
    format!("5EC0{:08X}{n:02X}", std::process::id())
}

/// A fixture of two chips, and a token that is one chip.
fn bench(n: u8) -> Option<Bench> {
    let bench = Bench::new()?;
    bench.token("fixture");
    bench.key_pair("fixture", &id(n), "chip a");
    bench.key_pair("fixture", &id(n + 1), "chip b");
    Some(bench)
}

fn source(text: &str) -> Box<dyn ChipSource> {
    let source: Source = text.parse().unwrap();
    assert!(!source.asks_for_pin());
    source.open(OpenOptions::default()).unwrap()
}

#[test]
fn tokens_keep_the_contract() {
    let Some(bench) = bench(0) else { return };
    bench.run_test("inner_contract", &format!("pkcs11:token=fixture?{}", bench.query()));
    // Left as it was: nothing but keys.
    let listed = bench.tool("fixture", &["--list-objects"]);
    assert!(!listed.contains("Data object") && !listed.contains("Certificate"), "{listed}");
}

#[test]
fn inner_contract() {
    let Some((text, _)) = inner() else { return };
    let chips = source(&text).present().unwrap();
    assert_eq!(chips.len(), 2);
    let mut open = || Ok(source(&text));
    let open: &mut OpenSource<'_> = &mut open;
    for tried in contract::check(open, &chips[0], Trial::default()) {
        let not_tried = ["room", "names"].contains(&tried.promise.name);
        assert_eq!(matches!(tried.outcome, Outcome::NotTried(_)), not_tried, "{tried:?}");
        assert!(!matches!(tried.outcome, Outcome::Broken(_)), "{tried:?}");
    }
}

#[test]
fn what_we_wrote_others_read() {
    let Some(bench) = bench(10) else { return };
    // Certificates that openssl makes.
    for name in ["dac", "pai"] {
        let file = bench.path().join(format!("{name}.der"));
        let key = bench.path().join("key.pem");
        run(Command::new("openssl")
            .args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "30"])
            .args(["-subj", &format!("/CN=Tern Vent {name}"), "-outform", "DER", "-keyout"])
            .arg(&key)
            .arg("-out")
            .arg(&file));
    }
    bench.run_test("inner_writes", &format!("pkcs11:token=fixture;object=chip%20a?{}", bench.query()));
    let listed = bench.tool("fixture", &["--list-objects", "--type", "cert"]);
    let chip = bench.path().join("chip");
    let chip = fs::read_to_string(&chip).unwrap();
    assert!(listed.contains("Tern Vent dac") && listed.to_uppercase().contains(&chip), "{listed}");
    let read = |kind: &[&str], label: &str| {
        let file = bench.path().join("read");
        let _ = fs::remove_file(&file);
        bench.tool(
            "fixture",
            &[&["--read-object", "--label", label, "--output-file", file.to_str().unwrap()], kind].concat(),
        );
        fs::read(&file).unwrap()
    };
    for name in ["dac", "pai"] {
        let found = read(&["--type", "cert", "--id", &chip], name);
        assert_eq!(found, fs::read(bench.path().join(format!("{name}.der"))).unwrap(), "{name}");
    }
    assert_eq!(read(&["--type", "data"], "declaration"), b"the declaration");
    assert_eq!(read(&["--type", "data"], "access-key"), [7; 300]);
}

#[test]
fn inner_writes() {
    let Some((text, folder)) = inner() else { return };
    let mut source = source(&text);
    let chips = source.present().unwrap();
    assert_eq!(chips.len(), 1, "object= narrows the keys");
    fs::write(folder.join("chip"), chips[0].as_str()).unwrap();
    let file = |name: &str| fs::read(folder.join(format!("{name}.der"))).unwrap();
    let access_key = ObjectName::new("access-key").unwrap();
    let objects = [
        (ObjectName::DAC, file("dac")),
        (ObjectName::PAI, file("pai")),
        (ObjectName::DECLARATION, b"the declaration".to_vec()),
        (access_key, vec![7; 300]),
    ];
    let mut chip = source.open(&chips[0]).unwrap();
    // First what is no certificate, then in its place what is one.
    chip.write(&ObjectName::DAC, b"not a certificate").unwrap();
    for (name, octets) in &objects {
        chip.write(name, octets).unwrap();
    }
    drop(chip);
    let mut chip = source.open(&chips[0]).unwrap();
    assert_eq!(chip.state().unwrap(), State::HoldsObjects);
    for (name, octets) in &objects {
        assert_eq!(chip.read(name).unwrap().as_ref(), Some(octets), "{name}");
    }
    assert!(matches!(chip.lock(), Err(ChipError::CannotLock { .. })));
}

/// Cut between the new object and the end of the old one, a write reads as torn.
#[test]
fn a_write_that_was_cut() {
    let Some(bench) = bench(20) else { return };
    let uri = format!("pkcs11:token=fixture;object=chip%20a?{}", bench.query());
    let content = bench.path().join("content");
    fs::write(&content, b"another").unwrap();
    let application = format!("touchmark {}", id(20));
    for _ in 0..2 {
        bench.tool(
            "fixture",
            &[
                "--write-object",
                content.to_str().unwrap(),
                "--type",
                "data",
                "--label",
                "declaration",
                "--application-label",
                &application,
            ],
        );
    }
    bench.run_test("inner_torn", &uri);
}

#[test]
fn inner_torn() {
    let Some((text, _)) = inner() else { return };
    let mut source = source(&text);
    let id = source.present().unwrap().remove(0);
    let mut chip = source.open(&id).unwrap();
    assert!(matches!(chip.read(&ObjectName::DECLARATION), Err(ChipError::Torn { .. })));
    chip.write(&ObjectName::DECLARATION, b"whole").unwrap();
    assert_eq!(chip.read(&ObjectName::DECLARATION).unwrap().as_deref(), Some(&b"whole"[..]));
}

/// Tokens with one key of a short id each: chips by their serial numbers.
#[test]
fn a_fixture_of_tokens() {
    let Some(bench) = Bench::new() else { return };
    for token in ["site one", "site two", "other"] {
        bench.token(token);
        bench.key_pair(token, "01", "attestation");
    }
    bench.run_test("inner_fixture", &format!("pkcs11:?{}", bench.query()));
    // A second key with a short id in one token: two chips of one id.
    bench.key_pair("other", "02", "attestation");
    bench.run_test("inner_doubles", &format!("pkcs11:?{}", bench.query()));
}

#[test]
fn inner_fixture() {
    let Some((text, _)) = inner() else { return };
    let mut all = source(&text);
    let chips = all.present().unwrap();
    assert_eq!(chips.len(), 3);
    let mut keys = std::collections::HashSet::new();
    for id in &chips {
        let mut chip = all.open(id).unwrap();
        assert_eq!(chip.identity().unwrap().id, *id);
        let key = chip.public_key().unwrap();
        assert!(key.verifies_raw(b"nonce", &chip.sign(b"nonce").unwrap()));
        keys.insert(key);
    }
    assert_eq!(keys.len(), 3);
    let one = text.replace("pkcs11:", "pkcs11:token=site%20two");
    assert_eq!(source(&one).present().unwrap().len(), 1);
    assert_eq!(source(&text.replace("pkcs11:", "pkcs11:token=none")).present().unwrap(), []);
    assert!(matches!(all.open(&ChipId::new("FEED0001").unwrap()), Err(ChipError::Absent { .. })));
}

#[test]
fn inner_doubles() {
    let Some((text, _)) = inner() else { return };
    let refused = source(&text).present().unwrap_err();
    assert!(refused.to_string().contains("two keys have the chip id"), "{refused}");
}
