//! The floor at a glance: shifts, stations' counts, causes, stock, and the tape of a reel.

use std::collections::BTreeMap;

use book::ids::{FirmwareVersion, ReelId, StationName};
use book::{ChipState, StationSetup, TapeChip, UnitFilter, UnitState};
use serde::Serialize;
use time::format_description::well_known::Rfc3339;
use time::{Duration, OffsetDateTime, Time, UtcOffset};

use crate::chips::Source;
use crate::reel;
use crate::site::{Site, Who};
use crate::trouble::{About, Trouble};

/// The site's clock: its distance from UTC.
///
/// # Errors
///
/// [`Trouble`] where the setting is no offset.
pub fn offset(site: &Site) -> Result<UtcOffset, Trouble> {
    let text = &site.settings.pages.offset;
    let format = time::macros::format_description!("[offset_hour sign:mandatory]:[offset_minute]");
    UtcOffset::parse(text, &format).map_err(|_| {
        Trouble::usage(format!("pages.offset is {text:?}"), "Mend touchmark.toml: +00:00, -05:00, +05:30.")
    })
}

/// When the present shift began, by the site's clock.
///
/// # Errors
///
/// [`Trouble`] where a shift's time is none.
pub fn shift_start(site: &Site, now: OffsetDateTime) -> Result<OffsetDateTime, Trouble> {
    let here = now.to_offset(offset(site)?);
    let format = time::macros::format_description!("[hour]:[minute]");
    let mut starts = Vec::new();
    for text in &site.settings.pages.shifts {
        starts.push(Time::parse(text, &format).map_err(|_| {
            Trouble::usage(format!("pages.shifts has {text:?}"), "Mend touchmark.toml: times as \"06:00\".")
        })?);
    }
    starts.sort();
    let today = starts.iter().rev().find(|t| **t <= here.time());
    Ok(match (today, starts.last()) {
        (Some(start), _) => here.replace_time(*start),
        (None, Some(last)) => (here - Duration::days(1)).replace_time(*last),
        (None, None) => here.replace_time(Time::MIDNIGHT),
    })
}

/// A time as people read it: the site's clock with its offset.
pub fn local(site: &Site, at: OffsetDateTime) -> String {
    let here = at.to_offset(offset(site).unwrap_or(UtcOffset::UTC));
    let format = time::macros::format_description!(
        "[year]-[month]-[day] [hour]:[minute]:[second] [offset_hour sign:mandatory]:[offset_minute]"
    );
    here.format(&format).or_else(|_| here.format(&Rfc3339)).unwrap_or_default()
}

/// A station's counts in this shift.
#[derive(Debug, Clone, Default, Serialize)]
pub struct ShiftCount {
    /// Units that passed.
    pub passed: i64,
    /// Attempts that failed.
    pub failed: i64,
    /// First attempts with a verdict.
    pub first: i64,
    /// Of those, the ones that passed.
    pub first_passed: i64,
    /// Milliseconds of an attempt that passed, on average.
    pub mean_ms: Option<i64>,
    /// When the last attempt ended.
    pub last: Option<String>,
}

impl ShiftCount {
    /// First-pass yield in percent.
    pub fn first_pass_percent(&self) -> Option<f64> {
        #[expect(clippy::cast_precision_loss, reason = "counts of a shift")]
        (self.first > 0).then(|| self.first_passed as f64 * 100.0 / self.first as f64)
    }
}

/// Counts of all stations since a moment.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn counts(site: &Site, from: OffsetDateTime, to: OffsetDateTime) -> Result<BTreeMap<String, ShiftCount>, Trouble> {
    let mut out: BTreeMap<String, ShiftCount> = BTreeMap::new();
    for s in site.book.count_stations(from, to)? {
        let entry = out.entry(s.station.to_string()).or_default();
        entry.passed = s.passed;
        entry.failed = s.failed;
        entry.mean_ms = (s.passed > 0).then(|| s.passed_us / s.passed / 1000);
        entry.last = Some(local(site, s.last));
    }
    for f in site.book.first_passes(from, to)? {
        let entry = out.entry(f.station.to_string()).or_default();
        (entry.first, entry.first_passed) = (f.first, f.passed);
    }
    Ok(out)
}

