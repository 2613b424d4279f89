//! What octets are, by what stands in them and never by a file's name.
//!
//! Takes DER, PEM with any number of blocks (RFC 7468, text around them
//! allowed), PKCS #7 bundles, DER certificates one behind another, and
//! exchanges in JSON. Bounded: the caller bounds the octets, and no part is
//! expanded.

use std::sync::Arc;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use memchr::memmem;

use crate::asn1::{Departure, Unreadable, Walk, tag};
use crate::certificate::{Certificate, KeyField};
use crate::declaration::Declaration;
use crate::exchange::{Proof, ProofError};
use crate::factory_record::{self, FactoryRecord};
use crate::key::PublicKey;
use crate::oid;
use crate::request::Request;
use crate::revocation::RevocationList;

/// One thing found. Small, since there may be a hundred thousand: what is large lies apart.
#[derive(Debug, Clone)]
pub enum Item {
    /// A certificate.
    Certificate(Arc<Certificate>),
    /// Octets in a certificate's outer shape that can't be taken apart.
    BrokenCertificate(Box<BrokenCertificate>),
    /// A certification declaration.
    Declaration(Box<Declaration>),
    /// A certification request.
    Request(Box<Request>),
    /// A revocation list.
    List(Box<RevocationList>),
    /// An attestation exchange.
    Exchange(Box<Proof>),
    /// A public key alone.
    PublicKey(Box<PublicKey>),
    /// A unit's factory record: CBOR, flash image or Intel HEX.
    FactoryRecord(Box<FactoryRecord>),
}

/// Octets in a certificate's outer shape, and what is against taking them apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BrokenCertificate {
    pub octets: Vec<u8>,
    /// What stands in the way, and where.
    pub why: Unreadable,
}

/// Things in one file: each takes a hundred times the memory of the smallest octets that look like one.
pub const MOST: usize = 250_000;

/// Why nothing was found.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DetectError {
    /// No octets.
    #[error("it is empty")]
    Empty,
    /// Nothing that this program reads.
    #[error("it is neither a certificate, request, list, declaration nor exchange")]
    Unknown,
    /// A private key: nothing to be examined, and nothing to be passed around.
    #[error("it contains a private key")]
    PrivateKey,
    /// More than anybody needs in one file.
    #[error("it holds more than {MOST} certificates, requests, lists or declarations")]
    TooMany,
    /// It says what it is and is not.
    #[error("it begins like {0}, but {1}")]
    Broken(&'static str, String),
}

/// Finds what is in `octets`.
///
/// # Errors
///
/// [`DetectError`]; where a bundle holds one part that can't be read, all of
/// it is refused, so that nothing is left out in silence.
pub fn detect(octets: &[u8]) -> Result<Vec<Item>, DetectError> {
    let start = octets.iter().position(|o| !o.is_ascii_whitespace()).ok_or(DetectError::Empty)?;
    if memmem::find(octets, b"-----BEGIN ").is_some() {
        return pem(octets);
    }
    if is_wide_pem(octets) {
        return Err(DetectError::Broken("PEM", "it is text in UTF-16; save it as plain text (UTF-8)".into()));
    }
    match octets[start] {
        b'{' => match Proof::read(octets) {
            Ok(proof) => Ok(vec![Item::Exchange(Box::new(proof))]),
            Err(ProofError::NoExchange) => Err(DetectError::Unknown),
            Err(ProofError::Json(why)) => Err(DetectError::Broken("JSON", why)),
        },
        _ if octets[0] == tag::SEQUENCE => der_sequence(octets),
        // A CBOR map (RFC 8949 §3.1, major type 5), or Intel HEX.
        0xA0..=0xBF | b':' => match factory_record::read_any(octets) {
            Ok((record, _)) => Ok(vec![Item::FactoryRecord(Box::new(record))]),
            Err(why) => Err(DetectError::Broken("a factory record", why.to_string())),
        },
        _ => Err(DetectError::Unknown),
    }
}

