//! Meetings over a network that loses, doubles, delays, bends, cuts and stretches datagrams, and makes its own.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use meet::home::{Left, meet};
use meet::judge::Outcome;
use meet::unit::Fault;
use standard::verdict::Severity;

use crate::looped::{Looped, Mischief};
use crate::scene::{FAST, judged, passcode, unit};

/// So many in the ordinary run; `MEETINGS` says another number, as the long form does (docs/torture.md).
const USUAL: u64 = 300;
/// Meetings at a time: they mostly wait.
const SIDE_BY_SIDE: u64 = 64;
/// The longest that a meeting may take with the patience given here: two tries, six questions of which one stays
/// without an answer, disarming.
const LONGEST: Duration = Duration::from_secs(40);

/// What bending a datagram in the clear may be taken for: nothing protects it.
const IN_THE_CLEAR: &[&str] = &[
    "meet.passcode",
    "meet.reply",
    "meet.point",
    "meet.verifier-parameters",
    "meet.window-closed",
    "meet.busy",
    "meet.no-answer",
];

/// Every third unit has a fault that a network can't hide.
fn fault(seed: u64) -> Option<Fault> {
    const FAULTS: &[Fault] = &[
        Fault::Identity,
        Fault::ExchangeSignature,
        Fault::ExchangeNonce,
        Fault::DacSubject,
        Fault::DeclarationSignature,
        Fault::RequestNonce,
        Fault::Passcode,
        Fault::LeftArmed,
        Fault::Counter,
        Fault::DiesArmed,
        Fault::DiesAttested,
    ];
    seed.is_multiple_of(3).then(|| FAULTS[(seed / 3) as usize % FAULTS.len()])
}

/// What is wrong with how a meeting of that seed went; whether it was accepted is counted.
fn one(seed: u64, accepted: &AtomicU64) -> Option<String> {
    let fault = fault(seed);
    // Some networks only lose, some do all.
    let mischief = match seed % 4 {
        0 => Mischief { lost: 300, ..Mischief::default() },
        1 => Mischief { doubled: 400, late: 400, ..Mischief::default() },
        _ => Mischief::ALL,
    };
    let mut network = Looped::new(unit(fault).with_report_parts(1 + (seed % 3) as usize), mischief, seed);
    let begun = Instant::now();
    let met = meet(&mut network, &passcode(), Duration::from_secs(3), FAST, &|_| {});
    let took = begun.elapsed();
    network.settle();
    let (judged, outcome) = judged(&met);
    let errors: Vec<_> =
        judged.findings.iter().filter(|f| f.severity == Severity::Error).map(|f| f.rule.name).collect();
    accepted.fetch_add(u64::from(outcome == Outcome::Accepted), Ordering::Relaxed);
    let excused = network.bent_in_the_clear && errors.iter().all(|rule| IN_THE_CLEAR.contains(rule));
    let wrong = |what: &str| {
        Some(format!(
            "seed {seed}, {fault:?}: {what}: {outcome:?} by {errors:?}, left {:?}: {:?}",
            met.left, met.findings
        ))
    };
    if took > LONGEST {
        return wrong(&format!("it took {took:?}"));
    }
    match (outcome, fault) {
        (Outcome::Accepted, None) | (Outcome::Unreachable, _) => {}
        (Outcome::Accepted, Some(_)) => return wrong("a faulty unit was accepted"),
        (Outcome::Rejected, Some(fault)) if errors.contains(&fault.rule_name()) => {}
        (Outcome::Rejected, _) if excused => {}
        (Outcome::Rejected, _) => return wrong("rejected for what it has not"),
    }
    let has = |name| met.steps.iter().any(|step| step.name == name);
    if has("arm") && !(has("disarm") && has("close")) {
        return wrong("disarming or closing was not tried");
    }
    if met.left == Left::AsFound && network.unit.is_armed() {
        return wrong("it is armed, and said to be as it was found");
    }
    None
}

#[test]
fn no_network_makes_a_wrong_verdict() {
    let count = std::env::var("MEETINGS").ok().and_then(|text| text.parse().ok()).unwrap_or(USUAL);
    let first = std::env::var("MEETINGS_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(0_u64);
    let (next, accepted) = (AtomicU64::new(first), AtomicU64::new(0));
    let wrong: Vec<String> = std::thread::scope(|scope| {
        let work = || {
            let mut wrong = Vec::new();
            loop {
                let seed = next.fetch_add(1, Ordering::Relaxed);
                if seed >= first + count {
                    return wrong;
                }
                wrong.extend(one(seed, &accepted));
            }
        };
        let threads: Vec<_> = (0..SIDE_BY_SIDE.min(count)).map(|_| scope.spawn(work)).collect();
        threads.into_iter().flat_map(|thread| thread.join().expect("no panic")).collect()
    });
    // Two thirds of the units are sound, and most of them get through all that.
    let accepted = accepted.into_inner();
    assert!(accepted * 2 > count, "only {accepted} of {count} were accepted");
    assert!(wrong.is_empty(), "{} of {count}:\n{}", wrong.len(), wrong.join("\n"));
}
