//! One chip at a station: its attempts, each with an intention before it and what came of it after.

use std::cell::Cell;
use std::thread;
use std::time::Duration;

use base::trouble::Trouble;
use book::ids::{ChipId, UnitSerial};
use book::{
    Attempt, AttemptResult, Begin, BeginError, Begun, Credential, CredentialState, Finish, FinishError, NewProof, Next,
    Onboarding, Outcome, RenewalKind, SerialWish, Subject, UnitState,
};
use chip::{ChipSource, ObjectName};
use examine::intake::sha256 as sha256_of;
use site::revoked::{marked as marked_revoked, words as revoked_words};
use standard::certificate::Certificate;
use standard::key::PublicKey;

use super::line::{Line, Prepared};
use super::older::{Adoption, Looked, by_key, look};
use super::{ChipResult, Serials, Told, UnitResult, load};
use crate::scrapped::ScrappedHere;
use crate::station::{Clock, Failure, is_locked, work};
use crate::unit;
use crate::unit::passcode_label;

/// How long, and how often, a chip is waited for at which another station looks.
const MOMENT: Duration = Duration::from_millis(20);
const MOMENTS: u32 = 50;

/// Opens a chip. Another station that only looks at it lets it go in a moment.
///
/// # Errors
///
/// As the source says; [`chip::ChipError::Held`] only where that lasts.
pub(super) fn open(source: &mut dyn ChipSource, id: &chip::ChipId) -> Result<Box<dyn chip::Chip>, chip::ChipError> {
    for _ in 0..MOMENTS {
        match source.open(id) {
            Err(chip::ChipError::Held { .. }) => thread::sleep(MOMENT),
            opened => return opened,
        }
    }
    source.open(id)
}

