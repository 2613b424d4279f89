//! A manifest that is one plain text, read and stored as it comes: no row is held
//! longer than it takes to store it.
//!
//! This way goes on only while everything is in order. At the first thing that is
//! not, whoever asked reads the manifest as a whole (`manifest`), which tells what is
//! wrong with it, line by line; what was stored until then was not committed.

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use base::encoding::{self, LONGEST};
use base::trouble::Trouble;
use book::NewChip;
use book::ids::ChipId;
use csv::StringRecord;
use examine::intake::{Limits, is_secret};
use rayon::prelude::*;

use super::key_text;
use super::manifest::json::{Member, Object};
use super::manifest::table::{self, Header};
use super::manifest::{self, ColumnMap, cell};

/// Octets in which the line that names the columns must end.
const HEAD: usize = 1 << 16;

/// Something that is not in order, or not for this way.
#[derive(Debug, thiserror::Error)]
#[error("the manifest must be read as a whole")]
pub(super) struct Odd;

enum Source {
    Table { reader: Box<table::Rows<BufReader<File>>>, header: Header },
    Lines(BufReader<File>),
}

/// A manifest on its way.
pub(super) struct Stream<'a> {
    rows: Source,
    map: &'a ColumnMap,
    /// Lines in all: chips, and one or two more.
    pub(super) lines: u64,
    /// Columns of a table that are not used.
    pub(super) unused: Vec<String>,
    /// Digits of the first chip's id: others of another length are reported by reading the whole.
    digits: Option<usize>,
    first: bool,
}

enum Row {
    Record(StringRecord),
    Line(String),
}

impl<'a> Stream<'a> {
    /// Opens a manifest; `None` where it is not for this way.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where a line of a table is longer than any, before the table is read into memory.
    pub(super) fn open(path: &Path, map: &'a ColumnMap) -> Result<Option<Self>, Trouble> {
        let counted = File::open(path).ok().and_then(|mut file| {
            let meta = file.metadata().ok()?;
            let small = meta.is_file() && meta.len() <= Limits::default().entry;
            let counted = if small { count_lines(&mut file)? } else { return None };
            Some((file, counted))
        });
        let Some((mut file, (lines, long))) = counted else { return Ok(None) };
        if let Some(line) = long.filter(|_| is_table(&mut file)) {
            let what = format!("{}, line {line}: {}", super::file_name(path), encoding::too_long("a line"));
            return Err(Trouble::usage(what, format!("{} Nothing was stored.", encoding::TOO_LONG_ADVICE)));
        }
        Ok(Self::of_rows(file, lines, map))
    }

    fn of_rows(mut file: File, lines: u64, map: &'a ColumnMap) -> Option<Self> {
        let mut head = vec![0; HEAD];
        let have = examine::intake::fill(&mut file, &mut head).ok()?;
        let head = &head[..have];
        let mark = if head.starts_with(b"\xEF\xBB\xBF") { 3 } else { 0 };
        let body = &head[mark..];
        if manifest::looks_like_certificates(head) || examine::intake::is_archive(head) {
            return None;
        }
        let first = body.iter().find(|o| !o.is_ascii_whitespace())?;
        let mut unused = Vec::new();
        let rows = match first {
            b'{' => {
                let line = body.split(|octet| *octet == b'\n').next().unwrap_or_default();
                if let Ok(Member::Object(first)) = serde_json::from_slice(line) {
                    unused = first.unused(map);
                }
                file.seek(SeekFrom::Start(mark as u64)).ok()?;
                Source::Lines(BufReader::with_capacity(1 << 18, file))
            }
            b'[' => return None,
            _ => {
                // The names are looked for in text that ends with a line; what follows is read again.
                let end = body.iter().rposition(|o| *o == b'\n')?;
                let text = std::str::from_utf8(&body[..=end]).ok()?;
                let header = table::header(text, map).ok()?;
                if table::chips_above(text, header) > 0 {
                    return None;
                }
                file.seek(SeekFrom::Start((mark + header.begins) as u64)).ok()?;
                let mut reader = table::Rows::new(header.delimiter, BufReader::with_capacity(1 << 18, file));
                let names = reader.headers().ok()?;
                if names.iter().any(|name| name.contains('\n') || is_secret(name)) {
                    return None;
                }
                unused = table::unused(names, header);
                Source::Table { reader: Box::new(reader), header }
            }
        };
        Some(Self { rows, map, lines, unused, digits: None, first: true })
    }

