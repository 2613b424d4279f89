//! What to order, in whole reels and lots, and when to order again.

use base::trouble::Trouble;
use serde::Serialize;

use super::Request;
use super::line::Line;
use crate::statistics::Successes;

/// What to order.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Order {
    /// Chips that the target needs at the confidence.
    pub needed: u64,
    pub spare: u64,
    /// Chips that are there and count.
    pub in_stock: u64,
    /// Chips to order: what is missing, in whole reels and not below the least lot.
    pub chips: u64,
    /// Reels, where their size is known.
    pub reels: Option<u64>,
    /// Credentials to order: one for each chip that is ordered, not below the least lot.
    pub credentials: u64,
    /// Chips likely left when the target is met.
    pub likely_left: u64,
    /// Calendar days from an order of chips to chips that can be provisioned: a
    /// certificate is issued for a chip's key, so its order waits for the chips' manifest.
    pub lead_days: f64,
}

/// Stock over time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stock {
    /// Chips that a working day takes.
    pub per_day: f64,
    /// Chips left at which to order again: what the lead time takes, at the confidence.
    pub reorder_at: u64,
    /// Calendar days before the line starts by which to order the first chips.
    pub order_days_before_start: f64,
    /// Chips there are, where told.
    pub now: Option<u64>,
    /// Calendar days until the stock falls to that point; 0 where it has.
    pub days_until_reorder: Option<f64>,
    /// Calendar days until nothing is left.
    pub days_until_empty: Option<f64>,
}

pub(super) fn order(r: &Request, needed: u64, share: f64) -> Order {
    let in_stock = r.stock.unwrap_or(0);
    let missing = (needed + r.spare_chips).saturating_sub(in_stock);
    let mut chips = if missing == 0 { 0 } else { missing.max(r.least_lots.0) };
    let reels = r.reel_chips.map(|size| chips.div_ceil(size));
    if let (Some(size), Some(reels)) = (r.reel_chips, reels) {
        chips = size * reels;
    }
    let credentials = if chips == 0 { 0 } else { chips.max(r.least_lots.1) };
    let used = (r.good as f64 / share).round() as u64;
    Order {
        needed,
        spare: r.spare_chips,
        in_stock,
        chips,
        reels,
        credentials,
        likely_left: (chips + in_stock).saturating_sub(used),
        lead_days: r.lead_days.0 + r.lead_days.1,
    }
}

pub(super) fn stock(r: &Request, line: &Line, successes: Successes, needed: u64) -> Result<Stock, Trouble> {
    let lead = r.lead_days.0 + r.lead_days.1;
    let week = r.days_per_week / 7.0;
    let per_day = line.chips_per_day.min(needed as f64);
    // Good units that the lead time must yield, and the chips for them at the same confidence.
    let good = (line.chips_per_day * successes.mean() * lead * week).ceil().min(r.good as f64) as u64;
    let reorder_at = if good == 0 { 0 } else { super::chips(successes, good, r.confidence)?.min(needed) };
    let days = |chips: f64| (chips / line.chips_per_day / week).max(0.0);
    Ok(Stock {
        per_day,
        reorder_at,
        order_days_before_start: lead,
        now: r.stock,
        days_until_reorder: r.stock.map(|now| days(now as f64 - reorder_at as f64)),
        days_until_empty: r.stock.map(|now| days(now as f64)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn orders_come_in_reels_and_lots() {
        let r = Request {
            reel_chips: Some(3_000),
            spare_chips: 10,
            least_lots: (5_000, 10_000),
            ..Request::new(2_900).unwrap()
        };
        let told = order(&r, 3_000, 0.97);
        assert_eq!((told.chips, told.reels, told.credentials), (6_000, Some(2), 10_000));
        let told = order(&Request { stock: Some(3_010), ..r.clone() }, 3_000, 0.97);
        assert_eq!((told.chips, told.reels, told.credentials), (0, Some(0), 0));
        let told = order(&Request { stock: Some(9), least_lots: (0, 0), reel_chips: None, ..r }, 3_000, 0.97);
        assert_eq!((told.chips, told.credentials, told.likely_left), (3_001, 3_001, 3_010 - 2_990));
    }
}
