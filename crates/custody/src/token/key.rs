//! A signing key that lives in a token and never leaves it.

use std::fmt;
use std::sync::{Mutex, PoisonError};

use cryptoki::error::Error;
use cryptoki::mechanism::Mechanism;
use cryptoki::object::{Attribute, AttributeType, KeyType, ObjectClass, ObjectHandle};
use cryptoki::session::Session;
use pkcs8::der::Decode;
use pkcs8::der::asn1::OctetStringRef;
use standard::key::{PublicKey, SignError, Signer};
use standard::signature::der_from_raw;

use super::{TokenError, TokenUri, Tokens};
use crate::Passphrase;

/// RFC 5480 §2.1.1: secp256r1, 1.2.840.10045.3.1.7, as DER.
pub(super) const P256: [u8; 10] = [0x06, 0x08, 0x2a, 0x86, 0x48, 0xce, 0x3d, 0x03, 0x01, 0x07];

/// A P-256 key in a token.
///
/// Calls go through one session, one by one.
pub struct TokenKey {
    uri: TokenUri,
    session: Mutex<Session>,
    private: ObjectHandle,
    public: PublicKey,
    id: Option<Vec<u8>>,
}

impl TokenKey {
    /// Finds the one key that the URI fits.
    ///
    /// # Errors
    ///
    /// [`TokenError::NoKey`] and [`TokenError::Several`] where not exactly one
    /// P-256 key fits `object` and `id`; else as [`Tokens::session`].
    pub fn find(uri: &TokenUri, pin: Option<&Passphrase>) -> Result<Self, TokenError> {
        let tokens = Tokens::open(uri, pin)?;
        let session = tokens.session(&tokens.one()?)?;
        let mut found = matching(&session, uri)?;
        let count = found.len();
        match (found.pop(), count) {
            (Some((private, public)), 1) => {
                let id = attribute(&session, private, AttributeType::Id);
                let id = id.map_err(|e| TokenError::of("looking for keys", &e))?.filter(|id| !id.is_empty());
                Ok(Self { uri: uri.clone(), session: Mutex::new(session), private, public, id })
            }
            (None, _) => Err(TokenError::NoKey { uri: uri.clone() }),
            _ => Err(TokenError::Several { uri: uri.clone(), count, what: "keys" }),
        }
    }

    /// Makes a key pair in the token, under the URI's `object` and `id`: it can't
    /// be read out. Without an `id` it is the public key's SHA-1
    /// (RFC 5280 §4.2.1.2), as for a certificate's key.
    ///
    /// # Errors
    ///
    /// [`TokenError::KeyExists`] where one fits already; else as [`Tokens::session`].
    pub fn create(uri: &TokenUri, pin: Option<&Passphrase>) -> Result<Self, TokenError> {
        const DOING: &str = "making a key";
        let failed = |e: Error| TokenError::of(DOING, &e);
        let tokens = Tokens::open(uri, pin)?;
        let session = tokens.session(&tokens.one()?)?;
        if !matching(&session, uri)?.is_empty() {
            return Err(TokenError::KeyExists { uri: uri.clone() });
        }
        let label = uri.object().unwrap_or("signing key").as_bytes().to_vec();
        let mut both = vec![Attribute::Token(true), Attribute::Label(label)];
        both.extend(uri.id().map(|id| Attribute::Id(id.to_vec())));
        let mut public = both.clone();
        public.extend([Attribute::EcParams(P256.to_vec()), Attribute::Verify(true), Attribute::Private(false)]);
        both.extend([
            Attribute::Private(true),
            Attribute::Sensitive(true),
            Attribute::Extractable(false),
            Attribute::Sign(true),
        ]);
        let (public, private) = session.generate_key_pair(&Mechanism::EccKeyPairGen, &public, &both).map_err(failed)?;
        let point = attribute(&session, public, AttributeType::EcPoint).map_err(failed)?;
        let made = point.as_deref().and_then(point_of);
        let made =
            made.ok_or_else(|| TokenError::Failed { doing: DOING, why: "it returned no point on P-256".into() })?;
        if uri.id().is_none() {
            let id = [Attribute::Id(made.key_id().to_vec())];
            for half in [public, private] {
                session.update_attributes(half, &id).map_err(failed)?;
            }
        }
        let id = uri.id().map_or_else(|| made.key_id().to_vec(), <[u8]>::to_vec);
        Ok(Self { uri: uri.clone(), session: Mutex::new(session), private, public: made, id: Some(id) })
    }

