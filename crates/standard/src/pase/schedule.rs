//! From the shared points to the keys: draft-bar-cfrg-spake2plus-02 §3.3 and §3.4,
//! then Core Spec 4.14.1.1, both from memory.

use aws_lc_rs::digest::{Context, SHA256};
use aws_lc_rs::hkdf::{HKDF_SHA256, KeyType, Salt};
use aws_lc_rs::hmac;
use zeroize::Zeroizing;

use super::CONFIRMATION;
use super::spake2::CONSTANTS;
use crate::session::Key;

/// What a transcript of this use begins with.
const PREFIX: &[u8] = b"CHIP PAKE V1 Commissioning";

/// The context that both sides put into the transcript: a digest of the two first payloads, octet for octet as they
/// were sent.
pub fn context(request: &[u8], response: &[u8]) -> [u8; 32] {
    let mut digest = Context::new(&SHA256);
    for part in [PREFIX, request, response] {
        digest.update(part);
    }
    let mut out = [0; 32];
    out.copy_from_slice(digest.finish().as_ref());
    out
}

/// What both sides know at the end, in the draft's order.
pub(super) struct Transcript<'a> {
    pub context: &'a [u8],
    /// The prover's and the verifier's; empty in this standard.
    pub identities: [&'a [u8]; 2],
    pub pa: &'a [u8],
    pub pb: &'a [u8],
    pub z: &'a [u8],
    pub v: &'a [u8],
    pub w0: &'a [u8; 32],
}

/// Both confirmations, and the key from which the session's are derived.
pub(super) struct Schedule {
    pub ca: [u8; CONFIRMATION],
    pub cb: [u8; CONFIRMATION],
    pub ke: Zeroizing<[u8; 16]>,
}

impl Schedule {
    pub fn of(transcript: &Transcript<'_>) -> Self {
        let [prover, verifier] = transcript.identities;
        let mut digest = Context::new(&SHA256);
        let parts: [&[u8]; 10] = [
            transcript.context,
            prover,
            verifier,
            &CONSTANTS.m,
            &CONSTANTS.n,
            transcript.pa,
            transcript.pb,
            transcript.z,
            transcript.v,
            transcript.w0,
        ];
        for part in parts {
            digest.update(&(part.len() as u64).to_le_bytes());
            digest.update(part);
        }
        let main = digest.finish();
        let (ka, ke) = main.as_ref().split_at(16);
        let keys: Zeroizing<[u8; 32]> = derive(ka, b"ConfirmationKeys");
        let mac = |key: &[u8], share: &[u8]| {
            let mut out = [0; CONFIRMATION];
            out.copy_from_slice(hmac::sign(&hmac::Key::new(hmac::HMAC_SHA256, key), share).as_ref());
            out
        };
        let (kca, kcb) = keys.split_at(16);
        let mut own = Zeroizing::new([0; 16]);
        own.copy_from_slice(ke);
        Self { ca: mac(kca, transcript.pb), cb: mac(kcb, transcript.pa), ke: own }
    }

    pub fn session_keys(&self) -> SessionKeys {
        let keys: Zeroizing<[u8; 48]> = derive(&*self.ke, b"SessionKeys");
        let part = |index: usize| {
            let mut out = [0; 16];
            out.copy_from_slice(&keys[16 * index..16 * (index + 1)]);
            out
        };
        SessionKeys { to_device: Key::new(part(0)), to_home: Key::new(part(1)), challenge: part(2) }
    }
}

/// What a session is sealed with, and its attestation challenge.
#[derive(Debug, Clone)]
pub struct SessionKeys {
    /// `I2RKey`: from the initiator, the home.
    pub to_device: Key,
    /// `R2IKey`: from the responder, the device.
    pub to_home: Key,
    /// What the device signs beside its elements. No secret once it is signed: it is kept with the proof.
    pub challenge: [u8; 16],
}

/// RFC 5869 with an empty salt.
pub(super) fn derive<const N: usize>(secret: &[u8], info: &[u8]) -> Zeroizing<[u8; N]> {
    struct Length(usize);
    impl KeyType for Length {
        fn len(&self) -> usize {
            self.0
        }
    }
    let mut out = Zeroizing::new([0; N]);
    let prk = Salt::new(HKDF_SHA256, &[]).extract(secret);
    // RFC 5869 §2.3 refuses more than 255 digests; none asked for here has more than two.
    if prk.expand(&[info], Length(N)).and_then(|okm| okm.fill(out.as_mut_slice())).is_err() {
        out.fill(0);
    }
    out
}
