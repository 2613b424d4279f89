//! Charts as SVG: labelled directly, the same on a page and on paper.
//!
//! Colours are custom properties of the house (`var(--ink)`, `var(--struck)` …),
//! so that a page's light and dark grounds both work; on paper they are put in
//! ([`Chart::for_paper`]). Colour is never the only sign. No chart has a legend
//! or an opacity; whoever shows one puts its numbers in a table underneath.

mod bars;
mod lines;
mod strip;
mod tape;

use std::fmt::Write as _;

pub use bars::{Bar, Cause, Swing, bars, causes, tornado};
pub use lines::{ControlPoint, Curve, Stock, control, curve, stock};
pub use strip::{Interval, Segment, Spread, intervals, spreads, strip};
pub use tape::{Fate, tape};

use crate::art::Rgb;
use crate::fonts::{Face, WORDS};
use crate::number::text as number;
use crate::paper::safe;

/// Width of a chart that spans a report.
pub const WIDE: f32 = 760.0;
/// Width of one in half a report.
pub const HALF: f32 = 420.0;
/// Size of letters.
pub(crate) const LETTERS: f32 = 13.0;

/// The house's colours on a light ground.
const COLORS: [(&str, Rgb); 8] = [
    ("ground", Rgb(0xff, 0xff, 0xff)),
    ("ink", Rgb(0x1b, 0x23, 0x30)),
    ("quiet", Rgb(0x4a, 0x55, 0x68)),
    ("struck", Rgb(0x0b, 0x65, 0x5a)),
    ("broken", Rgb(0xa3, 0x23, 0x1b)),
    ("heed", Rgb(0x7a, 0x4f, 0x00)),
    ("metal", Rgb(0x8a, 0x5a, 0x16)),
    ("line", Rgb(0xc4, 0xbc, 0xaa)),
];

/// A colour on white paper, by its role.
pub(crate) fn paper_color(role: &str) -> Rgb {
    COLORS.iter().find(|(name, _)| *name == role).map_or(Rgb(0, 0, 0), |(_, color)| *color)
}

/// Width of a text in the unit of its size.
pub(crate) fn text_width(face: Face, size: f32, text: &str) -> f32 {
    let font = face.font();
    font.shape(text, true).iter().map(|g| g.advance).sum::<f32>() * size / font.units_per_em
}

/// A drawn chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    pub svg: String,
    pub width: f32,
    pub height: f32,
    /// What it shows, for those who do not see it.
    pub label: String,
}

impl Chart {
    /// The SVG with its colours put in, for paper or a file of its own.
    pub fn for_paper(&self) -> String {
        COLORS.iter().fold(self.svg.clone(), |svg, (name, color)| svg.replace(&format!("var(--{name})"), &color.hex()))
    }
}

/// Where a text's given point lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum At {
    Start,
    Middle,
    End,
}

/// A chart being drawn.
pub(crate) struct Draw {
    out: String,
    width: f32,
    height: f32,
}

impl Draw {
    pub fn new(width: f32, height: f32) -> Self {
        Self { out: String::new(), width, height }
    }

    pub fn text(&mut self, (x, y): (f32, f32), at: At, color: &str, text: &str) {
        self.letters((x, y), at, color, 400, text);
    }

    pub fn bold(&mut self, (x, y): (f32, f32), at: At, color: &str, text: &str) {
        self.letters((x, y), at, color, 700, text);
    }

    fn letters(&mut self, (x, y): (f32, f32), at: At, color: &str, weight: u16, text: &str) {
        let anchor = match at {
            At::Start => "",
            At::Middle => " text-anchor=\"middle\"",
            At::End => " text-anchor=\"end\"",
        };
        let weight = if weight > 400 { " font-weight=\"700\"" } else { "" };
        // Writing to a String can't fail, here and below.
        let _ = write!(
            self.out,
            "<text x=\"{}\" y=\"{}\"{anchor}{weight} fill=\"var(--{color})\">{}</text>",
            number(x),
            number(y),
            safe(text)
        );
    }

