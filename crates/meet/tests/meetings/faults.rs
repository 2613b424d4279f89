//! A sound unit is accepted and left as it was; each fault is found by its rule.

use std::time::Duration;

use meet::home::{Left, Met, meet};
use meet::judge::Outcome;
use meet::unit::{Fault, StandIn};
use rayon::iter::{IntoParallelIterator as _, ParallelIterator as _};
use standard::verdict::Severity;
use standard::verdict::catalogue::meet::TABLE;

use crate::looped::{Looped, Mischief};
use crate::scene::{FAST, judged, passcode, played, unit};

fn met(network: &mut Looped) -> Met {
    meet(network, &passcode(), Duration::from_secs(2), FAST, &|_| {})
}

fn quiet(unit: StandIn) -> Looped {
    Looped::new(unit, Mischief::default(), 1)
}

#[test]
fn a_sound_unit_is_accepted_and_left_as_it_was() {
    for parts in [1, 3, 8] {
        let mut network = quiet(unit(None).with_report_parts(parts));
        let met = met(&mut network);
        network.settle();
        let (judged, outcome) = judged(&met);
        let errors: Vec<_> = judged.findings.iter().filter(|f| f.severity == Severity::Error).collect();
        assert_eq!((outcome, errors.len()), (Outcome::Accepted, 0), "{errors:?}");
        // A test vendor ID is in both certificates, and said once.
        let named = judged.findings.iter().filter(|f| f.rule.name == "chain.test-identity").count();
        assert_eq!(named, 1, "{:?}", judged.findings);
        assert!(judged.anchored && met.complete);
        assert_eq!(met.left, Left::AsFound);
        assert!(!network.unit.is_armed());
        assert_eq!(network.unit.complaints(), []);
        let steps: Vec<_> = met.steps.iter().map(|step| step.name).collect();
        assert_eq!(steps, ["open", "arm", "read", "certificates", "attest", "request", "disarm", "close"]);
        let session = met.session.expect("a session");
        assert_eq!((session.iterations, session.salt_bytes, session.retransmissions), (1000, 16, 0));
        assert_eq!(met.device, Some(played().device));
        assert_ne!(met.attestation.expect("an attestation").challenge, [0; 16]);
    }
}

/// Those that need a network, a book or a label to show.
const ELSEWHERE: &[Fault] = &[Fault::NotFound, Fault::TwoAnswer, Fault::Serial, Fault::Label, Fault::Firmware];

#[test]
fn each_fault_is_found_by_its_rule() {
    let here: Vec<Fault> = Fault::ALL.iter().copied().filter(|fault| !ELSEWHERE.contains(fault)).collect();
    let wrong: Vec<String> = here
        .into_par_iter()
        .filter_map(|fault| {
            let mut network = quiet(unit(Some(fault)));
            let met = met(&mut network);
            network.settle();
            let (judged, outcome) = judged(&met);
            let rules: Vec<_> = judged.findings.iter().map(|f| (f.rule.name, f.severity)).collect();
            let found = rules.contains(&(fault.rule_name(), Severity::Error));
            let opened = met.steps.len() > 1;
            let left =
                !opened || met.steps.iter().any(|s| s.name == "disarm") && met.steps.iter().any(|s| s.name == "close");
            let as_found = met.left == Left::Uncertain || !network.unit.is_armed();
            let refused = outcome != Outcome::Accepted;
            (!(found && left && as_found && refused))
                .then(|| format!("{fault}: {outcome:?} {left} {as_found} {rules:?}"))
        })
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_rule_on_meetings_has_a_fault() {
    for rule in TABLE {
        let fault = Fault::ALL.iter().find(|fault| fault.rule_name() == rule.name);
        assert!(fault.is_some(), "{} has none", rule.name);
        let short = rule.name.strip_prefix("meet.").expect("a rule on meetings");
        assert_eq!(short.parse(), Ok(*fault.expect("one")), "{short}");
        assert_eq!(rule.name.parse(), Ok(*fault.expect("one")), "{}", rule.name);
    }
    for fault in Fault::ALL {
        assert!(fault.rule().is_some(), "{fault}: {} is no rule", fault.rule_name());
        assert_eq!(fault.name().parse(), Ok(*fault));
    }
    assert!("no such".parse::<Fault>().is_err());
}

/// One passcode is tried once: a unit that says it is another's hears nothing more of it.
#[test]
fn a_wrong_passcode_is_tried_once() {
    let mut network = quiet(unit(Some(Fault::Passcode)));
    let met = met(&mut network);
    assert_eq!(met.left, Left::AsFound);
    assert_eq!(met.steps.len(), 1);
    // A question, an acknowledgement, a share, the farewell, and what was sent again.
    assert!(network.sent - met.session.expect("parameters").retransmissions as usize <= 4, "{}", network.sent);
}
