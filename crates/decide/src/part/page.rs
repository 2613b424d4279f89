//! The times of a part as people read them: in words, as a strip and as a table.

use print::chart::{self, Chart, Segment, WIDE, grouped};
use print::paper::Table;

use super::time::Step;

/// A bus clock in words.
pub fn clock_words(hertz: u32) -> String {
    match hertz {
        0 => "no bus".into(),
        hz if hz % 1_000_000 == 0 => format!("{} MHz", hz / 1_000_000),
        hz if hz % 1_000 == 0 => format!("{} kHz", hz / 1_000),
        hz => format!("{hz} Hz"),
    }
}

/// Milliseconds or seconds.
pub fn time_words(ms: f64) -> String {
    if ms >= 10_000.0 {
        format!("{:.1} s", ms / 1000.0)
    } else if ms >= 1000.0 {
        format!("{:.2} s", ms / 1000.0)
    } else if ms >= 10.0 {
        format!("{ms:.0} ms")
    } else {
        format!("{ms:.1} ms")
    }
}

/// The strip of a unit: the chip's steps, and what else a station does.
pub fn strip_of(steps: &[Step], other_ms: f64, label: &str) -> Chart {
    let mut segments: Vec<Segment> = steps
        .iter()
        .map(|s| Segment { name: s.name.clone(), value: s.total_ms, words: time_words(s.total_ms) })
        .collect();
    if other_ms > 0.0 {
        segments.push(Segment { name: "hands, fixture, record".into(), value: other_ms, words: time_words(other_ms) });
    }
    chart::strip(&segments, label, WIDE)
}

/// The table under the strip: where each millisecond of the chip's steps goes.
pub fn step_table(steps: &[Step]) -> Table {
    let number = |v: f64| if v == 0.0 { "–".to_owned() } else { format!("{v:.1}") };
    let mut rows: Vec<Vec<String>> = steps
        .iter()
        .map(|s| {
            vec![
                s.name.clone(),
                grouped(s.bus_octets),
                number(s.bus_ms),
                number(s.gap_ms + s.protection_ms),
                s.pages.to_string(),
                number(s.write_ms),
                number(s.fetch_ms),
                number(s.sign_ms),
                number(s.other_ms),
                format!("{:.1}", s.total_ms),
            ]
        })
        .collect();
    let sum = |f: fn(&Step) -> f64| number(steps.iter().map(f).sum());
    rows.push(vec![
        "all".into(),
        grouped(steps.iter().map(|s| s.bus_octets).sum()),
        sum(|s| s.bus_ms),
        sum(|s| s.gap_ms + s.protection_ms),
        steps.iter().map(|s| s.pages).sum::<u64>().to_string(),
        sum(|s| s.write_ms),
        sum(|s| s.fetch_ms),
        sum(|s| s.sign_ms),
        sum(|s| s.other_ms),
        sum(|s| s.total_ms),
    ]);
    let head = [
        "step",
        "bytes on bus",
        "bus ms",
        "frames ms",
        "pages",
        "write ms",
        "fetch ms",
        "sign ms",
        "other ms",
        "all ms",
    ];
    Table::new(&head, rows)
}