    /// Its `CKA_ID`, where it has one.
    pub fn id(&self) -> Option<&[u8]> {
        self.id.as_deref()
    }

    /// The URI that it was found by.
    pub fn uri(&self) -> &TokenUri {
        &self.uri
    }
}

impl Signer for TokenKey {
    fn public_key(&self) -> PublicKey {
        self.public
    }

    fn sign(&self, message: &[u8]) -> Result<Vec<u8>, SignError> {
        let session = self.session.lock().unwrap_or_else(PoisonError::into_inner);
        let digest = aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, message);
        let raw = session.sign(&Mechanism::Ecdsa, self.private, digest.as_ref());
        let raw = raw.map_err(|e| SignError(TokenError::of("signing", &e).to_string()))?;
        let raw = <[u8; 64]>::try_from(raw.as_slice()).ok();
        let der = raw.as_ref().and_then(der_from_raw);
        let der = der.ok_or_else(|| SignError("the token's signature does not have 64 bytes".into()))?;
        // A token with a fault must not put its signature under a certificate.
        if self.public.verifies(message, &der) {
            Ok(der)
        } else {
            Err(SignError("the token's signature does not belong to its key".into()))
        }
    }
}

impl fmt::Debug for TokenKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "TokenKey({}, {})", self.uri, hex::encode(self.public.key_id()))
    }
}

/// Private keys that sign on P-256 and fit the URI, with their public halves.
fn matching(session: &Session, uri: &TokenUri) -> Result<Vec<(ObjectHandle, PublicKey)>, TokenError> {
    const DOING: &str = "looking for keys";
    let failed = |e: Error| TokenError::of(DOING, &e);
    let mut template = vec![Attribute::Class(ObjectClass::PRIVATE_KEY), Attribute::KeyType(KeyType::EC)];
    template.extend(uri.object().map(|label| Attribute::Label(label.as_bytes().to_vec())));
    template.extend(uri.id().map(|id| Attribute::Id(id.to_vec())));
    let mut found = Vec::new();
    for private in session.find_objects(&template).map_err(failed)? {
        let id = attribute(session, private, AttributeType::Id).map_err(failed)?;
        let label = attribute(session, private, AttributeType::Label).map_err(failed)?;
        let mut template = vec![Attribute::Class(ObjectClass::PUBLIC_KEY), Attribute::KeyType(KeyType::EC)];
        // The halves of a pair share their id; where it is empty, their label.
        match id.filter(|id| !id.is_empty()) {
            Some(id) => template.push(Attribute::Id(id)),
            None => template.push(Attribute::Label(label.unwrap_or_default())),
        }
        let halves = session.find_objects(&template).map_err(failed)?;
        let [half] = halves[..] else { continue };
        let point = attribute(session, half, AttributeType::EcPoint).map_err(failed)?;
        if let Some(public) = point.as_deref().and_then(point_of) {
            found.push((private, public));
        }
    }
    Ok(found)
}

fn attribute(session: &Session, object: ObjectHandle, wanted: AttributeType) -> Result<Option<Vec<u8>>, Error> {
    let found = session.get_attributes(object, &[wanted])?;
    Ok(found.into_iter().find_map(|attribute| match attribute {
        Attribute::Id(value) | Attribute::Label(value) | Attribute::EcPoint(value) => Some(value),
        _ => None,
    }))
}

/// The public key of a `CKA_EC_POINT`: a DER octet string around the point, or,
/// from modules that got it wrong, the point alone; `None` if not on P-256.
pub fn point_of(value: &[u8]) -> Option<PublicKey> {
    let inner = <&OctetStringRef>::from_der(value).map_or(value, |octets| octets.as_bytes());
    PublicKey::from_point(inner).ok()
}
