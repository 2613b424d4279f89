//! An order tried before it is sent: its answer, issued under keys that nobody keeps, goes through all that a real one
//! would go through.
//!
//! The order is read and held against the book ([`receive::order::asked`]). The authority's own certificates, with other
//! keys in them, issue what it asks (`stand_in`); that is inspected as a delivery would be. What came of it is held
//! against the part's memory, written to a simulated chip by a station, and judged by the product's trust sets
//! (`station`). Nothing is stored: the site is only read.

mod stand_in;
mod station;

use std::borrow::Cow;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use base::course::{Course, Phase};
use base::finding_view::{InspectionFinding, Severity};
use base::findings::SharedFinding;
use base::trouble::Trouble;
use book::{Product, Purpose, Reel};
use decide::part::Part;
use receive::delivery::chips::Chips;
use receive::delivery::inspect::{Expectation, inspect};
use receive::delivery::{dac_identity, exposed};
use receive::order::{Asked, Draft, Row, Written, asked};
use serde::Serialize;
use site::revoked::Known;
use site::trust::SetVerdict;
use site::{Site, Who, declaration};
use standard::ids::{ProductId, VendorId};
use standard::moment::Moment;
use standard::pem;
use standard::verdict::Finding;
use standard::verdict::catalogue::declaration::AUTHORITY as PERMITTED;
use standard::verdict::catalogue::intake::DELIVERY_PRODUCT;
use tempfile::NamedTempFile;
use time::OffsetDateTime;
use utoipa::ToSchema;

use self::stand_in::Chain;

/// Certificates that are issued at most. Those of one order differ in key, serial number and the last digits of a name;
/// keys and doubles are looked at in all lines.
const ISSUED: usize = 256;

/// Where the answer lies in a trial's folder.
const DELIVERY: &str = "delivery";

/// Errors that a refusal names.
const SHOWN: usize = 3;

/// How to try an order.
#[derive(Debug, Clone, Copy, Default)]
pub struct TryOrder<'a> {
    /// Part file, or a part that comes with the program; the product's where none is given.
    pub part: Option<&'a Path>,
    /// The intermediate that will issue; the only one for the product's identity where none is given.
    pub issuer: Option<&'a str>,
    /// Trust sets that must accept; the product's where none is given.
    pub trust_sets: &'a [String],
}

book::words! {
    /// What an order's answer would come to.
    TrialVerdict {
        /// It would be received, fit, be proven and be accepted.
        Accepted = "accepted",
        /// It would be refused, or no unit could be made with it.
        Rejected = "rejected",
    }
}

/// What came of a trial.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = TriedOrder)]
pub struct Tried {
    /// Whether the answer to the order would be accepted everywhere.
    pub verdict: TrialVerdict,
    /// The order's file.
    pub order: String,
    /// The reel of its chips.
    pub reel: Option<String>,
    /// Their product.
    pub product: Option<String>,
    /// The intermediate whose answer was rehearsed; none where a made-up one answered.
    pub issuer: Option<String>,
    /// The part whose memory was tried.
    pub part: Option<String>,
    /// Certificates that the order asks for.
    pub chips: u64,
    /// Certificates that were issued and inspected, of these.
    pub issued: u64,
    /// Bytes of the longest DAC.
    pub dac_bytes: Option<usize>,
    /// Bytes of the PAI.
    pub pai_bytes: Option<usize>,
    /// What each trust set said.
    pub trust_sets: Vec<SetVerdict>,
    /// When it was tried.
    pub tried: String,
    /// What is wrong or worth knowing.
    pub findings: Vec<InspectionFinding>,
}

impl Tried {
    /// Whether the order may be sent.
    pub fn is_accepted(&self) -> bool {
        self.verdict == TrialVerdict::Accepted
    }

    /// Why its answer would be refused, in one sentence; with what to do about the first of it.
    pub fn refusal(&self) -> Trouble {
        let mut errors = self.findings.iter().filter(|f| f.finding.severity == Severity::Error).map(|f| &f.finding);
        let advice = errors.clone().next().map_or_else(String::new, |first| first.advice.to_string());
        let mut why: Vec<String> = errors.by_ref().take(SHOWN).map(|f| format!("{}: {}", f.rule, f.found)).collect();
        match errors.count() {
            0 => {}
            more => why.push(format!("{more} more")),
        }
        Trouble::refused(
            format!("the answer to this order would be refused: {}", why.join("; ")),
            format!("{advice} Nothing was written."),
        )
    }
}

/// Findings so far.
#[derive(Default)]
struct Said {
    findings: Vec<InspectionFinding>,
}

