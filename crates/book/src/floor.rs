//! What pages ask of the floor: how stations are set up, and a reel as it lies.

use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::access::AccountError;
use crate::attempt::Attempt;
use crate::by::{By, micros};
use crate::counts::{CERTIFICATES_CAME, without};
use crate::engine::{Row, params};
use crate::error::BookError;
use crate::ids::{ChipId, FirmwareVersion, ProductName, ReelId, Sequence, StationName, UnitSerial};
use crate::log::{Draft, Subject, rows};
use crate::words::{ChipState, UnitState};

/// How a station works.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StationSetup {
    pub station: StationName,
    /// The reel in its feeder.
    pub reel: ReelId,
    /// Where its chips are, as it is typed after `--chips`.
    pub source: String,
    /// The first of a series of serial numbers; `None` where each is scanned.
    pub serial_start: Option<String>,
    /// Milliseconds that the line leaves for a unit; 0 where nobody says.
    pub takt_ms: i64,
    /// Units wanted in an hour; 0 where nobody says.
    pub per_hour: i64,
    /// Whether the next unit waits until the label of this one was scanned.
    pub check_label: bool,
    /// The version of the firmware that its units carry, where somebody said it.
    pub firmware: Option<FirmwareVersion>,
}

/// A reel with chips that lack a credential.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShortReel {
    pub reel: ReelId,
    /// What its chips are for.
    pub product: ProductName,
    /// How many of them lack one.
    pub without: i64,
}

/// A chip in its place on the reel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TapeChip {
    /// Its place; the first is 1.
    pub position: i64,
    pub chip_id: ChipId,
    pub state: ChipState,
    /// Whether it has a credential.
    pub has_credential: bool,
    pub unit: Option<(UnitSerial, UnitState)>,
}

const COLUMNS: &str = "s.station, s.reel, s.source, s.serial_start, s.takt_ms, s.per_hour, s.check_label, f.version \
                       FROM station_setup s LEFT JOIN station_firmware f ON f.station = s.station";

impl StationSetup {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            station: StationName::kept(row.text(0)?),
            reel: ReelId::kept(row.text(1)?),
            source: row.text(2)?,
            serial_start: row.maybe(3, Row::text)?,
            takt_ms: row.int(4)?,
            per_hour: row.int(5)?,
            check_label: row.int(6)? == 1,
            firmware: row.maybe(7, Row::text)?.map(FirmwareVersion::kept),
        })
    }
}

