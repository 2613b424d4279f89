//! The strip of timed steps, spreads of times, intervals side by side.

use super::{At, Chart, Draw, cut, letters, tick_text};

/// A step of the strip.
#[derive(Debug, Clone)]
pub struct Segment {
    pub name: String,
    /// How long, any unit.
    pub value: f64,
    /// The length as it is to be read.
    pub words: String,
}

/// An attempt as a strip of steps, to scale, each with its name on a line down from it.
pub fn strip(steps: &[Segment], label: &str, width: f32) -> Chart {
    const ROW: f32 = 16.5;
    let total: f64 = steps.iter().map(|s| s.value).sum::<f64>().max(f64::MIN_POSITIVE);
    let texts: Vec<String> = steps.iter().map(|s| format!("{}  {}", s.name, s.words)).collect();
    let longest = texts.iter().map(|t| letters(t)).fold(0.0, f32::max);
    // Names stand to the right of their lines, so the strip ends where the longest still has room.
    let room = (width - longest.min(width * 0.55) - 10.0).max(width * 0.4);
    let thick = 22.0;
    let height = thick + 10.0 + steps.len() as f32 * ROW + 4.0;
    let mut draw = Draw::new(width, height);
    let mut x = 1.0;
    let mut middles = Vec::new();
    for (index, step) in steps.iter().enumerate() {
        let length = (step.value / total) as f32 * (room - 2.0);
        // Neighbours differ in weight as well as by the gap between them.
        let color = if index % 2 == 0 { "metal" } else { "quiet" };
        draw.rect((x, 2.0), ((length - 0.8).max(0.4), thick), color);
        middles.push(x + length / 2.0);
        x += length;
    }
    // The last step has the first line of names: so no line crosses a name.
    for (index, (middle, text)) in middles.iter().zip(&texts).enumerate() {
        let row = steps.len() - 1 - index;
        let y = thick + 12.0 + row as f32 * ROW;
        draw.line(&[(*middle, thick + 2.0), (*middle, y + 8.0), (*middle + 5.0, y + 8.0)], "quiet", 0.8, "");
        draw.text((*middle + 8.0, y + 12.5), At::Start, "ink", &cut(text, width - middle - 9.0));
    }
    draw.finish(label)
}

/// How long something took, over many times.
#[derive(Debug, Clone)]
pub struct Spread {
    pub name: String,
    /// One in twenty took no longer.
    pub low: f64,
    /// Half took no longer.
    pub median: f64,
    /// Nineteen in twenty took no longer.
    pub high: f64,
    pub longest: f64,
    /// What is to be read at the right.
    pub words: String,
}

/// Spreads of times on one logarithmic scale in milliseconds: a bar for nine
/// tenths of all, a notch at the median, a line to the longest.
pub fn spreads(rows: &[Spread], label: &str, width: f32) -> Chart {
    const ROW: f32 = 24.0;
    let left = rows.iter().map(|r| letters(&r.name)).fold(0.0, f32::max).min(width * 0.34);
    let words = rows.iter().map(|r| letters(&r.words)).fold(0.0, f32::max);
    let (start, end) = (left + 14.0, width - words - 12.0);
    let floor = |v: f64| v.max(1e-3);
    let low = rows.iter().map(|r| floor(r.low)).fold(f64::INFINITY, f64::min);
    let high = rows.iter().map(|r| floor(r.longest)).fold(1e-3, f64::max);
    let (from, to) = (low.min(high).log10().floor(), high.log10().ceil());
    let to = if to <= from { from + 1.0 } else { to };
    let x_of = |ms: f64| start + ((floor(ms).log10() - from) / (to - from)).clamp(0.0, 1.0) as f32 * (end - start);
    let bottom = rows.len() as f32 * ROW + 4.0;
    let mut draw = Draw::new(width, bottom + 20.0);
    let mut decade = from;
    while decade <= to {
        let value = 10f64.powf(decade);
        let x = x_of(value);
        draw.line(&[(x, 0.0), (x, bottom)], "line", 0.7, "");
        let text =
            if value >= 1000.0 { format!("{} s", value / 1000.0) } else { format!("{} ms", tick_text(value, value)) };
        draw.text((x, bottom + 15.0), At::Middle, "quiet", &text);
        decade += 1.0;
    }
    for (index, row) in rows.iter().enumerate() {
        let y = index as f32 * ROW + 4.0;
        draw.text((left, y + 12.0), At::End, "ink", &cut(&row.name, left));
        draw.line(&[(x_of(row.low), y + 7.5), (x_of(row.longest), y + 7.5)], "quiet", 1.2, "");
        draw.line(&[(x_of(row.longest), y + 3.0), (x_of(row.longest), y + 12.0)], "quiet", 1.2, "");
        let (a, b) = (x_of(row.low), x_of(row.high));
        draw.rect((a, y + 1.0), ((b - a).max(2.0), 13.0), "metal");
        let m = x_of(row.median);
        draw.rect((m - 1.5, y - 1.5), (3.0, 18.0), "ink");
        draw.text((end + 10.0, y + 12.0), At::Start, "quiet", &row.words);
    }
    draw.finish(label)
}

