//! Provisioning: a station's work on the chips of a reel.
//!
//! For each chip, in this order: the intention is committed to the book; the
//! chip is written, read back, proven, judged, locked; the proof is committed.
//! A crash before the first commit leaves nothing; between the two, an open
//! attempt and a chip in some state, which the next attempt at any station
//! finds out and goes on from; after the second, a passed unit.

mod load;
mod serials;

use std::sync::{Arc, mpsc};
use std::thread;

use book::ids::{ChipId, FirmwareVersion, ProductName, ReelId, StationName, UnitSerial};
use book::{
    Attempt, AttemptResult, Begin, BeginError, Begun, ChipState, Finish, FinishError, Knowledge, Next, Onboarding,
    Outcome, Purpose, Subject, UnitState,
};
use chip::{ChipSource, ObjectName};
use custody::Passphrase;
use serde::Serialize;
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::key::PublicKey;
use standard::onboarding::Discriminator;
use standard::onboarding::draw::{Batch, Randomness};
use standard::passcode_verifier::{Iterations, PasscodeVerifier, Salt};
use standard::verdict::Device;
use zeroize::Zeroizing;

use crate::authority;
use crate::declaration;
use crate::head;
use crate::product::{self, FurtherObject, Kept};
use crate::randomness;
use crate::reel;
use crate::revocation::Known;
use crate::site::{Site, Who};
use crate::station::{Clock, Failure, Judge, work};
pub use crate::station::{Told, Watch};
use crate::trouble::Trouble;
use crate::trust;
use load::load;
use serials::Serials;

/// What a station is to do.
pub struct Provision<'a> {
    /// The reel it works on.
    pub reel: &'a str,
    /// Its name.
    pub station: &'a str,
    /// At most so many units; all chips that are there where none is given.
    pub units: Option<u64>,
    /// Serial numbers for new units, in order.
    pub serials: Option<Vec<String>>,
    /// The first of a series of serial numbers.
    pub serial_start: Option<&'a str>,
    /// Attempts at a chip before the next one is taken.
    pub attempts: u32,
    /// Take a unit over that another station left open.
    pub take_over: bool,
    /// The version of the firmware that the units carry.
    pub firmware: Option<&'a str>,
    /// Only chips whose unit was started before: a round of rework.
    pub only_started: bool,
    /// Opens the site key where that is wrapped.
    pub passphrase: Option<&'a Passphrase>,
}

/// What became of one chip.
#[derive(Debug, Clone, Serialize)]
pub struct UnitResult {
    /// Its serial number; none where the chip was not touched.
    pub unit: Option<String>,
    /// The chip.
    pub chip_id: String,
    /// `passed` or `failed`.
    pub result: &'static str,
    /// Why it failed.
    pub cause: Option<String>,
    /// What happened, for the engineer.
    pub detail: Option<String>,
    /// What the operator does next.
    pub advice: Option<String>,
    /// `retry`, `rework` or `scrap`.
    pub next: Option<&'static str>,
    /// Attempts made now.
    pub attempts: u32,
    /// Whether it was provisioned before, and only verified now.
    pub already: bool,
    /// Milliseconds of the last attempt, the chip's own time included.
    pub milliseconds: u64,
}

/// What a station did.
#[derive(Debug, Serialize)]
pub struct Provisioned {
    /// The reel.
    pub reel: String,
    /// The station.
    pub station: String,
    /// Units that passed now.
    pub passed: u64,
    /// Units that failed now.
    pub failed: u64,
    /// Chips that were provisioned before, and verified now.
    pub verified: u64,
    /// Chips of other reels that are there too, and were left alone.
    pub other_reels: u64,
    /// One by one.
    pub units: Vec<UnitResult>,
}

