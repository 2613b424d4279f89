//! One campaign: a site, its stations, a storm of torments, calm, and the judgement.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::thread;
use std::time::{Duration, Instant};

use super::clock::Clock;
use super::disk::{self, Disk};
use super::judge;
use super::luck::Luck;
use super::proxy::Proxy;
use super::station::Station;
use crate::at_site::engine::Engine;
use crate::at_site::{Site, text};
use crate::python;

/// What a campaign is to be.
pub struct Plan {
    pub seed: u64,
    /// How long the storm may last.
    pub storm: Duration,
    /// The first chip of reel A that is used, and how many.
    pub from: usize,
    pub chips: usize,
}

/// What can be done to a factory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Torment {
    StationKilled,
    AllStationsKilled,
    ChipsTakenElsewhere,
    ClockJumps,
    DriverDies,
    DriverGarbles,
    DriverHangs,
    DiskFull,
    ServerKilled,
    ServerStopped,
    SessionsEnded,
    ConnectionsCut,
    NoConnection,
}

/// What a campaign works with.
pub struct Factory<'a> {
    pub engine: &'a Engine,
    pub site: Site,
    pub stations: Vec<Station>,
    pub plan: &'a Plan,
    clock: Option<Clock>,
    disk: Option<Disk>,
    proxy: Option<Proxy>,
    /// Where the driver's chips are, and where it is told of its troubles.
    driver: Option<PathBuf>,
}

pub fn run(engine: &Engine, plan: &Plan) {
    let Plan { seed, chips, .. } = plan;
    let disk = if engine.server.is_none() { Disk::new() } else { None };
    if engine.server.is_none() && disk.is_none() {
        if disk::in_a_world_of_its_own("sqlite") {
            return;
        }
        eprintln!("NO FULL DISK: this process may not mount a small file system, not even in namespaces of its own");
        eprintln!("               files are limited in size instead, which the stations meet as a full disk");
    }
    let began = Instant::now();
    let mut factory = Factory::new(engine, plan, disk);
    let done = factory.storm(&mut Luck::new(*seed));
    let stormed = began.elapsed();
    factory.calm();
    let end = factory.to_the_end();
    let judged = judge::judge(&factory, &end);
    let mut met = BTreeMap::<&str, u32>::new();
    for (words, times) in factory.stations.iter().flat_map(|station| &station.met) {
        *met.entry(words).or_default() += times;
    }
    let told: Vec<_> = done.iter().map(|(torment, times)| format!("{torment:?} {times}")).collect();
    println!(
        "{}, seed {seed}, {chips} chips, {:.0} s of storm, {:.0} s in all: {}; stations ended with {met:?}; {judged}",
        engine.name(),
        stormed.as_secs_f64(),
        began.elapsed().as_secs_f64(),
        told.join(", ")
    );
}

impl<'a> Factory<'a> {
    fn new(engine: &'a Engine, plan: &'a Plan, disk: Option<Disk>) -> Self {
        let proxy = engine.server.as_ref().map(|server| Proxy::to(server.listens_on()));
        let place = match (&proxy, &disk) {
            (Some(proxy), _) => format!("postgres://postgres@127.0.0.1:{}/{}", proxy.port, database(&engine.place())),
            (None, Some(disk)) => format!("sqlite:{}", disk.path().join("book.sqlite").display()),
            (None, None) => engine.place(),
        };
        let mut site = Site::with_book("a", &place);
        site.environment.push(("TMPDIR", site.dir.path().into()));
        // As few iterations as the standard allows: deriving verifiers is time in which nothing is tried.
        let settings = site.dir.path().join("site/touchmark.toml");
        let kept = fs::read_to_string(&settings).expect("settings");
        fs::write(&settings, kept.replace("iterations = 10000", "iterations = 1000")).expect("settings");
        site.receive_reel("a");
        site.receive_delivery("a");
        let each = plan.chips / 4;
        let seed = plan.seed.to_string();
        let mut stations: Vec<_> = (0..3)
            .map(|n| {
                let from = plan.from + n * each;
                // Power cuts amid writes, lost answers, flipped bits, dead chips: two chips in five.
                let folder = site.simulate_part("a", from, from + each, &["--faults", "harsh", "--seed", &seed]);
                Station::new(&site, &format!("S{n}"), format!("simulated:{}", text(&folder)))
            })
            .collect();
        let driver = driver(&site, plan.from + 3 * each, plan.from + 4 * each);
        if let Some((folder, chips)) = &driver {
            stations.push(Station::new(&site, "S3", chips.clone()));
            assert!(folder.is_dir());
        }
        let clock = Clock::new(site.dir.path());
        Self { engine, site, stations, plan, clock, disk, proxy, driver: driver.map(|(folder, _)| folder) }
    }

