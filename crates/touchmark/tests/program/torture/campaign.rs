//! One campaign: a site, its stations, a storm of disturbances, calm, and the judgement.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};
use std::{fs, thread};

use super::clock::Clock;
use super::disk::Disk;
use super::judge;
use super::loss::{Loss, Losses, files};
use super::luck::Luck;
use super::proxy::Proxy;
use super::served::{self, Served};
use super::station::Station;
use crate::at_site::engine::Engine;
use crate::at_site::{Site, text};
use crate::python;

/// Strangers who each send half a request.
const STRANGERS: u16 = 1_500;

/// What a campaign is to be.
pub struct Plan<'a> {
    pub seed: u64,
    /// How long the storm may last.
    pub storm: Duration,
    /// The first chip of reel A that is used, and how many.
    pub from: usize,
    pub chips: usize,
    /// A small disk for the book, or for the data of its server.
    pub disk: Option<&'a Disk>,
}

/// What can be done to a factory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Disturbance {
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
    ServiceKilled,
    SlowStrangers,
    CopyPutBack,
    LogDamaged,
}

/// What a campaign works with.
pub struct Factory<'a> {
    pub engine: &'a Engine,
    pub site: Arc<Site>,
    pub stations: Vec<Station>,
    pub plan: &'a Plan<'a>,
    /// The book's file, or its database.
    pub book: PathBuf,
    /// The service, and the station that is worked through it: the last of `stations`, which starts by itself only
    /// in the end.
    pub served: Served,
    pub losses: Losses,
    clock: Option<Clock>,
    proxy: Option<Proxy>,
    /// Where the driver's chips are, and where it is told of its troubles.
    driver: Option<PathBuf>,
}

pub fn run(engine: &Engine, plan: &Plan<'_>) {
    let Plan { seed, chips, .. } = plan;
    let began = Instant::now();
    let mut factory = Factory::new(engine, plan);
    let done = factory.storm(&mut Luck::new(*seed));
    let stormed = began.elapsed();
    factory.calm();
    let end = factory.to_the_end();
    let judged = judge::judge(&factory, &end);
    let answered = factory.served.end();
    let mut met = BTreeMap::<&str, u32>::new();
    for (words, times) in factory.stations.iter().flat_map(|station| &station.met) {
        *met.entry(words).or_default() += times;
    }
    let told: Vec<_> = done.iter().map(|(what, times)| format!("{what:?} {times}")).collect();
    println!(
        "{}, seed {seed}, {chips} chips, {:.0} s of storm, {:.0} s in all: {}; stations ended with {met:?}; the service \
         {answered:?}; {}; {judged}",
        engine.name(),
        stormed.as_secs_f64(),
        began.elapsed().as_secs_f64(),
        told.join(", "),
        factory.losses,
    );
    factory.cleared();
}

impl<'a> Factory<'a> {
    fn new(engine: &'a Engine, plan: &'a Plan<'a>) -> Self {
        let proxy = engine.server.as_ref().map(|server| Proxy::to(server.listens_on()));
        let given = engine.place();
        let (place, book) = match (&proxy, plan.disk) {
            (Some(proxy), _) => {
                let database = database(&given);
                (format!("postgres://postgres@127.0.0.1:{}/{database}", proxy.port), PathBuf::from(database))
            }
            (None, Some(disk)) => {
                let book = disk.path().join(format!("{}.sqlite", plan.seed));
                (format!("sqlite:{}", book.display()), book)
            }
            (None, None) => (given, PathBuf::from("book.sqlite")),
        };
        let mut site = Site::with_book("a", &place);
        site.environment.push(("TMPDIR", site.dir.path().into()));
        // As few iterations as the standard allows: deriving verifiers is time in which nothing is tried.
        let settings = site.dir.path().join("site/touchmark.toml");
        let kept = fs::read_to_string(&settings).expect("settings");
        fs::write(&settings, kept.replace("iterations = 10000", "iterations = 1000")).expect("settings");
        site.receive_reel("a");
        site.receive_delivery("a");
        let each = plan.chips / 5;
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
        let folder = site.simulate_part(
            "a",
            plan.from + 4 * each,
            plan.from + 5 * each,
            &["--faults", "harsh", "--seed", &seed],
        );
        stations.push(Station::new(&site, served::STATION, format!("simulated:{}", text(&folder))));
        let clock = Clock::new(site.dir.path());
        let site = Arc::new(site);
        let served = Served::new(&site, &folder);
        let (driver, losses) = (driver.map(|(folder, _)| folder), Losses::default());
        // Of a file, wherever it is.
        let book = if engine.server.is_some() { book } else { site.dir.path().join("site").join(book) };
        Self { engine, site, stations, plan, book, served, losses, clock, proxy, driver }
    }

    /// The database's name.
    pub fn database(&self) -> &str {
        text(&self.book)
    }

    /// Makes room for the next campaign.
    fn cleared(&self) {
        match &self.engine.server {
            Some(server) => server.remove(self.database()),
            None => files(&self.book).iter().for_each(|file| drop(fs::remove_file(file))),
        }
    }

    /// Starts each station that does not run, but for the one that is worked through the service.
    pub fn start_all(&mut self) {
        let environment = self.clock.as_ref().map(Clock::environment).unwrap_or_default();
        let idle = |station: &&mut Station| !station.runs() && !station.finished && station.name != served::STATION;
        for station in self.stations.iter_mut().filter(idle) {
            station.start(&self.site, &environment);
        }
    }

    /// Whether all stations that work by themselves have nothing more to do.
    fn finished(&self) -> bool {
        self.stations.iter().all(|station| station.finished || station.name == served::STATION)
    }

