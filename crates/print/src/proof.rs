//! The proof of a symbol: drawn as it will print, looked at, read back.
//!
//! What is drawn is the finished label's own SVG, through a renderer that
//! shares nothing with what wrote it; the reader shares no code with the
//! encoder. Three things are judged on the pixels:
//!
//! 1. the four modules around the symbol are evenly light, and the symbol has
//!    exactly its own modules: nothing lies in or over it;
//! 2. dark and light are far enough apart, and dark is on light;
//! 3. the reader finds the symbol, and it says what the unit's payload says.

use resvg::tiny_skia::Pixmap;
use rqrr::{BitGrid, Grid, PreparedImage, SimpleGrid};
use zeroize::Zeroizing;

use crate::art::Rgb;
use crate::error::LabelError;
use crate::label::Laid;
use crate::qr::QUIET_ZONE;

/// Modules drawn around the quiet zone, so that the reader meets what a camera would.
const AROUND: u32 = 3;
/// How far a pixel may be from its module's colour, of 255: rounding of a renderer, no more.
const TOLERANCE: u8 = 8;
/// Most pixels a module that the reader is shown; a camera shows it fewer.
const READER_DOTS: u32 = 6;

/// How the reader comes to the symbol.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Reading {
    /// It searches the picture, as a phone does.
    Searched,
    /// It is told that the picture is the symbol, and reads it module by module.
    Shown,
}

/// Proves the symbol in `svg`.
pub(crate) fn prove(svg: &str, laid: &Laid<'_>, payload: &str, reading: Reading) -> Result<(), LabelError> {
    let tree = crate::raster::read(svg)?;
    let spot = laid.spot;
    let around = AROUND * spot.dots;
    let side = spot.dots * spot.modules + 2 * around;
    let corner = (spot.left - i64::from(around), spot.top - i64::from(around));
    let pixels = crate::raster::draw(&tree, laid.press.dpi, corner, (side, side))?;

    let light = look(&pixels, laid, around, corner)?;
    let dark = laid.program.qr.color;
    let (light_l, dark_l) = (light.luminance(), dark.luminance());
    if light_l < dark_l {
        return Err(LabelError::Inverted);
    }
    let ratio = (light_l + 0.05) / (dark_l + 0.05);
    if ratio < laid.press.least_contrast {
        return Err(LabelError::Contrast { ratio, least: laid.press.least_contrast });
    }
    // A reader that does not search takes all it sees for the symbol, and its modules for even.
    let (cut, step) = match reading {
        Reading::Searched => (0, spot.dots.div_ceil(READER_DOTS)),
        Reading::Shown => (around, 1),
    };
    let across = spot.modules;
    read_back(&pixels, (cut, step, across), payload, reading)
        .map_err(|why| LabelError::NotReadBack { dpi: laid.press.dpi, why })
}

/// Compares every pixel of symbol and quiet zone with what it must be, and
/// gives the light colour.
fn look(pixels: &Pixmap, laid: &Laid<'_>, around: u32, corner: (i64, i64)) -> Result<Rgb, LabelError> {
    let spot = laid.spot;
    let row_octets = pixels.width() as usize * 4;
    let row = |y: u32| {
        let start = y as usize * row_octets + around as usize * 4;
        &pixels.data()[start..start + (spot.dots * spot.modules) as usize * 4]
    };
    // The quiet zone's own corner is light; where it is not, other pixels of the zone differ from it.
    let middle = (spot.dots / 2) as usize * 4;
    let first = &row(around + spot.dots / 2)[middle..middle + 4];
    let light = Rgb(first[0], first[1], first[2]);
    let dark = laid.program.qr.color;

    let mut expected = Vec::with_capacity((spot.dots * spot.modules) as usize * 4);
    for module_row in 0..spot.modules {
        expected.clear();
        for column in 0..spot.modules {
            let at = |n: u32| i64::from(n) - i64::from(QUIET_ZONE);
            let Rgb(r, g, b) = if laid.symbol.is_dark(at(column), at(module_row)) { dark } else { light };
            for _ in 0..spot.dots {
                expected.extend([r, g, b, 255]);
            }
        }
        for y in module_row * spot.dots..(module_row + 1) * spot.dots {
            let drawn = row(around + y);
            if drawn == expected.as_slice() {
                continue;
            }
            let differs = drawn.iter().zip(&expected).position(|(a, b)| a.abs_diff(*b) > TOLERANCE);
            let Some(octet) = differs else { continue };
            let x = octet as u32 / 4;
            let in_symbol = |n: u32| (QUIET_ZONE..spot.modules - QUIET_ZONE).contains(&n);
            let mm = |from: i64, dots: u32| (from + i64::from(around + dots)) as f32 * laid.press.dot_mm();
            let (x_mm, y_mm) = (mm(corner.0, x), mm(corner.1, y));
            return Err(if in_symbol(x / spot.dots) && in_symbol(module_row) {
                LabelError::Covered { x_mm, y_mm }
            } else {
                LabelError::QuietZone { x_mm, y_mm }
            });
        }
    }
    Ok(light)
}

