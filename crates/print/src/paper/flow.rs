//! A report laid on paper: blocks become pieces, pieces fill pages.
//!
//! Lengths in millimetres, y downwards. A piece is never torn; a row of a table
//! that begins a page brings its head along; a heading stays with what follows.

use std::borrow::Cow;
use std::rc::Rc;

use usvg::tiny_skia_path::PathBuilder;

use crate::art::{Art, Line, Rect, Rgb, Shape, Stroke, Transform};
use crate::chart::{Chart, paper_color, text_width};
use crate::fonts::Face;
use crate::layout::{Anchor, LinePlan, Piece as Words, SpanPlan};
use crate::paper::{Block, Document, Plate, Table, pieces};
use crate::template::compile::drawing;

/// Room around the text: left and right, top, bottom, where the foot stands.
const MARGIN: (f32, f32, f32) = (17.0, 14.0, 20.0);
/// Least scale of a document that is to take one page: letters of 2.1 mm, 6 points.
const LEAST_SCALE: f32 = 0.66;

/// Something that stays together.
#[derive(Clone)]
struct Piece {
    height: f32,
    art: Vec<Art>,
    /// Must not be the last on its page.
    binds: bool,
    /// Comes first where this piece begins a page.
    head: Option<Rc<Piece>>,
}

impl Piece {
    fn new(height: f32, art: Vec<Art>) -> Self {
        Self { height, art, binds: false, head: None }
    }
}

/// Sizes of letters, all under one scale.
#[derive(Clone, Copy)]
struct Type {
    scale: f32,
}

impl Type {
    fn mm(self, size: f32) -> f32 {
        size * self.scale
    }
}

/// A style of letters.
#[derive(Clone, Copy)]
struct Style {
    face: Face,
    code: Face,
    size: f32,
    color: Rgb,
}

/// Pages of art.
///
/// # Errors
///
/// Where a chart can't be drawn; a fault of this program.
pub(super) fn pages(document: &Document) -> Result<Vec<Vec<Art>>, String> {
    let mut scale = 1.0;
    loop {
        let pages = set(document, Type { scale })?;
        if !document.one_page || pages.len() <= 1 || scale <= LEAST_SCALE {
            // Nothing is gained by small letters on two pages.
            return if document.one_page && pages.len() > 1 { set(document, Type { scale: 0.9 }) } else { Ok(pages) };
        }
        scale -= 0.02;
    }
}

fn set(document: &Document, t: Type) -> Result<Vec<Vec<Art>>, String> {
    let (paper_width, paper_height) = document.size.millimetres();
    let (side, top, bottom) = MARGIN;
    let width = paper_width - 2.0 * side;
    let body = style(t, Face::Words, 3.4, "ink");
    let mut list = Vec::new();
    if !document.above.is_empty() {
        list.extend(paragraph(&document.above, Style { color: paper_color("quiet"), ..body }, width, t.mm(1.0)));
    }
    list.extend(paragraph(&document.title, style(t, Face::WordsBold, 6.4, "ink"), width, t.mm(2.0)));
    if let Some(sentence) = &document.test {
        list.push(test_mark(sentence, t, width));
    }
    for block in &document.blocks {
        list.extend(block_pieces(block, t, width)?);
    }

    let room = paper_height - top - bottom;
    let mut pages: Vec<Vec<Art>> = Vec::new();
    let mut page = Vec::new();
    let mut y = 0.0;
    let mut index = 0;
    while index < list.len() {
        // What binds goes with the first piece after it that does not.
        let mut end = index;
        while list[end].binds && end + 1 < list.len() {
            end += 1;
        }
        let group: f32 = list[index..=end].iter().map(|p| p.height).sum();
        if y > 0.0 && y + group > room {
            pages.push(std::mem::take(&mut page));
            y = 0.0;
            if let Some(head) = list[index].head.clone() {
                place(&mut page, &head.art, side, top);
                y += head.height;
            }
        }
        for piece in &list[index..=end] {
            place(&mut page, &piece.art, side, top + y);
            y += piece.height;
        }
        index = end + 1;
    }
    pages.push(page);
    let count = pages.len();
    for (number, page) in pages.iter_mut().enumerate() {
        foot(page, document, number + 1, count, (paper_width, paper_height));
    }
    Ok(pages)
}

