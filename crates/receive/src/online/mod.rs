//! Asking an authority online: one request for each chip, signed by it, and the answers as one delivery.
//!
//! Each request is kept before it is sent, and each answer before the next request is, in the site's directory
//! (`kept`). A process that is killed leaves both; the next one sends what was sent, asks for what is not answered, and
//! receives all answers together. Only inspection puts them into the book.

mod kept;

use std::collections::HashSet;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use base::course::{Course, Phase};
use base::finding_view::{FindingView, InspectionFinding};
use base::trouble::Trouble;
use book::{Places, Reel};
use chip::ChipSource;
use enrol::{Address, Said};
use serde::Serialize;
use site::{Site, Who, product};
use standard::certificate::Certificate;
use standard::detect::Item;
use standard::ids::{ProductId, VendorId};
use standard::request::Request;
use standard::verdict::Finding;
use standard::verdict::catalogue::intake::DELIVERY_NOT_ISSUED;

use self::kept::Kept;
pub use self::kept::folders;
use crate::delivery::{Coming, Received, dac_identity, receive_as};
use crate::order::{Needy, first_time, is_online, needy, request_of, subject};
use crate::reel;

/// How long answers that are put off are waited for, all in all.
const PATIENCE: Duration = Duration::from_secs(60);
/// How long before a request is repeated, at least and at most.
const AGAIN: (Duration, Duration) = (Duration::from_millis(200), PATIENCE);

/// Whom to ask.
pub struct Asking<'a> {
    /// As it was typed: the book names it so.
    pub address: &'a Address,
    pub authority: &'a enrol::est::Client,
    /// Whether chips that an order in a file asked for are asked for once more.
    pub again: bool,
}

