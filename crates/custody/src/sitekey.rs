//! The site key: 32 octets under which the book's secrets lie at rest.
//!
//! The file is a PEM block under a line of text and a checksum. `SITE KEY` holds the 32 octets as they are, and
//! rests on the file's mode; `WRAPPED SITE KEY` holds them encrypted under a
//! passphrase (PBES2 with scrypt and AES-256-GCM, RFC 8018 and 7914).
//!
//! From the 32 octets three values are drawn by HKDF-SHA256 (RFC 5869) without
//! salt: 32 octets with info `touchmark seal 1`, the key for AES-256-GCM-SIV
//! (RFC 8452), 32 octets with info `touchmark derive 1`, the key for HMAC-SHA256 of
//! [`SiteKey::derive`], and 4 octets with info `touchmark site key id 1`, its identifier.
//! A sealed secret is `01 || identifier (4) || nonce (12) || ciphertext || tag (16)`.
//! GCM-SIV, because a machine restored from a snapshot may draw a nonce again.

use std::fmt;
use std::path::Path;

use aws_lc_rs::aead::{AES_256_GCM_SIV, Aad, NONCE_LEN, Nonce, RandomizedNonceKey};
use aws_lc_rs::hkdf::{HKDF_SHA256, KeyType, Salt};
use aws_lc_rs::hmac;
use aws_lc_rs::rand::{SecureRandom, SystemRandom};
use zeroize::{Zeroize, Zeroizing};

use crate::armor;
use crate::file;
use crate::wrap::{self, Cipher, Closed};
use crate::{CustodyError, Passphrase, UnsealError, WorkFactor};

const EXPECTED: &str = "site key file";
const OPEN: &str = "SITE KEY";
const WRAPPED: &str = "WRAPPED SITE KEY";
const HEADING: &str = "Protects the secrets of one site's record book. Back it up apart from the book.\n";
const VERSION: u8 = 1;
const TAG_LEN: usize = 16;
const HEAD_LEN: usize = 1 + 4 + NONCE_LEN;

/// The site key, opened. Wiped when dropped; `Debug` shows its identifier.
pub struct SiteKey {
    id: [u8; 4],
    key: RandomizedNonceKey,
    derive: hmac::Key,
}

impl SiteKey {
    /// Makes a fresh key and its file at `path`, mode 0600; `wrap` encrypts it
    /// under a passphrase.
    ///
    /// # Errors
    ///
    /// As [`crate::KeyFile::create`].
    pub fn create(path: &Path, wrap: Option<(&Passphrase, WorkFactor)>) -> Result<Self, CustodyError> {
        let mut octets = Zeroizing::new([0; 32]);
        SystemRandom::new().fill(&mut *octets).map_err(|_| CustodyError::NoRandomness)?;
        let text = match wrap {
            None => armor::write(OPEN, HEADING, &*octets)?,
            Some((passphrase, work)) => wrapped(passphrase, work, &*octets)?,
        };
        let key = Self::from_octets(&octets)?;
        file::create(path, text.as_bytes())?;
        Ok(key)
    }

    /// Opens the file. A passphrase is needed only where it is wrapped.
    ///
    /// # Errors
    ///
    /// [`CustodyError::NeedsPassphrase`], [`CustodyError::WrongPassphrase`];
    /// [`CustodyError::Exposed`] where the key lies open in a file that others
    /// may read or write; [`CustodyError::Damaged`].
    pub fn open(path: &Path, passphrase: Option<&Passphrase>) -> Result<Self, CustodyError> {
        let found = armor::read(path, EXPECTED, &[OPEN, WRAPPED])?;
        let octets = if found.label == WRAPPED {
            let passphrase = passphrase.ok_or_else(|| CustodyError::NeedsPassphrase { path: path.to_owned() })?;
            &wrap::decrypt(Cipher::Gcm, passphrase, &found.octets).map_err(|why| match why {
                Closed::Form => found.damaged("its block is not that of a wrapped site key"),
                Closed::Cost(what) => CustodyError::TooCostly { path: path.to_owned(), what },
                Closed::Passphrase => found.closed(),
            })?
        } else {
            if let Some(mode) = file::open_to_others(path) {
                return Err(CustodyError::Exposed { path: path.to_owned(), mode });
            }
            &found.octets
        };
        let octets = <&[u8; 32]>::try_from(octets.as_slice());
        Self::from_octets(octets.map_err(|_| found.damaged("it does not have 32 bytes"))?)
    }

    /// Whether the file is wrapped by a passphrase.
    ///
    /// # Errors
    ///
    /// As [`Self::open`], but for the passphrase.
    pub fn is_wrapped(path: &Path) -> Result<bool, CustodyError> {
        Ok(armor::read(path, EXPECTED, &[OPEN, WRAPPED])?.label == WRAPPED)
    }

