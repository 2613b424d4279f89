//! A checked template, resolved into what is the same on every label and what is not.
//!
//! The resolver (styles, units, references, groups) is a library's; this file
//! turns its tree into [`Step`]s and refuses what one-colour printing, or a
//! line of values, can't keep.

use std::borrow::Cow;
use std::sync::{Arc, LazyLock, Mutex};

use usvg::{Group, ImageKind, Node, Paint, Text};

use crate::art::{Art, Clip, Path, Picture, Rect, Rgb, Shape, Stroke, Transform, is_upright};
use crate::error::TemplateError;
use crate::fonts::{CODES, Face, WORDS};
use crate::layout::LinePlan;
use crate::template::SIDES_MM;
use crate::template::guard::{Fit, Guarded, guard_picture};
use crate::template::lines::lines;

/// CSS reference pixel in millimetres: 1/96 of 25.4 mm (CSS Values 4, 6.2).
const PIXEL_MM: f32 = 25.4 / 96.0;
/// Most pixels of a picture.
const MOST_PIXELS: u64 = 16_000_000;
/// Shortest dash, mm; shorter ones don't print and cost without bound.
const SHORTEST_DASH_MM: f32 = 0.05;

/// A template for one kind of product.
#[derive(Debug, Clone)]
pub struct Program {
    /// Width and height, mm.
    pub size_mm: (f32, f32),
    /// What is drawn, first to last.
    pub steps: Vec<Step>,
    pub qr: QrPlace,
}

/// One thing to draw.
#[derive(Debug, Clone)]
pub enum Step {
    /// The same on every label.
    Still(Vec<Art>),
    /// A line with values.
    Line(LinePlan),
    /// The symbol.
    Qr,
}

/// Where the symbol goes.
#[derive(Debug, Clone, Copy)]
pub struct QrPlace {
    /// The box for symbol and quiet zone, mm.
    pub area: Rect,
    /// Colour of its dark modules.
    pub color: Rgb,
}

impl Program {
    /// All lines with values.
    pub fn lines(&self) -> impl Iterator<Item = &LinePlan> {
        self.steps.iter().filter_map(|s| match s {
            Step::Line(line) => Some(line),
            _ => None,
        })
    }

    /// Whether it has the place `name`.
    pub fn has_place(&self, name: &str) -> bool {
        self.lines().any(|line| line.places().any(|p| p == name))
    }
}

/// Resolves a checked template.
///
/// # Errors
///
/// The first thing that a label can't keep, with the remedy.
pub fn compile(name: &str, guarded: &Guarded, test: bool) -> Result<Program, TemplateError> {
    let refuse = |(what, advice): Broken| TemplateError { name: name.into(), what, advice };
    let pictures = Arc::new(Mutex::new(Vec::new()));
    let options = options(&pictures);
    let svg = guarded.variant(test);
    let tree = usvg::Tree::from_str(&svg, &options)
        .map_err(|e| refuse((format!("can't be drawn: {e}"), "Save it as plain SVG.".into())))?;
    if let Some(broken) = pictures.lock().ok().and_then(|mut list| list.pop()) {
        return Err(refuse((broken, "Save the picture again, as PNG or plain SVG.".into())));
    }
    let size_mm = (tree.size().width() * PIXEL_MM, tree.size().height() * PIXEL_MM);
    if !SIDES_MM.contains(&size_mm.0) || !SIDES_MM.contains(&size_mm.1) {
        return Err(refuse((
            format!("is {:.1} by {:.1} mm", size_mm.0, size_mm.1),
            format!("Make each side {} to {} mm.", SIDES_MM.start(), SIDES_MM.end()),
        )));
    }
    let mut compiler = Compiler { guarded, steps: Vec::new(), qr: None };
    let to_mm = Transform::from_scale(PIXEL_MM, PIXEL_MM);
    compiler.group(tree.root(), to_mm).map_err(refuse)?;
    let qr = compiler.qr.ok_or_else(|| {
        let kind = if test { "test" } else { "production" };
        refuse((
            format!("shows no qr place on labels of {kind} products"),
            "Move it out of <defs>, hidden groups and data-if.".into(),
        ))
    })?;
    let program = Program { size_mm, steps: compiler.steps, qr };
    // The label of a carton with several units has no one manual code: each unit has its own label.
    if !program.has_place("manual") && !program.has_place("count") {
        return Err(refuse((
            "has no place {manual}".into(),
            "Add a text with {manual}: when the symbol is scratched, the code is the only way in. The label of a carton \
             with several units has {count} in its place."
                .into(),
        )));
    }
    Ok(program)
}

