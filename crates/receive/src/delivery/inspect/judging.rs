//! Judging: each DAC by every rule, with the chain above it, on all cores.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use base::course::{Course, Phase};
use base::findings::{About, Fault, Findings, Subject};
use base::sentence::Names;
use base::trouble::Trouble;
use rayon::prelude::*;
use standard::certificate::{Certificate, Profile};
use standard::ids::{ProductId, VendorId};
use standard::verdict::catalogue::chain::TEST_IDENTITY;
use standard::verdict::catalogue::intake::{
    DELIVERY_AUTHORITY, DELIVERY_FORMAT, DELIVERY_GAP, DELIVERY_INTERMEDIATE, DELIVERY_INTERMEDIATE_AGAIN,
    DELIVERY_KEY_REUSE, DELIVERY_OTHER_REEL, DELIVERY_PRIVATE_KEY, DELIVERY_PRODUCT, DELIVERY_SERIAL,
    DELIVERY_STRANGER,
};
use standard::verdict::{Context, Finding, Pool, Severity};

use super::super::chips::{Chips, Slot};
use super::super::spool::Spool;
use super::checksums::Spoiled;
use super::matching::Matched;
use super::reading::Read;
use super::{
    ELSEWHERE, Expectation, Inspection, Kept, Known, STRANGER, STRETCH, STRETCHES, Stretch, of_authority, stage,
};

/// What findings on the site's own authorities are on.
const SITE: &str = "site";

/// Keeps the first DAC of each delivery.
fn earliest(all: &mut BTreeMap<String, u32>, more: BTreeMap<String, u32>) {
    for (delivery, number) in more {
        all.entry(delivery).and_modify(|first| *first = number.min(*first)).or_insert(number);
    }
}

/// What some cores found.
#[derive(Default)]
struct Part {
    findings: Findings,
    /// Authorities that a DAC here stands under.
    above: BTreeSet<usize>,
    /// Number, slot and PAI in the pool.
    kept: Vec<(u32, Slot, u32)>,
    /// How many are here already, octet for octet.
    same: usize,
    /// The deliveries that brought these, each with the first that it brought.
    same_as: BTreeMap<String, u32>,
    issuers: BTreeSet<Vec<u8>>,
    /// How many are for chips of other reels here.
    elsewhere: BTreeMap<String, usize>,
    /// How many of those for chips of the reel say what vendor and product ID.
    identities: BTreeMap<(VendorId, ProductId), usize>,
}

impl Part {
    fn join(mut self, other: Self) -> Self {
        self.findings.merge(other.findings);
        self.above.extend(other.above);
        self.kept.extend(other.kept);
        self.same += other.same;
        self.issuers.extend(other.issuers);
        earliest(&mut self.same_as, other.same_as);
        for (reel, count) in other.elsewhere {
            *self.elsewhere.entry(reel).or_default() += count;
        }
        for (identity, count) in other.identities {
            *self.identities.entry(identity).or_default() += count;
        }
        self
    }
}

/// The pool of all authorities, with the name of each.
fn pool(authorities: Vec<(String, Arc<Certificate>)>, expectation: &Expectation<'_>) -> (Pool, Vec<String>) {
    let anchor = |c: &Certificate| expectation.anchors.iter().any(|(a, _)| a.der() == c.der());
    let mut members: Vec<(Arc<Certificate>, Profile, bool)> =
        expectation.anchors.iter().map(|(c, _)| (Arc::clone(c), Profile::Paa, true)).collect();
    let mut names: Vec<String> = members.iter().map(|_| SITE.to_owned()).collect();
    // An intermediate that was issued again and comes with the delivery is the one that its certificates are used with,
    // where it was valid when they began: among equals the first counts.
    // One that has ended is none where that which is here is valid.
    let begins = |c: &Certificate| c.not_before.moment;
    let is_valid = |c: &Certificate| c.not_valid_at(expectation.now).is_none();
    let is_known = |came: &Certificate| expectation.pais.iter().any(|pai| pai.der() == came.der());
    let is_renewal = |came: &Certificate| {
        !is_known(came)
            && expectation.pais.iter().any(|pai| {
                came.subject_der() == pai.subject_der()
                && came.public_key().is_some()
                && came.public_key() == pai.public_key()
                && begins(came) >= begins(pai)
                && (is_valid(came) || !is_valid(pai))
                // Signed once more with all the same in it, it is no other one.
                && (begins(came) > begins(pai) || came.serial() != pai.serial())
            })
    };
    let (renewed, mut others): (Vec<_>, Vec<_>) = authorities.into_iter().partition(|(_, came)| is_renewal(came));
    // Of several that came, the one that lasts longest; one without a known end last.
    others.sort_by_key(|(_, came)| Reverse(came.not_after.moment));
    for (name, certificate) in renewed {
        members.push((certificate, Profile::Pai, false));
        names.push(name);
    }
    for pai in expectation.pais {
        members.push((Arc::clone(pai), Profile::Pai, false));
        names.push(SITE.into());
    }
    for (name, certificate) in others {
        // A copy of a trusted PAA, or a PAI that is known, adds nothing.
        if anchor(&certificate) || members.iter().any(|(m, ..)| m.der() == certificate.der()) {
            continue;
        }
        let root = certificate.is_self_issued()
            || certificate.authority_key_id().is_some()
                && certificate.authority_key_id() == certificate.subject_key_id();
        members.push((certificate, if root { Profile::Paa } else { Profile::Pai }, false));
        names.push(name);
    }
    (Pool::new(members), names)
}

