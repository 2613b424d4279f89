//! One file a command: parse, call, show.

pub mod code;
pub mod record;
pub mod verifier;
mod words;