/// Everything that is the same for all units of a run, unless the site learns something new.
struct Line<'a> {
    site: &'a Site,
    who: &'a Who,
    reel: ReelId,
    product: ProductName,
    purpose: Purpose,
    /// How much there was to judge by when `judge` was made.
    known: Knowledge,
    station: StationName,
    kept: Kept,
    objects: Vec<FurtherObject>,
    declaration: declaration::Ready,
    judge: Judge,
    iterations: Iterations,
    salt_octets: usize,
    attempts: u32,
    limit: u32,
    take_over: bool,
    firmware: Option<FirmwareVersion>,
    passphrase: Option<&'a Passphrase>,
    watch: Watch<'a>,
}

/// Onboarding data drawn ahead, because deriving a verifier takes longer than
/// a transaction should.
struct Prepared {
    discriminator: Discriminator,
    passcode: Zeroizing<[u8; 4]>,
    salt: Salt,
    verifier: PasscodeVerifier,
}

/// Works through the chips of a source.
///
/// - `told`: called for each chip as it is done.
///
/// # Errors
///
/// [`Trouble`] where the work can't begin, or the book or the source fails in
/// the middle; what was done until then is in the book.
pub fn provision(
    site: &Site,
    request: Provision<'_>,
    source: &mut dyn ChipSource,
    who: &Who,
    told: &mut dyn FnMut(&UnitResult),
) -> Result<Provisioned, Trouble> {
    let mut line = line(site, &request, who, &|_| {})?;
    let mut serials = Serials::new(&request, &line.reel)?;
    let carton = line.kept.carton.unwrap_or(site.settings.onboarding.carton);
    let mut out = Provisioned {
        reel: line.reel.to_string(),
        station: line.station.to_string(),
        passed: 0,
        failed: 0,
        verified: 0,
        other_reels: 0,
        units: Vec::new(),
    };
    let (iterations, salt_octets) = (line.iterations, line.salt_octets);
    thread::scope(|scope| -> Result<(), Trouble> {
        // While a chip is busy the next unit's verifier is derived, which takes longer than all
        // else that the host does for a unit. Nothing is queued: one waits, ready.
        let (ready, next) = mpsc::sync_channel(0);
        scope.spawn(move || {
            let mut batch = Batch::new(randomness::system, carton.max(1));
            loop {
                let made = prepare(iterations, salt_octets, &mut batch);
                let failed = made.is_err();
                if ready.send(made).is_err() || failed {
                    break;
                }
            }
        });
        each_chip(&mut line, &request, source, &mut serials, &next, &mut |result| {
            match (result.result, result.already) {
                ("passed", true) => out.verified += 1,
                ("passed", false) => out.passed += 1,
                _ => out.failed += 1,
            }
            told(&result);
            out.units.push(result);
            request.units.is_some_and(|most| out.passed + out.failed >= most)
        })
        .map(|other_reels| out.other_reels = other_reels)
    })?;
    head::mark(site, who);
    Ok(out)
}

/// Gives onboarding data for a new unit.
type Ready = mpsc::Receiver<Result<Prepared, Trouble>>;

/// Works through the chips that are there, those that are provisioned after all
/// others: a station that starts anew on a full fixture goes on with its work, and
/// verifies what was done before only then. How many were of other reels.
///
/// - `done`: called for each chip; whether that was enough.
fn each_chip(
    line: &mut Line<'_>,
    request: &Provision<'_>,
    source: &mut dyn ChipSource,
    serials: &mut Serials,
    next: &Ready,
    done: &mut dyn FnMut(UnitResult) -> bool,
) -> Result<u64, Trouble> {
    let mut prepared: Option<Prepared> = None;
    let (mut other_reels, mut finished) = (0, Vec::new());
    let present = source.present()?;
    if present.is_empty() {
        return Err(chip::ChipError::Empty { source_name: source.describe() }.into());
    }
    let mut chips = present.into_iter();
    let mut finished_too = false;
    if request.units == Some(0) {
        return Ok(0);
    }
    loop {
        let Some(id) = chips.next() else {
            if finished_too {
                break;
            }
            finished_too = true;
            chips = std::mem::take(&mut finished).into_iter();
            continue;
        };
        let chip_id = ChipId::new(id.as_str())?;
        if prepared.is_none() {
            let gone =
                || Trouble::surroundings("onboarding data is not being made any more", "Start the station again.");
            prepared = Some(next.recv().map_err(|_| gone())??);
        }
        let (known, knowledge) = line.site.book.chip_and_knowledge(&chip_id)?;
        // Another reel's chips in the same fixture are none of this station's business.
        if known.as_ref().is_some_and(|k| k.reel != line.reel) {
            other_reels += 1;
            continue;
        }
        let state = known.map(|k| k.state);
        if request.only_started && state != Some(ChipState::Held) {
            continue;
        }
        if state == Some(ChipState::Provisioned) && !finished_too {
            finished.push(id);
            continue;
        }
        line.learn(knowledge)?;
        let Some(result) = one(line, &id, &chip_id, source, serials, &mut prepared)? else { break };
        if done(result) {
            break;
        }
    }
    Ok(other_reels)
}

