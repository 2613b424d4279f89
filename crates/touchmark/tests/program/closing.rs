//! A factory at work: the chips of reel B in PKCS #11 tokens, the authority's keys in another,
//! PostgreSQL as the book, four stations at once, and every moment one of them is killed. All 300
//! units pass in the end, and all counts are zero.

use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use std::{fs, thread};

use at_site::engine::Engine;
use at_site::{Site, assert_sound, data, text};
use serde_json::Value;
use softhsm::{Bench, run};

use crate::{at_site, python, softhsm};

const STATIONS: usize = 4;
const CHIPS: usize = 300;
/// So long a station works until it is the next one's turn to be killed.
const BETWEEN_KILLS: Duration = Duration::from_millis(1500);
/// Later, stations are left alone, so that the scene ends on a slow machine too.
const KILLS: usize = 12;

/// A station on a token of its own.
struct Station {
    name: String,
    token: String,
    source: String,
    process: Option<Child>,
}

impl Station {
    fn start(&mut self, site: &Site) {
        let run = ["provision", "--reel", "B", "--station", &self.name, "--chips", &self.source];
        let log = site.dir.path().join(&self.name);
        let said = fs::File::create(log.with_extension("said")).expect("a file");
        let mut command = site.command(&run);
        command.stdout(fs::File::create(log).expect("a file")).stderr(said).stdin(Stdio::null());
        self.process = Some(command.spawn().expect("a station starts"));
    }

    /// Whether it has ended by itself, which it must with all its chips passed.
    fn done(&mut self, site: &Site) -> bool {
        let Some(process) = &mut self.process else { return true };
        let Some(status) = process.try_wait().expect("a child") else { return false };
        let log = site.dir.path().join(&self.name);
        let said = fs::read_to_string(log.with_extension("said")).expect("said");
        let answer = fs::read_to_string(&log).expect("an answer");
        let json: Value = serde_json::from_str(&answer).expect("an answer");
        // One that was killed after its last unit finds nothing more to do.
        let nothing_left = status.code() == Some(1) && json["ended"] == "nothing-to-do" && json["refused"] == 0;
        assert!(status.code() == Some(0) || nothing_left, "station {}: {answer}{said}", self.name);
        let units = json["units"].as_array().map_or(0, Vec::len);
        assert_eq!(units, CHIPS / STATIONS, "station {} saw not all of its chips: {said}{:.600}", self.name, answer);
        self.process = None;
        true
    }
}

#[test]
fn three_hundred_units_with_stations_killed() {
    let (Some(python), Some(bench)) = (python::interpreter(), Bench::new()) else { return };
    let Some(engine) = Engine::postgresql() else { return };
    let mut site = Site::bare(&engine.place());
    site.environment.push(("TMPDIR", bench.path().into()));
    site.environment.push(("SOFTHSM2_CONF", bench.path().join("softhsm2.conf").into()));
    authority_in_a_token(&site, &bench);
    site.receive_reel("b");
    let issued = site.done("delivery issue", &["delivery", "issue", "--reel", "B", "--issuer", "Damper PAI"]);
    assert_eq!((&issued["verdict"], &issued["issued"]), (&"accepted".into(), &CHIPS.into()), "{issued}");

    let mut stations: Vec<_> = (0..STATIONS)
        .map(|n| Station {
            name: format!("S{n}"),
            token: format!("fixture {n}"),
            source: format!("pkcs11:token=fixture%20{n}?{}", bench.query()),
            process: None,
        })
        .collect();
    stations.iter().for_each(|station| bench.token(&station.token));
    let load: Vec<_> = stations.iter().map(|station| (station.token.as_str(), CHIPS / STATIONS)).collect();
    bench.load(&python, &data("reel-b/simulated-keys.ndjson"), &load);

    let killed = all_pass(&site, &mut stations);
    assert!(killed >= STATIONS, "{killed} kills try too little");
    let account = site.reconcile("in the end");
    assert_sound("in the end", &account);
    let number = |path: &str| account.pointer(path).and_then(Value::as_u64).unwrap_or_else(|| panic!("{path}"));
    for path in ["/units/passed", "/chips/provisioned", "/credentials/installed"] {
        assert_eq!(number(path), CHIPS as u64, "{path} of {account}");
    }
    for path in ["/chips/held", "/chips/blank", "/chips/scrapped", "/credentials/reserved", "/units/failed"] {
        assert_eq!(number(path), 0, "{path} of {account}");
    }
    let cut_short = certificates_are_there(&site, &bench, &stations);
    println!("{killed} stations killed, {cut_short} attempts cut short");
}

