//! Labels: printing them, and checking what a scanner reads from one.
//!
//! Both acts take units as [`LabelData`], wherever they come from: a file here
//! ([`Units`]), the record book elsewhere. Laying out, proving and writing is
//! the `print` crate's; what is decided here is which units may have a label.

mod carton;
pub mod check;
mod from_book;
mod owner;
mod payload;
pub mod typed;
pub mod units;

use std::cell::{Cell, RefCell};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Instant;

use base::advice::{Advise, Kind};
use base::course::{Course, Phase, Stopped};
use base::files;
use base::trouble::Trouble;
pub use carton::CARTON;
pub use check::{Checked, LabelCause, LabelVerdict, ReadAs, check};
pub use from_book::{MOST_IN_MEMORY, check_of_book, handed_over, of_one, pdf_of_book, print_of_book, svg};
pub use owner::{code_fault, earlier_owners, is_payload, looks_like_code, owners};
use print::run::{Single, Tally};
use print::sheet::{Grid, Paper, Sheet};
use print::{LabelData, Press, RunError, Template, TemplateError};
use serde::Serialize;
pub use units::{Defaults, Units, UnitsError, complete};

/// What a run is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// One PDF.
    Pdf,
    /// One SVG a label.
    Svg,
    /// One PNG a label.
    Png,
}

impl Format {
    /// The format that a file's name tells.
    pub fn of(path: &Path) -> Option<Self> {
        match path.extension()?.to_str()?.to_ascii_lowercase().as_str() {
            "pdf" => Some(Self::Pdf),
            "svg" => Some(Self::Svg),
            "png" => Some(Self::Png),
            _ => None,
        }
    }

    /// Its word in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pdf => "pdf",
            Self::Svg => "svg",
            Self::Png => "png",
        }
    }
}

/// How labels are to be printed.
#[derive(Debug, Clone)]
pub struct Job {
    /// Name of a built-in template, or a template's file.
    pub template: String,
    /// File to write; for more than one SVG or PNG, a directory.
    pub out: PathBuf,
    /// Left out: told by the name of `out`.
    pub format: Option<Format>,
    /// Left out: a roll.
    pub paper: Option<Paper>,
    /// Where labels lie on the paper.
    pub grid: Grid,
    pub press: Press,
    /// Labels a unit, or a carton; 1 to 100.
    pub copies: u32,
    /// One label for so many units, whose symbol carries all their payloads; one a unit where none is given.
    pub carton: Option<usize>,
}

impl Job {
    /// Device labels, one each, on a roll, for a printer of 300 dpi.
    pub fn to(out: &Path) -> Self {
        Self {
            template: "device".into(),
            out: out.to_owned(),
            format: None,
            paper: None,
            grid: Grid::default(),
            press: Press::default(),
            copies: 1,
            carton: None,
        }
    }
}

/// What a run did.
#[derive(Debug, Clone, Serialize)]
pub struct Printed {
    pub labels: u64,
    /// Units whose codes they carry.
    pub units: u64,
    /// Symbols drawn at the printer's resolution, read back, and found equal to their unit's payload.
    pub decoded: u64,
    /// Labels that carry the mark of a test product.
    pub test: u64,
    /// Units of the reel, day or site that have no passcode in the book, and so no label.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<String>,
    /// Units of the reel, day or site that lie in no carton, where cartons were asked for.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub passed_over: Vec<String>,
    /// Units whose last check at a station failed after they had passed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub check_failed: Vec<String>,
    /// Values of units that the template has no place for.
    #[serde(skip_serializing_if = "BTreeSet::is_empty")]
    pub unused: BTreeSet<String>,
    /// The file, or the directory.
    pub file: PathBuf,
    /// Whether a file of that name was there before.
    pub replaced: bool,
    /// `pdf`, `svg` or `png`.
    pub format: &'static str,
    pub template: String,
    /// Width and height of one label, mm.
    pub label_mm: [f64; 2],
    /// Pages of the PDF; labels of SVG and PNG have none.
    pub pages: u64,
    /// Width and height of a page, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub page_mm: Option<[f64; 2]>,
    pub dpi: u32,
    pub module_mm: f64,
    pub module_dots: u32,
    pub seconds: f64,
    /// Labels in one second of wall time.
    pub labels_per_second: f64,
    /// Share of the work that went into drawing symbols and reading them back, 0 to 1.
    pub decoding_share: f64,
}