impl Book {
    /// Sets a station up, or sets it up anew.
    ///
    /// # Errors
    ///
    /// [`AccountError::Unknown`] for a reel that is not in the book.
    pub fn set_station(&self, setup: &StationSetup, by: &By) -> Result<Sequence, AccountError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            if tx.one("SELECT 1 FROM reel WHERE reel_id = $1", params![setup.reel.as_str()])?.is_none() {
                return Err(AccountError::Unknown { what: "reel", name: setup.reel.to_string() });
            }
            tx.change_one(
                &rows::STATION_SETUP,
                "INSERT INTO station_setup (station, reel, source, serial_start, takt_ms, per_hour, check_label, \
                 changed, entry) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT (station) DO UPDATE SET \
                 reel = excluded.reel, source = excluded.source, serial_start = excluded.serial_start, \
                 takt_ms = excluded.takt_ms, per_hour = excluded.per_hour, check_label = excluded.check_label, \
                 changed = excluded.changed, entry = excluded.entry",
                params![
                    setup.station.as_str(),
                    setup.reel.as_str(),
                    &setup.source,
                    setup.serial_start.as_deref(),
                    setup.takt_ms,
                    setup.per_hour,
                    i64::from(setup.check_label),
                    by.micros(),
                    sequence
                ],
            )?;
            tx.change_one(
                &rows::STATION_FIRMWARE,
                "INSERT INTO station_firmware (station, version, changed, entry) VALUES ($1, $2, $3, $4) \
                 ON CONFLICT (station) DO UPDATE SET version = excluded.version, changed = excluded.changed, \
                 entry = excluded.entry",
                params![
                    setup.station.as_str(),
                    setup.firmware.as_ref().map(FirmwareVersion::as_str),
                    by.micros(),
                    sequence
                ],
            )?;
            let subject = Subject::Other("station", setup.station.to_string());
            let body = json!({ "reel": setup.reel, "source": setup.source, "firmware": setup.firmware });
            Ok(tx.append(Draft::new("station.set", subject, body), by)?)
        })
    }

    /// The stations that were set up, by name.
    pub fn stations(&self) -> Result<Vec<StationSetup>, BookError> {
        let sql = format!("SELECT {COLUMNS} ORDER BY s.station");
        self.read(|c| c.all(&sql, &[]))?.iter().map(StationSetup::read).collect()
    }

    /// One station.
    pub fn station(&self, name: &StationName) -> Result<Option<StationSetup>, BookError> {
        let sql = format!("SELECT {COLUMNS} WHERE s.station = $1");
        self.read(|c| c.one(&sql, params![name.as_str()]))?.as_ref().map(StationSetup::read).transpose()
    }

    /// The last attempt that ended at a station since a moment.
    pub fn last_attempt(&self, station: &StationName, since: OffsetDateTime) -> Result<Option<Attempt>, BookError> {
        let sql = format!(
            "SELECT {} FROM attempt a WHERE a.ended >= $1 AND a.station = $2 ORDER BY a.ended DESC LIMIT 1",
            Attempt::COLUMNS
        );
        self.read(|c| c.one(&sql, params![micros(since), station.as_str()]))?.as_ref().map(Attempt::read).transpose()
    }

    /// Chips that no delivery brought a credential for, without those scrapped, by
    /// reel; reels that lack none are left out. A reel whose deliveries brought as many
    /// credentials as it has chips lacks none, and its chips are not looked at.
    pub fn short_reels(&self) -> Result<Vec<ShortReel>, BookError> {
        let sql =
            format!("SELECT r.reel_id, r.product FROM reel r WHERE r.chips > {CERTIFICATES_CAME} ORDER BY r.reel_id");
        // No chip has two, so where there are as many as chips, no reel lacks any, and none is looked at.
        let all = "SELECT (SELECT CAST(coalesce(sum(chips), 0) AS BIGINT) FROM reel) - \
                   (SELECT CAST(coalesce(sum(certificates_accepted), 0) AS BIGINT) FROM delivery)";
        self.snapshot(|c| {
            let mut out = Vec::new();
            if c.number(all, &[])? <= 0 {
                return Ok(out);
            }
            for row in c.all(&sql, &[])? {
                let (reel, product) = (ReelId::kept(row.text(0)?), ProductName::kept(row.text(1)?));
                let without = without(c, &reel)?;
                if without > 0 {
                    out.push(ShortReel { reel, product, without });
                }
            }
            Ok(out)
        })
    }

    /// The chips of a reel in their order, each with its fate: up to `limit` from place `from` on.
    pub fn tape(&self, reel: &ReelId, from: i64, limit: u32) -> Result<Vec<TapeChip>, BookError> {
        let sql = "SELECT c.position, c.chip_id, c.state, CASE WHEN k.public_key IS NULL THEN 0 ELSE 1 END, u.serial, u.state FROM chip c \
                   LEFT JOIN credential k ON k.public_key = c.public_key LEFT JOIN unit u ON u.chip_id = c.chip_id \
                   WHERE c.reel = $1 AND c.position >= $2 ORDER BY c.position LIMIT $3";
        self.read(|c| c.all(sql, params![reel.as_str(), from, i64::from(limit)]))?
            .iter()
            .map(|row| {
                let unit = if row.is_null(4) {
                    None
                } else {
                    Some((UnitSerial::kept(row.text(4)?), UnitState::read(row, 5)?))
                };
                Ok(TapeChip {
                    position: row.int(0)?,
                    chip_id: ChipId::kept(row.text(1)?),
                    state: ChipState::read(row, 2)?,
                    has_credential: row.int(3)? == 1,
                    unit,
                })
            })
            .collect()
    }
}