/// Findings on each authority, and those that nothing may stand under.
fn authorities(pool: &Pool, context: &Context, expectation: &Expectation<'_>) -> (Vec<Vec<Finding>>, HashSet<usize>) {
    let mut faulty: HashSet<usize> = HashSet::new();
    let mut told = Vec::new();
    for (index, authority) in pool.authorities().iter().enumerate() {
        let mut findings = pool.judge_authority(index, context).findings;
        if findings.iter().any(|f| f.severity == Severity::Error) {
            faulty.insert(index);
        }
        // What the site itself holds was judged when it was adopted; its notes are not news.
        if expectation.anchors.iter().any(|(a, _)| a.der() == authority.certificate.der()) {
            findings.retain(|f| f.severity == Severity::Error);
        }
        // Told where certificates of the delivery stand under it, whether it came along or is here.
        if authority.profile == Profile::Pai {
            findings.extend(not_current(pool, index, context));
        }
        let key = authority.certificate.public_key().map(|key| hex::encode(key.key_id())).unwrap_or_default();
        if let Some(delivery) = expectation.exposed.authorities.get(&key) {
            let title = authority.certificate.subject.display(authority.certificate.der());
            let found = format!("{title}, whose private key came with delivery {delivery}");
            let finding = Finding::new(&DELIVERY_PRIVATE_KEY, found).advising(of_authority(&key));
            if expectation.production {
                faulty.insert(index);
                findings.push(finding);
            } else {
                findings.push(finding.weighing(Severity::Warning));
            }
        }
        let for_sale = |(a, production): &(Arc<Certificate>, bool)| {
            *production && a.subject_der() == authority.certificate.subject_der()
        };
        if authority.trusted && expectation.production && !expectation.anchors.iter().any(for_sale) {
            faulty.insert(index);
            let title = authority.certificate.subject.display(authority.certificate.der());
            findings.push(Finding::new(&DELIVERY_AUTHORITY, format!("{title}, adopted for testing")));
        } else if authority.trusted && !expectation.production && expectation.anchors.iter().any(for_sale) {
            let title = authority.certificate.subject.display(authority.certificate.der());
            let finding = Finding::new(&DELIVERY_AUTHORITY, format!("{title}, adopted for production"));
            findings.push(finding.weighing(Severity::Warning).advising(
                "The product is for testing, and customers' homes would trust its units. Ask for certificates of a test \
                 root, or add the product for production.",
            ));
        }
        told.push(findings);
    }
    (told, faulty)
}

/// An intermediate that has ended, or has not begun, where no other certificate of it that is here is valid.
fn not_current(pool: &Pool, index: usize, context: &Context) -> Option<Finding> {
    let now = context.present?;
    let all = pool.authorities();
    let mut same = (0..all.len()).filter(|other| pool.is_same_authority(index, *other));
    if same.any(|other| all[other].certificate.not_valid_at(now).is_none()) {
        return None;
    }
    let c = &all[index].certificate;
    let found = format!("{} {}", c.subject.display(c.der()), c.not_valid_at(now)?);
    Some(Finding::new(&DELIVERY_INTERMEDIATE, found).requiring(format!("Valid at {now}.")))
}

