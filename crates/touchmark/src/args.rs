//! What was typed: global options, and one command.

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::output::{Exit, Failure, Output};
use crate::{commands, usage};

/// Give every device its attestation identity, prove it, and keep the evidence
#[derive(Debug, Parser)]
#[command(name = "touchmark", version, propagate_version = true, max_term_width = 100)]
pub struct Arguments {
    /// Directory of the site; default: found upward from the current directory
    #[arg(long, global = true, value_name = "DIR", env = "TOUCHMARK_SITE")]
    pub site: Option<PathBuf>,

    /// Name of the person, for the log; default: the user of this machine
    #[arg(long, global = true, value_name = "NAME", env = "TOUCHMARK_BY")]
    pub by: Option<String>,

    /// Print one JSON document on standard output
    #[arg(long, global = true)]
    pub json: bool,

    /// Print more
    #[arg(short, long, global = true, action = clap::ArgAction::Count, conflicts_with = "quiet")]
    pub verbose: u8,

    /// Print only what matters
    #[arg(short, long, global = true)]
    pub quiet: bool,

    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Rehearse(commands::rehearse::RehearseArgs),
    Examine(commands::examine::ExamineArgs),
    #[command(subcommand)]
    Site(commands::site::SiteCommand),
    #[command(subcommand)]
    Authority(commands::authority::AuthorityCommand),
    #[command(subcommand)]
    Declaration(commands::declaration::DeclarationCommand),
    #[command(subcommand)]
    Product(commands::product::ProductCommand),
    #[command(subcommand)]
    TrustSet(commands::trust_set::TrustSetCommand),
    #[command(subcommand)]
    Reel(commands::reel::ReelCommand),
    #[command(subcommand)]
    Order(commands::reel::OrderCommand),
    #[command(subcommand)]
    Delivery(commands::delivery::DeliveryCommand),
    #[command(subcommand)]
    Enrolment(commands::enrolment::EnrolmentCommand),
    Fit(commands::fit::FitArgs),
    Plan(Box<commands::plan::PlanArgs>),
    Provision(commands::provision::ProvisionArgs),
    Challenge(commands::provision::ChallengeArgs),
    Meet(Box<commands::meet::MeetArgs>),
    StandIn(Box<commands::stand_in::StandInArgs>),
    #[command(subcommand)]
    Unit(commands::unit::UnitCommand),
    #[command(subcommand)]
    Carton(commands::carton::CartonCommand),
    Reconcile(commands::unit::ReconcileArgs),
    Report(commands::report::ReportArgs),
    #[command(subcommand)]
    Evidence(commands::evidence::EvidenceCommand),
    #[command(subcommand)]
    Passcode(commands::passcode::PasscodeCommand),
    Watch(commands::watch::WatchArgs),
    Impact(commands::impact::ImpactArgs),
    Revoke(commands::revoke::RevokeArgs),
    #[command(subcommand)]
    Revocation(commands::revoke::RevocationCommand),
    #[command(subcommand)]
    Book(commands::book::BookCommand),
    #[command(subcommand)]
    Specimen(commands::specimen::SpecimenCommand),
    Chip(commands::chip::Chip),
    Code(commands::code::Code),
    Record(commands::record::RecordArgs),
    Verifier(commands::verifier::Verifier),
    Manual(commands::manual::ManualArgs),
    #[command(subcommand)]
    Label(commands::label::Label),
    Serve(commands::serve::ServeArgs),
}

/// Parses and runs; every way out of the program goes through here.
pub fn run(typed: Vec<OsString>) -> ExitCode {
    // Known before parsing, because a wrong call must answer in JSON too.
    let json = typed.iter().skip(1).take_while(|a| *a != "--").any(|a| a == "--json" || a == "--json-lines");
    let words: Vec<_> = typed.iter().map(|word| word.to_string_lossy().into_owned()).collect();
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
                let definition = <Arguments as clap::CommandFactory>::command();
                return output.fail(&usage::failure(&error, definition, &words));
            }
            let _ = error.print();
            return ExitCode::from(2);
        }
    };
    let level = if arguments.quiet { -1 } else { i8::try_from(arguments.verbose).unwrap_or(i8::MAX) };
    // An answer in lines is JSON as well, down to a failure.
    let lines = matches!(&arguments.command, Command::Provision(args) if args.json_lines());
    let mut output = Output::new(arguments.json || lines, level);
    match dispatch(arguments, &mut output) {
        Ok(exit) => exit.into(),
        Err(failure) => output.fail(&failure),
    }
}

fn dispatch(arguments: Arguments, output: &mut Output) -> Result<Exit, Failure> {
    let place = commands::at_site::Place { site: arguments.site, by: arguments.by, older: output.older() };
    match arguments.command {
        Command::Site(command) => commands::site::run(command, &place, output),
        Command::Authority(command) => commands::authority::run(command, &place, output),
        Command::Declaration(command) => commands::declaration::run(command, &place, output),
        Command::Product(command) => commands::product::run(command, &place, output),
        Command::Reel(command) => commands::reel::run(command, &place, output),
        Command::Enrolment(command) => commands::enrolment::run(command, &place, output),
        Command::Order(command) => commands::reel::run_order(command, &place, output),
        Command::Delivery(command) => commands::delivery::run(command, &place, output),
        Command::Fit(args) => commands::fit::run(args, &place, output),
        Command::Plan(args) => commands::plan::run(*args, &place, output),
        Command::Provision(args) => commands::provision::run(args, &place, output),
        Command::Challenge(args) => commands::provision::run_challenge(args, &place, output),
        Command::Meet(args) => commands::meet::run(*args, &place, output),
        Command::StandIn(args) => commands::stand_in::run(*args, &place, output),
        Command::Unit(command) => commands::unit::run(command, &place, output),
        Command::Carton(command) => commands::carton::run(command, &place, output),
        Command::Book(command) => commands::book::run(command, &place, output),
        Command::Reconcile(args) => commands::unit::run_reconcile(args, &place, output),
        Command::Report(args) => commands::report::run(args, &place, output),
        Command::Impact(args) => commands::impact::run(&args, &place, output),
        Command::Revoke(args) => commands::revoke::run(&args, &place, output),
        Command::Revocation(command) => commands::revoke::run_kept(command, &place, output),
        Command::Evidence(command) => commands::evidence::run(command, &place, output),
        Command::TrustSet(command) => commands::trust_set::run(command, &place, output),
        Command::Passcode(command) => commands::passcode::run(command, &place, output),
        Command::Watch(args) => commands::watch::run(&args, &place, output),
        Command::Rehearse(args) => commands::rehearse::run(args, &place, output),
        Command::Examine(args) => commands::examine::run(args, &place, output),
        Command::Specimen(command) => commands::specimen::run(command, output),
        Command::Chip(args) => commands::chip::run(&args, &place, output),
        Command::Code(args) => commands::code::run(args, output),
        Command::Record(args) => commands::record::run(args, &place, output),
        Command::Verifier(args) => commands::verifier::run(args, output),
        Command::Manual(args) => commands::manual::run(&args, <Arguments as clap::CommandFactory>::command(), output),
        Command::Label(label) => commands::label::run(label, &place, output),
        Command::Serve(args) => commands::serve::run(args, &place, output),
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