impl Said {
    fn add(&mut self, subject: impl Into<String>, finding: Finding) {
        self.share(&SharedFinding { subject: subject.into(), chip_id: None, count: 1, finding });
    }

    /// Notes are left out: nobody has to act on them before an order is sent, and some are of the stand-ins' keys.
    fn share(&mut self, shared: &SharedFinding) {
        if shared.finding.severity != standard::verdict::Severity::Note {
            self.findings.push(shared.into());
        }
    }

    /// Whether the same was found before, of another subject.
    fn has(&self, finding: &Finding) -> bool {
        self.findings.iter().any(|said| said.finding.rule == finding.rule.name)
    }
}

fn moment(time: OffsetDateTime) -> Moment {
    Moment::from_unix(time.unix_timestamp())
}

/// Tries an order.
///
/// - `course`: it can be stopped at any moment; nothing is kept either way.
///
/// # Errors
///
/// [`Trouble`] where the file is no order, or an intermediate, part or trust set that was named does not exist.
pub fn try_order(
    site: &Site,
    path: &Path,
    request: &TryOrder<'_>,
    who: &Who,
    course: &Course,
) -> Result<Tried, Trouble> {
    let asked = asked(site, path, course)?;
    let now = who.now();
    let mut said = Said::default();
    asked.findings.iter().for_each(|finding| said.share(finding));
    let mut tried = Tried {
        verdict: TrialVerdict::Rejected,
        order: path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
        reel: asked.reel.as_ref().map(|reel| reel.facts.reel.to_string()),
        product: asked.product.as_ref().map(|product| product.facts.name.to_string()),
        issuer: None,
        part: None,
        chips: asked.read,
        issued: 0,
        dac_bytes: None,
        pai_bytes: None,
        trust_sets: Vec::new(),
        tried: now.to_string(),
        findings: Vec::new(),
    };
    if let (Some(reel), Some(product)) = (&asked.reel, &asked.product) {
        let part = station::part(site, product, request.part)?;
        let (chain, unknown) = Chain::of(site, product, dac_identity(site, product)?, request.issuer, now)?;
        unknown.into_iter().for_each(|(subject, finding)| said.add(subject, finding));
        answered(
            site,
            (reel, product, part.as_ref()),
            (&chain, &asked),
            request,
            now,
            course,
            (&mut tried, &mut said),
        )?;
        tried.issuer = chain.issuer.map(|name| name.to_string());
        tried.part = part.map(|part| part.part.name);
    }
    tried.findings = said.findings;
    if tried.findings.iter().all(|f| f.finding.severity != Severity::Error) {
        tried.verdict = TrialVerdict::Accepted;
    }
    Ok(tried)
}

/// Issues, and has all look at it that an answer comes before.
fn answered(
    site: &Site,
    (reel, product, part): (&Reel, &Product, Option<&Part>),
    (chain, asked): (&Chain, &Asked),
    request: &TryOrder<'_>,
    now: Moment,
    course: &Course,
    (tried, said): (&mut Tried, &mut Said),
) -> Result<(), Trouble> {
    let folder = tempfile::tempdir().map_err(|e| {
        Trouble::surroundings(format!("no temporary directory: {e}"), "Check the disk with temporary files.")
    })?;
    let known: Vec<&Row> = asked.rows.iter().filter(|row| row.place.is_some()).collect();
    let rows: Vec<&Row> = known.iter().step_by(known.len().div_ceil(ISSUED).max(1)).copied().collect();
    course.phase(Phase::Issuing, u64::try_from(rows.len()).ok());
    let longest = issue(chain, &rows, folder.path(), now, course)?;
    tried.issued = rows.len() as u64;
    if let Some(longest) = longest {
        tried.dac_bytes = Some(longest);
        inspected(site, (reel, product), chain, &rows, folder.path(), now, course, said)?;
    }
    let pai = station::longest(chain.pai.der());
    tried.pai_bytes = Some(pai);
    if let Some(real) = &chain.real
        && let Some(not) = declaration::not_permitted(site, product, std::iter::once(real.as_ref()))?
    {
        let found = format!("{} is not among the roots of {}", not.roots.join(", "), not.declaration);
        said.add("order", Finding::new(&PERMITTED, found));
    }
    if let (Some(part), Some(dac)) = (part, longest) {
        station::memory(site, product, part, (dac, pai), said)?;
    }
    // The station's chip is to say what the order asks for, right or wrong.
    let identity = rows.first().map_or(dac_identity(site, product)?, |row| row.identity);
    let at = OffsetDateTime::from_unix_timestamp(now.unix())
        .map_err(|e| Trouble::surroundings(format!("the clock gives an impossible time: {e}"), "Set the clock."))?;
    let chip = folder.path().join("chip");
    tried.trust_sets = station::station(site, product, chain, identity, (part, &chip), (request, at), said)?;
    Ok(())
}

