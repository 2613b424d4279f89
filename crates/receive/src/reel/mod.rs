//! Reels: the chips as the chip maker delivers them.

mod divide;
pub mod key_text;
pub mod manifest;
mod origin;
mod stream;

use std::collections::{BTreeSet, HashMap};
use std::convert::Infallible;
use std::path::Path;
use std::sync::mpsc;
use std::thread;

use base::advice::quoted;
use base::course::{Course, Phase, stopped_by};
use base::finding_view::InspectionFinding;
use base::findings::{About as Whose, Findings, SharedFinding};
use base::sentence::sentence;
use base::trouble::{About, Trouble};
use book::ids::{ChipId, ReelId};
use book::{Duplicate, NewChip, NewReel, Purpose, ReceiveError, Reel, Same, Subject};
pub use divide::{Assigned, Split, assign, split};
use manifest::ColumnMap;
use serde::Serialize;
use site::revoked::RevokedPais;
use site::{Site, Who, head, ledger, product};
use standard::verdict::catalogue::intake::{REEL_DUPLICATE_CHIP, REEL_DUPLICATE_KEY};
use standard::verdict::{Finding, Severity};
use stream::{Odd, Stream};
use utoipa::ToSchema;

/// Chips judged at a time, and how many times that many may wait to be stored.
const SOME: usize = 2_000;
const AHEAD: usize = 4;

/// How a manifest is read.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// Which columns hold what.
    pub columns: ColumnMap,
    /// Whether an authority's certificates may stand for the chip maker's manifest.
    pub from_certificates: bool,
}

book::words! {
    /// What became of a manifest.
    ManifestVerdict {
        /// The reel is in the book.
        Accepted = "accepted",
        /// It was here with these chips.
        AlreadyReceived = "already-received",
        /// Nothing of it was stored.
        Refused = "refused",
    }
}

/// What came of a manifest.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReceivedReel)]
pub struct Received {
    /// The reel.
    pub reel: String,
    /// What became of it.
    pub verdict: ManifestVerdict,
    /// The product.
    pub product: String,
    /// Its chips.
    pub chips: ReceivedChips,
    /// Columns of a table that are not used: what they say of a chip is not looked at.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub unused_columns: Vec<String>,
    /// What is wrong or worth knowing.
    pub findings: Vec<InspectionFinding>,
}

/// The chips of a manifest.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReceivedChips {
    /// Lines or certificates read.
    pub read: u64,
    /// Chips now on the reel.
    pub received: i64,
}

impl Received {
    /// Whether the reel stands in the book.
    pub fn is_accepted(&self) -> bool {
        self.verdict != ManifestVerdict::Refused
    }
}

pub fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned())
}