/// One unit at a station where a person stands.
pub struct OneUnit<'a> {
    /// The reel in the station's feeder.
    pub reel: &'a str,
    /// The station's name.
    pub station: &'a str,
    /// The serial number on the housing; none where the book counts.
    pub serial: Option<&'a str>,
    /// The first of the series that the book counts.
    pub serial_start: Option<&'a str>,
    /// Attempts made at once.
    pub attempts: u32,
    /// Take the unit over where another station left it open.
    pub take_over: bool,
    /// The version of the firmware that the unit carries.
    pub firmware: Option<&'a str>,
    /// Opens the site key where that is wrapped.
    pub passphrase: Option<&'a Passphrase>,
}

/// Provisions one unit: that of the serial number, whose chip must then be in
/// the fixture, or a new one on the only chip there, or on the first that is blank.
///
/// - `from`: where to begin looking among the chips of a feeder; kept by the caller.
///
/// # Errors
///
/// [`Trouble`] where nothing was begun, or the book or the source failed in the middle.
pub fn one_unit(
    site: &Site,
    wanted: &OneUnit<'_>,
    source: &mut dyn ChipSource,
    from: &mut usize,
    who: &Who,
    watch: Watch<'_>,
) -> Result<UnitResult, Trouble> {
    let request = Provision {
        reel: wanted.reel,
        station: wanted.station,
        units: Some(1),
        serials: None,
        serial_start: wanted.serial_start,
        attempts: wanted.attempts,
        take_over: wanted.take_over,
        firmware: wanted.firmware,
        only_started: false,
        passphrase: wanted.passphrase,
    };
    let line = line(site, &request, who, watch)?;
    let mut serials = match wanted.serial {
        Some(serial) => Serials::Exactly(UnitSerial::new(serial)?),
        None => Serials::new(&request, &line.reel)?,
    };
    let carton = line.kept.carton.unwrap_or(site.settings.onboarding.carton);
    let mut batch = Batch::new(randomness::system, carton.max(1));
    let mut prepared = None;
    let mut tries = 0;
    loop {
        let (id, from_feeder) = chip_for(&line, &serials, source, from)?;
        let chip_id = ChipId::new(id.as_str())?;
        if prepared.is_none() {
            prepared = Some(prepare(line.iterations, line.salt_octets, &mut batch)?);
        }
        let result = one(&line, &id, &chip_id, source, &mut serials, &mut prepared)?.ok_or_else(|| {
            Trouble::refused("there is no serial number left for this unit", "Set the station up with another series.")
        })?;
        // Another station at the same feeder took the chip between the look and the begin.
        let taken = result.already || matches!(result.cause.as_deref(), Some("elsewhere" | "serial-taken"));
        tries += 1;
        if !(from_feeder && taken) || tries == FEEDER_TRIES {
            return Ok(result);
        }
        *from += 1;
    }
}

/// Chips looked at where others take from the same feeder at the same moment.
const FEEDER_TRIES: u32 = 64;

