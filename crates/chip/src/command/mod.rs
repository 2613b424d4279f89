//! A vendor's tool as a source of chips: JSON-RPC 2.0 on stdio.
//!
//! The protocol is in `docs/chip-driver.md`. One process serves a source and
//! all chips opened through it; calls go one by one. A driver that is silent
//! past its time, dies or garbles is killed with all it started, and started
//! anew by the next [`ChipSource::present`] or [`ChipSource::open`]; the chips
//! that were open are then [`ChipError::Gone`].

mod driver;

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use serde_json::{Value, json};
use standard::key::PublicKey;

use crate::hold::{self, Hold};
use crate::{Abilities, Chip, ChipError, ChipId, ChipSource, Doing, Identity, LONGEST_MESSAGE, ObjectName, State};
use driver::{User, shown};

pub use driver::{Driver, Failed, RpcError};

/// The version of the protocol.
pub const PROTOCOL: u64 = 1;

/// How long a driver may take.
#[derive(Debug, Clone, Copy)]
pub struct Patience {
    /// To start and answer `hello`, and to list its chips.
    pub start: Duration,
    /// To answer any other call.
    pub call: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self { start: Duration::from_secs(10), call: Duration::from_secs(5) }
    }
}

/// A driver as a source.
pub struct CommandSource {
    shared: Arc<Shared>,
}

/// What source and open chips have in common.
struct Shared {
    program: String,
    words: Vec<String>,
    patience: Patience,
    user: Option<User>,
    running: Mutex<Running>,
}

/// The process, and how many there were before it.
struct Running {
    driver: Option<Driver>,
    generation: u64,
}

impl CommandSource {
    /// Starts `program`: its words split as a shell splits them, no shell run.
    ///
    /// # Errors
    ///
    /// [`ChipError::Driver`] where it does not start or does not say `hello`.
    pub fn start(program: &str, patience: Patience) -> Result<Self, ChipError> {
        Self::start_as(program, patience, None)
    }

    /// The same as another user of the machine, which only root may do.
    ///
    /// # Errors
    ///
    /// As [`CommandSource::start`], and where there is no such user.
    pub fn start_as(program: &str, patience: Patience, user: Option<&str>) -> Result<Self, ChipError> {
        let wrong = |why: &str| ChipError::Driver { source_name: named(program), why: why.to_owned() };
        let words = shlex::split(program).filter(|words| !words.is_empty());
        let words = words.ok_or_else(|| wrong("its quotes do not match, or no program is named"))?;
        let user = user.map(User::find).transpose().map_err(|why| wrong(&why))?;
        let driver = Driver::start(&words, &patience, user.as_ref()).map_err(|why| wrong(&why))?;
        let running = Mutex::new(Running { driver: Some(driver), generation: 0 });
        Ok(Self { shared: Arc::new(Shared { program: program.to_owned(), words, patience, user, running }) })
    }
}

/// Whether a line that a driver wrote answers the call of this number, with a result or with an error. For those who
/// try what a driver may write.
pub fn is_answer(line: &[u8], call: u64) -> bool {
    matches!(driver::read(line, call), Ok(_) | Err(Failed::Said(_)))
}

fn named(program: &str) -> String {
    format!("the driver {}", shown(program))
}