/// Root and intermediate whose keys are made in a token and never leave it; a product with its declaration.
fn authority_in_a_token(site: &Site, bench: &Bench) {
    bench.token("guild");
    let key = |name: &str| format!("pkcs11:token=guild;object={name}?{}", bench.query());
    let raise = |more: &[&str]| site.done("authority raise", &[&["authority", "raise"], more].concat());
    let paa = raise(&["Damper PAA", "--role", "paa", "--vendor", "FFF2", "--key", &key("damper-paa")]);
    let pai = ["Damper PAI", "--role", "pai", "--vendor", "FFF2", "--product", "8A22", "--issuer", "Damper PAA"];
    let pai = raise(&[&pai[..], &["--key", &key("damper-pai")]].concat());
    for authority in [&paa, &pai] {
        let reference = authority["key"].as_str().expect("a reference");
        assert!(reference.starts_with("pkcs11:") && reference.contains("id=%"), "{authority}");
    }
    // Each authority has a key of its own.
    let again = ["authority", "raise", "Other", "--role", "paa", "--key", &key("damper-paa")];
    let refused = site.call("a key that is another's", &again);
    assert_eq!(refused.exit, Some(1), "{}", refused.said);
    let listed = bench.tool("guild", &["--list-objects", "--type", "privkey"]);
    assert_eq!(listed.matches("always sensitive, never extractable").count(), 2, "{listed}");
    let secret = site.dir.path().join("passphrase");
    fs::write(&secret, "a passphrase for tests\n").expect("a file");
    let make = ["declaration", "make", "--vendor", "FFF2", "--product", "8A22", "--device-type", "0x0202"];
    site.done("declaration make", &[&make[..], &["--passphrase-file", text(&secret)]].concat());
    let add = ["product", "add", "Tern Damper", "--vendor", "FFF2", "--product", "8A22"];
    site.done("product add", &[&add[..], &["--device-type", "0x0202", "--reach", "ble"]].concat());
}

/// Runs the stations, killing one after the other, until each has ended by itself; how many kills.
fn all_pass(site: &Site, stations: &mut [Station]) -> usize {
    stations.iter_mut().for_each(|station| station.start(site));
    let (mut killed, mut last, mut turn) = (0, Instant::now(), 0);
    while stations.iter_mut().filter_map(|station| (!station.done(site)).then_some(())).count() > 0 {
        thread::sleep(Duration::from_millis(20));
        if killed == KILLS || last.elapsed() < BETWEEN_KILLS {
            continue;
        }
        turn += 1;
        let station = &mut stations[turn % STATIONS];
        if let Some(mut process) = station.process.take() {
            process.kill().expect("killed");
            process.wait().expect("waited for");
            station.start(site);
            killed += 1;
            last = Instant::now();
        }
    }
    killed
}

/// `pkcs11-tool` shows the certificates: of each token as many DACs as chips, and for some chips the
/// very octets that `unit write` gives. How many attempts were cut short.
fn certificates_are_there(site: &Site, bench: &Bench, stations: &[Station]) -> u64 {
    for station in stations {
        let listed = bench.tool(&station.token, &["--list-objects", "--type", "cert"]);
        let labelled = |name: &str| listed.lines().filter(|line| line.trim() == format!("label:      {name}")).count();
        assert_eq!((labelled("dac"), labelled("pai")), (CHIPS / STATIONS, CHIPS / STATIONS), "{}", station.token);
    }
    let evidence = site.dir.path().join("evidence");
    site.done("unit write", &["unit", "write", "--all", "--out", text(&evidence)]);
    let units = site.done("unit list", &["unit", "list", "--limit", "1000"]);
    let units = units["units"].as_array().expect("units");
    let tokens: Vec<(&str, String)> = stations
        .iter()
        .map(|s| (s.token.as_str(), bench.tool(&s.token, &["--list-objects", "--type", "cert"]).to_uppercase()))
        .collect();
    for unit in units.iter().step_by(25) {
        let (serial, chip) = (unit["unit"].as_str().expect("a serial"), unit["chip_id"].as_str().expect("an id"));
        let (token, _) = tokens.iter().find(|(_, listed)| listed.contains(chip)).expect("a token has it");
        let read = bench.path().join("read.der");
        let _ = fs::remove_file(&read);
        let object = ["--read-object", "--type", "cert", "--label", "dac", "--id", chip, "--output-file", text(&read)];
        bench.tool(token, &object);
        let written = fs::read(evidence.join(serial).join("dac.der")).expect("evidence");
        assert_eq!(fs::read(&read).expect("read"), written, "DAC of unit {serial}");
    }
    // openssl judges one chain up to the root whose key is in the token (RFC 5280 §6).
    let unit = evidence.join(units[0]["unit"].as_str().expect("a serial"));
    let chain = bench.path().join("chain.pem");
    let pem = |name: &str| {
        let der = unit.join(name);
        run(Command::new("openssl").args(["x509", "-inform", "DER", "-in", text(&der)]))
    };
    fs::write(&chain, pem("pai.der")).expect("written");
    let (root, leaf) = (bench.path().join("root.pem"), bench.path().join("leaf.pem"));
    fs::write(&root, pem("paa.der")).expect("written");
    fs::write(&leaf, pem("dac.der")).expect("written");
    let judge = ["verify", "-CAfile", text(&root), "-untrusted", text(&chain), text(&leaf)];
    run(Command::new("openssl").args(judge));
    units.iter().filter_map(|unit| unit["attempts"].as_u64()).sum::<u64>() - CHIPS as u64
}
