//! Reading a manifest: which chips are on a reel, with which keys.
//!
//! CSV (any delimiter, byte order mark, CRLF, quotes), one JSON object a line,
//! or certificates of the chips, in a file, directory or archive. All or
//! nothing: every fault is told with its line, and one is enough to refuse.

use std::collections::HashMap;
use std::convert::Infallible;
use std::io::Read;
use std::path::Path;
use std::str::FromStr;

use serde_json::Value;
use standard::detect::{Item, detect};
use standard::key::PublicKey;
use standard::verdict::catalogue::intake::{
    REEL_COLUMN, REEL_DUPLICATE_CHIP, REEL_DUPLICATE_KEY, REEL_FORMAT, REEL_KEY,
};
use standard::verdict::{Finding, Rule};

use super::key_text;
use crate::course::{Course, Phase};
use crate::findings::{About, Findings, SharedFinding};
use crate::intake::{self, Entry, IntakeError, Limits};

/// A chip as a manifest names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChipRow {
    /// Hex digits in upper case.
    pub chip_id: String,
    /// Its public key.
    pub key: PublicKey,
    /// Line in the manifest, counted from 1; the entry's number for certificates.
    pub line: u64,
}

/// What a manifest says.
#[derive(Debug, Clone, Default)]
pub struct Manifest {
    /// Chips, in the manifest's order.
    pub chips: Vec<ChipRow>,
    /// Lines or certificates read.
    pub read: u64,
    /// What is wrong; none where it can be received.
    pub findings: Vec<SharedFinding>,
}

/// Which columns hold what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ColumnMap {
    /// Column of the chip id.
    pub chip_id: String,
    /// Column of the public key.
    pub public_key: String,
}

impl Default for ColumnMap {
    fn default() -> Self {
        Self { chip_id: "chip_id".into(), public_key: "public_key".into() }
    }
}

impl FromStr for ColumnMap {
    type Err = String;

    /// `chip_id=COL,public_key=COL`, either of the two left out at will.
    fn from_str(text: &str) -> Result<Self, String> {
        let mut map = Self::default();
        for pair in text.split(',') {
            match pair.split_once('=').map(|(name, column)| (name.trim(), column.trim())) {
                Some((_, "")) => return Err(format!("{pair:?} names no column")),
                Some(("chip_id", column)) => map.chip_id = column.into(),
                Some(("public_key", column)) => map.public_key = column.into(),
                _ => return Err(format!("{pair:?} is neither chip_id=COLUMN nor public_key=COLUMN")),
            }
        }
        Ok(map)
    }
}

struct Reading<'c> {
    out: Manifest,
    findings: Findings,
    turn: u64,
    ids: HashMap<String, usize>,
    keys: HashMap<[u8; 65], usize>,
    unit: &'static str,
    course: &'c Course,
}

impl Reading<'_> {
    fn tell(&mut self, rule: &'static Rule, subject: String, chip_id: Option<String>, found: String) {
        let about = chip_id.map_or(About::Nothing, About::Id);
        self.findings.tell((0, self.turn, 0), || subject, about, Finding::new(rule, found));
        self.turn += 1;
    }

    fn chip(&mut self, line: u64, subject: String, id: Option<&str>, key: Option<&str>) {
        self.out.read += 1;
        self.course.advance(1);
        // Whoever reads on is told in the end.
        if self.course.go_on().is_err() {
            return;
        }
        let id = match id.map(chip_id) {
            Some(Ok(id)) => id,
            Some(Err(why)) => return self.tell(&REEL_COLUMN, subject, None, why),
            None => return self.tell(&REEL_COLUMN, subject, None, "no chip id".into()),
        };
        let Some(text) = key.filter(|t| !t.trim().is_empty()) else {
            return self.tell(&REEL_COLUMN, subject, Some(id), "no public key".into());
        };
        match key_text::read(text) {
            Ok(key) => self.add(line, subject, id, key),
            Err(why) => self.tell(&REEL_KEY, subject, Some(id.clone()), format!("chip {id}: {why}")),
        }
    }

    fn add(&mut self, line: u64, subject: String, id: String, key: PublicKey) {
        let place = |row: &ChipRow, unit: &str| format!("{unit} {}", row.line);
        let mut fault = None;
        if let Some(before) = self.ids.get(&id) {
            let at = place(&self.out.chips[*before], self.unit);
            fault = Some((&REEL_DUPLICATE_CHIP, format!("chip {id} stands on {at} already")));
        } else if let Some(before) = self.keys.get(key.point()) {
            let row = &self.out.chips[*before];
            let at = place(row, self.unit);
            fault = Some((&REEL_DUPLICATE_KEY, format!("chip {id} has the key of chip {} on {at}", row.chip_id)));
        }
        if let Some((rule, found)) = fault {
            return self.tell(rule, subject, Some(id), found);
        }
        let index = self.out.chips.len();
        self.ids.insert(id.clone(), index);
        self.keys.insert(*key.point(), index);
        self.out.chips.push(ChipRow { chip_id: id, key, line });
    }

    fn finish(self) -> Manifest {
        let Ok(findings) = self.findings.told::<Infallible>(&|_| Ok(String::new()));
        Manifest { findings, ..self.out }
    }
}