/// A share with how sure it is.
#[derive(Debug, Clone)]
pub struct Interval {
    pub name: String,
    /// The share, 0 to 1.
    pub value: f64,
    pub low: f64,
    pub high: f64,
    /// Whether it stands apart from the others.
    pub apart: bool,
    /// What is to be read at the right.
    pub words: String,
}

/// Shares with their intervals against the average of all.
pub fn intervals(rows: &[Interval], average: f64, label: &str, width: f32) -> Chart {
    const ROW: f32 = 24.0;
    let left = rows.iter().map(|r| letters(&r.name)).fold(0.0, f32::max).min(width * 0.3);
    let words = rows.iter().map(|r| letters(&r.words)).fold(0.0, f32::max).min(width * 0.42);
    let (start, end) = (left + 14.0, width - words - 14.0);
    let low = rows.iter().map(|r| r.low).fold(average, f64::min).max(0.0);
    let high = rows.iter().map(|r| r.high).fold(average, f64::max).min(1.0);
    let pad = ((high - low) * 0.06).max(1e-4);
    let (low, high) = ((low - pad).max(0.0), (high + pad).min(1.0));
    let x_of = |share: f64| start + ((share - low) / (high - low)).clamp(0.0, 1.0) as f32 * (end - start);
    let (top, bottom) = (18.0, 18.0 + rows.len() as f32 * ROW);
    let mut draw = Draw::new(width, bottom + 22.0);
    let marks = super::ticks(low * 100.0, high * 100.0, 4);
    let gap = marks.get(1).map_or(1.0, |m| m - marks[0]);
    for mark in &marks {
        let x = x_of(mark / 100.0);
        draw.line(&[(x, top), (x, bottom)], "line", 0.7, "");
        draw.text((x, bottom + 16.0), At::Middle, "quiet", &format!("{} %", tick_text(*mark, gap)));
    }
    let x = x_of(average);
    draw.line(&[(x, top - 4.0), (x, bottom)], "ink", 1.0, "3 3");
    draw.text((x, 11.0), At::Middle, "ink", "all");
    for (index, row) in rows.iter().enumerate() {
        let y = top + index as f32 * ROW + 11.0;
        let color = if row.apart { "broken" } else { "ink" };
        draw.text((left, y + 4.5), At::End, "ink", &cut(&row.name, left));
        draw.line(&[(x_of(row.low), y), (x_of(row.high), y)], color, 2.0, "");
        for end in [row.low, row.high] {
            draw.line(&[(x_of(end), y - 5.0), (x_of(end), y + 5.0)], color, 1.4, "");
        }
        if row.apart {
            draw.cracked((x_of(row.value), y), 5.0, color);
        } else {
            draw.dot((x_of(row.value), y), 4.0, color);
        }
        draw.text((end + 12.0, y + 4.5), At::Start, "quiet", &cut(&row.words, width - end - 12.0));
    }
    draw.finish(label)
}
