//! The Ed25519 key (RFC 8032) that signs a site's checkpoints, under the site key.
//!
//! A key of its own, beside the P-256 key that signs heads: witnesses of transparency logs take Ed25519.

use std::fmt;
use std::path::Path;

use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair};
use zeroize::Zeroizing;

use crate::armor::{self, Armored};
use crate::{CustodyError, SiteKey, UnsealError, file};

const EXPECTED: &str = "sealed checkpoint key file";
const LABEL: &str = "SEALED CHECKPOINT KEY";
const PURPOSE: &[u8] = b"checkpoints of the log";

/// An Ed25519 key, opened.
pub struct NoteKey(Ed25519KeyPair);

impl fmt::Debug for NoteKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "NoteKey({})", hex::encode(self.public()))
    }
}

impl NoteKey {
    fn of_seed(seed: &[u8]) -> Result<Self, CustodyError> {
        let pair = Ed25519KeyPair::from_seed_unchecked(seed);
        Ok(Self(pair.map_err(|_| CustodyError::Library { doing: "opening an Ed25519 key" })?))
    }

    /// Draws a key and puts it into a new file at `path`, mode 0600, sealed by the site key.
    ///
    /// # Errors
    ///
    /// As [`crate::KeyFile::create`].
    pub fn create(path: &Path, site: &SiteKey) -> Result<Self, CustodyError> {
        let mut seed = Zeroizing::new([0; 32]);
        aws_lc_rs::rand::fill(&mut *seed).map_err(|_| CustodyError::Library { doing: "drawing random numbers" })?;
        let key = Self::of_seed(&*seed)?;
        let sealed = site.seal(PURPOSE, &*seed)?;
        let heading = format!("Checkpoint key under the site key.\npublic-key: {}\n", hex::encode(key.public()));
        file::create(path, armor::write(LABEL, &heading, &sealed)?.as_bytes())?;
        Ok(key)
    }

    /// Opens the file with the site key that it was made with.
    ///
    /// # Errors
    ///
    /// [`CustodyError::OtherSite`] where another site key made it; [`CustodyError::Damaged`].
    pub fn open(path: &Path, site: &SiteKey) -> Result<Self, CustodyError> {
        let found = armor::read(path, EXPECTED, &[LABEL])?;
        let seed = site.unseal(PURPOSE, &found.octets).map_err(|why| match why {
            UnsealError::OtherKey { .. } => CustodyError::OtherSite { path: path.to_owned() },
            _ => found.damaged("what is sealed in it was altered"),
        })?;
        let key = Self::of_seed(&seed).map_err(|_| found.damaged("the key inside is not an Ed25519 key"))?;
        if key.public() != named(&found)? {
            return Err(found.damaged("the key inside is not the one that its heading names"));
        }
        Ok(key)
    }

    /// The public key that the heading of a file names; no site key is needed.
    ///
    /// # Errors
    ///
    /// As [`Self::open`].
    pub fn public_key(path: &Path) -> Result<[u8; 32], CustodyError> {
        named(&armor::read(path, EXPECTED, &[LABEL])?)
    }

    /// The public key.
    pub fn public(&self) -> [u8; 32] {
        let mut octets = [0; 32];
        octets.copy_from_slice(self.0.public_key().as_ref());
        octets
    }

    /// Signs octets.
    pub fn sign(&self, octets: &[u8]) -> [u8; 64] {
        let mut signature = [0; 64];
        signature.copy_from_slice(self.0.sign(octets).as_ref());
        signature
    }
}

fn named(found: &Armored) -> Result<[u8; 32], CustodyError> {
    let octets = found.line("public-key").and_then(|digits| hex::decode(digits).ok());
    let key = octets.and_then(|octets| octets.try_into().ok());
    key.ok_or_else(|| found.damaged("its heading names no public key"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8032 §7.1, test 2.
    #[test]
    fn signs_as_the_standard_says() {
        let octets = |text| hex::decode(text).expect("hex");
        let key = NoteKey::of_seed(&octets("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"));
        let key = key.expect("a key");
        assert_eq!(hex::encode(key.public()), "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c");
        let signature = "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da\
                         085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00";
        assert_eq!(hex::encode(key.sign(&[0x72])), signature);
    }

    #[test]
    fn a_file_opens_under_its_own_site_key_alone() {
        let dir = tempfile::tempdir().expect("a directory");
        let site = |name: &str| SiteKey::create(&dir.path().join(name), None).expect("a site key");
        let (own, other) = (site("own"), site("other"));
        let path = dir.path().join("checkpoint.key");
        let made = NoteKey::create(&path, &own).expect("a key");
        assert_eq!(NoteKey::open(&path, &own).expect("opens").public(), made.public());
        assert_eq!(NoteKey::public_key(&path).expect("named"), made.public());
        assert!(matches!(NoteKey::open(&path, &other), Err(CustodyError::OtherSite { .. })));
        assert!(matches!(NoteKey::create(&path, &own), Err(CustodyError::Exists { .. })));
    }
}
