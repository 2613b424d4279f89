//! Passcodes and discriminators for a batch of units.
//!
//! Covers Core Spec 5.1.1.5 and 5.1.7: a passcode is drawn from a secure random
//! source and derived from nothing that anybody knows. The source comes in as
//! an argument; whether it is secure is the caller's affair. Values outside the
//! allowed set are drawn again, never bent into it, so each allowed one is as
//! likely as any other.

use std::collections::VecDeque;
use std::fmt;

use zeroize::{Zeroize, Zeroizing};

use super::values::{Discriminator, Passcode};

/// A source of random octets.
pub trait Randomness {
    /// Fills all of `octets` with random ones.
    ///
    /// # Errors
    ///
    /// [`DrawError::Source`] where the source gives nothing.
    fn fill(&mut self, octets: &mut [u8]) -> Result<(), DrawError>;
}

impl<F: FnMut(&mut [u8]) -> Result<(), DrawError>> Randomness for F {
    fn fill(&mut self, octets: &mut [u8]) -> Result<(), DrawError> {
        self(octets)
    }
}

/// Why nothing was drawn.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DrawError {
    /// The source of randomness gave an error.
    #[error("the random source returned nothing: {0}")]
    Source(String),
    /// What the source gives can't be random.
    #[error("the random source repeats itself: {REFUSALS} values in a row could not be used")]
    Stuck,
}

/// Values in a row that a sound source refuses with a chance below 2^-128:
/// less than half of them are of no use to any of the draws here.
const REFUSALS: usize = 128;

/// What one unit gets.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drawn {
    pub passcode: Passcode,
    pub discriminator: Discriminator,
}

/// Draws for one batch, unit by unit.
///
/// - No pair of passcode and discriminator comes twice.
/// - Among any `carton` units drawn one after another no discriminator comes
///   twice, as long as `carton` is at most 4096; of a larger carton, among any
///   4096. Phones tell devices that are unpacked together by it. (The nearer
///   to 4096, the easier the next one is to foretell, which does no harm: a
///   device tells its discriminator to everybody.)
///
/// Memory grows with the batch by about 16 octets a unit, and is wiped after.
pub struct Batch<R> {
    source: Buffered<R>,
    /// Discriminators of the units before, the oldest first; one fewer than a carton.
    recent: VecDeque<u16>,
    free: Vec<u16>,
    carton: usize,
    given: Given,
}

impl<R> fmt::Debug for Batch<R> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Batch({} units drawn, cartons of {})", self.given.count, self.carton)
    }
}

impl<R: Randomness> Batch<R> {
    /// A batch packed in cartons of so many units; 0 and 1 mean that no two are packed together.
    pub fn new(source: R, carton: usize) -> Self {
        Self {
            source: Buffered::new(source),
            recent: VecDeque::new(),
            free: (0..Discriminator::COUNT).collect(),
            carton: carton.clamp(1, usize::from(Discriminator::COUNT)),
            given: Given::default(),
        }
    }

    /// Takes a pair as given out already, say by an earlier batch.
    pub fn avoid(&mut self, passcode: &Passcode, discriminator: Discriminator) {
        self.given.insert(passcode, discriminator);
    }

    /// Draws for the next unit.
    ///
    /// # Errors
    ///
    /// [`DrawError`], with nothing given out.
    pub fn draw(&mut self) -> Result<Drawn, DrawError> {
        let at = self.source.below(self.free.len())?;
        let discriminator = Discriminator::new(self.free[at]).map_err(|_| DrawError::Stuck)?;
        for _ in 0..REFUSALS {
            let passcode = self.source.passcode()?;
            if self.given.insert(&passcode, discriminator) {
                self.recent.push_back(self.free.swap_remove(at));
                if self.recent.len() >= self.carton {
                    self.free.extend(self.recent.pop_front());
                }
                return Ok(Drawn { passcode, discriminator });
            }
        }
        Err(DrawError::Stuck)
    }
}

