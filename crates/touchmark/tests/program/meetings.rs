//! Finished units are met: of a site, of a record, of specimens; by a rack; by another hand.

use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::LazyLock;

use serde_json::Value;
use tempfile::TempDir;

use crate::at_site::{Site, text};
use crate::python;

/// A stand-in that runs until it is dropped.
struct StandIn {
    child: Child,
    said: Value,
}

impl StandIn {
    fn start(mut command: Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().expect("its output")).read_line(&mut line).expect("a line");
        let said = serde_json::from_str(&line).unwrap_or_else(|e| {
            let mut err = String::new();
            let _ = child.stderr.take().expect("its errors").read_to_string(&mut err);
            panic!("{e} in {line:?}\n{err}")
        });
        Self { child, said }
    }

    fn at(&self) -> &str {
        self.said["at"].as_str().expect("an address")
    }

    fn qr(&self) -> &str {
        self.said["qr"].as_str().expect("a code")
    }

    /// Stops it as a service manager does; what it said of homes.
    fn stop(mut self) -> String {
        let stopped = Command::new("kill").arg(self.child.id().to_string()).status().expect("kill");
        assert!(stopped.success());
        let mut err = String::new();
        self.child.stderr.take().expect("its errors").read_to_string(&mut err).expect("UTF-8");
        assert_eq!(self.child.wait().expect("it ends").code(), Some(0), "{err}");
        err
    }
}