/// A chip id in upper case.
///
/// # Errors
///
/// Where it is not 2 to 128 hex digits.
pub fn chip_id(text: &str) -> Result<String, String> {
    let bare: String = text.trim().trim_start_matches("0x").chars().filter(|c| !matches!(c, ':' | '-' | ' ')).collect();
    if !(2..=128).contains(&bare.len()) || !bare.bytes().all(|b| b.is_ascii_hexdigit()) {
        let shown: String = text.chars().take(40).collect();
        return Err(format!("chip id {shown:?}, which is not hexadecimal digits"));
    }
    Ok(bare.to_ascii_uppercase())
}

/// Reads a manifest.
///
/// # Errors
///
/// [`IntakeError`] where it can't be opened at all. What can be read and is
/// wrong is in [`Manifest::findings`].
pub fn read(path: &Path, map: &ColumnMap, course: &Course) -> Result<Manifest, IntakeError> {
    course.phase(Phase::Reading, None);
    let mut entries = Vec::new();
    intake::open(path, Limits::default(), None, &mut |entry| {
        entries.push(entry);
        Ok(())
    })?;
    let reading = Reading {
        out: Manifest::default(),
        findings: Findings::default(),
        turn: 0,
        ids: HashMap::new(),
        keys: HashMap::new(),
        unit: "line",
        course,
    };
    // One text in an archive of its own is as good as the text.
    let single = match entries.as_slice() {
        [only] => !looks_like_certificates(&only.octets),
        _ => false,
    };
    let manifest = if single {
        match entries.pop() {
            Some(entry) => text(&entry, map, reading),
            None => reading.finish(),
        }
    } else {
        certificates(&entries, reading)
    };
    course.go_on()?;
    Ok(manifest)
}

pub(super) fn looks_like_certificates(octets: &[u8]) -> bool {
    octets.first() == Some(&0x30)
        || octets.windows(10).take(4096).any(|w| w == b"-----BEGIN") && !octets.contains(&b'{') && !has_header(octets)
}

/// Whether the first line looks like a CSV header rather than PEM.
fn has_header(octets: &[u8]) -> bool {
    let first = octets.split(|o| *o == b'\n').next().unwrap_or_default();
    !first.starts_with(b"-----") && first.iter().any(|o| matches!(o, b',' | b';' | b'\t' | b'|'))
}

fn text(entry: &Entry, map: &ColumnMap, mut reading: Reading<'_>) -> Manifest {
    let octets = entry.octets.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&entry.octets);
    let decoded;
    // Spreadsheets also write UTF-16 with a byte order mark.
    let text = if octets.starts_with(&[0xFF, 0xFE]) || octets.starts_with(&[0xFE, 0xFF]) {
        let big = octets[0] == 0xFE;
        let units = octets[2..]
            .chunks_exact(2)
            .map(|p| if big { u16::from_be_bytes([p[0], p[1]]) } else { u16::from_le_bytes([p[0], p[1]]) });
        decoded = char::decode_utf16(units).map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER)).collect::<String>();
        &decoded
    } else {
        match std::str::from_utf8(octets) {
            Ok(text) => text,
            Err(error) => {
                let line = octets[..error.valid_up_to()].iter().filter(|o| **o == b'\n').count() + 1;
                reading.tell(&REEL_FORMAT, format!("line {line}"), None, "text that is not UTF-8".into());
                return reading.finish();
            }
        }
    };
    if text.trim().is_empty() {
        reading.tell(&REEL_FORMAT, entry.name.clone(), None, "nothing in it".into());
        return reading.finish();
    }
    if text.trim_start().starts_with(['{', '[']) {
        json(text, map, &mut reading);
    } else {
        table(text, map, &mut reading);
    }
    if reading.out.read == 0 && reading.findings.is_empty() {
        reading.tell(&REEL_FORMAT, entry.name.clone(), None, "a header and no chip".into());
    }
    reading.finish()
}

