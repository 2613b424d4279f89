//! A valid set as specimens have it, played by a stand-in, and what a home holds against it.

use std::sync::{Arc, LazyLock};

use meet::home::{Device, Met};
use meet::judge::{Against, Judged, Outcome, judge};
use meet::unit::specimen::private_key;
use meet::unit::{Attester, Fault, Played, SoftwareSigns, StandIn};
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::key::SoftwareKey;
use standard::moment::Moment;
use standard::onboarding::Passcode;
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt};
use standard::session::Intervals;
use standard::specimen::{Identity, Specimen, all};
use standard::verdict::SignerKey;

pub static SETS: LazyLock<Vec<Specimen>> = LazyLock::new(|| {
    let identity = Identity {
        vendor: VendorId::new(0xFFF1).expect("an ID"),
        product: ProductId::new(0x8001).expect("an ID"),
        now: Moment::from_unix(1_780_000_000),
    };
    all(&identity).expect("keys")
});

pub fn file<'a>(set: &'a Specimen, name: &str) -> Option<&'a [u8]> {
    set.files.iter().find(|file| file.name == name).map(|file| file.octets.as_slice())
}

pub fn valid() -> &'static Specimen {
    SETS.iter().find(|set| set.folder() == "valid").expect("a valid set")
}

pub fn passcode() -> Passcode {
    Passcode::new(20_202_021).expect("a passcode")
}

/// Fast, so that a lost datagram costs little.
pub const FAST: Intervals = Intervals { idle_ms: 60, active_ms: 40, threshold_ms: 4000 };

pub fn key(set: &Specimen) -> SoftwareKey {
    private_key(file(set, "dac-key.pem").expect("a key")).expect("a key of P-256")
}

pub fn played() -> Played {
    let set = valid();
    let (salt, iterations) = (Salt::new(&[7; 16]).expect("a salt"), Iterations::new(1000).expect("a count"));
    Played {
        verifier: PasscodeVerifier::derive(&passcode(), &salt, iterations).expect("a verifier"),
        salt,
        iterations,
        device: Device {
            vendor_id: Some(0xFFF1),
            product_id: Some(0x8001),
            vendor_name: Some("Tern & Hollow".into()),
            product_name: Some("Tern Vent".into()),
            serial_number: Some("TV-000017".into()),
            hardware_version: Some(3),
            software_version: Some(10_400),
            software_version_string: Some("1.4.0".into()),
        },
        dac: file(set, "dac.der").expect("a DAC").to_vec(),
        pai: file(set, "pai.der").expect("a PAI").to_vec(),
        attester: Attester::new(
            file(set, "declaration.der").expect("a declaration").to_vec(),
            Box::new(SoftwareSigns(key(set))),
        ),
    }
}

pub fn unit(fault: Option<Fault>) -> StandIn {
    StandIn::new(played(), fault).with_intervals(FAST)
}

pub fn judged(met: &Met) -> (Judged, Outcome) {
    let set = valid();
    let certificate = |name| Certificate::read(file(set, name).expect("a file")).expect("a certificate");
    let signer = certificate("declaration-signer.der");
    let signers = [SignerKey {
        key_id: signer.subject_key_id().expect("an identifier").to_vec(),
        key: *signer.public_key().expect("a key"),
        trusted: true,
    }];
    let anchors = [Arc::new(certificate("paa.der"))];
    let against = Against { anchors: &anchors, signers: &signers, revoked: &|_| Vec::new(), present: None };
    let judged = judge(met, &against);
    let outcome = Outcome::on(&judged.findings, met.complete);
    (judged, outcome)
}
