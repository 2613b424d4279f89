//! The group operations of RFC 9383 §3.3 on P-256, by the crate `p256`.

use std::sync::LazyLock;

use aws_lc_rs::constant_time::verify_slices_are_equal;
use p256::elliptic_curve::PrimeField;
use p256::elliptic_curve::sec1::ToSec1Point;
use p256::{ProjectivePoint, Scalar};
use zeroize::Zeroizing;

use super::schedule::{Schedule, SessionKeys, Transcript};
use super::{CONFIRMATION, PaseError, RANDOMNESS, SHARE};
use crate::key::PublicKey;
use crate::passcode_verifier::{PasscodeSecret, PasscodeVerifier, reduce};

/// M and N of P-256, compressed (RFC 9383 §4).
const M: &str = "02886e2f97ace46e55ba9dd7242579f2993b64e16ef3dcab95afd497333d8fa12f";
const N: &str = "03d8bbd6c639c62937b04d997f38c3770719c629d7014d49a24b4f98baa1292b49";

/// Both as points, and as octets uncompressed.
pub(super) struct Constants {
    pub m: [u8; SHARE],
    pub n: [u8; SHARE],
    m_point: ProjectivePoint,
    n_point: ProjectivePoint,
}

pub(super) static CONSTANTS: LazyLock<Constants> = LazyLock::new(|| {
    let point = |text: &str| {
        let octets = hex::decode(text).unwrap_or_default();
        // Both are written above, and a test holds them against the RFC's.
        p256::PublicKey::from_sec1_bytes(&octets).map_or(ProjectivePoint::IDENTITY, |key| key.to_projective())
    };
    let (m_point, n_point) = (point(M), point(N));
    let octets = |point: &ProjectivePoint| encoded(point).unwrap_or([0; SHARE]);
    Constants { m: octets(&m_point), n: octets(&n_point), m_point, n_point }
});

/// A point's uncompressed form; `None` at infinity.
fn encoded(point: &ProjectivePoint) -> Option<[u8; SHARE]> {
    let key = p256::PublicKey::from_affine(point.to_affine()).ok()?;
    key.to_sec1_point(false).as_bytes().try_into().ok()
}

/// A peer's share: uncompressed, on the curve, not infinity.
fn share(octets: &[u8]) -> Result<ProjectivePoint, PaseError> {
    let checked = PublicKey::from_point(octets).map_err(PaseError::Share)?;
    let key = p256::PublicKey::from_sec1_bytes(checked.point())
        .map_err(|_| PaseError::Share(crate::key::PointError::OffCurve))?;
    Ok(key.to_projective())
}

/// 32 octets below the order as a scalar.
fn scalar(octets: &[u8; 32]) -> Result<Zeroizing<Scalar>, PaseError> {
    Option::from(Scalar::from_repr((*octets).into())).map(Zeroizing::new).ok_or(PaseError::Infinity)
}

/// The home's side.
pub struct Prover {
    w0: Zeroizing<[u8; 32]>,
    w1: Zeroizing<Scalar>,
    x: Zeroizing<Scalar>,
    share: [u8; SHARE],
    context: [u8; 32],
}

impl Prover {
    /// Chooses pA.
    ///
    /// - `context`: of [`super::context`].
    /// - `random`: from a secure source, never used again.
    ///
    /// # Errors
    ///
    /// [`PaseError::Infinity`], with a chance of 2^-256.
    pub fn new(secret: &PasscodeSecret, random: &[u8; RANDOMNESS], context: [u8; 32]) -> Result<Self, PaseError> {
        Self::with(secret.w0(), secret.w1(), &reduce(random), context)
    }

    pub(super) fn with(w0: &[u8; 32], w1: &[u8; 32], x: &[u8; 32], context: [u8; 32]) -> Result<Self, PaseError> {
        let (w0_scalar, w1, x) = (scalar(w0)?, scalar(w1)?, scalar(x)?);
        let share = encoded(&(ProjectivePoint::GENERATOR * *x + CONSTANTS.m_point * *w0_scalar));
        Ok(Self { w0: Zeroizing::new(*w0), w1, x, share: share.ok_or(PaseError::Infinity)?, context })
    }

    /// pA.
    pub fn share(&self) -> &[u8; SHARE] {
        &self.share
    }

