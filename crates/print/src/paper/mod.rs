//! Reports: one document, as an HTML page that stands alone and as PDF.
//!
//! A [`Document`] is a list of [`Block`]s that know nothing of where they go.
//! [`Document::html`] makes a page, [`Document::fragment`] the same without the
//! page around it (for pages that have their own letters and colours), and
//! [`Document::pdf`] paper. Charts are the same SVG everywhere ([`crate::chart`]).

mod flow;
mod html;

use std::io::{self, Write};

pub use html::{BLOCK_STYLE, safe};

use crate::chart::Chart;

/// Paper for a PDF.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Size {
    /// 210 by 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

impl Size {
    /// Width and height in millimetres.
    pub const fn millimetres(self) -> (f32, f32) {
        match self {
            Self::A4 => (210.0, 297.0),
            Self::Letter => (215.9, 279.4),
        }
    }

    /// CSS's name for it.
    const fn css(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "letter",
        }
    }
}

/// A report. Texts may carry `code` in backticks.
#[derive(Debug, Clone, Default)]
pub struct Document {
    /// What it says, in one line.
    pub title: String,
    /// A quiet line above: whose, and of when.
    pub above: String,
    /// For test products: a sentence behind the word TEST.
    pub test: Option<String>,
    /// What is in it.
    pub blocks: Vec<Block>,
    /// At the foot of every page: site, period, the log's head. The page number is added.
    pub foot: Vec<String>,
    /// Whether a PDF is to be set smaller, within reason, so that it takes one page.
    pub one_page: bool,
    pub size: Size,
}

/// One thing in a report.
#[derive(Debug, Clone)]
pub enum Block {
    /// Begins a part.
    Heading(String),
    /// A paragraph.
    Words(String),
    /// A paragraph of lesser weight.
    Quiet(String),
    /// Figures that matter, each with what it is.
    Numbers(Vec<(String, String)>),
    /// Rows under a head; the first column is text, the others stand to the right.
    Table(Table),
    /// A picture.
    Chart(Chart),
    /// Plates joined by links, the first on top.
    Plates(Vec<Plate>),
    /// Two columns; one under the other where there is no room.
    Columns(Vec<Block>, Vec<Block>),
}

/// Rows under a head.
#[derive(Debug, Clone, Default)]
pub struct Table {
    /// Names of the columns.
    pub head: Vec<String>,
    /// Cells, row by row.
    pub rows: Vec<Vec<String>>,
    /// Columns, beside the first, that hold words and stand to the left.
    pub words: Vec<usize>,
}

impl Table {
    /// A table of figures.
    pub fn new(head: &[&str], rows: Vec<Vec<String>>) -> Self {
        Self { head: head.iter().map(|h| (*h).to_owned()).collect(), rows, words: Vec::new() }
    }

    /// The same with columns that hold words.
    #[must_use]
    pub fn with_words(mut self, columns: &[usize]) -> Self {
        self.words = columns.to_vec();
        self
    }

    /// Whether its columns have names.
    pub(crate) fn has_head(&self) -> bool {
        self.head.iter().any(|name| !name.is_empty())
    }

    /// Whether a column stands to the left.
    pub(crate) fn is_left(&self, column: usize) -> bool {
        column == 0 || self.words.contains(&column)
    }
}

/// One plate of a chain.
#[derive(Debug, Clone)]
pub struct Plate {
    pub title: String,
    pub words: String,
    /// Its identifiers, in letters for codes.
    pub codes: Vec<String>,
}

impl Document {
    /// A page that needs nothing else: letters and charts are inside.
    pub fn html(&self) -> String {
        html::page(self)
    }

    /// The blocks alone, for a page that has its own letters and colours, and [`BLOCK_STYLE`] among its styles
    /// (custom properties `--ink`, `--quiet`, `--struck`, `--broken`, `--heed`, `--metal`, `--line`, `--ground`).
    pub fn fragment(&self) -> String {
        html::blocks(&self.blocks)
    }

    /// Writes it as PDF; the number of pages.
    ///
    /// # Errors
    ///
    /// Where `out` can't be written.
    pub fn pdf<W: Write>(&self, out: W) -> io::Result<(W, usize)> {
        let pages = flow::pages(self).map_err(io::Error::other)?;
        let count = pages.len();
        crate::pdf::write_pages(out, self.size.millimetres(), &pages, &self.title).map(|out| (out, count))
    }
}

/// A text's pieces: plain, and `code` in backticks.
pub(crate) fn pieces(text: &str) -> impl Iterator<Item = (bool, &str)> {
    text.split('`').enumerate().map(|(i, piece)| (i % 2 == 1, piece)).filter(|(_, piece)| !piece.is_empty())
}
