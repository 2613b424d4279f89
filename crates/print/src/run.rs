//! A run of labels into one file, or into one file each; all of it appears, or
//! none of it does.
//!
//! Labels are laid out and proven on all cores, a batch of pages at a time, and
//! each page goes out before the next batch is read: memory does not grow with
//! the run.

use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use rayon::prelude::*;

use crate::data::LabelData;
use crate::error::{LabelError, RunError};
use crate::label::{Press, Proven, lay};
use crate::pdf::{Book, Page, compose};
use crate::sheet::Sheet;
use crate::template::Template;

/// Labels that are in memory at once, about.
const BATCH: usize = 256;

/// What a run did.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Tally {
    pub labels: u64,
    /// Symbols drawn and read back; as many as labels.
    pub decoded: u64,
    /// Of them, labels of test products.
    pub test: u64,
    pub pages: u64,
    /// Smallest module, mm, and its dots.
    pub module: Option<(f32, u32)>,
    /// Time of all cores on labels.
    pub work: Duration,
    /// Of that, drawing symbols and reading them back.
    pub proving: Duration,
}

impl Tally {
    fn count(&mut self, label: &Proven<'_>, test: bool, copies: u64) {
        self.labels += copies;
        self.decoded += copies;
        self.test += if test { copies } else { 0 };
        self.proving += label.proving_time();
        let module = (label.module_mm(), label.module_dots());
        self.module = Some(self.module.filter(|m| m.0 <= module.0).unwrap_or(module));
    }

    fn add(&mut self, other: &Self) {
        self.labels += other.labels;
        self.decoded += other.decoded;
        self.test += other.test;
        self.work += other.work;
        self.proving += other.proving;
        self.module = match (self.module, other.module) {
            (Some(a), Some(b)) => Some(if a.0 <= b.0 { a } else { b }),
            (a, b) => a.or(b),
        };
    }

    /// Share of the work that went into drawing symbols and reading them back, 0 to 1.
    pub fn proving_share(&self) -> f64 {
        let work = self.work.as_secs_f64();
        if work > 0.0 { self.proving.as_secs_f64() / work } else { 0.0 }
    }
}

/// A unit's label, with the unit named where it is refused.
///
/// # Errors
///
/// [`RunError::Label`].
pub fn proven<'t>(template: &'t Template, data: &LabelData, press: &Press) -> Result<Proven<'t>, RunError> {
    lay(template, data, press)
        .and_then(crate::label::Laid::prove)
        .map_err(|source| RunError::Label { unit: data.unit.clone(), source })
}

/// Writes a PDF of labels.
///
/// - `units`: read as the run goes on; the first error ends the run.
/// - `copies`: labels a unit, next to one another.
/// - `progress`: told how many labels are done.
///
/// # Errors
///
/// [`RunError`] turned into `E`, or an error of `units`. The caller discards
/// what was written to `out`; [`write_whole`] does.
pub fn pdf<W, E>(
    out: W,
    (template, press, sheet): (&Template, &Press, &Sheet),
    units: impl Iterator<Item = Result<LabelData, E>>,
    copies: u32,
    progress: &dyn Fn(u64),
) -> Result<Tally, E>
where
    W: Write,
    E: From<RunError>,
{
    let copies = copies.max(1) as usize;
    let title = format!("Labels, {}", template.name());
    let mut book = Book::start(out, template, sheet, &title).map_err(RunError::Out)?;
    let per_page = sheet.cells.len();
    let mut tally = Tally::default();
    let mut units = units.fuse().peekable();
    let mut page = Filling { skip: sheet.skip as usize, labels: Vec::new() };
    while units.peek().is_some() {
        let batch = units.by_ref().take(BATCH.div_ceil(copies)).collect::<Result<Vec<_>, E>>()?;
        let made: Vec<Result<(Proven<'_>, Duration), RunError>> = batch
            .par_iter()
            .map(|data| {
                let started = Instant::now();
                let label = proven(template, data, press)?;
                Ok((label, started.elapsed()))
            })
            .collect();
        for (made, data) in made.into_iter().zip(&batch) {
            let (label, work) = made?;
            tally.work += work;
            tally.count(&label, data.test, copies as u64);
            page.labels.extend(std::iter::repeat_n((label, data.test), copies));
        }
        let last = units.peek().is_none();
        for (content, work) in page.full_pages(per_page, last, sheet).map_err(RunError::Out)? {
            tally.work += work;
            book.page(&content).map_err(RunError::Out)?;
        }
        progress(tally.labels);
    }
    if tally.labels == 0 {
        return Err(RunError::Nothing.into());
    }
    tally.pages = book.pages();
    book.finish().map_err(RunError::Out)?;
    Ok(tally)
}

/// Labels that wait for their page.
struct Filling<'t> {
    /// Cells of the coming page that stay empty.
    skip: usize,
    labels: Vec<(Proven<'t>, bool)>,
}

impl Filling<'_> {
    /// Composes every page that is full, and with `last` the one that is not.
    fn full_pages(&mut self, per_page: usize, last: bool, sheet: &Sheet) -> io::Result<Vec<(Page, Duration)>> {
        let mut pages = Vec::new();
        let mut at = 0;
        while at < self.labels.len() {
            let take = (per_page - self.skip).min(self.labels.len() - at);
            if take < per_page - self.skip && !last {
                break;
            }
            pages.push((self.skip, at..at + take));
            self.skip = 0;
            at += take;
        }
        let made = pages
            .into_par_iter()
            .map(|(skip, range)| {
                let started = Instant::now();
                let labels: Vec<_> = sheet.cells[skip..]
                    .iter()
                    .zip(&self.labels[range])
                    .map(|(corner, (label, test))| (*corner, label, *test))
                    .collect();
                compose(sheet.page_mm, &labels).map(|page| (page, started.elapsed()))
            })
            .collect();
        self.labels.drain(..at);
        made
    }
}

