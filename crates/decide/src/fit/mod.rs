//! Fit: whether a secure element holds what a product needs, how long it takes, and what it answers.
//!
//! Pure once the needs are known ([`needs`]): parts side by side ([`fit`]), and,
//! where a discrete part stands beside a microcontroller that keeps its keys
//! itself, what speaks for which ([`Argument`]). [`page`] makes a page of it.

mod argue;
pub mod needs;
pub mod page;

pub use argue::{Argument, ThreatRow};
use base::trouble::Trouble;
use needs::Needs;
use serde::Serialize;

use crate::part::time::{Clocked, Step, Work, total};
use crate::part::{Answer, Claim, Kind, LockModel, OperationalKeys, Part, Threat};

/// The curve that the standard asks for (Core Spec 6.2.2; FIPS 186-5, SP 800-186).
const CURVE: &str = "P-256";
/// Most parts side by side.
const MOST_PARTS: usize = 6;

/// What to judge.
#[derive(Debug, Clone)]
pub struct Request {
    /// The parts, one to six.
    pub parts: Vec<Part>,
    /// What the product asks.
    pub needs: Needs,
    /// Threats that the product faces, as its maker states them.
    pub threats: Vec<Threat>,
    /// Seconds of a whole commissioning, to set the chip's part against.
    pub commissioning_s: f64,
}

/// One thing that was looked at.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Check {
    pub what: String,
    /// What the product asks.
    pub required: String,
    /// What the part has.
    pub found: String,
    /// `fits`, `warning`, `unknown` or `does not fit`.
    pub verdict: &'static str,
    /// What to do, where it does not.
    pub advice: Option<String>,
}

/// Times at one bus clock, milliseconds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AtClock {
    /// Bus clock, hertz; 0 for no bus.
    pub hertz: u32,
    /// Whether the protected bus is used.
    pub protected: bool,
    /// One unit, from the first word to the lock.
    pub unit_ms: f64,
    pub write_ms: f64,
    /// Of that, reading back.
    pub read_back_ms: f64,
    pub prove_ms: f64,
    /// Of that, what the protected bus costs altogether.
    pub protection_ms: f64,
    /// The chip's part of one commissioning.
    pub commissioning_ms: f64,
    /// As a share of the whole commissioning.
    pub commissioning_share: f64,
}

/// A second identity beside the first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Second {
    /// Octets it takes: another device certificate, intermediate and declaration.
    pub octets: u64,
    /// Whether there is room for it and a key slot.
    pub fits: bool,
}

/// What came of one part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartFit {
    pub name: String,
    /// Where its keys are.
    pub kind: Kind,
    pub package: Option<String>,
    /// Whether everything that must fit does.
    pub fits: bool,
    /// Where operational keys live: `part`, `wrapped`, or `unknown` where its file does not say.
    pub operational_keys: &'static str,
    /// Octets for user data.
    pub octets: u64,
    /// Octets that the product's objects take, in whole pages.
    pub taken_octets: u64,
    /// Octets that stay free; 0 where they don't fit.
    pub free_octets: u64,
    /// Octets each object takes, in whole pages.
    pub objects: Vec<(String, u64)>,
    pub second_identity: Second,
    /// Everything that was looked at.
    pub checks: Vec<Check>,
    /// Times at each clock, fastest first, plain and protected.
    pub clocks: Vec<AtClock>,
    /// The steps of one unit at the fastest clock, plain.
    pub steps: Vec<Step>,
    /// The chip's steps of one commissioning, likewise.
    pub commissioning: Vec<Step>,
    /// What its maker claims.
    pub claims: Vec<Claim>,
}

/// Parts side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fit {
    /// The product; none where the standard's limits were taken.
    pub product: Option<String>,
    /// Whether at least one part fits.
    pub fits: bool,
    /// What the product asks.
    pub needs: Needs,
    /// The parts, in the order given.
    pub parts: Vec<PartFit>,
    /// What each part answers to each threat.
    pub threats: Vec<ThreatRow>,
    /// Each discrete part against each microcontroller that keeps its keys itself.
    pub arguments: Vec<Argument>,
    pub assumptions: Vec<String>,
}

