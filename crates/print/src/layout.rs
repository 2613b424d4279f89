//! One line of letters: values filled in, shaped, shrunk to its width, placed.

use std::borrow::Cow;

use crate::art::{Line, PlacedGlyph, Rect, Rgb, Run, Transform, scale_of};
use crate::error::LabelError;
use crate::fonts::Face;

/// Least letter size that a shrinking line keeps, mm: about 4 points, the least
/// that people read at arm's length. A common practice, no clause.
pub const LEAST_LETTERS_MM: f32 = 1.4;

/// Words, or a place for a value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// As it stands in the template.
    Words(String),
    /// `{name}`.
    Place(String),
}

/// Where the given point lies in the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// At its start.
    Start,
    /// In its middle.
    Middle,
    /// At its end.
    End,
}

/// Part of a line in one style.
#[derive(Debug, Clone)]
pub struct SpanPlan {
    pub pieces: Vec<Piece>,
    pub face: Face,
    /// Letter size, template units.
    pub size: f32,
    pub color: Rgb,
    /// Extra room after each letter, template units.
    pub letter_spacing: f32,
    /// Extra room after each blank, template units.
    pub word_spacing: f32,
    /// Whether pairs are kerned.
    pub kerning: bool,
}

/// A line as the template has it.
#[derive(Debug, Clone)]
pub struct LinePlan {
    pub spans: Vec<SpanPlan>,
    /// The given point, template units.
    pub at: (f32, f32),
    /// Which part of the line lies there.
    pub anchor: Anchor,
    /// Template units to millimetres.
    pub transform: Transform,
    /// Width to shrink into, template units.
    pub max_width: Option<f32>,
    /// Least letter size when shrinking, mm.
    pub least_mm: f32,
}

impl LinePlan {
    /// Names of the places in it.
    pub fn places(&self) -> impl Iterator<Item = &str> {
        self.spans.iter().flat_map(|s| &s.pieces).filter_map(|p| match p {
            Piece::Place(name) => Some(name.as_str()),
            Piece::Words(_) => None,
        })
    }

    /// What errors call the line: its words, or its places where one of them is a code.
    fn named(&self, text: &str) -> String {
        if self.places().all(|p| p != "manual") {
            return text.to_owned();
        }
        let pieces = self.spans.iter().flat_map(|s| &s.pieces);
        pieces.fold(String::new(), |named, piece| match piece {
            Piece::Words(words) => named + words,
            Piece::Place(name) => named + "{" + name + "}",
        })
    }

    /// Places the line with the values that `value` knows.
    ///
    /// # Errors
    ///
    /// [`LabelError::NoValue`], [`LabelError::NoGlyph`], [`LabelError::TooLong`].
    pub fn place<'v>(&self, value: &dyn Fn(&str) -> Option<Cow<'v, str>>) -> Result<Line, LabelError> {
        let texts = self.spans.iter().map(|span| filled(span, value)).collect::<Result<Vec<_>, _>>()?;
        let text = texts.concat();
        let named = self.named(&text);
        for (span, text_of_span) in self.spans.iter().zip(&texts) {
            let font = span.face.font();
            if let Some(character) = text_of_span.chars().find(|c| !font.has(*c)) {
                return Err(LabelError::NoGlyph { character, text: named });
            }
        }

        let mut x = 0.0;
        let mut runs = Vec::with_capacity(self.spans.len());
        for (span, text_of_span) in self.spans.iter().zip(&texts) {
            let unit = span.size / span.face.font().units_per_em;
            let octets = text_of_span.as_bytes();
            let mut glyphs = Vec::with_capacity(text_of_span.len());
            for shaped in span.face.font().shape(text_of_span, span.kerning) {
                glyphs.push(PlacedGlyph {
                    id: shaped.glyph,
                    x: x + shaped.x_offset * unit,
                    y: -shaped.y_offset * unit,
                });
                x += shaped.advance * unit + span.letter_spacing;
                if octets.get(shaped.cluster) == Some(&b' ') {
                    x += span.word_spacing;
                }
            }
            runs.push(Run { face: span.face, size: span.size, color: span.color, glyphs });
        }
        // The room after the last letter is not part of what is seen.
        let width = (x - self.spans.last().map_or(0.0, |s| s.letter_spacing)).max(0.0);

        let shrink = self.max_width.map_or(1.0, |most| if width > most { most / width } else { 1.0 });
        if shrink < 1.0 {
            let scale = scale_of(self.transform);
            let needed_mm = self.spans.iter().map(|s| s.size).fold(f32::INFINITY, f32::min) * scale * shrink;
            if needed_mm < self.least_mm {
                let width_mm = self.max_width.unwrap_or(width) * scale;
                return Err(LabelError::TooLong { text: named, width_mm, needed_mm, least_mm: self.least_mm });
            }
        }
        let start = match self.anchor {
            Anchor::Start => 0.0,
            Anchor::Middle => -width / 2.0,
            Anchor::End => -width,
        };
        let transform =
            self.transform.pre_translate(self.at.0, self.at.1).pre_scale(shrink, shrink).pre_translate(start, 0.0);
        let ink = ink(&runs, transform);
        Ok(Line { text, named, transform, runs, ink })
    }
}

