//! What labels are made of, as PDF page operators (ISO 32000-1, 8 and 9).
//!
//! The space is the label's own: millimetres, y downwards, set up by whoever
//! starts the content. Black and grey go out as `DeviceGray`, so that a printer
//! uses its black alone.

use pdf_writer::types::{LineCapStyle, LineJoinStyle};
use pdf_writer::{Content, Name, Str};

use crate::art::{Art, Clip, Line, Path, PathSegment, Picture, Rgb, Shape, Transform};
use crate::fonts::Face;
use crate::label::Laid;
use crate::template::compile::Step;

/// Names of the resources that content refers to.
pub(crate) struct Names<'n> {
    /// Gives the name of a picture.
    pub picture: &'n dyn Fn(&Picture) -> Option<String>,
}

/// Resource name of a face.
pub(crate) fn face_name(face: Face) -> &'static [u8] {
    match face {
        Face::Words => b"W",
        Face::WordsBold => b"WB",
        Face::Codes => b"C",
        Face::CodesBold => b"CB",
    }
}

/// Resource name of a program's unchanging part.
pub(crate) fn form_name(test: bool, step: usize) -> String {
    format!("{}{step}", if test { 'T' } else { 'P' })
}

/// Paints what is the same on every label.
pub(crate) fn still(content: &mut Content, art: &[Art], names: &Names<'_>) {
    for item in art {
        match item {
            Art::Shape(s) => shape(content, s),
            Art::Line(l) => line(content, l),
            Art::Picture(p) => {
                if let Some(name) = (names.picture)(p) {
                    let (width, height) = (p.size.0 as f32, p.size.1 as f32);
                    // A picture fills the unit square with its last row at the bottom (8.9.5.1).
                    let square = Transform::from_row(width, 0.0, 0.0, -height, 0.0, height);
                    content.save_state().transform(matrix(p.transform.pre_concat(square)));
                    content.x_object(Name(name.as_bytes())).restore_state();
                }
            }
            Art::Clip(Clip { paths, inside }) => {
                content.save_state();
                // One path for the union: nonzero unless its only path asks for even-odd.
                for (path, _) in paths {
                    draw(content, path);
                }
                match paths.as_slice() {
                    [] => {
                        content.rect(0.0, 0.0, 0.0, 0.0).clip_nonzero();
                    }
                    [(_, true)] => {
                        content.clip_even_odd();
                    }
                    _ => {
                        content.clip_nonzero();
                    }
                }
                content.end_path();
                still(content, inside, names);
                content.restore_state();
            }
        }
    }
}

/// Paints one label: unchanging parts by name, its lines, its symbol.
pub(crate) fn label(content: &mut Content, laid: &Laid<'_>, test: bool) {
    let mut lines = laid.lines.iter();
    for (i, step) in laid.program.steps.iter().enumerate() {
        match step {
            Step::Still(_) => {
                content.x_object(Name(form_name(test, i).as_bytes()));
            }
            Step::Line(_) => {
                if let Some(l) = lines.next() {
                    line(content, l);
                }
            }
            Step::Qr => {
                let (x, y) = laid.spot.symbol_mm(&laid.press);
                let module = laid.spot.module_mm(&laid.press);
                content.save_state().transform([module, 0.0, 0.0, module, x, y]);
                fill_color(content, laid.program.qr.color);
                let inset = INSET_DOTS / laid.spot.dots as f32;
                for polygon in laid.symbol.outlines() {
                    for (i, (x, y)) in inset_by(&polygon, inset).enumerate() {
                        if i == 0 {
                            content.move_to(x, y);
                        } else {
                            content.line_to(x, y);
                        }
                    }
                    content.close_path();
                }
                content.fill_even_odd().restore_state();
            }
        }
    }
}

/// How far a symbol's edges are drawn inside of where they are, in dots. A PDF
/// printer paints every dot that a shape touches (ISO 32000-1, 10.6.5), so an
/// edge that rounding puts past its dot would make a module one dot larger.
const INSET_DOTS: f32 = 0.02;

/// The corners of a polygon whose inside is on the right hand of its edges, moved
/// inwards.
fn inset_by(polygon: &[(u32, u32)], inset: f32) -> impl Iterator<Item = (f32, f32)> {
    let heading = move |from: (u32, u32), to: (u32, u32)| {
        let sign = |a: u32, b: u32| (i64::from(b) - i64::from(a)).signum() as f32;
        (sign(from.0, to.0), sign(from.1, to.1))
    };
    (0..polygon.len()).map(move |i| {
        let here = polygon[i];
        let (ax, ay) = heading(polygon[(i + polygon.len() - 1) % polygon.len()], here);
        let (bx, by) = heading(here, polygon[(i + 1) % polygon.len()]);
        // Straight on, both edges have the same right hand and count once.
        let (ax, ay) = if (ax, ay) == (bx, by) { (0.0, 0.0) } else { (ax, ay) };
        (here.0 as f32 - inset * (ay + by), here.1 as f32 + inset * (ax + bx))
    })
}