impl Shared {
    fn running(&self) -> MutexGuard<'_, Running> {
        // A panic amid a call leaves a driver that is out of step: it is replaced.
        self.running.lock().unwrap_or_else(|poisoned: PoisonError<_>| {
            let mut running = poisoned.into_inner();
            running.driver = None;
            running
        })
    }

    /// A call to whichever process runs; starts one if none does. Tells its generation.
    fn call_any(&self, method: &str, params: Value, patience: Duration) -> Result<(Value, u64), Failed> {
        let mut running = self.running();
        if running.driver.is_none() {
            running.driver =
                Some(Driver::start(&self.words, &self.patience, self.user.as_ref()).map_err(Failed::Garbled)?);
        }
        let generation = running.generation;
        running.call(method, params, patience).map(|value| (value, generation))
    }

    /// A call to the process of that generation; [`Failed::Died`] if it is gone.
    fn call(&self, generation: u64, method: &str, params: Value) -> Result<Value, Failed> {
        let mut running = self.running();
        if running.generation != generation {
            return Err(Failed::Died);
        }
        running.call(method, params, self.patience.call)
    }

    fn wrong(&self, why: impl Into<String>) -> ChipError {
        ChipError::Driver { source_name: named(&self.program), why: why.into() }
    }

    /// A failure that belongs to no chip.
    fn failed(&self, failed: Failed) -> ChipError {
        match failed {
            Failed::Silent => self.wrong("it did not answer in time"),
            Failed::Died => self.wrong("it ended"),
            Failed::Garbled(what) => self.wrong(what),
            Failed::Said(RpcError { code: 15, message, .. }) => {
                ChipError::Pin { source_name: named(&self.program), why: shown(&message) }
            }
            Failed::Said(error) => self.wrong(format!("it answers error {}: {}", error.code, shown(&error.message))),
        }
    }
}

impl Running {
    fn call(&mut self, method: &str, params: Value, patience: Duration) -> Result<Value, Failed> {
        let Some(driver) = &mut self.driver else { return Err(Failed::Died) };
        let result = driver.call(method, params, patience);
        match result {
            Ok(value) => Ok(value),
            Err(Failed::Said(error)) => Err(Failed::Said(error)),
            Err(failed) => {
                // Out of step or dead: nothing it says later is believed.
                driver.give_up();
                let failed = match failed {
                    Failed::Garbled(what) => Failed::Garbled(driver.last_words(&what)),
                    other => other,
                };
                self.driver = None;
                self.generation += 1;
                Err(failed)
            }
        }
    }
}

impl ChipSource for CommandSource {
    fn describe(&self) -> String {
        named(&self.shared.program)
    }

    fn present(&mut self) -> Result<Vec<ChipId>, ChipError> {
        let shared = &self.shared;
        let (answer, _) =
            shared.call_any("present", json!({}), shared.patience.start).map_err(|failed| shared.failed(failed))?;
        let listed = answer.get("chips").and_then(Value::as_array);
        let listed = listed.ok_or_else(|| shared.wrong("its answer to present has no array \"chips\""))?;
        let mut chips = Vec::with_capacity(listed.len());
        for entry in listed {
            let chip = entry.as_str().and_then(|text| ChipId::new(text).ok());
            chips.push(chip.ok_or_else(|| shared.wrong(format!("{} is not a chip id", shown(&entry.to_string()))))?);
        }
        chips.sort();
        match chips.windows(2).find(|pair| pair[0] == pair[1]) {
            Some(pair) => Err(shared.wrong(format!("it lists chip {} twice", pair[0]))),
            None => Ok(chips),
        }
    }

    fn open(&mut self, chip: &ChipId) -> Result<Box<dyn Chip>, ChipError> {
        let hold = hold::hold(&hold::of_this_machine(), chip)?;
        let shared = Arc::clone(&self.shared);
        let opened = shared.call_any("open", json!({"chip": chip.as_str()}), shared.patience.call);
        let mut opened_chip = CommandChip { shared, generation: 0, chip: chip.clone(), _hold: hold };
        match opened {
            Ok((_, generation)) => {
                opened_chip.generation = generation;
                Ok(Box::new(opened_chip))
            }
            Err(failed) => {
                // Never the generation of a process that runs: nothing is closed.
                opened_chip.generation = u64::MAX;
                Err(opened_chip.failed(failed, Doing::Opening))
            }
        }
    }
}

/// A chip behind a driver.
struct CommandChip {
    shared: Arc<Shared>,
    generation: u64,
    chip: ChipId,
    _hold: Hold,
}

impl CommandChip {
    fn call(&self, method: &str, mut params: Value, doing: &Doing) -> Result<Value, ChipError> {
        params["chip"] = self.chip.as_str().into();
        self.shared.call(self.generation, method, params).map_err(|failed| self.failed(failed, doing.clone()))
    }