pub(super) fn judge(
    read: Read,
    matched: Matched,
    expectation: &Expectation<'_>,
    course: &Course,
    each: &mut dyn FnMut(Stretch<'_>),
) -> Result<Inspection, Trouble> {
    let Read {
        spool,
        slots,
        authorities: came,
        broken,
        manifest,
        strange,
        checked,
        spoiled,
        exposed,
        mut findings,
        ..
    } = read;
    let (spool, total) = (Arc::new(spool), matched.order.len());
    course.phase(Phase::Judging, u64::try_from(total).ok());
    if total == 0 && !findings.has_errors() {
        let finding = match manifest {
            Some((name, what)) => Finding::new(&DELIVERY_FORMAT, format!("no DAC in it; {name} is {what}")).advising(
                "It looks like the chip maker's manifest. Receive it as a reel (`touchmark reel receive`), and the \
                 authority's certificates as the delivery.",
            ),
            None => match strange {
                Some((name, what)) => {
                    let advice = "Get the delivery itself, and receive that.";
                    Finding::new(&DELIVERY_FORMAT, format!("no DAC in it; {name} is {what}")).advising(advice)
                }
                None => Finding::new(&DELIVERY_FORMAT, "no DAC in it"),
            },
        };
        findings.tell((stage::NOTHING, 0, 0), || "delivery".to_owned(), About::Nothing, finding);
    }
    let (pool, names) = pool(came, expectation);
    let context = Context {
        trust_given: true,
        present: Some(expectation.now),
        arriving: true,
        revoked: expectation.revoked.against(&pool),
        ..Context::default()
    };
    let (of_authorities, faulty) = authorities(&pool, &context, expectation);
    let looked_for = AtomicUsize::new(0);
    let court = Court {
        spool: &spool,
        slots: &slots,
        pool: &pool,
        context: &context,
        faulty: &faulty,
        expectation,
        spoiled: &spoiled,
        exposed: &exposed,
        looked_for: &looked_for,
    };
    let short = is_short(&matched, &slots, expectation.chips);
    let (mut kept, mut pais, mut pool_pais) = (Vec::<Kept>::new(), Vec::new(), Vec::<u32>::new());
    let (mut above, mut judged) = (BTreeSet::new(), 0);
    let (mut same, mut same_as, mut elsewhere) = (0, BTreeMap::new(), BTreeMap::<String, usize>::new());
    let mut issuers = BTreeSet::new();
    let mut identities = BTreeMap::<_, usize>::new();
    for stretch in matched.order.chunks(STRETCHES * STRETCH) {
        let part = stretch
            .par_chunks(STRETCH)
            .map(|some| {
                course.go_on()?;
                let mut part = Part::default();
                for number in some {
                    court.judge(*number, matched.shared[*number as usize], &mut part)?;
                }
                course.advance(some.len() as u64);
                Ok::<_, Trouble>(part)
            })
            .try_reduce(Part::default, |a, b| Ok(a.join(b)))?;
        findings.merge(part.findings);
        above.extend(part.above);
        same += part.same;
        issuers.extend(part.issuers);
        earliest(&mut same_as, part.same_as);
        for (reel, count) in part.elsewhere {
            *elsewhere.entry(reel).or_default() += count;
        }
        for (identity, count) in part.identities {
            *identities.entry(identity).or_default() += count;
        }
        let before = kept.len();
        for (number, slot, pai) in part.kept {
            let place = pool_pais.iter().position(|p| *p == pai).unwrap_or_else(|| {
                pool_pais.push(pai);
                pais.push(Arc::clone(&pool.authorities()[pai as usize].certificate));
                pais.len() - 1
            });
            let pai = u16::try_from(place).map_err(|_| {
                Trouble::refused("more PAIs than a delivery can have", "Ask for the delivery in parts.")
            })?;
            kept.push(Kept { number, slot, pai });
        }
        judged += stretch.len();
        let errors = short || findings.has_errors() || above.iter().any(|index| faulty.contains(index));
        let read = total + broken;
        each(Stretch { spool: &spool, kept: &kept[before..], pais: &pais, read, judged, total, errors });
    }
    course.go_on()?;
    let mut same_as: Vec<_> = same_as.into_iter().map(|(delivery, first)| (first, delivery)).collect();
    same_as.sort();
    let same_as: Vec<_> = same_as.into_iter().map(|(_, delivery)| delivery).collect();
    // A delivery that came before as a whole is told by its name.
    if same_as.len() > 1 || (same > 0 && same < total) {
        let deliveries = if same_as.len() == 1 { "delivery" } else { "deliveries" };
        let names = same_as.iter().collect::<Names>();
        let found = format!("{same} of {total} DACs, which already came with {deliveries} {names}");
        let finding = Finding::new(&DELIVERY_KEY_REUSE, found).weighing(Severity::Note);
        let finding = finding.advising("They are the same, byte for byte, and were not changed.");
        findings.tell((stage::STRANGERS, 0, 2), || "delivery".to_owned(), About::Nothing, finding);
    }
    let looked_for = looked_for.into_inner();
    let of_nobody = looked_for.min(ELSEWHERE) - elsewhere.values().sum::<usize>();
    for (reel, count) in elsewhere {
        let of =
            if looked_for > ELSEWHERE { format!("the first {ELSEWHERE} strangers") } else { format!("{total} DACs") };
        let others = match of_nobody {
            0 => String::new(),
            1 => "; 1 is for no chip of this site".into(),
            n => format!("; {n} are for no chip of this site"),
        };
        let finding =
            Finding::new(&DELIVERY_OTHER_REEL, format!("{count} of {of} are for chips of reel {reel}{others}"));
        let finding =
            finding.advising(format!("Receive it for reel {reel}, or ask the authority for that of this reel."));
        findings.tell((stage::NOTHING, 0, 1), || "delivery".to_owned(), About::Nothing, finding);
    }
    // DACs that are here already were judged when they came, the certificate that now came along as their PAI was not.
    above.extend((0..names.len()).filter(|index| {
        names[*index] != SITE && issuers.contains(pool.authorities()[*index].certificate.subject_der())
    }));
    // Authorities that a DAC here stands under, once each.
    for index in above {
        for (which, finding) in (0..).zip(&of_authorities[index]) {
            let turn = (stage::AUTHORITIES, index as u64, which);
            findings.tell(turn, || names[index].clone(), About::Nothing, finding.clone());
        }
    }
    // One that was issued again is of no use to certificates that came before it.
    let is_again = |index: usize| {
        let c = &pool.authorities()[index].certificate;
        let of_known = (0..names.len()).any(|other| names[other] == SITE && pool.is_same_authority(index, other));
        names[index] != SITE && of_known && !pais.iter().any(|used| used.der() == c.der())
    };
    for index in (0..names.len()).filter(|index| same > 0 && is_again(*index)) {
        let c = &pool.authorities()[index].certificate;
        let found =
            format!("{}, issued again, and {same} of {total} DACs that are here already", c.subject.display(c.der()));
        let turn = (stage::AUTHORITIES, index as u64, u32::MAX);
        findings.tell(turn, || names[index].clone(), About::Nothing, Finding::new(&DELIVERY_INTERMEDIATE_AGAIN, found));
    }
    // One that came along and is not used, since the one that is here is valid: the authority sent the wrong one.
    let is_outdone = |index: usize| {
        let same = |used: &u32| names[*used as usize] == SITE && pool.is_same_authority(index, *used as usize);
        names[index] != SITE && pool_pais.iter().any(same)
    };
    for index in (0..names.len()).filter(|index| is_outdone(*index)) {
        let c = &pool.authorities()[index].certificate;
        let Some(why) = c.not_valid_at(expectation.now) else { continue };
        let found = format!("{} {why}", c.subject.display(c.der()));
        let finding = Finding::new(&DELIVERY_INTERMEDIATE, found).advising(
            "It was not used: the certificates are good under the one that is here. Tell the authority that it sent one \
             that is not valid, and ask whether it sent other wrong files.",
        );
        let turn = (stage::AUTHORITIES, index as u64, u32::MAX - 1);
        findings.tell(turn, || names[index].clone(), About::Nothing, finding);
    }
    // Parts come together in the order in which they were cut, which is that of the keys.
    let holds = |slot: Slot| kept.binary_search_by_key(&slot, |kept| kept.slot).is_ok();
    let without = expectation.without(holds)?;
    let came: Vec<Slot> =
        matched.order.iter().map(|n| slots[*n as usize]).take_while(|slot| *slot != STRANGER).collect();
    let is_missing = |slot: &Slot| !expectation.chips.is_served(*slot) && came.binary_search(slot).is_err();
    let missing = expectation.chips.slots().filter(is_missing).count();
    // Where all are here already, whatever is missing was told when they came; where nothing could be read at all,
    // or nothing is for this reel, that is the trouble, and not each chip's.
    if same < total && missing > 0 && !came.is_empty() {
        gap(&came, expectation, &mut findings)?;
    }
    let (faults, more_faults) = findings.faults(expectation.chip_ids)?;
    Ok(Inspection {
        read: total + broken,
        of_nobody,
        accepted: kept.len(),
        same,
        same_as,
        pais,
        on_reel: expectation.chips.len(),
        without,
        missing,
        identities: identities.into_iter().collect(),
        checked,
        faults,
        more_faults,
        findings: findings.told(&|place| expectation.chip_id(place))?,
        spool: Some(spool),
        kept,
    })
}

/// Whether some chip is left without a credential whatever judging says.
fn is_short(matched: &Matched, slots: &[Slot], chips: &Chips) -> bool {
    let mut coming = matched.order.iter().filter(|n| !matched.shared[**n as usize]).map(|n| slots[*n as usize]);
    let mut next = coming.next();
    chips.slots().filter(|slot| !chips.is_served(*slot)).any(|slot| {
        while next.is_some_and(|came| came < slot) {
            next = coming.next();
        }
        next != Some(slot)
    })
}

/// What each DAC is judged with.
struct Court<'a> {
    spool: &'a Spool,
    slots: &'a [Slot],
    pool: &'a Pool,
    context: &'a Context,
    faulty: &'a HashSet<usize>,
    expectation: &'a Expectation<'a>,
    /// Files that came otherwise than they were listed.
    spoiled: &'a Spoiled,
    /// Chips whose private key came along.
    exposed: &'a HashSet<Slot>,
    /// Keys of strangers that were looked for on other reels.
    looked_for: &'a AtomicUsize,
}

