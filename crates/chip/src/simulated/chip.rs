//! One simulated chip, powered.

use std::fmt;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread;
use std::time::Duration;

use standard::key::{PublicKey, Signer, SoftwareKey};
use standard::signature::raw_from_der;

use super::bench::Bench;
use super::draw::Well;
use super::faults::{Fault, FaultKind};
use super::file::{self, Change, Changes, Content, Found, Object};
use crate::hold::Hold;
use crate::{Abilities, Chip, ChipError, ChipId, Doing, Identity, LONGEST_MESSAGE, ObjectName, State};

/// How long a host waits for a chip that does not answer.
const NO_ANSWER_AFTER: Duration = Duration::from_millis(250);

/// A chip and its file, from power-up until dropped.
pub(crate) struct SimulatedChip {
    changes: Changes,
    /// The chip that was opened; errors name this one.
    opened: ChipId,
    bench: Bench,
    /// The chip that answers.
    body: Body,
    /// False once power was lost or a change could not be kept.
    powered: bool,
    calls: u32,
    /// The same since its source was opened: an exchange counts by it.
    all_calls: Arc<AtomicU32>,
    writes: u32,
    reads: u32,
    signatures: u32,
    unseen: Duration,
    _hold: Hold,
}

/// What answers at the contacts.
struct Body {
    id: ChipId,
    key: SoftwareKey,
    content: Content,
    /// Whether it is the chip of the file. Another one, swapped in, is
    /// forgotten at the end, and has no faults of its own.
    own: bool,
}

impl SimulatedChip {
    /// Powers a chip up and selects it: the first call that it may fail.
    pub(crate) fn power_up(
        folder: &Path,
        chip: &ChipId,
        bench: &Bench,
        found: Found,
        (hold, all_calls): (Hold, Arc<AtomicU32>),
    ) -> Result<Self, ChipError> {
        let key = found.content.private_key().and_then(|private| SoftwareKey::from_private(&private).ok());
        let key = key.ok_or_else(|| ChipError::Damaged {
            path: file::path(folder, chip),
            why: "its key is not a P-256 private key".into(),
        })?;
        let changes = Changes::open(folder, chip, &found)?;
        let mut this = Self {
            changes,
            opened: chip.clone(),
            bench: bench.clone(),
            body: Body { id: chip.clone(), key, content: found.content, own: true },
            powered: true,
            calls: 0,
            all_calls,
            writes: 0,
            reads: 0,
            signatures: 0,
            unseen: Duration::ZERO,
            _hold: hold,
        };
        this.call(Doing::Opening)?;
        this.spend(this.bench.timing.exchange(0));
        Ok(this)
    }

    /// What befalls any call before it is understood.
    fn call(&mut self, doing: Doing) -> Result<(), ChipError> {
        self.calls += 1;
        let all_calls = 1 + self.all_calls.fetch_add(1, Ordering::Relaxed);
        if !self.powered {
            return Err(self.no_answer(doing));
        }
        if let Some(draw) = self.strikes(FaultKind::Swapped, all_calls)? {
            self.swap(draw);
        }
        match self.strikes(FaultKind::NoAnswer, self.calls)? {
            Some(_) => Err(self.no_answer(doing)),
            None => Ok(()),
        }
    }

    /// Whether a fault happens at this, the `count`th call of its sort, and its
    /// draw. Struck off, or remembered as lasting, before it has any effect.
    fn strikes(&mut self, kind: FaultKind, count: u32) -> Result<Option<u64>, ChipError> {
        if !self.body.own {
            return Ok(None);
        }
        let strikes = |f: &Fault| f.kind == kind && f.at <= count && f.left != Some(0);
        let Some(n) = self.body.content.faults.iter().position(strikes) else { return Ok(None) };
        let mut faults = self.body.content.faults.clone();
        let draw = faults[n].draw;
        match faults[n].left {
            Some(1) => drop(faults.remove(n)),
            Some(left) => faults[n].left = Some(left - 1),
            // Dead is dead at the next opening too.
            None if kind == FaultKind::NoAnswer && faults[n].at > 1 => faults[n].at = 1,
            None => return Ok(Some(draw)),
        }
        self.change(Change::faults(faults)).map(|()| Some(draw))
    }

    /// Puts another, blank chip at the contacts.
    fn swap(&mut self, draw: u64) {
        let well = Well::new(draw, &format!("swapped for {}", self.opened));
        let drawn = well.key("key");
        let octets = well.octets::<9>("id");
        // Nine octets are 18 hexadecimal digits, which every id may be.
        let Ok(id) = ChipId::new(&hex::encode(*octets)) else { return };
        let content = Content::new(&id, &self.bench.part.name, &drawn.private, Vec::new(), false);
        self.body = Body { id, key: drawn.key, content, own: false };
    }

