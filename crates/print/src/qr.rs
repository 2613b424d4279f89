//! QR symbols by ISO/IEC 18004.
//!
//! Encoding only; reading back is `crate::proof`, by a reader that shares no
//! code with this encoder.

use std::fmt::Write as _;

use qrcode::bits::Bits;
use qrcode::{EcLevel, QrCode, Version};

use crate::error::LabelError;

/// Light modules that must surround a symbol (ISO/IEC 18004, 6.3.8).
pub const QUIET_ZONE: u32 = 4;

/// A module's size where nothing else is said, in tenths of a millimetre: what phones read from a hand's breadth.
const MODULE_TENTHS_MM: u32 = 5;

/// Characters of the alphanumeric mode (ISO/IEC 18004 table 5).
const ALPHANUMERIC: &[u8; 45] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:";

/// Error correction of a symbol. M is the least that is used here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Level {
    /// About 15 % of the codewords can be lost.
    M,
    /// About 25 %.
    Q,
    /// About 30 %.
    H,
}

impl Level {
    const ALL: [Self; 3] = [Self::H, Self::Q, Self::M];

    fn code(self) -> EcLevel {
        match self {
            Self::M => EcLevel::M,
            Self::Q => EcLevel::Q,
            Self::H => EcLevel::H,
        }
    }

    /// The next one that corrects less; M has none.
    pub const fn below(self) -> Option<Self> {
        match self {
            Self::H => Some(Self::Q),
            Self::Q => Some(Self::M),
            Self::M => None,
        }
    }

    /// The letter that stands for it.
    pub const fn letter(self) -> char {
        match self {
            Self::M => 'M',
            Self::Q => 'Q',
            Self::H => 'H',
        }
    }
}

/// One symbol: a square of dark and light modules.
#[derive(Clone, PartialEq, Eq)]
pub struct Symbol {
    width: u32,
    dark: Vec<bool>,
    level: Level,
}

impl std::fmt::Debug for Symbol {
    // The modules spell the payload, so they stay out of logs.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Symbol").field("width", &self.width).field("level", &self.level).finish_non_exhaustive()
    }
}

impl Symbol {
    /// Encodes `text` in the smallest version that holds it at level M, and
    /// uses what is left over in that version for a better level.
    ///
    /// Upper-case letters, digits and `␠$%*+-./:` go in alphanumeric mode, so
    /// a payload of 22 characters gives version 2, 25 modules across.
    ///
    /// # Errors
    ///
    /// [`LabelError::Symbol`] for text that no version holds.
    pub fn encode(text: &str) -> Result<Self, LabelError> {
        Self::encode_up_to(text, Level::H)
    }

    /// [`Symbol::encode`] with no better level than `best`: another symbol for
    /// the same text, of the same size.
    ///
    /// # Errors
    ///
    /// As [`Symbol::encode`].
    pub fn encode_up_to(text: &str, best: Level) -> Result<Self, LabelError> {
        let refused = |e: qrcode::types::QrError| LabelError::Symbol { why: e.to_string() };
        // Packing tells the version and costs nothing beside drawing, so only the chosen level is drawn.
        let version = qrcode::bits::encode_auto(text.as_bytes(), EcLevel::M).map_err(refused)?.version();
        let better = Level::ALL
            .into_iter()
            .skip_while(|level| *level != best)
            .find_map(|level| QrCode::with_version(text, version, level.code()).ok().map(|code| (code, level)));
        let (code, level) = match better {
            Some(found) => found,
            None => (QrCode::with_error_correction_level(text, EcLevel::M).map_err(refused)?, Level::M),
        };
        Ok(Self::drawn(code, level))
    }

    /// Encodes `text` in alphanumeric mode alone and at level M, in the smallest version that holds it: what a payload of
    /// the standard is drawn with where nothing else is asked for. `None` where it is too long, or not all of the mode's
    /// characters (ISO/IEC 18004 table 5).
    pub fn alphanumeric(text: &str) -> Option<Self> {
        // The library would put a 0 in the place of a character that the mode does not have.
        if !text.bytes().all(|b| ALPHANUMERIC.contains(&b)) {
            return None;
        }
        (1..=40).map(Version::Normal).find_map(|version| {
            let mut bits = Bits::new(version);
            // Where it does not fit, the next version holds more.
            bits.push_alphanumeric_data(text.as_bytes()).and_then(|()| bits.push_terminator(EcLevel::M)).ok()?;
            Some(Self::drawn(QrCode::with_bits(bits, EcLevel::M).ok()?, Level::M))
        })
    }

