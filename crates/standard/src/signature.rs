//! ECDSA signatures on P-256 in their two forms.
//!
//! Raw is `r || s`, 64 octets big-endian: what a chip or token gives and the
//! attestation exchange carries. DER is `Ecdsa-Sig-Value` (RFC 3279
//! §2.2.3). It stands in certificates.

use crypto_bigint::U256;
use der::asn1::UintRef;
use der::{Decode, Encode, Sequence};

/// RFC 3279 §2.2.3.
#[derive(Sequence)]
struct EcdsaSigValue<'a> {
    r: UintRef<'a>,
    s: UintRef<'a>,
}

/// Raw from DER; `None` where the octets are no such value or a number has
/// more than 32 octets.
pub fn raw_from_der(signature: &[u8]) -> Option<[u8; 64]> {
    let value = EcdsaSigValue::from_der(signature).ok()?;
    let mut raw = [0; 64];
    for (part, number) in raw.chunks_exact_mut(32).zip([value.r.as_bytes(), value.s.as_bytes()]) {
        let start = part.len().checked_sub(number.len())?;
        part[start..].copy_from_slice(number);
    }
    Some(raw)
}

/// DER from raw; `None` only where the library fails to encode.
pub fn der_from_raw(raw: &[u8; 64]) -> Option<Vec<u8>> {
    let (r, s) = raw.split_at(32);
    EcdsaSigValue { r: UintRef::new(r).ok()?, s: UintRef::new(s).ok()? }.to_der().ok()
}

/// The order of P-256's base point (SP 800-186 §3.2.1.3).
const ORDER: U256 = U256::from_be_hex("FFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551");

/// Of the two signatures that `(r, s)` and `(r, n - s)` are, the one with the lower `s`. Both verify, so that where a
/// signature must have one spelling only this one may be taken.
pub fn lower(raw: &[u8; 64]) -> [u8; 64] {
    let s = U256::from_be_slice(&raw[32..]);
    let other = ORDER.wrapping_sub(&s);
    let mut low = *raw;
    low[32..].copy_from_slice(&std::cmp::min(s, other).to_be_bytes());
    low
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::key::{PublicKey, Signer, SoftwareKey};
    use proptest::prelude::*;

    /// RFC 6979 A.2.5, SHA-256, "sample": r and s as printed there.
    #[test]
    fn rfc_6979() {
        let raw = hex::decode(concat!(
            "EFD48B2AACB6A8FD1140DD9CD45E81D69D2C877B56AAF991C34D0EA84EAF3716",
            "F7CB1C942D657C41D436C7A1B6E29F65F3E900DBB9AFF4064DC4AB2F843ACDA8"
        ))
        .unwrap();
        let raw: [u8; 64] = raw.try_into().unwrap();
        let der = der_from_raw(&raw).unwrap();
        assert_eq!(der.len(), 72, "both numbers have their highest bit set");
        assert_eq!(raw_from_der(&der), Some(raw));
        let public = hex::decode(concat!(
            "0460FED4BA255A9D31C961EB74C6356D68C049B8923B61FA6CE669622E60F29FB6",
            "7903FE1008B8BC99A41AE9E95628BC64F2F1B20C2D7E9F5177A3C294D4462299"
        ))
        .unwrap();
        let public = PublicKey::from_point(&public).unwrap();
        assert!(public.verifies(b"sample", &der));
        let low = lower(&raw);
        assert_eq!(low[..32], raw[..32]);
        assert_ne!(low, raw, "this s is above half of the order");
        assert!(public.verifies_raw(b"sample", &low), "the other spelling verifies too");
        assert_eq!(lower(&low), low);
        assert!(public.verifies_raw(b"sample", &raw));
    }

    #[test]
    fn what_is_no_signature() {
        for (name, der) in [
            ("empty", &[][..]),
            ("one number", &[0x30, 3, 2, 1, 1]),
            ("negative", &[0x30, 6, 2, 1, 0x80, 2, 1, 1]),
            ("trailing octet", &[0x30, 6, 2, 1, 1, 2, 1, 1, 0]),
            ("not shortest", &[0x30, 7, 2, 2, 0, 1, 2, 1, 1]),
        ] {
            assert_eq!(raw_from_der(der), None, "{name}");
        }
        let mut long = vec![0x30, 38, 2, 33, 1];
        long.extend([0; 32]);
        long.extend([2, 1, 1]);
        assert_eq!(raw_from_der(&long), None, "33 octets");
    }

    proptest! {
        #[test]
        fn there_and_back(message in prop::collection::vec(any::<u8>(), 0..100)) {
            let key = SoftwareKey::generate().unwrap();
            let der = key.sign(&message).unwrap();
            let raw = raw_from_der(&der).unwrap();
            prop_assert!(key.public_key().verifies_raw(&message, &raw));
            prop_assert_eq!(der_from_raw(&raw), Some(der));
        }

        #[test]
        fn any_raw(raw in any::<[u8; 32]>(), zeros in 0usize..32) {
            let mut both = [0u8; 64];
            both[..32].copy_from_slice(&raw);
            both[32 + zeros..].copy_from_slice(&raw[zeros..]);
            let der = der_from_raw(&both).unwrap();
            prop_assert_eq!(raw_from_der(&der), Some(both));
        }

        #[test]
        fn any_octets(octets in prop::collection::vec(any::<u8>(), 0..100)) {
            let _ = raw_from_der(&octets);
        }
    }
}
