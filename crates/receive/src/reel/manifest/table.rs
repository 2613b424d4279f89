//! Manifests as tables: any delimiter, title lines above the names of the columns.

use std::io::{self, Read};

use base::encoding;
use csv::StringRecord;
use print::chart::many;
use standard::verdict::Finding;
use standard::verdict::catalogue::intake::REEL_FORMAT;

use super::columns::{ColumnMap, Place, Unmatched, cell, is_key};
use super::{Reading, chip_id, key_text};

/// Octets and records in which the line with the names is looked for.
const HEAD: usize = 1 << 16;
const TITLES: usize = 60;

const DELIMITERS: [u8; 4] = [b',', b';', b'\t', b'|'];

/// The line that names the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::reel) struct Header {
    pub(in crate::reel) begins: usize,
    pub(in crate::reel) delimiter: u8,
    pub(in crate::reel) width: usize,
    pub(in crate::reel) id: usize,
    pub(in crate::reel) key: usize,
}

/// The rows of a table, none of which is longer than a line may be: a quote that is never closed would make the rest of
/// a file one field.
pub(in crate::reel) struct Rows<R>(csv::Reader<Bounded<R>>);

/// What a reader may still take for the row that it is reading.
struct Bounded<R> {
    inner: R,
    left: usize,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.left == 0 {
            return Err(io::Error::other(encoding::too_long("a row")));
        }
        let count = self.inner.read(buffer)?;
        self.left = self.left.saturating_sub(count);
        Ok(count)
    }
}

impl<R: Read> Rows<R> {
    pub(in crate::reel) fn new(delimiter: u8, inner: R) -> Self {
        let mut with = csv::ReaderBuilder::new();
        with.delimiter(delimiter).flexible(true).trim(csv::Trim::All);
        Self(with.from_reader(Bounded { inner, left: encoding::LONGEST }))
    }

    pub(in crate::reel) fn headers(&mut self) -> csv::Result<&StringRecord> {
        self.0.headers()
    }

    /// Reads the next row; false at the end.
    pub(in crate::reel) fn next(&mut self, record: &mut StringRecord) -> csv::Result<bool> {
        self.0.get_mut().left = encoding::LONGEST;
        self.0.read_record(record)
    }
}

fn cells(record: &StringRecord) -> impl Iterator<Item = &str> + Clone {
    record.iter().map(|text| match cell(text) {
        std::borrow::Cow::Borrowed(text) => text,
        // Quotes within a quoted name are left as they are.
        std::borrow::Cow::Owned(_) => text,
    })
}

/// Finds the line that names both columns; at the latest where the head of the text ends.
pub(in crate::reel) fn header(text: &str, map: &ColumnMap) -> Result<Header, Unmatched> {
    let mut end = text.len().min(HEAD);
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    let head = &text[..end];
    let mut best: Option<Header> = None;
    let (mut unmatched, mut closest) = (Unmatched::default(), (0, 0));
    for delimiter in DELIMITERS {
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .flexible(true)
            .has_headers(false)
            .trim(csv::Trim::All)
            .from_reader(head.as_bytes());
        let (mut record, mut below) = (StringRecord::new(), false);
        for _ in 0..TITLES {
            if !matches!(reader.read_record(&mut record), Ok(true)) {
                break;
            }
            if below {
                unmatched.first = cells(&record).map(str::to_owned).collect();
                below = false;
            }
            let places = [&map.chip_id, &map.public_key].map(|wanted| map.place(cells(&record), wanted));
            let begins = record.position().and_then(|p| usize::try_from(p.byte()).ok()).unwrap_or(0);
            if let [Place::At(id), Place::At(key)] = places {
                if id != key && best.is_none_or(|b| begins < b.begins) {
                    best = Some(Header { begins, delimiter, width: record.len(), id, key });
                }
                break;
            }
            // The closest to it: one of the names, else the most columns.
            let found = places.iter().filter(|p| **p != Place::Nowhere).count();
            if (found, record.len()) > closest && record.iter().any(|text| !text.is_empty()) {
                closest = (found, record.len());
                unmatched = Unmatched { names: cells(&record).map(str::to_owned).collect(), first: Vec::new() };
                below = true;
            }
        }
    }
    best.ok_or(unmatched)
}

