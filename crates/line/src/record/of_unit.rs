//! The factory record of a unit in the book: the same each time it is made.

use book::Unit;
use custody::SiteKey;
use site::product::Kept;
use standard::factory_record::{FactoryRecord, RecordError, RotatingId};
use standard::ids::{ProductId, VendorId};
use standard::onboarding::{Discriminator, ValueError};
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt, VerifierError};

/// Why the book gives no record of a unit.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NoRecord {
    /// It has no passcode, so no verifier.
    #[error("the unit has no onboarding data")]
    NoOnboarding,
    /// Every record has one.
    #[error("the product has no vendor name")]
    NoVendorName,
    /// A value that no record has.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// A discriminator that no device has.
    #[error(transparent)]
    Value(#[from] ValueError),
    /// A salt, iteration count or verifier that no device has.
    #[error(transparent)]
    Verifier(#[from] VerifierError),
}

/// The record of a unit: its verifier is the one in the book, and its rotating-id value is derived
/// from the site key, so that a chip and a file made years later hold the same.
pub(crate) fn of_unit(
    unit: &Unit,
    (vendor_id, product_id): (VendorId, ProductId),
    kept: &Kept,
    key: &SiteKey,
) -> Result<FactoryRecord, NoRecord> {
    let data = unit.onboarding.as_ref().ok_or(NoRecord::NoOnboarding)?;
    let label = format!("rotating id of unit {}", unit.serial);
    Ok(FactoryRecord {
        serial_number: unit.serial.to_string(),
        vendor_id,
        vendor_name: kept.vendor_name.clone().ok_or(NoRecord::NoVendorName)?,
        product_id,
        product_name: kept.product_name.clone(),
        hardware_version: kept.hardware_version,
        hardware_version_text: None,
        manufactured: unit.began.date(),
        discriminator: Discriminator::new(data.discriminator)?,
        salt: Salt::new(&data.salt)?,
        iterations: Iterations::new(data.iterations)?,
        verifier: PasscodeVerifier::from_octets(&data.verifier)?,
        rotating_id: RotatingId::new(&*key.derive(label.as_bytes()))?,
        dac: None,
        pai: None,
        declaration: None,
        passcode: None,
    })
}
