//! Changing what no unit of a product depends on yet.

use base::trouble::{About as _, Trouble};
use book::Product;
use book::ids::{ProductName, UnitSerial};
use serde::Serialize;
use serde_json::Value;

use super::add::{judge_objects, judged};
use super::{Description, FinalInspection, ProductView, get, kept, show};
use crate::{Site, Who, series};

/// What of a product is to be changed.
#[derive(Debug, Default)]
pub struct Change {
    /// The whole of it, described anew.
    pub from: Option<Description>,
    pub vendor_name: Option<String>,
    /// The product's name as the customer reads it.
    pub product_name: Option<String>,
    pub final_inspection: Option<FinalInspection>,
    /// The first number of the series that new units get; `Some(None)` ends the series. No unit made so far depends
    pub serial_series: Option<Option<String>>,
}

/// One setting that changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Changed {
    /// Its name, as in a product file.
    pub setting: &'static str,
    pub from: Value,
    pub to: Value,
}

/// A product after a change.
#[derive(Debug, Serialize)]
pub struct Updated {
    #[serde(flatten)]
    pub product: ProductView,
    /// What changed; nothing where all was so already.
    pub changed: Vec<Changed>,
}

/// Changes what no unit, and for identifiers and purpose no reel, depends on yet.
///
/// # Errors
///
/// [`Trouble`] names and counts what depends on it; nothing is changed then.
pub fn update(site: &Site, name: &str, change: &Change, who: &Who) -> Result<Updated, Trouble> {
    let old = get(site, name)?;
    let before = Description::of(&old)?;
    let mut after = change.from.clone().unwrap_or_else(|| before.clone());
    after.purpose = after.purpose.or_else(|| before.purpose.clone());
    after.vendor_name = change.vendor_name.clone().or(after.vendor_name);
    after.product_name = change.product_name.clone().or(after.product_name);
    after.final_inspection = change.final_inspection.unwrap_or(after.final_inspection);
    let new = judged(name, &after)?;
    if new.objects != old.facts.objects {
        judge_objects(site, &after.objects)?;
    }
    let settings = |product: &Product| -> Result<Value, Trouble> {
        let mut told = serde_json::to_value(Description::of(product)?).unwrap_or_default();
        told["product_name"] = kept(product)?.product_name.into();
        Ok(told)
    };
    let (was, is) = (settings(&old)?, settings(&Product { facts: new.clone(), ..old.clone() })?);
    let mut changed: Vec<_> = SETTINGS
        .iter()
        .filter(|setting| was[**setting] != is[**setting])
        .map(|setting| Changed { setting, from: was[*setting].clone(), to: is[*setting].clone() })
        .collect();
    // Names that a record has no room for were cut in what was made so far: nothing depends on them.
    // Neither does anything on a vendor's name that was never there.
    let is_free = |c: &Changed| FREE.contains(&c.setting) || (c.setting == "vendor_name" && c.from.is_null());
    let free = kept(&old)?.judge().is_err() || changed.iter().all(is_free);
    let said = serde_json::to_value(&changed)
        .map_err(|e| Trouble::surroundings(format!("the change can't be written: {e}"), "Report this."))?;
    let series = change.serial_series.as_ref().map(|s| s.as_deref().map(series::series).transpose()).transpose();
    let series = series.about("serial_series")?;
    if let Some(Some(first)) = &series
        && series::is_to_confirm(site, &new.name, first).about("serial_series")?
    {
        site.book.confirm_series(first, &who.by())?;
    }
    let shared = match &series {
        Some(Some(first)) => shared_series(site, &new.name, first).about("serial_series")?,
        _ => None,
    };
    site.book.update_product(&new, free, &said, &who.by())?;
    let series_first = series.clone();
    if let Some(series) = series {
        let text = |series: Option<&UnitSerial>| series.map_or(Value::Null, |s| s.as_str().into());
        let before = site.book.product_series(&new.name)?;
        if before != series {
            site.book.set_product_series(&new.name, series.as_ref(), &who.by())?;
            let (from, to) = (text(before.as_ref()), text(series.as_ref()));
            changed.push(Changed { setting: "serial_series", from, to });
        }
    }
    let mut product = show(site, name)?;
    product.warnings.extend(shared);
    if let Some(Some(first)) = &series_first {
        product.warnings.extend(past_series(site, first)?);
    }
    Ok(Updated { product, changed })
}

/// What is said of a series that has come further than its first number.
fn past_series(site: &Site, first: &UnitSerial) -> Result<Option<String>, Trouble> {
    Ok(match site.book.series_stand(first)?.next {
        Some(next) if next == *first => None,
        Some(next) => Some(format!("The series has come past {first}: {next} is next.")),
        None => {
            Some(format!("The series of {first} has come to its last number: nothing can be counted on from there."))
        }
    })
}

/// What is said where another product counts in the same series.
fn shared_series(site: &Site, product: &ProductName, first: &UnitSerial) -> Result<Option<String>, Trouble> {
    for other in site.book.products()?.into_iter().map(|other| other.facts.name).filter(|other| other != product) {
        let Some(theirs) = site.book.product_series(&other)? else { continue };
        if series::of_one_series(&theirs, first) {
            return Ok(Some(format!(
                "Product {other} has the same series, which begins with {theirs}. Both take their numbers from it, and no \
                 number is used twice."
            )));
        }
        let upper = |serial: &UnitSerial| UnitSerial::new(&serial.as_str().to_uppercase());
        if series::of_one_series(&upper(&theirs)?, &upper(first)?) {
            return Err(Trouble::usage(
                format!(
                    "the series of product {other} begins with {theirs}, which differs from {first} only in letter case"
                ),
                "Begin a series with another text before the digits.",
            ));
        }
    }
    Ok(None)
}

/// Whether a text can be the first number of a product's series.
///
/// # Errors
///
/// [`Trouble`] says why not.
pub fn check_series(first: &str) -> Result<(), Trouble> {
    series::series(first).map(drop).about("serial_series")
}

/// What a product file sets.
const SETTINGS: &[&str] = &[
    "vendor",
    "product",
    "purpose",
    "device_type",
    "reach",
    "flow",
    "vendor_name",
    "product_name",
    "hardware_version",
    "factory_record",
    "lock",
    "carton",
    "serial_in_qr",
    "record",
    "final_inspection",
    "part",
    "object",
];

/// Settings that units made so far do not depend on.
const FREE: &[&str] = &["carton", "record", "final_inspection", "part"];