/// Kinds of files with one label.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Single {
    /// Vector, in millimetres.
    Svg,
    /// Pixels at the press's resolution.
    Png,
}

impl Single {
    /// What its files end in.
    pub const fn extension(self) -> &'static str {
        match self {
            Self::Svg => "svg",
            Self::Png => "png",
        }
    }

    fn octets(self, label: &Proven<'_>) -> Result<Vec<u8>, LabelError> {
        match self {
            Self::Svg => Ok(label.svg().as_bytes().to_vec()),
            Self::Png => label.png(),
        }
    }
}

/// Makes one label's file.
///
/// # Errors
///
/// [`RunError::Label`].
pub fn single(
    kind: Single,
    template: &Template,
    data: &LabelData,
    press: &Press,
) -> Result<(Vec<u8>, Tally), RunError> {
    let started = Instant::now();
    let label = proven(template, data, press)?;
    let octets = kind.octets(&label).map_err(|source| RunError::Label { unit: data.unit.clone(), source })?;
    let mut tally = Tally { work: started.elapsed(), ..Tally::default() };
    tally.count(&label, data.test, 1);
    Ok((octets, tally))
}

/// Writes one file a unit, named after it, into `directory`.
///
/// The files are made beside the directory and moved in once all of them are
/// whole; names with other characters than letters, digits, `-`, `_` and `.`
/// have these as `%` and two hex digits an octet.
///
/// - `settle`: called once, when all files are whole and none is moved in yet.
///
/// # Errors
///
/// As [`pdf`], and what `settle` returns; then no file was moved in.
pub fn files<E>(
    directory: &Path,
    kind: Single,
    (template, press): (&Template, &Press),
    units: impl Iterator<Item = Result<LabelData, E>>,
    progress: &dyn Fn(u64),
    settle: impl FnOnce() -> Result<(), E>,
) -> Result<Tally, E>
where
    E: From<RunError>,
{
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source: io::Error| RunError::File { path, source }
    };
    std::fs::create_dir_all(directory).map_err(failed(directory))?;
    let staged = tempfile::Builder::new().prefix(".labels-").tempdir_in(directory).map_err(failed(directory))?;
    let mut tally = Tally::default();
    let mut names = Vec::new();
    let mut units = units.fuse().peekable();
    while units.peek().is_some() {
        let batch = units.by_ref().take(BATCH).collect::<Result<Vec<_>, E>>()?;
        let made: Vec<Result<(String, Tally), RunError>> = batch
            .par_iter()
            .map(|data| {
                let (octets, one) = single(kind, template, data, press)?;
                let name = format!("{}.{}", file_name(&data.unit), kind.extension());
                let path = staged.path().join(&name);
                let mut options = std::fs::OpenOptions::new();
                // Never over another: two units whose names are one name to the disk.
                let mut file = private(options.write(true).create_new(true)).open(&path).map_err(failed(&path))?;
                file.write_all(&octets).and_then(|()| file.sync_all()).map_err(failed(&path))?;
                Ok((name, one))
            })
            .collect();
        for made in made {
            let (name, one) = made?;
            names.push(name);
            tally.add(&one);
        }
        progress(tally.labels);
    }
    if tally.labels == 0 {
        return Err(RunError::Nothing.into());
    }
    settle()?;
    for name in names {
        let path = directory.join(&name);
        std::fs::rename(staged.path().join(&name), &path).map_err(failed(&path))?;
    }
    Ok(tally)
}

/// Files that their owner alone reads: labels give away passcodes.
fn private(options: &mut std::fs::OpenOptions) -> &mut std::fs::OpenOptions {
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(options, 0o600);
    options
}

fn file_name(unit: &str) -> String {
    let mut name = String::with_capacity(unit.len());
    for (i, octet) in unit.bytes().enumerate() {
        // A leading dot would hide the file, and "." or ".." lead elsewhere.
        if octet.is_ascii_alphanumeric() || matches!(octet, b'-' | b'_') || (octet == b'.' && i > 0) {
            name.push(char::from(octet));
        } else {
            name.push_str(&format!("%{octet:02X}"));
        }
    }
    name
}

/// Writes a file whole: into a new file beside it, which takes its name once
/// `write` is done. Readable by its owner only, for labels give away passcodes.
///
/// # Errors
///
/// What `write` returns, or [`RunError::File`]; `path` is then as it was.
pub fn write_whole<T, E>(path: &Path, write: impl FnOnce(&mut dyn Write) -> Result<T, E>) -> Result<T, E>
where
    E: From<RunError>,
{
    let failed = |source: io::Error| RunError::File { path: path.to_owned(), source };
    let directory = path.parent().filter(|d| !d.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut new = tempfile::Builder::new().prefix(".label-").tempfile_in(directory).map_err(failed)?;
    let mut out = BufWriter::with_capacity(1 << 16, new.as_file_mut());
    let done = write(&mut out)?;
    out.flush().map_err(failed)?;
    drop(out);
    new.as_file().sync_all().map_err(failed)?;
    new.persist(path).map_err(|e| failed(e.error))?;
    Ok(done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_name_files_and_nothing_else() {
        for (unit, name) in
            [("TV-0000382", "TV-0000382"), ("../etc/passwd", "%2E.%2Fetc%2Fpasswd"), (".x", "%2Ex"), ("é", "%C3%A9")]
        {
            assert_eq!(file_name(unit), name);
        }
    }
}