impl Court<'_> {
    fn judge(&self, number: u32, shared: bool, part: &mut Part) -> Result<(), Trouble> {
        let record = self.spool.get(number)?;
        let dac = record.certificate()?;
        let slot = self.slots.get(number as usize).copied().unwrap_or(STRANGER);
        let chips = self.expectation.chips;
        let about = || if slot == STRANGER { About::Nothing } else { About::Place(chips.place(slot)) };
        let turn = u64::from(number);
        let subject = || Subject { name: record.name(), serial: Some(dac.serial_hex()) };
        let mut keep = slot != STRANGER && !shared && !self.spoiled.has(number) && !self.exposed.contains(&slot);
        // Of a chip of another reel here: what its DAC must say is that reel's product's.
        let mut is_elsewhere = false;
        if slot == STRANGER
            && let Some(key) = dac.public_key()
        {
            let looked_for = self.looked_for.fetch_add(1, Ordering::Relaxed) < ELSEWHERE;
            let finding = match looked_for.then(|| (self.expectation.elsewhere)(key.point())).flatten() {
                Some((chip, reel)) => {
                    let found = format!("serial {}, for chip {chip} of reel {reel}", dac.serial_hex());
                    *part.elsewhere.entry(reel).or_default() += 1;
                    is_elsewhere = true;
                    Finding::new(&DELIVERY_STRANGER, found)
                }
                None => {
                    let found = format!("serial {}, for the key {}", dac.serial_hex(), hex::encode(key.key_id()));
                    Finding::new(&DELIVERY_STRANGER, found)
                }
            };
            part.findings.tell((stage::STRANGERS, turn, 0), subject, About::Nothing, finding);
        }
        if let Some(delivery) = self.expectation.exposed.chips.get(&slot).filter(|_| !self.exposed.contains(&slot)) {
            keep = false;
            let found = format!("serial {}, for a key that came with delivery {delivery}", dac.serial_hex());
            part.findings.tell(
                (stage::STRANGERS, turn, 2),
                subject,
                about(),
                Finding::new(&DELIVERY_PRIVATE_KEY, found),
            );
        }
        if let Some(known) = (self.expectation.known)(&dac, slot != STRANGER && !chips.is_served(slot)) {
            keep = false;
            let finding = match known {
                // Nothing is left to do for it; it was judged when it came.
                Known::Same { delivery } if slot != STRANGER && !shared => {
                    part.same += 1;
                    if !part.issuers.contains(dac.issuer_der()) {
                        part.issuers.insert(dac.issuer_der().to_vec());
                    }
                    earliest(&mut part.same_as, BTreeMap::from([(delivery, number)]));
                    return Ok(());
                }
                // Another reel's, as was said above.
                Known::Same { .. } if slot == STRANGER => return Ok(()),
                Known::Same { delivery } => Finding::new(
                    &DELIVERY_KEY_REUSE,
                    format!("serial {}, which already came with delivery {delivery}", dac.serial_hex()),
                ),
                Known::Serial { delivery } => Finding::new(
                    &DELIVERY_SERIAL,
                    format!("serial {}, which already came with delivery {delivery}", dac.serial_hex()),
                ),
                Known::Key { serial } => Finding::new(
                    &DELIVERY_KEY_REUSE,
                    format!("serial {}, but the site already has serial {serial}", dac.serial_hex()),
                ),
            };
            part.findings.tell((stage::STRANGERS, turn, 1), subject, about(), finding);
        }
        if slot != STRANGER
            && let Some(identity) = dac.subject.identity.vendor().zip(dac.subject.identity.product())
        {
            *part.identities.entry(identity).or_default() += 1;
        }
        let mut judged = self.pool.judge_dac(&dac, self.context);
        if !is_elsewhere {
            against_product(&dac, self.expectation, &mut judged.findings);
        }
        let errors = judged.findings.iter().any(|f| f.severity == Severity::Error);
        let under_fault = judged.chain.iter().any(|above| self.faulty.contains(above));
        for (which, finding) in (0..).zip(judged.findings) {
            part.findings.tell((stage::JUDGED, turn, which), subject, about(), finding);
        }
        if keep
            && !errors
            && !under_fault
            && judged.anchored
            && let Some(pai) = judged.chain.first().and_then(|pai| u32::try_from(*pai).ok())
        {
            part.kept.push((number, slot, pai));
        }
        part.above.extend(judged.chain);
        Ok(())
    }
}