    /// What a failure means for this chip; the error codes of `docs/chip-driver.md`.
    fn failed(&self, failed: Failed, doing: Doing) -> ChipError {
        let chip = self.chip.clone();
        let RpcError { code, message, data } = match failed {
            Failed::Silent => return ChipError::NoAnswer { chip, doing },
            Failed::Died => return ChipError::Gone { chip, doing },
            Failed::Garbled(what) => return self.shared.wrong(what),
            Failed::Said(error) => error,
        };
        let reason = shown(&message);
        let number =
            |name: &str| data.get(name).and_then(Value::as_u64).and_then(|n| usize::try_from(n).ok()).unwrap_or(0);
        let octets = number("octets");
        let object = match &doing {
            Doing::Reading(object) | Doing::Writing(object) => Some(object.clone()),
            _ => None,
        };
        match (code, object) {
            (1, _) => ChipError::NoAnswer { chip, doing },
            (3, Some(object)) => ChipError::TooLarge { chip, object, octets, limit: number("limit") },
            (4, Some(object)) => ChipError::NoRoom { chip, object, octets, left: number("left") },
            (5, Some(object)) => ChipError::NoSlot { chip, object },
            (6, Some(object)) => ChipError::Locked { chip, object },
            (7, None) => ChipError::CannotLock { chip },
            (8, Some(object)) => ChipError::Torn { chip, object },
            (9, None) => ChipError::NoKey { chip, reason },
            (10, None) => ChipError::MessageTooLong { chip, octets, limit: number("limit") },
            (11, _) => {
                let found = data.get("found").and_then(Value::as_str).and_then(|id| ChipId::new(id).ok());
                ChipError::Swapped { expected: chip, found }
            }
            (12, _) => ChipError::Gone { chip, doing },
            (13, _) => ChipError::Absent { chip, source_name: named(&self.shared.program) },
            (14, _) => ChipError::Held { chip },
            (15, _) => ChipError::Pin { source_name: named(&self.shared.program), why: reason },
            // JSON-RPC 2.0 §5.1: the driver does not understand us.
            (..=-32000, _) => self.shared.wrong(format!("while {doing}, it answers error {code}: {reason}")),
            _ => ChipError::Refused { chip, doing, reason },
        }
    }

    /// A member of an answer, read by `read`.
    fn member<'a, T>(
        &self,
        answer: &'a Value,
        name: &str,
        expected: &str,
        read: impl FnOnce(&'a Value) -> Option<T>,
    ) -> Result<T, ChipError> {
        let found = answer.get(name);
        found.and_then(read).ok_or_else(|| {
            let found = found.map_or("nothing".to_owned(), |value| shown(&value.to_string()));
            self.shared.wrong(format!("\"{name}\" should be {expected}, but is {found}"))
        })
    }

    fn octets(&self, answer: &Value, name: &str, expected: &str) -> Result<Vec<u8>, ChipError> {
        self.member(answer, name, expected, |value| value.as_str().and_then(|digits| hex::decode(digits).ok()))
    }
}

impl Drop for CommandChip {
    fn drop(&mut self) {
        // A driver that fails at this is found out by the next call.
        let _ = self.shared.call(self.generation, "close", json!({"chip": self.chip.as_str()}));
    }
}

impl Chip for CommandChip {
    fn identity(&mut self) -> Result<Identity, ChipError> {
        let answer = self.call("identity", json!({}), &Doing::Identifying)?;
        let id = self.member(&answer, "chip_id", "1 to 64 hex digits", |v| ChipId::new(v.as_str()?).ok())?;
        let part = self.member(&answer, "part", "the part's name", |v| {
            v.as_str().filter(|part| !part.trim().is_empty()).map(shown)
        })?;
        Ok(Identity { id, part })
    }

