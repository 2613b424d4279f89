//! The signature around a declaration's content: CMS signed data of one profile.
//!
//! Covers Core Spec 6.3 over RFC 5652 §5. What departs from the profile but can
//! be read is listed, so that one wrong choice of an issuing tool shows as that
//! choice and not as "unreadable".

use super::content::Content;
use crate::asn1::{self, Departure, Span, Tlv, Unreadable, Walk, integer, octet_string, sequence, tag};
use crate::certificate::SignatureAlgorithm;
use crate::key::{PublicKey, SignError, Signer};
use crate::oid;
use crate::tlv::TlvError;

/// SHA-256 (RFC 5754 §2.2).
const SHA256: &[u8] = &[0x60, 0x86, 0x48, 0x01, 0x65, 0x03, 0x04, 0x02, 0x01];

/// A declaration as read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Declaration {
    der: Vec<u8>,
    /// Places where the encoding is not DER.
    pub departures: Vec<Departure>,
    /// Octets after the declaration.
    pub trailing: usize,
    /// Where the signed data departs from the profile.
    pub structure: Vec<String>,
    content: Vec<u8>,
    /// The content, or why it is no TLV.
    pub fields: Result<Content, TlvError>,
    signer_key_id: Option<Span>,
    signature: Span,
    /// What the signature is over: the content, or signed attributes.
    signed: Vec<u8>,
}

impl Declaration {
    /// Takes a declaration apart; `der` is one `ContentInfo` of up to 64 KiB.
    ///
    /// # Errors
    ///
    /// [`Unreadable`] where the octets are no CMS signed data.
    pub fn read(der: &[u8]) -> Result<Self, Unreadable> {
        if der.len() > 1 << 16 {
            return Err(Unreadable { at: 0, what: "a declaration of more than 64 KiB" });
        }
        let mut departures = Vec::new();
        let mut structure = Vec::new();
        let mut walk = Walk::new(der, &mut departures);
        let outer = walk.expect(tag::SEQUENCE, "CMS content was expected")?;
        let trailing = der.len() - walk.position();
        let mut info = walk.enter(&outer)?;
        let kind = info.expect(tag::OID, "a CMS content type was expected")?;
        if kind.content.of(der) != oid::ID_SIGNED_DATA {
            return Err(Unreadable { at: kind.full.start as usize, what: "CMS content that is not signed data" });
        }
        let wrapper = info.expect(0xA0, "signed data was expected")?;
        info.finish("bytes after signed data")?;
        let mut inner = info.enter(&wrapper)?;
        let data = inner.expect(tag::SEQUENCE, "signed data was expected")?;
        inner.finish("bytes after signed data")?;
        let mut parts = inner.enter(&data)?;

        let version = parts.integer("a version was expected")?;
        check_version(&mut structure, "signed data", version.of(der));
        let digests = parts.expect(tag::SET, "digest algorithms were expected")?;
        {
            let mut members = parts.enter(&digests)?;
            let mut count = 0;
            while !members.is_done() {
                let algorithm = SignatureAlgorithm::read(&mut members)?;
                count += 1;
                check_digest(&mut structure, "digestAlgorithms", der, &algorithm);
            }
            if count != 1 {
                structure.push(format!("digestAlgorithms has {count} algorithms, not one"));
            }
        }
        let encapsulated = parts.expect(tag::SEQUENCE, "an encapsulated content was expected")?;
        let content = {
            let mut fields = parts.enter(&encapsulated)?;
            let kind = fields.expect(tag::OID, "a content type was expected")?;
            if kind.content.of(der) != oid::ID_DATA {
                structure.push(format!("the content type is {}, not id-data", oid::named(kind.content.of(der))));
            }
            if fields.is_done() {
                structure.push("no content".into());
                Vec::new()
            } else {
                let wrapper = fields.expect(0xA0, "the content was expected")?;
                fields.finish("bytes after the content")?;
                let mut inner = fields.enter(&wrapper)?;
                if inner.is_done() {
                    structure.push("no content".into());
                }
                let mut content = Vec::new();
                if !inner.is_done() {
                    octets(der, &mut inner, &mut content)?;
                    inner.finish("bytes after the content")?;
                }
                content
            }
        };
        while let Some(optional @ (0xA0 | 0xA1)) = parts.peek() {
            parts.next()?;
            let what = if optional == 0xA0 { "certificates" } else { "revocation lists" };
            structure.push(format!("it carries {what}, which a declaration does not"));
        }
        let signers = parts.expect(tag::SET, "signers were expected")?;
        parts.finish("bytes after the signers")?;
        let mut members = parts.enter(&signers)?;
        let mut first = None;
        let mut count = 0;
        while !members.is_done() {
            let member = members.expect(tag::SEQUENCE, "a signer was expected")?;
            first.get_or_insert(member);
            count += 1;
        }
        if count != 1 {
            structure.push(format!("{count} signers, not one"));
        }
        let signer = match first {
            Some(first) => SignerInfo::read(der, &mut members, &first, &mut structure)?,
            None => SignerInfo { key_id: None, signature: Span::default(), signed: None },
        };

        let fields = Content::read(&content);
        Ok(Self {
            der: der.to_vec(),
            departures,
            trailing,
            structure,
            fields,
            signer_key_id: signer.key_id,
            signature: signer.signature,
            signed: signer.signed.unwrap_or_else(|| content.clone()),
            content,
        })
    }

