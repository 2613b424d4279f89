//! Binding credentials to chips, a batch at a time.

use std::collections::HashSet;
use std::hash::{BuildHasher as _, RandomState};

use super::{NewCredential, NewDelivery, Problem, Trouble};
use crate::by::micros;
use crate::engine::{Into, P, params};
use crate::error::BookError;
use crate::ids::{ChipId, DeliveryId, ReelId};
use crate::log::rows;
use crate::reel::Reel;
use crate::transaction::Tx;
use crate::words::ChipState;

/// Problems told one by one; the rest are counted.
const TOLD: usize = 1000;

/// How keys are held against the chips of the reel.
pub(super) enum Fit {
    /// Batch by batch, where a few keys come for a long reel.
    Asked,
    /// Against all usable chips of the reel, read once.
    Known(Usable),
}

impl Fit {
    /// - `expected`: about how many credentials will come.
    pub(super) fn of(tx: &mut Tx<'_>, reel: &Reel, expected: i64) -> Result<Self, BookError> {
        if expected.saturating_mul(8) < reel.chips {
            return Ok(Self::Asked);
        }
        Usable::of(tx, &reel.facts.reel, reel.chips).map(Self::Known)
    }
}

/// The usable chips of a reel, by a hash of their keys that nobody outside this
/// process can foresee. That the key itself is a chip's is the database's to say.
pub(super) struct Usable {
    hashes: Vec<u64>,
    hasher: RandomState,
}

impl Usable {
    fn of(tx: &mut Tx<'_>, reel: &ReelId, chips: i64) -> Result<Self, BookError> {
        let hasher = RandomState::new();
        let mut hashes = Vec::with_capacity(usize::try_from(chips).unwrap_or(0));
        let sql = "SELECT public_key, state FROM chip WHERE reel = $1";
        tx.each(sql, params![reel.as_str()], &mut |row| {
            if ChipState::read(&row, 1)? != ChipState::Scrapped {
                hashes.push(hasher.hash_one(row.array::<65>(0)?));
            }
            Ok(())
        })?;
        hashes.sort_unstable();
        Ok(Self { hashes, hasher })
    }

    fn holds(&self, key: &[u8; 65]) -> bool {
        self.hashes.binary_search(&self.hasher.hash_one(key)).is_ok()
    }
}

/// Puts one batch into the book; those that can't be bound are added to `found`.
pub(super) fn put(
    tx: &mut Tx<'_>,
    new: &NewDelivery,
    fit: &Fit,
    first: i64,
    batch: &[NewCredential],
    found: &mut (u64, Vec<Problem>),
) -> Result<(), BookError> {
    // Chips first: a key that no chip has would fail the whole transaction.
    let asked = match fit {
        Fit::Asked => ask(tx, &new.reel, batch)?,
        Fit::Known(_) => HashSet::new(),
    };
    let mut bound = Vec::with_capacity(batch.len());
    for (position, credential) in (first..).zip(batch) {
        let fits = match fit {
            Fit::Asked => asked.contains(credential.public_key.as_slice()),
            Fit::Known(usable) => usable.holds(&credential.public_key),
        };
        if fits {
            bound.push((position, credential));
        } else {
            let trouble = unfit(tx, credential)?;
            tell(found, Problem { position, serial: credential.serial.clone(), trouble });
        }
    }
    let mut values = Vec::with_capacity(bound.len() * 8);
    for (position, k) in &bound {
        values.extend(facts(new.delivery.as_str(), *position, k));
    }
    let into = Into { table: "credential", columns: rows::CREDENTIAL_FACTS, numbered: Some(2) };
    for place in tx.insert_rows(&into, &values)? {
        let (position, credential) = bound[place];
        let trouble = kept_out(tx, credential)?;
        tell(found, Problem { position, serial: credential.serial.clone(), trouble });
    }
    Ok(())
}

/// The keys of a batch that belong to usable chips of the reel.
fn ask(tx: &mut Tx<'_>, reel: &ReelId, batch: &[NewCredential]) -> Result<HashSet<Vec<u8>>, BookError> {
    if batch.is_empty() {
        return Ok(HashSet::new());
    }
    let places: Vec<_> = (1..=batch.len()).map(|n| format!("${n}")).collect();
    // The reel is compared here: named in the query, it would lead a planner to
    // read the whole reel for each batch.
    let sql = format!("SELECT public_key, reel, state FROM chip WHERE public_key IN ({})", places.join(","));
    let values: Vec<_> = batch.iter().map(|k| P::Bytes(&k.public_key)).collect();
    let mut fit = HashSet::with_capacity(batch.len());
    tx.each(&sql, &values, &mut |row| {
        if row.text(1)? == reel.as_str() && ChipState::read(&row, 2)? != ChipState::Scrapped {
            fit.insert(row.bytes(0)?);
        }
        Ok(())
    })?;
    Ok(fit)
}

/// Why a key does not belong to a usable chip of the reel.
fn unfit(tx: &mut Tx<'_>, credential: &NewCredential) -> Result<Trouble, BookError> {
    let sql = "SELECT chip_id, reel, state FROM chip WHERE public_key = $1";
    let Some(row) = tx.one(sql, params![&credential.public_key])? else { return Ok(Trouble::Stranger) };
    let chip = ChipId::kept(row.text(0)?);
    Ok(match ChipState::read(&row, 2)? {
        ChipState::Scrapped => Trouble::ChipScrapped { chip },
        _ => Trouble::OtherReel { chip, reel: ReelId::kept(row.text(1)?) },
    })
}

fn tell(found: &mut (u64, Vec<Problem>), problem: Problem) {
    found.0 += 1;
    if found.1.len() < TOLD {
        found.1.push(problem);
    }
}

/// Values of [`rows::CREDENTIAL_FACTS`].
pub(super) fn facts<'a>(delivery: &'a str, position: i64, k: &'a NewCredential) -> [P<'a>; 8] {
    [
        P::Bytes(&k.public_key),
        P::Text(delivery),
        P::Int(position),
        P::Text(k.authority.as_str()),
        P::Bytes(&k.issuer_key_id),
        P::Bytes(&k.serial),
        P::from(k.not_after.map(micros)),
        P::Bytes(&k.certificate),
    ]
}

/// Which rule kept a credential out.
fn kept_out(tx: &mut Tx<'_>, credential: &NewCredential) -> Result<Trouble, BookError> {
    let select = "SELECT c.chip_id, k.delivery, k.serial FROM credential k JOIN chip c ON c.public_key = k.public_key";
    let sql = format!("{select} WHERE k.public_key = $1");
    if let Some(row) = tx.one(&sql, params![&credential.public_key])? {
        return Ok(Trouble::ChipHasOne {
            chip: ChipId::kept(row.text(0)?),
            delivery: DeliveryId::kept(row.text(1)?),
            serial: row.bytes(2)?,
        });
    }
    let sql = format!("{select} WHERE k.serial = $1 AND k.issuer_key_id = $2");
    match tx.one(&sql, params![&credential.serial, &credential.issuer_key_id])? {
        Some(row) => {
            Ok(Trouble::SerialUsed { chip: ChipId::kept(row.text(0)?), delivery: DeliveryId::kept(row.text(1)?) })
        }
        None => Err(BookError::damaged("a credential was kept out by none of those there")),
    }
}
