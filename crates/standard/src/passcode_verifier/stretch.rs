//! PBKDF2 with HMAC-SHA256, as fast as the processor's own SHA-256 allows.
//!
//! Covers RFC 8018 §5.2, RFC 2104 and FIPS 180-4 for the one shape that Core
//! Spec 3.10 needs: a password of at most one block, a salt that leaves room in
//! one block, 80 octets out. Those are three blocks of the derivation, each a
//! chain of its own: an iteration is two compressions that wait for one
//! another. With the instructions that processors have for SHA-256, one chain
//! leaves half of the unit idle; three at a time fill it, without a word of our
//! own for any processor, because it looks ahead over the calls. How much that
//! gains is in `docs/decisions/0010-fast-verifiers.md`.
//!
//! Without such instructions the library's whole derivation is faster, and is
//! used. Both ways are tested against each other and against RFC 7914.

use std::num::NonZeroU32;

use aws_lc_rs::pbkdf2;
use sha2::block_api::compress256;
use zeroize::{Zeroize, Zeroizing};

/// Octets that come out.
pub(super) const OUT: usize = 80;

/// Octets of a block and of a digest of SHA-256 (FIPS 180-4 §1).
const BLOCK: usize = 64;
const DIGEST: usize = 32;

/// Blocks of the derivation, the last of them half used.
const CHAINS: usize = OUT.div_ceil(DIGEST);

/// The longest salt: with the block number after it, the octet that ends the
/// message and its length, it fills a block.
pub(super) const SALT_MAX: usize = BLOCK - 4 - 1 - 8;

/// SHA-256's initial hash value (FIPS 180-4 §5.3.3).
const INITIAL: [u32; 8] =
    [0x6a09_e667, 0xbb67_ae85, 0x3c6e_f372, 0xa54f_f53a, 0x510e_527f, 0x9b05_688c, 0x1f83_d9ab, 0x5be0_cd19];

/// Derives 80 octets. A password above a block or a salt above [`SALT_MAX`] octets goes the library's way.
pub(super) fn stretch(password: &[u8], salt: &[u8], iterations: NonZeroU32) -> Zeroizing<[u8; OUT]> {
    if password.len() <= BLOCK && salt.len() <= SALT_MAX && processor_has_sha256() {
        interleaved(password, salt, iterations)
    } else {
        whole(password, salt, iterations)
    }
}

/// Whether the processor has instructions for SHA-256 that the library uses.
pub fn processor_has_sha256() -> bool {
    #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
    return std::arch::is_x86_feature_detected!("sha") && std::arch::is_x86_feature_detected!("sse4.1");
    #[cfg(target_arch = "aarch64")]
    return std::arch::is_aarch64_feature_detected!("sha2");
    #[cfg(not(any(target_arch = "x86", target_arch = "x86_64", target_arch = "aarch64")))]
    return false;
}

/// One block of the derivation on its way.
#[derive(Clone)]
struct Chain {
    /// What goes into the next compression; its second half is padding.
    block: [u8; BLOCK],
    /// The digest so far.
    state: [u32; 8],
    /// All digests so far, added without carry.
    sum: [u32; 8],
}

impl Chain {
    /// Continues from `from` (the hash of the padded key) over the block.
    fn compress(&mut self, from: &[u32; 8]) {
        self.state = *from;
        compress256(&mut self.state, std::slice::from_ref(&self.block));
    }

    /// The digest becomes the message of the next compression.
    fn feed(&mut self) {
        // All words first, then one copy: written word by word, the octets would
        // still be on their way when the compression loads them in larger pieces.
        let octets = self.state.map(u32::to_be_bytes);
        self.block[..DIGEST].copy_from_slice(octets.as_flattened());
    }
}

impl Drop for Chain {
    fn drop(&mut self) {
        self.block.zeroize();
        self.state.zeroize();
        self.sum.zeroize();
    }
}

/// Ends a message of `length` octets that follows the padded key (FIPS 180-4 §5.1.1).
fn pad(block: &mut [u8; BLOCK], length: usize) {
    block[length..].fill(0);
    block[length] = 0x80;
    block[BLOCK - 8..].copy_from_slice(&(8 * (BLOCK + length) as u64).to_be_bytes());
}

