//! Deliveries: certificates that passed inspection, bound to chips by their keys.

use std::collections::HashSet;

use serde_json::{Value as Json, json};
use time::OffsetDateTime;

use crate::authority::{self, NewAuthority};
use crate::by::{By, micros, moment};
use crate::engine::{Connection, Into, P, Row, params};
use crate::error::{Blame, BookError};
use crate::ids::{AuthorityName, ChipId, DeliveryId, ReelId, Sequence};
use crate::log::rows::{self, Many};
use crate::log::{Draft, Subject};
use crate::product::{AddError, canonical, parsed};
use crate::reel::{Reel, read_reel};
use crate::transaction::Tx;
use crate::words::{ChipState, DeliveryOrigin, DeliveryVerdict, Purpose};
use crate::{Book, Stop};

/// Credentials put into the book at a time.
const BATCH: usize = 500;
/// Problems told one by one; the rest are counted.
const TOLD: usize = 1000;

/// A delivery about to be stored. Inspection is the caller's; what it hands over counts as good.
#[derive(Debug, Clone, PartialEq)]
pub struct NewDelivery {
    /// Its id, unique in the book.
    pub delivery: DeliveryId,
    /// The reel that it is for.
    pub reel: ReelId,
    /// Sent, or issued here.
    pub origin: DeliveryOrigin,
    /// Name of the file or folder, for people.
    pub source_name: String,
    /// SHA-256 over the content: the same delivery again is known by it.
    pub content_digest: [u8; 32],
    /// Whether all or the good part is handed over.
    pub verdict: DeliveryVerdict,
    /// Certificates found in it, good or not.
    pub certificates_read: i64,
    /// The inspection's report.
    pub report: Json,
    /// PAIs that came with it. One whose certificate is in the book already
    /// must be named as it is there, and is not added again.
    pub authorities: Vec<NewAuthority>,
}

/// One certificate of a delivery.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewCredential {
    /// The key that it certifies, 65 octets: this finds its chip.
    pub public_key: [u8; 65],
    /// The PAI that issued it, in the book or among the delivery's.
    pub authority: AuthorityName,
    /// Identifier of the issuer's key.
    pub issuer_key_id: Vec<u8>,
    /// Serial number: content octets of the DER INTEGER.
    pub serial: Vec<u8>,
    /// When it ends, where it does.
    pub not_after: Option<OffsetDateTime>,
    /// The certificate, DER.
    pub certificate: Vec<u8>,
}

/// A delivery as it stands in the book.
#[derive(Debug, Clone, PartialEq)]
pub struct Delivery {
    /// Its id.
    pub delivery: DeliveryId,
    /// The reel that it is for.
    pub reel: ReelId,
    /// That of the reel's product.
    pub purpose: Purpose,
    /// Sent, or issued here.
    pub origin: DeliveryOrigin,
    /// Name of the file or folder.
    pub source_name: String,
    /// SHA-256 over the content.
    pub content_digest: [u8; 32],
    /// Taken whole or in part.
    pub verdict: DeliveryVerdict,
    /// Certificates found in it.
    pub certificates_read: i64,
    /// Certificates taken.
    pub certificates_accepted: i64,
    /// The inspection's report.
    pub report: Json,
    /// When it was stored.
    pub received: OffsetDateTime,
    /// By which entry.
    pub entry: Sequence,
}

/// What came of storing a delivery.
#[derive(Debug, Clone, PartialEq)]
pub enum Stored {
    /// It is in the book now.
    New {
        /// Credentials taken.
        accepted: i64,
        /// The entry.
        entry: Sequence,
    },
    /// The same content was stored for the same reel before; nothing was added.
    Already(Box<Delivery>),
}

/// What is wrong with one certificate of a delivery.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Trouble {
    /// No chip in the book has its key.
    Stranger,
    /// Its chip is on another reel.
    OtherReel {
        /// The chip.
        chip: ChipId,
        /// That reel.
        reel: ReelId,
    },
    /// Its chip was scrapped.
    ChipScrapped {
        /// The chip.
        chip: ChipId,
    },
    /// Its chip has a credential.
    ChipHasOne {
        /// The chip.
        chip: ChipId,
        /// The delivery that brought it: an earlier one, or this.
        delivery: DeliveryId,
        /// Serial number of the one it has.
        serial: Vec<u8>,
    },
    /// Its issuer gave the serial number to another one.
    SerialUsed {
        /// The chip of the other one.
        chip: ChipId,
        /// The delivery that brought the other one: an earlier one, or this.
        delivery: DeliveryId,
    },
}

