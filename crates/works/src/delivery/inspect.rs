//! Receiving inspection: every certificate by every rule, matched to the chips
//! of a reel, before anything is stored.
//!
//! Pure but for the file it opens: what the site holds already comes in as an
//! [`Expectation`]. What may be kept is in [`Inspection::accepted`]; whether it
//! is kept is the caller's to decide.

use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::Arc;

use rayon::prelude::*;
use standard::certificate::{Certificate, Profile};
use standard::detect::{DetectError, Item, detect};
use standard::ids::{ProductId, VendorId};
use standard::verdict::catalogue::chain::TEST_IDENTITY;
use standard::verdict::catalogue::intake::{
    DELIVERY_AUTHORITY, DELIVERY_DOUBLE, DELIVERY_FORMAT, DELIVERY_GAP, DELIVERY_KEY_REUSE, DELIVERY_PASSWORD,
    DELIVERY_PATH, DELIVERY_PRODUCT, DELIVERY_SERIAL, DELIVERY_SIZE, DELIVERY_STRANGER,
};
use standard::verdict::{Context, Finding, Pool, Severity};
use zeroize::Zeroizing;

use crate::course::{Course, Phase};
use crate::intake::{self, IntakeError, Limits};
use crate::revocation::Known as Revoked;
use crate::trouble::Trouble;

/// Subjects named in a finding that many share.
const NAMED: usize = 5;

/// What the site says of a key or serial number that a delivery brings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Known {
    /// The issuer has used this serial number in another credential here.
    Serial {
        /// The delivery that brought it.
        delivery: String,
    },
    /// The key has a credential already.
    Key {
        /// Its serial number in hex.
        serial: String,
    },
}

/// What a delivery should hold.
pub struct Expectation<'a> {
    /// Chips of the reel: chip id by public point.
    pub chips: &'a HashMap<[u8; 65], String>,
    /// Chips of the reel that have a credential from an earlier delivery.
    pub served: &'a HashSet<String>,
    /// Vendor ID that the DACs carry.
    pub vendor: VendorId,
    /// Product ID that the DACs carry.
    pub product: ProductId,
    /// Whether the product is for sale rather than for testing.
    pub production: bool,
    /// PAAs trusted here, and whether each was adopted for production.
    pub anchors: &'a [(Arc<Certificate>, bool)],
    /// PAIs known here.
    pub pais: &'a [Arc<Certificate>],
    /// What the site knows to be revoked.
    pub revoked: &'a Revoked,
    /// What the site holds already of this certificate's key or serial number.
    pub known: &'a (dyn Fn(&Certificate) -> Option<Known> + Sync),
}

/// A finding on a delivery, once for all that share it.
#[derive(Debug, Clone)]
pub struct DeliveryFinding {
    /// The entry, or the first few of them.
    pub subject: String,
    /// The chip, where one is meant.
    pub chip_id: Option<String>,
    /// How many share it.
    pub count: usize,
    /// The finding.
    pub finding: Finding,
}

/// A DAC that may be kept, and whose it is.
#[derive(Debug, Clone)]
pub struct Accepted {
    /// The chip.
    pub chip_id: String,
    /// The certificate.
    pub dac: Certificate,
    /// Index in [`Inspection::pais`].
    pub pai: usize,
}

/// What the inspection found.
#[derive(Debug, Default)]
pub struct Inspection {
    /// DACs read.
    pub read: usize,
    /// DACs that may be kept, in the reel's matching.
    pub accepted: Vec<Accepted>,
    /// PAIs above the accepted ones.
    pub pais: Vec<Arc<Certificate>>,
    /// Chips on the reel.
    pub on_reel: usize,
    /// Chips that would be left without a credential, in order.
    pub without: Vec<String>,
    /// What is wrong or worth knowing.
    pub findings: Vec<DeliveryFinding>,
}

impl Inspection {
    /// Whether it may be stored whole.
    pub fn is_clean(&self) -> bool {
        self.findings.iter().all(|f| f.finding.severity != Severity::Error)
    }
}

/// One certificate as it came.
struct Arrived {
    name: String,
    certificate: Certificate,
}

