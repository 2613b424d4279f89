//! Issuing a reel's credentials here, from a development PAI, on all cores.

use std::sync::Arc;

use aws_lc_rs::digest::{Context as Digest, SHA256};
use base::course::{Course, Phase};
use base::trouble::{About, Trouble};
use book::ids::{AuthorityName, ChipId};
use book::{Authority, DeliveryOrigin, DeliveryVerdict, NewCredential, NewDelivery, Product, Purpose, Role, Stored};
use rayon::prelude::*;
use serde::Serialize;
use serde_json::json;
use site::authority::serial;
use site::keys::Unlock;
use site::revoked::{Known as Revoked, pool};
use site::{Site, Who, authority, head, product};
use standard::certificate::{Builder, Certificate, Profile};
use standard::ids::{ProductId, VendorId};
use standard::key::{PublicKey, Signer};
use standard::moment::{Moment, NO_END};
use standard::name::NameBuilder;
use standard::verdict::{Context, Report, Severity, judge_certificate};
use utoipa::ToSchema;

use super::chips::{Chips, Slot};
use super::storing::{BATCH, store};
use super::{ReceivedVerdict, dac_identity, free_id};
use crate::reel;

/// What was issued.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = IssuedDelivery)]
pub struct Issued {
    /// The delivery.
    pub delivery: Option<String>,
    /// The reel.
    pub reel: String,
    /// The issuer.
    pub issuer: String,
    /// Credentials issued.
    pub issued: usize,
    /// Accepted; or already received, where every chip had its credential.
    pub verdict: ReceivedVerdict,
}

/// The PAI that would issue a product's DACs, and what they must say.
///
/// # Errors
///
/// [`Trouble`] where it can't issue for this product.
pub(crate) fn issuer_of(
    site: &Site,
    product: &Product,
    authority: &Authority,
    now: Moment,
) -> Result<(Arc<Certificate>, (VendorId, ProductId)), Trouble> {
    let name = &authority.facts.name;
    if authority.facts.role != Role::Pai {
        return Err(Trouble::usage(
            format!("authority {name} is a PAA, but a PAI issues DACs"),
            "Name a PAI; see `touchmark authority list`.",
        )
        .about("issuer"));
    }
    if product.facts.purpose == Purpose::Production && authority.facts.purpose != Purpose::Production {
        return Err(Trouble::refused(
            format!("product {} is for sale, but authority {name} is for testing", product.facts.name),
            "Ask the production authority for certificates, and receive its delivery.",
        )
        .about("issuer"));
    }
    let pai = Certificate::read(&authority.facts.certificate).map_err(|e| {
        Trouble::surroundings(
            format!("the certificate of authority {name} in the book can't be read: {e}"),
            "Run `touchmark book verify`.",
        )
    })?;
    let revoked = Revoked::of(site)?;
    let pai = Arc::new(pai);
    let anchors: Vec<_> = authority::anchors(site)?.into_iter().map(|(paa, _)| paa).collect();
    let chain = pool(&anchors, Some(Arc::clone(&pai)));
    let context = Context { trust_given: true, present: Some(now), ..Context::default() };
    let judged = chain.judge_authority(anchors.len(), &context).findings;
    if let Some(f) = judged.iter().find(|f| f.severity == Severity::Error) {
        return Err(Trouble::refused(
            format!("authority {name} can issue no DAC that a station accepts: {}: {}", f.rule.name, f.found),
            f.advice.to_string(),
        )
        .about("issuer"));
    }
    if let Some((_, when)) = revoked.of_chain(&anchors, &pai, None) {
        return Err(Trouble::refused(
            format!("authority {name} was revoked {when}"),
            "Issue with another PAI; certificates from this one would be refused.",
        )
        .about("issuer"));
    }
    let (vendor, product_id) = dac_identity(site, product)?;
    let identity = &pai.subject.identity;
    if identity.vendor() != Some(vendor) || identity.product().is_some_and(|p| p != product_id) {
        return Err(Trouble::refused(
            format!(
                "authority {name} is for {} {}, but product {} is {vendor} {product_id}",
                identity.vendor().map(|v| v.to_string()).unwrap_or_default(),
                identity.product().map(|p| p.to_string()).unwrap_or_default(),
                product.facts.name
            ),
            "Name a PAI of this vendor and product; see `touchmark authority list`.",
        )
        .about("issuer"));
    }
    Ok((pai, (vendor, product_id)))
}

/// A DAC as it is issued here, not signed yet.
///
/// - `name`: the product's as customers read it, and the chip's id.
pub fn dac(
    pai: &Certificate,
    serial: &[u8],
    (product_name, chip): (&str, &str),
    (vendor, product): (VendorId, ProductId),
    key: &PublicKey,
    valid: (Moment, Moment),
) -> Builder {
    let tail: String = chip.chars().rev().take(12).collect::<Vec<_>>().into_iter().rev().collect();
    let name: String = product_name.chars().take(40).collect();
    let subject = NameBuilder::new().common_name(&format!("{name} {tail}")).vendor(vendor).product(product).build();
    let issuer = (pai.subject_der(), pai.subject_key_id().unwrap_or_default());
    Builder::new(Profile::Dac, serial, issuer, &subject, key, valid)
}

/// What all DACs of an issuer for a product have in common.
pub(crate) struct Template {
    pub(crate) pai: Arc<Certificate>,
    pub(crate) authority: AuthorityName,
    pub(crate) product_name: String,
    pub(crate) identity: (VendorId, ProductId),
    pub(crate) now: Moment,
    pub(crate) until: Moment,
}

