//! The tape: chips of a reel in order, on a tape that winds to and fro.

use super::{Chart, Draw, WIDE};
use crate::number::text as number;
use crate::paper::safe;

/// What became of a chip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    /// Untouched: a dot.
    Blank,
    /// Given to a unit: a half-filled dot.
    Held,
    /// Written, proven, locked: a notched hexagon.
    Provisioned,
    /// Of no further use: a crossed dot.
    Scrapped,
}

impl Fate {
    fn word(self) -> &'static str {
        match self {
            Self::Blank => "blank",
            Self::Held => "held",
            Self::Provisioned => "provisioned",
            Self::Scrapped => "scrapped",
        }
    }

    /// The shape about the origin, 10 by 10.
    fn shape(self) -> &'static str {
        match self {
            Self::Blank => r##"<circle r="1.8" fill="var(--quiet)"/>"##,
            Self::Held => {
                r##"<circle r="3.4" fill="none" stroke="var(--heed)" stroke-width="1.3"/><path d="M0-3.4A3.4 3.4 0 0 0 0 3.4Z" fill="var(--heed)"/>"##
            }
            Self::Provisioned => {
                r##"<path d="M-1.2-4.6L-4-3 -4 2.3 0 4.6 4 2.3 4-2.3 1.2-4 0-2Z" fill="var(--struck)"/>"##
            }
            Self::Scrapped => {
                r##"<circle r="3.6" fill="none" stroke="var(--broken)" stroke-width="1.3"/><path d="M-2.5-2.5L2.5 2.5M2.5-2.5L-2.5 2.5" stroke="var(--broken)" stroke-width="1.5"/>"##
            }
        }
    }
}

/// Chips in order, at most a few thousand: more tell nothing as single shapes.
pub fn tape(chips: &[(String, Fate)], label: &str) -> Chart {
    const ACROSS: usize = 60;
    const STEP: f32 = 12.5;
    let rows = chips.len().div_ceil(ACROSS);
    let mut draw = Draw::new(WIDE, rows as f32 * STEP + 4.0);
    for row in 0..rows {
        let y = row as f32 * STEP + 8.0;
        draw.line(&[(2.0, y), (WIDE - 2.0, y)], "line", 9.6, "");
    }
    for (index, (chip, fate)) in chips.iter().enumerate() {
        let (row, column) = (index / ACROSS, index % ACROSS);
        // Every second row runs back, as a tape does.
        let column = if row % 2 == 0 { column } else { ACROSS - 1 - column };
        draw.raw(&format!(
            r#"<g transform="translate({} {})"><title>{} {}</title>{}</g>"#,
            number(column as f32 * STEP + 11.0),
            number(row as f32 * STEP + 8.0),
            safe(chip),
            fate.word(),
            fate.shape()
        ));
    }
    draw.finish(label)
}