/// Why labels were not printed. No file was written or changed.
#[derive(Debug, thiserror::Error)]
pub enum PrintError {
    /// The order to print makes no sense.
    #[error("{what}")]
    Order {
        /// What is wrong with it.
        what: String,
        advice: String,
    },
    /// Units that make no carton.
    #[error("{what}")]
    Carton { what: String, advice: String },
    /// The template's file can't be read.
    #[error("template {} can't be read", .path.display())]
    TemplateFile { path: PathBuf, source: std::io::Error },
    /// The template is refused.
    #[error(transparent)]
    Template(#[from] TemplateError),
    /// The units are refused.
    #[error(transparent)]
    Units(#[from] UnitsError),
    /// The run stopped.
    #[error(transparent)]
    Run(#[from] RunError),
    /// Somebody stopped it.
    #[error(transparent)]
    Stopped(#[from] Stopped),
    /// That they were printed could not be recorded.
    #[error(transparent)]
    Record(#[from] Trouble),
}

impl Advise for PrintError {
    fn kind(&self) -> Kind {
        match self {
            Self::Order { .. } | Self::TemplateFile { .. } | Self::Template(_) => Kind::Usage,
            Self::Units(error) => error.kind(),
            Self::Stopped(stopped) => stopped.kind(),
            Self::Record(trouble) => trouble.kind(),
            Self::Carton { .. } | Self::Run(RunError::Label { .. }) => Kind::Refused,
            Self::Run(RunError::Sheet { .. } | RunError::Nothing) => Kind::Usage,
            Self::Run(RunError::File { .. } | RunError::Out(_)) => Kind::Surroundings,
        }
    }

    fn advice(&self) -> Option<String> {
        Some(match self {
            Self::Order { advice, .. } | Self::Carton { advice, .. } => advice.clone(),
            Self::TemplateFile { .. } => format!("Give {}, or an SVG file that may be read.", built_in_names()),
            Self::Template(error) => format!("{} Nothing was written.", error.advice),
            Self::Units(error) => return error.advice(),
            Self::Stopped(stopped) => return stopped.advice(),
            Self::Record(trouble) => return trouble.advice(),
            Self::Run(RunError::Label { source, .. }) => format!("{} Nothing was written.", source.advice()),
            Self::Run(RunError::Sheet { advice, .. }) => advice.clone(),
            Self::Run(RunError::Nothing) => "Give a file with at least one unit.".into(),
            Self::Run(RunError::File { .. } | RunError::Out(_)) => {
                "Check the disk and the permissions; the file is unchanged.".into()
            }
        })
    }
}

fn built_in_names() -> String {
    let names: Vec<&str> = print::template::BUILT_IN.iter().map(|(name, _)| *name).collect();
    names.join(" or ")
}

/// Finds a template: built in by its name, else a file.
///
/// # Errors
///
/// [`PrintError::TemplateFile`] and [`PrintError::Template`].
pub fn template(name: &str) -> Result<Template, PrintError> {
    if let Some(known) = Template::built_in(name) {
        return Ok(known);
    }
    let path = PathBuf::from(name);
    let failed = |source| PrintError::TemplateFile { path: path.clone(), source };
    // One octet past the limit, so that the limit itself refuses what is larger.
    let limit = print::template::guard::LARGEST_FILE as u64 + 1;
    let file = std::fs::File::open(&path).map_err(failed)?;
    let mut text = String::new();
    std::io::Read::read_to_string(&mut std::io::Read::take(file, limit), &mut text).map_err(failed)?;
    let shown = path.file_name().map_or_else(|| name.to_owned(), |n| n.to_string_lossy().into_owned());
    Ok(Template::read(&shown, &text)?)
}

/// Where a run goes.
enum To<'a> {
    /// The job's file or directory.
    File,
    /// Memory, and no disk; PDF alone.
    Memory(&'a mut Vec<u8>),
}

/// Prints a label for each unit, in their order.
///
/// Each symbol is drawn at the printer's resolution and read back before any
/// label is written; the file appears whole or not at all.
///
/// - `course`: counts labels; it can be stopped until the file takes its name.
/// - `settle`: called once when all labels are proven, and before the file is there.
///
/// # Errors
///
/// [`PrintError`]; the first unit that is refused ends the run.
pub fn print<E>(
    job: &Job,
    units: impl Iterator<Item = Result<LabelData, E>>,
    course: &Course,
    settle: impl FnOnce() -> Result<(), Trouble>,
) -> Result<Printed, PrintError>
where
    PrintError: From<E>,
{
    print_to(To::File, job, units, course, settle)
}

fn print_to<E>(
    to: To<'_>,
    job: &Job,
    units: impl Iterator<Item = Result<LabelData, E>>,
    course: &Course,
    settle: impl FnOnce() -> Result<(), Trouble>,
) -> Result<Printed, PrintError>
where
    PrintError: From<E>,
{
    let started = Instant::now();
    let order = |what: &str, advice: &str| PrintError::Order { what: what.into(), advice: advice.into() };
    if !(100..=2400).contains(&job.press.dpi) {
        return Err(order(
            "a resolution outside 100 to 2400 dpi",
            "Give the printer's resolution, such as 203, 300 or 600.",
        ));
    }
    if !(0.05..=10.0).contains(&job.press.least_module_mm) {
        return Err(order("a least module outside 0.05 to 10 mm", "Leave it out; phones need 0.3 mm."));
    }
    if !(1..=100).contains(&job.copies) {
        return Err(order("copies outside 1 to 100", "Print the run again for more."));
    }
    if job.carton.is_some_and(|size| !CARTON.contains(&size)) {
        return Err(order(
            "a carton of fewer than 2 or more than 169 units",
            "Give how many units lie in a carton; one symbol holds the codes of at most 169.",
        ));
    }
    let format = job.format.or_else(|| Format::of(&job.out)).ok_or_else(|| {
        order("the name of the output file does not show a format", "End it in .pdf, .svg or .png, or give the format.")
    })?;
    let template = template(&job.template)?;
    let total = match units.size_hint() {
        (least, Some(most)) if least == most => {
            Some(least.div_ceil(job.carton.unwrap_or(1)) as u64 * u64::from(job.copies))
        }
        _ => None,
    };
    course.phase(Phase::Drawing, total);
    let told = Cell::new(0);
    let progress = |labels: u64| course.advance(labels - told.replace(labels));
    let settle = || {
        course.commit()?;
        Ok::<_, PrintError>(settle()?)
    };
    let (counted, unused) = (Cell::new(0), RefCell::new(BTreeSet::new()));
    let units = units.map(|unit| {
        course.go_on()?;
        counted.set(counted.get() + 1);
        let unit = unit?;
        let program = template.program(unit.test);
        let unseen = unit.values.keys().filter(|name| !program.has_place(name));
        for name in unseen {
            if !unused.borrow().contains(name) {
                unused.borrow_mut().insert(name.clone());
            }
        }
        Ok(unit)
    });
    let mut units: Box<dyn Iterator<Item = Result<LabelData, PrintError>> + '_> = match job.carton {
        Some(size) => Box::new(carton::Cartons { units, size }),
        None => Box::new(units),
    };
    let mut page_mm = None;
    if matches!(to, To::File) {
        files::spare(&job.out).map_err(|e| PrintError::Record(Trouble::of(e)))?;
    }
    let replaced = matches!(to, To::File) && job.out.is_file();
    let tally = match format {
        Format::Pdf => {
            let sheet = Sheet::settle(job.paper.unwrap_or(Paper::Roll), job.grid, template.size_mm(), &job.press)?;
            page_mm = Some([round(sheet.page_mm.0), round(sheet.page_mm.1)]);
            let run = |out: &mut dyn Write| {
                let tally = print::run::pdf(out, (&template, &job.press, &sheet), units, job.copies, &progress)?;
                settle()?;
                Ok::<_, PrintError>(tally)
            };
            match to {
                To::File => print::run::write_whole(&job.out, run)?,
                To::Memory(octets) => run(octets)?,
            }
        }
        Format::Svg | Format::Png => {
            if job.paper.is_some() || job.grid != Grid::default() || job.copies != 1 {
                return Err(order(
                    "sheets, rolls and copies are for PDF",
                    "End the file in .pdf, or leave out the sheet and the copies.",
                ));
            }
            let kind = if format == Format::Svg { Single::Svg } else { Single::Png };
            singles(job, kind, &template, &mut units, &progress, settle)?
        }
    };
    let seconds = started.elapsed().as_secs_f64();
    let (module_mm, module_dots) = tally.module.unwrap_or_default();
    Ok(Printed {
        labels: tally.labels,
        units: counted.get(),
        decoded: tally.decoded,
        test: tally.test,
        left_out: Vec::new(),
        passed_over: Vec::new(),
        check_failed: Vec::new(),
        unused: unused.take(),
        file: job.out.clone(),
        replaced,
        format: format.word(),
        template: template.name().to_owned(),
        label_mm: [round(template.size_mm().0), round(template.size_mm().1)],
        pages: tally.pages,
        page_mm,
        dpi: job.press.dpi,
        module_mm: round(module_mm),
        module_dots,
        seconds,
        labels_per_second: if seconds > 0.0 { tally.labels as f64 / seconds } else { 0.0 },
        decoding_share: (tally.proving_share() * 1000.0).round() / 1000.0,
    })
}

/// One file for one unit; a directory for more.
fn singles(
    job: &Job,
    kind: Single,
    template: &Template,
    units: &mut dyn Iterator<Item = Result<LabelData, PrintError>>,
    progress: &dyn Fn(u64),
    settle: impl FnOnce() -> Result<(), PrintError>,
) -> Result<Tally, PrintError> {
    let first = units.next().ok_or(RunError::Nothing)??;
    let Some(second) = units.next() else {
        if !job.out.is_dir() {
            let (octets, tally) = print::run::single(kind, template, &first, &job.press)?;
            return print::run::write_whole(&job.out, |out| {
                out.write_all(&octets).map_err(RunError::Out)?;
                settle()?;
                Ok::<_, PrintError>(tally)
            });
        }
        let one = std::iter::once(Ok::<_, PrintError>(first));
        return print::run::files(&job.out, kind, (template, &job.press), one, progress, settle);
    };
    if Format::of(&job.out).is_some() && !job.out.is_dir() {
        let extension = kind.extension();
        return Err(PrintError::Order {
            what: format!("more than one unit, and {} is one {extension} file", job.out.display()),
            advice: format!("Name a directory with --format {extension}, or a .pdf file."),
        });
    }
    let all = [Ok(first), second].into_iter().chain(units);
    print::run::files(&job.out, kind, (template, &job.press), all, progress, settle)
}

/// Whole micrometres, so that JSON shows lengths and not rounding.
fn round(mm: f32) -> f64 {
    (f64::from(mm) * 1000.0).round() / 1000.0
}
