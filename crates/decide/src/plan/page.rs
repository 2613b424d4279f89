//! A plan as one page: figures, charts, and the numbers under them.

use print::chart::{self, Chart, Curve, HALF, grouped, many};
use print::paper::{Block, Document, Table};

use super::{Planned, Request};
use crate::part::page::{clock_words, step_table, strip_of, time_words};
use crate::statistics::Successes;

/// Hours as people say them.
pub fn hours_words(hours: f64) -> String {
    if hours < 1.0 / 60.0 {
        format!("{:.0} s", hours * 3600.0)
    } else if hours < 1.0 {
        format!("{:.0} min", hours * 60.0)
    } else if hours < 100.0 {
        format!("{hours:.1} h")
    } else {
        format!("{} h", grouped(hours.round() as u64))
    }
}

/// A share in per cent, with as many digits as tell it from 100.
pub fn percent(share: f64) -> String {
    let left = (1.0 - share).abs();
    let digits = if left >= 0.001 || left == 0.0 {
        1
    } else if left >= 0.000_1 {
        2
    } else {
        4
    };
    let text = format!("{:.digits$}", share * 100.0);
    let text = if digits > 1 { text.trim_end_matches('0') } else { &text };
    format!("{text} %")
}

/// Adds what the past took to the table of the steps.
fn beside_past(table: &mut Table, past: &super::past::Told) {
    if past.steps.is_empty() {
        return;
    }
    table.head.extend(["past ms".to_owned(), "done".to_owned()]);
    for row in &mut table.rows {
        match past.steps.iter().find(|s| s.name == row[0]) {
            Some(s) => row.extend([format!("{:.1}", s.mean_ms), s.share.map_or("–".into(), percent)]),
            None if row[0] == "all" => {
                row.extend([past.attempt_seconds.map_or("–".into(), |s| format!("{:.1}", s * 1000.0)), "–".into()]);
            }
            None => row.extend(["–".into(), "–".into()]),
        }
    }
}

/// How likely the target is met, against chips.
pub fn curve_of(plan: &Planned, successes: Successes) -> Chart {
    let low = plan.until_good.first().map_or(plan.good, |s| s.chips);
    let high = plan.until_good.last().map_or(plan.chips, |s| s.chips).max(plan.chips + 1);
    let pad = (high - low).max(4) / 2;
    let (from, to) = (low.saturating_sub(pad).max(plan.good), high + pad / 4);
    const POINTS: u64 = 60;
    let step = ((to - from) / POINTS).max(1);
    let mut points: Vec<(f64, f64)> = (from..=to)
        .step_by(usize::try_from(step).unwrap_or(1))
        .map(|n| (n as f64, successes.tails(n, plan.good).at_least))
        .collect();
    points.push((plan.chips as f64, plan.probability));
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points.dedup_by(|a, b| a.0 == b.0);
    let words = many(plan.chips, "chip");
    let curve = Curve { points, at: (plan.chips as f64, plan.probability), words, across: "chips started".into() };
    chart::curve(&curve, "How likely the target is met, against chips started", HALF)
}

fn signed(value: f64, hours: bool) -> String {
    let sign = if value > 0.0 {
        "+"
    } else if value < 0.0 {
        "−"
    } else {
        "±"
    };
    let size = value.abs();
    if hours { format!("{sign}{}", hours_words(size)) } else { format!("{sign}{}", grouped(size.round() as u64)) }
}

/// What matters most, for chips or for hours.
pub fn tornado_of(swings: &[super::sensitivity::Swing], hours: bool, label: &str, width: f32) -> Chart {
    let rows: Vec<chart::Swing> = swings
        .iter()
        .take(6)
        .map(|s| chart::Swing {
            name: s.number.clone(),
            low: s.better,
            high: s.worse,
            low_words: signed(s.better, hours),
            high_words: signed(s.worse, hours),
        })
        .collect();
    chart::tornado(&rows, label, width)
}

