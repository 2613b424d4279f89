//! Touched units as a file: written as they come, whole or not at all.

use std::fs::{self, File};
use std::io::{self, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};

use base::trouble::Trouble;
use serde::Serialize;
use site::Site;

use super::{Impact, UnitTouched, Wanted, impact};

/// How units are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// A line a unit, with a heading.
    Csv,
    /// One document: `units`, then the numbers.
    Json,
}

impl Format {
    /// By a file's name; CSV unless it ends in `.json`.
    pub fn of(path: &Path) -> Self {
        if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("json")) { Self::Json } else { Self::Csv }
    }
}

/// A file that was written.
#[derive(Debug, Serialize)]
pub struct Exported {
    pub file: String,
    /// What stands in it.
    #[serde(flatten)]
    pub impact: Impact,
}

/// A spreadsheet takes a field that begins so for a formula; what a person typed must stay text.
fn field(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

fn csv_row(unit: &UnitTouched) -> [String; 16] {
    [
        field(&unit.unit),
        unit.state.word().into(),
        field(&unit.product),
        unit.purpose.word().into(),
        field(&unit.reel),
        unit.chip_id.clone(),
        unit.credential.clone(),
        unit.credential_state.word().into(),
        field(&unit.authority),
        field(&unit.delivery),
        unit.began.clone(),
        unit.changed.clone(),
        field(unit.reason.as_deref().unwrap_or_default()),
        field(unit.firmware.as_deref().unwrap_or_default()),
        unit.revoked.to_string(),
        unit.earlier_board.to_string(),
    ]
}

const HEADING: [&str; 16] = [
    "unit",
    "state",
    "product",
    "purpose",
    "reel",
    "chip_id",
    "credential",
    "credential_state",
    "authority",
    "delivery",
    "began",
    "changed",
    "reason",
    "firmware",
    "revoked",
    "earlier_board",
];

/// Writes all touched units to `out` as they come.
///
/// - `name`: what `out` is called in an error.
///
/// # Errors
///
/// [`Trouble`]; what stands in `out` is then no whole document.
pub fn write_to(
    site: &Site,
    wanted: &Wanted<'_>,
    format: Format,
    out: &mut dyn Write,
    name: &Path,
) -> Result<Impact, Trouble> {
    let failed = |e: io::Error| Trouble::file(name, e);
    match format {
        Format::Csv => {
            let broken = |e: csv::Error| failed(io::Error::other(e));
            let mut csv = csv::Writer::from_writer(out);
            csv.write_record(HEADING).map_err(broken)?;
            let done = impact(site, wanted, &mut |unit| csv.write_record(csv_row(&unit)).map_err(broken))?;
            csv.flush().map_err(failed)?;
            Ok(done)
        }
        Format::Json => {
            out.write_all(b"{\"units\":[").map_err(failed)?;
            let mut first = true;
            let done = impact(site, wanted, &mut |unit| {
                if !std::mem::take(&mut first) {
                    out.write_all(b",").map_err(failed)?;
                }
                serde_json::to_writer(&mut *out, &unit).map_err(|e| failed(e.into()))
            })?;
            let numbers = serde_json::to_string(&done).map_err(|e| failed(e.into()))?;
            // The numbers are an object of their own: its members go on where the units end.
            out.write_all(b"],").and_then(|()| out.write_all(&numbers.as_bytes()[1..])).map_err(failed)?;
            out.write_all(b"\n").map_err(failed)?;
            Ok(done)
        }
    }
}

/// The whole answer as one JSON document, in a file without a name, ready to be read:
/// whoever passes it on passes on all of it or nothing.
///
/// # Errors
///
/// [`Trouble`], as [`impact`].
pub fn document(site: &Site, wanted: &Wanted<'_>) -> Result<File, Trouble> {
    let name = Path::new("a temporary file");
    let failed = |e: io::Error| Trouble::file(name, e);
    let mut out = BufWriter::with_capacity(1 << 16, tempfile::tempfile().map_err(failed)?);
    write_to(site, wanted, Format::Json, &mut out, name)?;
    let mut file = out.into_inner().map_err(|e| failed(e.into_error()))?;
    file.rewind().map_err(failed)?;
    Ok(file)
}

/// Writes all touched units to a file, which is there when all of them are.
///
/// # Errors
///
/// [`Trouble`]; a file that is there already is not touched.
pub fn export(site: &Site, wanted: &Wanted<'_>, path: &Path, format: Format) -> Result<Exported, Trouble> {
    if path.exists() {
        return Err(Trouble::file(path, io::ErrorKind::AlreadyExists.into()));
    }
    let dir = path.parent().filter(|d| !d.as_os_str().is_empty()).map_or_else(|| PathBuf::from("."), Path::to_owned);
    if !fs::metadata(&dir).is_ok_and(|m| m.is_dir()) {
        return Err(Trouble::file(&dir, io::ErrorKind::NotFound.into()));
    }
    let failed = |e: io::Error| Trouble::file(path, e);
    let file = tempfile::NamedTempFile::new_in(&dir).map_err(failed)?;
    let mut out = BufWriter::with_capacity(1 << 16, file);
    let done = write_to(site, wanted, format, &mut out, path)?;
    let file = out.into_inner().map_err(|e| failed(e.into_error()))?;
    file.as_file().sync_all().map_err(failed)?;
    file.persist_noclobber(path).map_err(|e| failed(e.error))?;
    Ok(Exported { file: path.display().to_string(), impact: done })
}
