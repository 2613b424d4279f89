//! Products: what units are going to be.

use std::fs;
use std::path::{Path, PathBuf};

use book::ids::ProductName;
use book::{NewProduct, Product, Purpose};
use serde::{Deserialize, Serialize};
use standard::ids::{ProductId, VendorId};
use standard::onboarding::{Flow, Reach};

use crate::site::{Site, Who};
use crate::trouble::{About, Trouble};

/// A product as a TOML file or the command line describes it.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Description {
    /// Vendor ID, as FFF2.
    pub vendor: String,
    /// Product ID, as 8A21.
    pub product: String,
    /// Device type.
    pub device_type: u32,
    /// Ways in which a phone finds it, comma-separated.
    pub reach: String,
    /// Commissioning flow.
    #[serde(default = "standard_flow")]
    pub flow: String,
    /// The vendor's name, for labels and the factory record.
    #[serde(default)]
    pub vendor_name: Option<String>,
    /// The product's name as the customer reads it; the product's own name where none is given.
    #[serde(default)]
    pub product_name: Option<String>,
    /// Hardware version.
    #[serde(default = "first_version")]
    pub hardware_version: u16,
    /// Whether the factory record is written into the chip.
    #[serde(default)]
    pub factory_record: bool,
    /// Whether chips are locked after they were proven, where the part can be.
    #[serde(default = "yes")]
    pub lock: bool,
    /// Units packed together, among which no discriminator comes twice; the site's setting where none is given.
    #[serde(default)]
    pub carton: Option<usize>,
    /// Further objects for the chip.
    #[serde(default, rename = "object")]
    pub objects: Vec<FurtherObject>,
}

fn standard_flow() -> String {
    Flow::Standard.word().into()
}

fn first_version() -> u16 {
    1
}

fn yes() -> bool {
    true
}

/// An object beside what the standard asks: a trust anchor, an access key, a settings blob.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FurtherObject {
    /// Its name in the chip.
    pub name: String,
    /// A file with the octets for all units, from the site's directory.
    #[serde(default)]
    pub file: Option<PathBuf>,
    /// A directory with one file a unit, named by serial number or chip id.
    #[serde(default)]
    pub per_unit: Option<PathBuf>,
}

/// Settings kept with a product in the book.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Kept {
    pub vendor_name: String,
    pub product_name: String,
    pub hardware_version: u16,
    pub factory_record: bool,
    pub lock: bool,
    #[serde(default)]
    pub carton: Option<usize>,
}

/// A product as it is told.
#[derive(Debug, Serialize)]
pub struct ProductView {
    /// Its name.
    pub name: String,
    /// `test` or `production`.
    pub purpose: &'static str,
    /// Vendor ID.
    pub vendor_id: String,
    /// Product ID.
    pub product_id: String,
    /// Device type.
    pub device_type: u32,
    /// Ways of being found.
    pub reach: Vec<String>,
    /// Commissioning flow.
    pub flow: String,
    /// The declaration that names it, where there is one.
    pub declaration: Option<String>,
    /// Names of further objects.
    pub objects: Vec<String>,
    /// Whether the factory record is written into the chip.
    pub factory_record: bool,
    /// Whether chips are locked.
    pub lock: bool,
    /// Trust sets that it must please.
    pub trust_sets: Vec<String>,
}

pub(crate) fn kept(product: &Product) -> Result<Kept, Trouble> {
    serde_json::from_value(product.facts.settings.clone()).map_err(|e| {
        Trouble::surroundings(
            format!("the settings of product {} in the book can't be read: {e}", product.facts.name),
            "Run `touchmark book verify`.",
        )
    })
}

pub(crate) fn further(product: &Product) -> Result<Vec<FurtherObject>, Trouble> {
    serde_json::from_value(product.facts.objects.clone()).map_err(|e| {
        Trouble::surroundings(
            format!("the objects of product {} in the book can't be read: {e}", product.facts.name),
            "Run `touchmark book verify`.",
        )
    })
}

/// Reads a product file.
///
/// # Errors
///
/// [`Trouble`] with the line at fault.
pub fn read(path: &Path) -> Result<Description, Trouble> {
    let text = fs::read_to_string(path).map_err(|e| Trouble::file(path, e))?;
    toml::from_str(&text).map_err(|e| {
        Trouble::usage(
            format!("{}: {}", path.display(), e.message()),
            "Mend the file; docs/site.md explains every key.",
        )
    })
}

