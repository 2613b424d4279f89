//! The contract of a chip, in prose. [`crate::contract`] tries it in code.

use std::thread;
use std::time::{Duration, Instant};

use standard::key::PublicKey;

use crate::{ChipError, ChipId, ObjectName};

/// The longest message that [`Chip::sign`] must take, in octets: attestation
/// elements of 900 and a challenge of 16 (Core Spec 6.2.3, from memory), with room.
pub const LONGEST_MESSAGE: usize = 1024;

/// Where chips come from: a socket, a fixture with many, a token, a folder.
///
/// - A chip that is not there is an error of [`open`](Self::open), never a
///   chip that fails later.
/// - A source may be opened many times, by many processes, at once.
pub trait ChipSource: Send {
    /// What it is, in words for a person; holds no secret.
    fn describe(&self) -> String;

    /// The chips present now, each once, in ascending order of id. Chips that
    /// are held by someone are present too.
    ///
    /// # Errors
    ///
    /// Where the source itself can't be asked.
    fn present(&mut self) -> Result<Vec<ChipId>, ChipError>;

    /// Opens the chip with that id and holds it until the answer is dropped.
    ///
    /// # Errors
    ///
    /// [`ChipError::Absent`] where it is not there; [`ChipError::Held`] where it is
    /// open already, in this process or another; [`ChipError::NoAnswer`].
    fn open(&mut self, chip: &ChipId) -> Result<Box<dyn Chip>, ChipError>;

    /// Waits until a chip is present that `wanted` takes; `None` once
    /// `patience` has run out.
    ///
    /// # Errors
    ///
    /// As [`present`](Self::present).
    fn wait(&mut self, wanted: &dyn Fn(&ChipId) -> bool, patience: Duration) -> Result<Option<ChipId>, ChipError> {
        const BETWEEN_LOOKS: Duration = Duration::from_millis(100);
        let begun = Instant::now();
        loop {
            if let Some(chip) = self.present()?.into_iter().find(|chip| wanted(chip)) {
                return Ok(Some(chip));
            }
            let left = patience.saturating_sub(begun.elapsed());
            if left.is_zero() {
                return Ok(None);
            }
            thread::sleep(left.min(BETWEEN_LOOKS));
        }
    }
}

/// Who a chip says it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    pub id: ChipId,
    /// The part's name, as its maker calls it; not empty.
    pub part: String,
}

/// What a chip can do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Abilities {
    /// Octets that still fit, over all objects. `None` where the chip can't tell.
    pub room_left: Option<usize>,
    /// The most octets of one object.
    pub object_limit: usize,
    /// The objects it has a place for; `None` where any name will do.
    pub objects: Option<Vec<ObjectName>>,
    /// Whether what passes on the bus is protected against listening.
    pub protected_bus: bool,
    /// Whether it can be locked against writing.
    pub can_lock: bool,
}

/// What state a chip is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Holds no object.
    Blank,
    /// Holds at least one object, whole or torn.
    HoldsObjects,
    /// Refuses every write, whether it holds objects or not.
    Locked,
}

/// One chip, held open. Calls block.
///
/// - **Confirmed.** `write` and `lock` return `Ok` only after the chip said
///   that it is done.
/// - **After an error** of `write`, the object holds its old content, the new
///   one, or is torn; `read` tells which: its octets equal one of them or
///   neither, or it fails with [`ChipError::Torn`] where the chip knows by
///   itself. Other objects are as they were. Writing again is safe.
/// - **An object without octets is absent**: reading what was never written
///   gives `None`, and writing no octets removes an object.
/// - **Locking is for ever.** A locked chip refuses every write with
///   [`ChipError::Locked`] and still reads and signs. Locking twice is no error,
///   so that a lost answer is safe to ask for again.
/// - **One holder.** While it is open, opening it again is refused with
///   [`ChipError::Held`], here and in other processes. Dropping it, or the death of
///   its process, lets it go.
/// - **It may be another.** A chip can be exchanged in its socket. An
///   implementation that notices fails with [`ChipError::Swapped`]; one that can't
///   notice answers with the other chip's [`identity`](Self::identity). Who
///   writes therefore asks for the identity again before locking, and believes
///   only what was read back and signed.
/// - **Time.** No call takes longer than a few seconds; a chip that does not
///   answer is [`ChipError::NoAnswer`], never a hang.
pub trait Chip: Send {
    /// Asks the chip who it is, each time anew.
    ///
    /// # Errors
    ///
    /// [`ChipError::NoAnswer`], [`ChipError::Gone`] and [`ChipError::Swapped`],
    /// as from every call below.
    fn identity(&mut self) -> Result<Identity, ChipError>;

    /// The public half of its attestation key.
    ///
    /// # Errors
    ///
    /// [`ChipError::NoKey`] where it holds none that is on P-256.
    fn public_key(&mut self) -> Result<PublicKey, ChipError>;

    /// What it can do now.
    ///
    /// # Errors
    ///
    /// As above.
    fn abilities(&mut self) -> Result<Abilities, ChipError>;

    /// What state it is in.
    ///
    /// # Errors
    ///
    /// As above.
    fn state(&mut self) -> Result<State, ChipError>;

    /// The object's octets as the chip holds them now; `None` where it is absent.
    ///
    /// # Errors
    ///
    /// [`ChipError::Torn`] where the chip knows that a write was cut short;
    /// [`ChipError::NoSlot`] where it has no place for that name.
    fn read(&mut self, object: &ObjectName) -> Result<Option<Vec<u8>>, ChipError>;

    /// Writes the object whole, in place of what it held; no octets removes it.
    ///
    /// # Errors
    ///
    /// [`ChipError::TooLarge`], [`ChipError::NoRoom`], [`ChipError::NoSlot`] and
    /// [`ChipError::Locked`] are certain to have changed nothing; after any other
    /// the trait's text says what may be so.
    fn write(&mut self, object: &ObjectName, octets: &[u8]) -> Result<(), ChipError>;

    /// Signs the SHA-256 digest of `message` (up to [`LONGEST_MESSAGE`] octets,
    /// none included) with ECDSA on P-256 (FIPS 186-5). Returns `r || s`, 64
    /// octets big-endian; [`standard::signature`] turns DER into that.
    ///
    /// That octets came back does not say that they are right: check them.
    ///
    /// # Errors
    ///
    /// [`ChipError::MessageTooLong`], [`ChipError::NoKey`], [`ChipError::Refused`].
    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], ChipError>;

    /// Locks it against writing, for ever.
    ///
    /// # Errors
    ///
    /// [`ChipError::CannotLock`] where the part has no lock. After any other
    /// error, [`state`](Self::state) tells whether it is locked.
    fn lock(&mut self) -> Result<(), ChipError>;

    /// Time that the chip would have taken so far and the host's clock did not
    /// see, because it is simulated. A station adds what this grew by to what
    /// it measured.
    fn unseen_time(&self) -> Duration {
        Duration::ZERO
    }
}
