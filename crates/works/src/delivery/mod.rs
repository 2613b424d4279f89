//! Deliveries: certificates from an outside authority, inspected as a whole,
//! or issued here.

pub mod chips;
pub mod inspect;
mod issue;
mod spool;
mod storing;

use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;
use std::thread;

use book::ids::{DeliveryId, ReelId};
use book::{Delivery, DeliveryVerdict, Product, Purpose, Reel, Stored};
use serde::Serialize;
use serde_json::{Value, json};
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::verdict::Severity;
use zeroize::Zeroizing;

pub use issue::{Issued, issue};

use crate::authority;
use crate::course::{Course, Phase};
use crate::declaration;
use crate::findings::SharedFinding;
use crate::head;
use crate::product;
use crate::reel::{self, finding_json};
use crate::revocation::Known as Revoked;
use crate::site::{Site, Who};
use crate::trouble::{About, Trouble};
use chips::Chips;
use inspect::{Expectation, Known};
use storing::{Begun, EARLY, Keeper, Unsettled};

/// What came of a delivery.
#[derive(Debug)]
pub struct Received {
    /// Its id, where it stands in the book.
    pub delivery: Option<String>,
    /// `accepted`, `accepted-in-part`, `refused` or `already-received`.
    pub verdict: &'static str,
    /// The reel.
    pub reel: String,
    /// DACs read.
    pub read: usize,
    /// DACs kept.
    pub accepted: usize,
    /// DACs that were here already, octet for octet.
    pub same: usize,
    /// Chips on the reel.
    pub on_reel: usize,
    /// Chips of these that a DAC came for which may be used.
    pub matched: usize,
    /// Chips without a credential, in order.
    pub without: Vec<String>,
    /// What the inspection found.
    pub findings: Vec<SharedFinding>,
}

impl Received {
    /// Whether anything of it may be used.
    pub fn is_accepted(&self) -> bool {
        self.verdict != "refused"
    }

    /// As JSON.
    pub fn json(&self) -> Value {
        let refused = self.read.saturating_sub(self.accepted + self.same);
        let mut certificates = json!({ "read": self.read, "accepted": self.accepted, "refused": refused });
        if self.same > 0 {
            certificates["already"] = json!(self.same);
        }
        json!({
            "delivery": self.delivery,
            "verdict": self.verdict,
            "reel": self.reel,
            "certificates": certificates,
            "chips": { "on_reel": self.on_reel, "matched": self.matched, "without": self.without },
            "findings": self.findings.iter().map(|f| finding_json(&f.finding, &f.subject, f.chip_id.as_deref(), f.count)).collect::<Vec<_>>(),
        })
    }
}

/// What a product's DACs must say, in every order, in what is issued here and on arrival: the
/// product's identifiers, or those of the DAC's origin where its declaration names one.
pub(crate) fn dac_identity(site: &Site, product: &Product) -> Result<(VendorId, ProductId), Trouble> {
    let facts = &product.facts;
    let odd = |_| {
        Trouble::surroundings(
            format!("product {} in the book has impossible identifiers", facts.name),
            "Run `touchmark book verify`.",
        )
    };
    let own = (VendorId::new(facts.vendor_id).map_err(odd)?, ProductId::new(facts.product_id).map_err(odd)?);
    let Some(ready) = declaration::for_product(site, facts.vendor_id, facts.product_id, facts.purpose)? else {
        return Ok(own);
    };
    let Ok(content) = &ready.signed.fields else { return Ok(own) };
    let narrow = |v: Option<u64>| v.and_then(|v| u16::try_from(v).ok());
    let origin = narrow(content.dac_origin_vendor_id).zip(narrow(content.dac_origin_product_id));
    Ok(origin.and_then(|(v, p)| Some((VendorId::new(v).ok()?, ProductId::new(p).ok()?))).unwrap_or(own))
}

