//! `touchmark rehearse`.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::{Args, ValueEnum};
use line::chips::FaultLevel;
use rehearse::{Own, Rehearse, rehearse};

use super::at_site::Place;
use crate::output::{Exit, Failure, Output};

/// Rehearse the whole job on simulated chips, in a new site
///
/// Creates a development authority, a simulated reel, an order and a delivery.
/// Receives and examines the delivery, then provisions, proves, labels, records
/// and reconciles every unit. The same seed and faults give the same chips. With --product it is
/// your own product, with your site's settings, always for test. Your site is not changed.
#[derive(Debug, Args)]
pub struct RehearseArgs {
    /// Units to start
    #[arg(long, value_name = "N", default_value_t = 200)]
    units: u64,
    /// Seed of chips and faults
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Share of chips with faults
    #[arg(long, value_enum, default_value_t = Faults::Usual)]
    faults: Faults,
    /// Directory for the site, new or empty
    #[arg(long, value_name = "DIR", default_value = "rehearsal")]
    out: PathBuf,
    /// Product of your site, instead of the invented one
    #[arg(long, value_name = "NAME")]
    product: Option<String>,
    /// Location of the record book: sqlite:FILE, or postgres://… without a password; must be new
    #[arg(long, value_name = "URL")]
    book: Option<String>,
    /// File with the password of the book's server in one line
    #[arg(long, value_name = "FILE", requires = "book")]
    book_password_file: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Faults {
    /// None has
    None,
    /// About 1 in 30, as on a good day
    Usual,
    /// About 2 in 5
    Harsh,
}

/// Runs the command.
pub fn run(args: RehearseArgs, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let product = match &args.product {
        Some(name) => Some(Own::of(&place.open()?, name)?),
        None => None,
    };
    let request = Rehearse {
        product,
        units: args.units,
        seed: args.seed,
        faults: match args.faults {
            Faults::None => FaultLevel::None,
            Faults::Usual => FaultLevel::Usual,
            Faults::Harsh => FaultLevel::Harsh,
        },
        out: args.out,
        book: args.book,
        book_password_file: args.book_password_file,
    };
    let tells = output.tells();
    let mut step = 0;
    let done = rehearse(&request, &mut |sentence| {
        step += 1;
        if tells {
            let _ = writeln!(io::stderr().lock(), "{step:>2}  {sentence}");
        }
    })?;
    let clean = done.is_clean();
    output.show(&done, |w| {
        let (u, c) = (done.units, done.credentials);
        writeln!(w)?;
        writeln!(
            w,
            "TEST  {} of {} units passed, {} scrapped, in {:.1} s",
            u.passed, u.started, u.failed, done.seconds
        )?;
        writeln!(
            w,
            "      credentials: {} received = {} installed + {} spent + {} available",
            c.received, c.installed, c.spent, c.available
        )?;
        writeln!(
            w,
            "      unaccounted {}, used twice {}, passed unproven {}",
            c.unaccounted, done.double_use, done.unproven_passes
        )?;
        writeln!(w, "      report    {}", done.files.report)?;
        if let Some(labels) = &done.files.labels {
            writeln!(w, "      labels    {labels}")?;
        }
        writeln!(w, "      evidence  {}", done.files.evidence)
    })?;
    output.next(&format!("Open {} in a browser.", done.files.report));
    Ok(if clean { Exit::Done } else { Exit::Rejected })
}
