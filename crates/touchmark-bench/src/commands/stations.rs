//! Stations at work: units an hour, and host time a unit with the chip's time taken away.
//!
//! Each station is a process of its own on one reel and one book, as in a
//! factory. Two questions, two kinds of chips: chips that take no time ask what the
//! host costs; chips that take their data sheet's time ask what a line gives. The
//! reference is the disk itself: two appended blocks, each made durable, which is
//! the least that a unit's two commits can cost.

use std::error::Error;
use std::fs::{self, File};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use base::course::Course;
use chip::simulated::Timing;
use chip::{Abilities, Chip, ChipError, ChipId, ChipSource, Identity, ObjectName, OpenOptions, Source, State};
use line::chips;
use line::chips::{Bench, FaultLevel, WhichChips};
use line::provision::{Numbers, Provision, provision};
use receive::{delivery, reel};
use serde::{Deserialize, Serialize};
use site::{Site, Who};
use standard::key::PublicKey;

use crate::founding::{PAI, PRODUCT, founded, passphrase};
use crate::server::Server;

/// Units an hour and host time a unit, stations side by side, on each engine
#[derive(Debug, clap::Args)]
pub struct Stations {
    /// How many stations, one measurement each
    #[arg(long, value_delimiter = ',', default_value = "1,4,16")]
    stations: Vec<usize>,
    /// Units of each station with chips that take no time
    #[arg(long, default_value_t = 200)]
    units: u64,
    /// Units of each station with chips that take their time
    #[arg(long, default_value_t = 40)]
    real_units: u64,
    /// Engines
    #[arg(long, value_delimiter = ',', default_value = "sqlite,postgresql")]
    engines: Vec<String>,
    /// Directory for sites and the server's data; on the disk that is to be measured
    #[arg(long, default_value = "target/bench")]
    dir: PathBuf,
    /// A station in this process: site, chips, name, reel
    #[arg(long, hide = true, num_args = 4)]
    worker: Option<Vec<String>>,
}

/// What a station's process tells.
#[derive(Debug, Serialize, Deserialize)]
struct Worked {
    units: u64,
    seconds: f64,
    chip_seconds: f64,
}

/// One measurement.
#[derive(Debug, Serialize)]
struct Row {
    engine: String,
    stations: usize,
    /// Milliseconds of a chip; 0 where it takes none.
    chip_ms: f64,
    units: u64,
    units_per_hour: f64,
    host_ms_per_unit: f64,
    /// Two blocks made durable, in the same directory just before.
    two_syncs_ms: f64,
}

/// Measures.
pub fn run(args: &Stations) -> Result<crate::Measured, String> {
    measure(args).map_err(|e| e.to_string())
}

fn measure(args: &Stations) -> Result<crate::Measured, Box<dyn Error>> {
    if let Some([site, chips, name, reel]) = args.worker.as_deref() {
        let json = serde_json::to_value(work(Path::new(site), chips, (name, reel), args.units)?)?;
        return Ok(crate::Measured { words: vec![json.to_string()], json });
    }
    fs::create_dir_all(&args.dir)?;
    let mut rows = Vec::new();
    for engine in &args.engines {
        let server = match engine.as_str() {
            "sqlite" => None,
            "postgresql" => Some(Server::start_durable(&args.dir).ok_or("PostgreSQL is not installed")?),
            other => return Err(format!("no engine {other}: sqlite or postgresql").into()),
        };
        for real in [false, true] {
            for stations in &args.stations {
                let book = server.as_ref().map(|s| s.database(&format!("b{}_{stations}", u8::from(real))));
                rows.push(one(args, engine, book.as_deref(), *stations, real)?);
            }
        }
    }
    let mut words = vec![format!(
        "{:<11} {:>8} {:>8} {:>12} {:>16} {:>13}",
        "engine", "stations", "chip ms", "units/hour", "host ms a unit", "two syncs ms"
    )];
    words.extend(rows.iter().map(|r| {
        format!(
            "{:<11} {:>8} {:>8.0} {:>12.0} {:>16.2} {:>13.2}",
            r.engine, r.stations, r.chip_ms, r.units_per_hour, r.host_ms_per_unit, r.two_syncs_ms
        )
    }));
    Ok(crate::Measured { json: serde_json::json!({ "rows": rows }), words })
}

/// A part on a two-wire bus of 100 kHz: about 400 ms a unit.
fn part(real: bool) -> Bench {
    let bench = Bench::default();
    let timing = Timing { bus_hz: 100_000, ..Timing::default() };
    Bench { timing, real_time: real, ..bench }
}

