//! Which one number matters most: each is made a tenth better and a tenth worse.
//!
//! The target itself is left out: that more units take more chips is no news.

use base::trouble::Trouble;
use serde::Serialize;

use super::line::{self, Line, Load};
use super::{Request, chips};
use crate::statistics::Successes;

/// How far one number swings a result.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Swing {
    pub number: String,
    /// Its value at the better end.
    pub better_at: String,
    /// Its value at the worse end.
    pub worse_at: String,
    /// The result at the better end less the planned one.
    pub better: f64,
    /// The result at the worse end less the planned one.
    pub worse: f64,
}

impl Swing {
    fn width(&self) -> f64 {
        self.better.abs().max(self.worse.abs())
    }
}

/// What swings chips, and what swings hours; the widest first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sensitivity {
    /// By what share numbers were made better and worse; of a yield, its loss.
    pub by: f64,
    /// Effects on the number of chips.
    pub chips: Vec<Swing>,
    /// Effects on the hours.
    pub hours: Vec<Swing>,
    /// The number that swings chips most.
    pub most_for_chips: Option<String>,
    /// The number that swings hours most.
    pub most_for_hours: Option<String>,
}

const BY: f64 = 0.1;

/// A yield whose loss is multiplied; one below a half is itself made so much smaller or larger,
/// because its loss could pass 1.
fn with_loss(successes: Successes, factor: f64) -> Successes {
    let changed = |p: f64| if p >= 0.5 { 1.0 - (1.0 - p) * factor } else { p * (2.0 - factor) };
    match successes {
        Successes::Known { p } => Successes::Known { p: changed(p) },
        Successes::Learned { a, b } => {
            let share = changed(a / (a + b));
            Successes::Learned { a: (a + b) * share, b: (a + b) * (1.0 - share) }
        }
    }
}

fn percent(share: f64) -> String {
    let text = format!("{:.3}", share * 100.0);
    format!("{} %", text.trim_end_matches('0').trim_end_matches('.'))
}

pub(super) fn of(
    r: &Request,
    successes: Successes,
    planned: u64,
    load: &Load,
    at: &Line,
) -> Result<Sensitivity, Trouble> {
    let (better, worse) = (1.0 - BY, 1.0 + BY);
    let mut by_chips = Vec::new();
    let mut by_hours = Vec::new();
    let difference = |n: u64| n as f64 - planned as f64;

    // Whatever changes chips changes hours with them.
    let mut both = |number: &str, ends: [(String, u64); 2]| {
        let [(better_at, low), (worse_at, high)] = ends;
        let hours = |n: u64| line::line(r, &Load { chips: n, ..*load }).hours - at.hours;
        by_hours.push(Swing {
            number: number.to_owned(),
            better_at: better_at.clone(),
            worse_at: worse_at.clone(),
            better: hours(low),
            worse: hours(high),
        });
        by_chips.push(Swing {
            number: number.to_owned(),
            better_at,
            worse_at,
            better: difference(low),
            worse: difference(high),
        });
    };
    let loss = |factor: f64| -> Result<(String, u64), Trouble> {
        let other = with_loss(successes, factor);
        Ok((format!("yield {}", percent(other.mean())), chips(other, r.good, r.confidence)?))
    };
    if successes.mean() < 1.0 {
        both("yield, its loss", [loss(better)?, loss(worse)?]);
        let risk = |factor: f64| -> Result<(String, u64), Trouble> {
            let confidence = (1.0 - (1.0 - r.confidence) * factor).clamp(1e-9, 1.0 - 1e-15);
            Ok((percent(confidence), chips(successes, r.good, confidence)?))
        };
        // More risk takes fewer chips: that is the cheaper end, so it is named first.
        both("confidence, its risk", [risk(worse)?, risk(better)?]);
    }
    for (name, p) in &r.steps {
        if *p < 1.0 {
            let step = |factor: f64| -> Result<(String, u64), Trouble> {
                let changed = with_loss(Successes::Known { p: *p }, factor).mean();
                let other = Successes::Known { p: (successes.mean() / p * changed).min(1.0) };
                Ok((percent(changed), chips(other, r.good, r.confidence)?))
            };
            both(&format!("step {name}, its loss"), [step(better)?, step(worse)?]);
        }
    }
    let mut hours_only = |number: &str, ends: [(String, Request, Load); 2]| {
        let [(better_at, ra, la), (worse_at, rb, lb)] = ends;
        by_hours.push(Swing {
            number: number.to_owned(),
            better_at,
            worse_at,
            better: line::line(&ra, &la).hours - at.hours,
            worse: line::line(&rb, &lb).hours - at.hours,
        });
    };
    // The stations that were planned stay: the question is what a change does to this line.
    let fixed = Request { stations: Some(at.stations), ..r.clone() };
    if let Some(takt) = r.takt_s {
        let with = |f: f64| (format!("{:.4} s", takt * f), Request { takt_s: Some(takt * f), ..fixed.clone() }, *load);
        hours_only("takt", [with(better), with(worse)]);
    }
    let with = |f: f64| (format!("{:.2} s", load.unit_s * f), fixed.clone(), Load { unit_s: load.unit_s * f, ..*load });
    hours_only("seconds of a unit", [with(better), with(worse)]);
    if load.attempts > 1.0 {
        let with = |f: f64| {
            let attempts = 1.0 + (load.attempts - 1.0) * f;
            (format!("{attempts:.3}"), fixed.clone(), Load { attempts, ..*load })
        };
        hours_only("repeated attempts", [with(better), with(worse)]);
    }
    if r.availability < 1.0 {
        let with = |f: f64| {
            let availability = 1.0 - (1.0 - r.availability) * f;
            (percent(availability), Request { availability, ..fixed.clone() }, *load)
        };
        hours_only("availability, its loss", [with(better), with(worse)]);
    }
    if at.stations > 1 {
        let with = |n: u64| (n.to_string(), Request { stations: Some(n), ..r.clone() }, *load);
        hours_only("stations, one ±", [with(at.stations + 1), with(at.stations - 1)]);
    }
    for list in [&mut by_chips, &mut by_hours] {
        list.retain(|swing| swing.width() > 0.0);
        list.sort_by(|a, b| b.width().total_cmp(&a.width()));
    }
    let most = |list: &[Swing]| list.first().map(|s| s.number.clone());
    Ok(Sensitivity {
        by: BY,
        most_for_chips: most(&by_chips),
        most_for_hours: most(&by_hours),
        chips: by_chips,
        hours: by_hours,
    })
}
