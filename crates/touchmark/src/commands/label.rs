//! `touchmark label`: print labels, and check a scanned one.

use std::io::Read as _;
use std::path::PathBuf;

use line::carton;
use line::carton::{PackKind, PackedIn};
use line::chosen::Which;
use line::label;
use line::label::{Checked, Defaults, Format, Job, LabelCause, Printed, ReadAs, Units, UnitsError, typed};
use print::sheet::{Grid, Paper};
use print::{LabelData, Press};
use time::OffsetDateTime;
use zeroize::Zeroizing;

use super::at_site::{PassphraseArgs, Place};
use super::impact::time;
use crate::output::{Exit, Failure, Output};
use crate::watching::watched;

/// Print labels, and check them against their units
#[derive(Debug, clap::Subcommand)]
pub enum Label {
    Print(Box<Print>),
    Check(Check),
}

/// Runs it.
pub fn run(label: Label, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    match label {
        Label::Print(args) => print(&args, place, output),
        Label::Check(args) => check(args, place, output),
    }
}

/// What `label print` takes.
const PRINT: &str = "Give units, --reel, --from, --to or --all for units of the site's book, --units FILE, or --unit with --qr and --manual.";

/// What `label check` takes: the one unit that the label is on.
const CHECK: &str = "Give --unit UNIT for a unit of the site's book, the same with --units FILE for one of a file, or --unit with --qr and --manual.";

/// Units of the site's book, of a file, or one by its codes.
#[derive(Debug, clap::Args)]
struct Source {
    /// Units from a file: NDJSON or CSV with the columns unit, qr, manual
    ///
    /// Optional columns: serial, product, vendor, vid, pid, test. All others are values for your
    /// own templates.
    #[arg(long, value_name = "FILE")]
    units: Option<PathBuf>,

    /// Unit of the site's book, or of the file with --units
    #[arg(long, value_name = "UNIT")]
    unit: Option<String>,

    /// QR text of one unit, MT:…
    #[arg(long, value_name = "TEXT", conflicts_with = "units", requires = "unit")]
    qr: Option<String>,

    /// Manual code of one unit, with or without hyphens
    #[arg(long, value_name = "CODE", conflicts_with = "units", requires = "unit")]
    manual: Option<String>,

    /// Serial number; default: the unit's name
    #[arg(long, value_name = "TEXT", conflicts_with = "units")]
    serial: Option<String>,
}

impl Source {
    /// The unit of the site's book that is meant; `None` where it comes from elsewhere.
    fn of_book(&self) -> Option<&String> {
        self.unit.as_ref().filter(|_| self.units.is_none() && self.qr.is_none() && self.manual.is_none())
    }

    /// The one unit that was given by its codes.
    ///
    /// - `advice`: what to give where nothing was.
    fn one(&self, defaults: &Defaults, advice: &str) -> Result<LabelData, Failure> {
        let (Some(unit), Some(qr), Some(manual)) = (&self.unit, &self.qr, &self.manual) else {
            return Err(Failure::usage(
                "no units were named: neither units of the site's book, nor a file of units, nor one unit with its codes",
                advice,
            ));
        };
        let data = LabelData {
            unit: unit.clone(),
            qr: Zeroizing::new(qr.trim().to_owned()),
            manual: Zeroizing::new(manual.trim().to_owned()),
            serial: self.serial.clone().unwrap_or_default(),
            ..LabelData::default()
        };
        Ok(label::complete(data, defaults)?)
    }
}

/// Print labels as PDF, SVG or PNG
///
/// Each symbol is drawn at the printer's resolution and read back by an independent reader before
/// anything is written. The file appears whole or not at all, and only its owner can read it.
/// docs/labels.md describes templates.
#[derive(Debug, clap::Args)]
pub struct Print {
    /// Units of the site's book, each of which must have passed
    #[arg(value_name = "UNIT", conflicts_with_all = ["units", "unit", "qr", "reel", "from", "to", "all"])]
    named: Vec<String>,

    #[command(flatten)]
    source: Source,

    /// Units of the site's book that passed, of this reel
    #[arg(long, value_name = "ID", conflicts_with_all = ["units", "unit", "qr", "from", "to", "all"])]
    reel: Option<String>,

    /// Units of the site's book that passed, with an attempt that ended at or after this time: 2026-03-01 or
    /// 2026-03-01T12:00:00Z
    #[arg(long, value_name = "TIME", value_parser = time, conflicts_with_all = ["units", "unit", "qr", "all"])]
    from: Option<OffsetDateTime>,

