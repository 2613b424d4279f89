//! What a rule is and what it says of a subject.

use std::borrow::Cow;
use std::fmt;

/// How much a finding weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// A verifier may refuse: the subject is rejected.
    Error,
    /// Accepted here, but worth an engineer's look.
    Warning,
    /// Worth knowing.
    Note,
}

impl Severity {
    /// The word printed and put into JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Note => "note",
        }
    }
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// One row of the catalogue. Names are never changed or used again.
#[derive(Debug, PartialEq, Eq)]
pub struct Rule {
    /// `dac.key-usage`: the kind of subject, a dot, the rule.
    pub name: &'static str,
    /// The clause that gives it.
    pub clause: &'static str,
    /// What it weighs when broken, unless a finding says otherwise.
    pub severity: Severity,
    /// What the clause asks, as a sentence.
    pub required: &'static str,
    /// What it means in the field, and what to do.
    pub advice: &'static str,
}

/// What a rule says of a subject.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    pub rule: &'static Rule,
    pub severity: Severity,
    /// What is required of this subject; more exact than the rule's sentence
    /// where a value is known.
    pub required: Cow<'static, str>,
    /// What was found: the value itself.
    pub found: String,
    pub advice: Cow<'static, str>,
}

impl Finding {
    /// A finding with the rule's own severity, requirement and advice.
    pub fn new(rule: &'static Rule, found: impl Into<String>) -> Self {
        Self {
            rule,
            severity: rule.severity,
            required: Cow::Borrowed(rule.required),
            found: found.into(),
            advice: Cow::Borrowed(rule.advice),
        }
    }

    /// The same with another weight.
    #[must_use]
    pub fn weighing(mut self, severity: Severity) -> Self {
        self.severity = severity;
        self
    }

    /// The same with a requirement that names the value.
    #[must_use]
    pub fn requiring(mut self, required: impl Into<Cow<'static, str>>) -> Self {
        self.required = required.into();
        self
    }

    /// The same with advice for this case.
    #[must_use]
    pub fn advising(mut self, advice: impl Into<Cow<'static, str>>) -> Self {
        self.advice = advice.into();
        self
    }
}

/// Findings as they are made, of one subject.
#[derive(Debug, Default, Clone)]
pub struct Report {
    findings: Vec<Finding>,
}

impl Report {
    /// No findings yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a finding.
    pub fn add(&mut self, finding: Finding) {
        // Mostly it stays the only one, of a hundred thousand certificates.
        if self.findings.is_empty() {
            self.findings.reserve_exact(1);
        }
        self.findings.push(finding);
    }

    /// Adds what was found, with the rule's own weight.
    pub fn found(&mut self, rule: &'static Rule, found: impl Into<String>) {
        self.add(Finding::new(rule, found));
    }

    /// Whether an error is among them.
    pub fn rejected(&self) -> bool {
        self.findings.iter().any(|f| f.severity == Severity::Error)
    }

    /// The findings in the order made.
    pub fn into_findings(self) -> Vec<Finding> {
        self.findings
    }

    /// The findings so far.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }
}

/// Accepted, or rejected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// No finding is an error.
    Accepted,
    /// At least one finding is an error.
    Rejected,
}

impl Verdict {
    /// The verdict on these findings.
    pub fn on<'a>(findings: impl IntoIterator<Item = &'a Finding>) -> Self {
        if findings.into_iter().any(|f| f.severity == Severity::Error) { Self::Rejected } else { Self::Accepted }
    }

    /// The word printed and put into JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Accepted => "accepted",
            Self::Rejected => "rejected",
        }
    }
}