/// The chip for the next unit, and whether it was one of many.
fn chip_for(
    line: &Line<'_>,
    serials: &Serials,
    source: &mut dyn ChipSource,
    from: &mut usize,
) -> Result<(chip::ChipId, bool), Trouble> {
    let present = source.present()?;
    if let Serials::Exactly(serial) = serials
        && let Some(unit) = line.site.book.unit(serial)?
    {
        let found = present.into_iter().find(|id| id.as_str() == unit.chip_id.as_str());
        return found.map(|id| (id, false)).ok_or_else(|| {
            Trouble::refused(
                format!("unit {serial} has chip {}, which is not in the fixture", unit.chip_id),
                "Put that unit into the fixture, or scan the serial number of the one that is there.",
            )
        });
    }
    if let [only] = present.as_slice() {
        return Ok((only.clone(), false));
    }
    if present.is_empty() {
        return Err(Trouble::refused("no chip is in the fixture", "Put the unit in, then scan again."));
    }
    // A feeder: the next chip of this reel that nobody has touched. Looked for from
    // where the last one was found, then once from the beginning.
    for at in (*from..present.len()).chain(0..(*from).min(present.len())) {
        let id = &present[at];
        let known = line.site.book.chip(&ChipId::new(id.as_str())?)?;
        if known.is_some_and(|k| k.reel == line.reel && k.state == ChipState::Blank) {
            *from = at;
            return Ok((id.clone(), true));
        }
    }
    Err(Trouble::refused(
        format!("all chips of reel {} in the feeder are used", line.reel),
        "Put the next reel in, and set the station up for it.",
    ))
}

fn line<'a>(site: &'a Site, request: &Provision<'a>, who: &'a Who, watch: Watch<'a>) -> Result<Line<'a>, Trouble> {
    let reel = reel::get(site, request.reel)?;
    let product = product::get(site, reel.facts.product.as_str())?;
    let facts = &product.facts;
    let declaration = declaration::for_product(site, facts.vendor_id, facts.product_id, facts.purpose)?.ok_or_else(|| {
        Trouble::refused(
            format!("product {} has no declaration that names {:04X} {:04X}", facts.name, facts.vendor_id, facts.product_id),
            "Adopt the alliance's with `touchmark declaration adopt`, or make a development one with `touchmark declaration make`.",
        )
    })?;
    // The site key is needed before the first chip is touched, not in the middle.
    site.key(request.passphrase)?;
    let odd = |_| {
        Trouble::surroundings(
            format!("product {} in the book has impossible identifiers", facts.name),
            "Run `touchmark book verify`.",
        )
    };
    let device = Device {
        vendor: Some(VendorId::new(facts.vendor_id).map_err(odd)?),
        product: Some(ProductId::new(facts.product_id).map_err(odd)?),
        by_declaration: true,
    };
    // Counted before it is loaded: what comes between is noticed at the next chip.
    let known = site.book.knowledge()?;
    let iterations = Iterations::new(site.settings.onboarding.iterations)
        .map_err(|e| Trouble::usage(e.to_string(), "Mend onboarding.iterations in touchmark.toml."))?;
    let mut line = Line {
        site,
        who,
        reel: reel.facts.reel.clone(),
        station: StationName::new(request.station)?,
        kept: product::kept(&product)?,
        objects: product::further(&product)?,
        product: facts.name.clone(),
        purpose: facts.purpose,
        known,
        judge: Judge {
            anchors: Vec::new(),
            signer: declaration.signer.clone(),
            device,
            revoked: Known::default(),
            sets: Vec::new(),
        },
        declaration,
        iterations,
        salt_octets: site.settings.onboarding.salt_octets.clamp(16, 32),
        attempts: request.attempts.max(1),
        limit: site.settings.station.attempts.max(1),
        take_over: request.take_over,
        firmware: request.firmware.map(FirmwareVersion::new).transpose()?,
        passphrase: request.passphrase,
        watch,
    };
    line.load_judge()?;
    Ok(line)
}

