//! Specimens on disk: one directory a rule, a valid set beside them, an index.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use base::advice::{Advise, Kind};
use serde::Serialize;
use serde_json::json;
use standard::specimen::{Identity, Specimen, TextSpecimen, Use, all, texts};
use standard::verdict::rule;

/// What was written.
#[derive(Debug, Serialize)]
pub struct Written {
    pub directory: String,
    /// The index's file name.
    pub index: String,
    /// Sets that break a rule.
    pub specimens: usize,
    /// Sets that break none.
    pub valid: usize,
}

/// Why specimens were not written.
#[derive(Debug, thiserror::Error)]
pub enum SpecimenError {
    /// Specimens are for test identities only.
    #[error("vendor ID {0} is a real one, but specimens are only for FFF1 to FFF4")]
    RealVendor(standard::ids::VendorId),
    /// The directory holds something already.
    #[error("{0} is not empty")]
    NotEmpty(PathBuf),
    /// The disk failed.
    #[error("{path} can't be written: {source}")]
    Disk { path: PathBuf, source: io::Error },
    /// No keys could be made.
    #[error("no specimen could be made: {0}")]
    Keys(#[from] standard::key::SignError),
}

impl Advise for SpecimenError {
    fn kind(&self) -> Kind {
        match self {
            Self::RealVendor(_) | Self::NotEmpty(_) => Kind::Usage,
            Self::Disk { .. } | Self::Keys(_) => Kind::Surroundings,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(
            match self {
                Self::RealVendor(_) => "Give a test vendor ID; the faults are the same.",
                Self::NotEmpty(_) => "Give a new directory, or empty this one; nothing in it was changed.",
                Self::Disk { .. } => "Check the disk and its permissions, empty the directory, then try again.",
                Self::Keys(_) => "Try again.",
            }
            .into(),
        )
    }
}

/// The note that lies beside the sets.
const NOTE: &str = "Specimens: sets of certificates, declarations and exchanges that break one rule each,
for the refusal tests of firmware and verifiers, with valid sets to compare.

FOR TESTING ONLY. The private keys are here unprotected. Never put any of this into
a product that is shipped.

index.json lists for each set the rule it breaks, the rules that necessarily break with
it, its files, and the arguments with which `touchmark examine` finds just that.
";

/// Writes all specimens into `out`, which is made if need be and must be empty.
///
/// # Errors
///
/// [`SpecimenError`]; sets written before a disk failed stay.
pub fn write(out: &Path, identity: &Identity) -> Result<Written, SpecimenError> {
    if !identity.vendor.is_test() {
        return Err(SpecimenError::RealVendor(identity.vendor));
    }
    let disk = |path: &Path| {
        let path = path.to_owned();
        move |source| SpecimenError::Disk { path, source }
    };
    fs::create_dir_all(out).map_err(disk(out))?;
    if fs::read_dir(out).map_err(disk(out))?.next().is_some() {
        return Err(SpecimenError::NotEmpty(out.to_owned()));
    }
    let specimens = all(identity)?;
    let mut index = Vec::new();
    for set in &specimens {
        let folder = set.folder();
        let directory = out.join(&folder);
        fs::create_dir(&directory).map_err(disk(&directory))?;
        for file in &set.files {
            let path = directory.join(file.name);
            fs::write(&path, &file.octets).map_err(disk(&path))?;
        }
        index.push(entry(set, &folder, identity));
    }
    let texts = texts();
    for set in &texts {
        let directory = out.join(set.rule);
        fs::create_dir(&directory).map_err(disk(&directory))?;
        let path = directory.join("call.txt");
        fs::write(&path, format!("touchmark {}\n", set.arguments.join(" "))).map_err(disk(&path))?;
        index.push(text_entry(set));
    }
    for (name, text) in [
        ("README.txt", NOTE.to_owned()),
        ("index.json", format!("{:#}\n", json!({ "for_testing_only": true, "specimens": index }))),
    ] {
        let path = out.join(name);
        fs::write(&path, text).map_err(disk(&path))?;
    }
    let valid = specimens.iter().filter(|s| s.rule.is_none()).count();
    Ok(Written {
        directory: out.display().to_string(),
        index: "index.json".into(),
        specimens: specimens.len() - valid + texts.len(),
        valid,
    })
}

fn text_entry(set: &TextSpecimen) -> serde_json::Value {
    json!({
        "folder": set.rule,
        "rule": set.rule,
        "severity": "error",
        "clause": rule(set.rule).map(|r| r.clause),
        "also": [],
        "what": set.what,
        "verdict": "rejected",
        "files": ["call.txt"],
        "arguments": set.arguments,
    })
}

fn entry(set: &Specimen, folder: &str, identity: &Identity) -> serde_json::Value {
    let path = |name: &str| format!("{folder}/{name}");
    let mut arguments = vec!["examine".to_owned()];
    for file in &set.files {
        match file.uses {
            Use::Subject => arguments.push(path(file.name)),
            Use::Trust => arguments.extend(["--trust".into(), path(file.name)]),
            Use::Signer => arguments.extend(["--signer".into(), path(file.name)]),
            Use::Revocations => arguments.extend(["--revocations".into(), path(file.name)]),
            Use::Beside => {}
        }
    }
    if set.device_says {
        let product =
            ["--vendor".to_owned(), identity.vendor.to_string(), "--product".into(), identity.product.to_string()];
        arguments.extend(product);
    }
    json!({
        "folder": folder,
        "rule": set.rule,
        "severity": set.rule.map(|_| set.severity.word()),
        "clause": set.rule.and_then(rule).map(|r| r.clause),
        "also": set.also,
        "what": set.what,
        "verdict": if set.rule.is_some() && set.severity == standard::verdict::Severity::Error { "rejected" } else { "accepted" },
        "files": set.files.iter().map(|f| f.name).collect::<Vec<_>>(),
        "arguments": arguments,
    })
}