fn pem(octets: &[u8]) -> Result<Vec<Item>, DetectError> {
    const BEGIN: &[u8] = b"-----BEGIN ";
    let broken = |why: String| DetectError::Broken("PEM", why);
    let mut items = Vec::new();
    // Text around the blocks may be in any encoding; blocks are ASCII.
    let mut rest = octets;
    let mut number = 0;
    while let Some(at) = memmem::find(rest, BEGIN) {
        number += 1;
        let after = &rest[at + BEGIN.len()..];
        let label = memmem::find(after, b"-----").map(|end| &after[..end]);
        let Some(label) = label.filter(|l| l.len() <= 64 && !l.contains(&b'\n')) else {
            return Err(broken(format!("the first line of block {number} has no end")));
        };
        // Whatever is in it, such as headers of an old form of encryption.
        if label.ends_with(b"PRIVATE KEY") {
            return Err(DetectError::PrivateKey);
        }
        let body = &after[label.len() + 5..];
        let end = [b"-----END ", label, b"-----"].concat();
        let Some(length) = memmem::find(body, &end) else {
            return Err(broken(format!("block {number} has no line {}", String::from_utf8_lossy(&end))));
        };
        let der = unfolded(&body[..length]).ok_or_else(|| broken(format!("block {number} is not base 64")))?;
        items.extend(labelled(&String::from_utf8_lossy(label), &der, number)?);
        if items.len() > MOST {
            return Err(DetectError::TooMany);
        }
        rest = &body[length + end.len()..];
    }
    // Whoever asked must not believe that a part which was not read does not exist.
    if memmem::find_iter(octets, b"-----END ").count() > number {
        return Err(broken("the first line of a block is damaged: there are more last lines than first ones".into()));
    }
    if octets.contains(&0) {
        return Err(broken("there are bytes around its blocks that are no text, as in an archive".into()));
    }
    Ok(items)
}

/// Whether it is PEM as an editor or a shell writes text in UTF-16.
fn is_wide_pem(octets: &[u8]) -> bool {
    let wide = |little: bool| -> Vec<u8> {
        let pair = |octet: &u8| if little { [*octet, 0] } else { [0, *octet] };
        b"-----BEGIN ".iter().flat_map(pair).collect()
    };
    octets.contains(&0) && [true, false].into_iter().any(|little| memmem::find(octets, &wide(little)).is_some())
}

/// What a block's lines hold; white space stands anywhere, though mostly at the ends of lines.
fn unfolded(lines: &[u8]) -> Option<Vec<u8>> {
    let mut digits = Vec::with_capacity(lines.len());
    for line in lines.split_inclusive(|octet| *octet == b'\n') {
        digits.extend_from_slice(line.trim_ascii());
    }
    BASE64.decode(&digits).ok().or_else(|| {
        digits.retain(|octet| !octet.is_ascii_whitespace());
        BASE64.decode(&digits).ok()
    })
}

fn labelled(label: &str, der: &[u8], number: usize) -> Result<Vec<Item>, DetectError> {
    let broken =
        |what: &'static str| move |why: Unreadable| DetectError::Broken(what, format!("in block {number} {why}"));
    match label {
        "CERTIFICATE" | "X509 CERTIFICATE" | "TRUSTED CERTIFICATE" => {
            certificate(der).map(|item| vec![item]).map_err(broken("a certificate"))
        }
        "CERTIFICATE REQUEST" | "NEW CERTIFICATE REQUEST" => {
            Request::read(der).map(|r| vec![Item::Request(Box::new(r))]).map_err(broken("a certification request"))
        }
        "X509 CRL" => {
            RevocationList::read(der).map(|l| vec![Item::List(Box::new(l))]).map_err(broken("a revocation list"))
        }
        "PKCS7" | "CMS" => der_sequence(der),
        "PUBLIC KEY" => KeyField::key_from_spki(der)
            .map(|key| vec![Item::PublicKey(Box::new(key))])
            .map_err(|why| DetectError::Broken("a public key", why)),
        _ => Err(DetectError::Broken(
            "PEM",
            format!("block {number} is labelled {label:?}, which this program does not read"),
        )),
    }
}

/// A certificate, or octets that are complete and have its outer shape.
fn certificate(der: &[u8]) -> Result<Item, Unreadable> {
    match Certificate::read(der) {
        Ok(certificate) => Ok(Item::Certificate(Arc::new(certificate))),
        Err(why) if has_signed_shape(der) => {
            Ok(Item::BrokenCertificate(Box::new(BrokenCertificate { octets: der.to_vec(), why })))
        }
        Err(why) => Err(why),
    }
}

/// Whether it is a complete `SEQUENCE { SEQUENCE, SEQUENCE, BIT STRING }`, with more behind or not.
fn has_signed_shape(der: &[u8]) -> bool {
    let mut departures: Vec<Departure> = Vec::new();
    let mut walk = Walk::new(der, &mut departures);
    let Ok(outer) = walk.expect(tag::SEQUENCE, "") else { return false };
    let Ok(mut parts) = walk.enter(&outer) else { return false };
    [tag::SEQUENCE, tag::SEQUENCE, tag::BIT_STRING].into_iter().all(|t| parts.expect(t, "").is_ok())
}

/// Shapes of what is in DER here, told by the first few identifiers.
enum Shape {
    Cms,
    Key,
    PrivateKey,
    Certificate,
    Request,
    List,
}

