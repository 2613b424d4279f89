//! Enrollment over Secure Transport (RFC 7030, with RFC 8951's clarifications): bodies here, the client in `client`.

mod attributes;
mod client;

pub use attributes::own as own_attributes;
pub use client::Client;

use std::sync::Arc;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use standard::asn1::{context, integer, oid, sequence, set};
use standard::certificate::Certificate;
use standard::detect::{Item, detect};

/// Names of the operations: none is a label (RFC 7030 §3.2.2).
pub const OPERATIONS: [&str; 6] = ["cacerts", "simpleenroll", "simplereenroll", "fullcmc", "serverkeygen", "csrattrs"];

/// Content types of requests and answers (RFC 7030 §3.2.4, RFC 8951 §3).
pub const REQUEST: &str = "application/pkcs10";
pub const CERTIFICATES: &str = "application/pkcs7-mime; smime-type=certs-only";
pub const ATTRIBUTES: &str = "application/csrattrs";

/// Digits in a line of base 64, as MIME has them (RFC 2045 §6.8).
const LINE: usize = 76;

/// A body: DER in base 64.
pub fn body(der: &[u8]) -> String {
    let digits = STANDARD.encode(der);
    let mut lines = String::with_capacity(digits.len() + digits.len() / LINE + 1);
    for line in digits.as_bytes().chunks(LINE) {
        lines.push_str(std::str::from_utf8(line).unwrap_or_default());
        lines.push('\n');
    }
    lines
}

/// What a body holds: base 64 with white space anywhere (RFC 8951 §3.1), or DER as it is, which older servers send.
pub fn unfold(body: &[u8]) -> Option<Vec<u8>> {
    let digits: Vec<u8> = body.iter().copied().filter(|octet| !octet.is_ascii_whitespace()).collect();
    STANDARD.decode(&digits).ok().or_else(|| (body.first() == Some(&0x30)).then(|| body.to_vec()))
}

/// The certificates of an answer: CMS signed data of certificates only.
///
/// # Errors
///
/// What is wrong with it.
pub fn certificates(body: &[u8]) -> Result<Vec<Arc<Certificate>>, String> {
    let der = unfold(body).ok_or("it is not base 64")?;
    let items = detect(&der).map_err(|e| e.to_string())?;
    let certificates: Option<Vec<_>> = items
        .into_iter()
        .map(|item| match item {
            Item::Certificate(certificate) => Some(certificate),
            _ => None,
        })
        .collect();
    certificates.filter(|all| !all.is_empty()).ok_or_else(|| "it is not certificates only".into())
}

/// id-signedData and id-data (RFC 5652 §5.1, §4), contents of their OIDs.
const SIGNED_DATA: &[u8] = &[0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 0x01, 0x07, 0x02];
const DATA: &[u8] = &[0x2A, 0x86, 0x48, 0x86, 0xF7, 0x0D, 0x01, 0x07, 0x01];

/// CMS signed data of certificates only (RFC 5652 §5.1, "degenerate case"; version 1 by RFC 5272 §4.1).
pub fn certificates_only(ders: &[&[u8]]) -> Vec<u8> {
    // A SET OF in DER: sorted by its members' octets (X.690 §11.6).
    let mut sorted = ders.to_vec();
    sorted.sort_unstable();
    let signed = sequence(&[
        &integer(&[1]),
        &set(&[]),
        &sequence(&[&oid(DATA)]),
        &context(0, true, &sorted.concat()),
        &set(&[]),
    ]);
    sequence(&[&oid(SIGNED_DATA), &context(0, true, &signed)])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bodies_are_read_as_they_are_written_and_folded_otherwise() {
        let der: Vec<u8> = (0..200).collect();
        let folded = body(&der);
        assert!(folded.lines().all(|line| line.len() <= LINE), "{folded}");
        assert_eq!(unfold(folded.as_bytes()), Some(der.clone()));
        assert_eq!(unfold(folded.replace('\n', "\r\n ").as_bytes()), Some(der));
        assert_eq!(unfold(b"0x"), Some(b"0x".to_vec()), "DER as it is");
        assert_eq!(unfold(b"<html>"), None);
        assert!(certificates(b"MAA=").is_err());
    }
}
