//! What becomes of an order's answer at the product's line: the part's memory, a station, the trust sets.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use base::advice::Advise;
use base::finding_view::{FindingView, InspectionFinding};
use base::sentence::sentence;
use base::trouble::Trouble;
use book::Product;
use chip::simulated::{Bench, Keys, Part as SimulatedPart, Recipe, Timing, any_seed, make};
use chip::{Chip, ObjectName, OpenOptions, Source};
use decide::fit::needs::{self, Needs, longest_record};
use decide::fit::{Request, fit};
use decide::part::{LockModel, Part};
use line::station::{Clock, Exchange, Identity, Judge, Load, judge_all, judge_by, prove, work};
use site::revoked::Known;
use site::trust::{Set, SetVerdict};
use site::{Site, declaration, product, trust};
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::verdict::catalogue::intake::{ORDER_NOT_TRIED, ORDER_PART, ORDER_STATION};
use standard::verdict::{Device, Finding, Severity};
use time::OffsetDateTime;

use super::stand_in::Chain;
use super::{Said, TryOrder};
use crate::own::{content, samples};

/// Seconds of a commissioning, which a fit asks for and a trial does not use.
const COMMISSIONING_S: f64 = 12.0;
/// Octets of the longest P-256 signature in DER.
const LONGEST_SIGNATURE: usize = 72;

/// The part that the trial takes: the one named, else the product's.
///
/// # Errors
///
/// [`Trouble`] where its file can't be read.
pub(super) fn part(site: &Site, product: &Product, named: Option<&Path>) -> Result<Option<Part>, Trouble> {
    let of_product = || -> Result<Option<PathBuf>, Trouble> {
        Ok(product::kept(product)?.part.map(|part| {
            let there = site.dir.join(&part);
            if there.exists() { there } else { part }
        }))
    };
    match named {
        Some(path) => Part::named(path).map(Some),
        None => of_product()?.map(|path| Part::named(&path)).transpose(),
    }
}

/// Octets of a certificate with the longest signature that it may get.
pub(super) fn longest(der: &[u8]) -> usize {
    Certificate::read(der).map_or(der.len(), |c| der.len() + LONGEST_SIGNATURE.saturating_sub(c.signature().len()))
}

/// Whether the part has room for what a station writes.
///
/// - `lengths`: of the longest DAC and of the PAI.
pub(super) fn memory(
    site: &Site,
    product: &Product,
    part: &Part,
    lengths: (usize, usize),
    said: &mut Said,
) -> Result<(), Trouble> {
    let mut needs: Needs = match needs::of_product(site, product.facts.name.as_str()) {
        Ok(needs) => needs,
        Err(trouble) => {
            said.add("part", of_trouble(&trouble));
            return Ok(());
        }
    };
    for (name, octets) in [("dac", lengths.0), ("pai", lengths.1)] {
        for need in needs.objects.iter_mut().filter(|need| need.name == name) {
            need.octets = octets as u64;
        }
    }
    let parts = vec![part.clone()];
    let told = fit(&Request { parts, needs, threats: Vec::new(), commissioning_s: COMMISSIONING_S })?;
    for judged in told.parts.iter().filter(|judged| !judged.fits) {
        for check in judged.checks.iter().filter(|check| !matches!(check.verdict, "fits" | "warning")) {
            let mut finding = Finding::new(&ORDER_PART, format!("{}: {}", check.what, check.found))
                .requiring(format!("{}: {}.", check.what, check.required));
            if let Some(advice) = &check.advice {
                finding = finding.advising(advice.clone());
            }
            said.add(format!("part {}", judged.name), finding);
        }
    }
    Ok(())
}

/// What can still be corrected while the authority works, such as a file of the product that is missing.
fn of_trouble(trouble: &Trouble) -> Finding {
    let finding = Finding::new(&ORDER_STATION, trouble.to_string()).weighing(Severity::Warning);
    match trouble.advice() {
        Some(advice) => finding.advising(advice.to_string()),
        None => finding,
    }
}

/// A simulated chip of the part, large where none is known.
fn bench(part: Option<&Part>) -> Bench {
    let most = Bench::MOST_ROOM;
    let narrow = |octets: u64| usize::try_from(octets).map_or(most, |octets| octets.min(most));
    match part {
        None => Bench {
            part: SimulatedPart { room: most, object_limit: most, ..SimulatedPart::default() },
            ..Bench::default()
        },
        Some(part) => Bench {
            part: SimulatedPart {
                name: part.part.name.clone(),
                room: narrow(part.room.octets),
                object_limit: narrow(part.room.object_octets),
                can_lock: part.lock.model != LockModel::None,
                ..SimulatedPart::default()
            },
            timing: Timing { page_octets: part.room.page_octets.max(1), ..Timing::default() },
            ..Bench::default()
        },
    }
}

