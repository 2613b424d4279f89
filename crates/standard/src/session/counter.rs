//! Which counters were seen (Core Spec 4.6.5).

/// Counters below the newest that are remembered.
const SIZE: u32 = 32;

/// What a counter is to those before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// Never before.
    New,
    /// Once before.
    Duplicate,
    /// So old that nobody remembers.
    Behind,
}

/// The newest counter of a peer, and which of the 32 below it were seen.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Window {
    newest: Option<u32>,
    /// Bit 0 is the counter just below the newest.
    below: u32,
}

impl Window {
    /// What this counter is. Whoever cannot trust it yet asks first and takes later.
    pub fn look(&self, counter: u32) -> Seen {
        let Some(newest) = self.newest else { return Seen::New };
        match newest.checked_sub(counter) {
            None => Seen::New,
            Some(0) => Seen::Duplicate,
            Some(age @ 1..=SIZE) if self.below >> (age - 1) & 1 == 1 => Seen::Duplicate,
            Some(1..=SIZE) => Seen::New,
            Some(_) => Seen::Behind,
        }
    }

    /// Notes a counter as seen, and says what it was. One that is behind is not noted.
    pub fn take(&mut self, counter: u32) -> Seen {
        let seen = self.look(counter);
        if seen != Seen::New {
            return seen;
        }
        match self.newest {
            None => self.newest = Some(counter),
            Some(newest) if counter > newest => {
                let step = counter - newest;
                // The former newest is seen too: it becomes one of those below.
                let shifted = u64::from(self.below) << 1 | 1;
                self.below = if step > SIZE { 0 } else { (shifted << (step - 1)) as u32 };
                self.newest = Some(counter);
            }
            Some(newest) => self.below |= 1 << (newest - counter - 1),
        }
        seen
    }

    /// Begins anew with this counter: the peer restarted.
    pub fn restart(&mut self, counter: u32) {
        *self = Self { newest: Some(counter), below: 0 };
    }
}
