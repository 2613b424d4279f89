//! One unit: its whole story, its files, its way out of the line.

use std::collections::HashSet;
use std::path::Path;
use std::{fs, io};

use book::ids::{ReelId, UnitSerial};
use book::{Next, Subject, Unit, UnitFilter, UnitState, UnitStory};
use custody::Passphrase;
use serde::Serialize;
use serde_json::{Value, json};
use standard::certificate::Certificate;
use standard::ids::{ProductId, VendorId};
use standard::moment::{Moment, NO_END};
use standard::onboarding::{Discriminator, Flow, OptionalData, Passcode, Payload, Reach};

use crate::label;
use crate::product;
use crate::provision::passcode_label;
use crate::reel::{self, time_text};
use crate::revocation::RevokedHere;
use crate::site::{Site, Who};
use crate::trouble::Trouble;

/// A unit in a list.
#[derive(Debug, Serialize)]
pub struct UnitView {
    /// Serial number.
    pub unit: String,
    /// State.
    pub state: &'static str,
    /// Product.
    pub product: String,
    /// Reel.
    pub reel: String,
    /// Chip.
    pub chip_id: String,
    /// Attempts so far.
    pub attempts: i64,
    /// When it last changed.
    pub changed: String,
    /// Why its certificate counts no more, where it is revoked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revoked: Option<String>,
    /// Whether its last check at a station failed after it had passed.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub check_failed: bool,
    /// How it was scrapped before, where it was to be scrapped again and nothing was changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub already: Option<Left>,
}

fn view(unit: &Unit) -> UnitView {
    UnitView {
        unit: unit.serial.to_string(),
        state: unit.state.word(),
        product: unit.product.to_string(),
        reel: unit.reel.to_string(),
        chip_id: unit.chip_id.to_string(),
        attempts: unit.attempts,
        changed: time_text(unit.changed),
        revoked: None,
        check_failed: false,
        already: None,
    }
}

/// Which units to list.
#[derive(Debug, Default)]
pub struct Wanted<'a> {
    /// Of a reel.
    pub reel: Option<&'a str>,
    /// In a state.
    pub state: Option<&'a str>,
    /// After this serial number.
    pub after: Option<&'a str>,
    /// At most so many.
    pub limit: u32,
}

/// Units in the order of their serial numbers.
///
/// # Errors
///
/// [`Trouble`] for a state that there is not, or a reel that is not here.
pub fn list(site: &Site, wanted: &Wanted<'_>) -> Result<Vec<UnitView>, Trouble> {
    let state = match wanted.state {
        None => None,
        Some(word) => Some(UnitState::from_word(word).ok_or_else(|| {
            Trouble::usage(
                format!("{word:?} is not a state of a unit"),
                "Choose open, passed, failed, scrapped or returned.",
            )
        })?),
    };
    let filter =
        UnitFilter { reel: wanted.reel.map(|id| known_reel(site, id)).transpose()?, state, ..UnitFilter::default() };
    let after = wanted.after.map(UnitSerial::new).transpose()?;
    let revoked_here = RevokedHere::of(site)?;
    let units = site.book.units(&filter, after.as_ref(), wanted.limit)?;
    let failed = checks_failed(site, None)?;
    let marked = |unit: &Unit| {
        let (revoked, check_failed) = (revoked_here.of_chip(site, &unit.chip_id)?, failed.contains(&unit.serial));
        Ok(UnitView { revoked, check_failed, ..view(unit) })
    };
    units.items.iter().map(marked).collect()
}

/// The id of a reel that is here. A typo must not read as a reel without units, all accounted for.
pub(crate) fn known_reel(site: &Site, id: &str) -> Result<ReelId, Trouble> {
    Ok(reel::get(site, id)?.facts.reel)
}

