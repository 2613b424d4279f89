//! Onboarding data for a whole batch: drawn, then derived on all cores.

use std::num::NonZeroUsize;

use base::advice::{Advise, Kind};
use base::randomness;
use standard::factory_record::{RecordError, RotatingId};
use standard::onboarding::draw::{Batch, DrawError};
use standard::onboarding::{Discriminator, Passcode};
use standard::passcode_verifier::{Iterations, PasscodeVerifier, VerifierError};

use crate::verifier::{Derivation, VerifierActError, derive_all, fresh_salt};

/// What one unit of a batch gets.
#[derive(Debug, Clone)]
pub struct Onboarding {
    pub discriminator: Discriminator,
    /// Passcode, salt and iteration count.
    pub derivation: Derivation,
    /// The verifier that they give.
    pub verifier: PasscodeVerifier,
    /// What the rotating id is derived from.
    pub rotating_id: RotatingId,
}

/// Why a batch got no onboarding data. None of it was given out.
#[derive(Debug, thiserror::Error)]
pub enum BatchError {
    /// No randomness.
    #[error(transparent)]
    Draw(#[from] DrawError),
    /// No verifier.
    #[error(transparent)]
    Verifier(#[from] VerifierActError),
    /// No rotating id.
    #[error(transparent)]
    Record(#[from] RecordError),
}

impl From<VerifierError> for BatchError {
    fn from(error: VerifierError) -> Self {
        Self::Verifier(error.into())
    }
}

impl Advise for BatchError {
    fn kind(&self) -> Kind {
        Kind::Surroundings
    }

    fn advice(&self) -> Option<String> {
        Some("Check the operating system's random source, then draw the batch again.".into())
    }
}

/// Draws and derives for `count` units, packed `carton` to a carton.
///
/// Passcodes, salts and rotating ids come from the operating system's secure
/// source. No pair of passcode and discriminator comes twice, nor one of
/// `given`; no discriminator comes twice in a carton of at most 4096.
/// `progress` is told how many units are done.
///
/// # Errors
///
/// [`BatchError`].
pub fn draw_batch<'a>(
    count: usize,
    carton: NonZeroUsize,
    iterations: Iterations,
    given: impl IntoIterator<Item = (&'a Passcode, Discriminator)>,
    progress: impl Fn(usize) + Sync,
) -> Result<Vec<Onboarding>, BatchError> {
    let mut batch = Batch::new(randomness::system, carton.get());
    given.into_iter().for_each(|(passcode, discriminator)| batch.avoid(passcode, discriminator));
    let mut discriminators = Vec::with_capacity(count);
    let mut derivations = Vec::with_capacity(count);
    for _ in 0..count {
        let drawn = batch.draw()?;
        discriminators.push(drawn.discriminator);
        derivations.push(Derivation { passcode: drawn.passcode.clone(), salt: fresh_salt()?, iterations });
    }
    let verifiers = derive_all(&derivations, progress)?;
    discriminators
        .into_iter()
        .zip(derivations)
        .zip(verifiers)
        .map(|((discriminator, derivation), verifier)| {
            Ok(Onboarding { discriminator, derivation, verifier, rotating_id: fresh_rotating_id()? })
        })
        .collect()
}

/// A random value of 32 octets for the rotating id.
///
/// # Errors
///
/// [`BatchError::Draw`].
pub fn fresh_rotating_id() -> Result<RotatingId, BatchError> {
    let mut octets = zeroize::Zeroizing::new([0; 32]);
    randomness::system(&mut *octets)?;
    Ok(RotatingId::new(&*octets)?)
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    #[test]
    fn a_batch_is_whole() {
        let iterations = Iterations::new(1000).unwrap();
        let carton = NonZeroUsize::new(8).unwrap();
        let batch = draw_batch(40, carton, iterations, [], |_| ()).unwrap();
        assert_eq!(batch.len(), 40);
        for window in batch.windows(8) {
            let discriminators: HashSet<_> = window.iter().map(|unit| unit.discriminator).collect();
            assert_eq!(discriminators.len(), 8);
        }
        let salts: HashSet<_> = batch.iter().map(|unit| unit.derivation.salt.octets().to_vec()).collect();
        let rotating: HashSet<_> = batch.iter().map(|unit| unit.rotating_id.octets().to_vec()).collect();
        assert_eq!((salts.len(), rotating.len()), (40, 40));
        let unit = &batch[39];
        let derived =
            PasscodeVerifier::derive(&unit.derivation.passcode, &unit.derivation.salt, unit.derivation.iterations);
        assert_eq!(derived, Ok(unit.verifier.clone()));
    }
}
