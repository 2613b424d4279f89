//! The worst hour of a period, and what was different in it.
//!
//! Not the hour with the highest share of failures: one failure in a quiet
//! hour would always win. The hour is taken whose failures chance explains
//! least, given the rest of the period; what was different are those causes,
//! stations and reels that had more failures in it than the rest lets expect.

use std::collections::BTreeMap;

use base::course::or_stopped;
use base::trouble::Trouble;
use book::{AttemptResult, CauseTally, Stretch, Tallies};
use decide::statistics::Successes;
use serde::Serialize;
use time::{OffsetDateTime, UtcOffset};

use super::count::{by_stretch, whole};
use super::{HOUR, shown, zone_text};

/// Below this probability, over all hours together, chance is no explanation.
const RARE: f64 = 0.05;

/// What had more failures in that hour than the rest lets expect.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Different {
    /// `cause`, `station` or `reel`.
    pub kind: &'static str,
    pub name: String,
    /// Its failures in the hour.
    pub failures: u64,
    /// Failures that the rest lets expect; none where there is no rest.
    pub expected: Option<f64>,
}

/// The worst hour.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Worst {
    /// When it begins, RFC 3339.
    pub begins: String,
    /// From and to in the zone.
    pub words: String,
    /// Attempts that passed or failed.
    pub attempts: u64,
    pub failed: u64,
    pub share: f64,
    /// The same in all other hours.
    pub share_elsewhere: f64,
    /// Probability of so many failures or more, were the hour as the others.
    pub by_chance: f64,
    /// Hours with attempts, of which this one is the worst.
    pub hours: u64,
    /// Probability that one of so many hours is as bad, were all alike: the worst of many is bad by chance.
    pub by_chance_of_all: f64,
    /// Whether chance is no explanation.
    pub stands_out: bool,
    /// What was different, the largest excess first.
    pub different: Vec<Different>,
    /// Why, sentence by sentence.
    pub because: Vec<String>,
}

pub(super) fn find(book: &Tallies<'_>, zone: UtcOffset) -> Result<Option<Worst>, Trouble> {
    let hour = Stretch { micros: HOUR, ahead: i64::from(zone.whole_seconds()) * 1_000_000 };
    let tallies = or_stopped(book.attempts(hour))?;
    let causes = or_stopped(book.causes(hour))?;
    let hours = by_stretch(&tallies);
    let (all, failed) = hours.iter().fold((0, 0), |(a, f), (_, n, k)| (a + n, f + k));
    let candidates = hours.iter().filter(|(_, _, k)| *k > 0).map(|(begins, n, k)| {
        let elsewhere = share(failed - k, all - n);
        (*begins, *n, *k, elsewhere, chance(*n, *k, elsewhere, (failed - k, all - n)))
    });
    let Some((begins, n, k, elsewhere, by_chance)) =
        candidates.min_by(|a, b| a.4.total_cmp(&b.4).then_with(|| b.2.cmp(&a.2)))
    else {
        return Ok(None);
    };
    let mut attempts_at: BTreeMap<(&str, &str), [u64; 2]> = BTreeMap::new();
    for tally in tallies.iter().filter(|t| t.result != AttemptResult::Interrupted) {
        for key in [("station", tally.station.as_str()), ("reel", tally.reel.as_str())] {
            attempts_at.entry(key).or_default()[usize::from(tally.begins != begins)] += whole(tally.attempts);
        }
    }
    let different = differences(&causes, begins, (n, all - n), &attempts_at);
    let mut out = Worst {
        begins: base::times::time_text(begins),
        words: format!(
            "{} to {} {}",
            shown(begins, zone),
            &shown(begins + time::Duration::HOUR, zone)[11..],
            zone_text(zone)
        ),
        attempts: n,
        failed: k,
        share: share(k, n),
        share_elsewhere: elsewhere,
        by_chance,
        hours: hours.len() as u64,
        by_chance_of_all: of_all(by_chance, hours.len()),
        stands_out: of_all(by_chance, hours.len()) < RARE,
        different,
        because: Vec::new(),
    };
    out.because = because(&out);
    Ok(Some(out))
}

fn share(part: u64, whole: u64) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}

