//! The line: success means done, series of serial numbers, scanners, runs that wait, scrapped chips.

use std::fs;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use at_site::engine::Engine;
use at_site::{Answer, Site, assert_sound, text};
use serde_json::{Value, json};

use crate::at_site;
use crate::torture::clock::Clock;

on_both_engines! {
    success_means_done,
    a_product_has_a_series,
    a_run_says_what_it_did,
    scrapped_chips_leave_the_stock,
    numbers_come_from_a_scanner,
    a_run_waits_until_it_is_told_to_stop,
}

/// A site with reel A, and chips `from` to `to` of it in a fixture of their own.
fn stocked(engine: &Engine) -> Site {
    let site = Site::on(engine, "a");
    site.receive_reel("a");
    site.receive_delivery("a");
    site
}

fn source(folder: &Path) -> String {
    format!("simulated:{}", text(folder))
}

fn provision(site: &Site, case: &str, reel: &str, chips: &str, more: &[&str]) -> Answer {
    let run = ["provision", "--reel", reel, "--station", "S1", "--chips", chips];
    site.call(case, &[&run[..], more].concat())
}

/// Words: what was refused is not called failed, a returned unit is not called verified, a series that began before is
/// said, `-q` prints no unit that passed, and a bad line of a list is named.
fn a_run_says_what_it_did(engine: &Engine) {
    let site = stocked(engine);
    let chips = source(&site.simulate_part("a", 0, 4, &[]));
    assert_eq!(provision(&site, "first", "A", &chips, &["--units", "2", "--serial-start", "TV-001"]).exit, Some(0));
    site.done("return", &["unit", "return", "TV-001", "--reason", "cracked lens"]);
    site.done("scrap", &["unit", "scrap", "TV-002", "--reason", "dropped"]);
    let words = |more: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_touchmark"));
        command.args(["provision", "--reel", "A", "--station", "S1", "--chips", &chips]).args(more);
        let done = command.env("TOUCHMARK_SITE", site.dir.path().join("site")).stdin(Stdio::null()).output();
        let done = done.expect("runs");
        let [out, err] = [done.stdout, done.stderr].map(|text| String::from_utf8_lossy(&text).into_owned());
        (done.status.code(), out, err)
    };
    let (exit, out, err) = words(&["--units", "1", "--serial-start", "TV-001"]);
    assert!(err.contains("TV-003 is next; TV-001 is used already."), "{err}");
    assert!(out.contains("passed  TV-003"), "{exit:?} {out}");
    let (exit, out, _) = words(&["-q", "--serial-start", "TV-001"]);
    assert_eq!(exit, Some(1), "{out}");
    let lines: Vec<_> = out.lines().filter(|line| line.contains("  chip ")).collect();
    assert!(lines.iter().any(|l| l.starts_with("failed  TV-001") && l.ends_with("already provisioned")), "{out}");
    assert!(lines.iter().any(|l| l.starts_with("refused  -")), "{out}");
    assert!(lines.len() == 2 && !out.contains("verified\n"), "{out}");

    let list = site.dir.path().join("serials.txt");
    fs::write(&list, format!("TV-001\n\nTV-{}\n", "9".repeat(40))).expect("a list");
    let bad = provision(&site, "bad line", "A", &chips, &["--serials", text(&list)]);
    let message = bad.json["error"]["message"].as_str().expect("a message");
    assert!(bad.exit == Some(2) && message.contains("serials.txt, line 3: "), "{message}");
    fs::write(&list, "TV-001\nTV-002\n").expect("a list");
    let (_, _, err) = words(&["--serials", text(&list)]);
    assert!(err.contains("in which units have all numbers already"), "{err}");
}

