//! Bars: lengths, causes with their running share, what swings a result.

use super::{At, Chart, Draw, cut, letters};

/// One bar.
#[derive(Debug, Clone)]
pub struct Bar {
    /// What it is of.
    pub name: String,
    /// Its length, any unit.
    pub value: f64,
    /// The value as it is to be read, at its end.
    pub words: String,
}

const ROW: f32 = 22.0;
const THICK: f32 = 14.0;

/// Room for names at the left: as much as they need, and no more than two fifths.
fn names<'a>(names: impl Iterator<Item = &'a str>, width: f32) -> f32 {
    names.map(letters).fold(0.0, f32::max).min(width * 0.4)
}

/// Horizontal bars, each with its value at its end.
pub fn bars(rows: &[Bar], label: &str, width: f32) -> Chart {
    let left = names(rows.iter().map(|r| r.name.as_str()), width);
    let words = rows.iter().map(|r| letters(&r.words)).fold(0.0, f32::max);
    let room = (width - left - words - 18.0).max(40.0);
    let most = rows.iter().map(|r| r.value).fold(f64::MIN_POSITIVE, f64::max);
    let mut draw = Draw::new(width, rows.len() as f32 * ROW + 4.0);
    for (index, row) in rows.iter().enumerate() {
        let y = index as f32 * ROW + 4.0;
        let length = ((row.value / most) as f32 * room).max(1.0);
        draw.text((left, y + 11.5), At::End, "ink", &cut(&row.name, left));
        draw.rect((left + 8.0, y), (length, THICK), "metal");
        draw.text((left + length + 14.0, y + 11.5), At::Start, "quiet", &row.words);
    }
    draw.finish(label)
}

/// How often one cause made something fail.
#[derive(Debug, Clone)]
pub struct Cause {
    pub name: String,
    pub count: u64,
}

/// Failures by cause, most frequent first, with the running share to their right.
pub fn causes(rows: &[Cause], label: &str, width: f32) -> Chart {
    let total: u64 = rows.iter().map(|r| r.count).sum::<u64>().max(1);
    let left = names(rows.iter().map(|r| r.name.as_str()), width);
    let share_room = width * 0.27;
    let share_left = width - share_room;
    let room = share_left - left - 70.0;
    let most = rows.iter().map(|r| r.count).max().unwrap_or(1).max(1);
    let top = 20.0;
    let mut draw = Draw::new(width, rows.len() as f32 * ROW + top + 6.0);
    let x_of = |share: f64| share_left + 6.0 + share as f32 * (share_room - 56.0);
    draw.text((left + 8.0, 12.0), At::Start, "quiet", "failures");
    draw.text((x_of(0.0), 12.0), At::Start, "quiet", "running share");
    let bottom = top + rows.len() as f32 * ROW;
    for share in [0.0, 0.5, 1.0] {
        draw.line(&[(x_of(share), top), (x_of(share), bottom)], "line", 0.8, if share == 0.5 { "2 3" } else { "" });
    }
    let mut running = 0;
    let mut points = vec![(x_of(0.0), top)];
    let mut marks = Vec::new();
    for (index, row) in rows.iter().enumerate() {
        let y = top + index as f32 * ROW + 4.0;
        let length = (row.count as f32 / most as f32 * room).max(1.0);
        draw.text((left, y + 11.5), At::End, "ink", &cut(&row.name, left));
        draw.rect((left + 8.0, y), (length, THICK), "metal");
        draw.text((left + length + 14.0, y + 11.5), At::Start, "ink", &super::grouped(row.count));
        running += row.count;
        let share = running as f64 / total as f64;
        points.push((x_of(share), y + 7.0));
        marks.push((share, y));
    }
    draw.line(&points, "ink", 1.4, "");
    for (share, y) in marks {
        draw.dot((x_of(share), y + 7.0), 3.2, "ink");
        draw.text((x_of(share) + 6.0, y + 11.5), At::Start, "quiet", &format!("{:.0} %", share * 100.0));
    }
    draw.finish(label)
}

/// How far one number swings a result.
#[derive(Debug, Clone)]
pub struct Swing {
    pub name: String,
    /// Change of the result at the number's better end.
    pub low: f64,
    /// Change at its worse end.
    pub high: f64,
    /// The better end in words.
    pub low_words: String,
    /// The worse end in words.
    pub high_words: String,
}

/// Which number matters most: changes of the result to both sides, the widest first.
pub fn tornado(rows: &[Swing], label: &str, width: f32) -> Chart {
    let left = names(rows.iter().map(|r| r.name.as_str()), width * 0.8);
    let most = rows.iter().flat_map(|r| [r.low.abs(), r.high.abs()]).fold(f64::MIN_POSITIVE, f64::max);
    let words = rows.iter().flat_map(|r| [letters(&r.low_words), letters(&r.high_words)]).fold(0.0, f32::max) + 6.0;
    let room = ((width - left - 10.0) / 2.0 - words).max(20.0);
    let middle = left + 10.0 + (width - left - 10.0) / 2.0;
    let height = rows.len() as f32 * ROW + 6.0;
    let mut draw = Draw::new(width, height);
    for (index, row) in rows.iter().enumerate() {
        let y = index as f32 * ROW + 4.0;
        draw.text((left, y + 11.5), At::End, "ink", &cut(&row.name, left));
        for (value, words, color) in [(row.low, &row.low_words, "struck"), (row.high, &row.high_words, "broken")] {
            let length = (value / most) as f32 * room;
            let x = middle + length.min(0.0);
            // The worse side is filled, the better one an outline: it must read without colour.
            if color == "broken" {
                draw.rect((x, y), (length.abs(), THICK), color);
            } else {
                draw.outline((x, y + 0.6), (length.abs(), THICK - 1.2), color);
            }
            let (at, x) = if value < 0.0 || (value == 0.0 && color == "struck") {
                (At::End, middle + length.min(0.0) - 4.0)
            } else {
                (At::Start, middle + length + 4.0)
            };
            draw.text((x, y + 11.5), at, "quiet", words);
        }
    }
    draw.line(&[(middle, 0.0), (middle, height)], "ink", 1.0, "");
    draw.finish(label)
}
