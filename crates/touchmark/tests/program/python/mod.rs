//! The Python interpreter that the checks against the outside run with.

#![allow(dead_code, clippy::print_stderr, reason = "each test file uses a part of this, and a skipped one must say so")]

use std::path::{Path, PathBuf};
use std::process::Command;

/// The workspace's root.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).ancestors().nth(2).expect("a workspace").to_owned()
}

/// `TOUCHMARK_PYTHON`, or the local virtual environment's. Where there is none, a run that counts
/// (`CI=true`) fails, and any other says that it left the check out.
pub fn interpreter() -> Option<PathBuf> {
    let python = std::env::var_os("TOUCHMARK_PYTHON").map_or_else(|| root().join(".venv/bin/python"), PathBuf::from);
    if python.is_file() {
        return Some(python);
    }
    let missing = format!("no Python interpreter at {}; ./check installs one", python.display());
    assert!(std::env::var("CI").as_deref() != Ok("true"), "{missing}");
    eprintln!("SKIPPED: {missing}");
    None
}

/// Runs `tests/outside/SCRIPT` with these arguments; panics with all it said where it fails.
pub fn run(python: &Path, script: &str, arguments: &[&Path]) -> String {
    let done = Command::new(python)
        .arg("-B")
        .arg(root().join("tests/outside").join(script))
        .args(arguments)
        .output()
        .expect("the interpreter starts");
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success(), "{script}\n{said}{}", String::from_utf8_lossy(&done.stderr));
    said
}
