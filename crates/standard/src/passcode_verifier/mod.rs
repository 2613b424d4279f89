//! Passcode verifiers: what a device keeps so that it can prove a passcode
//! without holding it.
//!
//! Covers Core Spec 3.9 and 3.10 (RFC 8018 and SP 800-132 for the derivation,
//! RFC 9383 for w0 and L). Start at [`PasscodeVerifier::derive`] to make one
//! and at [`check`] to judge one; [`Salt`] and [`Iterations`] are within the
//! standard's bounds by construction. Drawing a salt and deriving for a whole
//! batch live in works.

mod stretch;
#[cfg(test)]
mod tests;

use std::fmt;
use std::num::NonZeroU32;
use std::str::FromStr;

use aws_lc_rs::agreement;
use aws_lc_rs::constant_time::verify_slices_are_equal;
use crypto_bigint::{NonZero, U256, U320};
use zeroize::{Zeroize, Zeroizing};

use crate::key::{PointError, PublicKey};
use crate::onboarding::Passcode;
use crate::verdict::catalogue::{code, verifier};
use crate::verdict::{Finding, Rule};

pub use stretch::processor_has_sha256;

/// Octets of a verifier: w0, then L.
pub const VERIFIER_OCTETS: usize = W0_OCTETS + 65;
const W0_OCTETS: usize = 32;

/// Octets of w0s and w1s each: eight more than the curve's order has, so that
/// their remainders are even enough (Core Spec 3.10, `CRYPTO_W_SIZE_BYTES`).
const WS_OCTETS: usize = stretch::OUT / 2;

/// The order of P-256 (SP 800-186 §3.2.1.3).
const ORDER: NonZero<U256> =
    NonZero::<U256>::from_be_hex("ffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632551");

/// Random octets, one salt a device: 16 to 32.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Salt(Vec<u8>);

/// How often the derivation hashes: 1000 to 100000.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Iterations(NonZeroU32);

/// What a device keeps: w0 and L.
///
/// Whoever has it can try all passcodes in a day, so it is wiped when dropped
/// and not shown by `Debug`.
#[derive(Clone, PartialEq, Eq)]
pub struct PasscodeVerifier {
    w0: [u8; W0_OCTETS],
    l: PublicKey,
}

/// What whoever knows the passcode has in place of L: w0 and w1, wiped when dropped.
pub struct PasscodeSecret {
    w0: Zeroizing<[u8; W0_OCTETS]>,
    w1: Zeroizing<[u8; W0_OCTETS]>,
}

/// Why there is no verifier.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum VerifierError {
    /// Outside the bounds, or no number.
    #[error("iteration count {0} is not a number of {min} to {max}", min = Iterations::MIN, max = Iterations::MAX)]
    Iterations(String),
    /// Too short or too long.
    #[error("the salt has {0} byte{s}; it needs {min} to {max}", s = if *.0 == 1 { "" } else { "s" }, min = Salt::MIN, max = Salt::MAX)]
    SaltSize(usize),
    /// No w0 and L.
    #[error("the verifier has {0} byte{s}; it needs 97: w0 of 32, then L of 65", s = if *.0 == 1 { "" } else { "s" })]
    Size(usize),
    /// L is not a point on the curve.
    #[error("L is not a point: {0}")]
    Point(PointError),
    /// The passcode's w1 is a multiple of the order, which no salt is ever seen to give.
    #[error("these values give no point")]
    NoPoint,
}

impl VerifierError {
    /// The rule that was broken.
    pub fn rule(&self) -> &'static Rule {
        match self {
            Self::Iterations(_) => verifier::ITERATIONS,
            Self::SaltSize(_) => verifier::SALT,
            Self::Size(_) | Self::Point(_) | Self::NoPoint => verifier::POINT,
        }
    }

    fn finding(&self) -> Finding {
        Finding::new(self.rule(), self.to_string())
    }
}

impl Salt {
    /// The fewest octets.
    pub const MIN: usize = 16;
    /// The most octets.
    pub const MAX: usize = 32;

    /// Takes a salt of 16 to 32 octets.
    ///
    /// # Errors
    ///
    /// [`VerifierError::SaltSize`] for any other size.
    pub fn new(octets: &[u8]) -> Result<Self, VerifierError> {
        let fits = (Self::MIN..=Self::MAX).contains(&octets.len());
        if fits { Ok(Self(octets.to_vec())) } else { Err(VerifierError::SaltSize(octets.len())) }
    }

    /// The octets.
    pub fn octets(&self) -> &[u8] {
        &self.0
    }
}

impl Iterations {
    /// The fewest.
    pub const MIN: u32 = 1_000;
    /// The most.
    pub const MAX: u32 = 100_000;

    /// Takes a count of 1000 to 100000.
    ///
    /// # Errors
    ///
    /// [`VerifierError::Iterations`] for any other.
    pub fn new(count: u32) -> Result<Self, VerifierError> {
        NonZeroU32::new(count)
            .filter(|count| (Self::MIN..=Self::MAX).contains(&count.get()))
            .map(Self)
            .ok_or_else(|| VerifierError::Iterations(count.to_string()))
    }

    /// The number.
    pub fn get(self) -> u32 {
        self.0.get()
    }
}

impl FromStr for Iterations {
    type Err = VerifierError;
    fn from_str(text: &str) -> Result<Self, VerifierError> {
        let refused = || VerifierError::Iterations(format!("{:?}", text.chars().take(20).collect::<String>()));
        if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
            return Err(refused());
        }
        Self::new(text.parse().map_err(|_| refused())?)
    }
}

