//! Meetings of finished units: how many a home would take, why not the others, how long they took.

use book::{MeetingTally, MeetingVerdict};
use serde::Serialize;

use super::count::{Share, whole};

/// Meetings that broke one rule first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Broken {
    pub rule: String,
    pub meetings: u64,
    /// Share of those that were not accepted.
    pub share: f64,
}

/// Meetings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Meetings {
    /// Accepted, of all that came to a verdict.
    pub accepted: Share,
    pub rejected: u64,
    /// Those that came to none.
    pub unreachable: u64,
    /// Rules that were broken first, most frequent first.
    pub causes: Vec<Broken>,
    /// Milliseconds that one took.
    pub mean_ms: f64,
    pub longest_ms: u64,
}

impl Meetings {
    /// None where there was no meeting.
    pub fn of(tallies: &[MeetingTally]) -> Option<Self> {
        let count = |verdict| tallies.iter().filter(|t| t.verdict == verdict).map(|t| whole(t.meetings)).sum::<u64>();
        let [accepted, rejected, unreachable] =
            [MeetingVerdict::Accepted, MeetingVerdict::Rejected, MeetingVerdict::Unreachable].map(count);
        let all = accepted + rejected + unreachable;
        let mut causes: Vec<Broken> = Vec::new();
        for tally in tallies {
            let Some(rule) = &tally.cause else { continue };
            let meetings = whole(tally.meetings);
            match causes.iter_mut().find(|c| c.rule == *rule) {
                Some(there) => there.meetings += meetings,
                None => causes.push(Broken { rule: rule.clone(), meetings, share: 0.0 }),
            }
        }
        for cause in &mut causes {
            cause.share = cause.meetings as f64 / (rejected + unreachable).max(1) as f64;
        }
        causes.sort_by(|a, b| b.meetings.cmp(&a.meetings).then_with(|| a.rule.cmp(&b.rule)));
        (all > 0).then(|| Self {
            accepted: Share::of(accepted, accepted + rejected),
            rejected,
            unreachable,
            causes,
            mean_ms: tallies.iter().map(|t| whole(t.total_ms)).sum::<u64>() as f64 / all as f64,
            longest_ms: tallies.iter().map(|t| whole(t.longest_ms)).max().unwrap_or(0),
        })
    }
}