    fn public_key(&mut self) -> Result<PublicKey, ChipError> {
        let answer = self.call("public_key", json!({}), &Doing::ReadingKey)?;
        let point = self.octets(&answer, "public_key", "a point of 65 bytes in hex")?;
        PublicKey::from_point(&point)
            .map_err(|error| ChipError::NoKey { chip: self.chip.clone(), reason: error.to_string() })
    }

    fn abilities(&mut self) -> Result<Abilities, ChipError> {
        let answer = self.call("abilities", json!({}), &Doing::ReadingAbilities)?;
        let number = |value: &Value| value.as_u64().and_then(|n| usize::try_from(n).ok());
        let yes = "true or false";
        Ok(Abilities {
            room_left: self.member(&answer, "room_left", "a number or null", |value| match value {
                Value::Null => Some(None),
                value => number(value).map(Some),
            })?,
            object_limit: self.member(&answer, "object_limit", "a number", number)?,
            objects: self.member(&answer, "objects", "an array of names or null", |value| match value {
                Value::Null => Some(None),
                value => {
                    let names = value.as_array()?.iter().map(|name| ObjectName::new(name.as_str()?).ok());
                    names.collect::<Option<Vec<_>>>().map(Some)
                }
            })?,
            protected_bus: self.member(&answer, "protected_bus", yes, Value::as_bool)?,
            can_lock: self.member(&answer, "can_lock", yes, Value::as_bool)?,
        })
    }

    fn state(&mut self) -> Result<State, ChipError> {
        let answer = self.call("state", json!({}), &Doing::ReadingState)?;
        self.member(&answer, "state", "blank, holds-objects or locked", |value| match value.as_str()? {
            "blank" => Some(State::Blank),
            "holds-objects" => Some(State::HoldsObjects),
            "locked" => Some(State::Locked),
            _ => None,
        })
    }

    fn read(&mut self, object: &ObjectName) -> Result<Option<Vec<u8>>, ChipError> {
        let answer = self.call("read", json!({"object": object.as_str()}), &Doing::Reading(object.clone()))?;
        let found = self.member(&answer, "octets", "hex digits or null", |value| match value {
            Value::Null => Some(None),
            value => value.as_str().and_then(|digits| hex::decode(digits).ok()).map(Some),
        })?;
        // No octets and no object are the same.
        Ok(found.filter(|octets| !octets.is_empty()))
    }

    fn write(&mut self, object: &ObjectName, octets: &[u8]) -> Result<(), ChipError> {
        let params = json!({"object": object.as_str(), "octets": hex::encode(octets)});
        // The line's bound is ours, so it must not look like the driver's fault.
        let limit = (driver::LONGEST_LINE - 512) / 2;
        if octets.len() > limit {
            let (chip, object) = (self.chip.clone(), object.clone());
            return Err(ChipError::TooLarge { chip, object, octets: octets.len(), limit });
        }
        match self.call("write", params, &Doing::Writing(object.clone())) {
            Ok(_) => Ok(()),
            // How many octets there were is known here, whether or not the driver told.
            Err(ChipError::TooLarge { chip, object, limit, .. }) => {
                Err(ChipError::TooLarge { chip, object, octets: octets.len(), limit })
            }
            Err(ChipError::NoRoom { chip, object, left, .. }) => {
                Err(ChipError::NoRoom { chip, object, octets: octets.len(), left })
            }
            Err(other) => Err(other),
        }
    }

    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], ChipError> {
        if message.len() > LONGEST_MESSAGE {
            let (chip, octets) = (self.chip.clone(), message.len());
            return Err(ChipError::MessageTooLong { chip, octets, limit: LONGEST_MESSAGE });
        }
        let answer = self.call("sign", json!({"message": hex::encode(message)}), &Doing::Signing)?;
        let signature = self.octets(&answer, "signature", "r and s, 64 bytes in hex")?;
        <[u8; 64]>::try_from(signature.as_slice()).map_err(|_| {
            self.shared.wrong(format!("a signature has 64 bytes, r and s; this one has {}", signature.len()))
        })
    }

    fn lock(&mut self) -> Result<(), ChipError> {
        self.call("lock", json!({}), &Doing::Locking).map(drop)
    }
}
