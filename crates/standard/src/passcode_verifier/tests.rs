//! Verifiers against published vectors, and faults by rule.

use super::*;

fn octets<const N: usize>(hex_digits: &str) -> [u8; N] {
    hex::decode(hex_digits).unwrap().try_into().unwrap()
}

/// w1 and L on P-256. Source: RFC 9383 Appendix C, and the draft that it grew
/// from; both from memory (and therefore right only if they fit, which a slip
/// of memory would not).
const RFC_9383: [(&str, &str, &str); 2] = [
    (
        "SPAKE2+-P256-SHA256-HKDF-SHA256-HMAC-SHA256 Test Vectors",
        "7e945f34d78785b8a3ef44d0df5a1a97d6b3b460409a345ca7830387a74b1dba",
        "04eb7c9db3d9a9eb1f8adab81b5794c1f13ae3e225efbe91ea487425854c7fc00f\
         00bfedcbd09b2400142d40a14f2064ef31dfaa903b91d1faea7093d835966efd",
    ),
    (
        "draft",
        "24b5ae4abda868ec9336ffc3b78ee31c5755bef1759227ef5372ca139b94e512",
        "0495645cfb74df6e58f9748bb83a86620bab7c82e107f57d6870da8cbcb2ff9f70\
         63a14b6402c62f99afcb9706a4d1a143273259fe76f1c605a3639745a92154b9",
    ),
];

#[test]
fn rfc_9383() {
    for (name, w1, l) in RFC_9383 {
        assert_eq!(times_base_point(&octets(w1)).map(|l| hex::encode(l.point())).as_deref(), Some(l), "{name}");
    }
    assert_eq!(times_base_point(&[0; 32]), None);
    assert_eq!(times_base_point(&ORDER.get().to_be_bytes().into()), None);
}

/// Remainders on the edges, and one that no 32 octets hold; the last computed
/// with Python's integers.
#[test]
fn remainders() {
    let order = "ffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632551";
    for (number, remainder) in [
        (format!("{:0>80}", ""), format!("{:0>64}", "")),
        (format!("{order:0>80}"), format!("{:0>64}", "")),
        (
            format!("{:0>80}", "ffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632550"),
            "ffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632550".into(),
        ),
        (
            format!("{:0>80}", "ffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632552"),
            format!("{:0>64}", "1"),
        ),
        ("f".repeat(80), "fffffffe00000001431905529c0166cd22159165b6faae70f756a571fc632550".into()),
    ] {
        assert_eq!(hex::encode(*reduce(&hex::decode(&number).unwrap())), remainder, "{number}");
    }
}

fn derived() -> PasscodeVerifier {
    let passcode = Passcode::new(20_202_021).unwrap();
    PasscodeVerifier::derive(&passcode, &Salt::new(&SALT).unwrap(), Iterations::new(1000).unwrap()).unwrap()
}

const SALT: [u8; 16] = *b"a salt of 16 oct";

/// Each part is where it belongs: computed with Python's hashlib and integers,
/// and its `cryptography` for L (`tests/outside/verifier.py` does it again for
/// random values).
#[test]
fn a_whole_derivation() {
    let verifier = derived();
    assert_eq!(hex::encode(verifier.w0()), "05623ac1f3bbc8286b6da0d29cc95db63a673eb786db4c891f339b713dfbffde");
    assert_eq!(
        hex::encode(verifier.l().point()),
        "04952e12c0dfb4e64134b64c1b9d45b2b584e41cd3da9b7abbb832e5c8cd81e4aa\
         3bb348a58ca4d1e65d5824ddc5d99dfb34c721bc0dd60b1e282b91cc7140229b"
    );
    assert_eq!(PasscodeVerifier::from_octets(&*verifier.octets()), Ok(verifier.clone()));
    assert_eq!(format!("{verifier:?}"), "PasscodeVerifier(hidden)");
}

