//! Products: what units are going to be.

mod add;
mod change;

use std::fs;
use std::path::{Path, PathBuf};

pub use add::{add, declared};
use base::advice::quoted;
use base::trouble::Trouble;
use book::ids::ProductName;
use book::{Product, Purpose};
pub use change::{Change, Changed, Updated, check_series, update};
use serde::{Deserialize, Serialize};
use standard::factory_record::{self, Field};
use standard::onboarding::{Flow, Reach};
use utoipa::ToSchema;

use crate::Site;
use crate::record_place::RecordPlace;

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
    /// Which finished units are met before they are shipped.
    #[serde(default)]
    pub final_inspection: FinalInspection,
    /// The part file of its secure element, from the site's directory, or the name of a built-in part.
    #[serde(default)]
    pub part: Option<PathBuf>,
    /// Further objects for the chip.
    #[serde(default, rename = "object")]
    pub objects: Vec<FurtherObject>,
}

book::words! {
    /// Which finished units of a product are met before they are shipped.
    #[derive(Default)]
    FinalInspection {
        /// None need be.
        #[default]
        None = "none",
        /// Each one.
        Every = "every",
    }
}

impl FinalInspection {
    /// Whether no unit need be met.
    pub fn is_none(&self) -> bool {
        *self == Self::None
    }
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
            final_inspection: FinalInspection::None,
            part: None,
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
            final_inspection: kept.final_inspection,
            part: kept.part,
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
    #[serde(default, skip_serializing_if = "FinalInspection::is_none")]
    pub final_inspection: FinalInspection,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<PathBuf>,
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
    /// Which finished units are met before they are shipped; left out where none need be.
    #[serde(skip_serializing_if = "FinalInspection::is_none")]
    pub final_inspection: FinalInspection,
    /// The part file of its secure element, or the name of a built-in part, where the product names one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub part: Option<PathBuf>,
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

/// Which finished units of a product are met.
pub fn final_inspection(product: &Product) -> FinalInspection {
    let word = product.facts.settings.get("final_inspection").and_then(serde_json::Value::as_str);
    word.and_then(FinalInspection::from_word).unwrap_or_default()
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
        final_inspection: kept.final_inspection,
        part: kept.part,
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
