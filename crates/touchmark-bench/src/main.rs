//! Measurements of touchmark, one subcommand each; each prints one JSON document.
//!
//! Run with `--release`, on a machine that does nothing else.

use std::process::ExitCode;

use clap::{Parser, Subcommand};

mod labels;

/// Measure touchmark
#[derive(Debug, Parser)]
#[command(name = "touchmark-bench", version)]
struct Arguments {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    Labels(labels::Labels),
}

fn main() -> ExitCode {
    let done = match Arguments::parse().what {
        What::Labels(args) => labels::run(&args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            use std::io::Write as _;
            let _ = writeln!(std::io::stderr(), "touchmark-bench: {error}");
            ExitCode::FAILURE
        }
    }
}