fn one(args: &Stations, engine: &str, book: Option<&str>, stations: usize, real: bool) -> Result<Row, Box<dyn Error>> {
    let folder = tempfile::TempDir::new_in(&args.dir)?;
    let units = if real { args.real_units } else { args.units };
    let dir = folder.path().join("site");
    stocked(&dir, book, stations, units, real)?;
    let two_syncs_ms = two_syncs(folder.path())?;
    let mut workers = Vec::new();
    for n in 0..stations {
        workers.push(start(&dir, &dir, "R", n, units)?);
    }
    // All at once, once each has loaded what it needs.
    for worker in &mut workers {
        let mut ready = String::new();
        worker.1.read_line(&mut ready)?;
    }
    let begun = Instant::now();
    for worker in &mut workers {
        go(worker)?;
    }
    let mut told: Vec<Worked> = Vec::new();
    for worker in workers {
        told.push(finished(worker)?);
    }
    let seconds = begun.elapsed().as_secs_f64();
    let done: u64 = told.iter().map(|w| w.units).sum();
    if done != units * stations as u64 {
        return Err(format!("{done} of {} units passed", units * stations as u64).into());
    }
    let host: f64 = told.iter().map(|w| w.seconds - w.chip_seconds).sum();
    let chip: f64 = told.iter().map(|w| w.chip_seconds).sum();
    Ok(Row {
        engine: engine.to_owned(),
        stations,
        chip_ms: if real { chip / done as f64 * 1000.0 } else { 0.0 },
        units: done,
        units_per_hour: done as f64 / seconds * 3600.0,
        host_ms_per_unit: host / done as f64 * 1000.0,
        two_syncs_ms,
    })
}

/// A site with a reel of enough chips for each station, in a folder of its own each.
fn stocked(dir: &Path, book: Option<&str>, stations: usize, units: u64, real: bool) -> Result<(), Box<dyn Error>> {
    let site = founded(dir, book)?;
    supply(&site, dir, "R", stations, units, real)
}

/// A reel of enough chips for each station, received and with credentials.
pub fn supply(
    site: &Site,
    dir: &Path,
    reel: &str,
    stations: usize,
    units: u64,
    real: bool,
) -> Result<(), Box<dyn Error>> {
    let who = Who::new("bench")?;
    // Chips of another reel of this site are other chips.
    let before = site.book.reels()?.len() as u64;
    let mut manifest = String::new();
    for n in 0..stations {
        let listed = dir.join(format!("manifest-{n}.csv"));
        let count = usize::try_from(units)?;
        chips::simulate(
            &dir.join(format!("chips-{n}")),
            &WhichChips::Count(count),
            Some(before * 1_000 + n as u64 + 1),
            FaultLevel::None,
            part(real),
            Some(&listed),
        )?;
        let text = fs::read_to_string(&listed)?;
        let rows = text.split_once('\n').map_or("", |(_, rows)| rows);
        manifest.push_str(if n == 0 { &text } else { rows });
    }
    let listed = dir.join("manifest.csv");
    fs::write(&listed, manifest)?;
    reel::receive(site, &listed, reel, PRODUCT, &reel::Options::default(), &who, &Course::new())?;
    delivery::issue(site, reel, PAI, &passphrase()?, &who, &Course::new())?;
    Ok(())
}

/// How the names of reels begin that a measurement adds to a site.
pub const ADDED: &str = "HOST-";

/// Milliseconds of the host a unit, at one station of a site, with chips that take no
/// time; the units are added to its book.
pub fn host_ms(dir: &Path, scratch: &Path, units: u64) -> Result<f64, Box<dyn Error>> {
    let folder = tempfile::TempDir::new_in(scratch)?;
    let site = Site::open(dir)?;
    let reel = format!("{ADDED}{}", site.book.reels()?.len());
    supply(&site, folder.path(), &reel, 1, units, false)?;
    drop(site);
    let mut worker = start(dir, folder.path(), &reel, 0, units)?;
    worker.1.read_line(&mut String::new())?;
    let told = go(&mut worker).and_then(|()| finished(worker))?;
    if told.units != units {
        return Err(format!("{} of {units} units passed", told.units).into());
    }
    Ok((told.seconds - told.chip_seconds) / units as f64 * 1000.0)
}

fn go(worker: &mut Worker) -> Result<(), Box<dyn Error>> {
    Ok(worker.0.stdin.take().ok_or("no standard input")?.write_all(b"go\n")?)
}

fn finished((mut child, mut out): Worker) -> Result<Worked, Box<dyn Error>> {
    let mut line = String::new();
    out.read_line(&mut line)?;
    if !child.wait()?.success() {
        return Err("a station failed".into());
    }
    Ok(serde_json::from_str(&line)?)
}

/// Milliseconds of two blocks appended, each made durable; the middle of many.
fn two_syncs(dir: &Path) -> std::io::Result<f64> {
    let mut file = File::create(dir.join("syncs"))?;
    let mut taken = Vec::new();
    for _ in 0..100 {
        let begun = Instant::now();
        for _ in 0..2 {
            file.write_all(&[0x5A; 4096])?;
            file.sync_data()?;
        }
        taken.push(begun.elapsed().as_secs_f64() * 1000.0);
    }
    Ok(crate::timing::median(&taken))
}

