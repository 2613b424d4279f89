//! Long work that is interrupted (SIGINT, SIGTERM) or killed (SIGKILL) at any moment leaves
//! nothing behind, and can be done again.

use std::os::unix::process::ExitStatusExt as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;
use std::{fs, thread};

use at_site::engine::Engine;
use at_site::rehearsed::Rehearsed;
use at_site::{Site, data, text};
use serde_json::Value;

use crate::at_site;

/// Starts receiving reel A's delivery, and sends it a signal after a while.
fn receive_and(site: &Site, signal: &str, after: Duration) -> Output {
    let zip = data("reel-a/delivery.zip");
    let receive = ["delivery", "receive", text(&zip), "--reel", "A"];
    let child = site.command(&receive).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
    thread::sleep(after);
    // It may be over already: then the signal finds nobody, which is as good.
    let sent = Command::new("kill").args([signal, &child.id().to_string()]).stderr(Stdio::null()).status();
    sent.expect("kill runs");
    child.wait_with_output().expect("ends")
}

fn stored(site: &Site, case: &str) -> usize {
    site.done(case, &["delivery", "list"])["deliveries"].as_array().expect("deliveries").len()
}

/// In steps over the time that receiving takes, until it is over before the signal comes.
fn torment(signal: &str, mut judge: impl FnMut(&Site, &str, &Output)) {
    let site = Site::new("a");
    site.receive_reel("a");
    let (mut hit, mut after) = (0, Duration::from_millis(4));
    loop {
        let case = format!("{signal} after {after:?}");
        let ended = receive_and(&site, signal, after);
        if stored(&site, &case) > 0 {
            break;
        }
        judge(&site, &case, &ended);
        hit += 1;
        assert!(hit < 400, "{case}: it never came to its end");
        after += Duration::from_millis(if hit < 20 { 6 } else { 40 });
    }
    assert!(hit >= 5, "only {hit} signals came in time");
    // The last one may have been stored just before the signal: again is the same.
    let again = site.call(signal, &["delivery", "receive", text(&data("reel-a/delivery.zip")), "--reel", "A"]);
    assert_eq!((again.exit, again.json["verdict"].as_str()), (Some(0), Some("already-received")), "{}", again.said);
    let verified = site.done(signal, &["book", "verify"]);
    assert_eq!(verified["verdict"], "intact");
    let shown = site.done(signal, &["reel", "show", "A"]);
    assert_eq!(shown["without_credential"], Value::from(0), "{shown}");
}

#[test]
fn an_interrupt_stores_nothing_and_says_so() {
    torment("-INT", |_, case, ended| {
        let (out, err) = (String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
        // Before it listens, the signal ends it as it would any program.
        if ended.status.signal() == Some(2) {
            return;
        }
        assert_eq!(ended.status.code(), Some(3), "{case}: {out} {err}");
        let answer: Value = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{case}: {e}: {out}"));
        assert_eq!(answer["error"]["message"], "Cancelled; nothing was stored.", "{case}");
        assert!(answer["error"]["advice"].as_str().is_some_and(|a| a.contains("again")), "{case}: {answer}");
    });
}

/// Interrupts a command in steps over the time that it takes, until it is over before the signal comes; its folder is
/// empty whenever it was stopped.
///
/// - `whole`: fails where what is in the folder is not all of it.
fn interrupted(site: &Rehearsed, typed: &[&str], folder: &Path, cancelled: &str, whole: &dyn Fn()) {
    let (mut hit, mut after) = (0, Duration::from_millis(4));
    loop {
        let case = format!("{typed:?} after {after:?}");
        let mut command = Command::new(env!("CARGO_BIN_EXE_touchmark"));
        command.args(["--json", "--by", "ada"]).args(typed).env("TOUCHMARK_SITE", site.site());
        command.args(["--passphrase-file", text(&site.site().join("keys/passphrase"))]);
        let child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts");
        thread::sleep(after);
        let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).stderr(Stdio::null()).status();
        sent.expect("kill runs");
        let ended = child.wait_with_output().expect("ends");
        let left: Vec<_> = fs::read_dir(folder).expect("is there").map(|f| f.expect("a file").file_name()).collect();
        // A signal between the end of the work and the last word ends it as it would any program, and the work is done.
        if ended.status.code() == Some(0) || (ended.status.signal() == Some(2) && !left.is_empty()) {
            whole();
            break;
        }
        assert!(left.is_empty(), "{case}: {left:?}");
        // Before it listens, the signal ends it as it would any program.
        if ended.status.signal() != Some(2) {
            let answer: Value = serde_json::from_slice(&ended.stdout).unwrap_or_else(|e| panic!("{case}: {e}"));
            assert_eq!(ended.status.code(), Some(3), "{case}: {answer}");
            let said = answer["error"]["message"].as_str().expect("a message");
            assert!(said == cancelled || said == "Cancelled; nothing was stored.", "{case}: {said}");
            hit += 1;
        }
        assert!(after < Duration::from_secs(20), "{case}: it never came to its end");
        after += Duration::from_millis(if hit < 10 { 9 } else { 40 });
    }
    assert!(hit >= 3, "{typed:?}: only {hit} signals came in time");
}

#[test]
fn an_interrupt_leaves_no_half_of_a_pack_or_a_run_of_labels() {
    let site = Rehearsed::on(&Engine::sqlite().expect("a file"), 60);
    let [packs, labels] = ["packs", "labels"].map(|name| site.file(name));
    [&packs, &labels].iter().for_each(|folder| fs::create_dir(folder).expect("a folder"));
    let pack = packs.join("pack.zip");
    interrupted(
        &site,
        &["evidence", "export", "--all", "--out", text(&pack)],
        &packs,
        "Cancelled; no pack was written.",
        &|| {
            let checked = site.done(&["evidence", "check", text(&pack), "--key", text(&packs.join("pack-key.pem"))]);
            assert_eq!(checked["verdict"], "whole", "{checked}");
        },
    );
    let pdf = labels.join("labels.pdf");
    let print = ["label", "print", "--all", "--sheet", "a4", "--out", text(&pdf)];
    interrupted(&site, &print, &labels, "Cancelled; nothing was stored.", &|| {
        let octets = fs::read(&pdf).expect("a file");
        assert!(octets.starts_with(b"%PDF-") && octets.trim_ascii_end().ends_with(b"%%EOF"), "{} octets", octets.len());
    });
    // One run in the end, beside that of the rehearsal.
    let shown = site.done(&["unit", "show", "TV-000001"]);
    let printed = shown["labels"].as_array().expect("labels").iter().filter(|l| l["by"] == "ada").count();
    assert_eq!(printed, 1, "{shown}");
    assert_eq!(site.done(&["book", "verify"])["verdict"], "intact");
}

#[test]
fn a_kill_leaves_nothing_behind() {
    torment("-KILL", |_, case, ended| assert_eq!(ended.status.signal(), Some(9), "{case}"));
}