impl Drop for StandIn {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn program(typed: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_touchmark"));
    command.arg("--json").args(typed).current_dir("/").env_remove("TOUCHMARK_SITE").stdin(Stdio::null());
    command
}

fn answer(typed: &[&str]) -> (Option<i32>, Value) {
    let done = program(typed).output().expect("it starts");
    let out = String::from_utf8_lossy(&done.stdout);
    let json = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{typed:?}: {e} in {out}"));
    (done.status.code(), json)
}

/// Specimen sets, made once.
static SETS: LazyLock<TempDir> = LazyLock::new(|| {
    let dir = tempfile::tempdir().expect("a directory");
    let (exit, _) = answer(&["specimen", "write", "--out", text(&dir.path().join("sets"))]);
    assert_eq!(exit, Some(0));
    dir
});

fn set(name: &str) -> PathBuf {
    SETS.path().join("sets").join(name)
}

fn trust(name: &str) -> Vec<String> {
    let file = |file| text(&set(name).join(file)).to_owned();
    vec!["--trust".into(), file("paa.der"), "--signer".into(), file("declaration-signer.der")]
}

/// Names of the rules that were broken, as errors.
fn errors(meeting: &Value) -> Vec<&str> {
    let findings = meeting["findings"].as_array().expect("findings");
    let errors = findings.iter().filter(|f| f["severity"] == "error");
    errors.map(|f| f["rule"].as_str().expect("a rule")).collect()
}

fn specimen(name: &str, more: &[&str]) -> StandIn {
    StandIn::start(program(&[&["stand-in", "--specimen", text(&set(name))], more].concat()))
}

fn met(unit: &StandIn, name: &str, more: &[&str]) -> (Option<i32>, Value) {
    let trust = trust(name);
    let trust: Vec<&str> = trust.iter().map(String::as_str).collect();
    answer(&[&["meet", "--code", unit.qr(), "--at", unit.at()], &trust[..], more].concat())
}

#[test]
fn a_unit_of_the_site_is_held_against_the_book() {
    let site = Site::new("a");
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, 3, &[])));
    let at = ["provision", "--reel", "A", "--station", "S1", "--chips", &chips, "--serial-start", "TV-000001"];
    assert_eq!(site.done("provision", &[&at[..], &["--firmware", "1.4.0"]].concat())["passed"], 3);
    site.done("vendor name", &["product", "update", "Tern Vent", "--vendor-name", "Tern & Hollow"]);
    let rows = [
        (None, "accepted", None, 0),
        (Some("serial"), "rejected", Some("meet.serial"), 1),
        (Some("label"), "rejected", Some("meet.label"), 1),
        (Some("firmware"), "rejected", Some("meet.firmware"), 1),
        (Some("passcode"), "rejected", Some("meet.passcode"), 1),
        (Some("no-answer+armed"), "unreachable", Some("meet.no-answer"), 3),
    ];
    for (fault, verdict, rule, exit) in rows {
        let case = fault.unwrap_or("sound");
        let fault = fault.map_or(Vec::new(), |fault| vec!["--fault", fault]);
        let unit = [&["stand-in", "--unit", "TV-000002", "--chips", &chips], &fault[..]].concat();
        let unit = StandIn::start(site.command(&unit));
        // By its serial number, and by its code as scanned: the book knows it either way.
        for named in [["--unit", "tv-000002"], ["--code", unit.qr()]] {
            if case != "sound" && named[0] == "--code" {
                continue;
            }
            let answer = site.call(case, &["meet", named[0], named[1], "--at", unit.at(), "--timeout", "4"]);
            let meeting = &answer.json;
            assert_eq!(
                (answer.exit, &meeting["verdict"]),
                (Some(exit), &Value::from(verdict)),
                "{case}: {}",
                answer.said
            );
            assert_eq!(errors(meeting), rule.into_iter().collect::<Vec<_>>(), "{case}");
            assert_eq!(meeting["unit"]["serial"], "TV-000002", "{case}");
            assert_eq!(meeting["unit"]["state"], "passed", "{case}");
            assert_eq!(meeting["at"], unit.at(), "{case}");
            let uncertain = case.starts_with("no-answer");
            assert_eq!(meeting["left"], if uncertain { "uncertain" } else { "as-found" }, "{case}");
            if case == "label" {
                let found = meeting["findings"].to_string();
                assert!(found.contains("unit TV-000002") && found.contains("unit TV-000001"), "{found}");
            }
        }
        assert_eq!(unit.stop(), "", "{case}");
    }
    // Each meeting is in the unit's story, with its proof where there is one, and leaves in evidence.
    let story = site.done("story", &["unit", "show", "TV-000002"]);
    let meetings = story["meetings"].as_array().expect("meetings");
    let told: Vec<_> = meetings.iter().map(|m| (m["verdict"].as_str(), m["cause"].as_str())).collect();
    let accepted = (Some("accepted"), None);
    let wanted = [
        accepted,
        accepted,
        (Some("rejected"), Some("meet.serial")),
        (Some("rejected"), Some("meet.label")),
        (Some("rejected"), Some("meet.firmware")),
        (Some("rejected"), Some("meet.passcode")),
        (Some("unreachable"), Some("meet.no-answer")),
    ];
    assert_eq!(told, wanted, "{story}");
    assert_eq!(meetings[0]["certificate"], "own");
    assert_eq!(meetings[3]["certificate"], "other");
    assert_eq!(meetings[0]["report"]["device"]["software_version_string"], "1.4.0");
    assert!(meetings[0]["proof"]["challenge"].is_string() && meetings[5]["proof"].is_null(), "{story}");
    assert_ne!(meetings[0]["proof"]["challenge"], story["proof"]["challenge"], "the session's own");
    let report = site.done("report", &["report"]);
    assert_eq!(report["meetings"]["accepted"]["good"], 2, "{report}");
    assert_eq!(report["meetings"]["causes"].as_array().map(Vec::len), Some(5), "{report}");
    let pack = site.dir.path().join("met.zip");
    site.done("evidence", &["evidence", "export", "TV-000002", "--out", text(&pack)]);
    let (zip, key) = (text(&pack), pack.with_file_name("met-key.pem"));
    let checked = site.done("check", &["evidence", "check", zip, "--key", text(&key)]);
    assert_eq!(checked["verdict"], "whole", "{checked}");
    if let Some(python) = python::interpreter() {
        let script = python::root().join("examples/check_evidence.py");
        let done = Command::new(python).arg(script).arg(&pack).arg(&key).output().expect("it starts");
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stdout));
    }
    // Where every unit is to be met, the account says which were not: the last meeting counts.
    let note = |when: &str| site.done(when, &["reconcile"])["notes"].to_string();
    assert!(!note("before").contains("final inspection"));
    let every = ["product", "update", "Tern Vent", "--final-inspection", "every"];
    assert_eq!(site.done("every", &every)["changed"][0]["setting"], "final_inspection");
    assert!(note("none met").contains("3 of 3 units of product Tern Vent"), "{}", note("none met"));
    let unit =
        StandIn::start(site.command(&["stand-in", "--unit", "TV-000001", "--chips", &chips, "--firmware", "1.4.0"]));
    site.done("met", &["meet", "--unit", "TV-000001", "--at", unit.at()]);
    unit.stop();
    assert!(note("one met").contains("2 of 3 units"), "{}", note("one met"));
    assert!(site.done("verify", &["book", "verify"])["damages"].as_array().is_none_or(Vec::is_empty));
    // The passcode is in no answer.
    let code = site.done("show", &["unit", "show", "TV-000002", "--reveal"]);
    let passcode = code["onboarding"]["passcode"].to_string();
    assert!(passcode.len() > 3, "{code}");
    let record = site.dir.path().join("records");
    site.done("record", &["record", "make", "TV-000003", "--out", text(&record), "--format", "cbor"]);
    let chip =
        site.done("show", &["unit", "show", "TV-000003"])["chip"]["chip_id"].as_str().expect("a chip").to_owned();
    let file = record.join("TV-000003.cbor");
    let unit = ["stand-in", "--record", text(&file), "--chips", &chips, "--chip", &chip];
    let unit = StandIn::start(site.command(&unit));
    assert_eq!(unit.said["qr"], Value::Null, "a record holds no passcode");
    let answer = site.call("a record", &["meet", "--unit", "TV-000003", "--at", unit.at()]);
    assert_eq!(answer.exit, Some(1), "{}", answer.said);
    assert_eq!(errors(&answer.json), ["meet.firmware"], "a record says no firmware");
}