/// One hour's output.
#[derive(Debug, Clone, Serialize)]
pub struct Hour {
    /// As `14:00`, by the site's clock.
    pub hour: String,
    /// Passed.
    pub passed: i64,
    /// Failed.
    pub failed: i64,
}

/// A cause of failures.
#[derive(Debug, Clone, Serialize)]
pub struct Cause {
    /// Its name.
    pub cause: String,
    /// Failures.
    pub failures: i64,
    /// Units they happened to.
    pub units: i64,
    /// Of all failures so far down the list, in percent.
    pub running_percent: f64,
}

/// A product's credentials.
#[derive(Debug, Clone, Serialize)]
pub struct Stock {
    /// The product.
    pub product: String,
    /// Whether it is a test product.
    pub test: bool,
    /// Free for their chips.
    pub available: i64,
    /// Chips without a credential.
    pub without: i64,
    /// Units that passed since the day began.
    pub passed_today: i64,
    /// Units an hour at today's pace.
    pub per_hour: Option<f64>,
    /// When it ends at that pace, by the site's clock.
    pub ends: Option<String>,
    /// Working hours until then.
    pub hours_left: Option<f64>,
}

/// The line at a glance.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    /// When this shift began.
    pub shift: String,
    /// Stations that were set up, with their counts.
    pub stations: Vec<(Setup, ShiftCount)>,
    /// The last twelve hours, oldest first; hours without output too.
    pub hours: Vec<Hour>,
    /// Units an hour that the stations should give together; 0 where nobody says.
    pub plan: i64,
    /// Causes in this shift, most frequent first.
    pub causes: Vec<Cause>,
    /// Stock by product.
    pub stock: Vec<Stock>,
}

/// How a station is set up, as it is told.
#[derive(Debug, Clone, Serialize)]
pub struct Setup {
    /// Its name.
    pub station: String,
    /// The reel in its feeder.
    pub reel: String,
    /// Where its chips are.
    pub source: String,
    /// The first of its series of serial numbers; none where each is scanned.
    pub serial_start: Option<String>,
    /// Seconds that the line leaves for a unit.
    pub takt_seconds: Option<f64>,
    /// Units wanted in an hour.
    pub per_hour: i64,
    /// Whether the next unit waits until this one's label was scanned.
    pub check_label: bool,
    /// The version of the firmware that its units carry.
    pub firmware: Option<String>,
}

fn told(setup: StationSetup) -> Setup {
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of a day at most")]
    Setup {
        station: setup.station.to_string(),
        reel: setup.reel.to_string(),
        source: setup.source,
        serial_start: setup.serial_start,
        takt_seconds: (setup.takt_ms > 0).then(|| setup.takt_ms as f64 / 1000.0),
        per_hour: setup.per_hour,
        check_label: setup.check_label,
        firmware: setup.firmware.map(|version| version.to_string()),
    }
}

/// The stations that were set up.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn stations(site: &Site) -> Result<Vec<Setup>, Trouble> {
    Ok(site.book.stations()?.into_iter().map(told).collect())
}

/// One station.
///
/// # Errors
///
/// [`Trouble`] where it was not set up.
pub fn station(site: &Site, name: &str) -> Result<Setup, Trouble> {
    site.book.station(&StationName::new(name)?)?.map(told).ok_or_else(|| {
        Trouble::usage(format!("station {name} is not set up"), "An engineer sets it up under Line, stations.")
    })
}

/// Sources that a station may be set up with: those of the settings, and every
/// folder of simulated chips in the site's directory.
///
/// # Errors
///
/// [`Trouble`] where the site's directory can't be read.
pub fn sources(site: &Site) -> Result<Vec<String>, Trouble> {
    let mut out = site.settings.pages.chips.clone();
    let read = std::fs::read_dir(&site.dir).map_err(|e| Trouble::file(&site.dir, e))?;
    let mut folders: Vec<_> = read
        .flatten()
        .filter(|e| holds_chips(&e.path()))
        .map(|e| format!("simulated:{}", e.file_name().to_string_lossy()))
        .collect();
    folders.sort();
    out.extend(folders);
    Ok(out)
}

