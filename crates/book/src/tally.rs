//! Tallies for reports and plans: attempts, causes and step times of the units that a filter names.
//!
//! One aggregate a question, grouped finely enough that whoever asks can add up
//! by hour, by station or by reel without asking again. Nothing here is a page:
//! the rows are few whatever the number of units.
//!
//! A server adds up by itself. SQLite would sort all rows before it does, in memory: a
//! site's report on ten million units would sort a hundred million steps. Its rows are
//! added up here as they come, and memory holds the groups alone.

use std::collections::HashMap;

use time::OffsetDateTime;

use crate::Book;
use crate::by::moment;
use crate::engine::{P, Row, Value};
use crate::error::BookError;
use crate::ids::{ProductName, ReelId, StationName};
use crate::list::{UnitFilter, attempt_conditions};
use crate::words::{AttemptResult, Next};

/// Stretches of time to count in, from midnight of a zone on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// Length in microseconds, above 0.
    pub micros: i64,
    /// How far the zone's clocks are ahead of UTC, in microseconds.
    pub ahead: i64,
}

impl Stretch {
    /// The stretch as SQL, of a time in microseconds.
    fn sql(self, column: &str) -> String {
        format!("({column} + {}) / {}", self.ahead, self.micros.max(1))
    }

    fn begins(self, number: i64) -> Result<OffsetDateTime, BookError> {
        moment(number.saturating_mul(self.micros.max(1)).saturating_sub(self.ahead))
    }
}

/// Attempts that ended alike in one stretch of time at one station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AttemptTally {
    /// When the stretch begins.
    pub begins: OffsetDateTime,
    pub station: StationName,
    /// What the units are.
    pub product: ProductName,
    /// Where their chips come from.
    pub reel: ReelId,
    /// Whether these were the units' first attempts.
    pub first: bool,
    /// How they ended; never open.
    pub result: AttemptResult,
    pub attempts: i64,
    /// Microseconds from beginning to end, of all of them.
    pub total_us: i64,
}

/// Failures of one cause in one stretch of time at one station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CauseTally {
    /// When the stretch begins.
    pub begins: OffsetDateTime,
    pub station: StationName,
    /// Where the chips come from.
    pub reel: ReelId,
    pub cause: String,
    pub next: Next,
    pub failures: i64,
}

/// Times of one step, as one bin of a histogram.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StepBin {
    pub name: String,
    /// Whether it was done, rather than failed.
    pub done: bool,
    /// Shortest time in the bin, microseconds. Bins keep three digits, so that
    /// none is wider than a hundredth of its time.
    pub from_us: i64,
    pub times: i64,
    pub total_us: i64,
    /// Microseconds of the slowest.
    pub longest_us: i64,
}

/// A duration's first three digits, as SQL.
const BIN: &str = "CASE WHEN s.duration < 1000 THEN s.duration \
                   WHEN s.duration < 10000 THEN s.duration / 10 * 10 \
                   WHEN s.duration < 100000 THEN s.duration / 100 * 100 \
                   WHEN s.duration < 1000000 THEN s.duration / 1000 * 1000 \
                   WHEN s.duration < 10000000 THEN s.duration / 10000 * 10000 \
                   WHEN s.duration < 100000000 THEN s.duration / 100000 * 100000 \
                   ELSE s.duration / 1000000 * 1000000 END";

/// Attempts and their units, in the order in which they are to be looked up. SQLite keeps to the order of a
/// CROSS JOIN: a week out of ten million units is found by the attempts' ends, a reel by its units. PostgreSQL
/// judges by itself.
fn joined(filter: &UnitFilter) -> &'static str {
    let UnitFilter { product, reel, state, delivery, authority, station: _, from, to, packed } = filter;
    let by_unit = product.is_some() || reel.is_some() || state.is_some() || delivery.is_some() || authority.is_some();
    let by_unit = by_unit || packed.is_some();
    if from.is_some() || to.is_some() || !by_unit {
        "attempt t CROSS JOIN unit u"
    } else {
        "unit u CROSS JOIN attempt t"
    }
}

/// Whether every unit and every attempt is meant.
fn is_everything(filter: &UnitFilter) -> bool {
    *filter == UnitFilter::default()
}

/// How the rows of a group become one number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Fold {
    Sum,
    Most,
}

/// What is asked of attempts, as SQL.
struct Question<'q> {
    /// What to group and to order by, of `t`, `u` and `s`.
    groups: &'q [&'q str],
    /// What is folded within a group: whole numbers.
    folds: &'q [(Fold, &'q str)],
    from: &'q str,
    also: &'q str,
}

impl Question<'_> {
    fn select(&self, sqlite: bool) -> String {
        let fold = |(fold, what): &(Fold, &str)| match (sqlite, fold) {
            (true, _) => (*what).to_owned(),
            (false, Fold::Sum) => format!("CAST(sum({what}) AS BIGINT)"),
            (false, Fold::Most) => format!("max({what})"),
        };
        let groups = self.groups.iter().map(|group| (*group).to_owned());
        groups.chain(self.folds.iter().map(fold)).collect::<Vec<_>>().join(", ")
    }
}