/// Chips that no DAC came for.
fn gap(came: &[Slot], expectation: &Expectation<'_>, findings: &mut Findings) -> Result<(), Trouble> {
    let none_came = expectation.without(|slot| came.binary_search(&slot).is_ok())?;
    let shown = list(&none_came);
    let found = format!("{} of {} chips have none: {shown}", none_came.len(), expectation.chips.len());
    let finding = Finding::new(&DELIVERY_GAP, found);
    let about = if let [only] = none_came.as_slice() { About::Id(only.clone()) } else { About::Nothing };
    let each = none_came.iter().map(|chip| Fault {
        subject: String::new(),
        serial: None,
        chip_id: Some(chip.clone()),
        authority: None,
        finding: Finding::new(&DELIVERY_GAP, "no certificate came for it"),
    });
    findings.tell_of_each((stage::GAP, 0, 0), "delivery".into(), about, finding, each);
    Ok(())
}

/// The DAC against the product it is for.
fn against_product(dac: &Certificate, expectation: &Expectation<'_>, findings: &mut Vec<Finding>) {
    let identity = &dac.subject.identity;
    let (vendor, product) = (identity.vendor(), identity.product());
    if let (Some(vendor), Some(product)) = (vendor, product)
        && (vendor != expectation.vendor || product != expectation.product)
    {
        let required = format!("{} {}, as every order for this product asks.", expectation.vendor, expectation.product);
        findings.push(Finding::new(&DELIVERY_PRODUCT, format!("{vendor} {product}")).requiring(required));
    }
    if expectation.production {
        for finding in findings.iter_mut().filter(|f| std::ptr::eq(f.rule, &TEST_IDENTITY)) {
            finding.severity = Severity::Error;
        }
    }
}

fn list(chips: &[String]) -> String {
    const SHOWN: usize = 20;
    let mut words: Vec<&str> = chips.iter().take(SHOWN).map(String::as_str).collect();
    let more = format!("{} more", chips.len().saturating_sub(SHOWN));
    if chips.len() > SHOWN {
        words.push(&more);
    }
    words.join(", ")
}
