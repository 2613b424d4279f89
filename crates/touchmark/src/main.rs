//! The `touchmark` binary: arguments in, a call into `works`, words or JSON out.

use std::process::ExitCode;

mod args;
mod commands;
mod output;
mod secret;
mod watching;

fn main() -> ExitCode {
    args::run(std::env::args_os().collect())
}
