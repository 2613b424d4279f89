//! The operating system's secure source of randomness.

use standard::onboarding::draw::DrawError;

/// Fills `octets` with random ones; a source for [`standard::onboarding::draw`].
///
/// # Errors
///
/// [`DrawError::Source`] where the operating system gives none.
pub fn system(octets: &mut [u8]) -> Result<(), DrawError> {
    getrandom::fill(octets).map_err(|error| DrawError::Source(error.to_string()))
}