/// Counts, exit code and how it ended: passed, failed, refused, verified.
fn assert_ended(case: &str, answer: &Answer, exit: i32, ended: &str, counts: [u64; 4]) {
    let told = ["passed", "failed", "refused", "verified"].map(|key| answer.json[key].as_u64());
    assert_eq!((answer.exit, &answer.json["ended"]), (Some(exit), &json!(ended)), "{case}: {}", answer.said);
    assert_eq!(told, counts.map(Some), "{case}: {}", answer.said);
    // Whatever is not simply done is said in a sentence, with the next move.
    let said = [&answer.json["why"], &answer.json["next"]].map(|text| text.as_str().is_some_and(|t| t.ends_with('.')));
    assert_eq!(said, [ended != "done"; 2], "{case}: {}", answer.said);
}

fn why(answer: &Answer) -> &str {
    answer.json["why"].as_str().expect("a sentence")
}

fn success_means_done(engine: &Engine) {
    let site = stocked(engine);
    site.add("b");
    site.receive_reel("b");
    let chips = source(&site.simulate_part("a", 0, 3, &[]));
    let of_b = source(&site.simulate_part("b", 0, 2, &[]));

    // The reel of another product is in the fixture.
    let wrong = provision(&site, "wrong reel", "A", &of_b, &[]);
    assert_ended("wrong reel", &wrong, 1, "wrong-reel", [0; 4]);
    assert_eq!(wrong.json["other_reels"], 2);
    assert_eq!(why(&wrong), "No chip here is of reel A; the fixture holds 2 chips of reel B.");
    // Chips that nobody received.
    let strange = site.dir.path().join("strange");
    site.done("strange", &["chip", "simulate", "--out", text(&strange), "--count", "1", "--seed", "9"]);
    let unknown = provision(&site, "unknown", "A", &source(&strange), &[]);
    assert_ended("unknown", &unknown, 1, "wrong-reel", [0, 0, 1, 0]);
    // A reel without a delivery is refused once, before the first chip, and an empty fixture is no wrong call.
    let bare = provision(&site, "no certificates", "B", &of_b, &[]);
    let error = &bare.json["error"];
    assert_eq!((bare.exit, &error["kind"]), (Some(1), &json!("refused")), "{}", bare.said);
    assert_eq!(error["message"], "Reel B has no delivery, so none of its chips has a certificate.");
    assert!(error["advice"].as_str().is_some_and(|a| a.contains("delivery receive")), "{error}");
    let hollow = site.simulate_part("a", 5, 6, &[]);
    fs::read_dir(&hollow).expect("chips").flatten().for_each(|f| fs::remove_file(f.path()).unwrap_or_default());
    assert_eq!(provision(&site, "empty", "A", &source(&hollow), &[]).exit, Some(1));
    assert_eq!(site.done("nothing begun", &["unit", "list"])["units"], json!([]));

    let none = provision(&site, "rework", "A", &chips, &["--rework"]);
    assert_ended("rework", &none, 1, "nothing-to-do", [0; 4]);
    assert_ended("all", &provision(&site, "all", "A", &chips, &[]), 0, "done", [3, 0, 0, 0]);
    let again = provision(&site, "again", "A", &chips, &[]);
    assert_ended("again", &again, 1, "nothing-to-do", [0, 0, 0, 3]);
    assert_eq!(why(&again), "Nothing to do: 3 of the chips here passed before, and were verified again.");
    // A scrapped chip among others is refused; the others are not counted with it.
    site.done("scrap", &["unit", "scrap", "A-00001", "--reason", "dropped"]);
    let more = site.simulate_part("a", 3, 5, &[]);
    for file in
        fs::read_dir(&more).expect("chips").flatten().filter(|f| f.path().extension().is_some_and(|e| e == "chip"))
    {
        fs::rename(file.path(), Path::new(chips.trim_start_matches("simulated:")).join(file.file_name()))
            .expect("moved");
    }
    let limited = provision(&site, "units", "A", &chips, &["--units", "1"]);
    assert_eq!(limited.json["passed"], 1, "a refused chip is not one of the units asked for: {}", limited.said);
    let beyond = provision(&site, "beyond", "A", &chips, &["--units", "9"]);
    assert_eq!((&beyond.json["passed"], &beyond.json["refused"]), (&json!(1), &json!(1)), "{}", beyond.said);
    assert_sound("in the end", &site.reconcile("in the end"));
    // The final yield counts the scrapped unit, which was begun.
    let report = site.done("report", &["report", "--reel", "A"]);
    let last = &report["yields"]["last"];
    assert_eq!((&last["good"], &last["all"]), (&json!(4), &json!(5)), "{report}");
}

