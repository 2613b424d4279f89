//! A unit's whole story, as every front shows it.

use base::times::time_text;
use base::trouble::Trouble;
use book::{
    AttemptResult, BoardStory, Credential, Next, Onboarding, Pending, Proof, Renewal, RenewalKind, Subject, Unit,
    UnitStory,
};
use custody::Passphrase;
use serde_json::json;
use site::revoked::RevokedHere;
use site::{Site, Who};
use standard::moment::Moment;

use super::met::OfMeeting;
use super::renewed::{CodeKept, confirmations};
use super::whole::{
    AdoptedFrom, AdoptedHere, CertificateFacts, Leaving, Left, OfAttempt, OfAuthority, OfBoard, OfCarton, OfChip,
    OfCredential, OfDelivery, OfEarlierCode, OfEntry, OfLabel, OfObject, OfOnboarding, OfProof, OfReel, OfRenewal,
    OfStep, Recheck, RevocationRequested, WholeUnit,
};
use super::{missing, payload_of, typed};

/// The whole story of a unit from the book; its serial number in any letter case.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit.
pub fn story(site: &Site, unit: &str) -> Result<UnitStory, Trouble> {
    site.book.story(&typed(site, unit)?)?.ok_or_else(|| missing(unit))
}

/// A unit's story as it is shown. The passcode and what gives it away are hidden unless `reveal`, which is recorded.
///
/// # Errors
///
/// [`Trouble`] where there is no such unit, or the site key does not open the passcode.
pub fn show(site: &Site, unit: &str, reveal: Option<Option<&Passphrase>>, who: &Who) -> Result<WholeUnit, Trouble> {
    if reveal.is_some() {
        // Recorded before it is shown: a showing without its entry must not be.
        site.book.note("passcode.reveal", &Subject::Unit(typed(site, unit)?), &json!({}), &who.by())?;
    }
    shown(site, &story(site, unit)?, reveal, who)
}

/// The same of a story that was read already.
///
/// # Errors
///
/// As [`show`].
pub fn shown(
    site: &Site,
    story: &UnitStory,
    reveal: Option<Option<&Passphrase>>,
    who: &Who,
) -> Result<WholeUnit, Trouble> {
    let (unit, origin, now) = (&story.unit, &story.origin, who.now());
    let product = &origin.product.facts;
    let adopted = adopted(story)?;
    let revoked = RevokedHere::of(site)?.of_chip(site, &unit.chip_id)?;
    let requested = origin.credential.as_ref().map(|c| requested(site, &c.serial)).transpose()?.flatten();
    let certificate = |der: &[u8]| CertificateFacts::of(der, now);
    Ok(WholeUnit {
        unit: unit.serial.to_string(),
        state: unit.state,
        reason: unit.reason.clone(),
        left: left(story)?,
        revoked,
        revocation_requested: requested,
        checks: checks(story)?,
        product: product.name.to_string(),
        purpose: product.purpose,
        vendor_id: format!("{:04X}", product.vendor_id),
        product_id: format!("{:04X}", product.product_id),
        began: time_text(unit.began),
        changed: time_text(unit.changed),
        chip: OfChip {
            chip_id: origin.chip.chip_id.to_string(),
            state: origin.chip.state,
            position: origin.chip.position,
            public_key: hex::encode(&origin.chip.public_key),
        },
        reel: OfReel {
            reel: origin.reel.facts.reel.to_string(),
            source: origin.reel.facts.source_name.clone(),
            received: time_text(origin.reel.received),
        },
        delivery: origin.delivery.as_ref().map(|d| OfDelivery {
            delivery: d.delivery.to_string(),
            source: d.source_name.clone(),
            verdict: d.verdict.into(),
            received: time_text(d.received),
        }),
        credential: origin.credential.as_ref().map(|c| credential(c, now)),
        authorities: origin
            .authorities
            .iter()
            .map(|a| OfAuthority {
                name: a.facts.name.to_string(),
                role: a.facts.role,
                certificate: certificate(&a.facts.certificate),
            })
            .collect(),
        boards: story.boards.iter().map(|board| of_board(story, board, now)).collect::<Result<_, _>>()?,
        renewals: renewals(story)?,
        waits_for: waits_for(story.pending),
        onboarding: story
            .unit
            .onboarding
            .as_ref()
            .map(|data| onboarding(site, (&story.unit, data), adopted.is_some(), reveal))
            .transpose()?,
        earlier_codes: story
            .earlier_codes
            .iter()
            .map(|code| {
                let onboarding = onboarding(site, (&story.unit, &code.onboarding), adopted.is_some(), reveal)?;
                Ok(OfEarlierCode { replaced: time_text(code.replaced), onboarding })
            })
            .collect::<Result<_, Trouble>>()?,
        adopted,
        panel: story.attempts_of_board().iter().rev().find_map(|a| a.facts.panel.clone()),
        packed: story.packed.as_ref().map(|packed| OfCarton {
            carton: packed.carton.to_string(),
            pallet: packed.pallet.as_ref().map(ToString::to_string),
            shipment: packed.shipment.as_ref().map(ToString::to_string),
            at: time_text(packed.at),
            by: packed.by.to_string(),
        }),
        attempts: attempts(story),
        proof: story.proof.as_ref().map(|proof| of_proof(story, proof)).transpose()?,
        meetings: story.meetings.iter().map(|met| OfMeeting::of(story, met)).collect::<Result<_, _>>()?,
        labels: story
            .labels
            .iter()
            .map(|l| OfLabel { event: l.event, at: time_text(l.at), by: l.actor.to_string() })
            .collect(),
        entries: story
            .entries
            .iter()
            .map(|e| OfEntry { sequence: e.sequence.0, act: e.act.clone(), at: time_text(e.at) })
            .collect(),
    })
}