type Worker = (Child, BufReader<std::process::ChildStdout>);

fn start(dir: &Path, chips: &Path, reel: &str, n: usize, units: u64) -> Result<Worker, Box<dyn Error>> {
    let chips = format!("simulated:{}", chips.join(format!("chips-{n}")).display());
    let mut child = Command::new(std::env::current_exe()?)
        .args(["stations", "--units", &units.to_string(), "--worker"])
        .args([&dir.display().to_string(), &chips, &format!("S{n}"), reel])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()?;
    let out = BufReader::new(child.stdout.take().ok_or("no standard output")?);
    Ok((child, out))
}

/// One station, in this process.
fn work(dir: &Path, chips: &str, (name, reel): (&str, &str), units: u64) -> Result<Worked, Box<dyn Error>> {
    let site = Site::open(dir)?;
    let who = Who::new("bench")?;
    let source: Source = chips.parse()?;
    let mut source = Timed { inner: source.open(OpenOptions::default())?, taken: Default::default() };
    let start = format!("{name}-00001");
    let run = Provision { units: Some(units), ..Provision::new(reel, name, Numbers::CountFrom(&start)) };
    // What is loaded once and not for each unit is not measured.
    site.book.reel(&book::ids::ReelId::new(reel)?)?;
    writeln!(std::io::stdout(), "ready")?;
    std::io::stdin().read_line(&mut String::new())?;
    let begun = Instant::now();
    let done = provision(&site, run, &mut source, &who, &Course::new(), &mut |_| {})?;
    let seconds = begun.elapsed().as_secs_f64();
    let chip_seconds = source.taken.lock().map_err(|_| "poisoned")?.as_secs_f64();
    Ok(Worked { units: done.passed, seconds, chip_seconds })
}

/// Time spent in chips.
type Taken = std::sync::Arc<std::sync::Mutex<Duration>>;

fn timed<T>(taken: &Taken, work: impl FnOnce() -> T) -> T {
    let begun = Instant::now();
    let out = work();
    if let Ok(mut taken) = taken.lock() {
        *taken += begun.elapsed();
    }
    out
}

/// A source whose time is measured.
struct Timed {
    inner: Box<dyn ChipSource>,
    taken: Taken,
}

impl ChipSource for Timed {
    fn describe(&self) -> String {
        self.inner.describe()
    }

    fn present(&mut self) -> Result<Vec<ChipId>, ChipError> {
        timed(&self.taken, || self.inner.present())
    }

    fn open(&mut self, chip: &ChipId) -> Result<Box<dyn Chip>, ChipError> {
        let taken = self.taken.clone();
        let inner = timed(&self.taken, || self.inner.open(chip))?;
        Ok(Box::new(TimedChip { inner: Some(inner), taken }))
    }
}

/// A chip whose time is measured, its letting go included.
struct TimedChip {
    inner: Option<Box<dyn Chip>>,
    taken: Taken,
}

impl TimedChip {
    fn call<T>(&mut self, work: impl FnOnce(&mut dyn Chip) -> Result<T, ChipError>) -> Result<T, ChipError> {
        let Some(chip) = self.inner.as_mut() else { return Err(gone()) };
        timed(&self.taken, || work(chip.as_mut()))
    }
}

impl Drop for TimedChip {
    fn drop(&mut self) {
        let inner = self.inner.take();
        timed(&self.taken, || drop(inner));
    }
}

impl Chip for TimedChip {
    fn identity(&mut self) -> Result<Identity, ChipError> {
        self.call(|c| c.identity())
    }

    fn public_key(&mut self) -> Result<PublicKey, ChipError> {
        self.call(|c| c.public_key())
    }

    fn abilities(&mut self) -> Result<Abilities, ChipError> {
        self.call(|c| c.abilities())
    }

    fn state(&mut self) -> Result<State, ChipError> {
        self.call(|c| c.state())
    }

    fn read(&mut self, object: &ObjectName) -> Result<Option<Vec<u8>>, ChipError> {
        self.call(|c| c.read(object))
    }

    fn write(&mut self, object: &ObjectName, octets: &[u8]) -> Result<(), ChipError> {
        self.call(|c| c.write(object, octets))
    }

    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], ChipError> {
        self.call(|c| c.sign(message))
    }

    fn lock(&mut self) -> Result<(), ChipError> {
        self.call(|c| c.lock())
    }

    fn unseen_time(&self) -> Duration {
        self.inner.as_ref().map_or(Duration::ZERO, |chip| chip.unseen_time())
    }
}

fn gone() -> ChipError {
    ChipError::Empty { source_name: "a chip that was let go".into() }
}
