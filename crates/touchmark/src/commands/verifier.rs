//! `touchmark verifier`: passcode verifiers derived and checked.

use std::fmt;
use std::io::{self, Write};

use line::verifier::DerivedVerifier;

use crate::commands::words::{finding_lines, row};
use crate::output::{Exit, Failure, Output};

/// Derive a passcode verifier, or check one
#[derive(Debug, clap::Args)]
pub struct Verifier {
    #[command(subcommand)]
    act: Act,
}

#[derive(Debug, clap::Subcommand)]
enum Act {
    /// Derive the verifier of a passcode
    Derive(Derive),
    /// Check a verifier against its passcode, salt and iteration count
    Check(Check),
}

// Text, for the reasons given in `code`.
#[derive(clap::Args)]
struct Derive {
    /// Passcode, 1 to 99999998
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    passcode: String,
    /// Salt, 16 to 32 bytes in hex; default: random
    #[arg(long, value_name = "HEX", allow_hyphen_values = true)]
    salt: Option<String>,
    /// Iteration count, 1000 to 100000
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    iterations: String,
}

#[derive(clap::Args)]
struct Check {
    /// Passcode
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    passcode: String,
    /// Salt in hex
    #[arg(long, value_name = "HEX", allow_hyphen_values = true)]
    salt: String,
    /// Iteration count
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    iterations: String,
    /// Verifier, w0 and L, in hex or base 64
    #[arg(long, value_name = "HEX", allow_hyphen_values = true)]
    verifier: String,
}

impl fmt::Debug for Derive {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Derive")
    }
}

impl fmt::Debug for Check {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Check")
    }
}

/// Runs the command.
pub fn run(args: Verifier, output: &mut Output) -> Result<Exit, Failure> {
    match args.act {
        Act::Derive(args) => {
            let derived = line::verifier::derive(&args.passcode, args.salt.as_deref(), &args.iterations)?;
            output.show(&derived, |w| tell_derived(w, &derived))?;
            Ok(Exit::Done)
        }
        Act::Check(args) => {
            let checked = line::verifier::check(&args.passcode, &args.salt, &args.iterations, &args.verifier)?;
            output.show(&checked, |w| {
                writeln!(w, "verifier, {}", checked.verdict)?;
                checked.findings.iter().try_for_each(|finding| finding_lines(w, finding))
            })?;
            Ok(if checked.verdict == "accepted" { Exit::Done } else { Exit::Rejected })
        }
    }
}

fn tell_derived(w: &mut dyn Write, derived: &DerivedVerifier) -> io::Result<()> {
    row(w, "w0", &derived.w0)?;
    row(w, "L", &derived.l)?;
    row(w, "verifier", &derived.verifier)?;
    row(w, "in base 64", &derived.verifier_base64)?;
    row(w, "salt", &derived.salt)?;
    row(w, "iterations", &derived.iterations.to_string())
}