/// Whether a folder holds simulated chips.
fn holds_chips(folder: &std::path::Path) -> bool {
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten();
    files.into_iter().any(|f| f.path().extension().is_some_and(|e| e == "chip"))
}

/// The source of a station, if it is one that stations may have; paths are the site's.
pub(crate) fn source(site: &Site, text: &str) -> Result<Source, Trouble> {
    if !sources(site)?.iter().any(|s| s == text) {
        return Err(Trouble::refused(
            format!("{text} is no source that stations of this site may use"),
            "Name it under pages.chips in touchmark.toml and start again; a driver or a module is a program that runs here.",
        ));
    }
    let source: Source = text.parse().map_err(Trouble::of)?;
    Ok(match source {
        Source::Simulated(folder) => Source::Simulated(site.dir.join(folder)),
        other => other,
    })
}

/// Sets a station up.
///
/// # Errors
///
/// [`Trouble`] for a source that stations may not use, or a reel that is not there.
pub fn set_station(site: &Site, setup: &Setup, who: &Who) -> Result<(), Trouble> {
    reel::get(site, &setup.reel).about("reel")?;
    source(site, &setup.source).about("source")?;
    let start = setup.serial_start.as_deref().map(str::trim).filter(|s| !s.is_empty());
    if let Some(start) = start {
        book::ids::UnitSerial::new(start).about("serial_start")?;
        if !start.ends_with(|c: char| c.is_ascii_digit()) {
            return Err(Trouble::usage(
                format!("{start} does not end in a digit, so nothing can be counted up"),
                "Give one as TV-000001.",
            )
            .about("serial_start"));
        }
    }
    let firmware = setup.firmware.as_deref().map(str::trim).filter(|f| !f.is_empty());
    let takt = setup.takt_seconds.unwrap_or(0.0);
    if !(0.0..=86_400.0).contains(&takt) {
        return Err(Trouble::usage("the takt is out of range", "Give seconds, up to a day.").about("takt"));
    }
    if !(0..=1_000_000).contains(&setup.per_hour) {
        return Err(
            Trouble::usage("units an hour are out of range", "Give a number up to a million.").about("per_hour")
        );
    }
    #[expect(clippy::cast_possible_truncation, reason = "at most 86,400,000")]
    let takt_ms = (takt * 1000.0).round() as i64;
    let row = StationSetup {
        station: StationName::new(setup.station.trim()).about("station")?,
        reel: ReelId::new(&setup.reel)?,
        source: setup.source.clone(),
        serial_start: start.map(str::to_owned),
        takt_ms,
        per_hour: setup.per_hour,
        check_label: setup.check_label,
        firmware: firmware.map(FirmwareVersion::new).transpose()?,
    };
    site.book.set_station(&row, &who.by())?;
    Ok(())
}

/// The line at a glance.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn line(site: &Site, now: OffsetDateTime) -> Result<Line, Trouble> {
    let shift = shift_start(site, now)?;
    let until = now + Duration::seconds(1);
    let mut by_station = counts(site, shift, until)?;
    let stations: Vec<_> = stations(site)?
        .into_iter()
        .map(|setup| {
            let count = by_station.remove(&setup.station).unwrap_or_default();
            (setup, count)
        })
        .collect();
    let plan = stations.iter().map(|(s, _)| s.per_hour).sum();
    let causes = site.book.count_causes(shift, until)?;
    let all: i64 = causes.iter().map(|c| c.failures).sum();
    let mut running = 0;
    #[expect(clippy::cast_precision_loss, reason = "counts of a shift")]
    let causes = causes
        .into_iter()
        .map(|c| {
            running += c.failures;
            Cause {
                cause: c.cause,
                failures: c.failures,
                units: c.units,
                running_percent: running as f64 * 100.0 / all.max(1) as f64,
            }
        })
        .collect();
    Ok(Line { shift: local(site, shift), stations, hours: hours(site, now)?, plan, causes, stock: stock(site, now)? })
}

