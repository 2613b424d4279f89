//! Units and their codes, from a file or from the command line.
//!
//! Files: NDJSON (one object a line) or CSV (a header; comma, semicolon or tab),
//! told apart by their first character. Columns `unit qr manual serial product
//! vendor vid pid test`, any order; `vendor_id` and `product_id` stand for `vid`
//! and `pid`; all others are free values for templates. Read line by line, each
//! line bounded.

use std::collections::HashMap;
use std::fs::File;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};

use base::advice::{Advise, Kind};
use base::encoding::{self, LONGEST, is_rounded};
use print::LabelData;
use zeroize::Zeroizing;

use crate::label::payload;

/// Why units can't be taken from where they are. Nothing was printed.
#[derive(Debug, thiserror::Error)]
pub enum UnitsError {
    /// The file can't be read.
    #[error("{} can't be read", .path.display())]
    File { path: PathBuf, source: std::io::Error },
    /// A column is missing or there twice.
    #[error("{} {what}", .path.display())]
    Columns {
        path: PathBuf,
        /// What is wrong with its header.
        what: String,
    },
    /// A line makes no sense.
    #[error("{}, line {line}: {what}", .path.display())]
    Line {
        path: PathBuf,
        /// Line, from 1.
        line: u64,
        /// What is wrong with it.
        what: String,
    },
    /// A unit's codes make no sense, or don't go together.
    #[error("unit {unit}: {what}")]
    Unit {
        unit: String,
        /// What is wrong with it.
        what: String,
    },
}

impl Advise for UnitsError {
    fn kind(&self) -> Kind {
        match self {
            Self::Unit { .. } => Kind::Refused,
            _ => Kind::Usage,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(match self {
            Self::File { .. } => "Give an NDJSON or CSV file that exists and may be read.".into(),
            Self::Columns { .. } => {
                "The header needs unit, qr and manual; serial, product, vendor, vid, pid, test and any others are optional."
                    .into()
            }
            Self::Line { .. } => "Correct the line; nothing was printed.".into(),
            Self::Unit { .. } => "Get the unit's codes from their source; nothing was printed.".into(),
        })
    }
}

/// What holds for all units that say nothing else.
#[derive(Debug, Clone, Default)]
pub struct Defaults {
    pub product: Option<String>,
    pub vendor: Option<String>,
    /// All of them are test products.
    pub test: bool,
    pub values: Vec<(String, String)>,
}

/// Completes a unit and checks that its codes are of one unit.
///
/// - `serial` is the unit's name where there is none.
/// - `vid` and `pid` come from the payload, and must be those given, if given.
/// - A test vendor makes it a test product, whatever else was said.
///
/// # Errors
///
/// [`UnitsError::Unit`].
pub fn complete(mut data: LabelData, defaults: &Defaults) -> Result<LabelData, UnitsError> {
    let unit = data.unit.clone();
    let refuse = |what: String| UnitsError::Unit { unit: unit.clone(), what };
    if data.unit.is_empty() {
        return Err(refuse("it has no name".into()));
    }
    if data.qr.is_empty() {
        return Err(refuse("the QR text is missing".into()));
    }
    if data.manual.is_empty() {
        return Err(refuse("the manual code is missing".into()));
    }
    let payloads = payload::unpack(&data.qr).map_err(|why| refuse(format!("the QR text {why}")))?;
    let manual = payload::take_apart(&data.manual).map_err(|why| refuse(format!("the manual code {why}")))?;
    let apart: Vec<_> = payloads.iter().map(|p| payload::differences_of_manual(p, &manual)).collect();
    if let (Some(first), true) = (apart.first(), apart.iter().all(|a| !a.is_empty())) {
        return Err(refuse(format!(
            "QR text and manual code belong to different units: they differ in {}",
            first.join(", ")
        )));
    }
    if let Some(first) = payloads.first() {
        for (name, given, told) in [("vid", &mut data.vid, first.vendor_id), ("pid", &mut data.pid, first.product_id)] {
            let told = format!("{told:04X}");
            let plain = given.trim().trim_start_matches("0x").to_ascii_uppercase();
            if !plain.is_empty() && plain != told {
                return Err(refuse(format!("{name} is {plain}, but its QR text says {told}")));
            }
            *given = told;
        }
    }
    data.test |= defaults.test || payloads.iter().any(|p| payload::is_test_vendor(p.vendor_id));
    if data.serial.is_empty() {
        data.serial.clone_from(&data.unit);
    }
    for (value, default) in [(&mut data.product, &defaults.product), (&mut data.vendor, &defaults.vendor)] {
        if let (true, Some(default)) = (value.is_empty(), default) {
            value.clone_from(default);
        }
    }
    for (name, value) in &defaults.values {
        data.values.entry(name.clone()).or_insert_with(|| value.clone());
    }
    Ok(data)
}

/// Units of a file, completed, each only once.
pub struct Units {
    path: PathBuf,
    lines: BufReader<File>,
    line: u64,
    columns: Option<Columns>,
    defaults: Defaults,
    /// Where each unit and each QR text was first, by hash: a run may have many.
    seen: HashMap<u64, u64>,
    failed: bool,
}

struct Columns {
    delimiter: u8,
    names: Vec<String>,
}

impl Units {
    /// Opens a file and reads its header.
    ///
    /// # Errors
    ///
    /// [`UnitsError`] for a file that can't be read, or a header without the
    /// columns that a label needs.
    pub fn open(path: &Path, defaults: Defaults) -> Result<Self, UnitsError> {
        let failed = |source| UnitsError::File { path: path.to_owned(), source };
        let file = File::open(path).map_err(failed)?;
        let mut units = Self {
            path: path.to_owned(),
            lines: BufReader::new(file),
            line: 0,
            columns: None,
            defaults,
            seen: HashMap::new(),
            failed: false,
        };
        let ahead = units.lines.fill_buf().map_err(failed)?;
        let start = ahead.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(ahead);
        if start.iter().find(|b| !b.is_ascii_whitespace()) == Some(&b'{') {
            return Ok(units);
        }
        let header = match units.next_line()? {
            Some(header) => header,
            None => return Err(UnitsError::Columns { path: path.to_owned(), what: "is empty".into() }),
        };
        units.columns = Some(columns(path, &header)?);
        Ok(units)
    }

