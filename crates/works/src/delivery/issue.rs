//! Issuing a reel's credentials here, from a development PAI, on all cores.

use aws_lc_rs::digest::{Context as Digest, SHA256};
use book::{DeliveryOrigin, DeliveryVerdict, NewCredential, NewDelivery, Purpose, Role, Stored};
use rayon::prelude::*;
use serde::Serialize;
use serde_json::json;
use standard::certificate::{Builder, Certificate, Profile};
use standard::key::PublicKey;
use standard::moment::NO_END;
use standard::name::NameBuilder;
use standard::verdict::{Report, Severity, judge_certificate};

use super::{dac_identity, free_id, store};
use crate::authority::{self, serial};
use crate::course::{Course, Phase};
use crate::head;
use crate::keys::Unlock;
use crate::product;
use crate::reel;
use crate::revocation::Known as Revoked;
use crate::site::{Site, Who};
use crate::trouble::Trouble;

/// Certificates signed between two writes to the book.
const STRETCH: usize = 2_048;

/// What was issued.
#[derive(Debug, Serialize)]
pub struct Issued {
    /// The delivery.
    pub delivery: Option<String>,
    /// The reel.
    pub reel: String,
    /// The issuer.
    pub issuer: String,
    /// Credentials issued.
    pub issued: usize,
    /// `accepted`, or `already-received` where every chip had its credential.
    pub verdict: &'static str,
}

