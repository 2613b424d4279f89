//! A private key on its way into a file or out of one.

use std::fmt;

use aws_lc_rs::encoding::{AsBigEndian, EcPrivateKeyBin};
use aws_lc_rs::signature::{ECDSA_P256_SHA256_ASN1_SIGNING, EcdsaKeyPair};
use standard::key::{PublicKey, Signer, SoftwareKey};
use zeroize::Zeroizing;

use crate::CustodyError;

/// A P-256 private key in memory. Wiped when dropped; `Debug` shows the public half.
pub struct PrivateKey {
    private: Zeroizing<[u8; 32]>,
    signer: SoftwareKey,
}

impl PrivateKey {
    /// A fresh key from the operating system's secure source.
    ///
    /// # Errors
    ///
    /// [`CustodyError::NoRandomness`].
    pub fn generate() -> Result<Self, CustodyError> {
        let pair = EcdsaKeyPair::generate(&ECDSA_P256_SHA256_ASN1_SIGNING).map_err(|_| CustodyError::NoRandomness)?;
        Self::from_pair(&pair)
    }

    /// The key with this private value, big-endian.
    ///
    /// # Errors
    ///
    /// [`CustodyError::PrivateValue`] where it is zero or not below the curve's order.
    pub fn from_octets(private: Zeroizing<[u8; 32]>) -> Result<Self, CustodyError> {
        let signer = SoftwareKey::from_private(&private).map_err(|_| CustodyError::PrivateValue)?;
        Ok(Self { private, signer })
    }

    /// The public half.
    pub fn public_key(&self) -> PublicKey {
        self.signer.public_key()
    }

    /// The private value, big-endian.
    pub(crate) fn octets(&self) -> &[u8; 32] {
        &self.private
    }

    /// DER `PrivateKeyInfo` (RFC 5958) with an `ECPrivateKey` (RFC 5915).
    pub(crate) fn to_pkcs8(&self) -> Result<impl AsRef<[u8]>, CustodyError> {
        EcdsaKeyPair::from_private_key_and_public_key(
            &ECDSA_P256_SHA256_ASN1_SIGNING,
            &*self.private,
            self.public_key().point(),
        )
        .ok()
        .and_then(|pair| pair.to_pkcs8v1().ok())
        .ok_or(CustodyError::Library { doing: "encoding a private key" })
    }

    /// Reads DER `PrivateKeyInfo`; `None` where it holds no sound P-256 key.
    pub(crate) fn from_pkcs8(der: &[u8]) -> Option<Self> {
        // The library refuses a key whose public half is not its own.
        let pair = EcdsaKeyPair::from_pkcs8(&ECDSA_P256_SHA256_ASN1_SIGNING, der).ok()?;
        Self::from_pair(&pair).ok()
    }

    pub(crate) fn into_signer(self) -> SoftwareKey {
        self.signer
    }

    fn from_pair(pair: &EcdsaKeyPair) -> Result<Self, CustodyError> {
        let library = CustodyError::Library { doing: "reading a private key" };
        let key = pair.private_key();
        let Ok(octets) = AsBigEndian::<EcPrivateKeyBin<'_>>::as_be_bytes(&key) else { return Err(library) };
        let Ok(private) = <[u8; 32]>::try_from(octets.as_ref()) else { return Err(library) };
        Self::from_octets(Zeroizing::new(private))
    }
}

impl fmt::Debug for PrivateKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "PrivateKey(of {})", hex::encode(self.public_key().key_id()))
    }
}
