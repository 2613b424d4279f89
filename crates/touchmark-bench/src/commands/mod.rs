//! One file a subcommand.

pub mod book;
pub mod judging;
pub mod labels;
mod rate;
pub mod stations;
pub mod verifiers;