impl Line<'_> {
    /// Takes up what the site has learned since: certificates revoked, lists kept, trust changed.
    /// A station runs for days, and must not write what was revoked this morning.
    fn learn(&mut self, knowledge: Knowledge) -> Result<(), Trouble> {
        if knowledge != self.known {
            self.load_judge()?;
            self.known = knowledge;
        }
        Ok(())
    }

    fn load_judge(&mut self) -> Result<(), Trouble> {
        let all = authority::anchors(self.site)?;
        let production = self.purpose == Purpose::Production;
        let anchors: Vec<_> = all.into_iter().filter(|(_, p)| *p || !production).map(|(c, _)| c).collect();
        if anchors.is_empty() {
            return Err(Trouble::refused(
                "no PAA is trusted at this site, so no unit could be proven",
                "Adopt the authority's PAA with `touchmark authority adopt`, or raise one.",
            ));
        }
        let sets = trust::of_product(self.site, &self.product)?;
        let pais = intermediates(self.site, &self.reel)?;
        let test = self.judge.device.vendor.is_some_and(VendorId::is_test);
        trust::preflight(&sets, test, &self.declaration.signed, &pais)?;
        (self.judge.anchors, self.judge.sets) = (anchors, sets);
        self.judge.revoked = Known::of(self.site)?;
        Ok(())
    }
}

/// PAIs of the reel's deliveries.
fn intermediates(site: &Site, reel: &ReelId) -> Result<Vec<Arc<Certificate>>, Trouble> {
    let names: std::collections::BTreeSet<_> = site.book.issuers_of(reel)?.into_iter().collect();
    let all = authority::intermediates(site)?;
    Ok(all.into_iter().filter(|(name, _)| names.contains(name)).map(|(_, c)| c).collect())
}

fn prepare<R: Randomness>(
    iterations: Iterations,
    salt_octets: usize,
    batch: &mut Batch<R>,
) -> Result<Prepared, Trouble> {
    let no_random = |e: &dyn std::fmt::Display| {
        Trouble::surroundings(
            format!("no onboarding data could be drawn: {e}"),
            "Look at the operating system's source of randomness.",
        )
    };
    let drawn = batch.draw().map_err(|e| no_random(&e))?;
    let mut octets = vec![0; salt_octets];
    randomness::system(&mut octets).map_err(|e| no_random(&e))?;
    let salt = Salt::new(&octets).map_err(|e| no_random(&e))?;
    let verifier = PasscodeVerifier::derive(&drawn.passcode, &salt, iterations).map_err(|e| no_random(&e))?;
    Ok(Prepared { discriminator: drawn.discriminator, passcode: drawn.passcode.password(), salt, verifier })
}

/// What a passcode at rest is bound to.
pub(crate) fn passcode_label(serial: &str) -> Vec<u8> {
    format!("passcode of unit {serial}").into_bytes()
}