/// Receives a reel: all of it or nothing.
///
/// - `course`: until it commits it can be stopped at any moment, and nothing is stored.
///
/// # Errors
///
/// [`Trouble`] where the manifest can't be read, was stopped, or the book refuses; what can
/// be read and is wrong comes back as [`Received`] with findings, and nothing stored.
pub fn receive(
    site: &Site,
    path: &Path,
    reel: &str,
    product: &str,
    options: &Options,
    who: &Who,
    course: &Course,
) -> Result<Received, Trouble> {
    let map = &options.columns;
    let product = product::get(site, product).about("product")?;
    let id = ReelId::new(reel).about("reel")?;
    let source_digest = examine::intake::digest(path)?;
    if let Some(known) = site.book.reel(&id)? {
        let same_product = known.facts.product == product.facts.name;
        let lacks = match (same_product, known.facts.source_digest == source_digest) {
            (true, true) => Some(0),
            (true, false) => lacks(site, &known, path, map, course)?,
            (false, _) => None,
        };
        if lacks == Some(0) {
            let read = u64::try_from(known.chips).unwrap_or(0);
            return Ok(Received {
                reel: id.to_string(),
                verdict: ManifestVerdict::AlreadyReceived,
                chips: ReceivedChips { read, received: known.chips },
                product: product.facts.name.to_string(),
                unused_columns: Vec::new(),
                findings: Vec::new(),
            });
        }
        if let Some(missing) = lacks {
            return Err(Trouble::refused(
                format!(
                    "reel {id} was already received with all these chips, and with {} that this manifest does not have",
                    many_more(missing)
                ),
                "There is nothing to receive. Chips that are lost are taken out of stock with `touchmark chip scrap`.",
            )
            .about("file"));
        }
        let differs = if same_product { "with other chips" } else { "for another product" };
        return Err(Trouble::refused(
            format!("reel {id} was already received, from {}, {differs}", known.facts.source_name),
            format!(
                "Give the new reel another id; or take the other back with `touchmark reel withdraw {}`, while nothing depends on it. Nothing was stored.",
                quoted(id.as_str())
            ),
        )
        .about("reel"));
    }
    let new = NewReel { reel: id, product: product.facts.name.clone(), source_name: file_name(path), source_digest };
    let answer = |verdict, chips, unused_columns, findings: &[SharedFinding]| Received {
        reel: new.reel.to_string(),
        verdict,
        chips,
        product: product.facts.name.to_string(),
        unused_columns,
        findings: findings.iter().map(InspectionFinding::from).collect(),
    };
    if let Some(mut stream) = Stream::open(path, map).about("file")?
        && let unused = std::mem::take(&mut stream.unused)
        && let Some(done) = stored_as_it_comes(site, &new, stream, who, course)?
    {
        head::mark(site, who);
        let read = u64::try_from(done.chips).unwrap_or(0);
        let chips = ReceivedChips { read, received: done.chips };
        return Ok(answer(ManifestVerdict::Accepted, chips, unused, &[]));
    }
    let manifest = manifest::read(path, map, course).about("file")?;
    let void = origin::of_certificates(site, &manifest, options.from_certificates)?;
    let (read, unused, mut findings) = (manifest.read, manifest.unused, manifest.findings);
    findings.splice(0..0, void);
    if findings.iter().any(|f| f.finding.severity == Severity::Error) {
        return Ok(answer(ManifestVerdict::Refused, ReceivedChips { read, received: 0 }, unused, &findings));
    }
    let lines: Vec<u64> = manifest.chips.iter().map(|c| c.line).collect();
    course.phase(Phase::Storing, u64::try_from(manifest.chips.len()).ok());
    let chips = manifest.chips.iter().map(|row| {
        course.advance(1);
        let chip_id = ChipId::new(&row.chip_id).map_err(|e| Box::new(e) as book::Stop)?;
        Ok(NewChip { chip_id, public_key: *row.key.point() })
    });
    match store(site, &new, chips, who, course) {
        Ok(done) => {
            head::mark(site, who);
            let chips = ReceivedChips { read, received: done.chips };
            Ok(answer(ManifestVerdict::Accepted, chips, unused, &findings))
        }
        Err(ReceiveError::Duplicates { total, first }) => {
            findings.extend(doubles(site, total, &first, &lines)?);
            Ok(answer(ManifestVerdict::Refused, ReceivedChips { read, received: 0 }, unused, &findings))
        }
        Err(ReceiveError::Stopped(stop)) => Err(stopped_by(stop, |stop| ReceiveError::Stopped(stop).into())),
        Err(error) => Err(error.into()),
    }
}

/// How many chips of a reel this manifest does not have, where the reel has all that it has: none where it came in
/// another form, or in another order.
fn lacks(site: &Site, reel: &Reel, path: &Path, map: &ColumnMap, course: &Course) -> Result<Option<i64>, Trouble> {
    let manifest = manifest::read(path, map, course).about("file")?;
    let listed = i64::try_from(manifest.chips.len()).unwrap_or(i64::MAX);
    if !manifest.is_clean() || listed == 0 || listed > reel.chips {
        return Ok(None);
    }
    let keys: HashMap<&str, &[u8; 65]> =
        manifest.chips.iter().map(|row| (row.chip_id.as_str(), row.key.point())).collect();
    let (mut after, mut found) = (0, 0);
    while after < reel.chips {
        course.go_on()?;
        let places: Vec<i64> = (after + 1..=reel.chips).take(SOME).collect();
        let held = site.book.chips_at(&reel.facts.reel, &places)?;
        found += held.iter().filter(|(_, id, key)| keys.get(id.as_str()) == Some(&key)).count() as i64;
        after += places.len() as i64;
    }
    Ok((found == listed).then_some(reel.chips - listed))
}

/// `1 more chip`, `21 more chips`.
fn many_more(chips: i64) -> String {
    if chips == 1 { "1 more chip".to_owned() } else { format!("{chips} more chips") }
}

