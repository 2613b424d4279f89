//! What is in stock, and how fast it goes: asked often, by a page and by a timer, so
//! only through indexes.

use time::OffsetDateTime;

use crate::Book;
use crate::by::{micros, moment};
use crate::engine::{Row, params};
use crate::error::BookError;
use crate::ids::{ProductName, ReelId};

/// Credentials of a reel that no unit has yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stock {
    /// What they are for.
    pub product: ProductName,
    pub reel: ReelId,
    pub available: i64,
    /// When the first of them ends, where one does.
    pub first_end: Option<OffsetDateTime>,
}

/// How many units of a product were begun.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pace {
    pub product: ProductName,
    /// Units whose first attempt ended in the time asked about.
    pub units: i64,
    /// When the first of those ended.
    pub since: OffsetDateTime,
}

impl Book {
    /// Credentials that no unit has yet, by product and reel; reels without any are left out.
    pub fn stock(&self) -> Result<Vec<Stock>, BookError> {
        let sql = "SELECT r.product, r.reel_id, q.available, q.first_end FROM \
                   (SELECT v.reel AS reel, CAST(sum(n.available) AS BIGINT) AS available, min(n.first_end) AS first_end \
                   FROM (SELECT delivery, count(*) AS available, min(not_after) AS first_end FROM credential \
                   WHERE state = 'available' GROUP BY delivery) n JOIN delivery v ON v.delivery_id = n.delivery \
                   GROUP BY v.reel) q JOIN reel r ON r.reel_id = q.reel ORDER BY r.product, r.reel_id";
        self.read(|c| c.all(sql, &[]))?
            .iter()
            .map(|row| {
                Ok(Stock {
                    product: ProductName::kept(row.text(0)?),
                    reel: ReelId::kept(row.text(1)?),
                    available: row.int(2)?,
                    first_end: row.maybe(3, Row::int)?.map(moment).transpose()?,
                })
            })
            .collect()
    }

    /// How many units of each product were begun, from `from` on.
    pub fn pace(&self, from: OffsetDateTime) -> Result<Vec<Pace>, BookError> {
        let sql = "SELECT u.product, count(*), min(t.ended) FROM attempt t JOIN unit u ON u.serial = t.unit \
                   WHERE t.ended >= $1 AND t.number = 1 GROUP BY u.product ORDER BY u.product";
        self.read(|c| c.all(sql, params![micros(from)]))?
            .iter()
            .map(|row| {
                Ok(Pace { product: ProductName::kept(row.text(0)?), units: row.int(1)?, since: moment(row.int(2)?)? })
            })
            .collect()
    }
}
