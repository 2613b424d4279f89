//! Labels of units in the record book.

use std::path::Path;

use book::Unit;
use custody::Passphrase;
use print::sheet::{Grid, Paper};
use print::{LabelData, Press};

use super::{Job, PrintError, print};
use crate::product;
use crate::site::Site;
use crate::trouble::Trouble;
use crate::unit::payload;

/// What stands on a unit's label. Opens its passcode with the site key.
///
/// # Errors
///
/// [`Trouble`] where the passcode was erased, or the key is another site's.
pub fn of_unit(site: &Site, unit: &Unit, passphrase: Option<&Passphrase>) -> Result<LabelData, Trouble> {
    let payload = payload(site, unit, passphrase)?;
    let product = product::get(site, unit.product.as_str())?;
    let kept = product::kept(&product)?;
    let manual = payload
        .manual_code(payload.needs_long())
        .map_err(|e| Trouble::surroundings(e.to_string(), "Look at the product's identifiers."))?;
    Ok(LabelData {
        unit: unit.serial.to_string(),
        qr: payload.qr_text().into(),
        manual: manual.digits().to_owned().into(),
        serial: unit.serial.to_string(),
        product: kept.product_name,
        vendor: kept.vendor_name,
        vid: format!("{:04X}", product.facts.vendor_id),
        pid: format!("{:04X}", product.facts.product_id),
        test: product.facts.purpose == book::Purpose::Test,
        values: std::collections::BTreeMap::new(),
    })
}

/// Prints device labels on A4 sheets as one PDF; the number printed.
///
/// # Errors
///
/// [`Trouble`] where a label is refused or the file can't be written.
pub(crate) fn print_units(out: &Path, data: Vec<LabelData>) -> Result<u64, Trouble> {
    let job = Job {
        template: "device".into(),
        out: out.to_owned(),
        format: None,
        paper: Some(Paper::A4),
        grid: Grid::default(),
        press: Press::default(),
        copies: 1,
    };
    let done = print(&job, data.into_iter().map(Ok::<_, PrintError>), &|_| {}).map_err(Trouble::of)?;
    Ok(done.labels)
}