/// Chips that the book holds already: the first of them, and how many.
fn doubles(site: &Site, total: u64, first: &[Duplicate], lines: &[u64]) -> Result<Vec<SharedFinding>, Trouble> {
    let mut findings = Findings::default();
    // All of them on one reel: it is that reel again, and no clone of it.
    let reels: BTreeSet<_> = first.iter().map(|double| double.held_by.reel.as_str()).collect();
    let by_id = first.iter().all(|double| matches!(double.same, Same::Both));
    let by_key = first.iter().all(|double| matches!(double.same, Same::PublicKey));
    let one = reels.first().filter(|_| reels.len() == 1 && (by_id || by_key));
    let known = one.map(|reel| site.book.reel(&ReelId::new(reel)?).map_err(Trouble::from)).transpose()?.flatten();
    let again = known.and_then(|known| {
        let (reel, all) = (quoted(known.facts.reel.as_str()), lines.len() as u64);
        let held = u64::try_from(known.chips).unwrap_or(0);
        // Who withdraws a reel for this manifest loses what that does not have.
        let missing = held.saturating_sub(total);
        let not_listed = format!(
            "Reel {reel} has {} that this manifest does not have: do not withdraw it. Chips that are lost are taken out of \
             stock with `touchmark chip scrap`.",
            many_more(i64::try_from(missing).unwrap_or(i64::MAX))
        );
        match (total == all, missing) {
            (true, 0) => Some(format!(
                "Every chip of this manifest is on reel {reel}: it is that reel again, and there is nothing to do. Where {reel} \
                 was received under a wrong id, or from a manifest that was damaged, and no unit depends on it, withdraw it \
                 (`touchmark reel withdraw {reel}`), and receive this one then."
            )),
            (true, _) => Some(format!(
                "Every chip of this manifest is on reel {reel} already: there is nothing to receive. {not_listed}"
            )),
            (false, 0) => by_id.then(|| {
                format!(
                    "{total} of {all} chips are on reel {reel}, with the same keys. Where that was received from a manifest that \
                     was short, withdraw it (`touchmark reel withdraw {reel}`) and receive this one; once units depend on it, \
                     receive the other chips in a manifest of their own, as another reel. The delivery can be received for both."
                )
            }),
            (false, _) => by_id.then(|| {
                format!(
                    "{total} of {all} chips are on reel {reel}, with the same keys: receive the other chips in a manifest of \
                     their own, as another reel. {not_listed}"
                )
            }),
        }
    });
    for (turn, double) in (0..).zip(first) {
        let other = &double.held_by;
        let (rule, what) = match double.same {
            Same::ChipId | Same::Both => {
                (&REEL_DUPLICATE_CHIP, format!("chip {} is already on reel {}", double.chip_id, other.reel))
            }
            Same::PublicKey => (
                &REEL_DUPLICATE_KEY,
                format!("chip {} has the key of chip {} on reel {}", double.chip_id, other.chip_id, other.reel),
            ),
        };
        let same_key = matches!(double.same, Same::PublicKey);
        let rewritten = same_key && is_decimal(&double.chip_id, &other.chip_id);
        let shortened = same_key && is_shortened(&double.chip_id, &other.chip_id);
        let line =
            usize::try_from(double.position).ok().and_then(|p| lines.get(p.saturating_sub(1)).or_else(|| lines.get(p)));
        let subject = line.map_or_else(|| "manifest".into(), |l| format!("line {l}"));
        let whose = Whose::Id(double.chip_id.to_string());
        let finding = Finding::new(rule, what);
        let finding = match &again {
            Some(again) => finding.advising(again.clone()),
            None if shortened || rewritten => finding.advising(format!(
                "It is one chip: one id is the other {}. Where this manifest is \
                 the right one, withdraw reel {1} (`touchmark reel withdraw {1}`) and receive this one then; once units \
                 depend on it, ask the chip maker which id the chip has.",
                if rewritten { "as a decimal number" } else { "with digits lost, as where a spreadsheet cut it" },
                quoted(other.reel.as_str())
            )),
            None => finding,
        };
        findings.tell((0, turn, 0), || subject, whose, finding);
    }
    for turn in first.len() as u64..total {
        let other = Finding::new(&REEL_DUPLICATE_CHIP, "a chip that is already known");
        let other = again.iter().cloned().fold(other, Finding::advising);
        findings.tell((0, turn, 0), || "manifest".to_owned(), Whose::Nothing, other);
    }
    let Ok(findings) = findings.told::<Infallible>(&|_| Ok(String::new()));
    Ok(findings)
}

/// Whether one id is the other without a few of its digits at either end.
fn is_shortened(one: &ChipId, other: &ChipId) -> bool {
    const LOST: usize = 4;
    let (one, other) = (one.as_str(), other.as_str());
    let (short, long) = if one.len() < other.len() { (one, other) } else { (other, one) };
    short.len() < long.len() && long.len() - short.len() <= LOST && (long.starts_with(short) || long.ends_with(short))
}

