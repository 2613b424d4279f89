//! A station's pace while strangers hold connections that never finish a request.
//!
//! The station is worked through the API of a service of its own, with chips that take their data sheet's time: a turn
//! without strangers, a turn with them, and again. Each stranger comes from an address of its own, sends half a request's
//! head, and comes again when it is sent away.

use std::error::Error;
use std::io::{BufRead as _, BufReader, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};
use std::{fs, thread};

use line::floor;
use line::floor::SetStation;
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use serde::Serialize;
use site::access::Role;
use site::{Who, access};

use super::stations::supply;
use crate::calls::{ask, stranger};
use crate::founding::founded;
use crate::timing::{median, seconds};

/// A station's pace while strangers hold slow connections, against its pace without them
#[derive(Debug, clap::Args)]
pub struct Strangers {
    /// Connections that the strangers keep
    #[arg(long, default_value_t = 20_000)]
    connections: u16,
    /// Connections that they open again in a second, at most
    #[arg(long, default_value_t = 500)]
    again: u32,
    /// Units of each turn
    #[arg(long, default_value_t = 40)]
    units: u64,
    /// Turns with strangers and without
    #[arg(long, default_value_t = 3)]
    rounds: u64,
    /// Directory for the site
    #[arg(long, default_value = "target/bench")]
    dir: PathBuf,
}

#[derive(Debug, Serialize)]
struct Figures {
    connections: usize,
    opened: u64,
    quiet_ms: f64,
    pressed_ms: f64,
    /// Pace with strangers by pace without.
    ratio: f64,
    slowest_quiet_ms: f64,
    slowest_pressed_ms: f64,
}

/// Measures.
pub fn run(args: &Strangers) -> Result<crate::Measured, String> {
    measure(args).map_err(|e| e.to_string())
}

/// The service, ended with the measurement.
struct Service(Child);

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn measure(args: &Strangers) -> Result<crate::Measured, Box<dyn Error>> {
    fs::create_dir_all(&args.dir)?;
    let folder = tempfile::TempDir::new_in(&args.dir)?;
    let dir = folder.path().join("site");
    let site = founded(&dir, None)?;
    supply(&site, &dir, "R", 1, 2 * args.rounds * args.units, true)?;
    let who = Who::new("bench")?;
    let _ = access::first(&site, "bench", "a long enough password", time::OffsetDateTime::now_utc)?;
    let token = access::give_token(&site, "bench", Role::Engineer.word(), 1, &who)?.to_string();
    let setup = SetStation {
        reel: "R".into(),
        source: "simulated:chips-0".into(),
        serial_start: Some("S-00001".into()),
        ..SetStation::default()
    };
    floor::set_station(&site, "S", &setup, &who)?;
    drop(site);

    let program = std::env::current_exe()?.with_file_name("touchmark");
    let mut child = Command::new(&program)
        .args(["--json", "serve", "--listen", "127.0.0.1:0", "--site"])
        .arg(&dir)
        .stdout(Stdio::piped())
        .spawn()
        .map_err(|e| format!("{}: {e}; build it with `cargo build --release`", program.display()))?;
    let out = child.stdout.take().ok_or("no standard output")?;
    let _service = Service(child);
    let mut line = String::new();
    BufReader::new(out).read_line(&mut line)?;
    let said: serde_json::Value = serde_json::from_str(&line)?;
    let address = said["address"].as_str().ok_or("no address")?;
    let address = address.trim_start_matches("http://").trim_end_matches('/').to_owned();

    let heads = format!("authorization: Bearer {token}\r\ncontent-type: application/json\r\n");
    let unit = || -> Result<f64, Box<dyn Error>> {
        let mut answer = Ok((0, String::new()));
        let taken = seconds(|| {
            answer = ask(&address, ("POST", "/api/v1/stations/S/units"), &heads, "{}", Duration::from_secs(60));
        });
        match answer? {
            (200, said) if said.contains("\"passed\"") => Ok(taken * 1000.0),
            (status, said) => Err(format!("{status}: {said}").into()),
        }
    };
    let turn = || (0..args.units).map(|_| unit()).collect::<Result<Vec<f64>, _>>();
    let (mut quiet, mut pressed, mut opened, mut held) = (Vec::new(), Vec::new(), 0, 0);
    let most = may_open(args.connections);
    for _ in 0..args.rounds {
        quiet.extend(turn()?);
        let crowd = Crowd::gather(address.parse()?, most, args.again)?;
        held = crowd.connections;
        pressed.extend(turn()?);
        opened += crowd.go();
        // Those that are gone are let go by the service too.
        thread::sleep(Duration::from_secs(2));
    }
    let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len() as f64;
    let slowest = |all: &[f64]| all.iter().copied().fold(0.0, f64::max);
    let figures = Figures {
        connections: held,
        opened,
        quiet_ms: mean(&quiet),
        pressed_ms: mean(&pressed),
        ratio: mean(&quiet) / mean(&pressed),
        slowest_quiet_ms: slowest(&quiet),
        slowest_pressed_ms: slowest(&pressed),
    };
    let words = vec![format!(
        "{} units without strangers: {:.0} ms each (median {:.0}, slowest {:.0}); beside {held} slow connections, {opened} \
         opened in all: {:.0} ms (median {:.0}, slowest {:.0}); pace {:.3}",
        quiet.len(),
        figures.quiet_ms,
        median(&quiet),
        figures.slowest_quiet_ms,
        figures.pressed_ms,
        median(&pressed),
        figures.slowest_pressed_ms,
        figures.ratio
    )];
    Ok(crate::Measured { json: serde_json::to_value(figures)?, words })
}