impl Template {
    /// A DAC for a key, under a serial number that nobody else has.
    ///
    /// - `chip`: the chip's id, of which the last 12 characters stand in the subject.
    pub(crate) fn certify(&self, chip: &str, key: &PublicKey, signer: &dyn Signer) -> Result<NewCredential, Trouble> {
        let serial = serial()?;
        let name = (self.product_name.as_str(), chip);
        let certificate = dac(&self.pai, &serial, name, self.identity, key, (self.now, self.until)).sign(signer)?;
        let key_id = self.pai.subject_key_id().unwrap_or_default();
        Ok(NewCredential {
            public_key: *key.point(),
            authority: self.authority.clone(),
            issuer_key_id: key_id.to_vec(),
            serial: serial.to_vec(),
            not_after: authority::moment_to_time(Some(self.until)),
            certificate,
        })
    }
}

/// The first PAI whose key is here and that can issue the DACs of a reel.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer, or there is no such reel.
pub fn issuer_for(site: &Site, reel: &str, now: Moment) -> Result<Option<String>, Trouble> {
    let product = product::get(site, reel::get(site, reel)?.facts.product.as_str())?;
    let can = |authority: &Authority| {
        authority.facts.key_reference.is_some() && issuer_of(site, &product, authority, now).is_ok()
    };
    Ok(site
        .book
        .authorities()?
        .iter()
        .find(|authority| can(authority))
        .map(|authority| authority.facts.name.to_string()))
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
    let authority = authority::get(site, issuer).about("issuer")?;
    let kept = product::kept(&product)?;
    let (pai, (vendor, product_id)) = issuer_of(site, &product, &authority, who.now())?;
    let signer = authority::signer(site, &authority, unlock).about("passphrase")?;
    // What tells this delivery from others: who issued, for which keys, with a serial number nobody else has.
    let mut digest = Digest::new(&SHA256);
    digest.update(pai.der());
    course.phase(Phase::Starting, None);
    let chips = Chips::read(site, &reel, course, |key, served| {
        if !served {
            digest.update(key);
        }
    })?;
    let slots: Vec<Slot> = chips.slots().filter(|slot| !chips.is_served(*slot)).collect();
    // Sorted by key, as they are stored fastest.
    let points = |slots: &[Slot]| -> Result<Vec<(i64, ChipId, [u8; 65])>, Trouble> {
        let places: Vec<i64> = slots.iter().map(|slot| i64::from(chips.place(*slot))).collect();
        let mut points = site.book.chips_at(&reel.facts.reel, &places)?;
        points.sort_unstable_by_key(|(_, _, key)| *key);
        Ok(points)
    };
    let told = |delivery, issued, verdict| Issued {
        delivery,
        reel: reel.facts.reel.to_string(),
        issuer: issuer.to_owned(),
        issued,
        verdict,
    };
    if slots.is_empty() {
        return Ok(told(None, 0, ReceivedVerdict::AlreadyReceived));
    }
    let template = Template {
        product_name: kept.product_name,
        identity: (vendor, product_id),
        until: pai.not_after.moment.unwrap_or(NO_END),
        now: who.now(),
        authority: authority.facts.name.clone(),
        pai,
    };
    let make = |(_, chip, key): &(i64, ChipId, [u8; 65])| -> Result<NewCredential, Trouble> {
        let key = &PublicKey::from_point(key).map_err(|e| {
            let what = format!("the key of chip {chip} in the book is not valid: {e}");
            Trouble::surroundings(what, "Run `touchmark book verify`.")
        })?;
        template.certify(chip.as_str(), key, signer.as_ref())
    };
    // Alike in everything but key, serial number and name, so one stands for all in form; it is not kept.
    let first = points(&slots[..1])?;
    let first = first.first().ok_or_else(|| {
        Trouble::surroundings(format!("reel {} lost a chip", reel.facts.reel), "Run `touchmark book verify`.")
    })?;
    let sample = make(first)?;
    let dac = Certificate::read(&sample.certificate).map_err(|e| {
        Trouble::surroundings(format!("the certificate to be issued can't be read: {e}"), "Report this.")
    })?;
    let mut report = Report::new();
    judge_certificate(&dac, Profile::Dac, &mut report);
    if let Some(f) = report.findings().iter().find(|f| f.severity == Severity::Error) {
        return Err(Trouble::refused(
            format!("the DACs would break {}: {}", f.rule.name, f.found),
            f.advice.to_string(),
        ));
    }
    digest.update(&sample.serial);
    let mut content_digest = [0; 32];
    content_digest.copy_from_slice(digest.finish().as_ref());
    let id = free_id(site, &reel)?;
    let issued = slots.len();
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
    course.phase(Phase::Issuing, u64::try_from(issued).ok());
    // Signed on all cores ahead of the one that stores.
    let settle = || Ok((new.verdict, new.report.clone()));
    let stored = store(site, &new, who, course, settle, |send| {
        for stretch in slots.chunks(BATCH) {
            let points = points(stretch)?;
            let made: Result<Vec<_>, Trouble> = points.par_iter().with_min_len(16).map(&make).collect();
            send(made?)?;
        }
        Ok(())
    })?;
    match stored {
        Stored::New { .. } => {
            head::mark(site, who);
            Ok(told(Some(id.to_string()), issued, ReceivedVerdict::Accepted))
        }
        Stored::Already(known) => Ok(told(Some(known.delivery.to_string()), 0, ReceivedVerdict::AlreadyReceived)),
    }
}
