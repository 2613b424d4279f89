//! `touchmark product`.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde_json::{Value, json};
use site::product;
use site::product::{Change, Description, FinalInspection, ProductView};
use site::record_place::{RecordFormat, RecordPlace};

use super::at_site::Place;
use crate::output::{Exit, Failure, Output};

/// Add and change products
#[derive(Debug, Subcommand)]
pub enum ProductCommand {
    /// Add a product, for test or for production
    ///
    /// A test vendor ID (FFF1 to FFF4) always makes a test product. Any other makes a
    /// production product, unless --purpose test marks prototypes.
    Add(Add),
    /// Change a product while no unit depends on what changes
    ///
    /// Vendor ID, product ID and purpose can change until a reel is received for it,
    /// everything else until the first unit. Trust sets can change at any time.
    Update(Update),
    /// List products
    List,
    /// Show one product
    Show {
        /// Its name
        name: String,
    },
}

#[derive(Debug, Args)]
pub struct Add {
    /// Its name
    name: String,
    /// Vendor ID
    #[arg(long, value_name = "VID", required_unless_present = "from")]
    vendor: Option<String>,
    /// Product ID
    #[arg(long, value_name = "PID", required_unless_present = "from")]
    product: Option<String>,
    /// Purpose: test or production; default: production. A test vendor ID is always test
    #[arg(long, value_name = "PURPOSE", value_parser = ["test", "production"])]
    purpose: Option<String>,
    /// Vendor name, for labels and the factory record: 1 to 32 bytes
    #[arg(long, value_name = "NAME")]
    vendor_name: Option<String>,
    /// Product name, for labels and the factory record; default: the product's own name
    #[arg(long, value_name = "NAME")]
    product_name: Option<String>,
    /// Device type, decimal or hex after 0x
    #[arg(long, value_name = "N", value_parser = number, required_unless_present = "from")]
    device_type: Option<u32>,
    /// How a phone reaches the device, comma-separated: soft-ap, ble, ip, wifi-paf, nfc
    #[arg(long, value_name = "LIST", required_unless_present = "from")]
    reach: Option<String>,
    /// Commissioning flow: standard, user-intent, custom
    #[arg(long, value_name = "F")]
    flow: Option<String>,
    /// Also write the unit's factory record into the chip
    #[arg(long)]
    factory_record: bool,
    /// Put the unit's serial number into its QR code
    #[arg(long)]
    serial_in_qr: bool,
    /// Which finished units are met before they are shipped: none, every; default: none
    #[arg(long, value_name = "WHICH", value_parser = inspection)]
    final_inspection: Option<FinalInspection>,
    /// The flashing tool gets the unit's factory record, in this form: cbor, hex or image
    ///
    /// `record make` then writes it so. Address and size of the flash region come from --record-address and
    /// --record-size, or from the `[record]` section of the product's file.
    #[arg(long, value_name = "FORMAT")]
    record: Option<RecordFormat>,
    /// Address of the record in the flash, decimal or hex after 0x; default: 0
    #[arg(long, value_name = "ADDRESS", value_parser = number, requires = "record")]
    record_address: Option<u32>,
    /// Size of the flash region in bytes, decimal or hex after 0x; default: 4096, enough for any record
    #[arg(long, value_name = "BYTES", value_parser = number, requires = "record")]
    record_size: Option<u32>,
    /// First number of the series that new units get, such as HL-000001
    #[arg(long, value_name = "FIRST")]
    serial_series: Option<String>,
    /// Read everything from a TOML file; options given here override it
    #[arg(long, value_name = "FILE.toml")]
    from: Option<PathBuf>,
}

#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("change").required(true).multiple(true)))]
pub struct Update {
    /// Its name
    name: String,
    /// Vendor name, for labels and the factory record: 1 to 32 bytes
    #[arg(long, value_name = "NAME", group = "change")]
    vendor_name: Option<String>,
    /// Product name, for labels and the factory record
    #[arg(long, value_name = "NAME", group = "change")]
    product_name: Option<String>,
    /// Read everything from a TOML file, as product add does; options given here override it
    #[arg(long, value_name = "FILE.toml", group = "change")]
    from: Option<PathBuf>,
    /// Which finished units are met before they are shipped: none, every
    #[arg(long, value_name = "WHICH", group = "change", value_parser = inspection)]
    final_inspection: Option<FinalInspection>,
    /// First number of the series that new units get from now on, such as HL-000001
    #[arg(long, value_name = "FIRST", group = "change")]
    serial_series: Option<String>,
    /// Remove the series: each run then names its numbers
    #[arg(long, group = "change", conflicts_with = "serial_series")]
    no_serial_series: bool,
    /// Trust sets that must accept it, replacing the earlier ones: stations refuse what one of them would refuse
    #[arg(long = "trust-set", value_name = "NAME", num_args = 1.., group = "change")]
    trust_sets: Vec<String>,
    /// Require no trust set any more
    #[arg(long, group = "change", conflicts_with = "trust_sets")]
    no_trust_sets: bool,
}

