//! Private keys in what comes from outside, in whatever form: whoever saw the file may have them. Only their public
//! halves are kept.

use aws_lc_rs::signature::{ECDSA_P256_SHA256_ASN1_SIGNING, EcdsaKeyPair, KeyPair as _};
use base::encoding::{self, LONGEST};
use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, STANDARD_NO_PAD, URL_SAFE_NO_PAD};
use memchr::memmem;
use serde_json::Value;
use standard::detect::{DetectError, detect};
use standard::key::{PublicKey, Signer as _, SoftwareKey};
use zeroize::Zeroizing;

/// JSON that is looked through as a whole; beyond, line by line.
const WHOLE: usize = 1 << 20;
/// Lines of a table in which the names of its columns are looked for.
const HEAD: usize = 20;
/// Letters from which on a value under such a name is a key, whatever its form.
const LONG: usize = 40;
/// Octets of DER in base 64 alone: what a server answers, and not what a disk holds.
const BARE: usize = 4 << 20;
/// Parts of the names that keys have, long enough not to stand in whatever is no text; the wide ones in UTF-16.
const NAMES: &[&str] = &[
    "rivate",
    "RIVATE",
    "rivkey",
    "rivKey",
    "RIVKEY",
    "riv_key",
    "RIV_KEY",
    "riv-key",
    "riv key",
    "riv Key",
    "RIV KEY",
    "\"kty\"",
    "r\0i\0v\0a\0",
    "R\0I\0V\0A\0",
];

/// What was found.
#[derive(Debug, Default)]
pub struct Secrets {
    /// Public halves of those that open.
    pub keys: Vec<PublicKey>,
    /// Whether there are others.
    pub unread: bool,
}

impl Secrets {
    /// A key in DER.
    fn der(&mut self, der: &[u8]) {
        match of_der(der) {
            Some(key) => self.keys.push(key),
            None => self.unread = true,
        }
    }

    /// A value that is a key by its name.
    fn value(&mut self, text: &str) {
        let text = text.trim();
        match key_of(text) {
            Some(key) => self.keys.push(key),
            None => self.unread |= text.len() >= LONG && text.bytes().all(is_digit),
        }
    }
}

fn is_digit(octet: u8) -> bool {
    octet.is_ascii_alphanumeric() || b"+/=-_".contains(&octet)
}

/// Whether a name says that its value is a private key.
pub fn is_secret(name: &str) -> bool {
    let bare: String = name.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_lowercase();
    bare.contains("private") || bare.contains("privkey")
}

/// Private keys in an entry; nothing where it has none.
pub fn secrets(octets: &[u8]) -> Option<Secrets> {
    let bare = bare_base64(octets);
    let octets = bare.as_ref().map_or(octets, |der| der.as_slice());
    let mut found = Secrets::default();
    let is_key = matches!(detect(octets), Err(DetectError::PrivateKey));
    if is_key && memmem::find(octets, b"-----BEGIN ").is_none() {
        found.der(octets);
    }
    if NAMES.iter().any(|name| memmem::find(octets, name.as_bytes()).is_some())
        && let Ok(read) = encoding::read(octets)
    {
        in_text(read.text.trim(), &mut found);
    }
    found.unread |= is_key && found.keys.is_empty();
    (found.unread || !found.keys.is_empty()).then_some(found)
}

fn in_text(text: &str, found: &mut Secrets) {
    // Whatever else is in the file, and whether or not that can be read.
    if text.contains("PRIVATE KEY-----") {
        return in_pem(text, found);
    }
    if !text.starts_with(['{', '[']) {
        return in_table(text, found);
    }
    let whole = if text.len() <= WHOLE { serde_json::from_str::<Value>(text).ok() } else { None };
    match whole {
        Some(value) => in_json(&value, found),
        None => {
            let lines = text.lines().filter(|line| line.len() <= LONGEST);
            let values = lines.filter_map(|line| serde_json::from_str(line.trim().trim_matches(['[', ']', ','])).ok());
            values.for_each(|value| in_json(&value, found));
        }
    }
}

