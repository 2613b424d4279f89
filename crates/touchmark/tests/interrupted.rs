//! Receiving that is interrupted (SIGINT, SIGTERM) or killed (SIGKILL) at any moment leaves
//! nothing behind, and the same delivery can be received again.

#![cfg(all(test, unix))]

mod at_site;

use std::os::unix::process::ExitStatusExt as _;
use std::process::{Command, Output, Stdio};
use std::thread;
use std::time::Duration;

use at_site::{Site, data, text};
use serde_json::Value;

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
        assert_eq!(answer["error"]["message"], "cancelled; nothing was stored", "{case}");
        assert!(answer["error"]["advice"].as_str().is_some_and(|a| a.contains("again")), "{case}: {answer}");
    });
}

#[test]
fn a_kill_leaves_nothing_behind() {
    torment("-KILL", |_, case, ended| assert_eq!(ended.status.signal(), Some(9), "{case}"));
}