/// Told how many more rows were looked at, now and then; says whether to go on.
pub type Passing<'a> = &'a dyn Fn(u64) -> bool;

/// Rows looked at between two words to whoever watches.
const PASSED: u64 = 4_096;

/// Attempts whose steps are counted beforehand.
const SAMPLE: u32 = 100;

/// Tallies of the attempts that a filter names, with somebody who watches.
///
/// A server answers a whole tally at once, so that it can be stopped between two of them alone.
pub struct Tallies<'b> {
    book: &'b Book,
    filter: &'b UnitFilter,
    passing: Passing<'b>,
}

impl Tallies<'_> {
    fn pass(&self, rows: u64) -> Result<(), BookError> {
        if (self.passing)(rows) { Ok(()) } else { Err(BookError::Stopped) }
    }

    fn tallied<T>(
        &self,
        question: &Question<'_>,
        read: impl Fn(&Row) -> Result<T, BookError>,
    ) -> Result<Vec<T>, BookError> {
        let (condition, values) = attempt_conditions(self.filter, self.book.is_sqlite());
        let (joined, Question { from, also, .. }) = (joined(self.filter), question);
        let rows = format!("{joined}{from} WHERE u.serial = t.unit AND t.ended IS NOT NULL{condition}{also}");
        let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
        self.folded(question, &rows, &values, read)
    }

    /// Groups the rows that `rows` names, as SQL, and folds each group.
    fn folded<T>(
        &self,
        question: &Question<'_>,
        rows: &str,
        values: &[P<'_>],
        read: impl Fn(&Row) -> Result<T, BookError>,
    ) -> Result<Vec<T>, BookError> {
        self.pass(0)?;
        let (width, select) = (question.groups.len(), question.select(self.book.is_sqlite()));
        if !self.book.is_sqlite() {
            let places = (1..=width).map(|n| n.to_string()).collect::<Vec<_>>().join(", ");
            let sql = format!("SELECT {select} FROM {rows} GROUP BY {places} ORDER BY {places}");
            let groups = self.book.read(|c| c.all(&sql, values))?;
            // The first number of every question is how many rows its groups have.
            let rows = groups.iter().map(|row| row.int(width)).sum::<Result<i64, _>>()?;
            self.pass(u64::try_from(rows).unwrap_or(0))?;
            return groups.iter().map(read).collect();
        }
        let sql = format!("SELECT {select} FROM {rows}");
        let mut seen = 0;
        let groups = self.book.read(|c| {
            let mut groups: HashMap<Vec<Value>, Vec<i64>> = HashMap::new();
            c.each(&sql, values, &mut |mut row| {
                seen += 1;
                if seen == PASSED {
                    self.pass(std::mem::take(&mut seen))?;
                }
                let numbers = (width..row.0.len()).map(|n| row.int(n)).collect::<Result<Vec<_>, _>>()?;
                row.0.truncate(width);
                match groups.get_mut(&row.0) {
                    None => {
                        groups.insert(row.0, numbers);
                    }
                    Some(there) => {
                        for ((there, number), (fold, _)) in there.iter_mut().zip(numbers).zip(question.folds) {
                            *there = match fold {
                                Fold::Sum => there.saturating_add(number),
                                Fold::Most => number.max(*there),
                            };
                        }
                    }
                }
                Ok(())
            })?;
            Ok(groups)
        })?;
        self.pass(seen)?;
        let mut groups: Vec<_> = groups.into_iter().collect();
        groups.sort_unstable();
        groups
            .into_iter()
            .map(|(mut group, folds)| {
                group.extend(folds.into_iter().map(Value::Int));
                read(&Row(group))
            })
            .collect()
    }

    /// Attempts that ended, of the units that the filter names; of those alone that its station and its
    /// times name too.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer; [`BookError::Stopped`] where whoever watches said so.
    pub fn attempts(&self, stretch: Stretch) -> Result<Vec<AttemptTally>, BookError> {
        let begins = stretch.sql("t.ended");
        let groups = [
            begins.as_str(),
            "t.station",
            "u.product",
            "u.reel",
            "CAST(CASE WHEN t.number = 1 THEN 1 ELSE 0 END AS BIGINT)",
            "t.result",
        ];
        let taken = "CASE WHEN t.ended > t.started THEN t.ended - t.started ELSE 0 END";
        let question = Question { groups: &groups, folds: &[(Fold::Sum, "1"), (Fold::Sum, taken)], from: "", also: "" };
        self.tallied(&question, |row| {
            Ok(AttemptTally {
                begins: stretch.begins(row.int(0)?)?,
                station: StationName::kept(row.text(1)?),
                product: ProductName::kept(row.text(2)?),
                reel: ReelId::kept(row.text(3)?),
                first: row.int(4)? == 1,
                result: AttemptResult::read(row, 5)?,
                attempts: row.int(6)?,
                total_us: row.int(7)?,
            })
        })
    }

    /// Failures by cause, as [`Tallies::attempts`] counts attempts.
    ///
    /// # Errors
    ///
    /// As [`Tallies::attempts`].
    pub fn causes(&self, stretch: Stretch) -> Result<Vec<CauseTally>, BookError> {
        let begins = stretch.sql("t.ended");
        let groups = [begins.as_str(), "t.station", "u.reel", "t.cause", "t.next"];
        let also = " AND t.result = 'failed'";
        let question = Question { groups: &groups, folds: &[(Fold::Sum, "1")], from: "", also };
        self.tallied(&question, |row| {
            Ok(CauseTally {
                begins: stretch.begins(row.int(0)?)?,
                station: StationName::kept(row.text(1)?),
                reel: ReelId::kept(row.text(2)?),
                cause: row.text(3)?,
                next: Next::read(row, 4)?,
                failures: row.int(5)?,
            })
        })
    }

    /// Times of steps as histograms, by name and duration, for the same attempts.
    ///
    /// # Errors
    ///
    /// As [`Tallies::attempts`].
    pub fn steps(&self) -> Result<Vec<StepBin>, BookError> {
        let bin = format!("CAST({BIN} AS BIGINT)");
        let question = Question {
            groups: &["s.name", "CAST(CASE WHEN s.result = 'done' THEN 1 ELSE 0 END AS BIGINT)", &bin],
            folds: &[(Fold::Sum, "1"), (Fold::Sum, "s.duration"), (Fold::Most, "s.duration")],
            from: " CROSS JOIN step s",
            also: " AND s.unit = t.unit AND s.attempt = t.number",
        };
        let read = |row: &Row| {
            Ok(StepBin {
                name: row.text(0)?,
                done: row.int(1)? == 1,
                from_us: row.int(2)?,
                times: row.int(3)?,
                total_us: row.int(4)?,
                longest_us: row.int(5)?,
            })
        };
        if is_everything(self.filter) {
            // Steps come in with the end of their attempt, so that all of them count
            // and no attempt need be looked up.
            return self.folded(&question, "step s", &[], read);
        }
        self.tallied(&question, read)
    }

    /// How many of the same attempts there are, up to a few, and how many steps they had: enough to say beforehand
    /// how long [`Tallies::steps`] will be.
    pub fn sampled_steps(&self) -> Result<(u64, u64), BookError> {
        let (condition, values) = attempt_conditions(self.filter, self.book.is_sqlite());
        let sql = format!(
            "SELECT count(*), CAST(coalesce(sum(steps), 0) AS BIGINT) FROM (SELECT \
             (SELECT count(*) FROM step s WHERE s.unit = t.unit AND s.attempt = t.number) AS steps FROM {} \
             WHERE u.serial = t.unit AND t.ended IS NOT NULL{condition} LIMIT {SAMPLE}) AS sample",
            joined(self.filter)
        );
        let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
        let Some(row) = self.book.read(|c| c.one(&sql, &values))? else { return Ok((0, 0)) };
        let whole = |column| Ok::<_, BookError>(u64::try_from(row.int(column)?).unwrap_or(0));
        Ok((whole(0)?, whole(1)?))
    }
}

