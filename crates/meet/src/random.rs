//! Randomness from the operating system's secure source.

/// Octets that nobody can guess.
///
/// The library's source fails only where the operating system has none; nothing
/// that uses it may go on then.
pub fn octets<const N: usize>() -> [u8; N] {
    let mut out = [0; N];
    #[expect(clippy::expect_used, reason = "a session without randomness would be none")]
    aws_lc_rs::rand::fill(&mut out).expect("the operating system gives randomness");
    out
}

/// Where a message counter begins: 1 to 2^28 (Core Spec 4.6.1.1).
pub fn first_counter() -> u32 {
    (u32::from_le_bytes(octets()) & 0x0FFF_FFFF) + 1
}

/// A session ID, which is not 0.
pub fn session_id() -> u16 {
    u16::from_le_bytes(octets()).max(1)
}
