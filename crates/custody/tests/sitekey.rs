//! The site key: made, wrapped, opened; what it seals opens only as it was.

#![cfg(test)]

use std::fs;
use std::path::PathBuf;

use custody::{CustodyError, Passphrase, PrivateKey, SealedKey, SiteKey, UnsealError, WorkFactor};
use proptest::prelude::*;
use standard::key::Signer;

fn passphrase(text: &str) -> Passphrase {
    Passphrase::new(text.to_owned()).unwrap()
}

fn folder() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("site.key");
    (folder, path)
}

#[test]
fn opened_again_it_is_the_same() {
    let stamp = passphrase("stamp");
    for wrap in [None, Some((&stamp, WorkFactor::WORTHLESS))] {
        let (_folder, path) = folder();
        let made = SiteKey::create(&path, wrap).unwrap();
        assert_eq!(SiteKey::is_wrapped(&path).unwrap(), wrap.is_some());
        let opened = SiteKey::open(&path, wrap.map(|(p, _)| p)).unwrap();
        assert_eq!(opened.id(), made.id());
        let sealed = made.seal(b"unit 17 passcode", b"20202021").unwrap();
        assert_eq!(opened.unseal(b"unit 17 passcode", &sealed).unwrap().as_slice(), b"20202021");
        assert!(matches!(SiteKey::create(&path, None), Err(CustodyError::Exists { .. })));
        assert!(matches!(SiteKey::open(&path, wrap.map(|(p, _)| p)), Ok(same) if same.id() == made.id()));
    }
}

#[test]
fn derived_secrets_are_the_same_again_and_each_its_own() {
    let (_folder, path) = folder();
    let key = SiteKey::create(&path, None).unwrap();
    let derived = key.derive(b"rotating id of unit TV-1");
    assert_eq!(derived, SiteKey::open(&path, None).unwrap().derive(b"rotating id of unit TV-1"));
    assert_ne!(derived, key.derive(b"rotating id of unit TV-2"));
    let (_other, elsewhere) = folder();
    assert_ne!(derived, SiteKey::create(&elsewhere, None).unwrap().derive(b"rotating id of unit TV-1"));
}

#[test]
fn wrapped_needs_its_passphrase() {
    let (_folder, path) = folder();
    SiteKey::create(&path, Some((&passphrase("stamp"), WorkFactor::WORTHLESS))).unwrap();
    assert!(matches!(SiteKey::open(&path, None), Err(CustodyError::NeedsPassphrase { .. })));
    let wrong = SiteKey::open(&path, Some(&passphrase("stump")));
    assert!(matches!(wrong, Err(CustodyError::WrongPassphrase { .. })), "{wrong:?}");
}

#[cfg(unix)]
#[test]
fn an_open_key_rests_on_its_mode() {
    use std::os::unix::fs::PermissionsExt;
    let mode = |path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    let (_folder, path) = folder();
    SiteKey::create(&path, None).unwrap();
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o7777, 0o600);
    for (bits, taken) in [(0o400, true), (0o600, true), (0o640, false), (0o604, false), (0o620, false)] {
        mode(&path, bits);
        let opened = SiteKey::open(&path, None);
        assert_eq!(opened.is_ok(), taken, "{bits:o}");
        assert!(taken || matches!(opened, Err(CustodyError::Exposed { mode, .. }) if mode == bits));
    }
    // Wrapped, its passphrase protects it.
    let (_folder, path) = folder();
    SiteKey::create(&path, Some((&passphrase("stamp"), WorkFactor::WORTHLESS))).unwrap();
    mode(&path, 0o644);
    assert!(SiteKey::open(&path, Some(&passphrase("stamp"))).is_ok());
}