/// Sets that break one rule each are played live, and the same rule is found as `examine` finds.
#[test]
fn specimens_are_refused_live() {
    for rule in [
        "dac.validity",
        "dac.vendor-id",
        "dac.basic-constraints",
        "pai.key-usage",
        "paa.subject-key-id",
        "chain.issuer-name",
        "chain.signature",
        "declaration.dac-vendor",
        "declaration.signature",
        "exchange.nonce",
        "exchange.signature",
        "exchange.size",
    ] {
        let unit = specimen(rule, &[]);
        let (exit, meeting) = met(&unit, rule, &[]);
        assert_eq!((exit, &meeting["verdict"]), (Some(1), &Value::from("rejected")), "{rule}: {meeting}");
        assert!(errors(&meeting).contains(&rule), "{rule}: {:?}", errors(&meeting));
        assert_eq!(meeting["left"], "as-found", "{rule}");
    }
    for valid in ["valid", "valid+origin"] {
        if set(valid).exists() {
            let unit = specimen(valid, &[]);
            let (exit, meeting) = met(&unit, valid, &[]);
            assert_eq!(exit, Some(0), "{valid}: {meeting}");
        }
    }
}

/// Fifty stand-ins, twelve of them with a fault each: every one is judged right, by its rule.
#[test]
fn a_rack_of_fifty_is_judged_right() {
    const FAULTS: [(&str, &str); 12] = [
        ("passcode", "meet.passcode"),
        ("verifier-parameters", "meet.verifier-parameters"),
        ("point", "meet.point"),
        ("window-closed", "meet.window-closed"),
        ("busy", "meet.busy"),
        ("reply", "meet.reply"),
        ("counter", "meet.counter"),
        ("identity", "meet.identity"),
        ("request", "meet.request"),
        ("left-armed", "meet.left-armed"),
        ("exchange.signature", "exchange.signature"),
        ("pai.encoding", "pai.encoding"),
    ];
    let units: Vec<StandIn> = (0..50)
        .map(|number| {
            let fault = FAULTS.get(number).map_or(Vec::new(), |(fault, _)| vec!["--fault", fault]);
            specimen("valid", &fault)
        })
        .collect();
    let list: String = units.iter().map(|unit| format!("{} {}\n", unit.qr(), unit.at())).collect();
    let dir = tempfile::tempdir().expect("a directory");
    let file = dir.path().join("rack.txt");
    fs::write(&file, format!("# code, address\n\n{list}")).expect("a file");
    let trust = trust("valid");
    let trust: Vec<&str> = trust.iter().map(String::as_str).collect();
    let (exit, rack) = answer(&[&["meet", "--rack", text(&file), "--side-by-side", "50"], &trust[..]].concat());
    assert_eq!(exit, Some(1));
    let counts = ["met", "accepted", "rejected", "unreachable"].map(|key| rack[key].as_u64());
    assert_eq!(counts, [Some(50), Some(38), Some(10), Some(2)], "{rack}");
    let met = rack["units"].as_array().expect("units");
    for (number, unit) in met.iter().enumerate() {
        assert_eq!(unit["line"], number + 3);
        match FAULTS.get(number) {
            Some((fault, rule)) => assert!(errors(unit).contains(rule), "{fault}: {:?}", errors(unit)),
            None => assert!(errors(unit).is_empty(), "{number}: {unit}"),
        }
    }
    for unit in units {
        unit.stop();
    }
}