impl PasscodeSecret {
    /// Derives w0 and w1: two halves of a PBKDF2-HMAC-SHA256 output, reduced by the order of P-256.
    pub fn derive(passcode: &Passcode, salt: &Salt, iterations: Iterations) -> Self {
        let stretched = stretch::stretch(&*passcode.password(), &salt.0, iterations.0);
        let (w0s, w1s) = stretched.split_at(WS_OCTETS);
        Self { w0: reduce(w0s), w1: reduce(w1s) }
    }

    /// w0, 32 octets big-endian.
    pub fn w0(&self) -> &[u8; W0_OCTETS] {
        &self.w0
    }

    /// w1, likewise.
    pub fn w1(&self) -> &[u8; W0_OCTETS] {
        &self.w1
    }
}

impl fmt::Debug for PasscodeSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("PasscodeSecret(hidden)")
    }
}

impl PasscodeVerifier {
    /// Derives w0 and L, which is w1 times the base point.
    ///
    /// # Errors
    ///
    /// [`VerifierError::NoPoint`], with a chance of 2^-256.
    pub fn derive(passcode: &Passcode, salt: &Salt, iterations: Iterations) -> Result<Self, VerifierError> {
        let secret = PasscodeSecret::derive(passcode, salt, iterations);
        Ok(Self { w0: *secret.w0, l: times_base_point(&secret.w1).ok_or(VerifierError::NoPoint)? })
    }

    /// Takes a verifier's 97 octets, with L checked to be on the curve.
    ///
    /// # Errors
    ///
    /// [`VerifierError::Size`] and [`VerifierError::Point`].
    pub fn from_octets(octets: &[u8]) -> Result<Self, VerifierError> {
        if octets.len() != VERIFIER_OCTETS {
            return Err(VerifierError::Size(octets.len()));
        }
        let (w0, l) = octets.split_at(W0_OCTETS);
        let w0 = w0.try_into().map_err(|_| VerifierError::Size(octets.len()))?;
        Ok(Self { w0, l: PublicKey::from_point(l).map_err(VerifierError::Point)? })
    }

    /// w0, 32 octets big-endian.
    pub fn w0(&self) -> &[u8; W0_OCTETS] {
        &self.w0
    }

    /// L, an uncompressed point.
    pub fn l(&self) -> &PublicKey {
        &self.l
    }

    /// w0, then L: 97 octets.
    pub fn octets(&self) -> Zeroizing<[u8; VERIFIER_OCTETS]> {
        let mut octets = Zeroizing::new([0; VERIFIER_OCTETS]);
        octets[..W0_OCTETS].copy_from_slice(&self.w0);
        octets[W0_OCTETS..].copy_from_slice(self.l.point());
        octets
    }
}

impl Drop for PasscodeVerifier {
    fn drop(&mut self) {
        self.w0.zeroize();
    }
}

impl fmt::Debug for PasscodeVerifier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("PasscodeVerifier(hidden)")
    }
}

/// Judges a verifier against the values that it is said to come from.
///
/// Nothing is derived from values outside the standard's bounds: the time it
/// would take has none either. A part of the verifier that is well formed is
/// compared even where the other is not.
pub fn check(passcode: u32, salt: &[u8], iterations: u32, octets: &[u8]) -> Vec<Finding> {
    let mut findings = Vec::new();
    let passcode = Passcode::new(passcode).map_err(|e| findings.push(Finding::new(code::PASSCODE, e.to_string())));
    let iterations = Iterations::new(iterations).map_err(|e| findings.push(e.finding()));
    let salt = Salt::new(salt).map_err(|e| findings.push(e.finding()));
    let given = PasscodeVerifier::from_octets(octets).map_err(|e| findings.push(e.finding()));
    let (Ok(passcode), Ok(iterations), Ok(salt)) = (passcode, iterations, salt) else { return findings };
    if octets.len() != VERIFIER_OCTETS {
        return findings;
    }
    match PasscodeVerifier::derive(&passcode, &salt, iterations) {
        Ok(derived) => {
            let same_w0 = verify_slices_are_equal(&derived.w0, &octets[..W0_OCTETS]).is_ok();
            let same_l = given.is_err() || given.is_ok_and(|given| given.l == derived.l);
            let differs = match (same_w0, same_l) {
                (true, true) => return findings,
                (false, true) => "w0 differs",
                (true, false) => "L differs",
                (false, false) => "w0 and L differ",
            };
            findings.push(Finding::new(verifier::MISMATCH, differs));
        }
        Err(error) => findings.push(error.finding()),
    }
    findings
}

/// The remainder of a big-endian number of [`WS_OCTETS`] by the order, in constant time.
pub(crate) fn reduce(octets: &[u8]) -> Zeroizing<[u8; W0_OCTETS]> {
    let number = Zeroizing::new(U320::from_be_slice(octets));
    let remainder = Zeroizing::new(number.rem(&ORDER));
    Zeroizing::new(remainder.to_be_bytes().into())
}

/// `scalar` times the base point; `None` for 0 or from the order on.
fn times_base_point(scalar: &[u8; W0_OCTETS]) -> Option<PublicKey> {
    let private = agreement::PrivateKey::from_private_key(&agreement::ECDH_P256, scalar).ok()?;
    PublicKey::from_point(private.compute_public_key().ok()?.as_ref()).ok()
}
