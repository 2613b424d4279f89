//! Storing a delivery: begun before the last DAC is judged, in one transaction that is settled or undone in the end.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::thread;

use base::course::{Course, Phase, Stopped, stopped_by};
use base::trouble::Trouble;
use book::ids::{AuthorityName, DeliveryId};
use book::{
    AuthorityOrigin, DeliveryError, DeliveryOrigin, DeliveryVerdict, NewAuthority, NewCredential, NewDelivery, Purpose,
    Reel, Role, Stored,
};
use serde_json::{Value, json};
use site::{Site, Who, authority};
use standard::certificate::Certificate;

use super::free_id;
use super::inspect::Kept;
use super::spool::{Record, Spool};

/// Credentials made at a time, and how many times that many may wait to be stored.
pub(super) const BATCH: usize = 2_048;
const AHEAD: usize = 2;

/// Storing begins before the last DAC is judged, so that no core waits for another; but
/// not before most are (two of three), since a book in a file is held meanwhile, and a
/// delivery with a fault is then mostly known for one.
pub(super) const EARLY: (usize, usize) = (2, 3);

/// What storing a delivery takes.
pub(super) struct Keeper<'a> {
    pub(super) site: &'a Site,
    pub(super) reel: &'a Reel,
    pub(super) purpose: Purpose,
    pub(super) source_name: String,
    pub(super) content_digest: [u8; 32],
    pub(super) who: &'a Who,
    pub(super) course: &'a Course,
}

/// On its way to whoever stores.
enum Coming {
    /// DACs to be kept, sorted by key.
    Kept(Vec<Kept>),
    /// There were all.
    Settled(DeliveryVerdict, Value),
}

/// Why what was begun was not stored.
pub(super) enum Unsettled {
    /// One was under a PAI that was not known when it began: once more, with all of them.
    Another,
    Trouble(Trouble),
}

/// Storing that has begun; dropped, nothing comes of it.
pub(super) struct Begun<'scope> {
    to: mpsc::Sender<Coming>,
    id: DeliveryId,
    storing: thread::ScopedJoinHandle<'scope, Result<Stored, Unsettled>>,
}

impl Begun<'_> {
    pub(super) fn keep(&self, some: Vec<Kept>) {
        // Where nobody takes them any more, settling tells why.
        let _ = self.to.send(Coming::Kept(some));
    }

    pub(super) fn settle(self, verdict: DeliveryVerdict, report: Value) -> Result<(DeliveryId, Stored), Unsettled> {
        let _ = self.to.send(Coming::Settled(verdict, report));
        match self.storing.join() {
            Ok(stored) => Ok((self.id, stored?)),
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }
}

impl Keeper<'_> {
    /// Begins to store what will come under these PAIs.
    pub(super) fn begin<'scope, 'env: 'scope>(
        &'env self,
        scope: &'scope thread::Scope<'scope, 'env>,
        read: usize,
        spool: &Arc<Spool>,
        pais: &[Arc<Certificate>],
    ) -> Result<Begun<'scope>, Trouble> {
        let id = free_id(self.site, self.reel)?;
        let (names, authorities) = delivered_authorities(self.site, pais, self.purpose)?;
        let new = NewDelivery {
            delivery: id.clone(),
            reel: self.reel.facts.reel.clone(),
            origin: DeliveryOrigin::Received,
            source_name: self.source_name.clone(),
            content_digest: self.content_digest,
            // Verdict and report are settled in the end.
            verdict: DeliveryVerdict::Accepted,
            certificates_read: i64::try_from(read).unwrap_or(i64::MAX),
            report: json!({}),
            authorities,
        };
        let (to, from) = mpsc::channel();
        let spool = Arc::clone(spool);
        let storing = scope.spawn(move || self.store(&new, &names, &spool, from));
        Ok(Begun { to, id, storing })
    }

    fn store(
        &self,
        new: &NewDelivery,
        names: &[AuthorityName],
        spool: &Spool,
        from: mpsc::Receiver<Coming>,
    ) -> Result<Stored, Unsettled> {
        let (settled, another) = (Mutex::new(None), AtomicBool::new(false));
        let settle = || {
            let settled = settled.lock().unwrap_or_else(PoisonError::into_inner).take();
            settled.ok_or_else(|| Box::new(Stopped) as book::Stop)
        };
        let stored = store(self.site, new, self.who, self.course, settle, |send| {
            for coming in from {
                let some = match coming {
                    Coming::Kept(some) => some,
                    Coming::Settled(verdict, report) => {
                        *settled.lock().unwrap_or_else(PoisonError::into_inner) = Some((verdict, report));
                        return Ok(());
                    }
                };
                if some.iter().any(|kept| usize::from(kept.pai) >= names.len()) {
                    another.store(true, Ordering::Relaxed);
                    return Err(Stopped.into());
                }
                // Taken from the spool ahead of the one that stores, by one thread, which is faster at it than
                // the book; shared among all cores it would wait for those that judge, and the book for it.
                for some in some.chunks(BATCH) {
                    let batch = some.iter().map(|kept| {
                        let record = spool.get(kept.number)?;
                        Ok::<_, Trouble>(credential(&record, &names[usize::from(kept.pai)]))
                    });
                    send(batch.collect::<Result<_, _>>()?)?;
                }
            }
            // Nobody settled it.
            Err(Stopped.into())
        });
        match stored {
            Err(_) if another.load(Ordering::Relaxed) => Err(Unsettled::Another),
            stored => stored.map_err(Unsettled::Trouble),
        }
    }
}

