//! The tape: a reel as it winds, chips in their order.
//!
//! A short part is drawn mark by mark, each a link to its chip. On a long one marks of one fate that lie side by side
//! are one piece, which leads to that part of the tape: a page with a thousand marks is there as soon as one with ten.

use askama::Template;
use base::Trouble;
use line::floor;
use line::floor::{Cell, Fate, Tape};

use crate::answer::in_address;
use crate::app::App;

/// Marks of the drawing, at most.
const CELLS: i64 = 1_200;
/// Marks in a turn of the tape.
const TURN: usize = 60;
/// So many marks are drawn one by one.
const ONE_BY_ONE: usize = 2 * TURN;
/// Size of a mark and distance of two turns.
const CELL: i64 = 16;
const PITCH: i64 = 30;
/// Where the first mark lies.
const LEFT: i64 = 24;
const TOP: i64 = 8;

#[derive(Template)]
#[template(path = "tape.html")]
struct TapePart {
    reel: String,
    address: String,
    tape: Tape,
    pieces: Vec<Piece>,
    /// Fates that are drawn as whole pieces.
    runs: Vec<Fate>,
    ribbon: String,
    holes: String,
    height: i64,
    stretches: Vec<Stretch>,
}

/// Marks of one fate that lie side by side in a turn, as they are drawn; often a single one.
struct Piece {
    x: i64,
    y: i64,
    width: i64,
    fate: Fate,
    /// Where a click leads.
    to: String,
    says: String,
}

/// Chips of one fate that lie side by side.
struct Stretch {
    from: i64,
    to: i64,
    fate: Fate,
    count: usize,
    address: String,
}

fn shape_of(fate: &Fate) -> &'static str {
    match fate {
        Fate::Passed => "struck",
        Fate::Blank => "dot",
        Fate::Open => "ring",
        Fate::Failed => "cracked",
        Fate::Scrapped => "dot-crossed",
        Fate::Returned => "returned",
        Fate::Without => "tag-crossed",
    }
}

/// The class of a fate, for its colour.
fn class_of(fate: &Fate) -> String {
    fate.word().replace(' ', "-")
}

impl Piece {
    fn is_run(&self) -> bool {
        self.width > CELL
    }
}

fn whole(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(0)
}

fn chip_of(cells: &[Cell]) -> Option<(String, String)> {
    let [cell] = cells else { return None };
    let (chip, unit) = cell.chip.as_ref()?;
    let to = unit
        .as_ref()
        .map_or_else(|| format!("/units?find={}", in_address(chip)), |unit| format!("/units/{}", in_address(unit)));
    let named = unit.as_ref().map_or(String::new(), |unit| format!(", unit {unit}"));
    Some((to, format!("chip {chip} at place {}: {}{named}", cell.from, cell.fate.word())))
}

/// Pieces of a turn of the tape, from its first mark on.
fn pieces(address: &str, turn: usize, cells: &[Cell], one_by_one: bool) -> Vec<Piece> {
    let together = |a: &Cell, b: &Cell| !one_by_one && a.fate == b.fate;
    let mut at = 0;
    cells
        .chunk_by(together)
        .map(|run| {
            // A tape winds: every second turn runs back.
            let column = if turn.is_multiple_of(2) { at } else { TURN - at - run.len() };
            at += run.len();
            let (from, to) = (run[0].from, run[run.len() - 1].to);
            let count: usize = run.iter().map(|cell| cell.count).sum();
            let fate = run[0].fate;
            let (to, says) = chip_of(run).unwrap_or_else(|| {
                let says = format!("places {from} to {to}: {count} {}", fate.word());
                (format!("{address}?from={from}&to={to}"), says)
            });
            let (x, y) = (LEFT + whole(column) * CELL, TOP + whole(turn) * PITCH);
            Piece { x, y, width: whole(run.len()) * CELL, fate, to, says }
        })
        .collect()
}

/// Trouble, the longest stretches first.
fn stretches(address: &str, cells: &[Cell]) -> Vec<Stretch> {
    let mut out: Vec<Stretch> = cells
        .chunk_by(|a, b| a.fate == b.fate && a.to + 1 == b.from)
        .filter(|run| !matches!(run[0].fate, Fate::Passed | Fate::Blank))
        .map(|run| {
            let (from, to) = (run[0].from, run[run.len() - 1].to);
            let address = format!("{address}?from={from}&to={to}");
            Stretch { from, to, fate: run[0].fate, count: run.iter().map(|cell| cell.count).sum(), address }
        })
        .collect();
    out.sort_by_key(|s| std::cmp::Reverse(s.count));
    out.truncate(20);
    out
}