/// Raises this process's limit of open files; how many connections it may open of those that are wanted.
fn may_open(wanted: u16) -> u16 {
    let need = u64::from(wanted) + 200;
    let limit = getrlimit(Resource::Nofile);
    let hard = limit.maximum.unwrap_or(u64::MAX);
    // Only a privileged process raises what the system allows.
    let raised = Rlimit { current: Some(need), maximum: Some(hard.max(need)) };
    if setrlimit(Resource::Nofile, raised).is_ok() {
        return wanted;
    }
    let _ = setrlimit(Resource::Nofile, Rlimit { current: limit.maximum, maximum: limit.maximum });
    u16::try_from(hard.saturating_sub(200)).unwrap_or(wanted).min(wanted)
}

/// Strangers who hold on to their connections.
struct Crowd {
    connections: usize,
    opened: Arc<AtomicU64>,
    leave: Arc<AtomicBool>,
    thread: thread::JoinHandle<()>,
}

impl Crowd {
    fn gather(to: SocketAddr, most: u16, again: u32) -> Result<Self, Box<dyn Error>> {
        let mut held: Vec<Option<TcpStream>> = (0..most).map(|n| stranger(to, n)).collect();
        let connections = held.iter().flatten().count();
        let opened = Arc::new(AtomicU64::new(connections as u64));
        let leave = Arc::new(AtomicBool::new(false));
        for stream in held.iter().flatten() {
            stream.set_nonblocking(true)?;
        }
        let (count, end) = (Arc::clone(&opened), Arc::clone(&leave));
        let thread = thread::spawn(move || {
            while !end.load(Ordering::Relaxed) {
                let begun = Instant::now();
                let mut left = again;
                for (number, place) in (0..).zip(&mut held) {
                    let gone = place.as_ref().is_none_or(
                        |stream| !matches!(stream.peek(&mut [0]), Err(e) if e.kind() == std::io::ErrorKind::WouldBlock),
                    );
                    if gone && left > 0 {
                        left -= 1;
                        *place = stranger(to, number).filter(|stream| stream.set_nonblocking(true).is_ok());
                        count.fetch_add(u64::from(place.is_some()), Ordering::Relaxed);
                    } else if let (false, Some(stream)) = (gone, place) {
                        // Another letter of its head, so that it seems to go on.
                        let _ = stream.write_all(b"a");
                    }
                }
                thread::sleep(Duration::from_secs(1).saturating_sub(begun.elapsed()));
            }
        });
        Ok(Self { connections, opened, leave, thread })
    }

    /// Has them go; how many connections were opened in all.
    fn go(self) -> u64 {
        self.leave.store(true, Ordering::Relaxed);
        let _ = self.thread.join();
        self.opened.load(Ordering::Relaxed)
    }
}