fn hours(site: &Site, now: OffsetDateTime) -> Result<Vec<Hour>, Trouble> {
    let zone = offset(site)?;
    let hour = |at: OffsetDateTime| {
        at - Duration::seconds(at.unix_timestamp().rem_euclid(3600)) - Duration::nanoseconds(i64::from(at.nanosecond()))
    };
    let first = hour(now) - Duration::hours(11);
    let counted = site.book.count_hours(first, now + Duration::seconds(1))?;
    Ok((0..12)
        .map(|n| {
            let at = first + Duration::hours(n);
            let found = counted.iter().find(|c| c.hour == at);
            let here = at.to_offset(zone);
            Hour {
                hour: format!("{:02}:{:02}", here.hour(), here.minute()),
                passed: found.map_or(0, |c| c.passed),
                failed: found.map_or(0, |c| c.failed),
            }
        })
        .collect())
}

fn stock(site: &Site, now: OffsetDateTime) -> Result<Vec<Stock>, Trouble> {
    let midnight = now.to_offset(offset(site)?).replace_time(Time::MIDNIGHT);
    let worked = site.book.count_hours(midnight, now + Duration::seconds(1))?;
    // Hours that gave anything; the last one counts by its minutes.
    #[expect(clippy::cast_precision_loss, reason = "hours of a day")]
    let worked_hours = match worked.split_last() {
        None => 0.0,
        Some((last, before)) => {
            before.len() as f64 + ((now - last.hour).as_seconds_f64() / 3600.0).clamp(1.0 / 60.0, 1.0)
        }
    };
    // What is left is counted, not what went: the page costs the same however much did.
    let (in_stock, short) = (site.book.stock()?, site.book.short_reels()?);
    let mut out: Vec<Stock> = Vec::new();
    for product in site.book.products()? {
        let mut stock = Stock {
            product: product.facts.name.to_string(),
            test: product.facts.purpose == book::Purpose::Test,
            available: in_stock.iter().filter(|s| s.product == product.facts.name).map(|s| s.available).sum(),
            without: short.iter().filter(|s| s.product == product.facts.name).map(|s| s.without).sum(),
            passed_today: 0,
            per_hour: None,
            ends: None,
            hours_left: None,
        };
        let today = UnitFilter {
            product: Some(product.facts.name.clone()),
            state: Some(UnitState::Passed),
            from: Some(midnight),
            ..UnitFilter::default()
        };
        stock.passed_today = site.book.count_units(&today)?;
        #[expect(clippy::cast_precision_loss, reason = "counts of a day")]
        if stock.passed_today > 0 && worked_hours > 0.0 {
            let pace = stock.passed_today as f64 / worked_hours;
            let left = stock.available as f64 / pace;
            stock.per_hour = Some(pace);
            stock.hours_left = Some(left);
            stock.ends = (left < 24.0 * 3650.0).then(|| local(site, now + Duration::seconds_f64(left * 3600.0)));
        }
        out.push(stock);
    }
    Ok(out)
}

/// Chips, credentials and units by state.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn totals(site: &Site) -> Result<serde_json::Value, Trouble> {
    serde_json::to_value(site.book.reconcile(None)?)
        .map_err(|e| Trouble::surroundings(format!("the counts can't be told: {e}"), "Report this."))
}

/// Entries in the log.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn entries(site: &Site) -> Result<u64, Trouble> {
    Ok(site.book.head()?.size)
}

/// What became of a chip, the worst first: that is what a stretch of tape shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fate {
    /// Scrapped.
    Scrapped,
    /// Its unit failed and may come again.
    Failed,
    /// Its unit came back.
    Returned,
    /// Its unit is open.
    Open,
    /// No credential names it.
    Without,
    /// Blank, with a credential.
    Blank,
    /// Its unit passed.
    Passed,
}