/// What a search found.
#[derive(Debug, Serialize)]
pub struct FoundView {
    /// The chip.
    pub chip_id: String,
    /// Its reel.
    pub reel: String,
    /// The chip's state.
    pub chip: &'static str,
    /// Its unit, where it has one.
    pub unit: Option<String>,
    /// The unit's state.
    pub state: Option<&'static str>,
    /// Serial number of its credential.
    pub credential: Option<String>,
    /// Why the certificate counts no more, where it is revoked.
    pub revoked: Option<String>,
    /// Whether its unit's last check at a station failed after it had passed.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub check_failed: bool,
}

/// Most finds of each kind.
const MOST_FOUND: usize = 50;

/// What a text was found as.
#[derive(Debug, Serialize)]
pub struct FoundAll {
    /// The first that match.
    pub found: Vec<FoundView>,
    /// Whether more match.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub more: bool,
}

/// Looks a text up: a scanned QR code or a manual pairing code of a unit of this site; a unit's or credential's serial
/// number or a chip id, in any letter case, or its beginning; the end of a unit's serial number.
///
/// - `passphrase`: opens the site key where that is wrapped; a code alone needs it.
///
/// # Errors
///
/// [`Trouble`] where the book gave no answer, or the site key does not open.
pub fn find(site: &Site, text: &str, passphrase: Option<&Passphrase>) -> Result<FoundAll, Trouble> {
    if text.trim().is_empty() {
        return Err(Trouble::usage(
            "there is nothing to look for",
            "Give a serial number or its end, a chip ID, the serial number of a credential, or a code.",
        )
        .about("text"));
    }
    let most = MOST_FOUND as u32 + 1;
    let mut found = Vec::new();
    for unit in label::owners(site, text, passphrase, MOST_FOUND + 1)? {
        let named = site.book.find(unit.as_str(), most)?;
        found.extend(named.into_iter().find(|f| f.unit.as_ref().is_some_and(|(serial, _)| *serial == unit)));
    }
    for other in site.book.find(text, most)? {
        if !found.contains(&other) {
            found.push(other);
        }
    }
    let more = found.len() > MOST_FOUND;
    found.truncate(MOST_FOUND);
    let revoked_here = RevokedHere::of(site)?;
    let failed = checks_failed(site, None)?;
    let view = |f: book::Found| {
        Ok(FoundView {
            revoked: revoked_here.of_chip(site, &f.chip)?,
            check_failed: f.unit.as_ref().is_some_and(|(serial, _)| failed.contains(serial)),
            chip_id: f.chip.to_string(),
            reel: f.reel.to_string(),
            chip: f.chip_state.word(),
            state: f.unit.as_ref().map(|(_, s)| s.word()),
            unit: f.unit.map(|(u, _)| u.to_string()),
            credential: f.credential.map(hex::encode),
        })
    };
    Ok(FoundAll { found: found.into_iter().map(view).collect::<Result<_, Trouble>>()?, more })
}

/// What to say where [`find`] found nothing.
pub fn nothing_found(text: &str) -> String {
    match label::code_fault(text) {
        Some(fault) => format!("No unit has that code: {fault} Read it again."),
        None if label::looks_like_code(text) => "No unit of this site whose passcode is kept has that code. One whose passcode was erased is found by its serial \
             number alone."
            .into(),
        None if text.trim().chars().count() < book::SHORTEST_TAIL => {
            format!(
                "Nothing in the book begins with {text}. Give at least {} characters to find the end of a serial number.",
                book::SHORTEST_TAIL
            )
        }
        None => format!("Nothing in the book begins with {text}, and no serial number ends with it."),
    }
}

fn serial(unit: &str) -> Result<UnitSerial, Trouble> {
    Ok(UnitSerial::new(unit)?)
}

fn missing(unit: &str) -> Trouble {
    Trouble::absent(
        format!("there is no unit {unit}"),
        "Check the serial number, or search with `touchmark unit find`.",
    )
}