    /// Changes what the chip holds, in its file first.
    fn change(&mut self, change: Change) -> Result<(), ChipError> {
        if self.body.own {
            let kept = self.changes.append(&change);
            // The file's last line may be cut now: nothing more is answered until
            // it was opened anew.
            self.powered = kept.is_ok();
            kept?;
        }
        self.body.content.apply(change);
        Ok(())
    }

    fn spend(&mut self, time: Duration) {
        if self.bench.real_time {
            thread::sleep(time);
        } else {
            self.unseen += time;
        }
    }

    fn no_answer(&mut self, doing: Doing) -> ChipError {
        self.spend(NO_ANSWER_AFTER);
        ChipError::NoAnswer { chip: self.opened.clone(), doing }
    }

    fn has_slot(&self, object: &ObjectName) -> Result<(), ChipError> {
        match &self.bench.part.objects {
            Some(names) if !names.iter().any(|name| name == object.as_str()) => {
                Err(ChipError::NoSlot { chip: self.opened.clone(), object: object.clone() })
            }
            _ => Ok(()),
        }
    }

    /// Octets that still fit, in whole pages.
    fn room_left(&self) -> usize {
        let page = self.page();
        let used: usize = self.body.content.lengths().map(|length| self.bench.timing.pages(length)).sum();
        (self.bench.part.room / page).saturating_sub(used) * page
    }

    fn page(&self) -> usize {
        self.bench.timing.page_octets as usize
    }

    /// Whether the chip takes the write at all; nothing is changed.
    fn takes(&self, object: &ObjectName, octets: usize) -> Result<(), ChipError> {
        let (chip, object_named) = (self.opened.clone(), object.clone());
        self.has_slot(object)?;
        if self.body.content.locked {
            return Err(ChipError::Locked { chip, object: object_named });
        }
        let limit = self.bench.part.object_limit;
        if octets > limit {
            return Err(ChipError::TooLarge { chip, object: object_named, octets, limit });
        }
        // What it replaces is given back.
        let given_back = self.body.content.object(object).map_or(0, |o| self.bench.timing.pages(o.octets.len()));
        let left = self.room_left() + given_back * self.page();
        if octets > left {
            return Err(ChipError::NoRoom { chip, object: object_named, octets, left });
        }
        Ok(())
    }

    /// Leaves `object` as a write that came as far as page `reached` leaves it.
    fn tear(&mut self, object: &ObjectName, octets: &[u8], reached: usize, told: bool) -> Result<(), ChipError> {
        let old = self.body.content.object(object).map_or(&[][..], |o| &o.octets);
        let torn = Object { octets: torn(old, octets, self.page(), reached), torn: true, told };
        self.change(Change::object(object, torn))
    }
}

/// The octets that a cut write leaves: new pages before `reached`, that page
/// half written over erased memory, old pages behind it.
fn torn(old: &[u8], new: &[u8], page: usize, reached: usize) -> Vec<u8> {
    const ERASED: u8 = 0xFF;
    let length = if new.is_empty() { old.len() } else { new.len() };
    let of = |octets: &[u8], at: usize| octets.get(at).copied().unwrap_or(ERASED);
    (0..length)
        .map(|at| match (at / page).cmp(&reached) {
            std::cmp::Ordering::Less => of(new, at),
            std::cmp::Ordering::Equal if at % page < page / 2 => of(new, at),
            std::cmp::Ordering::Equal => ERASED,
            std::cmp::Ordering::Greater => of(old, at),
        })
        .collect()
}

impl Chip for SimulatedChip {
    fn identity(&mut self) -> Result<Identity, ChipError> {
        self.call(Doing::Identifying)?;
        let identity = Identity { id: self.body.id.clone(), part: self.body.content.part.clone() };
        self.spend(self.bench.timing.read(identity.id.as_str().len().div_ceil(2) + identity.part.len()));
        Ok(identity)
    }

    fn public_key(&mut self) -> Result<PublicKey, ChipError> {
        self.call(Doing::ReadingKey)?;
        self.spend(self.bench.timing.read(65));
        Ok(self.body.key.public_key())
    }

    fn abilities(&mut self) -> Result<Abilities, ChipError> {
        self.call(Doing::ReadingAbilities)?;
        self.spend(self.bench.timing.read(8));
        let part = &self.bench.part;
        let names = part.objects.iter().flatten().filter_map(|name| ObjectName::new(name).ok()).collect();
        Ok(Abilities {
            room_left: Some(self.room_left()),
            object_limit: part.object_limit,
            objects: part.objects.is_some().then_some(names),
            protected_bus: part.protected_bus,
            can_lock: part.can_lock,
        })
    }

    fn state(&mut self) -> Result<State, ChipError> {
        self.call(Doing::ReadingState)?;
        self.spend(self.bench.timing.read(1));
        Ok(match &self.body.content {
            content if content.locked => State::Locked,
            content if content.is_blank() => State::Blank,
            _ => State::HoldsObjects,
        })
    }