/// The stock against days, where a stock was told; else what the first order would do.
pub fn stock_chart(plan: &Planned) -> Option<Chart> {
    let left = plan.stock.now.unwrap_or(plan.order.chips + plan.order.in_stock) as f64;
    if left <= 0.0 {
        return None;
    }
    let week = plan.line.chips_per_day.max(1e-9);
    let calendar = plan.stock.days_until_empty.map_or(left / week * 7.0 / 5.0, |d| d);
    let per_day = left / calendar.max(1e-9);
    // How sure the day is: the line a tenth slower or faster.
    let range = (per_day * 0.9, per_day, per_day * 1.1);
    let data = chart::Stock {
        left,
        per_day: range,
        reorder: (plan.stock.reorder_at > 0).then_some(plan.stock.reorder_at as f64),
        days: (calendar * 1.6).max(1.0),
        ends: format!("empty on day {:.0}", calendar.ceil()),
        across: if plan.stock.now.is_some() { "days from now".into() } else { "days from the line's start".into() },
    };
    Some(chart::stock(&data, "Chips left against days; dashed: a tenth slower and faster", HALF))
}

fn facts(rows: &[(&str, String)]) -> Block {
    let rows = rows.iter().map(|(a, b)| vec![(*a).to_owned(), b.clone()]).collect();
    Block::Table(Table::new(&["", ""], rows).with_words(&[1]))
}

fn line_blocks(plan: &Planned) -> Vec<Block> {
    let line = &plan.line;
    let simulated = &plan.simulated;
    vec![
        Block::Heading("The line".into()),
        Block::Words(format!(
            "A unit starts every {:.2} s, {} per working day; stations are busy {} of the time. Simulated event by event (seed {}), the last unit leaves after {}; the closed form says {}, {:.1} % apart. A unit waits {} for its station on average.",
            line.pace_seconds,
            grouped(line.chips_per_day.floor() as u64),
            percent(line.utilisation),
            simulated.seed,
            hours_words(simulated.hours_to_last),
            hours_words(simulated.closed_form_hours),
            simulated.difference.abs() * 100.0,
            time_words(simulated.wait_seconds * 1000.0)
        )),
    ]
}

fn past_blocks(past: &super::past::Told) -> Vec<Block> {
    vec![
        Block::Heading(format!("The past {}", past.source)),
        Block::Words(format!(
            "{} good, {} lost, {} undecided{}{}.",
            grouped(past.good),
            grouped(past.lost),
            grouped(past.open),
            past.interval.map_or(String::new(), |i| format!(
                "; yield between {} and {} (95 %, Wilson)",
                percent(i.low),
                percent(i.high)
            )),
            past.chips.map_or(String::new(), |n| format!("; by itself it needs {}", many(n, "chip")))
        )),
    ]
}