fn matrix(t: Transform) -> [f32; 6] {
    [t.sx, t.ky, t.kx, t.sy, t.tx, t.ty]
}

fn unit(c: u8) -> f32 {
    f32::from(c) / 255.0
}

fn fill_color(content: &mut Content, Rgb(r, g, b): Rgb) {
    if r == g && g == b {
        content.set_fill_gray(unit(r));
    } else {
        content.set_fill_rgb(unit(r), unit(g), unit(b));
    }
}

fn shape(content: &mut Content, shape: &Shape) {
    content.save_state();
    if !shape.transform.is_identity() {
        content.transform(matrix(shape.transform));
    }
    if let Some((color, _)) = shape.fill {
        fill_color(content, color);
    }
    if let Some(stroke) = &shape.stroke {
        let Rgb(r, g, b) = stroke.color;
        if r == g && g == b {
            content.set_stroke_gray(unit(r));
        } else {
            content.set_stroke_rgb(unit(r), unit(g), unit(b));
        }
        content.set_line_width(stroke.width);
        content.set_line_cap(match stroke.cap {
            usvg::LineCap::Butt => LineCapStyle::ButtCap,
            usvg::LineCap::Round => LineCapStyle::RoundCap,
            usvg::LineCap::Square => LineCapStyle::ProjectingSquareCap,
        });
        content.set_line_join(match stroke.join {
            usvg::LineJoin::Miter | usvg::LineJoin::MiterClip => LineJoinStyle::MiterJoin,
            usvg::LineJoin::Round => LineJoinStyle::RoundJoin,
            usvg::LineJoin::Bevel => LineJoinStyle::BevelJoin,
        });
        content.set_miter_limit(stroke.miter_limit);
        if !stroke.dashes.is_empty() {
            content.set_dash_pattern(stroke.dashes.iter().copied(), stroke.dash_offset);
        }
    }
    draw(content, &shape.path);
    let even_odd = shape.fill.is_some_and(|(_, even_odd)| even_odd);
    match (shape.fill.is_some(), shape.stroke.is_some(), even_odd) {
        (true, true, false) => content.fill_nonzero_and_stroke(),
        (true, true, true) => content.fill_even_odd_and_stroke(),
        (true, false, false) => content.fill_nonzero(),
        (true, false, true) => content.fill_even_odd(),
        (false, true, _) => content.stroke(),
        (false, false, _) => content.end_path(),
    };
    content.restore_state();
}

fn draw(content: &mut Content, path: &Path) {
    let mut at = (0.0, 0.0);
    for segment in path.segments() {
        match segment {
            PathSegment::MoveTo(p) => {
                content.move_to(p.x, p.y);
                at = (p.x, p.y);
            }
            PathSegment::LineTo(p) => {
                content.line_to(p.x, p.y);
                at = (p.x, p.y);
            }
            PathSegment::QuadTo(c, p) => {
                // PDF has cubic curves only; the same curve, raised by one degree.
                let third = |from: f32, to: f32| from + 2.0 / 3.0 * (to - from);
                content.cubic_to(third(at.0, c.x), third(at.1, c.y), third(p.x, c.x), third(p.y, c.y), p.x, p.y);
                at = (p.x, p.y);
            }
            PathSegment::CubicTo(a, b, p) => {
                content.cubic_to(a.x, a.y, b.x, b.y, p.x, p.y);
                at = (p.x, p.y);
            }
            PathSegment::Close => {
                content.close_path();
            }
        }
    }
}

fn line(content: &mut Content, line: &Line) {
    if line.ink.is_none() {
        return;
    }
    content.begin_text();
    for run in &line.runs {
        let font = run.face.font();
        fill_color(content, run.color);
        content.set_font(Name(face_name(run.face)), run.size);
        let to_thousandths = 1000.0 / run.size;
        let mut i = 0;
        while i < run.glyphs.len() {
            // One operator for all that stand on the same height; gaps beyond the glyphs' own widths
            // go in between, in thousandths of the size (9.4.3).
            let first = run.glyphs[i];
            let start = line.transform.pre_translate(first.x, first.y);
            // Letters grow upwards, the label's space downwards.
            content.set_text_matrix(matrix(start.pre_scale(1.0, -1.0)));
            let mut shown = content.show_positioned();
            let mut items = shown.items();
            let mut pen = first.x;
            let mut octets: Vec<u8> = Vec::with_capacity(2 * run.glyphs.len());
            while i < run.glyphs.len() && run.glyphs[i].y == first.y {
                let glyph = run.glyphs[i];
                let gap = (glyph.x - pen) * to_thousandths;
                if gap.abs() > 0.05 {
                    items.show(Str(&octets)).adjust(-gap);
                    octets.clear();
                    pen = glyph.x;
                }
                octets.extend(glyph.id.to_be_bytes());
                pen += font.glyph(glyph.id).advance / font.units_per_em * run.size;
                i += 1;
            }
            items.show(Str(&octets));
        }
    }
    content.end_text();
}
