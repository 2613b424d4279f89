//! Sealing a message of a secure session (Core Spec 4.8.1, 4.8.2; NIST SP 800-38C).

use aes::Aes128;
use ccm::aead::inout::InOutBuf;
use ccm::aead::{AeadInOut, KeyInit};
use ccm::consts::{U13, U16};
use ccm::{Ccm, Nonce, Tag};
use zeroize::Zeroizing;

use super::{Datagram, Header};

/// Octets of the tag after a sealed message.
pub const TAG: usize = 16;

/// A session's key for one direction.
///
/// Wiped when dropped, and hidden from `Debug`.
#[derive(Clone)]
pub struct Key(Zeroizing<[u8; 16]>);

/// The seal is not by this key, or what it binds was changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a message that is not sealed with the session's key")]
pub struct NotAuthentic;

impl Key {
    /// Takes 16 octets.
    pub fn new(octets: [u8; 16]) -> Self {
        Self(Zeroizing::new(octets))
    }

    fn cipher(&self) -> Ccm<Aes128, U16, U13> {
        Ccm::new(&(*self.0).into())
    }

    /// One datagram: the header, then `plain` sealed.
    ///
    /// - `source`: the sender's node ID, 0 on a session made with a passcode.
    ///
    /// The same key must never see the same counter with another message.
    pub fn seal(&self, header: &Header, source: u64, plain: &[u8]) -> Vec<u8> {
        let head = header.encode();
        let (sealed, tag) = self.encrypt(&nonce(0, header.counter, source), &head, plain);
        [head, sealed, tag.to_vec()].concat()
    }

    pub(super) fn encrypt(&self, nonce: &[u8; 13], bound: &[u8], plain: &[u8]) -> (Vec<u8>, [u8; TAG]) {
        let mut body = plain.to_vec();
        let sealed = self.cipher().encrypt_inout_detached(
            &Nonce::<U13>::from(*nonce),
            bound,
            InOutBuf::from(body.as_mut_slice()),
        );
        match sealed {
            Ok(tag) => (body, tag.into()),
            // Only a message beyond 64 KiB is refused; none that we make is. It must not go out in the clear.
            Err(_) => (Vec::new(), [0; TAG]),
        }
    }

    /// Opens the body of a datagram.
    ///
    /// # Errors
    ///
    /// [`NotAuthentic`] where the seal does not hold.
    pub fn unseal(&self, datagram: &Datagram<'_>, source: u64) -> Result<Zeroizing<Vec<u8>>, NotAuthentic> {
        let (sealed, tag) = datagram.body.split_last_chunk::<TAG>().ok_or(NotAuthentic)?;
        self.decrypt(&nonce(datagram.security(), datagram.header.counter, source), datagram.head, sealed, tag)
    }

    pub(super) fn decrypt(
        &self,
        nonce: &[u8; 13],
        bound: &[u8],
        sealed: &[u8],
        tag: &[u8; TAG],
    ) -> Result<Zeroizing<Vec<u8>>, NotAuthentic> {
        let mut body = Zeroizing::new(sealed.to_vec());
        let nonce = Nonce::<U13>::from(*nonce);
        self.cipher()
            .decrypt_inout_detached(&nonce, bound, InOutBuf::from(body.as_mut_slice()), &Tag::<U16>::from(*tag))
            .map_err(|_| NotAuthentic)?;
        Ok(body)
    }
}

impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Key(hidden)")
    }
}

/// Security flags, counter, source node ID: 13 octets.
fn nonce(security: u8, counter: u32, source: u64) -> [u8; 13] {
    let mut nonce = [0; 13];
    nonce[0] = security;
    nonce[1..5].copy_from_slice(&counter.to_le_bytes());
    nonce[5..].copy_from_slice(&source.to_le_bytes());
    nonce
}