/// Three chains at a time. A password of at most [`BLOCK`] and a salt of at most [`SALT_MAX`] octets.
fn interleaved(password: &[u8], salt: &[u8], iterations: NonZeroU32) -> Zeroizing<[u8; OUT]> {
    // HMAC's two padded keys, each hashed once for all iterations (RFC 2104 §4).
    let keyed = |pad: u8| {
        let mut block = Zeroizing::new([pad; BLOCK]);
        block.iter_mut().zip(password).for_each(|(octet, key)| *octet ^= key);
        let mut state = Zeroizing::new(INITIAL);
        compress256(&mut state, std::slice::from_ref(&*block));
        state
    };
    let (inner, outer) = (keyed(0x36), keyed(0x5C));

    let mut chains: [Chain; CHAINS] = std::array::from_fn(|index| {
        let mut chain = Chain { block: [0; BLOCK], state: INITIAL, sum: [0; 8] };
        let number = index as u32 + 1;
        chain.block[..salt.len()].copy_from_slice(salt);
        chain.block[salt.len()..salt.len() + 4].copy_from_slice(&number.to_be_bytes());
        pad(&mut chain.block, salt.len() + 4);
        chain.compress(&inner);
        pad(&mut chain.block, DIGEST);
        chain.feed();
        chain.compress(&outer);
        chain.sum = chain.state;
        chain
    });
    iterate(&mut chains, &inner, &outer, iterations.get() - 1);

    let mut out = Zeroizing::new([0; OUT]);
    let words = chains.iter().flat_map(|chain| chain.sum);
    out.chunks_exact_mut(4).zip(words).for_each(|(octets, word)| octets.copy_from_slice(&word.to_be_bytes()));
    out
}

/// Takes all chains so many iterations on.
///
/// A function of its own, so that the keys' hashes come from memory in pieces
/// as large as the compression loads them again. Inlined, they are kept and
/// stored word by word, and each compression then waits for its own input.
#[inline(never)]
fn iterate(chains: &mut [Chain; CHAINS], inner: &[u32; 8], outer: &[u32; 8], iterations: u32) {
    for _ in 0..iterations {
        // Chain by chain, not iteration by iteration: neighbours in this order
        // wait for nothing of one another.
        for chain in &mut *chains {
            chain.feed();
            chain.compress(inner);
        }
        for chain in &mut *chains {
            chain.feed();
            chain.compress(outer);
            chain.sum.iter_mut().zip(chain.state).for_each(|(sum, word)| *sum ^= word);
        }
    }
}

/// The library's whole derivation.
fn whole(password: &[u8], salt: &[u8], iterations: NonZeroU32) -> Zeroizing<[u8; OUT]> {
    let mut out = Zeroizing::new([0; OUT]);
    pbkdf2::derive(pbkdf2::PBKDF2_HMAC_SHA256, iterations, salt, password, &mut *out);
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    type Way = fn(&[u8], &[u8], NonZeroU32) -> Zeroizing<[u8; OUT]>;
    const WAYS: [(&str, Way); 3] = [("interleaved", interleaved), ("whole", whole), ("as used", stretch)];

    /// PBKDF2-HMAC-SHA256. Source: RFC 7914 §11, both vectors, which are of 64
    /// octets; our 80 begin with them.
    const RFC_7914: [(&str, &str, u32, &str); 2] = [
        (
            "passwd",
            "salt",
            1,
            "55ac046e56e3089fec1691c22544b605f94185216dde0465e68b9d57c20dacbc\
             49ca9cccf179b645991664b39d77ef317c71b845b1e30bd509112041d3a19783",
        ),
        (
            "Password",
            "NaCl",
            80_000,
            "4ddcd8f60b98be21830cee5ef22701f9641a4418d04c0414aeff08876b34ab56\
             a1d425a1225833549adb841b51c9b3176a272bdebba1d078478f62b397f33c8d",
        ),
    ];

    #[test]
    fn rfc_7914() {
        for (password, salt, iterations, expected) in RFC_7914 {
            for (name, way) in WAYS {
                let out = way(password.as_bytes(), salt.as_bytes(), NonZeroU32::new(iterations).unwrap());
                assert_eq!(hex::encode(&out[..64]), expected, "{name}, {iterations} iterations");
            }
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn both_ways_agree(
            password in proptest::collection::vec(any::<u8>(), 0..=BLOCK),
            salt in proptest::collection::vec(any::<u8>(), 0..=SALT_MAX),
            iterations in 1_u32..50,
        ) {
            let iterations = NonZeroU32::new(iterations).unwrap();
            prop_assert_eq!(*interleaved(&password, &salt, iterations), *whole(&password, &salt, iterations));
        }
    }
}
