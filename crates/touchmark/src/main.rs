//! The `touchmark` binary: arguments in, a call of an act, words or JSON out.

use std::process::ExitCode;

mod args;
mod commands;
mod output;
mod secret;
mod usage;
mod watching;

/// Decision 0053: a fifth less time where the whole book is read.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    args::run(std::env::args_os().collect())
}
