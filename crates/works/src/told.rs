//! Findings as JSON tells them.

use serde::Serialize;
use standard::verdict::Finding;

/// One finding, with what it is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ToldFinding {
    /// Name of the rule.
    pub rule: &'static str,
    /// `error`, `warning` or `note`.
    pub severity: &'static str,
    /// What it is about.
    pub subject: String,
    /// The clause that gives the rule.
    pub clause: &'static str,
    /// What is required.
    pub required: String,
    /// What was found.
    pub found: String,
    /// What to do.
    pub advice: String,
}

impl ToldFinding {
    /// The finding, said of `subject`.
    pub fn of(subject: impl Into<String>, finding: &Finding) -> Self {
        Self {
            rule: finding.rule.name,
            severity: finding.severity.word(),
            subject: subject.into(),
            clause: finding.rule.clause,
            required: finding.required.clone().into_owned(),
            found: finding.found.clone(),
            advice: finding.advice.clone().into_owned(),
        }
    }
}
