//! What a plan assumed, and what to look at.

use super::{Line, Order, Request, UnitTime, Yield};
use crate::fit::needs::Needs;
use crate::part::page::clock_words;

pub(super) fn assumptions(r: &Request, needs: &Needs, time: &UnitTime) -> Vec<String> {
    let mut out = Vec::new();
    if r.unit_s.is_none() {
        out.push(format!("Handling of one unit (place, connect, remove, record) takes {} s.", r.handling_s));
        out.push(format!(
            "The chip is a {} at {}; objects are {}.",
            time.part,
            clock_words(time.bus_hz),
            if needs.product.is_some() {
                "the product's, certificates at their largest"
            } else {
                "the largest that the standard allows"
            }
        ));
    }
    if r.takt_s.is_none() {
        out.push("No takt was given: stations take the next unit as soon as they are free.".into());
    }
    if r.attempts.is_none() && r.past.as_ref().is_none_or(|p| p.attempts_per_chip.is_none()) {
        out.push("Every chip takes one attempt; repeated attempts take more station time (attempts per chip).".into());
    }
    if r.variation == 0.0 {
        out.push("Every unit takes equally long (no variation was given).".into());
    }
    if r.availability == 1.0 {
        out.push("Stations are always up (no availability was given).".into());
    }
    out.push(format!(
        "A day has {} shift{} of {} working hours, a week {} days.",
        r.shifts_per_day,
        if r.shifts_per_day == 1.0 { "" } else { "s" },
        r.shift_hours,
        r.days_per_week
    ));
    out.push(
        "Chips fail independently of one another. A bad lot fails together: no number of spare chips covers that."
            .into(),
    );
    out
}

pub(super) fn warnings(r: &Request, plan: &Yield, time: &UnitTime, line: &Line, order: &Order) -> Vec<String> {
    let mut out = Vec::new();
    if line.utilisation > 1.0 + 1e-9 {
        out.push(format!(
            "{} stations can't keep a takt of {} s: they start a unit every {:.2} s. Add stations.",
            line.stations,
            r.takt_s.unwrap_or(0.0),
            line.pace_seconds
        ));
    } else if r.takt_s.is_some() && line.utilisation > 0.9 {
        out.push(format!(
            "Stations are busy {:.0} % of the time; they recover from a stop only slowly. One more station gives reserve.",
            line.utilisation * 100.0
        ));
    }
    if r.unit_s.is_some_and(|s| s < time.chip_seconds) {
        out.push(format!(
            "A unit should take {} s, but the chip and its bus alone take {:.2} s in the model: check the part, its clock or the objects.",
            time.unit_seconds, time.chip_seconds
        ));
    }
    if plan.share < 0.9 {
        out.push(format!(
            "{:.0} of 100 chips are lost. Find out why before you order more; `touchmark report` shows causes.",
            (1.0 - plan.share) * 100.0
        ));
    }
    if order.chips > order.needed * 2 && order.chips > 1_000 {
        out.push("The smallest order is more than twice what is needed.".into());
    }
    out
}
