//! Passcode verifiers: one derived or checked by hand, or those of a whole batch.

use std::sync::atomic::{AtomicUsize, Ordering};

use base::advice::{Advise, Kind};
use base::finding_view::FindingView;
use base::randomness;
use base64ct::{Base64, Encoding};
use rayon::prelude::*;
use serde::Serialize;
use standard::onboarding::draw::DrawError;
use standard::onboarding::{Passcode, ValueError};
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt, VERIFIER_OCTETS, VerifierError, check as judge};
use standard::verdict::{Rule, Verdict};
use zeroize::Zeroizing;

/// Why there is no verifier.
#[derive(Debug, thiserror::Error)]
pub enum VerifierActError {
    /// A passcode that no device may have.
    #[error("{0} (rule code.passcode)")]
    Passcode(ValueError),
    /// A salt, iteration count or verifier that no device may have.
    #[error("{0} (rule {name})", name = .0.rule().name)]
    Verifier(#[from] VerifierError),
    /// Text that is not hex.
    #[error("the {what} is not hex: {source}")]
    Hex {
        /// `salt` or `verifier`.
        what: &'static str,
        /// What is wrong with it.
        source: hex::FromHexError,
    },
    /// No random salt.
    #[error(transparent)]
    Randomness(#[from] DrawError),
}

impl VerifierActError {
    /// The rule that was broken, where it was one.
    pub fn rule(&self) -> Option<&'static Rule> {
        match self {
            Self::Passcode(error) => Some(error.rule()),
            Self::Verifier(error) => Some(error.rule()),
            Self::Hex { .. } | Self::Randomness(_) => None,
        }
    }
}

impl Advise for VerifierActError {
    fn kind(&self) -> Kind {
        if matches!(self, Self::Randomness(_)) { Kind::Surroundings } else { Kind::Usage }
    }

    fn advice(&self) -> Option<String> {
        let advice = match self {
            Self::Passcode(_) => {
                "Give a passcode of 1 to 99999998 that is not one digit eight times over, 12345678 or 87654321."
            }
            Self::Verifier(VerifierError::Iterations(_)) => "Give a count of 1000 to 100000.",
            Self::Verifier(VerifierError::SaltSize(_)) => "Give 16 to 32 random bytes, as 32 to 64 hex digits.",
            Self::Verifier(VerifierError::NoPoint) => "Give another salt.",
            Self::Verifier(_) => "Give w0 and L, 97 bytes, as 194 hex digits.",
            Self::Hex { .. } => "Give two hex digits per byte, without spaces.",
            Self::Randomness(_) => "Check the operating system's random source.",
        };
        Some(advice.to_owned())
    }
}

/// A verifier as it was derived.
#[derive(Serialize)]
pub struct DerivedVerifier {
    /// w0 in hex.
    pub w0: String,
    pub l: String,
    /// w0, then L, in hex.
    pub verifier: String,
    /// The same in base 64.
    pub verifier_base64: String,
    /// The salt in hex.
    pub salt: String,
    pub iterations: u32,
}

/// Derives a verifier from what a person types; without a salt, one is drawn.
///
/// # Errors
///
/// [`VerifierActError`].
pub fn derive(passcode: &str, salt: Option<&str>, iterations: &str) -> Result<DerivedVerifier, VerifierActError> {
    let passcode: Passcode = passcode.parse().map_err(VerifierActError::Passcode)?;
    let salt = match salt {
        Some(typed) => Salt::new(&from_hex("salt", typed)?)?,
        None => fresh_salt()?,
    };
    let iterations: Iterations = iterations.parse()?;
    let verifier = PasscodeVerifier::derive(&passcode, &salt, iterations)?;
    let octets = verifier.octets();
    Ok(DerivedVerifier {
        w0: hex::encode(verifier.w0()),
        l: hex::encode(verifier.l().point()),
        verifier: hex::encode(octets.as_slice()),
        verifier_base64: Base64::encode_string(&*octets),
        salt: hex::encode(salt.octets()),
        iterations: iterations.get(),
    })
}

/// The verdict on a verifier.
#[derive(Serialize)]
pub struct CheckedVerifier {
    /// `accepted` or `rejected`.
    pub verdict: &'static str,
    pub findings: Vec<FindingView>,
}

/// Checks a verifier, in hex or base 64, against what it is said to come from.
///
/// # Errors
///
/// [`VerifierActError`] for what can't be read at all; a value that breaks a
/// rule is a finding.
pub fn check(
    passcode: &str,
    salt: &str,
    iterations: &str,
    verifier: &str,
) -> Result<CheckedVerifier, VerifierActError> {
    // Digits beyond 32 bits are out of every bound, as the largest number is.
    let number = |text: &str| -> Option<u32> {
        let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| text.parse().unwrap_or(u32::MAX))
    };
    let passcode = Zeroizing::new(number(passcode).ok_or(VerifierActError::Passcode(ValueError::PasscodeText))?);
    let iterations = number(iterations).ok_or_else(|| {
        let shown = format!("{:?}", iterations.chars().take(20).collect::<String>());
        VerifierError::Iterations(shown)
    })?;
    let salt = from_hex("salt", salt)?;
    let octets = read_verifier(verifier)?;
    let findings = judge(*passcode, &salt, iterations, &octets);
    Ok(CheckedVerifier {
        verdict: Verdict::on(&findings).word(),
        findings: findings.iter().map(|finding| FindingView::of("verifier", finding)).collect(),
    })
}

