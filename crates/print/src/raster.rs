//! Finished label SVG as pixels.

use std::sync::LazyLock;

use resvg::tiny_skia::{Color, Pixmap};

use crate::art::Transform;
use crate::error::LabelError;
use crate::label::INCH_MM;

/// Options for our own SVG: one unit is one millimetre, no fonts, no files.
static OPTIONS: LazyLock<usvg::Options<'static>> = LazyLock::new(|| usvg::Options {
    dpi: INCH_MM,
    image_href_resolver: usvg::ImageHrefResolver {
        resolve_data: usvg::ImageHrefResolver::default_data_resolver(),
        resolve_string: Box::new(|_, _| None),
    },
    ..usvg::Options::default()
});

/// Reads a label's own SVG.
pub(crate) fn read(svg: &str) -> Result<usvg::Tree, LabelError> {
    usvg::Tree::from_str(svg, &OPTIONS).map_err(|e| LabelError::Unsound { why: e.to_string() })
}

/// Draws a part of a label on white: `width` by `height` dots, from the given
/// dot on.
pub(crate) fn draw(
    tree: &usvg::Tree,
    dpi: u32,
    (left, top): (i64, i64),
    (width, height): (u32, u32),
) -> Result<Pixmap, LabelError> {
    let mut pixels =
        Pixmap::new(width, height).ok_or_else(|| LabelError::Unsound { why: format!("{width} by {height} dots") })?;
    pixels.fill(Color::WHITE);
    let scale = dpi as f32 / INCH_MM;
    let transform = Transform::from_translate(-left as f32, -top as f32).pre_scale(scale, scale);
    resvg::render(tree, transform, &mut pixels.as_mut());
    Ok(pixels)
}

/// A whole label as PNG: RGB on white, with its resolution.
pub(crate) fn png(svg: &str, size_mm: (f32, f32), dpi: u32) -> Result<Vec<u8>, LabelError> {
    let tree = read(svg)?;
    let dots = |mm: f32| (mm * dpi as f32 / INCH_MM - 1e-3).ceil().max(1.0) as u32;
    let (width, height) = (dots(size_mm.0), dots(size_mm.1));
    let pixels = draw(&tree, dpi, (0, 0), (width, height))?;
    let rgb: Vec<u8> = pixels.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
    let unsound = |e: png::EncodingError| LabelError::Unsound { why: e.to_string() };
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let per_meter = (dpi as f32 * 1000.0 / INCH_MM).round() as u32;
    encoder.set_pixel_dims(Some(png::PixelDimensions { xppu: per_meter, yppu: per_meter, unit: png::Unit::Meter }));
    let mut writer = encoder.write_header().map_err(unsound)?;
    writer.write_image_data(&rgb).map_err(unsound)?;
    writer.finish().map_err(unsound)?;
    Ok(file)
}
