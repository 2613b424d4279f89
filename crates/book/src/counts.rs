//! Counts for pages and reports: by reel, by day, by station, by cause, by step.

use time::OffsetDateTime;

use crate::Book;
use crate::by::{micros, moment};
use crate::engine::{Row, params};
use crate::error::BookError;
use crate::ids::{ProductName, ReelId, StationName};
use crate::reconcile::{ChipCount, CredentialCount, UnitCount, account};

/// One reel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReelCount {
    /// The reel.
    pub reel: ReelId,
    /// What its chips are for.
    pub product: ProductName,
    /// Its chips.
    pub chips: ChipCount,
    /// Chips that no delivery brought a credential for, without those scrapped.
    pub without: i64,
    /// Its credentials.
    pub credentials: CredentialCount,
    /// Its units.
    pub units: UnitCount,
}

/// Attempts that ended on one day (UTC).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DayCount {
    /// Midnight at the day's beginning.
    pub day: OffsetDateTime,
    /// Passed.
    pub passed: i64,
    /// Failed.
    pub failed: i64,
    /// Interrupted.
    pub interrupted: i64,
}

/// Attempts that ended at one station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StationCount {
    /// The station.
    pub station: StationName,
    /// Passed.
    pub passed: i64,
    /// Failed.
    pub failed: i64,
    /// Interrupted.
    pub interrupted: i64,
    /// Microseconds that all passed attempts took together.
    pub passed_us: i64,
    /// When the last one ended.
    pub last: OffsetDateTime,
}

/// Failures of one cause.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CauseCount {
    /// The cause's name.
    pub cause: String,
    /// Failures.
    pub failures: i64,
    /// Units that they happened to.
    pub units: i64,
    /// Failures that scrapped the unit.
    pub scrapped: i64,
}

/// Where time went: one step over many attempts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StepTime {
    /// The step's name.
    pub name: String,
    /// How often it was done.
    pub times: i64,
    /// Microseconds altogether.
    pub total_us: i64,
    /// Microseconds of the slowest.
    pub longest_us: i64,
}

/// Microseconds of a day.
const DAY: i64 = 86_400_000_000;

const BY_RESULT: &str = "CAST(sum(CASE result WHEN 'passed' THEN 1 ELSE 0 END) AS BIGINT), \
                         CAST(sum(CASE result WHEN 'failed' THEN 1 ELSE 0 END) AS BIGINT), \
                         CAST(sum(CASE result WHEN 'interrupted' THEN 1 ELSE 0 END) AS BIGINT)";

impl Book {
    fn counted<T>(
        &self,
        sql: &str,
        from: OffsetDateTime,
        to: OffsetDateTime,
        read: impl Fn(&Row) -> Result<T, BookError>,
    ) -> Result<Vec<T>, BookError> {
        self.read(|c| c.all(sql, params![micros(from), micros(to)]))?.iter().map(read).collect()
    }

    /// Counts of one reel; `None` where there is no such reel.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn count_reel(&self, reel: &ReelId) -> Result<Option<ReelCount>, BookError> {
        self.snapshot(|c| {
            let row = c.one("SELECT product FROM reel WHERE reel_id = $1", params![reel.as_str()])?;
            let Some(row) = row else { return Ok(None) };
            let (chips, credentials, units) = account(c, Some(reel))?;
            let without = c.number(
                "SELECT count(*) FROM chip c WHERE c.reel = $1 AND c.state <> 'scrapped' AND NOT EXISTS \
                 (SELECT 1 FROM credential k WHERE k.public_key = c.public_key)",
                params![reel.as_str()],
            )?;
            Ok(Some(ReelCount {
                reel: reel.clone(),
                product: ProductName::kept(row.text(0)?),
                chips,
                without,
                credentials,
                units,
            }))
        })
    }

    /// Attempts by the day on which they ended, from `from` to before `to`; days without any are left out.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn count_days(&self, from: OffsetDateTime, to: OffsetDateTime) -> Result<Vec<DayCount>, BookError> {
        let sql = format!(
            "SELECT ended / {DAY}, {BY_RESULT} FROM attempt WHERE ended >= $1 AND ended < $2 \
             GROUP BY ended / {DAY} ORDER BY 1"
        );
        self.counted(&sql, from, to, |row| {
            Ok(DayCount {
                day: moment(row.int(0)? * DAY)?,
                passed: row.int(1)?,
                failed: row.int(2)?,
                interrupted: row.int(3)?,
            })
        })
    }

    /// Attempts by station, for those that ended from `from` to before `to`.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn count_stations(&self, from: OffsetDateTime, to: OffsetDateTime) -> Result<Vec<StationCount>, BookError> {
        let sql = format!(
            "SELECT station, {BY_RESULT}, \
             CAST(sum(CASE WHEN result = 'passed' AND ended > started THEN ended - started ELSE 0 END) AS BIGINT), \
             max(ended) FROM attempt WHERE ended >= $1 AND ended < $2 GROUP BY station ORDER BY station"
        );
        self.counted(&sql, from, to, |row| {
            Ok(StationCount {
                station: StationName::kept(row.text(0)?),
                passed: row.int(1)?,
                failed: row.int(2)?,
                interrupted: row.int(3)?,
                passed_us: row.int(4)?,
                last: moment(row.int(5)?)?,
            })
        })
    }

    /// Failures by cause, the most frequent first, for attempts that ended from `from` to before `to`.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn count_causes(&self, from: OffsetDateTime, to: OffsetDateTime) -> Result<Vec<CauseCount>, BookError> {
        let sql = "SELECT cause, count(*), count(DISTINCT unit), \
                   CAST(sum(CASE next WHEN 'scrap' THEN 1 ELSE 0 END) AS BIGINT) FROM attempt \
                   WHERE ended >= $1 AND ended < $2 AND result = 'failed' GROUP BY cause ORDER BY 2 DESC, cause";
        self.counted(sql, from, to, |row| {
            Ok(CauseCount { cause: row.text(0)?, failures: row.int(1)?, units: row.int(2)?, scrapped: row.int(3)? })
        })
    }

    /// Where time went, the costliest step first, in attempts that ended from `from` to before `to`.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn step_times(&self, from: OffsetDateTime, to: OffsetDateTime) -> Result<Vec<StepTime>, BookError> {
        let sql = "SELECT s.name, count(*), CAST(sum(s.duration) AS BIGINT), max(s.duration) \
                   FROM attempt a JOIN step s ON s.unit = a.unit AND s.attempt = a.number \
                   WHERE a.ended >= $1 AND a.ended < $2 GROUP BY s.name ORDER BY 3 DESC, s.name";
        self.counted(sql, from, to, |row| {
            Ok(StepTime { name: row.text(0)?, times: row.int(1)?, total_us: row.int(2)?, longest_us: row.int(3)? })
        })
    }
}
