//! `examine` against a corpus that Python builds from the clauses, octet by octet, and that knows
//! nothing of this code: `tests/outside/corpus.py`. Every disagreement is told at once.

use std::collections::BTreeSet;
use std::fs;
use std::io::Read as _;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::python;

/// A verdict on one case takes milliseconds; this bounds what hostile input may cost.
const PATIENCE: Duration = Duration::from_secs(30);

#[test]
fn the_corpus_is_judged_as_the_standard_demands() {
    let Some(python) = python::interpreter() else { return };
    let directory = tempfile::tempdir().unwrap();
    python::run(&python, "corpus.py", &[directory.path()]);
    let index: Vec<Value> = serde_json::from_slice(&fs::read(directory.path().join("index.json")).unwrap()).unwrap();
    assert!(index.len() > 800, "{} cases", index.len());
    let (next, wrong) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    let workers = std::thread::available_parallelism().map_or(2, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                while let Some(case) = index.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let faults = judge(directory.path(), case);
                    if !faults.is_empty() {
                        wrong.lock().expect("no panic holds it").push(format!(
                            "{} {} ({})\n    {}\n    {}",
                            text(case, "dir"),
                            text(case, "name"),
                            text(case, "clause"),
                            list(case, "args").join(" "),
                            faults.join("\n    ")
                        ));
                    }
                }
            });
        }
    });
    let mut wrong = wrong.into_inner().unwrap();
    wrong.sort();
    assert!(wrong.is_empty(), "{} of {} cases:\n{}", wrong.len(), index.len(), wrong.join("\n"));
}

fn text<'a>(value: &'a Value, key: &str) -> &'a str {
    value[key].as_str().unwrap_or_default()
}

fn list<'a>(value: &'a Value, key: &str) -> Vec<&'a str> {
    value[key].as_array().into_iter().flatten().filter_map(Value::as_str).collect()
}

/// Standard output, standard error and exit code (`None`: killed by a signal or out of patience).
fn call(directory: &Path, arguments: &[&str]) -> (Vec<u8>, String, Option<i32>) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_touchmark"))
        .args(arguments)
        .current_dir(directory)
        .env_remove("TOUCHMARK_SITE")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let (mut out, mut err) = (child.stdout.take().expect("piped"), child.stderr.take().expect("piped"));
    let said = std::thread::spawn(move || {
        let mut said = Vec::new();
        let _ = out.read_to_end(&mut said);
        said
    });
    let warned = std::thread::spawn(move || {
        let mut said = Vec::new();
        let _ = err.read_to_end(&mut said);
        String::from_utf8_lossy(&said).into_owned()
    });
    let begun = Instant::now();
    let code = loop {
        match child.try_wait().expect("a child") {
            Some(status) => break status.code(),
            None if begun.elapsed() > PATIENCE => {
                child.kill().expect("a child");
                child.wait().expect("a child");
                break None;
            }
            None => std::thread::sleep(Duration::from_millis(2)),
        }
    };
    (said.join().expect("read"), warned.join().expect("read"), code)
}

/// What INTERFACE and the case demand, and did not find.
fn judge(root: &Path, case: &Value) -> Vec<String> {
    let directory = root.join(text(case, "dir"));
    let mut arguments = vec!["--json", "examine"];
    arguments.extend(list(case, "args"));
    let (out, err, code) = call(&directory, &arguments);
    let mut faults = Vec::new();
    let exits: Vec<i64> = case["exit"].as_array().into_iter().flatten().filter_map(Value::as_i64).collect();
    if !code.is_some_and(|c| exits.contains(&i64::from(c))) {
        faults.push(format!("exit {code:?}, not one of {exits:?}"));
    }
    if err.contains("panicked") {
        faults.push(format!("a panic: {err}"));
    }
    match serde_json::from_slice::<Value>(&out) {
        Err(error) => faults.push(format!("no JSON document ({error}): {err}")),
        Ok(answer) if code == Some(2) || code == Some(3) => {
            for key in ["kind", "message", "advice"] {
                if text(&answer["error"], key).is_empty() {
                    faults.push(format!("error without {key}: {answer}"));
                }
            }
            if !exits.contains(&2) {
                faults.push(answer.to_string());
            }
        }
        Ok(answer) => compare(case, &answer, code, &mut faults),
    }
    if faults.is_empty() && text(case, "name").contains("escape") {
        people(&directory, &arguments[1..], &mut faults);
    }
    faults
}

/// The answer for people holds no control character that the file brought.
fn people(directory: &Path, arguments: &[&str], faults: &mut Vec<String>) {
    let (out, err, _) = call(directory, arguments);
    let said = String::from_utf8_lossy(&out).into_owned() + &err;
    if let Some(found) = said.chars().find(|&c| {
        (c.is_control() && c != '\n')
            || ('\u{202a}'..='\u{202e}').contains(&c)
            || ('\u{2066}'..='\u{2069}').contains(&c)
    }) {
        faults.push(format!("the answer for people holds {found:?}: {said:?}"));
    }
}