fn laid(reel: &str, tape: Tape) -> TapePart {
    let address = format!("/reels/{}", in_address(reel));
    let one_by_one = tape.cells.len() <= ONE_BY_ONE;
    let turns = tape.cells.len().div_ceil(TURN).max(1);
    let of_turn = |(turn, cells)| pieces(&address, turn, cells, one_by_one);
    let pieces: Vec<Piece> = tape.cells.chunks(TURN).enumerate().flat_map(of_turn).collect();
    let mut runs: Vec<Fate> = Vec::new();
    for piece in pieces.iter().filter(|piece| piece.is_run()) {
        if !runs.contains(&piece.fate) {
            runs.push(piece.fate);
        }
    }
    let right = LEFT + whole(TURN) * CELL;
    let (mut ribbon, mut holes) = (format!("M {LEFT} 16"), String::new());
    for turn in 0..turns {
        let y = 16 + whole(turn) * PITCH;
        let (end, bulge) = if turn % 2 == 0 { (right, 1) } else { (LEFT, 0) };
        ribbon += &format!(" L {end} {y}");
        if turn + 1 < turns {
            ribbon += &format!(" A 15 15 0 0 {bulge} {end} {}", y + PITCH);
        }
        // A line of dots: the stroke's gaps are the distance of two holes.
        holes += &format!("M32 {}h{}", y + 11, right - LEFT - 32);
    }
    let stretches = stretches(&address, &tape.cells);
    let height = whole(turns) * PITCH + 10;
    TapePart { reel: reel.to_owned(), address, tape, pieces, runs, ribbon, holes, height, stretches }
}

/// HTML of a reel's tape, whole or from one place to another.
///
/// # Errors
///
/// Where there is no such reel.
pub fn drawn(app: &App, reel: &str, range: Option<(i64, i64)>) -> Result<String, Trouble> {
    let tape = floor::tape(&app.site, reel, range, CELLS)?;
    laid(reel, tape)
        .render()
        .map_err(|e| Trouble::surroundings(format!("the tape can't be drawn: {e}"), "Report this."))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(fates: &[(Fate, usize)]) -> Vec<Cell> {
        let all = fates.iter().flat_map(|(fate, times)| std::iter::repeat_n(*fate, *times));
        let cell = |(n, fate): (usize, Fate)| {
            let place = whole(n) + 1;
            let unit = (fate == Fate::Passed).then(|| format!("TV {place}"));
            Cell { from: place, to: place, fate, count: 1, chip: Some((format!("C{place}"), unit)) }
        };
        all.enumerate().map(cell).collect()
    }

    fn tape(cells: Vec<Cell>) -> TapePart {
        let chips = whole(cells.len());
        laid("A b", Tape { chips, from: 1, to: chips, per_cell: 1, cells, fates: Vec::new() })
    }

    #[test]
    fn a_short_tape_leads_to_every_chip() {
        let short = tape(cells(&[(Fate::Passed, 2), (Fate::Blank, 118)]));
        assert_eq!((short.pieces.len(), short.runs.len()), (120, 0));
        assert_eq!(short.pieces[1].to, "/units/TV%202");
        assert_eq!(short.pieces[2].to, "/units?find=C3");
        assert_eq!(short.pieces[1].says, "chip C2 at place 2: passed, unit TV 2");
    }

    #[test]
    fn on_a_long_tape_alike_is_one_piece_in_each_turn_and_none_is_lost() {
        let long = tape(cells(&[(Fate::Passed, 70), (Fate::Failed, 1), (Fate::Blank, 80)]));
        let told: Vec<_> = long.pieces.iter().map(|p| (p.x, p.y, p.width, p.says.as_str())).collect();
        let right = LEFT + 60 * CELL;
        assert_eq!(
            told,
            [
                (LEFT, 8, 60 * CELL, "places 1 to 60: 60 passed"),
                // The second turn runs back.
                (right - 10 * CELL, 38, 10 * CELL, "places 61 to 70: 10 passed"),
                (right - 11 * CELL, 38, CELL, "chip C71 at place 71: failed"),
                (LEFT, 38, 49 * CELL, "places 72 to 120: 49 blank"),
                (LEFT, 68, 31 * CELL, "places 121 to 151: 31 blank"),
            ]
        );
        assert_eq!(long.pieces[0].to, "/reels/A%20b?from=1&to=60");
        assert_eq!(long.pieces[2].to, "/units?find=C71");
        assert_eq!(long.runs, [Fate::Passed, Fate::Blank]);
        assert_eq!(long.pieces.iter().map(|p| p.width / CELL).sum::<i64>(), 151);
        assert_eq!(long.stretches.len(), 1);
        assert_eq!((long.stretches[0].from, long.stretches[0].to), (71, 71));
    }
}
