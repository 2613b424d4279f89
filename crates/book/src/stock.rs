//! What is in stock, and how fast it goes: asked often, by a page and by a timer, so
//! only through indexes.

use std::collections::BTreeMap;

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
    /// Credentials that no unit has yet, by product and by the reel of their chips; reels without any are left out.
    pub fn stock(&self) -> Result<Vec<Stock>, BookError> {
        let delivered = "SELECT v.reel, r.product, CAST(sum(n.available) AS BIGINT), min(n.first_end) \
                         FROM (SELECT delivery, count(*) AS available, min(not_after) AS first_end FROM credential \
                         WHERE state = 'available' GROUP BY delivery) n JOIN delivery v ON v.delivery_id = n.delivery \
                         JOIN reel r ON r.reel_id = v.reel GROUP BY v.reel, r.product";
        // Those that went with a part of the reel that they were delivered for.
        let moved = "SELECT c.reel, r.product, count(*), min(k.not_after), v.reel FROM reel_split part CROSS JOIN reel r \
                     CROSS JOIN chip c CROSS JOIN credential k CROSS JOIN delivery v WHERE r.reel_id = part.reel \
                     AND c.reel = part.reel AND k.public_key = c.public_key AND v.delivery_id = k.delivery \
                     AND k.state = 'available' AND v.reel <> c.reel GROUP BY c.reel, r.product, v.reel";
        let (delivered, moved) = self.snapshot(|c| Ok((c.all(delivered, &[])?, c.all(moved, &[])?)))?;
        let mut stock: BTreeMap<String, Stock> = BTreeMap::new();
        for row in delivered.iter().chain(&moved) {
            let (reel, available) = (row.text(0)?, row.int(2)?);
            let first_end = row.maybe(3, Row::int)?.map(moment).transpose()?;
            let (product, id) = (ProductName::kept(row.text(1)?), ReelId::kept(reel.clone()));
            let of = stock.entry(reel).or_insert(Stock { product, reel: id, available: 0, first_end: None });
            of.available += available;
            of.first_end = of.first_end.into_iter().chain(first_end).min();
        }
        for row in &moved {
            if let Some(from) = stock.get_mut(&row.text(4)?) {
                from.available -= row.int(2)?;
            }
        }
        let mut stock: Vec<_> = stock.into_values().filter(|of| of.available > 0).collect();
        stock.sort_by(|a, b| (&a.product, &a.reel).cmp(&(&b.product, &b.reel)));
        Ok(stock)
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