/// Columns that have neither ids nor keys: what they say of a chip is not looked at.
pub(in crate::reel) fn unused(names: &StringRecord, header: Header) -> Vec<String> {
    const SHOWN: usize = 40;
    let others =
        names.iter().enumerate().filter(|(at, name)| ![header.id, header.key].contains(at) && !name.trim().is_empty());
    others.map(|(_, name)| cell(name).chars().take(SHOWN).collect()).collect()
}

/// Reads the chips of a table.
pub(super) fn read(text: &str, header: Header, reading: &mut Reading<'_>) {
    let octets = &text.as_bytes()[header.begins..];
    let end = if text.contains('\n') { b'\n' } else { b'\r' };
    let newlines = |octets: &[u8]| octets.iter().filter(|o| **o == end).count() as u64;
    // The library counts a line only once it reads on, which is one too few where lines end with CR and LF.
    let (mut line, mut counted) = (1 + newlines(&text.as_bytes()[..header.begins]), 0);
    let mut reader = Rows::new(header.delimiter, octets);
    let names = match reader.headers() {
        Ok(names) => names.clone(),
        Err(error) => return reading.tell(&REEL_FORMAT, format!("line {line}"), None, error.to_string()),
    };
    reading.out.unused = unused(&names, header);
    let above = chips_above(text, header);
    if above > 0 || swallowed(&names, header.delimiter).is_some() {
        let found = if above > 0 {
            format!("{} with a chip above the line that names the columns", many(above, "line"))
        } else {
            "a quotation mark makes one name of a column and lines that have chips".into()
        };
        let advice = "In a copy of the file, put the line that names the columns above the chips where it was sorted below \
                      them, or take away the quotation mark that does not close. Nothing was stored.";
        return reading.finding(format!("line {line}"), None, Finding::new(&REEL_FORMAT, found).advising(advice));
    }
    // A line without an end is the last one; where it is not whole either, others may be missing behind it.
    let begins_last = (!text.ends_with(['\n', '\r']))
        .then(|| octets.trim_ascii_end().iter().rposition(|o| matches!(o, b'\n' | b'\r')).map_or(0, |at| at + 1));
    let mut record = StringRecord::new();
    loop {
        match reader.next(&mut record) {
            Ok(true) => {}
            Ok(false) => return,
            Err(error) => {
                let finding = Finding::new(&REEL_FORMAT, error.to_string());
                let finding = if error.is_io_error() { finding.advising(encoding::TOO_LONG_ADVICE) } else { finding };
                return reading.finding(format!("behind line {line}"), None, finding);
            }
        }
        let begins = record.position().and_then(|p| usize::try_from(p.byte()).ok()).unwrap_or(counted);
        let ends = |o: &u8| !matches!(o, b'\r' | b'\n');
        let begins = begins + octets.get(begins..).and_then(|rest| rest.iter().position(ends)).unwrap_or(0);
        line += newlines(octets.get(counted..begins).unwrap_or_default());
        counted = begins.max(counted);
        // A spreadsheet fills rows up to its widest, and leaves empty ones behind.
        let filled =
            record.iter().enumerate().filter(|(_, text)| !text.is_empty()).last().map_or(0, |(last, _)| last + 1);
        if filled == 0 {
            continue;
        }
        let subject = format!("line {line}");
        let exchanged = [(header.id, header.key), (header.key, header.id)];
        if exchanged.iter().all(|(at, other)| record.get(*at).is_some() && record.get(*at) == names.get(*other)) {
            reading.out.read += 1;
            let finding = Finding::new(&REEL_FORMAT, "the names of the columns once more, in another order");
            let advice = "Files were joined whose columns stand in different orders: receive each by itself, as a reel of its \
                          own, or put the columns of one in the order of the other.";
            reading.finding(subject, None, finding.advising(advice));
            continue;
        }
        if [header.id, header.key].iter().all(|at| record.get(*at).is_some() && record.get(*at) == names.get(*at)) {
            reading.out.read += 1;
            let finding = Finding::new(&REEL_FORMAT, "the names of the columns once more");
            let advice = "Files were joined: delete this line and receive the file again.";
            reading.finding(subject, None, finding.advising(advice));
            continue;
        }
        if let Some(within) = swallowed(&record, header.delimiter) {
            reading.out.read += 1;
            let found = format!("a quotation mark makes one cell of {} that have chips", many(within, "further line"));
            let finding = Finding::new(&REEL_FORMAT, found).advising(
                "Take the quotation mark away, or close it in its cell, in a copy of the file. Nothing was stored.",
            );
            let id = record.get(header.id).and_then(|text| chip_id(&cell(text)).ok());
            reading.finding(subject, id, finding);
            continue;
        }
        let is_whole = || {
            let key = record.get(header.key).map(cell);
            filled <= header.width && key.is_some_and(|key| key_text::read(&key).is_ok())
        };
        if begins_last.is_some_and(|last| begins >= last) && !is_whole() {
            reading.out.read += 1;
            let found = "the file ends within this line, which is not whole: chips may be missing behind it";
            let advice = "This copy may be cut off: get the file again, and compare its size with the original. Only where the \
                          line is a total or a note, delete it and receive the file again.";
            reading.finding(subject, None, Finding::new(&REEL_FORMAT, found).advising(advice));
            continue;
        }
        if record.len() < header.width || filled > header.width {
            reading.out.read += 1;
            let id = record.get(header.id).and_then(|text| chip_id(&cell(text)).ok());
            let found = format!("{} where the header has {}", many(record.len(), "field"), header.width);
            // A total or a note has no key.
            if record.iter().any(is_key) {
                reading.tell(&REEL_FORMAT, subject, id, found);
            } else {
                reading.no_chip(subject, found);
            }
            continue;
        }
        let value = |at| record.get(at).map(cell);
        reading.chip(line, subject, value(header.id).as_deref(), value(header.key).as_deref());
    }
}

