//! What a unit proves itself with: a key that signs, and elements to be signed.

use standard::exchange::{Elements, to_be_signed};
use standard::interaction::cluster::credentials::csr_elements;
use standard::key::{Signer, SoftwareKey};
use standard::name::NameBuilder;
use standard::request;
use standard::signature::raw_from_der;
use standard::tlv::{Container, Tag, Writer};

use super::Fault;

/// Whoever holds the DAC's key: a chip, or a key in memory.
pub trait Signs: Send {
    /// Signs the SHA-256 digest of `message`: r || s, 64 octets.
    ///
    /// # Errors
    ///
    /// Why there is no signature, as a sentence's end.
    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], String>;
}

/// A key in memory, as specimens bring it.
pub struct SoftwareSigns(pub SoftwareKey);

impl Signs for SoftwareSigns {
    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], String> {
        let der = self.0.sign(message).map_err(|e| e.to_string())?;
        raw_from_der(&der).ok_or_else(|| "a signature of another form".into())
    }
}

/// Where the elements come from.
enum Source {
    /// A declaration, as a unit has it.
    Declaration(Vec<u8>),
    /// Elements that were recorded, and the nonce that stands in them: the home's takes its place.
    Recorded { elements: Vec<u8>, nonce: Vec<u8> },
}

/// Makes attestation elements and certification requests, signed.
pub struct Attester {
    source: Source,
    signs: Box<dyn Signs>,
}

/// Elements, and the signature over them and the session's challenge.
pub type Answer = (Vec<u8>, Vec<u8>);

impl Attester {
    /// For a unit with this declaration.
    pub fn new(declaration: Vec<u8>, signs: Box<dyn Signs>) -> Self {
        Self { source: Source::Declaration(declaration), signs }
    }

    /// For a recorded exchange, as specimens are: whatever is odd about its elements stays.
    ///
    /// - `nonce`: the one that the verifier sent then. Where it stands in the elements, the home's takes its place; where
    ///   it does not, that is what the specimen shows.
    pub fn recorded(elements: Vec<u8>, nonce: Vec<u8>, signs: Box<dyn Signs>) -> Self {
        Self { source: Source::Recorded { elements, nonce }, signs }
    }

    /// Answers `AttestationRequest`.
    ///
    /// # Errors
    ///
    /// Why there is no signature.
    pub fn attest(&mut self, nonce: &[u8; 32], challenge: &[u8; 16], fault: Option<Fault>) -> Result<Answer, String> {
        let mut nonce = *nonce;
        if fault == Some(Fault::ExchangeNonce) {
            nonce[0] ^= 1;
        }
        let mut challenge = *challenge;
        if fault == Some(Fault::ExchangeSignature) {
            challenge[0] ^= 1;
        }
        let elements = match &self.source {
            Source::Declaration(declaration) => {
                let mut declaration = declaration.clone();
                if let (Some(Fault::DeclarationSignature), Some(last)) = (fault, declaration.last_mut()) {
                    *last ^= 1;
                }
                if fault == Some(Fault::DeclarationMissing) {
                    declaration.truncate(declaration.len() / 2);
                }
                let firmware = (fault == Some(Fault::ExchangeSize))
                    .then(|| vec![0x46; 901_usize.saturating_sub(declaration.len() + 46)]);
                Elements::encode(&declaration, &nonce, 0, firmware.as_deref())
            }
            Source::Recorded { elements, nonce: then } => replaced(elements, then, &nonce),
        };
        let elements = if fault == Some(Fault::ExchangeElements) { without_timestamp(elements) } else { elements };
        let signature = self.signs.sign(&to_be_signed(&elements, &challenge))?;
        Ok((elements, signature.to_vec()))
    }

    /// Answers `CSRRequest`: a request for a key that was just made.
    ///
    /// # Errors
    ///
    /// Why there is no key or signature.
    pub fn request(&mut self, nonce: &[u8; 32], challenge: &[u8; 16], fault: Option<Fault>) -> Result<Answer, String> {
        let key = SoftwareKey::generate().map_err(|e| e.to_string())?;
        let subject = NameBuilder::new().common_name("operational key").build();
        let mut der = request::build(&subject, &key).map_err(|e| e.to_string())?;
        if let (Some(Fault::RequestForm), Some(last)) = (fault, der.last_mut()) {
            *last ^= 1;
        }
        let mut nonce = *nonce;
        if fault == Some(Fault::RequestNonce) {
            nonce[0] ^= 1;
        }
        let elements = csr_elements(&der, &nonce);
        let signed = to_be_signed(&elements, challenge);
        let signature =
            if fault == Some(Fault::Request) { SoftwareSigns(key).sign(&signed) } else { self.signs.sign(&signed) };
        Ok((elements, signature?.to_vec()))
    }
}

/// The elements with another nonce in the place of the one that was recorded.
fn replaced(elements: &[u8], then: &[u8], now: &[u8; 32]) -> Vec<u8> {
    let mut out = elements.to_vec();
    let at = (then.len() == now.len()).then(|| out.windows(then.len()).position(|window| window == then)).flatten();
    if let Some(place) = at.and_then(|at| out.get_mut(at..at + now.len())) {
        place.copy_from_slice(now);
    }
    out
}

/// The elements without element 3, which the device writes as `26 03` and four octets, or shorter.
fn without_timestamp(elements: Vec<u8>) -> Vec<u8> {
    let Ok(read) = Elements::read(&elements) else { return elements };
    let (Some(declaration), Some(nonce)) = (read.declaration, read.nonce) else { return elements };
    let mut writer = Writer::new();
    writer
        .open(Tag::Anonymous, Container::Structure)
        .octets(Tag::Context(1), declaration)
        .octets(Tag::Context(2), nonce)
        .close();
    writer.finish()
}