fn a_product_has_a_series(engine: &Engine) {
    let site = stocked(engine);
    let part = |from, to| source(&site.simulate_part("a", from, to, &[]));
    // Without a series, what is used is said, and is what it was.
    let bare = provision(&site, "no series", "A", &part(0, 1), &[]);
    let serials =
        json!({ "from": "A-00001", "source": "reel", "series": "A-00001", "new_series": true, "beside": null });
    assert_eq!((&bare.json["serials"], &bare.json["units"][0]["unit"]), (&serials, &json!("A-00001")));
    let update = |series| site.call("update", &["product", "update", "Tern Vent", "--serial-series", series]);
    for wrong in ["HL", "HL 1", ""] {
        assert_eq!(update(wrong).exit, Some(2), "{wrong:?}");
    }
    let set = update("HL-000001");
    assert_eq!((set.exit, &set.json["serial_series"]), (Some(0), &json!("HL-000001")), "{}", set.said);
    let shown = site.done("show", &["product", "show", "Tern Vent"]);
    assert_eq!(shown["serial_series"], "HL-000001");
    // It begins beside the numbers that are out, which is said.
    let own = provision(&site, "own", "A", &part(1, 3), &[]);
    let serials = json!({ "from": "HL-000001", "source": "product", "series": "HL-000001", "new_series": true, "beside": "A-00001" });
    assert_eq!((&own.json["serials"], own.exit), (&serials, Some(0)), "{}", own.said);
    let given: Vec<_> = own.json["units"].as_array().expect("units").iter().map(|u| &u["unit"]).collect();
    assert_eq!(given, ["HL-000001", "HL-000002"]);
    // Another series next to it is never begun silently; in words too, before the first chip.
    let chips = part(3, 4);
    let mut words = Command::new(env!("CARGO_BIN_EXE_touchmark"));
    words.args(["provision", "--reel", "A", "--station", "S1", "--chips", &chips, "--serial-start", "TV-001"]);
    let words = words.env("TOUCHMARK_SITE", site.dir.path().join("site")).stdin(Stdio::null()).output().expect("runs");
    let said = String::from_utf8_lossy(&words.stderr).into_owned();
    let expected = "Serial numbers: TV-001 begins a new series. Product Tern Vent has a series of its own, in which HL-000003 is next.";
    assert!(words.status.success() && said.contains(expected), "{said}");
    let next = provision(&site, "next", "A", &part(4, 5), &["--serial-start", "TV-001"]);
    let serials = json!({
        "from": "TV-002", "source": "serial-start", "series": "TV-001", "new_series": false, "beside": "HL-000003"
    });
    assert_eq!(next.json["serials"], serials);
    // A series without a further number, or that can't be counted, is refused before a chip is touched.
    let chips = part(5, 6);
    assert_eq!(provision(&site, "no digits", "A", &chips, &["--serial-start", "TV"]).exit, Some(2));
    site.done("full", &["product", "update", "Tern Vent", "--serial-series", "Q9"]);
    assert_eq!(provision(&site, "the last", "A", &chips, &[]).json["units"][0]["unit"], "Q9");
    let full = provision(&site, "used up", "A", &part(6, 7), &[]);
    assert_eq!(full.exit, Some(1), "{}", full.said);
    assert!(full.json["error"]["message"].as_str().is_some_and(|m| m.contains("Q9")), "{}", full.said);
    site.done("none", &["product", "update", "Tern Vent", "--no-serial-series"]);
    assert_eq!(site.done("show", &["product", "show", "Tern Vent"])["serial_series"], Value::Null);
    let units = site.reconcile("in the end");
    assert_sound("in the end", &units);
    assert_eq!((&units["units"]["passed"], &units["units"]["open"]), (&json!(6), &json!(0)));
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}

