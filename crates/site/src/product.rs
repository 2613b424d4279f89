//! Products: what units are going to be.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use base::advice::quoted;
use base::trouble::{About, Trouble};
use book::ids::{ProductName, UnitSerial};
use book::{NewProduct, Product, Purpose};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use standard::factory_record::{self, Field};
use standard::ids::{ProductId, VendorId};
use standard::onboarding::{Flow, Reach};
use utoipa::ToSchema;

use crate::record_place::RecordPlace;
use crate::series;
use crate::{Site, Who};

/// A product as a TOML file or the command line describes it.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Description {
    /// Vendor ID, as FFF2.
    pub vendor: String,
    /// Product ID, as 8A21.
    pub product: String,
    /// `test` or `production`; production where none is given. With a test vendor ID it is
    /// test whatever is said.
    #[serde(default)]
    pub purpose: Option<String>,
    pub device_type: u32,
    /// Ways in which a phone finds it, comma-separated.
    pub reach: String,
    #[serde(default = "standard_flow")]
    pub flow: String,
    /// The vendor's name, for labels and the factory record, which needs it.
    #[serde(default)]
    pub vendor_name: Option<String>,
    /// The product's name as the customer reads it; the product's own name where none is given.
    #[serde(default)]
    pub product_name: Option<String>,
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
    /// Whether the QR code carries the unit's serial number.
    #[serde(default)]
    pub serial_in_qr: bool,
    /// How the flashing tool gets the factory record, where it is flashed; none where it is not.
    #[serde(default)]
    pub record: Option<RecordPlace>,
    /// Further objects for the chip.
    #[serde(default, rename = "object")]
    pub objects: Vec<FurtherObject>,
}

impl Description {
    /// A product with all else as a file leaves it out.
    pub fn new(vendor: &str, product: &str, device_type: u32, reach: &str) -> Self {
        Self {
            vendor: vendor.into(),
            product: product.into(),
            purpose: None,
            device_type,
            reach: reach.into(),
            flow: standard_flow(),
            vendor_name: None,
            product_name: None,
            hardware_version: first_version(),
            factory_record: false,
            lock: yes(),
            carton: None,
            serial_in_qr: false,
            record: None,
            objects: Vec::new(),
        }
    }

    /// What stands in the book, as it would be described.
    pub fn of(product: &Product) -> Result<Self, Trouble> {
        let (facts, kept) = (&product.facts, kept(product)?);
        Ok(Self {
            purpose: Some(facts.purpose.word().into()),
            flow: facts.flow.clone(),
            vendor_name: kept.vendor_name,
            product_name: Some(kept.product_name),
            hardware_version: kept.hardware_version,
            factory_record: kept.factory_record,
            lock: kept.lock,
            carton: kept.carton,
            serial_in_qr: kept.serial_in_qr,
            record: kept.record,
            objects: further(product)?,
            ..Self::new(
                &format!("{:04X}", facts.vendor_id),
                &format!("{:04X}", facts.product_id),
                facts.device_type,
                &facts.reach,
            )
        })
    }
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
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FurtherObject {
    /// Its name in the chip.
    pub name: String,
    /// A file with the octets for all units, from the site's directory.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub file: Option<PathBuf>,
    /// A directory with one file a unit, named by serial number or chip id.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub per_unit: Option<PathBuf>,
}

/// Settings kept with a product in the book.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Kept {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vendor_name: Option<String>,
    pub product_name: String,
    pub hardware_version: u16,
    pub factory_record: bool,
    pub lock: bool,
    #[serde(default)]
    pub carton: Option<usize>,
    #[serde(default)]
    pub serial_in_qr: bool,
    #[serde(default)]
    pub record: Option<RecordPlace>,
}

impl Kept {
    /// Refuses names that the attributes and the factory record have no room for. They are
    /// never shortened.
    pub fn judge(&self) -> Result<(), Trouble> {
        let name = |field, text: &str, input: &'static str, option: &str| {
            factory_record::fits(field, text).map_err(|e| {
                let advice = format!("Give --{option} a text of 1 to 32 bytes in UTF-8, without control characters.");
                Trouble::usage(format!("{text:?} can't be used: {e}"), advice).about(input)
            })
        };
        name(Field::ProductName, &self.product_name, "product_name", "product-name")?;
        match &self.vendor_name {
            Some(vendor) => name(Field::VendorName, vendor, "vendor_name", "vendor-name"),
            None if self.factory_record || self.record.is_some() => Err(Trouble::usage(
                "the factory record holds the vendor's name, and none was given",
                "Give it with --vendor-name, or as vendor_name in the product file.",
            )
            .about("vendor_name")),
            None => Ok(()),
        }
    }
}