/// Judges parts against what a product asks.
///
/// # Errors
///
/// [`Trouble`] where there is no part, or one twice.
pub fn fit(request: &Request) -> Result<Fit, Trouble> {
    let parts = &request.parts;
    if parts.is_empty() || parts.len() > MOST_PARTS {
        return Err(Trouble::usage(
            format!("{} parts were given", parts.len()),
            format!("Give 1 to {MOST_PARTS} part files with --part; docs/part-file.md explains them."),
        ));
    }
    if let Some(twice) = parts.iter().enumerate().find(|(i, p)| parts[..*i].iter().any(|q| q.part.name == p.part.name))
    {
        return Err(Trouble::usage(
            format!("two parts are named {}", twice.1.part.name),
            "Give each part its own name in its file, or leave one out.",
        ));
    }
    if !(0.1..=3_600.0).contains(&request.commissioning_s) {
        return Err(Trouble::usage(
            format!("a commissioning of {} s", request.commissioning_s),
            "Give 0.1 to 3600 seconds with --commissioning.",
        ));
    }
    let judged: Vec<PartFit> = parts.iter().map(|part| judge(part, request)).collect();
    let threats = argue::threats(parts, &request.threats);
    let arguments = argue::argue(request, &judged);
    Ok(Fit {
        product: request.needs.product.clone(),
        fits: judged.iter().any(|p| p.fits),
        needs: request.needs.clone(),
        parts: judged,
        threats,
        arguments,
        assumptions: vec![
            "Certificates count with the standard's limit of 600 bytes; most have about 450 to 500.".into(),
            format!(
                "A whole commissioning takes {} s (an assumption: common practice, no source; give your own where you have measured it).",
                request.commissioning_s
            ),
            "Times are the part files' figures and a model of the bus; measure on your own board before you decide.".into(),
            "Claims and answers to threats come from the makers. Accredited laboratories and the alliance's current policy decide what counts.".into(),
        ],
    })
}