/// The delivery as the authority would send it: octets of the longest DAC.
fn issue(chain: &Chain, rows: &[&Row], folder: &Path, now: Moment, course: &Course) -> Result<Option<usize>, Trouble> {
    let out = folder.join(DELIVERY);
    fs::create_dir_all(&out).map_err(|e| Trouble::file(&out, e))?;
    let put = |name: &str, octets: &[u8]| {
        let path = out.join(name);
        fs::write(&path, octets).map_err(|e| Trouble::file(&path, e))
    };
    put("PAI.pem", pem::encode("CERTIFICATE", chain.pai.der()).as_bytes())?;
    let mut longest = None;
    for row in rows {
        course.go_on()?;
        course.advance(1);
        let der = chain.dac(row, now)?;
        longest = longest.max(Some(station::longest(&der)));
        put(&format!("{}.der", row.chip), &der)?;
    }
    Ok(longest)
}

/// Receiving inspection of the answer.
#[allow(clippy::too_many_arguments, reason = "all that an inspection is held against")]
fn inspected(
    site: &Site,
    (reel, product): (&Reel, &Product),
    chain: &Chain,
    rows: &[&Row],
    folder: &Path,
    now: Moment,
    course: &Course,
    said: &mut Said,
) -> Result<(), Trouble> {
    let chips = Chips::of(rows.iter().filter_map(|row| Some((*row.key.point(), row.place?, false))));
    let ids = |places: &[u32]| {
        let id = |place: &u32| rows.iter().find(|row| row.place == Some(*place)).map(|row| row.chip.clone());
        Ok(places.iter().map(|place| id(place).unwrap_or_default()).collect())
    };
    let (vendor, id): (VendorId, ProductId) = dac_identity(site, product)?;
    let expectation = Expectation {
        chips: &chips,
        chip_ids: &ids,
        vendor,
        product: id,
        production: product.facts.purpose == Purpose::Production,
        anchors: &[(Arc::clone(&chain.paa), chain.production)],
        pais: &[Arc::clone(&chain.pai)],
        // What is revoked is found by the real certificate's key.
        revoked: &Known::default(),
        now,
        known: &|_, _| None,
        exposed: &exposed::before(site, reel, &chips)?,
        elsewhere: &|_| None,
    };
    let inspection = inspect(&folder.join(DELIVERY), None, &expectation, course, &mut |_| {})?;
    // Said of the order already, with what to do about it.
    inspection.findings.iter().filter(|f| f.finding.rule.name != DELIVERY_PRODUCT.name).for_each(|f| said.share(f));
    Ok(())
}

/// An order that was written, and what its trial came to.
#[derive(Debug, Serialize)]
pub struct TriedAndWritten {
    #[serde(flatten)]
    pub order: Written,
    /// The trial's report, beside the order.
    pub trial: String,
    /// Warnings of the trial.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<InspectionFinding>,
}

/// What became of an order that was to be written.
#[derive(Debug)]
pub enum Outcome {
    Written(TriedAndWritten),
    /// Nothing was written.
    Rejected(Tried),
}

/// Tries an order, and puts it in its place with the trial's report beside it where its answer would be accepted.
///
/// # Errors
///
/// As [`try_order`] and [`Draft::settle`]; nothing is written then.
pub fn write(
    site: &Site,
    draft: Draft,
    request: &TryOrder<'_>,
    who: &Who,
    course: &Course,
) -> Result<Outcome, Trouble> {
    let mut tried = try_order(site, draft.path(), request, who, course)?;
    let out = draft.out().to_owned();
    tried.order = out.file_name().map_or(Cow::Borrowed(""), |name| name.to_string_lossy()).into_owned();
    if !tried.is_accepted() {
        return Ok(Outcome::Rejected(tried));
    }
    let mut name = out.clone().into_os_string();
    name.push(".trial.json");
    let report = PathBuf::from(name);
    let dir = out.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let octets = serde_json::to_vec_pretty(&tried)
        .map_err(|e| Trouble::surroundings(format!("the report can't be written: {e}"), "Report this."))?;
    let mut partial = NamedTempFile::new_in(dir).map_err(|e| Trouble::file(dir, e))?;
    partial.write_all(&octets).map_err(|e| Trouble::file(&report, e))?;
    let order = draft.settle(site, who)?;
    partial.persist(&report).map_err(|e| Trouble::file(&report, e.error))?;
    Ok(Outcome::Written(TriedAndWritten { order, trial: report.display().to_string(), findings: tried.findings }))
}