fn json(text: &str, map: &ColumnMap, reading: &mut Reading<'_>) {
    // One array of objects is read like as many lines.
    if text.trim_start().starts_with('[') {
        match serde_json::from_str::<Vec<Value>>(text) {
            Ok(values) => {
                reading.unit = "entry";
                for (index, value) in values.iter().enumerate() {
                    object(index as u64 + 1, value, map, reading);
                }
            }
            Err(error) => {
                reading.tell(&REEL_FORMAT, format!("line {}", error.line()), None, format!("no JSON: {error}"))
            }
        }
        return;
    }
    for (index, line) in text.lines().enumerate() {
        let number = index as u64 + 1;
        if line.trim().is_empty() {
            continue;
        }
        match serde_json::from_str::<Value>(line) {
            Ok(value) => object(number, &value, map, reading),
            Err(error) => {
                reading.out.read += 1;
                // The column, not the line: the reader counts lines from 1 within this one.
                let why = error.to_string();
                let why = why.split(" at line").next().unwrap_or("unreadable").to_owned();
                reading.tell(&REEL_FORMAT, format!("line {number}"), None, format!("no JSON object: {why}"));
            }
        }
    }
}

/// A field's text.
pub(super) fn field(value: &Value, name: &str) -> Option<String> {
    match value.get(name) {
        Some(Value::String(text)) => Some(text.clone()),
        // A chip id of digits alone may have been written as a number.
        Some(Value::Number(number)) => Some(number.to_string()),
        _ => None,
    }
}

fn object(number: u64, value: &Value, map: &ColumnMap, reading: &mut Reading<'_>) {
    let subject = format!("{} {number}", reading.unit);
    let field = |name: &str| field(value, name);
    if !value.is_object() {
        reading.out.read += 1;
        return reading.tell(&REEL_FORMAT, subject, None, "JSON that is no object".into());
    }
    let (id, key) = (field(&map.chip_id), field(&map.public_key));
    if id.is_none() && value.get(&map.chip_id).is_none() {
        reading.out.read += 1;
        let names: Vec<_> = value.as_object().map(|o| o.keys().take(12).cloned().collect()).unwrap_or_default();
        return reading.tell(
            &REEL_COLUMN,
            subject,
            None,
            format!("no {:?}; there are {}", map.chip_id, names.join(", ")),
        );
    }
    reading.chip(number, subject, id.as_deref(), key.as_deref());
}

/// The delimiter that makes the wanted columns appear in the header; else the most frequent.
pub(super) fn delimiter(header: &str, map: &ColumnMap) -> u8 {
    let candidates = [b',', b';', b'\t', b'|'];
    let columns = |delimiter: u8| {
        header
            .split(char::from(delimiter))
            .filter(|name| {
                let name = name.trim().trim_matches('"');
                name.eq_ignore_ascii_case(&map.chip_id) || name.eq_ignore_ascii_case(&map.public_key)
            })
            .count()
    };
    let frequency = |delimiter: u8| header.bytes().filter(|b| *b == delimiter).count();
    candidates.into_iter().max_by_key(|d| (columns(*d), frequency(*d))).unwrap_or(b',')
}

/// The line with the columns' names, after as many octets as are passed over.
pub(super) fn header(text: &str) -> Option<(usize, &str)> {
    // Some spreadsheets say the delimiter on a line of its own.
    let passed = match text.split_once('\n') {
        Some((first, _)) if first.trim_end().to_ascii_lowercase().starts_with("sep=") => first.len() + 1,
        _ => 0,
    };
    text[passed..].lines().find(|l| !l.trim().is_empty()).map(|line| (passed, line))
}