fn inspection(text: &str) -> Result<FinalInspection, String> {
    FinalInspection::from_word(text).ok_or_else(|| "give none or every".into())
}

/// A number, decimal or `0x` and hex digits.
pub fn number(text: &str) -> Result<u32, String> {
    let parsed = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => u32::from_str_radix(digits, 16),
        None => text.parse(),
    };
    parsed.map_err(|_| format!("{text:?} is not a 32-bit number such as 514 or 0x0202"))
}

fn description(args: &Add) -> Result<Description, Failure> {
    let mut description = match &args.from {
        Some(path) => product::read(path)?,
        None => Description::new(
            args.vendor.as_deref().unwrap_or_default(),
            args.product.as_deref().unwrap_or_default(),
            args.device_type.unwrap_or_default(),
            args.reach.as_deref().unwrap_or_default(),
        ),
    };
    if let Some(vendor) = &args.vendor {
        description.vendor.clone_from(vendor);
    }
    if let Some(product) = &args.product {
        description.product.clone_from(product);
    }
    if let Some(kind) = args.device_type {
        description.device_type = kind;
    }
    if let Some(reach) = &args.reach {
        description.reach.clone_from(reach);
    }
    if let Some(flow) = &args.flow {
        description.flow.clone_from(flow);
    }
    description.purpose = args.purpose.clone().or(description.purpose);
    description.vendor_name = args.vendor_name.clone().or(description.vendor_name);
    description.product_name = args.product_name.clone().or(description.product_name);
    description.factory_record |= args.factory_record;
    description.serial_in_qr |= args.serial_in_qr;
    description.final_inspection = args.final_inspection.unwrap_or(description.final_inspection);
    if let Some(format) = args.record {
        let mut place = RecordPlace { format, ..description.record.unwrap_or_else(|| RecordPlace::of(format)) };
        place.address = args.record_address.unwrap_or(place.address);
        place.size = args.record_size.unwrap_or(place.size);
        description.record = Some(place);
    }
    Ok(description)
}

/// Runs the command.
pub fn run(command: ProductCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    match command {
        ProductCommand::Add(args) => {
            let who = place.who()?;
            if let Some(first) = &args.serial_series {
                product::check_series(first)?;
            }
            let mut p = product::add(&site, &args.name, &description(&args)?, &who)?;
            if args.serial_series.is_some() {
                let change = Change { serial_series: Some(args.serial_series), ..Change::default() };
                p = product::update(&site, &args.name, &change, &who)?.product;
            }
            output.warn(&p.warnings);
            let declared = product::declared(&site, &p.vendor_id)?;
            output.show(&p, |w| {
                let kind = if p.purpose.is_test() { "TEST product, do not sell" } else { "production product" };
                writeln!(w, "Added {} {} {}: {kind}", p.name, p.vendor_id, p.product_id)?;
                match &p.declaration {
                    Some(name) => writeln!(w, "  declaration  {name}"),
                    None if declared.is_empty() => writeln!(w, "  declaration  none yet"),
                    None => {
                        let named = declared.into_iter().collect::<Vec<_>>().join(", ");
                        writeln!(w, "  declaration  none yet; those that are here name {} {named}", p.vendor_id)
                    }
                }
            })?;
            output.next(match &p.declaration {
                Some(_) => "Receive a reel with `touchmark reel receive`.",
                None => "Adopt or make a declaration that names it (`touchmark declaration`), then receive a reel.",
            });
        }
        ProductCommand::Update(args) => {
            let who = place.who()?;
            let change = Change {
                from: args.from.as_deref().map(product::read).transpose()?,
                vendor_name: args.vendor_name,
                product_name: args.product_name,
                final_inspection: args.final_inspection,
                serial_series: args.serial_series.map(Some).or(args.no_serial_series.then_some(None)),
            };
            let mut updated = product::update(&site, &args.name, &change, &who)?;
            let trust = args.no_trust_sets || !args.trust_sets.is_empty();
            if trust {
                site::trust::name_for_product(&site, &args.name, &args.trust_sets, &who)?;
                updated.product = product::show(&site, &args.name)?;
            }
            output.show(&updated, |w| {
                let p = &updated.product;
                for c in &updated.changed {
                    writeln!(w, "{}: {} was {}, is {}", p.name, c.setting, plain(&c.from), plain(&c.to))?;
                }
                if trust {
                    let sets = if p.trust_sets.is_empty() { "none".into() } else { p.trust_sets.join(", ") };
                    writeln!(w, "{}: trust sets {sets}", p.name)
                } else if updated.changed.is_empty() {
                    writeln!(w, "{} is like this already: nothing was changed.", p.name)
                } else {
                    Ok(())
                }
            })?;
        }
        ProductCommand::List => {
            let list = product::list(&site)?;
            output.show(&json!({ "products": list }), |w| {
                for p in &list {
                    let test = if p.purpose.is_test() { "  TEST" } else { "" };
                    writeln!(w, "{}  {} {}{test}", p.name, p.vendor_id, p.product_id)?;
                }
                if list.is_empty() { writeln!(w, "No products yet.") } else { Ok(()) }
            })?;
        }
        ProductCommand::Show { name } => {
            let p = product::show(&site, &name)?;
            output.show(&p, |w| shown(w, &p))?;
        }
    }
    Ok(Exit::Done)
}

