//! A PKCS #11 token in software for tests: SoftHSM2, and `pkcs11-tool`
//! (Debian: opensc) to look at it from outside. Included by the tests of several crates.

#![allow(dead_code, clippy::unwrap_used, clippy::print_stderr, reason = "tests of several crates, each using a part")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The user's PIN of every token made here.
pub const PIN: &str = "271828";

/// A folder with tokens of its own.
pub struct Bench {
    folder: tempfile::TempDir,
    /// The module's file.
    pub module: PathBuf,
}

impl Bench {
    /// A bench without tokens; `None`, with a notice, where the tools are not
    /// installed (Debian: softhsm2, opensc), unless `CI` says that they must be.
    pub fn new() -> Option<Self> {
        let places = [
            "/usr/lib/softhsm",
            "/usr/lib/x86_64-linux-gnu/softhsm",
            "/usr/lib/aarch64-linux-gnu/softhsm",
            "/usr/lib64/pkcs11",
            "/usr/local/lib/softhsm",
        ];
        let module = places.iter().map(|place| Path::new(place).join("libsofthsm2.so")).find(|file| file.exists());
        let tool = Command::new("pkcs11-tool").arg("--version").output().is_ok();
        let must = std::env::var_os("CI").is_some_and(|v| v == "true");
        assert!((module.is_some() && tool) || !must, "softhsm2 or opensc is missing");
        let (Some(module), true) = (module, tool) else {
            eprintln!("skipped: softhsm2 or opensc is missing");
            return None;
        };
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("tokens")).unwrap();
        let settings = format!(
            "directories.tokendir = {}\nobjectstore.backend = file\nlog.level = ERROR\nslots.removable = false\n",
            folder.path().join("tokens").display()
        );
        fs::write(folder.path().join("softhsm2.conf"), settings).unwrap();
        fs::write(folder.path().join("pin"), format!("{PIN}\n")).unwrap();
        Some(Self { folder, module })
    }

    /// The folder.
    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    /// The file that holds the PIN.
    pub fn pin_file(&self) -> PathBuf {
        self.path().join("pin")
    }

    /// The query of a URI: module and PIN.
    pub fn query(&self) -> String {
        format!("module-path={}&pin-source=file:{}", self.module.display(), self.pin_file().display())
    }

    fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command.env("SOFTHSM2_CONF", self.path().join("softhsm2.conf"));
        command
    }

    /// Makes a token.
    pub fn token(&self, label: &str) {
        let mut command = self.command("softhsm2-util");
        run(command.args(["--init-token", "--free", "--label", label, "--so-pin", "314159", "--pin", PIN]));
    }

    /// `pkcs11-tool`, logged in to a token; what it said.
    pub fn tool(&self, token: &str, arguments: &[&str]) -> String {
        let mut command = self.command("pkcs11-tool");
        command.arg("--module").arg(&self.module).args(["--token-label", token, "--login", "--pin", PIN]);
        String::from_utf8_lossy(&run(command.args(arguments))).into_owned()
    }

    /// A P-256 key pair made in a token by `pkcs11-tool`.
    pub fn key_pair(&self, token: &str, id: &str, label: &str) {
        let made = ["--keypairgen", "--key-type", "EC:prime256v1", "--id", id, "--label", label, "--usage-sign"];
        self.tool(token, &made);
    }

    /// Loads the first keys of a file of simulated chips' keys into tokens, so many into each;
    /// `python` has what `tests/outside/load_token.py` needs.
    pub fn load(&self, python: &Path, keys: &Path, tokens: &[(&str, usize)]) {
        let list = self.path().join("load");
        let lines = tokens.iter().map(|(label, count)| format!("{} {PIN} {count} {label}\n", self.module.display()));
        fs::write(&list, lines.collect::<String>()).unwrap();
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/outside/load_token.py");
        let said = run(self.command(python).arg("-B").arg(script).arg(keys).arg(list));
        let all: usize = tokens.iter().map(|(_, count)| count).sum();
        assert_eq!(String::from_utf8_lossy(&said), format!("{all} key pairs\n"));
    }

    /// Runs one test of this very program in a process that sees these tokens.
    ///
    /// The module reads its settings from the environment, which a process
    /// can't change safely for itself.
    pub fn run_test(&self, test: &str, uri: &str) {
        let mut command = self.command(std::env::current_exe().unwrap());
        command.args([test, "--exact", "--nocapture", "--test-threads=1"]).env("TOKEN_TEST_URI", uri);
        let said = run(command.env("TOKEN_TEST_FOLDER", self.path()));
        let said = String::from_utf8_lossy(&said);
        assert!(said.contains("1 passed"), "{test} was not run: {said}");
    }
}

/// The URI for a test that [`Bench::run_test`] runs, and the bench's folder.
pub fn inner() -> Option<(String, PathBuf)> {
    Some((std::env::var("TOKEN_TEST_URI").ok()?, std::env::var_os("TOKEN_TEST_FOLDER")?.into()))
}

/// Runs a command that must succeed.
pub fn run(command: &mut Command) -> Vec<u8> {
    let output = command.output().unwrap();
    assert!(
        output.status.success(),
        "{command:?}\n{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    output.stdout
}
