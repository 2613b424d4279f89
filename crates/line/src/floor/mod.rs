//! The floor at a glance: shifts, how stations are set up, the line, and the tape of a reel.

mod line;
mod tape;

use base::trouble::{About, Trouble};
pub use book::Reconciliation;
use book::StationSetup;
use book::ids::{FirmwareVersion, ReelId, StationName};
use receive::reel;
use serde::{Deserialize, Serialize};
use site::{Site, Who, series};
use utoipa::ToSchema;

pub use self::line::{Cause, Hour, Line, ShiftCount, Stock, counts, line};
pub use self::tape::{Cell, Fate, Tape, tape};
use crate::chips::Source;

/// How a station is to work.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[schema(as = StationSetup)]
#[serde(deny_unknown_fields)]
pub struct SetStation {
    /// The reel in its feeder.
    #[schema(min_length = 1, max_length = 100)]
    pub reel: String,
    /// Where its chips are: a source of the site's settings, or a folder of simulated chips in the site.
    pub source: String,
    /// The first of a series of serial numbers of its own; left out, the product's series counts, and where it has
    /// none, each number is given.
    #[serde(default)]
    #[schema(max_length = 64)]
    pub serial_start: Option<String>,
    /// Seconds that the line leaves for a unit.
    #[serde(default)]
    pub takt_seconds: Option<f64>,
    /// Units wanted per hour.
    #[serde(default)]
    pub per_hour: i64,
    /// Whether the next unit waits until this one's label was scanned.
    #[serde(default)]
    pub check_label: bool,
    /// The version of the firmware that its units carry.
    #[serde(default)]
    #[schema(max_length = 100)]
    pub firmware: Option<String>,
}

/// How a station is set up, as it is told.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = StationView)]
pub struct Setup {
    /// Its name.
    pub station: String,
    /// The reel in its feeder.
    pub reel: String,
    /// Where its chips are.
    pub source: String,
    /// The first of a series of serial numbers of its own; none where its product's series counts, or each number is
    /// scanned.
    pub serial_start: Option<String>,
    /// The first of its product's series, which counts where it has none of its own.
    pub product_series: Option<String>,
    /// Seconds that the line leaves for a unit.
    pub takt_seconds: Option<f64>,
    /// Units wanted in an hour.
    pub per_hour: i64,
    /// Whether the next unit waits until this one's label was scanned.
    pub check_label: bool,
    /// The version of the firmware that its units carry.
    pub firmware: Option<String>,
}

impl Setup {
    /// Whether the book counts its serial numbers, so that none is scanned.
    pub fn counts(&self) -> bool {
        self.serial_start.is_some() || self.product_series.is_some()
    }
}

fn told(site: &Site, setup: StationSetup) -> Result<Setup, Trouble> {
    let product = reel::get(site, setup.reel.as_str())?.facts.product;
    let product_series = site.book.product_series(&product)?.map(|first| first.to_string());
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of a day at most")]
    Ok(Setup {
        station: setup.station.to_string(),
        reel: setup.reel.to_string(),
        source: setup.source,
        serial_start: setup.serial_start,
        product_series,
        takt_seconds: (setup.takt_ms > 0).then(|| setup.takt_ms as f64 / 1000.0),
        per_hour: setup.per_hour,
        check_label: setup.check_label,
        firmware: setup.firmware.map(|version| version.to_string()),
    })
}

/// The stations that were set up.
pub fn stations(site: &Site) -> Result<Vec<Setup>, Trouble> {
    site.book.stations()?.into_iter().map(|setup| told(site, setup)).collect()
}

/// One station.
///
/// # Errors
///
/// [`Trouble`] where it was not set up.
pub fn station(site: &Site, name: &str) -> Result<Setup, Trouble> {
    let setup = site.book.station(&StationName::new(name)?)?.ok_or_else(|| {
        Trouble::absent(format!("station {name} does not exist"), "An engineer adds it under Stations.")
    })?;
    told(site, setup)
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
pub fn source(site: &Site, text: &str) -> Result<Source, Trouble> {
    if !sources(site)?.iter().any(|s| s == text) {
        return Err(Trouble::refused(
            format!("{text} is not a source that stations of this site may use"),
            "List it under pages.chips in touchmark.toml and start the server again; drivers and modules are programs that run on this machine.",
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
pub fn set_station(site: &Site, station: &str, setup: &SetStation, who: &Who) -> Result<(), Trouble> {
    reel::get(site, &setup.reel).about("reel")?;
    source(site, &setup.source).about("source")?;
    let start = setup.serial_start.as_deref().map(str::trim).filter(|s| !s.is_empty());
    if let Some(start) = start {
        series::series(start).about("serial_start")?;
    }
    let firmware = setup.firmware.as_deref().map(str::trim).filter(|f| !f.is_empty());
    let takt = setup.takt_seconds.unwrap_or(0.0);
    if !(0.0..=86_400.0).contains(&takt) {
        return Err(Trouble::usage("the takt is out of range", "Give seconds, up to a day.").about("takt"));
    }
    if !(0..=1_000_000).contains(&setup.per_hour) {
        return Err(
            Trouble::usage("units per hour is out of range", "Give a number up to a million.").about("per_hour")
        );
    }
    #[expect(clippy::cast_possible_truncation, reason = "at most 86,400,000")]
    let takt_ms = (takt * 1000.0).round() as i64;
    let row = StationSetup {
        station: StationName::new(station.trim()).about("station")?,
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

/// Chips, credentials and units by state.
pub fn totals(site: &Site) -> Result<Reconciliation, Trouble> {
    Ok(site.book.reconcile(None)?)
}

/// Entries in the log.
pub fn entries(site: &Site) -> Result<u64, Trouble> {
    Ok(site.book.head()?.size)
}
