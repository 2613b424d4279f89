//! What a site's past says: chips that ended well or badly, attempts, times.

use book::{AttemptResult, Stretch, UnitFilter};
use serde::Serialize;

use super::chips;
use crate::site::Site;
use crate::statistics::interval::Range;
use crate::statistics::{Successes, wilson};
use crate::trouble::Trouble;

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
    /// Which past, in words.
    pub source: String,
}

/// The past as a plan tells of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    /// Which past.
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
                let reel = crate::reel::get(site, reel)?.facts.reel;
                let source = format!("of reel {reel}");
                (UnitFilter { reel: Some(reel), ..UnitFilter::default() }, source)
            }
            (None, Some(product)) => {
                let name = crate::product::get(site, product)?.facts.name;
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
        let step_us: i64 = site.book.tally_steps(&filter)?.iter().map(|b| b.total_us).sum();
        if firsts > 0 && attempts > 0 {
            past.attempts_per_chip = Some((attempts as f64 / firsts as f64).max(1.0));
            past.attempt_seconds = Some(step_us as f64 / 1e6 / attempts as f64);
        }
        Ok(past)
    }

    pub(super) fn told(&self, good: u64, confidence: f64) -> Told {
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
        }
    }
}
