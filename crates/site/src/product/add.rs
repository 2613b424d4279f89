//! Adding a product: judged before it is stored.

use std::collections::BTreeSet;
use std::fs;

use base::trouble::{About as _, Trouble};
use book::ids::ProductName;
use book::{NewProduct, Purpose};
use standard::ids::{ProductId, VendorId};
use standard::onboarding::{Flow, Reach};

use super::{Description, FurtherObject, Kept, ProductView, show};
use crate::{Site, Who};

/// What a vendor ID and a wish come to.
fn purpose(vendor: VendorId, wanted: Option<&str>) -> Result<Purpose, Trouble> {
    let wanted = wanted.map(|word| {
        Purpose::from_word(word).ok_or_else(|| {
            Trouble::usage(format!("{word:?} is not a purpose"), "Give test or production.").about("purpose")
        })
    });
    let wanted = wanted.transpose()?.unwrap_or(Purpose::Production);
    Ok(if vendor.is_test() { Purpose::Test } else { wanted })
}

/// Whether further objects can be written: their names, and where their contents are.
pub(super) fn judge_objects(site: &Site, objects: &[FurtherObject]) -> Result<(), Trouble> {
    let usage = |what: String| Trouble::usage(what, "Correct the [[object]] part; docs/site.md explains every key.");
    let fixed =
        [chip::ObjectName::DAC, chip::ObjectName::PAI, chip::ObjectName::DECLARATION, chip::ObjectName::FACTORY_RECORD];
    for object in objects {
        let named = chip::ObjectName::new(&object.name).map_err(|e| usage(e.to_string()))?;
        if fixed.contains(&named) {
            return Err(usage(format!("the object {named:?} is one that the standard requires; it is always written")));
        }
        match (&object.file, &object.per_unit) {
            (Some(file), None) => {
                let path = site.dir.join(file);
                fs::metadata(&path).map_err(|e| Trouble::file(&path, e))?;
            }
            (None, Some(dir)) if site.dir.join(dir).is_dir() => {}
            (None, Some(dir)) => return Err(usage(format!("{} is not a directory", dir.display()))),
            _ => return Err(usage(format!("object {} needs exactly one of file and per_unit", object.name))),
        }
    }
    Ok(())
}

/// A described product as the book keeps it.
pub(super) fn judged(name: &str, description: &Description) -> Result<NewProduct, Trouble> {
    let four = |e: &dyn std::fmt::Display| Trouble::usage(e.to_string(), "Give four hex digits, as FFF2.");
    let usage = |what: String| Trouble::usage(what, "Correct the value; docs/site.md says what each may be.");
    let vendor: VendorId = description.vendor.parse().map_err(|e| four(&e)).about("vendor")?;
    let product: ProductId = description.product.parse().map_err(|e| four(&e)).about("product")?;
    let reach: Reach = description.reach.parse().map_err(|e| usage(format!("{e}"))).about("reach")?;
    let flow: Flow = description.flow.parse().map_err(|e| usage(format!("{e}"))).about("flow")?;
    let purpose = purpose(vendor, description.purpose.as_deref())?;
    let kept = Kept {
        vendor_name: description.vendor_name.clone(),
        product_name: description.product_name.clone().unwrap_or_else(|| name.to_owned()),
        hardware_version: description.hardware_version,
        factory_record: description.factory_record,
        lock: description.lock,
        carton: description.carton,
        serial_in_qr: description.serial_in_qr,
        record: description.record,
        final_inspection: description.final_inspection,
        part: description.part.clone(),
    };
    kept.judge()?;
    let json =
        |e: serde_json::Error| Trouble::surroundings(format!("the product can't be written: {e}"), "Report this.");
    Ok(NewProduct {
        name: ProductName::new(name).about("name")?,
        purpose,
        vendor_id: vendor.get(),
        product_id: product.get(),
        device_type: description.device_type,
        reach: Reach::words_of(reach.bits()).collect::<Vec<_>>().join(","),
        flow: flow.word().into(),
        settings: serde_json::to_value(&kept).map_err(json)?,
        objects: serde_json::to_value(&description.objects).map_err(json)?,
    })
}

/// Adds a product.
///
/// One with a test vendor ID is a test product, whatever is said. Any other is for
/// production unless the description says test: a prototype on the vendor's own ID.
///
/// # Errors
///
/// [`Trouble`]; nothing is added then.
pub fn add(site: &Site, name: &str, description: &Description, who: &Who) -> Result<ProductView, Trouble> {
    let new = judged(name, description)?;
    if name.contains("  ") || name.chars().any(|c| c.is_whitespace() && c != ' ') {
        return Err(Trouble::usage(
            format!("the name {name:?} has a blank that looks like another"),
            "Put one plain space between words: a product is chosen by its name.",
        )
        .about("name"));
    }
    judge_objects(site, &description.objects)?;
    site.book.add_product(&new, &who.by()).about("name")?;
    let mut product = show(site, name)?;
    if new.purpose == Purpose::Test && description.purpose.as_deref() == Some(Purpose::Production.word()) {
        product.warnings.push(format!(
            "{} is a test vendor ID, so this is a test product. A production product needs its own vendor ID.",
            product.vendor_id
        ));
    }
    product.warnings.extend(twins(site, &new)?);
    if product.vendor_name.is_none() {
        product.warnings.push("No vendor name: labels leave its line empty. Set it before the first unit.".into());
    }
    Ok(product)
}

/// Other products of the same identifiers, which may have been mistyped.
fn twins(site: &Site, new: &NewProduct) -> Result<Vec<String>, Trouble> {
    let is_twin = |other: &NewProduct| {
        (other.vendor_id, other.product_id) == (new.vendor_id, new.product_id) && other.name != new.name
    };
    let others = site.book.products()?.into_iter().map(|other| other.facts).filter(is_twin);
    let words = |other: NewProduct| {
        let (name, vendor, id) = (other.name, new.vendor_id, new.product_id);
        format!("Product {name} has the identity {vendor:04X} {id:04X} too. Check the product ID.")
    };
    Ok(others.map(words).collect())
}

/// Product IDs of a vendor that declarations here name, each as four hexadecimal digits.
pub fn declared(site: &Site, vendor: &str) -> Result<BTreeSet<String>, Trouble> {
    let declarations = site.book.declarations()?.into_iter().map(|declaration| declaration.facts);
    let of_vendor = declarations.filter(|facts| format!("{:04X}", facts.vendor_id) == vendor);
    Ok(of_vendor.flat_map(|facts| facts.product_ids).map(|id| format!("{id:04X}")).collect())
}
