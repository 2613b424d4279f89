//! Deliveries: certificates from an outside authority, inspected as a whole,
//! or issued here.

pub mod chips;
pub mod complaint;
pub mod exposed;
mod fitting;
pub mod inspect;
mod issue;
mod refused;
mod spool;
mod storing;
mod view;

use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::Arc;
use std::thread;

use base::course::{Course, Phase};
use base::finding_view::{FindingView, InspectionFinding, Severity};
use base::trouble::{About as _, Trouble};
use book::ids::{DeliveryId, ReelId};
use book::{Delivery, DeliveryVerdict, Purpose, Reel, Stored};
use chips::Chips;
use complaint::{Complaint, Faults};
use inspect::{Checked, Expectation, Known};
pub use issue::{Issued, dac, issue, issuer_for};
pub(crate) use issue::{Template, issuer_of};
pub use refused::REFUSED;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use site::revoked::{Known as Revoked, RevokedPais};
use site::{Site, Who, authority, head, product};
use standard::certificate::Certificate;
use standard::verdict::catalogue::chain::REVOKED;
use standard::verdict::catalogue::intake::{
    DELIVERY_GAP, DELIVERY_OTHER_PRODUCT, DELIVERY_OTHER_REEL, DELIVERY_PRODUCT, DELIVERY_STRANGER,
};
use standard::verdict::{Finding, Rule};
use storing::{Begun, EARLY, Keeper, Unsettled};
use utoipa::ToSchema;
pub use view::{DeliveryView, list, newest, refused, show};
use zeroize::Zeroizing;

pub use self::fitting::dac_identity;
use self::fitting::{other_product, permitted};
use crate::reel;

/// Certificates of a delivery, counted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = DeliveryCounts)]
pub struct Counts {
    /// DACs read.
    pub read: usize,
    /// DACs kept.
    pub accepted: usize,
    /// DACs read, neither kept nor here already.
    pub refused: usize,
    /// DACs that were here already, octet for octet.
    #[serde(default, skip_serializing_if = "is_none")]
    pub already: usize,
    /// DACs that may be used, kept or not.
    pub good: usize,
    /// DACs that may not.
    pub faulty: usize,
    /// Chips of the reel that need one, and that none came for.
    pub missing: usize,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks so")]
fn is_none(count: &usize) -> bool {
    *count == 0
}

impl Counts {
    /// As far as a delivery in the book tells it by itself.
    fn of_book(delivery: &Delivery) -> Self {
        let whole = |n: i64| usize::try_from(n).unwrap_or(0);
        let (read, accepted) = (whole(delivery.certificates_read), whole(delivery.certificates_accepted));
        let refused = read.saturating_sub(accepted);
        Self { read, accepted, refused, good: accepted, faulty: refused, ..Self::default() }
    }
}

book::words! {
    /// What became of a delivery that came.
    ReceivedVerdict {
        /// All of it was stored.
        Accepted = "accepted",
        /// The good part was stored, by the engineer's word.
        AcceptedInPart = "accepted-in-part",
        /// It was here already.
        AlreadyReceived = "already-received",
        /// Nothing of it was stored.
        Refused = "refused",
    }
}

impl From<DeliveryVerdict> for ReceivedVerdict {
    fn from(verdict: DeliveryVerdict) -> Self {
        match verdict {
            DeliveryVerdict::Accepted => Self::Accepted,
            DeliveryVerdict::AcceptedInPart => Self::AcceptedInPart,
        }
    }
}

/// The chips of a reel that a delivery came for.
#[derive(Debug, Default, Serialize, ToSchema)]
pub struct DeliveredChips {
    /// Chips on the reel.
    pub on_reel: usize,
    /// Chips of these that a DAC came for which may be used.
    pub matched: usize,
    /// Chips without a credential, in order.
    pub without: Vec<String>,
    /// Chips that had been scrapped: their certificates are kept, and spent.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub spent: Vec<String>,
}

/// What came of a delivery.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReceivedDelivery)]
pub struct Received {
    /// Its id, in the book or among those that were refused.
    pub delivery: Option<String>,
    /// What became of it.
    pub verdict: ReceivedVerdict,
    /// The reel.
    pub reel: String,
    /// Its certificates.
    pub certificates: Counts,
    /// Its chips.
    pub chips: DeliveredChips,
    /// What came of lists of checksums, where there was one.
    pub checksums: Option<Checked>,
    /// What the inspection found.
    pub findings: Vec<InspectionFinding>,
    #[serde(skip)]
    source: String,
    #[serde(skip)]
    faults: Faults,
    /// Further deliveries that brought its certificates, where all were here already.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<String>,
    #[serde(skip)]
    of_nobody: usize,
}

/// What the book keeps of an inspection.
#[derive(Debug, Serialize)]
struct Kept<'a> {
    certificates: Counts,
    #[serde(skip_serializing_if = "Option::is_none")]
    checksums: Option<&'a Checked>,
    findings: &'a [InspectionFinding],
    #[serde(skip_serializing_if = "Faults::is_empty")]
    faults: &'a Faults,
}

