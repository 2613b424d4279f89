//! The embedded letters: which faces there are, their outlines and widths.
//!
//! Labels know no other fonts, so a label looks the same on every machine. The
//! files, their origin and licence are in `fonts/` beside this crate's sources.

use std::fmt::Write as _;
use std::sync::OnceLock;

use harfrust::{ShapePlan, ShaperData};
use skrifa::instance::{LocationRef, Size};
use skrifa::outline::{DrawSettings, OutlinePen};
use skrifa::{FontRef, GlyphId, MetadataProvider};

/// Family for words.
pub const WORDS: &str = "Atkinson Hyperlegible Next";
/// Family for codes.
pub const CODES: &str = "Atkinson Hyperlegible Mono";

/// One embedded face.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Face {
    /// [`WORDS`], weight 400.
    Words,
    /// [`WORDS`], weight 700.
    WordsBold,
    /// [`CODES`], weight 400.
    Codes,
    /// [`CODES`], weight 700.
    CodesBold,
}

impl Face {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Words, Self::WordsBold, Self::Codes, Self::CodesBold];

    /// The face for a CSS family name and weight; `None` for a family that is
    /// not embedded. `sans-serif` and `monospace` name no font, so they get ours.
    pub fn find(family: &str, weight: u16) -> Option<Self> {
        let bold = weight >= 600;
        let words = if bold { Self::WordsBold } else { Self::Words };
        let codes = if bold { Self::CodesBold } else { Self::Codes };
        match family {
            f if f.eq_ignore_ascii_case(WORDS) || f == "sans-serif" => Some(words),
            f if f.eq_ignore_ascii_case(CODES) || f == "monospace" => Some(codes),
            _ => None,
        }
    }

    /// The TrueType file.
    pub const fn file(self) -> &'static [u8] {
        match self {
            Self::Words => include_bytes!("../fonts/AtkinsonHyperlegibleNext-Regular.ttf"),
            Self::WordsBold => include_bytes!("../fonts/AtkinsonHyperlegibleNext-Bold.ttf"),
            Self::Codes => include_bytes!("../fonts/AtkinsonHyperlegibleMono-Regular.ttf"),
            Self::CodesBold => include_bytes!("../fonts/AtkinsonHyperlegibleMono-Bold.ttf"),
        }
    }

    /// PostScript name.
    pub const fn postscript(self) -> &'static str {
        match self {
            Self::Words => "AtkinsonHyperlegibleNext-Regular",
            Self::WordsBold => "AtkinsonHyperlegibleNext-Bold",
            Self::Codes => "AtkinsonHyperlegibleMono-Regular",
            Self::CodesBold => "AtkinsonHyperlegibleMono-Bold",
        }
    }

    /// Whether every character is as wide as every other.
    pub const fn is_mono(self) -> bool {
        matches!(self, Self::Codes | Self::CodesBold)
    }

    /// Position in [`Face::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The face, read once and kept.
    pub fn font(self) -> &'static Font {
        static FONTS: [OnceLock<Font>; 4] = [const { OnceLock::new() }; 4];
        FONTS[self.index()].get_or_init(|| Font::read(self))
    }
}

/// One glyph, in font units with y upwards.
#[derive(Debug, Clone, Default)]
pub struct Glyph {
    pub advance: f32,
    /// Outline as SVG path data; empty for a blank.
    pub outline: String,
    /// Left, bottom, right, top of the ink; `None` for a blank.
    pub ink: Option<[f32; 4]>,
}

/// A face ready to shape and draw.
pub struct Font {
    /// Font units in one em.
    pub units_per_em: f32,
    /// Ascent above the baseline, font units.
    pub ascent: f32,
    /// Descent below the baseline, font units, negative.
    pub descent: f32,
    /// Height of a capital, font units.
    pub cap_height: f32,
    glyphs: Vec<Glyph>,
    /// Each character that has a glyph, by character.
    characters: Vec<(char, u16)>,
    reference: FontRef<'static>,
    shaper: ShaperData,
    plan: ShapePlan,
}