/// Hands over some credentials; an error says to stop.
type Send<'a> = &'a mut dyn FnMut(Vec<NewCredential>) -> Result<(), Trouble>;

/// Stores credentials while others are being made: `make` hands them over, some at a
/// time, and is a few ahead. When the last has come, it is too late to stop.
pub(super) fn store(
    site: &Site,
    new: &NewDelivery,
    who: &Who,
    course: &Course,
    settle: impl FnOnce() -> Result<(DeliveryVerdict, Value), book::Stop>,
    make: impl FnOnce(Send<'_>) -> Result<(), Trouble> + std::marker::Send,
) -> Result<Stored, Trouble> {
    let (to, from) = mpsc::sync_channel::<Result<Vec<NewCredential>, Trouble>>(AHEAD);
    let stored = thread::scope(|scope| {
        scope.spawn(move || {
            // Where nobody takes them any more, whoever stored has said why.
            let over = || Trouble::from(Stopped);
            let made = make(&mut |batch| {
                course.go_on()?;
                to.send(Ok(batch)).map_err(|_| over())
            });
            if let Err(trouble) = made {
                let _ = to.send(Err(trouble));
            }
        });
        let stop = |trouble: Trouble| Box::new(trouble) as book::Stop;
        let credentials = from.into_iter().flat_map(|batch| {
            let (batch, failed) = match batch {
                Ok(batch) => (batch, None),
                Err(trouble) => (Vec::new(), Some(Err(stop(trouble)))),
            };
            // While others are still judged, it is those that are counted.
            if course.now().phase != Phase::Judging {
                course.advance(batch.len() as u64);
            }
            batch.into_iter().map(Ok).chain(failed)
        });
        let watched = credentials.map(|credential| {
            course.go_on()?;
            credential
        });
        let end =
            std::iter::once_with(|| course.commit()).filter_map(|end| end.err().map(|stopped| Err(stopped.into())));
        site.book.store_delivery_settled(new, watched.chain(end), settle, &who.by())
    });
    match stored {
        Err(DeliveryError::Stopped(by)) => Err(stopped_by(by, |by| DeliveryError::Stopped(by).into())),
        stored => Ok(stored?),
    }
}

/// The PAIs of a delivery: names for those known, and new ones to be added with it.
fn delivered_authorities(
    site: &Site,
    pais: &[Arc<Certificate>],
    purpose: Purpose,
) -> Result<(Vec<AuthorityName>, Vec<NewAuthority>), Trouble> {
    let mut names = Vec::new();
    let mut new = Vec::new();
    for pai in pais {
        if let Some(known) = site.book.authority_with(pai.der())? {
            names.push(known.facts.name);
            continue;
        }
        let title =
            pai.subject.common_name(pai.der()).unwrap_or_else(|| hex::encode(pai.subject_key_id().unwrap_or_default()));
        let name = authority::free_name(site, &title, &names)?;
        new.push(NewAuthority {
            name: name.clone(),
            role: Role::Pai,
            origin: AuthorityOrigin::Delivered,
            purpose,
            certificate: pai.der().to_vec(),
            subject_key_id: pai.subject_key_id().unwrap_or_default().to_vec(),
            issuer: authority::issuer_name(site, pai)?,
            key_reference: None,
            trusted: false,
            not_after: authority::moment_to_time(pai.not_after.moment),
        });
        names.push(name);
    }
    Ok((names, new))
}

fn credential(record: &Record, authority: &AuthorityName) -> NewCredential {
    let facts = record.facts();
    NewCredential {
        // An accepted DAC has a key: it was matched by it.
        public_key: facts.public_key,
        authority: authority.clone(),
        issuer_key_id: facts.issuer_key_id.to_vec(),
        serial: facts.serial.to_vec(),
        not_after: authority::moment_to_time(facts.not_after),
        certificate: record.der().to_vec(),
    }
}
