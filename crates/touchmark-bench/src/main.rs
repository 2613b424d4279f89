//! Measures what the program costs, each figure beside a reference in the same
//! run, so that it is a ratio and holds on any machine.

#![expect(clippy::print_stdout, reason = "figures are this program's answer")]

use clap::{Parser, Subcommand};

mod judging;
mod rate;

/// Measure, each figure beside a reference in the same run
#[derive(Debug, Parser)]
#[command(name = "touchmark-bench")]
struct Arguments {
    #[command(subcommand)]
    bench: Bench,
}

#[derive(Debug, Subcommand)]
enum Bench {
    /// Judging and issuing DACs, against bare verification and signing
    Judging(judging::JudgingArgs),
}

fn main() {
    match Arguments::parse().bench {
        Bench::Judging(args) => judging::run(&args),
    }
}
