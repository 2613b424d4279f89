//! Deliveries: certificates from an outside authority, inspected as a whole,
//! or issued here.

pub mod inspect;
mod issue;

use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::Arc;

use book::ids::{AuthorityName, DeliveryId};
use book::{
    AuthorityOrigin, Delivery, DeliveryError, DeliveryOrigin, DeliveryVerdict, NewAuthority, NewCredential,
    NewDelivery, Product, Purpose, Reel, Role, Stored,
};
use serde::Serialize;
use serde_json::{Value, json};
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::verdict::Severity;
use zeroize::Zeroizing;

pub use issue::{Issued, issue};

use crate::authority;
use crate::course::{Course, Phase, stopped_by};
use crate::declaration;
use crate::head;
use crate::product;
use crate::reel::{self, finding_json};
use crate::revocation::Known as Revoked;
use crate::site::{Site, Who};
use crate::trouble::Trouble;
use inspect::{Accepted, Expectation, Inspection, Known};

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
    /// Chips on the reel.
    pub on_reel: usize,
    /// Chips without a credential, in order.
    pub without: Vec<String>,
    /// What the inspection found.
    pub findings: Vec<inspect::DeliveryFinding>,
}

impl Received {
    /// Whether anything of it may be used.
    pub fn is_accepted(&self) -> bool {
        self.verdict != "refused"
    }

    /// As JSON.
    pub fn json(&self) -> Value {
        json!({
            "delivery": self.delivery,
            "verdict": self.verdict,
            "reel": self.reel,
            "certificates": { "read": self.read, "accepted": self.accepted, "refused": self.read.saturating_sub(self.accepted) },
            "chips": { "on_reel": self.on_reel, "matched": self.accepted, "without": self.without },
            "findings": self.findings.iter().map(|f| finding_json(&f.finding, &f.subject, f.chip_id.as_deref(), f.count)).collect::<Vec<_>>(),
        })
    }
}

/// What a reel's DACs must carry: the product's identifiers, or those of the
/// DAC's origin where the product's declaration names one.
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

/// Chips of a reel: chip id by public point, and those that have a credential.
type Chips = (HashMap<[u8; 65], String>, HashSet<String>);

