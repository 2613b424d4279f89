//! Where labels lie on paper: sheets with a grid, and rolls.

use crate::error::RunError;
use crate::label::Press;

/// Kinds of paper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Paper {
    /// 210 by 297 mm (ISO 216).
    A4,
    /// 8.5 by 11 inches.
    Letter,
    /// Any sheet, mm.
    Sheet(f32, f32),
    /// A roll: each page is one row of labels and no more.
    Roll,
}

/// How labels are to lie; what is left out is chosen.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Grid {
    /// Rows and columns; left out: as many as fit, on a roll one.
    pub cells: Option<(u32, u32)>,
    /// Left and top margin, mm; left out: the grid is centred (on a roll, 0).
    pub margin_mm: Option<(f32, f32)>,
    /// Gap between columns and between rows, mm; left out: 2 on a sheet, 0 on a roll.
    pub gap_mm: Option<(f32, f32)>,
    /// Cells left empty on the first page, for a sheet already begun.
    pub skip: u32,
}

/// Labels on paper, settled.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Page width and height, mm.
    pub page_mm: (f32, f32),
    /// Top left corner of each cell, mm, row by row; whole dots of the printer.
    pub cells: Vec<(f32, f32)>,
    /// Cells left empty on the first page.
    pub skip: u32,
}

/// Most cells on a page.
const MOST_CELLS: u32 = 10_000;
/// Room that is left around a grid which is chosen here, mm: office printers don't reach further.
const EDGE_MM: f32 = 8.0;