/// Adds a product. One with a test vendor ID is a test product, for ever.
///
/// # Errors
///
/// [`Trouble`]; nothing is added then.
pub fn add(site: &Site, name: &str, description: &Description, who: &Who) -> Result<ProductView, Trouble> {
    let four = |e: &dyn std::fmt::Display| Trouble::usage(e.to_string(), "Give four hex digits, as FFF2.");
    let usage = |what: String| Trouble::usage(what, "Look at the value; docs/site.md says what each may be.");
    let vendor: VendorId = description.vendor.parse().map_err(|e| four(&e)).about("vendor")?;
    let product: ProductId = description.product.parse().map_err(|e| four(&e)).about("product")?;
    let reach: Reach = description.reach.parse().map_err(|e| usage(format!("{e}"))).about("reach")?;
    let flow: Flow = description.flow.parse().map_err(|e| usage(format!("{e}"))).about("flow")?;
    for object in &description.objects {
        let named = chip::ObjectName::new(&object.name).map_err(|e| usage(e.to_string()))?;
        let fixed = [
            chip::ObjectName::DAC,
            chip::ObjectName::PAI,
            chip::ObjectName::DECLARATION,
            chip::ObjectName::FACTORY_RECORD,
        ];
        if fixed.contains(&named) {
            return Err(usage(format!("the object {named:?} is one that the standard asks, and is written anyway")));
        }
        match (&object.file, &object.per_unit) {
            (Some(file), None) => {
                let path = site.dir.join(file);
                fs::metadata(&path).map_err(|e| Trouble::file(&path, e))?;
            }
            (None, Some(dir)) if site.dir.join(dir).is_dir() => {}
            (None, Some(dir)) => return Err(usage(format!("{} is no directory", dir.display()))),
            _ => return Err(usage(format!("object {} has either file or per_unit", object.name))),
        }
    }
    let kept = Kept {
        vendor_name: description.vendor_name.clone().unwrap_or_else(|| site.settings.site.name.clone()),
        product_name: description.product_name.clone().unwrap_or_else(|| name.to_owned()),
        hardware_version: description.hardware_version,
        factory_record: description.factory_record,
        lock: description.lock,
        carton: description.carton,
    };
    let json =
        |e: serde_json::Error| Trouble::surroundings(format!("the product can't be written: {e}"), "Report this.");
    let new = NewProduct {
        name: ProductName::new(name).about("name")?,
        purpose: if vendor.is_test() { Purpose::Test } else { Purpose::Production },
        vendor_id: vendor.get(),
        product_id: product.get(),
        device_type: description.device_type,
        reach: Reach::words_of(reach.bits()).collect::<Vec<_>>().join(","),
        flow: flow.word().into(),
        settings: serde_json::to_value(&kept).map_err(json)?,
        objects: serde_json::to_value(&description.objects).map_err(json)?,
    };
    site.book.add_product(&new, &who.by()).about("name")?;
    show(site, name)
}

/// The product of that name.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn get(site: &Site, name: &str) -> Result<Product, Trouble> {
    site.book.product(&ProductName::new(name)?)?.ok_or_else(|| {
        Trouble::usage(
            format!("there is no product {name}"),
            "See `touchmark product list` for those there are, or add it with `touchmark product add`.",
        )
    })
}

fn view(site: &Site, product: &Product) -> Result<ProductView, Trouble> {
    let kept = kept(product)?;
    let facts = &product.facts;
    let declaration = crate::declaration::for_product(site, facts.vendor_id, facts.product_id, facts.purpose)?;
    Ok(ProductView {
        name: facts.name.to_string(),
        purpose: facts.purpose.word(),
        vendor_id: format!("{:04X}", facts.vendor_id),
        product_id: format!("{:04X}", facts.product_id),
        device_type: facts.device_type,
        reach: facts.reach.split(',').map(str::to_owned).collect(),
        flow: facts.flow.clone(),
        declaration: declaration.map(|d| d.name.to_string()),
        objects: further(product)?.into_iter().map(|o| o.name).collect(),
        factory_record: kept.factory_record,
        lock: kept.lock,
        trust_sets: site.book.product_trust(&facts.name)?.iter().map(ToString::to_string).collect(),
    })
}

/// What is told of one product.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn show(site: &Site, name: &str) -> Result<ProductView, Trouble> {
    view(site, &get(site, name)?)
}

/// All products, by name.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn list(site: &Site) -> Result<Vec<ProductView>, Trouble> {
    site.book.products()?.iter().map(|p| view(site, p)).collect()
}