    pub fn rect(&mut self, (x, y): (f32, f32), (width, height): (f32, f32), color: &str) {
        if width > 0.0 && height > 0.0 {
            let _ = write!(
                self.out,
                "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"var(--{color})\"/>",
                number(x),
                number(y),
                number(width),
                number(height)
            );
        }
    }

    pub fn outline(&mut self, (x, y): (f32, f32), (width, height): (f32, f32), color: &str) {
        let _ = write!(
            self.out,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"none\" stroke=\"var(--{color})\" stroke-width=\"1.2\"/>",
            number(x),
            number(y),
            number(width.max(0.1)),
            number(height.max(0.1))
        );
    }

    /// A line through points; `dashes` as SVG writes them, empty for a solid one.
    pub fn line(&mut self, points: &[(f32, f32)], color: &str, width: f32, dashes: &str) {
        if points.len() < 2 {
            return;
        }
        let mut path = String::new();
        for (i, (x, y)) in points.iter().enumerate() {
            let _ = write!(path, "{}{} {}", if i == 0 { 'M' } else { 'L' }, number(*x), number(*y));
        }
        let dashes = if dashes.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dashes}\"") };
        let _ = write!(
            self.out,
            "<path d=\"{path}\" fill=\"none\" stroke=\"var(--{color})\" stroke-width=\"{}\"{dashes}/>",
            number(width)
        );
    }

    pub fn dot(&mut self, (x, y): (f32, f32), radius: f32, color: &str) {
        let _ = write!(
            self.out,
            "<circle cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"var(--{color})\"/>",
            number(x),
            number(y),
            number(radius)
        );
    }

    /// The house's sign for what failed: a square split by a crack.
    pub fn cracked(&mut self, (x, y): (f32, f32), half: f32, color: &str) {
        self.rect((x - half, y - half), (2.0 * half, 2.0 * half), color);
        self.line(
            &[(x + half * 0.3, y - half), (x - half * 0.25, y), (x + half * 0.25, y), (x - half * 0.3, y + half)],
            "ground",
            1.2,
            "",
        );
    }

    /// SVG as it is: transforms, titles.
    pub fn raw(&mut self, svg: &str) {
        self.out.push_str(svg);
    }

    pub fn finish(self, label: &str) -> Chart {
        let (width, height) = (number(self.width), number(self.height));
        let svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" font-family=\"{WORDS}\" font-size=\"{LETTERS}\" role=\"img\" aria-label=\"{}\">{}</svg>",
            safe(label),
            self.out
        );
        Chart { svg, width: self.width, height: self.height, label: label.to_owned() }
    }
}

/// Width of plain letters in a chart.
pub(crate) fn letters(text: &str) -> f32 {
    text_width(Face::Words, LETTERS, text)
}

/// A text cut to a width, with an ellipsis where something is missing.
pub(crate) fn cut(text: &str, width: f32) -> String {
    if letters(text) <= width {
        return text.to_owned();
    }
    let mut kept: String = text.to_owned();
    while kept.pop().is_some() {
        let shown = format!("{}…", kept.trim_end());
        if letters(&shown) <= width {
            return shown;
        }
    }
    String::new()
}

/// Round numbers that span a range: at least two, about `wanted`.
pub(crate) fn ticks(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let span = (high - low).max(f64::MIN_POSITIVE);
    let rough = span / wanted.max(1) as f64;
    let power = 10f64.powf(rough.log10().floor());
    let step =
        [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough * 0.999).unwrap_or(power * 10.0);
    let mut value = (low / step).ceil() * step;
    let mut out = Vec::new();
    while value <= high + step * 1e-6 && out.len() < 50 {
        out.push(if value.abs() < step * 1e-9 { 0.0 } else { value });
        value += step;
    }
    out
}