    /// The next line that is not blank.
    fn next_line(&mut self) -> Result<Option<Zeroizing<String>>, UnitsError> {
        loop {
            let mut line = Zeroizing::new(Vec::new());
            let read = std::io::Read::take(&mut self.lines, LONGEST as u64 + 1)
                .read_until(b'\n', &mut line)
                .map_err(|source| UnitsError::File { path: self.path.clone(), source })?;
            if read == 0 {
                return Ok(None);
            }
            self.line += 1;
            let bad = |what: &str| UnitsError::Line { path: self.path.clone(), line: self.line, what: what.into() };
            if read > LONGEST && line.last() != Some(&b'\n') {
                return Err(bad(&encoding::too_long("a line")));
            }
            let text = std::str::from_utf8(&line).map_err(|_| bad("not UTF-8"))?;
            let text = if self.line == 1 { text.trim_start_matches('\u{FEFF}') } else { text };
            let text = text.trim_end_matches(['\n', '\r']);
            if !text.trim().is_empty() {
                return Ok(Some(Zeroizing::new(text.to_owned())));
            }
        }
    }

    fn read(&mut self) -> Result<Option<LabelData>, UnitsError> {
        let Some(text) = self.next_line()? else { return Ok(None) };
        let bad = |what: String| UnitsError::Line { path: self.path.clone(), line: self.line, what };
        let mut data = LabelData::default();
        match &self.columns {
            Some(columns) => {
                let fields = split(&text, columns.delimiter).map_err(bad)?;
                if fields.len() != columns.names.len() {
                    let what = format!("{} fields, but the header has {}", fields.len(), columns.names.len());
                    return Err(bad(what));
                }
                for (name, value) in columns.names.iter().zip(&*fields) {
                    put(&mut data, name, value.trim()).map_err(bad)?;
                }
            }
            None => {
                let value: serde_json::Map<String, serde_json::Value> = serde_json::from_str(&text)
                    .map_err(|e| bad(format!("not a JSON object: {:?} at column {}", e.classify(), e.column())))?;
                for (name, value) in &value {
                    let text = match value {
                        serde_json::Value::Null => continue,
                        serde_json::Value::String(text) => text.clone(),
                        serde_json::Value::Number(number) => number.to_string(),
                        serde_json::Value::Bool(yes) => yes.to_string(),
                        _ => return Err(bad(format!("the value of {name} is not text, a number, true or false"))),
                    };
                    put(&mut data, &known_name(name), &text).map_err(bad)?;
                }
            }
        }
        if data.unit.is_empty() {
            return Err(bad("no unit".into()));
        }
        let data = complete(data, &self.defaults)?;
        if is_rounded(&data.serial) {
            return Err(bad(format!(
                "serial number {}, which a spreadsheet took for a number and rounded",
                data.serial
            )));
        }
        // Capital and small letters count as the same: a reader of labels takes them for one.
        let (unit, serial) = (data.unit.to_uppercase(), data.serial.to_uppercase());
        for (what, value) in [("unit", unit.as_str()), ("QR text", data.qr.as_str()), ("serial", serial.as_str())] {
            let mut hasher = DefaultHasher::new();
            (what, value).hash(&mut hasher);
            if let Some(first) = self.seen.insert(hasher.finish(), self.line) {
                let what = match what {
                    "unit" => format!("unit {} again, first on line {first}", data.unit),
                    "serial" => format!("unit {} has the serial number of the unit on line {first}", data.unit),
                    _ => format!("unit {} has the QR text of the unit on line {first}", data.unit),
                };
                return Err(UnitsError::Line { path: self.path.clone(), line: self.line, what });
            }
        }
        Ok(Some(data))
    }
}

impl Iterator for Units {
    type Item = Result<LabelData, UnitsError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        let next = self.read().transpose();
        self.failed = matches!(next, Some(Err(_)));
        next
    }
}

