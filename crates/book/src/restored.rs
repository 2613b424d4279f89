//! A book that was restored from a backup: what it can't know, and what somebody says in its place.
//!
//! Serial numbers that were given out after the backup are not in it. So a restored book counts in no series
//! until somebody has said where that series goes on.

use serde_json::{Value as Json, json};
use time::OffsetDateTime;

use crate::Book;
use crate::attempt::refused::BeginError;
use crate::attempt::serial::{Pattern, series_key};
use crate::by::{By, moment};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{Sequence, UnitSerial};
use crate::log::{Draft, Subject};
use crate::transaction::Tx;

/// That a book was put back from a backup.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Restoration {
    /// Entries of the backup's log; those that came after them are lost.
    pub entries: u64,
    /// When the last of them was made.
    pub ended: OffsetDateTime,
}

const LAST: &str = "SELECT entries, ended FROM restored ORDER BY entries DESC LIMIT 1";

/// Notes in a copy that it was restored.
pub(crate) fn mark(c: &mut Connection) -> Result<(), BookError> {
    c.run(
        "INSERT INTO restored (entries, ended) SELECT h.size, coalesce((SELECT max(at) FROM entry), s.created) \
         FROM log_head h, site s WHERE h.one = 1 ON CONFLICT DO NOTHING",
        &[],
    )
    .map(drop)
}

/// Which life of the book this is: how often it was restored or a loss was accepted, and more where the entry that
/// says so knew of lives that this copy has not seen.
pub(crate) fn lives(c: &mut Connection) -> Result<u64, BookError> {
    let sql = "SELECT e.leaf FROM restored r LEFT JOIN entry e ON e.sequence = r.entries ORDER BY r.entries";
    let mut life = 0;
    for row in c.all(sql, &[])? {
        let leaf = row.maybe(0, Row::text)?.and_then(|leaf| serde_json::from_str::<Json>(&leaf).ok());
        let said = leaf.as_ref().and_then(|leaf| leaf.pointer("/body/life")).and_then(Json::as_u64);
        life = (life + 1).max(said.unwrap_or(0));
    }
    Ok(life)
}

/// The act that begins a life, which its entry numbers: `least`, or more.
pub(crate) fn begin_life(
    tx: &mut Tx<'_>,
    act: &str,
    body: &Json,
    least: u64,
    by: &By,
) -> Result<(Sequence, u64), BookError> {
    let life = lives(tx)?.max(least);
    let mut body = body.clone();
    body["life"] = life.into();
    Ok((tx.append(Draft::new(act, Subject::Site, body), by)?, life))
}

impl Book {
    /// The last time that this book was restored; none where it never was.
    pub fn restoration(&self) -> Result<Option<Restoration>, BookError> {
        let Some(row) = self.read(|c| c.one(LAST, &[]))? else { return Ok(None) };
        Ok(Some(Restoration { entries: u64::try_from(row.int(0)?).unwrap_or(0), ended: moment(row.int(1)?)? }))
    }

    /// Whether numbers of this one's series may be given out: the book was never restored, or somebody has
    /// said since where the series goes on.
    pub fn is_series_confirmed(&self, serial: &UnitSerial) -> Result<bool, BookError> {
        let (prefix, digits) = series_key(serial.as_str());
        let sql = "SELECT 1 FROM (SELECT max(entries) AS entries FROM restored) r WHERE r.entries IS NULL OR EXISTS \
                   (SELECT 1 FROM series_confirmed c WHERE c.prefix = $1 AND c.digits = $2 AND c.entry >= r.entries)";
        Ok(self.read(|c| c.one(sql, params![prefix, digits]))?.is_some())
    }

    /// Says that the series of `first` goes on with it: the book gives out no number before it.
    pub fn confirm_series(&self, first: &UnitSerial, by: &By) -> Result<(), BookError> {
        let (prefix, digits) = series_key(first.as_str());
        self.write(|tx| {
            if let Ok(pattern) = Pattern::of(first) {
                tx.several(&pattern.move_forward())?;
            }
            let sequence = tx.next_sequence()?;
            tx.run(
                "INSERT INTO series_confirmed (prefix, digits, entry) VALUES ($1, $2, $3)",
                params![prefix, digits, sequence],
            )?;
            tx.append(Draft::new("series.confirm", Subject::Site, json!({ "first": first })), by).map(drop)
        })
    }

    /// The next number of every series that the book has counted in.
    pub fn next_of_all_series(&self) -> Result<Vec<UnitSerial>, BookError> {
        let sql = "SELECT prefix, digits, following FROM serial_series ORDER BY prefix, digits";
        let rows = self.read(|c| c.all(sql, &[]))?;
        let mut next = Vec::new();
        for row in rows {
            let digits = usize::try_from(row.int(1)?).unwrap_or(0);
            let first = UnitSerial::kept(format!("{}{:0digits$}", row.text(0)?, row.int(2)?));
            match self.series_stand(&first) {
                // A series that is used up has a number with one digit more than it takes.
                Ok(stand) if series_key(first.as_str()).1 == row.int(1)? => next.extend(stand.next),
                Ok(_) | Err(BeginError::SeriesEnds { .. }) => {}
                Err(BeginError::Book(error)) => return Err(error),
                Err(_) => {}
            }
        }
        Ok(next)
    }
}
