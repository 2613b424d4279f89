//! Signing keys in a PKCS #11 token: SoftHSM2, looked at by `pkcs11-tool` and `openssl`.

#![cfg(test)]
#![cfg(unix)]

use std::fs;
use std::process::Command;

use custody::Passphrase;
use custody::token::{TokenError, TokenKey, TokenUri, Tokens};
use standard::key::Signer;

#[path = "../../../tests/outside/softhsm.rs"]
mod softhsm;

use softhsm::{Bench, PIN, inner, run};

fn bench() -> Option<Bench> {
    let bench = Bench::new()?;
    bench.token("guild");
    Some(bench)
}

fn uri(text: &str) -> TokenUri {
    text.parse().unwrap()
}

/// Makes, finds and uses a key; leaves a signature for others to check.
#[test]
fn inner_makes_and_finds() {
    let Some((text, folder)) = inner() else { return };
    let uri = uri(&text);
    assert!(matches!(TokenKey::find(&uri, None), Err(TokenError::NoKey { .. })));
    let made = TokenKey::create(&uri, None).unwrap();
    let again = TokenKey::create(&uri, None).map(drop);
    assert!(matches!(again, Err(TokenError::KeyExists { .. })), "{again:?}");
    let found = TokenKey::find(&uri, None).unwrap();
    assert_eq!(found.public_key(), made.public_key());
    // From many threads at once, as a delivery is issued.
    std::thread::scope(|scope| {
        for n in 0..4u8 {
            let found = &found;
            scope.spawn(move || {
                for m in 0..10u8 {
                    let signature = found.sign(&[n, m]).unwrap();
                    assert!(found.public_key().verifies(&[n, m], &signature));
                }
            });
        }
    });
    fs::write(folder.join("message"), b"signed in the token").unwrap();
    fs::write(folder.join("signature"), made.sign(b"signed in the token").unwrap()).unwrap();
    fs::write(folder.join("point"), made.public_key().point()).unwrap();
}

#[test]
fn a_key_made_in_a_token() {
    let Some(bench) = bench() else { return };
    for (name, object) in [("named", "object=Tern%20PAI"), ("with an id", "object=Tern%20PAA;id=%01%02%03%04%05")] {
        bench.run_test("inner_makes_and_finds", &format!("pkcs11:token=guild;{object}?{}", bench.query()));
        // The public half, as another program reads it; openssl checks the signature with it.
        let label = if name == "named" { "Tern PAI" } else { "Tern PAA" };
        let spki = bench.path().join("spki.der");
        bench.tool(
            "guild",
            &["--read-object", "--type", "pubkey", "--label", label, "--output-file", spki.to_str().unwrap()],
        );
        let spki_octets = fs::read(&spki).unwrap();
        assert!(spki_octets.ends_with(&fs::read(bench.path().join("point")).unwrap()), "{name}");
        let (signature, message) = (bench.path().join("signature"), bench.path().join("message"));
        run(Command::new("openssl")
            .args(["dgst", "-sha256", "-keyform", "DER", "-verify"])
            .arg(&spki)
            .arg("-signature")
            .arg(&signature)
            .arg(&message));
        let listed = bench.tool("guild", &["--list-objects", "--type", "privkey"]);
        assert!(
            listed.contains(label) && listed.contains("sensitive") && !listed.contains("Access:     extractable"),
            "{listed}"
        );
    }
    // A URI that fits both is refused, not guessed at.
    bench.run_test("inner_several", &format!("pkcs11:token=guild?{}", bench.query()));
}

#[test]
fn inner_several() {
    let Some((text, _)) = inner() else { return };
    assert!(matches!(TokenKey::find(&uri(&text), None), Err(TokenError::Several { count: 2, what: "keys", .. })));
}

/// A key that another program made, with a short id and a label.
#[test]
fn a_key_found_in_a_token() {
    let Some(bench) = bench() else { return };
    bench.key_pair("guild", "01", "found");
    bench.tool(
        "guild",
        &["--keypairgen", "--key-type", "EC:secp384r1", "--id", "02", "--label", "other curve", "--usage-sign"],
    );
    bench.run_test("inner_finds", &format!("pkcs11:token=guild?{}", bench.query()));
}

#[test]
fn inner_finds() {
    let Some((text, _)) = inner() else { return };
    let key = TokenKey::find(&uri(&text), None).unwrap();
    assert!(key.public_key().verifies(b"message", &key.sign(b"message").unwrap()));
}

#[test]
fn pins_and_names_that_are_wrong() {
    let Some(bench) = bench() else { return };
    bench.key_pair("guild", "01", "found");
    bench.run_test("inner_wrong", &format!("pkcs11:token=guild?module-path={}", bench.module.display()));
    // The one wrong try is all that was made: the right PIN still works.
    bench.run_test("inner_finds", &format!("pkcs11:token=guild?{}", bench.query()));
}

#[test]
fn inner_wrong() {
    let Some((text, folder)) = inner() else { return };
    let find = |text: &str, pin: Option<&Passphrase>| TokenKey::find(&uri(text), pin).map(drop).unwrap_err();
    let wrong = Passphrase::new("999999".to_owned()).unwrap();
    let right = Passphrase::new(PIN.to_owned()).unwrap();

    let refused = find(&text, None);
    assert!(matches!(refused, TokenError::NeedsPin { .. }), "{refused}");
    let tokens = Tokens::open(&uri(&text), Some(&wrong)).unwrap();
    let token = tokens.one().unwrap();
    for _ in 0..20 {
        // A token that locks after ten would be locked by now.
        let refused = tokens.session(&token).map(drop).unwrap_err();
        assert!(matches!(refused, TokenError::WrongPin { .. }), "{refused}");
        assert!(!format!("{refused:?}{refused}{tokens:?}").contains("999999"));
    }
    assert!(TokenKey::find(&uri(&text), Some(&right)).is_ok());

    let refused = find(&text.replace("guild", "other"), Some(&right));
    assert!(matches!(refused, TokenError::NoToken { .. }), "{refused}");
    let refused = find("pkcs11:token=guild", Some(&right));
    assert!(matches!(refused, TokenError::NoModule { .. }), "{refused}");
    let refused = find("pkcs11:token=guild?module-path=/no/such/module.so", Some(&right));
    assert!(matches!(refused, TokenError::Module { .. }), "{refused}");
    let text_file = folder.join("softhsm2.conf");
    let refused = find(&format!("pkcs11:token=guild?module-path={}", text_file.display()), Some(&right));
    assert!(matches!(refused, TokenError::Module { .. }), "{refused}");
    let refused = find(&format!("{text}&pin-source=file:/no/such/file"), Some(&right));
    assert!(matches!(refused, TokenError::PinFile(_)), "{refused}");
}