/// A setting as people read it.
fn plain(value: &Value) -> String {
    match value {
        Value::Null => "none".into(),
        Value::String(text) => text.clone(),
        Value::Array(all) if all.is_empty() => "none".into(),
        other => other.to_string(),
    }
}

fn shown(w: &mut dyn Write, p: &ProductView) -> io::Result<()> {
    let yes = |yes: bool| if yes { "yes" } else { "no" }.to_owned();
    let list = |list: &[String], none: &str| if list.is_empty() { none.to_owned() } else { list.join(", ") };
    let objects: Vec<_> = p
        .object_files
        .iter()
        .map(|o| match (&o.file, &o.per_unit) {
            (Some(file), _) => format!("{} from {}", o.name, file.display()),
            (None, dir) => format!("{} from {}/", o.name, dir.as_deref().unwrap_or(Path::new(".")).display()),
        })
        .collect();
    writeln!(w, "{}  {} {}{}", p.name, p.vendor_id, p.product_id, if p.purpose.is_test() { "  TEST" } else { "" })?;
    let rows = [
        ("purpose", p.purpose.to_string()),
        ("vendor name", p.vendor_name.clone().unwrap_or_else(|| "none".into())),
        ("product name", p.product_name.clone()),
        ("device type", format!("0x{:04X}", p.device_type)),
        ("hardware", format!("version {}", p.hardware_version)),
        ("reach", p.reach.join(", ")),
        ("flow", p.flow.clone()),
        ("carton", p.carton.map_or_else(|| "the site's setting".into(), |n| format!("{n} units"))),
        ("declaration", p.declaration.clone().unwrap_or_else(|| "none".into())),
        ("factory record", format!("written into the chip: {}", yes(p.factory_record))),
        (
            "flashed record",
            p.record
                .map_or_else(|| "none".into(), |r| format!("{} at 0x{:08X}, {} bytes", r.format, r.address, r.size)),
        ),
        ("QR code", format!("carries the serial number: {}", yes(p.serial_in_qr))),
        ("final inspection", p.final_inspection.to_string()),
        ("lock", format!("after the proof, where the part can be: {}", yes(p.lock))),
        ("part", p.part.as_ref().map_or_else(|| "not named".into(), |part| part.display().to_string())),
        ("objects", list(&objects, "none further")),
        ("trust sets", list(&p.trust_sets, "none")),
        ("serial numbers", p.serial_series.as_ref().map_or_else(|| "no series".into(), |s| format!("series {s}"))),
        ("added", p.added.clone()),
    ];
    rows.iter().try_for_each(|(label, value)| writeln!(w, "  {label:<14} {value}"))?;
    p.warnings.iter().try_for_each(|warning| writeln!(w, "  {:<14} {warning}", "warning"))
}