#[test]
fn cut_at_every_octet() {
    for wrap in [false, true] {
        let (_folder, path) = folder();
        let stamp = passphrase("stamp");
        SiteKey::create(&path, wrap.then_some((&stamp, WorkFactor::WORTHLESS))).unwrap();
        let whole = fs::read(&path).unwrap();
        for length in 0..whole.trim_ascii_end().len() {
            fs::write(&path, &whole[..length]).unwrap();
            let refused = SiteKey::open(&path, Some(&stamp)).unwrap_err();
            assert!(
                matches!(refused, CustodyError::Damaged { .. } | CustodyError::NotOne { .. }),
                "cut to {length}: {refused:?}"
            );
        }
    }
}

#[test]
fn why_it_does_not_unseal() {
    let ((_a, a), (_b, b)) = (folder(), folder());
    let (ours, other) = (SiteKey::create(&a, None).unwrap(), SiteKey::create(&b, None).unwrap());
    assert_ne!(ours.id(), other.id());
    let sealed = ours.seal(b"unit 17", b"secret").unwrap();
    assert_eq!(other.unseal(b"unit 17", &sealed), Err(UnsealError::OtherKey { found: ours.id(), ours: other.id() }));
    assert_eq!(ours.unseal(b"unit 18", &sealed), Err(UnsealError::Altered), "moved to another unit");
    assert_eq!(ours.unseal(b"unit 17", &[]), Err(UnsealError::Form));
    assert_eq!(ours.unseal(b"unit 17", &sealed[..32]), Err(UnsealError::Form));
    assert_ne!(sealed, ours.seal(b"unit 17", b"secret").unwrap(), "a fresh nonce each time");
    assert!(!format!("{ours:?}").contains("secret"));
}

proptest! {
    #[test]
    fn sealed_and_unsealed(secret in prop::collection::vec(any::<u8>(), 0..300),
                           belongs in prop::collection::vec(any::<u8>(), 0..50),
                           at in any::<prop::sample::Index>(), flip in 1u8..) {
        let (_folder, path) = folder();
        let key = SiteKey::create(&path, None).unwrap();
        let mut sealed = key.seal(&belongs, &secret).unwrap();
        prop_assert_eq!(sealed.len(), secret.len() + 33);
        let unsealed = key.unseal(&belongs, &sealed).unwrap();
        prop_assert_eq!(unsealed.as_slice(), secret.as_slice());
        let at = at.index(sealed.len());
        sealed[at] ^= flip;
        prop_assert!(key.unseal(&belongs, &sealed).is_err(), "octet {} changed", at);
    }
}

#[test]
fn a_signing_key_under_the_site_key() {
    let (folder, path) = folder();
    let site = SiteKey::create(&path, None).unwrap();
    let sealed = folder.path().join("log.key");
    let key = PrivateKey::generate().unwrap();
    SealedKey::create(&sealed, &site, "log", &key).unwrap();
    assert!(matches!(SealedKey::create(&sealed, &site, "log", &key), Err(CustodyError::Exists { .. })));
    assert_eq!(SealedKey::public_key(&sealed).unwrap(), key.public_key());
    let opened = SealedKey::open(&sealed, &site, "log").unwrap();
    assert!(key.public_key().verifies(b"a head", &opened.sign(b"a head").unwrap()));
    // For another purpose, under another site's key, or altered, it stays shut.
    assert!(matches!(SealedKey::open(&sealed, &site, "other"), Err(CustodyError::Damaged { .. })));
    let other = SiteKey::create(&folder.path().join("other.key"), None).unwrap();
    assert!(matches!(SealedKey::open(&sealed, &other, "log"), Err(CustodyError::OtherSite { .. })));
    let text = fs::read_to_string(&sealed).unwrap();
    let point = hex::encode(key.public_key().point());
    let another = hex::encode(PrivateKey::generate().unwrap().public_key().point());
    fs::write(&sealed, text.replace(&point, &another)).unwrap();
    assert!(matches!(SealedKey::open(&sealed, &site, "log"), Err(CustodyError::Damaged { .. })));
}
