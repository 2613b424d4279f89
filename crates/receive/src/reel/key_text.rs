//! Public keys as manifests write them.
//!
//! Hex or base 64 of an uncompressed or compressed point (SEC 1 §2.3.3), of
//! bare coordinates, or of a `SubjectPublicKeyInfo`; or that in PEM. Whatever
//! comes, a key on the curve comes out.

use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, STANDARD_NO_PAD, URL_SAFE, URL_SAFE_NO_PAD};
use p256::elliptic_curve::sec1::ToSec1Point;
use standard::certificate::KeyField;
use standard::key::PublicKey;

/// Reads a key.
///
/// # Errors
///
/// What is against it, in words that do not repeat the whole text.
pub fn read(text: &str) -> Result<PublicKey, String> {
    let text = text.trim();
    if text.is_empty() {
        return Err("no public key".into());
    }
    if let Some(rest) = text.strip_prefix("-----BEGIN PUBLIC KEY-----") {
        let digits: String =
            rest.split("-----END").next().unwrap_or("").chars().filter(|c| !c.is_whitespace()).collect();
        // A line break may have been written as \n in a CSV field.
        let der = STANDARD.decode(digits.replace("\\n", "")).map_err(|_| "PEM that is not base 64".to_owned())?;
        return from_octets(&der);
    }
    let digits: String = text
        .strip_prefix("0x")
        .unwrap_or(text)
        .chars()
        .filter(|c| !matches!(c, ' ' | ':' | '\t' | '\r' | '\n'))
        .collect();
    if digits.bytes().all(|b| b.is_ascii_hexdigit()) {
        // 44 hex digits would be base 64 of a point cut off; either way it is no key.
        return match hex::decode(&digits) {
            Ok(octets) => from_octets(&octets),
            Err(_) => Err(format!("an odd number of hex digits, {}", digits.len())),
        };
    }
    let decoded = [&STANDARD, &STANDARD_NO_PAD, &URL_SAFE, &URL_SAFE_NO_PAD]
        .iter()
        .find_map(|engine| engine.decode(&digits).ok())
        .ok_or("neither hex nor base 64")?;
    from_octets(&decoded)
}

fn from_octets(octets: &[u8]) -> Result<PublicKey, String> {
    match octets {
        [0x04, ..] if octets.len() == 65 => PublicKey::from_point(octets).map_err(|e| e.to_string()),
        [0x02 | 0x03, ..] if octets.len() == 33 => expand(octets),
        _ if octets.len() == 64 => PublicKey::from_point(&[&[4], octets].concat()).map_err(|e| e.to_string()),
        [0x30, ..] => match KeyField::key_from_spki(octets) {
            Ok(key) => Ok(key),
            Err(why) => compressed_in_spki(octets).unwrap_or(Err(why)),
        },
        [_] => Err("1 byte that is neither a point nor a SubjectPublicKeyInfo".into()),
        _ => Err(format!("{} bytes that are neither a point nor a SubjectPublicKeyInfo", octets.len())),
    }
}

/// A `SubjectPublicKeyInfo` around a compressed point: 59 octets (RFC 5480 §2.2).
fn compressed_in_spki(octets: &[u8]) -> Option<Result<PublicKey, String>> {
    const PREFIX: [u8; 26] = [
        0x30, 0x39, 0x30, 0x13, 0x06, 0x07, 0x2A, 0x86, 0x48, 0xCE, 0x3D, 0x02, 0x01, 0x06, 0x08, 0x2A, 0x86, 0x48,
        0xCE, 0x3D, 0x03, 0x01, 0x07, 0x03, 0x22, 0x00,
    ];
    octets.strip_prefix(&PREFIX).filter(|point| point.len() == 33).map(expand)
}

fn expand(compressed: &[u8]) -> Result<PublicKey, String> {
    let off = || "the compressed point is not on the curve P-256".to_owned();
    let point = p256::PublicKey::from_sec1_bytes(compressed).map_err(|_| off())?;
    PublicKey::from_point(point.to_sec1_point(false).as_bytes()).map_err(|_| off())
}