    fn drawn(code: QrCode, level: Level) -> Self {
        let width = u32::try_from(code.width()).unwrap_or(u32::MAX);
        Self { width, dark: code.into_colors().iter().map(|c| *c == qrcode::Color::Dark).collect(), level }
    }

    /// Reads the symbol back, by the reader of `crate::proof`: it must say `text`.
    ///
    /// # Errors
    ///
    /// What it says instead.
    pub fn prove(&self, text: &str) -> Result<(), String> {
        crate::prove_bare(self.width, &|x, y| self.is_dark(x.into(), y.into()), text)
    }

    /// Modules across, without the quiet zone: 21 for version 1, 4 more for each next.
    pub fn width(&self) -> u32 {
        self.width
    }

    /// Modules across with the quiet zone on both sides.
    pub fn width_with_quiet_zone(&self) -> u32 {
        self.width + 2 * QUIET_ZONE
    }

    /// Version, 1 to 40.
    pub fn version(&self) -> u32 {
        (self.width - 17) / 4
    }

    /// Error correction level, M or better.
    pub fn level(&self) -> Level {
        self.level
    }

    /// Whether the module at column `x`, row `y` is dark; light outside the symbol.
    pub fn is_dark(&self, x: i64, y: i64) -> bool {
        let width = i64::from(self.width);
        (0..width).contains(&x)
            && (0..width).contains(&y)
            && usize::try_from(y * width + x).ok().and_then(|i| self.dark.get(i)).copied().unwrap_or(false)
    }

    /// The outlines of the dark areas: closed polygons along module edges, to be
    /// filled by the even-odd rule. One filled path instead of one square a
    /// module leaves no hairlines between modules in any renderer.
    pub fn outlines(&self) -> Vec<Vec<(u32, u32)>> {
        outlines(self.width, &|x, y| self.is_dark(x, y))
    }

    /// SVG path data of [`Symbol::outlines`], one unit a module, origin at the
    /// symbol's own corner; for `fill-rule="evenodd"`.
    pub fn path_data(&self) -> String {
        let mut data = String::with_capacity(2048);
        for polygon in self.outlines() {
            let mut last = (0, 0);
            for (i, (x, y)) in polygon.iter().copied().enumerate() {
                // Writing to a String can't fail.
                let _ = match i {
                    0 => write!(data, "M{x} {y}"),
                    _ if y == last.1 => write!(data, "H{x}"),
                    _ => write!(data, "V{y}"),
                };
                last = (x, y);
            }
            data.push('Z');
        }
        data
    }

    /// A whole SVG of the symbol with its quiet zone: black on white, one path of runs, a unit a module.
    pub fn to_svg(&self) -> String {
        let (side, quiet) = (self.width_with_quiet_zone(), i64::from(QUIET_ZONE));
        let mut path = String::new();
        for y in 0..side {
            let mut x = 0;
            while x < side {
                let is_dark = |x: u32| self.is_dark(i64::from(x) - quiet, i64::from(y) - quiet);
                let run = (x..side).take_while(|x| is_dark(*x)).count() as u32;
                if run > 0 {
                    // Writing to a String can't fail.
                    let _ = write!(path, "M{x} {y}h{run}v1h-{run}z");
                }
                x += run.max(1);
            }
        }
        let tenths = side * MODULE_TENTHS_MM;
        let millimetres = format!("{}.{}mm", tenths / 10, tenths % 10);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{millimetres}\" height=\"{millimetres}\" \
             viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\">\n\
             <path fill=\"#fff\" d=\"M0 0h{side}v{side}h-{side}z\"/>\n\
             <path fill=\"#000\" d=\"{path}\"/>\n</svg>\n"
        )
    }

    /// A PNG of the symbol with its quiet zone, one bit a pixel, `dots` pixels a module (1 to 64), in the size of its SVG.
    ///
    /// # Errors
    ///
    /// Where the encoder fails; it writes to memory, so it does not.
    pub fn to_png(&self, dots: u32) -> Result<Vec<u8>, png::EncodingError> {
        let dots = dots.clamp(1, 64);
        let modules = self.width_with_quiet_zone();
        let side = modules * dots;
        let quiet = i64::from(QUIET_ZONE);
        let row_octets = side.div_ceil(8) as usize;
        let mut pixels = vec![0u8; row_octets * side as usize];
        for y in 0..side {
            for x in 0..side {
                let (column, row) = (i64::from(x / dots) - quiet, i64::from(y / dots) - quiet);
                if !self.is_dark(column, row) {
                    pixels[y as usize * row_octets + (x / 8) as usize] |= 0x80 >> (x % 8);
                }
            }
        }
        let mut file = Vec::new();
        let mut encoder = png::Encoder::new(&mut file, side, side);
        encoder.set_color(png::ColorType::Grayscale);
        encoder.set_depth(png::BitDepth::One);
        let per_metre = dots * 10_000 / MODULE_TENTHS_MM;
        encoder.set_pixel_dims(Some(png::PixelDimensions { xppu: per_metre, yppu: per_metre, unit: png::Unit::Meter }));
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&pixels)?;
        writer.finish()?;
        Ok(file)
    }
}

