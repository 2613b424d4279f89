//! The picture of how costs grow: figures of `book growth` as SVG, readable on a light
//! page and on a dark one.
//!
//! Each panel has the same axis along: units, by tens. Ratios and octets a unit are
//! drawn from zero, so that a level line is a level line.

use std::error::Error;
use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;

use super::growth::Size;

/// Draws the figures of `book growth`
#[derive(Debug, clap::Args)]
pub struct Picture {
    /// Directory with the figures
    #[arg(long, default_value = "target/bench/growth")]
    dir: PathBuf,
    /// The file to write
    #[arg(long)]
    svg: PathBuf,
}

/// One line of a panel.
struct Line {
    name: &'static str,
    values: Vec<(u64, f64)>,
    dashed: bool,
}

struct Panel {
    title: &'static str,
    unit: &'static str,
    /// A level that must not be passed, and its name.
    goal: Option<(f64, &'static str)>,
    lines: Vec<Line>,
}

fn line(name: &'static str, dashed: bool, sizes: &[Size], of: impl Fn(&Size) -> Option<f64>) -> Line {
    let values = sizes.iter().filter_map(|s| Some((s.units, of(s).filter(|v| v.is_finite())?))).collect();
    Line { name, values, dashed }
}

fn panels(sizes: &[Size]) -> Vec<Panel> {
    vec![
        Panel {
            title: "A unit's story and a scan",
            unit: "ms, median",
            goal: None,
            lines: vec![
                line("story", false, sizes, |s| Some(s.story_ms.0)),
                line("scan", true, sizes, |s| Some(s.scan_ms.0)),
            ],
        },
        Panel {
            title: "The line's page",
            unit: "ms, median",
            goal: None,
            lines: vec![line("page", false, sizes, |s| Some(s.line_ms.0))],
        },
        Panel {
            title: "A station's host time",
            unit: "of an empty book's",
            goal: Some((1.2, "goal 1.2")),
            lines: vec![line("host", false, sizes, |s| Some(s.host_ms.1 / s.host_ms.0))],
        },
        Panel {
            title: "Reading the whole book",
            unit: "of one read of all rows",
            goal: Some((5.0, "goal 5")),
            lines: vec![
                line("verify", false, sizes, |s| s.whole_seconds.map(|(all, verify, _)| verify / all)),
                line("reconcile", true, sizes, |s| s.whole_seconds.map(|(all, _, reconcile)| reconcile / all)),
            ],
        },
        Panel {
            title: "Verifying, a million units",
            unit: "s",
            goal: None,
            lines: vec![
                line("verify", false, sizes, |s| s.whole_seconds.map(|(_, v, _)| v / s.units as f64 * 1e6)),
                line("reconcile", true, sizes, |s| s.whole_seconds.map(|(_, _, r)| r / s.units as f64 * 1e6)),
            ],
        },
        Panel {
            title: "Size",
            unit: "KB a unit",
            goal: None,
            lines: vec![line("book", false, sizes, |s| Some(s.octets as f64 / s.units as f64 / 1000.0))],
        },
    ]
}

const WIDTH: f64 = 284.0;
const HEIGHT: f64 = 190.0;
const ACROSS: usize = 3;
const STYLE: &str = "text{font:12px system-ui,sans-serif;fill:#4a5568}.t{font-weight:600;fill:#1b2330}\
.g{fill:#fff}.l{stroke:#0b655a;fill:none;stroke-width:2}.d{fill:#0b655a}.a{stroke:#c4bcaa;fill:none}\
.o{stroke:#7a4f00;fill:none;stroke-dasharray:2 3}.k{fill:#7a4f00}\
@media (prefers-color-scheme:dark){text{fill:#aab4c3}.t{fill:#eef1f5}.g{fill:#14181f}.l{stroke:#5cc8b8}\
.d{fill:#5cc8b8}.a{stroke:#3c4452}.o{stroke:#d9a441}.k{fill:#d9a441}}";

/// A number with three digits that count.
fn short(value: f64) -> String {
    match value {
        v if v >= 100.0 => format!("{v:.0}"),
        v if v >= 10.0 => format!("{v:.1}"),
        v if v >= 1.0 => format!("{v:.2}"),
        v => format!("{v:.3}"),
    }
}

fn units(value: u64) -> String {
    match value {
        n if n >= 1_000_000 => format!("{} M", n / 1_000_000),
        n if n >= 1_000 => format!("{} k", n / 1_000),
        n => n.to_string(),
    }
}

fn panel(out: &mut String, p: &Panel, (x, y): (f64, f64)) -> std::fmt::Result {
    let (left, right, top, bottom) = (x + 14.0, x + WIDTH - 102.0, y + 52.0, y + HEIGHT - 26.0);
    let all = || p.lines.iter().flat_map(|l| l.values.iter().copied());
    let most = all().map(|(_, v)| v).chain(p.goal.map(|(g, _)| g)).fold(0.0, f64::max) * 1.1;
    let (low, high) = all().fold((f64::INFINITY, 0.0f64), |(l, h), (u, _)| (l.min(u as f64), h.max(u as f64)));
    let span = (high.log10() - low.log10()).max(1e-9);
    let at_x = |u: u64| {
        if high > low {
            left + 10.0 + ((u as f64).log10() - low.log10()) / span * (right - left - 20.0)
        } else {
            (left + right) / 2.0
        }
    };
    let at_y = |v: f64| bottom - v / most.max(1e-12) * (bottom - top);
    writeln!(out, "<text class=\"t\" x=\"{left}\" y=\"{}\">{}</text>", y + 20.0, p.title)?;
    writeln!(out, "<text x=\"{left}\" y=\"{}\">{}</text>", y + 36.0, p.unit)?;
    writeln!(out, "<path class=\"a\" d=\"M{left} {bottom}H{right}\"/>")?;
    let mut sizes: Vec<u64> = all().map(|(u, _)| u).collect();
    sizes.sort_unstable();
    sizes.dedup();
    for size in sizes {
        let x = at_x(size);
        writeln!(out, "<text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{}</text>", bottom + 16.0, units(size))?;
    }
    if let Some((goal, name)) = p.goal {
        let y = at_y(goal);
        writeln!(out, "<path class=\"o\" d=\"M{left} {y:.1}H{right}\"/>")?;
        writeln!(out, "<text class=\"k\" x=\"{}\" y=\"{:.1}\">{name}</text>", right + 4.0, y + 4.0)?;
    }
    let mut taken: Vec<f64> = p.goal.iter().map(|(goal, _)| at_y(*goal)).collect();
    for l in &p.lines {
        let points: Vec<String> = l.values.iter().map(|(u, v)| format!("{:.1},{:.1}", at_x(*u), at_y(*v))).collect();
        let dashes = if l.dashed { " stroke-dasharray=\"6 3\"" } else { "" };
        writeln!(out, "<polyline class=\"l\"{dashes} points=\"{}\"/>", points.join(" "))?;
        for (u, v) in &l.values {
            writeln!(out, "<circle class=\"d\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"3\"/>", at_x(*u), at_y(*v))?;
        }
        if let Some((_, last)) = l.values.last() {
            // Two lines of letters to each label; pushed up where another lies there.
            let mut y = at_y(*last);
            while taken.iter().any(|t| (t - y).abs() < 14.0) {
                y -= 2.0;
            }
            taken.push(y);
            let text = format!("{} {}", l.name, short(*last));
            writeln!(out, "<text x=\"{}\" y=\"{:.1}\">{text}</text>", right + 4.0, y + 4.0)?;
        }
    }
    Ok(())
}

fn draw(sizes: &[Size]) -> Result<String, std::fmt::Error> {
    let panels = panels(sizes);
    let rows = panels.len().div_ceil(ACROSS);
    let (width, height) = (WIDTH * ACROSS as f64, HEIGHT * rows as f64 + 8.0);
    let mut out = String::new();
    writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" role=\"img\">"
    )?;
    writeln!(out, "<title>How costs grow with the units in a book</title><style>{STYLE}</style>")?;
    writeln!(out, "<rect class=\"g\" width=\"{width}\" height=\"{height}\"/>")?;
    for (number, p) in panels.iter().enumerate() {
        panel(&mut out, p, ((number % ACROSS) as f64 * WIDTH, (number / ACROSS) as f64 * HEIGHT))?;
    }
    out.push_str("</svg>\n");
    Ok(out)
}

pub fn run(args: &Picture) -> Result<crate::Measured, Box<dyn Error>> {
    let mut sizes: Vec<Size> = Vec::new();
    for file in fs::read_dir(&args.dir)? {
        let path = file?.path();
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if name.starts_with("growth-") && name.ends_with(".json") {
            sizes.push(serde_json::from_slice(&fs::read(&path)?)?);
        }
    }
    if sizes.is_empty() {
        return Err(format!("{} holds no figures: run `touchmark-bench book growth` first", args.dir.display()).into());
    }
    sizes.sort_by_key(|s| s.units);
    fs::write(&args.svg, draw(&sizes)?)?;
    let words = vec![format!("{} sizes drawn into {}", sizes.len(), args.svg.display())];
    Ok(crate::Measured { json: serde_json::json!({ "sizes": sizes.len(), "svg": args.svg }), words })
}
