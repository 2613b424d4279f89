//! The program called by itself, without a site of the test's own.

use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;

/// Calls it in a folder, with nothing of this machine's site in its environment and nothing on its input.
pub fn touchmark(folder: &Path, typed: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_touchmark"))
        .args(typed)
        .current_dir(folder)
        .env_remove("TOUCHMARK_SITE")
        .env_remove("TOUCHMARK_PASSCODE")
        .stdin(Stdio::null())
        .output()
        .expect("the program starts")
}

/// The one JSON document of its answer.
pub fn json(done: &Output) -> Value {
    serde_json::from_slice(&done.stdout).unwrap_or_else(|e| {
        panic!("{e}: {} {}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr))
    })
}
