//! `touchmark fit`: parts against what a product needs.

use std::io::{self, Write};
use std::path::PathBuf;

use base::Trouble;
use decide::fit::{Fit, Request, fit, needs, page};
use decide::part::page::{clock_words, time_words};
use decide::part::{Part, Threat};
use print::chart::grouped;
use standard::ids::{ProductId, VendorId};

use crate::commands::at_site::Place;
use crate::commands::paper::PaperArgs;
use crate::commands::words::row;
use crate::output::{Exit, Failure, Output};

/// Judge secure elements against what a product needs
///
/// A part file (docs/part-file.md) describes each part; give several to compare them. Without --product or
/// --identity, the largest sizes that the standard allows are used. Exits with 1 if no part fits.
#[derive(Debug, clap::Args)]
pub struct FitArgs {
    /// Part file, or the name of a built-in part: QL-S1, QL-S2, QL-M4
    #[arg(long = "part", value_name = "FILE", required = true)]
    parts: Vec<PathBuf>,
    /// Product of the site
    #[arg(long, value_name = "NAME")]
    product: Option<String>,
    /// Identity of a product that no site knows yet, such as FFF2:8A21
    #[arg(long, value_name = "VID:PID", conflicts_with = "product")]
    identity: Option<String>,
    /// Further object and its size in bytes, such as "trust-anchor=900"; may be repeated
    #[arg(long, value_name = "NAME=BYTES")]
    further: Vec<String>,
    /// Threats that the product faces, comma-separated: flash-readout, bus-listening, firmware-takeover, side-channel,
    /// fault-injection, chip-swap, factory-copying
    #[arg(long, value_name = "LIST", value_delimiter = ',')]
    threat: Vec<String>,
    /// Seconds of a whole commissioning, to compare the chip's share with
    #[arg(long, value_name = "S", default_value_t = 12.0, allow_negative_numbers = true)]
    commissioning: f64,
    #[command(flatten)]
    paper: PaperArgs,
}

/// An identity as people type it.
fn identity(text: &str) -> Result<(VendorId, ProductId), Failure> {
    let odd = |e: &dyn std::fmt::Display| {
        Failure::usage(format!("--identity {text:?}: {e}"), "Write VID:PID, each four hex digits, such as FFF2:8A21.")
    };
    let (vendor, product) = text.split_once(':').ok_or_else(|| odd(&"it is not VID:PID"))?;
    Ok((vendor.parse().map_err(|e| odd(&e))?, product.parse().map_err(|e| odd(&e))?))
}

/// Runs the command.
pub fn run(args: FitArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let parts = args.parts.iter().map(|p| Part::named(p)).collect::<Result<Vec<_>, Trouble>>()?;
    let threats = Threat::typed(args.threat.iter().map(String::as_str))?;
    let mut above = "touchmark fit".to_owned();
    let mut needs = match (&args.product, &args.identity) {
        (Some(name), _) => {
            let site = place.open()?;
            above = site.settings.site.name.clone();
            needs::of_product(&site, name)?
        }
        (None, Some(text)) => {
            let (vendor, product) = identity(text)?;
            needs::of_identity(vendor, product)?
        }
        (None, None) => needs::at_most()?,
    };
    for text in &args.further {
        needs.add_typed(text)?;
    }
    let told = fit(&Request { parts, needs, threats, commissioning_s: args.commissioning })?;
    let written = if args.paper.is_wanted() {
        let now = place.who()?.now();
        args.paper.write(page::document(&told, &format!("{above} · {now}")))?
    } else {
        Vec::new()
    };
    output.show(&told, |w| tell(w, &told, &written))?;
    Ok(if told.fits { Exit::Done } else { Exit::Rejected })
}

fn tell(w: &mut dyn Write, fit: &Fit, written: &[String]) -> io::Result<()> {
    let product = fit.product.as_deref().unwrap_or("The largest that the standard allows");
    writeln!(w, "{product}: {} bytes in {} objects", grouped(fit.needs.octets()), fit.needs.objects.len())?;
    for need in &fit.needs.objects {
        row(w, &need.name, &format!("{:>6}  {}", grouped(need.octets), need.why))?;
    }
    writeln!(w)?;
    let table = page::side_by_side(fit);
    // A column is as wide as its widest cell, but for long claims, which are told below.
    let most = 26;
    let clip = |text: &str| -> String {
        if text.chars().count() > most {
            format!("{}…", text.chars().take(most - 1).collect::<String>())
        } else {
            text.to_owned()
        }
    };
    for cells in std::iter::once(&table.head).chain(&table.rows) {
        let mut line = format!("{:<31}", cells[0]);
        for cell in &cells[1..] {
            line.push_str(&format!("{:<28}", clip(cell)));
        }
        writeln!(w, "{}", line.trim_end())?;
    }
    for part in &fit.parts {
        writeln!(w, "\n{}: {}", part.name, if part.fits { "everything fits" } else { "does not fit" })?;
        if let Some(package) = &part.package {
            row(w, "package", package)?;
        }
        for check in &part.checks {
            row(w, &check.what, &format!("{}: needs {}; {}", check.verdict, check.required, check.found))?;
            if let Some(advice) = &check.advice {
                row(w, "", &format!("next: {advice}"))?;
            }
        }
        for at in &part.clocks {
            let protected = if at.protected { ", protected" } else { "" };
            row(
                w,
                &format!("{}{protected}", clock_words(at.hertz)),
                &format!(
                    "one unit {}: writing {}, reading back {}, proving {}",
                    time_words(at.unit_ms),
                    time_words(at.write_ms),
                    time_words(at.read_back_ms),
                    time_words(at.prove_ms)
                ),
            )?;
        }
        for claim in &part.claims {
            row(w, "claims", &format!("{}, {}: {}", claim.scheme, claim.level, claim.covers))?;
        }
    }
    writeln!(w, "\nThreats and the makers' answers")?;
    for threat in &fit.threats {
        writeln!(w, "  {}{}: {}", threat.threat, if threat.stated { " (stated)" } else { "" }, threat.means)?;
        for (name, answer, because) in &threat.answers {
            writeln!(w, "    {name:<8} {answer:<8} {because}")?;
        }
    }
    for argument in &fit.arguments {
        writeln!(w, "\n{} or {}", argument.discrete, argument.microcontroller)?;
        for sentence in &argument.because {
            writeln!(w, "  {sentence}")?;
        }
    }
    writeln!(w)?;
    for assumption in &fit.assumptions {
        writeln!(w, "  {assumption}")?;
    }
    for file in written {
        writeln!(w, "written: {file}")?;
    }
    Ok(())
}