fn filled<'v>(span: &SpanPlan, value: &dyn Fn(&str) -> Option<Cow<'v, str>>) -> Result<String, LabelError> {
    let mut text = String::new();
    for piece in &span.pieces {
        match piece {
            Piece::Words(words) => text.push_str(words),
            Piece::Place(name) => {
                text.push_str(&value(name).ok_or_else(|| LabelError::NoValue { place: name.clone() })?);
            }
        }
    }
    Ok(text)
}

/// Bounds of all glyphs' ink after `transform`.
fn ink(runs: &[Run], transform: Transform) -> Option<Rect> {
    let mut bounds: Option<[f32; 4]> = None;
    for run in runs {
        let font = run.face.font();
        let unit = run.size / font.units_per_em;
        for glyph in &run.glyphs {
            let Some([left, bottom, right, top]) = font.glyph(glyph.id).ink else { continue };
            for (x, y) in [(left, bottom), (right, bottom), (left, top), (right, top)] {
                let (x, y) = mapped(transform, glyph.x + x * unit, glyph.y - y * unit);
                let b = bounds.get_or_insert([x, y, x, y]);
                *b = [b[0].min(x), b[1].min(y), b[2].max(x), b[3].max(y)];
            }
        }
    }
    bounds.and_then(|[l, t, r, b]| Rect::from_ltrb(l, t, r, b))
}

/// A point after `transform`.
pub fn mapped(transform: Transform, x: f32, y: f32) -> (f32, f32) {
    (transform.sx * x + transform.kx * y + transform.tx, transform.ky * x + transform.sy * y + transform.ty)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(pieces: Vec<Piece>) -> LinePlan {
        LinePlan {
            spans: vec![SpanPlan {
                pieces,
                face: Face::Codes,
                size: 2.0,
                color: Rgb::default(),
                letter_spacing: 0.0,
                word_spacing: 0.0,
                kerning: true,
            }],
            at: (10.0, 5.0),
            anchor: Anchor::Start,
            transform: Transform::identity(),
            max_width: None,
            least_mm: LEAST_LETTERS_MM,
        }
    }

    fn place(plan: &LinePlan, value: &str) -> Result<Line, LabelError> {
        plan.place(&|name| (name == "serial").then(|| Cow::Owned(value.to_owned())))
    }

    fn serial() -> Vec<Piece> {
        vec![Piece::Words("SN ".into()), Piece::Place("serial".into())]
    }

    #[test]
    fn a_line_lies_where_its_anchor_says() {
        let mut plan = plan(serial());
        // Each letter of the code face is 632/1000 of its size wide.
        let width = 8.0 * 0.632 * 2.0;
        for (anchor, start) in
            [(Anchor::Start, 10.0), (Anchor::Middle, 10.0 - width / 2.0), (Anchor::End, 10.0 - width)]
        {
            plan.anchor = anchor;
            let line = place(&plan, "HHHHH").unwrap();
            assert_eq!(line.text, "SN HHHHH");
            assert!((line.transform.tx - start).abs() < 1e-4, "{anchor:?}: {:?}", line.transform);
            let ink = line.ink.unwrap();
            assert!(ink.left() > start && ink.right() < start + width && ink.bottom() < 5.1, "{ink:?}");
        }
    }

    #[test]
    fn a_long_line_shrinks_and_then_is_refused() {
        let mut plan = plan(serial());
        plan.max_width = Some(12.0);
        let line = place(&plan, "HHHHHHH").unwrap();
        assert!(line.ink.unwrap().width() < 12.0);
        let error = place(&plan, &"H".repeat(30)).unwrap_err();
        assert!(matches!(error, LabelError::TooLong { .. }), "{error}");
    }

    #[test]
    fn what_can_not_be_printed_is_named() {
        let plan = plan(serial());
        assert!(matches!(place(&plan, "漢"), Err(LabelError::NoGlyph { character: '漢', .. })));
        let without = plan.place(&|_| None);
        assert_eq!(without.unwrap_err(), LabelError::NoValue { place: "serial".into() });
    }
}