/// Resolves a drawing of our own, a chart for instance: shapes and lines, no places.
///
/// - `to_mm`: from the drawing's units to millimetres.
///
/// # Errors
///
/// What can't be drawn, in the words of the label rules; a fault of this program.
pub(crate) fn drawing(svg: &str, to_mm: Transform) -> Result<Vec<Art>, String> {
    // What the fonts lack is shown as a question mark rather than refused; braces stand for themselves.
    let font = Face::Words.font();
    let svg: String = svg.chars().map(|c| if font.has(c) || c.is_whitespace() { c } else { '?' }).collect();
    let svg = svg.replace('{', "{{").replace('}', "}}");
    let tree = usvg::Tree::from_str(&svg, &options(&Arc::default())).map_err(|e| e.to_string())?;
    let guarded = Guarded::without_places();
    let mut compiler = Compiler { guarded: &guarded, steps: Vec::new(), qr: None };
    compiler.group(tree.root(), to_mm).map_err(|(what, _)| what)?;
    only_still(compiler.steps, "has a place").map_err(|(what, _)| what)
}

/// What broke, and the remedy.
pub(super) type Broken = (String, String);

fn broken<T>(what: impl Into<String>, advice: impl Into<String>) -> Result<T, Broken> {
    Err((what.into(), advice.into()))
}

/// Fonts for the resolver: ours and no others.
static FONTS: LazyLock<Arc<usvg::fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = usvg::fontdb::Database::new();
    for face in Face::ALL {
        fonts.load_font_data(face.file().to_vec());
    }
    // Any text must survive to be judged here; an unknown family is refused below by its name.
    fonts.set_serif_family(WORDS);
    fonts.set_sans_serif_family(WORDS);
    fonts.set_cursive_family(WORDS);
    fonts.set_fantasy_family(WORDS);
    fonts.set_monospace_family(CODES);
    Arc::new(fonts)
});

/// Stands in for "no font-family"; not a name that a font could have.
pub(super) const NO_FAMILY: &str = "\u{1}";

fn options(broken: &Arc<Mutex<Vec<String>>>) -> usvg::Options<'static> {
    let broken = Arc::clone(broken);
    let note = move |what: String| {
        if let Ok(mut list) = broken.lock() {
            list.push(what);
        }
        None
    };
    let resolve_data = move |mime: &str, data: Arc<Vec<u8>>, options: &usvg::Options<'_>| match mime {
        "image/png" => match decode_png(&data) {
            Ok(_) => Some(ImageKind::PNG(data)),
            Err(why) => note(format!("has a picture that can't be used: {why}")),
        },
        "image/svg+xml" => {
            let read = std::str::from_utf8(&data).map_err(|e| e.to_string()).and_then(|text| {
                guard_picture(text)?;
                usvg::Tree::from_data_nested(text.as_bytes(), options).map_err(|e| e.to_string())
            });
            match read {
                Ok(tree) => Some(ImageKind::SVG(tree)),
                Err(why) => note(format!("has an SVG picture that {why}")),
            }
        }
        other => note(format!("has a picture of the kind {other}")),
    };
    usvg::Options {
        dpi: 96.0,
        font_family: NO_FAMILY.into(),
        fontdb: Arc::clone(&FONTS),
        image_href_resolver: usvg::ImageHrefResolver {
            resolve_data: Box::new(resolve_data),
            resolve_string: Box::new(|_, _| None),
        },
        ..usvg::Options::default()
    }
}

/// Pixels of a PNG: width, height, and 8-bit RGBA.
pub(crate) fn decode_png(file: &[u8]) -> Result<(u32, u32, Vec<u8>), String> {
    let mut decoder = png::Decoder::new_with_limits(
        std::io::Cursor::new(file),
        png::Limits { bytes: 4 * MOST_PIXELS as usize + (1 << 20) },
    );
    decoder.set_transformations(png::Transformations::normalize_to_color8() | png::Transformations::ALPHA);
    let mut reader = decoder.read_info().map_err(|e| e.to_string())?;
    let (width, height) = (reader.info().width, reader.info().height);
    if u64::from(width) * u64::from(height) > MOST_PIXELS {
        return Err(format!("it has {width} by {height} pixels; the limit is {MOST_PIXELS} in total"));
    }
    let mut pixels = vec![0; reader.output_buffer_size().ok_or("it is too large")?];
    let frame = reader.next_frame(&mut pixels).map_err(|e| e.to_string())?;
    pixels.truncate(frame.buffer_size());
    let rgba = match frame.color_type {
        png::ColorType::Rgba => pixels,
        png::ColorType::GrayscaleAlpha => pixels.chunks_exact(2).flat_map(|p| [p[0], p[0], p[0], p[1]]).collect(),
        other => return Err(format!("its colours ({other:?}) are not known")),
    };
    Ok((width, height, rgba))
}

