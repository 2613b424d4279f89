//! Hashing and drawing of what opens an account.

use argon2::password_hash::phc::PasswordHash;
use argon2::{Algorithm, Argon2, CustomizedPasswordHasher, Params, PasswordVerifier, Version};
use aws_lc_rs::digest::{SHA256, digest as sha};
use base::trouble::Trouble;
use base64ct::{Base64UrlUnpadded, Encoding};
use zeroize::Zeroizing;

use crate::Site;

/// RFC 9106 §4, second recommended option: 64 MiB, 3 passes, 4 lanes.
const MEMORY_KIB: u32 = 65_536;
const PASSES: u32 = 3;
const LANES: u32 = 4;

/// Hashing at a time: each takes 64 MiB.
static TURNS: std::sync::Mutex<()> = std::sync::Mutex::new(());

fn odd(e: impl std::fmt::Display) -> Trouble {
    Trouble::surroundings(format!("a password can't be hashed: {e}"), "Check the memory of this machine.")
}

fn params(length: Option<usize>) -> Result<Params, Trouble> {
    Params::new(MEMORY_KIB, PASSES, LANES, length).map_err(odd)
}

/// A password's hash in PHC text.
pub(super) fn hash_password(password: &str) -> Result<String, Trouble> {
    let mut salt = [0; 16];
    base::randomness::system(&mut salt).map_err(odd)?;
    let _turn = TURNS.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let hash: PasswordHash =
        Argon2::default().hash_password_with_params(password.as_bytes(), &salt, params(None)?).map_err(odd)?;
    Ok(hash.to_string())
}

/// Whether it is the password. Without a stored hash one is made all the same,
/// so that the time taken does not tell who has an account.
pub(super) fn is_password(given: &str, stored: Option<&str>) -> Result<bool, Trouble> {
    let Some(stored) = stored else {
        hash_password(given)?;
        return Ok(false);
    };
    let hash = PasswordHash::new(stored)
        .map_err(|_| Trouble::surroundings("a stored password can't be read", "Run `touchmark book verify`."))?;
    let _turn = TURNS.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    Ok(Argon2::default().verify_password(given.as_bytes(), &hash).is_ok())
}

/// A badge code's digest: the site's id makes the salt, so that the code alone finds the account.
pub(super) fn badge_digest(site: &Site, code: &str) -> Result<[u8; 32], Trouble> {
    let salt = sha(&SHA256, format!("badges of site {}", site.settings.site.id).as_bytes());
    let argon = Argon2::new(Algorithm::Argon2id, Version::V0x13, params(Some(32))?);
    let mut out = [0; 32];
    let _turn = TURNS.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    argon.hash_password_into(code.as_bytes(), salt.as_ref(), &mut out).map_err(odd)?;
    Ok(out)
}

/// 32 random octets as base64url text.
///
/// # Errors
///
/// Where the operating system provides no random numbers.
pub fn draw_token() -> Result<Zeroizing<String>, Trouble> {
    let mut octets = Zeroizing::new([0; 32]);
    base::randomness::system(&mut *octets)
        .map_err(|_| Trouble::surroundings("the operating system provides no random numbers", "Try again."))?;
    Ok(Zeroizing::new(Base64UrlUnpadded::encode_string(&*octets)))
}

/// What the book keeps of a token.
pub fn digest(token: &str) -> [u8; 32] {
    let mut out = [0; 32];
    out.copy_from_slice(sha(&SHA256, token.as_bytes()).as_ref());
    out
}

/// The word that forms of a session carry, so that another site's form is known as such.
pub fn csrf_of(token: &str) -> String {
    hex::encode(&digest(&format!("forms of session {token}"))[..16])
}