impl Received {
    /// Whether anything of it may be used.
    pub fn is_accepted(&self) -> bool {
        self.verdict != ReceivedVerdict::Refused
    }

    /// Whether it was refused, and some of it could be kept.
    pub fn has_good_part(&self) -> bool {
        self.verdict == ReceivedVerdict::Refused && self.certificates.good > self.certificates.already
    }

    /// Whether all that is wrong is for another reel or product here, so that the authority has nothing to put right.
    pub fn is_misplaced(&self) -> bool {
        let has = |rule: &Rule| self.findings.iter().any(|f| f.finding.rule == rule.name);
        let rules: &[&Rule] = match (has(&DELIVERY_OTHER_REEL), has(&DELIVERY_OTHER_PRODUCT)) {
            // Certificates of the reel itself for another product are for the authority to put right.
            (true, false) => &[&DELIVERY_OTHER_REEL, &DELIVERY_STRANGER, &DELIVERY_GAP],
            (_, true) => {
                &[&DELIVERY_OTHER_REEL, &DELIVERY_STRANGER, &DELIVERY_GAP, &DELIVERY_OTHER_PRODUCT, &DELIVERY_PRODUCT]
            }
            (false, false) => return false,
        };
        let Counts { good, missing, .. } = self.certificates;
        let mut errors = self.findings.iter().filter(|f| f.finding.severity == Severity::Error);
        // Where some are good, those that are missing are missed.
        self.of_nobody == 0
            && (good == 0 || missing == 0)
            && errors.all(|f| rules.iter().any(|rule| f.finding.rule == rule.name))
    }

    /// What is wrong, for the authority.
    pub fn complaint(&self) -> Complaint<'_> {
        Complaint { reel: &self.reel, source: &self.source, certificates: self.certificates, faults: &self.faults }
    }

    /// The report that the book keeps.
    fn report(&self) -> Result<Value, Trouble> {
        let Self { certificates, checksums, findings, faults, .. } = self;
        let kept = Kept { certificates: *certificates, checksums: checksums.as_ref(), findings, faults };
        serde_json::to_value(kept)
            .map_err(|e| Trouble::surroundings(format!("the report can't be written: {e}"), "Report this."))
    }
}

/// Ids of chips by their places on a reel, in the order asked for.
fn chip_ids(site: &Site, reel: &Reel, places: &[u32]) -> Result<Vec<String>, Trouble> {
    let asked: Vec<i64> = places.iter().map(|place| i64::from(*place)).collect();
    let found: HashMap<i64, String> =
        site.book.chips_at(&reel.facts.reel, &asked)?.into_iter().map(|(at, id, _)| (at, id.to_string())).collect();
    Ok(asked.iter().map(|at| found.get(at).cloned().unwrap_or_default()).collect())
}