fn scrapped_chips_leave_the_stock(engine: &Engine) {
    let site = stocked(engine);
    let folder = site.simulate_part("a", 0, 4, &[]);
    let chips = source(&folder);
    let listed = site.done("list", &["chip", "list", "--ids", "--chips", &chips]);
    let ids: Vec<_> =
        listed["chips"].as_array().expect("chips").iter().map(|c| c["chip_id"].as_str().expect("id")).collect();
    let scrap = |case: &str, typed: &[&str]| site.call(case, &[&["chip", "scrap"][..], typed].concat());
    assert_eq!(scrap("no reason", &[ids[0], "--reason", " "]).exit, Some(2));
    // One typo scraps none.
    let typo = scrap("typo", &[ids[0], "0BAD", "--reason", "sample"]);
    assert!(typo.exit == Some(2) && typo.said.contains("0BAD"), "{}", typo.said);
    assert_eq!(site.reconcile("typo")["chips"]["scrapped"], 0);

    let lower = ids[0].to_lowercase();
    let first = scrap("two", &[&lower, ids[1], ids[0], "--reason", "sent to the laboratory"]);
    assert_eq!(first.exit, Some(0), "{}", first.said);
    let told = &first.json["chips"][0];
    assert_eq!((&told["chip_id"], &told["state"], &told["reel"]), (&json!(ids[0]), &json!("scrapped"), &json!("A")));
    assert_eq!((&told["credential"]["state"], &told["reason"]), (&json!("spent"), &json!("sent to the laboratory")));
    let entries = site.reconcile("scrapped")["log"]["entries"].clone();
    let again = scrap("again", &[ids[0], "--reason", "another word"]);
    let mut same = told.clone();
    same["already"] = json!(true);
    assert_eq!((again.exit, &again.json["chips"][0]), (Some(0), &same), "the same answer: {}", again.said);
    let account = site.reconcile("again");
    assert_eq!(account["log"]["entries"], entries, "and no entry");
    assert_sound("scrapped", &account);
    assert_eq!((&account["chips"]["scrapped"], &account["chips"]["blank"]), (&json!(2), &json!(398)));
    assert_eq!((&account["credentials"]["spent"], &account["credentials"]["available"]), (&json!(2), &json!(398)));
    let report = site.done("report", &["report", "--reel", "A"]);
    assert_eq!(report["stock"]["chips"], json!([400, 398, 0, 0, 2]), "{report}");
    let found = site.done("find", &["unit", "find", ids[0]]);
    assert_eq!(found["found"][0]["chip"], "scrapped", "{found}");

    // At the station it is refused, and the others pass; a unit's chip goes with its unit.
    let run = provision(&site, "others", "A", &chips, &[]);
    assert_ended("others", &run, 1, "done", [2, 0, 2, 0]);
    assert!(
        run.json["units"][0]["detail"].as_str().is_some_and(|d| d.contains("sent to the laboratory")),
        "{}",
        run.said
    );
    let units = scrap("a unit's", &[ids[3], "--reason", "sample"]);
    assert!(units.exit == Some(1) && units.said.contains("unit A-00002"), "{}", units.said);
    assert!(units.json["error"]["advice"].as_str().is_some_and(|a| a.contains("Scrap unit A-00002")), "{}", units.said);
    site.done("with its unit", &["unit", "scrap", "A-00002", "--reason", "dropped"]);
    assert_eq!(scrap("gone with it", &[ids[3], "--reason", "x"]).json["chips"][0]["reason"], "dropped");
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}