/// Whether one id is the other written as a decimal number.
fn is_decimal(one: &ChipId, other: &ChipId) -> bool {
    /// Digits in the base of 256, the last first; `None` where it is no decimal number.
    fn octets(text: &str) -> Option<Vec<u8>> {
        let mut out: Vec<u8> = Vec::new();
        for digit in text.bytes() {
            let mut carry = u32::from(digit.is_ascii_digit().then(|| digit - b'0')?);
            for octet in &mut out {
                carry += u32::from(*octet) * 10;
                *octet = carry as u8;
                carry >>= 8;
            }
            out.extend((carry > 0).then_some(carry as u8));
        }
        Some(out)
    }
    let is = |decimal: &str, hexadecimal: &str| {
        let digits = hexadecimal.trim_start_matches('0');
        let even = if digits.len() % 2 == 1 { format!("0{digits}") } else { digits.to_owned() };
        let wanted = hex::decode(even).ok().map(|octets| octets.into_iter().rev().collect::<Vec<u8>>());
        wanted.is_some() && octets(decimal) == wanted
    };
    is(one.as_str(), other.as_str()) || is(other.as_str(), one.as_str())
}

/// Stores chips as they come; when the last has come, it is too late to stop.
fn store(
    site: &Site,
    new: &NewReel,
    chips: impl Iterator<Item = Result<NewChip, book::Stop>>,
    who: &Who,
    course: &Course,
) -> Result<book::Received, ReceiveError> {
    let chips = chips.map(|chip| {
        course.go_on()?;
        chip
    });
    let end = std::iter::once_with(|| course.commit()).filter_map(|end| end.err().map(|stopped| Err(stopped.into())));
    site.book.receive_reel(new, chips.chain(end), &who.by())
}

/// Stores a manifest that is in order while it is read: the keys are judged on all
/// cores ahead of the one that stores. `None` where something is not in order, which
/// reading it as a whole will tell; nothing is stored then.
fn stored_as_it_comes(
    site: &Site,
    new: &NewReel,
    mut stream: Stream<'_>,
    who: &Who,
    course: &Course,
) -> Result<Option<book::Received>, Trouble> {
    course.phase(Phase::Storing, Some(stream.lines));
    let (to, from) = mpsc::sync_channel(AHEAD);
    let stored = thread::scope(|scope| {
        scope.spawn(move || {
            loop {
                let some = stream.next(SOME);
                let over = some.as_ref().map_or(true, Vec::is_empty);
                // Where nobody takes them any more, whoever stored has said why.
                if to.send(some).is_err() || over {
                    return;
                }
            }
        });
        let chips = from.into_iter().flat_map(|some| {
            let (some, odd) = match some {
                Ok(some) => (some, None),
                Err(odd) => (Vec::new(), Some(Err(Box::new(odd) as book::Stop))),
            };
            course.advance(some.len() as u64);
            some.into_iter().map(Ok).chain(odd)
        });
        store(site, new, chips, who, course)
    });
    match stored {
        Ok(done) => Ok(Some(done)),
        // Two of the manifest's own are told otherwise than one that another reel has.
        Err(ReceiveError::Duplicates { .. } | ReceiveError::Empty) => {
            course.not_committed();
            Ok(None)
        }
        Err(ReceiveError::Stopped(by)) if by.is::<Odd>() => Ok(None),
        Err(ReceiveError::Stopped(by)) => Err(stopped_by(by, |by| ReceiveError::Stopped(by).into())),
        Err(error) => Err(error.into()),
    }
}

/// A reel as it is told.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReelView {
    /// Its id.
    pub reel: String,
    /// The product.
    pub product: String,
    /// What its product is for.
    pub purpose: Purpose,
    /// Chips on it.
    pub chips: i64,
    /// Chips untouched.
    pub blank: i64,
    /// Chips held by a unit.
    pub held: i64,
    /// Chips provisioned.
    pub provisioned: i64,
    /// Chips scrapped.
    pub scrapped: i64,
    /// Chips without a credential.
    pub without_credential: i64,
    /// The manifest's name.
    pub source: String,
    /// When it was received.
    pub received: String,
    /// What keeps its certificates from being used.
    pub warnings: Vec<String>,
}

/// The reel of that id.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn get(site: &Site, reel: &str) -> Result<Reel, Trouble> {
    let id = ReelId::new(reel)?;
    if let Some(found) = site.book.reel(&id)? {
        return Ok(found);
    }
    Err(Trouble::absent(
        format!("there is no reel {reel}{}", ledger::withdrawn(site, &Subject::Reel(id))?),
        "List reels with `touchmark reel list`, or receive it with `touchmark reel receive`.",
    ))
}

