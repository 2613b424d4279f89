//! Reels that are divided, or go to another product, while their chips are untouched.
//!
//! A part of a reel is a reel of its own: its chips count places from 1 there, and their certificates come with them.
//! What was received stays provable: the part knows the reel that its chips came on and how far they were moved.

use serde_json::json;

use crate::Book;
use crate::by::By;
use crate::engine::{Connection, params};
use crate::error::{Blame, BookError};
use crate::ids::{ProductName, ReelId, Sequence};
use crate::log::{Draft, Subject, rows};
use crate::order::read_orders;
use crate::product::read_product;
use crate::reel::{Reel, read_reel};
use crate::transaction::Tx;

/// A part of a reel that is a reel of its own now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReelPart {
    /// The new reel.
    pub reel: ReelId,
    /// The reel that it was split off.
    pub source: ReelId,
    /// Where its first and its last chip lay there, from 1.
    pub places: (i64, i64),
    /// Certificates that came with it.
    pub certificates: i64,
}

/// Why a reel was left as it is. Nothing was changed.
#[derive(Debug, thiserror::Error)]
pub enum DivideError {
    /// No such reel was received.
    #[error("reel {reel} does not exist")]
    NoReel { reel: ReelId },
    /// There is no such product.
    #[error("there is no product named {product}")]
    NoProduct { product: ProductName },
    /// The new reel's id is taken.
    #[error("reel {reel} already exists")]
    Taken { reel: ReelId },
    /// These are no places.
    #[error("places {first} to {last} are no section of a reel")]
    NoSection { first: i64, last: i64 },
    /// A place of the section holds no chip of the reel.
    #[error("reel {reel} has no chip at place {place}")]
    NoChip { reel: ReelId, place: i64 },
    /// Nothing would be left.
    #[error("places {first} to {last} are all of reel {reel}")]
    Whole { reel: ReelId, first: i64, last: i64 },
    /// Chips were used or scrapped.
    #[error("{used} of the chips are used or scrapped, the first at place {place} of reel {reel}")]
    Used { reel: ReelId, used: i64, place: i64 },
    /// An authority was asked for certificates of them, and they have not come.
    #[error("order {file} for reel {reel} asks for certificates of these chips that have not come")]
    Ordered { reel: ReelId, file: String },
    /// The certificates name another product.
    #[error(
        "reel {reel} has certificates or orders for {:04X} {:04X}, and product {product} is {:04X} {:04X}",
        .has.0, .has.1, .wants.0, .wants.1
    )]
    Identity {
        reel: ReelId,
        product: ProductName,
        /// VID and PID in the reel's certificates.
        has: (u16, u16),
        /// Those of the product.
        wants: (u16, u16),
    },
    /// Test and production are never mixed.
    #[error("reel {reel} has certificates or orders for another purpose than product {product}")]
    Purpose { reel: ReelId, product: ProductName },
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl DivideError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::NoReel { .. } | Self::NoProduct { .. } | Self::NoSection { .. } => Blame::Usage,
            Self::Book(error) => error.blame(),
            _ => Blame::Refused,
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::NoReel { .. } | Self::NoProduct { .. } => "Check the name.".into(),
            Self::Taken { .. } => "Give the new reel another id.".into(),
            Self::NoSection { .. } => "Places count from 1, the first before the last; both belong to it.".into(),
            Self::NoChip { .. } => "Name places that are on the reel. Nothing was changed.".into(),
            Self::Whole { reel, .. } => {
                format!(
                    "To use all of it for another product, assign it: `touchmark reel assign {reel} --product NAME`."
                )
            }
            Self::Used { .. } => "Only untouched chips can go: name a section without that place.".into(),
            Self::Ordered { .. } => "Receive the delivery that answers it first. Nothing was changed.".into(),
            Self::Identity { .. } | Self::Purpose { .. } => {
                "Choose a product with the vendor ID, product ID and purpose that the certificates have.".into()
            }
            Self::Book(error) => error.advice(),
        }
    }
}