/// A PEM file without its private keys; nothing where no certificate would be left.
pub fn without_keys(octets: &[u8]) -> Option<Vec<u8>> {
    let text = std::str::from_utf8(octets).ok()?;
    let mut rest = String::new();
    for block in text.split("-----BEGIN ").skip(1) {
        let label = block.split("-----").next().unwrap_or_default();
        if !label.ends_with("PRIVATE KEY") {
            rest.push_str("-----BEGIN ");
            rest.push_str(block);
        }
    }
    rest.contains("-----BEGIN CERTIFICATE-----").then(|| rest.into_bytes())
}

/// Each block whose label says so (RFC 7468 §10, §11): one that does not open stands beside those that do.
fn in_pem(text: &str, found: &mut Secrets) {
    let blocks = text.split("-----BEGIN ").skip(1).filter_map(|block| block.split_once("-----"));
    for (_, rest) in blocks.filter(|(label, _)| label.ends_with("PRIVATE KEY")) {
        let body = rest.split("-----END").next().unwrap_or_default();
        let digits = Zeroizing::new(body.split_ascii_whitespace().collect::<String>());
        match STANDARD.decode(digits.as_bytes()).map(Zeroizing::new) {
            Ok(der) => found.der(&der),
            Err(_) => found.unread = true,
        }
    }
}

fn in_json(value: &Value, found: &mut Secrets) {
    match value {
        Value::Array(all) => all.iter().for_each(|one| in_json(one, found)),
        Value::Object(fields) => {
            // A key in JSON (RFC 7517, RFC 7518 §6.2.2.1).
            let is_jwk = fields.contains_key("kty");
            for (name, value) in fields {
                match value {
                    Value::String(text) if is_secret(name) || is_jwk && name == "d" => found.value(text),
                    Value::String(_) => {}
                    other => in_json(other, found),
                }
            }
        }
        _ => {}
    }
}

fn in_table(text: &str, found: &mut Secrets) {
    let cell = |text: &str| text.trim().trim_matches('"').to_owned();
    for (at, line) in text.lines().take(HEAD).enumerate().filter(|(_, line)| line.len() <= LONGEST) {
        // A table of one column has none of them.
        let delimiter = [',', ';', '\t', '|'].into_iter().max_by_key(|one| line.matches(*one).count()).unwrap_or(',');
        if let Some(column) = line.split(delimiter).position(|name| name.len() < LONG && is_secret(&cell(name))) {
            let rows = text.lines().skip(at + 1).filter(|line| line.len() <= LONGEST);
            rows.filter_map(|row| row.split(delimiter).nth(column)).for_each(|value| found.value(&cell(value)));
            return;
        }
    }
}

/// DER in base 64 without the lines of PEM, as some servers answer (RFC 7030 §4.1.3).
pub fn bare_base64(octets: &[u8]) -> Option<Zeroizing<Vec<u8>>> {
    // A sequence begins with this letter.
    let text = octets.len() <= BARE
        && octets.trim_ascii_start().first() == Some(&b'M')
        && octets.iter().all(|o| is_digit(*o) || o.is_ascii_whitespace());
    let digits = std::str::from_utf8(octets).ok().filter(|_| text)?;
    base64(&Zeroizing::new(digits.split_ascii_whitespace().collect::<String>())).filter(|der| der.len() > LONG)
}

fn base64(digits: &str) -> Option<Zeroizing<Vec<u8>>> {
    let forms = [&STANDARD, &STANDARD_NO_PAD, &URL_SAFE_NO_PAD];
    forms.into_iter().find_map(|form| form.decode(digits).ok()).map(Zeroizing::new)
}

/// A key as a value: 32 octets or DER, in hex or base 64.
fn key_of(text: &str) -> Option<PublicKey> {
    let octets = hex::decode(text.trim_start_matches("0x")).ok().map(Zeroizing::new).or_else(|| base64(text))?;
    match <&[u8; 32]>::try_from(octets.as_slice()) {
        Ok(scalar) => SoftwareKey::from_private(scalar).ok().map(|key| key.public_key()),
        Err(_) => of_der(&octets),
    }
}

/// Of RFC 5915 or RFC 5958, where it is open and of the curve that chips have.
fn of_der(der: &[u8]) -> Option<PublicKey> {
    let pair = EcdsaKeyPair::from_private_key_der(&ECDSA_P256_SHA256_ASN1_SIGNING, der).ok()?;
    PublicKey::from_point(pair.public_key().as_ref()).ok()
}
