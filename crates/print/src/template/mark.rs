//! The mark of a test product: whether anybody would read it.

use std::borrow::Cow;

use crate::art::{Line, Rgb, Transform, scale_of};
use crate::data::TEST_MARK;
use crate::template::compile::Program;
use crate::{raster, svg};

/// Least height of its capitals, mm.
pub const LEAST_CAPITALS_MM: f32 = 1.0;
/// Least contrast of its letters with what they stand on: WCAG 2.2, 1.4.3.
pub const LEAST_CONTRAST: f32 = 4.5;
/// Resolution at which it is looked at.
const DPI: u32 = 300;

/// Draws the program with its mark and without, and compares.
///
/// - Returns what is wrong with the mark; `None` where it is plain, or where the
///   program has no place for it.
pub(super) fn fault(program: &Program) -> Option<String> {
    let mut best = None;
    for (index, plan) in program.lines().enumerate() {
        if !plan.places().any(|p| p == "test") {
            continue;
        }
        if plan.places().any(|p| p != "test") {
            best.get_or_insert_with(|| "shares its line with other places".to_owned());
            continue;
        }
        match plan.place(&|_| Some(Cow::Borrowed(TEST_MARK))) {
            Ok(line) => match fault_of(program, index, line) {
                None => return None,
                Some(why) => best = Some(why),
            },
            Err(error) => best = Some(format!("does not fit: {error}")),
        }
    }
    best
}

fn fault_of(program: &Program, index: usize, line: Line) -> Option<String> {
    let scale = scale_of(line.transform);
    let low = line.runs.iter().any(|run| {
        let font = run.face.font();
        font.cap_height / font.units_per_em * run.size * scale < LEAST_CAPITALS_MM
    });
    if low {
        return Some(format!("has capitals lower than {LEAST_CAPITALS_MM} mm"));
    }
    let Some(ink) = line.ink else { return Some("prints nothing".into()) };
    let (width, height) = program.size_mm;
    if ink.left() < -0.01 || ink.top() < -0.01 || ink.right() > width + 0.01 || ink.bottom() > height + 0.01 {
        return Some("extends beyond the label".into());
    }
    let empty = || Line {
        text: String::new(),
        named: String::new(),
        transform: Transform::identity(),
        runs: Vec::new(),
        ink: None,
    };
    let mut lines: Vec<Line> = program.lines().map(|_| empty()).collect();
    let dots = |mm: f32| mm * DPI as f32 / crate::label::INCH_MM;
    let corner = (dots(ink.left()).floor() as i64, dots(ink.top()).floor() as i64);
    let size = (dots(ink.width()).ceil().max(1.0) as u32, dots(ink.height()).ceil().max(1.0) as u32);
    let mut draw = |with: Option<Line>| {
        if let (Some(line), Some(slot)) = (with, lines.get_mut(index)) {
            *slot = line;
        }
        let tree = raster::read(&svg::write(program, &lines, None)).ok()?;
        raster::draw(&tree, DPI, corner, size).ok()
    };
    let (Some(without), Some(with)) = (draw(None), draw(Some(line))) else {
        return Some("can't be drawn".into());
    };
    let luminance = |p: &resvg::tiny_skia::PremultipliedColorU8| Rgb(p.red(), p.green(), p.blue()).luminance() + 0.05;
    let plain = without
        .pixels()
        .iter()
        .zip(with.pixels())
        .filter(|(ground, letter)| {
            let (a, b) = (luminance(ground), luminance(letter));
            a.max(b) / a.min(b) >= LEAST_CONTRAST
        })
        .count();
    // Bold capitals cover about a third of their bounds, regular ones about a fifth.
    if plain * 10 < without.pixels().len() {
        return Some(format!("has a contrast below {LEAST_CONTRAST} : 1, or something covers it"));
    }
    None
}
