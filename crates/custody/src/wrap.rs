//! Encryption under a passphrase: PBES2 with scrypt (RFC 8018 6.2, RFC 7914 §7).
//!
//! The structure is PKCS #8's `EncryptedPrivateKeyInfo`: an algorithm
//! identifier that carries salt, cost and nonce, then the ciphertext. A signing
//! key is encrypted by AES-256-CBC, because that is what other tools read; the
//! site key, which only we read, by AES-256-GCM. (The library writes GCM's nonce
//! as a bare octet string where RFC 5084 §3.2 has a sequence; the tag is 16 octets.)

use aws_lc_rs::rand::{SecureRandom, SystemRandom};
use pkcs8::der::{Decode, Encode};
use pkcs8::pkcs5::EncryptionScheme;
use pkcs8::pkcs5::pbes2::{Kdf, Parameters};
use pkcs8::pkcs5::scrypt;
use pkcs8::{EncryptedPrivateKeyInfoOwned, der::asn1::OctetString};
use zeroize::{Zeroize, Zeroizing};

use crate::{CustodyError, Passphrase};

/// How costly one try of a passphrase is: scrypt's N = 2^`log_n`, r, p
/// (RFC 7914 §2). Memory is 128 · r · N octets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WorkFactor {
    log_n: u8,
    r: u32,
    p: u32,
}

impl WorkFactor {
    /// N = 2^14, r = 8, p = 5: one of the OWASP Password Storage Cheat Sheet's
    /// equal choices for scrypt, and the costliest of them whose 16 MiB stay
    /// under the 32 MiB that OpenSSL allows itself when it opens the file.
    pub const PRODUCTION: Self = Self { log_n: 14, r: 8, p: 5 };
    /// Worth nothing against guessing; for tests and throw-away rehearsals.
    pub const WORTHLESS: Self = Self { log_n: 4, r: 8, p: 1 };

    /// Another cost.
    ///
    /// # Errors
    ///
    /// [`CustodyError::WorkFactor`] where scrypt does not take it, or a file
    /// made with it would not be opened here.
    pub fn new(log_n: u8, r: u32, p: u32) -> Result<Self, CustodyError> {
        let refused = CustodyError::WorkFactor { log_n, r, p };
        if log_n == 0 || u32::from(log_n) > MOST_LOG_N || !(1..=MOST_R).contains(&r) || !(1..=MOST_P).contains(&p) {
            return Err(refused);
        }
        scrypt::Params::new(log_n, r, p).map_err(|_| refused)?;
        Ok(Self { log_n, r, p })
    }

    fn params(self) -> Result<scrypt::Params, CustodyError> {
        let Self { log_n, r, p } = self;
        scrypt::Params::new(log_n, r, p).map_err(|_| CustodyError::WorkFactor { log_n, r, p })
    }
}

// Bounds on what a file may ask of this machine: 1 GiB and some minutes.
const MOST_LOG_N: u32 = 20;
const MOST_R: u32 = 8;
const MOST_P: u32 = 32;
const MOST_ITERATIONS: u32 = 10_000_000;

/// The cipher inside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Cipher {
    /// AES-256-CBC, which other tools read.
    Cbc,
    /// AES-256-GCM, which notices any change.
    Gcm,
}

/// Why octets did not open.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Closed {
    /// Not the structure, or an algorithm that is not taken.
    Form,
    /// A cost past the bounds.
    Cost(String),
    /// The passphrase does not fit, or the octets were changed.
    Passphrase,
}

/// Encrypts; returns DER.
pub(crate) fn encrypt(
    cipher: Cipher,
    passphrase: &Passphrase,
    work: WorkFactor,
    plain: &[u8],
) -> Result<Vec<u8>, CustodyError> {
    let library = || CustodyError::Library { doing: "encrypting under a passphrase" };
    let random = SystemRandom::new();
    // A fresh salt for every file, so the key under a nonce is never used twice.
    let (mut salt, mut iv, mut nonce) = ([0; 16], [0; 16], [0; 12]);
    for part in [&mut salt[..], &mut iv[..], &mut nonce[..]] {
        random.fill(part).map_err(|_| CustodyError::NoRandomness)?;
    }
    let parameters = match cipher {
        Cipher::Cbc => Parameters::generate_scrypt_aes256cbc(work.params()?, &salt, iv),
        Cipher::Gcm => Parameters::scrypt_aes256gcm(work.params()?, &salt, nonce),
    }
    .map_err(|_| library())?;
    let data = parameters.encrypt(passphrase.octets(), plain).map_err(|_| library())?;
    EncryptedPrivateKeyInfoOwned {
        encryption_algorithm: EncryptionScheme::from(parameters),
        encrypted_data: OctetString::new(data).map_err(|_| library())?,
    }
    .to_der()
    .map_err(|_| library())
}

