//! Bundles of certificates in PEM, taken apart on all cores.

use rayon::prelude::*;
use standard::detect::{DetectError, Item, detect};

/// Octets from which on it pays, and that a core takes at a time.
const LARGE: usize = 256 << 10;
const PART: usize = 64 << 10;

const BEGIN: &[u8] = b"\n-----BEGIN ";

/// Finds what is in `octets`, as [`detect`] does.
///
/// # Errors
///
/// As [`detect`], with the same words.
pub(crate) fn detect_all(octets: &[u8]) -> Result<Vec<Item>, DetectError> {
    if octets.len() < LARGE || !octets.starts_with(&BEGIN[1..]) {
        return detect(octets);
    }
    let parts: Result<Vec<Vec<Item>>, DetectError> = parts(octets).into_par_iter().map(detect).collect();
    match parts {
        Ok(parts) => Ok(parts.into_iter().flatten().collect()),
        // Told with the block's number in the whole.
        Err(_) => detect(octets),
    }
}

/// Cuts a text where blocks begin.
fn parts(octets: &[u8]) -> Vec<&[u8]> {
    let mut parts = Vec::new();
    let mut rest = octets;
    while rest.len() > PART {
        let cut = rest[PART..].windows(BEGIN.len()).position(|w| w == BEGIN);
        let Some(cut) = cut.map(|at| PART + at + 1) else { break };
        let (part, after) = rest.split_at(cut);
        parts.push(part);
        rest = after;
    }
    parts.push(rest);
    parts
}

#[cfg(test)]
mod tests {
    use standard::certificate::{Builder, Profile};
    use standard::key::{Signer, SoftwareKey};
    use standard::moment::{Moment, NO_END};
    use standard::name::NameBuilder;
    use standard::pem;

    use super::*;

    #[test]
    fn a_large_bundle_is_told_as_a_small_one_is() {
        let key = SoftwareKey::generate().expect("randomness");
        let (name, times) = (NameBuilder::new().common_name("Anybody").build(), (Moment::from_unix(0), NO_END));
        let der = |serial: u16| {
            let serial = [&[1][..], &serial.to_be_bytes()].concat();
            Builder::new(Profile::Dac, &serial, (&name, &key.key_id()), &name, &key.public_key(), times)
                .sign(&key)
                .expect("a signature")
        };
        let ders: Vec<Vec<u8>> = (0..700).map(der).collect();
        let text: String = ders.iter().map(|der| pem::encode("CERTIFICATE", der)).collect();
        assert!(text.len() > LARGE && parts(text.as_bytes()).len() > 2, "{} octets", text.len());
        assert_eq!(parts(text.as_bytes()).concat(), text.as_bytes());
        let found = detect_all(text.as_bytes()).expect("certificates");
        let found: Vec<&[u8]> = found
            .iter()
            .map(|item| match item {
                Item::Certificate(c) => c.der(),
                other => panic!("{other:?}"),
            })
            .collect();
        assert_eq!(found, ders.iter().map(Vec::as_slice).collect::<Vec<_>>());

        // The last block cut off, or one in the middle: the same words as for the whole.
        for broken in [&text[..text.len() - 20], &text.replacen("-----END", "-----ENT", 300)] {
            let (whole, all) = (detect(broken.as_bytes()), detect_all(broken.as_bytes()));
            assert_eq!(all.expect_err("broken"), whole.expect_err("broken"));
        }
    }
}