/// Opens and inspects a delivery.
///
/// # Errors
///
/// [`Trouble`] where it can't be read at all, or was stopped; what can be judged
/// (an entry's name, sizes, a password) becomes a finding.
pub fn inspect(
    path: &Path,
    password: Option<&Zeroizing<Vec<u8>>>,
    expectation: &Expectation<'_>,
    course: &Course,
) -> Result<Inspection, Trouble> {
    course.phase(Phase::Reading, None);
    let mut inspection = Inspection { on_reel: expectation.chips.len(), ..Inspection::default() };
    let mut dacs = Vec::new();
    let mut authorities = Vec::new();
    let opened = intake::open(path, Limits::default(), password, &mut |entry| {
        match detect(&entry.octets) {
            Ok(items) => {
                let several = items.len() > 1;
                for (index, item) in items.into_iter().enumerate() {
                    let name = if several { format!("{}#{}", entry.name, index + 1) } else { entry.name.clone() };
                    sort(name, item, &mut dacs, &mut authorities, &mut inspection);
                }
            }
            // Notes, digests and the like.
            Err(DetectError::Unknown | DetectError::Empty) => {}
            Err(DetectError::Broken("JSON" | "a factory record", _)) => {}
            Err(why) => inspection.tell(&entry.name, None, Finding::new(&DELIVERY_FORMAT, why.to_string())),
        }
        course.advance(1);
        course.go_on().map_err(IntakeError::from)
    });
    if let Err(error) = opened {
        let rule = match error.rule() {
            Some("path") => &DELIVERY_PATH,
            Some("size") => &DELIVERY_SIZE,
            Some(_) => &DELIVERY_PASSWORD,
            None => return Err(error.into()),
        };
        // Whatever was read before it is not looked at.
        let mut refused = Inspection { on_reel: expectation.chips.len(), ..Inspection::default() };
        refused.tell("delivery", None, Finding::new(rule, error.to_string()));
        return Ok(refused);
    }
    judge(dacs, authorities, expectation, course, &mut inspection);
    course.go_on()?;
    Ok(inspection)
}

fn sort(
    name: String,
    item: Item,
    dacs: &mut Vec<Arrived>,
    authorities: &mut Vec<Arrived>,
    inspection: &mut Inspection,
) {
    match item {
        Item::Certificate(certificate) => {
            let usage = certificate.key_usage();
            let ca = certificate.basic_constraints().is_some_and(|b| b.ca)
                || usage.is_some_and(|u| u.has(standard::certificate::KeyUsage::KEY_CERT_SIGN))
                    && certificate.subject.identity.products.is_empty();
            let constrained = certificate.basic_constraints().is_some_and(|b| b.ca);
            if ca && (constrained || certificate.subject.identity.product().is_none()) {
                authorities.push(Arrived { name, certificate });
            } else {
                dacs.push(Arrived { name, certificate });
            }
        }
        Item::BrokenCertificate(_, why) => {
            if let Some(rule) = standard::verdict::rule("dac.encoding") {
                inspection.read += 1;
                inspection.tell(&name, None, Finding::new(rule, why.to_string()));
            }
        }
        // Lists, requests and declarations may lie beside; they are received elsewhere.
        _ => {}
    }
}

fn judge(
    dacs: Vec<Arrived>,
    authorities: Vec<Arrived>,
    expectation: &Expectation<'_>,
    course: &Course,
    inspection: &mut Inspection,
) {
    course.phase(Phase::Judging, u64::try_from(dacs.len()).ok());
    inspection.read += dacs.len();
    if dacs.is_empty() && inspection.findings.is_empty() {
        inspection.tell("delivery", None, Finding::new(&DELIVERY_FORMAT, "no DAC in it"));
    }
    let anchor = |c: &Certificate| expectation.anchors.iter().any(|(a, _)| a.der() == c.der());
    let mut members: Vec<(Arc<Certificate>, Profile, bool)> =
        expectation.anchors.iter().map(|(c, _)| (Arc::clone(c), Profile::Paa, true)).collect();
    let mut names: Vec<String> = members.iter().map(|_| "site".to_owned()).collect();
    for pai in expectation.pais {
        members.push((Arc::clone(pai), Profile::Pai, false));
        names.push("site".into());
    }
    for Arrived { name, certificate } in authorities {
        // A copy of a trusted PAA, or a PAI that is known, adds nothing.
        if anchor(&certificate) || members.iter().any(|(m, ..)| m.der() == certificate.der()) {
            continue;
        }
        let root = certificate.is_self_issued()
            || certificate.authority_key_id().is_some()
                && certificate.authority_key_id() == certificate.subject_key_id();
        members.push((Arc::new(certificate), if root { Profile::Paa } else { Profile::Pai }, false));
        names.push(name);
    }
    let pool = Pool::new(members);
    let context = Context { trust_given: true, revoked: expectation.revoked.against(&pool), ..Context::default() };
    let judged: Vec<_> = dacs
        .par_iter()
        .map(|arrived| {
            if course.go_on().is_err() {
                return standard::verdict::Judged { findings: Vec::new(), chain: Vec::new(), anchored: false };
            }
            let mut judged = pool.judge_dac(&arrived.certificate, &context);
            against_product(&arrived.certificate, expectation, &mut judged.findings);
            course.advance(1);
            judged
        })
        .collect();

    // Authorities that a DAC here stands under, once each.
    let mut above: Vec<usize> = judged.iter().flat_map(|j| j.chain.iter().copied()).collect();
    above.sort_unstable();
    above.dedup();
    let mut faulty: HashSet<usize> = HashSet::new();
    for index in above {
        let findings = pool.judge_authority(index, &context).findings;
        let authority = &pool.authorities()[index];
        let known_here = expectation.anchors.iter().find(|(a, _)| a.der() == authority.certificate.der());
        for finding in findings {
            if finding.severity == Severity::Error {
                faulty.insert(index);
            }
            // What the site itself holds was judged when it was adopted; its notes are not news.
            if known_here.is_none() || finding.severity == Severity::Error {
                inspection.tell(&names[index], None, finding);
            }
        }
        if authority.trusted
            && expectation.production
            && !expectation
                .anchors
                .iter()
                .any(|(a, production)| *production && a.subject_der() == authority.certificate.subject_der())
        {
            faulty.insert(index);
            let title = authority.certificate.subject.display(authority.certificate.der());
            inspection.tell(
                &names[index],
                None,
                Finding::new(&DELIVERY_AUTHORITY, format!("{title}, adopted for testing")),
            );
        }
    }
    matching(dacs, judged, &pool, &faulty, expectation, inspection);
    inspection.group();
}

