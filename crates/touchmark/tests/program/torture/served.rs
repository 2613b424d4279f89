//! A station that is worked through the service, as the factory's own system does: the service killed and started again,
//! and strangers who send half a request.

use std::collections::BTreeMap;
use std::net::{SocketAddr, TcpStream};
use std::process::Child;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use line::floor;
use line::floor::SetStation;
use serde_json::Value;
use site::access::Role;
use site::{Site as Open, Who, access};

use crate::at_site::Site;
use crate::at_site::calls::{ask, stranger};
use crate::at_site::service::{announced, spawn};

/// The station's name.
pub const STATION: &str = "S4";
/// How long an answer may take: as long as a station waits for its book's server, and some more.
const PATIENCE: Duration = Duration::from_secs(120);

/// What it and its worker share.
struct Shared {
    site: Arc<Site>,
    token: String,
    /// Whether it is to be down.
    down: AtomicBool,
    ended: AtomicBool,
    running: Mutex<Running>,
    met: Mutex<BTreeMap<String, u32>>,
}

#[derive(Default)]
struct Running {
    process: Option<Child>,
    address: Option<String>,
}

fn hold<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The service, and a station worked through it.
pub struct Served {
    shared: Arc<Shared>,
    worker: Option<JoinHandle<()>>,
}

impl Served {
    /// Sets up a station for simulated chips, and begins to work it.
    pub fn new(site: &Arc<Site>, chips: &std::path::Path) -> Self {
        let home = site.dir.path().join("site");
        std::os::unix::fs::symlink(chips, home.join("served")).expect("a link");
        let open = Open::open(&home).expect("a site");
        let who = Who::new("Ada").expect("a name");
        let setup = SetStation {
            reel: "A".into(),
            source: "simulated:served".into(),
            serial_start: Some("SV-000001".into()),
            ..SetStation::default()
        };
        floor::set_station(&open, STATION, &setup, &who).expect("a station");
        let _ =
            access::first(&open, "Ada", "a long enough password", time::OffsetDateTime::now_utc).expect("an account");
        let token = access::give_token(&open, "mes", Role::Engineer.word(), 1, &who).expect("a token").to_string();
        let shared = Arc::new(Shared {
            site: Arc::clone(site),
            token,
            down: AtomicBool::new(false),
            ended: AtomicBool::new(false),
            running: Mutex::default(),
            met: Mutex::default(),
        });
        let theirs = Arc::clone(&shared);
        Self { shared, worker: Some(thread::spawn(move || theirs.work())) }
    }

    /// Kills the service, which is started again.
    pub fn kill(&self) {
        self.shared.kill();
    }

    /// Kills it, and has it stay down until [`Served::resume`].
    pub fn stop(&self) {
        self.shared.down.store(true, Ordering::SeqCst);
        self.shared.kill();
    }

    pub fn resume(&self) {
        self.shared.down.store(false, Ordering::SeqCst);
    }

    /// Strangers of many networks who each send half a request's head; while they wait, another stranger is answered.
    pub fn press(&self, strangers: u16, time: Duration) {
        let Some(address) = hold(&self.shared.running).address.clone() else { return };
        let to: SocketAddr = address.parse().expect("an address");
        let crowd: Vec<TcpStream> = (0..strangers).filter_map(|n| stranger(to, n)).collect();
        thread::sleep(time);
        match ask(&address, ("GET", "/health"), "", "", PATIENCE) {
            Ok((200 | 503, _)) => self.shared.count(format!("answered beside {} hundred strangers", crowd.len() / 100)),
            Ok((status, said)) => panic!("{status}: {said}"),
            // It was killed meanwhile, or its book's server was, which is what it waits for.
            Err(error) => {
                let gone = hold(&self.shared.running).address.as_ref() != Some(&address);
                assert!(gone, "no answer beside {} strangers: {error}", crowd.len());
            }
        }
    }

    /// Ends it; how often what was answered.
    pub fn end(&mut self) -> BTreeMap<String, u32> {
        self.shared.ended.store(true, Ordering::SeqCst);
        self.stop();
        if let Some(worker) = self.worker.take()
            && let Err(panic) = worker.join()
        {
            std::panic::resume_unwind(panic);
        }
        hold(&self.shared.met).clone()
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.shared.ended.store(true, Ordering::SeqCst);
        self.stop();
    }
}

impl Shared {
    fn count(&self, what: String) {
        *hold(&self.met).entry(what).or_default() += 1;
    }

    fn kill(&self) {
        let mut running = hold(&self.running);
        running.address = None;
        if let Some(mut process) = running.process.take() {
            let _ = process.kill();
            let _ = process.wait();
        }
    }

    /// The address of the service, which is started where it does not run.
    fn address(&self) -> Option<String> {
        let out = {
            let mut running = hold(&self.running);
            if self.down.load(Ordering::SeqCst) {
                return None;
            }
            if let Some(address) = &running.address {
                return Some(address.clone());
            }
            let (process, out) = spawn(&self.site);
            running.process = Some(process);
            out
        };
        let announced = announced(out);
        let mut running = hold(&self.running);
        match announced {
            Ok(address) => {
                // It may have been killed since.
                running.address = running.process.is_some().then_some(address);
                running.address.clone()
            }
            Err(said) => {
                // Killed, or ended because of its surroundings, as it says.
                if let Some(mut process) = running.process.take() {
                    let status = process.wait().expect("waited for");
                    let json: Value = serde_json::from_str(&said).unwrap_or_else(|e| panic!("{status}: {e}: {said}"));
                    assert!(status.code() == Some(3) && advised(&json["error"]), "{status}: {said}");
                }
                None
            }
        }
    }

    fn work(&self) {
        let mut turn = 0_u32;
        while !self.ended.load(Ordering::SeqCst) {
            let Some(address) = self.address() else {
                thread::sleep(Duration::from_millis(30));
                continue;
            };
            let heads = format!(
                "authorization: Bearer {}\r\ncontent-type: application/json\r\nidempotency-key: turn-{turn}\r\n",
                self.token
            );
            let path = format!("/api/v1/stations/{STATION}/units");
            // Whoever got no answer asks again for the same.
            let Ok((status, said)) = ask(&address, ("POST", &path), &heads, "{}", PATIENCE) else {
                thread::sleep(Duration::from_millis(30));
                continue;
            };
            turn += 1;
            let json: Value = serde_json::from_str(&said).unwrap_or_else(|e| panic!("{status}: {e}: {said}"));
            match status {
                200 => {
                    let result = json["result"].as_str().unwrap_or_else(|| panic!("{said}"));
                    let explained = json["cause"].is_string() && json["advice"].is_string();
                    assert!(result == "passed" || explained, "{said}");
                    self.count(format!("unit {result}"));
                }
                // Refused, or the surroundings failed; not by a fault of its own.
                400..=499 | 503 => {
                    assert!(advised(&json["error"]), "{status}: {said}");
                    self.count(format!("answered {status}"));
                    thread::sleep(Duration::from_millis(50));
                }
                _ => panic!("{status}: {said}"),
            }
        }
    }
}

/// Whether an error says what to do.
fn advised(error: &Value) -> bool {
    let says = |key: &str| error[key].as_str().is_some_and(|text| !text.is_empty());
    says("message") && says("advice") && !error["message"].as_str().is_some_and(|m| m.contains("the database failed"))
}
