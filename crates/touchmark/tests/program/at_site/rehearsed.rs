//! A site that `touchmark rehearse` made: its authorities' keys are in custody, under the
//! passphrase in `keys/passphrase`.

use std::path::PathBuf;
use std::process::{Command, Stdio};

use serde_json::Value;
use tempfile::TempDir;

use super::engine::Engine;
use super::text;

pub struct Rehearsed {
    pub folder: TempDir,
}

impl Rehearsed {
    /// So many units, all passed at once; its book kept by `engine`.
    pub fn on(engine: &Engine, units: u32) -> Self {
        let site = Self { folder: tempfile::tempdir().expect("a directory") };
        let (units, out, book) = (units.to_string(), site.site(), engine.place());
        site.done(&["rehearse", "--units", &units, "--faults", "none", "--out", text(&out), "--book", &book]);
        site
    }

    /// A new site with nothing in it.
    pub fn empty(engine: &Engine) -> Self {
        let site = Self { folder: tempfile::tempdir().expect("a directory") };
        site.done(&["site", "new", text(&site.site()), "--book", &engine.place()]);
        site
    }

    pub fn site(&self) -> PathBuf {
        self.folder.path().join("site")
    }

    /// A file beside the site.
    pub fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Exit code and answer of the program.
    pub fn call(&self, typed: &[&str]) -> (Option<i32>, Value) {
        self.call_as("ada", typed)
    }

    /// The same in another person's name.
    pub fn call_as(&self, by: &str, typed: &[&str]) -> (Option<i32>, Value) {
        let mut command = Command::new(env!("CARGO_BIN_EXE_touchmark"));
        command.args(["--json", "--by", by]).args(typed).stdin(Stdio::null()).env("TOUCHMARK_SITE", self.site());
        command.env_remove("TOUCHMARK_PASSPHRASE").env_remove("TOUCHMARK_PASSWORD").current_dir(self.folder.path());
        if let Ok(passphrase) = std::fs::read_to_string(self.site().join("keys/passphrase")) {
            command.env("TOUCHMARK_PASSPHRASE", passphrase.trim());
        }
        let done = command.output().expect("the program starts");
        let said = String::from_utf8_lossy(&done.stderr);
        let json = serde_json::from_slice(&done.stdout).unwrap_or_else(|e| panic!("{typed:?}: {e}: {said}"));
        (done.status.code(), json)
    }

    /// Calls the program, which must exit with 0.
    pub fn done(&self, typed: &[&str]) -> Value {
        let (exit, json) = self.call(typed);
        assert_eq!(exit, Some(0), "{typed:?}: {json}");
        json
    }

    /// What is said in words, without `--json`.
    pub fn words(&self, typed: &[&str]) -> String {
        let mut command = Command::new(env!("CARGO_BIN_EXE_touchmark"));
        command.args(["--by", "ada"]).args(typed).stdin(Stdio::null()).env("TOUCHMARK_SITE", self.site());
        let done = command.current_dir(self.folder.path()).output().expect("the program starts");
        String::from_utf8_lossy(&done.stdout).into_owned()
    }
}