/// Ids of chips by their places on a reel, in the order asked for.
fn chip_ids(site: &Site, reel: &Reel, places: &[u32]) -> Result<Vec<String>, Trouble> {
    let asked: Vec<i64> = places.iter().map(|place| i64::from(*place)).collect();
    let found: HashMap<i64, String> =
        site.book.chips_at(&reel.facts.reel, &asked)?.into_iter().map(|(at, id, _)| (at, id.to_string())).collect();
    Ok(asked.iter().map(|at| found.get(at).cloned().unwrap_or_default()).collect())
}

/// Receives a delivery for a reel: inspected as a whole, stored only when
/// clean, or its good part where `accept_part` says so.
///
/// - `course`: until it commits it can be stopped at any moment, and nothing is stored.
///
/// # Errors
///
/// [`Trouble`] where it can't be read, was stopped, or the book refuses; what can be
/// judged and is wrong comes back as [`Received`], with nothing stored.
pub fn receive(
    site: &Site,
    path: &Path,
    reel: &str,
    accept_part: bool,
    password: Option<&Zeroizing<Vec<u8>>>,
    who: &Who,
    course: &Course,
) -> Result<Received, Trouble> {
    let reel = reel::get(site, reel).about("reel")?;
    let product = product::get(site, reel.facts.product.as_str())?;
    let content_digest = reel::digest(path)?;
    if let Some(known) = site.book.delivery_with(&reel.facts.reel, &content_digest)? {
        return already(site, &known, &reel);
    }
    course.phase(Phase::Starting, None);
    let chips = Chips::read(site, &reel, course, |_, _| ())?;
    let (vendor, product_id) = dac_identity(site, &product)?;
    let anchors = authority::anchors(site)?;
    let known_pais = authority::intermediates(site)?;
    let pais: Vec<Arc<Certificate>> = known_pais.iter().map(|(_, c)| Arc::clone(c)).collect();
    // Asked only where the site has credentials at all, so that a first delivery costs no look-ups.
    let fresh = site.book.deliveries(None)?.is_empty();
    let known = |c: &Certificate, unserved: bool| {
        if fresh { None } else { known(site, c, unserved) }
    };
    let expectation = Expectation {
        chips: &chips,
        chip_ids: &|places| chip_ids(site, &reel, places),
        vendor,
        product: product_id,
        production: product.facts.purpose == Purpose::Production,
        anchors: &anchors,
        pais: &pais,
        revoked: &Revoked::of(site)?,
        known: &known,
    };
    let keeper = Keeper {
        site,
        reel: &reel,
        purpose: product.facts.purpose,
        source_name: reel::file_name(path),
        content_digest,
        who,
        course,
    };
    thread::scope(|scope| {
        let mut begun: Option<Begun<'_>> = None;
        let mut waiting = Vec::new();
        let inspection = inspect::inspect(path, password, &expectation, course, &mut |stretch| {
            if let Some(begun) = &begun {
                begun.keep(stretch.kept.to_vec());
                return;
            }
            waiting.extend_from_slice(stretch.kept);
            let fine = accept_part || !stretch.errors;
            if fine && !waiting.is_empty() && stretch.judged * EARLY.1 >= stretch.total * EARLY.0 {
                // Where it can't begin now, it is tried once all is judged, and says why.
                begun = keeper.begin(scope, stretch.read, stretch.spool, stretch.pais).ok();
                if let Some(begun) = &begun {
                    begun.keep(std::mem::take(&mut waiting));
                }
            }
        })
        .about("file")?;
        drop(waiting);
        let clean = inspection.is_clean();
        let mut received = Received {
            delivery: None,
            verdict: "refused",
            reel: reel.facts.reel.to_string(),
            read: inspection.read,
            accepted: 0,
            same: inspection.same,
            on_reel: inspection.on_reel,
            matched: inspection.accepted + inspection.same,
            without: inspection.without.clone(),
            findings: inspection.findings.clone(),
        };
        // The same delivery in another form: another archive, or a folder.
        if let (Some(before), true) = (&inspection.same_as, clean && inspection.same == inspection.read) {
            received.delivery = Some(before.clone());
            received.verdict = "already-received";
            return Ok(received);
        }
        let Some(spool) = inspection.spool.filter(|_| inspection.accepted > 0 && (clean || accept_part)) else {
            // What was begun to be stored is dropped with `begun`, and undone.
            // Nothing is kept, so every chip that has none yet is without.
            if !clean && !accept_part && inspection.accepted == 0 {
                received.without = expectation.without(|_| false)?;
            }
            return Ok(received);
        };
        let verdict = if clean { DeliveryVerdict::Accepted } else { DeliveryVerdict::AcceptedInPart };
        received.accepted = inspection.accepted;
        received.verdict = verdict.word();
        let report = json!({ "findings": received.json()["findings"] });
        course.phase(Phase::Storing, u64::try_from(received.accepted).ok());
        let (id, stored) = match begun.map(|begun| begun.settle(verdict, report.clone())) {
            Some(Ok(stored)) => stored,
            Some(Err(Unsettled::Trouble(trouble))) => return Err(trouble),
            None | Some(Err(Unsettled::Another)) => {
                let begun = keeper.begin(scope, inspection.read, &spool, &inspection.pais)?;
                begun.keep(inspection.kept);
                match begun.settle(verdict, report) {
                    Ok(stored) => stored,
                    Err(Unsettled::Trouble(trouble)) => return Err(trouble),
                    Err(Unsettled::Another) => {
                        return Err(Trouble::surroundings("a PAI came from nowhere", "Report this."));
                    }
                }
            }
        };
        match stored {
            Stored::New { .. } => received.delivery = Some(id.to_string()),
            Stored::Already(known) => return already(site, &known, &reel),
        }
        head::mark(site, who);
        Ok(received)
    })
}