fn shape(der: &[u8]) -> Result<Shape, DetectError> {
    let mut departures = Vec::new();
    let mut walk = Walk::new(der, &mut departures);
    let outer = walk.next().map_err(|why| DetectError::Broken("DER", why.to_string()))?;
    let unknown = |_| DetectError::Unknown;
    let mut parts = walk.enter(&outer).map_err(unknown)?;
    let first = parts.next().map_err(unknown)?;
    match first.tag {
        tag::OID => return Ok(Shape::Cms),
        tag::SEQUENCE => {}
        // A version, then the key (RFC 5915 §3), or what kind of key it is, then the key (RFC 5958 §2).
        tag::INTEGER => {
            let second = parts.next().map_err(unknown)?;
            return match second.tag {
                tag::OCTET_STRING => Ok(Shape::PrivateKey),
                tag::SEQUENCE if parts.peek() == Some(tag::OCTET_STRING) => Ok(Shape::PrivateKey),
                // A store of keys and certificates, version 3 (RFC 7292 §4).
                tag::SEQUENCE if first.content.of(der) == [3] => Ok(Shape::PrivateKey),
                _ => Err(DetectError::Unknown),
            };
        }
        _ => return Err(DetectError::Unknown),
    }
    if parts.peek() == Some(tag::BIT_STRING) {
        return Ok(Shape::Key);
    }
    // How it is encrypted, then the encrypted key (RFC 5958 §3).
    if parts.peek() == Some(tag::OCTET_STRING) {
        return Ok(Shape::PrivateKey);
    }
    // Identifiers of the signed part's first members.
    let mut members = parts.enter(&first).map_err(unknown)?;
    let mut tags = Vec::new();
    while tags.len() < 5 && !members.is_done() {
        match members.next() {
            Ok(member) => tags.push(member.tag),
            Err(_) => break,
        }
    }
    let s = tag::SEQUENCE;
    let is_time = |t: &u8| matches!(*t, tag::UTC_TIME | tag::GENERALIZED_TIME);
    match tags.as_slice() {
        [0xA0, ..] => Ok(Shape::Certificate),
        [tag::INTEGER, a, b, t, ..] | [a, b, t, ..] if *a == s && *b == s && is_time(t) => Ok(Shape::List),
        // A name that is empty or not, a key, and attributes or nothing.
        [tag::INTEGER, a, b] if *a == s && *b == s => Ok(Shape::Request),
        [tag::INTEGER, a, b, 0xA0, ..] if *a == s && *b == s => Ok(Shape::Request),
        _ if has_signed_shape(der) => Ok(Shape::Certificate),
        _ => Err(DetectError::Unknown),
    }
}

fn der_sequence(octets: &[u8]) -> Result<Vec<Item>, DetectError> {
    let mut items: Vec<Item> = Vec::new();
    let mut at = 0;
    loop {
        let rest = &octets[at..];
        let length = {
            let mut departures = Vec::new();
            let mut walk = Walk::new(rest, &mut departures);
            walk.next().map_err(|why| DetectError::Broken("DER", why.to_string()))?;
            walk.position()
        };
        // What follows is another object only where it has an object's shape;
        // else it is left to the last one, whose rule tells of octets behind it.
        let follows = rest.get(length..).filter(|r| r.first() == Some(&tag::SEQUENCE) && shape(r).is_ok());
        let this = if follows.is_some() { &rest[..length] } else { rest };
        let found = one(this)?;
        if items.is_empty() {
            items = found;
        } else {
            items.extend(found);
        }
        if items.len() > MOST {
            return Err(DetectError::TooMany);
        }
        if follows.is_none() {
            return Ok(items);
        }
        at += length;
    }
}

fn one(der: &[u8]) -> Result<Vec<Item>, DetectError> {
    let broken = |what: &'static str| move |why: Unreadable| DetectError::Broken(what, why.to_string());
    match shape(der)? {
        Shape::Certificate => certificate(der).map(|item| vec![item]).map_err(broken("a certificate")),
        Shape::Request => {
            Request::read(der).map(|r| vec![Item::Request(Box::new(r))]).map_err(broken("a certification request"))
        }
        Shape::List => {
            RevocationList::read(der).map(|l| vec![Item::List(Box::new(l))]).map_err(broken("a revocation list"))
        }
        Shape::PrivateKey => Err(DetectError::PrivateKey),
        Shape::Key => match KeyField::key_from_spki(der) {
            Ok(key) => Ok(vec![Item::PublicKey(Box::new(key))]),
            Err(why) => Err(DetectError::Broken("a public key", why)),
        },
        Shape::Cms => match bundle(der) {
            Ok(Some(items)) => Ok(items),
            Ok(None) => {
                Declaration::read(der).map(|d| vec![Item::Declaration(Box::new(d))]).map_err(broken("CMS signed data"))
            }
            Err(why) => Err(DetectError::Broken("a PKCS #7 bundle", why.to_string())),
        },
    }
}

