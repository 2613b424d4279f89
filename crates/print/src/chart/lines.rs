//! Lines: a share over time within its limits, a curve, a stock that runs out.

use super::{At, Chart, Draw, grouped, letters, tick_text, ticks};

/// One stretch of time on a control chart.
#[derive(Debug, Clone)]
pub struct ControlPoint {
    /// When, as the axis shows it.
    pub name: String,
    /// Share that failed, 0 to 1.
    pub share: f64,
    /// Lower and upper control limit.
    pub limits: (f64, f64),
    /// Whether it lies outside.
    pub out: bool,
}

/// Shares over time within control limits; a point outside is a cracked square.
pub fn control(points: &[ControlPoint], center: f64, label: &str, width: f32) -> Chart {
    let (left, right, top, bottom) = (46.0, 74.0, 10.0, 190.0);
    let shares = points.iter().flat_map(|p| [p.share, p.limits.1.min(1.0)]);
    let most = (shares.fold(center, f64::max) * 1.1).clamp(1e-4, 1.0);
    let mut draw = Draw::new(width, bottom + 26.0);
    let y_of = |share: f64| bottom - (share / most) as f32 * (bottom - top);
    let across = width - left - right;
    let step = across / points.len().max(1) as f32;
    let x_of = |index: usize| left + (index as f32 + 0.5) * step;
    let marks = ticks(0.0, most * 100.0, 4);
    let gap = marks.get(1).copied().unwrap_or(1.0) - marks.first().copied().unwrap_or(0.0);
    for mark in &marks {
        let y = y_of(mark / 100.0);
        draw.line(&[(left, y), (width - right, y)], "line", 0.7, "");
        draw.text((left - 5.0, y + 4.5), At::End, "quiet", &format!("{} %", tick_text(*mark, gap)));
    }
    let stairs = |limit: &dyn Fn(&ControlPoint) -> f64| -> Vec<(f32, f32)> {
        points
            .iter()
            .enumerate()
            .flat_map(|(i, p)| {
                let y = y_of(limit(p).clamp(0.0, most));
                [(left + i as f32 * step, y), (left + (i as f32 + 1.0) * step, y)]
            })
            .collect()
    };
    let (upper, lower) = (stairs(&|p| p.limits.1), stairs(&|p| p.limits.0));
    draw.line(&upper, "heed", 1.3, "5 3");
    draw.line(&lower, "heed", 1.3, "5 3");
    draw.line(&[(left, y_of(center)), (width - right, y_of(center))], "ink", 1.0, "");
    // Labels at the right edge, pushed apart where they would lie on one another.
    let mut edge = [
        (upper.last().map_or(top, |p| p.1), "heed", "limit"),
        (y_of(center), "ink", "average"),
        (lower.last().map_or(bottom, |p| p.1), "heed", "limit"),
    ];
    edge[1].0 = edge[1].0.max(edge[0].0 + 14.0);
    edge[2].0 = edge[2].0.max(edge[1].0 + 14.0);
    for (y, color, text) in edge {
        draw.text((width - right + 6.0, y + 4.5), At::Start, color, text);
    }
    let path: Vec<_> = points.iter().enumerate().map(|(i, p)| (x_of(i), y_of(p.share))).collect();
    draw.line(&path, "quiet", 1.0, "");
    let radius = (step * 0.3).clamp(1.2, 3.4);
    for (point, at) in points.iter().zip(&path) {
        if point.out {
            draw.cracked(*at, 5.0, "broken");
        } else {
            draw.dot(*at, radius, "ink");
        }
    }
    // As many times as have room, evenly.
    let widest = points.iter().map(|p| letters(&p.name)).fold(20.0, f32::max) + 12.0;
    let every = (widest / step).ceil().max(1.0) as usize;
    for (index, point) in points.iter().enumerate().step_by(every) {
        draw.text((x_of(index), bottom + 18.0), At::Middle, "quiet", &point.name);
    }
    draw.finish(label)
}

/// A curve of a share, with the point that was chosen.
#[derive(Debug, Clone)]
pub struct Curve {
    /// Across and share, across rising.
    pub points: Vec<(f64, f64)>,
    /// The point that was chosen.
    pub at: (f64, f64),
    /// What stands at it.
    pub words: String,
    pub across: String,
}