fn compare(case: &Value, answer: &Value, code: Option<i32>, faults: &mut Vec<String>) {
    let findings = answer["findings"].as_array().cloned().unwrap_or_default();
    let subjects = answer["subjects"].as_array().cloned().unwrap_or_default();
    let of = |severity: &str| -> Vec<&Value> { findings.iter().filter(|f| f["severity"] == severity).collect() };
    let (errors, warnings, notes) = (of("error"), of("warning"), of("note"));
    if errors.len() + warnings.len() + notes.len() != findings.len() {
        faults.push("a severity that INTERFACE does not name".to_owned());
    }
    for finding in &findings {
        for key in ["rule", "subject", "clause", "required", "found", "advice"] {
            if text(finding, key).is_empty() {
                faults.push(format!("{} without {key}", finding["rule"]));
            }
        }
        let (kind, subject) = (text(finding, "rule").split('.').next(), text(finding, "subject"));
        let of_role = matches!(kind, Some("dac" | "pai" | "paa"));
        if of_role && !subjects.iter().any(|s| s["name"] == subject && s["kind"].as_str() == kind) {
            faults.push(format!("{} said of {subject:?}, which is none", finding["rule"]));
        }
    }
    let rejected = !errors.is_empty();
    if answer["verdict"] != if rejected { "rejected" } else { "accepted" } || code != Some(i32::from(rejected)) {
        faults.push(format!("{} errors, but verdict {} and exit {code:?}", errors.len(), answer["verdict"]));
    }
    expect(case, "rejected", &errors, faults);
    expect(case, "warn", &warnings, faults);
    expect(case, "notes", &notes, faults);
    let must = list(case, "rejected");
    let may = list(case, "may");
    for finding in &errors {
        if !may.contains(&"*") && !must.iter().chain(&may).any(|rule| fits(rule, finding)) {
            faults.push(format!("error beyond what is wrong: {}", brief(finding)));
        }
    }
    let quiet = &case["quiet"];
    if *quiet != Value::Bool(false) {
        let named: Vec<&str> = list(case, "warn").into_iter().chain(list(case, "notes")).collect();
        for finding in warnings.iter().chain(&notes) {
            // That it is for development is said of every test VID and of type 0.
            let development = finding["severity"] == "note"
                && ["chain.test-identity", "declaration.certification-type"].contains(&text(finding, "rule"))
                && quiet.as_str() != Some(text(finding, "rule"));
            if !development && !named.iter().any(|rule| fits(rule, finding)) {
                faults.push(format!("not silent: {}", brief(finding)));
            }
        }
    }
    if !case["anchored"].is_null() && case["anchored"] != answer["anchored"] {
        faults.push(format!("anchored {}", answer["anchored"]));
    }
    kinds(case, &subjects, faults);
}

fn kinds(case: &Value, subjects: &[Value], faults: &mut Vec<String>) {
    let found: Vec<String> = subjects.iter().map(|s| format!("{} is {}", text(s, "name"), text(s, "kind"))).collect();
    if let Some(expected) = case["kinds"].as_array() {
        let mut expected: Vec<&str> = expected.iter().filter_map(Value::as_str).collect();
        // PAAs that were only trusted stand in the answer too, where a chain ends at them.
        let args = list(case, "args");
        let trusted: Vec<&str> = args.windows(2).filter(|w| w[0] == "--trust").map(|w| w[1]).collect();
        let mut kinds: Vec<&str> =
            subjects.iter().filter(|s| !trusted.contains(&text(s, "name"))).map(|s| text(s, "kind")).collect();
        expected.sort_unstable();
        kinds.sort_unstable();
        if expected != kinds {
            faults.push(format!("kinds: {found:?}"));
        }
    }
    let named = |name: &str| subjects.iter().find(|s| s["name"] == *name);
    for (name, kind) in case["kinds"].as_object().into_iter().flatten() {
        if !named(name).is_some_and(|s| s["kind"] == *kind) {
            faults.push(format!("{name} should be {kind}: {found:?}"));
        }
    }
    for (name, values) in case["values"].as_object().into_iter().flatten() {
        for (key, value) in values.as_object().into_iter().flatten() {
            match named(name).map(|s| s.get(key)) {
                Some(Some(told)) if told == value => {}
                other => faults.push(format!("{key} of {name} should be {value}: {other:?}")),
            }
        }
    }
    let unique: BTreeSet<&str> = subjects.iter().map(|s| text(s, "name")).collect();
    if unique.len() != subjects.len() {
        faults.push(format!("names not told apart: {found:?}"));
    }
}

/// `rule`, `rule@subject`, or either of several joined by `|`.
fn fits(rule: &str, finding: &Value) -> bool {
    rule.split('|').any(|one| {
        let (name, subject) = one.split_once('@').map_or((one, None), |(n, s)| (n, Some(s)));
        finding["rule"] == name && subject.is_none_or(|s| finding["subject"] == s)
    })
}

fn expect(case: &Value, key: &str, findings: &[&Value], faults: &mut Vec<String>) {
    // Where the exit code is left open, a rule is only asked for if something was found at all.
    let open = case["exit"].as_array().is_some_and(|e| e.len() > 1);
    for rule in list(case, key) {
        if !(findings.iter().any(|f| fits(rule, f)) || open && findings.is_empty()) {
            faults.push(format!("{key}: {rule} is not found"));
        }
    }
}

fn brief(finding: &Value) -> String {
    format!(
        "{} {} on {}: {}",
        text(finding, "severity"),
        text(finding, "rule"),
        text(finding, "subject"),
        text(finding, "found")
    )
}