struct Compiler<'g> {
    guarded: &'g Guarded,
    steps: Vec<Step>,
    qr: Option<QrPlace>,
}

impl Compiler<'_> {
    fn still(&mut self, art: Art) {
        match self.steps.last_mut() {
            Some(Step::Still(list)) => list.push(art),
            _ => self.steps.push(Step::Still(vec![art])),
        }
    }

    fn group(&mut self, group: &Group, base: Transform) -> Result<(), Broken> {
        plain_group(group)?;
        if let Some(clip) = group.clip_path() {
            let paths = clip_paths(clip, base.pre_concat(group.abs_transform()))?;
            let mut inner = Compiler { guarded: self.guarded, steps: Vec::new(), qr: None };
            inner.children(group, base)?;
            let inside = only_still(inner.steps, "has a place inside a clipped group")?;
            self.still(Art::Clip(Clip { paths, inside }));
            return Ok(());
        }
        self.children(group, base)
    }

    fn children(&mut self, group: &Group, base: Transform) -> Result<(), Broken> {
        for node in group.children() {
            match node {
                Node::Group(inner) => self.group(inner, base)?,
                Node::Path(path) if !path.id().is_empty() && path.id() == self.guarded.qr => {
                    self.qr_place(path, base)?
                }
                Node::Path(path) => {
                    if path.is_visible()
                        && let Some(shape) = shape(path, base.pre_concat(path.abs_transform()))?
                    {
                        self.still(Art::Shape(shape));
                    }
                }
                Node::Image(image) => self.image(image, base)?,
                Node::Text(text) => self.text(text, base)?,
            }
        }
        Ok(())
    }

    fn qr_place(&mut self, path: &usvg::Path, base: Transform) -> Result<(), Broken> {
        if self.qr.is_some() {
            return broken("draws its qr place twice", "Keep one, and do not refer to it with <use>.");
        }
        let transform = base.pre_concat(path.abs_transform());
        // Four straight sides: a rounded rect has curves.
        let sides = path.data().segments().filter(|s| !matches!(s, usvg::tiny_skia_path::PathSegment::Close)).count();
        if !is_upright(transform) || sides > 5 {
            return broken(
                "has a qr place that is turned, skewed or rounded",
                "Draw a plain <rect>, upright or in quarter turns.",
            );
        }
        if path.stroke().is_some() {
            return broken(
                "has a qr place with a stroke, which would break the quiet zone",
                "Remove the stroke; the fill is the symbol's colour.",
            );
        }
        let area = path.data().bounds().transform(transform);
        let Some(area) = area.filter(|a| a.width() > 0.0 && a.height() > 0.0) else {
            return broken("has a qr place without a size", "Give the <rect> a width and a height.");
        };
        let color = match path.fill() {
            Some(fill) => solid(fill.paint(), fill.opacity().get())?,
            None => Rgb::default(),
        };
        self.qr = Some(QrPlace { area, color });
        self.steps.push(Step::Qr);
        Ok(())
    }

    fn image(&mut self, image: &usvg::Image, base: Transform) -> Result<(), Broken> {
        if !image.is_visible() {
            return Ok(());
        }
        let transform = base.pre_concat(image.abs_transform());
        match image.kind() {
            ImageKind::PNG(file) => {
                let size = (image.size().width() as u32, image.size().height() as u32);
                let crisp = image.rendering_mode() != usvg::ImageRendering::OptimizeQuality;
                self.still(Art::Picture(Picture { file: Arc::clone(file), size, transform, crisp }));
                Ok(())
            }
            ImageKind::SVG(tree) => {
                // A picture shows nothing beyond its own frame.
                let frame = Rect::from_xywh(0.0, 0.0, tree.size().width(), tree.size().height())
                    .map(usvg::tiny_skia_path::PathBuilder::from_rect)
                    .and_then(|p| p.transform(transform));
                let Some(frame) = frame else { return Ok(()) };
                let mut inner = Compiler { guarded: self.guarded, steps: Vec::new(), qr: None };
                inner.group(tree.root(), transform)?;
                let inside = only_still(inner.steps, "has a place inside a picture")?;
                self.still(Art::Clip(Clip { paths: vec![(frame, false)], inside }));
                Ok(())
            }
            _ => broken("has a picture that is neither PNG nor SVG", "Save it as PNG."),
        }
    }

    fn text(&mut self, text: &Text, base: Transform) -> Result<(), Broken> {
        let fit = self.guarded.fits.get(text.id()).copied().unwrap_or(Fit { max_width: None, least_mm: None });
        for line in lines(text, base.pre_concat(text.abs_transform()), fit)? {
            if line.places().next().is_some() {
                self.steps.push(Step::Line(line));
                continue;
            }
            match line.place(&|_| None::<Cow<'_, str>>) {
                Ok(placed) if placed.ink.is_some() => self.still(Art::Line(placed)),
                Ok(_) => {}
                Err(error) => return broken(format!("has a text that can't be printed: {error}"), error.advice()),
            }
        }
        Ok(())
    }
}

