//! What this program builds is accepted by others: OpenSSL, GnuTLS, Python's `cryptography` and
//! `asn1crypto`, and the certificate linter `pkilint`. The judges are called by
//! `tests/outside/ours.py`, which names the source of each check.

use std::fs;
use std::path::Path;
use std::process::Command;

use standard::certificate::{Builder, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{Signer as _, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::request;
use standard::revocation::{ListBuilder, Reason};

use crate::python;

#[test]
fn others_accept_what_is_built_here() {
    let Some(python) = python::interpreter() else { return };
    let directory = tempfile::tempdir().unwrap();
    let sets = directory.path().join("sets");
    let written = Command::new(env!("CARGO_BIN_EXE_touchmark"))
        .args(["specimen", "write", "--out"])
        .arg(&sets)
        .env_remove("TOUCHMARK_SITE")
        .output()
        .unwrap();
    assert!(written.status.success(), "{}", String::from_utf8_lossy(&written.stderr));
    let made = sets.join("made");
    fs::create_dir(&made).unwrap();
    requests(&made);
    lists(&made);
    python::run(&python, "ours.py", &[&sets]);
}

fn vendor() -> VendorId {
    VendorId::new(0xFFF1).unwrap()
}

/// A request of each kind of name.
fn requests(made: &Path) {
    let product = ProductId::new(0x8001).unwrap();
    let names = [
        ("plain", NameBuilder::new().common_name("Tern & Hollow PAI").vendor(vendor())),
        ("product", NameBuilder::new().organization("Tern & Hollow").vendor(vendor()).product(product)),
        ("fallback", NameBuilder::new().common_name("Tern Vent Mvid:FFF1 Mpid:8001")),
    ];
    for (file, name) in names {
        let key = SoftwareKey::generate().unwrap();
        fs::write(made.join(file).with_extension("csr"), request::build(&name.build(), &key).unwrap()).unwrap();
    }
}

/// Lists without entries, with every reason, and with dates of both forms; each beside its issuer.
fn lists(made: &Path) {
    let at = |text: &str| text.parse::<Moment>().unwrap();
    let day = at("2026-02-01T00:00:00Z");
    let serials: [&[u8]; 3] = [&[0x01], &[0x00, 0x80], &[0x7F; 20]];
    let reasons = [Reason::KeyCompromise, Reason::Unspecified, Reason::Superseded];
    let entries: Vec<_> = serials.into_iter().zip(reasons).map(|(serial, reason)| (serial, day, reason)).collect();
    let rows: [(&str, &[_], Moment, &[u8]); 3] = [
        ("empty", &[], at("2026-03-01T00:00:00Z"), &[1]),
        ("entries", &entries, at("2051-01-01T00:00:00Z"), &[0x01, 0x00]),
        ("endless", &entries, NO_END, &[0x7F; 20]),
    ];
    for (file, entries, next, number) in rows {
        let key = SoftwareKey::generate().unwrap();
        let name = NameBuilder::new().common_name("Quarry Lane Test PAA").build();
        let id = key.key_id();
        let certificate = Builder::new(
            Profile::Paa,
            &[0x11; 8],
            (&name, &id),
            &name,
            &key.public_key(),
            (at("2026-01-01T00:00:00Z"), NO_END),
        );
        let list = ListBuilder::new((&name, &id), (day, next), number, entries);
        fs::write(made.join(file).with_extension("der"), certificate.sign(&key).unwrap()).unwrap();
        fs::write(made.join(file).with_extension("crl"), list.sign(&key).unwrap()).unwrap();
    }
}
