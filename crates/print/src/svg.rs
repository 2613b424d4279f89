//! A label as SVG: shapes and outlines only, so that it looks the same with or
//! without the fonts. Lines keep their words in `aria-label`.

use std::fmt::Write as _;

use base64::Engine as _;

use crate::art::{Art, Clip, Line, Path, PathSegment, Rgb, Shape, Transform};
use crate::label::{Press, QrSpot};
use crate::number::{push, text};
use crate::qr::Symbol;
use crate::template::compile::{Program, Step};

/// Writes a label: its program with the lines that have values, in their order,
/// and its symbol.
pub(crate) fn write(program: &Program, lines: &[Line], symbol: Option<(&Symbol, QrSpot, &Press)>) -> String {
    let (width, height) = program.size_mm;
    let (w, h) = (text(width), text(height));
    let mut out = String::with_capacity(32 << 10);
    // Writing to a String can't fail, here and below.
    let _ = writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}mm\" height=\"{h}mm\" viewBox=\"0 0 {w} {h}\">"
    );
    let mut lines = lines.iter();
    let mut clips = 0;
    for step in &program.steps {
        match step {
            Step::Still(list) => {
                for art in list {
                    write_art(&mut out, art, &mut clips);
                }
            }
            Step::Line(_) => {
                if let Some(line) = lines.next() {
                    write_line(&mut out, line);
                }
            }
            Step::Qr => {
                let Some((symbol, spot, press)) = symbol else { continue };
                let (x, y) = spot.symbol_mm(press);
                let (color, x, y) = (program.qr.color.hex(), text(x), text(y));
                // More decimals than elsewhere: 40 modules may not add up to a dot's error.
                let module = spot.module_mm(press);
                let _ = write!(
                    out,
                    "<path id=\"qr\" fill=\"{color}\" fill-rule=\"evenodd\" shape-rendering=\"crispEdges\" \
                     transform=\"translate({x} {y}) scale({module})\" d=\""
                );
                out.push_str(&symbol.path_data());
                out.push_str("\"/>\n");
            }
        }
    }
    out.push_str("</svg>\n");
    out
}

fn write_art(out: &mut String, art: &Art, clips: &mut u32) {
    match art {
        Art::Shape(shape) => write_shape(out, shape),
        Art::Line(line) => write_line(out, line),
        Art::Picture(picture) => {
            let (w, h) = picture.size;
            let _ = write!(out, "<image width=\"{w}\" height=\"{h}\" preserveAspectRatio=\"none\"");
            if picture.crisp {
                out.push_str(" image-rendering=\"optimizeSpeed\"");
            }
            write_transform(out, picture.transform);
            out.push_str(" href=\"data:image/png;base64,");
            base64::engine::general_purpose::STANDARD.encode_string(picture.file.as_slice(), out);
            out.push_str("\"/>\n");
        }
        Art::Clip(Clip { paths, inside }) => {
            *clips += 1;
            let id = *clips;
            let _ = write!(out, "<clipPath id=\"clip{id}\">");
            for (path, even_odd) in paths {
                out.push_str("<path");
                if *even_odd {
                    out.push_str(" clip-rule=\"evenodd\"");
                }
                out.push_str(" d=\"");
                write_path(out, path);
                out.push_str("\"/>");
            }
            let _ = write!(out, "</clipPath>\n<g clip-path=\"url(#clip{id})\">\n");
            for art in inside {
                write_art(out, art, clips);
            }
            out.push_str("</g>\n");
        }
    }
}

