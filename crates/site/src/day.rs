//! The last day's verdicts, counted once and kept up as the log grows.
//!
//! The pages of a line ask for a shift's counts each time something happens. A process that
//! has counted the day once looks only at the entries since: the same numbers, whatever the
//! day has given, and whoever made them. It begins anew where the log is shorter than
//! it was (another book lies there) or very much longer.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::{Mutex, PoisonError};

use book::ids::{ProductName, StationName, UnitSerial};
use book::{Book, BookError, Verdict};
use time::{Duration, OffsetDateTime};

/// Shifts, days and hours begin on whole minutes.
const MINUTE: i64 = 60;
/// What is counted at first: the longest shift, and the hour that the last twelve begin with.
const AT_LEAST: Duration = Duration::hours(25);

/// Verdicts of a station.
#[derive(Debug, Clone, Default)]
pub struct AtStation {
    pub passed: i64,
    pub failed: i64,
    pub first: i64,
    pub first_passed: i64,
    /// Microseconds of those that passed.
    pub passed_us: i64,
    pub last: Option<OffsetDateTime>,
    /// How often each cause failed it.
    pub causes: BTreeMap<String, i64>,
}

impl AtStation {
    fn count(&mut self, verdict: &Verdict) {
        if verdict.passed() {
            self.passed += 1;
            self.passed_us = self.passed_us.saturating_add(verdict.taken_us);
        } else {
            self.failed += 1;
        }
        if verdict.first {
            self.first += 1;
            self.first_passed += i64::from(verdict.passed());
        }
        self.last = self.last.max(Some(verdict.ended));
        if let Some(cause) = &verdict.cause {
            *self.causes.entry(cause.clone()).or_default() += 1;
        }
    }

    fn add(&mut self, other: &Self) {
        self.passed += other.passed;
        self.failed += other.failed;
        self.first += other.first;
        self.first_passed += other.first_passed;
        self.passed_us = self.passed_us.saturating_add(other.passed_us);
        self.last = self.last.max(other.last);
        for (cause, failures) in &other.causes {
            *self.causes.entry(cause.clone()).or_default() += failures;
        }
    }
}

/// One minute's verdicts.
#[derive(Debug, Default)]
struct Minute {
    stations: BTreeMap<StationName, AtStation>,
    products: BTreeMap<ProductName, i64>,
    /// Cause and unit of each failure.
    failures: Vec<(String, UnitSerial)>,
}

/// Failures of a cause.
pub struct OfCause {
    pub cause: String,
    pub failures: i64,
    pub units: i64,
}

/// Passed and failed, by the second (UTC) in which an hour begins.
pub type ByHour = BTreeMap<i64, (i64, i64)>;

/// What has been counted.
#[derive(Debug, Default)]
pub struct Counted {
    /// The log's length then.
    size: u64,
    /// The first minute that is counted.
    from: i64,
    minutes: BTreeMap<i64, Minute>,
}

fn minute(at: OffsetDateTime) -> i64 {
    at.unix_timestamp().div_euclid(MINUTE)
}

impl Counted {
    fn anew(book: &Book, from: OffsetDateTime) -> Result<Self, BookError> {
        let mut counted = Self { from: minute(from), ..Self::default() };
        let begins = OffsetDateTime::from_unix_timestamp(counted.from * MINUTE).unwrap_or(from);
        counted.size = book.verdicts_from(begins, &mut |verdict| counted.count(verdict))?;
        Ok(counted)
    }

    fn count(&mut self, verdict: Verdict) {
        let at = minute(verdict.ended);
        if at < self.from {
            return;
        }
        let minute = self.minutes.entry(at).or_default();
        if let Some(station) = minute.stations.get_mut(&verdict.station) {
            station.count(&verdict);
        } else {
            let mut station = AtStation::default();
            station.count(&verdict);
            minute.stations.insert(verdict.station, station);
        }
        match verdict.cause {
            None => *minute.products.entry(verdict.product).or_default() += 1,
            Some(cause) => minute.failures.push((cause, verdict.unit)),
        }
    }

    /// What came since; whether it could be told.
    fn go_on(&mut self, book: &Book) -> Result<bool, BookError> {
        let mut more = Vec::new();
        let size = book.verdicts_since(self.size, &mut |verdict| more.push(verdict))?;
        let Some(size) = size else { return Ok(false) };
        more.into_iter().for_each(|verdict| self.count(verdict));
        self.size = size;
        Ok(true)
    }

    fn forget_before(&mut self, first: i64) {
        if first > self.from {
            self.minutes = self.minutes.split_off(&first);
            self.from = first;
        }
    }

    fn within(&self, from: OffsetDateTime, to: OffsetDateTime) -> impl Iterator<Item = (i64, &Minute)> {
        let (from, to) = (minute(from), minute(to));
        self.minutes.range(from..=to.max(from)).map(|(at, minute)| (*at, minute))
    }

    /// By station, from one minute to another, both counted.
    pub fn stations(&self, from: OffsetDateTime, to: OffsetDateTime) -> BTreeMap<String, AtStation> {
        let mut out: BTreeMap<String, AtStation> = BTreeMap::new();
        for (station, counts) in self.within(from, to).flat_map(|(_, minute)| &minute.stations) {
            match out.get_mut(station.as_str()) {
                Some(there) => there.add(counts),
                None => drop(out.insert(station.to_string(), counts.clone())),
            }
        }
        out
    }