    /// Z and V (RFC 9383 §3.3).
    pub(super) fn shared(&self, pb: &[u8]) -> Result<([u8; SHARE], [u8; SHARE]), PaseError> {
        let y = share(pb)? - CONSTANTS.n_point * *scalar(&self.w0)?;
        let z = encoded(&(y * *self.x)).ok_or(PaseError::Infinity)?;
        let v = encoded(&(y * *self.w1)).ok_or(PaseError::Infinity)?;
        Ok((z, v))
    }

    /// Checks pB and cB, and gives cA and the keys.
    ///
    /// # Errors
    ///
    /// [`PaseError::Share`] and [`PaseError::Infinity`] for a bad pB;
    /// [`PaseError::Confirmation`] where the device has another passcode.
    pub fn confirm(&self, pb: &[u8], cb: &[u8]) -> Result<([u8; CONFIRMATION], SessionKeys), PaseError> {
        let (z, v) = self.shared(pb)?;
        let transcript = Transcript {
            context: &self.context,
            identities: [b"", b""],
            pa: &self.share,
            pb,
            z: &z,
            v: &v,
            w0: &self.w0,
        };
        let schedule = Schedule::of(&transcript);
        verify_slices_are_equal(&schedule.cb, cb).map_err(|_| PaseError::Confirmation)?;
        Ok((schedule.ca, schedule.session_keys()))
    }
}

/// The device's side.
pub struct Verifier {
    share: [u8; SHARE],
    schedule: Schedule,
}

impl Verifier {
    /// Chooses pB, and answers pA.
    ///
    /// - `random`: as for [`Prover::new`].
    ///
    /// # Errors
    ///
    /// [`PaseError::Share`] and [`PaseError::Infinity`] for a bad pA.
    pub fn new(
        stored: &PasscodeVerifier,
        random: &[u8; RANDOMNESS],
        context: [u8; 32],
        pa: &[u8],
    ) -> Result<Self, PaseError> {
        Self::with((stored.w0(), stored.l().point()), &reduce(random), context, pa)
    }

    pub(super) fn with(
        (w0, l): (&[u8; 32], &[u8; SHARE]),
        y: &[u8; 32],
        context: [u8; 32],
        pa: &[u8],
    ) -> Result<Self, PaseError> {
        let (pb, z, v) = Self::shared((w0, l), y, pa)?;
        let transcript = Transcript { context: &context, identities: [b"", b""], pa, pb: &pb, z: &z, v: &v, w0 };
        Ok(Self { share: pb, schedule: Schedule::of(&transcript) })
    }

    /// pB, Z and V (RFC 9383 §3.3).
    #[expect(clippy::type_complexity, reason = "three points of one size, taken apart at once")]
    pub(super) fn shared(
        (w0, l): (&[u8; 32], &[u8; SHARE]),
        y: &[u8; 32],
        pa: &[u8],
    ) -> Result<([u8; SHARE], [u8; SHARE], [u8; SHARE]), PaseError> {
        let (w0, y, l) = (scalar(w0)?, scalar(y)?, share(l)?);
        let pb = encoded(&(ProjectivePoint::GENERATOR * *y + CONSTANTS.n_point * *w0)).ok_or(PaseError::Infinity)?;
        let x = share(pa)? - CONSTANTS.m_point * *w0;
        let z = encoded(&(x * *y)).ok_or(PaseError::Infinity)?;
        let v = encoded(&(l * *y)).ok_or(PaseError::Infinity)?;
        Ok((pb, z, v))
    }

    /// pB.
    pub fn share(&self) -> &[u8; SHARE] {
        &self.share
    }

    /// cB.
    pub fn confirmation(&self) -> &[u8; CONFIRMATION] {
        &self.schedule.cb
    }

    /// Checks cA, and gives the keys.
    ///
    /// # Errors
    ///
    /// [`PaseError::Confirmation`] where the home has another passcode.
    pub fn finish(&self, ca: &[u8]) -> Result<SessionKeys, PaseError> {
        verify_slices_are_equal(&self.schedule.ca, ca).map_err(|_| PaseError::Confirmation)?;
        Ok(self.schedule.session_keys())
    }
}

impl std::fmt::Debug for Prover {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Prover(hidden)")
    }
}

impl std::fmt::Debug for Verifier {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Verifier(hidden)")
    }
}
