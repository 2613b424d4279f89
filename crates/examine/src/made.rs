//! What tests of several modules need made.

use standard::certificate::{Builder, Profile};
use standard::key::{Signer, SoftwareKey};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;

/// Certificates of nobody in particular, DER, each with a serial number of its own.
pub fn certificates(count: u16) -> Vec<Vec<u8>> {
    let key = SoftwareKey::generate().expect("randomness");
    let (name, times) = (NameBuilder::new().common_name("Anybody").build(), (Moment::from_unix(0), NO_END));
    let der = |number: u16| {
        let serial = [&[1][..], &number.to_be_bytes()].concat();
        let builder = Builder::new(Profile::Dac, &serial, (&name, &key.key_id()), &name, &key.public_key(), times);
        builder.sign(&key).expect("a signature")
    };
    (0..count).map(der).collect()
}