/// What comes in, and how it is taken.
pub(crate) struct Coming<'a> {
    /// The file or folder.
    pub(crate) path: &'a Path,
    /// What the book calls it.
    pub(crate) source: String,
    /// Whether its good part is stored where not all is good.
    pub(crate) accept_part: bool,
    pub(crate) password: Option<&'a Zeroizing<Vec<u8>>>,
    /// Keys of the chips that it is for, where it is not for all that need a certificate.
    pub(crate) only: Option<&'a HashSet<[u8; 65]>>,
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
    let coming = Coming { path, source: reel::file_name(path), accept_part, password, only: None };
    receive_as(site, &coming, reel, who, course)
}

/// As [`receive()`].
pub(crate) fn receive_as(
    site: &Site,
    coming: &Coming<'_>,
    reel: &str,
    who: &Who,
    course: &Course,
) -> Result<Received, Trouble> {
    let &Coming { path, accept_part, password, .. } = coming;
    let reel = reel::get(site, reel).about("reel")?;
    let product = product::get(site, reel.facts.product.as_str())?;
    let came = examine::intake::digest(path)?;
    let (content_digest, in_part) = match free_digest(site, &reel.facts.reel, came)? {
        Came::Before(known) => return already(site, &known, &reel),
        Came::Now { digest, in_part } => (digest, in_part),
    };
    if let Some(order) = site.book.orders(&reel.facts.reel)?.iter().find(|o| o.content_digest == came) {
        return Err(Trouble::refused(
            format!(
                "{} is order {} of reel {}, which this site wrote, and no answer to it",
                path.display(),
                order.number,
                reel.facts.reel
            ),
            "Send it to the authority, and receive what comes back. Nothing was stored.",
        )
        .about("file"));
    }
    course.phase(Phase::Starting, None);
    let mut chips = Chips::read(site, &reel, course, |_, _| ())?;
    if let Some(only) = coming.only {
        chips.only(only);
    }
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
        now: who.now(),
        known: &known,
        exposed: &exposed::before(site, &reel, &chips)?,
        elsewhere: &|key| {
            let chip = site.book.chip_with_key(key).ok().flatten()?;
            Some((chip.chip_id.to_string(), chip.reel.to_string()))
        },
    };
    let keeper = Keeper {
        site,
        reel: &reel,
        purpose: product.facts.purpose,
        source_name: coming.source.clone(),
        content_digest,
        who,
        course,
    };
    let mut received = thread::scope(|scope| {
        let mut begun: Option<Begun<'_>> = None;
        let mut waiting = Vec::new();
        let mut inspection = inspect::inspect(path, password, &expectation, course, &mut |stretch| {
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
        other_product(site, &reel, &product, &mut inspection)?;
        exposed::advise(site, &mut inspection)?;
        permitted(site, &product, &mut inspection)?;
        let clean = inspection.is_clean();
        let mut received = Received {
            delivery: None,
            verdict: ReceivedVerdict::Refused,
            reel: reel.facts.reel.to_string(),
            source: coming.source.clone(),
            certificates: Counts {
                read: inspection.read,
                accepted: 0,
                refused: inspection.read.saturating_sub(inspection.same),
                already: inspection.same,
                good: inspection.accepted + inspection.same,
                faulty: inspection.read.saturating_sub(inspection.accepted + inspection.same),
                missing: inspection.missing,
            },
            chips: DeliveredChips {
                on_reel: inspection.on_reel,
                matched: inspection.accepted + inspection.same,
                without: inspection.without.clone(),
                spent: Vec::new(),
            },
            checksums: inspection.checked.clone(),
            findings: inspection.findings.iter().map(InspectionFinding::from).collect(),
            faults: Faults::new(std::mem::take(&mut inspection.faults), inspection.more_faults),
            also: Vec::new(),
            of_nobody: inspection.of_nobody,
        };
        // What was not kept the first time can't be kept now either.
        if let Some(known) = in_part.as_ref().filter(|_| inspection.accepted == 0) {
            return already(site, known, &reel);
        }
        // The same delivery in another form: another archive, or a folder.
        if let (Some(before), true) = (inspection.same_as.first(), clean && inspection.same == inspection.read) {
            received.delivery = Some(before.clone());
            received.also = inspection.same_as[1..].to_vec();
            received.verdict = ReceivedVerdict::AlreadyReceived;
            received.findings.extend(revoked_above(site, &reel.facts.reel)?);
            return Ok(received);
        }
        let Some(spool) = inspection.spool.filter(|_| inspection.accepted > 0 && (clean || accept_part)) else {
            // What was begun to be stored is dropped with `begun`, and undone.
            // Nothing is kept, so every chip that has none yet is without.
            if !clean && !accept_part && inspection.accepted == 0 {
                received.chips.without = expectation.without(|_| false)?;
            }
            return Ok(received);
        };
        let verdict = if clean { DeliveryVerdict::Accepted } else { DeliveryVerdict::AcceptedInPart };
        let counts = &mut received.certificates;
        counts.accepted = inspection.accepted;
        counts.refused = counts.faulty;
        received.verdict = verdict.into();
        let report = received.report()?;
        course.phase(Phase::Storing, u64::try_from(inspection.accepted).ok());
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
            Stored::New { spent, .. } => {
                received.delivery = Some(id.to_string());
                received.chips.spent = spent.iter().map(ToString::to_string).collect();
            }
            Stored::Already(known) => return already(site, &known, &reel),
        }
        head::mark(site, who);
        Ok::<_, Trouble>(received)
    })?;
    if !received.is_accepted() {
        // The refusal stands whether or not its report can be kept; who wants it asks for the file.
        received.delivery = refused::keep(site, &received, &content_digest, who).ok();
    }
    Ok(received)
}