    /// … and before this time
    #[arg(long, value_name = "TIME", value_parser = time, conflicts_with_all = ["units", "unit", "qr", "all"])]
    to: Option<OffsetDateTime>,

    /// One label for a packed carton: its symbol carries the codes of all units in it
    #[arg(long, value_name = "CARTON", conflicts_with_all = ["named", "units", "unit", "qr", "reel", "from", "to", "all", "carton"])]
    packed: Option<String>,

    /// All units of the site's book that passed
    #[arg(long, conflicts_with_all = ["units", "unit", "qr"])]
    all: bool,

    #[command(flatten)]
    passphrase: PassphraseArgs,

    /// Template: device, carton, multipack, or an SVG file of your own; default: device, or multipack with --carton
    #[arg(long, value_name = "NAME|FILE")]
    template: Option<String>,

    /// One label for every N units, in the order of their serial numbers: its symbol carries the codes of all N
    #[arg(long, value_name = "N")]
    carton: Option<usize>,

    /// File to write, or a directory for several SVG or PNG files
    #[arg(long, value_name = "FILE")]
    out: PathBuf,

    /// Format: pdf, svg or png; default: by the file's name
    #[arg(long, value_parser = format, value_name = "FORMAT")]
    format: Option<Format>,

    /// Paper of a PDF: a4, letter, roll, or width and height in mm such as 100x150; default: roll
    #[arg(long, value_parser = typed::paper, value_name = "PAPER")]
    sheet: Option<Paper>,

    /// Rows and columns, such as 11x5; default: as many as fit
    #[arg(long, value_parser = typed::cells, value_name = "ROWSxCOLS")]
    grid: Option<(u32, u32)>,

    /// Left and top margin in mm, such as 8,12; default: the grid is centred
    #[arg(long, value_parser = typed::lengths, value_name = "LEFT,TOP")]
    margin: Option<(f32, f32)>,

    /// Gap between columns and between rows in mm, such as 2,2; default: 2 on sheets, 0 on rolls
    #[arg(long, value_parser = typed::lengths, value_name = "ACROSS,DOWN")]
    gap: Option<(f32, f32)>,

    /// Cells to leave empty on the first sheet, if some are already used
    #[arg(long, default_value_t = 0, value_name = "N")]
    skip: u32,

    /// Labels per unit
    #[arg(long, default_value_t = 1, value_name = "N")]
    copies: u32,

    /// Printer's resolution in dpi
    #[arg(long, default_value_t = 300, value_name = "N")]
    dpi: u32,

    /// Smallest module of the symbol in mm
    #[arg(long, default_value_t = print::label::LEAST_MODULE_MM, value_name = "MM")]
    min_module: f32,

    /// Product name, if the units have none
    #[arg(long, value_name = "TEXT")]
    product: Option<String>,

    /// Vendor name, if the units have none
    #[arg(long, value_name = "TEXT")]
    vendor: Option<String>,

    /// Value for a place of your own template, if the units have none
    #[arg(long = "value", value_parser = named_value, value_name = "NAME=TEXT")]
    values: Vec<(String, String)>,

    /// Treat them as test products, whatever their vendor ID is
    #[arg(long)]
    test: bool,
}

impl Print {
    /// Which units of the site's book are meant; `None` where they come from elsewhere.
    fn of_book(&self) -> Option<Which<'_>> {
        match (&self.reel, self.from, self.to, self.all) {
            _ if !self.named.is_empty() => Some(Which::Units(&self.named)),
            (Some(reel), ..) => Some(Which::Reel(reel)),
            (None, None, None, false) => self.source.of_book().map(|unit| Which::Units(std::slice::from_ref(unit))),
            (None, None, None, true) => Some(Which::All),
            (None, from, to, _) => Some(Which::Period(from, to)),
        }
    }
}

