//! What we write, others read; what others write, we read.
//!
//! Checked against the `openssl` command (its own PKCS #8, PBES2 and scrypt)
//! and Python's `cryptography` (PKCS #8, HKDF, AES-GCM-SIV).

#![cfg(test)]

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use custody::{CustodyError, KeyFile, Passphrase, PrivateKey, SiteKey, WorkFactor};
use standard::key::Signer;

/// Whether a missing tool fails the test: where all tools must be at hand.
fn must_be_here() -> bool {
    std::env::var_os("CI").is_some_and(|v| v == "true")
}

/// The `openssl` command, or a notice.
fn openssl() -> Option<Command> {
    let found = Command::new("openssl").arg("version").stdout(Stdio::null()).status().is_ok_and(|s| s.success());
    assert!(found || !must_be_here(), "the openssl command is missing");
    if !found {
        eprintln!("skipped: the openssl command is missing");
    }
    found.then(|| Command::new("openssl"))
}

/// A Python with `tests/outside/requirements.txt`, or a notice.
fn python() -> Option<Command> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let program = std::env::var_os("TOUCHMARK_PYTHON").map_or_else(|| root.join(".venv/bin/python"), PathBuf::from);
    let found = Command::new(&program).args(["-c", "import cryptography"]).status().is_ok_and(|s| s.success());
    assert!(found || !must_be_here(), "{} with tests/outside/requirements.txt is missing", program.display());
    if !found {
        eprintln!("skipped: {} with tests/outside/requirements.txt is missing", program.display());
        return None;
    }
    let mut command = Command::new(program);
    command.arg(root.join("tests/outside/custody.py"));
    Some(command)
}

fn run(command: &mut Command) -> Vec<u8> {
    let output = command.output().unwrap();
    assert!(output.status.success(), "{command:?}\n{}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

const TEXT: &str = "Schlüssel 42";

#[test]
fn openssl_opens_our_key_file() {
    let Some(mut openssl) = openssl() else { return };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pai.key");
    let key = PrivateKey::generate().unwrap();
    let passphrase = Passphrase::new(TEXT.to_owned()).unwrap();
    KeyFile::create(&path, &passphrase, &key, WorkFactor::PRODUCTION).unwrap();
    let spki =
        run(openssl.args(["pkey", "-passin", &format!("pass:{TEXT}"), "-pubout", "-outform", "DER", "-in"]).arg(&path));
    // RFC 5480: the point ends the SubjectPublicKeyInfo.
    assert!(spki.ends_with(key.public_key().point()));
}

#[test]
fn we_open_openssls_key_file() {
    let folder = tempfile::tempdir().unwrap();
    let open = folder.path().join("open.pem");
    let passphrase = Passphrase::new(TEXT.to_owned()).unwrap();
    for (name, kind, how, ours) in [
        ("scrypt", "EC", &["-scrypt"][..], true),
        ("PBKDF2", "EC", &["-v2", "aes-256-cbc", "-iter", "2000"], true),
        ("PBES1", "EC", &["-v1", "PBE-SHA1-3DES"], false),
        ("another algorithm", "RSA", &["-scrypt"], false),
    ] {
        let Some(mut make) = openssl() else { return };
        let options: &[&str] = if kind == "EC" { &["-pkeyopt", "ec_paramgen_curve:P-256"] } else { &[] };
        run(make.args(["genpkey", "-algorithm", kind]).args(options).arg("-out").arg(&open));
        let path = folder.path().join("theirs.key");
        let Some(mut close) = openssl() else { return };
        run(close
            .args(["pkcs8", "-topk8", "-passout", &format!("pass:{TEXT}")])
            .args(how)
            .arg("-in")
            .arg(&open)
            .arg("-out")
            .arg(&path));
        let opened = KeyFile::open(&path, &passphrase);
        if !ours {
            assert!(matches!(opened, Err(CustodyError::NotOne { .. })), "{name}: {opened:?}");
            continue;
        }
        let opened = opened.unwrap();
        let Some(mut show) = openssl() else { return };
        let spki = run(show.args(["pkey", "-pubout", "-outform", "DER", "-in"]).arg(&open));
        assert!(spki.ends_with(opened.public_key().point()), "{name}");
        // No checksum in it: the two causes can't be told apart, and we say so.
        let wrong = KeyFile::open(&path, &Passphrase::new("other".to_owned()).unwrap());
        assert!(matches!(wrong, Err(CustodyError::DoesNotOpen { .. })), "{name}: {wrong:?}");
    }
}

#[test]
fn python_opens_our_key_file_and_signs() {
    let Some(mut python) = python() else { return };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pai.key");
    let key = PrivateKey::generate().unwrap();
    let passphrase = Passphrase::new(TEXT.to_owned()).unwrap();
    KeyFile::create(&path, &passphrase, &key, WorkFactor::PRODUCTION).unwrap();
    let signature = run(python.arg("sign").arg(&path).args([TEXT, "message"]));
    assert!(key.public_key().verifies(b"message", &hex::decode(signature.trim_ascii()).unwrap()));
}

#[test]
fn python_opens_the_site_key_and_unseals() {
    let folder = tempfile::tempdir().unwrap();
    let passphrase = Passphrase::new(TEXT.to_owned()).unwrap();
    for (name, wrap) in [("open", None), ("wrapped", Some((&passphrase, WorkFactor::PRODUCTION)))] {
        let Some(mut python) = python() else { return };
        let path = folder.path().join(name);
        let key = SiteKey::create(&path, wrap).unwrap();
        let sealed = hex::encode(key.seal(b"unit 17", b"20202021").unwrap());
        let said = run(python.arg("unseal").arg(&path).args([TEXT, "unit 17", &sealed]));
        assert_eq!(String::from_utf8(said).unwrap().trim(), format!("{} 20202021", key.id()), "{name}");
        let Some(mut python) = crate::python() else { return };
        let said = run(python.arg("derive").arg(&path).args([TEXT, "unit 17"]));
        assert_eq!(String::from_utf8(said).unwrap().trim(), hex::encode(*key.derive(b"unit 17")), "{name}");
    }
}