/// Units that announce themselves on this machine are found by either code; a discriminator that two share is none of them.
#[test]
fn units_are_found_by_what_they_announce() {
    let unit = specimen("valid", &["--announce"]);
    let trust = trust("valid");
    let trust: Vec<&str> = trust.iter().map(String::as_str).collect();
    let manual = unit.said["manual"].as_str().expect("a code").to_owned();
    for code in [unit.qr(), &manual] {
        let (exit, meeting) = answer(&[&["meet", "--code", code, "--timeout", "15"], &trust[..]].concat());
        assert_eq!((exit, &meeting["verdict"]), (Some(0), &Value::from("accepted")), "{meeting}");
        assert_eq!(meeting["announced"]["discriminator"], unit.said["discriminator"]);
        assert_eq!(meeting["steps"][0]["name"], "find");
    }
    let (exit, heard) = answer(&["meet", "--find", "--timeout", "3"]);
    assert_eq!(exit, Some(0));
    let units = heard["units"].as_array().expect("units");
    assert!(units.iter().any(|u| u["discriminator"] == unit.said["discriminator"]), "{heard}");
    unit.stop();
    for (fault, rule) in
        [("two-answer", "meet.two-answer"), ("not-found", "meet.not-found"), ("window-closed", "meet.window-closed")]
    {
        let unit = specimen("valid", &["--announce", "--fault", fault]);
        let (exit, meeting) = answer(&[&["meet", "--code", unit.qr(), "--timeout", "4"], &trust[..]].concat());
        assert_eq!((exit, errors(&meeting)), (Some(3), vec![rule]), "{meeting}");
        assert_eq!(meeting["session"], Value::Null, "{fault}");
    }
}

#[test]
fn a_program_carries_the_datagrams() {
    let python = Path::new("/usr/bin/python3");
    if !python.is_file() {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "no python3");
        println!("SKIPPED: no python3");
        return;
    }
    let bridge = format!("command:{} {}", text(python), text(&python::root().join("examples/datagram_bridge.py")));
    let (exit, checked) = answer(&["meet", "check", "--through", &bridge]);
    assert_eq!((exit, &checked["kept"]), (Some(0), &Value::from(true)), "{checked}");
    let (exit, checked) = answer(&["meet", "check", "--through", "command:/bin/false"]);
    assert_eq!((exit, &checked["kept"]), (Some(1), &Value::from(false)), "{checked}");
    let unit = specimen("valid", &[]);
    let (exit, meeting) = met(&unit, "valid", &["--through", &bridge]);
    assert_eq!((exit, &meeting["verdict"]), (Some(0), &Value::from("accepted")), "{meeting}");
    let (exit, failed) = met(&unit, "valid", &["--through", "command:/bin/false"]);
    assert_eq!((exit, &failed["error"]["kind"]), (Some(3), &Value::from("surroundings")), "{failed}");
}

#[test]
fn a_wrong_call_is_told() {
    let trust = trust("valid");
    let trust: Vec<&str> = trust.iter().map(String::as_str).collect();
    let dir = tempfile::tempdir().expect("a directory");
    let list = dir.path().join("rack.txt");
    fs::write(&list, "MT:Y.K9042C00KA0648G00 127.0.0.1\nMT:nonsense 127.0.0.1\n").expect("a file");
    let good = ["--code", "MT:Y.K9042C00KA0648G00"];
    let calls: BTreeMap<&str, Vec<&str>> = [
        ("nothing named", vec!["meet"]),
        ("two named", [&["meet", "--unit", "X"], &good[..]].concat()),
        ("no trust", [&["meet"], &good[..]].concat()),
        ("no site", [&["meet", "--unit", "TV-1"], &trust[..]].concat()),
        ("no code", [&["meet", "--code", "hello"], &trust[..]].concat()),
        ("a wrong check digit", [&["meet", "--code", "34970112333"], &trust[..]].concat()),
        ("no address", [&["meet", "--at", "127.0.0.1:99999"], &good[..], &trust[..]].concat()),
        ("no program", [&["meet", "--through", "radio"], &good[..], &trust[..]].concat()),
        ("a line of a rack", [&["meet", "--rack", text(&list)], &trust[..]].concat()),
        ("no unit", vec!["stand-in"]),
        ("no chips", vec!["stand-in", "--unit", "X"]),
        ("no fault", vec!["stand-in", "--specimen", "/", "--fault", "no such"]),
        ("no set", vec!["stand-in", "--specimen", "/"]),
    ]
    .into();
    for (case, typed) in calls {
        let (exit, failed) = answer(&typed);
        assert_eq!((exit, &failed["error"]["kind"]), (Some(2), &Value::from("usage")), "{case}: {failed}");
    }
}

/// A device and a home in Python, written from the standard's facts alone.
#[test]
fn another_hand_meets_and_is_met() {
    let Some(python) = python::interpreter() else { return };
    let said = python::run(&python, "meeting.py", &[Path::new(env!("CARGO_BIN_EXE_touchmark")), &set("")]);
    println!("{said}");
}
