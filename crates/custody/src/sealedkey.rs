//! A signing key under the site key: for what a site signs by itself, without
//! a person who types a passphrase, as the head of its log.
//!
//! The file is a PEM block `SEALED SIGNING KEY` under a heading that holds the
//! public key. The block is what [`SiteKey::seal`] makes of the 32 octets of the
//! private value, so the file opens only beside the site key that it was made with.

use std::path::Path;

use standard::key::{PublicKey, SoftwareKey};
use zeroize::Zeroizing;

use crate::armor::{self, Armored};
use crate::{CustodyError, PrivateKey, SiteKey, UnsealError, file};

const EXPECTED: &str = "sealed signing key file";
const LABEL: &str = "SEALED SIGNING KEY";

/// Signing keys under a site key. See the module's text for the format.
#[derive(Debug, Clone, Copy)]
pub struct SealedKey;

impl SealedKey {
    /// Puts `key` into a new file at `path`, mode 0600, sealed for `purpose`.
    ///
    /// # Errors
    ///
    /// As [`crate::KeyFile::create`].
    pub fn create(path: &Path, site: &SiteKey, purpose: &str, key: &PrivateKey) -> Result<(), CustodyError> {
        let sealed = site.seal(purpose.as_bytes(), key.octets())?;
        let heading =
            format!("Signing key under the site key.\npublic-key: {}\n", hex::encode(key.public_key().point()));
        file::create(path, armor::write(LABEL, &heading, &sealed)?.as_bytes())
    }

    /// Opens the file with the site key and for the purpose that it was made with.
    ///
    /// # Errors
    ///
    /// [`CustodyError::OtherSite`] where another site key made it; [`CustodyError::Damaged`].
    pub fn open(path: &Path, site: &SiteKey, purpose: &str) -> Result<SoftwareKey, CustodyError> {
        let found = armor::read(path, EXPECTED, &[LABEL])?;
        let named = named(&found)?;
        let octets = site.unseal(purpose.as_bytes(), &found.octets).map_err(|why| match why {
            UnsealError::OtherKey { .. } => CustodyError::OtherSite { path: path.to_owned() },
            _ => found.damaged("what is sealed in it was altered"),
        })?;
        let octets = <[u8; 32]>::try_from(octets.as_slice()).map(Zeroizing::new);
        let key = octets.map_err(|_| found.damaged("the key inside does not have 32 bytes"))?;
        let key = PrivateKey::from_octets(key).map_err(|_| found.damaged("the key inside is not a P-256 key"))?;
        if key.public_key() != named {
            return Err(found.damaged("the key inside is not the one that its heading names"));
        }
        Ok(key.into_signer())
    }

    /// The public key that the heading names; no site key is needed.
    ///
    /// # Errors
    ///
    /// As [`Self::open`].
    pub fn public_key(path: &Path) -> Result<PublicKey, CustodyError> {
        named(&armor::read(path, EXPECTED, &[LABEL])?)
    }
}

fn named(found: &Armored) -> Result<PublicKey, CustodyError> {
    let point = found.line("public-key").and_then(|digits| hex::decode(digits).ok());
    let key = point.and_then(|point| PublicKey::from_point(&point).ok());
    key.ok_or_else(|| found.damaged("its heading names no public key"))
}
