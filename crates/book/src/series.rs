//! Series of serial numbers: the one that a product's new units get, and how far a series has come.
//!
//! The book counts within a series when an attempt begins (`attempt::serial`); here is what is decided
//! and asked beforehand.

use serde_json::json;

use crate::Book;
use crate::attempt::refused::BeginError;
use crate::attempt::serial::Pattern;
use crate::by::By;
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{ProductName, UnitSerial};
use crate::log::{Draft, Subject, rows};
use crate::product::AddError;

/// How far a series of serial numbers has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeriesStand {
    /// The number that the next new unit gets, if no other station takes it first; none where the series is used up.
    pub next: Option<UnitSerial>,
    /// Whether a unit has a number of this series already.
    pub begun: bool,
}

fn newest(c: &mut Connection, product: &str) -> Result<(i64, Option<UnitSerial>), BookError> {
    let sql = "SELECT number, first FROM product_series WHERE product = $1 ORDER BY number DESC LIMIT 1";
    let Some(row) = c.one(sql, params![product])? else { return Ok((0, None)) };
    Ok((row.int(0)?, row.maybe(1, Row::text)?.map(UnitSerial::kept)))
}

impl Book {
    /// Sets the series that a product's new units get, in place of the one before; `None` ends it.
    ///
    /// # Errors
    ///
    /// [`AddError::Unknown`] where there is no such product.
    pub fn set_product_series(
        &self,
        product: &ProductName,
        first: Option<&UnitSerial>,
        by: &By,
    ) -> Result<(), AddError> {
        self.write(|tx| {
            let sequence = tx.next_sequence()?;
            if tx.one("SELECT 1 FROM product WHERE name = $1", params![product.as_str()])?.is_none() {
                return Err(AddError::Unknown { what: "product", name: product.to_string() });
            }
            let (number, before) = newest(tx.connection(), product.as_str())?;
            if before.as_ref() == first {
                return Ok(());
            }
            tx.insert(
                &rows::PRODUCT_SERIES,
                params![product.as_str(), number + 1, first.map(UnitSerial::as_str), by.micros(), sequence],
            )?;
            let body = json!({ "serial_series": first });
            tx.append(Draft::new("product.update", Subject::Product(product.clone()), body), by)?;
            Ok(())
        })
    }

    /// The first number of the series that a product's new units get.
    pub fn product_series(&self, product: &ProductName) -> Result<Option<UnitSerial>, BookError> {
        Ok(self.read(|c| newest(c, product.as_str()))?.1)
    }

    /// How far the series that begins with `first` has come. Changes nothing.
    ///
    /// # Errors
    ///
    /// [`BeginError::SeriesEnds`] where `first` begins no series, since no digit ends it.
    pub fn series_stand(&self, first: &UnitSerial) -> Result<SeriesStand, BeginError> {
        let pattern = Pattern::of(first)?;
        let all = !self.is_series_confirmed(first)?;
        Ok(self.read(|c| pattern.stand(c, all))?)
    }

    /// A serial number of a product's units that is of another series than `first`; none where all are of that one.
    ///
    /// # Errors
    ///
    /// [`BeginError::SeriesEnds`] where `first` begins no series.
    pub fn serial_of_another_series(
        &self,
        product: &ProductName,
        first: &UnitSerial,
    ) -> Result<Option<UnitSerial>, BeginError> {
        let pattern = Pattern::of(first)?;
        // The outermost two show another series wherever there is one: those of one prefix and length lie together.
        let ends = ["DESC", "ASC"].map(|order| {
            let sql = format!("SELECT serial FROM unit WHERE product = $1 ORDER BY serial {order} LIMIT 1");
            self.read(|c| c.one(&sql, params![product.as_str()]))?.map(|row| row.text(0)).transpose()
        });
        for serial in ends {
            if let Some(serial) = serial?.filter(|serial| !pattern.covers(serial)) {
                return Ok(Some(UnitSerial::kept(serial)));
            }
        }
        Ok(None)
    }
}
