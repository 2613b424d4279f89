//! Deliveries as they are shown: those in the book, and what was wrong with those that were refused.

use base::finding_view::InspectionFinding;
use base::trouble::Trouble;
use book::ids::{DeliveryId, ReelId};
use book::{Delivery, DeliveryOrigin, Subject};
use serde::Serialize;
use serde::de::DeserializeOwned;
use site::{Site, ledger};
use utoipa::ToSchema;

use super::complaint::{Complaint, Faults};
use super::inspect::Checked;
use super::refused::{self, Refused};
use super::{Counts, ReceivedVerdict};

/// What the inspection of a delivery found.
#[derive(Debug, Serialize, ToSchema)]
pub struct InspectionReport {
    /// Its certificates, counted; none in a report of an older program.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certificates: Option<Counts>,
    /// What came of lists of checksums, where there was one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub checksums: Option<Checked>,
    /// What is wrong or worth knowing.
    pub findings: Vec<InspectionFinding>,
}

/// A delivery as it is told.
#[derive(Debug, Serialize, ToSchema)]
pub struct DeliveryView {
    /// Its id.
    pub delivery: String,
    /// The reel.
    pub reel: String,
    /// How it came about.
    pub origin: DeliveryOrigin,
    /// What became of it.
    pub verdict: ReceivedVerdict,
    /// DACs read.
    pub read: i64,
    /// DACs kept.
    pub accepted: i64,
    /// The same, with those that could be used and those that could not.
    pub certificates: Counts,
    /// The file's name.
    pub source: String,
    /// When.
    pub received: String,
    /// The inspection's report.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub report: Option<InspectionReport>,
    #[serde(skip)]
    faults: Faults,
}

impl DeliveryView {
    /// What is wrong, for the authority.
    pub fn complaint(&self) -> Complaint<'_> {
        Complaint { reel: &self.reel, source: &self.source, certificates: self.certificates, faults: &self.faults }
    }
}

/// A part of the report that the book keeps, which older books may be without; one that can't be read is never
/// taken for nothing.
fn part<T: DeserializeOwned>(delivery: &Delivery, key: &str) -> Result<Option<T>, Trouble> {
    let Some(part) = delivery.report.get(key) else { return Ok(None) };
    T::deserialize(part).map(Some).map_err(|e| {
        Trouble::surroundings(
            format!("the report of delivery {} can't be read: {key}: {e}", delivery.delivery),
            "Use the program version that received it, or a later one. If it is this one, run `touchmark book verify`.",
        )
    })
}

/// Its certificates, with those that could be used and those that could not.
pub(super) fn counts(delivery: &Delivery) -> Result<Counts, Trouble> {
    Ok(part(delivery, "certificates")?.unwrap_or_else(|| Counts::of_book(delivery)))
}

/// What was wrong with those that were not kept.
pub(super) fn faults(delivery: &Delivery) -> Result<Faults, Trouble> {
    Ok(part(delivery, "faults")?.unwrap_or_default())
}

fn view(delivery: &Delivery, with_report: bool) -> Result<DeliveryView, Trouble> {
    let report = || {
        Ok::<_, Trouble>(InspectionReport {
            certificates: part(delivery, "certificates")?,
            checksums: part(delivery, "checksums")?,
            findings: part(delivery, "findings")?.unwrap_or_default(),
        })
    };
    Ok(DeliveryView {
        delivery: delivery.delivery.to_string(),
        reel: delivery.reel.to_string(),
        origin: delivery.origin,
        verdict: delivery.verdict.into(),
        read: delivery.certificates_read,
        accepted: delivery.certificates_accepted,
        certificates: counts(delivery)?,
        source: delivery.source_name.clone(),
        received: base::times::time_text(delivery.received),
        report: with_report.then(report).transpose()?,
        faults: faults(delivery)?,
    })
}

fn refused_view(refused: Refused<'_>, with_report: bool) -> DeliveryView {
    let certificates = refused.certificates;
    DeliveryView {
        read: i64::try_from(certificates.read).unwrap_or(i64::MAX),
        accepted: 0,
        delivery: refused.delivery,
        reel: refused.reel,
        origin: DeliveryOrigin::Received,
        verdict: ReceivedVerdict::Refused,
        source: refused.source,
        received: refused.refused,
        report: with_report.then(|| InspectionReport {
            certificates: Some(certificates),
            checksums: None,
            findings: refused.findings.into_owned(),
        }),
        certificates,
        faults: refused.faults.into_owned(),
    }
}

/// All deliveries.
pub fn list(site: &Site) -> Result<Vec<DeliveryView>, Trouble> {
    site.book.deliveries(None)?.iter().map(|d| view(d, false)).collect()
}

/// The latest deliveries that were refused, the newest first.
pub fn refused(site: &Site) -> Vec<DeliveryView> {
    refused::all(site).map(|r| refused_view(r, false)).collect()
}

/// A part of the deliveries, the newest first: at most `limit` after the first `from`, and whether there
/// are more; of one reel alone where that is named.
pub fn newest(
    site: &Site,
    reel: Option<&str>,
    from: usize,
    limit: usize,
) -> Result<(Vec<DeliveryView>, bool), Trouble> {
    let mut all = site.book.deliveries(reel.map(ReelId::new).transpose()?.as_ref())?;
    all.sort_by(|a, b| b.received.cmp(&a.received).then_with(|| a.delivery.cmp(&b.delivery)));
    let shown = all.iter().skip(from).take(limit).map(|d| view(d, false)).collect::<Result<_, _>>()?;
    Ok((shown, all.len() > from.saturating_add(limit)))
}

/// What is told of one delivery, refused or not.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn show(site: &Site, id: &str) -> Result<DeliveryView, Trouble> {
    let named = DeliveryId::new(id)?;
    if let Some(delivery) = site.book.delivery(&named)? {
        return view(&delivery, true);
    }
    if let Some(refused) = refused::find(site, id) {
        return Ok(refused_view(refused, true));
    }
    Err(Trouble::absent(
        format!("there is no delivery {id}{}", ledger::withdrawn(site, &Subject::Delivery(named))?),
        "List them with `touchmark delivery list`.",
    ))
}
