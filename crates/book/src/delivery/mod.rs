//! Deliveries: certificates that passed inspection, bound to chips by their keys.

mod bind;
mod refused;

pub use refused::{DeliveryError, Problem, Trouble};

use serde_json::{Value as Json, json};
use time::OffsetDateTime;

use crate::authority::{self, NewAuthority};
use crate::by::{By, moment};
use crate::engine::{Connection, Row, params};
use crate::error::BookError;
use crate::ids::{AuthorityName, ChipId, DeliveryId, ReelId, Sequence};
use crate::log::rows::{self, Many};
use crate::log::{Draft, Subject};
use crate::product::{AddError, canonical, parsed};
use crate::reel::{Reel, read_reel};
use crate::transaction::Tx;
use crate::words::{DeliveryOrigin, DeliveryVerdict, Purpose};
use crate::{Book, Stop};

/// Credentials put into the book at a time.
const BATCH: usize = 500;

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
    pub certificate: Vec<u8>,
}

/// A delivery as it stands in the book.
#[derive(Debug, Clone, PartialEq)]
pub struct Delivery {
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
    pub certificates_accepted: i64,
    pub report: Json,
    /// When it was stored.
    pub received: OffsetDateTime,
    pub entry: Sequence,
}

/// What came of storing a delivery.
#[derive(Debug, Clone, PartialEq)]
pub enum Stored {
    /// It is in the book now.
    New {
        accepted: i64,
        /// Chips that had been scrapped: their credentials are spent.
        spent: Vec<ChipId>,
        entry: Sequence,
    },
    /// The same content was stored for the same reel before; nothing was added.
    Already(Box<Delivery>),
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

impl Book {
    /// Stores a delivery that passed inspection: each credential bound to the
    /// chip of the reel that has its key, all in one transaction. Credentials that
    /// come sorted by their keys are stored faster, and in less memory.
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
        self.store_delivery_settled(new, credentials, || Ok((new.verdict, new.report.clone())), by)
    }

    /// The same, where verdict and report are known only once the last credential came:
    /// `settle` is asked for them then, and may still stop it.
    ///
    /// # Errors
    ///
    /// As [`Book::store_delivery`].
    pub fn store_delivery_settled(
        &self,
        new: &NewDelivery,
        credentials: impl IntoIterator<Item = Result<NewCredential, Stop>>,
        settle: impl FnOnce() -> Result<(DeliveryVerdict, Json), Stop>,
        by: &By,
    ) -> Result<Stored, DeliveryError> {
        let report = canonical(&new.report)?;
        self.bulk(|tx| {
            tx.rows_come_sorted()?;
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
            let (accepted, scrapped) = self.bind(tx, new, &reel, credentials)?;
            let (verdict, report) = settle().map_err(DeliveryError::Stopped)?;
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
                "UPDATE delivery SET certificates_accepted = $1, verdict = $2, report = $3, entry = $4 \
                 WHERE delivery_id = $5",
                params![taken, verdict.word(), &canonical(&report)?, sequence, new.delivery.as_str()],
            )?;
            let body = json!({
                "reel": new.reel,
                "verdict": verdict,
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
            let entry = tx.append(draft, by)?;
            for gone in &scrapped {
                let sequence = tx.next_sequence()?;
                tx.change_one(
                    &rows::CREDENTIAL,
                    "UPDATE credential SET state = 'spent', reason = $1, entry = $2 WHERE public_key = $3",
                    params![gone.reason.as_deref(), sequence, &gone.public_key],
                )?;
                let body = json!({ "reason": gone.reason, "delivery": new.delivery });
                tx.append(Draft::new("credential.spend", Subject::Chip(gone.chip.clone()), body), by)?;
            }
            Ok(Stored::New { accepted: taken, spent: scrapped.into_iter().map(|gone| gone.chip).collect(), entry })
        })
    }

    fn bind(
        &self,
        tx: &mut Tx<'_>,
        new: &NewDelivery,
        reel: &Reel,
        credentials: impl IntoIterator<Item = Result<NewCredential, Stop>>,
    ) -> Result<(Many, Vec<bind::Scrapped>), DeliveryError> {
        let (mut all, mut found, mut scrapped) = (Many::default(), (0, Vec::new()), Vec::new());
        let (mut linked, mut position) = (Vec::<AuthorityName>::new(), 0);
        let fit = bind::Fit::of(tx, reel, new.certificates_read)?;
        let mut batch = Vec::with_capacity(BATCH);
        for credential in credentials {
            let credential = credential.map_err(DeliveryError::Stopped)?;
            position += 1;
            if !linked.contains(&credential.authority) {
                link(tx, new, reel, &credential.authority)?;
                linked.push(credential.authority.clone());
            }
            all.add(&rows::credential_facts(bind::facts(new.delivery.as_str(), position, &credential)));
            batch.push(credential);
            if batch.len() == BATCH {
                scrapped.extend(bind::put(tx, new, &fit, position + 1 - batch.len() as i64, &batch, &mut found)?);
                batch.clear();
            }
        }
        scrapped.extend(bind::put(tx, new, &fit, position + 1 - batch.len() as i64, &batch, &mut found)?);
        if found.0 > 0 {
            return Err(DeliveryError::Problems { total: found.0, first: found.1 });
        }
        Ok((all, scrapped))
    }

    /// The delivery of this id.
    pub fn delivery(&self, delivery: &DeliveryId) -> Result<Option<Delivery>, BookError> {
        self.read(|c| read_delivery(c, delivery))
    }

    /// The delivery for this reel with this content, if it was stored before.
    pub fn delivery_with(&self, reel: &ReelId, content_digest: &[u8; 32]) -> Result<Option<Delivery>, BookError> {
        let sql = format!("SELECT {COLUMNS} FROM delivery WHERE reel = $1 AND content_digest = $2");
        self.read(|c| c.one(&sql, params![reel.as_str(), content_digest]))?.as_ref().map(Delivery::read).transpose()
    }

    /// PAIs whose certificates came in the deliveries for a reel, or for one that it was split off.
    pub fn issuers_of(&self, reel: &ReelId) -> Result<Vec<AuthorityName>, BookError> {
        let sql = "WITH RECURSIVE its (reel) AS (SELECT r.reel_id FROM reel r WHERE r.reel_id = $1 \
                   UNION SELECT s.source FROM reel_split s JOIN its i ON i.reel = s.reel AND s.certificates > 0) \
                   SELECT DISTINCT d.authority FROM its i JOIN delivery v ON v.reel = i.reel \
                   JOIN delivery_authority d ON d.delivery = v.delivery_id ORDER BY d.authority";
        self.read(|c| c.all(sql, params![reel.as_str()]))?
            .iter()
            .map(|row| Ok(AuthorityName::kept(row.text(0)?)))
            .collect()
    }

    /// All deliveries, or those for one reel, by id.
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