impl Sheet {
    /// Settles where labels of a size lie.
    ///
    /// # Errors
    ///
    /// [`RunError::Sheet`] where they don't fit, with the numbers.
    pub fn settle(paper: Paper, grid: Grid, label_mm: (f32, f32), press: &Press) -> Result<Self, RunError> {
        let refuse = |what: String, advice: &str| Err(RunError::Sheet { what, advice: advice.into() });
        let (width, height) = label_mm;
        let numbers = [grid.margin_mm, grid.gap_mm].into_iter().flatten();
        if numbers.into_iter().any(|(a, b)| !a.is_finite() || !b.is_finite() || a < 0.0 || b < 0.0) {
            return refuse("a margin or a gap is negative".into(), "Give lengths in millimetres, 0 or more.");
        }
        let (sheet_w, sheet_h) = match paper {
            Paper::A4 => (210.0, 297.0),
            Paper::Letter => (215.9, 279.4),
            Paper::Sheet(w, h) => (w, h),
            Paper::Roll => (0.0, 0.0),
        };
        let roll = paper == Paper::Roll;
        if !roll && [sheet_w, sheet_h].iter().any(|side| !(10.0..=2000.0).contains(side)) {
            return refuse(format!("a sheet of {sheet_w} by {sheet_h} mm"), "Give 10 to 2000 mm per side.");
        }
        let (gap_x, gap_y) = grid.gap_mm.unwrap_or(if roll { (0.0, 0.0) } else { (2.0, 2.0) });
        let fit = |room: f32, side: f32, gap: f32| ((room + gap + 0.01) / (side + gap)).floor().max(0.0) as u32;
        let (rows, columns) = match grid.cells {
            Some(cells) => cells,
            None if roll => (1, 1),
            None => {
                let (left, top) = grid.margin_mm.unwrap_or((EDGE_MM, EDGE_MM));
                (fit(sheet_h - 2.0 * top, height, gap_y), fit(sheet_w - 2.0 * left, width, gap_x))
            }
        };
        let Some(cells) = rows.checked_mul(columns).filter(|n| (1..=MOST_CELLS).contains(n)) else {
            let what = format!(
                "{rows} rows of {columns} labels of {width:.1} by {height:.1} mm on {sheet_w:.1} by {sheet_h:.1} mm"
            );
            return refuse(what, "Choose larger paper, smaller margins or a smaller template.");
        };
        let block = |n: u32, side: f32, gap: f32| n as f32 * side + (n - 1) as f32 * gap;
        let (block_w, block_h) = (block(columns, width, gap_x), block(rows, height, gap_y));
        let (left, top) = grid.margin_mm.unwrap_or(if roll {
            (0.0, 0.0)
        } else {
            ((sheet_w - block_w) / 2.0, (sheet_h - block_h) / 2.0)
        });
        let page_mm = if roll { (block_w + 2.0 * left, block_h + 2.0 * top) } else { (sheet_w, sheet_h) };
        let over = (left + block_w - page_mm.0).max(top + block_h - page_mm.1);
        if left < -0.01 || top < -0.01 || over > 0.01 {
            let what = format!(
                "{rows} rows of {columns} labels of {width:.1} by {height:.1} mm need {block_w:.1} by {block_h:.1} mm, \
                 but the sheet has {:.1} by {:.1} mm from the margin on",
                page_mm.0 - left.max(0.0),
                page_mm.1 - top.max(0.0)
            );
            return refuse(what, "Give fewer rows or columns, or smaller gaps and margins.");
        }
        if grid.skip >= cells {
            let what = format!("{} cells to skip, but a page has {cells}", grid.skip);
            return refuse(what, "Skip fewer than a page has.");
        }
        // On whole dots, so that a symbol which is in whole dots on its label is so on paper too.
        let dot = press.dot_mm();
        let snap = |mm: f32| (mm.max(0.0) / dot).round() * dot;
        let cells = (0..rows)
            .flat_map(|row| (0..columns).map(move |column| (row, column)))
            .map(|(row, column)| {
                (snap(left + column as f32 * (width + gap_x)), snap(top + row as f32 * (height + gap_y)))
            })
            .collect();
        Ok(Self { page_mm, cells, skip: grid.skip })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DEVICE: (f32, f32) = (36.0, 22.0);

    fn settle(paper: Paper, grid: Grid) -> Result<Sheet, RunError> {
        Sheet::settle(paper, grid, DEVICE, &Press::default())
    }

    #[test]
    fn as_many_as_fit_are_centred() {
        let sheet = settle(Paper::A4, Grid::default()).unwrap();
        // 194 mm hold 5 of 36 mm with gaps of 2 (188 mm); 281 mm hold 11 of 22 mm (262 mm).
        assert_eq!(sheet.cells.len(), 55);
        let (x, y) = sheet.cells[0];
        assert!((x - 11.0).abs() < 0.05 && (y - 17.5).abs() < 0.05, "{x} {y}");
        let letter = settle(Paper::Letter, Grid::default()).unwrap();
        assert_eq!(letter.page_mm, (215.9, 279.4));
    }

    #[test]
    fn cells_lie_on_whole_dots() {
        let dot = Press::default().dot_mm();
        for (x, y) in settle(Paper::A4, Grid::default()).unwrap().cells {
            for mm in [x, y] {
                assert!((mm / dot - (mm / dot).round()).abs() < 1e-2);
            }
        }
    }

    #[test]
    fn a_roll_is_as_wide_as_its_labels() {
        assert_eq!(settle(Paper::Roll, Grid::default()).unwrap().page_mm, DEVICE);
        let two = Grid { cells: Some((1, 2)), gap_mm: Some((3.0, 0.0)), ..Grid::default() };
        assert_eq!(settle(Paper::Roll, two).unwrap().page_mm, (75.0, 22.0));
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        for grid in [
            Grid { cells: Some((20, 5)), ..Grid::default() },
            Grid { cells: Some((0, 5)), ..Grid::default() },
            Grid { cells: Some((u32::MAX, 5)), ..Grid::default() },
            Grid { margin_mm: Some((-1.0, 0.0)), ..Grid::default() },
            Grid { margin_mm: Some((f32::NAN, 0.0)), ..Grid::default() },
            Grid { skip: 55, ..Grid::default() },
            Grid { cells: Some((11, 5)), margin_mm: Some((30.0, 10.0)), ..Grid::default() },
        ] {
            assert!(matches!(settle(Paper::A4, grid), Err(RunError::Sheet { .. })), "{grid:?}");
        }
        assert!(settle(Paper::Sheet(20.0, 20.0), Grid::default()).is_err());
    }
}