    /// All octets as they were read.
    pub fn der(&self) -> &[u8] {
        &self.der
    }

    /// The content's octets.
    pub fn content(&self) -> &[u8] {
        &self.content
    }

    /// The signer's subject key identifier, where the declaration names one.
    pub fn signer_key_id(&self) -> Option<&[u8]> {
        self.signer_key_id.map(|s| s.of(&self.der))
    }

    /// The signature's octets.
    pub fn signature(&self) -> &[u8] {
        self.signature.of(&self.der)
    }

    /// Whether the signature is this key's.
    pub fn is_signed_by(&self, key: &PublicKey) -> bool {
        key.verifies(&self.signed, self.signature())
    }
}

/// An OCTET STRING, whole or in pieces. The second is BER, as streaming makers
/// write it, and forbidden in DER (X.690 §10.2).
fn octets(der: &[u8], walk: &mut Walk<'_, '_>, into: &mut Vec<u8>) -> Result<(), Unreadable> {
    const IN_PIECES: u8 = 0x20 | tag::OCTET_STRING;
    if walk.peek() != Some(IN_PIECES) {
        let tlv = walk.expect(tag::OCTET_STRING, "the content's bytes were expected")?;
        into.extend_from_slice(tlv.content.of(der));
        return Ok(());
    }
    let outer = walk.next()?;
    walk.depart(outer.full.start as usize, "an OCTET STRING in pieces");
    let mut pieces = walk.enter(&outer)?;
    while !pieces.is_done() {
        octets(der, &mut pieces, into)?;
    }
    Ok(())
}

fn check_version(structure: &mut Vec<String>, of: &str, version: &[u8]) {
    if version != [3] {
        structure.push(format!("the {of}'s version is {}, not 3", hex::encode(version)));
    }
}

fn check_digest(structure: &mut Vec<String>, of: &str, der: &[u8], algorithm: &SignatureAlgorithm) {
    // RFC 5754 §2: parameters absent, or NULL for old makers' sake.
    let legal = !algorithm.parameters || algorithm.span.of(der).ends_with(&[0x05, 0x00]);
    if algorithm.kind.of(der) != SHA256 || !legal {
        structure.push(format!("{of} names {}, not SHA-256", algorithm.words(der)));
    }
}

struct SignerInfo {
    key_id: Option<Span>,
    signature: Span,
    /// DER of the signed attributes, where there are any.
    signed: Option<Vec<u8>>,
}

