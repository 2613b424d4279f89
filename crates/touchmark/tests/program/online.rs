//! `order enrol` against an EST server on Python's general libraries (`tests/outside/est.py`).

use std::collections::{HashMap, HashSet};
use std::io::{BufRead as _, BufReader};
use std::os::unix::process::ExitStatusExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use std::{fs, thread};

use at_site::engine::Engine;
use at_site::{Answer, Site, assert_sound, text};
use serde_json::Value;

use crate::{at_site, python};

/// An authority elsewhere: its folder, and the server while it runs.
struct Authority {
    folder: tempfile::TempDir,
    python: PathBuf,
    server: Option<(Child, u16)>,
}

impl Drop for Authority {
    fn drop(&mut self) {
        self.stop();
    }
}

impl Authority {
    fn new() -> Option<Self> {
        let python = python::interpreter()?;
        let folder = tempfile::tempdir().expect("a folder");
        python::run(&python, "est.py", &[Path::new("make"), folder.path()]);
        Some(Self { folder, python, server: None })
    }

    fn stop(&mut self) {
        if let Some((mut child, _)) = self.server.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    /// Serves with these options, in place of the one before.
    fn serve(&mut self, options: &[&str]) {
        self.stop();
        let mut command = Command::new(&self.python);
        command.arg("-B").arg(python::root().join("tests/outside/est.py")).arg("serve").arg(self.folder.path());
        let mut child = command.args(options).stdout(Stdio::piped()).spawn().expect("the interpreter starts");
        let mut line = String::new();
        BufReader::new(child.stdout.take().expect("a pipe")).read_line(&mut line).expect("a port");
        self.server = Some((child, line.trim().parse().expect("a port")));
    }

    fn file(&self, name: &str) -> String {
        text(&self.folder.path().join(name)).to_owned()
    }

    fn url(&self, host: &str, label: &str) -> String {
        let port = self.server.as_ref().expect("it serves").1;
        format!("est+https://{host}:{port}/.well-known/est/{label}")
    }

    /// What was asked: chip, digest of the request, what was answered.
    fn asked(&self) -> Vec<(String, String, String)> {
        let log = fs::read_to_string(self.folder.path().join("asked")).unwrap_or_default();
        let one = |line: &str| {
            let mut words = line.split(' ').map(str::to_owned);
            (words.next().expect("a chip"), words.next().expect("a digest"), words.next().expect("an answer"))
        };
        log.lines().map(one).collect()
    }

    /// A site that trusts its root, with reel A and its first `count` chips in a fixture.
    fn site(&self, engine: &Engine, count: usize) -> (Site, String) {
        let site = Site::on(engine, "a");
        site.done("adopt", &["authority", "adopt", &self.file("root.pem"), "--name", "PAA online"]);
        site.receive_reel("a");
        let chips = format!("simulated:{}", text(&site.simulate_part("a", 0, count, &[])));
        fs::write(site.dir.path().join("password"), "a long word\n").expect("a file");
        (site, chips)
    }

    /// The command, typed for user and password.
    fn typed(&self, site: &Site, chips: &str) -> Vec<String> {
        let mut typed: Vec<String> = ["order", "enrol", "--reel", "A", "--chips", chips].map(str::to_owned).into();
        typed.extend(["--to".into(), self.url("localhost", "tern"), "--ca".into(), self.file("tls-ca.pem")]);
        let password = text(&site.dir.path().join("password")).to_owned();
        typed.extend(["--user".into(), "tern".into(), "--password-file".into(), password]);
        typed
    }

    fn enrol(&self, site: &Site, chips: &str) -> Answer {
        let typed = self.typed(site, chips);
        site.call("order enrol", &typed.iter().map(String::as_str).collect::<Vec<_>>())
    }
}

fn numbers(answer: &Answer) -> [u64; 3] {
    ["asked", "issued", "refused"].map(|key| answer.json[key].as_u64().unwrap_or_else(|| panic!("{}", answer.said)))
}

on_both_engines! { chips_get_certificates_that_are_asked_for_online, a_client_that_is_killed_asks_again_at_most_once }

fn chips_get_certificates_that_are_asked_for_online(engine: &Engine) {
    let Some(mut authority) = Authority::new() else { return };
    authority.serve(&["--refuse", "3", "--later", "2", "--other", "5"]);
    let (site, chips) = authority.site(engine, 6);
    // One waits a second, one is refused in the authority's words, one gets a certificate for another key.
    let first = authority.enrol(&site, &chips);
    assert_eq!((first.exit, numbers(&first)), (Some(1), [6, 4, 2]), "{}", first.said);
    let findings = first.json["findings"].as_array().expect("findings");
    let of =
        |rule: &str| findings.iter().find(|f| f["rule"] == rule).unwrap_or_else(|| panic!("{rule}: {}", first.said));
    let words = of("delivery.not-issued")["found"].as_str().expect("words");
    assert_eq!(words, "HTTP 400 Bad Request: Der Schlüssel dieses Chips ist gesperrt.");
    of("delivery.stranger");
    let asked = authority.asked();
    assert_eq!(asked.len(), 7, "{asked:?}");
    let put_off = asked.iter().find(|(_, _, what)| what == "later").expect("one was put off");
    assert_eq!(asked.iter().filter(|one| one.1 == put_off.1).count(), 2, "the same request again: {asked:?}");
    let shown = site.done("show", &["delivery", "show", first.json["delivery"].as_str().expect("a delivery")]);
    assert_eq!((&shown["verdict"], &shown["accepted"]), (&"accepted-in-part".into(), &4.into()), "{shown}");
    assert!(shown["source"].as_str().expect("a source").starts_with("est+https://localhost:"), "{shown}");

    // Only the two that have none are asked for again, and nothing is left to ask for then.
    authority.serve(&[]);
    let second = authority.enrol(&site, &chips);
    assert_eq!((second.exit, numbers(&second)), (Some(0), [2, 2, 0]), "{}", second.said);
    let weighty = |f: &&Value| f["severity"] != "note";
    let findings = second.json["findings"].as_array().expect("findings");
    assert_eq!(findings.iter().find(weighty), None, "chips that are not connected are no gap: {}", second.said);
    assert_eq!(authority.asked().len(), 9);
    let third = authority.enrol(&site, &chips);
    assert_eq!(third.exit, Some(1), "{}", third.said);
    assert_eq!(authority.asked().len(), 9);

    let made = site.done("provision", &["provision", "--reel", "A", "--station", "One", "--chips", &chips]);
    assert_eq!(made["passed"], 6, "{made}");
    assert_sound("online", &site.reconcile("online"));
    // What was asked for online is not ordered in a file without a word, nor the other way about.
    let out = site.dir.path().join("order.csv");
    site.done("write", &["order", "write", "--reel", "A", "--out", text(&out)]);
    let rest = format!("simulated:{}", text(&site.simulate_part("a", 6, 8, &[])));
    let twice = authority.enrol(&site, &rest);
    assert_eq!((twice.exit, authority.asked().len()), (Some(2), 9), "{}", twice.said);
    assert!(twice.said.contains("--again"), "{}", twice.said);
}

#[test]
fn tls_and_passwords_are_held_to() {
    let Some(mut authority) = Authority::new() else { return };
    authority.serve(&[]);
    let engine = Engine::sqlite().expect("a book in a file");
    let (site, chips) = authority.site(&engine, 1);
    let call = |to: &str, more: &[&str]| {
        let mut typed = vec!["order", "enrol", "--reel", "A", "--chips", &chips, "--to", to];
        typed.extend(more);
        site.call(to, &typed)
    };
    let (ca, other) = (authority.file("tls-ca.pem"), authority.file("other-ca.pem"));
    let (right, url) = (site.dir.path().join("password"), authority.url("localhost", "tern"));
    let wrong = site.dir.path().join("wrong");
    fs::write(&wrong, "another word\n").expect("a file");
    let with = |ca: &str, file: &Path| -> Vec<String> {
        ["--ca", ca, "--user", "tern", "--password-file", text(file)].map(str::to_owned).into()
    };
    let exit = |to: &str, more: &[String]| {
        let answer = call(to, &more.iter().map(String::as_str).collect::<Vec<_>>());
        (answer.exit, answer.said)
    };
    let unencrypted = url.replace("https", "http");
    let absent = "est+https://localhost:9/.well-known/est/tern";
    let cases: [(&str, Vec<String>, i32, &str); 6] = [
        (&unencrypted, with(&ca, &right), 2, "TLS"),
        (&url, with(&other, &right), 3, "root"),
        (&authority.url("127.0.0.1", "tern"), with(&ca, &right), 3, "host name"),
        (absent, with(&ca, &right), 3, "did not answer"),
        (&url, with(&ca, &wrong), 1, "Who are you?"),
        (&authority.url("localhost", "hollow"), with(&ca, &right), 2, "No such label."),
    ];
    for (to, more, code, word) in cases {
        let (exit, said) = exit(to, &more);
        assert!(exit == Some(code) && said.contains(word), "{to}: {exit:?} {said}");
    }
    let tries = fs::read_to_string(authority.folder.path().join("unknown")).unwrap_or_default().lines().count();
    assert!((1..=2).contains(&tries), "{tries} tries with a wrong password");
    assert_eq!(authority.asked(), []);

    // A server that wants what no chip can give is asked for nothing: the example of RFC 7030 section 4.5.2.
    let example = "304106092a864886f70d010907301206072a8648ce3d0201310706052b81040022301606092a864886f70d01090e310906072b0\
                   6010101011606082a8648ce3d040303";
    authority.serve(&["--wants", example]);
    let wants = authority.enrol(&site, &chips);
    assert!(wants.exit == Some(1) && wants.said.contains("TLS session"), "{}", wants.said);
    assert_eq!(authority.asked(), []);

    // Each version of TLS, and a client certificate in place of a password.
    for (from, tls, refused) in [(1, "1_2", 3), (2, "1_3", 1)] {
        authority.serve(&["--client", "--tls", tls]);
        let chips = format!("simulated:{}", text(&site.simulate_part("a", from, from + 1, &[])));
        let (url, client, key) =
            (authority.url("localhost", "tern"), authority.file("client.pem"), authority.file("client.key"));
        let typed = ["order", "enrol", "--reel", "A", "--chips", &chips, "--to", &url, "--ca", &ca];
        let without = site.call(tls, &typed);
        assert_eq!(without.exit, Some(refused), "{tls}: {}", without.said);
        assert!(without.said.contains("client certificate"), "{tls}: {}", without.said);
        let done = site.done(tls, &[&typed[..], &["--certificate", &client, "--key", &key]].concat());
        assert_eq!(done["issued"], 1, "{tls}: {done}");
    }
}

/// Chips, and kills on the way to their certificates.
const CHIPS: usize = 10;
const KILLS: u64 = 8;

fn a_client_that_is_killed_asks_again_at_most_once(engine: &Engine) {
    let Some(mut authority) = Authority::new() else { return };
    // One connection breaks before its answer.
    authority.serve(&["--die", "2"]);
    let (site, chips) = authority.site(engine, CHIPS);
    let broken = authority.enrol(&site, &chips);
    assert_eq!(broken.exit, Some(3), "{}", broken.said);
    let typed = authority.typed(&site, &chips);
    let typed: Vec<&str> = typed.iter().map(String::as_str).collect();
    let mut hit = 0;
    for kill in 0..KILLS {
        let mut command = site.command(&typed);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("it starts");
        thread::sleep(Duration::from_millis(60 + 25 * kill));
        child.kill().expect("killed");
        hit += usize::from(child.wait().expect("waited for").signal() == Some(9));
    }
    let last = authority.enrol(&site, &chips);
    // Where the last kill came too late, all are here already.
    assert!(matches!(last.exit, Some(0 | 1)), "{}", last.said);
    let asked = authority.asked();
    let mut requests: HashMap<&str, HashSet<&str>> = HashMap::new();
    for (chip, request, _) in &asked {
        requests.entry(chip).or_default().insert(request);
    }
    assert_eq!(requests.len(), CHIPS);
    assert!(requests.values().all(|of| of.len() == 1), "a chip is asked for in one way: {asked:?}");
    assert!(asked.len() <= CHIPS + hit + 1, "{hit} kills: {asked:?}");
    let account = site.reconcile("killed");
    assert_sound("killed", &account);
    assert_eq!(account["credentials"]["received"], CHIPS, "{account}");
    assert_eq!(site.done("verify", &["book", "verify"])["verdict"], "intact");
}