fn style(t: Type, face: Face, size: f32, color: &str) -> Style {
    let code = if matches!(face, Face::WordsBold) { Face::CodesBold } else { Face::Codes };
    Style { face, code, size: t.mm(size), color: paper_color(color) }
}

fn place(page: &mut Vec<Art>, art: &[Art], x: f32, y: f32) {
    page.extend(art.iter().map(|item| moved(item, x, y)));
}

/// The same art elsewhere.
fn moved(art: &Art, x: f32, y: f32) -> Art {
    let by = |t: Transform| t.post_translate(x, y);
    match art {
        Art::Shape(shape) => Art::Shape(Shape { transform: by(shape.transform), ..shape.clone() }),
        Art::Line(line) => {
            let ink = line.ink.and_then(|r| Rect::from_xywh(r.x() + x, r.y() + y, r.width(), r.height()));
            Art::Line(Line { transform: by(line.transform), ink, ..line.clone() })
        }
        Art::Picture(picture) => {
            let mut picture = picture.clone();
            picture.transform = by(picture.transform);
            Art::Picture(picture)
        }
        Art::Clip(clip) => {
            let mut clip = clip.clone();
            let shift = Transform::from_translate(x, y);
            clip.paths = clip.paths.into_iter().filter_map(|(p, f)| Some((p.transform(shift)?, f))).collect();
            clip.inside = clip.inside.iter().map(|inner| moved(inner, x, y)).collect();
            Art::Clip(clip)
        }
    }
}

