//! Stored proofs and the chains read back from chips convince judges from outside: Python's
//! `cryptography` and OpenSSL, called by `tests/outside/proof.py`. docs/proof.md says how.

use std::fs;

use at_site::engine::Engine;
use at_site::{Site, assert_sound, data, read_back};

use crate::{at_site, python};

on_both_engines! {
    proofs_and_chains_hold_for_others,
}

fn proofs_and_chains_hold_for_others(engine: &Engine) {
    let Some(python) = python::interpreter() else { return };
    let site = Site::on(engine, "a");
    site.add("b");
    let (evidence, chips) = (site.dir.path().join("evidence"), site.dir.path().join("chips"));
    for (which, reel) in [("a", "A"), ("b", "B")] {
        site.receive_reel(which);
        site.receive_delivery(which);
        let source = site.simulate(which);
        let case = format!("provision {reel}");
        let run = ["provision", "--reel", reel, "--station", "line-1", "--chips", &source, "--units", "8"];
        assert_eq!(site.done(&case, &run)["passed"], 8, "{case}");
        read_back(&source, &chips, &|_| true);
    }
    let written = site.done("unit write", &["unit", "write", "--all", "--out", at_site::text(&evidence)]);
    assert_eq!(written["units"].as_array().map(Vec::len), Some(16), "{written}");
    let said = python::run(&python, "proof.py", &[&evidence, &chips, &data("authority")]);
    assert!(said.contains("16 proofs hold"), "{said}");

    assert_sound("16 proofs", &site.reconcile("16 proofs"));

    // The same judge refuses a proof that stands beside another unit's certificate.
    let (one, other) = (evidence.join("A-00001/dac.der"), evidence.join("A-00002/dac.der"));
    fs::copy(other, one).expect("swapped");
    let refused = std::process::Command::new(&python)
        .args(["-B".as_ref(), python::root().join("tests/outside/proof.py").as_os_str()])
        .args([&evidence, &chips, &data("authority")])
        .output()
        .expect("the interpreter starts");
    let said = String::from_utf8_lossy(&refused.stderr);
    assert!(!refused.status.success() && said.contains("A-00001: InvalidSignature"), "a swapped DAC: {said}");
}