/// One chip, with as many attempts as are allowed now; `None` where serial numbers ran out.
///
/// - `blank`: whether it is blank in the book.
pub(super) fn one(
    line: &Line<'_>,
    (id, chip_id, blank): (&chip::ChipId, &ChipId, bool),
    source: &mut dyn ChipSource,
    serials: &mut Serials,
    prepared: &mut Option<Prepared>,
) -> Result<Option<UnitResult>, Trouble> {
    let mut result = UnitResult {
        unit: None,
        chip_id: chip_id.to_string(),
        result: ChipResult::Failed,
        cause: None,
        detail: None,
        advice: None,
        next: None,
        attempts: 0,
        already: false,
        adopted: None,
        notice: None,
        taken: false,
        swapped: false,
        milliseconds: 0,
    };
    if let Some(what) = if blank { revoked(line, chip_id)? } else { None } {
        let what = format!("{what}; nothing was written, and no unit was begun for chip {chip_id}");
        result.refused(engineer("revoked", what));
        return Ok(Some(result));
    }
    let looked = if blank { look(line, id, chip_id, source)? } else { Ok(Looked::Blank) };
    let found = looked.and_then(|looked| {
        Ok(match looked {
            Looked::Blank => (None, None),
            Looked::Held(held) => (Some(held.adopt(line, id)?), None),
            Looked::Silent(failure) => (None, Some(failure)),
        })
    });
    let (adopted, mut silent) = match found {
        Ok(found) => found,
        Err(failure) => {
            result.refused(failure);
            return Ok(Some(result));
        }
    };
    // What was drawn for one unit is never another's.
    let drawn = Cell::new(false);
    let onboard = |serial: &UnitSerial| -> Result<Option<Onboarding>, book::Stop> {
        if let Some(own) = adopted.as_ref().map(|a| a.onboarding(line, serial)).transpose()?.flatten() {
            return Ok(Some(own));
        }
        let Some(p) = prepared.as_ref() else { return Ok(None) };
        let key = line.site.key(line.passphrase)?;
        drawn.set(true);
        Ok(Some(Onboarding {
            discriminator: p.discriminator.get(),
            salt: p.salt.octets().to_vec(),
            iterations: line.iterations.get(),
            verifier: p.verifier.octets().to_vec(),
            passcode: Some(key.seal(&passcode_label(serial.as_str()), &*p.passcode)?),
        }))
    };
    let listed = !matches!(serials.wish(), SerialWish::CountFrom(_));
    while result.attempts < line.attempts {
        let own = adopted.as_ref().and_then(|adopted| adopted.serial.as_ref());
        let serial = match (serials.wish(), own) {
            (SerialWish::Exactly(wanted), Some(own)) if wanted != own => {
                other_serial(&mut result, chip_id, wanted, own);
                break;
            }
            (_, Some(own)) => SerialWish::Exactly(own),
            (wish, None) => wish,
        };
        let by = line.who.at(&line.station);
        let begin = Begin {
            chip: chip_id,
            reel: Some(&line.reel),
            serial,
            waiting: serials.takes_up(),
            onboard: &onboard,
            declaration: Some(&line.declaration.name),
            facts: line.facts.clone(),
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
            Err(BeginError::NoSerial { .. } | BeginError::SeriesEnds { .. }) => return Ok(None),
            Err(BeginError::Book(error)) => return Err(error.into()),
            Err(error @ BeginError::SerialTaken { .. }) if own.is_some() => {
                let advice = format!(
                    "Two units have this number. Put both aside and call the engineer, who decides which one keeps it. \
                     The other is taken out of the count: this one with `touchmark chip scrap {chip_id} --reason TEXT`, \
                     the one in the book with `touchmark unit scrap`. Neither can be sold with the label that both have."
                );
                set_aside(&mut result, &error, advice);
                break;
            }
            Err(error) => {
                let is_unknown = matches!(error, BeginError::ChipUnknown { .. });
                match if is_unknown { by_key(line, id, chip_id, source)? } else { Ok(()) } {
                    Err(failure) => result.refused(failure),
                    Ok(()) => {
                        let advice = error.advice();
                        set_aside(&mut result, &error, advice);
                        if let BeginError::ChipScrapped { .. } = &error
                            && let Some(scrapped) = ScrappedHere::of(line.site, chip_id)?
                        {
                            result.swapped = scrapped.swapped;
                            result.detail = Some(scrapped.to_string());
                        }
                    }
                }
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
            if own.is_none() && !begun.board {
                serials.confirm(line.site, &by)?;
            }
            if let Some(adopted) = &adopted {
                result.adopted = Some(adopted.from());
                let told = serde_json::json!({ "chip": chip_id, "dac": adopted.dac, "from": adopted.from() });
                line.site.book.note("unit.adopt", &Subject::Unit(begun.unit.serial.clone()), &told, &by)?;
            }
        }
        if attempt(line, id, &begun, (adopted.as_ref(), silent.take()), source, &mut result)? {
            match &adopted {
                Some(adopted) => result.notice = Some(adopted.notice(&begun.unit.serial, listed)),
                None => result.notice = came_back(line, &begun)?.or(result.notice),
            }
            break;
        }
        if result.next != Some(Next::Retry) {
            break;
        }
    }
    if drawn.get() {
        *prepared = None;
    }
    Ok(Some(result))
}

/// What the operator has to know of a unit that went back to the line and passed.
fn came_back(line: &Line<'_>, begun: &Begun) -> Result<Option<String>, Trouble> {
    if !begun.board && !begun.resumed {
        return Ok(None);
    }
    let Some(story) = line.site.book.story(&begun.unit.serial)? else { return Ok(None) };
    let (Some(last), serial) = (story.renewals.last(), &begun.unit.serial) else { return Ok(None) };
    let what = match last.kind {
        RenewalKind::Swap => format!("This is the next board of unit {serial}."),
        RenewalKind::Refurbish => format!("Unit {serial} is ready for another owner."),
    };
    // Since it passed before, whatever sent it back in between.
    let passed = story
        .boards
        .iter()
        .flat_map(|board| &board.proofs)
        .map(|proof| proof.attempt.0)
        .filter(|n| *n < begun.attempt.0);
    let since = passed.max().unwrap_or(0);
    let code = story.renewals.iter().any(|r| r.new_code && r.attempts >= since);
    Ok(Some(if code {
        format!("{what} It has a new code: print its new label and replace the old one.")
    } else {
        format!("{what} Its code is kept, so the label that it has stays right.")
    }))
}

/// Why the certificate of a blank chip counts no more, before a serial number is used for it.
fn revoked(line: &Line<'_>, chip: &ChipId) -> Result<Option<String>, Trouble> {
    // Most sites have revoked nothing.
    if line.judge.revoked.is_empty() {
        return Ok(None);
    }
    let Some(story) = line.site.book.chip_story(chip)?.filter(|story| story.chip.reel == line.reel) else {
        return Ok(None);
    };
    // The book itself refuses what is marked in it.
    let counts = |credential: &&Credential| credential.state != CredentialState::Revoked;
    let pai = story.authorities.first().map(|pai| pai.facts.certificate.as_slice());
    let dac = story.credential.as_ref().filter(counts).map(|credential| credential.certificate.as_slice());
    Ok(dac.and_then(|dac| revoked_words(&line.judge.revoked, &line.judge.anchors, dac, pai)))
}

/// A chip that is another unit's by its own factory record.
fn other_serial(result: &mut UnitResult, chip: &ChipId, wanted: &UnitSerial, own: &UnitSerial) {
    result.taken = true;
    result.cause = Some("serial-taken".into());
    result.detail = Some(format!("the factory record on chip {chip} is of unit {own}, not of {wanted}"));
    result.advice = Some(format!("Nothing was changed. Put the board back with unit {own}."));
}

impl UnitResult {
    /// Of a chip for which no unit was begun.
    fn refused(&mut self, failure: Failure) {
        (self.cause, self.detail, self.advice) = (Some(failure.cause), Some(failure.detail), Some(failure.advice));
    }
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
        _ => "refused",
    };
    use BeginError::{ChipHasUnit, Elsewhere, SerialTaken};
    result.taken = matches!(error, Elsewhere { .. } | SerialTaken { .. } | ChipHasUnit { .. });
    result.cause = Some(cause.into());
    result.detail = Some(error.to_string());
    result.advice = Some(advice);
}

