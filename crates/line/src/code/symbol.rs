//! The QR symbol of a code: ISO/IEC 18004, alphanumeric mode, level M.

use std::fmt::Write;

use qrcode::bits::Bits;
use qrcode::{Color, EcLevel, QrCode, Version};

use super::make::CodeError;

/// Modules of the quiet zone on each side (ISO/IEC 18004 6.3.8).
pub const QUIET_MODULES: usize = 4;

/// Pixels of a module in a PNG.
const PIXELS: usize = 8;

/// A module's size where nothing else is said, in tenths of a millimetre: what
/// phones read from a hand's breadth.
const MODULE_TENTHS_MM: usize = 5;

/// Characters of the alphanumeric mode (ISO/IEC 18004 table 5).
const ALPHANUMERIC: &[u8; 45] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:";

/// A symbol, as its modules.
pub struct Symbol {
    dark: Vec<bool>,
    modules: usize,
}

impl Symbol {
    /// The smallest symbol that holds `text`.
    ///
    /// # Errors
    ///
    /// [`CodeError::Symbol`] for a text that is too long, or is not all of the
    /// alphanumeric mode's characters.
    pub fn of(text: &str) -> Result<Self, CodeError> {
        let refused = || CodeError::Symbol(text.chars().count());
        // The library would put a 0 in the place of a character that the mode does not have.
        if !text.bytes().all(|b| ALPHANUMERIC.contains(&b)) {
            return Err(refused());
        }
        for version in (1..=40).map(Version::Normal) {
            let mut bits = Bits::new(version);
            let pushed = bits.push_alphanumeric_data(text.as_bytes()).and_then(|()| bits.push_terminator(EcLevel::M));
            if pushed.is_err() {
                continue; // Does not fit; the next version holds more.
            }
            let code = QrCode::with_bits(bits, EcLevel::M).map_err(|_| refused())?;
            let dark = code.to_colors().into_iter().map(|color| color == Color::Dark).collect();
            return Ok(Self { dark, modules: code.width() });
        }
        Err(refused())
    }

    /// Reads the symbol back with another reader: it must say `text`.
    ///
    /// # Errors
    ///
    /// [`CodeError::NotReadBack`].
    pub fn prove(&self, text: &str) -> Result<(), CodeError> {
        let is_dark = |x: u32, y: u32| self.dark[y as usize * self.modules + x as usize];
        print::prove_bare(self.modules as u32, &is_dark, text).map_err(CodeError::NotReadBack)
    }

    /// Modules on a side, without the quiet zone.
    pub fn modules(&self) -> usize {
        self.modules
    }

    /// Modules on a side, with the quiet zone.
    fn side(&self) -> usize {
        self.modules + 2 * QUIET_MODULES
    }

    /// Whether a module is dark; counted from the quiet zone's corner.
    fn is_dark(&self, x: usize, y: usize) -> bool {
        let inside = |at: usize| at.checked_sub(QUIET_MODULES).filter(|at| *at < self.modules);
        match (inside(x), inside(y)) {
            (Some(x), Some(y)) => self.dark[y * self.modules + x],
            _ => false,
        }
    }

    /// As SVG: black on white, quiet zone included, one path, a unit a module.
    pub fn svg(&self) -> String {
        let side = self.side();
        let mut path = String::new();
        for y in 0..side {
            let mut x = 0;
            while x < side {
                let run = (x..side).take_while(|x| self.is_dark(*x, y)).count();
                if run > 0 {
                    // Writing to a string does not fail.
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

    /// As PNG of one bit a pixel, quiet zone included.
    ///
    /// # Errors
    ///
    /// [`CodeError::Picture`].
    pub fn png(&self) -> Result<Vec<u8>, CodeError> {
        let failed = |error: png::EncodingError| CodeError::Picture(error.to_string());
        let pixels = self.side() * PIXELS;
        let mut rows = vec![0xFF_u8; pixels.div_ceil(8) * pixels];
        for (y, row) in rows.chunks_mut(pixels.div_ceil(8)).enumerate() {
            for x in (0..pixels).filter(|x| self.is_dark(x / PIXELS, y / PIXELS)) {
                row[x / 8] &= !(0x80 >> (x % 8));
            }
        }
        let size = pixels as u32;
        let mut out = Vec::new();
        let mut encoder = png::Encoder::new(&mut out, size, size);
        encoder.set_color(png::ColorType::Grayscale);
        encoder.set_depth(png::BitDepth::One);
        let per_metre = (PIXELS * 10_000 / MODULE_TENTHS_MM) as u32;
        encoder.set_pixel_dims(Some(png::PixelDimensions { xppu: per_metre, yppu: per_metre, unit: png::Unit::Meter }));
        let mut writer = encoder.write_header().map_err(failed)?;
        writer.write_image_data(&rows).map_err(failed)?;
        writer.finish().map_err(failed)?;
        Ok(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Finder patterns stand where ISO/IEC 18004 6.3.3 puts them, the quiet zone is light.
    #[test]
    fn a_symbol_has_its_parts() {
        let symbol = Symbol::of("MT:Y.K9042C00KA0648G00").unwrap();
        // 22 alphanumeric characters at level M: version 2 (ISO/IEC 18004 table 7: 20 and 38).
        assert_eq!(symbol.modules(), 25);
        let finder = |x0: usize, y0: usize| {
            (0..7).all(|y| {
                (0..7).all(|x: usize| {
                    let ring = x.min(6 - x).min(y.min(6 - y));
                    symbol.is_dark(QUIET_MODULES + x0 + x, QUIET_MODULES + y0 + y) == (ring != 1)
                })
            })
        };
        assert!(finder(0, 0) && finder(18, 0) && finder(0, 18));
        let side = symbol.side();
        assert!((0..side).all(|at| (0..4).all(|q| !symbol.is_dark(at, q) && !symbol.is_dark(q, at))));
        assert!(symbol.svg().contains("viewBox=\"0 0 33 33\""));
    }

    #[test]
    fn the_longest_text_fits_and_no_longer_one() {
        assert_eq!(Symbol::of(&"0".repeat(3391)).map(|s| s.modules()).ok(), Some(177));
        assert!(matches!(Symbol::of(&"0".repeat(3392)), Err(CodeError::Symbol(3392))));
        assert!(Symbol::of("MT:y.k9042c00ka0648g00").is_err());
    }
}
