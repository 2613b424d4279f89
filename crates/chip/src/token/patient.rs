//! A chip whose calls come back in time, whatever the library behind it does.
//!
//! The chip lives in a thread of its own. A call that is not answered in time
//! is [`ChipError::NoAnswer`], and so is every later one: the thread may hang in
//! the library for ever, and is left to it.

use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, SyncSender, channel, sync_channel};
use std::thread;
use std::time::Duration;

use standard::key::PublicKey;

use crate::hold::Hold;
use crate::{Abilities, Chip, ChipError, ChipId, Doing, Identity, ObjectName, State};

/// How long a token may take to answer one call. Key pairs of slow cards sign
/// in one to two seconds.
const PATIENCE: Duration = Duration::from_secs(8);

type Work = Box<dyn FnOnce(&mut dyn Chip) + Send>;

/// A chip in a thread.
pub(super) struct Patient {
    chip: ChipId,
    /// `None` once it is let go.
    work: Option<Sender<Work>>,
    /// Closed when the thread has dropped all it had.
    ended: Receiver<()>,
    hung: bool,
    patience: Duration,
}

impl Patient {
    /// The thread takes the chip and the hold on it, and drops both when this is
    /// dropped; should it hang, the chip stays held by this process.
    pub(super) fn new(id: ChipId, mut chip: Box<dyn Chip>, hold: Hold) -> Self {
        let (work, works) = channel::<Work>();
        let (end, ended) = sync_channel(0);
        thread::spawn(move || {
            while let Ok(work) = works.recv() {
                work(&mut *chip);
            }
            drop(chip);
            drop(hold);
            drop::<SyncSender<()>>(end);
        });
        Self { chip: id, work: Some(work), ended, hung: false, patience: PATIENCE }
    }

    fn ask<T: Send + 'static>(
        &mut self,
        doing: Doing,
        call: impl FnOnce(&mut dyn Chip) -> Result<T, ChipError> + Send + 'static,
    ) -> Result<T, ChipError> {
        let no_answer = ChipError::NoAnswer { chip: self.chip.clone(), doing: doing.clone() };
        if self.hung {
            return Err(no_answer);
        }
        let (answer, answered) = sync_channel(1);
        let work: Work = Box::new(move |chip| {
            let _ = answer.send(call(chip));
        });
        if self.work.as_ref().is_none_or(|to| to.send(work).is_err()) {
            return Err(ChipError::Gone { chip: self.chip.clone(), doing });
        }
        match answered.recv_timeout(self.patience) {
            Ok(result) => result,
            Err(RecvTimeoutError::Timeout) => {
                self.hung = true;
                Err(no_answer)
            }
            Err(RecvTimeoutError::Disconnected) => Err(ChipError::Gone { chip: self.chip.clone(), doing }),
        }
    }
}

impl Drop for Patient {
    fn drop(&mut self) {
        self.work = None;
        if !self.hung {
            // Until session and hold are let go, so that the chip opens again at once.
            let _ = self.ended.recv_timeout(self.patience);
        }
    }
}

impl Chip for Patient {
    fn identity(&mut self) -> Result<Identity, ChipError> {
        self.ask(Doing::Identifying, |chip| chip.identity())
    }

    fn public_key(&mut self) -> Result<PublicKey, ChipError> {
        self.ask(Doing::ReadingKey, |chip| chip.public_key())
    }

    fn abilities(&mut self) -> Result<Abilities, ChipError> {
        self.ask(Doing::ReadingAbilities, |chip| chip.abilities())
    }

    fn state(&mut self) -> Result<State, ChipError> {
        self.ask(Doing::ReadingState, |chip| chip.state())
    }

    fn read(&mut self, object: &ObjectName) -> Result<Option<Vec<u8>>, ChipError> {
        let name = object.clone();
        self.ask(Doing::Reading(object.clone()), move |chip| chip.read(&name))
    }

    fn write(&mut self, object: &ObjectName, octets: &[u8]) -> Result<(), ChipError> {
        let (name, octets) = (object.clone(), octets.to_vec());
        self.ask(Doing::Writing(object.clone()), move |chip| chip.write(&name, &octets))
    }

    fn sign(&mut self, message: &[u8]) -> Result<[u8; 64], ChipError> {
        let message = message.to_vec();
        self.ask(Doing::Signing, move |chip| chip.sign(&message))
    }

    fn lock(&mut self) -> Result<(), ChipError> {
        self.ask(Doing::Locking, |chip| chip.lock())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hold;
    use std::time::Instant;

    /// Answers `state`, hangs at `identity`, panics at `lock`.
    struct Odd;

    impl Chip for Odd {
        fn identity(&mut self) -> Result<Identity, ChipError> {
            thread::sleep(Duration::from_secs(600));
            unreachable!("ten minutes in a test")
        }
        fn public_key(&mut self) -> Result<PublicKey, ChipError> {
            unreachable!("not asked")
        }
        fn abilities(&mut self) -> Result<Abilities, ChipError> {
            unreachable!("not asked")
        }
        fn state(&mut self) -> Result<State, ChipError> {
            Ok(State::Blank)
        }
        fn read(&mut self, _: &ObjectName) -> Result<Option<Vec<u8>>, ChipError> {
            Ok(None)
        }
        fn write(&mut self, _: &ObjectName, _: &[u8]) -> Result<(), ChipError> {
            Ok(())
        }
        fn sign(&mut self, _: &[u8]) -> Result<[u8; 64], ChipError> {
            Ok([0; 64])
        }
        fn lock(&mut self) -> Result<(), ChipError> {
            panic!("a fault in the library")
        }
    }

    #[test]
    fn a_hung_library_hangs_nobody() {
        let folder = tempfile::tempdir().unwrap();
        let id = ChipId::new("FEED").unwrap();
        let odd = |patience| {
            let hold = hold::hold(folder.path(), &id).unwrap();
            let mut chip = Patient::new(id.clone(), Box::new(Odd), hold);
            chip.patience = patience;
            chip
        };
        // Let go, it is free at once.
        for _ in 0..50 {
            assert_eq!(odd(PATIENCE).state().unwrap(), State::Blank);
        }
        let mut chip = odd(PATIENCE);
        assert!(matches!(chip.lock(), Err(ChipError::Gone { .. })));
        assert!(matches!(chip.state(), Err(ChipError::Gone { .. })));
        drop(chip);

        let begun = Instant::now();
        let mut chip = odd(Duration::from_millis(50));
        assert!(matches!(chip.identity(), Err(ChipError::NoAnswer { .. })));
        assert!(matches!(chip.state(), Err(ChipError::NoAnswer { .. })));
        drop(chip);
        assert!(begun.elapsed() < Duration::from_secs(5));
        assert!(matches!(hold::hold(folder.path(), &id), Err(ChipError::Held { .. })), "the thread still has it");
    }
}
