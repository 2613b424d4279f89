//! One file a command: parse, call, show.

pub mod chip;
pub mod examine;
pub mod examine_words;
pub mod specimen;