fn chips(site: &Site, reel: &Reel) -> Result<Chips, Trouble> {
    let mut all = HashMap::new();
    let mut after = -1;
    loop {
        let page = site.book.chips(&reel.facts.reel, after, 5_000)?;
        for chip in &page.items {
            if let Ok(point) = <[u8; 65]>::try_from(chip.public_key.as_slice()) {
                all.insert(point, chip.chip_id.to_string());
            }
        }
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    let mut without = HashSet::new();
    let mut after = -1;
    loop {
        let page = site.book.chips_without(&reel.facts.reel, after, 5_000)?;
        without.extend(page.items.iter().map(|c| c.chip_id.to_string()));
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    let served = all.values().filter(|c| !without.contains(*c)).cloned().collect();
    Ok((all, served))
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
    let reel = reel::get(site, reel)?;
    let product = product::get(site, reel.facts.product.as_str())?;
    let content_digest = reel::digest(path)?;
    if let Some(known) = site.book.delivery_with(&reel.facts.reel, &content_digest)? {
        return Ok(already(&known, &reel));
    }
    let (all, served) = chips(site, &reel)?;
    let (vendor, product_id) = dac_identity(site, &product)?;
    let anchors = authority::anchors(site)?;
    let known_pais = authority::intermediates(site)?;
    let pais: Vec<Arc<Certificate>> = known_pais.iter().map(|(_, c)| Arc::clone(c)).collect();
    // Asked only where the site has credentials at all, so that a first delivery costs no look-ups.
    let fresh = site.book.deliveries(None)?.is_empty();
    let known = |c: &Certificate| {
        if fresh { None } else { known(site, c) }
    };
    let expectation = Expectation {
        chips: &all,
        served: &served,
        vendor,
        product: product_id,
        production: product.facts.purpose == Purpose::Production,
        anchors: &anchors,
        pais: &pais,
        revoked: &Revoked::of(site)?,
        known: &known,
    };
    let inspection = inspect::inspect(path, password, &expectation, course)?;
    let clean = inspection.is_clean();
    let mut received = Received {
        delivery: None,
        verdict: "refused",
        reel: reel.facts.reel.to_string(),
        read: inspection.read,
        accepted: 0,
        on_reel: inspection.on_reel,
        without: inspection.without.clone(),
        findings: inspection.findings.clone(),
    };
    if !clean && !accept_part || inspection.accepted.is_empty() {
        // Nothing is kept, so every chip that has none yet is without.
        let mut without: Vec<String> = all.into_values().filter(|c| !served.contains(c)).collect();
        without.sort_unstable();
        if !clean && !accept_part && inspection.accepted.is_empty() {
            received.without = without;
        }
        return Ok(received);
    }
    let id = free_id(site, &reel)?;
    let verdict = if clean { DeliveryVerdict::Accepted } else { DeliveryVerdict::AcceptedInPart };
    received.accepted = inspection.accepted.len();
    received.verdict = verdict.word();
    let (names, authorities) = delivered_authorities(site, &inspection, product.facts.purpose)?;
    let new = NewDelivery {
        delivery: id.clone(),
        reel: reel.facts.reel.clone(),
        origin: DeliveryOrigin::Received,
        source_name: reel::file_name(path),
        content_digest,
        verdict,
        certificates_read: i64::try_from(inspection.read).unwrap_or(i64::MAX),
        report: json!({ "findings": received.json()["findings"] }),
        authorities,
    };
    course.phase(Phase::Storing, u64::try_from(received.accepted).ok());
    let credentials = inspection.accepted.iter().map(|accepted| {
        course.advance(1);
        course.go_on()?;
        Ok(credential(accepted, &names))
    });
    match store(site, &new, credentials, who, course)? {
        Stored::New { .. } => received.delivery = Some(id.to_string()),
        Stored::Already(known) => return Ok(already(&known, &reel)),
    }
    head::mark(site, who);
    Ok(received)
}

/// Stores credentials as they come; when the last has come, it is too late to stop.
fn store(
    site: &Site,
    new: &NewDelivery,
    credentials: impl Iterator<Item = Result<NewCredential, book::Stop>>,
    who: &Who,
    course: &Course,
) -> Result<Stored, Trouble> {
    let end = std::iter::once_with(|| course.commit()).filter_map(|end| end.err().map(|stopped| Err(stopped.into())));
    match site.book.store_delivery(new, credentials.chain(end), &who.by()) {
        Err(DeliveryError::Stopped(stop)) => Err(stopped_by(stop, |stop| DeliveryError::Stopped(stop).into())),
        stored => Ok(stored?),
    }
}

fn already(known: &Delivery, reel: &Reel) -> Received {
    Received {
        delivery: Some(known.delivery.to_string()),
        verdict: "already-received",
        reel: reel.facts.reel.to_string(),
        read: usize::try_from(known.certificates_read).unwrap_or(0),
        accepted: usize::try_from(known.certificates_accepted).unwrap_or(0),
        on_reel: usize::try_from(reel.chips).unwrap_or(0),
        without: Vec::new(),
        findings: Vec::new(),
    }
}

/// What the site holds of this key or serial number.
fn known(site: &Site, c: &Certificate) -> Option<Known> {
    if let Some(key) = c.public_key()
        && let Ok(Some(held)) = site.book.credential_for_key(key.point())
    {
        return Some(Known::Key { serial: hex::encode(held.serial) });
    }
    let issuer = c.authority_key_id()?;
    let held = site.book.credential(issuer, c.serial()).ok()??;
    Some(Known::Serial { delivery: held.delivery.to_string() })
}

/// The PAIs of a delivery: names for those known, and new ones to be added with it.
fn delivered_authorities(
    site: &Site,
    inspection: &Inspection,
    purpose: Purpose,
) -> Result<(Vec<AuthorityName>, Vec<NewAuthority>), Trouble> {
    let mut names = Vec::new();
    let mut new = Vec::new();
    for pai in &inspection.pais {
        if let Some(known) = site.book.authority_with(pai.der())? {
            names.push(known.facts.name);
            continue;
        }
        let title =
            pai.subject.common_name(pai.der()).unwrap_or_else(|| hex::encode(pai.subject_key_id().unwrap_or_default()));
        let name = authority::free_name(site, &title)?;
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

fn credential(accepted: &Accepted, names: &[AuthorityName]) -> NewCredential {
    let dac = &accepted.dac;
    NewCredential {
        // An accepted DAC has a key: it was matched by it.
        public_key: dac.public_key().map_or([0; 65], |k| *k.point()),
        authority: names[accepted.pai].clone(),
        issuer_key_id: dac.authority_key_id().unwrap_or_default().to_vec(),
        serial: dac.serial().to_vec(),
        not_after: authority::moment_to_time(dac.not_after.moment),
        certificate: dac.der().to_vec(),
    }
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

/// What is told of one delivery.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn show(site: &Site, id: &str) -> Result<DeliveryView, Trouble> {
    site.book.delivery(&DeliveryId::new(id)?)?.as_ref().map(|d| view(d, true)).ok_or_else(|| {
        Trouble::usage(format!("there is no delivery {id}"), "See `touchmark delivery list` for those there are.")
    })
}

/// Whether a finding refuses.
pub fn is_error(finding: &inspect::DeliveryFinding) -> bool {
    finding.finding.severity == Severity::Error
}
