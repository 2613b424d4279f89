//! How long a part takes, from a few figures of its data sheet.

use std::time::Duration;

use serde::{Deserialize, Serialize};

/// Clocks that one octet takes on the bus: eight bits and the acknowledge.
const BITS_PER_OCTET: u64 = 9;

/// A part's times. Every call costs one exchange on the bus, and what the part
/// does inside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Timing {
    /// Bus clock in hertz.
    pub bus_hz: u32,
    /// Octets of address, length and checksum that frame one exchange, both ways together.
    pub frame_octets: u32,
    /// Octets that the part's memory writes at once.
    pub page_octets: u32,
    /// Microseconds to write one page.
    pub page_write_us: u32,
    /// Microseconds to fetch an object or a fact from memory.
    pub read_us: u32,
    pub sign_us: u32,
}

impl Default for Timing {
    /// Of an invented part on a 400 kHz two-wire bus.
    fn default() -> Self {
        Self { bus_hz: 400_000, frame_octets: 8, page_octets: 64, page_write_us: 4_000, read_us: 300, sign_us: 60_000 }
    }
}

impl Timing {
    /// Why these figures can't be, if so.
    pub(crate) fn fault(&self) -> Option<&'static str> {
        if self.bus_hz == 0 {
            Some("a bus clock of 0 Hz")
        } else if self.page_octets == 0 {
            Some("pages of 0 bytes")
        } else {
            None
        }
    }

    /// One exchange of that many octets beside its frame.
    pub fn exchange(&self, octets: usize) -> Duration {
        let octets = octets as u64 + u64::from(self.frame_octets);
        Duration::from_nanos((octets * BITS_PER_OCTET * 1_000_000_000).div_ceil(u64::from(self.bus_hz.max(1))))
    }

    /// Pages that an object of that many octets takes.
    pub fn pages(&self, octets: usize) -> usize {
        octets.div_ceil(self.page_octets.max(1) as usize)
    }

    /// Writing an object. Removing one writes a single page.
    pub fn write(&self, octets: usize) -> Duration {
        let pages = u32::try_from(self.pages(octets).max(1)).unwrap_or(u32::MAX);
        self.exchange(octets) + micros(self.page_write_us) * pages
    }

    /// Reading an object or a fact.
    pub fn read(&self, octets: usize) -> Duration {
        self.exchange(octets) + micros(self.read_us)
    }

    /// Signing a message: it goes over the bus, 64 octets come back.
    pub fn sign(&self, message: usize) -> Duration {
        self.exchange(message + 64) + micros(self.sign_us)
    }
}

fn micros(us: u32) -> Duration {
    Duration::from_micros(u64::from(us))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// By hand: 92 + 8 octets of 9 clocks at 400 kHz are 2.25 ms.
    #[test]
    fn by_hand() {
        let timing = Timing::default();
        assert_eq!(timing.exchange(92), Duration::from_micros(2_250));
        assert_eq!(timing.write(92), Duration::from_micros(2_250 + 2 * 4_000));
        assert_eq!(timing.read(92), Duration::from_micros(2_250 + 300));
        assert_eq!(timing.sign(28), Duration::from_micros(2_250 + 60_000));
        let slow = Timing { bus_hz: 100_000, ..timing };
        assert_eq!(slow.exchange(92), Duration::from_micros(9_000));
    }

    proptest! {
        /// More octets never take less; nothing overflows on any figures.
        #[test]
        fn monotonic(a in 0usize..100_000, b in 0usize..100_000, bus_hz: u32, page_octets: u32, us: u32) {
            let timing = Timing { bus_hz, page_octets, page_write_us: us, read_us: us, sign_us: us, ..Timing::default() };
            let (less, more) = (a.min(b), a.max(b));
            prop_assert!(timing.write(less) <= timing.write(more));
            prop_assert!(timing.read(less) <= timing.read(more));
            prop_assert!(timing.sign(less) <= timing.sign(more));
        }
    }
}