    /// By the hour (UTC) in which they ended: its beginning, passed, failed; empty hours are left out.
    pub fn hours(&self, from: OffsetDateTime, to: OffsetDateTime) -> ByHour {
        let mut out = ByHour::new();
        for (at, minute) in self.within(from, to) {
            let hour = out.entry((at * MINUTE).div_euclid(3600) * 3600).or_default();
            for station in minute.stations.values() {
                (hour.0, hour.1) = (hour.0 + station.passed, hour.1 + station.failed);
            }
        }
        out
    }

    /// Units that passed, by product.
    pub fn products(&self, from: OffsetDateTime, to: OffsetDateTime) -> BTreeMap<ProductName, i64> {
        let mut out: BTreeMap<ProductName, i64> = BTreeMap::new();
        for (product, passed) in self.within(from, to).flat_map(|(_, minute)| &minute.products) {
            *out.entry(product.clone()).or_default() += passed;
        }
        out
    }

    /// By cause, the most frequent first.
    pub fn causes(&self, from: OffsetDateTime, to: OffsetDateTime) -> Vec<OfCause> {
        let mut causes: HashMap<&str, (i64, HashSet<&UnitSerial>)> = HashMap::new();
        for (cause, unit) in self.within(from, to).flat_map(|(_, minute)| &minute.failures) {
            let there = causes.entry(cause).or_default();
            there.0 += 1;
            there.1.insert(unit);
        }
        let told = |(cause, (failures, units)): (&str, (i64, HashSet<_>))| OfCause {
            cause: cause.to_owned(),
            failures,
            units: i64::try_from(units.len()).unwrap_or(i64::MAX),
        };
        let mut out: Vec<_> = causes.into_iter().map(told).collect();
        out.sort_by(|a, b| b.failures.cmp(&a.failures).then_with(|| a.cause.cmp(&b.cause)));
        out
    }
}

/// The day of a site, as far as this process has counted it.
#[derive(Debug, Default)]
pub struct Day(Mutex<Option<Counted>>);

impl Day {
    /// Hands over what was counted from `from` on, kept up to now. Who comes while another
    /// counts waits for that one.
    pub fn counted<T>(
        &self,
        book: &Book,
        from: OffsetDateTime,
        now: OffsetDateTime,
        ask: impl FnOnce(&Counted) -> T,
    ) -> Result<T, BookError> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let first = from.min(now - AT_LEAST);
        // Taken out meanwhile: where the book gives no answer nothing half counted is left.
        let mut there = kept.take().filter(|there| there.from <= minute(from));
        if let Some(counted) = &mut there
            && !counted.go_on(book)?
        {
            there = None;
        }
        let counted = kept.insert(there.map_or_else(|| Counted::anew(book, first), Ok)?);
        counted.forget_before(minute(first));
        Ok(ask(counted))
    }
}

#[cfg(test)]
mod tests {
    use time::macros::datetime;

    use super::*;

    fn verdict(unit: &str, ended: OffsetDateTime, first: bool, cause: Option<&str>) -> Verdict {
        Verdict {
            unit: UnitSerial::new(unit).expect("a serial number"),
            product: ProductName::new("tern-vent").expect("a name"),
            station: StationName::new("S1").expect("a name"),
            first,
            ended,
            taken_us: 400_000,
            cause: cause.map(str::to_owned),
        }
    }

    #[test]
    fn counts_by_station_hour_product_and_cause() {
        let at = datetime!(2026-03-02 08:59:30 UTC);
        let mut counted = Counted { from: minute(at - Duration::hours(1)), ..Counted::default() };
        counted.count(verdict("U1", at, true, None));
        counted.count(verdict("U2", at + Duration::minutes(1), true, Some("bus-silent")));
        counted.count(verdict("U2", at + Duration::minutes(2), false, Some("bus-silent")));
        counted.count(verdict("U3", at + Duration::minutes(3), true, Some("wrong-chip")));
        counted.count(verdict("U2", at + Duration::minutes(4), false, None));
        counted.count(verdict("U0", at - Duration::hours(2), true, None));
        let to = at + Duration::minutes(4);
        let station = &counted.stations(at, to)["S1"];
        assert_eq!((station.passed, station.failed, station.first, station.first_passed), (2, 3, 3, 1));
        assert_eq!((station.passed_us, station.last), (800_000, Some(to)));
        let hours: Vec<_> = counted.hours(at, to).into_values().collect();
        assert_eq!(hours, [(1, 0), (1, 3)]);
        let causes: Vec<_> = counted.causes(at, to).into_iter().map(|c| (c.cause, c.failures, c.units)).collect();
        assert_eq!(causes, [("bus-silent".to_owned(), 2, 1), ("wrong-chip".to_owned(), 1, 1)]);
        assert_eq!(counted.products(at, to).into_values().collect::<Vec<_>>(), [2]);
        // What ended later than asked for is left out, and what was forgotten.
        assert_eq!(counted.stations(at, at)["S1"].passed, 1);
        counted.forget_before(minute(to));
        assert_eq!(counted.stations(at, to)["S1"].passed, 1);
    }
}