/// Holds a reel against stations and deliveries; the rows first, the log's head after them, as every act does.
fn held(tx: &mut Tx<'_>, reel: &ReelId) -> Result<Reel, DivideError> {
    if !tx.is_sqlite() {
        tx.one("SELECT 1 FROM reel WHERE reel_id = $1 FOR UPDATE", params![reel.as_str()])?;
    }
    read_reel(tx, reel)?.ok_or_else(|| DivideError::NoReel { reel: reel.clone() })
}

/// Locks the chips of a section, so that no station takes one.
fn lock_chips(tx: &mut Tx<'_>, reel: &ReelId, (first, last): (i64, i64)) -> Result<(), BookError> {
    if !tx.is_sqlite() {
        let sql = "SELECT count(*) FROM (SELECT 1 FROM chip WHERE reel = $1 AND position BETWEEN $2 AND $3 \
                   ORDER BY position FOR UPDATE) c";
        tx.number(sql, params![reel.as_str(), first, last])?;
    }
    Ok(())
}

/// Refuses where a chip of the section is not as it came.
fn untouched(c: &mut Connection, reel: &ReelId, (first, last): (i64, i64)) -> Result<(), DivideError> {
    let used = "FROM chip WHERE reel = $1 AND position BETWEEN $2 AND $3 AND state <> 'blank'";
    let section = params![reel.as_str(), first, last];
    match c.number(&format!("SELECT count(*) {used}"), section)? {
        0 => Ok(()),
        n => {
            let place = c.number(&format!("SELECT min(position) {used}"), section)?;
            Err(DivideError::Used { reel: reel.clone(), used: n, place })
        }
    }
}

impl Book {
    /// Makes a section of a reel a reel of its own, with the certificates of its chips: places `first` to `last`, from 1,
    /// both included. The rest keeps its places.
    ///
    /// # Errors
    ///
    /// [`DivideError`]; nothing is changed then.
    pub fn split_reel(
        &self,
        source: &ReelId,
        (first, last): (i64, i64),
        new: &ReelId,
        by: &By,
    ) -> Result<ReelPart, DivideError> {
        self.write(|tx| {
            let from = held(tx, source)?;
            if first < 1 || last < first {
                return Err(DivideError::NoSection { first, last });
            }
            lock_chips(tx, source, (first, last))?;
            let sequence = tx.next_sequence()?;
            let taken = "SELECT count(*) FROM reel WHERE upper(reel_id) = upper($1)";
            if tx.number(taken, params![new.as_str()])? > 0 {
                return Err(DivideError::Taken { reel: new.clone() });
            }
            let section = params![source.as_str(), first, last];
            let there = tx.all(
                "SELECT position FROM chip WHERE reel = $1 AND position BETWEEN $2 AND $3 ORDER BY position",
                section,
            )?;
            for (place, row) in (first..=last).zip(there.iter().map(Some).chain(std::iter::repeat(None))) {
                if row.map(|row| row.int(0)).transpose()? != Some(place) {
                    return Err(DivideError::NoChip { reel: source.clone(), place });
                }
            }
            let chips = last - first + 1;
            if chips >= from.chips {
                return Err(DivideError::Whole { reel: source.clone(), first, last });
            }
            untouched(tx, source, (first, last))?;
            let wanting = "SELECT c.position FROM chip c WHERE c.reel = $1 AND c.position BETWEEN $2 AND $3 \
                           AND NOT EXISTS (SELECT 1 FROM credential k WHERE k.public_key = c.public_key)";
            let wanting = tx.all(wanting, section)?;
            let wanting = wanting.iter().map(|row| row.int(0)).collect::<Result<Vec<_>, _>>()?;
            for order in read_orders(tx, source)? {
                let asks = |place: &i64| order.places.as_ref().is_none_or(|places| places.holds(*place));
                if wanting.iter().any(asks) {
                    return Err(DivideError::Ordered { reel: source.clone(), file: order.file_name });
                }
            }
            let certificates = chips - wanting.len() as i64;
            let (origin, shift) = match tx.one(
                "SELECT origin, shift FROM reel_split WHERE reel = $1",
                params![source.as_str()],
            )? {
                Some(row) => (row.text(0)?, row.int(1)? + first - 1),
                None => (source.to_string(), first - 1),
            };
            let facts = &from.facts;
            let name = format!("{}, places {first} to {last} of {source}", facts.source_name);
            tx.insert(
                &rows::REEL,
                params![
                    new.as_str(),
                    facts.product.as_str(),
                    from.purpose.word(),
                    &name,
                    &facts.source_digest,
                    chips,
                    by.micros(),
                    sequence,
                ],
            )?;
            tx.insert(
                &rows::REEL_SPLIT,
                params![new.as_str(), source.as_str(), first, last, &origin, shift, certificates, sequence],
            )?;
            tx.change_one(
                &rows::REEL,
                "UPDATE reel SET chips = chips - $1, entry = $2 WHERE reel_id = $3",
                params![chips, sequence, source.as_str()],
            )?;
            tx.run(
                "UPDATE chip SET reel = $4, position = position - $2 + 1 WHERE reel = $1 AND position BETWEEN $2 AND $3",
                params![source.as_str(), first, last, new.as_str()],
            )?;
            let body = json!({
                "as": new, "from": first, "to": last, "chips": chips, "certificates": certificates, "left": from.chips - chips,
            });
            tx.append(Draft::new("reel.split", Subject::Reel(source.clone()), body), by)?;
            Ok(ReelPart { reel: new.clone(), source: source.clone(), places: (first, last), certificates })
        })
    }