/// The serial number of a unit of this site, typed in any letter case; as it was typed where there is none.
pub(crate) fn typed(site: &Site, text: &str) -> Result<UnitSerial, Trouble> {
    let serial = serial(text)?;
    if site.book.unit(&serial)?.is_some() {
        return Ok(serial);
    }
    let same = |f: book::Found| f.unit.map(|(unit, _)| unit).filter(|unit| unit.as_str().eq_ignore_ascii_case(text));
    let mut found = site.book.find(text, MOST_FOUND as u32)?.into_iter().filter_map(same);
    Ok(match (found.next(), found.next()) {
        (Some(one), None) => one,
        _ => serial,
    })
}

/// The whole story of a unit from the book; its serial number in any letter case.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit.
pub fn story(site: &Site, unit: &str) -> Result<UnitStory, Trouble> {
    site.book.story(&typed(site, unit)?)?.ok_or_else(|| missing(unit))
}

/// How a unit left the line, by the entry that says so.
#[derive(Debug, Clone, Serialize)]
pub struct Left {
    /// `returned` or `scrapped`.
    pub event: &'static str,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
    /// Why.
    pub reason: String,
}

/// Each time that the unit came back or was scrapped, in order.
fn left(story: &UnitStory) -> Result<Vec<Left>, Trouble> {
    let mut all = Vec::new();
    for entry in &story.entries {
        let body = entry.body()?;
        let (event, reason) = match entry.act.as_str() {
            "unit.return" => ("returned", &body["reason"]),
            "unit.scrap" => ("scrapped", &body["reason"]),
            "attempt.fail" if body["next"] == Next::Scrap.word() => ("scrapped", &body["cause"]),
            _ => continue,
        };
        all.push(Left {
            event,
            at: time_text(entry.at),
            by: entry.actor.to_string(),
            reason: reason.as_str().unwrap_or_default().to_owned(),
        });
    }
    Ok(all)
}

/// How the book came to know a unit again that its chip knew better, by the entry that says so.
#[derive(Debug, Clone, Serialize)]
pub struct AdoptedHere {
    /// `record` where its number and code come from the factory record on the chip, else `new-code`.
    pub from: String,
    /// When.
    pub at: String,
    /// By whom.
    pub by: String,
}

fn adopted(story: &UnitStory) -> Result<Option<AdoptedHere>, Trouble> {
    let Some(entry) = story.entries.iter().rfind(|entry| entry.act == "unit.adopt") else { return Ok(None) };
    let from = entry.body()?["from"].as_str().unwrap_or_default().to_owned();
    Ok(Some(AdoptedHere { from, at: time_text(entry.at), by: entry.actor.to_string() }))
}

