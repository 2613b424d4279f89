//! Specimens: sets that break one rule each, for refusal tests of firmware and
//! verifiers, and for our own.
//!
//! Every set is made here from fresh keys with the same builders as good ones;
//! a specimen only says at which place it departs. [`all`] gives them with what
//! `examine` must find. **Everything in them is for testing only**: the private
//! keys lie open in the sets.

mod certificates;
mod chains;
mod declarations;
mod exchanges;
mod lists;
mod scene;
mod texts;

pub use scene::Identity;
use scene::{Keys, Scene};
pub use texts::{TextSpecimen, texts};

use crate::key::SignError;
use crate::verdict::Severity;

/// How a file of a set is handed to `examine`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// As a file to examine.
    Subject,
    /// With `--trust`.
    Trust,
    /// With `--signer`.
    Signer,
    /// With `--revocations`.
    Revocations,
    /// Not at all: it lies there for whoever plays the device.
    Beside,
}

/// One file of a set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct File {
    /// Name within the set.
    pub name: &'static str,
    pub octets: Vec<u8>,
    /// How `examine` gets it.
    pub uses: Use,
}

/// A set of files with one thing wrong.
#[derive(Debug, Clone)]
pub struct Specimen {
    /// Rule that is broken; `None` for the valid set.
    pub rule: Option<&'static str>,
    /// Tells several specimens of one rule apart; empty for the first.
    pub variant: &'static str,
    /// What is wrong, as a sentence.
    pub what: &'static str,
    /// What the rule's finding weighs here.
    pub severity: Severity,
    /// Rules that can't but fall with it, all as errors.
    pub also: &'static [&'static str],
    /// Whether vendor and product are given as what the device says.
    pub device_says: bool,
    pub files: Vec<File>,
}

impl Specimen {
    /// The set's folder: `dac.serial`, or `dac.serial+zero` for a variant.
    pub fn folder(&self) -> String {
        match (self.rule, self.variant) {
            (None, "") => "valid".into(),
            (None, variant) => format!("valid+{variant}"),
            (Some(rule), "") => rule.into(),
            (Some(rule), variant) => format!("{rule}+{variant}"),
        }
    }
}

/// A set as it is described: where it departs from the valid one.
struct Row {
    rule: &'static str,
    variant: &'static str,
    what: &'static str,
    also: &'static [&'static str],
    depart: fn(&mut Scene),
}

const fn row(rule: &'static str, variant: &'static str, what: &'static str, depart: fn(&mut Scene)) -> Row {
    Row { rule, variant, what, also: &[], depart }
}

impl Row {
    const fn with(self, also: &'static [&'static str]) -> Self {
        Self { also, ..self }
    }
}

/// Every specimen, the valid sets first, then in the catalogue's order.
///
/// # Errors
///
/// [`SignError`] where the system gives no randomness for keys.
pub fn all(identity: &Identity) -> Result<Vec<Specimen>, SignError> {
    let keys = Keys::generate()?;
    let mut out = Vec::new();
    for (variant, what, depart) in chains::VALID {
        let mut scene = Scene::new(identity, &keys);
        depart(&mut scene);
        out.push(specimen(None, variant, what, &[], scene)?);
    }
    let rows = certificates::rows().into_iter().chain(chains::rows()).chain(declarations::rows());
    for row in rows.chain(exchanges::rows()).chain(lists::rows()) {
        let mut scene = Scene::new(identity, &keys);
        (row.depart)(&mut scene);
        out.push(specimen(Some(row.rule), row.variant, row.what, row.also, scene)?);
    }
    // A stable sort keeps variants behind their first.
    let order = crate::verdict::all_rules();
    out.sort_by_key(|s| {
        s.rule.map_or(0, |name| 1 + order.iter().position(|r| r.name == name).unwrap_or(usize::MAX - 1))
    });
    Ok(out)
}

fn specimen(
    rule: Option<&'static str>,
    variant: &'static str,
    what: &'static str,
    also: &'static [&'static str],
    scene: Scene<'_>,
) -> Result<Specimen, SignError> {
    let severity = scene.severity;
    let device_says = scene.device_says;
    Ok(Specimen { rule, variant, what, severity, also, device_says, files: scene.finish()? })
}