    /// What there is to torment.
    fn torments(&self) -> Vec<Torment> {
        use Torment::*;
        let mut all = vec![StationKilled, StationKilled, StationKilled, AllStationsKilled, ChipsTakenElsewhere];
        if self.clock.is_some() {
            all.extend([ClockJumps, ClockJumps]);
        }
        if self.driver.is_some() {
            all.extend([DriverDies, DriverGarbles, DriverHangs]);
        }
        if self.engine.server.is_some() {
            all.extend([ServerKilled, ServerStopped, SessionsEnded, ConnectionsCut, ConnectionsCut, NoConnection]);
        } else {
            all.extend([DiskFull, DiskFull]);
        }
        all
    }

    /// Torments until the time is over or all chips are done; how often each was done.
    fn storm(&mut self, luck: &mut Luck) -> BTreeMap<Torment, u32> {
        let began = Instant::now();
        let mut done = BTreeMap::new();
        // Drawn like cards, so that a short storm has some of everything.
        let mut deck = Vec::new();
        let mut intruder = Station::new(&self.site, "X", String::new());
        let mut first = true;
        while began.elapsed() < self.plan.storm && !self.stations.iter().all(|station| station.finished) {
            self.stations.iter_mut().chain([&mut intruder]).for_each(Station::look);
            // A file of limited size is what a full disk is where nothing can be mounted.
            let environment = self.clock.as_ref().map(Clock::environment).unwrap_or_default();
            for station in self.stations.iter_mut().filter(|station| !station.runs() && !station.finished) {
                station.start(&self.site, &environment);
            }
            thread::sleep(if first { Duration::from_millis(300) } else { luck.milliseconds(20, 400) });
            first = false;
            if deck.is_empty() {
                deck = self.torments();
            }
            let torment = deck.swap_remove(luck.below(deck.len() as u64) as usize);
            self.torment(torment, &mut intruder, luck);
            *done.entry(torment).or_default() += 1;
        }
        intruder.kill();
        done
    }

    fn torment(&mut self, torment: Torment, intruder: &mut Station, luck: &mut Luck) {
        let some = luck.below(self.stations.len() as u64) as usize;
        let server = self.engine.server.as_ref();
        let trouble = |what: &str| {
            if let Some(folder) = &self.driver {
                fs::write(folder.join("trouble"), what).expect("told");
            }
        };
        match torment {
            Torment::StationKilled => self.stations[some].kill(),
            Torment::AllStationsKilled => self.stations.iter_mut().for_each(Station::kill),
            Torment::ChipsTakenElsewhere => {
                // Half of the chips' stations lose them to another while they work.
                intruder.kill();
                if luck.below(2) == 0 {
                    self.stations[some].kill();
                }
                intruder.chips.clone_from(&self.stations[some].chips);
                intruder.start(&self.site, &[]);
            }
            Torment::ClockJumps => {
                let apart = luck.one_of(&["-3d", "-1h", "-1s", "+0", "+2h", "+400d", "-20y"]);
                self.clock.iter().for_each(|clock| clock.set(apart));
            }
            Torment::DriverDies => trouble("die"),
            Torment::DriverGarbles => trouble("garble"),
            Torment::DriverHangs => trouble("hang"),
            Torment::DiskFull => {
                if self.disk.is_some() {
                    self.full(luck);
                } else {
                    self.limited(luck);
                }
            }
            Torment::ServerKilled => server.iter().for_each(|server| {
                server.kill();
                thread::sleep(luck.milliseconds(0, 900));
                server.launch();
            }),
            Torment::ServerStopped => server.iter().for_each(|server| {
                server.stop(luck.one_of(&["immediate", "fast"]));
                thread::sleep(luck.milliseconds(0, 900));
                server.launch();
            }),
            Torment::SessionsEnded => server.iter().for_each(|server| server.cut("book0")),
            Torment::ConnectionsCut => self.proxy.iter().for_each(Proxy::cut),
            Torment::NoConnection => self.proxy.iter().for_each(|proxy| {
                proxy.shut();
                thread::sleep(luck.milliseconds(50, 1200));
                proxy.mend();
            }),
        }
    }