/// Draws one passcode, each allowed one as likely as any other.
///
/// # Errors
///
/// [`DrawError`].
pub fn passcode(source: impl Randomness) -> Result<Passcode, DrawError> {
    Buffered::new(source).passcode()
}

/// A source asked for many octets at once, since each call may cost a system call.
struct Buffered<R> {
    source: R,
    octets: Zeroizing<[u8; 256]>,
    left: usize,
}

impl<R: Randomness> Buffered<R> {
    fn new(source: R) -> Self {
        Self { source, octets: Zeroizing::new([0; 256]), left: 0 }
    }

    fn take<const N: usize>(&mut self) -> Result<[u8; N], DrawError> {
        if self.left < N {
            self.source.fill(&mut *self.octets)?;
            self.left = self.octets.len();
        }
        let mut taken = [0; N];
        let used = &mut self.octets[self.left - N..self.left];
        taken.copy_from_slice(used);
        used.zeroize();
        self.left -= N;
        Ok(taken)
    }

    fn passcode(&mut self) -> Result<Passcode, DrawError> {
        for _ in 0..REFUSALS {
            // 27 bits hold every passcode, and three of four of their values are one.
            let value = u32::from_le_bytes(self.take()?) & 0x7FF_FFFF;
            if let Ok(passcode) = Passcode::new(value) {
                return Ok(passcode);
            }
        }
        Err(DrawError::Stuck)
    }

    /// A number below `end`, which is 1 to 4096.
    fn below(&mut self, end: usize) -> Result<usize, DrawError> {
        let mask = end.next_power_of_two() - 1;
        for _ in 0..REFUSALS {
            let value = usize::from(u16::from_le_bytes(self.take()?)) & mask;
            if value < end {
                return Ok(value);
            }
        }
        Err(DrawError::Stuck)
    }
}

/// Pairs given out: a hash table that leaves no copy of them in memory, which
/// the library's own would.
#[derive(Default)]
struct Given {
    /// Pairs, each with one bit set above so that none is 0; 0 is an empty slot.
    slots: Zeroizing<Vec<u64>>,
    count: usize,
}

impl Given {
    /// Adds a pair; `false` where it is there.
    fn insert(&mut self, passcode: &Passcode, discriminator: Discriminator) -> bool {
        if self.count * 2 >= self.slots.len() {
            self.grow();
        }
        let pair = 1 << 63 | u64::from(passcode.get()) << 12 | u64::from(discriminator.get());
        let added = Self::place(&mut self.slots, pair);
        self.count += usize::from(added);
        added
    }

    fn place(slots: &mut [u64], pair: u64) -> bool {
        // Fibonacci hashing: the high bits of a product with 2^64 over the golden ratio.
        let hash = pair.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 32;
        let mask = slots.len() - 1;
        let mut at = hash as usize & mask;
        loop {
            match slots[at] {
                0 => {
                    slots[at] = pair;
                    return true;
                }
                there if there == pair => return false,
                _ => at = (at + 1) & mask,
            }
        }
    }