fn already(site: &Site, known: &Delivery, reel: &Reel) -> Result<Received, Trouble> {
    let on_reel = usize::try_from(reel.chips).unwrap_or(0);
    let without = without(site, &reel.facts.reel)?;
    Ok(Received {
        delivery: Some(known.delivery.to_string()),
        verdict: "already-received",
        reel: reel.facts.reel.to_string(),
        read: usize::try_from(known.certificates_read).unwrap_or(0),
        accepted: usize::try_from(known.certificates_accepted).unwrap_or(0),
        same: 0,
        on_reel,
        matched: on_reel.saturating_sub(without.len()),
        without,
        findings: Vec::new(),
    })
}

/// Ids of the chips that no delivery brought a credential for, in order.
fn without(site: &Site, reel: &ReelId) -> Result<Vec<String>, Trouble> {
    const SOME: u32 = 4_000;
    let (mut ids, mut after) = (Vec::new(), -1);
    loop {
        let page = site.book.chips_without(reel, after, SOME)?;
        ids.extend(page.items.iter().map(|chip| chip.chip_id.to_string()));
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    ids.sort_unstable();
    Ok(ids)
}

/// What the site holds of this key or serial number; a chip of the reel that is
/// without a credential has none for its key.
fn known(site: &Site, c: &Certificate, unserved: bool) -> Option<Known> {
    if !unserved
        && let Some(key) = c.public_key()
        && let Ok(Some(held)) = site.book.credential_for_key(key.point())
    {
        if held.certificate == c.der() {
            return Some(Known::Same { delivery: held.delivery.to_string() });
        }
        return Some(Known::Key { serial: hex::encode(held.serial) });
    }
    let issuer = c.authority_key_id()?;
    let held = site.book.credential(issuer, c.serial()).ok()??;
    Some(Known::Serial { delivery: held.delivery.to_string() })
}

/// `A-1`, `A-2` and on.
pub(crate) fn free_id(site: &Site, reel: &Reel) -> Result<DeliveryId, Trouble> {
    let taken = site.book.deliveries(None)?;
    let mut number = site.book.deliveries(Some(&reel.facts.reel))?.len() + 1;
    loop {
        let id = DeliveryId::new(&format!("{}-{number}", reel.facts.reel))?;
        if taken.iter().all(|d| d.delivery != id) {
            return Ok(id);
        }
        number += 1;
    }
}

/// A delivery as it is told.
#[derive(Debug, Serialize)]
pub struct DeliveryView {
    /// Its id.
    pub delivery: String,
    /// The reel.
    pub reel: String,
    /// `received` or `issued`.
    pub origin: &'static str,
    /// `accepted` or `accepted-in-part`.
    pub verdict: &'static str,
    /// DACs read.
    pub read: i64,
    /// DACs kept.
    pub accepted: i64,
    /// The file's name.
    pub source: String,
    /// When.
    pub received: String,
    /// The inspection's report.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub report: Option<Value>,
}

fn view(delivery: &Delivery, with_report: bool) -> DeliveryView {
    DeliveryView {
        delivery: delivery.delivery.to_string(),
        reel: delivery.reel.to_string(),
        origin: delivery.origin.word(),
        verdict: delivery.verdict.word(),
        read: delivery.certificates_read,
        accepted: delivery.certificates_accepted,
        source: delivery.source_name.clone(),
        received: reel::time_text(delivery.received),
        report: with_report.then(|| delivery.report.clone()),
    }
}

/// All deliveries.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn list(site: &Site) -> Result<Vec<DeliveryView>, Trouble> {
    Ok(site.book.deliveries(None)?.iter().map(|d| view(d, false)).collect())
}

