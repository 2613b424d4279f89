//! One file a subcommand.

pub mod verifiers;