/// Whether the same file was received before.
enum Came {
    /// It was, and there is nothing in it to judge again.
    Before(Box<Delivery>),
    Now {
        /// The digest that the book keeps for it.
        digest: [u8; 32],
        /// The delivery that kept a part of them: what it did not keep may be good since, as where an intermediate was
        /// missing that is here now.
        in_part: Option<Box<Delivery>>,
    },
}

fn free_digest(site: &Site, reel: &ReelId, came: [u8; 32]) -> Result<Came, Trouble> {
    let (mut digest, mut in_part) = (came, None);
    while let Some(known) = site.book.delivery_with(reel, &digest)? {
        if known.certificates_accepted >= known.certificates_read {
            return Ok(Came::Before(in_part.unwrap_or_else(|| Box::new(known))));
        }
        // The book knows a delivery by its digest once, so what comes again has another, made of that one and its id.
        digest = examine::intake::sha256(&[&digest[..], known.delivery.as_str().as_bytes()].concat());
        in_part = Some(Box::new(known));
    }
    Ok(Came::Now { digest, in_part })
}

fn already(site: &Site, known: &Delivery, reel: &Reel) -> Result<Received, Trouble> {
    let on_reel = usize::try_from(reel.chips).unwrap_or(0);
    let without = without(site, &reel.facts.reel)?;
    Ok(Received {
        delivery: Some(known.delivery.to_string()),
        verdict: ReceivedVerdict::AlreadyReceived,
        reel: reel.facts.reel.to_string(),
        source: known.source_name.clone(),
        certificates: view::counts(known)?,
        chips: DeliveredChips { on_reel, matched: on_reel.saturating_sub(without.len()), without, spent: Vec::new() },
        checksums: None,
        findings: revoked_above(site, &reel.facts.reel)?,
        faults: Faults::default(),
        also: Vec::new(),
        of_nobody: 0,
    })
}

/// Warnings of PAIs that are revoked: certificates that are here already were judged before that.
fn revoked_above(site: &Site, reel: &ReelId) -> Result<Vec<InspectionFinding>, Trouble> {
    let words = RevokedPais::of_reel(site, reel)?.words();
    Ok(words
        .into_iter()
        .map(|what| {
            let finding = Finding::new(&REVOKED, what).weighing(standard::verdict::Severity::Warning);
            InspectionFinding { finding: FindingView::of("reel", &finding), chip_id: None, count: 1 }
        })
        .collect())
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

/// A delivery that was withdrawn.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = WithdrawnDelivery)]
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