/// Walks the edges between dark and light. Each edge is taken once, with dark
/// on its right, and runs on the same line are joined.
fn outlines(width: u32, dark: &dyn Fn(i64, i64) -> bool) -> Vec<Vec<(u32, u32)>> {
    let n = i64::from(width);
    let side = width as usize + 1;
    // Horizontal edges not yet walked: above module (x, y), where its two sides differ.
    let mut open = vec![false; side * side];
    for y in 0..=n {
        for x in 0..n {
            open[(y * (n + 1) + x) as usize] = dark(x, y) != dark(x, y - 1);
        }
    }
    let mut polygons = Vec::new();
    for start in 0..open.len() {
        if !open[start] {
            continue;
        }
        let (sx, sy) = ((start % side) as i64, (start / side) as i64);
        // Dark below: walk to the right along the top of it; else to the left.
        let mut heading = if dark(sx, sy) { (1, 0) } else { (-1, 0) };
        let (mut x, mut y) = if heading.0 == 1 { (sx, sy) } else { (sx + 1, sy) };
        let first = (x, y);
        let mut polygon = vec![(x as u32, y as u32)];
        loop {
            if heading.1 == 0 {
                let left_end = if heading.0 == 1 { x } else { x - 1 };
                open[(y * (n + 1) + left_end) as usize] = false;
            }
            x += heading.0;
            y += heading.1;
            if (x, y) == first {
                break;
            }
            // The modules ahead, on the right hand and on the left.
            let (right, left) = match heading {
                (1, 0) => (dark(x, y), dark(x, y - 1)),
                (-1, 0) => (dark(x - 1, y - 1), dark(x - 1, y)),
                (0, 1) => (dark(x - 1, y), dark(x, y)),
                _ => (dark(x, y - 1), dark(x - 1, y - 1)),
            };
            let turned = match (right, left) {
                (false, _) => (-heading.1, heading.0),   // to the right, around the dark corner
                (true, true) => (heading.1, -heading.0), // to the left, into the dark corner
                (true, false) => heading,
            };
            if turned != heading {
                polygon.push((x as u32, y as u32));
                heading = turned;
            }
        }
        polygons.push(polygon);
    }
    polygons
}

#[cfg(test)]
mod tests {
    use super::*;

    const PAYLOAD: &str = "MT:Y.K9042C00KA0648G00";

    #[test]
    fn a_usual_payload_is_version_2_at_m_or_better() {
        let symbol = Symbol::encode(PAYLOAD).unwrap();
        assert_eq!((symbol.version(), symbol.width(), symbol.width_with_quiet_zone()), (2, 25, 33));
        // 22 characters; version 2 holds 29 alphanumeric characters at Q, 20 at H (ISO/IEC 18004,
        // table 7, from memory).
        assert_eq!(symbol.level(), Level::Q);
    }