impl std::fmt::Debug for Font {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Font").field("glyphs", &self.glyphs.len()).finish_non_exhaustive()
    }
}

impl Font {
    fn read(face: Face) -> Self {
        // The four files are part of this program and each is read by a test.
        let reference = FontRef::new(face.file()).expect("the embedded font is sound");
        let metrics = reference.metrics(Size::unscaled(), LocationRef::default());
        let widths = reference.glyph_metrics(Size::unscaled(), LocationRef::default());
        let outlines = reference.outline_glyphs();
        let glyphs = (0..u32::from(metrics.glyph_count))
            .map(|id| {
                let id = GlyphId::new(id);
                let mut pen = Pen::default();
                if let Some(outline) = outlines.get(id) {
                    // An outline that does not draw stays blank and fails the test of this module.
                    let _ = outline.draw(DrawSettings::unhinted(Size::unscaled(), LocationRef::default()), &mut pen);
                }
                Glyph { advance: widths.advance_width(id).unwrap_or(0.0), outline: pen.data, ink: pen.ink }
            })
            .collect();
        let mut characters: Vec<(char, u16)> = reference
            .charmap()
            .mappings()
            .filter_map(|(c, id)| Some((char::from_u32(c)?, u16::try_from(id.to_u32()).ok()?)))
            .collect();
        characters.sort_unstable();
        let shaper = ShaperData::new(&reference);
        let plan = {
            let ready = shaper.shaper(&reference).build();
            let direction = harfrust::Direction::LeftToRight;
            ShapePlan::new(&ready, direction, Some(harfrust::script::LATIN), None, &[])
        };
        Self {
            units_per_em: f32::from(metrics.units_per_em),
            ascent: metrics.ascent,
            descent: metrics.descent,
            cap_height: metrics.cap_height.unwrap_or(metrics.ascent),
            glyphs,
            characters,
            reference,
            shaper,
            plan,
        }
    }

    /// A glyph by its id; `.notdef` for one that is not there.
    pub fn glyph(&self, id: u16) -> &Glyph {
        &self.glyphs[if usize::from(id) < self.glyphs.len() { usize::from(id) } else { 0 }]
    }

    /// All glyphs in the order of their ids.
    pub fn glyphs(&self) -> &[Glyph] {
        &self.glyphs
    }

    /// All characters with their glyph ids, in the order of the characters.
    pub fn characters(&self) -> &[(char, u16)] {
        &self.characters
    }

    /// Whether the face has this character. The soft hyphen has a glyph, yet
    /// shapers drop it, so it counts as missing.
    pub fn has(&self, c: char) -> bool {
        c != '\u{AD}' && self.characters.binary_search_by_key(&c, |(c, _)| *c).is_ok()
    }

    /// Places the glyphs of one line of Latin text, with kerning if asked for.
    ///
    /// Offsets and advances in font units. Returns `(glyph, x offset, y offset,
    /// advance, first octet of its cluster)`.
    pub fn shape(&self, text: &str, kerning: bool) -> Vec<Shaped> {
        let mut buffer = harfrust::UnicodeBuffer::new();
        buffer.push_str(text);
        buffer.set_direction(harfrust::Direction::LeftToRight);
        buffer.set_script(harfrust::script::LATIN);
        let shaper = self.shaper.shaper(&self.reference).build();
        let off = [harfrust::Feature::new(harfrust::Tag::new(b"kern"), 0, ..)];
        let options = harfrust::ShapeOptions::new();
        let options = if kerning { options.plan(Some(&self.plan)) } else { options.features(&off) };
        let shaped = shaper.shape(buffer, options);
        shaped
            .glyph_infos()
            .iter()
            .zip(shaped.glyph_positions())
            .map(|(info, position)| Shaped {
                glyph: u16::try_from(info.glyph_id).unwrap_or(0),
                x_offset: position.x_offset as f32,
                y_offset: position.y_offset as f32,
                advance: position.x_advance as f32,
                cluster: info.cluster as usize,
            })
            .collect()
    }
}