    /// What can disturb it.
    fn disturbances(&self) -> Vec<Disturbance> {
        use Disturbance::*;
        let mut all = vec![StationKilled, StationKilled, StationKilled, AllStationsKilled, ChipsTakenElsewhere];
        all.extend([ServiceKilled, ServiceKilled, SlowStrangers, CopyPutBack, LogDamaged, LogDamaged]);
        if self.clock.is_some() {
            all.extend([ClockJumps, ClockJumps]);
        }
        if self.driver.is_some() {
            all.extend([DriverDies, DriverGarbles, DriverHangs]);
        }
        if self.engine.server.is_some() {
            all.extend([ServerKilled, ServerStopped, SessionsEnded, ConnectionsCut, ConnectionsCut, NoConnection]);
        }
        if self.engine.server.is_none() || self.plan.disk.is_some() {
            all.extend([DiskFull, DiskFull]);
        }
        all
    }

    /// Disturbs it until the time is over or all chips are done; how often each was done.
    fn storm(&mut self, luck: &mut Luck) -> BTreeMap<Disturbance, u32> {
        let began = Instant::now();
        let mut done = BTreeMap::new();
        // Drawn like cards, so that a short storm has some of everything.
        let mut deck = Vec::new();
        let mut intruder = Station::new(&self.site, "X", String::new());
        let mut first = true;
        while began.elapsed() < self.plan.storm && !self.finished() {
            self.stations.iter_mut().chain([&mut intruder]).for_each(Station::look);
            self.start_all();
            thread::sleep(if first { Duration::from_millis(300) } else { luck.milliseconds(20, 400) });
            first = false;
            if deck.is_empty() {
                deck = self.disturbances();
            }
            let by = deck.swap_remove(luck.below(deck.len() as u64) as usize);
            self.disturb(by, &mut intruder, luck);
            *done.entry(by).or_default() += 1;
        }
        intruder.kill();
        done
    }

    fn disturb(&mut self, by: Disturbance, intruder: &mut Station, luck: &mut Luck) {
        let some = luck.below(self.stations.len() as u64) as usize;
        let server = self.engine.server.as_ref();
        if matches!(by, Disturbance::CopyPutBack | Disturbance::LogDamaged) {
            intruder.kill();
        }
        let trouble = |what: &str| {
            if let Some(folder) = &self.driver {
                fs::write(folder.join("trouble"), what).expect("told");
            }
        };
        match by {
            Disturbance::StationKilled => self.stations[some].kill(),
            Disturbance::AllStationsKilled => self.stations.iter_mut().for_each(Station::kill),
            Disturbance::ChipsTakenElsewhere => {
                // Half of the chips' stations lose them to another while they work.
                intruder.kill();
                if luck.below(2) == 0 {
                    self.stations[some].kill();
                }
                intruder.chips.clone_from(&self.stations[some].chips);
                intruder.start(&self.site, &[]);
            }
            Disturbance::ClockJumps => {
                let apart = luck.one_of(&["-3d", "-1h", "-1s", "+0", "+2h", "+400d", "-20y"]);
                self.clock.iter().for_each(|clock| clock.set(apart));
            }
            Disturbance::ServiceKilled => self.served.kill(),
            Disturbance::SlowStrangers => self.served.press(STRANGERS, luck.milliseconds(50, 800)),
            Disturbance::CopyPutBack => self.lose(Loss::CopyPutBack, luck),
            Disturbance::LogDamaged => self.lose(Loss::LogDamaged, luck),
            Disturbance::DriverDies => trouble("die"),
            Disturbance::DriverGarbles => trouble("garble"),
            Disturbance::DriverHangs => trouble("hang"),
            Disturbance::DiskFull => {
                if self.plan.disk.is_some() {
                    self.full(luck);
                } else {
                    self.limited(luck);
                }
            }
            Disturbance::ServerKilled => server.iter().for_each(|server| {
                server.kill();
                thread::sleep(luck.milliseconds(0, 900));
                server.launch();
            }),
            Disturbance::ServerStopped => server.iter().for_each(|server| {
                server.stop(luck.one_of(&["immediate", "fast"]));
                thread::sleep(luck.milliseconds(0, 900));
                server.launch();
            }),
            Disturbance::SessionsEnded => server.iter().for_each(|server| server.cut(text(&self.book))),
            Disturbance::ConnectionsCut => self.proxy.iter().for_each(Proxy::cut),
            Disturbance::NoConnection => self.proxy.iter().for_each(|proxy| {
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
        self.plan.disk.into_iter().for_each(Disk::fill);
        if begin {
            self.start_all();
            // Until one has met it, on a slow machine too.
            let began = Instant::now();
            while began.elapsed() < Duration::from_secs(3) && self.stations.iter().all(Station::runs) {
                thread::sleep(Duration::from_millis(20));
                self.stations.iter_mut().for_each(Station::look);
            }
        }
        thread::sleep(luck.milliseconds(100, 900));
        self.stations.iter_mut().for_each(Station::look);
        self.plan.disk.into_iter().for_each(Disk::free);
        // A server that could not write its log has ended, or ends yet.
        let began = Instant::now();
        if let Some(server) = &self.engine.server {
            while !server.answers() {
                assert!(began.elapsed() < Duration::from_secs(30), "the server does not come back");
                thread::sleep(Duration::from_millis(100));
                let _ = server.try_launch();
            }
        }
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
        self.served.stop();
        self.stations.iter_mut().for_each(Station::kill);
        self.plan.disk.into_iter().for_each(Disk::free);
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