/// The page.
///
/// - `above`: whose it is and when it was made.
pub fn document(plan: &Planned, request: &Request, above: &str) -> Document {
    let successes = match &request.past {
        Some(past) if request.share_good.is_none() && request.steps.is_empty() => {
            Successes::learned(past.good, past.lost)
        }
        _ => Successes::Known { p: plan.yielded.share },
    };
    let confidence = percent(plan.confidence);
    let mut blocks = vec![Block::Numbers(vec![
        (grouped(plan.chips), "chips to start".into()),
        (grouped(plan.credentials), "credentials".into()),
        (plan.stations.to_string(), if plan.stations == 1 { "station".into() } else { "stations".into() }),
        (hours_words(plan.hours), format!("of line time: {}", many(plan.line.shifts, "shift"))),
        (time_words(plan.time.unit_seconds * 1000.0), "a unit at its station".into()),
    ])];
    blocks.push(Block::Words(format!(
        "{} chips give {} good units with a probability of {} at a yield of {} ({}); one chip fewer gives {:.3} %.",
        grouped(plan.chips),
        grouped(plan.good),
        percent_fine(plan.probability),
        percent_fine(plan.yielded.share),
        plan.yielded.source,
        plan.probability_with_one_less * 100.0
    )));
    for warning in &plan.warnings {
        blocks.push(Block::Words(format!("Warning: {warning}")));
    }
    let sure: Vec<Vec<String>> =
        plan.until_good.iter().map(|s| vec![percent(s.confidence), grouped(s.chips)]).collect();
    let mut order_rows =
        vec![("chips to order", grouped(plan.order.chips)), ("credentials to order", grouped(plan.order.credentials))];
    if let Some(reels) = plan.order.reels {
        order_rows.push(("reels", grouped(reels)));
    }
    order_rows.push(("likely left at the end", grouped(plan.order.likely_left)));
    if plan.order.lead_days > 0.0 {
        order_rows.push(("order before the start", format!("{} days", plan.order.lead_days)));
        order_rows.push(("order again when left", grouped(plan.stock.reorder_at)));
    }
    if let Some(days) = plan.stock.days_until_reorder {
        order_rows.push(("order again in", format!("{days:.0} days")));
    }
    blocks.push(Block::Columns(
        vec![
            Block::Heading("How sure".into()),
            Block::Chart(curve_of(plan, successes)),
            Block::Table(Table::new(&["sure at", "chips started"], sure)),
        ],
        {
            let mut right = vec![Block::Heading("What to order".into())];
            right.extend(stock_chart(plan).map(Block::Chart));
            right.push(facts(&order_rows));
            right
        },
    ));
    blocks.push(Block::Heading("Where a unit's time goes".into()));
    let time = &plan.time;
    blocks.push(Block::Quiet(format!(
        "{} at {}{}. Chip and bus {}, all else {}.",
        time.part,
        clock_words(time.bus_hz),
        if time.protected { ", protected bus" } else { "" },
        time_words(time.chip_seconds * 1000.0),
        time_words(time.other_seconds * 1000.0)
    )));
    // What hands do would dwarf the chip's steps: it is in the sentence, not in the strip.
    blocks.push(Block::Chart(strip_of(&time.steps, 0.0, "The chip's steps of one unit, to scale")));
    let mut steps = step_table(&time.steps);
    if let Some(past) = &plan.past {
        beside_past(&mut steps, past);
    }
    blocks.push(Block::Table(steps));
    blocks.push(Block::Columns(
        vec![
            Block::Heading("What matters most for hours".into()),
            Block::Chart(tornado_of(&plan.sensitivity.hours, true, "What changes the hours", HALF)),
            Block::Quiet("Each number a tenth better (outline) and a tenth worse (filled).".into()),
        ],
        vec![
            Block::Heading("What matters most for chips".into()),
            Block::Chart(tornado_of(&plan.sensitivity.chips, false, "What changes the number of chips", HALF)),
            Block::Quiet("For a yield and a confidence, the loss and the risk change by a tenth.".into()),
        ],
    ));
    let mut left = line_blocks(plan);
    left.push(Block::Quiet(format!("Assumed: {}", plan.assumptions.join(" "))));
    match &plan.past {
        // Beside one another, so that the page stays one page.
        Some(past) => blocks.push(Block::Columns(left, past_blocks(past))),
        None => blocks.extend(left),
    }
    Document {
        title: format!("{}: order {}", many(plan.good, "good unit"), many(plan.order.chips, "chip")),
        above: above.to_owned(),
        test: request.needs.as_ref().filter(|n| n.test).map(|_| "Test product: do not ship.".to_owned()),
        blocks,
        foot: vec![
            format!("Plan for {} good units at {confidence}", grouped(plan.good)),
            above.to_owned(),
            "exact binomial tails; times by a model".into(),
        ],
        one_page: true,
        size: print::paper::Size::A4,
    }
}

fn percent_fine(share: f64) -> String {
    let text = format!("{:.4}", share * 100.0);
    format!("{} %", text.trim_end_matches('0').trim_end_matches('.'))
}