/// One certificate that can't be taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Its place in what was handed over, from 1.
    pub position: i64,
    /// Its serial number.
    pub serial: Vec<u8>,
    /// What is wrong.
    pub trouble: Trouble,
}

/// Why a delivery was not stored. Nothing of it is in the book.
#[derive(Debug, thiserror::Error)]
pub enum DeliveryError {
    /// Its id is taken.
    #[error("there is a delivery named {delivery} already")]
    NameTaken {
        /// The id.
        delivery: DeliveryId,
    },
    /// There is no such reel.
    #[error("reel {reel} is not in the book")]
    NoReel {
        /// The reel.
        reel: ReelId,
    },
    /// An authority of it can't be taken.
    #[error("the delivery's authority can't be taken: {0}")]
    Authority(#[source] AddError),
    /// A certificate names an issuer that is neither in the book nor in the delivery.
    #[error("there is no authority named {authority}")]
    NoAuthority {
        /// The name.
        authority: AuthorityName,
    },
    /// Test and production never mix.
    #[error("authority {authority} is for {theirs} and reel {reel} is for {ours}")]
    Mixed {
        /// The authority.
        authority: AuthorityName,
        /// What it is for.
        theirs: Purpose,
        /// The reel.
        reel: ReelId,
        /// What that is for.
        ours: Purpose,
    },
    /// Certificates can't be bound to chips.
    #[error("{total} certificates of the delivery can't be bound to chips of the reel")]
    Problems {
        /// How many.
        total: u64,
        /// The first of them.
        first: Vec<Problem>,
    },
    /// The caller's iterator stopped.
    #[error("the delivery could not be read to its end")]
    Stopped(#[source] Stop),
    /// The book gave no answer.
    #[error(transparent)]
    Book(#[from] BookError),
}

impl DeliveryError {
    /// Whose move it is.
    pub fn blame(&self) -> Blame {
        match self {
            Self::NoReel { .. } | Self::NameTaken { .. } | Self::Stopped(_) => Blame::Usage,
            Self::Authority(error) => error.blame(),
            Self::NoAuthority { .. } | Self::Mixed { .. } | Self::Problems { .. } => Blame::Refused,
            Self::Book(error) => error.blame(),
        }
    }

    /// The next move, as a sentence.
    pub fn advice(&self) -> String {
        match self {
            Self::NameTaken { .. } => "Store it under another name.".into(),
            Self::NoReel { .. } => "Receive the reel first, or check its id.".into(),
            Self::Authority(error) => error.advice(),
            Self::NoAuthority { .. } => "Adopt the authority, or ask for a delivery that holds it.".into(),
            Self::Mixed { .. } => "Use an authority made for the same purpose as the product.".into(),
            Self::Problems { .. } => "Ask the authority to replace these certificates; nothing was stored.".into(),
            Self::Stopped(_) => "See the cause below; nothing was stored.".into(),
            Self::Book(error) => error.advice(),
        }
    }
}

const COLUMNS: &str = "delivery_id, reel, purpose, origin, source_name, content_digest, verdict, certificates_read, \
                       certificates_accepted, report, received, entry";

impl Delivery {
    fn read(row: &Row) -> Result<Self, BookError> {
        Ok(Self {
            delivery: DeliveryId::kept(row.text(0)?),
            reel: ReelId::kept(row.text(1)?),
            purpose: Purpose::read(row, 2)?,
            origin: DeliveryOrigin::read(row, 3)?,
            source_name: row.text(4)?,
            content_digest: row.array(5)?,
            verdict: DeliveryVerdict::read(row, 6)?,
            certificates_read: row.int(7)?,
            certificates_accepted: row.int(8)?,
            report: parsed(&row.text(9)?, "a delivery's report")?,
            received: moment(row.int(10)?)?,
            entry: Sequence(row.int(11)?),
        })
    }
}

/// Adds the delivery's authorities and links all that its certificates name to it.
fn link(tx: &mut Tx<'_>, new: &NewDelivery, reel: &Reel, name: &AuthorityName) -> Result<(), DeliveryError> {
    let row = tx.one("SELECT purpose FROM authority WHERE name = $1", params![name.as_str()])?;
    let Some(row) = row else { return Err(DeliveryError::NoAuthority { authority: name.clone() }) };
    let theirs = Purpose::read(&row, 0)?;
    if theirs != reel.purpose {
        return Err(DeliveryError::Mixed {
            authority: name.clone(),
            theirs,
            reel: new.reel.clone(),
            ours: reel.purpose,
        });
    }
    tx.run(
        "INSERT INTO delivery_authority (delivery, authority, purpose) VALUES ($1, $2, $3)",
        params![new.delivery.as_str(), name.as_str(), reel.purpose.word()],
    )?;
    Ok(())
}

/// Puts one batch into the book; those that can't be bound are added to `found`.
fn put(
    tx: &mut Tx<'_>,
    new: &NewDelivery,
    first: i64,
    batch: &[NewCredential],
    found: &mut (u64, Vec<Problem>),
) -> Result<(), BookError> {
    // Chips first: a key that no chip has would fail the whole transaction.
    let fit = fit(tx, &new.reel, batch)?;
    let mut bound = Vec::with_capacity(batch.len());
    for (position, credential) in (first..).zip(batch) {
        if fit.contains(credential.public_key.as_slice()) {
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
fn fit(tx: &mut Tx<'_>, reel: &ReelId, batch: &[NewCredential]) -> Result<HashSet<Vec<u8>>, BookError> {
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
fn facts<'a>(delivery: &'a str, position: i64, k: &'a NewCredential) -> [P<'a>; 8] {
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

impl Book {
    /// Stores a delivery that passed inspection: each credential bound to the
    /// chip of the reel that has its key, all in one transaction.
    ///
    /// # Errors
    ///
    /// [`DeliveryError`]; nothing is stored then. Every certificate that can't
    /// be bound is counted, and the first thousand are told with their trouble.
    pub fn store_delivery(
        &self,
        new: &NewDelivery,
        credentials: impl IntoIterator<Item = Result<NewCredential, Stop>>,
        by: &By,
    ) -> Result<Stored, DeliveryError> {
        let report = canonical(&new.report)?;
        self.bulk(|tx| {
            let Some(reel) = read_reel(tx, &new.reel)? else {
                return Err(DeliveryError::NoReel { reel: new.reel.clone() });
            };
            let laid = tx.run(
                "INSERT INTO delivery (delivery_id, reel, purpose, origin, source_name, content_digest, verdict, \
                 certificates_read, certificates_accepted, report, received, entry) \
                 VALUES ($1, $2, $3, $4, $5, $6, $7, $8, 0, $9, $10, -1) ON CONFLICT DO NOTHING",
                params![
                    new.delivery.as_str(),
                    new.reel.as_str(),
                    reel.purpose.word(),
                    new.origin.word(),
                    &new.source_name,
                    &new.content_digest,
                    new.verdict.word(),
                    new.certificates_read,
                    &report,
                    by.micros(),
                ],
            )?;
            if laid == 0 {
                let sql = format!("SELECT {COLUMNS} FROM delivery WHERE reel = $1 AND content_digest = $2");
                let there = tx.one(&sql, params![new.reel.as_str(), &new.content_digest])?;
                return match there {
                    Some(row) => Ok(Stored::Already(Box::new(Delivery::read(&row)?))),
                    None => Err(DeliveryError::NameTaken { delivery: new.delivery.clone() }),
                };
            }
            let mut added = Vec::new();
            for authority in &new.authorities {
                let row =
                    tx.one("SELECT name FROM authority WHERE certificate = $1", params![&authority.certificate])?;
                match row {
                    Some(row) if row.text(0)? == authority.name.as_str() => {}
                    _ => {
                        authority::insert(tx, authority, by).map_err(|error| match error {
                            AddError::Book(error) => DeliveryError::Book(error),
                            other => DeliveryError::Authority(other),
                        })?;
                        added.push(&authority.name);
                    }
                }
            }
            let accepted = self.bind(tx, new, &reel, credentials)?;
            let sequence = tx.next_sequence()?;
            for name in added {
                authority::vouch(tx, name)?;
            }
            let sql =
                "SELECT delivery, authority, purpose FROM delivery_authority WHERE delivery = $1 ORDER BY authority";
            let links = tx.all(sql, params![new.delivery.as_str()])?;
            tx.mention(&rows::DELIVERY_AUTHORITY, new.delivery.to_string(), &links);
            let taken = i64::try_from(accepted.count).unwrap_or(i64::MAX);
            tx.change_one(
                &rows::DELIVERY,
                "UPDATE delivery SET certificates_accepted = $1, entry = $2 WHERE delivery_id = $3",
                params![taken, sequence, new.delivery.as_str()],
            )?;
            let body = json!({
                "reel": new.reel,
                "verdict": new.verdict,
                "source": { "name": new.source_name, "sha256": hex::encode(new.content_digest) },
                "read": new.certificates_read,
                "credentials": accepted.told("credential"),
            });
            let act = match new.origin {
                DeliveryOrigin::Received => "delivery.receive",
                DeliveryOrigin::Issued => "delivery.issue",
            };
            let mut draft = Draft::new(act, Subject::Delivery(new.delivery.clone()), body);
            draft.fingerprints = Some(&accepted.fingerprints);
            Ok(Stored::New { accepted: taken, entry: tx.append(draft, by)? })
        })
    }

    fn bind(
        &self,
        tx: &mut Tx<'_>,
        new: &NewDelivery,
        reel: &Reel,
        credentials: impl IntoIterator<Item = Result<NewCredential, Stop>>,
    ) -> Result<Many, DeliveryError> {
        let (mut all, mut found) = (Many::default(), (0, Vec::new()));
        let (mut linked, mut position) = (Vec::<AuthorityName>::new(), 0);
        let mut batch = Vec::with_capacity(BATCH);
        for credential in credentials {
            let credential = credential.map_err(DeliveryError::Stopped)?;
            position += 1;
            if !linked.contains(&credential.authority) {
                link(tx, new, reel, &credential.authority)?;
                linked.push(credential.authority.clone());
            }
            all.add(&rows::credential_facts(facts(new.delivery.as_str(), position, &credential)));
            batch.push(credential);
            if batch.len() == BATCH {
                put(tx, new, position + 1 - batch.len() as i64, &batch, &mut found)?;
                batch.clear();
            }
        }
        put(tx, new, position + 1 - batch.len() as i64, &batch, &mut found)?;
        if found.0 > 0 {
            return Err(DeliveryError::Problems { total: found.0, first: found.1 });
        }
        Ok(all)
    }

    /// The delivery of this id.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn delivery(&self, delivery: &DeliveryId) -> Result<Option<Delivery>, BookError> {
        self.read(|c| read_delivery(c, delivery))
    }

    /// The delivery for this reel with this content, if it was stored before.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn delivery_with(&self, reel: &ReelId, content_digest: &[u8; 32]) -> Result<Option<Delivery>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM delivery WHERE reel = $1 AND content_digest = $2");
        self.read(|c| c.one(&sql, params![reel.as_str(), content_digest]))?.as_ref().map(Delivery::read).transpose()
    }

    /// All deliveries, or those for one reel, by id.
    ///
    /// # Errors
    ///
    /// [`BookError`] where the book gave no answer.
    pub fn deliveries(&self, reel: Option<&ReelId>) -> Result<Vec<Delivery>, BookError> {
        let rows = match reel {
            Some(reel) => {
                let sql = format!("SELECT {COLUMNS} FROM delivery WHERE reel = $1 ORDER BY delivery_id");
                self.read(|c| c.all(&sql, params![reel.as_str()]))?
            }
            None => {
                let sql = format!("SELECT {COLUMNS} FROM delivery ORDER BY delivery_id");
                self.read(|c| c.all(&sql, &[]))?
            }
        };
        rows.iter().map(Delivery::read).collect()
    }
}

pub(crate) fn read_delivery(c: &mut Connection, delivery: &DeliveryId) -> Result<Option<Delivery>, BookError> {
    let sql = format!("SELECT {COLUMNS} FROM delivery WHERE delivery_id = $1");
    c.one(&sql, params![delivery.as_str()])?.as_ref().map(Delivery::read).transpose()
}