    fn read(&mut self, object: &ObjectName) -> Result<Option<Vec<u8>>, ChipError> {
        self.call(Doing::Reading(object.clone()))?;
        let found = self.has_slot(object).map(|()| self.body.content.object(object).cloned());
        let octets = found.as_ref().map_or(0, |found| found.as_ref().map_or(0, |o| o.octets.len()));
        self.spend(self.bench.timing.read(octets));
        match found? {
            Some(Object { torn: true, told: true, .. }) => {
                Err(ChipError::Torn { chip: self.opened.clone(), object: object.clone() })
            }
            Some(Object { mut octets, .. }) if !octets.is_empty() => {
                self.reads += 1;
                if let Some(draw) = self.strikes(FaultKind::FlippedBit, self.reads)? {
                    let bit = usize::try_from(draw % (octets.len() as u64 * 8)).unwrap_or(0);
                    octets[bit / 8] ^= 1 << (bit % 8);
                }
                Ok(Some(octets))
            }
            _ => Ok(None),
        }
    }

    fn write(&mut self, object: &ObjectName, octets: &[u8]) -> Result<(), ChipError> {
        let doing = Doing::Writing(object.clone());
        self.call(doing.clone())?;
        if let Err(refused) = self.takes(object, octets.len()) {
            self.spend(self.bench.timing.exchange(0));
            return Err(refused);
        }
        self.writes += 1;
        if self.strikes(FaultKind::RefusedWrite, self.writes)?.is_some() {
            self.spend(self.bench.timing.exchange(octets.len()));
            let reason = "its memory reports that the write failed".into();
            return Err(ChipError::Refused { chip: self.opened.clone(), doing, reason });
        }
        let time = self.bench.timing.write(octets.len());
        let pages = self.bench.timing.pages(octets.len()).max(1);
        if let Some(draw) = self.strikes(FaultKind::TornWrite, self.writes)? {
            let reached = usize::try_from(draw % pages as u64).unwrap_or(0);
            self.tear(object, octets, reached, draw >> 63 == 1)?;
            self.spend(time / 2);
            self.powered = false;
            return Err(self.no_answer(doing));
        }
        if pages > 1 {
            // A process that dies from here to the end leaves the chip amid the write.
            self.tear(object, octets, pages / 2, false)?;
        }
        self.spend(time);
        self.change(Change::object(object, Object::whole(octets)))?;
        match self.strikes(FaultKind::AnswerLost, self.writes)? {
            Some(_) => Err(self.no_answer(doing)),
            None => Ok(()),
        }
    }

    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], ChipError> {
        self.call(Doing::Signing)?;
        if message.len() > LONGEST_MESSAGE {
            self.spend(self.bench.timing.exchange(0));
            return Err(ChipError::MessageTooLong {
                chip: self.opened.clone(),
                octets: message.len(),
                limit: LONGEST_MESSAGE,
            });
        }
        self.spend(self.bench.timing.sign(message.len()));
        self.signatures += 1;
        let signature = match self.strikes(FaultKind::WrongSignature, self.signatures)? {
            Some(draw) => Well::new(draw, "a key of another chip").key("key").key.sign(message),
            None => self.body.key.sign(message),
        };
        signature.ok().and_then(|der| raw_from_der(&der)).ok_or_else(|| ChipError::Refused {
            chip: self.opened.clone(),
            doing: Doing::Signing,
            reason: "no signature was made".into(),
        })
    }

    fn lock(&mut self) -> Result<(), ChipError> {
        self.call(Doing::Locking)?;
        if !self.bench.part.can_lock {
            self.spend(self.bench.timing.exchange(0));
            return Err(ChipError::CannotLock { chip: self.opened.clone() });
        }
        self.spend(self.bench.timing.write(1));
        self.change(Change::locked())
    }

    fn unseen_time(&self) -> Duration {
        self.unseen
    }
}

impl fmt::Debug for SimulatedChip {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SimulatedChip({}, {} calls)", self.opened, self.calls)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// By hand, with pages of four octets.
    #[test]
    fn torn_by_hand() {
        let (old, new) = (b"aaaabbbbcc", b"AAAABBBBCCCC");
        assert_eq!(torn(old, new, 4, 0), b"AA\xff\xffbbbbcc\xff\xff");
        assert_eq!(torn(old, new, 4, 1), b"AAAABB\xff\xffcc\xff\xff");
        assert_eq!(torn(old, b"", 4, 0), b"\xff\xff\xff\xffbbbbcc", "a removal that was cut");
        assert_eq!(torn(b"", b"", 4, 0), b"");
    }

    proptest! {
        #[test]
        fn torn_has_the_new_length(old in prop::collection::vec(any::<u8>(), 0..200), new in prop::collection::vec(any::<u8>(), 1..200),
                                   page in 1usize..80, reached in 0usize..10) {
            let left = torn(&old, &new, page, reached);
            prop_assert_eq!(left.len(), new.len());
            let whole = (reached * page).min(new.len());
            prop_assert_eq!(&left[..whole], &new[..whole]);
        }
    }
}