/// One line of letters with its baseline at `y`.
fn line(spans: &[(Face, String)], style: Style, x: f32, y: f32, anchor: Anchor) -> Option<Art> {
    let spans = spans
        .iter()
        .map(|(face, text)| SpanPlan {
            pieces: vec![Words::Words(known(text))],
            face: *face,
            size: style.size,
            color: style.color,
            letter_spacing: 0.0,
            word_spacing: 0.0,
            kerning: true,
        })
        .collect();
    let plan = LinePlan { spans, at: (x, y), anchor, transform: Transform::identity(), max_width: None, least_mm: 0.0 };
    plan.place(&|_| None::<Cow<'_, str>>).ok().filter(|l| l.ink.is_some()).map(Art::Line)
}

/// What the letters lack is shown as a question mark.
fn known(text: &str) -> String {
    let font = Face::Words.font();
    text.chars().map(|c| if font.has(c) { c } else { '?' }).collect()
}

fn width_of(face: Face, size: f32, text: &str) -> f32 {
    text_width(face, size, &known(text))
}

/// A text broken into lines of spans.
fn wrap(text: &str, style: Style, width: f32) -> Vec<Vec<(Face, String)>> {
    let mut lines: Vec<Vec<(Face, String)>> = vec![Vec::new()];
    let mut x = 0.0;
    for (code, piece) in pieces(text) {
        let face = if code { style.code } else { style.face };
        for word in piece.split_inclusive(' ') {
            let mut word = word.to_owned();
            loop {
                let needed = width_of(face, style.size, word.trim_end());
                if x + needed <= width {
                    break;
                }
                if x > 0.0 {
                    lines.push(Vec::new());
                    x = 0.0;
                    continue;
                }
                // A word that fits on no line is cut where it must be.
                let mut cut = word.chars().count();
                while cut > 1 && width_of(face, style.size, &word.chars().take(cut).collect::<String>()) > width {
                    cut -= 1;
                }
                if cut >= word.chars().count() || cut <= 1 {
                    break;
                }
                let (head, tail): (String, String) =
                    (word.chars().take(cut).collect(), word.chars().skip(cut).collect());
                lines.last_mut().into_iter().for_each(|l| l.push((face, head.clone())));
                lines.push(Vec::new());
                word = tail;
            }
            x += width_of(face, style.size, &word);
            if let Some(last) = lines.last_mut() {
                match last.last_mut() {
                    Some((known, text)) if *known == face => text.push_str(&word),
                    _ => last.push((face, word)),
                }
            }
        }
    }
    lines
}

const LEADING: f32 = 1.38;

/// A paragraph as one piece a line, so that it may run over a page's end.
fn paragraph(text: &str, style: Style, width: f32, after: f32) -> Vec<Piece> {
    let lines = wrap(text, style, width);
    let count = lines.len();
    lines
        .iter()
        .enumerate()
        .map(|(i, spans)| {
            let art = line(spans, style, 0.0, style.size * 1.05, Anchor::Start).into_iter().collect();
            let last = i + 1 == count;
            let mut piece = Piece::new(style.size * LEADING + if last { after } else { 0.0 }, art);
            // Neither the first line nor the last one stands alone.
            piece.binds = !last && (i == 0 || i + 2 == count);
            piece
        })
        .collect()
}

fn rule(x: f32, y: f32, length: f32, width: f32, color: Rgb) -> Option<Art> {
    let mut path = PathBuilder::new();
    path.move_to(x, y);
    path.line_to(x + length, y);
    stroked(path, width, color)
}

fn frame(x: f32, y: f32, width: f32, height: f32, stroke: f32, color: Rgb) -> Option<Art> {
    let rect = Rect::from_xywh(x, y, width, height)?;
    let mut path = PathBuilder::new();
    path.push_rect(rect);
    stroked(path, stroke, color)
}

fn stroked(path: PathBuilder, width: f32, color: Rgb) -> Option<Art> {
    let stroke = Stroke {
        color,
        width,
        cap: usvg::LineCap::Butt,
        join: usvg::LineJoin::Miter,
        miter_limit: 4.0,
        dashes: Vec::new(),
        dash_offset: 0.0,
    };
    Some(Art::Shape(Shape { path: path.finish()?, transform: Transform::identity(), fill: None, stroke: Some(stroke) }))
}

/// Pieces under one another as one.
fn stack(list: &[Piece]) -> Piece {
    let mut art = Vec::new();
    let mut y = 0.0;
    for piece in list {
        place(&mut art, &piece.art, 0.0, y);
        y += piece.height;
    }
    Piece::new(y, art)
}

fn test_mark(sentence: &str, t: Type, width: f32) -> Piece {
    let heed = style(t, Face::WordsBold, 3.6, "heed");
    let mark = width_of(heed.face, heed.size, "TEST") + t.mm(3.0);
    let mut art = Vec::new();
    art.extend(frame(0.2, 0.4, mark, t.mm(5.2), 0.5, heed.color));
    art.extend(line(&[(heed.face, "TEST".into())], heed, t.mm(1.5), t.mm(4.2), Anchor::Start));
    let words = stack(&paragraph(sentence, style(t, Face::Words, 3.4, "ink"), width - mark - t.mm(3.0), 0.0));
    place(&mut art, &words.art, mark + t.mm(3.0), t.mm(0.6));
    Piece::new(words.height.max(t.mm(5.6)) + t.mm(2.5), art)
}

fn block_pieces(block: &Block, t: Type, width: f32) -> Result<Vec<Piece>, String> {
    let body = style(t, Face::Words, 3.4, "ink");
    Ok(match block {
        Block::Heading(text) => {
            let mut piece = stack(&paragraph(text, style(t, Face::WordsBold, 4.3, "ink"), width, t.mm(1.6)));
            let above = t.mm(3.6);
            let mut art = Vec::new();
            art.extend(rule(0.0, above - t.mm(1.2), width, 0.5, paper_color("metal")));
            place(&mut art, &piece.art, 0.0, above);
            piece = Piece { height: piece.height + above, art, binds: true, head: None };
            vec![piece]
        }
        Block::Words(text) => paragraph(text, body, width, t.mm(1.8)),
        Block::Quiet(text) => {
            paragraph(text, Style { color: paper_color("quiet"), size: t.mm(3.1), ..body }, width, t.mm(1.6))
        }
        Block::Numbers(numbers) => numbers_pieces(numbers, t, width),
        Block::Table(table) => table_pieces(table, t, width),
        Block::Chart(chart) => vec![chart_piece(chart, t, width)?],
        Block::Plates(plates) => plate_pieces(plates, t, width),
        Block::Columns(left, right) => {
            let gap = t.mm(7.0);
            let each = (width - gap) / 2.0;
            let column = |blocks: &[Block]| -> Result<Piece, String> {
                let mut list = Vec::new();
                for block in blocks {
                    list.extend(block_pieces(block, t, each)?);
                }
                Ok(stack(&list))
            };
            let (left, right) = (column(left)?, column(right)?);
            let mut art = left.art;
            place(&mut art, &right.art, each + gap, 0.0);
            vec![Piece::new(left.height.max(right.height), art)]
        }
    })
}

fn numbers_pieces(numbers: &[(String, String)], t: Type, width: f32) -> Vec<Piece> {
    let (big, small) = (style(t, Face::WordsBold, 6.2, "ink"), style(t, Face::Words, 3.0, "quiet"));
    let (pad, gap) = (t.mm(2.4), t.mm(3.0));
    let per_row = numbers.len().clamp(1, 5);
    let each = (width - gap * (per_row as f32 - 1.0)) / per_row as f32;
    let mut out = Vec::new();
    for row in numbers.chunks(per_row) {
        let wrapped: Vec<_> = row.iter().map(|(_, what)| wrap(what, small, each - 2.0 * pad)).collect();
        let lines = wrapped.iter().map(Vec::len).max().unwrap_or(1) as f32;
        let height = t.mm(9.4) + lines * small.size * LEADING;
        let mut art = Vec::new();
        for (i, ((number, _), lines)) in row.iter().zip(&wrapped).enumerate() {
            let x = i as f32 * (each + gap);
            art.extend(frame(x, 0.2, each, height, 0.25, paper_color("line")));
            let needed = width_of(big.face, big.size, number);
            let fitted = Style { size: big.size * ((each - 2.0 * pad) / needed).min(1.0), ..big };
            art.extend(line(&[(big.face, number.clone())], fitted, x + pad, t.mm(7.4), Anchor::Start));
            for (n, spans) in lines.iter().enumerate() {
                let y = t.mm(8.2) + (n as f32 * LEADING + 1.0) * small.size;
                art.extend(line(spans, small, x + pad, y, Anchor::Start));
            }
        }
        out.push(Piece::new(height + t.mm(3.4), art));
    }
    out
}

fn table_pieces(table: &Table, t: Type, width: f32) -> Vec<Piece> {
    let (head, cell) = (style(t, Face::WordsBold, 3.0, "ink"), style(t, Face::Words, 3.0, "ink"));
    let gap = t.mm(4.0);
    let columns = table.head.len();
    let plain = |text: &str| text.replace('`', "");
    let cell_face = |column: usize| if table.is_left(column) { cell.face } else { cell.code };
    let mut widths: Vec<f32> = table.head.iter().map(|h| width_of(head.face, head.size, h)).collect();
    for row in &table.rows {
        for (column, text) in row.iter().enumerate().take(columns) {
            let face = if text.contains('`') { cell.code } else { cell_face(column) };
            widths[column] = widths[column].max(width_of(face, cell.size, &plain(text)));
        }
    }
    // Where all of it is too wide, columns of words give way, the widest first.
    let gaps = gap * (columns as f32 - 1.0).max(0.0);
    let mut over = widths.iter().sum::<f32>() + gaps - width;
    while over > 0.01 {
        let candidates = (0..columns).filter(|c| table.is_left(*c));
        let Some(widest) = candidates.max_by(|a, b| widths[*a].total_cmp(&widths[*b])) else { break };
        if widths[widest] < t.mm(14.0) {
            break;
        }
        let step = over.min(t.mm(2.0));
        widths[widest] -= step;
        over -= step;
    }
    let make = |cells: &[String], bold: bool| {
        let wrapped: Vec<_> = cells
            .iter()
            .take(columns)
            .enumerate()
            .map(|(c, text)| {
                let style = if bold { head } else { Style { face: cell_face(c), ..cell } };
                (style, wrap(text, style, widths[c] + 0.5))
            })
            .collect();
        let lines = wrapped.iter().map(|(_, l)| l.len()).max().unwrap_or(1) as f32;
        let height = lines * cell.size * 1.3 + t.mm(1.5);
        let mut art = Vec::new();
        let mut x = 0.0;
        for (column, (style, lines)) in wrapped.iter().enumerate() {
            for (n, spans) in lines.iter().enumerate() {
                let y = t.mm(0.5) + (n as f32 * 1.3 + 1.0) * cell.size;
                let (at, anchor) =
                    if table.is_left(column) { (x, Anchor::Start) } else { (x + widths[column], Anchor::End) };
                art.extend(line(spans, *style, at, y, anchor));
            }
            x += widths[column] + gap;
        }
        let stroke = if bold { 0.35 } else { 0.15 };
        let color = paper_color(if bold { "ink" } else { "line" });
        art.extend(rule(0.0, height - 0.2, (x - gap).min(width), stroke, color));
        Piece::new(height, art)
    };
    let mut out = Vec::new();
    let mut repeated = None;
    if table.has_head() {
        let first = Piece { binds: true, ..make(&table.head, true) };
        repeated = Some(Rc::new(Piece { binds: false, ..first.clone() }));
        out.push(first);
    }
    for row in &table.rows {
        out.push(Piece { head: repeated.clone(), ..make(row, false) });
    }
    // The last row does not stand alone on a page.
    if out.len() > 2 {
        let last = out.len() - 2;
        out[last].binds = true;
    }
    out.push(Piece::new(t.mm(2.2), Vec::new()));
    out
}

fn chart_piece(chart: &Chart, t: Type, width: f32) -> Result<Piece, String> {
    // A chart fills its column; on one page it shrinks a little, and less than the letters around it.
    let scale = width * (t.scale + 0.12).min(1.0) / chart.width;
    let art = drawing(&chart.for_paper(), Transform::from_scale(scale, scale))
        .map_err(|why| format!("the chart \"{}\" can't be drawn: {why}", chart.label))?;
    Ok(Piece::new(chart.height * scale + t.mm(2.0), art))
}

fn plate_pieces(plates: &[Plate], t: Type, width: f32) -> Vec<Piece> {
    let (title, body) = (style(t, Face::WordsBold, 3.6, "ink"), style(t, Face::Words, 3.2, "ink"));
    let codes = Style { face: Face::Codes, ..style(t, Face::Codes, 2.8, "quiet") };
    let pad = t.mm(3.0);
    let mut out = Vec::new();
    for (index, plate) in plates.iter().enumerate() {
        let inner = width.min(t.mm(150.0)) - 2.0 * pad;
        let mut list = paragraph(&plate.title, title, inner, t.mm(0.8));
        list.extend(paragraph(&plate.words, body, inner, t.mm(0.8)));
        for code in &plate.codes {
            list.extend(paragraph(&code.replace('`', "'"), codes, inner, 0.0));
        }
        let inside = stack(&list);
        let link = if index > 0 { t.mm(6.0) } else { 0.0 };
        let mut art = Vec::new();
        if index > 0 {
            for x in [t.mm(9.0), t.mm(10.2)] {
                let mut path = PathBuilder::new();
                path.move_to(x, 0.0);
                path.line_to(x, link);
                art.extend(stroked(path, 0.4, paper_color("ink")));
            }
        }
        art.extend(frame(0.3, link, inner + 2.0 * pad, inside.height + 2.0 * pad, 0.6, paper_color("ink")));
        place(&mut art, &inside.art, pad, link + pad);
        let mut piece = Piece::new(link + inside.height + 2.0 * pad, art);
        piece.binds = index + 1 < plates.len();
        out.push(piece);
    }
    out.push(Piece::new(t.mm(2.5), Vec::new()));
    out
}

fn foot(page: &mut Vec<Art>, document: &Document, number: usize, count: usize, (width, height): (f32, f32)) {
    let quiet = style(Type { scale: 1.0 }, Face::Words, 2.6, "quiet");
    let (side, _, bottom) = MARGIN;
    let y = height - bottom + 6.0;
    page.extend(rule(side, y - 3.6, width - 2.0 * side, 0.2, paper_color("line")));
    let shown = format!("page {number} of {count}");
    let room = width - 2.0 * side - width_of(quiet.face, quiet.size, &shown) - 6.0;
    page.extend(line(&[(quiet.face, shown)], quiet, width - side, y, Anchor::End));
    for (n, spans) in wrap(&document.foot.join("  ·  "), quiet, room).iter().take(3).enumerate() {
        page.extend(line(spans, quiet, side, y + n as f32 * 3.4, Anchor::Start));
    }
}