fn write_shape(out: &mut String, shape: &Shape) {
    out.push_str("<path");
    match shape.fill {
        Some((color, even_odd)) => {
            write_color(out, "fill", color);
            if even_odd {
                out.push_str(" fill-rule=\"evenodd\"");
            }
        }
        None => out.push_str(" fill=\"none\""),
    }
    if let Some(stroke) = &shape.stroke {
        write_color(out, "stroke", stroke.color);
        let _ = write!(out, " stroke-width=\"{}\"", text(stroke.width));
        let cap = match stroke.cap {
            usvg::LineCap::Butt => "butt",
            usvg::LineCap::Round => "round",
            usvg::LineCap::Square => "square",
        };
        let join = match stroke.join {
            usvg::LineJoin::Miter | usvg::LineJoin::MiterClip => "miter",
            usvg::LineJoin::Round => "round",
            usvg::LineJoin::Bevel => "bevel",
        };
        let _ = write!(
            out,
            " stroke-linecap=\"{cap}\" stroke-linejoin=\"{join}\" stroke-miterlimit=\"{}\"",
            text(stroke.miter_limit)
        );
        if !stroke.dashes.is_empty() {
            let dashes: Vec<String> = stroke.dashes.iter().map(|d| text(*d)).collect();
            let _ = write!(
                out,
                " stroke-dasharray=\"{}\" stroke-dashoffset=\"{}\"",
                dashes.join(" "),
                text(stroke.dash_offset)
            );
        }
    }
    write_transform(out, shape.transform);
    out.push_str(" d=\"");
    write_path(out, &shape.path);
    out.push_str("\"/>\n");
}

fn write_line(out: &mut String, line: &Line) {
    if line.ink.is_none() {
        return;
    }
    out.push_str("<g role=\"img\" aria-label=\"");
    escape(out, &line.text);
    out.push('"');
    write_transform(out, line.transform);
    out.push_str(">\n");
    for run in &line.runs {
        let font = run.face.font();
        let unit = text(run.size / font.units_per_em);
        let color = run.color.hex();
        for placed in &run.glyphs {
            let outline = &font.glyph(placed.id).outline;
            if outline.is_empty() {
                continue;
            }
            let _ = write!(out, "<path fill=\"{color}\" transform=\"matrix({unit} 0 0 -{unit} ");
            push(out, placed.x);
            out.push(' ');
            push(out, placed.y);
            out.push_str(")\" d=\"");
            out.push_str(outline);
            out.push_str("\"/>\n");
        }
    }
    out.push_str("</g>\n");
}

fn write_color(out: &mut String, name: &str, color: Rgb) {
    let _ = write!(out, " {name}=\"{}\"", color.hex());
}

fn write_transform(out: &mut String, t: Transform) {
    if t.is_identity() {
        return;
    }
    out.push_str(" transform=\"matrix(");
    for (i, value) in [t.sx, t.ky, t.kx, t.sy, t.tx, t.ty].into_iter().enumerate() {
        if i > 0 {
            out.push(' ');
        }
        // A factor may be small where the picture is large, so factors keep all their digits.
        if i < 4 {
            let _ = write!(out, "{value}");
        } else {
            push(out, value);
        }
    }
    out.push_str(")\"");
}

fn write_path(out: &mut String, path: &Path) {
    let mut points = |letter: char, list: &[usvg::tiny_skia_path::Point]| {
        out.push(letter);
        for (i, p) in list.iter().enumerate() {
            if i > 0 {
                out.push(' ');
            }
            push(out, p.x);
            out.push(' ');
            push(out, p.y);
        }
    };
    for segment in path.segments() {
        match segment {
            PathSegment::MoveTo(p) => points('M', &[p]),
            PathSegment::LineTo(p) => points('L', &[p]),
            PathSegment::QuadTo(a, p) => points('Q', &[a, p]),
            PathSegment::CubicTo(a, b, p) => points('C', &[a, b, p]),
            PathSegment::Close => points('Z', &[]),
        }
    }
}

/// Escapes a value for an attribute in double quotes.
///
/// Characters that XML 1.0 has no way to write (§2.2) become U+FFFD; a value
/// that holds one is refused long before, so this is the last line of defence.
pub(crate) fn escape(out: &mut String, value: &str) {
    for c in value.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\t' | '\n' | '\r' => {
                let _ = write!(out, "&#{};", u32::from(c));
            }
            c if c.is_control() || matches!(u32::from(c), 0xFFFE | 0xFFFF) => out.push('\u{FFFD}'),
            c => out.push(c),
        }
    }
}