fn print(args: &Print, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let packed = match &args.packed {
        Some(carton) => Some(carton::show(&place.open()?, carton, Some(PackKind::Carton))?),
        None => None,
    };
    let job = Job {
        template: args.template.clone().unwrap_or_else(|| {
            let own = if args.carton.is_some() || packed.is_some() { "multipack" } else { "device" };
            own.into()
        }),
        carton: packed.as_ref().map(|packed| packed.units.len()).or(args.carton),
        out: args.out.clone(),
        format: args.format,
        paper: args.sheet,
        grid: Grid { cells: args.grid, margin_mm: args.margin, gap_mm: args.gap, skip: args.skip },
        press: Press { dpi: args.dpi, least_module_mm: args.min_module, ..Press::default() },
        copies: args.copies,
    };
    let in_carton =
        packed.map(|packed| Ok::<_, base::Trouble>(PackedIn { kind: packed.kind, name: packed.name.parse()? }));
    let in_carton = in_carton.transpose()?;
    let which = in_carton.as_ref().map(Which::Packed).or_else(|| args.of_book());
    let printed = match which {
        Some(which) => {
            let site = place.open()?;
            let (passphrase, who) = (args.passphrase.for_site_key(&site)?, place.who()?);
            watched(output, "labels", |course| {
                label::print_of_book(&site, &which, &job, passphrase.as_ref(), &who, course)
            })?
        }
        None => from_elsewhere(args, &job, output)?,
    };
    let verbose = output.is_verbose();
    output.show(&printed, |w| writeln!(w, "{}", sentence(&printed, verbose)))?;
    if args.packed.is_some() || args.of_book().is_some() {
        output.next("Attach the labels, and check each one with `touchmark label check`.");
    }
    Ok(Exit::Done)
}

/// Labels of units that no book knows: of a file, or of one given by its codes.
fn from_elsewhere(args: &Print, job: &Job, output: &Output) -> Result<Printed, Failure> {
    let defaults = Defaults {
        product: args.product.clone(),
        vendor: args.vendor.clone(),
        test: args.test,
        values: args.values.clone(),
    };
    let units: Box<dyn Iterator<Item = Result<LabelData, UnitsError>>> = match (&args.source.units, &args.source.unit) {
        (Some(path), None) => Box::new(Units::open(path, defaults)?),
        // One of the file's units: the others are read past, and judged no less.
        (Some(path), Some(wanted)) => Box::new(std::iter::once(Ok(find(path, defaults, wanted)?.0))),
        (None, _) => Box::new(std::iter::once(Ok(args.source.one(&defaults, PRINT)?))),
    };
    Ok(watched(output, "labels", |course| label::print(job, units, course, || Ok(())))?)
}

fn sentence(printed: &Printed, verbose: bool) -> String {
    let count = |n: u64, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
    let mut text = count(printed.labels, "label");
    if printed.units != printed.labels {
        text += &format!(" for {}", count(printed.units, "unit"));
    }
    if printed.pages > 0 {
        text += &format!(" on {}", count(printed.pages, "page"));
    }
    let replaced = if printed.replaced { ", in place of the file that was there" } else { "" };
    text += &format!(
        " in {}{replaced}\nEach symbol drawn at {} dpi and read back: modules of {:.3} mm, {} dots",
        printed.file.display(),
        printed.dpi,
        printed.module_mm,
        printed.module_dots
    );
    if verbose {
        text += &format!(
            "\n{:.1} s, {:.0} labels per second, {:.0} % of the work for drawing symbols and reading them back",
            printed.seconds,
            printed.labels_per_second,
            printed.decoding_share * 100.0
        );
    }
    if !printed.left_out.is_empty() {
        let (units, names) = (count(printed.left_out.len() as u64, "unit"), printed.left_out.join(", "));
        text += &format!(
            "\nLeft out, since the book has no passcode of it: {units} ({names}). A label that it has stays right."
        );
    }
    if !printed.passed_over.is_empty() {
        let (units, names) = (count(printed.passed_over.len() as u64, "unit"), printed.passed_over.join(", "));
        text += &format!(
            "\nIn no carton, since they did not pass or have left: {units} ({names}). Where cartons were packed before, name \
             the units of each."
        );
    }
    if !printed.check_failed.is_empty() {
        let (units, names) = (count(printed.check_failed.len() as u64, "unit"), printed.check_failed.join(", "));
        text += &format!(
            "\nThe last check at a station failed, after they had passed: {units} ({names}). Attach no label before \
             `touchmark unit show UNIT` shows why."
        );
    }
    if !printed.unused.is_empty() {
        let names = printed.unused.iter().map(String::as_str).collect::<Vec<_>>().join(", ");
        text += &format!("\nNot on the labels, since the template has no place for it: {names}");
    }
    if printed.test > 0 {
        text += &format!("\n{} of a TEST product, marked {}", count(printed.test, "label"), print::data::TEST_MARK);
    }
    text
}

/// Compare what a scanner reads from a label with the unit that it is on
///
/// Exits with 0 if the label belongs to the unit, and with 1 and the differences if not. Removes the
/// line ends that scanners type (CR, LF, Tab). Reports letters in the wrong case or from another
/// keyboard layout as a mismatch.
#[derive(Debug, clap::Args)]
pub struct Check {
    /// Scanned text: QR text or manual code; - reads it from standard input
    #[arg(value_name = "SCANNED", allow_hyphen_values = true)]
    scanned: String,