impl SignerInfo {
    fn read(der: &[u8], walk: &mut Walk<'_, '_>, tlv: &Tlv, structure: &mut Vec<String>) -> Result<Self, Unreadable> {
        let mut parts = walk.enter(tlv)?;
        let version = parts.integer("a signer's version was expected")?;
        check_version(structure, "signer", version.of(der));
        let id = parts.next()?;
        let key_id = match id.tag {
            0x80 => {
                if id.content.len() != 20 {
                    structure.push(format!("the signer's key identifier has {} bytes, not 20", id.content.len()));
                }
                Some(id.content)
            }
            // Some makers tag it explicitly; told, and read all the same.
            0xA0 => {
                structure.push("the signer's key identifier is tagged explicitly".into());
                parts.enter(&id)?.next().ok().map(|inner| inner.content)
            }
            tag::SEQUENCE => {
                structure.push("the signer is named by issuer and serial number, not by key identifier".into());
                None
            }
            _ => return Err(Unreadable { at: id.full.start as usize, what: "a signer's identifier was expected" }),
        };
        let digest = SignatureAlgorithm::read(&mut parts)?;
        check_digest(structure, "digestAlgorithm", der, &digest);
        let mut signed = None;
        if parts.peek() == Some(0xA0) {
            let attributes = parts.next()?;
            structure.push("it carries signed attributes, which a declaration does not".into());
            // RFC 5652 §5.4: signed as a SET OF, not with the tag they stand under.
            signed = Some(asn1::tlv(tag::SET, attributes.content.of(der)));
        }
        let algorithm = SignatureAlgorithm::read(&mut parts)?;
        if !algorithm.is_ecdsa_sha256(der) {
            structure.push(format!("the signature algorithm is {}, not ecdsa-with-SHA256", algorithm.words(der)));
        }
        let signature = parts.expect(tag::OCTET_STRING, "a signature was expected")?;
        if parts.peek() == Some(0xA1) {
            parts.next()?;
            structure.push("it carries unsigned attributes, which a declaration does not".into());
        }
        parts.finish("bytes after a signer")?;
        Ok(Self { key_id, signature: signature.content, signed })
    }
}

/// The parts of signed data, each in DER, for the exact profile and for specimens beside it.
#[derive(Debug, Clone)]
pub struct SignedDataBuilder {
    /// `CMSVersion` of the signed data.
    pub version: Vec<u8>,
    /// `DigestAlgorithmIdentifiers`.
    pub digests: Vec<u8>,
    pub content_type: Vec<u8>,
    pub content: Vec<u8>,
    /// Certificates and lists; empty in a declaration.
    pub optional: Vec<u8>,
    /// `CMSVersion` of the signer.
    pub signer_version: Vec<u8>,
    /// `SignerIdentifier`.
    pub signer_id: Vec<u8>,
    /// `AlgorithmIdentifier` of the signature.
    pub algorithm: Vec<u8>,
    /// Unsigned attributes; empty in a declaration.
    pub unsigned_attributes: Vec<u8>,
}

impl SignedDataBuilder {
    /// The standard's profile around `content`, for the signer with that key identifier.
    pub fn new(content: &[u8], signer_key_id: &[u8; 20]) -> Self {
        let sha256 = sequence(&[&asn1::oid(SHA256)]);
        Self {
            version: integer(&[3]),
            digests: asn1::set(&[&sha256]),
            content_type: asn1::oid(oid::ID_DATA),
            content: content.to_vec(),
            optional: Vec::new(),
            signer_version: integer(&[3]),
            signer_id: asn1::context(0, false, signer_key_id),
            algorithm: sequence(&[&asn1::oid(oid::ECDSA_SHA256)]),
            unsigned_attributes: Vec::new(),
        }
    }

    /// Signs, and returns one DER `ContentInfo`.
    ///
    /// # Errors
    ///
    /// [`SignError`] where the signer gave no signature.
    pub fn sign(&self, signer: &dyn Signer) -> Result<Vec<u8>, SignError> {
        let signature = signer.sign(&self.content)?;
        let encapsulated = sequence(&[&self.content_type, &asn1::context(0, true, &octet_string(&self.content))]);
        let info = sequence(&[
            &self.signer_version,
            &self.signer_id,
            &sequence(&[&asn1::oid(SHA256)]),
            &self.algorithm,
            &octet_string(&signature),
            &self.unsigned_attributes,
        ]);
        let data = sequence(&[&self.version, &self.digests, &encapsulated, &self.optional, &asn1::set(&[&info])]);
        Ok(sequence(&[&asn1::oid(oid::ID_SIGNED_DATA), &asn1::context(0, true, &data)]))
    }
}