/// Reads what a camera would see, every `step`th dot of it, without `cut` dots on
/// each side. The error never tells the text.
///
/// - `across`: modules of the symbol with its quiet zone.
fn read_back(
    pixels: &Pixmap,
    (cut, step, across): (u32, u32, u32),
    payload: &str,
    reading: Reading,
) -> Result<(), String> {
    let (side, width) = ((pixels.width() - 2 * cut) / step, pixels.width() as usize);
    let all = pixels.pixels();
    let mut grey = Vec::with_capacity((side * side) as usize);
    for y in 0..side {
        for x in 0..side {
            let p = all[(cut + y * step) as usize * width + (cut + x * step) as usize];
            // Weights of ITU-R BT.601, as cameras use for their grey picture.
            let sum = u32::from(p.red()) * 299 + u32::from(p.green()) * 587 + u32::from(p.blue()) * 114;
            grey.push((sum / 1000) as u8);
        }
    }
    reads_as(&grey, (side, across), payload, reading)
}

/// Dots a module of a bare symbol that is read back.
const BARE_DOTS: u32 = 4;

/// Draws a bare symbol, black on white with its quiet zone, and reads it back with a reader that
/// shares no code with any encoder.
///
/// - `modules`: across, without the quiet zone, 1 to 177.
/// - `is_dark`: of a column and a row.
///
/// # Errors
///
/// Why it does not read as `payload`; never with any of the text.
pub fn prove_bare(modules: u32, is_dark: &dyn Fn(u32, u32) -> bool, payload: &str) -> Result<(), String> {
    let around = QUIET_ZONE + AROUND;
    let side = (modules + 2 * around) * BARE_DOTS;
    let module = |at: u32| (at / BARE_DOTS).checked_sub(around).filter(|at| *at < modules);
    let dot = |x: u32, y: u32| match (module(x), module(y)) {
        (Some(x), Some(y)) if is_dark(x, y) => 0,
        _ => 255,
    };
    let grey = |cut: u32| -> Vec<u8> {
        let within = cut..side - cut;
        within.clone().flat_map(|y| within.clone().map(move |x| (x, y))).map(|(x, y)| dot(x, y)).collect()
    };
    // As on a label: where a search misses the symbol, the reader may be told where it lies.
    let across = modules + 2 * QUIET_ZONE;
    reads_as(&grey(0), (side, across), payload, Reading::Searched).or_else(|_| {
        let cut = AROUND * BARE_DOTS;
        reads_as(&grey(cut), (side - 2 * cut, across), payload, Reading::Shown)
    })
}

/// Reads a grey picture, and compares.
///
/// - `side`, `across`: dots of the picture; modules of the symbol with its quiet zone, which fills it where it is shown.
fn reads_as(grey: &[u8], (side, across): (u32, u32), payload: &str, reading: Reading) -> Result<(), String> {
    let side = side as usize;
    let mut said = Err("can't be read: no symbol is found".to_owned());
    match reading {
        Reading::Searched => {
            let mut picture = PreparedImage::prepare_from_greyscale(side, side, |x, y| grey[y * side + x]);
            for grid in picture.detect_grids() {
                said = says(&grid, payload);
                if said.is_ok() {
                    break;
                }
            }
        }
        Reading::Shown => {
            let (zone, across) = (QUIET_ZONE as usize, across as usize);
            let dots = side / across;
            let (least, most) = (grey.iter().min().copied(), grey.iter().max().copied());
            let between = least.unwrap_or(0).midpoint(most.unwrap_or(255));
            let middle = |module: usize| (zone + module) * dots + dots / 2;
            let grid = SimpleGrid::from_func(across - 2 * zone, |x, y| grey[middle(y) * side + middle(x)] < between);
            said = says(&Grid::new(grid), payload);
        }
    }
    said
}

/// Whether a symbol says what the unit's payload says.
fn says<G: BitGrid>(grid: &Grid<G>, payload: &str) -> Result<(), String> {
    let mut text = Zeroizing::new(Vec::new());
    grid.decode_to(&mut *text).map_err(|e| format!("can't be read: {e}"))?;
    if text.as_slice() != payload.as_bytes() {
        return Err("reads as something else than the unit's payload".into());
    }
    Ok(())
}
