//! A site for tests, worked at through the program itself.

pub mod calls;
#[macro_use]
pub mod engine;
pub mod rehearsed;
pub mod service;

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use chip::{ObjectName, OpenOptions, Source};
use engine::Engine;
use serde_json::Value;
use tempfile::TempDir;

/// A file of `tests/data`.
pub fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).ancestors().nth(2).expect("a workspace").join("tests/data").join(name)
}

/// A path as an argument.
pub fn text(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

/// Copies a file or a folder with all that is in it.
pub fn copied(from: &Path, to: &Path) {
    let done = Command::new("cp").args(["-a", text(from), text(to)]).status();
    assert!(done.is_ok_and(|status| status.success()), "{}", to.display());
}

/// What the program answered.
pub struct Answer {
    pub exit: Option<i32>,
    /// Standard output, which is one JSON document.
    pub json: Value,
    /// Standard output and standard error.
    pub said: String,
}

/// A site that trusts an authority of the test data, and has its product and declaration.
pub struct Site {
    pub dir: TempDir,
    /// What the program finds in its environment besides.
    pub environment: Vec<(&'static str, OsString)>,
}

impl Site {
    /// For reel `a` (Tern Vent) or `b` (Tern Damper), its book in a file.
    pub fn new(which: &str) -> Self {
        Self::with_book(which, "sqlite:book.sqlite")
    }

    /// The same, its book kept by `engine`.
    pub fn on(engine: &Engine, which: &str) -> Self {
        Self::with_book(which, &engine.place())
    }

    /// The same, its book at `place`.
    pub fn with_book(which: &str, place: &str) -> Self {
        let site = Self::bare(place);
        site.add(which);
        site
    }

    /// A site with nothing in it yet, its book at `place`.
    pub fn bare(place: &str) -> Self {
        let site = Self { dir: tempfile::tempdir().expect("a directory"), environment: Vec::new() };
        site.done("site new", &["site", "new", text(&site.dir.path().join("site")), "--book", place]);
        site
    }

    /// Adds authority, declaration and product of reel `a` or `b`.
    pub fn add(&self, which: &str) {
        self.add_with(which, &[]);
    }

    /// The same, the product with further options; what was answered of the product.
    pub fn add_with(&self, which: &str, more: &[&str]) -> Value {
        let paa = data(&format!("authority/paa-{which}.pem"));
        self.done("authority adopt", &["authority", "adopt", text(&paa), "--name", &format!("PAA {which}")]);
        let (signed, signer) = ("declaration.der", "declaration-signer.pem");
        let (signed, signer) = (data(&format!("reel-{which}/{signed}")), data(&format!("reel-{which}/{signer}")));
        self.done("declaration adopt", &["declaration", "adopt", text(&signed), "--signer", text(&signer)]);
        let (name, product) = if which == "a" { ("Tern Vent", "8A21") } else { ("Tern Damper", "8A22") };
        let mut add = vec!["product", "add", name, "--vendor", "FFF2", "--product", product];
        add.extend(["--device-type", "0x0202", "--reach", "ble"]);
        add.extend(more);
        self.done("product add", &add)
    }

    /// The manifest of reel `a` or `b`, received as reel A or B.
    pub fn receive_reel(&self, which: &str) -> Value {
        let a = which == "a";
        let manifest = data(if a { "reel-a/manifest.csv" } else { "reel-b/manifest.ndjson" });
        let mut typed = vec!["reel", "receive", text(&manifest), "--reel", if a { "A" } else { "B" }];
        typed.extend(["--product", if a { "Tern Vent" } else { "Tern Damper" }]);
        if !a {
            typed.extend(["--map", "chip_id=uid,public_key=spki"]);
        }
        self.done("reel receive", &typed)
    }

    /// Credentials for all chips of a reel, issued by a development authority raised here.
    pub fn issue(&self, reel: &str) -> Value {
        let secret = self.dir.path().join("passphrase");
        std::fs::write(&secret, "a passphrase for tests\n").expect("a file");
        let with = ["--passphrase-file", text(&secret)];
        let ask = |words: &[&str]| self.done(words[0], &[words, &with].concat());
        ask(&["authority", "raise", "P", "--role", "paa", "--vendor", "FFF2"]);
        ask(&["authority", "raise", "I", "--role", "pai", "--vendor", "FFF2", "--issuer", "P"]);
        ask(&["delivery", "issue", "--reel", reel, "--issuer", "I"])
    }

    /// The reel's delivery, received.
    pub fn receive_delivery(&self, which: &str) -> Value {
        let a = which == "a";
        let delivery = data(if a { "reel-a/delivery.zip" } else { "reel-b/delivery.tar.gz" });
        self.done("delivery receive", &["delivery", "receive", text(&delivery), "--reel", if a { "A" } else { "B" }])
    }

    /// Simulated chips with the reel's keys; where they are, as `--chips` wants it.
    pub fn simulate(&self, which: &str) -> String {
        let out = self.dir.path().join(format!("chips-{which}"));
        let keys = data(&format!("reel-{which}/simulated-keys.ndjson"));
        self.done("chip simulate", &["chip", "simulate", "--out", text(&out), "--keys", text(&keys)]);
        format!("simulated:{}", text(&out))
    }

    /// A file with the keys of a reel's chips `from` to `to`.
    pub fn keys(&self, which: &str, from: usize, to: usize) -> PathBuf {
        let keys = std::fs::read_to_string(data(&format!("reel-{which}/simulated-keys.ndjson"))).expect("keys");
        let part: Vec<_> = keys.lines().skip(from).take(to - from).collect();
        let file = self.dir.path().join("keys");
        std::fs::write(&file, part.join("\n") + "\n").expect("keys");
        file
    }

    /// Simulated chips with the keys of a reel's chips `from` to `to`, in a folder of their own.
    pub fn simulate_part(&self, which: &str, from: usize, to: usize, more: &[&str]) -> PathBuf {
        let (file, out) = (self.keys(which, from, to), self.dir.path().join(format!("chips-{which}-{from}")));
        let made = ["chip", "simulate", "--out", text(&out), "--keys", text(&file)];
        assert_eq!(self.done("chip simulate", &[&made[..], more].concat())["chips"], to - from);
        out
    }

    /// The program, about to be called at this site with `--json`.
    pub fn command(&self, typed: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_touchmark"));
        command.arg("--json").args(typed).current_dir(self.dir.path()).stdin(Stdio::null());
        command.env_remove("TOUCHMARK_PASSPHRASE").env("TOUCHMARK_SITE", self.dir.path().join("site"));
        command.envs(self.environment.iter().map(|(name, value)| (name, value)));
        command
    }

    /// Calls the program.
    pub fn call(&self, case: &str, typed: &[&str]) -> Answer {
        let done = self.command(typed).output().expect("the program starts");
        let (out, err) = (String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
        let json = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{case}: {e} in {out}\n{err}"));
        Answer { exit: done.status.code(), json, said: format!("{out}\n{err}") }
    }

    /// Calls the program, which must exit with 0.
    pub fn done(&self, case: &str, typed: &[&str]) -> Value {
        let answer = self.call(case, typed);
        assert_eq!(answer.exit, Some(0), "{case}: {}", answer.said);
        answer.json
    }

    /// What is said in words, without `--json`.
    pub fn words(&self, typed: &[&str]) -> String {
        let done = Command::new(env!("CARGO_BIN_EXE_touchmark"))
            .args(typed)
            .env("TOUCHMARK_SITE", self.dir.path().join("site"))
            .stdin(Stdio::null())
            .output()
            .expect("the program starts");
        String::from_utf8_lossy(&done.stdout).into_owned()
    }

    /// The account of every chip and credential.
    pub fn reconcile(&self, case: &str) -> Value {
        self.done(case, &["reconcile"])
    }
}

/// Nothing is missing, used twice, passed unproven, or altered.
pub fn assert_sound(case: &str, account: &Value) {
    for path in ["/chips/unaccounted", "/credentials/unaccounted", "/double_use", "/unproven_passes"] {
        assert_eq!(account.pointer(path), Some(&Value::from(0)), "{case}: {path} of {account}");
    }
    assert_eq!(account["log"]["intact"], true, "{case}: {account}");
}

/// What the chips of a source hold, of those that are wanted, written as files.
pub fn read_back(source: &str, out: &Path, wanted: &dyn Fn(&str) -> bool) {
    let source: Source = source.parse().expect("a source");
    let mut chips = source.open(OpenOptions::default()).expect("the source opens");
    for id in chips.present().expect("chips").into_iter().filter(|id| wanted(id.as_str())) {
        let mut chip = chips.open(&id).expect("a chip");
        let objects =
            [("dac.der", ObjectName::DAC), ("pai.der", ObjectName::PAI), ("declaration.der", ObjectName::DECLARATION)];
        for (file, object) in objects {
            let Some(octets) = chip.read(&object).expect("it reads") else { continue };
            std::fs::create_dir_all(out.join(id.as_str())).expect("a folder");
            std::fs::write(out.join(id.as_str()).join(file), octets).expect("written");
        }
    }
}
