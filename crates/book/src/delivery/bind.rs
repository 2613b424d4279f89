//! Binding credentials to chips, a batch at a time.

use std::collections::{HashMap, HashSet};
use std::hash::{BuildHasher as _, RandomState};

use super::{NewCredential, NewDelivery, Problem, Trouble};
use crate::by::micros;
use crate::engine::{Into, P, Row, params};
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
    /// Against all chips of the reel, read once.
    Known(Keys),
}

impl Fit {
    /// - `expected`: about how many credentials will come.
    pub(super) fn of(tx: &mut Tx<'_>, reel: &Reel, expected: i64) -> Result<Self, BookError> {
        if expected.saturating_mul(8) < reel.chips {
            return Ok(Self::Asked);
        }
        Keys::of(tx, &reel.facts.reel, reel.chips).map(Self::Known)
    }
}

/// A chip that was scrapped before its credential came.
pub(super) struct Scrapped {
    pub(super) chip: ChipId,
    pub(super) public_key: Vec<u8>,
    pub(super) reason: Option<String>,
}

/// The chips of a reel, by a hash of their keys that nobody outside this
/// process can foresee. That the key itself is a chip's is the database's to say.
pub(super) struct Keys {
    hashes: Vec<u64>,
    hasher: RandomState,
    /// Those that were scrapped, by the same hash.
    scrapped: HashSet<u64>,
}

impl Keys {
    fn of(tx: &mut Tx<'_>, reel: &ReelId, chips: i64) -> Result<Self, BookError> {
        let hasher = RandomState::new();
        let mut hashes = Vec::with_capacity(usize::try_from(chips).unwrap_or(0));
        let mut scrapped = HashSet::new();
        let sql = "SELECT public_key, state FROM chip WHERE reel = $1";
        tx.each(sql, params![reel.as_str()], &mut |row| {
            let hash = hasher.hash_one(row.array::<65>(0)?);
            hashes.push(hash);
            if ChipState::read(&row, 1)? == ChipState::Scrapped {
                scrapped.insert(hash);
            }
            Ok(())
        })?;
        hashes.sort_unstable();
        Ok(Self { hashes, hasher, scrapped })
    }

    /// Whether the chip of this key was scrapped; `None` where no chip has it.
    fn find(&self, key: &[u8; 65]) -> Option<bool> {
        let hash = self.hasher.hash_one(key);
        self.hashes.binary_search(&hash).ok().map(|_| self.scrapped.contains(&hash))
    }
}

/// Puts one batch into the book; those that can't be bound are added to `found`. Tells of chips that were scrapped.
pub(super) fn put(
    tx: &mut Tx<'_>,
    new: &NewDelivery,
    fit: &Fit,
    first: i64,
    batch: &[NewCredential],
    found: &mut (u64, Vec<Problem>),
) -> Result<Vec<Scrapped>, BookError> {
    // Chips first: a key that no chip has would fail the whole transaction.
    let asked = match fit {
        Fit::Asked => ask(tx, &new.reel, batch)?,
        Fit::Known(_) => HashMap::new(),
    };
    let mut scrapped = Vec::new();
    let mut bound = Vec::with_capacity(batch.len());
    for (position, credential) in (first..).zip(batch) {
        let chip = match fit {
            Fit::Asked => asked.get(credential.public_key.as_slice()).copied(),
            Fit::Known(keys) => keys.find(&credential.public_key),
        };
        match chip {
            Some(is_scrapped) => {
                bound.push((position, credential));
                if is_scrapped {
                    scrapped.push(scrapped_chip(tx, credential)?);
                }
            }
            None => {
                let trouble = unfit(tx, credential)?;
                tell(found, Problem { position, serial: credential.serial.clone(), trouble });
            }
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
    Ok(scrapped)
}

/// The keys of a batch that belong to chips of the reel, and whether those were scrapped.
fn ask(tx: &mut Tx<'_>, reel: &ReelId, batch: &[NewCredential]) -> Result<HashMap<Vec<u8>, bool>, BookError> {
    if batch.is_empty() {
        return Ok(HashMap::new());
    }
    let places: Vec<_> = (1..=batch.len()).map(|n| format!("${n}")).collect();
    // The reel is compared here: named in the query, it would lead a planner to
    // read the whole reel for each batch.
    let sql = format!("SELECT public_key, reel, state FROM chip WHERE public_key IN ({})", places.join(","));
    let values: Vec<_> = batch.iter().map(|k| P::Bytes(&k.public_key)).collect();
    let mut fit = HashMap::with_capacity(batch.len());
    tx.each(&sql, &values, &mut |row| {
        if row.text(1)? == reel.as_str() {
            fit.insert(row.bytes(0)?, ChipState::read(&row, 2)? == ChipState::Scrapped);
        }
        Ok(())
    })?;
    Ok(fit)
}

fn scrapped_chip(tx: &mut Tx<'_>, credential: &NewCredential) -> Result<Scrapped, BookError> {
    let sql = "SELECT chip_id, reason FROM chip WHERE public_key = $1";
    let row = tx.one(sql, params![&credential.public_key])?;
    let row = row.ok_or_else(|| BookError::damaged("a chip of a delivery is gone"))?;
    let (chip, reason) = (ChipId::kept(row.text(0)?), row.maybe(1, Row::text)?);
    Ok(Scrapped { chip, public_key: credential.public_key.to_vec(), reason })
}

/// Why a key does not belong to a chip of the reel.
fn unfit(tx: &mut Tx<'_>, credential: &NewCredential) -> Result<Trouble, BookError> {
    let sql = "SELECT chip_id, reel FROM chip WHERE public_key = $1";
    let Some(row) = tx.one(sql, params![&credential.public_key])? else { return Ok(Trouble::Stranger) };
    Ok(Trouble::OtherReel { chip: ChipId::kept(row.text(0)?), reel: ReelId::kept(row.text(1)?) })
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