pub(super) fn csv_reader<R: Read>(delimiter: u8, from: R) -> csv::Reader<R> {
    csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).trim(csv::Trim::All).from_reader(from)
}

/// The column of this name: as written, else in any case.
pub(super) fn column(header: &csv::StringRecord, name: &str) -> Option<usize> {
    header.iter().position(|h| h == name).or_else(|| header.iter().position(|h| h.eq_ignore_ascii_case(name)))
}

fn table(text: &str, map: &ColumnMap, reading: &mut Reading<'_>) {
    let (passed, header_line) = header(text).unwrap_or((0, ""));
    let (skipped, body) = (u64::from(passed > 0), &text[passed..]);
    let mut reader = csv_reader(delimiter(header_line, map), body.as_bytes());
    let header = match reader.headers() {
        Ok(header) => header.clone(),
        Err(error) => return reading.tell(&REEL_FORMAT, "line 1".into(), None, error.to_string()),
    };
    let column = |name: &str| column(&header, name);
    let (Some(id), Some(key)) = (column(&map.chip_id), column(&map.public_key)) else {
        let missing: Vec<_> = [&map.chip_id, &map.public_key]
            .into_iter()
            .filter(|n| column(n).is_none())
            .map(|n| format!("{n:?}"))
            .collect();
        let names: Vec<_> = header.iter().take(12).map(|h| h.chars().take(40).collect::<String>()).collect();
        let found = format!("no column {}; there are {}", missing.join(" and "), names.join(", "));
        return reading.tell(&REEL_COLUMN, "line 1".into(), None, found);
    };
    let mut record = csv::StringRecord::new();
    loop {
        match reader.read_record(&mut record) {
            Ok(true) => {}
            Ok(false) => return,
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line) + skipped;
                return reading.tell(&REEL_FORMAT, format!("line {line}"), None, error.to_string());
            }
        }
        let line = record.position().map_or(0, csv::Position::line) + skipped;
        let subject = format!("line {line}");
        if record.len() != header.len() {
            reading.out.read += 1;
            let id = record.get(id).and_then(|t| chip_id(t).ok());
            let found = format!("{} fields where the header has {}", record.len(), header.len());
            reading.tell(&REEL_FORMAT, subject, id, found);
            continue;
        }
        reading.chip(line, subject, record.get(id), record.get(key));
    }
}

fn certificates(entries: &[Entry], mut reading: Reading<'_>) -> Manifest {
    reading.unit = "entry";
    for entry in entries {
        let items = match detect(&entry.octets) {
            Ok(items) => items,
            Err(standard::detect::DetectError::Unknown | standard::detect::DetectError::Empty) => continue,
            Err(why) => {
                reading.tell(&REEL_FORMAT, entry.name.clone(), None, why.to_string());
                continue;
            }
        };
        for item in items {
            let Item::Certificate(c) = item else { continue };
            // An authority's certificate that came along is no chip.
            if c.basic_constraints().is_some_and(|b| b.ca) {
                continue;
            }
            reading.out.read += 1;
            let stem = Path::new(&entry.name).file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            let told = [c.subject.serial_number(c.der()), c.subject.common_name(c.der()), Some(stem)];
            let id = told.into_iter().flatten().find_map(|text| chip_id(&text).ok());
            let number = reading.out.read;
            match (id, c.key.key.clone()) {
                (Some(id), Ok(key)) => reading.add(number, entry.name.clone(), id, key),
                (Some(id), Err(why)) => {
                    reading.tell(&REEL_KEY, entry.name.clone(), Some(id.clone()), format!("chip {id}: {why}"))
                }
                (None, _) => {
                    let found = "a certificate that tells no chip id, in serialNumber, commonName or file name";
                    reading.tell(&REEL_COLUMN, entry.name.clone(), None, found.into());
                }
            }
        }
    }
    if reading.out.read == 0 && reading.findings.is_empty() {
        reading.tell(&REEL_FORMAT, "manifest".into(), None, "no chip in it".into());
    }
    reading.finish()
}
