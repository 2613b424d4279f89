//! `touchmark passcode`.

use std::io::{self, Write};

use answer::retention;
use answer::retention::{CAUTION, Which};
use clap::{ArgGroup, Args, Subcommand};

use super::at_site::Place;
use crate::output::{Exit, Failure, Output};

/// Erase passcodes that are no longer needed, with proof
#[derive(Debug, Subcommand)]
pub enum PasscodeCommand {
    /// Erase passcodes permanently: their labels can't be printed again
    Erase(Erase),
    /// Count the stored passcodes, and those that are due
    Count,
}

#[derive(Debug, Args)]
#[command(group(ArgGroup::new("which").required(true).args(["unit", "due"])))]
pub struct Erase {
    /// Units to erase now
    #[arg(value_name = "UNIT")]
    unit: Vec<String>,
    /// Those printed longer ago than retention.passcode_days of the site, and those of scrapped units
    #[arg(long)]
    due: bool,
    /// Also those whose label was never printed
    #[arg(long, conflicts_with = "due")]
    unprinted: bool,
    /// Show which, and change nothing
    #[arg(long)]
    dry_run: bool,
}

/// Runs the command.
pub fn run(command: PasscodeCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    let who = place.who()?;
    match command {
        PasscodeCommand::Erase(args) => {
            let which =
                if args.due { Which::Due } else { Which::Units { units: &args.unit, unprinted: args.unprinted } };
            let done = retention::erase(&site, which, args.dry_run, &who)?;
            if output.tells() && !args.dry_run && done.erased > 0 {
                let _ = writeln!(io::stderr(), "touchmark: {CAUTION}");
            }
            output.show(&done, |w| {
                for unit in done.units.iter().take(40) {
                    let printed =
                        unit.printed.as_deref().map_or_else(|| "never printed".into(), |p| format!("printed {p}"));
                    let entry = unit.entry.map_or_else(String::new, |e| format!("  entry {e}"));
                    writeln!(w, "{}  {}  {printed}{entry}", unit.unit, unit.state)?;
                }
                let verb = if done.dry_run { "would be erased" } else { "erased" };
                writeln!(
                    w,
                    "{} passcodes {verb}; {} kept, {} of them not printed yet",
                    done.erased, done.kept, done.unprinted
                )
            })?;
        }
        PasscodeCommand::Count => {
            let kept = retention::count(&site, &who)?;
            output.show(&kept, |w| {
                writeln!(w, "{} passcodes kept, {} due, {} not printed yet", kept.kept, kept.due, kept.unprinted)
            })?;
        }
    }
    Ok(Exit::Done)
}
