//! One file a subcommand.

pub mod judging;
mod rate;
pub mod verifiers;