    /// The next rows as chips, judged on all cores; none at the end.
    pub(super) fn next(&mut self, count: usize) -> Result<Vec<NewChip>, Odd> {
        let mut rows = Vec::with_capacity(count);
        while rows.len() < count {
            match &mut self.rows {
                Source::Table { reader, header } => {
                    let mut record = StringRecord::new();
                    match reader.next(&mut record) {
                        Ok(false) => break,
                        // A cell of several lines may hold chips that a quotation mark drew into it.
                        Ok(true) if record.len() == header.width && !record.iter().any(|cell| cell.contains('\n')) => {
                            rows.push(Row::Record(record));
                        }
                        _ => return Err(Odd),
                    }
                }
                Source::Lines(reader) => {
                    let mut line = String::new();
                    match reader.by_ref().take(LONGEST as u64 + 1).read_line(&mut line).map_err(|_| Odd)? {
                        0 => break,
                        count if count > LONGEST => return Err(Odd),
                        _ => {}
                    }
                    if !line.trim().is_empty() {
                        rows.push(Row::Line(line));
                    }
                }
            }
        }
        let chips: Vec<NewChip> =
            rows.par_iter().with_min_len(16).map(|row| self.chip(row).ok_or(Odd)).collect::<Result<_, _>>()?;
        for chip in &chips {
            let digits = chip.chip_id.as_str().len();
            if *self.digits.get_or_insert(digits) != digits {
                return Err(Odd);
            }
            // Whether all are rounded is told where all are read.
            if self.first && manifest::is_rounded_number(chip.chip_id.as_str()) {
                return Err(Odd);
            }
            self.first = false;
        }
        Ok(chips)
    }

    fn chip(&self, row: &Row) -> Option<NewChip> {
        let made = |id: &str, key: &str| {
            let chip_id = ChipId::new(&manifest::chip_id(id).ok()?).ok()?;
            Some(NewChip { chip_id, public_key: *key_text::read(key).ok()?.point() })
        };
        match (row, &self.rows) {
            (Row::Record(record), Source::Table { header, .. }) => {
                made(&cell(record.get(header.id)?), &cell(record.get(header.key)?))
            }
            (Row::Line(line), _) => {
                let Member::Object(object) = serde_json::from_str(line).ok()? else { return None };
                if object.names().any(is_secret) {
                    return None;
                }
                let text = |name: &str| Object::text(&object, self.map, name);
                made(&text(&self.map.chip_id)?, &text(&self.map.public_key)?)
            }
            _ => None,
        }
    }
}

/// Whether a file is text of lines: neither JSON, where a line may hold all there is, nor certificates, nor an archive.
fn is_table(file: &mut File) -> bool {
    let mut head = vec![0; HEAD];
    let Ok(have) = examine::intake::fill(file, &mut head) else { return false };
    let head = &head[..have];
    if file.rewind().is_err() || manifest::looks_like_certificates(head) || examine::intake::is_archive(head) {
        return false;
    }
    encoding::read(head).is_ok_and(|read| !read.text.trim_start().starts_with(['{', '[']))
}

/// Lines of a file, and the first that is too long; it is at its beginning again after that.
fn count_lines(file: &mut File) -> Option<(u64, Option<u64>)> {
    let mut chunk = vec![0; 1 << 16];
    let (mut lines, mut length, mut long) = (0, 0, None);
    loop {
        let count = match file.read(&mut chunk).ok()? {
            0 => break,
            count => count,
        };
        let mut from = 0;
        for at in memchr::memchr_iter(b'\n', &chunk[..count]).chain([count]) {
            length += at - from;
            if length > LONGEST && long.is_none() {
                long = Some(lines + 1);
            }
            if at < count {
                (lines, length, from) = (lines + 1, 0, at + 1);
            }
        }
    }
    file.rewind().ok()?;
    Some((lines, long))
}