/// Decrypts DER made by [`encrypt`] or, for a signing key, by another tool.
pub(crate) fn decrypt(cipher: Cipher, passphrase: &Passphrase, der: &[u8]) -> Result<Zeroizing<Vec<u8>>, Closed> {
    let info = EncryptedPrivateKeyInfoOwned::from_der(der).map_err(|_| Closed::Form)?;
    let EncryptionScheme::Pbes2(parameters) = &info.encryption_algorithm else { return Err(Closed::Form) };
    let authenticated = matches!(
        parameters.encryption,
        pkcs8::pkcs5::pbes2::EncryptionScheme::Aes256Gcm { .. }
            | pkcs8::pkcs5::pbes2::EncryptionScheme::Aes128Gcm { .. }
    );
    if authenticated != (cipher == Cipher::Gcm) {
        return Err(Closed::Form);
    }
    bound(&parameters.kdf)?;
    let mut buffer = Zeroizing::new(info.encrypted_data.as_bytes().to_vec());
    let length = match parameters.decrypt_in_place(passphrase.octets(), &mut buffer) {
        Ok(plain) => plain.len(),
        Err(_) => return Err(Closed::Passphrase),
    };
    buffer[length..].zeroize();
    buffer.truncate(length);
    Ok(buffer)
}

/// Refuses a derivation that costs more than any we make, before it starts.
fn bound(kdf: &Kdf) -> Result<(), Closed> {
    let (allowed, what) = match kdf {
        Kdf::Scrypt(p) => (
            p.cost_parameter.is_power_of_two()
                && p.cost_parameter > 1
                && u64::from(p.cost_parameter.ilog2()) <= u64::from(MOST_LOG_N)
                && (1..=MOST_R).contains(&u32::from(p.block_size))
                && (1..=MOST_P).contains(&u32::from(p.parallelization)),
            format!("scrypt N = {}, r = {}, p = {}", p.cost_parameter, p.block_size, p.parallelization),
        ),
        Kdf::Pbkdf2(p) => (p.iteration_count <= MOST_ITERATIONS, format!("PBKDF2 of {} rounds", p.iteration_count)),
        _ => return Err(Closed::Form),
    };
    if allowed { Ok(()) } else { Err(Closed::Cost(what)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ciphers_open_what_they_closed() {
        let right = Passphrase::new("right".to_owned()).unwrap();
        let wrong = Passphrase::new("wrong".to_owned()).unwrap();
        for cipher in [Cipher::Cbc, Cipher::Gcm] {
            let der = encrypt(cipher, &right, WorkFactor::WORTHLESS, b"thirty-two octets of a site key!").unwrap();
            let opened = decrypt(cipher, &right, &der).unwrap();
            assert_eq!(opened.as_slice(), b"thirty-two octets of a site key!", "{cipher:?}");
            if cipher == Cipher::Gcm {
                assert_eq!(decrypt(cipher, &wrong, &der), Err(Closed::Passphrase));
            }
            let other = if cipher == Cipher::Cbc { Cipher::Gcm } else { Cipher::Cbc };
            assert_eq!(decrypt(other, &right, &der), Err(Closed::Form), "{cipher:?}");
        }
    }

    #[test]
    fn costs_are_bounded_both_ways() {
        for (log_n, r, p, taken) in [
            (14, 8, 5, true),
            (20, 8, 32, true),
            (21, 8, 1, false),
            (0, 8, 1, false),
            (14, 9, 1, false),
            (14, 8, 0, false),
            (14, 8, 33, false),
        ] {
            assert_eq!(WorkFactor::new(log_n, r, p).is_ok(), taken, "{log_n} {r} {p}");
        }
        // N = 2^24 asks for 16 GiB: refused before anything is allocated.
        let params = scrypt::Params::new(24, 8, 1).unwrap();
        let greedy = Parameters::generate_scrypt_aes256cbc(params, &[1; 16], [2; 16]).unwrap();
        let der = EncryptedPrivateKeyInfoOwned {
            encryption_algorithm: greedy.into(),
            encrypted_data: OctetString::new(vec![0; 32]).unwrap(),
        }
        .to_der()
        .unwrap();
        let any = Passphrase::new("any".to_owned()).unwrap();
        assert!(matches!(decrypt(Cipher::Cbc, &any, &der), Err(Closed::Cost(_))));
    }
}
