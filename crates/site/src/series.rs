//! Serial numbers of units and the series that they are of.

use base::advice::quoted;
use base::encoding::is_rounded;
use base::trouble::Trouble;
use book::ids::{ProductName, UnitSerial};
use standard::factory_record::{self, Field};

use crate::{Site, clock};

/// A serial number for a new unit, whole as its device tells it (Core Spec 11.1.5, attribute
/// `SerialNumber`). One that is too long is refused, never shortened.
pub fn whole(text: &str) -> Result<UnitSerial, Trouble> {
    let serial = UnitSerial::new(text)?;
    if is_rounded(text) {
        return Err(Trouble::usage(
            format!("{serial} is no serial number: a spreadsheet took one for a number and rounded it"),
            "Format the column as text and write the list again. No chip was changed.",
        ));
    }
    factory_record::fits(Field::SerialNumber, serial.as_str()).map_err(|e| {
        Trouble::usage(
            format!("{serial} can't be a unit's serial number: {e}"),
            "Give a shorter one. No chip was changed.",
        )
    })?;
    Ok(serial)
}

/// The first number of a series as it was typed.
///
/// # Errors
///
/// [`Trouble`] where it is no serial number, or nothing can be counted up from it.
pub fn series(first: &str) -> Result<UnitSerial, Trouble> {
    let serial = whole(first.trim())?;
    if !serial.as_str().ends_with(|c: char| c.is_ascii_digit()) {
        return Err(Trouble::usage(
            format!("{serial} does not end in a digit, so it can't begin a series"),
            "Give a number such as TV-000001.",
        ));
    }
    Ok(serial)
}

/// Whether somebody has still to say that a series of a restored book goes on with `first`.
///
/// # Errors
///
/// [`Trouble`] where the book has given out `first` or a number after it.
pub fn is_to_confirm(site: &Site, product: &ProductName, first: &UnitSerial) -> Result<bool, Trouble> {
    if site.book.is_series_confirmed(first)? {
        return Ok(false);
    }
    let next = site.book.series_stand(first)?.next;
    // Both have as many digits after the same text.
    if next.as_ref() != Some(first) {
        return Err(unconfirmed(site, product, next.as_ref().map(UnitSerial::as_str))?);
    }
    Ok(true)
}

/// Why a restored book gives out no number yet.
pub fn unconfirmed(site: &Site, product: &ProductName, next: Option<&str>) -> Result<Trouble, Trouble> {
    Ok(Trouble::refused(
        format!("{}. By the book, {} is next in this series", restored_words(site)?, next.unwrap_or("no number")),
        format!(
            "Find the last number that was used: on units, labels and printouts. Then say where the series goes \
             on: `touchmark product update {} --serial-series FIRST`, or --serial-start FIRST for one run. \
             Nothing was changed.",
            quoted(product.as_str())
        ),
    ))
}

pub fn restored_words(site: &Site) -> Result<String, Trouble> {
    let known = site.book.restoration()?;
    let ends = known.map_or_else(String::new, |r| {
        format!(" and ends with entry {} of {}", r.entries.saturating_sub(1), clock::local(site, r.ended))
    });
    Ok(format!(
        "the book was restored from a backup or a loss was accepted{ends}, so it does not know which serial numbers were used \
         after"
    ))
}

/// Whether two serial numbers have the same text before as many digits.
pub fn of_one_series(a: &UnitSerial, b: &UnitSerial) -> bool {
    let before = |serial: &UnitSerial| serial.as_str().trim_end_matches(|c: char| c.is_ascii_digit()).to_owned();
    a.as_str().len() == b.as_str().len() && before(a) == before(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_one_series_differ_in_their_digits_alone() {
        let one = |a: &str, b: &str| {
            let serial = |text| UnitSerial::new(text).expect("a serial number");
            of_one_series(&serial(a), &serial(b))
        };
        assert!(one("TV-0001", "TV-9999") && one("7", "9"));
        assert!(!one("TV-0001", "TV-00001") && !one("TV-0001", "TX-0001") && !one("TV-0001", "TV1-001"));
    }
}
