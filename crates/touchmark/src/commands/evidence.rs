//! `touchmark evidence`.

use std::path::PathBuf;

use answer::evidence;
use base::quoted;
use clap::{ArgGroup, Args, Subcommand};
use line::chosen::Which;
use time::OffsetDateTime;

use super::at_site::{PassphraseArgs, Place};
use super::carton::PackedArgs;
use super::impact::time;
use super::words::many;
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Make packs that an auditor can check without this program, and check them
#[derive(Debug, Subcommand)]
pub enum EvidenceCommand {
    /// Export a signed pack of units: records, certificates, exchanges, log entries with their proofs
    Export(Export),
    /// Check a pack with the site's public key, and list what was altered
    Check(Check),
}

#[derive(Debug, Args)]
#[command(group(ArgGroup::new("which").required(true).multiple(true).args(["unit", "reel", "from", "to", "carton", "pallet", "shipment", "all"])))]
pub struct Export {
    /// Units
    #[arg(value_name = "UNIT", conflicts_with_all = ["reel", "from", "to", "carton", "pallet", "shipment", "all"])]
    unit: Vec<String>,
    /// All units of a reel
    #[arg(long, value_name = "ID", conflicts_with_all = ["from", "to", "all"])]
    reel: Option<String>,
    /// Units with an attempt that ended at or after this time: 2026-03-01 or 2026-03-01T12:00:00Z
    #[arg(long, value_name = "TIME", value_parser = time, conflicts_with = "all")]
    from: Option<OffsetDateTime>,
    /// … and before this time
    #[arg(long, value_name = "TIME", value_parser = time, conflicts_with = "all")]
    to: Option<OffsetDateTime>,
    #[command(flatten)]
    packed: PackedArgs,
    /// All units of the site
    #[arg(long, conflicts_with_all = ["carton", "pallet", "shipment"])]
    all: bool,
    /// Pack to write; the public key is written beside it
    #[arg(long, value_name = "FILE.zip")]
    out: PathBuf,
    #[command(flatten)]
    passphrase: PassphraseArgs,
}

#[derive(Debug, Args)]
pub struct Check {
    /// The pack
    #[arg(value_name = "FILE.zip")]
    pack: PathBuf,
    /// The site's public key, PEM
    #[arg(long, value_name = "FILE")]
    key: PathBuf,
}

/// Runs the command.
pub fn run(command: EvidenceCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    match command {
        EvidenceCommand::Export(args) => {
            let site = place.open()?;
            let passphrase = args.passphrase.for_site_key(&site)?;
            let packed = args.packed.of(&site)?;
            let which = match (&args.reel, args.from, args.to, args.all) {
                _ if packed.is_some() => packed.as_ref().map_or(Which::All, Which::Packed),
                (Some(reel), ..) => Which::Reel(reel),
                (None, None, None, true) => Which::All,
                (None, None, None, false) => Which::Units(&args.unit),
                (None, from, to, _) => Which::Period(from, to),
            };
            let who = place.who()?;
            let made = watched(output, "units", |course| {
                evidence::export(&site, &which, &args.out, passphrase.as_ref(), &who, course)
            })?;
            output.show(&made, |w| {
                writeln!(
                    w,
                    "Wrote evidence of {}, {} proven, to {}",
                    many(made.units, "unit"),
                    made.proven,
                    made.pack
                )?;
                writeln!(w, "  public key  {}", made.key)?;
                writeln!(w, "  log         {} entries, {}", made.entries, made.root)
            })?;
            output.next(&format!(
                "Give pack and key to the auditor, each through its own channel. The auditor runs `touchmark evidence \
                 check {} --key {}`.",
                quoted(&made.pack),
                quoted(&made.key)
            ));
            Ok(Exit::Done)
        }
        EvidenceCommand::Check(args) => {
            let checked = evidence::check(&args.pack, &args.key)?;
            let whole = checked.verdict == "whole";
            output.show(&checked, |w| {
                writeln!(w, "{}", checked.verdict)?;
                if let (Some(what), Some(site), Some(made)) = (&checked.what, &checked.site, &checked.made) {
                    let test = if checked.test == Some(true) { "  TEST" } else { "" };
                    writeln!(w, "  {what} of {site}, made {made}{test}")?;
                }
                for altered in &checked.altered {
                    writeln!(w, "  {}: {}", altered.file, altered.what)?;
                }
                if !whole {
                    return writeln!(w, "Ask for the pack again, through another channel; this one proves nothing.");
                }
                writeln!(w, "  {}, {} with a valid proof", many(checked.units, "unit"), checked.proven)?;
                if let (Some(entries), Some(root), Some(signed)) = (checked.entries, &checked.root, &checked.signed) {
                    writeln!(w, "  log of {entries} entries, {root}, signed {signed}")?;
                }
                checked.roots.iter().try_for_each(|(id, count)| {
                    writeln!(
                        w,
                        "  {} the PAA with key identifier {id}: compare it with your own copy",
                        if *count == 1 { "1 chain ends at".into() } else { format!("{count} chains end at") }
                    )
                })
            })?;
            Ok(if whole { Exit::Done } else { Exit::Rejected })
        }
    }
}
