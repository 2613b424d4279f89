//! Datagrams carried by somebody else's program: a radio dongle, a jig.
//!
//! JSON-RPC 2.0 on standard input and output, as chip drivers speak it; the
//! methods are in `docs/meeting.md`.

use std::time::{Duration, Instant};

use chip::command::{Driver, Failed, Patience};
use serde_json::{Value, json};
use standard::session::MAX_DATAGRAM;

use super::{Lost, Transport};
use crate::discovery::Announced;

/// The longest that one `receive` is asked to wait: less than a call may take.
const LONGEST_WAIT: Duration = Duration::from_secs(2);

/// A program, and the unit that it carries datagrams to.
pub struct Through {
    driver: Driver,
    at: String,
}

impl Through {
    /// Starts the program: its words split as a shell splits them, no shell run.
    ///
    /// # Errors
    ///
    /// [`Lost`] where it does not start or does not say `hello`.
    pub fn start(program: &str) -> Result<Self, Lost> {
        let words = shlex::split(program).filter(|words| !words.is_empty());
        let words = words.ok_or_else(|| Lost("its quotes do not match, or no program is named".into()))?;
        let driver = Driver::start(&words, &Patience::default(), None).map_err(Lost)?;
        Ok(Self { driver, at: String::new() })
    }

    /// Units that announce themselves on what it carries, heard within `wait`.
    ///
    /// # Errors
    ///
    /// [`Lost`] where it fails, or lists what is no unit.
    pub fn find(&mut self, wait: Duration) -> Result<Vec<Announced>, Lost> {
        let answer =
            self.call("find", json!({ "milliseconds": milliseconds(wait) }), wait + Patience::default().call)?;
        let units = answer.get("units").and_then(Value::as_array);
        let units = units.ok_or_else(|| Lost("its answer to find has no array \"units\"".into()))?;
        units.iter().map(|unit| Announced::of_json(unit).ok_or_else(|| Lost(format!("{unit} is not a unit")))).collect()
    }

    /// Makes `at`, as the program calls it, the unit that is spoken to.
    ///
    /// # Errors
    ///
    /// [`Lost`] where it has no way there.
    pub fn open(&mut self, at: &str) -> Result<(), Lost> {
        self.call("open", json!({ "at": at }), Patience::default().call)?;
        at.clone_into(&mut self.at);
        Ok(())
    }

    fn call(&mut self, method: &str, params: Value, patience: Duration) -> Result<Value, Lost> {
        self.driver.call(method, params, patience).map_err(|failed| match failed {
            // It goes on after an error that it tells.
            Failed::Said(error) => Lost(format!("it answers {method} with error {}: {}", error.code, error.message)),
            other => {
                self.driver.give_up();
                let what = match other {
                    Failed::Silent => format!("it did not answer {method} in time"),
                    Failed::Died => "it ended".into(),
                    Failed::Garbled(what) => what,
                    Failed::Said(_) => String::new(),
                };
                Lost(self.driver.last_words(&what))
            }
        })
    }
}

fn milliseconds(wait: Duration) -> u64 {
    u64::try_from(wait.as_millis()).unwrap_or(u64::MAX)
}

impl Transport for Through {
    fn send(&mut self, datagram: &[u8]) -> Result<(), Lost> {
        self.call("send", json!({ "datagram": hex::encode(datagram) }), Patience::default().call).map(drop)
    }

    fn receive(&mut self, wait: Duration) -> Result<Option<Vec<u8>>, Lost> {
        let wait = wait.min(LONGEST_WAIT);
        let answer =
            self.call("receive", json!({ "milliseconds": milliseconds(wait) }), wait + Patience::default().call)?;
        match answer.get("datagram") {
            Some(Value::Null) => Ok(None),
            Some(Value::String(digits)) => {
                let octets = hex::decode(digits).map_err(|_| Lost("its datagram is not hexadecimal".into()))?;
                Ok(Some(octets))
            }
            _ => Err(Lost("its answer to receive has no \"datagram\"".into())),
        }
    }

    fn at(&self) -> String {
        self.at.clone()
    }
}