fn attempts(story: &UnitStory) -> Vec<OfAttempt> {
    let step = |s: &book::Step| OfStep {
        step: s.name.clone(),
        started_us: s.started_us,
        microseconds: s.duration_us,
        result: s.result.clone(),
        detail: s.detail.clone(),
    };
    let attempt = |a: &book::AttemptStory| OfAttempt {
        attempt: a.attempt.number.0,
        station: a.attempt.station.to_string(),
        by: a.attempt.actor.to_string(),
        started: time_text(a.attempt.started),
        ended: a.attempt.ended.map(time_text),
        result: a.attempt.result,
        cause: a.attempt.cause.clone(),
        detail: a.attempt.detail.clone(),
        next: a.attempt.next,
        declaration: a.attempt.declaration.as_ref().map(ToString::to_string),
        facts: a.facts.clone(),
        steps: a.steps.iter().map(step).collect(),
    };
    story.attempts.iter().map(attempt).collect()
}

fn credential(c: &Credential, now: Moment) -> OfCredential {
    OfCredential {
        state: c.state,
        reason: c.reason.clone(),
        serial: hex::encode(&c.serial),
        issuer: c.authority.to_string(),
        dac: CertificateFacts::of(&c.certificate, now),
    }
}

fn of_board(story: &UnitStory, board: &BoardStory, now: Moment) -> Result<OfBoard, Trouble> {
    let mut proofs: Vec<_> = board.proofs.iter().map(|proof| of_proof(story, proof)).collect::<Result<_, _>>()?;
    Ok(OfBoard {
        chip_id: board.origin.chip.chip_id.to_string(),
        credential: board.origin.credential.as_ref().map(|c| credential(c, now)),
        state: board.origin.chip.state,
        from: time_text(board.from),
        to: board.to.map(time_text),
        reason: board.reason.clone(),
        authorities: board.origin.authorities.iter().map(|a| a.facts.name.to_string()).collect(),
        proof: proofs.pop(),
        earlier_proofs: proofs,
    })
}

fn renewals(story: &UnitStory) -> Result<Vec<OfRenewal>, Trouble> {
    let mut confirmed = confirmations(story)?.into_iter();
    let of = |r: &Renewal| {
        let erased = if r.kind == RenewalKind::Refurbish { confirmed.next().flatten() } else { None };
        OfRenewal { erased, ..renewal(r) }
    };
    Ok(story.renewals.iter().map(of).collect())
}

fn renewal(renewal: &Renewal) -> OfRenewal {
    OfRenewal {
        event: renewal.kind,
        chip_id: renewal.chip_id.to_string(),
        code: if renewal.new_code { CodeKept::New } else { CodeKept::Kept },
        was: renewal.was,
        at: time_text(renewal.at),
        by: renewal.actor.to_string(),
        reason: renewal.reason.clone(),
        erased: None,
    }
}