    /// The text of a file that holds the key of the unwrapped file at `path` wrapped under a passphrase, for a copy
    /// that leaves the machine; the file itself stays as it is.
    ///
    /// # Errors
    ///
    /// As [`Self::open`]; [`CustodyError::NotOne`] where the file is wrapped already.
    pub fn wrapped_copy(
        path: &Path,
        passphrase: &Passphrase,
        work: WorkFactor,
    ) -> Result<Zeroizing<String>, CustodyError> {
        let found = armor::read(path, EXPECTED, &[OPEN])?;
        let octets = <&[u8; 32]>::try_from(found.octets.as_slice());
        wrapped(passphrase, work, octets.map_err(|_| found.damaged("it does not have 32 bytes"))?)
    }

    /// Eight hex digits that tell this key from another, and nothing of the key.
    pub fn id(&self) -> String {
        hex::encode(self.id)
    }

    /// Seals `secret`, bound to `belongs_to` (the unit and the field, say),
    /// which is not stored in it: it opens only with the same words again.
    ///
    /// Two seals of one secret differ.
    ///
    /// # Errors
    ///
    /// [`CustodyError::NoRandomness`].
    pub fn seal(&self, belongs_to: &[u8], secret: &[u8]) -> Result<Vec<u8>, CustodyError> {
        let mut body = Zeroizing::new(secret.to_vec());
        let mut tag = Vec::with_capacity(TAG_LEN);
        let (nonce, made) = self
            .key
            .seal_in_place_separate_tag(Aad::from(belongs_to), &mut body)
            .map_err(|_| CustodyError::NoRandomness)?;
        tag.extend_from_slice(made.as_ref());
        Ok([&[VERSION][..], &self.id, nonce.as_ref(), &body, &tag].concat())
    }

    /// Opens what [`Self::seal`] made for `belongs_to`.
    ///
    /// # Errors
    ///
    /// [`UnsealError`] tells another site's key from an altered secret.
    pub fn unseal(&self, belongs_to: &[u8], sealed: &[u8]) -> Result<Zeroizing<Vec<u8>>, UnsealError> {
        if sealed.len() < HEAD_LEN + TAG_LEN || sealed[0] != VERSION {
            return Err(UnsealError::Form);
        }
        let (head, body) = sealed.split_at(HEAD_LEN);
        let (id, nonce) = head[1..].split_at(self.id.len());
        if id != self.id {
            return Err(UnsealError::OtherKey { found: hex::encode(id), ours: self.id() });
        }
        let nonce = Nonce::try_assume_unique_for_key(nonce).map_err(|_| UnsealError::Form)?;
        let mut body = Zeroizing::new(body.to_vec());
        let length =
            self.key.open_in_place(nonce, Aad::from(belongs_to), &mut body).map_err(|_| UnsealError::Altered)?.len();
        body[length..].zeroize();
        body.truncate(length);
        Ok(body)
    }

    /// A secret of 32 octets that belongs to `belongs_to` (the unit and the field, say): always the
    /// same one from this key, and of no use to anybody for finding another.
    pub fn derive(&self, belongs_to: &[u8]) -> Zeroizing<[u8; 32]> {
        let tag = hmac::sign(&self.derive, belongs_to);
        let mut out = Zeroizing::new([0; 32]);
        out.copy_from_slice(tag.as_ref()); // HMAC-SHA256 gives 32 octets.
        out
    }

    fn from_octets(octets: &[u8; 32]) -> Result<Self, CustodyError> {
        let library = CustodyError::Library { doing: "deriving from the site key" };
        let draw = |info: &[u8], out: &mut [u8]| {
            let length = out.len();
            Salt::none(HKDF_SHA256).extract(octets).expand(&[info], Octets(length)).and_then(|okm| okm.fill(out))
        };
        let mut id = [0; 4];
        let mut seal = Zeroizing::new([0; 32]);
        let mut derive = Zeroizing::new([0; 32]);
        let drawn = draw(b"touchmark site key id 1", &mut id)
            .and_then(|()| draw(b"touchmark seal 1", &mut *seal))
            .and_then(|()| draw(b"touchmark derive 1", &mut *derive));
        match drawn.and_then(|()| RandomizedNonceKey::new(&AES_256_GCM_SIV, &*seal)) {
            Ok(key) => Ok(Self { id, key, derive: hmac::Key::new(hmac::HMAC_SHA256, &*derive) }),
            Err(_) => Err(library),
        }
    }
}

fn wrapped(passphrase: &Passphrase, work: WorkFactor, octets: &[u8]) -> Result<Zeroizing<String>, CustodyError> {
    armor::write(WRAPPED, HEADING, &wrap::encrypt(Cipher::Gcm, passphrase, work, octets)?)
}

impl fmt::Debug for SiteKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SiteKey({})", self.id())
    }
}

/// A length, as the library wants it told.
struct Octets(usize);

impl KeyType for Octets {
    fn len(&self) -> usize {
        self.0
    }
}