    /// ISO/IEC 18004, annex I: "01234567" in version 1-M gives the data codewords 10 20 0C 56 61 80
    /// EC 11 EC 11 EC 11 EC 11 EC 11 and the check codewords A5 24 D4 C1 ED 36 C7 87 2C 55 (from
    /// memory). Read from our symbol here; with another reader in `tests/outside`.
    #[test]
    fn the_worked_symbol_of_the_standard_has_its_codewords() {
        let code = QrCode::with_version("01234567", qrcode::Version::Normal(1), EcLevel::M).unwrap();
        let colors = code.to_colors();
        let width = code.width();
        let dark: Vec<bool> = colors.iter().map(|c| *c == qrcode::Color::Dark).collect();
        let at = |x: usize, y: usize| dark[y * width + x];
        // Mask pattern from the format information beside the top left finder: bits 12 to 10 of it,
        // after the standard's own mask 101010000010010 is taken off.
        let format = (0..5).fold(0u8, |f, x| f << 1 | u8::from(at(x, 8))) ^ 0b10101;
        let (level, mask) = (format >> 3, format & 7);
        assert_eq!(level, 0b00, "level M");
        let masked = |x: usize, y: usize| {
            let rest = match mask {
                0 => (x + y) % 2,
                1 => y % 2,
                2 => x % 3,
                3 => (x + y) % 3,
                4 => (y / 2 + x / 3) % 2,
                5 => (x * y) % 2 + (x * y) % 3,
                6 => ((x * y) % 2 + (x * y) % 3) % 2,
                _ => ((x + y) % 2 + (x * y) % 3) % 2,
            };
            rest == 0
        };
        let finder = |x: usize, y: usize| (x < 9 && !(9..13).contains(&y)) || (x >= 13 && y < 9);
        let function = |x: usize, y: usize| finder(x, y) || x == 6 || y == 6;
        let mut bits = Vec::new();
        let columns = [20, 18, 16, 14, 12, 10, 8, 5, 3, 1];
        for (i, right) in columns.into_iter().enumerate() {
            let rows: Vec<usize> = if i % 2 == 0 { (0..21).rev().collect() } else { (0..21).collect() };
            for y in rows {
                for x in [right, right - 1] {
                    if !function(x, y) {
                        bits.push(at(x, y) != masked(x, y));
                    }
                }
            }
        }
        let codewords: Vec<u8> =
            bits.chunks_exact(8).map(|b| b.iter().fold(0, |o, bit| o << 1 | u8::from(*bit))).collect();
        let printed = [
            0x10, 0x20, 0x0C, 0x56, 0x61, 0x80, 0xEC, 0x11, 0xEC, 0x11, 0xEC, 0x11, 0xEC, 0x11, 0xEC, 0x11, 0xA5, 0x24,
            0xD4, 0xC1, 0xED, 0x36, 0xC7, 0x87, 0x2C, 0x55,
        ];
        assert_eq!(codewords, printed);
    }

    /// Filling the polygons by the even-odd rule gives the modules back.
    #[test]
    fn outlines_enclose_exactly_the_dark_modules() {
        for text in ["A", PAYLOAD, "01234567", "a longer text in lower case, for a larger version of the symbol"] {
            let symbol = Symbol::encode(text).unwrap();
            let polygons = symbol.outlines();
            let n = symbol.width();
            for y in 0..n {
                for x in 0..n {
                    // A ray from the module's centre to the left crosses vertical edges.
                    let mut inside = false;
                    for polygon in &polygons {
                        for (i, a) in polygon.iter().enumerate() {
                            let b = polygon[(i + 1) % polygon.len()];
                            if a.0 == b.0 && a.0 <= x && a.1.min(b.1) <= y && y < a.1.max(b.1) {
                                inside = !inside;
                            }
                        }
                    }
                    assert_eq!(inside, symbol.is_dark(x.into(), y.into()), "{text}: {x}, {y}");
                }
            }
        }
    }

    #[test]
    fn too_much_text_is_refused_without_showing_it() {
        let error = Symbol::encode(&"x".repeat(5000)).unwrap_err();
        assert!(matches!(error, LabelError::Symbol { .. }));
        assert!(!error.to_string().contains("xxx"));
    }

    /// Finder patterns stand where ISO/IEC 18004 6.3.3 puts them, the quiet zone is light.
    #[test]
    fn a_symbol_has_its_parts() {
        let symbol = Symbol::alphanumeric("MT:Y.K9042C00KA0648G00").unwrap();
        // 22 alphanumeric characters at level M: version 2 (ISO/IEC 18004 table 7: 20 and 38).
        assert_eq!(symbol.width(), 25);
        let finder = |x0: i64, y0: i64| {
            (0..7).all(|y| {
                (0..7).all(|x: i64| {
                    let ring = x.min(6 - x).min(y.min(6 - y));
                    symbol.is_dark(x0 + x, y0 + y) == (ring != 1)
                })
            })
        };
        assert!(finder(0, 0) && finder(18, 0) && finder(0, 18));
        assert!(symbol.to_svg().contains("viewBox=\"0 0 33 33\""));
    }

    #[test]
    fn the_longest_text_fits_and_no_longer_one() {
        assert_eq!(Symbol::alphanumeric(&"0".repeat(3391)).map(|s| s.width()), Some(177));
        assert!(Symbol::alphanumeric(&"0".repeat(3392)).is_none());
        assert!(Symbol::alphanumeric("MT:y.k9042c00ka0648g00").is_none());
    }

    #[test]
    fn a_png_has_the_quiet_zone_and_the_modules() {
        let symbol = Symbol::encode(PAYLOAD).unwrap();
        let file = symbol.to_png(3).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(file)).read_info().unwrap();
        assert_eq!(reader.info().width, 33 * 3);
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        let row = reader.info().raw_row_length() - 1;
        let light = |x: usize, y: usize| pixels[y * row + x / 8] & (0x80 >> (x % 8)) != 0;
        assert!(light(0, 0) && light(11, 11) && !light(12, 12) && !light(14, 14));
    }
}