/// A random salt of 32 octets.
///
/// # Errors
///
/// [`DrawError`].
pub fn fresh_salt() -> Result<Salt, VerifierActError> {
    let mut octets = [0; Salt::MAX];
    randomness::system(&mut octets)?;
    Ok(Salt::new(&octets)?)
}

/// A verifier's octets, from hex or base 64.
pub(crate) fn read_verifier(typed: &str) -> Result<Zeroizing<Vec<u8>>, VerifierActError> {
    if typed.len() == VERIFIER_OCTETS.div_ceil(3) * 4
        && let Ok(octets) = Base64::decode_vec(typed)
        && octets.len() == VERIFIER_OCTETS
    {
        return Ok(Zeroizing::new(octets));
    }
    from_hex("verifier", typed).map(Zeroizing::new)
}

pub(crate) fn from_hex(what: &'static str, typed: &str) -> Result<Vec<u8>, VerifierActError> {
    hex::decode(typed).map_err(|source| VerifierActError::Hex { what, source })
}

/// What one unit of a batch is derived from.
#[derive(Debug, Clone)]
pub struct Derivation {
    pub passcode: Passcode,
    pub salt: Salt,
    pub iterations: Iterations,
}

/// Derives the verifiers of a batch on all cores, in the order of `batch`.
///
/// `progress` is told how many are done, after each, from whichever thread
/// did it; the numbers may come out of order.
///
/// # Errors
///
/// [`VerifierError`], the first one met; the rest is given up.
pub fn derive_all(
    batch: &[Derivation],
    progress: impl Fn(usize) + Sync,
) -> Result<Vec<PasscodeVerifier>, VerifierError> {
    let done = AtomicUsize::new(0);
    batch
        .par_iter()
        // Each takes milliseconds: no need to hand them out in groups.
        .with_max_len(1)
        .map(|unit| {
            let verifier = PasscodeVerifier::derive(&unit.passcode, &unit.salt, unit.iterations);
            progress(done.fetch_add(1, Ordering::Relaxed) + 1);
            verifier
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use super::*;

    #[test]
    fn a_batch_keeps_its_order_and_tells_its_progress() {
        let batch: Vec<Derivation> = (1..=20)
            .map(|n| Derivation {
                passcode: Passcode::new(n).unwrap(),
                salt: Salt::new(&[n as u8; 16]).unwrap(),
                iterations: Iterations::new(1000).unwrap(),
            })
            .collect();
        let told = Mutex::new(Vec::new());
        let verifiers = derive_all(&batch, |done| told.lock().unwrap().push(done)).unwrap();
        for (unit, verifier) in batch.iter().zip(&verifiers) {
            let alone = PasscodeVerifier::derive(&unit.passcode, &unit.salt, unit.iterations);
            assert_eq!(Ok(verifier.clone()), alone);
        }
        let mut told = told.into_inner().unwrap();
        told.sort_unstable();
        assert_eq!(told, (1..=20).collect::<Vec<_>>());
    }

    #[test]
    fn salts_are_fresh() {
        let (a, b) = (fresh_salt().unwrap(), fresh_salt().unwrap());
        assert_eq!(a.octets().len(), 32);
        assert_ne!(a, b);
    }

    #[test]
    fn a_verifier_is_read_in_both_forms() {
        let derived = derive("20202021", None, "1000").unwrap();
        for form in [&derived.verifier, &derived.verifier_base64] {
            let checked = check("20202021", &derived.salt, "1000", form).unwrap();
            assert_eq!(checked.verdict, "accepted");
        }
        let checked = check("20202021", &derived.salt, "99999999999", &derived.verifier).unwrap();
        assert_eq!(checked.findings[0].rule, "verifier.iterations");
    }
}