/// One chip, with as many attempts as are allowed now; `None` where serial numbers ran out.
fn one(
    line: &Line<'_>,
    id: &chip::ChipId,
    chip_id: &ChipId,
    source: &mut dyn ChipSource,
    serials: &mut Serials,
    prepared: &mut Option<Prepared>,
) -> Result<Option<UnitResult>, Trouble> {
    let mut result = UnitResult {
        unit: None,
        chip_id: chip_id.to_string(),
        result: "failed",
        cause: None,
        detail: None,
        advice: None,
        next: None,
        attempts: 0,
        already: false,
        milliseconds: 0,
    };
    let onboard = |serial: &UnitSerial| -> Result<Option<Onboarding>, book::Stop> {
        let Some(p) = prepared.as_ref() else { return Ok(None) };
        let key = line.site.key(line.passphrase)?;
        Ok(Some(Onboarding {
            discriminator: p.discriminator.get(),
            salt: p.salt.octets().to_vec(),
            iterations: line.iterations.get(),
            verifier: p.verifier.octets().to_vec(),
            passcode: Some(key.seal(&passcode_label(serial.as_str()), &*p.passcode)?),
        }))
    };
    let mut used = false;
    while result.attempts < line.attempts {
        let Some(serial) = serials.wish() else { return Ok(None) };
        let by = line.who.at(&line.station);
        let begin = Begin {
            chip: chip_id,
            reel: Some(&line.reel),
            serial,
            onboard: &onboard,
            declaration: Some(&line.declaration.name),
            firmware: line.firmware.as_ref(),
            take_over: line.take_over,
            by: &by,
        };
        let begun = match line.site.book.begin_attempt(&begin) {
            Ok(begun) => begun,
            Err(BeginError::AlreadyProvisioned { unit }) => {
                result.unit = Some(unit.serial.to_string());
                result.already = true;
                verify(line, id, &unit, source, &mut result);
                let told = serde_json::json!({ "result": result.result, "cause": result.cause });
                line.site.book.note("unit.verify", &Subject::Unit(unit.serial.clone()), &told, &by)?;
                break;
            }
            Err(BeginError::Book(error)) => return Err(error.into()),
            Err(error) => {
                let advice = error.advice();
                set_aside(&mut result, &error, advice);
                break;
            }
        };
        result.attempts += 1;
        result.unit = Some(begun.unit.serial.to_string());
        (line.watch)(Told::Begun {
            unit: begun.unit.serial.as_str(),
            chip_id: chip_id.as_str(),
            attempt: begun.attempt.0,
            resumed: begun.resumed,
        });
        if !begun.resumed {
            serials.used(&begun.unit.serial);
            used = true;
        }
        if attempt(line, id, &begun, source, &mut result)? {
            break;
        }
        if result.next != Some(Next::Retry.word()) {
            break;
        }
    }
    if used {
        *prepared = None;
    }
    Ok(Some(result))
}

/// A chip that the book will not have touched.
fn set_aside(result: &mut UnitResult, error: &BeginError, advice: String) {
    let cause = match error {
        BeginError::ChipUnknown { .. } => "unknown-chip",
        BeginError::OtherReel { .. } => "other-reel",
        BeginError::NoCredential { .. } => "no-credential",
        BeginError::CredentialRevoked { .. } => "credential-revoked",
        BeginError::ChipScrapped { .. } => "chip-scrapped",
        BeginError::Elsewhere { .. } => "elsewhere",
        BeginError::SerialTaken { .. } | BeginError::ChipHasUnit { .. } => "serial-taken",
        BeginError::SeriesEnds { .. } => "series-ends",
        _ => "refused",
    };
    result.cause = Some(cause.into());
    result.detail = Some(error.to_string());
    result.advice = Some(advice);
}

/// One attempt; `true` where the unit passed.
fn attempt(
    line: &Line<'_>,
    id: &chip::ChipId,
    begun: &Begun,
    source: &mut dyn ChipSource,
    result: &mut UnitResult,
) -> Result<bool, Trouble> {
    let mut clock = Clock::new(line.watch);
    let done = load(line, begun).and_then(|load| {
        let key = PublicKey::from_point(&begun.chip.public_key).map_err(|e| engineer("chip-key", e.to_string()))?;
        let mut chip = source.open(id)?;
        work(chip.as_mut(), (id, &key), &load, &line.judge, &mut clock, (line.who.clock)())
    });
    result.milliseconds = clock.milliseconds();
    let by = line.who.at(&line.station);
    let finish = |outcome: Outcome<'_>| {
        line.site.book.finish_attempt(&Finish {
            unit: &begun.unit.serial,
            attempt: begun.attempt,
            steps: &clock.steps,
            outcome,
            by: &by,
        })
    };
    match done {
        Ok(proof) => {
            if let Err(error) = finish(Outcome::Passed(&proof)) {
                return lost(error, result);
            }
            result.result = "passed";
            result.cause = None;
            result.detail = None;
            result.advice = None;
            result.next = None;
            Ok(true)
        }
        Err(mut failure) => {
            // A chip that keeps failing is given up, so that its credential is accounted for.
            if counts(failure.next, &failure.cause) {
                let failed = line
                    .site
                    .book
                    .story(&begun.unit.serial)?
                    .map_or(0, |story| story.attempts.iter().filter(|a| is_the_chips_fault(&a.attempt)).count());
                if failed + 1 >= line.limit as usize {
                    failure.next = Next::Scrap;
                    failure.advice = format!("{} It has failed {} times: it is scrapped.", failure.advice, failed + 1);
                }
            }
            let failed = Outcome::Failed { cause: &failure.cause, detail: &failure.detail, next: failure.next };
            if let Err(error) = finish(failed) {
                return lost(error, result);
            }
            result.cause = Some(failure.cause);
            result.detail = Some(failure.detail);
            result.advice = Some(failure.advice);
            result.next = Some(failure.next.word());
            Ok(false)
        }
    }
}