/// The DAC against the product it is for.
fn against_product(dac: &Certificate, expectation: &Expectation<'_>, findings: &mut Vec<Finding>) {
    let identity = &dac.subject.identity;
    let (vendor, product) = (identity.vendor(), identity.product());
    if let (Some(vendor), Some(product)) = (vendor, product)
        && (vendor != expectation.vendor || product != expectation.product)
    {
        let required = format!("{} {}, the product's.", expectation.vendor, expectation.product);
        findings.push(Finding::new(&DELIVERY_PRODUCT, format!("{vendor} {product}")).requiring(required));
    }
    if expectation.production {
        for finding in findings.iter_mut().filter(|f| std::ptr::eq(f.rule, &TEST_IDENTITY)) {
            finding.severity = Severity::Error;
        }
    }
}

fn matching(
    dacs: Vec<Arrived>,
    judged: Vec<standard::verdict::Judged>,
    pool: &Pool,
    faulty: &HashSet<usize>,
    expectation: &Expectation<'_>,
    inspection: &mut Inspection,
) {
    let mut by_chip: HashMap<&str, Vec<usize>> = HashMap::new();
    let mut by_serial: HashMap<(&[u8], &[u8]), Vec<usize>> = HashMap::new();
    let mut keep = vec![true; dacs.len()];
    let mut chip_of: Vec<Option<&str>> = Vec::with_capacity(dacs.len());
    for (index, arrived) in dacs.iter().enumerate() {
        let c = &arrived.certificate;
        let chip = c.public_key().and_then(|key| expectation.chips.get(key.point())).map(String::as_str);
        chip_of.push(chip);
        by_serial.entry((c.issuer_der(), c.serial())).or_default().push(index);
        match chip {
            Some(chip) => by_chip.entry(chip).or_default().push(index),
            None if c.public_key().is_some() => {
                keep[index] = false;
                let found = format!(
                    "serial {}, for the key {}",
                    c.serial_hex(),
                    c.public_key().map(|k| hex::encode(k.key_id())).unwrap_or_default()
                );
                inspection.tell(&arrived.name, None, Finding::new(&DELIVERY_STRANGER, found));
            }
            None => keep[index] = false,
        }
        if let Some(known) = (expectation.known)(c) {
            keep[index] = false;
            let finding = match known {
                Known::Serial { delivery } => Finding::new(
                    &DELIVERY_SERIAL,
                    format!("serial {}, which came with delivery {delivery} already", c.serial_hex()),
                ),
                Known::Key { serial } => Finding::new(
                    &DELIVERY_KEY_REUSE,
                    format!("serial {}, beside serial {serial} here already", c.serial_hex()),
                ),
            };
            inspection.tell(&arrived.name, chip, finding);
        }
        let errors = judged[index].findings.iter().any(|f| f.severity == Severity::Error);
        let under_fault = judged[index].chain.iter().any(|above| faulty.contains(above));
        if errors || under_fault || !judged[index].anchored {
            keep[index] = false;
        }
    }
    let mut doubles: Vec<_> = by_chip.iter().filter(|(_, list)| list.len() > 1).collect();
    doubles.sort_unstable();
    for (chip, list) in doubles {
        let serials: Vec<_> = list.iter().map(|i| dacs[*i].certificate.serial_hex()).collect();
        for index in list {
            keep[*index] = false;
        }
        let found = format!("{} DACs, serials {}", list.len(), serials.join(" and "));
        let entries: Vec<_> = list.iter().map(|i| dacs[*i].name.as_str()).collect();
        inspection.tell(
            &entries.join(", "),
            Some(chip),
            Finding::new(&DELIVERY_DOUBLE, format!("chip {chip}: {found}")),
        );
    }
    let mut repeats: Vec<_> = by_serial.values().filter(|list| list.len() > 1).collect();
    repeats.sort_unstable();
    for list in repeats {
        for index in list {
            keep[*index] = false;
        }
        let c = &dacs[list[0]].certificate;
        let chips: Vec<_> = list.iter().filter_map(|i| chip_of[*i]).collect();
        let entries: Vec<_> = list.iter().map(|i| dacs[*i].name.as_str()).collect();
        let found = format!("serial {} on {} DACs, for chips {}", c.serial_hex(), list.len(), chips.join(" and "));
        inspection.tell(&entries.join(", "), None, Finding::new(&DELIVERY_SERIAL, found));
    }
    for (index, judged) in judged.iter().enumerate() {
        for finding in &judged.findings {
            inspection.tell(&dacs[index].name, chip_of[index], finding.clone());
        }
    }

    let matched: HashSet<&str> =
        chip_of.iter().zip(&keep).filter(|(_, keep)| **keep).filter_map(|(chip, _)| *chip).collect();
    let mut without: Vec<String> = expectation
        .chips
        .values()
        .filter(|chip| !matched.contains(chip.as_str()) && !expectation.served.contains(*chip))
        .cloned()
        .collect();
    without.sort_unstable();
    let none_came: Vec<&String> = without.iter().filter(|chip| !by_chip.contains_key(chip.as_str())).collect();
    // Where nothing could be read at all, that is the trouble, and not each chip's.
    if !none_came.is_empty() && !by_chip.is_empty() {
        let finding = Finding::new(
            &DELIVERY_GAP,
            format!("{} of {} chips have none: {}", none_came.len(), expectation.chips.len(), list(&none_came)),
        );
        inspection.tell("delivery", if none_came.len() == 1 { Some(none_came[0]) } else { None }, finding);
    }
    inspection.without = without;

    let mut pais: Vec<usize> = Vec::new();
    for (index, arrived) in dacs.into_iter().enumerate() {
        let (true, Some(chip)) = (keep[index], chip_of[index]) else { continue };
        let Some(pai) = judged[index].chain.first().copied() else { continue };
        let place = pais.iter().position(|p| *p == pai).unwrap_or_else(|| {
            pais.push(pai);
            pais.len() - 1
        });
        inspection.accepted.push(Accepted { chip_id: chip.to_owned(), dac: arrived.certificate, pai: place });
    }
    inspection.pais = pais.into_iter().map(|p| Arc::clone(&pool.authorities()[p].certificate)).collect();
}

