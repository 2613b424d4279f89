//! What must be so after whatever was done to a factory.

use std::collections::BTreeMap;

use serde_json::Value;

use super::campaign::Factory;
use crate::at_site::{assert_sound, data, read_back, text};
use crate::python;

/// Panics with all that is not as it must be; else what there was, in words. `end` are the stations'
/// last answers.
pub fn judge(factory: &Factory<'_>, end: &[Value]) -> String {
    let (site, plan) = (&factory.site, factory.plan);
    let case = format!("{}, seed {}", factory.engine.name(), plan.seed);

    // Every chip that was put back passes, or the station says why not.
    let mut shown = 0;
    for (station, answer) in factory.stations.iter().zip(end) {
        for unit in answer["units"].as_array().expect("units") {
            let explained = unit["cause"] == "chip-scrapped" && unit["detail"].is_string();
            let verified = unit["result"] == "passed" && unit["already"] == true;
            assert!(verified || explained, "{case}, station {}: {unit}", station.name);
            shown += 1;
        }
    }
    assert_eq!(shown, factory.stations.len() * (plan.chips / 5), "{case}: each chip was put back");

    // The account is even, and the log intact by all that it vouches for.
    let account = site.reconcile(&case);
    assert_sound(&case, &account);
    let number = |path: &str| account.pointer(path).and_then(Value::as_u64).unwrap_or_else(|| panic!("{case}: {path}"));
    for none in ["/chips/held", "/credentials/reserved", "/units/open", "/units/failed"] {
        assert_eq!(number(none), 0, "{case}: {none} of {account}");
    }
    assert_eq!(number("/chips/provisioned") + number("/chips/scrapped"), shown as u64, "{case}: {account}");
    let verified = site.call(&case, &["book", "verify"]);
    assert_eq!(verified.exit, Some(0), "{case}: {}", verified.said);

    // Whatever was scrapped has its reason, and one unit has one chip.
    let listed = site.done(&case, &["unit", "list", "--limit", "1000"]);
    let units = listed["units"].as_array().expect("units");
    let (mut causes, mut chips) = (BTreeMap::<String, u32>::new(), BTreeMap::new());
    for unit in units {
        let (serial, chip) = (unit["unit"].as_str().expect("a serial"), unit["chip_id"].as_str().expect("an id"));
        assert!(chips.insert(chip.to_owned(), unit["state"] == "passed").is_none(), "{case}: chip {chip} twice");
        if unit["state"] == "scrapped" {
            let story = site.done(&case, &["unit", "show", serial]);
            let last = story["attempts"].as_array().and_then(|attempts| attempts.last().cloned()).unwrap_or_default();
            let cause = last["cause"].as_str().unwrap_or_else(|| panic!("{case}: {serial} is scrapped: {story}"));
            *causes.entry(cause.to_owned()).or_default() += 1;
        }
    }
    let passed = chips.values().filter(|passed| **passed).count() as u64;
    assert_eq!(passed, number("/units/passed"), "{case}");
    assert!(passed >= shown as u64 / 2, "{case}: {passed} of {shown} passed, which tries too little: {causes:?}");

    // Nothing passed unproven: others judge what `unit write` gives and what the chips hold.
    if let Some(python) = python::interpreter() {
        let (evidence, held) = (site.dir.path().join("evidence"), site.dir.path().join("held"));
        let written = site.done(&case, &["unit", "write", "--all", "--out", text(&evidence)]);
        assert_eq!(written["units"].as_array().map(Vec::len), Some(passed as usize), "{case}");
        for station in &factory.stations {
            read_back(&station.chips, &held, &|chip| chips.get(chip) == Some(&true));
        }
        let said = python::run(&python, "proof.py", &[&evidence, &held, &data("authority")]);
        assert!(said.contains(&format!("{passed} proofs hold")), "{case}: {said}");
    }
    let attempts: u64 = units.iter().filter_map(|unit| unit["attempts"].as_u64()).sum();
    format!("{passed} passed in {attempts} attempts, scrapped for {causes:?}")
}
