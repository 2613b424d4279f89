//! The key that seals the rows which say who a person is: `keys/access.key`, 32 random octets in hex.
//!
//! Whoever can write the book's tables, and can't read the site's directory, can't make a seal. The key is not wrapped by
//! the site key: people are checked by acts that need nobody's passphrase, and whoever can read this directory can do more
//! than forge a session. A site that has no such key and whose book knows no seals is older than both: it makes
//! the key and trusts the rows that it finds, once.
//!
//! Durable steps, in order: the key under another name, the seals in the book, the key under its name. A crash
//! between them leaves a key that the next one who opens the site goes on with.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use base::files;
use base::trouble::Trouble;
use book::{Book, BookError, Subject};
use serde::Serialize;
use serde_json::json;
use zeroize::Zeroizing;

use crate::{Site, Who};

pub const FILE: &str = "access.key";
const BEGUN: &str = ".access.key";

type Key = Zeroizing<[u8; 32]>;

fn file(dir: &Path) -> PathBuf {
    Site::keys_in(dir).join(FILE)
}

fn read(path: &Path) -> io::Result<Option<Key>> {
    let text = match fs::read_to_string(path) {
        Ok(text) => Zeroizing::new(text),
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error),
    };
    let mut key = Key::default();
    hex::decode_to_slice(text.trim(), &mut *key).map_err(|_| io::Error::from(io::ErrorKind::InvalidData))?;
    Ok(Some(key))
}

/// Gives an open book the site's key, which is made where neither knows of seals.
///
/// - `trusted`: the book is new or was just put back by a person: what it has is sealed where it knows no seals.
pub fn settle(dir: &Path, book: &Book, trusted: bool) -> Result<(), Trouble> {
    match read(&file(dir)) {
        Ok(Some(key)) => {
            if trusted && !book.has_seals()? {
                book.seal_all(&key)?;
            }
            book.seal_with(&key);
        }
        Ok(None) if !book.has_seals()? => {
            // Whoever may only read the site, or finds its book older than it was, lets nobody in by it.
            if let Ok(Some(key)) = make(dir, book) {
                book.seal_with(&key);
            }
        }
        _ => book.seals_are_lost(),
    }
    Ok(())
}

/// Makes the key and seals what there is; `None` where the book can't be written.
fn make(dir: &Path, book: &Book) -> Result<Option<Key>, Trouble> {
    let keys = Site::keys_in(dir);
    let (path, begun) = (file(dir), keys.join(BEGUN));
    let failed = |e| Trouble::file(&path, e);
    // Two programs that open an older site at once make one key.
    let turn = File::open(&keys).map_err(failed)?;
    turn.lock().map_err(failed)?;
    if let Some(key) = read(&path).map_err(failed)? {
        return Ok(Some(key));
    }
    let key = match read(&begun) {
        Ok(Some(key)) => key,
        _ => {
            let mut key = Key::default();
            base::randomness::system(&mut *key)
                .map_err(|_| Trouble::surroundings("the operating system provides no random numbers", "Try again."))?;
            let text = Zeroizing::new(hex::encode(*key) + "\n");
            files::put_secret(&begun, text.as_bytes()).map_err(Trouble::of)?;
            key
        }
    };
    match book.seal_all(&key) {
        Ok(()) => {}
        Err(BookError::ReadOnly { .. } | BookError::Older(_)) => return Ok(None),
        Err(error) => return Err(error.into()),
    }
    fs::rename(&begun, &path).map_err(failed)?;
    Ok(Some(key))
}

/// What was sealed anew.
#[derive(Debug, Serialize)]
pub struct Resealed {
    pub key: String,
    /// Accounts that count from now on as they stand.
    pub accounts: u64,
    pub tokens: u64,
    /// The entry that says so.
    pub entry: i64,
}

/// Seals accounts, tokens and requests as they stand, with a new key: the old one was lost.
///
/// # Errors
///
/// [`Trouble`] where the key is there, or no reason is given.
pub fn reseal(site: &Site, reason: &str, who: &Who) -> Result<Resealed, Trouble> {
    if reason.trim().is_empty() {
        return Err(Trouble::usage("there is no reason", "Say what happened: it is kept with the record."));
    }
    let path = file(&site.dir);
    if path.exists() {
        return Err(Trouble::refused(
            format!("{} is there, so nothing needs a new seal", path.display()),
            "Rows whose seals are wrong were changed by somebody: `touchmark book verify` names them. Nothing was changed.",
        ));
    }
    let entry = site.book.note("access.reseal", &Subject::Site, &json!({ "reason": reason.trim() }), &who.by())?;
    make(&site.dir, &site.book)?;
    // With the new key in its place, the rows are read as whoever opens the site next reads them.
    let again = Site::open(&site.dir)?;
    Ok(Resealed {
        key: path.display().to_string(),
        accounts: again.book.accounts()?.len() as u64,
        tokens: again.book.api_tokens()?.len() as u64,
        entry: entry.0,
    })
}