/// A number with its thousands grouped: `50,883`.
pub fn grouped(value: u64) -> String {
    let digits = value.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// A number with its noun: `1 chip`, `1,200 chips`.
pub fn many(count: impl TryInto<u64>, noun: &str) -> String {
    let count = count.try_into().unwrap_or(u64::MAX);
    match noun.strip_suffix('y').filter(|stem| !stem.ends_with(['a', 'e', 'o', 'u'])) {
        _ if count == 1 => format!("1 {noun}"),
        Some(stem) => format!("{} {stem}ies", grouped(count)),
        None => format!("{} {noun}s", grouped(count)),
    }
}

/// A tick's number, as short as its step allows.
pub(crate) fn tick_text(value: f64, step: f64) -> String {
    if step >= 1.0 && value >= 0.0 {
        return grouped(value.round() as u64);
    }
    let decimals = (-step.log10().floor()).clamp(0.0, 6.0) as usize;
    format!("{value:.decimals$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_span_the_range() {
        assert_eq!(ticks(0.0, 1.0, 5), [0.0, 0.2, 0.4, 0.6000000000000001, 0.8, 1.0]);
        assert_eq!(ticks(50_760.0, 50_900.0, 4), [50_800.0, 50_850.0, 50_900.0]);
        assert!(ticks(3.0, 3.0, 4).len() <= 1);
    }

    #[test]
    fn numbers_are_grouped() {
        for (value, text) in [(0, "0"), (999, "999"), (1_000, "1,000"), (50_883, "50,883"), (10_000_000, "10,000,000")]
        {
            assert_eq!(grouped(value), text);
        }
    }

    #[test]
    fn texts_are_cut_to_their_room() {
        assert_eq!(cut("write", 100.0), "write");
        let shown = cut("write certification-declaration", 90.0);
        assert!(shown.ends_with('…') && letters(&shown) <= 90.0, "{shown}");
    }

    /// Every chart is drawn for paper too: parsed, with our letters, without anything left in CSS.
    #[test]
    fn charts_reach_paper() {
        use crate::art::Transform;
        let interval = |name: &str| Interval {
            name: name.into(),
            value: 0.97,
            low: 0.95,
            high: 0.99,
            apart: false,
            words: "97.0 %".into(),
        };
        let point = |failed: u64| ControlPoint {
            name: "06:00".into(),
            share: failed as f64 / 50.0,
            limits: (0.0, 0.4),
            out: failed > 20,
        };
        let charts = [
            bars(&[Bar { name: "lock <&>".into(), value: 3.0, words: "3 ms".into() }], "bars", WIDE),
            causes(&[Cause { name: "{x}".into(), count: 4 }, Cause { name: "漢".into(), count: 1 }], "causes", WIDE),
            tornado(
                &[Swing { name: "yield".into(), low: -3.0, high: 4.0, low_words: "a".into(), high_words: "b".into() }],
                "tornado",
                HALF,
            ),
            control(&[point(3), point(22), point(0)], 0.1, "control", WIDE),
            curve(
                &Curve {
                    points: vec![(1.0, 0.1), (2.0, 0.9)],
                    at: (2.0, 0.9),
                    words: "2 chips".into(),
                    across: "chips".into(),
                },
                "curve",
                HALF,
            ),
            stock(
                &Stock {
                    left: 900.0,
                    per_day: (80.0, 100.0, 120.0),
                    reorder: Some(300.0),
                    days: 14.0,
                    ends: "day 9".into(),
                    across: "days".into(),
                },
                "stock",
                HALF,
            ),
            intervals(&[interval("S1"), interval("S2")], 0.96, "stations", WIDE),
            spreads(
                &[Spread {
                    name: "lock".into(),
                    low: 0.5,
                    median: 1.0,
                    high: 4.0,
                    longest: 40.0,
                    words: "1 ms".into(),
                }],
                "spreads",
                WIDE,
            ),
            strip(&[Segment { name: "lock".into(), value: 3.0, words: "3 ms".into() }], "strip", WIDE),
            tape(&[("01A0".into(), Fate::Scrapped), ("01A1".into(), Fate::Blank)], "tape"),
        ];
        for chart in charts {
            let art = crate::template::compile::drawing(&chart.for_paper(), Transform::identity());
            assert!(!art.unwrap_or_else(|e| panic!("{}: {e}", chart.label)).is_empty(), "{}", chart.label);
            assert!(!chart.for_paper().contains("var("), "{}", chart.label);
            assert!(roxmltree::Document::parse(&chart.svg).is_ok(), "{}", chart.label);
        }
    }
}
