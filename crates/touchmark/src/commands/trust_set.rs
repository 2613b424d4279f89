//! `touchmark trust-set`.

use std::io::{self, Write};
use std::path::PathBuf;

use base::quoted;
use clap::{Args, Subcommand, ValueEnum};
use serde_json::json;
use site::trust;
use site::trust::{NewSet, SetVerdict, SetView};

use super::at_site::Place;
use crate::output::{Exit, Failure, Output};

/// Add what ecosystems trust and require, to judge units by
#[derive(Debug, Subcommand)]
pub enum TrustSetCommand {
    /// Add or replace a trust set
    Add(Add),
    /// List trust sets
    List,
    /// Show one trust set
    Show {
        /// Its name
        name: String,
    },
    /// Remove a trust set from use; the book keeps its contents
    Remove {
        /// Its name
        name: String,
    },
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum Declarations {
    /// Certified devices
    Official,
    /// Devices with pending certification
    Provisional,
    /// Development and test
    Test,
}

#[derive(Debug, Args)]
pub struct Add {
    /// Its name
    name: String,
    /// PAA of this site that it trusts
    #[arg(long, value_name = "NAME")]
    authority: Vec<String>,
    /// PAAs that it trusts: files and directories
    #[arg(long, value_name = "PATH")]
    trust: Vec<PathBuf>,
    /// Certificates and public keys that may sign declarations
    #[arg(long, value_name = "PATH")]
    signer: Vec<PathBuf>,
    /// Declaration of this site whose signer it trusts
    #[arg(long, value_name = "NAME")]
    declaration: Vec<String>,
    /// Declarations that it accepts, comma-separated; default: official,provisional
    #[arg(long, value_name = "LIST", value_delimiter = ',')]
    declarations: Vec<Declarations>,
    /// Also accept test vendor IDs
    #[arg(long)]
    test_identities: bool,
}

/// Who takes what: a column a trust set, a row a subject, and why not below.
pub fn matrix(w: &mut dyn Write, rows: &[(&str, &[SetVerdict])]) -> io::Result<()> {
    // A chip that holds nothing yet was asked by none.
    let rows: Vec<_> = rows.iter().filter(|(_, sets)| !sets.is_empty()).collect();
    let Some((_, sets)) = rows.first() else { return Ok(()) };
    let width = rows.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
    write!(w, "{:width$}", "")?;
    for set in *sets {
        let must = if set.must_please { "*" } else { " " };
        write!(w, "  {}{must}", set.trust_set)?;
    }
    writeln!(w, "   (* must accept it)")?;
    for (name, sets) in &rows {
        write!(w, "{name:width$}")?;
        for set in *sets {
            write!(w, "  {:column$}", set.verdict, column = set.trust_set.chars().count() + 1)?;
        }
        writeln!(w)?;
    }
    for (name, sets) in &rows {
        for set in sets.iter().filter(|s| !s.accepts()) {
            for f in &set.because {
                writeln!(w, "  {name}, {}: {}: {}", set.trust_set, f.rule, f.found)?;
            }
        }
    }
    Ok(())
}

fn words(w: &mut dyn Write, set: &SetView) -> io::Result<()> {
    writeln!(w, "{}", set.name)?;
    for paa in &set.authorities {
        writeln!(w, "  PAA           {}", paa["subject"].as_str().unwrap_or("?"))?;
    }
    for signer in &set.signers {
        writeln!(w, "  signer        {signer}")?;
    }
    writeln!(w, "  declarations  {}", set.declarations.join(", "))?;
    writeln!(w, "  test VIDs     {}", if set.test_identities { "taken" } else { "refused" })?;
    if set.products.is_empty() { Ok(()) } else { writeln!(w, "  must accept   {}", set.products.join(", ")) }
}

/// Runs the command.
pub fn run(command: TrustSetCommand, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let site = place.open()?;
    match command {
        TrustSetCommand::Add(args) => {
            let types: Vec<u8> = args
                .declarations
                .iter()
                .map(|d| match d {
                    Declarations::Test => 0,
                    Declarations::Provisional => 1,
                    Declarations::Official => 2,
                })
                .collect();
            let new = NewSet {
                authorities: &args.authority,
                trust: &args.trust,
                signers: &args.signer,
                declarations: &args.declaration,
                types: &types,
                test_identities: args.test_identities,
            };
            let set = trust::put(&site, &args.name, &new, &place.who()?)?;
            output.show(&set, |w| words(w, &set))?;
            output.next(&format!(
                "Require it for a product with `touchmark product update NAME --trust-set {}`.",
                quoted(&args.name)
            ));
        }
        TrustSetCommand::List => {
            let list = trust::list(&site)?;
            output.show(&json!({ "trust_sets": list }), |w| {
                list.iter().try_for_each(|set| words(w, set))?;
                if list.is_empty() { writeln!(w, "No trust sets yet.") } else { Ok(()) }
            })?;
        }
        TrustSetCommand::Show { name } => {
            let set = trust::show(&site, &name)?;
            output.show(&set, |w| words(w, &set))?;
        }
        TrustSetCommand::Remove { name } => {
            trust::remove(&site, &name, &place.who()?)?;
            output.show(&json!({ "removed": name }), |w| writeln!(w, "Removed trust set {name}"))?;
        }
    }
    Ok(Exit::Done)
}
