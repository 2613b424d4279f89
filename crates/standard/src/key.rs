//! P-256 keys: points, signatures, and whoever signs.
//!
//! Covers FIPS 186-5 ECDSA with SHA-256 (the only algorithm of Core Spec 3.5.3)
//! and RFC 5480 §2.2 points. A [`PublicKey`] is on the curve by construction.
//! Keys that sign for a site live in custody; [`SoftwareKey`] serves tests,
//! specimens and simulated chips.

use std::fmt;

use aws_lc_rs::agreement;
use aws_lc_rs::digest::{SHA1_FOR_LEGACY_USE_ONLY, digest};
use aws_lc_rs::rand::SystemRandom;
use aws_lc_rs::signature::{
    ECDSA_P256_SHA256_ASN1, ECDSA_P256_SHA256_ASN1_SIGNING, ECDSA_P256_SHA256_FIXED, EcdsaKeyPair, KeyPair,
    ParsedPublicKey, UnparsedPublicKey,
};

/// A point of P-256 in uncompressed form, 65 octets, `04 || X || Y`.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct PublicKey([u8; 65]);

/// Why octets are no usable public key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PointError {
    /// Neither a 65-octet uncompressed nor a 33-octet compressed point.
    #[error("{0} bytes that begin with {1}; an uncompressed point has 65 and begins with 04")]
    Form(usize, String),
    /// Well formed, but not a point of the curve.
    #[error("the point is not on the curve P-256")]
    OffCurve,
}

impl PublicKey {
    /// Takes an uncompressed point, 65 octets.
    ///
    /// # Errors
    ///
    /// [`PointError::Form`] for any other form, [`PointError::OffCurve`] where
    /// the coordinates do not satisfy the curve (SP 800-56A 5.6.2.3.4).
    pub fn from_point(point: &[u8]) -> Result<Self, PointError> {
        let form = || PointError::Form(point.len(), point.first().map_or("nothing".into(), |b| format!("{b:02x}")));
        let octets: [u8; 65] = point.try_into().map_err(|_| form())?;
        if octets[0] != 4 {
            return Err(form());
        }
        // The library checks the curve equation when it parses a key.
        ParsedPublicKey::new(&ECDSA_P256_SHA256_ASN1, octets).map_err(|_| PointError::OffCurve)?;
        Ok(Self(octets))
    }

    /// The point, 65 octets.
    pub fn point(&self) -> &[u8; 65] {
        &self.0
    }

    /// SHA-1 of the point: the usual key identifier (RFC 5280 §4.2.1.2 method 1).
    pub fn key_id(&self) -> [u8; 20] {
        sha1(&self.0)
    }

    /// Whether `signature` (DER `Ecdsa-Sig-Value`, RFC 3279 §2.2.3) is this key's over `message`.
    pub fn verifies(&self, message: &[u8], signature: &[u8]) -> bool {
        UnparsedPublicKey::new(&ECDSA_P256_SHA256_ASN1, self.0).verify(message, signature).is_ok()
    }

    /// Whether `signature` (64 octets, r || s) is this key's over `message`.
    pub fn verifies_raw(&self, message: &[u8], signature: &[u8]) -> bool {
        UnparsedPublicKey::new(&ECDSA_P256_SHA256_FIXED, self.0).verify(message, signature).is_ok()
    }

    /// Made ready to check many signatures.
    pub fn verifier(&self) -> Verifier {
        Verifier(ParsedPublicKey::new(&ECDSA_P256_SHA256_ASN1, self.0).ok())
    }
}

impl fmt::Debug for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "PublicKey({})", hex::encode(self.0))
    }
}

/// A public key made ready once, for many checks.
pub struct Verifier(Option<ParsedPublicKey>);

impl Verifier {
    /// Whether `signature` (DER) is this key's over `message`.
    pub fn verifies(&self, message: &[u8], signature: &[u8]) -> bool {
        self.0.as_ref().is_some_and(|key| key.verify_sig(message, signature).is_ok())
    }
}

impl fmt::Debug for Verifier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Verifier")
    }
}

/// SHA-1, for key identifiers only.
pub(crate) fn sha1(data: &[u8]) -> [u8; 20] {
    let mut out = [0; 20];
    out.copy_from_slice(digest(&SHA1_FOR_LEGACY_USE_ONLY, data).as_ref());
    out
}

/// Whoever holds a private key and signs with it: a file, a token, a chip.
pub trait Signer: Send + Sync {
    /// The public half.
    fn public_key(&self) -> PublicKey;

    /// Signs the SHA-256 digest of `message`; returns DER `Ecdsa-Sig-Value`.
    ///
    /// # Errors
    ///
    /// [`SignError`] where no signature came back; asking again is safe.
    fn sign(&self, message: &[u8]) -> Result<Vec<u8>, SignError>;
}

/// No signature came back.
#[derive(Debug, thiserror::Error)]
#[error("the key made no signature: {0}")]
pub struct SignError(pub String);

/// A private key in memory.
pub struct SoftwareKey {
    pair: EcdsaKeyPair,
    public: PublicKey,
}

impl SoftwareKey {
    /// The key with this private value, 32 octets big-endian.
    ///
    /// # Errors
    ///
    /// [`SignError`] where the value is zero or not below the curve's order.
    pub fn from_private(private: &[u8; 32]) -> Result<Self, SignError> {
        let refused = |_| SignError("the private value is not between 1 and the curve's order".into());
        let half = agreement::PrivateKey::from_private_key(&agreement::ECDH_P256, private)
            .map_err(|_| SignError("the private value is not between 1 and the curve's order".into()))?;
        let public = half.compute_public_key().map_err(refused)?;
        let public = PublicKey::from_point(public.as_ref()).map_err(|e| SignError(e.to_string()))?;
        let pair =
            EcdsaKeyPair::from_private_key_and_public_key(&ECDSA_P256_SHA256_ASN1_SIGNING, private, public.point())
                .map_err(|e| SignError(e.to_string()))?;
        Ok(Self { pair, public })
    }

    /// A fresh key from the operating system's secure source.
    ///
    /// # Errors
    ///
    /// [`SignError`] where the source gives nothing.
    pub fn generate() -> Result<Self, SignError> {
        let pair = EcdsaKeyPair::generate(&ECDSA_P256_SHA256_ASN1_SIGNING)
            .map_err(|_| SignError("no randomness from the operating system".into()))?;
        let public = PublicKey::from_point(pair.public_key().as_ref()).map_err(|e| SignError(e.to_string()))?;
        Ok(Self { pair, public })
    }
}

impl SoftwareKey {
    /// The usual identifier of the public half, 20 octets.
    pub fn key_id(&self) -> [u8; 20] {
        self.public.key_id()
    }
}

impl Signer for SoftwareKey {
    fn public_key(&self) -> PublicKey {
        self.public
    }

    fn sign(&self, message: &[u8]) -> Result<Vec<u8>, SignError> {
        self.pair
            .sign(&SystemRandom::new(), message)
            .map(|signature| signature.as_ref().to_vec())
            .map_err(|_| SignError("signing failed".into()))
    }
}

impl fmt::Debug for SoftwareKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SoftwareKey({})", hex::encode(self.public.key_id()))
    }
}