/// A station that runs, with what it says on standard output line by line.
struct Running {
    child: Child,
    out: BufReader<std::process::ChildStdout>,
}

impl Running {
    fn start(site: &Site, chips: &str, more: &[&str]) -> Self {
        let run = ["--reel", "A", "--station", "S1", "--chips", chips];
        let mut command = Command::new(env!("CARGO_BIN_EXE_touchmark"));
        command.arg("provision").args(run).args(more).env("TOUCHMARK_SITE", site.dir.path().join("site"));
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut child = command.spawn().expect("it starts");
        let out = BufReader::new(child.stdout.take().expect("standard output"));
        Self { child, out }
    }

    fn scan(&mut self, line: &str) {
        writeln!(self.child.stdin.as_mut().expect("standard input"), "{line}").expect("scanned");
    }

    /// The next object; blocks until it is there.
    fn next(&mut self) -> Value {
        let mut line = String::new();
        self.out.read_line(&mut line).expect("a line");
        serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: {line:?}"))
    }

    fn signal(&self, name: &str) {
        let sent = Command::new("kill").args([name, &self.child.id().to_string()]).status().expect("kill runs");
        assert!(sent.success());
    }

    /// The rest of what it says, and its exit code.
    fn end(mut self) -> (Option<i32>, String) {
        drop(self.child.stdin.take());
        let mut rest = String::new();
        self.out.read_to_string(&mut rest).expect("the rest");
        (self.child.wait().expect("it ends").code(), rest)
    }
}

/// Puts the next chip of a tray into a fixture.
fn put_in(from: &Path, fixture: &Path) {
    let mut files: Vec<_> = fs::read_dir(from).expect("chips").flatten().map(|f| f.path()).collect();
    files.retain(|f| f.extension().is_some_and(|e| e == "chip"));
    files.sort();
    fs::rename(&files[0], fixture.join(files[0].file_name().expect("a name"))).expect("put in");
}

/// A clock that is behind the book is said before the first unit: whoever asks for a day's units would miss some.
#[test]
fn a_clock_behind_the_book_is_said() {
    let Some(engine) = Engine::sqlite() else { return };
    let mut site = Site::on(&engine, "a");
    let Some(clock) = Clock::new(site.dir.path()) else { return };
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, 2, &[])));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &chips, "--units", "1"];
    let environment = clock.environment();
    for (apart, said) in [("+0", false), ("-2d", true)] {
        clock.set(apart);
        site.environment.clone_from(&environment);
        let warnings = site.done(apart, &run)["warnings"].to_string();
        assert_eq!(warnings.contains("set the clock before you go on"), said, "{apart}: {warnings}");
    }
}

/// A run that ends badly says what was done before, and whoever reads its words through a pipe has each unit at once.
#[test]
fn a_run_that_ends_badly_says_what_was_done() {
    let Some(engine) = Engine::sqlite() else { return };
    for json in [false, true] {
        let site = Site::on(&engine, "a");
        site.receive_reel("a");
        site.receive_delivery("a");
        let folder = site.simulate_part("a", 0, 1, &[]);
        let chips = format!("simulated:{}", text(&folder));
        let how: &[&str] = if json { &["--json", "--wait"] } else { &["--wait"] };
        let mut run = Running::start(&site, &chips, how);
        if json {
            while site.call("list", &["unit", "list", "--state", "passed"]).json["units"] == json!([]) {
                std::thread::sleep(std::time::Duration::from_millis(50));
            }
        } else {
            let mut line = String::new();
            run.out.read_line(&mut line).expect("a line");
            assert!(line.contains("passed") && line.contains("A-00001"), "{line}");
        }
        // No folder any more, so that chips can't be looked for.
        fs::remove_dir_all(&folder).expect("gone");
        fs::write(&folder, "").expect("a file");
        let (exit, rest) = run.end();
        assert!(exit.is_some_and(|code| code != 0), "{rest}");
        if json {
            let said: Value = serde_json::from_str(&rest).expect("one document");
            assert_eq!(said["units"][0]["unit"], "A-00001", "{said}");
            assert!(said["error"]["before"].as_str().is_some_and(|t| t.contains("1 unit passed")), "{said}");
        }
    }
}