/// A part of the deliveries, the newest first: at most `limit` after the first `from`, and whether there
/// are more; of one reel alone where that is named.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer.
pub fn newest(
    site: &Site,
    reel: Option<&str>,
    from: usize,
    limit: usize,
) -> Result<(Vec<DeliveryView>, bool), Trouble> {
    let mut all = site.book.deliveries(reel.map(ReelId::new).transpose()?.as_ref())?;
    all.sort_by(|a, b| b.received.cmp(&a.received).then_with(|| a.delivery.cmp(&b.delivery)));
    let shown = all.iter().skip(from).take(limit).map(|d| view(d, false)).collect();
    Ok((shown, all.len() > from.saturating_add(limit)))
}

/// What is told of one delivery.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn show(site: &Site, id: &str) -> Result<DeliveryView, Trouble> {
    site.book.delivery(&DeliveryId::new(id)?)?.as_ref().map(|d| view(d, true)).ok_or_else(|| {
        Trouble::absent(format!("there is no delivery {id}"), "See `touchmark delivery list` for those there are.")
    })
}

/// A delivery that was withdrawn.
#[derive(Debug, Serialize)]
pub struct Withdrawn {
    /// Its id, free again.
    pub withdrawn: String,
    /// The reel that it was for.
    pub reel: String,
    /// Certificates that may be received again.
    pub certificates: i64,
    /// Intermediates that had come with it and went with it.
    pub authorities: Vec<String>,
    /// The entry of the log that holds what it was.
    pub entry: i64,
}

/// Withdraws a delivery before its first unit.
///
/// # Errors
///
/// [`Trouble`] names and counts what depends on it; nothing is changed then.
pub fn withdraw(site: &Site, id: &str, who: &Who) -> Result<Withdrawn, Trouble> {
    let id = DeliveryId::new(&show(site, id)?.delivery)?;
    let done = site.book.withdraw_delivery(&id, &who.by())?;
    head::mark(site, who);
    Ok(Withdrawn {
        withdrawn: id.to_string(),
        reel: done.reel,
        certificates: done.certificates,
        authorities: done.authorities,
        entry: done.entry.0,
    })
}

/// Whether a finding refuses.
pub fn is_error(finding: &SharedFinding) -> bool {
    finding.finding.severity == Severity::Error
}