/// Puts one simulated chip on a station, and holds what it answers against the trust sets.
///
/// - `folder`: an empty directory for the chip.
pub(super) fn station(
    site: &Site,
    product: &Product,
    chain: &Chain,
    identity: (VendorId, ProductId),
    (part, folder): (Option<&Part>, &Path),
    (request, now): (&TryOrder<'_>, OffsetDateTime),
    said: &mut Said,
) -> Result<Vec<SetVerdict>, Trouble> {
    let facts = &product.facts;
    let Some(ready) = declaration::for_product(site, facts.vendor_id, facts.product_id, facts.purpose)? else {
        let found = format!(
            "the station and the trust sets: no declaration here names {:04X} {:04X}",
            facts.vendor_id, facts.product_id
        );
        said.add("order", Finding::new(&ORDER_NOT_TRIED, found));
        return Ok(Vec::new());
    };
    let surroundings = |e: &dyn std::fmt::Display| {
        Trouble::surroundings(format!("no simulated chip can be made: {e}"), "Check the disk with temporary files.")
    };
    let recipe =
        Recipe { keys: Keys::Drawn(1), seed: any_seed(), faults: line::chips::FaultLevel::None, bench: bench(part) };
    let chip = make(folder, &recipe).map_err(|e| surroundings(&e))?.pop().ok_or_else(|| surroundings(&"none came"))?;
    let mut source = Source::Simulated(folder.to_owned()).open(OpenOptions::default())?;
    let dac = chain.dac_for(chip.id.as_str(), &chip.public_key, identity, super::moment(now))?;
    let objects = match objects(site, product, [&dac, chain.pai.der(), ready.signed.der()]) {
        Ok(objects) => objects,
        Err(trouble) => {
            said.add("station", of_trouble(&trouble));
            return Ok(Vec::new());
        }
    };
    let odd = |_| Trouble::surroundings("the product has impossible identifiers", "Run `touchmark book verify`.");
    let device = Device {
        vendor: Some(VendorId::new(facts.vendor_id).map_err(odd)?),
        product: Some(ProductId::new(facts.product_id).map_err(odd)?),
        by_declaration: true,
    };
    let judge = Judge {
        anchors: vec![Arc::clone(&chain.paa)],
        signer: ready.signer.clone(),
        device,
        revoked: Known::default(),
        sets: Vec::new(),
    };
    let load = Load {
        objects,
        dac: dac.clone(),
        pai: chain.pai.der().to_vec(),
        declaration: ready.signed.clone(),
        lock: product::kept(product)?.lock,
        identity: Identity::Fresh,
    };
    let mut clock = Clock::new(&|_| {});
    let done = work(&mut || source.open(&chip.id), (&chip.id, &chip.public_key), &load, &judge, &mut clock, now);
    // Why a verifier refuses is said by its rules, below.
    if let Err(failure) = done.as_ref()
        && failure.cause != "rejected"
    {
        let found = format!("{}: {}", failure.cause, failure.detail);
        said.add("station", Finding::new(&ORDER_STATION, found).advising(failure.advice.clone()));
    }
    let exchange = exchange(source.open(&chip.id)?.as_mut(), &load)?;
    let dac = Certificate::read(&dac).map_err(|e| surroundings(&e))?;
    let (findings, _) = judge_all(&dac, Some(chain.pai.as_ref().clone()), &load.declaration, &exchange, &judge);
    let fresh: Vec<_> = findings.into_iter().filter(|f| !said.has(f)).collect();
    fresh.into_iter().for_each(|finding| said.add("station", finding));
    let mut verdicts = Vec::new();
    for set in sets(site, product, request)? {
        let set = with_stand_in(set, chain);
        let verdict = judge_by(&set, (&dac, Some(&chain.pai)), &load.declaration, &exchange, &judge);
        let subject = format!("trust set {}", verdict.trust_set);
        said.findings.extend(verdict.because.iter().map(|because| InspectionFinding {
            finding: FindingView { subject: subject.clone(), ..because.clone() },
            chip_id: None,
            count: 1,
        }));
        verdicts.push(verdict);
    }
    Ok(verdicts)
}

fn exchange(chip: &mut dyn Chip, load: &Load) -> Result<Exchange, Trouble> {
    prove(chip, &load.declaration)
        .map_err(|failure| Trouble::surroundings(sentence(&failure.detail), failure.advice.clone()))
}

fn sets(site: &Site, product: &Product, request: &TryOrder<'_>) -> Result<Vec<Set>, Trouble> {
    if request.trust_sets.is_empty() {
        trust::of_product(site, &product.facts.name)
    } else {
        trust::sets(site, request.trust_sets)
    }
}

/// The set as it would be if its root had the stand-in's key; where the root is not known, it is not held against it.
fn with_stand_in(mut set: Set, chain: &Chain) -> Set {
    match &chain.root {
        Some(real) => {
            let same =
                |own: &Certificate| own.subject_der() == real.subject_der() && own.public_key() == real.public_key();
            for own in set.authorities.iter_mut().filter(|own| same(own)) {
                *own = Arc::clone(&chain.paa);
            }
        }
        None => set.authorities.push(Arc::clone(&chain.paa)),
    }
    set
}

/// What a station writes: certificates and declaration, the longest factory record, the product's further objects.
fn objects(
    site: &Site,
    product: &Product,
    [dac, pai, declaration]: [&[u8]; 3],
) -> Result<Vec<(ObjectName, Vec<u8>)>, Trouble> {
    let kept = product::kept_for_line(product)?;
    let mut objects = vec![
        (ObjectName::DAC, dac.to_vec()),
        (ObjectName::PAI, pai.to_vec()),
        (ObjectName::DECLARATION, declaration.to_vec()),
    ];
    if kept.factory_record {
        let record = longest_record(kept.vendor_name.as_deref(), Some(&kept.product_name))?;
        objects.push((ObjectName::FACTORY_RECORD, record));
    }
    for object in product::further(product)? {
        let octets = match (&object.file, &object.per_unit) {
            (Some(file), _) => Some(content(&site.dir.join(file))?),
            (None, folder) => samples(&site.dir.join(folder.as_deref().unwrap_or(Path::new("."))))?.pop(),
        };
        let name = ObjectName::new(&object.name)
            .map_err(|e| Trouble::usage(e.to_string(), "Correct the product's objects."))?;
        // Files of single units may come with the reel, after the order.
        if let Some(octets) = octets {
            objects.push((name, octets));
        }
    }
    Ok(objects)
}