impl Fate {
    /// All of them, the worst first.
    pub const ALL: &'static [Self] =
        &[Self::Scrapped, Self::Failed, Self::Returned, Self::Open, Self::Without, Self::Blank, Self::Passed];

    /// The word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Scrapped => "scrapped",
            Self::Failed => "failed",
            Self::Returned => "returned",
            Self::Open => "open",
            Self::Without => "no credential",
            Self::Blank => "blank",
            Self::Passed => "passed",
        }
    }

    fn of(chip: &TapeChip) -> Self {
        match (chip.state, chip.unit.as_ref().map(|(_, s)| *s)) {
            (ChipState::Scrapped, _) | (_, Some(UnitState::Scrapped)) => Self::Scrapped,
            (_, Some(UnitState::Failed)) => Self::Failed,
            (_, Some(UnitState::Returned)) => Self::Returned,
            (_, Some(UnitState::Passed)) => Self::Passed,
            (_, Some(UnitState::Open)) => Self::Open,
            (_, None) if !chip.has_credential => Self::Without,
            (_, None) => Self::Blank,
        }
    }
}

/// A stretch of chips, one cell of the drawing.
#[derive(Debug, Clone, Serialize)]
pub struct Cell {
    /// Place of its first chip.
    pub from: i64,
    /// Place of its last chip.
    pub to: i64,
    /// The worst fate on it.
    pub fate: Fate,
    /// Chips of that fate.
    pub count: usize,
    /// The chip and its unit, where it is a single one.
    pub chip: Option<(String, Option<String>)>,
}

/// A part of a reel's tape.
#[derive(Debug, Clone, Serialize)]
pub struct Tape {
    /// Chips on the reel.
    pub chips: i64,
    /// First place shown.
    pub from: i64,
    /// Last place shown.
    pub to: i64,
    /// Chips in a cell.
    pub per_cell: i64,
    /// The cells, in order.
    pub cells: Vec<Cell>,
    /// Chips by fate, of the part shown.
    pub fates: Vec<(Fate, usize)>,
}

/// The tape of a reel from one place to another, in at most `cells` cells.
///
/// # Errors
///
/// [`Trouble`] where there is no such reel.
pub fn tape(site: &Site, reel: &str, range: Option<(i64, i64)>, cells: i64) -> Result<Tape, Trouble> {
    let found = reel::get(site, reel)?;
    let (from, to) = range.unwrap_or((1, found.chips));
    let from = from.clamp(1, found.chips.max(1));
    let to = to.clamp(from, found.chips.max(from));
    let wanted = u32::try_from(to - from + 1).unwrap_or(u32::MAX);
    let chips = site.book.tape(&found.facts.reel, from, wanted)?;
    let per_cell = (i64::from(wanted) + cells.max(1) - 1) / cells.max(1);
    let mut tape = Tape { chips: found.chips, from, to, per_cell, cells: Vec::new(), fates: Vec::new() };
    let mut by_fate: BTreeMap<Fate, usize> = BTreeMap::new();
    for part in chips.chunks(usize::try_from(per_cell).unwrap_or(1).max(1)) {
        let Some((first, last)) = part.first().zip(part.last()) else { continue };
        let mut worst = (Fate::Passed, 0);
        for fate in part.iter().map(Fate::of) {
            *by_fate.entry(fate).or_default() += 1;
            worst = match fate.cmp(&worst.0) {
                std::cmp::Ordering::Less => (fate, 1),
                std::cmp::Ordering::Equal => (fate, worst.1 + 1),
                std::cmp::Ordering::Greater => worst,
            };
        }
        tape.cells.push(Cell {
            from: first.position,
            to: last.position,
            fate: worst.0,
            count: worst.1,
            chip: (part.len() == 1)
                .then(|| (first.chip_id.to_string(), first.unit.as_ref().map(|(u, _)| u.to_string()))),
        });
    }
    tape.fates = by_fate.into_iter().collect();
    Ok(tape)
}