/// Probability of `failed` failures or more of `n`. Where nothing else failed, the
/// others' share is taken as half a failure, since nothing is impossible.
fn chance(n: u64, failed: u64, elsewhere: f64, (others_failed, others): (u64, u64)) -> f64 {
    if others == 0 {
        return 1.0;
    }
    let p = if others_failed == 0 { 0.5 / (others as f64 + 1.0) } else { elsewhere };
    if p >= 1.0 {
        return 1.0;
    }
    Successes::Known { p }.tails(n, failed).at_least
}

fn differences(
    causes: &[CauseTally],
    begins: OffsetDateTime,
    (inside, outside): (u64, u64),
    attempts_at: &BTreeMap<(&str, &str), [u64; 2]>,
) -> Vec<Different> {
    let mut failures: BTreeMap<(&'static str, &str), [u64; 2]> = BTreeMap::new();
    for tally in causes {
        let keys =
            [("cause", tally.cause.as_str()), ("station", tally.station.as_str()), ("reel", tally.reel.as_str())];
        for key in keys {
            failures.entry(key).or_default()[usize::from(tally.begins != begins)] += whole(tally.failures);
        }
    }
    let all_outside: u64 = failures.iter().filter(|((kind, _), _)| *kind == "cause").map(|(_, [_, out])| out).sum();
    let mut out: Vec<Different> = failures
        .into_iter()
        .filter(|(_, [here, _])| *here > 0)
        .filter_map(|((kind, name), [here, elsewhere])| {
            let expected = if kind == "cause" {
                inside as f64 * share(elsewhere, outside)
            } else {
                // A station or reel that only this hour had is compared with the average of all others.
                let [in_hour, other] = attempts_at.get(&(kind, name)).copied().unwrap_or_default();
                in_hour as f64 * if other > 0 { share(elsewhere, other) } else { share(all_outside, outside) }
            };
            let expected = (outside > 0).then_some(expected);
            let more = here as f64 > expected.unwrap_or(0.0);
            more.then(|| Different { kind, name: name.to_owned(), failures: here, expected })
        })
        .collect();
    let excess = |d: &Different| d.failures as f64 - d.expected.unwrap_or(0.0);
    out.sort_by(|a, b| excess(b).total_cmp(&excess(a)));
    out
}

/// Probability that at least one of so many alike reaches what each reaches with `one` (Z. Šidák, 1967).
fn of_all(one: f64, hours: usize) -> f64 {
    -(hours as f64 * (-one.min(1.0 - 1e-16)).ln_1p()).exp_m1()
}

fn because(worst: &Worst) -> Vec<String> {
    let percent = |share: f64| format!("{:.1} %", share * 100.0);
    let failed = format!("{} of {} attempts failed ({})", worst.failed, worst.attempts, percent(worst.share));
    let mut out = vec![if worst.hours > 1 {
        format!("{failed}, against {} in all other hours.", percent(worst.share_elsewhere))
    } else {
        format!("{failed}. It is the only hour with attempts, so there is nothing to compare it with.")
    }];
    if worst.hours > 1 {
        let chance = chance_words(worst.by_chance_of_all);
        let begin =
            format!("Among {} equal hours, one this bad occurs by chance with a probability of {chance}", worst.hours);
        out.push(format!(
            "{begin}: {}.",
            if worst.stands_out { "something was different" } else { "the worst hour, but it does not stand out" }
        ));
    }
    for kind in ["cause", "station", "reel"] {
        let told: Vec<String> = worst
            .different
            .iter()
            .filter(|d| d.kind == kind)
            .take(3)
            .map(|d| {
                let expected = d.expected.map_or(String::new(), |e| format!(", {e:.1} expected"));
                format!("{} {} times{expected}", d.name, d.failures)
            })
            .collect();
        if !told.is_empty() {
            out.push(format!("By {kind}: {}.", told.join("; ")));
        }
    }
    out
}

/// A probability in words, small ones too.
fn chance_words(chance: f64) -> String {
    if chance < 1e-6 { "less than one in a million".into() } else { format!("{:.2} %", chance * 100.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 1 - 0.99^100 = 63.4 %; small ones add up.
    #[test]
    fn the_worst_of_many_is_bad_by_chance() {
        assert!((of_all(0.01, 100) - 0.633_968).abs() < 1e-6);
        assert!((of_all(1e-12, 1_000) - 1e-9).abs() < 1e-14);
        assert!((of_all(1.0, 3) - 1.0).abs() < 1e-12 && of_all(0.0, 3) == 0.0);
    }
}
