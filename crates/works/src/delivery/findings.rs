//! Findings of a delivery, once for all that share them, however many there are and
//! in whatever order they are met.

use std::collections::HashMap;

use standard::verdict::{Finding, Severity};

/// Subjects named in a finding that many share.
const NAMED: usize = 5;

/// A finding on a delivery, once for all that share it.
#[derive(Debug, Clone)]
pub struct DeliveryFinding {
    /// The entry, or the first few of them.
    pub subject: String,
    /// The chip, where one is meant.
    pub chip_id: Option<String>,
    /// How many share it.
    pub count: usize,
    /// The finding.
    pub finding: Finding,
}

/// Where a finding stands among all: stage of the inspection, thing, and which of the thing's.
pub(super) type Turn = (u8, u64, u32);

/// The chip that a finding is about.
#[derive(Debug, Clone)]
pub(super) enum About {
    Nothing,
    /// By its place on the reel: its id is looked up where it is told.
    Place(u32),
    Id(String),
}

type Key = (&'static str, Severity, String, String);

#[derive(Debug)]
struct Group {
    /// The first few, sorted by turn.
    first: Vec<(Turn, String)>,
    /// Of the very first.
    about: About,
    finding: Finding,
    count: usize,
}

/// Findings so far.
#[derive(Debug, Default)]
pub(super) struct Findings {
    groups: HashMap<Key, Group>,
    errors: bool,
}

fn key(finding: &Finding) -> Key {
    (finding.rule.name, finding.severity, finding.required.to_string(), finding.found.clone())
}

impl Findings {
    /// Whether any is an error.
    pub(super) fn has_errors(&self) -> bool {
        self.errors
    }

    pub(super) fn is_empty(&self) -> bool {
        self.groups.is_empty()
    }

    /// Adds one; the subject is asked for only where it is among those named.
    pub(super) fn tell(&mut self, turn: Turn, subject: impl FnOnce() -> String, about: About, finding: Finding) {
        self.errors |= finding.severity == Severity::Error;
        let group = self.groups.entry(key(&finding)).or_insert_with(|| Group {
            first: Vec::new(),
            about: About::Nothing,
            finding: finding.clone(),
            count: 0,
        });
        group.count += 1;
        let at = group.first.partition_point(|(other, _)| *other < turn);
        if at < NAMED {
            if at == 0 {
                (group.about, group.finding) = (about, finding);
            }
            group.first.insert(at, (turn, subject()));
            group.first.truncate(NAMED);
        }
    }

    /// Takes in what was found elsewhere.
    pub(super) fn merge(&mut self, other: Self) {
        self.errors |= other.errors;
        for (key, theirs) in other.groups {
            let Some(ours) = self.groups.get_mut(&key) else {
                self.groups.insert(key, theirs);
                continue;
            };
            ours.count += theirs.count;
            if theirs.first.first() < ours.first.first() {
                (ours.about, ours.finding) = (theirs.about, theirs.finding);
            }
            ours.first.extend(theirs.first);
            ours.first.sort();
            ours.first.truncate(NAMED);
        }
    }

    /// As they are told: errors first, in the catalogue's order, then as they came.
    pub(super) fn told<E>(self, chip_id: &dyn Fn(u32) -> Result<String, E>) -> Result<Vec<DeliveryFinding>, E> {
        let ranks: HashMap<&str, usize> =
            standard::verdict::all_rules().iter().enumerate().map(|(i, r)| (r.name, i)).collect();
        let mut groups: Vec<Group> = self.groups.into_values().collect();
        groups.sort_by_cached_key(|g| {
            let rank = ranks.get(g.finding.rule.name).copied().unwrap_or(usize::MAX);
            (g.finding.severity, rank, g.first.first().map(|(turn, _)| *turn))
        });
        groups
            .into_iter()
            .map(|group| {
                let names: Vec<String> = group.first.into_iter().map(|(_, name)| name).collect();
                let mut subject = names.join(", ");
                if group.count > NAMED {
                    subject = format!("{subject} and {} more", group.count - NAMED);
                }
                let chip_id = match group.about {
                    _ if group.count > 1 => None,
                    About::Nothing => None,
                    About::Id(id) => Some(id),
                    About::Place(place) => Some(chip_id(place)?),
                };
                Ok(DeliveryFinding { subject, chip_id, count: group.count, finding: group.finding })
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use std::convert::Infallible;

    use standard::verdict::catalogue::intake::{DELIVERY_FORMAT, DELIVERY_SERIAL};

    use super::*;

    fn told(turns: &[u64]) -> Vec<DeliveryFinding> {
        let mut all = Findings::default();
        for part in turns.chunks(3) {
            let mut some = Findings::default();
            for turn in part {
                let found = Finding::new(&DELIVERY_SERIAL, "alike");
                some.tell((1, *turn, 0), || format!("e{turn}"), About::Place(7), found);
            }
            all.merge(some);
        }
        let alone = Finding::new(&DELIVERY_FORMAT, "alone");
        all.tell((2, 0, 0), || "x".into(), About::Place(9), alone);
        all.told::<Infallible>(&|place| Ok(format!("chip {place}"))).unwrap_or_else(|never| match never {})
    }

    #[test]
    fn many_are_said_once_in_whatever_order_they_come() {
        let forward = told(&[0, 1, 2, 3, 4, 5, 6]);
        let backward = told(&[6, 4, 5, 0, 3, 2, 1]);
        for told in [forward, backward] {
            let alike = told.iter().find(|f| f.finding.found == "alike").expect("there");
            assert_eq!((alike.count, alike.subject.as_str()), (7, "e0, e1, e2, e3, e4 and 2 more"));
            assert_eq!(alike.chip_id, None);
            let alone = told.iter().find(|f| f.finding.found == "alone").expect("there");
            assert_eq!((alone.count, alone.chip_id.as_deref()), (1, Some("chip 9")));
        }
    }
}
