//! A call that can't be parsed, told on one line as every other failure.
//!
//! The parser words its errors for a terminal, over several lines; a program
//! reads one message and one advice, and needs the same facts.

use clap::error::ErrorKind;
use clap::{Arg, Command};

use crate::output::Failure;

/// The failure of a call: what is missing or wrong, and whose help says more.
///
/// - `definition`: the program's whole command.
/// - `typed`: the call, the program's own name first.
pub fn failure(error: &clap::Error, definition: Command, typed: &[String]) -> Failure {
    let (name, meant) = meant(definition, typed);
    let message = match error.kind() {
        // What the parser says here is the help, which is no error.
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand | ErrorKind::MissingSubcommand => lacking(&name, &meant),
        _ => on_one_line(&error.to_string()),
    };
    Failure::usage(message, format!("See `{name} --help`."))
}

/// The command that the call names, as far as it names one, and how it is called.
fn meant(definition: Command, typed: &[String]) -> (String, Command) {
    let mut command = definition;
    command.build();
    let mut name = command.get_name().to_owned();
    let mut words = typed.iter().skip(1);
    while let Some(word) = words.next() {
        if word == "--" {
            break;
        }
        if let Some(option) = word.strip_prefix("--") {
            // `--site DIR`: the value is no subcommand, whatever it is called.
            if command.get_arguments().any(|a| a.get_long() == Some(option) && takes_value(a)) {
                words.next();
            }
        } else if !word.starts_with('-') {
            let Some(below) = command.find_subcommand(word).cloned() else { break };
            name = format!("{name} {}", below.get_name());
            command = below;
        }
    }
    (name, command)
}

fn takes_value(argument: &Arg) -> bool {
    argument.get_action().takes_values()
}

fn lacking(name: &str, command: &Command) -> String {
    let below: Vec<_> = command.get_subcommands().map(Command::get_name).filter(|n| *n != "help").collect();
    match below.is_empty() {
        true => format!("{name} needs arguments, but none were given"),
        false => format!("{name} needs a subcommand: {}", below.join(", ")),
    }
}

/// The parser's words without its usage and its pointer to the help.
fn on_one_line(text: &str) -> String {
    let mut said = String::new();
    let ends = |line: &str| line.starts_with("Usage:") || line.starts_with("For more information");
    for line in text.lines().map(str::trim).take_while(|line| !ends(line)).filter(|line| !line.is_empty()) {
        let line = line.strip_prefix("error: ").unwrap_or(line);
        let between = match (said.as_str(), line) {
            ("", _) => "",
            (before, _) if before.ends_with(':') => " ",
            // Names of what is missing, one below the other.
            (_, line) if line.starts_with(['<', '-']) => ", ",
            (_, line) if line.starts_with('[') => " ",
            _ => "; ",
        };
        said.push_str(between);
        said.push_str(line);
    }
    said
}
