//! What a site's past says: chips that ended well or badly, attempts, times.

use base::trouble::Trouble;
use book::{AttemptResult, StepBin, Stretch, UnitFilter};
use serde::Serialize;
use site::Site;

use super::chips;
use crate::part::time::Step;
use crate::statistics::interval::Range;
use crate::statistics::{Successes, wilson};

/// Counts of the past.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Past {
    /// Chips that ended in a good unit.
    pub good: u64,
    /// Chips that were lost: units scrapped, and chips scrapped before they became one.
    pub lost: u64,
    /// Units not decided yet; they count on neither side.
    pub open: u64,
    /// Attempts a chip took on average.
    pub attempts_per_chip: Option<f64>,
    /// Seconds of an attempt's steps on average.
    pub attempt_seconds: Option<f64>,
    /// Steps of its attempts.
    pub steps: Vec<PastStep>,
    /// Which past, in words.
    pub source: String,
}

/// One step over all attempts of the past.
#[derive(Debug, Clone, PartialEq)]
pub struct PastStep {
    pub name: String,
    /// How often it was done, of how often it was begun.
    pub done: (u64, u64),
    pub mean_ms: f64,
}

/// One step of the past beside the model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ToldStep {
    pub name: String,
    /// Share of attempts in which it was done, and its 95 % interval (Wilson).
    pub share: Option<f64>,
    /// See `share`.
    pub interval: Option<Range>,
    pub mean_ms: f64,
    /// Milliseconds by the model; none where the model has no such step.
    pub model_ms: Option<f64>,
}

/// The past as a plan tells of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    pub source: String,
    /// Chips that ended in a good unit.
    pub good: u64,
    /// Chips that were lost.
    pub lost: u64,
    /// Units not decided yet.
    pub open: u64,
    /// Share of good ones.
    pub share: Option<f64>,
    /// Its 95 % interval (Wilson).
    pub interval: Option<Range>,
    /// Chips that this past alone asks for, at the plan's confidence.
    pub chips: Option<u64>,
    /// Attempts a chip took on average.
    pub attempts_per_chip: Option<f64>,
    /// Seconds of an attempt's steps on average.
    pub attempt_seconds: Option<f64>,
    /// Step by step: yield, and time beside the model's.
    pub steps: Vec<ToldStep>,
}

impl Past {
    /// Counts given by hand.
    pub fn counted(good: u64, lost: u64) -> Self {
        Self { good, lost, source: "as given".into(), ..Self::default() }
    }

    /// Counts of a site: of a reel, of a product's reels, or of all.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where there is no such reel or product, or the book gave no answer.
    pub fn of_site(site: &Site, reel: Option<&str>, product: Option<&str>) -> Result<Self, Trouble> {
        let (filter, source) = match (reel, product) {
            (Some(reel), _) => {
                let reel = receive::reel::get(site, reel)?.facts.reel;
                let source = format!("of reel {reel}");
                (UnitFilter { reel: Some(reel), ..UnitFilter::default() }, source)
            }
            (None, Some(product)) => {
                let name = site::product::get(site, product)?.facts.name;
                let source = format!("of product {name}");
                (UnitFilter { product: Some(name), ..UnitFilter::default() }, source)
            }
            (None, None) => (UnitFilter::default(), "of this site".to_owned()),
        };
        let mut past = Self { source, ..Self::default() };
        for found in site.book.reels()? {
            let matches = filter.reel.as_ref().is_none_or(|r| *r == found.facts.reel)
                && filter.product.as_ref().is_none_or(|p| *p == found.facts.product);
            if matches {
                let account = site.book.reconcile(Some(&found.facts.reel))?;
                let count = |n: i64| u64::try_from(n).unwrap_or(0);
                past.good += count(account.units.passed + account.units.returned);
                past.lost += count(account.units.scrapped.max(account.chips.scrapped));
                past.open += count(account.units.failed + account.units.open);
            }
        }
        let all_time = Stretch { micros: i64::MAX / 4, ahead: 0 };
        let (mut attempts, mut firsts) = (0, 0);
        for tally in site.book.tally_attempts(&filter, all_time)? {
            if tally.result != AttemptResult::Interrupted {
                attempts += tally.attempts;
                firsts += if tally.first { tally.attempts } else { 0 };
            }
        }
        let bins = site.book.tally_steps(&filter)?;
        let step_us: i64 = bins.iter().map(|b| b.total_us).sum();
        past.steps = steps(&bins);
        if firsts > 0 && attempts > 0 {
            past.attempts_per_chip = Some((attempts as f64 / firsts as f64).max(1.0));
            past.attempt_seconds = Some(step_us as f64 / 1e6 / attempts as f64);
        }
        Ok(past)
    }

    pub(super) fn told(&self, good: u64, confidence: f64, model: &[Step]) -> Told {
        let all = self.good + self.lost;
        let enough = all >= super::LEAST_PAST && self.good > 0;
        Told {
            source: self.source.clone(),
            good: self.good,
            lost: self.lost,
            open: self.open,
            share: (all > 0).then(|| self.good as f64 / all as f64),
            interval: wilson(self.good, all, 0.95),
            chips: enough.then(|| chips(Successes::learned(self.good, self.lost), good, confidence).ok()).flatten(),
            attempts_per_chip: self.attempts_per_chip,
            attempt_seconds: self.attempt_seconds,
            steps: self
                .steps
                .iter()
                .map(|s| ToldStep {
                    name: s.name.clone(),
                    share: (s.done.1 > 0).then(|| s.done.0 as f64 / s.done.1 as f64),
                    interval: wilson(s.done.0, s.done.1, 0.95),
                    mean_ms: s.mean_ms,
                    model_ms: model.iter().find(|m| m.name == s.name).map(|m| m.total_ms),
                })
                .collect(),
        }
    }
}

/// Steps in the order of their names.
fn steps(bins: &[StepBin]) -> Vec<PastStep> {
    let mut out: Vec<PastStep> = Vec::new();
    let mut us = Vec::new();
    for bin in bins {
        let times = u64::try_from(bin.times).unwrap_or(0);
        if out.last().is_none_or(|last| last.name != bin.name) {
            out.push(PastStep { name: bin.name.clone(), done: (0, 0), mean_ms: 0.0 });
            us.push(0);
        }
        if let (Some(step), Some(us)) = (out.last_mut(), us.last_mut()) {
            step.done.0 += if bin.done { times } else { 0 };
            step.done.1 += times;
            *us += bin.total_us;
        }
    }
    for (step, us) in out.iter_mut().zip(us) {
        step.mean_ms = us as f64 / 1000.0 / step.done.1.max(1) as f64;
    }
    out
}