/// The certificates and lists of CMS signed data without content (RFC 5652 §5.1
/// "degenerate case"); `None` where there is a content, as in a declaration.
fn bundle(der: &[u8]) -> Result<Option<Vec<Item>>, Unreadable> {
    let mut departures = Vec::new();
    let mut walk = Walk::new(der, &mut departures);
    let outer = walk.expect(tag::SEQUENCE, "CMS content was expected")?;
    let mut info = walk.enter(&outer)?;
    let kind = info.expect(tag::OID, "a CMS content type was expected")?;
    if kind.content.of(der) != oid::ID_SIGNED_DATA {
        return Err(Unreadable { at: kind.full.start as usize, what: "CMS content that is not signed data" });
    }
    let wrapper = info.expect(0xA0, "signed data was expected")?;
    let mut inner = info.enter(&wrapper)?;
    let data = inner.expect(tag::SEQUENCE, "signed data was expected")?;
    let mut parts = inner.enter(&data)?;
    parts.integer("a version was expected")?;
    parts.expect(tag::SET, "digest algorithms were expected")?;
    let encapsulated = parts.expect(tag::SEQUENCE, "an encapsulated content was expected")?;
    {
        let mut fields = parts.enter(&encapsulated)?;
        fields.expect(tag::OID, "a content type was expected")?;
        if !fields.is_done() {
            return Ok(None);
        }
    }
    let optional = matches!(parts.peek(), Some(0xA0 | 0xA1));
    let mut items = Vec::new();
    while let Some(set @ (0xA0 | 0xA1)) = parts.peek() {
        let set_tlv = parts.next()?;
        let mut members = parts.enter(&set_tlv)?;
        while !members.is_done() {
            let member = members.next()?;
            let octets = member.full.of(der);
            if items.len() == MOST {
                return Err(Unreadable {
                    at: member.full.start as usize,
                    what: "more certificates and lists than are read",
                });
            }
            if set == 0xA0 {
                items.push(certificate(octets)?);
            } else {
                items.push(Item::List(Box::new(RevocationList::read(octets)?)));
            }
        }
    }
    // Signed, but over nothing that it holds: a declaration gone wrong.
    let signers = parts.expect(tag::SET, "signers were expected")?;
    if !optional && !signers.content.is_empty() {
        return Ok(None);
    }
    if items.is_empty() {
        return Err(Unreadable { at: signers.full.start as usize, what: "neither a certificate nor a list" });
    }
    Ok(Some(items))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::certificate::{Builder, Profile};
    use crate::key::{Signer as _, SoftwareKey};
    use crate::moment::{Moment, NO_END};
    use crate::name::NameBuilder;
    use crate::pem;

    #[test]
    fn a_block_may_be_folded_in_any_way_and_lie_in_any_text() {
        let key = SoftwareKey::generate().expect("randomness");
        let (name, times) = (NameBuilder::new().common_name("Anybody").build(), (Moment::from_unix(0), NO_END));
        let der = Builder::new(Profile::Dac, &[1], (&name, &key.key_id()), &name, &key.public_key(), times)
            .sign(&key)
            .expect("a signature");
        let text = pem::encode("CERTIFICATE", &der);
        let (begin, end) = ("-----BEGIN CERTIFICATE-----", "-----END CERTIFICATE-----");
        let digits: String =
            text.trim_start_matches(begin).trim_end().trim_end_matches(end).split_whitespace().collect();
        let between = |put: &str| digits.chars().map(|c| format!("{c}{put}")).collect::<String>();
        let forms = [
            text.clone(),
            text.replace('\n', "\r\n"),
            format!("{begin}{digits}{end}"),
            format!("{begin}\n\n   {digits}\t\n{end}"),
            format!("{begin}\n{}{end}", between(" ")),
            format!("{begin}{}{end}", between("\n")),
            format!("{begin}\r{}\r{end}", between("\r")),
        ];
        for form in forms {
            // Around it, words in ISO 8859-1.
            let octets = [b"Gr\xFC\xDFe\n".as_slice(), form.as_bytes(), b"\nGr\xFC\xDFe"].concat();
            match detect(&octets).expect("a certificate").as_slice() {
                [Item::Certificate(found)] => assert_eq!(found.der(), der, "{form}"),
                other => panic!("{form}: {other:?}"),
            }
        }
        let odd = detect(b"-----BEGIN \xFF\xFF-----\nAAAA\n-----END \xFF\xFF-----\n").expect_err("no such label");
        assert!(odd.to_string().contains("block 1 is labelled"), "{odd}");
        let open = detect(b"-----BEGIN \xFF\xFF-----\nAAAA\n-----END \xFF-----\n").expect_err("no expiry");
        assert!(open.to_string().contains("block 1 has no line -----END"), "{open}");
        let broken = format!("{begin}{}*{end}", &digits[1..]);
        assert!(detect(broken.as_bytes()).expect_err("no base 64").to_string().ends_with("block 1 is not base 64"));
    }
}