/// Lines above the names of the columns that have a key: a quotation mark in a title drew them in.
pub(in crate::reel) fn chips_above(text: &str, header: Header) -> usize {
    text[..header.begins].lines().filter(|line| has_key(line, header.delimiter)).count()
}

fn has_key(line: &str, delimiter: u8) -> bool {
    line.split(char::from(delimiter)).any(|cell| is_key(cell.trim().trim_matches('"')))
}

/// Lines with a key that a quotation mark, which does not close in its cell, drew into one cell; none where there is none.
fn swallowed(record: &StringRecord, delimiter: u8) -> Option<usize> {
    let within = record.iter().filter(|cell| cell.contains('\n'));
    let lines: usize = within.map(|cell| cell.lines().skip(1).filter(|line| has_key(line, delimiter)).count()).sum();
    (lines > 0).then_some(lines)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(text: &str) -> Option<(usize, u8, usize, usize)> {
        header(text, &ColumnMap::default()).ok().map(|h| (h.begins, h.delimiter, h.id, h.key))
    }

    #[test]
    fn the_names_are_found_below_titles_and_with_any_delimiter() {
        assert_eq!(found("chip_id,public_key\n"), Some((0, b',', 0, 1)));
        assert_eq!(found("Public Key;Lot;Chip ID\n"), Some((0, b';', 2, 0)));
        assert_eq!(found("sep=;\nchip_id;public_key\n"), Some((6, b';', 0, 1)));
        assert_eq!(found("lot\tchip-id\tpublicKey\n"), Some((0, b'\t', 1, 2)));
        let titled = "Delivery note, 29 Nov;;\n\n\"Parts; 400\";;\nChip ID;Public Key;Lot\n";
        assert_eq!(found(titled).map(|f| (f.1, f.2, f.3)), Some((b';', 0, 1)));
        assert_eq!(found("\"=\"\"chip_id\"\"\",\"public_key\"\n"), Some((0, b',', 0, 1)));
        assert_eq!(found("uid,spki\n"), None);
        // A quote that never ends takes no more than the head.
        assert_eq!(found(&format!("\"{}", "chip_id,public_key\n".repeat(100_000))), None);
    }
}