/// A unit's story as JSON. The passcode and what tells it are hidden unless `reveal`, which is recorded.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit, or the site key does not open the passcode.
pub fn show(site: &Site, unit: &str, reveal: Option<Option<&Passphrase>>, who: &Who) -> Result<Value, Trouble> {
    if reveal.is_some() {
        // Recorded before it is shown: a showing without its entry must not be.
        site.book.note("passcode.reveal", &Subject::Unit(typed(site, unit)?), &json!({}), &who.by())?;
    }
    let story = story(site, unit)?;
    let adopted = adopted(&story)?;
    let revoked = RevokedHere::of(site)?.of_chip(site, &story.unit.chip_id)?;
    let certificate = |der: &[u8]| {
        Certificate::read(der).ok().map(|c| {
            let mut told = json!({
                "subject": c.subject.display(c.der()),
                "issuer": c.issuer.display(c.der()),
                "serial": c.serial_hex(),
                "subject_key_id": c.subject_key_id().map(hex::encode),
                "not_before": c.not_before.moment.map(|m| m.to_string()),
                "not_after": c.not_after.moment.filter(|m| *m != NO_END).map(|m| m.to_string()),
            });
            if let Some(not_valid) = c.not_valid_at(who.now()) {
                told["not_valid"] = json!(format!("it {not_valid}"));
            }
            told
        })
    };
    let attempts: Vec<Value> = story
        .attempts
        .iter()
        .map(|a| {
            json!({
                "attempt": a.attempt.number.0,
                "station": a.attempt.station.as_str(),
                "by": a.attempt.actor.as_str(),
                "started": time_text(a.attempt.started),
                "ended": a.attempt.ended.map(time_text),
                "result": a.attempt.result.word(),
                "cause": a.attempt.cause,
                "detail": a.attempt.detail,
                "next": a.attempt.next.map(Next::word),
                "declaration": a.attempt.declaration.as_ref().map(|name| name.as_str()),
                "firmware": a.firmware.as_ref().map(|version| version.as_str()),
                "steps": a.steps.iter().map(|s| json!({
                    "step": s.name, "started_us": s.started_us, "microseconds": s.duration_us, "result": s.result, "detail": s.detail,
                })).collect::<Vec<_>>(),
            })
        })
        .collect();
    let onboarding = match (&story.unit.onboarding, reveal) {
        (None, _) => Value::Null,
        (Some(data), _) if data.passcode.is_none() => {
            let passcode = if adopted.is_some() { "not-in-book" } else { "erased" };
            json!({ "discriminator": data.discriminator, "iterations": data.iterations, "passcode": passcode, "revealed": false })
        }
        (Some(data), None) => {
            json!({ "discriminator": data.discriminator, "iterations": data.iterations, "passcode": "hidden", "revealed": false })
        }
        (Some(data), Some(passphrase)) => {
            let payload = payload(site, &story.unit, passphrase)?;
            let manual = payload
                .manual_code(payload.needs_long())
                .map_err(|e| Trouble::surroundings(e.to_string(), "Check the product's identifiers."))?;
            json!({
                "discriminator": data.discriminator, "iterations": data.iterations, "passcode": format!("{:08}", payload.passcode.get()),
                "qr": payload.qr_text(), "manual": manual.digits(), "revealed": true,
            })
        }
    };
    let origin = &story.origin;
    let mut checks = Vec::new();
    for entry in story.entries.iter().filter(|entry| entry.act == "unit.verify") {
        let said = entry.body()?;
        checks.push(json!({
            "at": time_text(entry.at), "by": entry.actor.as_str(), "station": entry.station.as_ref().map(|s| s.as_str()),
            "result": said["result"], "cause": said["cause"],
        }));
    }
    let requested = origin.credential.as_ref().map(|c| requested(site, &c.serial)).transpose()?.flatten();
    Ok(json!({
        "unit": story.unit.serial.as_str(),
        "state": story.unit.state.word(),
        "reason": story.unit.reason,
        "left": left(&story)?,
        "adopted": adopted,
        "revoked": revoked,
        "revocation_requested": requested,
        "checks": checks,
        "product": origin.product.facts.name.as_str(),
        "purpose": origin.product.facts.purpose.word(),
        "vendor_id": format!("{:04X}", origin.product.facts.vendor_id),
        "product_id": format!("{:04X}", origin.product.facts.product_id),
        "began": time_text(story.unit.began),
        "changed": time_text(story.unit.changed),
        "chip": { "chip_id": origin.chip.chip_id.as_str(), "state": origin.chip.state.word(), "position": origin.chip.position, "public_key": hex::encode(&origin.chip.public_key) },
        "reel": { "reel": origin.reel.facts.reel.as_str(), "source": origin.reel.facts.source_name, "received": time_text(origin.reel.received) },
        "delivery": origin.delivery.as_ref().map(|d| json!({ "delivery": d.delivery.as_str(), "source": d.source_name, "verdict": d.verdict.word(), "received": time_text(d.received) })),
        "credential": origin.credential.as_ref().map(|c| json!({ "state": c.state.word(), "reason": c.reason, "serial": hex::encode(&c.serial), "issuer": c.authority.as_str(), "dac": certificate(&c.certificate) })),
        "authorities": origin.authorities.iter().map(|a| json!({ "name": a.facts.name.as_str(), "role": a.facts.role.word(), "certificate": certificate(&a.facts.certificate) })).collect::<Vec<_>>(),
        "onboarding": onboarding,
        "attempts": attempts,
        "proof": story.proof.as_ref().map(|p| json!({
            "attempt": p.attempt.0, "at": time_text(p.facts.at), "nonce": hex::encode(p.facts.nonce), "challenge": hex::encode(&p.facts.challenge),
            "signature": hex::encode(&p.facts.signature), "elements": hex::encode(&p.facts.elements),
            "objects": p.facts.objects.iter().map(|o| json!({ "name": o.name, "sha256": hex::encode(o.sha256) })).collect::<Vec<_>>(),
            "entry": p.entry.0, "report": p.facts.report,
        })),
        "labels": story.labels.iter().map(|l| json!({ "event": l.event.word(), "at": time_text(l.at), "by": l.actor.as_str() })).collect::<Vec<_>>(),
        "entries": story.entries.iter().map(|e| json!({ "sequence": e.sequence.0, "act": e.act, "at": time_text(e.at) })).collect::<Vec<_>>(),
    }))
}