/// One attempt; `true` where the unit passed.
///
/// - `silent`: what the chip failed with already, before its unit was begun.
fn attempt(
    line: &Line<'_>,
    id: &chip::ChipId,
    begun: &Begun,
    (adopted, silent): (Option<&Adoption>, Option<Failure>),
    source: &mut dyn ChipSource,
    result: &mut UnitResult,
) -> Result<bool, Trouble> {
    let mut clock = Clock::new(line.watch);
    let done =
        silent.map_or_else(|| of_line(line, begun).and_then(|()| load(line, begun, adopted)), Err).and_then(|load| {
            let key = PublicKey::from_point(&begun.chip.public_key).map_err(|e| engineer("chip-key", e.to_string()))?;
            work(&mut || open(source, id), (id, &key), &load, &line.judge, &mut clock, (line.who.clock)())
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
            result.notice = unit::not_current(&proof.dac, line.who.now());
            result.result = ChipResult::Passed;
            result.cause = None;
            result.detail = None;
            result.advice = None;
            result.next = None;
            Ok(true)
        }
        Err(mut failure) => {
            // A chip that keeps failing is given up, so that its credential is accounted for.
            if counts(failure.next, &failure.cause) {
                let failed = line.site.book.story(&begun.unit.serial)?.map_or(0, |story| {
                    story.attempts_since_renewal().iter().filter(|a| is_the_chips_fault(&a.attempt)).count()
                });
                if failed + 1 >= line.limit as usize {
                    failure.next = Next::Scrap;
                    failure.advice = format!("It has failed {} times.", failed + 1);
                }
            }
            if failure.next == Next::Scrap {
                failure.advice +=
                    " The unit and its chip are scrapped, and the certificate is spent. Put it with the scrap.";
            }
            let failed = Outcome::Failed { cause: &failure.cause, detail: &failure.detail, next: failure.next };
            if let Err(error) = finish(failed) {
                return lost(error, result);
            }
            result.cause = Some(failure.cause);
            result.detail = Some(failure.detail);
            result.advice = Some(failure.advice);
            result.next = Some(failure.next);
            Ok(false)
        }
    }
}

