//! What a label is made of, resolved: paths, pictures, lines of letters, the
//! symbol's place. All lengths in millimetres from the label's top left corner,
//! y downwards, once each item's transform is applied.

use std::sync::Arc;

use usvg::tiny_skia_path as geometry;

pub use geometry::{Path, PathSegment, Rect, Transform};

use crate::fonts::Face;

/// A solid colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Rgb(pub u8, pub u8, pub u8);

impl Rgb {
    /// Relative luminance by WCAG 2.2, 0 black to 1 white.
    pub fn luminance(self) -> f32 {
        let linear = |c: u8| {
            let c = f32::from(c) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * linear(self.0) + 0.7152 * linear(self.1) + 0.0722 * linear(self.2)
    }

    /// `#rrggbb`.
    pub fn hex(self) -> String {
        format!("#{:02x}{:02x}{:02x}", self.0, self.1, self.2)
    }
}

impl From<usvg::Color> for Rgb {
    fn from(c: usvg::Color) -> Self {
        Self(c.red, c.green, c.blue)
    }
}

/// A line along a path.
#[derive(Debug, Clone)]
pub struct Stroke {
    pub color: Rgb,
    /// Width before the item's transform.
    pub width: f32,
    pub cap: usvg::LineCap,
    pub join: usvg::LineJoin,
    /// Where a sharp corner is cut.
    pub miter_limit: f32,
    /// Dashes and gaps; empty for a solid line.
    pub dashes: Vec<f32>,
    /// Where in the dashes it starts.
    pub dash_offset: f32,
}

/// A filled, stroked path.
#[derive(Debug, Clone)]
pub struct Shape {
    /// The path before `transform`.
    pub path: Path,
    pub transform: Transform,
    /// Inside, with the even-odd rule where the flag says so.
    pub fill: Option<(Rgb, bool)>,
    pub stroke: Option<Stroke>,
}

/// A picture made of pixels.
#[derive(Debug, Clone)]
pub struct Picture {
    /// The PNG file as it came.
    pub file: Arc<Vec<u8>>,
    /// Pixels across and down.
    pub size: (u32, u32),
    /// From pixels to millimetres.
    pub transform: Transform,
    /// Whether the pixels are shown without smoothing.
    pub crisp: bool,
}

/// An area that cuts what it holds: the union of its paths.
#[derive(Debug, Clone)]
pub struct Clip {
    /// Paths in millimetres, with their even-odd flags.
    pub paths: Vec<(Path, bool)>,
    pub inside: Vec<Art>,
}

/// One thing that is the same on every label.
#[derive(Debug, Clone)]
pub enum Art {
    /// A path.
    Shape(Shape),
    /// A picture.
    Picture(Picture),
    /// A line of letters.
    Line(Line),
    /// A cut group.
    Clip(Clip),
}

/// A glyph at its place in a line, in the line's own units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacedGlyph {
    pub id: u16,
    /// Right of the line's origin.
    pub x: f32,
    /// Below the line's origin.
    pub y: f32,
}

/// Letters of one face, size and colour.
#[derive(Debug, Clone)]
pub struct Run {
    pub face: Face,
    /// Letter size (em), the line's own units.
    pub size: f32,
    pub color: Rgb,
    /// Glyphs from left to right.
    pub glyphs: Vec<PlacedGlyph>,
}

/// A line of letters, placed. Its words may be a code, so `Debug` shows [`Line::named`].
#[derive(Clone)]
pub struct Line {
    pub text: String,
    /// What errors call it: its words, or its places where one of them is a code.
    pub named: String,
    /// From the line's units, origin at its start on the baseline, to millimetres.
    pub transform: Transform,
    pub runs: Vec<Run>,
    /// Bounds of the ink, mm; `None` where nothing prints.
    pub ink: Option<Rect>,
}

impl std::fmt::Debug for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Line").field("named", &self.named).field("ink", &self.ink).finish_non_exhaustive()
    }
}

/// How much `transform` enlarges, as the mean of both directions.
pub fn scale_of(transform: Transform) -> f32 {
    (transform.sx * transform.sy - transform.kx * transform.ky).abs().sqrt()
}

/// Whether `transform` keeps upright rectangles upright: quarter turns and mirrors count.
pub fn is_upright(transform: Transform) -> bool {
    let flat = |a: f32, b: f32| a.abs() < 1e-4 * (a.abs() + b.abs()).max(1e-6);
    (flat(transform.kx, transform.sx) && flat(transform.ky, transform.sy))
        || (flat(transform.sx, transform.kx) && flat(transform.sy, transform.ky))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// WCAG 2.2, definition of relative luminance: white 1, black 0; sRGB primaries by their weights.
    #[test]
    fn luminance_follows_wcag() {
        for (color, luminance) in
            [(Rgb(0, 0, 0), 0.0), (Rgb(255, 255, 255), 1.0), (Rgb(255, 0, 0), 0.2126), (Rgb(0, 255, 0), 0.7152)]
        {
            assert!((color.luminance() - luminance).abs() < 1e-4, "{color:?}");
        }
    }
}
