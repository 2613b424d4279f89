//! `touchmark specimen`.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use standard::ids::{ProductId, VendorId};
use standard::specimen::Identity;

use super::examine::now;
use crate::output::{Exit, Failure, Output};

/// Make sets that a verifier must refuse
#[derive(Debug, Subcommand)]
pub enum SpecimenCommand {
    /// Write one set for each rule, and valid ones beside them
    ///
    /// For the refusal tests of firmware and verifiers. Each set breaks one
    /// rule and no other; index.json says which, with what else can't but fall
    /// with it, and how to have it examined. FOR TESTING ONLY: the private keys
    /// lie in the sets.
    Write(WriteArgs),
}

#[derive(Debug, Args)]
pub struct WriteArgs {
    /// Directory to write, new or empty
    #[arg(long, value_name = "DIR")]
    out: PathBuf,

    /// Vendor ID in the sets: a test one
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
    let done = works::specimen::write(&args.out, &identity)?;
    output.show(&done, |w| {
        writeln!(
            w,
            "Wrote {} specimens and {} valid sets for {}/{} to {}",
            done.specimens, done.valid, args.vendor, args.product, done.directory
        )?;
        writeln!(w, "FOR TESTING ONLY: private keys lie in them. index.json says what each must lead to.")
    })?;
    Ok(Exit::Done)
}