/// All that is drawn, where none of it may be a place.
fn only_still(steps: Vec<Step>, what: &str) -> Result<Vec<Art>, Broken> {
    let mut all = Vec::new();
    for step in steps {
        match step {
            Step::Still(art) => all.extend(art),
            Step::Line(_) | Step::Qr => return broken(what, "Move the place out of it."),
        }
    }
    Ok(all)
}

/// Refuses what one colour can't show.
fn plain_group(group: &Group) -> Result<(), Broken> {
    let what = if !group.filters().is_empty() {
        "a filter"
    } else if group.mask().is_some() {
        "a mask"
    } else if group.opacity().get() < 1.0 {
        "an opacity"
    } else if group.blend_mode() != usvg::BlendMode::Normal {
        "a blend mode"
    } else {
        return Ok(());
    };
    broken(format!("uses {what}, but label printers have no grey"), "Draw in solid colours.")
}

pub(super) fn solid(paint: &Paint, opacity: f32) -> Result<Rgb, Broken> {
    match paint {
        Paint::Color(color) if opacity >= 1.0 => Ok(Rgb::from(*color)),
        Paint::Color(_) => {
            broken("uses a transparent colour, but label printers have no grey", "Draw in solid colours.")
        }
        _ => broken("uses a gradient or a pattern, but label printers have no grey", "Draw in solid colours."),
    }
}

fn shape(path: &usvg::Path, transform: Transform) -> Result<Option<Shape>, Broken> {
    if path.paint_order() != usvg::PaintOrder::FillAndStroke && path.fill().is_some() && path.stroke().is_some() {
        return broken("paints an edge under its fill (paint-order)", "Draw two shapes.");
    }
    let fill = match path.fill() {
        Some(f) => Some((solid(f.paint(), f.opacity().get())?, f.rule() == usvg::FillRule::EvenOdd)),
        None => None,
    };
    let stroke = match path.stroke() {
        Some(s) => {
            let dashes = s.dasharray().map(<[f32]>::to_vec).unwrap_or_default();
            let period: f32 = dashes.iter().sum::<f32>() * crate::art::scale_of(transform);
            if !dashes.is_empty() && period < 2.0 * SHORTEST_DASH_MM {
                return broken(
                    format!("has a line with dashes shorter than {SHORTEST_DASH_MM} mm"),
                    "Make them longer, or the line solid.",
                );
            }
            Some(Stroke {
                color: solid(s.paint(), s.opacity().get())?,
                width: s.width().get(),
                cap: s.linecap(),
                join: s.linejoin(),
                miter_limit: s.miterlimit().get(),
                dashes,
                dash_offset: s.dashoffset(),
            })
        }
        None => None,
    };
    if fill.is_none() && stroke.is_none() {
        return Ok(None);
    }
    Ok(Some(Shape { path: path.data().clone(), transform, fill, stroke }))
}

fn clip_paths(clip: &usvg::ClipPath, base: Transform) -> Result<Vec<(Path, bool)>, Broken> {
    if clip.clip_path().is_some() {
        return broken("cuts a clip with another clip", "Flatten the clip to one path.");
    }
    let mut paths = Vec::new();
    collect_clip(clip.root(), base.pre_concat(clip.transform()), &mut paths)?;
    Ok(paths)
}

fn collect_clip(group: &Group, transform: Transform, paths: &mut Vec<(Path, bool)>) -> Result<(), Broken> {
    if group.clip_path().is_some() {
        return broken("cuts a clip with another clip", "Flatten the clip to one path.");
    }
    for node in group.children() {
        match node {
            Node::Group(inner) => collect_clip(inner, transform.pre_concat(inner.transform()), paths)?,
            Node::Path(path) => {
                let Some(fill) = path.fill().filter(|_| path.is_visible()) else { continue };
                if let Some(moved) = path.data().clone().transform(transform) {
                    paths.push((moved, fill.rule() == usvg::FillRule::EvenOdd));
                }
            }
            Node::Text(_) => return broken("clips with a text", "Turn the text into a path."),
            Node::Image(_) => {}
        }
    }
    Ok(())
}