/// A share that rises with a number.
pub fn curve(data: &Curve, label: &str, width: f32) -> Chart {
    let (left, right, top, bottom) = (44.0, 16.0, 8.0, 150.0);
    let mut draw = Draw::new(width, bottom + 38.0);
    let low = data.points.first().map_or(0.0, |p| p.0);
    let high = data.points.last().map_or(1.0, |p| p.0).max(low + 1.0);
    let x_of = |x: f64| left + ((x - low) / (high - low)) as f32 * (width - left - right);
    let y_of = |share: f64| bottom - share as f32 * (bottom - top);
    for mark in [0.0, 0.5, 1.0] {
        draw.line(&[(left, y_of(mark)), (width - right, y_of(mark))], "line", 0.7, "");
        draw.text((left - 5.0, y_of(mark) + 4.5), At::End, "quiet", &format!("{:.0} %", mark * 100.0));
    }
    let marks = ticks(low, high, 4);
    let gap = marks.get(1).map_or(1.0, |m| m - marks[0]);
    for mark in &marks {
        let x = x_of(*mark);
        draw.line(&[(x, bottom), (x, bottom + 4.0)], "quiet", 1.0, "");
        let text = tick_text(*mark, gap);
        let half = letters(&text) / 2.0;
        draw.text((x.min(width - half - 1.0), bottom + 17.0), At::Middle, "quiet", &text);
    }
    draw.text((left + (width - left - right) / 2.0, bottom + 33.0), At::Middle, "quiet", &data.across);
    let path: Vec<_> = data.points.iter().map(|p| (x_of(p.0), y_of(p.1))).collect();
    draw.line(&path, "metal", 2.0, "");
    let (x, y) = (x_of(data.at.0), y_of(data.at.1));
    draw.line(&[(x, bottom), (x, y), (left, y)], "ink", 1.0, "3 3");
    draw.dot((x, y), 4.0, "ink");
    let start = x + 8.0 + letters(&data.words) < width;
    let (at, x) = if start { (At::Start, x + 8.0) } else { (At::End, x - 8.0) };
    draw.bold((x, (y + 22.0).min(bottom - 8.0)), at, "ink", &data.words);
    draw.finish(label)
}

/// A stock and how fast it goes.
#[derive(Debug, Clone)]
pub struct Stock {
    /// What there is today.
    pub left: f64,
    /// Taken a day: at least, most likely, at most.
    pub per_day: (f64, f64, f64),
    /// Stock at which to order again.
    pub reorder: Option<f64>,
    pub days: f64,
    /// When it ends, in words.
    pub ends: String,
    /// What is across: days from when.
    pub across: String,
}

/// What is left against days, with the day it ends and how sure that is.
pub fn stock(data: &Stock, label: &str, width: f32) -> Chart {
    let (left, right, top, bottom) = (66.0, 16.0, 10.0, 150.0);
    let mut draw = Draw::new(width, bottom + 38.0);
    let most = data.left.max(data.reorder.unwrap_or(0.0)).max(1.0) * 1.05;
    let x_of = |day: f64| left + (day / data.days.max(1e-9)).min(1.0) as f32 * (width - left - right);
    let y_of = |n: f64| bottom - (n / most).clamp(0.0, 1.0) as f32 * (bottom - top);
    let marks = ticks(0.0, most, 3);
    let gap = marks.get(1).copied().unwrap_or(1.0);
    for mark in &marks {
        draw.line(&[(left, y_of(*mark)), (width - right, y_of(*mark))], "line", 0.7, "");
        draw.text((left - 5.0, y_of(*mark) + 4.5), At::End, "quiet", &tick_text(*mark, gap));
    }
    let days = ticks(0.0, data.days, 4);
    let gap = days.get(1).copied().unwrap_or(1.0);
    for day in &days {
        let text = tick_text(*day, gap);
        let x = x_of(*day).min(width - letters(&text) / 2.0 - 1.0);
        draw.text((x, bottom + 17.0), At::Middle, "quiet", &text);
    }
    draw.text((left + (width - left - right) / 2.0, bottom + 33.0), At::Middle, "quiet", &data.across);
    let run = |per_day: f64| -> Vec<(f32, f32)> {
        let end = if per_day > 0.0 { (data.left / per_day).min(data.days) } else { data.days };
        vec![(x_of(0.0), y_of(data.left)), (x_of(end), y_of(data.left - per_day * end))]
    };
    let (slow, likely, fast) = data.per_day;
    draw.line(&run(slow), "quiet", 1.0, "3 3");
    draw.line(&run(fast), "quiet", 1.0, "3 3");
    draw.line(&run(likely), "metal", 2.2, "");
    if let Some(reorder) = data.reorder {
        let y = y_of(reorder);
        draw.line(&[(left, y), (width - right, y)], "heed", 1.3, "6 3");
        let words = format!("order again at {}", grouped(reorder.round() as u64));
        draw.text((width - right, y - 5.0), At::End, "heed", &words);
    }
    if likely > 0.0 && data.left / likely <= data.days {
        let x = x_of(data.left / likely);
        draw.dot((x, y_of(0.0)), 4.0, "ink");
        let start = x + 6.0 + letters(&data.ends) < width;
        let (at, x) = if start { (At::Start, x + 6.0) } else { (At::End, x - 8.0) };
        draw.bold((x, bottom - 8.0), at, "ink", &data.ends);
    }
    draw.finish(label)
}