/// What the operator has to know of a certificate that is not valid at this time.
pub(crate) fn not_current(dac: &[u8], now: Moment) -> Option<String> {
    let not_valid = Certificate::read(dac).ok()?.not_valid_at(now)?;
    Some(format!("Tell the engineer before this unit is shipped: its certificate is not valid now, it {not_valid}."))
}

/// Units that had passed, and whose last check failed, by serial number; those that left since are not among them.
///
/// - `reel`: of this reel alone.
pub(crate) fn checks_failed(site: &Site, reel: Option<&ReelId>) -> Result<Vec<UnitSerial>, Trouble> {
    let mut failed = Vec::new();
    for check in site.book.last_checks()? {
        let serial = UnitSerial::new(&check.subject.1)?;
        if check.body()?["result"] != "passed"
            && let Some(unit) = site.book.unit(&serial)?
            && unit.state == UnitState::Passed
            && reel.is_none_or(|reel| unit.reel == *reel)
        {
            failed.push(serial);
        }
    }
    Ok(failed)
}

/// The request to revoke a certificate that waits for a second person.
fn requested(site: &Site, serial: &[u8]) -> Result<Option<Value>, Trouble> {
    for request in site.book.revocation_requests(true, u32::MAX)? {
        if site.book.revocation_wanted(request.number)?.iter().any(|wanted| wanted.serial == serial) {
            let (at, by) = (time_text(request.requested), request.requested_by.as_str());
            return Ok(Some(json!({ "request": request.number, "at": at, "by": by })));
        }
    }
    Ok(None)
}

/// The onboarding payload of a unit: opens its passcode with the site key.
///
/// # Errors
///
/// [`Trouble`] where it was erased, or the key is another site's.
pub(crate) fn payload(site: &Site, unit: &Unit, passphrase: Option<&Passphrase>) -> Result<Payload, Trouble> {
    let odd = |e: &dyn std::fmt::Display| {
        Trouble::surroundings(
            format!("the onboarding data of unit {} can't be used: {e}", unit.serial),
            "Run `touchmark book verify`.",
        )
    };
    let data = unit.onboarding.as_ref().ok_or_else(|| odd(&"it has none"))?;
    let sealed = data.passcode.as_ref().ok_or_else(|| {
        Trouble::refused(
            format!("the passcode of unit {} was erased, or was never in this book", unit.serial),
            "Its code can't be printed again: erasing cannot be undone, and a unit that was adopted from its chip keeps the \
             label that it has.",
        )
    })?;
    let octets = site.key(passphrase)?.unseal(&passcode_label(unit.serial.as_str()), sealed)?;
    let little: [u8; 4] = octets.as_slice().try_into().map_err(|_| odd(&"a passcode of another size"))?;
    let passcode = Passcode::new(u32::from_le_bytes(little)).map_err(|e| odd(&e))?;
    let product = product::get(site, unit.product.as_str())?;
    let flow: Flow = product.facts.flow.parse().map_err(|e| odd(&e))?;
    let reach: Reach = product.facts.reach.parse().map_err(|e| odd(&e))?;
    let vendor = VendorId::new(product.facts.vendor_id).map_err(|e| odd(&e))?;
    let id = ProductId::new(product.facts.product_id).map_err(|e| odd(&e))?;
    let discriminator = Discriminator::new(data.discriminator).map_err(|e| odd(&e))?;
    let plain = Payload::new((Some(vendor), Some(id)), flow, reach, discriminator, passcode).map_err(|e| odd(&e))?;
    if !product::kept(&product)?.serial_in_qr {
        return Ok(plain);
    }
    plain.with_optional(&OptionalData::of_serial(unit.serial.as_str())).map_err(|e| {
        Trouble::refused(
            format!("the QR code of unit {} can't carry its serial number: {e}", unit.serial),
            "Give units of this product serial numbers of at most 32 bytes, or leave serial_in_qr out.",
        )
    })
}

