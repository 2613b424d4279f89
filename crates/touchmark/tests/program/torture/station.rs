//! A station under torture: started, killed, started again; what it says at its end is held to the rules.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};

use serde_json::Value;

use crate::at_site::Site;

pub struct Station {
    pub name: String,
    /// As `--chips` wants it.
    pub chips: String,
    log: PathBuf,
    process: Option<Child>,
    /// Its last run found nothing more to do.
    pub finished: bool,
    /// What its surroundings did to it, in its own words, and how often.
    pub met: BTreeMap<String, u32>,
}

impl Station {
    pub fn new(site: &Site, name: &str, chips: String) -> Self {
        let log = site.dir.path().join(format!("{name}.json"));
        Self { name: name.to_owned(), chips, log, process: None, finished: false, met: BTreeMap::new() }
    }

    pub fn runs(&self) -> bool {
        self.process.is_some()
    }

    pub fn start(&mut self, site: &Site, environment: &[(&'static str, OsString)]) {
        let run = ["provision", "--reel", "A", "--station", &self.name, "--take-over", "--chips", &self.chips];
        let mut command = site.command(&run);
        command.envs(environment.iter().map(|(name, value)| (name, value)));
        command.stdout(fs::File::create(&self.log).expect("a file")).stdin(Stdio::null());
        command.stderr(fs::File::create(self.log.with_extension("said")).expect("a file"));
        self.process = Some(command.spawn().expect("a station starts"));
    }

    pub fn kill(&mut self) {
        let Some(mut process) = self.process.take() else { return };
        process.kill().expect("killed");
        process.wait().expect("waited for");
    }

    /// Looks whether it has ended by itself, and if so whether as it may.
    pub fn look(&mut self) {
        let Some(process) = &mut self.process else { return };
        let Some(status) = process.try_wait().expect("a child") else { return };
        self.process = None;
        let read = |path: &Path| fs::read_to_string(path).unwrap_or_default();
        let (answer, said) = (read(&self.log), read(&self.log.with_extension("said")));
        let case = format!("station {}, {status}: {answer}{said}", self.name);
        let json: Value = serde_json::from_str(&answer).unwrap_or_else(|e| panic!("{case}: {e}"));
        match status.code() {
            Some(0 | 1) => {
                let units = json["units"].as_array().unwrap_or_else(|| panic!("{case}: no units"));
                let open = |unit: &&Value| unit["result"] == "failed" && unit["cause"] != "chip-scrapped";
                self.finished = units.iter().all(|unit| !open(&unit));
                for failed in units.iter().filter(|unit| unit["result"] == "failed") {
                    assert!(failed["cause"].is_string() && failed["advice"].is_string(), "{case}: {failed}");
                }
            }
            // The surroundings failed, and it says so and what to do.
            Some(3) => {
                let error = &json["error"];
                assert_eq!(error["kind"], "surroundings", "{case}");
                assert!(error["advice"].as_str().is_some_and(|advice| !advice.is_empty()), "{case}");
                let message = error["message"].as_str().unwrap_or_default();
                // Nobody can act on «the database failed»: what failed must be known.
                assert!(!message.contains("damaged") && !message.contains("the database failed"), "{case}");
                *self.met.entry(message.to_owned()).or_default() += 1;
            }
            _ => panic!("{case}"),
        }
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        self.kill();
    }
}
