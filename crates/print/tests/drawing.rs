//! What is printed is what the template's author saw: our drawing of a label
//! beside a renderer's of the template itself, values written in by hand.

#![cfg(test)]

mod common;

use std::sync::Arc;

use common::{label, unit};
use print::fonts::Face;
use print::{Press, Template};
use resvg::tiny_skia::{Color, Pixmap, Transform};

const DPI: u32 = 600;

/// Draws SVG with the embedded fonts and nothing of ours.
fn draw(svg: &str, width: u32, height: u32) -> Pixmap {
    let mut fonts = usvg::fontdb::Database::new();
    for face in Face::ALL {
        fonts.load_font_data(face.file().to_vec());
    }
    let options = usvg::Options { fontdb: Arc::new(fonts), dpi: 25.4, ..usvg::Options::default() };
    let tree = usvg::Tree::from_str(svg, &options).expect("sound SVG");
    let mut pixels = Pixmap::new(width, height).expect("a size");
    pixels.fill(Color::WHITE);
    let scale = DPI as f32 / 25.4;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut pixels.as_mut());
    pixels
}

/// Share of the ink that differs, the symbol's place left out.
fn differs(template_svg: &str) -> f32 {
    let template = Template::read("own.svg", template_svg).expect("a sound template");
    let press = Press { dpi: DPI, ..Press::default() };
    let proven = label(&template, &unit(false), &press).expect("a proven label");
    let by_hand = template_svg
        .replace("{manual}", "3497-011-2332")
        .replace("{serial}", "TH26-0417-00382")
        .replace("{product}", "Tern Vent")
        .replace("{vendor}", "Tern &amp; Hollow");
    let (width, height) = template.size_mm();
    let dots = |mm: f32| (mm * DPI as f32 / 25.4).ceil() as u32;
    let (width, height) = (dots(width), dots(height));
    let (ours, theirs) = (draw(proven.svg(), width, height), draw(&by_hand, width, height));
    let in_place = |x: u32, y: u32| x < dots(16.1) && y < dots(16.1);
    let (mut ink, mut apart) = (0.0, 0.0);
    for y in 0..height {
        for x in 0..width {
            if !in_place(x, y) {
                let grey = |p: &Pixmap| p.pixel(x, y).map_or(255.0, |p| f32::from(p.green()));
                ink += 255.0 - grey(&theirs);
                apart += (grey(&ours) - grey(&theirs)).abs();
            }
        }
    }
    assert!(ink > 0.0);
    apart / ink
}

#[test]
fn the_label_looks_like_its_template() {
    let rows = [
        (
            "anchors",
            "<text x='40' y='5' text-anchor='end'>{product}</text><text x='28' y='8' text-anchor='middle'>AVA To. {serial}</text>",
        ),
        (
            "styles",
            "<style>.b{font-weight:700;font-size:3px}</style><text class='b' x='18' y='5'>{product} <tspan font-weight='400' font-size='2'>of it</tspan></text>",
        ),
        ("spacing", "<text x='18' y='5' letter-spacing='0.3' word-spacing='1'>Tern and Hollow</text>"),
        ("no kerning", "<text x='18' y='5' style='font-kerning:none'>AVAVAV {product}</text>"),
        ("turned", "<g transform='translate(36 22) rotate(-90) scale(1.2)'><text>{serial}</text></g>"),
        (
            "lines",
            "<text x='18' y='5'>{product}<tspan x='20' y='8'>{vendor}</tspan><tspan x='20' y='11' font-size='1.9' font-family='Atkinson Hyperlegible Mono'>{serial}</tspan></text>",
        ),
        ("accents", "<text x='18' y='5'>Łódź Žižkov Ağrı façade e\u{301}n\u{303}</text>"),
        (
            "strokes",
            "<path d='M18 3h20v5q-4 6-9 1t-9 2z' fill='#000' stroke='#00f' stroke-width='0.4' stroke-linejoin='round' stroke-dasharray='1 .4'/><path d='M18 20 38 23' stroke='#000' stroke-width='.6' stroke-linecap='round'/>",
        ),
        (
            "skewed stroke",
            "<g transform='skewX(20) scale(1 .5)'><circle cx='24' cy='20' r='4' fill='none' stroke='#000' stroke-width='1'/></g>",
        ),
        ("holes", "<path d='M20 3h10v10h-10z M23 6h4v4h-4z' fill-rule='evenodd'/>"),
        (
            "use and clip",
            "<defs><path id='p' d='M0 0h4v4h-4z'/></defs><clipPath id='c' transform='translate(0 1)'><circle cx='22' cy='6' r='2'/></clipPath><g clip-path='url(#c)'><use href='#p' x='20' y='5'/></g><use href='#p' transform='translate(30 5) rotate(30)'/>",
        ),
        (
            "picture",
            "<image x='24' y='3' width='8' height='8' image-rendering='pixelated' href='data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAIAAAACCAAAAABX3VL4AAAADklEQVR4nGNg+M/wnwEABgAB/4/x/JoAAAAASUVORK5CYII='/>",
        ),
        (
            "picture of shapes",
            "<image x='24' y='3' width='8' height='8' href=\"data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 4 4' width='4' height='4'%3E%3Ccircle cx='2' cy='2' r='2'/%3E%3C/svg%3E\"/>",
        ),
    ];
    let mut shares = Vec::new();
    for (name, inside) in rows {
        let share = differs(&common::template_text(inside));
        shares.push((name, share));
    }
    // Outlines in hundredths of micrometres, and smoothing at edges.
    assert!(shares.iter().all(|(_, share)| *share < 0.01), "{shares:?}");
}
