//! Signing keys of a site: in files under a passphrase, or in PKCS #11 tokens.
//!
//! The book names a key by a reference: `file:keys/NAME.key`, from the site's
//! directory, or the `pkcs11:` URI (RFC 7512) of a key that lives in a token and
//! never leaves it. What opens a key is asked for when it is needed, and not before.

use std::fs;

use base::trouble::Trouble;
use custody::token::{TokenError, TokenKey, TokenUri};
use custody::{KeyFile, Passphrase};
use standard::key::{PublicKey, Signer};

use crate::{Site, file_stem};

/// Gives what opens a key.
pub trait Unlock {
    /// The passphrase of a key file.
    ///
    /// - `of`: what it is for, in words.
    /// - `fresh`: a new one is being chosen.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where there is none.
    fn passphrase(&self, of: &str, fresh: bool) -> Result<Passphrase, Trouble>;

    /// The PIN of a token whose URI names no `pin-source`; `None` where there is none.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where it can't be asked for.
    fn pin(&self, token: &TokenUri) -> Result<Option<Passphrase>, Trouble>;
}

/// One passphrase for whatever asks, and no PIN.
impl Unlock for Passphrase {
    fn passphrase(&self, _: &str, _: bool) -> Result<Passphrase, Trouble> {
        Ok(self.clone())
    }

    fn pin(&self, _: &TokenUri) -> Result<Option<Passphrase>, Trouble> {
        Ok(None)
    }
}

/// What a person typed into a page: the passphrase of a key file, or the PIN of a token.
#[derive(Debug)]
pub struct Typed(Option<Passphrase>);

impl Typed {
    /// Nothing typed opens nothing, and is said where something must be opened.
    ///
    /// # Errors
    ///
    /// [`Trouble`] where it can be no passphrase.
    pub fn new(text: String) -> Result<Self, Trouble> {
        if text.is_empty() { Ok(Self(None)) } else { Ok(Self(Some(Passphrase::new(text)?))) }
    }
}

impl Unlock for Typed {
    fn passphrase(&self, of: &str, _: bool) -> Result<Passphrase, Trouble> {
        self.0.clone().ok_or_else(|| {
            Trouble::usage(format!("no passphrase was entered {of}"), "Enter it, then send the form again.")
        })
    }

    fn pin(&self, _: &TokenUri) -> Result<Option<Passphrase>, Trouble> {
        Ok(self.0.clone())
    }
}

/// Reads a `pkcs11:` URI.
///
/// # Errors
///
/// [`Trouble`] where it is none; a PIN in it is refused and not repeated.
pub fn token_uri(text: &str) -> Result<TokenUri, Trouble> {
    text.parse().map_err(|e: custody::token::UriError| Trouble::usage(e.to_string(), e.advice()))
}

/// A key in a token, and whether it was made now.
#[derive(Debug)]
pub struct FoundOrMade {
    pub key: TokenKey,
    /// What the book calls it: the URI with the key's own `id`, so that another
    /// key of the same label is never taken for it.
    pub reference: String,
    /// Whether there was none before.
    pub made: bool,
}

/// The key that a URI fits, made in the token where there is none: it can't be read out.
///
/// # Errors
///
/// [`Trouble`] where several fit, or the token refuses.
pub fn find_or_make(text: &str, unlock: &dyn Unlock) -> Result<FoundOrMade, Trouble> {
    let uri = token_uri(text)?;
    let pin = pin_of(&uri, unlock)?;
    let (key, made) = match TokenKey::find(&uri, pin.as_ref()) {
        Ok(key) => (key, false),
        Err(TokenError::NoKey { .. }) => (TokenKey::create(&uri, pin.as_ref())?, true),
        Err(error) => return Err(error.into()),
    };
    let reference = match (uri.id(), key.id()) {
        (None, Some(id)) => uri.with_id(id).to_string(),
        _ => text.to_owned(),
    };
    Ok(FoundOrMade { key, reference, made })
}

fn pin_of(uri: &TokenUri, unlock: &dyn Unlock) -> Result<Option<Passphrase>, Trouble> {
    if uri.pin_file().is_some() { Ok(None) } else { unlock.pin(uri) }
}

/// The signing key that a reference of the book names.
///
/// - `of`: whose it is, in words.
///
/// # Errors
///
/// [`Trouble`] where it is not there or does not open.
pub fn open(site: &Site, reference: &str, of: &str, unlock: &dyn Unlock) -> Result<Box<dyn Signer>, Trouble> {
    if reference.starts_with("pkcs11:") {
        let uri = token_uri(reference)?;
        let pin = pin_of(&uri, unlock)?;
        return Ok(Box::new(TokenKey::find(&uri, pin.as_ref())?));
    }
    let path = site.dir.join(reference.strip_prefix("file:").unwrap_or(reference));
    Ok(Box::new(KeyFile::open(&path, &unlock.passphrase(&format!("for the key of {of}"), false)?)?))
}

/// Notes where a token's key is that a request was written for, in `keys/NAME.uri`:
/// two lines, its point in hex and its URI. Neither is a secret.
pub fn remember(site: &Site, name: &str, found: &FoundOrMade) -> Result<(), Trouble> {
    let path = site.keys().join(format!("{}.uri", file_stem(name)));
    let text = format!("{}\n{}\n", hex::encode(found.key.public_key().point()), found.reference);
    fs::write(&path, text).map_err(|e| Trouble::file(&path, e))
}

/// The reference of a token's key that was noted for a request.
pub fn remembered(site: &Site, key: &PublicKey) -> Option<String> {
    let point = hex::encode(key.point());
    fs::read_dir(site.keys()).ok()?.flatten().find_map(|entry| {
        let path = entry.path();
        let text = path.extension().is_some_and(|e| e == "uri").then(|| fs::read_to_string(&path).ok())??;
        let (noted, reference) = text.split_once('\n')?;
        (noted == point).then(|| reference.trim_end().to_owned())
    })
}
