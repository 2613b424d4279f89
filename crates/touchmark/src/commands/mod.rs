//! One file a command: parse, call, show.

pub mod label;
