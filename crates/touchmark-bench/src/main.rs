//! Measures touchmark against the tools that it is compared with.
//!
//! Speeds are ratios: both sides are measured in the same run, in turns, so
//! that whatever else the machine does meets both. One file a subcommand.

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;

#[path = "../../touchmark/tests/program/at_site/calls.rs"]
mod calls;
mod commands;
mod founding;
#[allow(dead_code, clippy::print_stderr, reason = "shared with the book's contract")]
#[path = "../../book/tests/contract/server.rs"]
mod server;
mod timing;

/// The one of the program that is measured.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Measure touchmark against the tools that it is compared with
#[derive(Debug, Parser)]
#[command(name = "touchmark-bench", version)]
struct Arguments {
    /// Answer with one JSON document
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    ByHand(commands::by_hand::ByHand),
    Deliveries(commands::deliveries::DeliveriesArgs),
    Examining(commands::examining::ExaminingArgs),
    Book(commands::book::BookArgs),
    Judging(commands::judging::JudgingArgs),
    Labels(commands::labels::Labels),
    Meeting(commands::meeting::MeetingArgs),
    Reels(commands::reels::ReelsArgs),
    Stations(commands::stations::Stations),
    Strangers(commands::strangers::Strangers),
    Verifiers(commands::verifiers::Verifiers),
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let measured = match arguments.command {
        Command::ByHand(args) => commands::by_hand::run(&args),
        Command::Deliveries(args) => commands::deliveries::run(&args),
        Command::Examining(args) => commands::examining::run(&args),
        Command::Meeting(args) => commands::meeting::run(&args),
        Command::Reels(args) => commands::reels::run(&args),
        Command::Book(args) => commands::book::run(&args),
        Command::Labels(args) => commands::labels::run(&args),
        Command::Judging(args) => commands::judging::run(&args),
        Command::Stations(args) => commands::stations::run(&args),
        Command::Strangers(args) => commands::strangers::run(&args),
        Command::Verifiers(args) => commands::verifiers::run(&args),
    };
    match measured {
        Ok(measured) => {
            let text = if arguments.json { measured.json.to_string() } else { measured.words.join("\n") };
            let _ = writeln!(std::io::stdout(), "{text}");
            ExitCode::SUCCESS
        }
        Err(failed) => {
            let _ = writeln!(std::io::stderr(), "touchmark-bench: {failed}");
            ExitCode::from(3)
        }
    }
}

/// Tells how far a long measurement is.
fn say(line: &str) {
    let _ = writeln!(std::io::stderr(), "{line}");
}

/// What a subcommand measured.
struct Measured {
    json: serde_json::Value,
    words: Vec<String>,
}