fn waits_for(pending: Pending) -> Vec<&'static str> {
    [("board", pending.board), ("code", pending.code)].into_iter().filter(|w| w.1).map(|w| w.0).collect()
}

fn of_proof(story: &UnitStory, proof: &Proof) -> Result<OfProof, Trouble> {
    let facts = &proof.facts;
    let report = serde_json::from_value(facts.report.clone()).map_err(|e| {
        Trouble::surroundings(
            format!("the report of the proof of unit {} can't be read: {e}", story.unit.serial),
            "Use the program version that made it, or a later one. If it is this one, run `touchmark book verify`.",
        )
    })?;
    Ok(OfProof {
        attempt: proof.attempt.0,
        at: time_text(facts.at),
        nonce: hex::encode(facts.nonce),
        challenge: hex::encode(&facts.challenge),
        signature: hex::encode(&facts.signature),
        elements: hex::encode(&facts.elements),
        objects: facts
            .objects
            .iter()
            .map(|o| OfObject { name: o.name.clone(), sha256: hex::encode(o.sha256) })
            .collect(),
        entry: proof.entry.0,
        report,
    })
}

fn onboarding(
    site: &Site,
    (unit, data): (&Unit, &Onboarding),
    is_adopted: bool,
    reveal: Option<Option<&Passphrase>>,
) -> Result<OfOnboarding, Trouble> {
    let hidden = |passcode: &str| OfOnboarding {
        discriminator: data.discriminator,
        iterations: data.iterations,
        passcode: passcode.to_owned(),
        qr: None,
        manual: None,
        revealed: false,
    };
    Ok(match reveal {
        _ if data.passcode.is_none() => hidden(if is_adopted { "not-in-book" } else { "erased" }),
        None => hidden("hidden"),
        Some(passphrase) => {
            let payload = payload_of(site, (unit, data), passphrase)?;
            let manual = payload
                .manual_code(payload.needs_long())
                .map_err(|e| Trouble::surroundings(e.to_string(), "Check the product's identifiers."))?;
            OfOnboarding {
                qr: Some(payload.qr_text()),
                manual: Some(manual.digits().to_owned()),
                revealed: true,
                ..hidden(&format!("{:08}", payload.passcode.get()))
            }
        }
    })
}

/// Each time that the unit was returned or scrapped, in order.
pub(super) fn left(story: &UnitStory) -> Result<Vec<Left>, Trouble> {
    let mut all = Vec::new();
    for entry in &story.entries {
        let body = entry.body()?;
        let (event, reason) = match entry.act.as_str() {
            "unit.return" => (Leaving::Returned, &body["reason"]),
            "unit.scrap" => (Leaving::Scrapped, &body["reason"]),
            "attempt.fail" if body["next"] == Next::Scrap.word() => (Leaving::Scrapped, &body["cause"]),
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

fn checks(story: &UnitStory) -> Result<Vec<Recheck>, Trouble> {
    let mut checks = Vec::new();
    for entry in story.entries.iter().filter(|entry| entry.act == "unit.verify") {
        let said = entry.body()?;
        checks.push(Recheck {
            at: time_text(entry.at),
            by: entry.actor.to_string(),
            station: entry.station.as_ref().map(ToString::to_string),
            result: said["result"].as_str().and_then(AttemptResult::from_word),
            cause: said["cause"].as_str().map(str::to_owned),
        });
    }
    Ok(checks)
}

fn adopted(story: &UnitStory) -> Result<Option<AdoptedHere>, Trouble> {
    let Some(entry) = story.entries.iter().rfind(|entry| entry.act == "unit.adopt") else { return Ok(None) };
    let from = entry.body()?["from"].as_str().and_then(AdoptedFrom::from_word);
    Ok(Some(AdoptedHere { from, at: time_text(entry.at), by: entry.actor.to_string() }))
}

/// The request to revoke a certificate that waits for a second person.
///
/// - `serial`: the certificate's serial number, content octets of the INTEGER.
pub fn requested(site: &Site, serial: &[u8]) -> Result<Option<RevocationRequested>, Trouble> {
    for request in site.book.revocation_requests(true, u32::MAX)? {
        if site.book.revocation_wanted(request.number)?.iter().any(|wanted| wanted.serial == serial) {
            let (at, by) = (time_text(request.requested), request.requested_by.to_string());
            return Ok(Some(RevocationRequested { request: request.number, at, by }));
        }
    }
    Ok(None)
}
