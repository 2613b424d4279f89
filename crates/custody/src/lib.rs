//! Keys that sign for a site, and the site's own key.
//!
//! - [`KeyFile`]: a P-256 key in a PKCS #8 file encrypted under a passphrase
//!   (RFC 5958, RFC 8018 PBES2, RFC 7914 scrypt). Opened, it is a
//!   [`standard::key::Signer`].
//! - [`token`]: keys that live in a PKCS #11 token and never leave it.
//! - [`SiteKey`]: 32 octets that protect the book's secrets at rest.
//! - [`SealedKey`]: a P-256 key under the site key, for what is signed without a person.
//! - [`NoteKey`]: an Ed25519 key under the site key, for checkpoints of the log.
//! - [`Passphrase`]: taken as a value or from a file. Asking a person is the
//!   binary's business; nothing here reads a terminal or the environment.
//!
//! Files made here are readable by their owner alone, appear whole or not at
//! all, and never replace another file.

mod armor;
mod error;
mod file;
mod keyfile;
mod notekey;
mod passphrase;
mod private;
mod sealedkey;
mod sitekey;
pub mod token;
mod wrap;

pub use error::{CustodyError, PassphraseError, UnsealError};
pub use keyfile::{FileKey, KeyFile};
pub use notekey::NoteKey;
pub use passphrase::{Ask, ChoosePassphrase, Passphrase, ReadPassphrase};
pub use private::PrivateKey;
pub use sealedkey::SealedKey;
pub use sitekey::SiteKey;
pub use wrap::WorkFactor;
