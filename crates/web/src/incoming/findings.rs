//! Findings as pages show them, by rule.

use base::finding_view::{Counted, FindingView, Severity};

/// Findings of one rule.
pub struct Group {
    /// The first of them.
    pub first: FindingView,
    /// How many things have it.
    pub count: usize,
    /// Where: subject, what was found, what to do.
    pub places: Vec<(String, String, String)>,
}

/// Findings by rule, errors first.
pub fn grouped(findings: &[impl Counted]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for counted in findings {
        let f = counted.finding();
        let place = (f.subject.clone(), f.found.clone(), f.advice.to_string());
        match groups.iter_mut().find(|g| g.first.rule == f.rule && g.first.severity == f.severity) {
            Some(group) => {
                group.count += counted.count();
                group.places.push(place);
            }
            None => groups.push(Group { first: f.clone(), count: counted.count(), places: vec![place] }),
        }
    }
    let weight = |severity: Severity| Severity::ALL.iter().position(|s| *s == severity);
    groups.sort_by_key(|g| weight(g.first.severity));
    groups
}