/// Issues a DAC for every chip of a reel that has none, and stores them as one delivery.
///
/// - `course`: until it commits it can be stopped at any moment.
///
/// # Errors
///
/// [`Trouble`]; nothing is stored then.
pub fn issue(
    site: &Site,
    reel: &str,
    issuer: &str,
    unlock: &dyn Unlock,
    who: &Who,
    course: &Course,
) -> Result<Issued, Trouble> {
    let reel = reel::get(site, reel)?;
    let product = product::get(site, reel.facts.product.as_str())?;
    let authority = authority::get(site, issuer)?;
    let kept = product::kept(&product)?;
    if authority.facts.role != Role::Pai {
        return Err(Trouble::usage(
            format!("authority {issuer} is a PAA, and DACs are issued by a PAI"),
            "Name a PAI; see `touchmark authority list`.",
        ));
    }
    if product.facts.purpose == Purpose::Production && authority.facts.purpose != Purpose::Production {
        return Err(Trouble::refused(
            format!("product {} is for sale, and authority {issuer} is for testing", product.facts.name),
            "Ask the production authority for certificates, and receive its delivery.",
        ));
    }
    let pai = Certificate::read(&authority.facts.certificate).map_err(|e| {
        Trouble::surroundings(
            format!("the certificate of authority {issuer} in the book can't be read: {e}"),
            "Run `touchmark book verify`.",
        )
    })?;
    let revoked = Revoked::of(site)?;
    let anchors = authority::anchors(site)?;
    if let Some(when) = anchors.iter().find_map(|(paa, _)| revoked.lookup(paa, &pai)) {
        return Err(Trouble::refused(
            format!("authority {issuer} was revoked {when}"),
            "Issue with another PAI; what this one issues would be refused.",
        ));
    }
    let (vendor, product_id) = dac_identity(site, &product)?;
    let identity = &pai.subject.identity;
    if identity.vendor() != Some(vendor) || identity.product().is_some_and(|p| p != product_id) {
        return Err(Trouble::refused(
            format!(
                "authority {issuer} is for {} {}, and product {} is {vendor} {product_id}",
                identity.vendor().map(|v| v.to_string()).unwrap_or_default(),
                identity.product().map(|p| p.to_string()).unwrap_or_default(),
                product.facts.name
            ),
            "Name a PAI of this vendor and product; see `touchmark authority list`.",
        ));
    }
    let signer = authority::signer(site, &authority, unlock)?;
    let mut points: Vec<(String, PublicKey)> = Vec::new();
    let mut after = -1;
    loop {
        let page = site.book.chips_without(&reel.facts.reel, after, 5_000)?;
        for chip in &page.items {
            let key = PublicKey::from_point(&chip.public_key).map_err(|e| {
                Trouble::surroundings(
                    format!("the key of chip {} in the book is none: {e}", chip.chip_id),
                    "Run `touchmark book verify`.",
                )
            })?;
            points.push((chip.chip_id.to_string(), key));
        }
        match page.next {
            Some(next) => after = next,
            None => break,
        }
    }
    let told = |delivery, issued, verdict| Issued {
        delivery,
        reel: reel.facts.reel.to_string(),
        issuer: issuer.to_owned(),
        issued,
        verdict,
    };
    if points.is_empty() {
        return Ok(told(None, 0, "already-received"));
    }
    let key_id = pai.subject_key_id().unwrap_or_default().to_vec();
    let now = who.now();
    let until = pai.not_after.moment.unwrap_or(NO_END);
    let make = |(chip, key): &(String, PublicKey)| -> Result<NewCredential, Trouble> {
        let serial = serial()?;
        let tail: String = chip.chars().rev().take(12).collect::<Vec<_>>().into_iter().rev().collect();
        let name: String = kept.product_name.chars().take(40).collect();
        let subject =
            NameBuilder::new().common_name(&format!("{name} {tail}")).vendor(vendor).product(product_id).build();
        let issuer = (pai.subject_der(), key_id.as_slice());
        let certificate =
            Builder::new(Profile::Dac, &serial, issuer, &subject, key, (now, until)).sign(signer.as_ref())?;
        Ok(NewCredential {
            public_key: *key.point(),
            authority: authority.facts.name.clone(),
            issuer_key_id: key_id.clone(),
            serial: serial.to_vec(),
            not_after: authority::moment_to_time(Some(until)),
            certificate,
        })
    };
    // Alike in everything but key, serial number and name, so one stands for all in form; it is not kept.
    let sample = make(&points[0])?;
    let dac = Certificate::read(&sample.certificate)
        .map_err(|e| Trouble::surroundings(format!("what would be issued can't be read: {e}"), "Report this."))?;
    let mut report = Report::new();
    judge_certificate(&dac, Profile::Dac, &mut report);
    if let Some(f) = report.findings().iter().find(|f| f.severity == Severity::Error) {
        return Err(Trouble::refused(
            format!("the DACs would break {}: {}", f.rule.name, f.found),
            f.advice.to_string(),
        ));
    }
    // What tells this delivery from others: who issued, for which keys, with a serial number nobody else has.
    let mut digest = Digest::new(&SHA256);
    digest.update(pai.der());
    digest.update(&sample.serial);
    points.iter().for_each(|(_, key)| digest.update(key.point()));
    let mut content_digest = [0; 32];
    content_digest.copy_from_slice(digest.finish().as_ref());
    let id = free_id(site, &reel)?;
    let issued = points.len();
    let new = NewDelivery {
        delivery: id.clone(),
        reel: reel.facts.reel.clone(),
        origin: DeliveryOrigin::Issued,
        source_name: format!("issued by {issuer}"),
        content_digest,
        verdict: DeliveryVerdict::Accepted,
        certificates_read: i64::try_from(issued).unwrap_or(i64::MAX),
        report: json!({ "findings": [] }),
        authorities: Vec::new(),
    };
    // Signed on all cores, a stretch at a time, and stored as they come: no more than one stretch is held.
    let credentials = points.chunks(STRETCH).flat_map(|stretch| {
        let made = |p| {
            course.go_on()?;
            make(p).map_err(|e| Box::new(e) as book::Stop)
        };
        let made: Vec<_> = stretch.par_iter().map(made).collect();
        course.advance(made.len() as u64);
        made
    });
    course.phase(Phase::Issuing, u64::try_from(issued).ok());
    match store(site, &new, credentials, who, course)? {
        Stored::New { .. } => {
            head::mark(site, who);
            Ok(told(Some(id.to_string()), issued, "accepted"))
        }
        Stored::Already(known) => Ok(told(Some(known.delivery.to_string()), 0, "already-received")),
    }
}