    /// The disk full for a while: amid the stations' work, which may go on in room that the book has
    /// already, or as they begin, when it must grow.
    fn full(&mut self, luck: &mut Luck) {
        let begin = luck.below(2) == 0;
        if begin {
            self.stations.iter_mut().for_each(Station::kill);
            // Closed in good order, the book lets go of the room it had for changes.
            self.site.reconcile("before the disk is full");
        }
        self.disk.iter().for_each(Disk::fill);
        if begin {
            let environment = self.clock.as_ref().map(Clock::environment).unwrap_or_default();
            self.stations.iter_mut().for_each(|station| station.start(&self.site, &environment));
            // Until one has met it, on a slow machine too.
            let began = Instant::now();
            while began.elapsed() < Duration::from_secs(3) && self.stations.iter().all(Station::runs) {
                thread::sleep(Duration::from_millis(20));
                self.stations.iter_mut().for_each(Station::look);
            }
        }
        thread::sleep(luck.milliseconds(100, 900));
        self.stations.iter_mut().for_each(Station::look);
        self.disk.iter().for_each(Disk::free);
    }

    /// Stands in for a full disk: a station that may write files only so long as the book is now.
    fn limited(&mut self, luck: &mut Luck) {
        let book = self.site.dir.path().join("site/book.sqlite-wal");
        let blocks = fs::metadata(book).map_or(0, |file| file.len() / 512) + 4;
        let some = luck.below(self.stations.len() as u64) as usize;
        let station = &self.stations[some];
        let mut shell = Command::new("sh");
        // Without the signal's default, which is death, writing fails as on a full disk.
        shell.args(["-c", &format!("trap '' XFSZ; ulimit -f {blocks}; exec \"$@\""), "sh"]);
        shell.arg(env!("CARGO_BIN_EXE_touchmark")).args(["--json", "provision", "--reel", "A", "--station", "X"]);
        shell.args(["--take-over", "--chips", &station.chips]).envs(self.site.environment.iter().cloned());
        shell.env("TOUCHMARK_SITE", self.site.dir.path().join("site"));
        let done = shell.output().expect("a station");
        assert!(matches!(done.status.code(), Some(0 | 1 | 3)), "{}", String::from_utf8_lossy(&done.stdout));
    }

    /// Everything is well again.
    fn calm(&mut self) {
        self.stations.iter_mut().for_each(Station::kill);
        self.disk.iter().for_each(Disk::free);
        self.proxy.iter().for_each(Proxy::mend);
        if let Some(folder) = &self.driver {
            let _ = fs::remove_file(folder.join("trouble"));
        }
    }

    /// Each station works its chips to the end, as operators do: again and again what says so.
    /// Their last answers.
    fn to_the_end(&self) -> Vec<serde_json::Value> {
        let mut last = Vec::new();
        for station in &self.stations {
            let run =
                ["provision", "--reel", "A", "--station", &station.name, "--take-over", "--chips", &station.chips];
            let mut answer = self.site.call(&station.name, &run);
            for _ in 0..8 {
                let units = answer.json["units"].as_array().unwrap_or_else(|| panic!("{}", answer.said));
                let open = |unit: &serde_json::Value| {
                    unit["result"] == "failed" && unit["cause"] != "chip-scrapped"
                        || unit["already"] == false && unit["result"] == "passed"
                };
                if !units.iter().any(open) {
                    break;
                }
                answer = self.site.call(&station.name, &run);
            }
            last.push(answer.json);
        }
        last
    }
}

/// A database's name in its address.
fn database(place: &str) -> String {
    let (_, rest) = place.split_once("@/").expect("an address");
    rest.split('?').next().unwrap_or(rest).to_owned()
}

/// A driver that has troubles when told so, with chips of reel A: its folder, and what `--chips` takes.
fn driver(site: &Site, from: usize, to: usize) -> Option<(PathBuf, String)> {
    let python = python::interpreter()?;
    let folder = site.dir.path().join("driver");
    let keys = site.keys("a", from, to);
    python::run(&python, "load_driver.py", &[&keys, &folder]);
    let script = python::root().join("tests/outside/broken_drivers.py");
    let chips = format!("command:'{}' -B '{}' Sometimes '{}'", python.display(), script.display(), folder.display());
    Some((folder, chips))
}