fn list(chips: &[&String]) -> String {
    const SHOWN: usize = 20;
    let mut words: Vec<&str> = chips.iter().take(SHOWN).map(|c| c.as_str()).collect();
    let more = format!("{} more", chips.len().saturating_sub(SHOWN));
    if chips.len() > SHOWN {
        words.push(&more);
    }
    words.join(", ")
}

impl Inspection {
    fn tell(&mut self, subject: &str, chip_id: Option<&str>, finding: Finding) {
        self.findings.push(DeliveryFinding {
            subject: subject.to_owned(),
            chip_id: chip_id.map(str::to_owned),
            count: 1,
            finding,
        });
    }

    /// What many share is said once, with a count and the first few; errors first, in the catalogue's order.
    fn group(&mut self) {
        let ranks: HashMap<&str, usize> =
            standard::verdict::all_rules().iter().enumerate().map(|(i, r)| (r.name, i)).collect();
        let mut groups: Vec<DeliveryFinding> = Vec::new();
        let mut at: HashMap<(&'static str, Severity, String, String), usize> = HashMap::new();
        for one in self.findings.drain(..) {
            let f = &one.finding;
            let key = (f.rule.name, f.severity, f.required.to_string(), f.found.clone());
            match at.get(&key) {
                Some(index) => {
                    let group = &mut groups[*index];
                    group.count += one.count;
                    group.chip_id = None;
                    if group.count <= NAMED {
                        group.subject = format!("{}, {}", group.subject, one.subject);
                    }
                }
                None => {
                    at.insert(key, groups.len());
                    groups.push(one);
                }
            }
        }
        for group in &mut groups {
            if group.count > NAMED {
                group.subject = format!("{} and {} more", group.subject, group.count - NAMED);
            }
        }
        groups.sort_by_key(|g| (g.finding.severity, ranks.get(g.finding.rule.name).copied().unwrap_or(usize::MAX)));
        self.findings = groups;
    }
}
