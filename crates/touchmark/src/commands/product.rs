//! `touchmark product`.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;
use works::product::{self, Description};

use super::at_site::Place;
use crate::output::{Exit, Failure, Output};

/// Add products: what units are going to be
#[derive(Debug, Subcommand)]
pub enum ProductCommand {
    /// Add a product; one with a test vendor ID is a test product, for ever
    Add(Add),
    /// Say which trust sets a product must please
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
    /// Device type, decimal or 0x and hex digits
    #[arg(long, value_name = "N", value_parser = number, required_unless_present = "from")]
    device_type: Option<u32>,
    /// Ways a phone finds it, comma-separated: soft-ap ble ip wifi-paf nfc
    #[arg(long, value_name = "LIST", required_unless_present = "from")]
    reach: Option<String>,
    /// Commissioning flow: standard, user-intent, custom
    #[arg(long, value_name = "F")]
    flow: Option<String>,
    /// Write the unit's factory record into the chip too
    #[arg(long)]
    factory_record: bool,
    /// Take everything from a TOML file; what is given here too overrides it
    #[arg(long, value_name = "FILE.toml")]
    from: Option<PathBuf>,
}

#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("change").required(true)))]
pub struct Update {
    /// Its name
    name: String,
    /// Trust sets that it must please, in place of those before: stations refuse what one of them would refuse
    #[arg(long = "trust-set", value_name = "NAME", num_args = 1.., group = "change")]
    trust_sets: Vec<String>,
    /// It need please none any more
    #[arg(long, group = "change")]
    no_trust_sets: bool,
}

/// A number, decimal or `0x` and hex digits.
pub fn number(text: &str) -> Result<u32, String> {
    let parsed = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => u32::from_str_radix(digits, 16),
        None => text.parse(),
    };
    parsed.map_err(|_| format!("{text:?} is no number of 32 bits, as 514 or 0x0202"))
}

fn description(args: &Add) -> Result<Description, Failure> {
    let mut description = match &args.from {
        Some(path) => product::read(path)?,
        None => Description {
            vendor: args.vendor.clone().unwrap_or_default(),
            product: args.product.clone().unwrap_or_default(),
            device_type: args.device_type.unwrap_or_default(),
            reach: args.reach.clone().unwrap_or_default(),
            flow: "standard".into(),
            vendor_name: None,
            product_name: None,
            hardware_version: 1,
            factory_record: false,
            lock: true,
            carton: None,
            objects: Vec::new(),
        },
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
    description.factory_record |= args.factory_record;
    Ok(description)
}

/// Runs the command.
pub fn run(command: ProductCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    match command {
        ProductCommand::Add(args) => {
            let added = product::add(&site, &args.name, &description(&args)?, &place.who()?)?;
            output.show(&added, |w| {
                let kind =
                    if added.purpose == "test" { "TEST product, never to be sold" } else { "production product" };
                writeln!(w, "Added {} {} {}: {kind}", added.name, added.vendor_id, added.product_id)?;
                match &added.declaration {
                    Some(name) => writeln!(w, "  declaration  {name}"),
                    None => writeln!(w, "  declaration  none yet: adopt or make one that names it"),
                }
            })?;
        }
        ProductCommand::Update(args) => {
            works::trust::name_for_product(&site, &args.name, &args.trust_sets, &place.who()?)?;
            let p = product::show(&site, &args.name)?;
            output.show(&p, |w| {
                let sets = if p.trust_sets.is_empty() { "none".into() } else { p.trust_sets.join(", ") };
                writeln!(w, "{} must please: {sets}", p.name)
            })?;
        }
        ProductCommand::List => {
            let list = product::list(&site)?;
            output.show(&json!({ "products": list }), |w| {
                for p in &list {
                    let test = if p.purpose == "test" { "  TEST" } else { "" };
                    writeln!(w, "{}  {} {}{test}", p.name, p.vendor_id, p.product_id)?;
                }
                if list.is_empty() { writeln!(w, "No product yet: touchmark product add.") } else { Ok(()) }
            })?;
        }
        ProductCommand::Show { name } => {
            let p = product::show(&site, &name)?;
            output.show(&p, |w| {
                let test = if p.purpose == "test" { "  TEST" } else { "" };
                writeln!(w, "{}  {} {}{test}", p.name, p.vendor_id, p.product_id)?;
                writeln!(w, "  device type  0x{:04X}", p.device_type)?;
                writeln!(w, "  reach        {}", p.reach.join(", "))?;
                writeln!(w, "  flow         {}", p.flow)?;
                writeln!(w, "  declaration  {}", p.declaration.as_deref().unwrap_or("none"))?;
                if !p.trust_sets.is_empty() {
                    writeln!(w, "  must please  {}", p.trust_sets.join(", "))?;
                }
                writeln!(
                    w,
                    "  objects      {}",
                    if p.objects.is_empty() { "none further".into() } else { p.objects.join(", ") }
                )
            })?;
        }
    }
    Ok(Exit::Done)
}
