//! A run of labels into one file, which appears whole or not at all.
//!
//! Labels are laid out and proven on all cores, a batch of pages at a time, and
//! each page goes out before the next batch is read: memory does not grow with
//! the run.

use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::time::{Duration, Instant};

use rayon::prelude::*;

use crate::data::LabelData;
use crate::error::RunError;
use crate::label::{Press, Proven, lay};
use crate::pdf::{Book, Page, compose};
use crate::sheet::Sheet;
use crate::template::Template;

/// Labels that are in memory at once, about.
const BATCH: usize = 256;

/// What a run did.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Tally {
    /// Labels written.
    pub labels: u64,
    /// Symbols drawn and read back; as many as labels.
    pub decoded: u64,
    /// Of them, labels of test products.
    pub test: u64,
    /// Pages written.
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