/// What is told of one reel.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn show(site: &Site, reel: &str) -> Result<ReelView, Trouble> {
    let found = get(site, reel)?;
    view(site, &found)
}

fn view(site: &Site, found: &Reel) -> Result<ReelView, Trouble> {
    let count = site.book.count_chips(&found.facts.reel)?;
    let (chips, without) = count.map_or((None, 0), |(chips, without)| (Some(chips), without));
    Ok(ReelView {
        reel: found.facts.reel.to_string(),
        product: found.facts.product.to_string(),
        purpose: found.purpose,
        chips: found.chips,
        blank: chips.as_ref().map_or(0, |c| c.blank),
        held: chips.as_ref().map_or(0, |c| c.held),
        provisioned: chips.as_ref().map_or(0, |c| c.provisioned),
        scrapped: chips.as_ref().map_or(0, |c| c.scrapped),
        without_credential: without,
        source: found.facts.source_name.clone(),
        received: base::times::time_text(found.received),
        warnings: RevokedPais::of_reel(site, &found.facts.reel)?.words().iter().map(|what| sentence(what)).collect(),
    })
}

/// A reel that was withdrawn.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = WithdrawnReel)]
pub struct Withdrawn {
    /// Its id, free again.
    pub withdrawn: String,
    /// The product that it was for.
    pub product: String,
    /// Chips whose ids and keys are free again.
    pub chips: i64,
    /// Files of the orders that were written for it, which are void.
    pub orders: Vec<String>,
    /// Stations that were set up with it and need another reel.
    pub stations: Vec<String>,
    /// The entry of the log that holds what it was.
    pub entry: i64,
}

/// Withdraws a reel that nothing depends on: received again, it may be for another product.
///
/// # Errors
///
/// [`Trouble`] names and counts what depends on it; nothing is changed then.
pub fn withdraw(site: &Site, reel: &str, who: &Who) -> Result<Withdrawn, Trouble> {
    let id = get(site, reel)?.facts.reel;
    let done = site.book.withdraw_reel(&id, &who.by())?;
    head::mark(site, who);
    Ok(Withdrawn {
        withdrawn: id.to_string(),
        product: done.product,
        chips: done.chips,
        orders: done.orders,
        stations: done.stations,
        entry: done.entry.0,
    })
}

/// All reels.
pub fn list(site: &Site) -> Result<Vec<ReelView>, Trouble> {
    site.book.reels()?.iter().map(|r| view(site, r)).collect()
}

/// A part of the reels, the newest first: at most `limit` after the first `from`, and whether there are more.
pub fn newest(site: &Site, from: usize, limit: usize) -> Result<(Vec<ReelView>, bool), Trouble> {
    let reels = by_age(site)?;
    let shown = reels.iter().skip(from).take(limit).map(|r| view(site, r)).collect::<Result<_, _>>()?;
    Ok((shown, reels.len() > from.saturating_add(limit)))
}

fn by_age(site: &Site) -> Result<Vec<Reel>, Trouble> {
    let mut reels = site.book.reels()?;
    reels.sort_by(|a, b| b.received.cmp(&a.received).then_with(|| a.facts.reel.cmp(&b.facts.reel)));
    Ok(reels)
}

/// A reel to choose.
#[derive(Debug, Clone)]
pub struct Choice {
    pub reel: String,
    pub chips: i64,
    /// Chips that no delivery brought a credential for, without those scrapped.
    pub without_credential: i64,
}

/// Reels of a product by their ids, the last first, at most `most`.
pub fn of_product(site: &Site, product: &str, most: usize) -> Result<Vec<String>, Trouble> {
    let reels = site.book.reels()?.into_iter().rev().filter(|reel| reel.facts.product.as_str() == product);
    Ok(reels.take(most).map(|reel| reel.facts.reel.to_string()).collect())
}

/// All reels to choose from, the newest first; costs little however many there are.
pub fn choices(site: &Site) -> Result<Vec<Choice>, Trouble> {
    let short: HashMap<_, _> = site.book.short_reels()?.into_iter().map(|s| (s.reel, s.without)).collect();
    let choice = |reel: Reel| Choice {
        without_credential: short.get(&reel.facts.reel).copied().unwrap_or(0),
        reel: reel.facts.reel.to_string(),
        chips: reel.chips,
    };
    Ok(by_age(site)?.into_iter().map(choice).collect())
}
