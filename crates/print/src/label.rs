//! One label: a template, a unit's values, a printer; laid out and proven.
//!
//! [`lay`] places everything and checks what geometry can tell; what it gives
//! can only be [proven](Laid::prove), and only a [`Proven`] label can be
//! written anywhere. So no label leaves this crate whose symbol was not drawn
//! and read back.

use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::art::{Line, Rect, is_upright};
use crate::data::LabelData;
use crate::error::LabelError;
use crate::proof::{self, Reading};
use crate::qr::{QUIET_ZONE, Symbol};
use crate::svg;
use crate::template::Template;
use crate::template::compile::{Program, Step};

/// Millimetres in an inch.
pub const INCH_MM: f32 = 25.4;

/// Least module that phones read, mm. Practice of the trade, no clause: cameras
/// of phones focus from about 100 mm on and resolve three pixels a module there
/// from about 0.3 mm on.
pub const LEAST_MODULE_MM: f32 = 0.3;

/// Least contrast ratio of a symbol, by the formula of WCAG 2.2. Black on white
/// is 21; red, which red-light scanners see as white, is 4 and refused.
pub const LEAST_CONTRAST: f32 = 7.0;

/// Dots a module that no limit of the user's goes below: a single dot is heat or ink that ran, as often as not. Common
/// practice, no source.
const LEAST_DOTS: u32 = 2;
/// Dots a module below which a search fails for want of dots.
const LEAST_DOTS_TO_SEARCH: u32 = 3;

/// The printer, and the limits that hold for it.
#[derive(Debug, Clone, Copy)]
pub struct Press {
    pub dpi: u32,
    pub least_module_mm: f32,
    pub least_contrast: f32,
}

impl Default for Press {
    fn default() -> Self {
        Self { dpi: 300, least_module_mm: LEAST_MODULE_MM, least_contrast: LEAST_CONTRAST }
    }
}

impl Press {
    /// Side of one dot, mm.
    pub fn dot_mm(&self) -> f32 {
        INCH_MM / self.dpi as f32
    }
}

/// Where a symbol lies on its label, in whole dots of the printer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct QrSpot {
    pub dots: u32,
    /// Left edge of the quiet zone, dots from the label's left.
    pub left: i64,
    /// Top edge of the quiet zone, dots from the label's top.
    pub top: i64,
    /// Modules across, quiet zone counted.
    pub modules: u32,
}

impl QrSpot {
    /// Chooses the largest module of whole dots that fits into the place, and
    /// centres the symbol on whole dots.
    fn choose(program: &Program, symbol: &Symbol, press: &Press) -> Result<Self, LabelError> {
        let area = program.qr.area;
        let dot = press.dot_mm();
        let modules = symbol.width_with_quiet_zone();
        let box_mm = area.width().min(area.height());
        // A thousandth of a dot forgives the rounding of coordinates, nothing that prints.
        let dots = (box_mm / dot / modules as f32 + 1e-3).floor().max(0.0) as u32;
        let least_dots = ((press.least_module_mm / dot - 1e-3).ceil() as u32).max(LEAST_DOTS);
        if dots < least_dots {
            return Err(LabelError::TooSmall {
                modules,
                box_mm,
                dpi: press.dpi,
                module_mm: dots as f32 * dot,
                least_mm: press.least_module_mm.max(LEAST_DOTS as f32 * dot),
                needed_mm: (least_dots * modules) as f32 * dot,
            });
        }
        let side = (dots * modules) as f32;
        let start = |from: f32, extent: f32| ((from + extent / 2.0) / dot - side / 2.0).round() as i64;
        let spot =
            Self { dots, left: start(area.left(), area.width()), top: start(area.top(), area.height()), modules };
        let edge = |mm: f32| (mm / dot + 1e-3).floor() as i64;
        let side = i64::from(dots * modules);
        let inside = spot.left >= 0
            && spot.top >= 0
            && spot.left + side <= edge(program.size_mm.0)
            && spot.top + side <= edge(program.size_mm.1);
        if inside { Ok(spot) } else { Err(LabelError::QuietZoneCut) }
    }

    /// Module side, mm.
    pub fn module_mm(&self, press: &Press) -> f32 {
        self.dots as f32 * press.dot_mm()
    }

    /// Top left corner of the symbol itself, mm.
    pub fn symbol_mm(&self, press: &Press) -> (f32, f32) {
        let quiet = i64::from(QUIET_ZONE * self.dots);
        ((self.left + quiet) as f32 * press.dot_mm(), (self.top + quiet) as f32 * press.dot_mm())
    }

    /// Symbol and quiet zone, mm.
    pub fn area_mm(&self, press: &Press) -> Option<Rect> {
        let side = (self.dots * self.modules) as f32 * press.dot_mm();
        Rect::from_xywh(self.left as f32 * press.dot_mm(), self.top as f32 * press.dot_mm(), side, side)
    }
}

/// A label with everything in its place, not yet proven.
#[derive(Clone)]
pub struct Laid<'t> {
    pub(crate) program: &'t Program,
    pub(crate) press: Press,
    /// Lines with values, in the order of the program's steps.
    pub(crate) lines: Vec<Line>,
    pub(crate) symbol: Symbol,
    pub(crate) spot: QrSpot,
    payload: zeroize::Zeroizing<String>,
}

impl std::fmt::Debug for Laid<'_> {
    // All that is on a label gives away its passcode.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Laid").field("spot", &self.spot).finish_non_exhaustive()
    }
}