/// What came of asking.
#[derive(Debug, Serialize)]
pub struct Enrolled {
    pub reel: String,
    /// Chips that a certificate was requested for, now or by a run that was interrupted.
    pub asked: usize,
    /// Certificates that passed inspection and are in the book.
    pub issued: usize,
    /// Requests that the authority refused, and certificates that inspection refused.
    pub refused: usize,
    /// Requests that the authority has not decided yet.
    #[serde(skip_serializing_if = "is_none")]
    pub pending: usize,
    pub delivery: Option<String>,
    pub findings: Vec<InspectionFinding>,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks so")]
fn is_none(count: &usize) -> bool {
    *count == 0
}

/// A request on its way.
struct Open {
    chip: String,
    key: [u8; 65],
    request: Vec<u8>,
    /// Not before then.
    due: Instant,
}

/// Requests a certificate for each chip of a source that is on the reel and has none, and receives what is issued as
/// one delivery.
///
/// # Errors
///
/// [`Trouble`] where the authority can't be asked; what it answered before that is received all the same.
pub fn enrol(
    site: &Site,
    reel: &str,
    source: &mut dyn ChipSource,
    asking: &Asking<'_>,
    who: &Who,
    course: &Course,
) -> Result<Enrolled, Trouble> {
    let reel = reel::get(site, reel)?;
    let kept = Kept::of(site, reel.facts.reel.as_str())?;
    let (here, needy) = needy(site, &reel, source)?;
    if here == 0 {
        return Err(Trouble::refused(
            format!("no chip of reel {} is available", reel.facts.reel),
            "Check --chips and `touchmark reel show`. Nothing was requested.",
        ));
    }
    let product = product::get(site, reel.facts.product.as_str())?;
    let identity = dac_identity(site, &product)?;
    if needy.is_empty() && kept.answered_chips()? == 0 {
        return Err(Trouble::refused(
            format!("each chip of reel {} that is available has its credential; nothing to request", reel.facts.reel),
            "See `touchmark reel show`. Nothing was requested.",
        ));
    }
    let mut done = Enrolled {
        reel: reel.facts.reel.to_string(),
        asked: kept.answered_chips()?,
        issued: 0,
        refused: 0,
        pending: 0,
        delivery: None,
        findings: Vec::new(),
    };
    let unanswered: Vec<Needy> = needy.into_iter().filter(|needy| !kept.is_answered(needy.id.as_str())).collect();
    done.asked += unanswered.len();
    let asked = if unanswered.is_empty() {
        Ok(())
    } else {
        let mut asked = |done: &mut Enrolled| {
            // Asked first: they show that the authority answers, and what it wants.
            let authorities = asking.authority.authorities()?;
            asking.authority.check_wanted()?;
            let open = requests(site, &reel, source, (&kept, asking), &unanswered, identity, who)?;
            ask_all(&kept, asking, &authorities, open, done, course)
        };
        asked(&mut done)
    };
    let received = take(site, &reel, &kept, asking.address, who)?;
    if let Some(received) = received {
        done.issued = received.certificates.accepted;
        done.refused += received.certificates.refused;
        done.findings.extend(received.findings);
        done.delivery = received.delivery;
    }
    match (asked, &done.delivery) {
        (Ok(()), _) => Ok(done),
        (Err(trouble), Some(delivery)) if done.issued > 0 => {
            Err(trouble.after(&format!("{} certificates came before that, as delivery {delivery}", done.issued)))
        }
        (Err(trouble), _) => Err(trouble),
    }
}

/// The requests of these chips: as they were sent before, or new ones, which an order in the book then stands for.
fn requests(
    site: &Site,
    reel: &Reel,
    source: &mut dyn ChipSource,
    (kept, asking): (&Kept, &Asking<'_>),
    chips: &[Needy],
    identity: (VendorId, ProductId),
    who: &Who,
) -> Result<Vec<Open>, Trouble> {
    let places: Vec<i64> = chips.iter().map(|needy| needy.chip.position).collect();
    if !asking.again {
        first_time(site, reel, &places, |order| !is_online(order))?;
    }
    let mut open = Vec::with_capacity(chips.len());
    for needy in chips {
        let id = needy.id.as_str();
        let key = needy.chip.public_key.as_slice().try_into().unwrap_or([0; 65]);
        let wanted = subject(&needy.id, identity);
        let same = |der: &Vec<u8>| {
            Request::read(der).is_ok_and(|r| {
                r.key.key.as_ref().is_ok_and(|k| *k.point() == key) && r.subject.span.of(der) == wanted.as_slice()
            })
        };
        let request = match kept.request(id).filter(same) {
            Some(request) => request,
            None => {
                let request = request_of(source, needy, identity)?;
                kept.keep_request(id, &request)?;
                request
            }
        };
        open.push(Open { chip: id.to_owned(), key, request, due: Instant::now() });
    }
    let orders = site.book.orders(&reel.facts.reel)?;
    let is_ordered = |place: &i64| {
        orders.iter().any(|o| is_online(o) && o.places.as_ref().is_some_and(|places| places.holds(*place)))
    };
    let fresh: Vec<i64> = places.into_iter().filter(|place| !is_ordered(place)).collect();
    if !fresh.is_empty() {
        let all: Vec<u8> = open.iter().flat_map(|open| open.request.iter().copied()).collect();
        let digest = examine::intake::sha256(&all);
        let typed = asking.address.to_string();
        site.book.record_order(&reel.facts.reel, &typed, &digest, &Places::of(fresh), &who.by())?;
    }
    Ok(open)
}

/// Sends each request, and keeps each answer before the next.
fn ask_all(
    kept: &Kept,
    asking: &Asking<'_>,
    authorities: &[Arc<Certificate>],
    mut open: Vec<Open>,
    done: &mut Enrolled,
    course: &Course,
) -> Result<(), Trouble> {
    course.phase(Phase::Asking, Some(open.len() as u64));
    let until = Instant::now() + PATIENCE;
    while let Some(at) = open.iter().enumerate().min_by_key(|(_, open)| open.due).map(|(at, _)| at) {
        if open[at].due > until {
            done.pending = open.len();
            return Ok(());
        }
        while let Some(left) = open[at].due.checked_duration_since(Instant::now()).filter(|left| !left.is_zero()) {
            course.go_on()?;
            thread::sleep(left.min(AGAIN.0));
        }
        course.go_on()?;
        let one = &mut open[at];
        match asking.authority.ask(&one.request)? {
            Said::Later(wait) => {
                one.due = Instant::now() + wait.clamp(AGAIN.0, AGAIN.1);
                continue;
            }
            Said::Refused(words) => {
                kept.forget_request(&one.chip)?;
                done.refused += 1;
                refused(&mut done.findings, &one.chip, words);
            }
            Said::Issued(came) => {
                let dac = came.iter().find(|c| c.public_key().is_some_and(|key| *key.point() == one.key));
                let above = dac.and_then(|dac| dac.authority_key_id());
                // Its intermediate, for an inspection that has not seen it yet.
                let is_above = |c: &&Arc<Certificate>| above.is_some() && c.subject_key_id() == above;
                if let Some(pai) = authorities.iter().find(is_above) {
                    kept.keep_authority(&hex::encode(above.unwrap_or_default()), pai.der())?;
                }
                kept.keep_answer(&one.chip, &came.iter().map(|c| c.der()).collect::<Vec<_>>())?;
            }
        }
        open.swap_remove(at);
        course.advance(1);
    }
    Ok(())
}

/// A refusal in the authority's words; chips that got the same ones share one finding.
fn refused(findings: &mut Vec<InspectionFinding>, chip: &str, words: String) {
    if let Some(same) = findings.iter_mut().find(|f| f.finding.found == words) {
        same.count += 1;
        same.chip_id = None;
        return;
    }
    let finding = FindingView::of(chip, &Finding::new(&DELIVERY_NOT_ISSUED, words));
    findings.push(InspectionFinding { finding, chip_id: Some(chip.to_owned()), count: 1 });
}

/// Receives all answers that are kept, as one delivery.
fn take(site: &Site, reel: &Reel, kept: &Kept, address: &Address, who: &Who) -> Result<Option<Received>, Trouble> {
    let items = kept.answered()?;
    let mut only = HashSet::new();
    for item in items {
        let Item::Certificate(certificate) = item else { continue };
        if let Some(key) = certificate.public_key()
            && site.book.chip_with_key(key.point())?.is_some_and(|chip| chip.reel == reel.facts.reel)
        {
            only.insert(*key.point());
        }
    }
    let path = kept.answers();
    if kept.answered_chips()? == 0 {
        return Ok(None);
    }
    let source = address.to_string();
    let coming = Coming { path: &path, source, accept_part: true, password: None, only: Some(&only) };
    // Asking can be stopped; storing what was answered is not.
    let received = receive_as(site, &coming, reel.facts.reel.as_str(), who, &Course::new())?;
    kept.settle()?;
    Ok(Some(received))
}