#[test]
fn faults_are_named_by_their_rule() {
    let good = derived().octets().to_vec();
    let changed = |at: usize| {
        let mut octets = good.clone();
        octets[at] ^= 1;
        octets
    };
    let other = {
        let passcode = Passcode::new(20_202_022).unwrap();
        PasscodeVerifier::derive(&passcode, &Salt::new(&SALT).unwrap(), Iterations::new(1000).unwrap()).unwrap()
    };
    let mut other_l = good.clone();
    other_l[32..].copy_from_slice(other.l().point());
    let compressed = [&good[..32], &[2], &good[33..65]].concat();
    type Row<'a> = (&'a str, u32, &'a [u8], u32, Vec<u8>, &'a [&'a str]);
    let rows: &[Row<'_>] = &[
        ("good", 20_202_021, &SALT, 1000, good.clone(), &[]),
        ("another passcode", 20_202_022, &SALT, 1000, good.clone(), &["verifier.mismatch"]),
        ("another salt", 20_202_021, b"a salt of 16 ocT", 1000, good.clone(), &["verifier.mismatch"]),
        ("another count", 20_202_021, &SALT, 1001, good.clone(), &["verifier.mismatch"]),
        ("w0 changed", 20_202_021, &SALT, 1000, changed(31), &["verifier.mismatch"]),
        ("another L", 20_202_021, &SALT, 1000, other_l, &["verifier.mismatch"]),
        ("all of another", 20_202_021, &SALT, 1000, other.octets().to_vec(), &["verifier.mismatch"]),
        ("X off the curve", 20_202_021, &SALT, 1000, changed(64), &["verifier.point"]),
        ("Y off the curve", 20_202_021, &SALT, 1000, changed(96), &["verifier.point"]),
        ("first octet of L", 20_202_021, &SALT, 1000, changed(32), &["verifier.point"]),
        ("L compressed", 20_202_021, &SALT, 1000, compressed, &["verifier.point"]),
        ("an octet fewer", 20_202_021, &SALT, 1000, good[..96].to_vec(), &["verifier.point"]),
        ("an octet more", 20_202_021, &SALT, 1000, [&good[..], &[0]].concat(), &["verifier.point"]),
        ("nothing", 20_202_021, &SALT, 1000, vec![], &["verifier.point"]),
        ("999 iterations", 20_202_021, &SALT, 999, good.clone(), &["verifier.iterations"]),
        ("100001 iterations", 20_202_021, &SALT, 100_001, good.clone(), &["verifier.iterations"]),
        ("no iterations", 20_202_021, &SALT, 0, good.clone(), &["verifier.iterations"]),
        ("as many as a number holds", 20_202_021, &SALT, u32::MAX, good.clone(), &["verifier.iterations"]),
        ("salt of 15", 20_202_021, &SALT[..15], 1000, good.clone(), &["verifier.salt"]),
        ("salt of 33", 20_202_021, &[0; 33], 1000, good.clone(), &["verifier.salt"]),
        ("no salt", 20_202_021, &[], 1000, good.clone(), &["verifier.salt"]),
        ("a forbidden passcode", 11_111_111, &SALT, 1000, good.clone(), &["code.passcode"]),
        ("several", 20_202_021, &[], 1, changed(96), &["verifier.iterations", "verifier.salt", "verifier.point"]),
        ("w0 and the curve", 20_202_022, &SALT, 1000, changed(96), &["verifier.point", "verifier.mismatch"]),
    ];
    for (name, passcode, salt, iterations, octets, rules) in rows {
        let found: Vec<&str> = check(*passcode, salt, *iterations, octets).iter().map(|f| f.rule.name).collect();
        assert_eq!(found, *rules, "{name}");
    }
}

#[test]
fn bounds() {
    for (size, fits) in [(15, false), (16, true), (32, true), (33, false)] {
        assert_eq!(Salt::new(&vec![7; size]).is_ok(), fits, "{size}");
    }
    for (text, fits) in [
        ("999", false),
        ("1000", true),
        ("100000", true),
        ("100001", false),
        ("", false),
        ("-1000", false),
        ("+1000", false),
        ("99999999999", false),
        ("1e3", false),
    ] {
        assert_eq!(text.parse::<Iterations>().is_ok(), fits, "{text}");
    }
    // The longest salt that the standard allows takes the fast way.
    const { assert!(Salt::MAX <= stretch::SALT_MAX) };
}
