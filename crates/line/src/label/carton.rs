//! Labels of cartons with several units: one symbol with the payloads of all of them.
//!
//! Core Spec 5.1.3.1: a phone that scans it takes in the units one after the other. Each unit has
//! its own label beside it, so this one carries no manual code.

use print::LabelData;
use standard::onboarding::{self, MAX_QR_CHARACTERS};
use zeroize::Zeroizing;

use super::PrintError;

/// Fewest and most units of a carton: more payloads no symbol holds.
pub const CARTON: std::ops::RangeInclusive<usize> = 2..=169;

/// Takes units as many at a time as a carton holds, in their order; the last carton may hold fewer.
pub(super) struct Cartons<I> {
    pub(super) units: I,
    pub(super) size: usize,
}

impl<I: Iterator<Item = Result<LabelData, PrintError>>> Iterator for Cartons<I> {
    type Item = Result<LabelData, PrintError>;

    fn next(&mut self) -> Option<Self::Item> {
        let units: Result<Vec<_>, _> = self.units.by_ref().take(self.size).collect();
        match units {
            Ok(units) if units.is_empty() => None,
            Ok(units) => Some(pack(&units)),
            Err(error) => Some(Err(error)),
        }
    }
}

/// The label of one carton.
fn pack(units: &[LabelData]) -> Result<LabelData, PrintError> {
    let (Some(first), Some(last)) = (units.first(), units.last()) else {
        return Err(refused("a carton without units".into(), "Give at least one unit."));
    };
    let mut payloads = Vec::with_capacity(units.len());
    for unit in units {
        if (&unit.product, &unit.vid, &unit.pid) != (&first.product, &first.vid, &first.pid) {
            return Err(refused(
                format!(
                    "units {} and {} are of different products, and would lie in one carton",
                    first.unit, unit.unit
                ),
                "Print the cartons of each product by themselves, with --reel or by naming units.",
            ));
        }
        let read = onboarding::read(&unit.qr).accepted();
        let read = read.ok_or_else(|| refused(format!("the QR text of unit {} is not sound", unit.unit), SOUND))?;
        payloads.extend(read);
    }
    let qr = Zeroizing::new(onboarding::join(&payloads));
    if qr.len() > MAX_QR_CHARACTERS {
        return Err(refused(
            format!(
                "the codes of the {} units from {} to {} have {} characters; a symbol at level M holds {MAX_QR_CHARACTERS}",
                units.len(),
                first.unit,
                last.unit,
                qr.len()
            ),
            "Put fewer units into a carton.",
        ));
    }
    let mut data = LabelData {
        unit: format!("{} to {}", first.unit, last.unit),
        qr,
        manual: Zeroizing::default(),
        serial: format!("{} – {}", first.serial, last.serial),
        test: units.iter().any(|unit| unit.test),
        ..first.clone()
    };
    for (name, value) in
        [("count", units.len().to_string()), ("first", first.serial.clone()), ("last", last.serial.clone())]
    {
        data.values.insert(name.into(), value);
    }
    Ok(data)
}

const SOUND: &str = "Get the unit's codes from their source; nothing was printed.";

fn refused(what: String, advice: &str) -> PrintError {
    PrintError::Carton { what, advice: advice.into() }
}