fn said(
    what: impl Into<String>,
    required: impl Into<String>,
    found: impl Into<String>,
    fits: bool,
    otherwise: (&'static str, &str),
) -> Check {
    let (verdict, advice) = otherwise;
    Check {
        what: what.into(),
        required: required.into(),
        found: found.into(),
        verdict: if fits { "fits" } else { verdict },
        advice: (!fits).then(|| advice.to_owned()),
    }
}

const NOT: &str = "does not fit";
const WARNING: &str = "warning";
/// The part file does not answer a question on which the fit depends. What nobody knows does not fit.
const UNKNOWN: &str = "unknown";

/// Key slots that one identity takes: the attestation key's, and those of operational keys where they live in the part.
fn slots(part: &Part, needs: &Needs) -> u32 {
    1 + if part.keys.operational_keys == Some(OperationalKeys::Part) { needs.operational_keys } else { 0 }
}

/// Whether the keys of all homes have somewhere to live, and can still be made when the device is sold.
fn operational(part: &Part, needs: &Needs) -> Vec<Check> {
    let keys = &part.keys;
    let asked = format!("{} at a time: one for each of 5 homes, and a pending one", needs.operational_keys);
    let wanted = slots(part, needs);
    let place = match keys.operational_keys {
        Some(OperationalKeys::Wrapped) => {
            said("operational keys", asked, "wrapped by the part, kept in the processor's flash", true, (NOT, ""))
        }
        Some(OperationalKeys::Part) => said(
            "operational keys",
            asked,
            format!("in the part: {} slots, {wanted} needed with the attestation key", keys.slots),
            keys.slots >= wanted,
            (NOT, "Take a part with more key slots, or one that wraps keys for the processor's flash."),
        ),
        None => said(
            "operational keys",
            asked,
            format!("{} slots; the part file does not say where these keys live", keys.slots),
            false,
            (
                UNKNOWN,
                "Ask the part's maker, then set keys.operational_keys to \"part\" (a slot each) or \"wrapped\" (in the processor's flash, wrapped by the part).",
            ),
        ),
    };
    let mut out = vec![place];
    if !needs.lock || part.lock.model == LockModel::None {
        return out;
    }
    let asked = "a home can be joined after the lock";
    let whole = part.lock.model == LockModel::Part;
    let in_part = keys.operational_keys != Some(OperationalKeys::Wrapped);
    let ask = "Ask the part's maker whether keys can still be made once it is locked, then set keys.keys_after_lock.";
    out.push(match keys.keys_after_lock {
        Some(true) => said("keys after the lock", asked, "keys can still be made", true, (NOT, "")),
        Some(false) => said(
            "keys after the lock",
            asked,
            "no key can be made once it is locked",
            false,
            (NOT, "Lock objects one by one, leave the part unlocked (lock = false in the product's file), or take another part."),
        ),
        None if whole && in_part => said(
            "keys after the lock",
            asked,
            "the whole part is locked, permanently, key slots included",
            false,
            (NOT, ask),
        ),
        None if in_part => {
            said("keys after the lock", asked, "the part file does not say whether keys can be made", false, (UNKNOWN, ask))
        }
        // A wrapped key takes no slot, so most locks leave it alone.
        None => said("keys after the lock", asked, "the part file does not say whether keys can be wrapped", false, (WARNING, ask)),
    });
    out
}

fn checks(part: &Part, needs: &Needs, taken: u64, second: &Second) -> Vec<Check> {
    let room = &part.room;
    let mut out = vec![
        said(
            "key",
            format!("one {CURVE} key that never leaves"),
            format!("{} slots, {}", part.keys.slots, part.keys.curves.join(", ")),
            part.keys.slots >= 1 && part.keys.curves.iter().any(|c| c == CURVE),
            (NOT, "Choose a part with a slot for a P-256 key; the standard has no other curve."),
        ),
        said(
            "origin of the key",
            "made inside",
            if part.keys.born_inside {
                "made inside before it was delivered"
            } else {
                "imported, or made at first start"
            },
            part.keys.born_inside,
            (
                WARNING,
                "Decide who imports the key and who could keep a copy. Plan for its custody, or make it inside at first start and issue its certificate on the line.",
            ),
        ),
    ];
    out.extend(operational(part, needs));
    let largest = needs.objects.iter().max_by_key(|n| n.octets);
    if let Some(largest) = largest {
        out.push(said(
            "largest object",
            format!("{} bytes ({})", largest.octets, largest.name),
            format!("{} bytes per object", room.object_octets),
            largest.octets <= room.object_octets,
            (NOT, "Split the object, keep it in the microcontroller's flash, or choose another part."),
        ));
    }
    if let Some(most) = room.objects {
        out.push(said(
            "number of objects",
            needs.objects.len().to_string(),
            most.to_string(),
            needs.objects.len() as u64 <= u64::from(most),
            (NOT, "Combine some of them, or choose another part."),
        ));
    }
    out.push(said(
        "room",
        format!("{} bytes, {taken} in whole pages", needs.octets()),
        format!("{} bytes", room.octets),
        taken <= room.octets,
        (
            NOT,
            "Keep the factory record in the microcontroller's flash (docs/factory-record.md), or choose another part.",
        ),
    ));
    out.push(said(
        "second identity",
        format!("another {} bytes and a key slot", second.octets),
        format!("{} bytes free, {} slots", room.octets.saturating_sub(taken), part.keys.slots),
        second.fits,
        (WARNING, "With room for one identity only, a new one must replace the old; a device can't carry both during a migration."),
    ));
    if needs.lock {
        let found = match part.lock.model {
            LockModel::None => "nothing can be locked",
            LockModel::Objects => "objects one by one, permanently",
            LockModel::Part => "the whole part, permanently",
        };
        out.push(said(
            "lock",
            "what was proven can't change",
            found,
            part.lock.model != LockModel::None,
            (WARNING, "Without a lock, anybody with access to the bus can replace certificates later; the proof then covers only the moment of provisioning."),
        ));
    }
    out
}

fn judge(part: &Part, request: &Request) -> PartFit {
    let needs = &request.needs;
    let objects: Vec<(String, u64)> = needs.objects.iter().map(|n| (n.name.clone(), part.taken(n.octets))).collect();
    let taken: u64 = objects.iter().map(|(_, octets)| octets).sum();
    let free = part.room.octets.saturating_sub(taken);
    let second_octets: u64 = needs.chain().iter().map(|octets| part.taken(*octets)).sum();
    let more = needs.objects.len() as u64 + 3;
    let second = Second {
        octets: second_octets,
        fits: taken + second_octets <= part.room.octets
            && part.keys.slots > slots(part, needs)
            && part.room.objects.is_none_or(|most| more <= u64::from(most)),
    };
    let checks = checks(part, needs, taken, &second);
    let sizes = needs.sizes();
    let work = Work { objects: &sizes, message: needs.message, lock: needs.lock };
    let mut clocks = Vec::new();
    for hertz in part.clocks() {
        let plain = Clocked { part, hertz, protected: false };
        clocks.push(at_clock(&plain, &work, request));
        if part.bus.protected.is_some() {
            clocks.push(at_clock(&Clocked { protected: true, ..plain }, &work, request));
        }
    }
    let fastest = Clocked { part, hertz: part.clocks()[0], protected: false };
    PartFit {
        name: part.part.name.clone(),
        kind: part.part.kind,
        package: part.part.package.clone(),
        fits: checks.iter().all(|c| c.verdict != NOT && c.verdict != UNKNOWN),
        operational_keys: part.keys.operational_keys.map_or("unknown", OperationalKeys::word),
        octets: part.room.octets,
        taken_octets: taken,
        free_octets: free,
        objects,
        second_identity: second,
        checks,
        clocks,
        steps: fastest.unit(&work),
        commissioning: fastest.commissioning(&needs.chain(), needs.message),
        claims: part.claims.clone(),
    }
}

fn at_clock(clocked: &Clocked<'_>, work: &Work<'_>, request: &Request) -> AtClock {
    let steps = clocked.unit(work);
    let of = |wanted: &dyn Fn(&Step) -> bool| steps.iter().filter(|s| wanted(s)).map(|s| s.total_ms).sum::<f64>();
    let commissioning = total(&clocked.commissioning(&request.needs.chain(), request.needs.message));
    let plain = Clocked { protected: false, ..*clocked };
    AtClock {
        hertz: clocked.hertz,
        protected: clocked.protected,
        unit_ms: total(&steps),
        write_ms: of(&|s| s.name.starts_with("write ")),
        read_back_ms: of(&|s| s.name == "read back"),
        prove_ms: of(&|s| s.name == "prove"),
        protection_ms: total(&steps) - total(&plain.unit(work)),
        commissioning_ms: commissioning,
        commissioning_share: commissioning / (request.commissioning_s * 1000.0),
    }
}

/// How well an answer does, for comparing.
fn rank(answer: Answer) -> u8 {
    match answer {
        Answer::No => 0,
        Answer::Partly => 1,
        Answer::Yes => 2,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(names: &[&str], needs: Needs, threats: &[Threat]) -> Request {
        Request {
            parts: names.iter().map(|n| Part::example(n).unwrap()).collect(),
            needs,
            threats: threats.to_vec(),
            commissioning_s: 12.0,
        }
    }

    #[test]
    fn the_largest_that_the_standard_allows_fits_into_the_examples() {
        let told = fit(&request(&["QL-S1", "QL-S2", "QL-M4"], needs::at_most().unwrap(), &[])).unwrap();
        for part in &told.parts {
            assert!(part.fits, "{}: {:?}", part.name, part.checks);
            assert_eq!(part.taken_octets + part.free_octets, part.octets);
            assert!(part.taken_octets >= told.needs.octets());
        }
        // By hand: 600 and 8 octets are ten pages of 64.
        assert_eq!(told.parts[0].objects[0], ("dac".into(), 640));
        assert!(told.parts[0].second_identity.fits && told.parts[0].clocks.len() == 2);
        assert_eq!(told.parts[1].clocks.len(), 4, "two clocks, each plain and protected");
        assert!(told.parts[1].clocks[1].protection_ms > 45.0);
    }

    /// What makes a part fail, each alone.
    #[test]
    fn what_does_not_fit_is_named() {
        type Change = fn(&mut Part);
        let cases: [(&str, &str, Change); 14] = [
            ("room", NOT, |p| p.room.octets = 2_000),
            ("largest object", NOT, |p| p.room.object_octets = 599),
            ("number of objects", NOT, |p| p.room.objects = Some(3)),
            ("key", NOT, |p| p.keys.curves = vec!["P-384".into()]),
            ("second identity", WARNING, |p| p.keys.slots = 1),
            ("lock", WARNING, |p| p.lock.model = LockModel::None),
            ("origin of the key", WARNING, |p| p.keys.born_inside = false),
            // Four slots hold the attestation key and three homes; the standard asks for five and a pending key
            // (from memory of the standard).
            ("operational keys", NOT, |p| p.keys.operational_keys = Some(OperationalKeys::Part)),
            ("operational keys", NOT, |p| {
                (p.keys.operational_keys, p.keys.slots) = (Some(OperationalKeys::Part), 6);
            }),
            ("operational keys", UNKNOWN, |p| p.keys.operational_keys = None),
            ("keys after the lock", NOT, |p| p.keys.keys_after_lock = Some(false)),
            ("keys after the lock", WARNING, |p| p.keys.keys_after_lock = None),
            ("keys after the lock", NOT, |p| (p.keys.operational_keys, p.keys.keys_after_lock) = (None, None)),
            ("keys after the lock", UNKNOWN, |p| {
                (p.keys.operational_keys, p.keys.slots) = (Some(OperationalKeys::Part), 8);
                (p.keys.keys_after_lock, p.lock.model) = (None, LockModel::Objects);
            }),
        ];
        for (what, verdict, change) in cases {
            let mut request = request(&["QL-S1"], needs::at_most().unwrap(), &[]);
            change(&mut request.parts[0]);
            let told = fit(&request).unwrap();
            let off: Vec<_> = told.parts[0].checks.iter().filter(|c| c.verdict != "fits").collect();
            let expected = off.iter().any(|c| c.what == what && c.verdict == verdict && c.advice.is_some());
            assert!(expected, "{what}: {off:?}");
            assert_eq!(told.fits, verdict == WARNING, "{what}");
        }
    }

    /// Seven slots are enough, six are not; a part that is not locked is not asked what it can do afterwards.
    #[test]
    fn slots_of_operational_keys_are_counted() {
        let fits = |slots, lock| {
            let mut request = request(&["QL-S1"], needs::at_most().unwrap(), &[]);
            request.needs.lock = lock;
            let keys = &mut request.parts[0].keys;
            (keys.slots, keys.operational_keys, keys.keys_after_lock) = (slots, Some(OperationalKeys::Part), None);
            fit(&request).unwrap().fits
        };
        assert!(fits(7, false) && !fits(6, false));
        assert!(!fits(7, true), "locked whole");
    }

    #[test]
    fn one_part_twice_or_none_is_wrong_usage() {
        for names in [&["QL-S1", "QL-S1"][..], &[]] {
            assert!(fit(&request(names, needs::at_most().unwrap(), &[])).is_err());
        }
    }
}