    /// Gives an untouched reel to another product; the product that it was for, and the entry. Where certificates came or
    /// were ordered, only to one with the same vendor ID, product ID and purpose. `None` where it is that product's already.
    ///
    /// # Errors
    ///
    /// [`DivideError`]; nothing is changed then.
    pub fn assign_reel(
        &self,
        reel: &ReelId,
        product: &ProductName,
        by: &By,
    ) -> Result<Option<(ProductName, Sequence)>, DivideError> {
        self.write(|tx| {
            let from = held(tx, reel)?;
            let Some(to) = read_product(tx, product.as_str())? else {
                return Err(DivideError::NoProduct { product: product.clone() });
            };
            let before = from.facts.product.clone();
            if before == *product {
                return Ok(None);
            }
            let all = (1, i64::MAX);
            lock_chips(tx, reel, all)?;
            let sequence = tx.next_sequence()?;
            untouched(tx, reel, all)?;
            let bound = "SELECT (SELECT count(*) FROM delivery WHERE reel = $1) + \
                         (SELECT count(*) FROM order_written WHERE reel = $1) + \
                         (SELECT count(*) FROM reel_split WHERE reel = $1 AND certificates > 0)";
            if tx.number(bound, params![reel.as_str()])? > 0 {
                let was = read_product(tx, before.as_str())?
                    .ok_or_else(|| BookError::damaged(format!("product {before} is missing")))?;
                let (has, wants) =
                    ((was.facts.vendor_id, was.facts.product_id), (to.facts.vendor_id, to.facts.product_id));
                if has != wants {
                    return Err(DivideError::Identity { reel: reel.clone(), product: product.clone(), has, wants });
                }
                if from.purpose != to.facts.purpose {
                    return Err(DivideError::Purpose { reel: reel.clone(), product: product.clone() });
                }
            }
            tx.change_one(
                &rows::REEL,
                "UPDATE reel SET product = $1, purpose = $2, entry = $3 WHERE reel_id = $4",
                params![product.as_str(), to.facts.purpose.word(), sequence, reel.as_str()],
            )?;
            let body = json!({ "product": product, "was": before });
            let entry = tx.append(Draft::new("reel.assign", Subject::Reel(reel.clone()), body), by)?;
            Ok(Some((before, entry)))
        })
    }

    /// The reel that this one was split off, where it was.
    pub fn reel_part(&self, reel: &ReelId) -> Result<Option<ReelPart>, BookError> {
        let sql = "SELECT source, first, last, certificates FROM reel_split WHERE reel = $1";
        let row = self.read(|c| c.one(sql, params![reel.as_str()]))?;
        row.map(|row| {
            Ok(ReelPart {
                reel: reel.clone(),
                source: ReelId::kept(row.text(0)?),
                places: (row.int(1)?, row.int(2)?),
                certificates: row.int(3)?,
            })
        })
        .transpose()
    }
}
