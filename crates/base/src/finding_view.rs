//! Findings as JSON has them, in the answers of all acts and in the schema of the API.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};
use standard::verdict::Finding;
use utoipa::ToSchema;

use crate::findings::SharedFinding;

book::words! {
    /// What a finding weighs.
    Severity {
        /// A verifier may refuse: the subject is rejected.
        Error = "error",
        /// Accepted, and worth an engineer's look.
        Warning = "warning",
        /// Worth knowing.
        Note = "note",
    }
}

impl From<standard::verdict::Severity> for Severity {
    fn from(severity: standard::verdict::Severity) -> Self {
        match severity {
            standard::verdict::Severity::Error => Self::Error,
            standard::verdict::Severity::Warning => Self::Warning,
            standard::verdict::Severity::Note => Self::Note,
        }
    }
}

/// One finding, with what it is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct FindingView {
    /// Name of the rule.
    pub rule: Cow<'static, str>,
    /// What it weighs.
    pub severity: Severity,
    /// What it is about.
    pub subject: String,
    /// The clause that gives the rule.
    pub clause: Cow<'static, str>,
    /// What is required.
    pub required: Cow<'static, str>,
    /// What was found.
    pub found: String,
    /// What to do.
    pub advice: Cow<'static, str>,
}

impl FindingView {
    /// The finding, said of `subject`.
    pub fn of(subject: impl Into<String>, finding: &Finding) -> Self {
        Self {
            rule: finding.rule.name.into(),
            severity: finding.severity.into(),
            subject: subject.into(),
            clause: finding.rule.clause.into(),
            required: finding.required.clone(),
            found: finding.found.clone(),
            advice: finding.advice.clone(),
        }
    }
}

/// One finding of a manifest or a delivery, with how many share it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct InspectionFinding {
    /// The finding; of many ways to break its rule, the first.
    #[serde(flatten)]
    pub finding: FindingView,
    /// The chip, where one is meant.
    pub chip_id: Option<String>,
    /// How many share it.
    pub count: usize,
}

impl From<&SharedFinding> for InspectionFinding {
    fn from(shared: &SharedFinding) -> Self {
        Self {
            finding: FindingView::of(&*shared.subject, &shared.finding),
            chip_id: shared.chip_id.clone(),
            count: shared.count,
        }
    }
}

/// Findings of any act, each with how many things share it.
pub trait Counted {
    /// The finding.
    fn finding(&self) -> &FindingView;
    /// How many share it.
    fn count(&self) -> usize;
}

impl Counted for FindingView {
    fn finding(&self) -> &FindingView {
        self
    }

    fn count(&self) -> usize {
        1
    }
}

impl Counted for InspectionFinding {
    fn finding(&self) -> &FindingView {
        &self.finding
    }

    fn count(&self) -> usize {
        self.count
    }
}