/// A reel may have gone to another product since this station looked at it last.
fn of_line(line: &Line<'_>, begun: &Begun) -> Result<(), Failure> {
    let product = &begun.product.facts.name;
    if *product == line.product {
        return Ok(());
    }
    let detail =
        format!("reel {} is for product {product} now, and was for {}; nothing was written", line.reel, line.product);
    Err(Failure {
        cause: "other-product".into(),
        detail,
        advice: "Start the station again, then put the unit on it.".into(),
        next: Next::Rework,
    })
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

pub(super) fn engineer(cause: &str, detail: String) -> Failure {
    Failure { cause: cause.into(), detail, advice: "Stop and call the engineer.".into(), next: Next::Rework }
}

/// What the chip held when it was proven: object and SHA-256.
fn proven(facts: &NewProof) -> Vec<(String, [u8; 32])> {
    let own = [(ObjectName::DAC, Some(&facts.dac)), (ObjectName::PAI, Some(&facts.pai))];
    let own = own.into_iter().chain([(ObjectName::DECLARATION, facts.declaration.as_ref())]);
    own.filter_map(|(name, octets)| Some((name.as_str().to_owned(), sha256_of(octets?))))
        .chain(facts.objects.iter().map(|object| (object.name.clone(), object.sha256)))
        .collect()
}

/// Whether the chip was found locked when its unit passed.
fn was_locked(line: &Line<'_>, unit: &book::Unit) -> Result<bool, book::BookError> {
    Ok(line.site.book.story(&unit.serial)?.is_some_and(|story| unit::was_locked(&story)))
}

/// The cause of a chip that has nothing of a unit that passed.
const EMPTY: &str = "certificate-missing";

/// A chip that was provisioned before: verified as it is, never written.
pub(super) fn verify(
    line: &Line<'_>,
    id: &chip::ChipId,
    unit: &book::Unit,
    source: &mut dyn ChipSource,
    result: &mut UnitResult,
) {
    let mut clock = Clock::new(line.watch);
    let checked = (|| -> Result<Option<String>, Failure> {
        let proof = line
            .site
            .book
            .proof(&unit.serial)
            .map_err(|e| engineer("book", e.to_string()))?
            .ok_or_else(|| engineer("no-proof", format!("unit {} has no proof in the book", unit.serial)))?;
        let facts = &proof.facts;
        let story = line.site.book.chip_story(&unit.chip_id).map_err(|e| engineer("book", e.to_string()))?;
        let marked = story.and_then(|story| story.credential).as_ref().and_then(marked_revoked);
        let listed = revoked_words(&line.judge.revoked, &line.judge.anchors, &facts.dac, Some(&facts.pai));
        if let Some(what) = listed.or(marked) {
            return Err(Failure {
                cause: "revoked".into(),
                detail: format!("unit {} must not be shipped: {what}", unit.serial),
                advice: "Put the unit aside and call the engineer. `touchmark unit scrap` takes it out of the count."
                    .into(),
                next: Next::Rework,
            });
        }
        let locked = was_locked(line, unit).map_err(|e| engineer("book", e.to_string()))?;
        let mut chip = open(source, id)?;
        clock.step("verify", chip.as_mut(), |chip| {
            if chip.read(&ObjectName::DAC)?.is_none() {
                return Err(Failure {
                    cause: EMPTY.into(),
                    detail: format!(
                        "chip {id} holds no certificate, but unit {} passed with one: another chip answers with the \
                         same id, or this one was erased",
                        unit.serial
                    ),
                    advice: format!(
                        "Put it aside and call the engineer. Look for the unit that is labelled {}, and put it on the \
                         station: it may be good. Scrap neither before that.",
                        unit.serial
                    ),
                    next: Next::Rework,
                });
            }
            if locked {
                is_locked(chip, id)?;
            }
            for (name, sha256) in proven(facts) {
                let held = chip.read(&ObjectName::new(&name).map_err(|e| engineer("book", e.to_string()))?)?;
                if held.as_deref().map(sha256_of) != Some(sha256) {
                    return Err(engineer(
                        "read-back-differs",
                        format!("chip {id} does not contain the {name} that unit {} was proven with", unit.serial),
                    ));
                }
            }
            let exchange = crate::station::prove(chip, &line.declaration.signed)?;
            let dac = Certificate::read(&proof.facts.dac).map_err(|e| engineer("unreadable", e.to_string()))?;
            let good = dac.public_key().is_some_and(|key| exchange.as_proof().is_signed_by(key));
            if good {
                Ok(unit::not_current(&facts.dac, line.who.now()))
            } else {
                Err(engineer("wrong-signature", format!("chip {id} does not prove the key of its DAC")))
            }
        })
    })();
    result.milliseconds = clock.milliseconds();
    match checked {
        Ok(notice) if unit.state == UnitState::Passed => (result.result, result.notice) = (ChipResult::Passed, notice),
        Ok(_) => {
            result.cause = Some("returned".into());
            result.detail = Some(format!("unit {} was returned by the customer", unit.serial));
            result.advice = Some("Put it aside for the engineer.".into());
        }
        Err(failure) => {
            let empty = failure.cause == EMPTY;
            result.cause = Some(failure.cause);
            result.detail = Some(failure.detail);
            result.advice = Some(if empty || unit.state != UnitState::Passed {
                failure.advice
            } else {
                format!(
                    "{} The unit had passed, and counts as passed until somebody decides: `touchmark unit scrap {}` takes it out \
                 of the count.",
                    failure.advice, unit.serial
                )
            });
        }
    }
}
