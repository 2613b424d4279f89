//! Findings as every inspection gives them, by rule.

use serde::Deserialize;
use serde_json::Value;
use works::Trouble;

/// A finding as every inspection gives it.
#[derive(Debug, Clone, Deserialize)]
pub struct Finding {
    /// Name of the rule.
    pub rule: String,
    /// `error`, `warning` or `note`.
    pub severity: String,
    /// What it is about.
    pub subject: String,
    /// How many share it.
    #[serde(default)]
    pub count: Option<u64>,
    /// The clause.
    pub clause: String,
    /// What is required.
    pub required: String,
    /// What was found.
    pub found: String,
    /// What to do.
    pub advice: String,
}

/// Findings of one rule.
pub struct Group {
    /// Name of the rule.
    pub rule: String,
    /// `error`, `warning` or `note`.
    pub severity: String,
    /// The clause.
    pub clause: String,
    /// What is required.
    pub required: String,
    /// How many things have it.
    pub count: u64,
    /// Where: subject, what was found, what to do.
    pub places: Vec<(String, String, String)>,
}

/// Findings as an act gave them in JSON.
///
/// # Errors
///
/// Where one has another form: none is ever left out in silence.
pub fn read(findings: Value) -> Result<Vec<Finding>, Trouble> {
    if findings.is_null() {
        return Ok(Vec::new());
    }
    serde_json::from_value(findings)
        .map_err(|e| Trouble::surroundings(format!("the findings can't be shown: {e}"), "Report this."))
}

/// Findings by rule, errors first.
pub fn grouped(findings: &[Finding]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for f in findings {
        let place = (f.subject.clone(), f.found.clone(), f.advice.clone());
        match groups.iter_mut().find(|g| g.rule == f.rule && g.severity == f.severity) {
            Some(group) => {
                group.count += f.count.unwrap_or(1);
                group.places.push(place);
            }
            None => groups.push(Group {
                rule: f.rule.clone(),
                severity: f.severity.clone(),
                clause: f.clause.clone(),
                required: f.required.clone(),
                count: f.count.unwrap_or(1),
                places: vec![place],
            }),
        }
    }
    let weight = |g: &Group| match g.severity.as_str() {
        "error" => 0,
        "warning" => 1,
        _ => 2,
    };
    groups.sort_by_key(weight);
    groups
}