impl Drop for Through {
    fn drop(&mut self) {
        let _ = self.driver.call("close", json!({}), Duration::from_secs(1));
    }
}

/// One promise of a program that carries datagrams, and what became of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checked {
    pub promise: Promise,
    /// How it was broken; `None` where it held.
    pub broken: Option<String>,
}

/// What a program that carries datagrams promises.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Promise {
    /// It starts and says `hello`.
    Hello,
    /// `find` answers in time with an array.
    Find,
    /// `open` takes the unit's address.
    Open,
    /// `receive` with nothing to come answers `null`, neither early by much nor late.
    Quiet,
    /// A datagram of every size up to the largest goes out, and what the unit answers comes in.
    Carries,
    /// Nothing is kept from one `open` to the next.
    Anew,
}

impl Promise {
    /// All, in the order in which they are tried.
    pub const ALL: [Self; 6] = [Self::Hello, Self::Find, Self::Open, Self::Quiet, Self::Carries, Self::Anew];

    /// Its name in an answer.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Hello => "hello",
            Self::Find => "find",
            Self::Open => "open",
            Self::Quiet => "quiet",
            Self::Carries => "carries",
            Self::Anew => "anew",
        }
    }

    /// It as a sentence.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Hello => "The program starts and answers hello.",
            Self::Find => "find answers in time with an array of units, which may be empty.",
            Self::Open => "open accepts the address that is passed on to it.",
            Self::Quiet => "receive waits as long as it was asked to, not longer, and answers null when nothing came.",
            Self::Carries => "Datagrams of 1 to 1,232 bytes go out and come in unchanged.",
            Self::Anew => "After another open, nothing arrives that was sent before it.",
        }
    }
}

/// Tries the promises against an echo: `echo` is an address, in the program's own terms, that sends every datagram back.
pub fn check(program: &str, echo: &str) -> Vec<Checked> {
    let mut through = None;
    let mut out: Vec<Checked> = Vec::new();
    for promise in Promise::ALL {
        let broken = match (&mut through, promise) {
            (slot, Promise::Hello) => Through::start(program).map(|started| *slot = Some(started)).err().map(|e| e.0),
            (None, _) => Some("it did not start".into()),
            (Some(through), promise) => try_one(through, promise, echo).err(),
        };
        out.push(Checked { promise, broken });
    }
    out
}

fn try_one(through: &mut Through, promise: Promise, echo: &str) -> Result<(), String> {
    let said = |lost: Lost| lost.0;
    match promise {
        Promise::Hello => Ok(()),
        Promise::Find => through.find(Duration::from_millis(200)).map(drop).map_err(said),
        Promise::Open => through.open(echo).map_err(said),
        Promise::Quiet => {
            let (wait, begun) = (Duration::from_millis(300), Instant::now());
            let came = through.receive(wait).map_err(said)?;
            let took = begun.elapsed();
            if let Some(octets) = came {
                return Err(format!("a datagram of {} bytes arrived that nobody sent", octets.len()));
            }
            let fits = took >= Duration::from_millis(250) && took < Duration::from_millis(1300);
            if fits { Ok(()) } else { Err(format!("asked to wait 300 ms, it answered after {} ms", took.as_millis())) }
        }
        Promise::Carries => [1, 2, 255, 256, 1000, MAX_DATAGRAM].into_iter().try_for_each(|size| {
            let sent: Vec<u8> = (0..size).map(|i| (i * 7 + size) as u8).collect();
            through.send(&sent).map_err(said)?;
            match through.receive(LONGEST_WAIT).map_err(said)? {
                Some(came) if came == sent => Ok(()),
                Some(came) => Err(format!("{size} bytes were sent, and {} other bytes arrived", came.len())),
                None => Err(format!("{size} bytes were sent, and nothing arrived within 2 s")),
            }
        }),
        Promise::Anew => {
            through.send(b"before").map_err(said)?;
            std::thread::sleep(Duration::from_millis(100));
            through.open(echo).map_err(said)?;
            match through.receive(Duration::from_millis(200)).map_err(said)? {
                None => Ok(()),
                Some(_) => Err("a datagram arrived that was sent before the second open".into()),
            }
        }
    }
}