impl Book {
    /// Tallies of the attempts that a filter names.
    ///
    /// - `passing`: told of the rows that are looked at; it may end the looking.
    pub fn tallies<'b>(&'b self, filter: &'b UnitFilter, passing: Passing<'b>) -> Tallies<'b> {
        Tallies { book: self, filter, passing }
    }

    /// [`Tallies::attempts`] that nobody watches.
    pub fn tally_attempts(&self, filter: &UnitFilter, stretch: Stretch) -> Result<Vec<AttemptTally>, BookError> {
        self.tallies(filter, &|_| true).attempts(stretch)
    }

    /// [`Tallies::causes`] that nobody watches.
    pub fn tally_causes(&self, filter: &UnitFilter, stretch: Stretch) -> Result<Vec<CauseTally>, BookError> {
        self.tallies(filter, &|_| true).causes(stretch)
    }

    /// [`Tallies::steps`] that nobody watches.
    pub fn tally_steps(&self, filter: &UnitFilter) -> Result<Vec<StepBin>, BookError> {
        self.tallies(filter, &|_| true).steps()
    }

    /// When the first and the last attempt of those units ended; `None` where there is none.
    pub fn attempts_between(&self, filter: &UnitFilter) -> Result<Option<(OffsetDateTime, OffsetDateTime)>, BookError> {
        let (condition, values) = attempt_conditions(filter, self.is_sqlite());
        let by_index = "SELECT (SELECT min(ended) FROM attempt), (SELECT max(ended) FROM attempt)";
        let joined = format!(
            "SELECT min(t.ended), max(t.ended) FROM {} WHERE u.serial = t.unit AND t.ended IS NOT NULL{condition}",
            joined(filter)
        );
        // The index begins with the first end and closes with the last one.
        let sql = if is_everything(filter) { by_index } else { joined.as_str() };
        let values: Vec<P<'_>> = values.iter().map(Value::as_param).collect();
        let Some(row) = self.read(|c| c.one(sql, &values))? else { return Ok(None) };
        let read = |column| row.maybe(column, Row::int)?.map(moment).transpose();
        Ok(read(0)?.zip(read(1)?))
    }
}
