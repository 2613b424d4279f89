//! What was typed: global options, and one command.

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::commands;
use crate::output::{Exit, Failure, Output};

/// Give every device its attestation identity, prove that it took, answer for it
#[derive(Debug, Parser)]
#[command(name = "touchmark", version, propagate_version = true, max_term_width = 100)]
pub struct Arguments {
    /// The site's directory; else found upward from here
    #[arg(long, global = true, value_name = "DIR", env = "TOUCHMARK_SITE")]
    pub site: Option<PathBuf>,

    /// Answer with one JSON document on standard output
    #[arg(long, global = true)]
    pub json: bool,

    /// Say more
    #[arg(short, long, global = true, action = clap::ArgAction::Count, conflicts_with = "quiet")]
    pub verbose: u8,

    /// Say only what matters
    #[arg(short, long, global = true)]
    pub quiet: bool,

    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    #[command(subcommand)]
    Label(commands::label::Label),
}

/// Parses and runs; every way out of the program goes through here.
pub fn run(typed: Vec<OsString>) -> ExitCode {
    // Known before parsing, because a wrong call must answer in JSON too.
    let json = typed.iter().skip(1).take_while(|a| *a != "--").any(|a| a == "--json");
    let arguments = match Arguments::try_parse_from(typed) {
        Ok(arguments) => arguments,
        Err(error) if !error.use_stderr() => {
            // Help and version were asked for: they are the answer.
            let _ = error.print();
            return Exit::Done.into();
        }
        Err(error) => {
            let mut output = Output::new(json, 0);
            if json {
                return output.fail(&Failure::usage(first_line(&error.to_string()), "See `touchmark --help`."));
            }
            let _ = error.print();
            return ExitCode::from(2);
        }
    };
    let level = if arguments.quiet { -1 } else { i8::try_from(arguments.verbose).unwrap_or(i8::MAX) };
    let mut output = Output::new(arguments.json, level);
    match dispatch(arguments, &mut output) {
        Ok(exit) => exit.into(),
        Err(failure) => output.fail(&failure),
    }
}

fn first_line(text: &str) -> String {
    let line = text.lines().find(|l| !l.trim().is_empty()).unwrap_or(text);
    line.strip_prefix("error: ").unwrap_or(line).to_owned()
}

fn dispatch(arguments: Arguments, output: &mut Output) -> Result<Exit, Failure> {
    match arguments.command {
        Command::Label(label) => commands::label::run(label, output),
    }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn the_definition_holds_together() {
        super::Arguments::command().debug_assert();
    }
}