    /// Twice the slots, of a number that is a power of two.
    fn grow(&mut self) {
        let mut slots = Zeroizing::new(vec![0; (self.slots.len() * 2).max(64)]);
        for pair in self.slots.iter().filter(|pair| **pair != 0) {
            Self::place(&mut slots, *pair);
        }
        self.slots = slots;
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    /// A seeded source (`SplitMix64`), so that a failure can be seen again.
    fn seeded(seed: u64) -> impl Randomness {
        let mut state = seed;
        move |octets: &mut [u8]| {
            for chunk in octets.chunks_mut(8) {
                state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
                let mut z = state;
                z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
                z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
                chunk.copy_from_slice(&(z ^ (z >> 31)).to_le_bytes()[..chunk.len()]);
            }
            Ok(())
        }
    }

    fn windows_repeat(drawn: &[u16], window: usize) -> bool {
        drawn.windows(window).any(|w| w.iter().collect::<HashSet<_>>().len() < window)
    }

    #[test]
    fn no_discriminator_twice_in_a_carton() {
        for carton in [1, 2, 7, 50, 1000, 4095, 4096] {
            let mut batch = Batch::new(seeded(carton as u64), carton);
            let drawn: Vec<u16> = (0..9_000).map(|_| batch.draw().unwrap().discriminator.get()).collect();
            for window in [carton, carton.min(50)] {
                // The longest windows one by one take long; every 500th of them shows as much.
                let step = if window > 100 { 500 } else { 1 };
                for from in (0..drawn.len() - window).step_by(step) {
                    assert!(!windows_repeat(&drawn[from..from + window], window), "{carton} from {from}");
                }
            }
        }
    }

    #[test]
    fn a_carton_beyond_all_discriminators_uses_each_as_often() {
        let mut batch = Batch::new(seeded(1), 10_000);
        let mut counts = vec![0; 4096];
        for _ in 0..3 * 4096 {
            counts[usize::from(batch.draw().unwrap().discriminator.get())] += 1;
        }
        assert!(counts.iter().all(|count| *count == 3));
    }

    /// A source that gives few passcodes: pairs run out, and none comes twice.
    #[test]
    fn no_pair_twice() {
        let mut value = 0_u32;
        let few = move |octets: &mut [u8]| {
            for octet in octets.iter_mut() {
                value = value.wrapping_mul(1_103_515_245).wrapping_add(12_345);
                *octet = if value >> 16 & 1 == 1 { 1 } else { 2 };
            }
            Ok(())
        };
        // 16 passcodes of octets 1 and 2, fewer where the masked top is out of range; discriminators 4.
        let mut batch = Batch::new(few, 1);
        let mut seen = HashSet::new();
        let end = loop {
            match batch.draw() {
                Ok(drawn) => assert!(seen.insert((drawn.passcode.get(), drawn.discriminator.get()))),
                Err(error) => break error,
            }
        };
        assert_eq!(end, DrawError::Stuck);
        assert!(seen.len() > 10, "{}", seen.len());
    }

    #[test]
    fn an_earlier_pair_is_avoided() {
        let mut first = Batch::new(seeded(3), 1);
        let earlier: Vec<Drawn> = (0..100).map(|_| first.draw().unwrap()).collect();
        let mut second = Batch::new(seeded(3), 1);
        earlier.iter().for_each(|d| second.avoid(&d.passcode, d.discriminator));
        let later: Vec<Drawn> = (0..100).map(|_| second.draw().unwrap()).collect();
        assert!(later.iter().all(|drawn| !earlier.contains(drawn)));
    }

    #[test]
    fn a_dead_source_is_noticed() {
        for octet in [0x00, 0xFF] {
            let stuck = move |octets: &mut [u8]| {
                octets.fill(octet);
                Ok(())
            };
            assert_eq!(passcode(stuck), Err(DrawError::Stuck), "{octet}");
        }
        let failing = |_: &mut [u8]| Err(DrawError::Source("no entropy".into()));
        assert!(matches!(Batch::new(failing, 1).draw(), Err(DrawError::Source(_))));
    }

    /// Every value of the 27 bits that is drawn comes out as itself or is drawn
    /// again, so the chance is even; here the counts of a million in 64 bins.
    /// The bound is that of a chi-square with 63 degrees at a chance of 10^-9
    /// (tables of the distribution: 146).
    #[test]
    fn passcodes_are_even() {
        let mut batch = Batch::new(seeded(7), 100);
        let mut bins = [0_f64; 64];
        const DRAWS: u32 = 1_000_000;
        for _ in 0..DRAWS {
            bins[(u64::from(batch.draw().unwrap().passcode.get()) * 64 / 99_999_999) as usize] += 1.0;
        }
        let expected = f64::from(DRAWS) / 64.0;
        let chi_square: f64 = bins.iter().map(|count| (count - expected).powi(2) / expected).sum();
        assert!(chi_square < 146.0, "{chi_square}");
    }
}
