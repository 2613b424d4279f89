//! Numbers that can't be, each refused with what to give instead.

use base::trouble::Trouble;

use super::{MOST_GOOD, Request, refuse};

/// A share must lie above 0 and be 1 at most.
fn share(input: &'static str, what: &str, value: f64) -> Result<(), Trouble> {
    if value > 1.0 && value <= 100.0 {
        return refuse(
            input,
            format!("{what} is {value}, but a share is at most 1"),
            format!("For {value} per cent write {}.", value / 100.0),
        );
    }
    if !(value > 0.0 && value <= 1.0) {
        return refuse(input, format!("{what} is {value}"), "Give a share above 0 and at most 1, for instance 0.985.");
    }
    Ok(())
}

fn within(input: &'static str, what: &str, value: f64, low: f64, high: f64, unit: &str) -> Result<(), Trouble> {
    if !(low..=high).contains(&value) {
        return refuse(input, format!("{what} is {value} {unit}"), format!("Give {low} to {high} {unit}."));
    }
    Ok(())
}

pub(super) fn check(r: &Request) -> Result<(), Trouble> {
    if r.good == 0 || r.good > MOST_GOOD {
        return refuse(
            "good",
            format!("{} good units is out of range", r.good),
            format!("Give 1 to {}.", print::chart::grouped(MOST_GOOD)),
        );
    }
    if let Some(p) = r.share_good {
        share("yield", "the yield", p)?;
    }
    for (name, p) in &r.steps {
        share("step", &format!("the yield of step {name}"), *p)?;
    }
    if !(r.confidence > 0.0 && r.confidence < 1.0) {
        let sure = r.confidence == 1.0;
        return refuse(
            "confidence",
            format!("the confidence is {}", r.confidence),
            if sure {
                "No number of chips is certain to be enough; give 0.999999 for one in a million."
            } else {
                "Give a probability above 0 and below 1, for instance 0.95."
            },
        );
    }
    const DAY: f64 = 86_400.0;
    for (input, what, value) in [("takt", "the takt", r.takt_s), ("unit_seconds", "a unit's time", r.unit_s)] {
        if let Some(value) = value {
            within(input, what, value, 0.001, DAY, "seconds")?;
        }
    }
    within("handling", "handling", r.handling_s, 0.0, DAY, "seconds")?;
    if let Some(attempts) = r.attempts {
        within("attempts", "attempts", attempts, 1.0, 100.0, "a chip")?;
    }
    within("variation", "the variation", r.variation, 0.0, 5.0, "of the mean")?;
    share("availability", "the availability", r.availability)?;
    within("shift_hours", "a shift", r.shift_hours, 0.01, 24.0, "hours")?;
    within("shifts_per_day", "a day", r.shifts_per_day, 0.1, 24.0, "shifts")?;
    within("days_per_week", "a week", r.days_per_week, 0.1, 7.0, "working days")?;
    if r.shift_hours * r.shifts_per_day > 24.0 + 1e-9 {
        return refuse(
            "shifts_per_day",
            format!("{} shifts of {} hours are more than a day", r.shifts_per_day, r.shift_hours),
            "Give fewer or shorter shifts.",
        );
    }
    if r.stations.is_some_and(|n| n == 0 || n > 100_000) {
        return refuse("stations", "the number of stations is out of range", "Give 1 to 100000.");
    }
    if r.reel_chips == Some(0) {
        return refuse("reel_chips", "a reel has 0 chips", "Give the number of chips on one reel.");
    }
    let leads = [("chip_days", "chips", r.lead_days.0), ("credential_days", "credentials", r.lead_days.1)];
    for (input, what, days) in leads {
        within(input, &format!("the lead time of {what}"), days, 0.0, 3_650.0, "days")?;
    }
    const MOST: u64 = 1_000_000_000_000;
    if r.spare_chips > MOST || r.least_lots.0 > MOST || r.least_lots.1 > MOST || r.stock.is_some_and(|n| n > MOST) {
        return refuse("spares", "a number of chips exceeds a million million", "Give fewer.");
    }
    if let Some(hz) = r.bus_hz
        && !r.part.clocks().contains(&hz)
    {
        let clocks: Vec<String> = r.part.clocks().iter().map(u32::to_string).collect();
        return refuse(
            "bus_hz",
            format!("part {} has no bus clock of {hz} Hz", r.part.part.name),
            format!("Give one of {}.", clocks.join(", ")),
        );
    }
    if r.protected && r.part.bus.protected.is_none() {
        return refuse(
            "protected_bus",
            format!("part {} has no protected bus", r.part.part.name),
            "Plan with the plain bus, or give the part's [bus.protected] in its file.",
        );
    }
    Ok(())
}