/// Lays out one unit's label.
///
/// # Errors
///
/// [`LabelError`] for the first rule that the label breaks: values, letters,
/// what sticks out or overlaps, the size of the symbol, the mark of a test
/// product.
pub fn lay<'t>(template: &'t Template, data: &LabelData, press: &Press) -> Result<Laid<'t>, LabelError> {
    data.check()?;
    let program = template.program(data.test);
    if data.test && !program.has_place("test") {
        return Err(LabelError::NoTestMark);
    }
    let symbol = Symbol::encode(&data.qr)?;
    let spot = QrSpot::choose(program, &symbol, press)?;
    let mut lines = Vec::with_capacity(program.steps.len());
    for plan in program.lines() {
        lines.push(plan.place(&|name| data.value(name))?);
    }
    let laid = Laid { program, press: *press, lines, symbol, spot, payload: data.qr.clone() };
    laid.check_places()?;
    Ok(laid)
}

impl<'t> Laid<'t> {
    /// Lines with values stay on the label, off the symbol and off each other.
    fn check_places(&self) -> Result<(), LabelError> {
        let (width, height) = self.program.size_mm;
        let quiet = self.spot.area_mm(&self.press);
        let inked: Vec<(&Line, Rect)> = self.lines.iter().filter_map(|l| Some((l, l.ink?))).collect();
        for (i, (line, ink)) in inked.iter().enumerate() {
            let by_mm = (-ink.left()).max(-ink.top()).max(ink.right() - width).max(ink.bottom() - height);
            if by_mm > 0.01 {
                return Err(LabelError::Outside { text: line.named.clone(), by_mm });
            }
            if let Some(hit) = quiet.and_then(|q| overlap(&q, ink)) {
                return Err(LabelError::QuietZone { x_mm: hit.left(), y_mm: hit.top() });
            }
            // A slanting line's bounds say too little about where its ink is.
            if !is_upright(line.transform) {
                continue;
            }
            let still = self.program.steps.iter().flat_map(|s| match s {
                Step::Still(art) => art.as_slice(),
                _ => &[],
            });
            let still = still.filter_map(|art| match art {
                crate::art::Art::Line(l) if is_upright(l.transform) => Some((l, l.ink?)),
                _ => None,
            });
            let later = inked[i + 1..].iter().filter(|(l, _)| is_upright(l.transform)).copied();
            for (other, other_ink) in later.chain(still) {
                if overlap(ink, &other_ink).is_some() {
                    return Err(LabelError::Overlap { first: line.named.clone(), second: other.named.clone() });
                }
            }
        }
        Ok(())
    }

    /// Draws the label's own SVG at the printer's resolution, reads the symbol
    /// back with an independent reader, and compares.
    ///
    /// # Errors
    ///
    /// [`LabelError`] for a broken quiet zone, too little contrast, art over
    /// the symbol, or a symbol that reads as anything but its payload.
    pub fn prove(mut self) -> Result<Proven<'t>, LabelError> {
        let started = Instant::now();
        let best = self.symbol.clone();
        // About one payload in 200 happens to look like a finder pattern somewhere, and a reader may then
        // miss the symbol. The next level down is another symbol of the same size; customers' readers
        // are spared the hard one.
        let svg = loop {
            match self.drawn_and_read(Reading::Searched) {
                Err(LabelError::NotReadBack { .. }) => {}
                done => break done?,
            }
            if let Some(below) = self.symbol.level().below() {
                self.symbol = Symbol::encode_up_to(&self.payload, below)?;
                continue;
            }
            // All of them hide from a search. Where that is not for want of dots, the reader may be told
            // where the best one lies: a camera sees it under another angle and finds it.
            let reading = if self.spot.dots < LEAST_DOTS_TO_SEARCH { Reading::Searched } else { Reading::Shown };
            self.symbol = best;
            break self.drawn_and_read(reading)?;
        };
        Ok(Proven { laid: self, svg: Arc::from(svg), taken: started.elapsed() })
    }

    fn drawn_and_read(&self, reading: Reading) -> Result<String, LabelError> {
        let svg = svg::write(self.program, &self.lines, Some((&self.symbol, self.spot, &self.press)));
        proof::prove(&svg, self, &self.payload, reading)?;
        Ok(svg)
    }
}

/// What two rectangles share, if more than a hair.
fn overlap(a: &Rect, b: &Rect) -> Option<Rect> {
    let (left, right) = (a.left().max(b.left()), a.right().min(b.right()));
    let (top, bottom) = (a.top().max(b.top()), a.bottom().min(b.bottom()));
    (right - left > 0.02 && bottom - top > 0.02).then(|| Rect::from_ltrb(left, top, right, bottom)).flatten()
}

/// A label whose symbol was read back and is its unit's payload.
#[derive(Clone)]
pub struct Proven<'t> {
    pub(crate) laid: Laid<'t>,
    svg: Arc<str>,
    taken: Duration,
}

impl std::fmt::Debug for Proven<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Proven").field("spot", &self.laid.spot).finish_non_exhaustive()
    }
}

impl Proven<'_> {
    /// The label as SVG, letters as outlines.
    pub fn svg(&self) -> &str {
        &self.svg
    }

    /// The label as PNG at the press's resolution, on white.
    ///
    /// # Errors
    ///
    /// [`LabelError::Unsound`] where the drawing fails.
    pub fn png(&self) -> Result<Vec<u8>, LabelError> {
        crate::raster::png(&self.svg, self.laid.program.size_mm, self.laid.press.dpi)
    }

    /// Side of one module as printed, mm.
    pub fn module_mm(&self) -> f32 {
        self.laid.spot.module_mm(&self.laid.press)
    }

    /// Dots a module.
    pub fn module_dots(&self) -> u32 {
        self.laid.spot.dots
    }

    /// Time it took to draw the symbol and read it back.
    pub fn proving_time(&self) -> Duration {
        self.taken
    }
}