/// A product as it is told.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProductView {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub purpose: Purpose,
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
    /// The vendor's name on labels and in the factory record.
    pub vendor_name: Option<String>,
    /// The product's name there.
    pub product_name: String,
    /// Hardware version in the factory record.
    pub hardware_version: u16,
    /// Units packed together; the site's setting where none is given.
    pub carton: Option<usize>,
    /// Names of further objects.
    pub objects: Vec<String>,
    /// Where their contents come from.
    pub object_files: Vec<FurtherObject>,
    /// Whether the factory record is written into the chip.
    pub factory_record: bool,
    /// Whether chips are locked.
    pub lock: bool,
    /// Whether the QR code carries the unit's serial number.
    pub serial_in_qr: bool,
    /// How the flashing tool gets the factory record; none where it is not flashed.
    pub record: Option<RecordPlace>,
    /// Trust sets that it must please.
    pub trust_sets: Vec<String>,
    /// The first number of the series that its new units get; none where a run says which numbers it gives.
    pub serial_series: Option<String>,
    /// When it was added.
    pub added: String,
    /// What the person should know before units are made.
    pub warnings: Vec<String>,
}

/// What is likely to go wrong with the units of such a product.
pub fn warnings(product: &Product, kept: &Kept) -> Vec<String> {
    let name = &product.facts.name;
    let nowhere = !kept.factory_record && kept.record.is_none();
    let lost = nowhere.then(|| {
        format!(
            "The onboarding data of product {name} goes nowhere: it is written neither into the chip nor into records for \
             a flashing tool, so a unit could not be commissioned with the code on its label. Have the factory record \
             written into the chip, or flashed."
        )
    });
    let reach = product.facts.reach.parse::<Reach>().ok().and_then(Reach::warning);
    lost.into_iter().chain(reach.map(|warning| format!("Product {name}: {warning}"))).collect()
}

/// What of a product is to be changed.
#[derive(Debug, Default)]
pub struct Change {
    /// The whole of it, described anew.
    pub from: Option<Description>,
    pub vendor_name: Option<String>,
    /// The product's name as the customer reads it.
    pub product_name: Option<String>,
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

pub fn kept(product: &Product) -> Result<Kept, Trouble> {
    serde_json::from_value(product.facts.settings.clone()).map_err(|e| {
        Trouble::surroundings(
            format!("the settings of product {} in the book can't be read: {e}", product.facts.name),
            "Run `touchmark book verify`.",
        )
    })
}

/// The settings, judged before a station touches the first chip: nothing is written shortened.
pub fn kept_for_line(product: &Product) -> Result<Kept, Trouble> {
    let kept = kept(product)?;
    if kept.factory_record
        && let Err(why) = kept.judge()
    {
        let name = &product.facts.name;
        return Err(Trouble::refused(
            format!("product {name} writes a factory record, and {why}"),
            format!(
                "Set it with `touchmark product update {} --vendor-name … --product-name …`.",
                quoted(name.as_str())
            ),
        ));
    }
    Ok(kept)
}

pub fn further(product: &Product) -> Result<Vec<FurtherObject>, Trouble> {
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
            "Correct the file; docs/site.md explains every key.",
        )
    })
}

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
fn judge_objects(site: &Site, objects: &[FurtherObject]) -> Result<(), Trouble> {
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
fn judged(name: &str, description: &Description) -> Result<NewProduct, Trouble> {
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
        None => Some(format!("The series of {first} has come to its end: no number is left in it.")),
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
    "object",
];

/// Settings that units made so far do not depend on.
const FREE: &[&str] = &["carton", "record"];

/// The product of that name.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn get(site: &Site, name: &str) -> Result<Product, Trouble> {
    let found = site.book.product(&ProductName::new(name)?)?;
    let like = match &found {
        None => site.book.products()?.into_iter().map(|p| p.facts.name).find(|p| p.as_str().eq_ignore_ascii_case(name)),
        Some(_) => None,
    };
    let like = like.map_or_else(String::new, |like| format!("; there is one named {like}"));
    found.ok_or_else(|| {
        Trouble::usage(
            format!("there is no product {name}{like}"),
            "List products with `touchmark product list`, or add it with `touchmark product add`.",
        )
    })
}

fn view(site: &Site, product: &Product) -> Result<ProductView, Trouble> {
    let kept = kept(product)?;
    let warnings = warnings(product, &kept);
    let facts = &product.facts;
    let declaration = crate::declaration::for_product(site, facts.vendor_id, facts.product_id, facts.purpose)?;
    Ok(ProductView {
        name: facts.name.to_string(),
        purpose: facts.purpose,
        vendor_id: format!("{:04X}", facts.vendor_id),
        product_id: format!("{:04X}", facts.product_id),
        device_type: facts.device_type,
        reach: facts.reach.split(',').map(str::to_owned).collect(),
        flow: facts.flow.clone(),
        declaration: declaration.map(|d| d.name.to_string()),
        vendor_name: kept.vendor_name,
        product_name: kept.product_name,
        hardware_version: kept.hardware_version,
        carton: kept.carton,
        objects: further(product)?.into_iter().map(|o| o.name).collect(),
        object_files: further(product)?,
        factory_record: kept.factory_record,
        lock: kept.lock,
        serial_in_qr: kept.serial_in_qr,
        record: kept.record,
        warnings,
        trust_sets: site.book.product_trust(&facts.name)?.iter().map(ToString::to_string).collect(),
        serial_series: site.book.product_series(&facts.name)?.map(|first| first.to_string()),
        added: base::times::time_text(product.added),
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
pub fn list(site: &Site) -> Result<Vec<ProductView>, Trouble> {
    site.book.products()?.iter().map(|p| view(site, p)).collect()
}
