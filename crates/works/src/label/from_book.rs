//! Labels of units in the record book.

use std::path::Path;

use book::ids::{ReelId, UnitSerial};
use book::{LabelEvent, Unit, UnitFilter, UnitState};
use custody::Passphrase;
use print::sheet::{Grid, Paper};
use print::{LabelData, Press};

use super::{Job, PrintError, print};
use crate::product;
use crate::site::{Site, Who};
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

/// Holds a scan against the label of a unit of the book, and records what came of it.
///
/// # Errors
///
/// [`Trouble`] where the unit has no label, or nothing was scanned.
pub fn check_of_book(site: &Site, unit: &str, scanned: &str, who: &Who) -> Result<super::Checked, Trouble> {
    let data = of_book(site, &Which::One(unit), None)?.remove(0);
    let checked = super::check(scanned, &data, &[]).map_err(Trouble::of)?;
    let event = if checked.is_match() { LabelEvent::Checked } else { LabelEvent::Mismatched };
    record(site, &[unit.to_owned()], event, who)?;
    Ok(checked)
}

/// A unit's label as SVG, its symbol read back first. It shows the passcode:
/// the showing is recorded before it happens.
///
/// - `why`: where it is shown.
///
/// # Errors
///
/// [`Trouble`] where the unit has no label, or one that would be refused.
pub fn svg(
    site: &Site,
    unit: &str,
    why: &str,
    passphrase: Option<&Passphrase>,
    by: &book::By,
) -> Result<Vec<u8>, Trouble> {
    let data = of_book(site, &Which::One(unit), passphrase)?.remove(0);
    let subject = book::Subject::Unit(UnitSerial::new(unit)?);
    site.book.note("passcode.reveal", &subject, &serde_json::json!({ "for": why }), by)?;
    let template = super::template("device").map_err(Trouble::of)?;
    let single = print::run::single(print::run::Single::Svg, &template, &data, &Press::default());
    Ok(single.map_err(|e| Trouble::of(PrintError::Run(e)))?.0)
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

/// Which units of the book.
#[derive(Debug)]
pub enum Which<'a> {
    /// One, whatever its state but scrapped.
    One(&'a str),
    /// Those of a reel that passed.
    Reel(&'a str),
    /// All that passed.
    All,
}

/// Labels of the wanted units, in the order of their serial numbers.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit, none passed, or one has no code any more.
pub fn of_book(site: &Site, which: &Which<'_>, passphrase: Option<&Passphrase>) -> Result<Vec<LabelData>, Trouble> {
    let reel = match which {
        Which::One(serial) => {
            let unit = site.book.unit(&UnitSerial::new(serial)?)?.ok_or_else(|| {
                Trouble::usage(
                    format!("there is no unit {serial}"),
                    "Look at the serial number, or search with `touchmark unit find`.",
                )
            })?;
            if unit.state != UnitState::Passed {
                return Err(Trouble::refused(
                    format!("unit {serial} is {}, and only a unit that passed gets a label", unit.state.word()),
                    "Provision it first; a scrapped or returned unit gets none.",
                ));
            }
            return Ok(vec![of_unit(site, &unit, passphrase)?]);
        }
        Which::Reel(reel) => Some(ReelId::new(reel)?),
        Which::All => None,
    };
    let filter = UnitFilter { state: Some(UnitState::Passed), reel, ..UnitFilter::default() };
    let (mut data, mut after) = (Vec::new(), None);
    loop {
        let page = site.book.units(&filter, after.as_ref(), 500)?;
        for unit in &page.items {
            data.push(of_unit(site, unit, passphrase)?);
        }
        match page.next {
            Some(next) => after = Some(next),
            None => break,
        }
    }
    if data.is_empty() {
        return Err(Trouble::refused("no unit has passed, so there is no label to print", "Provision units first."));
    }
    Ok(data)
}

/// Records what happened to the labels of these units.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn record(site: &Site, units: &[String], event: LabelEvent, who: &Who) -> Result<(), Trouble> {
    for unit in units {
        site.book.record_label(&UnitSerial::new(unit)?, event, &who.by())?;
    }
    Ok(())
}
