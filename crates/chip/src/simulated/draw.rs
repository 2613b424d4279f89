//! Numbers from a seed: the same for the same words, whatever the order.

use aws_lc_rs::hkdf::{HKDF_SHA256, KeyType, Prk, Salt};
use aws_lc_rs::rand::{SecureRandom, SystemRandom};
use standard::key::SoftwareKey;
use zeroize::Zeroizing;

/// A seed from the operating system: short enough to be typed again, and to
/// stand in JSON without loss. 0 where there is no randomness.
pub fn any_seed() -> u64 {
    let mut octets = [0; 4];
    let filled = SystemRandom::new().fill(&mut octets);
    filled.map_or(0, |()| u64::from(u32::from_be_bytes(octets)))
}

/// A well of numbers that belongs to one seed and one subject.
///
/// HKDF-SHA256 (RFC 5869): the seed is salt, the subject is input, and each
/// draw's label is info. Secret from nobody: whoever has the seed has all.
pub(crate) struct Well(Prk);

impl Well {
    pub(crate) fn new(seed: u64, subject: &str) -> Self {
        Self(Salt::new(HKDF_SHA256, &seed.to_be_bytes()).extract(subject.as_bytes()))
    }

    /// Octets under a label.
    pub(crate) fn octets<const N: usize>(&self, label: &str) -> Zeroizing<[u8; N]> {
        let mut out = Zeroizing::new([0; N]);
        // Expanding fails only past 255 digests, 8,160 octets.
        let filled = self.0.expand(&[label.as_bytes()], Length(N)).and_then(|okm| okm.fill(&mut *out));
        debug_assert!(filled.is_ok() && N <= 8_160);
        out
    }

    /// A number under a label, any of 64 bits.
    pub(crate) fn number(&self, label: &str) -> u64 {
        u64::from_be_bytes(*self.octets::<8>(label))
    }

    /// True `share` times in a million.
    pub(crate) fn chance(&self, label: &str, share: u32) -> bool {
        self.number(label) % 1_000_000 < u64::from(share)
    }
}

/// A key pair that follows from a seed, and its private value.
pub(crate) struct DrawnKey {
    pub(crate) private: Zeroizing<[u8; 32]>,
    pub(crate) key: SoftwareKey,
}

impl Well {
    /// The key pair under a label: the first of `label 0`, `label 1`, … whose
    /// octets are a private value of P-256. One in 2^32 is not.
    pub(crate) fn key(&self, label: &str) -> DrawnKey {
        let mut tries = (0u64..).map(|n| self.octets::<32>(&format!("{label} {n}")));
        loop {
            if let Some(private) = tries.next()
                && let Ok(key) = SoftwareKey::from_private(&private)
            {
                return DrawnKey { private, key };
            }
        }
    }
}

struct Length(usize);

impl KeyType for Length {
    fn len(&self) -> usize {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Octets that must never change, or old seeds make other chips. From
    /// Python: `HKDF(SHA256(), 8, (7).to_bytes(8, "big"), b"label").derive(b"subject")`.
    #[test]
    fn the_same_for_ever() {
        let well = Well::new(7, "subject");
        assert_eq!(hex::encode(*well.octets::<8>("label")), "839d4c97119eb8fe");
        assert_ne!(well.number("label"), well.number("other"));
        assert_ne!(well.number("label"), Well::new(8, "subject").number("label"));
    }

    #[test]
    fn shares() {
        let hits = (0..100_000).filter(|n| Well::new(1, &n.to_string()).chance("x", 50_000)).count();
        assert!((4_700..5_300).contains(&hits), "5 % of 100,000: {hits}");
    }
}
