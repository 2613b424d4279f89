//! `touchmark declaration`.

use std::io::{self, Write};
use std::path::PathBuf;

use base::finding_view::FindingView;
use clap::{Args, Subcommand};
use custody::WorkFactor;
use serde_json::json;
use site::declaration;
use site::declaration::{DeclarationView, Make};
use standard::ids::{ProductId, VendorId};

use super::at_site::{PassphraseArgs, Place};
use crate::output::{Exit, Failure, Output};

/// Make development declarations, adopt those issued outside
#[derive(Debug, Subcommand)]
pub enum DeclarationCommand {
    /// Make a development declaration (type 0), signed by the site's own key
    Make(MakeArgs),
    /// Adopt a declaration issued outside, after examining it with a signer that you trust
    Adopt(AdoptArgs),
    /// Withdraw a declaration that no unit was made with, such as one adopted for the wrong product
    ///
    /// Its name and content can be used again. The log records the withdrawal.
    Withdraw {
        /// Its name
        name: String,
    },
    /// List declarations
    List,
    /// Show one declaration
    Show {
        /// Its name
        name: String,
    },
}

#[derive(Debug, Args)]
pub struct MakeArgs {
    /// Vendor ID: yours, or one for tests (FFF1 to FFF4)
    #[arg(long, value_name = "VID")]
    vendor: VendorId,
    /// Product IDs, comma-separated or repeated
    #[arg(long, value_name = "PID", required = true, value_delimiter = ',')]
    product: Vec<ProductId>,
    /// Device type, decimal or hex after 0x
    #[arg(long, value_name = "N", value_parser = super::product::number)]
    device_type: u32,
    /// Certificate id of exactly 19 characters; default: generated
    #[arg(long, value_name = "TEXT")]
    certificate_id: Option<String>,
    /// Vendor ID in the DAC, if it differs
    #[arg(long, value_name = "VID", requires = "origin_product")]
    origin_vendor: Option<VendorId>,
    /// Product ID in the DAC, if it differs
    #[arg(long, value_name = "PID", requires = "origin_vendor")]
    origin_product: Option<ProductId>,
    /// Name here; default: the certificate id
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

#[derive(Debug, Args)]
pub struct AdoptArgs {
    /// Declaration as it was issued
    file: PathBuf,
    /// Certificate or public key of its signer, received through a separate, trusted channel
    #[arg(long, value_name = "CERT")]
    signer: PathBuf,
    /// Name here; default: the certificate id
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
}

const ADD_PRODUCT: &str = "Add the product with `touchmark product add`.";

/// Runs the command.
pub fn run(command: DeclarationCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let who = place.who()?;
    match command {
        DeclarationCommand::Make(args) => {
            let passphrase = args.passphrase.get("for the site's declaration key", true)?;
            let make = Make {
                name: args.name.as_deref(),
                vendor: args.vendor,
                products: args.product,
                device_type: args.device_type,
                certificate_id: args.certificate_id.as_deref(),
                origin: args.origin_vendor.zip(args.origin_product),
                authorities: Vec::new(),
                passphrase: &passphrase,
                work: WorkFactor::PRODUCTION,
            };
            let made = declaration::make(&site, &make, &who)?;
            output.show(&made, |w| {
                let name = &made.declaration.name;
                writeln!(w, "Made the development declaration {name}: TEST, do not ship anything with it")?;
                words(w, &made.declaration)?;
                made.products.iter().try_for_each(|has| writeln!(w, "{}", has.words()))?;
                made.not_for.iter().try_for_each(|product| {
                    writeln!(w, "Product {product} is for sale and does not use it: adopt the alliance's declaration.")
                })
            })?;
            if made.products.is_empty() && made.not_for.is_empty() {
                output.next(ADD_PRODUCT);
            }
            Ok(Exit::Done)
        }
        DeclarationCommand::Adopt(args) => {
            let adopted = declaration::adopt(&site, &args.file, &args.signer, args.name.as_deref(), &who)?;
            // The file's name, as `examine` calls it.
            let subject = args.file.file_name().unwrap_or(args.file.as_os_str()).to_string_lossy();
            let findings: Vec<_> = adopted.findings.iter().map(|f| FindingView::of(subject.clone(), f)).collect();
            let verdict = if adopted.declaration.is_some() { "accepted" } else { "rejected" };
            output.show(
                &json!({
                    "verdict": verdict, "declaration": adopted.declaration, "already": adopted.already,
                    "products": adopted.products, "findings": findings,
                }),
                |w| {
                    for f in adopted.findings.iter().filter(|f| f.severity != standard::verdict::Severity::Note) {
                        writeln!(w, "{} {}: {}", f.severity, f.rule.name, f.found)?;
                        writeln!(w, "  next  {}", f.advice)?;
                    }
                    match &adopted.declaration {
                        Some(d) => {
                            if adopted.already {
                                writeln!(w, "The declaration {} was already adopted; nothing was changed", d.name)?;
                            } else {
                                writeln!(w, "Adopted the declaration {}", d.name)?;
                            }
                            words(w, d)?;
                            adopted.products.iter().try_for_each(|has| writeln!(w, "{}", has.words()))
                        }
                        None => writeln!(w, "Nothing was adopted."),
                    }
                },
            )?;
            if adopted.declaration.is_some() && adopted.products.is_empty() {
                output.next(ADD_PRODUCT);
            }
            Ok(if adopted.declaration.is_some() { Exit::Done } else { Exit::Rejected })
        }
        DeclarationCommand::Withdraw { name } => {
            let done = declaration::withdraw(&site, &name, &who)?;
            output.show(&done, |w| {
                writeln!(w, "Withdrew declaration {}, for {}", done.withdrawn, done.purpose)?;
                writeln!(w, "  log  entry {} holds what it was", done.entry)
            })?;
            output.next("Adopt the right one with `touchmark declaration adopt`.");
            Ok(Exit::Done)
        }
        DeclarationCommand::List => {
            let list = declaration::list(&site)?;
            output.show(&json!({ "declarations": list }), |w| {
                for d in &list {
                    writeln!(w, "{}  {}  {} {}", d.name, d.purpose, d.vendor_id, d.product_ids.join(","))?;
                }
                if list.is_empty() { writeln!(w, "No declarations yet.") } else { Ok(()) }
            })?;
            Ok(Exit::Done)
        }
        DeclarationCommand::Show { name } => {
            let shown = declaration::show(&site, &name)?;
            output.show(&shown, |w| {
                writeln!(w, "{}", shown.name)?;
                words(w, &shown)
            })?;
            Ok(Exit::Done)
        }
    }
}

fn words(w: &mut dyn Write, d: &DeclarationView) -> io::Result<()> {
    let kind = match d.certification_type {
        0 => "development and test",
        1 => "provisional",
        _ => "official",
    };
    writeln!(w, "  for          {} {}", d.vendor_id, d.product_ids.join(", "))?;
    writeln!(w, "  type         {} ({kind})", d.certification_type)?;
    writeln!(w, "  certificate  {}", d.certificate_id.as_deref().unwrap_or("none"))?;
    writeln!(w, "  signer       {}", d.signer_key_id.as_deref().unwrap_or("none"))?;
    match d.authorities.as_slice() {
        [] => Ok(()),
        roots => writeln!(w, "  roots        only those with the keys {}", roots.join(", ")),
    }
}
