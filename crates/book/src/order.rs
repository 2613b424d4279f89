//! Orders: which chips of a reel an authority was asked to certify, and when.

use serde_json::json;
use time::OffsetDateTime;

use crate::Book;
use crate::by::{By, moment};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{ReelId, Sequence};
use crate::log::{Draft, Subject, rows};

/// Places on a reel, from 1, as intervals in order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Places(Vec<(i64, i64)>);

impl Places {
    /// Of places in any order.
    pub fn of(places: impl IntoIterator<Item = i64>) -> Self {
        let mut all: Vec<i64> = places.into_iter().collect();
        all.sort_unstable();
        let mut intervals: Vec<(i64, i64)> = Vec::new();
        for place in all {
            match intervals.last_mut() {
                Some((_, last)) if place <= last.saturating_add(1) => *last = place,
                _ => intervals.push((place, place)),
            }
        }
        Self(intervals)
    }

    /// How many there are.
    pub fn count(&self) -> i64 {
        self.0.iter().map(|(first, last)| last.saturating_sub(*first).saturating_add(1)).fold(0, i64::saturating_add)
    }

    /// Whether this place is one of them.
    pub fn holds(&self, place: i64) -> bool {
        let after = self.0.partition_point(|(first, _)| *first <= place);
        after.checked_sub(1).is_some_and(|at| place <= self.0[at].1)
    }

    /// As the book keeps them: `1-397,400`.
    fn text(&self) -> String {
        let one =
            |(first, last): &(i64, i64)| if first == last { first.to_string() } else { format!("{first}-{last}") };
        self.0.iter().map(one).collect::<Vec<_>>().join(",")
    }

    fn read(text: &str) -> Result<Self, BookError> {
        let one = |part: &str| {
            let (first, last) = part.split_once('-').unwrap_or((part, part));
            Some((first.parse().ok()?, last.parse().ok()?)).filter(|(first, last)| first <= last)
        };
        let parts = text.split(',').filter(|part| !part.is_empty());
        let intervals = parts.map(one).collect::<Option<_>>();
        intervals.map(Self).ok_or_else(|| BookError::damaged("the places of an order can't be read"))
    }
}

/// An order for the chips of a reel, as it was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderWritten {
    /// Its number among the reel's orders, from 1.
    pub number: i64,
    /// Name of its file.
    pub file_name: String,
    /// SHA-256 of the file.
    pub content_digest: [u8; 32],
    /// Chips that it asks for.
    pub chips: i64,
    /// Where these are on the reel; none for orders of books before version 6, which did not record it.
    pub places: Option<Places>,
    pub written: OffsetDateTime,
}

const WRITTEN: &str = "SELECT w.number, w.file_name, w.content_digest, w.chips, p.places, w.written, w.reel \
                       FROM order_written w LEFT JOIN order_places p ON p.reel = w.reel AND p.number = w.number";

impl OrderWritten {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            number: row.int(0)?,
            file_name: row.text(1)?,
            content_digest: row.array(2)?,
            chips: row.int(3)?,
            places: row.maybe(4, Row::text)?.as_deref().map(Places::read).transpose()?,
            written: moment(row.int(5)?)?,
        })
    }
}

impl Book {
    /// Records that an order for the chips of a reel was written.
    ///
    /// - `content_digest`: SHA-256 of the file; `places`: which chips it asks for.
    ///
    /// # Errors
    ///
    /// [`BookError::Rule`] for a reel that is not in the book.
    pub fn record_order(
        &self,
        reel: &ReelId,
        file_name: &str,
        content_digest: &[u8; 32],
        places: &Places,
        by: &By,
    ) -> Result<Sequence, BookError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            // Counted by the log: the number of an order that went with its reel is not another's.
            let subject = Subject::Reel(reel.clone());
            let written =
                "SELECT count(*) + 1 FROM entry WHERE subject_kind = $1 AND subject = $2 AND act = 'order.write'";
            let number = tx.number(written, params![subject.kind(), subject.id()])?;
            let (chips, text) = (places.count(), places.text());
            tx.insert(
                &rows::ORDER,
                params![reel.as_str(), number, file_name, content_digest, chips, by.micros(), sequence],
            )?;
            tx.insert(&rows::ORDER_PLACES, params![reel.as_str(), number, &text, sequence])?;
            let body = json!({ "file": file_name, "sha256": hex::encode(content_digest), "chips": chips });
            tx.append(Draft::new("order.write", Subject::Reel(reel.clone()), body), by)
        })
    }

    /// Orders written for a reel, oldest first.
    pub fn orders(&self, reel: &ReelId) -> Result<Vec<OrderWritten>, BookError> {
        self.read(|c| read_orders(c, reel))
    }

    /// Orders whose file has this name, in any letter case.
    pub fn orders_named(&self, file_name: &str) -> Result<Vec<(ReelId, OrderWritten)>, BookError> {
        let sql = format!("{WRITTEN} WHERE lower(w.file_name) = $1 ORDER BY w.reel, w.number");
        let read = |row: &Row| Ok((ReelId::kept(row.text(6)?), OrderWritten::read(row)?));
        self.read(|c| c.all(&sql, params![&file_name.to_lowercase()]))?.iter().map(read).collect()
    }
}

pub(crate) fn read_orders(c: &mut Connection, reel: &ReelId) -> Result<Vec<OrderWritten>, BookError> {
    let sql = format!("{WRITTEN} WHERE w.reel = $1 ORDER BY w.number");
    c.all(&sql, params![reel.as_str()])?.iter().map(OrderWritten::read).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_come_back_as_they_were() {
        for (places, text) in
            [(vec![], ""), (vec![7], "7"), (vec![3, 1, 2, 2], "1-3"), (vec![1, 2, 4, 9, 8], "1-2,4,8-9")]
        {
            let all = Places::of(places.clone());
            assert_eq!((all.text().as_str(), Places::read(text).ok()), (text, Some(all.clone())), "{places:?}");
            for place in 0..11 {
                assert_eq!(all.holds(place), places.contains(&place), "{place} of {text}");
            }
        }
        assert_eq!(Places::of([5, 1, 2, 3]).count(), 4);
        for broken in ["x", "3-", "-3", "4-2", "1,,x"] {
            assert!(Places::read(broken).is_err(), "{broken}");
        }
    }
}