fn numbers_come_from_a_scanner(engine: &Engine) {
    let site = stocked(engine);
    let chips = source(&site.simulate_part("a", 0, 3, &[]));
    let scanned = |input: &str, more: &[&str]| {
        let mut run = Running::start(&site, &chips, &[&["--json", "--serials", "-"][..], more].concat());
        run.child.stdin.as_mut().expect("standard input").write_all(input.as_bytes()).expect("scanned");
        let (exit, said) = run.end();
        let json: Value = serde_json::from_str(&said).unwrap_or_else(|e| panic!("{e}: {said}"));
        Answer { exit, json, said }
    };
    // Fewer scans than chips; an odd one costs only itself, and a passcode is not repeated.
    let few = scanned("HOUSE-7\r\n\nno such number!\nMT:Y.K9042C00KA0648G00\nHOUSE-3\n", &[]);
    assert_ended("few", &few, 1, "serials-ran-out", [2, 0, 2, 0]);
    assert_eq!(few.json["serials"]["source"], "scanned");
    let refused = few.json["refused_scans"].as_array().expect("scans");
    assert_eq!((refused.len(), &refused[0]["scanned"]), (2, &json!("no such number!")), "{}", few.said);
    assert!(refused[1]["scanned"].is_null() && !few.said.contains("K9042"), "{}", few.said);
    let names: Vec<_> = few.json["units"].as_array().expect("units").iter().map(|u| &u["unit"]).collect();
    assert_eq!(names, ["HOUSE-7", "HOUSE-3"]);
    // What is read from another place of the board is no number of a unit.
    let id = few.json["units"][0]["chip_id"].as_str().expect("a chip");
    let wrong = scanned(&format!("{id}\n"), &[]);
    let refused = wrong.json["refused_scans"][0]["message"].as_str().expect("a message");
    assert!(refused.contains("is the id of a chip"), "{}", wrong.said);
    // A number that is known chooses its own unit; enough units end the run.
    let rest = scanned("HOUSE-3\nHOUSE-9\n", &["--units", "1"]);
    assert_ended("rest", &rest, 0, "done", [1, 0, 0, 1]);
    assert_eq!(rest.json["units"][1]["unit"], "HOUSE-9");
    assert_sound("scanned", &site.reconcile("scanned"));

    // Unit by unit, as the scans come: a unit is done before the next number is scanned.
    let (tray, fixture) = (site.simulate_part("a", 3, 5, &[]), site.dir.path().join("fixture"));
    fs::create_dir(&fixture).expect("a fixture");
    let mut run = Running::start(&site, &source(&fixture), &["--json-lines", "--serials", "-", "--wait"]);
    for serial in ["HOUSE-10", "HOUSE-11"] {
        run.scan(serial);
        put_in(&tray, &fixture);
        let unit = run.next();
        assert_eq!((&unit["unit"], &unit["result"]), (&json!(serial), &json!("passed")), "{unit}");
        let shown = site.done(serial, &["unit", "show", serial]);
        assert_eq!(shown["state"], "passed", "{shown}");
    }
    run.scan("HOUSE-7");
    assert!(run.next()["refused_scan"]["message"].as_str().is_some_and(|m| m.contains("not in the fixture")));
    let (exit, summary) = run.end();
    let summary: Value = serde_json::from_str(&summary).expect("the summary is the last line");
    assert_eq!((exit, &summary["passed"], &summary["ended"]), (Some(1), &json!(2), &json!("done")), "{summary}");
    assert!(summary["units"].is_null(), "{summary}");
}

