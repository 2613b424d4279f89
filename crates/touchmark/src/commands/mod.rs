//! One file a command: parse, call, show.

pub mod chip;
pub mod code;
pub mod examine;
pub mod examine_words;
pub mod record;
pub mod specimen;
pub mod verifier;
mod words;
