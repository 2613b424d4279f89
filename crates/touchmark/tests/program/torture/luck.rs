//! Seeded chance: the same seed draws the same disturbances, though not at the same moments of the work.

use std::time::Duration;

/// xorshift64*, by Vigna, "An experimental exploration of Marsaglia's xorshift generators".
pub struct Luck(u64);

impl Luck {
    pub fn new(seed: u64) -> Self {
        // Its state must not be zero.
        Self(seed ^ 0x5EED_0417_0CC1_D3A7 | 1)
    }

    /// A number below `end`.
    pub fn below(&mut self, end: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 32) % end
    }

    /// One of these.
    pub fn one_of<T: Copy>(&mut self, of: &[T]) -> T {
        let at = self.below(of.len() as u64);
        of[usize::try_from(at).unwrap_or(0)]
    }

    pub fn milliseconds(&mut self, from: u64, to: u64) -> Duration {
        Duration::from_millis(from + self.below(to - from))
    }
}