/// Scraps a unit and its chip, with the reason. One that was scrapped before stays as it is, and the answer says when,
/// by whom and why.
///
/// # Errors
///
/// [`Trouble`] where it can't be scrapped, or no [`reason`] is given.
pub fn scrap(site: &Site, unit: &str, reason: &str, take_over: bool, who: &Who) -> Result<UnitView, Trouble> {
    let reason = self::reason(reason)?;
    let serial = typed(site, unit)?;
    let before = site.book.unit(&serial)?.is_some_and(|unit| unit.state == UnitState::Scrapped);
    let scrapped = view(&site.book.scrap_unit(&serial, reason, take_over, &who.by())?);
    let already = if before { left(&story(site, unit)?)?.pop() } else { None };
    Ok(UnitView { already, ..scrapped })
}

/// Records that a passed unit came back.
///
/// # Errors
///
/// [`Trouble`] where it never passed, or no [`reason`] is given.
pub fn take_back(site: &Site, unit: &str, reason: &str, who: &Who) -> Result<UnitView, Trouble> {
    let reason = self::reason(reason)?;
    Ok(view(&site.book.return_unit(&typed(site, unit)?, reason, &who.by())?))
}

/// Sends a failed unit to rework, with what is to be done; it keeps its chip and comes again.
///
/// # Errors
///
/// [`Trouble`] where it is not one that can come again, or no [`reason`] is given.
pub fn rework(site: &Site, unit: &str, reason: &str, who: &Who) -> Result<UnitView, Trouble> {
    let reason = self::reason(reason)?;
    let serial = typed(site, unit)?;
    let found = site.book.unit(&serial)?.ok_or_else(|| missing(unit))?;
    if found.state != UnitState::Failed {
        return Err(Trouble::refused(
            format!("unit {unit} is {}, but only a failed one goes to rework", found.state.word()),
            "A unit that passed is returned or scrapped; an open one continues at its station.",
        ));
    }
    site.book.note("unit.rework", &Subject::Unit(serial), &json!({ "reason": reason }), &who.by())?;
    Ok(view(&found))
}

/// A reason as people give it: something, and not a novel.
///
/// # Errors
///
/// [`Trouble`] where there is none.
pub fn reason(text: &str) -> Result<&str, Trouble> {
    let text = text.trim();
    if text.is_empty() || text.chars().count() > 500 || text.chars().any(char::is_control) {
        return Err(Trouble::usage(
            "a reason needs 1 to 500 characters on one line",
            "Give a reason that somebody understands years later.",
        )
        .about("reason"));
    }
    Ok(text)
}

/// What was written.
#[derive(Debug, Serialize)]
pub struct Written {
    /// Where.
    pub directory: String,
    /// Units.
    pub units: Vec<String>,
    /// Units asked for that have no proof, and so no files.
    pub without_proof: Vec<String>,
    /// Units of these whose last check at a station failed after they had passed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub check_failed: Vec<String>,
    /// Units of these whose certificate is revoked.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub revoked: Vec<String>,
}

