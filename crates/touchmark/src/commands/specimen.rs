//! `touchmark specimen`.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use standard::ids::{ProductId, VendorId};
use standard::specimen::Identity;

use super::examine::now;
use crate::output::{Exit, Failure, Output};

/// Write sets that a verifier must refuse
#[derive(Debug, Subcommand)]
pub enum SpecimenCommand {
    /// Write one set for each rule, and valid sets to compare
    ///
    /// For the refusal tests of firmware and verifiers. Each set breaks one
    /// rule; index.json lists that rule, the rules that necessarily break with
    /// it, and the arguments to examine it. FOR TESTING ONLY: the sets contain
    /// their private keys.
    Write(WriteArgs),
}

#[derive(Debug, Args)]
pub struct WriteArgs {
    /// Directory to write, new or empty
    #[arg(long, value_name = "DIR")]
    out: PathBuf,

    /// Vendor ID in the sets (FFF1 to FFF4)
    #[arg(long, value_name = "VID", default_value = "FFF1")]
    vendor: VendorId,

    /// Product ID in the sets
    #[arg(long, value_name = "PID", default_value = "8001")]
    product: ProductId,
}

/// Runs the command.
pub fn run(command: SpecimenCommand, output: &mut Output) -> Result<Exit, Failure> {
    let SpecimenCommand::Write(args) = command;
    let identity = Identity { vendor: args.vendor, product: args.product, now: now() };
    let done = examine::specimen::write(&args.out, &identity)?;
    output.show(&done, |w| {
        writeln!(
            w,
            "Wrote {} specimens and {} valid sets for {}/{} to {}",
            done.specimens, done.valid, args.vendor, args.product, done.directory
        )?;
        writeln!(w, "FOR TESTING ONLY: they contain private keys.")
    })?;
    output.next("Run each set through your verifier; index.json lists the expected results.");
    Ok(Exit::Done)
}