    #[command(flatten)]
    source: Source,

    #[command(flatten)]
    passphrase: PassphraseArgs,
}

fn check(args: Check, place: &Place, output: &mut Output) -> Result<Exit, Failure> {
    let scanned = Zeroizing::new(if args.scanned == "-" { read_line()? } else { args.scanned });
    let checked = match (&args.source.units, args.source.of_book()) {
        (None, Some(unit)) => {
            let site = place.open()?;
            let passphrase = args.passphrase.for_site_key(&site)?;
            let who = place.who()?;
            label::check_of_book(&site, unit, &scanned, passphrase.as_ref(), &who.by(), who.now())?
        }
        (Some(path), _) => {
            let wanted = args.source.unit.as_deref().ok_or_else(|| {
                Failure::usage("no unit was named", "Give --unit with the unit that the label belongs to.")
            })?;
            let (expected, others) = find(path, Defaults::default(), wanted)?;
            label::check(&scanned, &expected, &others)?
        }
        (None, None) => label::check(&scanned, &args.source.one(&Defaults::default(), CHECK)?, &[])?,
    };
    output.show(&checked, |w| writeln!(w, "{}", verdict(&checked)))?;
    // Whoever goes by the exit code alone must not ship a unit that is revoked.
    Ok(if checked.is_match() && checked.revoked.is_none() { Exit::Done } else { Exit::Rejected })
}

fn verdict(checked: &Checked) -> String {
    let read_as = match checked.read_as {
        _ if checked.cause == Some(LabelCause::OtherText) => "text",
        Some(ReadAs::Qr) => "QR code",
        Some(ReadAs::Manual) => "manual code",
        _ => "text",
    };
    if checked.is_match() {
        let mut text = format!("match: this is the label of unit {}, by its {read_as}", checked.unit);
        if let (Some(what), Some(advice)) = (&checked.revoked, &checked.advice) {
            text += &format!("\nREVOKED: {what}\n  next: {advice}");
        } else if let Some(advice) = &checked.advice {
            text += &format!("\n  next: {advice}");
        }
        return text;
    }
    let mut text = match checked.cause {
        Some(LabelCause::Carton) => {
            format!("mismatch: this is the symbol of a carton that contains unit {}", checked.unit)
        }
        _ => format!("mismatch: this {read_as} does not belong to unit {}", checked.unit),
    };
    if let Some(other) = &checked.belongs_to {
        text += &format!(", but that of unit {other}");
    }
    if !checked.differs.is_empty() {
        text += &format!("; it differs in {}", checked.differs.join(", "));
    }
    if let Some(advice) = &checked.advice {
        text += &format!("\n  next: {advice}");
    }
    text
}

/// The wanted unit of a file, and all of the file's.
fn find(path: &std::path::Path, defaults: Defaults, wanted: &str) -> Result<(LabelData, Vec<LabelData>), Failure> {
    let all = Units::open(path, defaults)?.collect::<Result<Vec<_>, UnitsError>>()?;
    match all.iter().find(|unit| unit.unit == wanted) {
        Some(unit) => Ok((unit.clone(), all)),
        None => Err(Failure::usage(
            format!("unit {wanted} is not in {}", path.display()),
            "Check the unit's name; upper and lower case matter.",
        )),
    }
}

/// One scan from standard input: a scanner ends it with a line end or a tab.
pub(super) fn read_line() -> Result<String, Failure> {
    const MOST: u64 = 64 << 10;
    let mut text = String::new();
    let mut input = std::io::BufReader::new(std::io::stdin().take(MOST));
    std::io::BufRead::read_line(&mut input, &mut text)
        .map_err(|e| Failure::usage(format!("standard input can't be read: {e}"), "Scan again."))?;
    // What came with the line is another scan; what may still come is not waited for.
    if !input.buffer().trim_ascii().is_empty() {
        return Err(Failure::usage("This is more than one scan.", "Give one label at a time. Nothing was recorded."));
    }
    Ok(text)
}

fn format(text: &str) -> Result<Format, String> {
    Format::of(std::path::Path::new(&format!("x.{text}"))).ok_or_else(|| "pdf, svg or png".into())
}

fn named_value(text: &str) -> Result<(String, String), String> {
    let (name, value) = text.split_once('=').ok_or("a name and a value, such as batch=7")?;
    if print::data::PLACES.contains(&name) || matches!(name, "qr" | "") {
        return Err(format!("{name} has its own option"));
    }
    Ok((name.to_owned(), value.to_owned()))
}