fn columns(path: &Path, header: &str) -> Result<Columns, UnitsError> {
    let refuse = |what: String| UnitsError::Columns { path: path.to_owned(), what };
    let count = |delimiter: u8| header.bytes().filter(|b| *b == delimiter).count();
    let delimiter = *[b',', b';', b'\t'].iter().max_by_key(|d| count(**d)).unwrap_or(&b',');
    let fields = split(header, delimiter).map_err(refuse)?;
    let names: Vec<String> = fields.iter().map(|n| known_name(n)).collect();
    for (i, name) in names.iter().enumerate() {
        if names[..i].contains(name) {
            return Err(refuse(format!("has the column {name} twice")));
        }
    }
    for needed in ["unit", "qr", "manual"] {
        if !names.iter().any(|n| n == needed) {
            return Err(refuse(format!("has no column {needed}")));
        }
    }
    Ok(Columns { delimiter, names })
}

fn split(line: &str, delimiter: u8) -> Result<Zeroizing<Vec<String>>, String> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .delimiter(delimiter)
        .buffer_capacity(line.len().max(64))
        .from_reader(line.as_bytes());
    let mut record = csv::StringRecord::new();
    match reader.read_record(&mut record) {
        Ok(true) => Ok(Zeroizing::new(record.iter().map(str::to_owned).collect())),
        Ok(false) => Err("no fields".into()),
        Err(_) => Err("not CSV".into()),
    }
}

fn known_name(name: &str) -> String {
    let name = name.trim().to_lowercase();
    let bare: String = name.chars().filter(|c| !matches!(c, ' ' | '_' | '-' | '.')).collect();
    match bare.as_str() {
        "vendorid" => "vid".into(),
        "productid" => "pid".into(),
        "serialnumber" | "serialno" => "serial".into(),
        _ => name,
    }
}

fn put(data: &mut LabelData, name: &str, value: &str) -> Result<(), String> {
    let slot = match name {
        "unit" => &mut data.unit,
        "qr" => &mut *data.qr,
        "manual" => &mut *data.manual,
        "serial" => &mut data.serial,
        "product" => &mut data.product,
        "vendor" => &mut data.vendor,
        "vid" => &mut data.vid,
        "pid" => &mut data.pid,
        "test" => {
            data.test = match value.to_ascii_lowercase().as_str() {
                "true" | "yes" | "1" => true,
                "" | "false" | "no" | "0" => false,
                _ => return Err("test is neither true nor false".into()),
            };
            return Ok(());
        }
        free => {
            data.values.insert(free.to_owned(), value.to_owned());
            return Ok(());
        }
    };
    value.clone_into(slot);
    Ok(())
}