fn a_run_waits_until_it_is_told_to_stop(engine: &Engine) {
    let site = stocked(engine);
    let (tray, fixture) = (site.simulate_part("a", 0, 3, &[]), site.dir.path().join("fixture"));
    fs::create_dir(&fixture).expect("a fixture");
    let mut run = Running::start(&site, &source(&fixture), &["--json-lines", "--wait", "--serial-start", "TV-1"]);
    for serial in ["TV-1", "TV-2"] {
        put_in(&tray, &fixture);
        assert_eq!(run.next()["unit"], serial);
    }
    run.signal("-TERM");
    let (exit, summary) = run.end();
    let summary: Value = serde_json::from_str(&summary).expect("one object");
    assert_eq!((exit, &summary["ended"], &summary["passed"]), (Some(0), &json!("stopped"), &json!(2)), "{summary}");

    // Without --wait too, the unit in work is finished and the document written; chips that are left are no success.
    let slow = ["--real-time", "--page-write-us", "20000"];
    let chips = source(&site.simulate_part("a", 10, 40, &slow));
    for signal in ["-TERM", "-INT"] {
        let before = site.reconcile("before")["units"]["passed"].as_u64().expect("a count");
        let run = Running::start(&site, &chips, &["--json"]);
        let began = Instant::now();
        while site.reconcile("running")["units"]["passed"].as_u64() <= Some(before) {
            assert!(began.elapsed() < Duration::from_secs(300), "no unit passed");
        }
        run.signal(signal);
        let (exit, answer) = run.end();
        let answer: Value = serde_json::from_str(&answer).unwrap_or_else(|e| panic!("{signal}: {e}: {answer}"));
        assert_eq!((exit, &answer["ended"]), (Some(1), &json!("stopped")), "{signal}: {answer}");
        let account = site.reconcile("stopped");
        assert_sound("stopped", &account);
        assert_eq!(
            (&account["units"]["open"], &account["chips"]["held"]),
            (&json!(0), &json!(0)),
            "{signal}: {account}"
        );
        let passed = account["units"]["passed"].as_u64().expect("a count");
        assert_eq!(answer["passed"].as_u64(), Some(passed - before), "{signal}: {answer}");
        assert!(passed < 32, "{signal}: it was over before it was stopped");
    }
}

/// A series that ends leaves blank chips without a number, and a file that is the same for all units is held against
/// what the first of them has.
#[test]
fn what_ends_and_what_changed_is_said() {
    let site = Site::bare("sqlite:book.sqlite");
    let objects = site.dir.path().join("site/objects");
    fs::create_dir(&objects).expect("a folder");
    fs::write(objects.join("anchor.der"), "one").expect("written");
    site.add("a");
    let file = site.dir.path().join("product.toml");
    let described = "vendor = 'FFF2'\nproduct = '8A21'\ndevice_type = 514\nreach = 'ble'\n\
                     [[object]]\nname = 'trust-anchor'\nfile = 'objects/anchor.der'\n";
    fs::write(&file, described).expect("a file");
    site.done("objects", &["product", "update", "Tern Vent", "--from", text(&file)]);
    site.receive_reel("a");
    site.receive_delivery("a");
    let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, 5, &[])));
    let run = ["provision", "--reel", "A", "--station", "S1", "--chips", &chips, "--serial-start", "Z8"];
    let first = site.done("first", &[&run[..], &["--units", "1"]].concat());
    assert!(!first["warnings"].to_string().contains("anchor"), "{first}");
    fs::write(objects.join("anchor.der"), "two").expect("written");
    let ended = site.call("ended", &[&run[..], &["--units", "4"]].concat());
    assert!(
        ended.json["warnings"].to_string().contains("unit Z8 of this reel has another trust-anchor"),
        "{}",
        ended.said
    );
    assert_eq!((ended.exit, &ended.json["ended"]), (Some(1), &json!("serials-ran-out")), "{}", ended.said);
    assert!(ended.json["why"].as_str().is_some_and(|why| why.contains("3 blank chips got none")), "{}", ended.said);
}