/// An attempt that could not be ended.
fn lost(error: FinishError, result: &mut UnitResult) -> Result<bool, Trouble> {
    let Some(cause) = no_longer_ours(&error) else { return Err(error.into()) };
    result.cause = Some(cause.into());
    result.detail = Some(error.to_string());
    result.advice = Some(error.advice());
    result.next = None;
    Ok(false)
}

/// Whether a failure counts against the chip. Those that only an engineer can
/// mend say nothing of it, nor does a connection that broke: a loose contact, a
/// driver that died.
fn counts(next: Next, cause: &str) -> bool {
    next == Next::Retry && cause != "gone"
}

/// Attempts that a crash cut short do not count either.
fn is_the_chips_fault(attempt: &Attempt) -> bool {
    let (next, cause) = (attempt.next, attempt.cause.as_deref());
    attempt.result == AttemptResult::Failed && next.is_some_and(|next| counts(next, cause.unwrap_or_default()))
}

/// What the book says where an attempt is no longer this station's to end: the
/// unit fails here and goes on elsewhere, and this station goes on with the next chip.
fn no_longer_ours(error: &FinishError) -> Option<&'static str> {
    match error {
        FinishError::Ended { .. } | FinishError::OtherStation { .. } => Some("taken-over"),
        FinishError::CredentialRevoked { .. } => Some("credential-revoked"),
        _ => None,
    }
}

fn engineer(cause: &str, detail: String) -> Failure {
    Failure { cause: cause.into(), detail, advice: "Stop and call the engineer.".into(), next: Next::Rework }
}

/// A chip that was provisioned before: verified as it is, never written.
fn verify(line: &Line<'_>, id: &chip::ChipId, unit: &book::Unit, source: &mut dyn ChipSource, result: &mut UnitResult) {
    let mut clock = Clock::new(line.watch);
    let checked = (|| -> Result<(), Failure> {
        let proof = line
            .site
            .book
            .proof(&unit.serial)
            .map_err(|e| engineer("book", e.to_string()))?
            .ok_or_else(|| engineer("no-proof", format!("unit {} has no proof in the book", unit.serial)))?;
        let mut chip = source.open(id)?;
        clock.step("verify", chip.as_mut(), |chip| {
            if chip.read(&ObjectName::DAC)?.as_deref() != Some(proof.facts.dac.as_slice()) {
                return Err(engineer(
                    "read-back-differs",
                    format!("chip {id} does not hold the DAC that unit {} was proven with", unit.serial),
                ));
            }
            let exchange = crate::station::prove(chip, &line.declaration.signed)?;
            let dac = Certificate::read(&proof.facts.dac).map_err(|e| engineer("unreadable", e.to_string()))?;
            let good = dac.public_key().is_some_and(|key| exchange.as_proof().is_signed_by(key));
            if good {
                Ok(())
            } else {
                Err(engineer("wrong-signature", format!("chip {id} does not prove the key of its DAC")))
            }
        })
    })();
    result.milliseconds = clock.milliseconds();
    match checked {
        Ok(()) if unit.state == UnitState::Passed => result.result = "passed",
        Ok(()) => {
            result.cause = Some("returned".into());
            result.detail = Some(format!("unit {} came back from the customer", unit.serial));
            result.advice = Some("Put it aside for the engineer.".into());
        }
        Err(failure) => {
            result.cause = Some(failure.cause);
            result.detail = Some(failure.detail);
            result.advice = Some(failure.advice);
        }
    }
}