/// Writes per unit a folder with its certificates, declaration and proof.
///
/// # Errors
///
/// [`Trouble`] where a unit is not in the book, or its folder is there already: nothing was written then.
/// Where the disk fails, what it took is left.
pub fn write(site: &Site, units: &[String], all: bool, out: &Path) -> Result<Written, Trouble> {
    let units = if all { passed(site)? } else { named(site, units)? };
    for unit in &units {
        let dir = out.join(unit);
        if dir.symlink_metadata().is_ok() {
            return Err(Trouble::file(&dir, io::ErrorKind::AlreadyExists.into()));
        }
    }
    let (directory, failed) = (out.display().to_string(), checks_failed(site, None)?);
    let check_failed =
        units.iter().filter(|unit| failed.iter().any(|f| f.as_str() == unit.as_str())).cloned().collect();
    let mut written =
        Written { directory, units: Vec::new(), without_proof: Vec::new(), check_failed, revoked: Vec::new() };
    fs::create_dir_all(out).map_err(|e| Trouble::file(out, e))?;
    for unit in &units {
        write_one(site, unit, out, &mut written)?;
    }
    let revoked_here = RevokedHere::of(site)?;
    for unit in &written.units {
        let chip = site.book.unit(&serial(unit)?)?.map(|unit| unit.chip_id);
        if chip.map(|chip| revoked_here.of_chip(site, &chip)).transpose()?.flatten().is_some() {
            written.revoked.push(unit.clone());
        }
    }
    Ok(written)
}

/// Units that were named, each once, all of which are here.
fn named(site: &Site, units: &[String]) -> Result<Vec<String>, Trouble> {
    let mut seen = HashSet::new();
    let once: Vec<_> = units.iter().filter(|unit| seen.insert(unit.as_str())).cloned().collect();
    for unit in &once {
        site.book.unit(&serial(unit)?)?.ok_or_else(|| missing(unit))?;
    }
    Ok(once)
}

/// All units that ever passed. Others have nothing to show; they are no fault of the call.
fn passed(site: &Site) -> Result<Vec<String>, Trouble> {
    let mut out = Vec::new();
    let mut after: Option<UnitSerial> = None;
    loop {
        let page = site.book.units(&UnitFilter::default(), after.as_ref(), 500)?;
        let passed = page.items.iter().filter(|u| matches!(u.state, UnitState::Passed | UnitState::Returned));
        out.extend(passed.map(|unit| unit.serial.to_string()));
        match page.next {
            Some(next) => after = Some(next),
            None => return Ok(out),
        }
    }
}

fn write_one(site: &Site, unit: &str, out: &Path, written: &mut Written) -> Result<(), Trouble> {
    let story = story(site, unit)?;
    let Some(proof) = &story.proof else {
        written.without_proof.push(unit.to_owned());
        return Ok(());
    };
    let dir = out.join(unit);
    fs::create_dir(&dir).map_err(|e| Trouble::file(&dir, e))?;
    let facts = &proof.facts;
    let json = json!({
        "unit": unit,
        "chip_id": story.unit.chip_id.as_str(),
        "nonce": hex::encode(facts.nonce),
        "challenge": hex::encode(&facts.challenge),
        "elements": hex::encode(&facts.elements),
        "signature": hex::encode(&facts.signature),
        "at": time_text(facts.at),
    });
    let mut files: Vec<(&str, Vec<u8>)> = vec![
        ("dac.der", facts.dac.clone()),
        ("pai.der", facts.pai.clone()),
        ("proof.json", format!("{json:#}\n").into_bytes()),
    ];
    if let Some(declaration) = &facts.declaration {
        files.push(("declaration.der", declaration.clone()));
    }
    let pai = Certificate::read(&facts.pai).ok();
    let paa = site.book.authorities()?.into_iter().find(|a| {
        a.facts.role == book::Role::Paa
            && pai.as_ref().is_some_and(|p| p.authority_key_id() == Some(a.facts.subject_key_id.as_slice()))
    });
    if let Some(paa) = paa {
        files.push(("paa.der", paa.facts.certificate));
    }
    for (name, octets) in files {
        let path = dir.join(name);
        fs::write(&path, octets).map_err(|e| Trouble::file(&path, e))?;
    }
    written.units.push(unit.to_owned());
    Ok(())
}