/// A glyph in its line, font units.
#[derive(Debug, Clone, Copy)]
pub struct Shaped {
    pub glyph: u16,
    /// Shift to the right of the pen.
    pub x_offset: f32,
    pub y_offset: f32,
    /// How far the pen moves on.
    pub advance: f32,
    /// Octet of the text at which its cluster starts.
    pub cluster: usize,
}

/// Writes an outline as SVG path data and follows its bounds.
#[derive(Default)]
struct Pen {
    data: String,
    ink: Option<[f32; 4]>,
}

impl Pen {
    fn point(&mut self, x: f32, y: f32) {
        let ink = self.ink.get_or_insert([x, y, x, y]);
        *ink = [ink[0].min(x), ink[1].min(y), ink[2].max(x), ink[3].max(y)];
    }

    fn step(&mut self, letter: char, points: &[(f32, f32)]) {
        self.data.push(letter);
        for (i, (x, y)) in points.iter().enumerate() {
            if i > 0 {
                self.data.push(' ');
            }
            // Writing to a String can't fail.
            let _ = write!(self.data, "{x} {y}");
            self.point(*x, *y);
        }
    }
}

impl OutlinePen for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        self.step('M', &[(x, y)]);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.step('L', &[(x, y)]);
    }
    fn quad_to(&mut self, cx: f32, cy: f32, x: f32, y: f32) {
        self.step('Q', &[(cx, cy), (x, y)]);
    }
    fn curve_to(&mut self, ax: f32, ay: f32, bx: f32, by: f32, x: f32, y: f32) {
        self.step('C', &[(ax, ay), (bx, by), (x, y)]);
    }
    fn close(&mut self) {
        self.data.push('Z');
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_face_draws_what_codes_are_made_of() {
        for face in Face::ALL {
            let font = face.font();
            for c in ('!'..='~').chain("–×éłŽğß€°·".chars()) {
                assert!(font.has(c), "{c:?} in {face:?}");
                let shaped = font.shape(&c.to_string(), true);
                assert_eq!(shaped.len(), 1, "{c:?} in {face:?}");
                let glyph = font.glyph(shaped[0].glyph);
                assert!(!glyph.outline.is_empty() && glyph.ink.is_some(), "{c:?} in {face:?}");
            }
            // Shaping reaches the very glyph that stands for the character, or text copied from a PDF is lost.
            for (c, glyph) in font.characters() {
                let shaped = font.shape(&c.to_string(), true);
                let combining = matches!(u32::from(*c), 0x300..=0x36F);
                assert!(combining || shaped.iter().any(|s| s.glyph == *glyph), "{c:?} in {face:?}");
            }
            assert!(!font.has('漢') && !font.has('\u{AD}'));
        }
    }

    #[test]
    fn codes_stand_in_columns_and_words_are_kerned() {
        let codes = Face::Codes.font();
        let widths: Vec<f32> = codes.shape("0O1lI-.", true).iter().map(|g| g.advance).collect();
        assert!(widths.iter().all(|w| *w == widths[0]), "{widths:?}");
        let width = |kerning| Face::Words.font().shape("AV", kerning).iter().map(|g| g.advance).sum::<f32>();
        assert!(width(true) < width(false));
    }

    #[test]
    fn families_are_found_by_name_only() {
        assert_eq!(Face::find("Atkinson Hyperlegible Next", 400), Some(Face::Words));
        assert_eq!(Face::find("atkinson hyperlegible mono", 700), Some(Face::CodesBold));
        assert_eq!(Face::find("sans-serif", 600), Some(Face::WordsBold));
        assert_eq!(Face::find("Some Grotesk", 400), None);
    }
}
